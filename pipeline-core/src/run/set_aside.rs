//! Rows that go no further, kept with reason and raw lines.
//!
//! Neighbouring epochs of one session with the same step and reason share one line of the table:
//! `epoch_first` to `epoch_last` name them exactly, and the raw lines hold all their values.
//!
//! Each call becomes a piece of bytes, the finished lines with what they are sorted by, which waits on the shelf of the
//! run; at the end one session after another is taken back, sorted and written.

use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Role;
use polars::prelude::StringChunked;
use std::io::Write;

/// What all rows of one call have in common.
#[derive(Clone, Copy, Debug)]
pub struct SetAsideReason<'a> {
    /// Step that refused the rows.
    pub step: &'a str,
    /// Index of the step, for order.
    pub step_index: usize,
    /// Reason code.
    pub reason: &'a str,
    /// Detail for people.
    pub detail: &'a str,
}

/// One line of the set-aside table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAsideRange<'a> {
    /// Session.
    pub session: &'a str,
    /// Raw file.
    pub file: &'a str,
    /// Point, where the rows belong to one.
    pub point: &'a str,
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
struct OptionalTexts<'a>(Option<&'a StringChunked>);

impl<'a> OptionalTexts<'a> {
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

/// Turns rows of a table into ranges.
///
/// # Errors
/// When a column of the schema is not in the table, or the table has no such row.
pub fn ranges(table: &Table, rows: impl Iterator<Item = usize>) -> Result<Vec<SetAsideRange<'_>>, Problem> {
    let ints = |role: Role| table.schema.role(role).map(|c| table.whole_numbers(&c.name)).transpose();
    let (sessions, files, points) =
        (OptionalTexts::of(table, Role::Session)?, OptionalTexts::of(table, Role::File)?, OptionalTexts::of(table, Role::Point)?);
    let (firsts, lasts, epochs) = (ints(Role::LineFirst)?, ints(Role::LineLast)?, ints(Role::Epoch)?);
    let times = ints(Role::Time)?;
    let mut out: Vec<SetAsideRange> = vec![];
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
            && range.file == file
            && range.point == point
            && range.session == session
        {
            range.line_first = range.line_first.min(first);
            range.line_last = range.line_last.max(last);
            range.epoch_last = epoch;
            range.rows += 1;
            range.time_last = time;
            continue;
        }
        out.push(SetAsideRange {
            session,
            file,
            point,
            line_first: first,
            line_last: last,
            epoch_first: epoch,
            epoch_last: epoch,
            rows: 1,
            time_first: time,
            time_last: time,
        });
    }
    Ok(out)
}

/// Header of the table.
const HEADER: &str = "session,step,reason,detail,point,file,line_first,line_last,epoch_first,epoch_last,epochs,time_first,time_last\n";

fn quoted(text: &str) -> std::borrow::Cow<'_, str> {
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")).into() } else { text.into() }
}

/// Bytes of the numbers before a line: first epoch, index of the step, length.
const HEAD: usize = 24;

/// The lines of one call as bytes for the shelf, each behind its first epoch, the index of its step and its length.
#[must_use]
pub fn piece(cause: &SetAsideReason, ranges: &[SetAsideRange]) -> Vec<u8> {
    let mut out = Vec::with_capacity(ranges.len() * 160);
    for r in ranges {
        let head = out.len();
        out.extend_from_slice(&r.epoch_first.to_le_bytes());
        out.extend_from_slice(&(cause.step_index as u64).to_le_bytes());
        out.extend_from_slice(&[0; 8]);
        // Writing to memory does not fail.
        let _ = writeln!(
            out,
            "{},{},{},{},{},{},{},{},{},{},{},{},{}",
            quoted(r.session),
            quoted(cause.step),
            quoted(cause.reason),
            quoted(cause.detail),
            quoted(r.point),
            quoted(r.file),
            r.line_first,
            r.line_last,
            r.epoch_first,
            r.epoch_last,
            r.rows,
            pipeline_base::time::iso(r.time_first),
            pipeline_base::time::iso(r.time_last),
        );
        let length = (out.len() - head - HEAD) as u64;
        out[head + 16..head + HEAD].copy_from_slice(&length.to_le_bytes());
    }
    out
}

/// First epoch, step and text of each line of a piece. Stops at bytes that [`piece`] did not make.
fn lines(mut piece: &[u8]) -> impl Iterator<Item = (i64, u64, &[u8])> {
    std::iter::from_fn(move || {
        let (head, rest) = piece.split_at_checked(HEAD)?;
        let number = |at: usize| head[at..at + 8].try_into().ok().map(u64::from_le_bytes);
        let (line, rest) = rest.split_at_checked(usize::try_from(number(16)?).ok()?)?;
        piece = rest;
        Some((number(0)?.cast_signed(), number(8)?, line))
    })
}

/// Writes the table: the pieces of each session, in the order of epochs and steps.
///
/// # Errors
/// When a piece cannot be taken back or the file cannot be written.
pub fn write(out: &mut impl Write, sessions: impl Iterator<Item = std::io::Result<Vec<u8>>>) -> std::io::Result<()> {
    out.write_all(HEADER.as_bytes())?;
    for session in sessions {
        let bytes = session?;
        let mut sorted: Vec<(i64, u64, &[u8])> = lines(&bytes).collect();
        sorted.sort_unstable();
        for (_, _, line) in sorted {
            out.write_all(line)?;
        }
    }
    Ok(())
}
