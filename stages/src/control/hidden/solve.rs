//! A point from distances, bearings, lines and offsets to known points, by least squares.
//!
//! The known points go in with their own covariance, as unknowns that are observed, so the result carries their
//! errors too. Everything is in one plane, m; bearings are clockwise from its north, deg. References: Ghilani and Wolf,
//! Elementary Surveying (coordinate geometry); Ghilani, Adjustment Computations.

use survey_mathematics::least_squares::{Adjustment, Linearised, Matrix, adjust};

/// A known point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Known {
    /// Easting and northing, m.
    pub at_m: [f64; 2],
    /// Standard deviation of each axis, m.
    pub sigma_m: f64,
}

/// What was measured to the hidden point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Observation {
    /// Horizontal distance from a known point.
    Distance {
        /// Number of the known point.
        from: usize,
        /// m.
        value_m: f64,
        /// m.
        sigma_m: f64,
    },
    /// Bearing from a known point.
    Bearing {
        /// Number of the known point.
        from: usize,
        /// deg.
        value_deg: f64,
        /// deg.
        sigma_deg: f64,
    },
    /// Distance to the right of the line from one known point to another; 0 for a point on the line.
    Offset {
        /// Number of the first known point.
        from: usize,
        /// Number of the second.
        to: usize,
        /// m, to the right.
        value_m: f64,
        /// m.
        sigma_m: f64,
    },
    /// Distance along the line from one known point towards another.
    Along {
        /// Number of the first known point.
        from: usize,
        /// Number of the second.
        to: usize,
        /// m.
        value_m: f64,
        /// m.
        sigma_m: f64,
    },
}

/// A solution.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Solution {
    /// Easting and northing, m.
    pub at_m: [f64; 2],
    /// Variances east and north and their covariance, m2.
    pub covariance_m2: [f64; 3],
    /// What each observation adds to them; together with `from_known` their sum.
    pub from_observations: Vec<[f64; 3]>,
    /// What each known point adds to them.
    pub from_known: Vec<[f64; 3]>,
    /// Observations minus unknowns.
    pub freedom: usize,
    /// Squared residuals over sigmas.
    pub square_sum: f64,
    /// Computed minus observed, in the unit of each observation.
    pub residuals: Vec<f64>,
}

/// Sum of squares by which a second solution may be worse and still be a rival: 3.84 is 5 % of one degree of freedom.
const RIVAL: f64 = 3.84;
/// Solutions nearer than this are one, m.
const SAME: f64 = 1e-4;

impl Observation {
    fn sigma(&self) -> f64 {
        match *self {
            Self::Bearing { sigma_deg, .. } => sigma_deg.to_radians(),
            Self::Distance { sigma_m, .. } | Self::Offset { sigma_m, .. } | Self::Along { sigma_m, .. } => sigma_m,
        }
    }

    /// Observed minus computed (radians for a bearing), and derivatives of the computed value by the point and the known points.
    fn misfit(&self, p: [f64; 2], known: &[[f64; 2]]) -> (f64, Vec<(usize, [f64; 2])>) {
        // Unknown 0 is the point, k + 1 the known point k.
        match *self {
            Self::Distance { from, value_m, .. } => {
                let d = [p[0] - known[from][0], p[1] - known[from][1]];
                let length = d[0].hypot(d[1]);
                let u = [d[0] / length, d[1] / length];
                (value_m - length, vec![(0, u), (from + 1, [-u[0], -u[1]])])
            }
            Self::Bearing { from, value_deg, .. } => {
                let d = [p[0] - known[from][0], p[1] - known[from][1]];
                let square = d[0] * d[0] + d[1] * d[1];
                let off = value_deg.to_radians() - d[0].atan2(d[1]);
                let turn = std::f64::consts::TAU;
                let off = (off + turn / 2.0).rem_euclid(turn) - turn / 2.0;
                let g = [d[1] / square, -d[0] / square];
                (off, vec![(0, g), (from + 1, [-g[0], -g[1]])])
            }
            Self::Offset { from, to, value_m, .. } | Self::Along { from, to, value_m, .. } => {
                let (a, b) = (known[from], known[to]);
                let l = [b[0] - a[0], b[1] - a[1]];
                let length = l[0].hypot(l[1]);
                let u = [l[0] / length, l[1] / length];
                let d = [p[0] - a[0], p[1] - a[1]];
                let (along, right) = (u[0] * d[0] + u[1] * d[1], u[1] * d[0] - u[0] * d[1]);
                let r = [u[1], -u[0]];
                // A turn of the line by its second point moves the foot by the share of the way along it.
                let share = along / length;
                match self {
                    Self::Offset { .. } => {
                        let at = |k: f64| [k * r[0], k * r[1]];
                        (value_m - right, vec![(0, r), (from + 1, at(share - 1.0)), (to + 1, at(-share))])
                    }
                    _ => {
                        let at = |k: f64, m: f64| [k * u[0] + m * r[0], k * u[1] + m * r[1]];
                        let sway = right / length;
                        (value_m - along, vec![(0, u), (from + 1, at(-1.0, -sway)), (to + 1, at(0.0, sway))])
                    }
                }
            }
        }
    }
}

