//! Rows that go no further, kept with reason and raw lines.
//!
//! Neighbouring epochs of one session with the same step and reason share one line of the table:
//! `epoch_first` to `epoch_last` name them exactly, and the raw lines hold all their values.
//!
//! The ranges of every session stay until the end of the run, so they are kept small: what a call
//! has in common stands once in its [`Batch`], and neighbours share their texts.

use crate::stage::Problem;
use crate::table::Table;
use crate::table::schema::Role;
use polars::prelude::StringChunked;
use std::io::Write;
use std::sync::Arc;

/// Rows that one step refused at once for one reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Batch {
    /// Number of the session.
    pub session: usize,
    /// Step that refused the rows.
    pub step: String,
    /// Index of the step, for order.
    pub step_index: usize,
    /// Reason code.
    pub reason: String,
    /// Detail for people.
    pub detail: String,
    /// The rows.
    pub ranges: Box<[Range]>,
}

/// One line of the set-aside table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Range {
    /// Session.
    pub session: Arc<str>,
    /// Raw file.
    pub file: Arc<str>,
    /// Point, where the rows belong to one.
    pub point: Arc<str>,
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
    /// First time, ns since 1970 UTC.
    pub time_first: i64,
    /// Last time, ns since 1970 UTC.
    pub time_last: i64,
}

/// A text column, or nothing where the schema has none.
struct Texts<'a>(Option<&'a StringChunked>);

impl<'a> Texts<'a> {
    fn of(table: &'a Table, role: Role) -> Result<Self, Problem> {
        let column = table.schema.role(role).map(|c| table.data.column(&c.name)).transpose().map_err(Problem::broken)?;
        Ok(Self(column.map(|c| c.as_materialized_series().str()).transpose().map_err(Problem::broken)?))
    }

    /// The text of a row that exists; empty for none.
    #[inline]
    fn get(&self, row: usize) -> &'a str {
        self.0.and_then(|c| c.get(row)).unwrap_or("")
    }
}

/// A text, shared with the one before where it is the same.
fn shared(before: Option<&Arc<str>>, text: &str) -> Arc<str> {
    before.filter(|b| ***b == *text).map_or_else(|| Arc::from(text), Arc::clone)
}

/// Turns rows of a table into ranges.
///
/// # Errors
/// When a column of the schema is not in the table, or the table has no such row.
pub fn ranges(table: &Table, rows: impl Iterator<Item = usize>) -> Result<Box<[Range]>, Problem> {
    let ints = |role: Role| table.schema.role(role).map(|c| table.whole_numbers(&c.name)).transpose();
    let (sessions, files, points) = (Texts::of(table, Role::Session)?, Texts::of(table, Role::File)?, Texts::of(table, Role::Point)?);
    let (firsts, lasts, epochs) = (ints(Role::LineFirst)?, ints(Role::LineLast)?, ints(Role::Epoch)?);
    let times = ints(Role::Time)?;
    let mut out: Vec<Range> = vec![];
    for row in rows {
        if row >= table.rows() {
            return Err(Problem::broken(format!("row {row} was set aside and does not exist")));
        }
        let value = |column: &Option<std::borrow::Cow<[i64]>>| column.as_ref().map_or(0, |c| c[row]);
        let (session, file, point) = (sessions.get(row), files.get(row), points.get(row));
        let (first, last, epoch, time) = (value(&firsts), value(&lasts), value(&epochs), value(&times));
        if let Some(range) = out.last_mut()
            && epoch != 0
            && epoch == range.epoch_last + 1
            && *range.file == *file
            && *range.point == *point
            && *range.session == *session
        {
            range.line_first = range.line_first.min(first);
            range.line_last = range.line_last.max(last);
            range.epoch_last = epoch;
            range.rows += 1;
            range.time_last = time;
            continue;
        }
        let before = out.last();
        let new = Range {
            session: shared(before.map(|b| &b.session), session),
            file: shared(before.map(|b| &b.file), file),
            point: shared(before.map(|b| &b.point), point),
            line_first: first,
            line_last: last,
            epoch_first: epoch,
            epoch_last: epoch,
            rows: 1,
            time_first: time,
            time_last: time,
        };
        out.push(new);
    }
    Ok(out.into_boxed_slice())
}

/// Header of the table.
const HEADER: &str = "session,step,reason,detail,point,file,line_first,line_last,epoch_first,epoch_last,epochs,time_first,time_last\n";

fn quoted(text: &str) -> std::borrow::Cow<'_, str> {
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")).into() } else { text.into() }
}

/// Writes the table in the order of sessions, epochs and steps.
///
/// # Errors
/// When the file cannot be written.
pub fn write(out: &mut impl Write, all: &[Batch]) -> std::io::Result<()> {
    let mut lines: Vec<(&Batch, &Range)> = all.iter().flat_map(|b| b.ranges.iter().map(move |r| (b, r))).collect();
    lines.sort_by(|(a, x), (b, y)| {
        (a.session, x.epoch_first, a.step_index, &a.reason, &x.point).cmp(&(b.session, y.epoch_first, b.step_index, &b.reason, &y.point))
    });
    out.write_all(HEADER.as_bytes())?;
    for (b, r) in lines {
        writeln!(
            out,
            "{},{},{},{},{},{},{},{},{},{},{},{},{}",
            quoted(&r.session),
            quoted(&b.step),
            quoted(&b.reason),
            quoted(&b.detail),
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
