//! The four ways to compare movement.

use crate::rig::time_join::series::Series;
use pipeline_base::rig::BodyVector;
use raw_logs::time_columns;
use raw_logs::time_columns::SECOND_NS;
use survey_mathematics::angle::turn;
use survey_mathematics::peak;
use survey_mathematics::peak::{Peak, Search, Value, Values};
use survey_mathematics::rotation::Rotation;

/// Half of the width over which a peak is taken, s.
const WIDTH_S: f64 = 0.25;
/// Length of an interval over which a change is taken, s.
const SPAN_S: f64 = 1.0;
/// Fewest intervals.
const FEWEST: usize = 30;
/// Half width of the running mean that is taken off for sway, intervals.
const SLOW: usize = 5;
/// Metres in a degree of latitude on a sphere; exact enough for movement.
const DEGREE_M: f64 = 111_195.0;

/// Stamps are written to a millisecond or worse: its rounding, s (1 sigma).
const RESOLUTION_S: f64 = 0.000_3;

/// What is compared.
pub(super) struct Inputs<'a> {
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
pub(super) struct Match {
    /// The way.
    pub by: &'static str,
    /// What it found.
    pub peak: Peak,
}

impl Match {
    /// Whether the peak stands out.
    pub(super) fn clear(&self) -> bool {
        // Fisher's z makes a difference of correlations comparable wherever they lie.
        let z = |r: f64| r.clamp(-0.999_999, 0.999_999).atanh();
        let apart = (z(self.peak.correlation) - z(self.peak.rival)) * (self.peak.effective - 3.0).max(1.0).sqrt();
        self.peak.correlation > 0.5 && self.peak.within_95_s < 1.0 && apart > 3.0
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
fn without_slow(values: &[Option<Value>]) -> Values {
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
pub(super) fn compare(i: &Inputs, reach_s: f64) -> Vec<Match> {
    let pairs = intervals(i);
    let mut out = vec![];
    let gap = i.max_gap_ns;
    let made = |values: Values| -> Vec<Interval> {
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

/// The best lag. `slow`: the stream's slow part is taken off as the log's was.
fn peak(by: &'static str, intervals: &[Interval], says: &Says, reach_s: f64, slow: bool) -> Option<Match> {
    let said: Vec<Value> = intervals.iter().map(|i| i.value).collect();
    let heard = |lag_s: f64| {
        let lag = time_columns::to_ns(lag_s);
        let heard: Values = intervals.iter().map(|i| says(i.from + lag, i.to + lag)).collect();
        if slow { without_slow(&heard) } else { heard }
    };
    let search = Search { reach_s, width_s: WIDTH_S, fewest: FEWEST, resolution_s: RESOLUTION_S, least: [0.0; 2] };
    Some(Match { by, peak: peak::find(&said, &heard, &search)? })
}
