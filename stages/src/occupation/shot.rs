//! One occupation: from its rows to a point, or to the finding that says why there is none.

use super::columns::Columns;
use super::divide::divide;
use super::estimate::{Epoch, Estimate, estimate};
use super::findings::About;
use super::groups::{Group, Rule, two_groups};
use super::local;
use super::output::Point;
use crate::budget::{Kind, Part};
use crate::occupation::averaging::Average;
use pipeline_base::diag::Diagnostic;
use pipeline_core::stage::Cx;
use std::borrow::Cow;
use std::collections::BTreeMap;
use survey_geodesy::local::Tangent;
use survey_mathematics::covariance::{add, apply};

/// What became of an occupation.
pub(super) struct Outcome {
    /// Rows that are in no mean, with the reason.
    pub aside: Vec<(u32, &'static str)>,
    /// The point, when there is one.
    pub fate: Fate,
}

/// Whether there is a point.
pub(super) enum Fate {
    /// It is delivered.
    Point {
        /// Its row.
        point: Box<Point>,
        /// Epochs in the mean.
        used: usize,
        /// How the mean came about, for the record.
        fact: serde_json::Value,
    },
    /// It is not.
    Lost,
}

/// One occupation.
pub(super) struct Shot<'a> {
    stage: &'a Average,
    columns: &'a Columns<'a>,
    rows: Vec<u32>,
}

impl<'a> Shot<'a> {
    /// An occupation of these rows, in order.
    pub(super) fn new(stage: &'a Average, columns: &'a Columns<'a>, rows: Vec<u32>) -> Self {
        Self { stage, columns, rows }
    }

    fn name(&self) -> (&'a str, &'a str) {
        let first = self.rows.first().map_or(0, |r| *r as usize);
        let occupation = self.columns.occupation.get(first).copied().flatten().unwrap_or_default();
        (self.columns.point.get(first).copied().flatten().unwrap_or(occupation), occupation)
    }

