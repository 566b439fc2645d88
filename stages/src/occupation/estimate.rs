//! The mean of one occupation, robust, with an honest covariance.
//!
//! Positions are metres in one local frame. Weights are the inverse of each epoch's random
//! covariance. The covariance of the mean keeps three parts apart: GNSS noise and the other noise,
//! each with its own correlation time, and what is the same for every epoch and never shrinks.

use survey_mathematics::correlation::{covariance_of_mean, effective_epochs_weighted, steps, tau_of_rest};
use survey_mathematics::covariance::{Matrix, UNIT, ZERO, add, apply, inverse, multiply, scale, trace};

/// One epoch of an occupation.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Epoch {
    /// Time, s, from any start; ascending in a list.
    pub time_s: f64,
    /// East, north, up, m.
    pub position: [f64; 3],
    /// Covariance of the GNSS noise, m2.
    pub gnss: Matrix,
    /// Covariance of the other noise (attitude, range, time tag), m2.
    pub rest: Matrix,
    /// Covariance of what is the same for all epochs, m2.
    pub systematic: Matrix,
}

/// How the mean is formed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rules {
    /// Correlation time of GNSS noise, s.
    pub tau_gnss_s: f64,
    /// Correlation time of the other noise, s; estimated from the data when `None`.
    pub tau_rest_s: Option<f64>,
    /// Epochs further than this many robust sigmas are outliers.
    pub outlier_cut: f64,
}

/// The mean of an occupation.
#[derive(Clone, Debug)]
pub(crate) struct Estimate {
    /// East, north, up, m.
    pub mean: [f64; 3],
    /// Which epochs are outliers; all others are in the mean.
    pub outlier: Vec<bool>,
    /// Weights of the epochs that are in the mean, in their order; they add up to 1.
    pub weights: Vec<f64>,
    /// Covariance of the mean from GNSS noise as declared, m2.
    pub gnss: Matrix,
    /// Covariance of the mean from the other noise as declared, m2.
    pub rest: Matrix,
    /// What is added to both because the epochs scatter more than is declared, m2.
    pub excess: Matrix,
    /// Covariance from what is the same for all epochs, m2.
    pub systematic: Matrix,
    /// Mean random covariance of one epoch, as declared, m2.
    pub formal: Matrix,
    /// Standard deviation of one epoch about the mean: horizontal and up, m; NaN for one epoch.
    pub scatter: [f64; 2],
    /// Scatter over formal sigma of one epoch: horizontal and up; NaN for one epoch.
    pub ratio: [f64; 2],
    /// Effective number of epochs, all random parts together.
    pub effective: f64,
    /// Effective number of epochs for GNSS noise alone.
    pub effective_gnss: f64,
    /// Effective number of epochs for the other noise alone.
    pub effective_rest: f64,
    /// Correlation time that was used for the other noise, s.
    pub tau_rest_s: f64,
    /// Distance of the plain mean of all epochs, outliers too, from the mean, m.
    pub shift_by_outliers: f64,
}

/// Fewest epochs among which one can be called an outlier.
pub(crate) const FEWEST_FOR_OUTLIERS: usize = 4;
/// Huber's constant for the weighting of epochs, in robust sigmas.
const HUBER: f64 = 2.0;
/// Smallest variance of one axis in a weight, m2: a receiver that reports a sigma of zero does not
/// get all the weight.
const LEAST_VARIANCE: f64 = 1e-8;
/// 1 / (third quartile of the unit normal): makes a median absolute deviation a standard deviation.
pub(super) const MAD_TO_SIGMA: f64 = 1.4826;

