//! Findings that stop a job.

use super::{Context, all_damaged, count, in_session, label, length};
use crate::nmea::dating::Dated;
use crate::nmea::line::Reason;
use crate::nmea::log::{Lattice, Log};
use crate::nmea::number::{DAY, clock_text};
use crate::nmea::settings::HeightRule;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::time::date_text;

/// Findings that stop a job; also asked before a run, with the first part of the log.
#[must_use]
pub fn blocks(log: &Log, dated: &Dated, context: &Context) -> Vec<Diagnostic> {
    let all = [no_sentences(log), geoid_twice(log, context), dates(log, dated, context), coarse(log, context)];
    all.into_iter().flatten().map(|f| in_session(f, context)).collect()
}

fn block(code: &str, what: impl Into<String>) -> Diagnostic {
    Diagnostic::new(code, Verdict::Block, what)
}

/// Nothing that gives an epoch.
fn no_sentences(log: &Log) -> Option<Diagnostic> {
    if log.columns.rows() > 0 {
        return None;
    }
    let without = all_damaged(log, Reason::NoChecksum);
    let no_time = all_damaged(log, Reason::NoTime);
    let mut finding;
    if log.sentences() == 0 && without > 0 {
        finding = block("data/no-sentences", format!("{} without a checksum and none with one", count(without, "sentence")))
            .why("a sentence that was cut or mixed up in the radio or on the wire looks whole without its checksum")
            .fix("let the receiver write checksums; for a log that cannot be had again, set `checksums: optional`");
    } else if log.sentences() == 0 {
        let bytes: u64 = log.tallies.iter().map(|t| t.bytes).sum();
        let binary: u64 = log.tallies.iter().map(|t| t.binary_bytes).sum();
        let holds = match (bytes, binary) {
            (0, _) => "the file is empty".to_owned(),
            (all, b) if b * 2 > all => format!("{all} bytes, {b} of them binary"),
            (all, _) => format!("{all} bytes of text that is no sentence"),
        };
        finding = block("data/no-sentences", format!("no NMEA sentence at all: {holds}"))
            .why("this stage reads sentences such as `$GNGGA,…*hh`; binary receiver formats hold other data")
            .fix("let the receiver log NMEA (GGA, GST, RMC or ZDA, GSA), or name the right file under `files`");
    } else {
        let kinds: Vec<String> = log.kinds().into_iter().take(8).map(|(k, n)| format!("{k} {n}")).collect();
        let (what, why) = if no_time > 0 {
            (
                format!("no epoch: {} without a time", count(no_time, "sentence")),
                "the receiver did not know the time yet, so it had no position either",
            )
        } else {
            (
                format!("{}, but none that gives a position", count(log.sentences(), "sentence")),
                "an epoch needs GGA or GNS, or at least RMC or GLL",
            )
        };
        finding = block("data/no-sentences", what)
            .place(format!("sentences found: {}", kinds.join(", ")))
            .why(why)
            .fix("let the receiver log GGA (and GST, RMC or ZDA, GSA), or name the right file under `files`");
    }
    for tally in &log.tallies {
        finding = finding.label(Label::file(&tally.file, format!("{} in {}", count(tally.total, "line"), count(tally.bytes, "byte"))));
    }
    Some(finding)
}

/// Trap: the log's altitude is above the receiver's geoid, and the job calls it ellipsoidal.
fn geoid_twice(log: &Log, context: &Context) -> Option<Diagnostic> {
    let n = &log.noticed;
    if context.settings.height != HeightRule::FieldIsEllipsoidal {
        return None;
    }
    let (at, altitude, separation) = n.first_height?;
    let (low, high) = n.separation_range.unwrap_or((separation, separation));
    let size = if (high - low).abs() < 5e-4 { format!("{:+.3} m", -separation) } else { format!("{:+.3} m to {:+.3} m", -high, -low) };
    let some = if log.partial { "at least " } else { "" };
    let mut finding = block("height/geoid-twice", "GGA altitude is declared ellipsoidal, but it is above the receiver's geoid")
        .place(format!("{some}{} of {} lines with an altitude", n.separations_not_zero, n.altitudes))
        .size(format!(
            "field 9 is {altitude:.3} m with separation {separation:.3} m, so ellipsoidal height is {:.3} m; heights would be off by {size}",
            altitude + separation
        ))
        .why("a geoid would be removed from a height that is above a geoid already: the geoid counts twice")
        .fix("set `height: altitude-plus-separation` (ellipsoidal height is then field 9 plus field 11, and the receiver's geoid is gone)");
    finding = finding.label(label(log, at, format!("altitude {altitude:.3} m, separation {separation:.3} m")));
    for other in n.first_gga.iter().filter(|a| **a != at).take(2) {
        finding = finding.label(label(log, *other, "another GGA"));
    }
    Some(finding)
}