    fn about(&self) -> About<'a> {
        let (point, occupation) = self.name();
        let times = self.rows.iter().map(|r| self.columns.time[*r as usize]);
        let mut lines: BTreeMap<&str, (i64, i64)> = BTreeMap::new();
        if let (Some(file), Some((first, last))) = (&self.columns.file, &self.columns.lines) {
            for r in self.rows.iter().map(|r| *r as usize) {
                if let (Some(f), Some(a), Some(b)) = (file[r], first[r], last[r]) {
                    let span = lines.entry(f).or_insert((a, b));
                    *span = (span.0.min(a), span.1.max(b));
                }
            }
        }
        About { point, occupation, time: (times.clone().min().unwrap_or_default(), times.max().unwrap_or_default()), lines }
    }

    /// Forms the point, or says why there is none.
    pub(super) fn judge(&self, cx: &Cx) -> Outcome {
        let about = self.about();
        let mut aside: Vec<(u32, &'static str)> = vec![];
        let mut good: Vec<u32> = vec![];
        let mut parts = vec![];
        let (mut without_position, mut without_sigma) = (0, 0);
        for row in &self.rows {
            let r = *row as usize;
            if !self.columns.has_position(r) {
                aside.push((*row, "no-position"));
                without_position += 1;
            } else if let Some(part) = self.columns.covariances(r) {
                good.push(*row);
                parts.push(part);
            } else {
                aside.push((*row, "missing-sigma"));
                without_sigma += 1;
            }
        }
        let Some(first) = good.first().map(|r| *r as usize) else {
            cx.find(about.nothing(without_position, without_sigma));
            return Outcome { aside, fate: Fate::Lost };
        };
        let frame = self.frame(&good, first);
        let epochs: Vec<Epoch> = good
            .iter()
            .zip(parts)
            .map(|(row, (gnss, rest, systematic))| {
                let r = *row as usize;
                Epoch { time_s: self.seconds(first, r), position: self.enu(&frame, r), gnss, rest, systematic }
            })
            .collect();

        if let Some(finding) = self.two_surfaces(&about, &frame, &good, &epochs) {
            cx.find(finding);
            aside.extend(good.iter().map(|r| (*r, "two-surfaces")));
            return Outcome { aside, fate: Fate::Lost };
        }
        let base = self.base_change(&about, &good, &epochs, cx);
        // Two bases that disagree would also form two groups; that is said as a change of base.
        if base.as_ref().is_none_or(|b| b.1)
            && let Some(finding) = self.two_positions(&about, &good, &epochs)
        {
            if let Some((finding, _)) = base {
                cx.find(finding);
            }
            cx.find(finding);
            aside.extend(good.iter().map(|r| (*r, "two-groups")));
            return Outcome { aside, fate: Fate::Lost };
        }
        let Some(mean) = estimate(&epochs, &self.stage.rules) else { return Outcome { aside, fate: Fate::Lost } };
        let used: Vec<u32> = good.iter().zip(&mean.outlier).filter(|(_, out)| !**out).map(|(r, _)| *r).collect();
        self.say_outliers(&about, &epochs, &mean, cx);
        for (row, out) in good.iter().zip(&mean.outlier) {
            if *out {
                aside.push((*row, "outlier"));
            }
        }
        let span_s = used.last().map_or(0.0, |last| self.seconds(used[0] as usize, *last as usize));
        let broken = self.broken_rules(used.len(), span_s);
        if !broken.is_empty() {
            let left_out: Vec<String> = [
                (without_position, "without a position"),
                (without_sigma, "without an uncertainty"),
                (good.len() - used.len(), "outliers"),
            ]
            .iter()
            .filter(|(n, _)| *n > 0)
            .map(|(n, what)| format!("{n} {what}"))
            .collect();
            let left_out = if left_out.is_empty() { String::new() } else { format!(" ({} left out here)", left_out.join(", ")) };
            cx.find(about.too_short(used.len(), &left_out, span_s, &broken));
            aside.extend(used.iter().map(|r| (*r, "too-short")));
            return Outcome { aside, fate: Fate::Lost };
        }
        let set_aside = self.rows.len() - used.len();
        let point = self.point(&frame, &mean, &used, set_aside, span_s);
        let mut held = false;
        if let Some((finding, waived)) = base {
            held |= !waived;
            cx.find(finding);
        }
        if let Some((finding, waived)) = self.over_budget(&about, &point, cx) {
            held |= !waived;
            cx.find(finding);
        }
        if held {
            aside.extend(used.iter().map(|r| (*r, "held")));
            return Outcome { aside, fate: Fate::Lost };
        }
        let fact = fact(&point, &mean);
        Outcome { aside, fate: Fate::Point { point: Box::new(point), used: used.len(), fact } }
    }

    #[allow(clippy::cast_precision_loss)]
    fn seconds(&self, from: usize, to: usize) -> f64 {
        self.columns.time[to].saturating_sub(self.columns.time[from]) as f64 / 1e9
    }

    fn enu(&self, frame: &Tangent, r: usize) -> [f64; 3] {
        let p = &self.columns.position;
        frame.enu(p[0][r], p[1][r], p[2][r])
    }

    /// The frame at the median position: one wild epoch at the start does not tilt its axes.
    fn frame(&self, good: &[u32], first: usize) -> Tangent {
        let p = &self.columns.position;
        let start = local::at(p[0][first], p[1][first], p[2][first]);
        let offsets: Vec<[f64; 3]> = good.iter().map(|r| self.enu(&start, *r as usize)).collect();
        let middle = [0, 1, 2].map(|k| super::estimate::median(offsets.iter().map(|p| p[k]).collect()));
        let (lat, lon, h) = start.geodetic(middle);
        local::at(lat, lon, h)
    }

    fn mean_of(epochs: &[Epoch], members: &[usize]) -> [f64; 3] {
        #[allow(clippy::cast_precision_loss)]
        let n = members.len().max(1) as f64;
        [0, 1, 2].map(|k| members.iter().map(|i| epochs[*i].position[k]).sum::<f64>() / n)
    }

    fn two_surfaces(&self, about: &About, frame: &Tangent, good: &[u32], epochs: &[Epoch]) -> Option<Diagnostic> {
        let range = self.columns.range.as_ref()?;
        let first = *good.first()? as usize;
        if self.columns.aim.as_ref().and_then(|a| a[first]) != Some("laser") {
            return None;
        }
        let values: Vec<f64> = good.iter().map(|r| range[*r as usize]).collect();
        let gap = self.stage.options.two_surface_gap_m.max(5.0 * self.stage.range_sigma_m);
        let (near, far) = two_groups(&values, Rule { gap, fewest: 2, smallest_share: 0.0 })?;
        let (a, b) = (Self::mean_of(epochs, &near.members), Self::mean_of(epochs, &far.members));
        let d = [0, 1, 2].map(|k| b[k] - a[k]);
        let apart = (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt();
        // A crew that steps back from one target changes the range and not the target.
        if apart < 0.5 * (far.mean - near.mean) {
            return None;
        }
        let finite: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
        #[allow(clippy::cast_precision_loss)]
        let mean = finite.iter().sum::<f64>() / finite.len().max(1) as f64;
        Some(about.two_surfaces(&near, &far, mean, &[frame.geodetic(a), frame.geodetic(b)], [d[0].hypot(d[1]), d[2].abs()]))
    }

    fn two_positions(&self, about: &About, good: &[u32], epochs: &[Epoch]) -> Option<Diagnostic> {
        let mut best: Option<(usize, Group, Group)> = None;
        let centre = Self::mean_of(epochs, &(0..epochs.len()).collect::<Vec<_>>());
        // The three axes, and the one along which the positions spread most: a jump may lie askew to all three.
        let longest = longest_axis(epochs, centre);
        let axes = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], longest];
        for (k, axis) in axes.into_iter().enumerate() {
            let along = |v: [f64; 3]| axis[0] * v[0] + axis[1] * v[1] + axis[2] * v[2];
            let noise = |e: &Epoch| along(apply(&add(&e.gnss, &e.rest), axis)).max(0.0).sqrt();
            let sigma = super::estimate::median(epochs.iter().map(noise).collect());
            let values: Vec<f64> = epochs.iter().map(|e| along([0, 1, 2].map(|i| e.position[i] - centre[i]))).collect();
            let gap = self.stage.options.two_group_gap_m.max(3.0 * sigma);
            if let Some((low, high)) = two_groups(&values, Rule { gap, fewest: 3, smallest_share: 0.2 })
                // An axis of the frame says more to a reader than a slanted one that is hardly longer.
                && best.as_ref().is_none_or(|(_, l, h)| high.mean - low.mean > 1.05 * (h.mean - l.mean))
            {
                best = Some((k, low, high));
            }
        }
        let (k, low, high) = best?;
        let (a, b) = (Self::mean_of(epochs, &low.members), Self::mean_of(epochs, &high.members));
        let when = |g: &Group| {
            let t = g.members.iter().map(|i| self.columns.time[good[*i] as usize]);
            (t.clone().min().unwrap_or_default(), t.max().unwrap_or_default())
        };
        let axis = ["to the east", "to the north", "in height", "along the line between them"][k];
        let windows = [when(&low), when(&high)];
        Some(about.two_groups(axis, &low, &high, [(b[0] - a[0]).hypot(b[1] - a[1]), (b[2] - a[2]).abs()], windows))
    }

    /// The finding, and whether it is waived.
    fn base_change(&self, about: &About, good: &[u32], epochs: &[Epoch], cx: &Cx) -> Option<(Diagnostic, bool)> {
        let base = self.columns.base.as_ref()?;
        let mut seen: Vec<(&str, Vec<usize>)> = vec![];
        for (i, row) in good.iter().enumerate() {
            let Some(name) = base[*row as usize] else { continue };
            match seen.iter_mut().find(|(b, _)| *b == name) {
                Some((_, list)) => list.push(i),
                None => seen.push((name, vec![i])),
            }
        }
        if seen.len() < 2 {
            return None;
        }
        let a = Self::mean_of(epochs, &seen[0].1);
        let apart = seen
            .iter()
            .skip(1)
            .map(|(_, list)| {
                let b = Self::mean_of(epochs, list);
                (0..3).map(|k| (b[k] - a[k]).powi(2)).sum::<f64>().sqrt()
            })
            .fold(0.0, f64::max);
        let list: Vec<(String, usize)> = seen.iter().map(|(b, l)| ((*b).to_owned(), l.len())).collect();
        let mut finding = about.base_changed(&list, Some(apart));
        finding.waived = self.waiver("average/base-changed", cx);
        let waived = finding.waived.is_some();
        Some((finding, waived))
    }

    fn waiver(&self, code: &str, cx: &Cx) -> Option<String> {
        let (point, occupation) = self.name();
        cx.waiver(code, point).or_else(|| cx.waiver(code, occupation)).or_else(|| cx.session().and_then(|s| cx.waiver(code, &s.name)))
    }

    fn say_outliers(&self, about: &About, epochs: &[Epoch], mean: &Estimate, cx: &Cx) {
        let out = mean.outlier.iter().filter(|o| **o).count();
        if out > 0 {
            let far = |e: &Epoch| (0..3).map(|k| (e.position[k] - mean.mean[k]).powi(2)).sum::<f64>().sqrt();
            let farthest = epochs.iter().zip(&mean.outlier).filter(|(_, o)| **o).map(|(e, _)| far(e)).fold(0.0, f64::max);
            cx.find(about.outliers(out, epochs.len(), mean.shift_by_outliers, farthest, self.stage.options.outlier_cut));
        }
    }

    fn broken_rules(&self, used: usize, span_s: f64) -> Vec<String> {
        let o = &self.stage.options;
        let mut broken = vec![];
        if let Some(n) = o.min_epochs.filter(|n| used < *n as usize) {
            broken.push(format!("{n} epochs (`min_epochs`)"));
        }
        if let Some(s) = o.min_span_s.filter(|s| span_s < *s) {
            broken.push(format!("{s} s (`min_span_s`)"));
        }
        broken
    }

    fn point(&self, frame: &Tangent, mean: &Estimate, used: &[u32], set_aside: usize, span_s: f64) -> Point {
        let c = self.columns;
        let first = used.first().map_or(0, |r| *r as usize);
        let rows = || used.iter().map(|r| *r as usize);
        let text = |list: &Option<Vec<Option<&str>>>| list.as_ref().and_then(|l| l[first]).map(str::to_owned);
        let finite = |list: &Option<Cow<[f64]>>| -> Vec<f64> {
            list.as_ref().map_or_else(Vec::new, |l| rows().map(|r| l[r]).filter(|v| v.is_finite()).collect())
        };
        let largest = |list: &Option<Cow<[f64]>>| finite(list).into_iter().fold(f64::NAN, f64::max);
        #[allow(clippy::cast_precision_loss)]
        let average = |list: &Option<Cow<[f64]>>| {
            let v = finite(list);
            if v.is_empty() { f64::NAN } else { v[0] + v.iter().map(|x| x - v[0]).sum::<f64>() / v.len() as f64 }
        };
        let (point, occupation) = self.name();
        let budget = divide(mean, c, used, self.stage.base_sigma);
        let (random, systematic, total) = (budget.of_kind(Kind::Random), budget.of_kind(Kind::Systematic), budget.total());
        let sigma = [total.ee, total.nn, total.uu].map(|v| v.max(0.0).sqrt());
        let [horizontal_95_m, vertical_95_m] = budget.bounds_95();
        let both = |p: &Part| [p.horizontal().max(0.0).sqrt(), p.uu.max(0.0).sqrt()];
        let bases: Vec<&str> = c.base.as_ref().map_or_else(Vec::new, |b| {
            let mut list: Vec<&str> = vec![];
            for name in rows().filter_map(|r| b[r]) {
                if !list.contains(&name) {
                    list.push(name);
                }
            }
            list
        });
        Point {
            point: point.to_owned(),
            code: text(&c.code),
            remark: text(&c.remark),
            diameter_mm: c.diameter.as_ref().map(|d| d[first]).filter(|d| d.is_finite()),
            surface: text(&c.surface),
            aim: text(&c.aim),
            session: text(&c.session),
            occupation: occupation.to_owned(),
            file: text(&c.file),
            lines: c.lines.as_ref().and_then(|(a, b)| Some((rows().filter_map(|r| a[r]).min()?, rows().filter_map(|r| b[r]).max()?))),
            time: (rows().map(|r| c.time[r]).min().unwrap_or_default(), rows().map(|r| c.time[r]).max().unwrap_or_default()),
            position: frame.geodetic(mean.mean),
            correlation: if sigma[0] * sigma[1] > 0.0 { (total.en / (sigma[0] * sigma[1])).clamp(-1.0, 1.0) } else { 0.0 },
            sigma,
            random: both(&random),
            systematic: both(&systematic),
            horizontal_95_m,
            vertical_95_m,
            used: i64::try_from(used.len()).unwrap_or(i64::MAX),
            set_aside: i64::try_from(set_aside).unwrap_or(i64::MAX),
            effective: mean.effective,
            span_s,
            scatter: mean.scatter,
            formal: both(&Part::new([mean.formal[0][0], 0.0, mean.formal[1][1], mean.formal[2][2]])),
            ratio: mean.ratio[0].max(mean.ratio[1]),
            fix: c.fix.as_ref().and_then(|f| rows().filter_map(|r| f[r]).max_by_key(|w| badness(w))).map(str::to_owned),
            base: (!bases.is_empty()).then(|| bases.join(super::BASES)),
            pdop_max: largest(&c.pdop),
            separation: average(&c.separation),
            range: average(&c.range),
            tilt_max: largest(&c.tilt),
            assumed: c.assumed.as_ref().is_some_and(|a| rows().any(|r| a[r] == Some(true))),
            mark: text(&c.mark),
            crew: text(&c.crew),
            receiver: text(&c.receiver),
            fix_runs: c.fix_run.as_ref().and_then(|f| Some((rows().filter_map(|r| f[r]).min()?, rows().filter_map(|r| f[r]).max()?))),
            heading: mean_heading(&finite(&c.heading)),
            budget,
        }
    }

    fn over_budget(&self, about: &About, point: &Point, cx: &Cx) -> Option<(Diagnostic, bool)> {
        let promised = self.stage.budget?;
        let (h, v) = ((point.horizontal_95_m, promised.horizontal_95_m), (point.vertical_95_m, promised.vertical_95_m));
        if h.0 <= h.1 && v.0 <= v.1 {
            return None;
        }
        let largest = point.budget.largest();
        let main = if h.0 > h.1 { largest[0].0 } else { largest[1].0 };
        let mut finding = about.over_budget(h, v, largest.map(|(c, share)| (c.words(), share)), main.help());
        finding.waived = self.waiver("average/over-budget", cx);
        let waived = finding.waived.is_some();
        Some((finding, waived))
    }
}

