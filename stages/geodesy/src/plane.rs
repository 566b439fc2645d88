//! Control against the grid: coordinates and distances that differ by an exchange of axes, a foot, a factor
//! or an origin.
//!
//! A list of control in "ground" coordinates, in the other foot or with northing before easting looks
//! like any other list. Compared with what was measured on the same grid, each of these mistakes leaves its own
//! trace. The explanation with the fewest free numbers that fits within the tolerance is taken, and only
//! where measurements are left over to disprove it.

use pipeline_base::diag::{Diagnostic, Verdict};
use serde::Serialize;

/// A point with both pairs of grid coordinates, m.
#[derive(Clone, Debug, PartialEq)]
pub struct Pair {
    /// Its name.
    pub name: String,
    /// Measured easting and northing in the grid, m.
    pub measured: [f64; 2],
    /// Given easting and northing as the list has them, brought to metres by its stated unit.
    pub given: [f64; 2],
}

/// A distance from two sources.
#[derive(Clone, Debug, PartialEq)]
pub struct Distance {
    /// Its ends, for messages.
    pub name: String,
    /// Distance in the grid, from measured coordinates, m.
    pub grid_m: f64,
    /// Distance as given: between given coordinates, or taped, m.
    pub given_m: f64,
}

/// Distances between all points of a list.
#[must_use]
pub fn distances(pairs: &[Pair]) -> Vec<Distance> {
    let apart = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
    let of = |a: &Pair, b: &Pair| Distance {
        name: format!("{}-{}", a.name, b.name),
        grid_m: apart(a.measured, b.measured),
        given_m: apart(a.given, b.given),
    };
    pairs.iter().enumerate().flat_map(|(i, a)| pairs[i + 1..].iter().map(move |b| of(a, b))).collect()
}

/// Factors of the grid at the site, from [`Projection`](super::projection::Projection).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Site {
    /// Scale factor of the grid: grid distance over distance on the ellipsoid.
    pub scale: f64,
    /// Combined factor: grid distance over distance on the ground.
    pub combined: f64,
}

/// A constant part per million of distances.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Scale {
    /// Given over grid, minus one, ppm.
    pub ppm: f64,
    /// One sigma of it, ppm; missing with a single distance.
    pub sigma_ppm: Option<f64>,
    /// Root mean square of given minus grid, m.
    pub before_m: f64,
    /// The same after the factor is taken out, m.
    pub after_m: f64,
    /// Longest distance, m.
    pub longest_m: f64,
    /// Distances.
    pub distances: usize,
}

/// The factor that explains distances best; `None` when there is none longer than nothing.
#[must_use]
pub fn scale_of(distances: &[Distance]) -> Option<Scale> {
    let used: Vec<&Distance> = distances.iter().filter(|d| d.grid_m > 0.0 && d.grid_m.is_finite() && d.given_m.is_finite()).collect();
    let squares: f64 = used.iter().map(|d| d.grid_m * d.grid_m).sum();
    if used.is_empty() || squares <= 0.0 {
        return None;
    }
    let k = used.iter().map(|d| d.grid_m * (d.given_m - d.grid_m)).sum::<f64>() / squares;
    let left: f64 = used.iter().map(|d| (d.given_m - d.grid_m * (1.0 + k)).powi(2)).sum();
    #[allow(clippy::cast_precision_loss)]
    let n = used.len() as f64;
    let variance = left / (n - 1.0).max(1.0);
    Some(Scale {
        ppm: k * 1e6,
        sigma_ppm: (used.len() > 1).then(|| (variance / squares).sqrt() * 1e6),
        before_m: (used.iter().map(|d| (d.given_m - d.grid_m).powi(2)).sum::<f64>() / n).sqrt(),
        after_m: variance.sqrt(),
        longest_m: used.iter().map(|d| d.grid_m).fold(0.0, f64::max),
        distances: used.len(),
    })
}

