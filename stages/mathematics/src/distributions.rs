//! Quantiles that tests of statistics need.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, Normal, StudentsT};

/// Solves `f(x) = p` for an increasing distribution function by bisection: 200 halvings leave nothing to
/// the tolerance of a library's own search.
fn invert(f: impl Fn(f64) -> f64, p: f64, mut low: f64, mut high: f64) -> f64 {
    while f(high) < p && high < 1e12 {
        high *= 2.0;
    }
    while low < 0.0 && f(low) > p && low > -1e12 {
        low *= 2.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if f(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Value that chi-square with `freedom` degrees stays below with probability `p`. NaN outside the domain.
#[must_use]
pub fn chi_square(p: f64, freedom: f64) -> f64 {
    match ChiSquared::new(freedom) {
        Ok(d) if (0.0..1.0).contains(&p) => invert(|x| d.cdf(x), p, 0.0, freedom + 10.0),
        _ => f64::NAN,
    }
}

/// Probability that chi-square with `freedom` degrees exceeds `x`. NaN outside the domain.
#[must_use]
pub fn chi_square_beyond(x: f64, freedom: f64) -> f64 {
    ChiSquared::new(freedom).map_or(f64::NAN, |d| d.sf(x.max(0.0)))
}

/// Value that F with these degrees stays below with probability `p`. NaN outside the domain.
#[must_use]
pub fn fisher(p: f64, above: f64, below: f64) -> f64 {
    match FisherSnedecor::new(above, below) {
        Ok(d) if (0.0..1.0).contains(&p) => invert(|x| d.cdf(x), p, 0.0, 10.0),
        _ => f64::NAN,
    }
}

/// Value that Student's t with `freedom` degrees stays below with probability `p`. NaN outside the domain.
#[must_use]
pub fn student(p: f64, freedom: f64) -> f64 {
    match StudentsT::new(0.0, 1.0, freedom) {
        Ok(d) if p > 0.0 && p < 1.0 => invert(|x| d.cdf(x), p, -10.0, 10.0),
        _ => f64::NAN,
    }
}

/// Value that a unit normal stays below with probability `p`. NaN outside the domain.
#[must_use]
pub fn normal(p: f64) -> f64 {
    if p > 0.0 && p < 1.0 { invert(|x| Normal::standard().cdf(x), p, -10.0, 10.0) } else { f64::NAN }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coverage_factors() {
        // S-K-FACTORS of checks/04_accuracy_statistics.csv (scipy).
        assert!((normal(0.975) - 1.9600).abs() < 5e-5);
        assert!((chi_square(0.95, 2.0).sqrt() - 2.4477).abs() < 5e-5);
        assert!((chi_square(0.95, 3.0).sqrt() - 2.7955).abs() < 5e-5);
        assert!((student(0.975, 9.0) - 2.2622).abs() < 5e-5);
    }

    #[test]
    fn table_of_chi_square() {
        // Upper points 2.5 %, 1 % and 0.1 %, lower 2.5 %: NIST/SEMATECH e-Handbook of Statistical Methods, table 1.3.6.7.4.
        for (p, freedom, want) in [
            (0.99, 3.0, 11.345),
            (0.999, 3.0, 16.266),
            (0.99, 10.0, 23.209),
            (0.999, 10.0, 29.588),
            (0.99, 40.0, 63.691),
            (0.025, 15.0, 6.262),
            (0.975, 15.0, 27.488),
            (0.025, 60.0, 40.482),
            (0.975, 60.0, 83.298),
            (0.999, 1.0, 10.828),
        ] {
            assert!((chi_square(p, freedom) - want).abs() < 6e-4, "{p} {freedom}");
        }
    }

    #[test]
    fn critical_values_of_a_receiver_test() {
        // S-ISO17123-8-QUANT of checks/04_accuracy_statistics.csv: 1.15, 1.22, 1.70, 0.59, 2.13, 0.47.
        assert!(((chi_square(0.95, 56.0) / 56.0).sqrt() - 1.15).abs() < 0.005);
        assert!(((chi_square(0.95, 28.0) / 28.0).sqrt() - 1.22).abs() < 0.005);
        let f = fisher(0.975, 56.0, 56.0);
        assert!((f - 1.70).abs() < 0.005 && (1.0 / f - 0.59).abs() < 0.005, "{f}");
        let f = fisher(0.975, 28.0, 28.0);
        assert!((f - 2.13).abs() < 0.005 && (1.0 / f - 0.47).abs() < 0.005, "{f}");
        assert!((chi_square_beyond(chi_square(0.95, 7.0), 7.0) - 0.05).abs() < 1e-9);
        assert!(chi_square(2.0, 1.0).is_nan() && chi_square(0.5, -1.0).is_nan() && normal(1.0).is_nan());
    }
}