/// Unit vector along which positions spread most about their centre.
fn longest_axis(epochs: &[Epoch], centre: [f64; 3]) -> [f64; 3] {
    let mut spread = [[0.0; 3]; 3];
    for e in epochs {
        let d = [0, 1, 2].map(|k| e.position[k] - centre[k]);
        for (i, row) in spread.iter_mut().enumerate() {
            for (j, v) in row.iter_mut().enumerate() {
                *v += d[i] * d[j];
            }
        }
    }
    // Power iteration from a direction that is square to no axis; two groups far apart settle at once.
    let mut axis = [0.6, 0.5, 0.62];
    for _ in 0..60 {
        let next = apply(&spread, axis);
        let size = (next[0] * next[0] + next[1] * next[1] + next[2] * next[2]).sqrt();
        if size <= 0.0 {
            return [1.0, 0.0, 0.0];
        }
        axis = next.map(|v| v / size);
    }
    axis
}

/// Mean direction, 0 to 360 deg; NaN without values.
fn mean_heading(headings: &[f64]) -> f64 {
    let (s, c) = headings.iter().map(|h| h.to_radians().sin_cos()).fold((0.0, 0.0), |(a, b), (s, c)| (a + s, b + c));
    if headings.is_empty() { f64::NAN } else { s.atan2(c).to_degrees().rem_euclid(360.0) }
}

/// How bad a fix kind is.
fn badness(word: &str) -> u8 {
    match word {
        "rtk-fixed" => 0,
        "rtk-float" => 1,
        "pps" => 2,
        "differential" => 3,
        "autonomous" => 4,
        "manual" => 5,
        "estimated" => 6,
        "simulated" => 7,
        "none" => 9,
        _ => 8,
    }
}

fn fact(point: &Point, mean: &Estimate) -> serde_json::Value {
    let [horizontal, up] = point.budget.largest().map(|(c, share)| serde_json::json!([c.key(), (share * 1000.0).round() / 1000.0]));
    serde_json::json!({
        "occupation": point.occupation,
        "most_horizontal": horizontal,
        "most_up": up,
        "effective_epochs_gnss": mean.effective_gnss,
        "effective_epochs_other": mean.effective_rest,
        "correlation_time_other_s": mean.tau_rest_s,
    })
}
