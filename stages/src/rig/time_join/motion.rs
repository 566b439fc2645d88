//! Finds the lag of the second stream from movement.
//!
//! A crew walks, stops and holds still. The antenna moves at the same moments as the attitude, so the
//! two activities correlate best at the lag of the clocks. Path of the antenna and path of the
//! attitude (sum of the changes of its angles) are compared over intervals of at least a second, on
//! a logarithmic scale, at lags up to a minute.

use super::series::Series;
use pipeline_base::diag::{Diagnostic, Verdict};
use raw_logs::time_columns::SECOND_NS;
use survey_mathematics::angle;
use survey_mathematics::peak;
use survey_mathematics::peak::{STEP_S, Search, Value, Values};

/// Largest lag that is tried, s.
const REACH_S: f64 = 60.0;
/// Half of the width over which the peak is taken, s: the steps of the attitude's own noise do not show at that width.
const WIDTH_S: f64 = 0.5;
/// Variance of the activities below which nothing moves, or nothing stops.
const LEAST: [f64; 2] = [0.05, 0.02];
/// Fewest intervals from which a lag is taken.
const FEWEST: usize = 60;
/// A path of this size marks the change from still to moving: m and deg per second.
const STILL_M_S: f64 = 0.05;
const STILL_DEG_S: f64 = 2.0;

/// The lag that fits best.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lag {
    /// Stream time minus log time, s.
    pub lag_s: f64,
    /// Half of the 95 % interval, s.
    pub within_95_s: f64,
    /// Correlation there.
    pub correlation: f64,
    /// Correlation without a lag.
    pub at_zero: f64,
    /// Speed of the antenna while it moves, m/s (90 % of the intervals are slower).
    pub speed_m_s: f64,
}

