//! Exact radial quantiles of a horizontal position: the radius of the circle that holds the truth
//! with a given probability, from the 2 x 2 covariance.
//!
//! With the axes' standard deviations a >= b of the error ellipse and z = rho (cos t, sin t) of
//! two independent unit normals, the distance is rho s(t) with s(t)^2 = a^2 cos^2 t + b^2 sin^2 t,
//! and rho stays below x with probability 1 - exp(-x^2 / 2). So
//!
//! P(R <= r) = 1 - (1 / 2 pi) * integral over t of exp(-r^2 / (2 s(t)^2)),
//!
//! a smooth periodic integrand, for which the trapezoidal rule converges faster than any power. The
//! factor r / a runs from 1.9600 (a line) to 2.4477 (a circle).

use std::sync::OnceLock;

/// Standard deviations along the major and minor axis of the error ellipse, from the variances of
/// east and north and their covariance.
#[must_use]
pub fn ellipse_axes(ee: f64, en: f64, nn: f64) -> (f64, f64) {
    let middle = 0.5 * (ee + nn);
    let half = (0.25 * (ee - nn) * (ee - nn) + en * en).sqrt();
    ((middle + half).max(0.0).sqrt(), (middle - half).max(0.0).sqrt())
}

/// Points of the trapezoidal rule in a quarter of the circle.
const QUARTER: u32 = 64;

/// s(t)^2 / a^2 at the points of the trapezoidal rule. It does not depend on the radius, so it is
/// made once for all the radii that are tried.
fn spreads(a: f64, b: f64) -> [f64; QUARTER as usize + 1] {
    static TURNS: OnceLock<[(f64, f64); QUARTER as usize + 1]> = OnceLock::new();
    let turns = TURNS.get_or_init(|| {
        let mut k = 0.0;
        [(); QUARTER as usize + 1].map(|()| {
            let turn = (k * std::f64::consts::FRAC_PI_2 / f64::from(QUARTER)).sin_cos();
            k += 1.0;
            turn
        })
    });
    let q2 = (b / a).powi(2);
    turns.map(|(s, c)| c * c + q2 * s * s)
}

/// Probability that the distance is at most `r`, for the major axis `a` > 0 and its [`spreads`].
fn probability_of(r: f64, a: f64, spreads: &[f64; QUARTER as usize + 1]) -> f64 {
    let x2 = 0.5 * (r / a).powi(2);
    let value = |spread: f64| if spread > 0.0 { (-x2 / spread).exp() } else { 0.0 };
    let [first, middle @ .., last] = spreads;
    let inner: f64 = middle.iter().map(|s| value(*s)).sum();
    1.0 - (inner + 0.5 * (value(*first) + value(*last))) / f64::from(QUARTER)
}

/// Probability that the distance is at most `r`, for axes `a` >= `b` >= 0.
#[must_use]
pub fn probability(r: f64, a: f64, b: f64) -> f64 {
    if a <= 0.0 { 1.0 } else { probability_of(r, a, &spreads(a, b)) }
}

