//! One measure for all causes.
//!
//! The differences r have the covariance C: shots are independent in what is random, shots on one mark share
//! the error of its value, and all shots share base, geoid and operation. A cause predicts c + S t with unknowns t of
//! plausible size T. Its measure is minus twice the logarithm of how probable the differences are under it,
//!
//! ```text
//! min over t of |r - c - S t|2 (by C) + |t / T|2, plus ln det(1 + T S' C^-1 S T),
//! ```
//!
//! so an unknown pays for the freedom that it takes: the Occam factor of the Gaussian evidence (MacKay 2003,
//! chapter 28), at most ln n for each unknown (Schwarz 1978). No cause at all has the measure |r|2.

use super::{Facts, Shot};
use survey_mathematics::distributions::chi_square_beyond;
use survey_mathematics::least_squares::{Cholesky, Matrix};

/// An unknown of a cause.
#[derive(Clone, Debug, PartialEq)]
pub struct Unknown {
    /// What it is, with its unit: `pole length, m`.
    pub name: &'static str,
    /// A plausible size, one sigma.
    pub size: f64,
    /// Decimals that are worth printing.
    pub decimals: usize,
}

/// One cause and what it predicts.
#[derive(Clone, Debug)]
pub struct Hypothesis {
    /// Short name.
    pub id: String,
    /// What is wrong, in words.
    pub title: String,
    /// Job, rig or reference key that would mend it.
    pub key: String,
    /// What to do.
    pub fix: String,
    /// Constant part of the prediction: east, north, up of each shot, m.
    pub constant: Vec<[f64; 3]>,
    /// Prediction for one unit of each unknown.
    pub columns: Vec<Vec<[f64; 3]>>,
    /// The unknowns.
    pub unknowns: Vec<Unknown>,
    /// Values of the unknowns at which the constant part stands: a large turn is worked out from near itself.
    pub from: Vec<f64>,
    /// Added to the measure: minus twice the logarithm of how rare it is beside the others.
    pub rarity: f64,
}

/// A cause, or two together, held against the differences.
#[derive(Clone, Debug)]
pub struct Explanation {
    /// Numbers of the hypotheses: one or two.
    pub causes: Vec<usize>,
    /// The measure; smaller is better.
    pub measure: f64,
    /// Squared misfit that remains, by the covariance.
    pub misfit: f64,
    /// Values of the unknowns, in the order of the causes.
    pub values: Vec<f64>,
    /// The whitened prediction.
    whitened: Vec<f64>,
    /// Root mean square of the prediction at the shots, m: horizontal and up.
    pub size_m: [f64; 2],
}

/// What came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The differences are what noise makes.
    Clean,
    /// The first explanation is good, and beyond chance.
    Found,
    /// Something is wrong, and none of the causes explains it.
    NoneOfThese,
    /// Fewer than two shots, or no covariance: nothing can be told.
    NotTold,
}

/// Explanations in order, and what follows.
#[derive(Clone, Debug)]
pub struct Ranking {
    /// What follows.
    pub outcome: Outcome,
    /// All causes by their measure; with `Found` the first is the one.
    pub ranked: Vec<Explanation>,
    /// How many at the beginning of `ranked` cannot be told apart at these marks.
    pub alike: usize,
    /// Squared differences by their covariance.
    pub chi_square: f64,
    /// How many differences.
    pub count: usize,
    /// Probability that noise alone makes differences as large.
    pub probability: f64,
}

/// The measure must fall by this much before a cause is believed: with some fifty causes tried, chance
/// does it in about one clean survey of a hundred.
const BELIEVED: f64 = 11.0;
/// Below this probability the differences are no noise.
const NO_NOISE: f64 = 0.002;
/// An explanation that leaves a misfit of less probability than this is none.
const NO_FIT: f64 = 0.001;
/// Pairs are tried when the best cause alone leaves a misfit of less probability than this.
const TRY_PAIRS: f64 = 0.02;
/// What a second cause pays: two blunders at once are a hundred times rarer than one.
const PAIR: f64 = 9.2;
/// So many pairs of causes are kept for the ranking: those behind them differ from the first by far more than `RIVAL`.
const PAIRS_KEPT: usize = 40;
/// Predictions closer than this, by the covariance, cannot be told apart.
const ALIKE: f64 = 3.0;
/// Explanations with a measure this much above the first are no rivals.
const RIVAL: f64 = 12.0;