/// Forms the mean. `epochs` are in ascending time and at least one.
#[must_use]
pub(crate) fn estimate(epochs: &[Epoch], rules: &Rules) -> Option<Estimate> {
    if epochs.is_empty() {
        return None;
    }
    let weights: Vec<Matrix> = epochs.iter().map(|e| inverse(&add(&add(&e.gnss, &e.rest), &scale(&UNIT, LEAST_VARIANCE)))).collect();
    let (factors, outlier) = robust_factors(epochs, &weights, rules.outlier_cut);
    let used: Vec<usize> = (0..epochs.len()).filter(|i| !outlier[*i]).collect();
    let mean = weighted_mean(epochs, &weights, &factors)?;

    let normal = used.iter().fold(ZERO, |sum, i| add(&sum, &scale(&weights[*i], factors[*i])));
    let inverse_normal = inverse(&normal);
    let gains: Vec<Matrix> = used.iter().map(|i| multiply(&inverse_normal, &scale(&weights[*i], factors[*i]))).collect();
    let scalar: Vec<f64> = gains.iter().map(|g| trace(g) / 3.0).collect();
    let times: Vec<f64> = used.iter().map(|i| epochs[*i].time_s).collect();
    let pick = |f: fn(&Epoch) -> Matrix| -> Vec<Matrix> { used.iter().map(|i| f(&epochs[*i])).collect() };
    let average = |list: &[Matrix]| list.iter().zip(&scalar).fold(ZERO, |sum, (m, w)| add(&sum, &scale(m, *w)));
    let (gnss, rest, systematic) = (pick(|e| e.gnss), pick(|e| e.rest), pick(|e| e.systematic));
    let (one_gnss, one_rest) = (average(&gnss), average(&rest));
    let formal = add(&one_gnss, &one_rest);

    let positions: Vec<[f64; 3]> = used.iter().map(|i| epochs[*i].position).collect();
    let tau_rest =
        rules.tau_rest_s.unwrap_or_else(|| tau_of_rest(&times, &positions, trace(&one_gnss), trace(&one_rest), rules.tau_gnss_s));
    let (steps_gnss, steps_rest) = (steps(&times, rules.tau_gnss_s), steps(&times, tau_rest));
    let mean_gnss = covariance_of_mean(&gains, &gnss, &steps_gnss);
    let mean_rest = covariance_of_mean(&gains, &rest, &steps_rest);
    let effective_gnss = effective_epochs_weighted(&scalar, &steps_gnss);
    let random = trace(&add(&mean_gnss, &mean_rest));
    let effective = if random > 0.0 { trace(&formal) / random } else { effective_gnss };

    let scatter = scatter(&positions, mean);
    let formal_sigma = [(formal[0][0] + formal[1][1]).sqrt(), formal[2][2].sqrt()];
    let ratio = [0, 1].map(|k| if formal_sigma[k] > 0.0 { scatter[k] / formal_sigma[k] } else { f64::NAN });
    // Where epochs scatter more than the receiver and the rig declare, the declared noise is too small.
    let grow = ratio.map(|r| if r > 1.0 { r } else { 1.0 });
    let grow = [grow[0], grow[0], grow[1]];
    let mut excess = add(&mean_gnss, &mean_rest);
    for (i, row) in excess.iter_mut().enumerate() {
        for (j, v) in row.iter_mut().enumerate() {
            *v *= grow[i] * grow[j] - 1.0;
        }
    }
    Some(Estimate {
        mean,
        gnss: mean_gnss,
        rest: mean_rest,
        excess,
        systematic: average(&systematic),
        formal,
        scatter,
        ratio,
        effective,
        effective_gnss,
        effective_rest: effective_epochs_weighted(&scalar, &steps_rest),
        tau_rest_s: tau_rest,
        weights: scalar,
        shift_by_outliers: shift(epochs, mean),
        outlier,
    })
}

/// Weighted mean: (sum fi Wi)^-1 sum fi Wi pi, about the first epoch so that no digits are lost.
fn weighted_mean(epochs: &[Epoch], weights: &[Matrix], factors: &[f64]) -> Option<[f64; 3]> {
    let start = epochs.first()?.position;
    let mut normal = ZERO;
    let mut right = [0.0; 3];
    for ((e, w), f) in epochs.iter().zip(weights).zip(factors) {
        if *f > 0.0 {
            let w = scale(w, *f);
            let d = apply(&w, [0, 1, 2].map(|k| e.position[k] - start[k]));
            normal = add(&normal, &w);
            right = [0, 1, 2].map(|k| right[k] + d[k]);
        }
    }
    let d = apply(&inverse(&normal), right);
    Some([0, 1, 2].map(|k| start[k] + d[k]))
}

