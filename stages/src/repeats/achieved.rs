//! What is claimed against what is achieved: how many times the claimed uncertainty the differences of
//! repeats really are.
//!
//! Each independent pair gives two numbers that follow chi-square with two degrees of freedom (plan) and
//! one (up) when the claims are right, and k squared times that when the truth is k times as bad. The
//! estimate starts from the median, which blunders do not move, leaves out what lies beyond the 99.9 %
//! quantile of the fitted distribution, and takes the mean of the rest.

use super::agree::Difference;
use survey_mathematics::distributions::chi_square;

/// Fewest pairs for which a factor is stated.
pub(crate) const FEWEST: usize = 5;

/// Factor with its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Factor {
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
pub(crate) fn factor(pairs: &[&Difference]) -> Option<Factor> {
    if pairs.len() < FEWEST {
        return None;
    }
    let limits = [chi_square(0.999, 2.0), chi_square(0.999, 1.0)];
    let mut plan: Vec<f64> = pairs.iter().map(|d| d.statistic[0]).filter(|t| t.is_finite()).collect();
    plan.sort_unstable_by(f64::total_cmp);
    let mut square = (plan.get(plan.len() / 2)? / chi_square(0.5, 2.0)).max(1e-6);
    let mut used = pairs.len();
    for _ in 0..20 {
        let good: Vec<&&Difference> = pairs.iter().filter(|d| (0..2).all(|k| d.statistic[k] <= limits[k] * square)).collect();
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
    let bound = |p: f64| (square * freedom / chi_square(p, freedom)).sqrt();
    Some(Factor { factor: square.sqrt(), interval: (bound(0.975), bound(0.025)), pairs: used, left_out: pairs.len() - used })
}
