//! Finds the lag of the second stream from movement.
//!
//! A crew walks, stops and holds still. The antenna moves at the same moments as the attitude, so the
//! two activities correlate best at the lag of the clocks. Path of the antenna and path of the
//! attitude (sum of the changes of its angles) are compared over intervals of at least a second, on
//! a logarithmic scale, at lags up to a minute.

use super::series::Series;
use crate::angle;
use crate::rig::clock::SECOND_NS;
use pipeline_core::diag::{Diagnostic, Verdict};

/// Largest lag that is tried, s.
const REACH_S: f64 = 60.0;
/// Step of the tried lags and of the resampled path of the attitude, s.
const STEP_S: f64 = 0.05;
/// Every how many steps is tried first; divides the number of steps to lag zero.
const COARSE: usize = 5;
/// Fewest intervals from which a lag is taken.
const FEWEST: usize = 60;
/// A path of this size marks the change from still to moving: m and deg per second.
const STILL_M_S: f64 = 0.05;
const STILL_DEG_S: f64 = 2.0;

/// The lag that fits best.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lag {
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
pub fn compare(times: &[i64], latitude: &[f64], longitude: &[f64], turning: &[&Series]) -> Option<Lag> {
    let (intervals, moved) = antenna(times, latitude, longitude);
    let path = Path::new(turning)?;
    if intervals.len() < FEWEST {
        return None;
    }
    let steps = steps_within(REACH_S);
    #[allow(clippy::cast_precision_loss)]
    let lag_of = |i: usize| (i as f64 - steps as f64) * STEP_S;
    let mut tried: Vec<Option<(f64, f64)>> = vec![None; 2 * steps + 1];
    let peak = |tried: &[Option<(f64, f64)>]| {
        (0..tried.len()).filter_map(|i| tried[i].map(|(r, _)| (i, r))).max_by(|a, b| a.1.total_cmp(&b.1)).map(|(i, _)| i)
    };
    // Coarse first; the peak is wider than half a second.
    for i in (0..tried.len()).step_by(COARSE) {
        tried[i] = path.correlate(&intervals, &moved, lag_of(i));
    }
    // The peak is a parabola through points half a second apart: steps of the attitude's own noise
    // do not show at that width.
    let wide = steps_within(0.5);
    let near = peak(&tried)?;
    for i in near.saturating_sub(wide + COARSE)..(near + wide + COARSE + 1).min(tried.len()) {
        tried[i] = path.correlate(&intervals, &moved, lag_of(i));
    }
    let best = peak(&tried)?;
    let value = |i: usize| tried.get(i).copied().flatten().map(|(r, _)| r);
    let (correlation, effective) = tried[best]?;
    let at_zero = value(steps)?;
    let (mut lag_s, mut bend) = (lag_of(best), f64::NAN);
    if let (Some(a), Some(c)) = (best.checked_sub(wide).and_then(value), value(best + wide)) {
        let h = 0.5;
        bend = (a + c - 2.0 * correlation) / (h * h);
        if bend < 0.0 {
            lag_s += ((a - c) / (2.0 * (a + c - 2.0 * correlation)) * h).clamp(-h, h);
        }
    }
    // Variance of the place of a correlation peak: (1 - r2) / (n r |r''|).
    let variance = (1.0 - correlation * correlation).max(1e-4) / (effective * correlation.max(0.05) * bend.abs());
    let within_95_s = if bend < 0.0 { (1.96 * variance.sqrt()).hypot(STEP_S) } else { f64::INFINITY };
    let mut speeds: Vec<f64> = moved.clone();
    speeds.sort_by(f64::total_cmp);
    let speed_m_s = (speeds[speeds.len() * 9 / 10].exp() - 1.0) * STILL_M_S;
    Some(Lag { lag_s, within_95_s, correlation, at_zero, speed_m_s })
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn steps_within(seconds: f64) -> usize {
    (seconds / STEP_S).round() as usize
}

impl Lag {
    /// A finding when the streams fit clearly better at another lag. Never when they fit as declared.
    #[must_use]
    pub fn finding(&self, session: &str, gps_minus_utc_s: i64) -> Option<Diagnostic> {
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

    /// Correlation at a lag, and the number of independent intervals behind it. At least half of the
    /// intervals must lie in the stream.
    fn correlate(&self, intervals: &[(f64, f64)], moved: &[f64], lag_s: f64) -> Option<(f64, f64)> {
        let (mut n, mut sx, mut sy, mut sxx, mut syy, mut sxy, mut lx, mut ly) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        let mut last: Option<(f64, f64)> = None;
        for ((from, to), x) in intervals.iter().zip(moved) {
            let (Some(a), Some(b)) = (self.at(from + lag_s), self.at(to + lag_s)) else {
                last = None;
                continue;
            };
            let (x, y) = (*x, ((b - a) / (to - from) / STILL_DEG_S).ln_1p());
            n += 1.0;
            sx += x;
            sy += y;
            sxx += x * x;
            syy += y * y;
            sxy += x * y;
            if let Some((px, py)) = last {
                lx += x * px;
                ly += y * py;
            }
            last = Some((x, y));
        }
        #[allow(clippy::cast_precision_loss)]
        let half = (intervals.len() / 2).max(FEWEST / 2) as f64;
        if n < half {
            return None;
        }
        let (mx, my) = (sx / n, sy / n);
        let (vx, vy) = (sxx / n - mx * mx, syy / n - my * my);
        // Nothing moves, or nothing stops.
        if vx < 0.05 || vy < 0.02 {
            return None;
        }
        let r = ((sxy / n - mx * my) / (vx * vy).sqrt()).clamp(-1.0, 1.0);
        // Bartlett: neighbours that are alike count less.
        let alike = ((lx / n - mx * mx) / vx).clamp(0.0, 0.99) * ((ly / n - my * my) / vy).clamp(0.0, 0.99);
        Some((r, (n * (1.0 - alike) / (1.0 + alike)).max(4.0)))
    }
}

#[cfg(test)]
mod tests;