/// Places from which the adjustment begins: two lines or circles meet at up to two points.
fn starts(known: &[Known], list: &[Observation]) -> Vec<[f64; 2]> {
    let mut out = vec![];
    let at = |k: usize| known[k].at_m;
    let circle = |o: &Observation| match *o {
        Observation::Distance { from, value_m, .. } => Some((at(from), value_m)),
        _ => None,
    };
    let line = |o: &Observation| match *o {
        Observation::Bearing { from, value_deg, .. } => {
            let (s, c) = value_deg.to_radians().sin_cos();
            Some((at(from), [s, c]))
        }
        Observation::Offset { from, to, value_m, .. } | Observation::Along { from, to, value_m, .. } => {
            let (a, b) = (at(from), at(to));
            let length = (b[0] - a[0]).hypot(b[1] - a[1]);
            let u = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
            let r = [u[1], -u[0]];
            Some(match o {
                Observation::Offset { .. } => ([a[0] + value_m * r[0], a[1] + value_m * r[1]], u),
                _ => ([a[0] + value_m * u[0], a[1] + value_m * u[1]], r),
            })
        }
        Observation::Distance { .. } => None,
    };
    for (i, a) in list.iter().enumerate() {
        for b in &list[i + 1..] {
            match (circle(a), circle(b), line(a), line(b)) {
                (Some((p, r)), Some((q, s)), ..) => {
                    let d = [q[0] - p[0], q[1] - p[1]];
                    let length = d[0].hypot(d[1]);
                    let x = (r * r - s * s + length * length) / (2.0 * length);
                    // Circles that just miss each other still have a nearest place.
                    let y = (r * r - x * x).max(0.0).sqrt();
                    for side in [-1.0, 1.0] {
                        out.push([p[0] + (x * d[0] - side * y * d[1]) / length, p[1] + (x * d[1] + side * y * d[0]) / length]);
                    }
                }
                (Some((p, r)), None, _, Some((q, u))) | (None, Some((p, r)), Some((q, u)), _) => {
                    let along = (p[0] - q[0]) * u[0] + (p[1] - q[1]) * u[1];
                    let foot = [q[0] + along * u[0], q[1] + along * u[1]];
                    let y = (r * r - (foot[0] - p[0]).powi(2) - (foot[1] - p[1]).powi(2)).max(0.0).sqrt();
                    for side in [-1.0, 1.0] {
                        out.push([foot[0] + side * y * u[0], foot[1] + side * y * u[1]]);
                    }
                }
                (None, None, Some((p, u)), Some((q, v))) => {
                    let cross = u[0] * v[1] - u[1] * v[0];
                    if cross.abs() > 1e-6 {
                        let t = ((q[0] - p[0]) * v[1] - (q[1] - p[1]) * v[0]) / cross;
                        out.push([p[0] + t * u[0], p[1] + t * u[1]]);
                    }
                }
                _ => {}
            }
        }
    }
    out.retain(|p| p.iter().all(|v| v.is_finite()));
    out
}

