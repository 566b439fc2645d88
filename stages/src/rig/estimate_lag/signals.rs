//! The four ways to compare movement, and the place of the peak.

use crate::angle::turn;
use crate::rig::clock::SECOND_NS;
use crate::rig::rotation::Rotation;
use crate::rig::time_join::series::Series;
use pipeline_core::rig::BodyVector;

/// Step of the tried lags, s.
const STEP_S: f64 = 0.05;
/// Length of an interval over which a change is taken, s.
const SPAN_S: f64 = 1.0;
/// Fewest intervals.
const FEWEST: usize = 30;
/// Half width of the running mean that is taken off for sway, intervals.
const SLOW: usize = 5;
/// Metres in a degree of latitude on a sphere; exact enough for movement.
const DEGREE_M: f64 = 111_195.0;

/// What is compared.
pub struct Inputs<'a> {
    /// Epochs, ns, ascending.
    pub times: &'a [i64],
    /// Latitude, longitude (deg) and height (m).
    pub place: [&'a [f64]; 3],
    /// Heading, pitch, roll of the log itself, deg.
    pub own: [Option<&'a [f64]>; 3],
    /// Heading, pitch, roll of the stream.
    pub stream: [Option<&'a Series>; 3],
    /// From the antenna to the tip.
    pub pole: Option<BodyVector>,
    /// Longest gap across which the stream is interpolated, ns.
    pub max_gap_ns: i64,
}

/// The best lag by one way.
#[derive(Clone, Debug, PartialEq)]
pub struct Match {
    /// The way.
    pub by: &'static str,
    /// Stream minus log, s.
    pub lag_s: f64,
    /// Half of the 95 % interval, s.
    pub within_95_s: f64,
    /// Correlation there.
    pub correlation: f64,
    /// Correlation without a lag.
    pub at_zero: f64,
    /// Best correlation further than two seconds away.
    pub rival: f64,
    /// Independent intervals behind the correlation.
    pub effective: f64,
}

impl Match {
    /// Whether the peak stands out.
    pub fn clear(&self) -> bool {
        // Fisher's z makes a difference of correlations comparable wherever they lie.
        let z = |r: f64| r.clamp(-0.999_999, 0.999_999).atanh();
        let apart = (z(self.correlation) - z(self.rival)) * (self.effective - 3.0).max(1.0).sqrt();
        self.correlation > 0.5 && self.within_95_s < 1.0 && apart > 3.0
    }
}

/// One interval: start and end, ns, and what the log says of it.
struct Interval {
    from: i64,
    to: i64,
    value: [f64; 3],
}

#[allow(clippy::cast_precision_loss)]
fn seconds(ns: i64) -> f64 {
    ns as f64 / 1e9
}

/// Epochs about a second apart, one interval after the other.
fn intervals(i: &Inputs) -> Vec<(usize, usize)> {
    let mut out = vec![];
    let mut from: Option<usize> = None;
    for k in 0..i.times.len() {
        if i.place.iter().any(|p| !p[k].is_finite()) {
            continue;
        }
        let Some(start) = from else {
            from = Some(k);
            continue;
        };
        let span = seconds(i.times[k] - i.times[start]);
        if span >= SPAN_S * 0.999 {
            if span <= 2.0 * SPAN_S {
                out.push((start, k));
            }
            from = Some(k);
        } else if span < 0.0 {
            from = Some(k);
        }
    }
    out
}

fn moved(i: &Inputs, (a, b): (usize, usize)) -> [f64; 3] {
    let [lat, lon, height] = i.place;
    let east = turn(lon[a], lon[b]) * DEGREE_M * lat[a].to_radians().cos();
    [east, (lat[b] - lat[a]) * DEGREE_M, height[b] - height[a]]
}

/// Takes the running mean off, so that walking straight on and drift do not count.
fn without_slow(values: &[Option<[f64; 3]>]) -> Vec<Option<[f64; 3]>> {
    (0..values.len())
        .map(|k| {
            let own = values[k]?;
            let near = &values[k.saturating_sub(SLOW)..(k + SLOW + 1).min(values.len())];
            let mut mean = [0.0; 3];
            let mut n = 0.0;
            for v in near.iter().flatten() {
                n += 1.0;
                mean = [0, 1, 2].map(|c| mean[c] + v[c]);
            }
            Some([0, 1, 2].map(|c| own[c] - mean[c] / n))
        })
        .collect()
}

/// What the stream says of an interval at a lag.
type Says<'a> = Box<dyn Fn(i64, i64) -> Option<[f64; 3]> + 'a>;

fn change<'a>(series: [Option<&'a Series>; 3], gap: i64) -> Says<'a> {
    Box::new(move |a, b| {
        let mut out = [0.0; 3];
        for (o, s) in out.iter_mut().zip(series) {
            let Some(s) = s else { continue };
            let (x, y) = (s.at(a, gap), s.at(b, gap));
            if x.is_nan() || y.is_nan() {
                return None;
            }
            *o = turn(x, y);
        }
        Some(out)
    })
}

