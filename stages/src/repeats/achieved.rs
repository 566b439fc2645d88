//! What is claimed against what is achieved: how many times the claimed uncertainty the differences of
//! repeats really are.
//!
//! Each independent pair gives two numbers that follow chi-square with two degrees of freedom (plan) and
//! one (up) when the claims are right, and k squared times that when the truth is k times as bad. The
//! estimate starts from the median, which blunders do not move, leaves out what lies beyond the 99.9 %
//! quantile of the fitted distribution, and takes the mean of the rest.

use super::agree::Difference;

/// Fewest pairs for which a factor is stated.
pub const FEWEST: usize = 5;

/// Factor with its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Factor {
    /// Achieved over claimed.
    pub factor: f64,
    /// 95 % interval.
    pub interval: (f64, f64),
    /// Pairs that were used.
    pub pairs: usize,
    /// Pairs that were left out as blunders.
    pub left_out: usize,
}

/// The factor of a list of pairs; `None` below [`FEWEST`].
#[must_use]
pub fn factor(pairs: &[&Difference]) -> Option<Factor> {
    if pairs.len() < FEWEST {
        return None;
    }
    // Median of chi-square with two degrees of freedom: 2 ln 2.
    let mut plan: Vec<f64> = pairs.iter().map(|d| d.statistic[0]).filter(|t| t.is_finite()).collect();
    plan.sort_unstable_by(f64::total_cmp);
    let mut square = (plan.get(plan.len() / 2)? / (2.0 * std::f64::consts::LN_2)).max(1e-6);
    let mut used = pairs.len();
    for _ in 0..20 {
        // 99.9 % quantiles: -2 ln 0.001 = 13.816 for two degrees, 10.828 for one.
        let good: Vec<&&Difference> =
            pairs.iter().filter(|d| d.statistic[0] <= 13.816 * square && d.statistic[1] <= 10.828 * square).collect();
        if good.is_empty() {
            break;
        }
        used = good.len();
        #[allow(clippy::cast_precision_loss)]
        let next = good.iter().map(|d| d.statistic[0] + d.statistic[1]).sum::<f64>() / (3 * used) as f64;
        let settled = (next / square - 1.0).abs() < 1e-9;
        square = next.max(1e-6);
        if settled {
            break;
        }
    }
    #[allow(clippy::cast_precision_loss)]
    let freedom = (3 * used) as f64;
    let bound = |z: f64| (square * freedom / chi_square(freedom, z)).sqrt();
    Some(Factor {
        factor: square.sqrt(),
        interval: (bound(crate::budget::NORMAL_95), bound(-crate::budget::NORMAL_95)),
        pairs: used,
        left_out: pairs.len() - used,
    })
}

/// Quantile of chi-square at the probability of the unit normal's `z`, after Wilson and Hilferty 1931;
/// within 0.5 % from 15 degrees of freedom on.
fn chi_square(freedom: f64, z: f64) -> f64 {
    let v = 2.0 / (9.0 * freedom);
    freedom * (1.0 - v + z * v.sqrt()).powi(3)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tables of chi-square (common textbook values): 15 degrees 6.262 and 27.488, 60 degrees 40.482 and 83.298.
    #[test]
    fn quantiles() {
        for (f, low, high) in [(15.0, 6.262, 27.488), (60.0, 40.482, 83.298)] {
            assert!((chi_square(f, -1.959_964) / low - 1.0).abs() < 5e-3);
            assert!((chi_square(f, 1.959_964) / high - 1.0).abs() < 5e-3);
        }
    }
}
