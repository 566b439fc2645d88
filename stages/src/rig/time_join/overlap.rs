//! Whether the two clocks can be the same, and what explains it when they cannot.

use super::TimeJoin;
use super::series::Series;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use raw_logs::time_columns;
use raw_logs::time_columns::SECOND_NS;

/// Share of epochs without any partner above which the clocks are taken as different.
const WORST: f64 = 0.9;

/// Stops the run when the stream misses the session.
///
/// # Errors
/// `time/streams-do-not-overlap`, with the difference and, where one fits, its explanation.
pub(super) fn check(times: &[i64], series: &[Series], stage: &TimeJoin, session: &str) -> Result<(), Problem> {
    let (Some(&start), Some(&end)) = (times.iter().min(), times.iter().max()) else { return Ok(()) };
    let place = format!("session `{session}`: log {} to {}", time_columns::instant_text(start), time_columns::instant_text(end));
    let spans: Vec<(i64, i64)> = series.iter().filter_map(Series::span).collect();
    let (Some(first), Some(last)) = (spans.iter().map(|s| s.0).min(), spans.iter().map(|s| s.1).max()) else {
        return Err(Problem::from(
            Diagnostic::new("time/streams-do-not-overlap", Verdict::Block, "the second stream has no usable sample")
                .place(place)
                .size("every epoch of the session would be without attitude or range")
                .fix("check the named columns, `time.format` and the damaged rows"),
        ));
    };
    let covered = |shift: i64| times.iter().filter(|t| series.iter().any(|s| s.covers(**t + shift, stage.max_gap_ns))).count();
    let now = covered(0);
    #[allow(clippy::cast_precision_loss)]
    let without = 1.0 - now as f64 / times.len() as f64;
    let apart = last < start || first > end;
    if !apart && without <= WORST {
        return Ok(());
    }
    let (at_start, at_end) = (first - start, last - end);
    let what = if apart {
        let (gap, side) = if last < start { (start - last, "before the log begins") } else { (first - end, "after the log ends") };
        let verb = if last < start { "ends" } else { "begins" };
        format!("the second stream {verb} {} {side}", seconds(gap))
    } else {
        format!("{} of {} epochs find no partner in the second stream", times.len() - now, times.len())
    };
    let gps = time_columns::gps_minus_utc_s(start);
    let mut why = format!(
        "the stream runs from {} to {}: it begins {} and ends {} against the log",
        time_columns::instant_text(first),
        time_columns::instant_text(last),
        signed(at_start),
        signed(at_end)
    );
    let mut fix = "check `time.scale`, `time.ahead_h`, `time.date` and `lag_s`, and that the file is of this session".to_owned();
    if let Some(cause) = explain(at_start, gps).or_else(|| explain(at_end, gps)) {
        why.push_str(&format!("; {} is {}", signed(if explain(at_start, gps).is_some() { at_start } else { at_end }), cause.words));
        fix = cause.fix();
    } else if let Some((cause, n)) = best_shift(&covered, times.len(), gps) {
        why.push_str(&format!(
            "; with the stream {} earlier {n} of {} epochs would have a partner, and that is {}",
            signed(cause.shift_ns),
            times.len(),
            cause.words
        ));
        fix = cause.fix();
    }
    let step = series.iter().filter_map(Series::typical_step).min().filter(|s| !apart && *s > stage.max_gap_ns);
    if let Some(step) = step {
        why.push_str(&format!("; its samples are {} apart and `max_gap_s` is {}", seconds(step), seconds(stage.max_gap_ns)));
        "raise `max_gap_s` above the spacing of the samples".clone_into(&mut fix);
    }
    Err(Problem::from(
        Diagnostic::new("time/streams-do-not-overlap", Verdict::Block, what)
            .place(place)
            .size("every offset would be turned by an attitude of another moment: up to twice the horizontal arm")
            .why(why)
            .fix(fix),
    )
    .option("time"))
}

/// Something that makes two clocks differ by a known amount.
struct Cause {
    shift_ns: i64,
    words: String,
    hours: i64,
    leap: i64,
}

impl Cause {
    fn new(hours: i64, leap: i64, gps: i64) -> Self {
        let zone = format!("{} whole hours, as of a time zone", hours.abs());
        let scale = format!("{gps} s, the difference of GPS time and UTC");
        let words = match (hours, leap) {
            (0, _) => scale,
            (_, 0) => zone,
            _ => format!("{zone}, and {scale}"),
        };
        Self { shift_ns: (hours * 3600 + leap) * SECOND_NS, words, hours, leap }
    }

    fn fix(&self) -> String {
        let mut keys = vec![];
        if self.hours != 0 {
            keys.push(format!("add {} to `time.ahead_h`", self.hours));
        }
        if self.leap > 0 {
            keys.push("set `time.scale: gps`".to_owned());
        }
        if self.leap < 0 {
            keys.push("set `time.scale: utc`".to_owned());
        }
        keys.join(", ")
    }
}

/// Explains a difference (stream minus log, ns) to half a second.
fn explain(difference: i64, gps: i64) -> Option<Cause> {
    let half = SECOND_NS / 2;
    for leap in [0, gps, -gps] {
        let rest = difference - leap * SECOND_NS;
        let hours = (rest + 1800 * SECOND_NS).div_euclid(3600 * SECOND_NS);
        let known = (hours != 0 || leap != 0) && hours.abs() <= 26;
        if known && (rest - hours * 3600 * SECOND_NS).abs() <= half {
            return Some(Cause::new(hours, leap, gps));
        }
    }
    None
}

/// The smallest known shift that gives nine of ten epochs a partner.
fn best_shift(covered: &dyn Fn(i64) -> usize, rows: usize, gps: i64) -> Option<(Cause, usize)> {
    let mut causes: Vec<Cause> = (-14..=14)
        .flat_map(|hours| [0, gps, -gps].map(|leap| (hours, leap)))
        .filter(|c| *c != (0, 0))
        .map(|(h, l)| Cause::new(h, l, gps))
        .collect();
    causes.sort_by_key(|c| (c.shift_ns.abs(), c.shift_ns));
    let mut best: Option<(Cause, usize)> = None;
    for cause in causes {
        let n = covered(cause.shift_ns);
        // A later, larger shift must be clearly better.
        if n * 10 >= rows * 9 && best.as_ref().is_none_or(|(_, b)| n > b + rows / 100) {
            best = Some((cause, n));
        }
    }
    best
}

#[allow(clippy::cast_precision_loss)]
fn seconds(ns: i64) -> String {
    format!("{:.2} s", ns as f64 / 1e9)
}

#[allow(clippy::cast_precision_loss)]
fn signed(ns: i64) -> String {
    format!("{:+.2} s", ns as f64 / 1e9)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_differences() {
        let s = |x: f64| time_columns::to_ns(x);
        assert_eq!(explain(s(18.2), 18).unwrap().fix(), "set `time.scale: gps`");
        assert_eq!(explain(s(-18.0), 18).unwrap().fix(), "set `time.scale: utc`");
        assert_eq!(explain(s(7200.4), 18).unwrap().fix(), "add 2 to `time.ahead_h`");
        assert_eq!(explain(s(-3600.0 + 18.1), 18).unwrap().fix(), "add -1 to `time.ahead_h`, set `time.scale: gps`");
        assert!(explain(s(0.1), 18).is_none() && explain(s(19.0), 18).is_none() && explain(s(7201.0), 18).is_none());
    }
}