/// Compares in every way that the data allow.
pub fn compare(i: &Inputs, reach_s: f64) -> Vec<Match> {
    let pairs = intervals(i);
    let mut out = vec![];
    let gap = i.max_gap_ns;
    let made = |values: Vec<Option<[f64; 3]>>| -> Vec<Interval> {
        let list = pairs.iter().zip(values);
        list.filter_map(|((a, b), v)| Some(Interval { from: i.times[*a], to: i.times[*b], value: v? })).collect()
    };
    // The log's own attitude against the stream's.
    let both: [bool; 3] = [0, 1, 2].map(|k| i.own[k].is_some() && i.stream[k].is_some());
    if both.contains(&true) {
        let values = pairs
            .iter()
            .map(|(a, b)| {
                let mut v = [0.0; 3];
                for k in (0..3).filter(|k| both[*k]) {
                    v[k] = i.own[k].map_or(f64::NAN, |own| turn(own[*a], own[*b]));
                }
                v.iter().all(|x| x.is_finite()).then_some(v)
            })
            .collect();
        let stream = [0, 1, 2].map(|k| i.stream[k].filter(|_| both[k]));
        out.extend(peak("turn rate", &made(values), &change(stream, gap), reach_s, false));
    }
    let steps: Vec<[f64; 3]> = pairs.iter().map(|p| moved(i, *p)).collect();
    // The direction of walking against the heading.
    if i.stream[0].is_some() {
        let course: Vec<Option<f64>> = steps.iter().map(|[e, n, _]| (e.hypot(*n) > 0.4).then(|| e.atan2(*n).to_degrees())).collect();
        let mut changes = vec![];
        for w in 1..course.len() {
            if let (Some(a), Some(b)) = (course[w - 1], course[w])
                && pairs[w - 1].1 == pairs[w].0
            {
                let middle = |p: (usize, usize)| i.times[p.0] + (i.times[p.1] - i.times[p.0]) / 2;
                changes.push(Interval { from: middle(pairs[w - 1]), to: middle(pairs[w]), value: [turn(a, b), 0.0, 0.0] });
            }
        }
        out.extend(peak("course", &changes, &change([i.stream[0], None, None], gap), reach_s, false));
    }
    // The top of a pole about its foot.
    if let ([Some(h), Some(p), Some(r)], Some(pole)) = (i.stream, i.pole) {
        let top = move |t: i64| {
            let (h, p, r) = (h.at(t, gap), p.at(t, gap), r.at(t, gap));
            if h.is_nan() || p.is_nan() || r.is_nan() {
                return None;
            }
            let [n, e, d] = Rotation::new(h, p, r).apply([pole.x_m, pole.y_m, pole.z_m]);
            Some([-e, -n, d])
        };
        let values = without_slow(&steps.iter().map(|s| Some(*s)).collect::<Vec<_>>());
        let says: Says = Box::new(move |a, b| {
            let (x, y) = (top(a)?, top(b)?);
            Some([0, 1, 2].map(|k| y[k] - x[k]))
        });
        out.extend(peak("sway", &made(values), &says, reach_s, true));
    }
    // How much moves.
    if i.stream.iter().any(Option::is_some) {
        let level = |v: [f64; 3], still: f64| {
            let size = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
            [(size / still).ln_1p(), 0.0, 0.0]
        };
        let values = steps.iter().map(|[e, n, _]| Some(level([*e, *n, 0.0], 0.05))).collect();
        let stream = change(i.stream, gap);
        let half = SECOND_NS / 2;
        let says: Says = Box::new(move |a, b| {
            // Two halves, so that to and fro within a second counts.
            let (x, y) = (stream(a, a + half)?, stream(a + half, b)?);
            let path = [0, 1, 2].map(|k| x[k].abs() + y[k].abs());
            Some(level(path, 2.0))
        });
        out.extend(peak("activity", &made(values), &says, reach_s, false));
    }
    out
}

