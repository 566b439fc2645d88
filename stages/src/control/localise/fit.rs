//! Fits of a site system to control: in plan a similarity or a rigid motion, in height a shift or a plane.
//!
//! Adjusted by least squares with the sigmas of points and marks. Redundancy numbers and the smallest error that a test
//! with 0.1 % false alarms finds in 80 % of cases (Baarda 1968, non-centrality 4.13) tell what the fit can see. References:
//! Ghilani, Adjustment Computations, chapters 18 and 21.

use serde::{Deserialize, Serialize};
use survey_mathematics::least_squares::{Fit, Linearised, Matrix, adjust, solve};

/// Non-centrality for 0.1 % false alarms and 80 % power (Baarda 1968).
const NON_CENTRALITY: f64 = 4.13;

/// A mark in both systems.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Pair {
    /// Name.
    pub name: String,
    /// Easting, northing, height as measured, m.
    pub measured_m: [f64; 3],
    /// The same in the site system, m; the height is NaN where the mark has none.
    pub site_m: [f64; 3],
    /// Standard deviation of each axis in plan, and in height, of both together, m.
    pub sigma_m: [f64; 2],
}

/// Plan: site = scale rotation (measured - origin) + shift.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Plan {
    /// Centre of the marks as measured, m.
    pub origin_m: [f64; 2],
    /// Scale times cosine of the turn.
    pub a: f64,
    /// Scale times sine of the turn, counter-clockwise.
    pub b: f64,
    /// Where the origin lies in the site system, m.
    pub shift_m: [f64; 2],
}

impl Plan {
    /// Site coordinates of a measured point, m.
    #[must_use]
    pub(crate) fn apply(&self, easting: f64, northing: f64) -> [f64; 2] {
        let (x, y) = (easting - self.origin_m[0], northing - self.origin_m[1]);
        [self.a * x - self.b * y + self.shift_m[0], self.b * x + self.a * y + self.shift_m[1]]
    }

    /// Scale.
    #[must_use]
    pub(crate) fn scale(&self) -> f64 {
        self.a.hypot(self.b)
    }

    /// Turn, counter-clockwise, deg.
    #[must_use]
    pub(crate) fn turn_deg(&self) -> f64 {
        self.b.atan2(self.a).to_degrees()
    }
}

/// Height: site = measured + shift + slopes times distance from the origin.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Level {
    /// Centre of the marks as measured, m.
    pub origin_m: [f64; 2],
    /// Shift at the origin, m.
    pub shift_m: f64,
    /// Slope to the east and to the north.
    pub slope: [f64; 2],
}

impl Level {
    /// What is added to a measured height, m.
    #[must_use]
    pub(crate) fn correction(&self, easting: f64, northing: f64) -> f64 {
        self.shift_m + self.slope[0] * (easting - self.origin_m[0]) + self.slope[1] * (northing - self.origin_m[1])
    }
}

/// How a fit stands at one mark. In plan the two axes together: the larger residual counts, the smaller redundancy.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct AtMark {
    /// Name.
    pub name: String,
    /// Fitted minus known, m: two values in plan, one in height.
    pub residual_m: Vec<f64>,
    /// Fitted without it minus known, m; empty when too few others are left.
    pub without_it_m: Vec<f64>,
    /// Share of its observation that the others check, 0 to 1.
    pub redundancy: f64,
    /// Smallest error that the fit would find, m; none when it finds nothing.
    pub detectable_m: Option<f64>,
    /// Largest residual over its own standard deviation.
    pub test: f64,
}

/// A fit with its quality.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Fitted<T> {
    /// The transformation.
    pub model: T,
    /// At each mark.
    pub marks: Vec<AtMark>,
    /// Observations minus unknowns.
    pub freedom: usize,
    /// Standard deviation of unit weight from the residuals; NaN without redundancy.
    pub sigma_0: f64,
    /// Sum of the squares of the residuals over their sigmas.
    pub square_sum: f64,
}

#[allow(clippy::cast_precision_loss)]
fn centre(pairs: &[Pair], f: impl Fn(&Pair) -> [f64; 2]) -> [f64; 2] {
    let n = pairs.len().max(1) as f64;
    [0, 1].map(|k| pairs.iter().map(|p| f(p)[k]).sum::<f64>() / n)
}

