//! Non-linear least squares by damped Gauss-Newton steps.

use super::{Fit, Matrix, solve};

/// A model at one place in the space of unknowns.
pub struct Linearised {
    /// Observed minus computed, whitened.
    pub misfit: Vec<f64>,
    /// Derivatives of the computed values, whitened: one row for each observation, one column for each unknown.
    pub design: Matrix,
}

/// A fitted model.
#[derive(Clone, Debug, PartialEq)]
pub struct Adjustment {
    /// The unknowns.
    pub x: Vec<f64>,
    /// The linear fit at the solution; its own `x` is the last correction, which is nothing.
    pub fit: Fit,
    /// Steps that were taken.
    pub steps: usize,
}

/// Why a model could not be fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotConverged {
    /// The model has no finite value at the start.
    NoStart,
    /// The corrections did not become small.
    TooManySteps,
}

/// Most steps.
const STEPS: usize = 100;
/// A correction of this part of a size that matters is none.
const NOTHING: f64 = 1e-9;

/// Weight of a residual of `size` standard deviations by Huber's rule with the bend at `bend`: 1 below,
/// `bend / size` above. 1.345 keeps 95 % of the precision for normal errors (Huber 1964).
#[must_use]
pub fn huber(size: f64, bend: f64) -> f64 {
    if size <= bend { 1.0 } else { bend / size }
}

fn sum(misfit: &[f64]) -> f64 {
    let sum: f64 = misfit.iter().map(|v| v * v).sum();
    if sum.is_finite() { sum } else { f64::INFINITY }
}

/// Fits a model from a start. `sizes`: a change of each unknown that matters. A step that makes the fit
/// worse is halved.
///
/// # Errors
/// When the model has no value at the start, or the corrections do not become small.
pub fn adjust(start: &[f64], sizes: &[f64], model: &dyn Fn(&[f64]) -> Linearised) -> Result<Adjustment, NotConverged> {
    let mut x = start.to_vec();
    let mut now = model(&x);
    let mut square = sum(&now.misfit);
    if square.is_infinite() {
        return Err(NotConverged::NoStart);
    }
    for steps in 0..STEPS {
        let fit = solve(&now.design, &now.misfit, sizes);
        let correction = fit.x.iter().zip(sizes).map(|(d, s)| (d / s).abs()).fold(0.0, f64::max);
        if correction < NOTHING {
            return Ok(Adjustment { x, fit, steps });
        }
        let mut share = 1.0;
        loop {
            let tried: Vec<f64> = x.iter().zip(&fit.x).map(|(x, d)| x + share * d).collect();
            let next = model(&tried);
            let better = sum(&next.misfit);
            // At the end rounding alone can raise the sum; a correction that small is taken as it is.
            if better <= square * (1.0 + 1e-12) || (better.is_finite() && share * correction < 1e-4) {
                (x, now, square) = (tried, next, better);
                break;
            }
            share *= 0.5;
            if share < 1e-6 {
                return Err(NotConverged::TooManySteps);
            }
        }
    }
    Err(NotConverged::TooManySteps)
}