/// Correlation at a lag and the number of independent intervals. `centred`: the stream's slow part is taken off as the log's was.
fn correlate(intervals: &[Interval], says: &Says, lag_ns: i64, slow: bool) -> Option<(f64, f64)> {
    let mut heard: Vec<Option<[f64; 3]>> = intervals.iter().map(|i| says(i.from + lag_ns, i.to + lag_ns)).collect();
    let n = heard.iter().flatten().count();
    if n < FEWEST || 2 * n < intervals.len() {
        return None;
    }
    if slow {
        heard = without_slow(&heard);
    }
    #[allow(clippy::cast_precision_loss)]
    let count = n as f64;
    let pairs = || intervals.iter().zip(&heard).filter_map(|(i, h)| Some((i.value, (*h)?)));
    let mut mean = [[0.0; 3]; 2];
    for (x, y) in pairs() {
        for c in 0..3 {
            mean[0][c] += x[c] / count;
            mean[1][c] += y[c] / count;
        }
    }
    let (mut xx, mut yy, mut xy, mut lx, mut ly) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut last: Option<([f64; 3], [f64; 3])> = None;
    for (x, y) in pairs() {
        let (x, y) = ([0, 1, 2].map(|c| x[c] - mean[0][c]), [0, 1, 2].map(|c| y[c] - mean[1][c]));
        let dot = |a: &[f64; 3], b: &[f64; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
        xx += dot(&x, &x);
        yy += dot(&y, &y);
        xy += dot(&x, &y);
        if let Some((px, py)) = &last {
            lx += dot(&x, px);
            ly += dot(&y, py);
        }
        last = Some((x, y));
    }
    if !(xx > 0.0 && yy > 0.0) {
        return None;
    }
    let r = (xy / (xx * yy).sqrt()).clamp(-1.0, 1.0);
    let alike = (lx / xx).clamp(0.0, 0.99) * (ly / yy).clamp(0.0, 0.99);
    Some((r, (count * (1.0 - alike) / (1.0 + alike)).max(4.0)))
}

/// The best lag.
fn peak(by: &'static str, intervals: &[Interval], says: &Says, reach_s: f64, slow: bool) -> Option<Match> {
    if intervals.len() < FEWEST {
        return None;
    }
    #[allow(clippy::cast_possible_truncation)]
    let steps = (reach_s / STEP_S).round() as i64;
    #[allow(clippy::cast_precision_loss)]
    let lag_of = |k: i64| k as f64 * STEP_S;
    let at = |k: i64| correlate(intervals, says, crate::rig::clock::to_ns(lag_of(k)), slow);
    // Every fifth first; the peak of changes over a second is wider than half a second.
    let coarse: Vec<(i64, f64)> = (-steps..=steps).step_by(5).filter_map(|k| Some((k, at(k)?.0))).collect();
    let near = coarse.iter().max_by(|a, b| a.1.total_cmp(&b.1))?.0;
    let fine: Vec<(i64, f64, f64)> = (near - 6..=near + 6).filter_map(|k| at(k).map(|(r, n)| (k, r, n))).collect();
    let (best, correlation, n) = *fine.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let at_zero = at(0).map_or(f64::NAN, |v| v.0);
    // A parabola through points a quarter of a second apart: the noise of fast samples does not show at that width.
    let (mut lag_s, mut bend) = (lag_of(best), f64::NAN);
    let width = 5;
    if let (Some((a, _)), Some((c, _))) = (at(best - width), at(best + width)) {
        let h = lag_of(width);
        bend = (a + c - 2.0 * correlation) / (h * h);
        if bend < 0.0 {
            lag_s += ((a - c) / (2.0 * (a + c - 2.0 * correlation)) * h).clamp(-h, h);
        }
    }
    let variance = (1.0 - correlation * correlation).max(1e-4) / (n * correlation.max(0.05) * bend.abs());
    let within_95_s = if bend < 0.0 { (1.96 * variance.sqrt()).hypot(0.2 * STEP_S) } else { f64::INFINITY };
    #[allow(clippy::cast_possible_truncation)]
    let away = (2.0 / STEP_S) as i64;
    let rival = coarse.iter().filter(|(k, _)| (k - best).abs() > away).map(|(_, r)| *r).fold(0.0, f64::max);
    Some(Match { by, lag_s, within_95_s, correlation, at_zero, rival, effective: n })
}