/// Covariance of all differences that are there, in the order east, north, up of each shot.
fn covariance(shots: &[Shot], rows: &[(usize, usize)], facts: &Facts) -> Matrix {
    let common_m = facts.common_m;
    let n = rows.len();
    let mut c = Matrix::zeros(n, n);
    for (a, (i, k)) in rows.iter().enumerate() {
        for (b, (j, l)) in rows.iter().enumerate() {
            let (x, y) = (&shots[*i], &shots[*j]);
            // Declared biases of the rig move all shots together, each in its own direction.
            let mut v: f64 = facts.declared.iter().map(|d| d[*i][*k] * d[*j][*l]).sum();
            let shared = if *k < 2 { common_m[0] } else { common_m[1] };
            if k == l {
                if x.mark == y.mark {
                    v += x.mark_sigma_m[usize::from(*k == 2)].powi(2);
                }
                // What a shot shares with all others cannot be more than all that it has.
                v += shared.powi(2).min(x.sigma_m[*k].powi(2)).min(y.sigma_m[*l].powi(2));
            }
            if i == j {
                if k == l {
                    v += (x.sigma_m[*k].powi(2) - shared.powi(2)).max(1e-8);
                } else if *k < 2 && *l < 2 {
                    v += x.correlation * x.sigma_m[0] * x.sigma_m[1] * 0.999;
                }
            }
            c.set(a, b, v);
        }
    }
    c
}