/// Distances that differ from the grid by a constant ppm (`frame/ground-scale`): control or taped distances
/// beside measured ones.
///
/// `None` when they agree within `tolerance_m`, or when they disagree and no single factor brings them
/// together.
#[must_use]
pub fn distances_off_by_a_factor(distances: &[Distance], site: Option<Site>, tolerance_m: f64) -> Option<Diagnostic> {
    let scale = scale_of(distances)?;
    let size = scale.ppm.abs() * 1e-6 * scale.longest_m;
    let significant = scale.sigma_ppm.is_none_or(|s| scale.ppm.abs() > 3.0 * s);
    if size <= tolerance_m || scale.before_m <= tolerance_m / 2.0 || scale.after_m > tolerance_m || !significant {
        return None;
    }
    let sigma = scale.sigma_ppm.map_or_else(|| "one distance, which proves nothing alone".to_owned(), |s| format!("sigma {s:.1} ppm"));
    let names: Vec<String> = distances.iter().take(4).map(|d| format!("`{}`", d.name)).collect();
    let more = distances.len().saturating_sub(4);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    Some(
        Diagnostic::new(
            "frame/ground-scale",
            Verdict::Block,
            format!(
                "{} given {} {:+.1} ppm of the distances in the grid ({sigma}); {:.3} m apart before, {:.3} m after a factor of {:.8}",
                scale.distances,
                if scale.distances == 1 { "distance differs by" } else { "distances differ by" },
                scale.ppm,
                scale.before_m,
                scale.after_m,
                1.0 + scale.ppm * 1e-6
            ),
        )
        .place(format!("distances {}{more}", names.join(", ")))
        .size(format!("{size:.3} m on the longest distance of {:.0} m", scale.longest_m))
        .why(cause(1.0 + scale.ppm * 1e-6, scale.sigma_ppm.unwrap_or(0.0).max(1.0), site))
        .fix(FIX_SCALE),
    )
}

const FIX_SCALE: &str = "ask whoever made the list for the definition of the system: base grid, factor, origin and truncation; declare it as a ground \
    system (`delivery.ground` of a reference) or ask for grid coordinates. A factor is never applied by itself";

/// What a factor may stem from, in words.
fn cause(factor: f64, sigma_ppm: f64, site: Option<Site>) -> String {
    let ppm = (factor - 1.0) * 1e6;
    let near = |other: f64| ((factor / other - 1.0) * 1e6).abs() <= (3.0 * sigma_ppm).clamp(3.0, 30.0);
    if let Some(site) = site {
        if near(1.0 / site.combined) {
            return format!(
                "given distances look like distances on the ground: the combined factor here is {:.8}, its inverse {:+.1} ppm",
                site.combined,
                (1.0 / site.combined - 1.0) * 1e6
            );
        }
        if near(1.0 / site.scale) {
            return format!(
                "given distances look like distances on the ellipsoid: the scale factor of the grid here is {:.8}, its inverse {:+.1} ppm",
                site.scale,
                (1.0 / site.scale - 1.0) * 1e6
            );
        }
    }
    for (name, k) in FEET {
        if (factor / k - 1.0).abs() < 1e-3 && (k - 1.0).abs() > 0.1 {
            return format!("the factor is that of {name}");
        }
    }
    let here = site
        .map_or_else(String::new, |s| format!("; the inverse of the combined factor here is {:+.1} ppm", (1.0 / s.combined - 1.0) * 1e6));
    format!("a constant {ppm:+.1} ppm is the trace of ground coordinates, of another zone or of another scale; no foot has it{here}")
}

/// Given over true, for mistakes of the foot.
const FEET: [(&str, f64); 6] = [
    ("survey feet read as international feet", 0.3048 * 3937.0 / 1200.0),
    ("international feet read as survey feet", 1200.0 / 3937.0 / 0.3048),
    ("feet read as metres", 1.0 / 0.3048),
    ("survey feet read as metres", 3937.0 / 1200.0),
    ("metres read as feet", 0.3048),
    ("metres read as survey feet", 1200.0 / 3937.0),
];

