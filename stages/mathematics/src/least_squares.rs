//! Small dense least squares: linear, non-linear and robust, with a report of what the data do not
//! determine.
//!
//! Rows come whitened (each divided by its standard deviation, or by a Cholesky factor of the whole
//! covariance with [`Cholesky::whiten`]), so covariances are of unit variance factor. Columns come with the size
//! of a change that matters in each unknown; directions in the space of unknowns are told in these
//! sizes, so that metres and degrees can be compared.
//!
//! The factors are singular values by one-sided Jacobi rotations: slower than elimination, and exact
//! to the last digits also in the smallest singular value, which is the one that a rank report is about
//! (Demmel and Veselic 1992, "Jacobi's method is more accurate than QR").

mod matrix;
mod nonlinear;
#[cfg(test)]
mod tests;

pub use matrix::{Cholesky, Matrix};
pub use nonlinear::{Adjustment, Linearised, NotConverged, adjust, huber};

/// A direction is not determined at all when its singular value is below this part of the largest.
const NOTHING: f64 = 1e-11;

/// One direction in the space of unknowns.
#[derive(Clone, Debug, PartialEq)]
pub struct Direction {
    /// Share of each unknown, in sizes that matter; the squares add up to 1.
    pub shares: Vec<f64>,
    /// Standard deviation along it, in sizes that matter; infinite when the data say nothing.
    pub sigma: f64,
}

/// A linear fit.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The unknowns; along a direction that the data say nothing about, as small as possible.
    pub x: Vec<f64>,
    /// Covariance of the unknowns at unit variance factor. It holds nothing for directions of infinite sigma.
    pub covariance: Matrix,
    /// Directions, the worst determined first.
    pub directions: Vec<Direction>,
    /// How many directions the data determine.
    pub rank: usize,
    /// Observed minus computed, whitened.
    pub residuals: Vec<f64>,
    /// Sum of the squares of the residuals.
    pub square_sum: f64,
    /// Share of each row that checks the others, from 0 (not checked at all) to 1.
    pub redundancy: Vec<f64>,
}

impl Fit {
    /// Rows minus determined directions.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> usize {
        self.residuals.len().saturating_sub(self.rank)
    }

    /// Standard deviation of an unknown at unit variance factor; infinite when a direction that the
    /// data say nothing about has a share of it.
    #[must_use]
    pub fn sigma(&self, unknown: usize) -> f64 {
        let open = self.directions.iter().any(|d| d.sigma.is_infinite() && d.shares[unknown].abs() > 1e-6);
        if open { f64::INFINITY } else { self.covariance.at(unknown, unknown).max(0.0).sqrt() }
    }

    /// Correlation of two unknowns; 0 where one of them has no variance.
    #[must_use]
    pub fn correlation(&self, a: usize, b: usize) -> f64 {
        let product = self.covariance.at(a, a) * self.covariance.at(b, b);
        if product > 0.0 { (self.covariance.at(a, b) / product.sqrt()).clamp(-1.0, 1.0) } else { 0.0 }
    }
}

/// Solves `design x = observed` in the sense of least squares. `sizes`: a change of each unknown that
/// matters, in its own unit, above zero. A row or a column of zeros is allowed; no rows at all leave
/// every direction open.
#[must_use]
pub fn solve(design: &Matrix, observed: &[f64], sizes: &[f64]) -> Fit {
    let (rows, cols) = (design.rows(), design.cols());
    let mut scaled = design.clone();
    for r in 0..rows {
        for (c, size) in sizes.iter().enumerate() {
            scaled.set(r, c, scaled.at(r, c) * size);
        }
    }
    let factors = scaled.singular_values();
    let floor = factors.values.iter().copied().fold(0.0, f64::max) * NOTHING;
    let determined = |s: f64| s > floor && s > 0.0;
    let mut x = vec![0.0; cols];
    let mut covariance = Matrix::zeros(cols, cols);
    let mut leverage = vec![0.0; rows];
    let mut directions = vec![];
    for (k, s) in factors.values.iter().enumerate() {
        let shares: Vec<f64> = (0..cols).map(|c| factors.right.at(c, k)).collect();
        if determined(*s) {
            let along: f64 = (0..rows).map(|r| factors.left.at(r, k) * observed[r]).sum();
            for c in 0..cols {
                x[c] += along / s * shares[c] * sizes[c];
                for d in 0..cols {
                    let more = shares[c] * shares[d] * sizes[c] * sizes[d] / (s * s);
                    covariance.set(c, d, covariance.at(c, d) + more);
                }
            }
            for (r, one) in leverage.iter_mut().enumerate() {
                *one += factors.left.at(r, k).powi(2);
            }
        }
        directions.push(Direction { shares, sigma: if determined(*s) { 1.0 / s } else { f64::INFINITY } });
    }
    directions.sort_by(|a, b| b.sigma.total_cmp(&a.sigma));
    let residuals: Vec<f64> = (0..rows).map(|r| observed[r] - (0..cols).map(|c| design.at(r, c) * x[c]).sum::<f64>()).collect();
    Fit {
        rank: directions.iter().filter(|d| d.sigma.is_finite()).count(),
        square_sum: residuals.iter().map(|v| v * v).sum(),
        redundancy: leverage.into_iter().map(|l| (1.0 - l).clamp(0.0, 1.0)).collect(),
        x,
        covariance,
        directions,
        residuals,
    }
}
