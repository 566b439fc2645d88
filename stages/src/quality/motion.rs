//! Tests that look at an epoch and its neighbours: turn rate, settling, jumps.

use super::reason::{KEPT, POSITION_JUMP, SETTLING};
use std::collections::VecDeque;
use survey_mathematics::angle;

const SECOND: f64 = 1e9;

#[allow(clippy::cast_precision_loss)]
fn seconds(from: i64, to: i64) -> f64 {
    to.saturating_sub(from) as f64 / SECOND
}

/// Turn rates in degrees per second where the sensor gave none: the largest of the changes of
/// heading, pitch and roll since the epoch before, or to the next epoch where there is no epoch
/// before. NaN where neither neighbour is within `max_gap_s`.
#[must_use]
pub(super) fn turn_rates(times: &[i64], given: &[f64], heading: &[f64], pitch: &[f64], roll: &[f64], max_gap_s: f64) -> Vec<f64> {
    let between = |i: usize, j: usize| -> f64 {
        let dt = seconds(times[i], times[j]);
        if !(dt > 0.0 && dt <= max_gap_s) {
            return f64::NAN;
        }
        let turn = angle::turn(heading[i], heading[j]);
        let largest = [turn, pitch[j] - pitch[i], roll[j] - roll[i]].iter().map(|d| d.abs()).fold(f64::NAN, f64::max);
        largest / dt
    };
    let n = times.len();
    (0..n)
        .map(|i| {
            if !given[i].is_nan() {
                return given[i].abs();
            }
            let before = if i > 0 { between(i - 1, i) } else { f64::NAN };
            if before.is_nan() && i + 1 < n { between(i, i + 1) } else { before }
        })
        .collect()
}

/// Refuses the epochs within `settle_s` of a regained fix, of a gap longer than `gap_s`, of a
/// change of base, and of the start of the log, before which nothing is known.
pub(super) fn settling(codes: &mut [u8], times: &[i64], fixed: &[bool], bases: &[Option<&str>], settle_s: f64, gap_s: f64) {
    let mut since: Option<i64> = None;
    let mut before: Option<i64> = None;
    let mut base: Option<&str> = None;
    for i in 0..codes.len() {
        let gap = before.is_some_and(|t| seconds(t, times[i]) > gap_s);
        let other = bases.get(i).copied().flatten();
        let moved = matches!((base, other), (Some(a), Some(b)) if a != b);
        if other.is_some() {
            base = other;
        }
        before = Some(times[i]);
        if !fixed[i] {
            since = None;
            continue;
        }
        let start = match since {
            Some(start) if !gap && !moved => start,
            _ => times[i],
        };
        since = Some(start);
        if codes[i] == KEPT && seconds(start, times[i]) < settle_s {
            codes[i] = SETTLING;
        }
    }
}

/// How many kept epochs the median of [`jumps`] looks back on.
const LOOK_BACK: usize = 9;

/// Refuses epochs further than `max_jump_m` from the median of the kept epochs of the last
/// `window_s` seconds (at most nine). One wild epoch is refused and the next good one kept; after
/// a true move the position is taken as new once the window holds no kept epoch.
pub(super) fn jumps(codes: &mut [u8], times: &[i64], latitude: &[f64], longitude: &[f64], height: &[f64], max_jump_m: f64, window_s: f64) {
    // Metres per degree on a sphere: a jump limit needs no more than a part in a hundred.
    const METRES_PER_DEGREE: f64 = 111_195.0;
    let mut kept: VecDeque<(i64, [f64; 3])> = VecDeque::with_capacity(LOOK_BACK + 1);
    let mut origin: Option<(f64, f64, f64)> = None;
    for i in 0..codes.len() {
        if codes[i] != KEPT || latitude[i].is_nan() || longitude[i].is_nan() {
            continue;
        }
        let h = if height[i].is_nan() { 0.0 } else { height[i] };
        let (lat0, lon0, scale) =
            *origin.get_or_insert_with(|| (latitude[i], longitude[i], METRES_PER_DEGREE * latitude[i].to_radians().cos()));
        let east = angle::turn(lon0, longitude[i]) * scale;
        let here = [east, (latitude[i] - lat0) * METRES_PER_DEGREE, h];
        while kept.front().is_some_and(|(t, _)| seconds(*t, times[i]) > window_s || *t > times[i]) {
            kept.pop_front();
        }
        if !kept.is_empty() {
            let square: f64 = (0..3).map(|axis| (here[axis] - median(&kept, axis)).powi(2)).sum();
            if square > max_jump_m * max_jump_m {
                codes[i] = POSITION_JUMP;
                continue;
            }
        }
        if kept.len() == LOOK_BACK {
            kept.pop_front();
        }
        kept.push_back((times[i], here));
    }
}

fn median(kept: &VecDeque<(i64, [f64; 3])>, axis: usize) -> f64 {
    let mut values = [0.0; LOOK_BACK];
    let n = kept.len().min(LOOK_BACK);
    for (slot, (_, p)) in values.iter_mut().zip(kept) {
        *slot = p[axis];
    }
    let values = &mut values[..n];
    values.sort_unstable_by(f64::total_cmp);
    if n % 2 == 1 { values[n / 2] } else { 0.5 * (values[n / 2 - 1] + values[n / 2]) }
}
