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

/// Standard deviations along the major and minor axis of the error ellipse, from the variances of
/// east and north and their covariance.
#[must_use]
pub fn ellipse_axes(ee: f64, en: f64, nn: f64) -> (f64, f64) {
    let middle = 0.5 * (ee + nn);
    let half = (0.25 * (ee - nn) * (ee - nn) + en * en).sqrt();
    ((middle + half).max(0.0).sqrt(), (middle - half).max(0.0).sqrt())
}

/// Probability that the distance is at most `r`, for axes `a` >= `b` >= 0.
#[must_use]
pub fn probability(r: f64, a: f64, b: f64) -> f64 {
    const QUARTER: u32 = 64;
    if a <= 0.0 {
        return 1.0;
    }
    let (q2, x2) = ((b / a).powi(2), 0.5 * (r / a).powi(2));
    let value = |k: u32| {
        let (s, c) = (f64::from(k) * std::f64::consts::FRAC_PI_2 / f64::from(QUARTER)).sin_cos();
        let spread = c * c + q2 * s * s;
        if spread > 0.0 { (-x2 / spread).exp() } else { 0.0 }
    };
    let inner: f64 = (1..QUARTER).map(value).sum();
    1.0 - (inner + 0.5 * (value(0) + value(QUARTER))) / f64::from(QUARTER)
}

/// Radius that holds the truth with probability `p` (0 < p < 1), in the unit of the square roots.
#[must_use]
pub fn radius(p: f64, ee: f64, en: f64, nn: f64) -> f64 {
    let (a, b) = ellipse_axes(ee, en, nn);
    if a.is_nan() || a <= 0.0 {
        return a;
    }
    let (mut low, mut high) = (0.0, 10.0 * a);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if probability(middle, a, b) < p { low = middle } else { high = middle }
    }
    0.5 * (low + high)
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

    proptest! {
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