fn plan_only(pairs: &[Pair], rigid: bool) -> Option<(Plan, Fit)> {
    if pairs.len() < 2 {
        return None;
    }
    let from = centre(pairs, |p| [p.measured_m[0], p.measured_m[1]]);
    let to = centre(pairs, |p| [p.site_m[0], p.site_m[1]]);
    let size = pairs.iter().map(|p| (p.measured_m[0] - from[0]).hypot(p.measured_m[1] - from[1])).fold(0.0, f64::max);
    if size < 1e-3 {
        return None;
    }
    let rows = |design: &dyn Fn(f64, f64) -> [Vec<f64>; 2], computed: &dyn Fn(f64, f64) -> [f64; 2]| {
        let (mut matrix, mut misfit) = (vec![], vec![]);
        for p in pairs {
            let (x, y) = (p.measured_m[0] - from[0], p.measured_m[1] - from[1]);
            let (have, d) = (computed(x, y), design(x, y));
            for (k, row) in d.into_iter().enumerate() {
                misfit.push((p.site_m[k] - to[k] - have[k]) / p.sigma_m[0]);
                matrix.push(row.iter().map(|v| v / p.sigma_m[0]).collect());
            }
        }
        (Matrix::from_rows(&matrix), misfit)
    };
    let (matrix, misfit) = rows(&|x, y| [vec![x, -y, 1.0, 0.0], vec![y, x, 0.0, 1.0]], &|_, _| [0.0, 0.0]);
    let fit = solve(&matrix, &misfit, &[1.0 / size, 1.0 / size, 1.0, 1.0]);
    let plan = |a: f64, b: f64, e: f64, n: f64| Plan { origin_m: from, a, b, shift_m: [to[0] + e, to[1] + n] };
    if !rigid {
        return Some((plan(fit.x[0], fit.x[1], fit.x[2], fit.x[3]), fit));
    }
    let start = fit.x[1].atan2(fit.x[0]);
    let model = |x: &[f64]| {
        let (s, c) = x[0].sin_cos();
        let (design, misfit) = rows(&|p, q| [vec![-s * p - c * q, 1.0, 0.0], vec![c * p - s * q, 0.0, 1.0]], &|p, q| {
            [c * p - s * q + x[1], s * p + c * q + x[2]]
        });
        Linearised { misfit, design }
    };
    let done = adjust(&[start, fit.x[2], fit.x[3]], &[1.0 / size, 1.0, 1.0], &model).ok()?;
    Some((plan(done.x[0].cos(), done.x[0].sin(), done.x[1], done.x[2]), done.fit))
}

fn level_only(pairs: &[Pair], plane: bool) -> Option<(Level, Fit)> {
    if pairs.is_empty() {
        return None;
    }
    let from = centre(pairs, |p| [p.measured_m[0], p.measured_m[1]]);
    let size = pairs.iter().map(|p| (p.measured_m[0] - from[0]).hypot(p.measured_m[1] - from[1])).fold(1e-3, f64::max);
    let (mut matrix, mut misfit) = (vec![], vec![]);
    for p in pairs {
        let mut row = vec![1.0];
        if plane {
            row.extend([p.measured_m[0] - from[0], p.measured_m[1] - from[1]]);
        }
        matrix.push(row.iter().map(|v| v / p.sigma_m[1]).collect::<Vec<f64>>());
        misfit.push((p.site_m[2] - p.measured_m[2]) / p.sigma_m[1]);
    }
    let sizes = if plane { vec![1.0, 1.0 / size, 1.0 / size] } else { vec![1.0] };
    let fit = solve(&Matrix::from_rows(&matrix), &misfit, &sizes);
    // Marks on one line determine no plane.
    if fit.rank < sizes.len() || fit.directions.first().is_some_and(|d| d.sigma > 1.0e4) {
        return None;
    }
    let slope = if plane { [fit.x[1], fit.x[2]] } else { [0.0; 2] };
    Some((Level { origin_m: from, shift_m: fit.x[0], slope }, fit))
}

