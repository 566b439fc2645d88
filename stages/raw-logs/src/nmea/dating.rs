//! Gives the epochs of a log their dates.
//!
//! Dates come from RMC, ZDA or the job, never from a file or a clock. Between them days are counted
//! by the order of the lines: a step back of more than 12 hours is midnight. Dates are carried back
//! to the epochs before the first RMC or ZDA in the same way.

use super::log::{DateRun, Log};
use super::number::DAY;

/// A gap after which the next day is believed without midnight in the log, ns: one hour.
const PAUSE: i64 = 3_600_000_000_000;
/// Days of 1,024 weeks: the week number of the satellites starts again after so many.
pub const ROLLOVER: i64 = 7_168;

/// A day that was skipped while the log paused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pause {
    /// First row after it.
    pub row: usize,
    /// Instants before and after, ns since 1970.
    pub before: i64,
    /// See `before`.
    pub after: i64,
}

/// How a log got its dates.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Dated {
    /// Done; `columns.time` holds instants.
    Yes {
        /// `rmc-or-zda`, `option` or `rmc-or-zda without a fix`.
        source: &'static str,
        /// Pauses over at least one day that is not in the log.
        pauses: Vec<Pause>,
        /// The job's date was taken although the log shows another, a whole number of 1,024 weeks off.
        rollover: Option<DateRun>,
    },
    /// No date anywhere.
    NoDate,
    /// The log gives two dates for one run of time.
    TwoDates(DateRun, DateRun),
    /// The log gives another date than the job, as days since 1970 for the first line.
    NotTheJobs(DateRun),
}

/// Turns `columns.time` into instants.
///
/// `date` is the job's date of the first line, days since 1970.
pub fn date(log: &mut Log, date: Option<i64>) -> Dated {
    let strongest = log.noticed.dates.iter().map(|r| r.strength).max();
    let runs: Vec<DateRun> = log.noticed.dates.iter().filter(|r| Some(r.strength) == strongest).copied().collect();
    let Some(first) = runs.first() else {
        let Some(base) = date else {
            return if log.columns.rows() == 0 { dated("none needed") } else { Dated::NoDate };
        };
        shift(log, 0, base);
        return dated("option");
    };
    if let Some(date) = date
        && date != first.base
    {
        if (date - first.base) % ROLLOVER == 0 && runs.len() == 1 {
            shift(log, 0, date);
            return Dated::Yes { source: "option", pauses: vec![], rollover: Some(*first) };
        }
        return Dated::NotTheJobs(*first);
    }
    let mut cuts = vec![(0, first.base)];
    for pair in runs.windows(2) {
        match pause(log, &pair[0], &pair[1]) {
            Some(row) => cuts.push((row, pair[1].base)),
            None => return Dated::TwoDates(pair[0], pair[1]),
        }
    }
    let mut pauses = vec![];
    for (i, (row, base)) in cuts.iter().enumerate() {
        let next = cuts.get(i + 1).map_or(log.columns.rows(), |c| c.0);
        let before = row.checked_sub(1).and_then(|r| log.columns.time.get(r)).copied();
        shift_rows(log, *row, next, *base);
        if let (Some(before), Some(after)) = (before, log.columns.time.get(*row)) {
            pauses.push(Pause { row: *row, before, after: *after });
        }
    }
    let source = if strongest == Some(0) { "rmc-or-zda without a fix" } else { "rmc-or-zda" };
    Dated::Yes { source, pauses, rollover: None }
}

fn dated(source: &'static str) -> Dated {
    Dated::Yes { source, pauses: vec![], rollover: None }
}

/// The only row between two runs where the log pauses, when the second date fits after it.
fn pause(log: &Log, a: &DateRun, b: &DateRun) -> Option<usize> {
    let time = &log.columns.time;
    let last = b.first_row.min(time.len().checked_sub(1)?);
    let mut found = None;
    for row in a.last_row.max(1)..=last {
        let step = time[row] - time[row - 1];
        if !(0..PAUSE).contains(&step) {
            if found.is_some() {
                return None;
            }
            found = Some(row);
        }
    }
    let row = found?;
    (b.base * DAY + time[row] > a.base * DAY + time[row - 1]).then_some(row)
}

fn shift(log: &mut Log, from: usize, base: i64) {
    let rows = log.columns.rows();
    shift_rows(log, from, rows, base);
}

fn shift_rows(log: &mut Log, from: usize, to: usize, base: i64) {
    if let Some(rows) = log.columns.time.get_mut(from..to) {
        for time in rows {
            *time += base * DAY;
        }
    }
}