/// Compares the movements. `None` when there is too little movement to compare.
#[must_use]
pub(super) fn compare(times: &[i64], latitude: &[f64], longitude: &[f64], turning: &[&Series]) -> Option<Lag> {
    let (intervals, moved) = antenna(times, latitude, longitude);
    let path = Path::new(turning)?;
    if intervals.len() < FEWEST {
        return None;
    }
    let said: Vec<Value> = moved.iter().map(|m| [*m, 0.0, 0.0]).collect();
    let heard = |lag_s: f64| -> Values {
        let activity = |(from, to): &(f64, f64)| {
            let turned = path.at(to + lag_s)? - path.at(from + lag_s)?;
            Some([(turned / (to - from) / STILL_DEG_S).ln_1p(), 0.0, 0.0])
        };
        intervals.iter().map(activity).collect()
    };
    let search = Search { reach_s: REACH_S, width_s: WIDTH_S, fewest: FEWEST / 2, resolution_s: STEP_S / 2.0, least: LEAST };
    let found = peak::find(&said, &heard, &search)?;
    let mut speeds: Vec<f64> = moved.clone();
    speeds.sort_by(f64::total_cmp);
    let speed_m_s = (speeds[speeds.len() * 9 / 10].exp() - 1.0) * STILL_M_S;
    Some(Lag { lag_s: found.lag_s, within_95_s: found.within_95_s, correlation: found.correlation, at_zero: found.at_zero?, speed_m_s })
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn steps_within(seconds: f64) -> usize {
    (seconds / STEP_S).round() as usize
}

impl Lag {
    /// A finding when the streams fit clearly better at another lag. Never when they fit as declared.
    #[must_use]
    pub(super) fn finding(&self, session: &str, gps_minus_utc_s: i64) -> Option<Diagnostic> {
        let clear = self.correlation > 0.6 && self.correlation - self.at_zero > 0.2 && self.lag_s.abs() > 2.0 * self.within_95_s;
        if !clear || self.lag_s.abs() < 0.2 {
            return None;
        }
        let side = if self.lag_s > 0.0 { "is ahead of" } else { "is behind" };
        #[allow(clippy::cast_precision_loss)]
        let gps = gps_minus_utc_s as f64;
        let (why, fix) = if (self.lag_s - gps).abs() < 0.5 {
            (
                format!("{gps} s is the difference of GPS time and UTC: the stream is stamped in GPS time and declared otherwise"),
                "set `time.scale: gps`".to_owned(),
            )
        } else if (self.lag_s + gps).abs() < 0.5 {
            (
                format!("{gps} s is the difference of GPS time and UTC: the stream is stamped in UTC and declared as GPS time"),
                "set `time.scale: utc`".to_owned(),
            )
        } else {
            (
                "the antenna and the attitude move at different times".to_owned(),
                format!(
                    "add {:.2} to `lag_s` once the cause is known; `motion_check: off` when the sensor does not stand on this pole",
                    self.lag_s
                ),
            )
        };
        let low = self.lag_s - self.within_95_s;
        let high = self.lag_s + self.within_95_s;
        Some(
            Diagnostic::new(
                "time/stream-lags",
                Verdict::Block,
                format!(
                    "the second stream {side} the log by {:.2} s (95 %: {low:.2} s to {high:.2} s): correlation of the movements {:.2}, as declared {:.2}",
                    self.lag_s.abs(),
                    self.correlation,
                    self.at_zero
                ),
            )
            .place(format!("session `{session}`"))
            .size(format!(
                "{:.3} m at {:.2} m/s of the antenna; a still pole is turned by the attitude of another moment",
                self.lag_s.abs() * self.speed_m_s,
                self.speed_m_s
            ))
            .why(why)
            .fix(fix),
        )
    }
}

/// Intervals of at least a second (start and end, s from the first epoch) and the activity of the
/// antenna in each.
fn antenna(times: &[i64], latitude: &[f64], longitude: &[f64]) -> (Vec<(f64, f64)>, Vec<f64>) {
    let mut intervals = vec![];
    let mut moved = vec![];
    let Some(&origin) = times.first() else { return (intervals, moved) };
    let mut from: Option<usize> = None;
    for i in 0..times.len() {
        if latitude[i].is_nan() || longitude[i].is_nan() {
            continue;
        }
        let Some(start) = from else {
            from = Some(i);
            continue;
        };
        let span = times[i] - times[start];
        if span < SECOND_NS {
            if span < 0 {
                from = Some(i);
            }
            continue;
        }
        from = Some(i);
        if span > 3 * SECOND_NS {
            continue;
        }
        // A metre or two on a sphere is exact enough to tell walking from standing.
        let north = (latitude[i] - latitude[start]).to_radians();
        let turn = angle::turn(longitude[start], longitude[i]);
        let east = turn.to_radians() * latitude[i].to_radians().cos();
        let speed = 6_371_000.0 * north.hypot(east) / seconds(span);
        intervals.push((seconds(times[start] - origin), seconds(times[i] - origin)));
        moved.push((speed / STILL_M_S).ln_1p());
    }
    for interval in &mut intervals {
        // Instants of the intervals stay relative to the first epoch; the path uses the same origin.
        *interval = (interval.0 + seconds_of_origin(origin), interval.1 + seconds_of_origin(origin));
    }
    (intervals, moved)
}

#[allow(clippy::cast_precision_loss)]
fn seconds(ns: i64) -> f64 {
    ns as f64 / 1e9
}

/// An origin in seconds that keeps milliseconds exact: whole seconds since a fixed day.
#[allow(clippy::cast_precision_loss)]
fn seconds_of_origin(origin: i64) -> f64 {
    (origin - ORIGIN_NS) as f64 / 1e9
}

/// 2020-01-01: seconds since then have nine digits, which leaves a double better than a microsecond.
const ORIGIN_NS: i64 = 1_577_836_800 * SECOND_NS;

/// Path of the attitude, resampled: the sum of the changes of its angles up to each step, deg.
struct Path {
    start_s: f64,
    sums: Vec<f64>,
}

impl Path {
    fn new(turning: &[&Series]) -> Option<Self> {
        let first = turning.iter().filter_map(|s| s.span()).map(|s| s.0).min()?;
        let last = turning.iter().filter_map(|s| s.span()).map(|s| s.1).max()?;
        let count = steps_within(seconds(last - first));
        // Two days at the step are 3.5 million sums; a longer stream is none of one session.
        if !(20..=4_000_000).contains(&count) {
            return None;
        }
        let mut sums = vec![0.0; count + 2];
        for series in turning {
            let (times, values) = series.samples();
            // Every half second: noise of fast samples would otherwise drown the movement.
            let mut from = 0;
            for i in 1..times.len() {
                let span = times[i] - times[from];
                if span < SECOND_NS / 2 {
                    continue;
                }
                if span <= 2 * SECOND_NS {
                    let change = angle::turn(values[from], values[i]).abs();
                    let (a, b) = (steps_within(seconds(times[from] - first)), steps_within(seconds(times[i] - first)));
                    #[allow(clippy::cast_precision_loss)]
                    let share = change / (b.max(a + 1) - a) as f64;
                    for sum in sums.iter_mut().take(b.max(a + 1).min(count + 1)).skip(a) {
                        *sum += share;
                    }
                }
                from = i;
            }
        }
        let mut total = 0.0;
        for sum in &mut sums {
            // Up to the start of the step, not its end.
            total += std::mem::replace(sum, total);
        }
        Some(Self { start_s: seconds_of_origin(first), sums })
    }

    fn at(&self, time_s: f64) -> Option<f64> {
        let place = (time_s - self.start_s) / STEP_S;
        if place < 0.0 {
            return None;
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let i = place as usize;
        let (a, b) = (self.sums.get(i)?, self.sums.get(i + 1)?);
        Some(a + (b - a) * place.fract())
    }
}

#[cfg(test)]
mod tests;