struct Whitened {
    constant: Vec<f64>,
    columns: Vec<Vec<f64>>,
    sizes: Vec<f64>,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Holds one or two causes against the whitened differences.
fn explain(parts: &[&Whitened], observed: &[f64]) -> Option<(f64, f64, Vec<f64>, Vec<f64>)> {
    let n = observed.len();
    let mut target = observed.to_vec();
    let mut constant = vec![0.0; n];
    for p in parts {
        for ((t, all), c) in target.iter_mut().zip(&mut constant).zip(&p.constant) {
            *t -= c;
            *all += c;
        }
    }
    let columns: Vec<(&Vec<f64>, f64)> = parts.iter().flat_map(|p| p.columns.iter().zip(p.sizes.iter().copied())).collect();
    let k = columns.len();
    if k == 0 {
        let misfit = dot(&target, &target);
        return misfit.is_finite().then_some((misfit, misfit, vec![], constant));
    }
    // In units of plausible sizes: A = 1 + T S'S T, b = T S' target.
    let mut a = Matrix::zeros(k, k);
    let mut b = vec![0.0; k];
    for (i, x) in columns.iter().enumerate() {
        b[i] = x.1 * dot(x.0, &target);
        for (j, y) in columns.iter().enumerate() {
            a.set(i, j, x.1 * y.1 * dot(x.0, y.0) + f64::from(u8::from(i == j)));
        }
    }
    let factor = Cholesky::of(&a)?;
    // ln det A = 2 sum of ln of the diagonal of its factor; whitening the unit vectors gives the inverse factor.
    let mut inverse = Matrix::zeros(k, k);
    for i in 0..k {
        inverse.set(i, i, 1.0);
    }
    factor.whiten_columns(&mut inverse);
    let log_det: f64 = -2.0 * (0..k).map(|i| inverse.at(i, i).ln()).sum::<f64>();
    let mut half = b.clone();
    factor.whiten(&mut half);
    // t = L'^-1 (L^-1 b), with the rows of the inverse factor.
    let scaled: Vec<f64> = (0..k).map(|i| (0..k).map(|r| inverse.at(r, i) * half[r]).sum()).collect();
    let values: Vec<f64> = scaled.iter().zip(&columns).map(|(t, c)| t * c.1).collect();
    let mut whole = constant;
    for (v, c) in values.iter().zip(&columns) {
        for (w, s) in whole.iter_mut().zip(c.0) {
            *w += v * s;
        }
    }
    let misfit: f64 = observed.iter().zip(&whole).map(|(o, w)| (o - w).powi(2)).sum();
    // Schwarz (1978): however vague the guess of its size was, an unknown costs no more than ln n.
    #[allow(clippy::cast_precision_loss)]
    let most = k as f64 * (n.max(2) as f64).ln();
    let measure = misfit + dot(&scaled, &scaled) + log_det.min(most);
    measure.is_finite().then_some((measure, misfit, values, whole))
}

/// Ranks causes by how well each explains all differences.
#[must_use]
pub fn rank(shots: &[Shot], hypotheses: &[Hypothesis], facts: &Facts) -> Ranking {
    let rows: Vec<(usize, usize)> =
        (0..shots.len()).flat_map(|i| (0..3).map(move |k| (i, k))).filter(|(i, k)| shots[*i].residual_m[*k].is_finite()).collect();
    let not_told =
        |count| Ranking { outcome: Outcome::NotTold, ranked: vec![], alike: 0, chi_square: f64::NAN, count, probability: f64::NAN };
    let Some(factor) = Cholesky::of(&covariance(shots, &rows, facts)) else { return not_told(rows.len()) };
    if shots.len() < 2 {
        return not_told(rows.len());
    }
    let whiten = |list: &[[f64; 3]]| {
        let mut v: Vec<f64> = rows.iter().map(|(i, k)| list[*i][*k]).collect();
        factor.whiten(&mut v);
        v
    };
    let residuals: Vec<[f64; 3]> = shots.iter().map(|s| s.residual_m).collect();
    let observed = whiten(&residuals);
    let chi_square = dot(&observed, &observed);
    let count = observed.len();
    #[allow(clippy::cast_precision_loss)]
    let freedom = count as f64;
    let probability = chi_square_beyond(chi_square, freedom);
    let whitened: Vec<Whitened> = hypotheses
        .iter()
        .map(|h| Whitened {
            constant: whiten(&h.constant),
            columns: h.columns.iter().map(|c| whiten(c)).collect(),
            sizes: h.unknowns.iter().map(|u| u.size).collect(),
        })
        .collect();
    let judge = |causes: &[usize]| {
        let parts: Vec<&Whitened> = causes.iter().map(|c| &whitened[*c]).collect();
        let (measure, misfit, values, prediction) = explain(&parts, &observed)?;
        let extra: f64 = causes.iter().map(|c| hypotheses[*c].rarity).sum::<f64>() + if causes.len() > 1 { PAIR } else { 0.0 };
        Some((measure + extra, misfit, values, prediction))
    };
    // Of all that are tried only the measures are kept: pairs grow with the square of the shots, and each prediction with the shots.
    let best = |tried: Vec<Vec<usize>>, most: usize| -> Vec<Explanation> {
        let mut measured: Vec<(f64, Vec<usize>)> = tried.into_iter().filter_map(|c| Some((judge(&c)?.0, c))).collect();
        best_of_each(&mut measured, hypotheses);
        measured.truncate(most);
        let whole = |causes: Vec<usize>| {
            let (measure, misfit, values, whitened) = judge(&causes)?;
            let size_m = size(hypotheses, &causes, &values, shots.len());
            Some(Explanation { causes, measure, misfit, values, whitened, size_m })
        };
        measured.into_iter().filter_map(|(_, causes)| whole(causes)).collect()
    };
    let mut ranked = best((0..hypotheses.len()).map(|i| vec![i]).collect(), usize::MAX);
    let fits = |e: &Explanation| {
        #[allow(clippy::cast_precision_loss)]
        let left = (count.saturating_sub(e.values.len())).max(1) as f64;
        chi_square_beyond(e.misfit, left)
    };
    let suspicious = probability < 0.05 || ranked.first().is_some_and(|e| e.measure < chi_square - BELIEVED);
    if suspicious && ranked.first().is_none_or(|e| fits(e) < TRY_PAIRS) {
        // A cause does not go with itself.
        let differ = |i: usize, j: usize| hypotheses[i].id != hypotheses[j].id;
        let all = (0..hypotheses.len()).flat_map(|i| (i + 1..hypotheses.len()).map(move |j| (i, j)));
        ranked.extend(best(all.filter(|(i, j)| differ(*i, *j)).map(|(i, j)| vec![i, j]).collect(), PAIRS_KEPT));
        ranked.sort_by(|a, b| a.measure.total_cmp(&b.measure));
    }
    for e in &mut ranked {
        let from = e.causes.iter().flat_map(|c| &hypotheses[*c].from);
        for (v, f) in e.values.iter_mut().zip(from) {
            *v += f;
        }
    }
    let outcome = match ranked.first() {
        Some(best) if best.measure < chi_square - BELIEVED && fits(best) >= NO_FIT => Outcome::Found,
        _ if probability < NO_NOISE => Outcome::NoneOfThese,
        _ => Outcome::Clean,
    };
    let alike = gather(&mut ranked);
    Ranking { outcome, ranked, alike, chi_square, count, probability }
}

/// In the order of the measure; of several forms of one cause the best alone.
fn best_of_each(list: &mut Vec<(f64, Vec<usize>)>, hypotheses: &[Hypothesis]) {
    list.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut seen = std::collections::BTreeSet::new();
    list.retain(|(_, causes)| seen.insert(causes.iter().map(|c| hypotheses[*c].id.as_str()).collect::<Vec<_>>()));
}

/// Brings explanations whose predictions cannot be told from the first to the front; how many they are.
fn gather(ranked: &mut [Explanation]) -> usize {
    let Some(first) = ranked.first().cloned() else { return 0 };
    let near = |e: &Explanation| {
        let apart: f64 = e.whitened.iter().zip(&first.whitened).map(|(a, b)| (a - b).powi(2)).sum();
        e.causes.len() <= first.causes.len() && apart < ALIKE * ALIKE && e.measure < first.measure + RIVAL
    };
    ranked.sort_by_key(|e| !near(e));
    ranked.iter().filter(|e| near(e)).count()
}

/// Root mean square of a prediction: horizontal and up, m.
#[allow(clippy::cast_precision_loss)]
fn size(hypotheses: &[Hypothesis], causes: &[usize], values: &[f64], shots: usize) -> [f64; 2] {
    let mut square = [0.0; 2];
    for i in 0..shots {
        let mut d = [0.0; 3];
        let mut at = 0;
        for c in causes {
            let h = &hypotheses[*c];
            for (sum, v) in d.iter_mut().zip(h.constant[i]) {
                *sum += v;
            }
            for column in &h.columns {
                for (sum, v) in d.iter_mut().zip(column[i]) {
                    *sum += values[at] * v;
                }
                at += 1;
            }
        }
        square[0] += d[0] * d[0] + d[1] * d[1];
        square[1] += d[2] * d[2];
    }
    square.map(|s| (s / shots.max(1) as f64).sqrt())
}