/// Radius that holds the truth with probability `p` (0 < p < 1), in the unit of the square roots.
#[must_use]
pub fn radius(p: f64, ee: f64, en: f64, nn: f64) -> f64 {
    let (a, b) = ellipse_axes(ee, en, nn);
    if a.is_nan() || a <= 0.0 {
        return a;
    }
    let spreads = spreads(a, b);
    let below = |r: f64| probability_of(r, a, &spreads) < p;
    let (near, far) = bracket(p, a, &spreads, &below);
    let (mut low, mut high) = (0.0, 10.0 * a);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        // The probability rises with the radius: beyond the bracket the answer is known without the integral.
        let rise = if middle <= near {
            true
        } else if middle >= far {
            false
        } else {
            below(middle)
        };
        if rise { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// Two radii close together with the answer between them, found by secants and then proved; the
/// whole line where that fails. It only saves work: the halving that follows gives the same bits
/// with it and without.
fn bracket(p: f64, a: f64, spreads: &[f64; QUARTER as usize + 1], below: &dyn Fn(f64) -> bool) -> (f64, f64) {
    // For a wide bracket the rounding of the integral, some 1e-16, is far below the change of the probability.
    const HALF_WIDTH: f64 = 1e-11;
    let miss = |r: f64| probability_of(r, a, spreads) - p;
    let (mut r0, mut r1) = (1.95 * a, 2.45 * a);
    let (mut m0, mut m1) = (miss(r0), miss(r1));
    for _ in 0..12 {
        let next = r1 - m1 * (r1 - r0) / (m1 - m0);
        if !next.is_finite() || next <= 0.0 {
            break;
        }
        let moved = (next - r1).abs();
        (r0, m0) = (r1, m1);
        (r1, m1) = (next, miss(next));
        if moved < 1e-7 * a {
            break;
        }
    }
    let (near, far) = (r1 - HALF_WIDTH * a, r1 + HALF_WIDTH * a);
    if near < far && below(near) && !below(far) { (near, far) } else { (f64::NEG_INFINITY, f64::INFINITY) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// S-K-FACTORS (04_accuracy_statistics.csv): 1.9600 for one axis, 2.4477 for a circle.
    #[test]
    fn s_k_factors() {
        assert!((radius(0.95, 1.0, 0.0, 0.0) - 1.9600).abs() < 5e-5, "{}", radius(0.95, 1.0, 0.0, 0.0));
        assert!((radius(0.95, 1.0, 0.0, 1.0) - 2.4477).abs() < 5e-5);
        // Closed form for the circle: sqrt(-2 ln 0.05).
        assert!((radius(0.95, 4.0, 0.0, 4.0) - 2.0 * (-2.0 * 0.05_f64.ln()).sqrt()).abs() < 1e-12);
    }

    /// S-ELLIPSE: var E 1.44, var N 1.22, cov -1.32; printed as variances: eigenvalues 1.62928678^2 and 0.07365186^2.
    #[test]
    fn s_ellipse() {
        let (a, b) = ellipse_axes(1.44, -1.32, 1.22);
        assert!((a - 1.629_286_777_6).abs() < 1e-9, "{a} {b}");
        assert!((b - 0.073_651_859_0).abs() < 1e-8, "{a} {b}");
    }

    /// S-CEP-2DRMS: 98 percent of a circular error lie inside 2drms, and 95.4 percent of a line.
    #[test]
    fn s_cep_2drms() {
        assert!((probability(0.028_284, 0.010, 0.010) - 0.98).abs() < 0.01);
        assert!((probability(2.0, 1.0, 0.0) - 0.9545).abs() < 1e-3);
    }

    /// The halving of the whole line, as it is without a bracket.
    fn plain(p: f64, ee: f64, en: f64, nn: f64) -> f64 {
        let (a, b) = ellipse_axes(ee, en, nn);
        let (mut low, mut high) = (0.0, 10.0 * a);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if probability(middle, a, b) < p { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }

    proptest! {
        #[test]
        fn the_bracket_changes_no_bit(a in 1e-6..1e4_f64, q in 0.0..=1.0_f64, rho in -1.0..=1.0_f64, p in 0.05..0.999_f64) {
            let (ee, nn, en) = (a * a, (a * q).powi(2), rho * a * a * q);
            prop_assert_eq!(radius(p, ee, en, nn).to_bits(), plain(p, ee, en, nn).to_bits());
        }

        #[test]
        fn the_radius_is_between_its_limits_and_turns_with_the_axes(a in 0.001..10.0_f64, q in 0.0..1.0_f64, turn in 0.0..3.0_f64) {
            let (b2, a2) = ((a * q).powi(2), a * a);
            let (s, c) = turn.sin_cos();
            let r = radius(0.95, a2 * c * c + b2 * s * s, (a2 - b2) * s * c, a2 * s * s + b2 * c * c);
            prop_assert!(r > 1.9599 * a && r < 2.44775 * a);
            prop_assert!((r - radius(0.95, a2, 0.0, b2)).abs() < 1e-7 * a);
        }
    }
}
