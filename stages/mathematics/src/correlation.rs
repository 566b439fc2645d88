//! How many independent epochs a row of correlated ones is worth.
//!
//! Noise of one contributor is taken as a first-order Gauss-Markov process: the correlation of two
//! epochs is exp(-dt / tau). Then the variance of a mean is exactly the double sum below; the usual
//! short form n (1 - rho) / (1 + rho) is only its limit for occupations much longer than tau, and
//! gives 0.02 epochs where five epochs of one second are worth 1.01 (tau 115 s).

use super::covariance::{Matrix, ZERO, add, cholesky, multiply, scale, transpose};

/// Correlation of two epochs `dt_s` apart; 0 where the correlation time is 0 or less.
#[must_use]
pub fn correlation(dt_s: f64, tau_s: f64) -> f64 {
    if tau_s > 0.0 { (-dt_s.abs() / tau_s).exp() } else { 0.0 }
}

/// Correlation of each epoch with the one before it, for times in s, ascending; the first has none.
#[must_use]
pub fn steps(times_s: &[f64], tau_s: f64) -> Vec<f64> {
    let before = std::iter::once(f64::NEG_INFINITY).chain(times_s.iter().copied());
    times_s.iter().zip(before).map(|(t, t0)| correlation(t - t0, tau_s)).collect()
}

/// Effective number of epochs of a plain mean: n^2 / sum over i, j of exp(-|ti - tj| / tau), with
/// the real times (s, ascending), in one pass.
#[must_use]
pub fn effective_epochs(times_s: &[f64], tau_s: f64) -> f64 {
    effective_epochs_weighted(&vec![1.0; times_s.len()], &steps(times_s, tau_s))
}

/// As [`effective_epochs`], of a weighted mean: (sum w)^2 / sum over i, j of wi wj exp(-|ti - tj| / tau);
/// `steps` are those of [`steps`].
#[must_use]
pub fn effective_epochs_weighted(weights: &[f64], steps: &[f64]) -> f64 {
    let mut total = 0.0;
    let mut double_sum = 0.0;
    let mut behind = 0.0;
    let mut before = 0.0;
    for (w, rho) in weights.iter().zip(steps) {
        behind = rho * (behind + before);
        double_sum += w * w + 2.0 * w * behind;
        total += w;
        before = *w;
    }
    if double_sum > 0.0 { total * total / double_sum } else { 0.0 }
}

/// Covariance of sum Ai ei, where each noise vector ei has the covariance `noise[i]` and two of
/// them the correlation exp(-|ti - tj| / tau); `gains` are the matrices Ai of a weighted mean, `steps` those of [`steps`].
/// Exact, in one pass over ascending times.
#[must_use]
pub fn covariance_of_mean(gains: &[Matrix], noise: &[Matrix], steps: &[f64]) -> Matrix {
    let mut sum = ZERO;
    let mut behind = ZERO;
    let mut before = ZERO;
    for ((gain, noise), rho) in gains.iter().zip(noise).zip(steps) {
        let u = multiply(gain, &cholesky(noise));
        behind = scale(&add(&behind, &before), *rho);
        let cross = multiply(&u, &transpose(&behind));
        sum = add(&sum, &add(&multiply(&u, &transpose(&u)), &add(&cross, &transpose(&cross))));
        before = u;
    }
    sum
}

/// Fewest pairs of neighbours from which [`tau_of_rest`] dares an estimate.
pub const FEWEST_PAIRS: usize = 8;

/// Correlation time (s) of the noise that is not GNSS noise, from the data.
///
/// Half the mean square of the difference of neighbours is, for a sum of two Gauss-Markov noises,
/// Vg (1 - rho_g) + Vr (1 - rho_r). The GNSS part is declared; what is left gives rho_r. Variances
/// are the sums over the three axes. The estimate is bounded below by 0 (white) and above by the
/// GNSS correlation time, which is also the answer where fewer than [`FEWEST_PAIRS`] neighbours
/// exist: without evidence the noise is taken as not averaging out.
#[must_use]
pub fn tau_of_rest(times_s: &[f64], positions: &[[f64; 3]], gnss_variance: f64, rest_variance: f64, tau_gnss_s: f64) -> f64 {
    let Some((half_square, step)) = half_square_step(times_s, positions).filter(|_| rest_variance > 0.0) else { return tau_gnss_s };
    let fresh = (half_square - gnss_variance * (1.0 - correlation(step, tau_gnss_s))) / rest_variance;
    if fresh >= 1.0 {
        return 0.0;
    }
    let rho = 1.0 - fresh.max(1e-9);
    (-step / rho.ln()).clamp(0.0, tau_gnss_s.max(0.0))
}