/// What brings given and measured coordinates together.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "is")]
pub enum Explanation {
    /// They agree.
    Agree {
        /// Root mean square of the distances, m.
        rms_m: f64,
    },
    /// Easting and northing are exchanged in the list.
    Exchanged {
        /// See `Agree`.
        rms_m: f64,
    },
    /// The list is in another foot than it says.
    Foot {
        /// Which for which.
        mistake: &'static str,
        /// See `Agree`.
        rms_m: f64,
    },
    /// The list is the grid times a factor, about the zero of the grid or about another point.
    Factor {
        /// Given over grid.
        factor: f64,
        /// The point that stays where it is, m; `[0, 0]` for the zero of the grid.
        about: [f64; 2],
        /// See `Agree`.
        rms_m: f64,
    },
    /// The list is the grid, moved.
    Moved {
        /// Given minus measured, m.
        by: [f64; 2],
        /// See `Agree`.
        rms_m: f64,
    },
    /// The list is the grid, turned as well as moved and scaled.
    Turned {
        /// Clockwise, deg.
        degrees: f64,
        /// Given over grid.
        factor: f64,
        /// See `Agree`.
        rms_m: f64,
    },
    /// None of these.
    Open {
        /// See `Agree`.
        rms_m: f64,
    },
}

/// Root mean square of the distances, with `free` numbers taken out of twice as many observations as points.
#[allow(clippy::cast_precision_loss)]
fn rms(pairs: &[Pair], free: usize, expected: impl Fn([f64; 2]) -> [f64; 2]) -> f64 {
    let squares: f64 = pairs
        .iter()
        .map(|p| {
            let e = expected(p.measured);
            (p.given[0] - e[0]).powi(2) + (p.given[1] - e[1]).powi(2)
        })
        .sum();
    // Per point: two observations make one distance.
    (2.0 * squares / (2 * pairs.len()).saturating_sub(free).max(1) as f64).sqrt()
}

/// Explains a list of control by the fewest free numbers within a tolerance per point, m.
#[must_use]
pub fn explain(pairs: &[Pair], tolerance_m: f64) -> Explanation {
    let as_is = rms(pairs, 0, |m| m);
    let good = |rms_m: f64| rms_m <= tolerance_m;
    if good(as_is) || pairs.is_empty() {
        return Explanation::Agree { rms_m: as_is };
    }
    let exchanged = rms(pairs, 0, |[e, n]| [n, e]);
    if good(exchanged) {
        return Explanation::Exchanged { rms_m: exchanged };
    }
    for (mistake, k) in FEET {
        let left = rms(pairs, 0, |[e, n]| [e * k, n * k]);
        if good(left) {
            return Explanation::Foot { mistake, rms_m: left };
        }
    }
    let sum = |f: &dyn Fn(&Pair) -> f64| pairs.iter().map(f).sum::<f64>();
    let squares = sum(&|p| p.measured[0].powi(2) + p.measured[1].powi(2));
    let k = sum(&|p| p.measured[0] * p.given[0] + p.measured[1] * p.given[1]) / squares;
    let left = rms(pairs, 1, |[e, n]| [e * k, n * k]);
    // A factor that is far from one is a blunder of another kind.
    if good(left) && (k - 1.0).abs() < 0.01 {
        return Explanation::Factor { factor: k, about: [0.0; 2], rms_m: left };
    }
    #[allow(clippy::cast_precision_loss)]
    let n = pairs.len() as f64;
    let mean = |f: &dyn Fn(&Pair) -> [f64; 2]| [sum(&|p| f(p)[0]) / n, sum(&|p| f(p)[1]) / n];
    let (m, g) = (mean(&|p| p.measured), mean(&|p| p.given));
    let by = [g[0] - m[0], g[1] - m[1]];
    let left = rms(pairs, 2, |[e, n]| [e + by[0], n + by[1]]);
    if good(left) && pairs.len() > 1 {
        return Explanation::Moved { by, rms_m: left };
    }
    if pairs.len() > 1 {
        // From the middle of the points, so that large coordinates lose no digits.
        let d = |p: &Pair| ([p.measured[0] - m[0], p.measured[1] - m[1]], [p.given[0] - g[0], p.given[1] - g[1]]);
        let spread = sum(&|p| d(p).0.iter().map(|v| v * v).sum());
        let along = sum(&|p| d(p).0[0] * d(p).1[0] + d(p).0[1] * d(p).1[1]) / spread;
        let across = sum(&|p| d(p).0[0] * d(p).1[1] - d(p).0[1] * d(p).1[0]) / spread;
        let left = rms(pairs, 3, |[e, n]| [g[0] + along * (e - m[0]), g[1] + along * (n - m[1])]);
        if good(left) && (along - 1.0).abs() < 0.01 && spread > 0.0 {
            let about = [(g[0] - along * m[0]) / (1.0 - along), (g[1] - along * m[1]) / (1.0 - along)];
            return Explanation::Factor { factor: along, about, rms_m: left };
        }
        let left = rms(pairs, 4, |[e, n]| {
            let (x, y) = (e - m[0], n - m[1]);
            [g[0] + along * x - across * y, g[1] + along * y + across * x]
        });
        if good(left) && pairs.len() > 2 && spread > 0.0 {
            return Explanation::Turned { degrees: -across.atan2(along).to_degrees(), factor: along.hypot(across), rms_m: left };
        }
    }
    Explanation::Open { rms_m: as_is }
}