#[allow(clippy::cast_precision_loss)]
fn report<T: Copy>(
    pairs: &[Pair],
    axes: usize,
    (model, fit): (T, Fit),
    sigma: impl Fn(&Pair) -> f64,
    residual: impl Fn(&T, &Pair) -> Vec<f64>,
    again: impl Fn(&[Pair]) -> Option<T>,
) -> Fitted<T> {
    let freedom = fit.degrees_of_freedom();
    let marks = pairs
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let rest: Vec<Pair> = pairs.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, p)| p.clone()).collect();
            let redundancy = (0..axes).map(|k| fit.redundancy[axes * i + k]).fold(1.0, f64::min);
            let blind = redundancy < 1e-6;
            let own = residual(&model, p);
            let largest = own.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
            AtMark {
                name: p.name.clone(),
                without_it_m: again(&rest).map(|m| residual(&m, p)).unwrap_or_default(),
                redundancy,
                detectable_m: (!blind).then(|| sigma(p) * NON_CENTRALITY / redundancy.sqrt()),
                test: if blind { 0.0 } else { largest / (sigma(p) * redundancy.sqrt()) },
                residual_m: own,
            }
        })
        .collect();
    let sigma_0 = if freedom > 0 { (fit.square_sum / freedom as f64).sqrt() } else { f64::NAN };
    Fitted { model, marks, freedom, sigma_0, square_sum: fit.square_sum }
}

/// Fits in plan. `None` with fewer than two marks, or with all at one place.
#[must_use]
pub(crate) fn plan(pairs: &[Pair], rigid: bool) -> Option<Fitted<Plan>> {
    let residual = |m: &Plan, p: &Pair| {
        let at = m.apply(p.measured_m[0], p.measured_m[1]);
        vec![at[0] - p.site_m[0], at[1] - p.site_m[1]]
    };
    Some(report(pairs, 2, plan_only(pairs, rigid)?, |p| p.sigma_m[0], residual, |rest| Some(plan_only(rest, rigid)?.0)))
}