/// Half the mean square difference of neighbours, all axes together, and the usual time between them, s; `None` for too few.
fn half_square_step(times_s: &[f64], positions: &[[f64; 3]]) -> Option<(f64, f64)> {
    let mut steps: Vec<f64> = times_s.windows(2).map(|t| t[1] - t[0]).filter(|dt| *dt > 0.0).collect();
    if steps.len() < FEWEST_PAIRS {
        return None;
    }
    steps.sort_unstable_by(f64::total_cmp);
    let step = steps[steps.len() / 2];
    let mut sum = 0.0;
    let mut pairs = 0.0;
    for (t, p) in times_s.windows(2).zip(positions.windows(2)) {
        let dt = t[1] - t[0];
        if dt > 0.0 && dt <= 1.5 * step {
            sum += (0..3).map(|k| (p[1][k] - p[0][k]).powi(2)).sum::<f64>();
            pairs += 1.0;
        }
    }
    #[allow(clippy::cast_precision_loss)]
    let enough = pairs >= FEWEST_PAIRS as f64;
    enough.then(|| (0.5 * sum / pairs, step))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::covariance::UNIT;
    use proptest::prelude::*;

    fn seconds(n: u32) -> Vec<f64> {
        (0..n).map(f64::from).collect()
    }

    /// S-AR1-1, S-AR1-2, S-AR1-3 of the shared checks (10_averaging.csv): n, tau, rho at lag 1,
    /// variance ratio, exact n_eff, short form, factor. Correlation times: 115 s Miller, O'Keefe and
    /// Gao 2012 (S-MILLER-2012); 1020 s = 17 min Odolinski 2012 (S-ODOLINSKI-2012).
    #[test]
    fn s_ar1_cases() {
        for (n, tau, rho, ratio, exact, short, factor) in [
            (180, 115.0, 0.991_342_046, 0.632_085_448, 1.582_065, 0.782_604, 10.666_55),
            (5, 115.0, 0.991_342_046, 0.986_236_914, 1.013_955, 0.021_739, 2.220_63),
            (180, 1020.0, 0.999_020_088, 0.943_684_400, 1.059_676, 0.088_235, 13.033_16),
        ] {
            let times = seconds(n);
            let n_eff = effective_epochs(&times, tau);
            let r = correlation(1.0, tau);
            assert!((r - rho).abs() < 1e-9);
            assert!((1.0 / n_eff - ratio).abs() < 1e-8);
            assert!((n_eff - exact).abs() < 1e-5);
            assert!((f64::from(n) * (1.0 - r) / (1.0 + r) - short).abs() < 1e-5);
            assert!(((f64::from(n) / n_eff).sqrt() - factor).abs() < 1e-4);
        }
    }

    /// S-NIST-michelso, S-NIST-lew and S-NIST-numacc1 to 4 (NIST StRD, 04_accuracy_statistics.csv): the certified lag-1
    /// autocorrelation through the estimate from neighbours. Half their mean square difference over the variance is 1 - r1, but for
    /// the ends: sum d^2 = 2 (1 - r1) S - e1^2 - en^2 with S the sum of squares about the mean, e1 and en its ends.
    #[test]
    fn s_nist_autocorrelation() {
        let list = |file: &str| -> Option<Vec<f64>> {
            let text = std::fs::read_to_string(survey_testing::shared(&format!("checks/data/{file}"))?).unwrap();
            Some(text.lines().filter_map(|l| l.trim().parse().ok()).collect())
        };
        let made = |base: f64| [vec![base + 0.2], [base + 0.1, base + 0.3].repeat(500)].concat();
        for (values, mean, sd, r, digits) in [
            (list("nist_michelso.csv"), 299.852_4, 0.079_010_547_819_051_8, 0.535_199_668_621_283, 1e-12),
            (list("nist_lew.csv"), -177.435, 277.332_168_044_316, -0.307_304_800_605_679, 1e-12),
            (Some(vec![10_000_001.0, 10_000_003.0, 10_000_002.0]), 10_000_002.0, 1.0, -0.5, 1e-12),
            (Some(made(1.0)), 1.2, 0.1, -0.999, 1e-12),
            (Some(made(1e6)), 1e6 + 0.2, 0.1, -0.999, 1e-8),
            (Some(made(1e7)), 1e7 + 0.2, 0.1, -0.999, 1e-7),
        ] {
            let Some(values) = values else { continue };
            #[allow(clippy::cast_precision_loss)]
            let n = values.len() as f64;
            let squares = sd * sd * (n - 1.0);
            let ends = ((values[0] - mean).powi(2) + (values[values.len() - 1] - mean).powi(2)) / (2.0 * squares);
            let times: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
            let positions: Vec<[f64; 3]> = values.iter().map(|v| [*v, 0.0, 0.0]).collect();
            let fresh = half_square_step(&times, &positions).map(|(half, _)| half / (sd * sd));
            if values.len() <= FEWEST_PAIRS {
                assert!(fresh.is_none());
                continue;
            }
            assert!((1.0 - fresh.unwrap() - ends - r).abs() < digits, "{n}: {fresh:?} {ends} {r}");
            // Noise of which neighbours differ more than strangers is white; the other has the time of its correlation.
            let tau = tau_of_rest(&times, &positions, 0.0, sd * sd, 1e9);
            let want = if r + ends > 0.0 { -1.0 / (r + ends).ln() } else { 0.0 };
            assert!((tau - want).abs() < 1e-9, "{tau} {want}");
        }
    }

    /// Effective epochs in 180 at 1 Hz for 30, 60 and 120 s, from the list of golden values.
    #[test]
    fn golden_effective_epochs() {
        for (tau, n_eff) in [(30.0, 3.6), (60.0, 2.2), (120.0, 1.6)] {
            assert!((effective_epochs(&seconds(180), tau) - n_eff).abs() < 0.06, "{tau}");
        }
    }

    /// S-WINDOW-MODEL-20 and -45: two windows that are one observation each, tau 17 min; the
    /// improvements lie in the published 10-20 and 15-30 percent (S-TSA-WINDOW).
    #[test]
    fn s_window_model() {
        for (minutes, rho, ratio, percent, published) in
            [(20.0, 0.308_365, 0.808_816, 19.12, 10.0..=20.0), (45.0, 0.070_859, 0.731_731, 26.83, 15.0..=30.0)]
        {
            let tau = 17.0 * 60.0;
            assert!((correlation(minutes * 60.0, tau) - rho).abs() < 1e-6);
            let sd = (1.0 / effective_epochs(&[0.0, minutes * 60.0], tau)).sqrt();
            assert!((sd - ratio).abs() < 1e-6);
            assert!(((1.0 - sd) * 100.0 - percent).abs() < 0.01);
            assert!(published.contains(&((1.0 - sd) * 100.0)));
        }
    }

    /// S-JANSSEN-2011: windows of 1 to 2 min and a second one after 10 to 30 min. The model agrees: beyond 2 min a longer window
    /// gains little, and a second one after 30 min gains more than ten times the length.
    #[test]
    fn s_janssen_a_second_window_beats_a_longer_one() {
        let tau = 17.0 * 60.0;
        let sd = |times: &[f64]| (1.0 / effective_epochs(times, tau)).sqrt();
        assert!(sd(&seconds(120)) - sd(&seconds(240)) < 0.03);
        let twice: Vec<f64> = seconds(60).into_iter().chain((0..60).map(|k| 1800.0 + f64::from(k))).collect();
        assert!(sd(&twice) < sd(&seconds(600)), "{} {}", sd(&twice), sd(&seconds(600)));
    }

    /// S-ODOLINSKI-2012: with 13 to 37 min a single window of 3 min (S-TSA-WINDOW) stays one observation.
    #[test]
    fn s_odolinski_one_window_is_one_observation() {
        for minutes in [13.0, 17.0, 36.0, 37.0] {
            let n_eff = effective_epochs(&seconds(180), minutes * 60.0);
            assert!((1.0..1.1).contains(&n_eff), "{n_eff}");
        }
    }

    proptest! {
        #[test]
        fn one_pass_equals_the_double_sum(mut t in prop::collection::vec(0.0..500.0_f64, 1..40), tau in 0.0..300.0_f64, seed in 0.1..3.0_f64) {
            t.sort_by(f64::total_cmp);
            let w: Vec<f64> = (0..t.len()).map(|i| 0.2 + (seed * (i as f64 + 1.0)).sin().abs()).collect();
            let mut double = 0.0;
            for i in 0..t.len() { for j in 0..t.len() {
                let rho = if i == j { 1.0 } else { correlation(t[i] - t[j], tau) };
                double += w[i] * w[j] * rho;
            }}
            let total: f64 = w.iter().sum();
            let want = total * total / double;
            let steps = steps(&t, tau);
            let have = effective_epochs_weighted(&w, &steps);
            prop_assert!((have - want).abs() < 1e-9 * want.max(1.0));
            let gains: Vec<_> = w.iter().map(|w| scale(&UNIT, w / total)).collect();
            let noise = vec![scale(&UNIT, 4.0); t.len()];
            let c = covariance_of_mean(&gains, &noise, &steps);
            prop_assert!((c[1][1] - 4.0 / want).abs() < 1e-9 && c[0][1].abs() < 1e-12);
            prop_assert!(have >= 1.0 - 1e-9 || w.len() > 1);
        }
    }
}