fn from_start(known: &[Known], list: &[Observation], start: [f64; 2]) -> Option<(Adjustment, Solution)> {
    let rows = list.len() + 2 * known.len();
    let unknowns = 2 + 2 * known.len();
    // About the start, so that millimetres are not lost in coordinates of millions.
    let mut x = vec![0.0; 2];
    x.extend(known.iter().flat_map(|k| [k.at_m[0] - start[0], k.at_m[1] - start[1]]));
    let first = x.clone();
    let model = |x: &[f64]| {
        let points: Vec<[f64; 2]> = x[2..].chunks_exact(2).map(|c| [c[0], c[1]]).collect();
        let mut design = Matrix::zeros(rows, unknowns);
        let mut misfit = vec![0.0; rows];
        for (r, o) in list.iter().enumerate() {
            let (off, slopes) = o.misfit([x[0], x[1]], &points);
            misfit[r] = off / o.sigma();
            for (k, g) in slopes {
                for (a, slope) in g.into_iter().enumerate() {
                    design.set(r, 2 * k + a, design.at(r, 2 * k + a) + slope / o.sigma());
                }
            }
        }
        for (i, k) in known.iter().enumerate() {
            for a in 0..2 {
                let (r, c) = (list.len() + 2 * i + a, 2 + 2 * i + a);
                misfit[r] = (first[c] - x[c]) / k.sigma_m;
                design.set(r, c, 1.0 / k.sigma_m);
            }
        }
        Linearised { misfit, design }
    };
    let done = adjust(&x, &vec![0.01; unknowns], &model).ok()?;
    if done.fit.rank < unknowns || done.fit.sigma(0) > 100.0 || done.fit.sigma(1) > 100.0 {
        return None;
    }
    let points: Vec<[f64; 2]> = done.x[2..].chunks_exact(2).map(|c| [c[0], c[1]]).collect();
    let p = [done.x[0], done.x[1]];
    let residuals = list
        .iter()
        .map(|o| {
            let off = -o.misfit(p, &points).0;
            if matches!(o, Observation::Bearing { .. }) { off.to_degrees() } else { off }
        })
        .collect();
    let c = &done.fit.covariance;
    // The estimate is a sum of the observations, each of unit variance here, times these; so is its covariance of their squares.
    let design = model(&done.x).design;
    let part = |row: usize| -> [f64; 3] {
        let [e, n] = [0, 1].map(|a| design.row(row).iter().enumerate().map(|(k, d)| c.at(a, k) * d).sum::<f64>());
        [e * e, n * n, e * n]
    };
    let both = |row: usize| {
        let (a, b) = (part(row), part(row + 1));
        [0, 1, 2].map(|k| a[k] + b[k])
    };
    let solution = Solution {
        at_m: [p[0] + start[0], p[1] + start[1]],
        covariance_m2: [c.at(0, 0), c.at(1, 1), c.at(0, 1)],
        from_observations: (0..list.len()).map(part).collect(),
        from_known: (0..known.len()).map(|k| both(list.len() + 2 * k)).collect(),
        freedom: list.len().saturating_sub(2),
        square_sum: done.fit.square_sum,
        residuals,
    };
    Some((done, solution))
}

/// All solutions that the observations allow, the best first: two for two distances. Empty when they determine
/// no point (fewer than two, parallel lines, one point under two names).
#[must_use]
pub(crate) fn solve(known: &[Known], list: &[Observation]) -> Vec<Solution> {
    let mut out: Vec<Solution> = vec![];
    for start in starts(known, list) {
        let Some((_, s)) = from_start(known, list, start) else { continue };
        if !out.iter().any(|o| (o.at_m[0] - s.at_m[0]).hypot(o.at_m[1] - s.at_m[1]) < SAME) {
            out.push(s);
        }
    }
    out.sort_by(|a, b| a.square_sum.total_cmp(&b.square_sum));
    let best = out.first().map_or(0.0, |s| s.square_sum);
    out.retain(|s| s.square_sum <= best + RIVAL);
    out
}

