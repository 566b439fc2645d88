//! Rows that go no further, kept with reason and raw lines.
//!
//! Neighbouring epochs of one session with the same step and reason share one line of the table:
//! `epoch_first` to `epoch_last` name them exactly, and the raw lines hold all their values.

use crate::stage::Problem;
use crate::table::Table;
use crate::table::schema::Role;
use std::io::Write;

/// One line of the set-aside table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Range {
    /// Session.
    pub session: String,
    /// Step that refused the rows.
    pub step: String,
    /// Index of the step, for order.
    pub step_index: usize,
    /// Reason code.
    pub reason: String,
    /// Detail for people.
    pub detail: String,
    /// Raw file.
    pub file: String,
    /// First raw line.
    pub line_first: i64,
    /// Last raw line.
    pub line_last: i64,
    /// First epoch of the session.
    pub epoch_first: i64,
    /// Last epoch of the session.
    pub epoch_last: i64,
    /// How many rows.
    pub rows: u64,
    /// Point, where the rows belong to one.
    pub point: String,
    /// First time, ns since 1970 UTC.
    pub time_first: i64,
    /// Last time, ns since 1970 UTC.
    pub time_last: i64,
}

/// Turns rows into ranges.
///
/// # Errors
/// When a column of the schema is not in the table.
pub fn ranges(table: &Table, step: &str, step_index: usize, reason: &str, detail: &str) -> Result<Vec<Range>, Problem> {
    let name = |role: Role| table.schema.role(role).map(|c| c.name.clone());
    let ints = |role: Role| name(role).map_or_else(|| Ok(vec![None; table.rows()]), |n| table.ints(&n));
    let texts = |role: Role| -> Result<Vec<Option<&str>>, Problem> {
        table.schema.role(role).map_or_else(|| Ok(vec![None; table.rows()]), |c| table.texts(&c.name))
    };
    let (sessions, files, points) = (texts(Role::Session)?, texts(Role::File)?, texts(Role::Point)?);
    let (firsts, lasts, epochs) = (ints(Role::LineFirst)?, ints(Role::LineLast)?, ints(Role::Epoch)?);
    let times = name(Role::Time).map_or_else(|| Ok(vec![None; table.rows()]), |n| table.instants(&n))?;
    let mut out: Vec<Range> = vec![];
    for row in 0..table.rows() {
        let (session, file, point) = (sessions[row].unwrap_or(""), files[row].unwrap_or(""), points[row].unwrap_or(""));
        let (first, last) = (firsts[row].unwrap_or(0), lasts[row].unwrap_or(0));
        let (epoch, time) = (epochs[row].unwrap_or(0), times[row].unwrap_or(0));
        if let Some(range) = out.last_mut()
            && epoch != 0 && epoch == range.epoch_last + 1 && range.file == file && range.point == point && range.session == session {
                range.line_first = range.line_first.min(first);
                range.line_last = range.line_last.max(last);
                range.epoch_last = epoch;
                range.rows += 1;
                range.time_last = time;
                continue;
            }
        out.push(Range {
            session: session.to_owned(),
            step: step.to_owned(),
            step_index,
            reason: reason.to_owned(),
            detail: detail.to_owned(),
            file: file.to_owned(),
            line_first: first,
            line_last: last,
            epoch_first: epoch,
            epoch_last: epoch,
            rows: 1,
            point: point.to_owned(),
            time_first: time,
            time_last: time,
        });
    }
    Ok(out)
}

/// Header of the table.
const HEADER: &str = "session,step,reason,detail,point,file,line_first,line_last,epoch_first,epoch_last,epochs,time_first,time_last\n";

fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}

/// Writes the table in the order of sessions, epochs and steps.
///
/// # Errors
/// When the file cannot be written.
pub fn write(out: &mut impl Write, mut all: Vec<(usize, Range)>) -> std::io::Result<()> {
    all.sort_by(|(a, x), (b, y)| (a, x.epoch_first, x.step_index, &x.reason, &x.point).cmp(&(b, y.epoch_first, y.step_index, &y.reason, &y.point)));
    out.write_all(HEADER.as_bytes())?;
    for (_, r) in all {
        writeln!(
            out,
            "{},{},{},{},{},{},{},{},{},{},{},{},{}",
            quoted(&r.session),
            quoted(&r.step),
            quoted(&r.reason),
            quoted(&r.detail),
            quoted(&r.point),
            quoted(&r.file),
            r.line_first,
            r.line_last,
            r.epoch_first,
            r.epoch_last,
            r.rows,
            crate::run::clock::iso(r.time_first),
            crate::run::clock::iso(r.time_last),
        )?;
    }
    Ok(())
}