/// The explanation as a finding: `frame/axes-exchanged`, `frame/other-foot` or `frame/ground-scale`. `None` when the
/// list agrees, or when it is only moved or turned or not explained: a move is for the
/// [detective](super::frame_comparison) of frames.
#[must_use]
pub fn finding(explanation: &Explanation, pairs: &[Pair], site: Option<Site>) -> Option<Diagnostic> {
    let largest = pairs.iter().map(|p| (p.given[0] - p.measured[0]).hypot(p.given[1] - p.measured[1])).fold(0.0, f64::max);
    let names: Vec<String> = pairs.iter().take(6).map(|p| format!("`{}`", p.name)).collect();
    let more = pairs.len().saturating_sub(6);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    let count = if pairs.len() == 1 { "1 point".to_owned() } else { format!("{} points", pairs.len()) };
    let made = |code: &str, what: String| {
        Diagnostic::new(code, Verdict::Block, what)
            .place(format!("points {}{more}", names.join(", ")))
            .size(format!("up to {largest:.3} m between given and measured"))
    };
    Some(match explanation {
        Explanation::Exchanged { rms_m } => made(
            "frame/axes-exchanged",
            format!("easting and northing of {count} are exchanged in the list; exchanged they agree within {rms_m:.3} m"),
        )
        .why("point files come with northing first as well as with easting first, and where both are of one size nothing shows it")
        .fix("correct the names of the two columns of the list"),
        Explanation::Foot { mistake, rms_m } => {
            made("frame/other-foot", format!("the list of {count} has {mistake}; so read they agree within {rms_m:.3} m"))
                .why("the two feet differ by 2 ppm of the whole coordinate, which is metres; a foot and a metre differ by a factor of 3.28")
                .fix("correct the unit of the list: `m`, `ft` (0.3048 m) or `ftUS` (1200/3937 m)")
        }
        Explanation::Factor { factor, about, rms_m } => {
            let at = if *about == [0.0; 2] {
                "about the zero of the grid, so that whole coordinates were multiplied".to_owned()
            } else {
                about_words(*about, pairs, *factor)
            };
            made(
                "frame/ground-scale",
                format!(
                    "the list of {count} is the grid times {factor:.8} ({:+.1} ppm) {at}; so read they agree within {rms_m:.3} m",
                    (factor - 1.0) * 1e6
                ),
            )
            .why(cause(*factor, 1.0, site))
            .fix(FIX_SCALE)
        }
        Explanation::Agree { .. } | Explanation::Moved { .. } | Explanation::Turned { .. } | Explanation::Open { .. } => return None,
    })
}