fn dates(log: &Log, dated: &Dated, context: &Context) -> Option<Diagnostic> {
    match dated {
        Dated::Yes { .. } => None,
        Dated::NoDate => Some(no_date(log)),
        Dated::TwoDates(a, b) => Some(
            block(
                "time/two-dates",
                format!(
                    "the log says {} and then {} for one run of time, {} apart",
                    date_text(a.base + a.day),
                    date_text(b.base + b.day),
                    count((b.base - a.base).unsigned_abs(), "day")
                ),
            )
            .label(label(log, a.at, format!("{} by RMC or ZDA", date_text(a.base + a.day))))
            .label(label(log, b.at, format!("{} by RMC or ZDA", date_text(b.base + b.day))))
            .size("two calendar days are possible; coordinate epoch, base file and order of the shots depend on it")
            .why("the date changes although neither midnight nor one pause of the log lies between")
            .fix("cut the log where the receiver's date is wrong and give the parts as `sessions`, each with its `date` if it has none of its own"),
        ),
        Dated::NotTheJobs(run) => {
            let declared = context.date.map(date_text).unwrap_or_default();
            Some(
                block("time/two-dates", format!("the job says {declared} for line 1, and the log says {}", date_text(run.base)))
                    .label(label(log, run.at, format!("{} by RMC or ZDA", date_text(run.base + run.day))))
                    .size(format!("{} apart", count(context.date.map_or(0, |d| (d - run.base).unsigned_abs()), "day")))
                    .why("one of the two is wrong, and nothing in the log tells which")
                    .fix("take the option `date` out if the log is right; if the receiver's date is wrong, remove its RMC and ZDA lines from a copy of the log"),
            )
        }
    }
}

/// Trap: GGA alone, perhaps over midnight.
fn no_date(log: &Log) -> Diagnostic {
    let n = &log.noticed;
    let time = &log.columns.time;
    let rows = log.columns.rows();
    let clock = |row: usize| clock_text(time.get(row).copied().unwrap_or(0));
    let days = 1 + time.last().map_or(0, |t| t.div_euclid(DAY)) - time.first().map_or(0, |t| t.div_euclid(DAY));
    let lines = if n.gga > 0 { count(n.gga, "GGA line") } else { count(rows as u64, "epoch") };
    let mut what = format!("{lines} from {} to {}, no date in RMC or ZDA", clock(0), clock(rows.saturating_sub(1)));
    if let Some(step) = n.midnights.first.first() {
        what += &format!("; time falls {} -> {} at line {}", clock_text(step.before), clock_text(step.after), step.at.line);
    }
    let size = if days > 1 {
        format!("{days} calendar days are possible for each line; coordinate epoch and base file depend on it")
    } else {
        "any calendar day is possible; coordinate epoch and base file depend on it".to_owned()
    };
    let fix = match n.midnights.first.first() {
        Some(step) => format!("state `date: YYYY-MM-DD` for line 1 (line {} on becomes the next day)", step.at.line),
        None => "state `date: YYYY-MM-DD` for line 1".to_owned(),
    };
    let mut finding =
        block("time/no-date", what).size(size).why("GGA has a time of day and no date; the time of a file is not evidence").fix(fix);
    if let Some(at) = n.first_gga.first() {
        finding = finding.label(label(log, *at, "first GGA"));
    }
    for step in &n.midnights.first {
        finding = finding.label(label(log, step.at, format!("{} after {}", clock_text(step.after), clock_text(step.before))));
    }
    finding
}

/// Trap: too few decimals.
fn coarse(log: &Log, context: &Context) -> Option<Diagnostic> {
    let (step, how) = log.position_step_m()?;
    let budget = context.budget_m?;
    (step > budget).then(|| coarse_position(log, Verdict::Block, step, how, Some(budget)))
}

/// The finding about the step of positions.
#[allow(clippy::cast_possible_truncation, clippy::cast_possible_wrap)]
pub(super) fn coarse_position(log: &Log, verdict: Verdict, step: f64, how: Lattice, budget: Option<f64>) -> Diagnostic {
    let n = &log.noticed;
    let (fewest, most) = n.decimals.range().unwrap_or((0, 0));
    let written = if fewest == most { format!("{most}") } else { format!("{fewest} to {most}") };
    let what = match how {
        Lattice::Decimals if usize::from(n.decimals.effective) < most && step > 1852.0 * 10_f64.powi(-(most as i32)) * 1.5 => format!(
            "positions move in steps of {}: {written} decimals of minutes are written and only {} are used",
            length(step),
            n.decimals.effective
        ),
        Lattice::Decimals => format!("positions have {written} decimals of minutes, steps of {}", length(step)),
        Lattice::Differences => format!("positions have {written} decimals of minutes, but move in steps of {}", length(step)),
    };
    let limit = budget.map_or(String::new(), |b| format!("; budget {} at 95 %", length(b)));
    let why = match how {
        Lattice::Decimals => "one minute of latitude is 1852 m, so 4 decimals are 185 mm, 5 are 19 mm, 7 are 0.2 mm",
        Lattice::Differences => "the receiver or a program between computes with too few digits, as single precision does",
    };
    let mut finding = Diagnostic::new("data/coarse-position", verdict, what)
        .place(count(n.decimals.count(), "position"))
        .size(format!("each position is off by up to {} in latitude and in longitude{limit}", length(step / 2.0)))
        .why(why)
        .fix("let the receiver write 7 or 8 decimals of minutes (high precision NMEA), and shoot again");
    if let Some(at) = n.first_gga.first() {
        finding = finding.label(label(log, *at, "first position"));
    }
    finding
}