/// Whether a point lies to the left of the line from one point to another.
#[must_use]
pub(crate) fn left_of(a: [f64; 2], b: [f64; 2], p: [f64; 2]) -> bool {
    (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) > 0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const EXACT: f64 = 1e-4;

    fn known(list: &[[f64; 2]], sigma_m: f64) -> Vec<Known> {
        list.iter().map(|at| Known { at_m: *at, sigma_m }).collect()
    }

    fn distance(from: usize, value_m: f64, sigma_m: f64) -> Observation {
        Observation::Distance { from, value_m, sigma_m }
    }

    #[test]
    fn two_distances_have_two_solutions() {
        // S-DIST-DIST-1 of checks/09.
        let points = known(&[[100.0, 200.0], [109.35, 203.12]], 0.010);
        let list = [distance(0, 8.412, 0.005), distance(1, 6.905, 0.005)];
        let found = solve(&points, &list);
        assert_eq!(found.len(), 2);
        let left = found.iter().find(|s| left_of(points[0].at_m, points[1].at_m, s.at_m)).unwrap();
        let right = found.iter().find(|s| !left_of(points[0].at_m, points[1].at_m, s.at_m)).unwrap();
        assert!((left.at_m[0] - 103.9520).abs() < 1e-4 && (left.at_m[1] - 207.4259).abs() < 1e-4, "{left:?}");
        assert!((right.at_m[0] - 107.6194).abs() < 1e-4 && (right.at_m[1] - 196.4354).abs() < 1e-4, "{right:?}");
        assert!((left.covariance_m2[0].sqrt() - 0.0123).abs() < 1e-4 && (left.covariance_m2[1].sqrt() - 0.0104).abs() < 1e-4);
        assert_eq!((left.freedom, right.freedom), (0, 0));
    }

    #[test]
    fn three_distances_have_one() {
        // S-DIST3-1 of checks/09 (scipy).
        let points = known(&[[10.0, 20.0], [18.42, 23.105], [14.95, 12.66]], 1e-6);
        let list = [distance(0, 5.761, 0.01), distance(1, 5.887, 0.01), distance(2, 5.4, 0.01)];
        let found = solve(&points, &list);
        assert_eq!(found.len(), 1);
        let s = &found[0];
        assert!((s.at_m[0] - 15.4178).abs() < 2e-4 && (s.at_m[1] - 18.0403).abs() < 2e-4, "{s:?}");
        for (r, want) in s.residuals.iter().zip([0.0003, 0.0006, 0.0006]) {
            assert!((r - want).abs() < 2e-4, "{s:?}");
        }
        assert_eq!(s.freedom, 1);
        assert!(((s.square_sum).sqrt() * 0.01 - 0.0009).abs() < 2e-4);
    }

    #[test]
    fn two_bearings() {
        // S-BEAR-BEAR-1 of checks/09.
        let points = known(&[[1000.0, 1000.0], [1024.618, 996.204]], EXACT);
        let bearing = |from, value_deg| Observation::Bearing { from, value_deg, sigma_deg: 0.01 };
        let found = solve(&points, &[bearing(0, 62.3125), bearing(1, 318.7042)]);
        assert_eq!(found.len(), 1);
        let p = found[0].at_m;
        assert!((p[0] - 1014.5686).abs() < 1e-4 && (p[1] - 1007.6446).abs() < 1e-4, "{p:?}");
        assert!(((p[0] - 1000.0).hypot(p[1] - 1000.0) - 16.4525).abs() < 1e-4);
    }

    #[test]
    fn a_join_the_other_way_round() {
        // S-JOIN-1 and S-JOIN-2 of checks/09 (GeodePy, Geoscience Australia): bearing and distance give the second point.
        for (a, b, d, bearing) in
            [([500.0, 500.0], [460.529, 493.218], 40.049, 260.2505), ([562.677, 548.598], [580.905, 569.481], 27.719, 41.1165)]
        {
            let points = known(&[a], EXACT);
            let list = [distance(0, d, 0.005), Observation::Bearing { from: 0, value_deg: bearing, sigma_deg: 0.005 }];
            let found = solve(&points, &list);
            assert_eq!(found.len(), 1, "{found:?}");
            assert!((found[0].at_m[0] - b[0]).abs() < 6e-4 && (found[0].at_m[1] - b[1]).abs() < 6e-4, "{found:?}");
        }
    }

    #[test]
    fn offsets_and_lines() {
        let points = known(&[[0.0, 0.0], [0.0, 10.0], [5.0, 0.0], [5.0, 10.0], [-2.0, 4.0], [8.0, 4.0]], EXACT);
        let offset = |from, to, value_m| Observation::Offset { from, to, value_m, sigma_m: 0.01 };
        let along = Observation::Along { from: 0, to: 1, value_m: 7.0, sigma_m: 0.01 };
        // 2 m to the right of a line to the north, 7 m along it.
        let s = &solve(&points, &[offset(0, 1, 2.0), along])[0];
        assert!((s.at_m[0] - 2.0).abs() < 1e-9 && (s.at_m[1] - 7.0).abs() < 1e-9, "{s:?}");
        // Three lines, the third one checks.
        let three = solve(&points, &[offset(0, 3, 0.0), offset(4, 5, 0.0), offset(0, 1, 2.02)]);
        assert_eq!((three.len(), three[0].freedom), (1, 1));
        assert!((three[0].at_m[0] - 2.005).abs() < 0.01 && (three[0].at_m[1] - 4.0).abs() < 0.02, "{three:?}");
        // Parallel lines determine nothing; neither does one observation.
        assert!(solve(&points, &[offset(0, 1, 1.0), offset(2, 3, 1.0)]).is_empty());
        assert!(solve(&points, &[along]).is_empty() && solve(&points, &[]).is_empty());
    }

    proptest! {
        #[test]
        fn what_is_measured_is_found(p in (-20.0..20.0_f64, -20.0..20.0_f64), big in 0.0..5e6_f64) {
            let at = |x: f64, y: f64| [big + x, big + y];
            let points = known(&[at(-30.0, -25.0), at(30.0, -28.0), at(3.0, 33.0)], EXACT);
            let target = at(p.0, p.1);
            let list: Vec<Observation> = (0..3)
                .map(|k| distance(k, (target[0] - points[k].at_m[0]).hypot(target[1] - points[k].at_m[1]), 0.003))
                .collect();
            let found = solve(&points, &list);
            prop_assert!(!found.is_empty());
            prop_assert!((found[0].at_m[0] - target[0]).abs() < 1e-5 && (found[0].at_m[1] - target[1]).abs() < 1e-5);
            prop_assert!(found[0].covariance_m2[0] > 0.0 && found[0].square_sum < 1e-3);
        }
    }
}