/// The point that a factor leaves where it is, or the truncation that hides it.
fn about_words(about: [f64; 2], pairs: &[Pair], factor: f64) -> String {
    let reach = pairs.iter().map(|p| (p.measured[0] - about[0]).hypot(p.measured[1] - about[1])).fold(0.0, f64::max);
    // How well the point is known: an error of 0.01 m of the move is divided by the factor less one.
    let known = 0.01 / (factor - 1.0).abs();
    if reach < 50_000.0 {
        return format!("about E {:.0} m N {:.0} m (known to about {known:.0} m)", about[0], about[1]);
    }
    let moved: Vec<String> = (0..2)
        .filter_map(|i| {
            let p = pairs.first()?;
            let offset = p.given[i] - factor * p.measured[i];
            let round = (offset / 1000.0).round() * 1000.0;
            (round != 0.0 && (offset - round).abs() < 1.0)
                .then(|| format!("{} by {round:+.0} m", if i == 0 { "eastings" } else { "northings" }))
        })
        .collect();
    if moved.is_empty() {
        "about a point far from the site: coordinates were moved or cut as well".to_owned()
    } else {
        format!("about the zero of the grid, and then moved: {}", moved.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn pairs(change: impl Fn([f64; 2]) -> [f64; 2]) -> Vec<Pair> {
        [[650_100.0, 4_730_200.0], [651_350.0, 4_730_900.0], [650_700.0, 4_731_400.0]]
            .into_iter()
            .zip(["A", "B", "C"])
            .map(|(measured, name)| Pair { name: name.into(), measured, given: change(measured) })
            .collect()
    }

    #[test]
    fn a_foot_in_one_of_the_lists() {
        // S-FOOT-SPCS (checks/05_fault_magnitudes.csv): N 2 000 000 ft, E 6 000 000 ft shift by 4 ft and 12 ft.
        let ft = 0.3048;
        let us = 1200.0 / 3937.0;
        let feet = |u: f64| [6_000_000.0 * u, 2_000_000.0 * u];
        let pair = Pair { name: "CP1".into(), measured: feet(us), given: feet(ft) };
        let shift = [(pair.measured[0] - pair.given[0]) / ft, (pair.measured[1] - pair.given[1]) / ft];
        assert!((shift[0] - 12.0).abs() < 0.01 && (shift[1] - 4.0).abs() < 0.01, "{shift:?}");
        let other = Pair {
            name: "CP2".into(),
            measured: [pair.measured[0] + 100.0, pair.measured[1] - 40.0],
            given: [pair.given[0] + 100.0, pair.given[1] - 40.0],
        };
        // S-FOOT-RATIO: 2.000004 ppm.
        assert!((FEET[1].1 - 1.0 - 2.000_004e-6).abs() < 1e-12);
        let found = explain(&[pair.clone(), other.clone()], 0.02);
        assert_eq!(
            found,
            Explanation::Foot {
                mistake: "survey feet read as international feet",
                rms_m: rms(&[pair.clone(), other.clone()], 0, |[e, n]| [e * FEET[0].1, n * FEET[0].1])
            }
        );
        let said = finding(&found, &[pair, other], None).unwrap();
        assert_eq!(said.code, "frame/other-foot");
        // Feet for metres.
        let found = explain(&pairs(|[e, n]| [e / ft, n / ft]), 0.02);
        assert!(matches!(found, Explanation::Foot { mistake: "feet read as metres", .. }), "{found:?}");
    }

    #[test]
    fn two_points_scaled_by_120_ppm() {
        // what-goes-wrong.md P29, traps.md S13.
        let site = Some(Site { scale: 0.999_915, combined: 1.0 / 1.000_12 });
        let all = pairs(|[e, n]| [e * 1.000_12, n * 1.000_12]);
        let found = explain(&all[..2], 0.02);
        let Explanation::Factor { factor, about, .. } = found else { panic!("{found:?}") };
        assert!((factor - 1.000_12).abs() < 1e-9 && about == [0.0; 2]);
        let said = finding(&explain(&all[..2], 0.02), &all[..2], site).unwrap();
        assert!(said.code == "frame/ground-scale" && said.what.contains("+120.0 ppm") && said.why.contains("on the ground"), "{said:#?}");
        // About a point of the site: the origin is named.
        let origin = [650_500.0, 4_730_500.0];
        let local = pairs(|[e, n]| [origin[0] + 1.000_12 * (e - origin[0]), origin[1] + 1.000_12 * (n - origin[1])]);
        let Explanation::Factor { factor, about, .. } = explain(&local[..2], 0.005) else { panic!() };
        assert!((factor - 1.000_12).abs() < 1e-9, "{factor}");
        assert!((about[0] - origin[0]).abs() < 1.0 && (about[1] - origin[1]).abs() < 1.0, "{about:?}");
        // Cut coordinates: the truncation is named.
        let cut = pairs(|[e, n]| [1.000_12 * e - 600_000.0, 1.000_12 * n - 4_700_000.0]);
        let said = finding(&explain(&cut, 0.02), &cut, None).unwrap();
        assert!(said.what.contains("eastings by -600000 m") && said.what.contains("northings by -4700000 m"), "{}", said.what);
        // By distances alone.
        for list in [&all, &local, &cut] {
            let said = distances_off_by_a_factor(&distances(list), site, 0.02).unwrap();
            assert!(said.code == "frame/ground-scale" && said.what.contains("+120.0 ppm"), "{}", said.what);
        }
    }

    #[test]
    fn other_traces() {
        assert!(matches!(explain(&pairs(|m| m), 0.02), Explanation::Agree { .. }));
        let exchanged = pairs(|[e, n]| [n, e]);
        let found = explain(&exchanged, 0.02);
        assert_eq!(finding(&found, &exchanged, None).unwrap().code, "frame/axes-exchanged");
        let moved = pairs(|[e, n]| [e + 0.8, n - 1.1]);
        let Explanation::Moved { by, .. } = explain(&moved, 0.02) else { panic!() };
        assert!((by[0] - 0.8).abs() < 1e-6 && (by[1] + 1.1).abs() < 1e-6);
        assert!(finding(&explain(&moved, 0.02), &moved, None).is_none());
        assert!(distances_off_by_a_factor(&distances(&moved), None, 0.02).is_none());
        let c = 0.8_f64.to_radians();
        let turned = pairs(|[e, n]| [e * c.cos() + n * c.sin(), n * c.cos() - e * c.sin()]);
        let Explanation::Turned { degrees, factor, .. } = explain(&turned, 0.02) else { panic!() };
        assert!((degrees - 0.8).abs() < 1e-9 && (factor - 1.0).abs() < 1e-12, "{degrees} {factor}");
        // One wrong point is not explained by any factor.
        let mut bust = pairs(|m| m);
        bust[1].given[0] += 1.25 * 0.3048;
        assert!(matches!(explain(&bust, 0.02), Explanation::Open { .. }));
        assert!(distances_off_by_a_factor(&distances(&bust), None, 0.02).is_none());
        assert!(explain(&[], 0.02) == Explanation::Agree { rms_m: 0.0 } && scale_of(&[]).is_none());
    }

    proptest! {
        #[test]
        fn a_factor_is_found_in_noise(ppm in 60.0..400.0_f64, noise in prop::array::uniform6(-0.01..0.01_f64), about_e in -1e4..1e4_f64) {
            let k = 1.0 + ppm * 1e-6;
            let mut list = pairs(|[e, n]| [k * (e - 650_000.0 - about_e) + 650_000.0 + about_e, k * (n - 4_730_000.0) + 4_730_000.0]);
            for (i, p) in list.iter_mut().enumerate() {
                p.given[0] += noise[2 * i];
                p.given[1] += noise[2 * i + 1];
            }
            let scale = scale_of(&distances(&list)).unwrap();
            // 0.02 m over distances of 1.4 km is 15 ppm at worst.
            prop_assert!((scale.ppm - ppm).abs() < 20.0, "{} {ppm}", scale.ppm);
        }

        #[test]
        fn nothing_is_explained_without_measurements_to_disprove_it(e in -1e6..1e6_f64, n in -1e6..1e6_f64, de in 1.0..100.0_f64, dn in 1.0..100.0_f64) {
            let one = [Pair { name: "A".into(), measured: [e, n], given: [e + de, n + dn] }];
            let found = explain(&one, 0.01);
            prop_assert!(!matches!(found, Explanation::Moved { .. } | Explanation::Turned { .. }), "{found:?}");
        }
    }
}