/// Huber factors (0 for outliers) and which epochs are outliers.
///
/// The robust sigma of an axis is 1.4826 times the median absolute deviation from the median, and
/// at least half the median declared sigma: an epoch within the declared noise is no outlier,
/// however well its neighbours agree. With fewer than four epochs all factors are 1.
fn robust_factors(epochs: &[Epoch], weights: &[Matrix], cut: f64) -> (Vec<f64>, Vec<bool>) {
    let n = epochs.len();
    let mut factors = vec![1.0; n];
    let mut outlier = vec![false; n];
    if n < FEWEST_FOR_OUTLIERS {
        return (factors, outlier);
    }
    let mut centre = [0.0; 3];
    let mut sigma = [0.0; 3];
    for k in 0..3 {
        let (middle, deviation) = median_and_deviation(epochs.iter().map(|e| e.position[k]));
        centre[k] = middle;
        let declared = median(epochs.iter().map(|e| (e.gnss[k][k] + e.rest[k][k]).max(0.0).sqrt()).collect());
        sigma[k] = (MAD_TO_SIGMA * deviation).max(0.5 * declared).max(1e-6);
    }
    let distance = |p: [f64; 3], c: [f64; 3]| {
        let d = [0, 1, 2].map(|k| (p[k] - c[k]) / sigma[k]);
        // The numbers are sigmas: no overflow to guard against, and this is the inner loop.
        (d[0] * d[0] + d[1] * d[1]).sqrt().max(d[2].abs())
    };
    for _ in 0..50 {
        for ((factor, out), e) in factors.iter_mut().zip(&outlier).zip(epochs) {
            let d = distance(e.position, centre);
            *factor = if *out {
                0.0
            } else if d > HUBER {
                HUBER / d
            } else {
                1.0
            };
        }
        let Some(next) = weighted_mean(epochs, weights, &factors) else { break };
        let moved = (0..3).map(|k| (next[k] - centre[k]).abs()).fold(0.0, f64::max);
        centre = next;
        if moved < 1e-7 {
            // Settled: outliers leave for good, and the rest settles once more without them.
            let mut more = false;
            for (out, e) in outlier.iter_mut().zip(epochs) {
                if !*out && distance(e.position, centre) > cut {
                    *out = true;
                    more = true;
                }
            }
            if !more {
                break;
            }
        }
    }
    for (factor, out) in factors.iter_mut().zip(&outlier) {
        if *out {
            *factor = 0.0;
        }
    }
    if factors.iter().all(|f| *f <= 0.0) {
        return (vec![1.0; n], vec![false; n]);
    }
    (factors, outlier)
}

/// Median, and median absolute deviation from it.
pub(super) fn median_and_deviation(values: impl Iterator<Item = f64> + Clone) -> (f64, f64) {
    let middle = median(values.clone().collect());
    (middle, median(values.map(|v| (v - middle).abs()).collect()))
}

/// Median; the mean of the two middle values for an even number.
#[must_use]
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let n = values.len();
    let (below, middle, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    match below.iter().copied().max_by(f64::total_cmp) {
        Some(under) if n.is_multiple_of(2) => 0.5 * (under + *middle),
        _ => *middle,
    }
}

/// Standard deviation of one epoch about the mean: horizontal (both axes together) and up.
fn scatter(positions: &[[f64; 3]], mean: [f64; 3]) -> [f64; 2] {
    if positions.len() < 2 {
        return [f64::NAN; 2];
    }
    #[allow(clippy::cast_precision_loss)]
    let freedom = (positions.len() - 1) as f64;
    let square = |k: usize| positions.iter().map(|p| (p[k] - mean[k]).powi(2)).sum::<f64>() / freedom;
    [(square(0) + square(1)).sqrt(), square(2).sqrt()]
}

fn shift(epochs: &[Epoch], mean: [f64; 3]) -> f64 {
    #[allow(clippy::cast_precision_loss)]
    let n = epochs.len() as f64;
    (0..3).map(|k| (epochs.iter().map(|e| e.position[k] - mean[k]).sum::<f64>() / n).powi(2)).sum::<f64>().sqrt()
}
