//! Several occupations of one mark, combined into one position by their covariances.
//!
//! Least squares with the full covariance of all occupations, in plan (one weight for both axes, so that
//! the result does not depend on where north is) and upward. Where shared errors would give an occupation a
//! negative weight, weights by the variances alone are used; the covariance of the result is exact for
//! whichever weights.

use super::agree::{cross, shared};
use super::occasion::Occasion;
use crate::budget::{ALL, Budget, Part};
use crate::occupation::local;

/// A combined position.
#[derive(Clone, Debug)]
pub(crate) struct Combined {
    /// Latitude and longitude in degrees, ellipsoidal height in metres.
    pub position: [f64; 3],
    /// Variances by contributor.
    pub budget: Budget,
    /// Weights in plan, in the order of the occupations.
    pub weights: Vec<f64>,
}

/// Combines occupations, at least one.
#[must_use]
pub(crate) fn combine(all: &[&Occasion], tau_s: f64) -> Option<Combined> {
    let first = all.first()?;
    let n = all.len();
    let pair = |i: usize, j: usize, c| if i == j { [1.0; 2] } else { shared(c, all[i], all[j], tau_s, true) };
    let mut whole = vec![[0.0_f64; 2]; n * n];
    for i in 0..n {
        for j in 0..n {
            for c in ALL {
                let p = cross(all[i].budget.part(c), all[j].budget.part(c), pair(i, j, c));
                whole[i * n + j][0] += p.horizontal();
                whole[i * n + j][1] += p.uu;
            }
        }
    }
    let plan = weights(n, &whole.iter().map(|w| w[0]).collect::<Vec<_>>());
    let up = weights(n, &whole.iter().map(|w| w[1]).collect::<Vec<_>>());

    let frame = local::at(first.position[0], first.position[1], first.position[2]);
    let mut mean = [0.0; 3];
    let mut budget = Budget::default();
    for i in 0..n {
        let p = all[i].position;
        let [e, n_, u] = frame.enu(p[0], p[1], p[2]);
        mean = [mean[0] + plan[i] * e, mean[1] + plan[i] * n_, mean[2] + up[i] * u];
        for j in 0..n {
            for c in ALL {
                let p = cross(all[i].budget.part(c), all[j].budget.part(c), pair(i, j, c));
                let (h, v) = (plan[i] * plan[j], up[i] * up[j]);
                budget.add(c, &Part { ee: h * p.ee, en: h * p.en, nn: h * p.nn, uu: v * p.uu });
            }
        }
    }
    let (latitude, longitude, height) = frame.geodetic(mean);
    Some(Combined { position: [latitude, longitude, height], budget, weights: plan })
}

/// Weights that add up to 1 and give the smallest variance, for an n x n covariance by rows.
fn weights(n: usize, covariance: &[f64]) -> Vec<f64> {
    let best = solve_ones(n, covariance).filter(|w| w.iter().all(|w| w.is_finite() && *w >= 0.0));
    let raw = best.unwrap_or_else(|| (0..n).map(|i| 1.0 / covariance[i * n + i].max(1e-12)).collect());
    let sum: f64 = raw.iter().sum();
    if sum > 0.0 { raw.iter().map(|w| w / sum).collect() } else { vec![1.0 / n.max(1) as f64; n] }
}

/// Solves C x = (1, 1, …) by elimination with pivots; `None` where C is singular.
fn solve_ones(n: usize, covariance: &[f64]) -> Option<Vec<f64>> {
    let mut a = covariance.to_vec();
    let mut x = vec![1.0; n];
    let size = (0..n).map(|i| a[i * n + i]).fold(0.0, f64::max);
    for k in 0..n {
        let pivot = (k..n).max_by(|i, j| a[i * n + k].abs().total_cmp(&a[j * n + k].abs()))?;
        if a[pivot * n + k].abs() <= 1e-9 * size {
            return None;
        }
        for j in 0..n {
            a.swap(k * n + j, pivot * n + j);
        }
        x.swap(k, pivot);
        for i in k + 1..n {
            let f = a[i * n + k] / a[k * n + k];
            for j in k..n {
                a[i * n + j] -= f * a[k * n + j];
            }
            x[i] -= f * x[k];
        }
    }
    for k in (0..n).rev() {
        let known: f64 = (k + 1..n).map(|j| a[k * n + j] * x[j]).sum();
        x[k] = (x[k] - known) / a[k * n + k];
    }
    Some(x)
}