/// Fits in height, of the marks that have one. `None` with too few, or with all on one line for a plane.
#[must_use]
pub(crate) fn level(pairs: &[Pair], plane: bool) -> Option<Fitted<Level>> {
    let known: Vec<Pair> = pairs.iter().filter(|p| p.site_m[2].is_finite() && p.measured_m[2].is_finite()).cloned().collect();
    let residual = |m: &Level, p: &Pair| vec![p.measured_m[2] + m.correction(p.measured_m[0], p.measured_m[1]) - p.site_m[2]];
    Some(report(&known, 1, level_only(&known, plane)?, |p| p.sigma_m[1], residual, |rest| Some(level_only(rest, plane)?.0)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn pair(name: &str, from: [f64; 3], to: [f64; 3], sigma: f64) -> Pair {
        Pair { name: name.to_owned(), measured_m: from, site_m: to, sigma_m: [sigma; 2] }
    }

    #[test]
    fn ghilani() {
        // S-GHILANI-18-1 of checks/09: Ghilani, Adjustment Computations, example 18.1.
        let pairs = [
            pair("A", [121.622, -128.066, 0.0], [1_049_422.40, 51_089.20, f64::NAN], 1.0),
            pair("B", [141.228, 187.718, 0.0], [1_049_413.95, 49_659.30, f64::NAN], 1.0),
            pair("C", [175.802, 135.728, 0.0], [1_049_244.95, 49_884.95, f64::NAN], 1.0),
        ];
        let fit = plan(&pairs, false).unwrap();
        let m = fit.model;
        assert!((m.a + 4.512_49).abs() < 5e-6 && (m.b + 0.253_71).abs() < 5e-6, "{m:?}");
        let at = m.apply(0.0, 0.0);
        assert!((at[0] - 1_050_003.715).abs() < 1e-3 && (at[1] - 50_542.131).abs() < 1e-3, "{at:?}");
        assert!((m.scale() - 4.519_62).abs() < 5e-6 && (m.turn_deg().rem_euclid(360.0) - 183.218_061).abs() < 1e-5);
        let want = [[0.0038, -0.0291], [0.1009, -0.0767], [-0.1047, 0.1059]];
        for (mark, want) in fit.marks.iter().zip(want) {
            for (have, want) in mark.residual_m.iter().zip(want) {
                assert!((have - want).abs() < 5e-4, "{mark:?}");
            }
        }
        assert!((fit.square_sum - 0.039_100).abs() < 1e-5 && fit.freedom == 2);
        assert!((fit.sigma_0.powi(2) - 0.019_550).abs() < 1e-5);
    }

    #[test]
    fn five_marks() {
        // S-LOCAL-A of checks/09 (numpy).
        let list = [
            ("1", 5012.334, 2208.417, 314_962.944, 4_762_315.584),
            ("2", 5390.882, 2164.905, 315_342.299, 4_762_280.243),
            ("3", 5421.160, 2590.338, 315_363.409, 4_762_706.186),
            ("4", 5055.471, 2633.702, 314_996.904, 4_762_741.655),
            ("5", 5228.950, 2401.126, 315_175.342, 4_762_512.914),
        ];
        let pairs: Vec<Pair> = list.iter().map(|(n, x, y, e, m)| pair(n, [*x, *y, 0.0], [*e, *m, f64::NAN], 1.0)).collect();
        let fit = plan(&pairs, false).unwrap();
        assert!((fit.model.scale() - 0.999_897_37).abs() < 1e-8 && ((fit.model.scale() - 1.0) * 1e6 + 102.63).abs() < 0.01);
        assert!((fit.model.turn_deg() - 1.234_443).abs() < 1e-6, "{}", fit.model.turn_deg());
        assert!((fit.sigma_0 - 0.007_45).abs() < 1e-5, "{}", fit.sigma_0);
        let vector = |m: &AtMark| m.residual_m[0].hypot(m.residual_m[1]);
        let worst = fit.marks.iter().max_by(|a, b| vector(a).total_cmp(&vector(b))).unwrap();
        assert!(worst.name == "5" && (vector(worst) - 0.0156).abs() < 1e-4);
        // A rigid motion cannot take up 100 ppm: half the diagonal of 280 m leaves 28 mm at the corners.
        let rigid = plan(&pairs, true).unwrap();
        assert!((rigid.model.scale() - 1.0).abs() < 1e-15 && rigid.sigma_0 > fit.sigma_0 && rigid.freedom == 7);
    }

    #[test]
    fn three_marks_see_nothing_through_a_plane() {
        let at = |e: f64, n: f64, h: f64| pair("x", [e, n, h], [e, n, h + 0.2], 0.01);
        let three = [at(0.0, 0.0, 1.0), at(300.0, 0.0, 2.0), at(0.0, 300.0, 3.0)];
        let plane = level(&three, true).unwrap();
        assert!(plane.freedom == 0 && plane.marks.iter().all(|m| m.detectable_m.is_none() && m.redundancy < 1e-9));
        let shift = level(&three, false).unwrap();
        assert!(shift.freedom == 2 && shift.marks.iter().all(|m| m.detectable_m.is_some()));
        let line = [at(0.0, 0.0, 1.0), at(100.0, 100.0, 2.0), at(200.0, 200.0, 3.0)];
        assert!(level(&line, true).is_none() && level(&[], false).is_none() && plan(&three[..1], true).is_none());
    }

    #[test]
    fn one_bad_mark_is_told_by_leaving_it_out() {
        let mut pairs: Vec<Pair> = (0..5)
            .map(|k| {
                let (e, n) = (f64::from(k % 3) * 150.0, f64::from(k / 2) * 130.0);
                pair(&format!("CP{}", k + 1), [e, n, 10.0], [e + 5.0, n - 3.0, 10.2], 0.01)
            })
            .collect();
        pairs[1].site_m[2] += 0.381;
        let fit = level(&pairs, false).unwrap();
        let two = fit.marks.iter().find(|m| m.name == "CP2").unwrap();
        assert!((two.without_it_m[0] + 0.381).abs() < 1e-9 && two.test > 3.29, "{two:?}");
        assert!(fit.marks.iter().all(|m| m.test <= two.test));
    }

    proptest! {
        #[test]
        fn exact_marks_give_the_motion_back(turn in -3.0..3.0_f64, scale in 0.999..1.001_f64, e in -1e6..1e6_f64, n in -1e6..1e6_f64,
                                            at in prop::collection::vec((0.0..500.0_f64, 0.0..500.0_f64), 3..8)) {
            prop_assume!(at.iter().any(|p| (p.0 - at[0].0).hypot(p.1 - at[0].1) > 20.0));
            let (s, c) = turn.sin_cos();
            let pairs: Vec<Pair> = at
                .iter()
                .map(|(x, y)| pair("m", [*x, *y, 0.0], [scale * (c * x - s * y) + e, scale * (s * x + c * y) + n, 0.0], 0.01))
                .collect();
            let fit = plan(&pairs, false).unwrap();
            prop_assert!((fit.model.scale() - scale).abs() < 1e-9);
            for p in &pairs {
                let got = fit.model.apply(p.measured_m[0], p.measured_m[1]);
                prop_assert!((got[0] - p.site_m[0]).abs() < 1e-6 && (got[1] - p.site_m[1]).abs() < 1e-6);
            }
        }
    }
}
