//! The adjustment of a calibration, and the search for wrong looks.

use super::looks::{Look, Three};
use super::unknowns::{Chain, Unknown};
use survey_mathematics::correlation::correlation;
use survey_mathematics::distributions::chi_square;
use survey_mathematics::least_squares::{Adjustment, Cholesky, Linearised, Matrix, NotConverged, adjust};

/// A calibrated rig.
#[derive(Clone, Debug)]
pub(crate) struct Fitted {
    /// Values of the unknowns.
    pub x: Vec<f64>,
    /// The adjustment.
    pub adjustment: Adjustment,
    /// Which looks are in it.
    pub used: Vec<bool>,
    /// Where the chain ends minus where the mark is, for every look, east, north, up, m.
    pub misclosure: Vec<[f64; 3]>,
    /// Test of every look: chi-square with three degrees of freedom when it fits the others.
    pub test: Vec<f64>,
    /// Sum of the squares over the degrees of freedom; 1 when the sigmas are right.
    pub variance_factor: f64,
    /// Rows minus unknowns that are determined.
    pub freedom: usize,
    /// Whether the variance factor passes the chi-square test at 1 %.
    pub sigmas_fit: bool,
}

/// Why there is no calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Unfit {
    /// Some noise is zero or not finite.
    NoNoise,
    /// The adjustment did not converge.
    NotConverged(NotConverged),
    /// Too many looks contradict each other.
    Contradiction,
}

/// A larger share of looks is not thrown out.
const LARGEST_SHARE: f64 = 0.3;

impl Fitted {
    /// Sigma of an unknown: by the declared sigmas, and larger when the residuals are larger than these say.
    #[must_use]
    pub(crate) fn sigma(&self, i: usize) -> f64 {
        self.adjustment.fit.sigma(i) * self.inflation()
    }

    /// Factor on all sigmas because of large residuals; 1 when they fit.
    #[must_use]
    pub(crate) fn inflation(&self) -> f64 {
        if self.sigmas_fit { 1.0 } else { self.variance_factor.max(1.0).sqrt() }
    }
}

/// Covariance of the misclosures of the looks in use.
fn covariance(looks: &[&Look], tau_s: f64) -> Matrix {
    let mut all = Matrix::zeros(3 * looks.len(), 3 * looks.len());
    let roots: Vec<Three> = looks.iter().map(|l| survey_mathematics::covariance::cholesky(&l.gnss)).collect();
    for (i, a) in looks.iter().enumerate() {
        for (j, b) in looks.iter().enumerate() {
            let together = correlation(a.time_s - b.time_s, tau_s);
            for r in 0..3 {
                for c in 0..3 {
                    let gnss: f64 = (0..3).map(|k| roots[i][r][k] * roots[j][c][k]).sum::<f64>() * if i == j { 1.0 } else { together };
                    all.set(3 * i + r, 3 * j + c, gnss + if i == j { a.noise[r][c] } else { 0.0 });
                }
            }
        }
    }
    all
}

/// Rows of the looks at a place in the space of unknowns, whitened, with the rig's own values below them.
pub(super) fn rows(looks: &[&Look], chain: &Chain, unknowns: &[Unknown], factor: &Cholesky, x: &[f64]) -> Linearised {
    let known: Vec<usize> = (0..unknowns.len()).filter(|i| unknowns[*i].sigma.is_finite()).collect();
    let seen = 3 * looks.len();
    let mut top = Matrix::zeros(seen, unknowns.len());
    let mut misfit = vec![0.0; seen];
    for (i, look) in looks.iter().enumerate() {
        let (end, derivatives) = look.misclosure(chain, unknowns, x);
        for k in 0..3 {
            misfit[3 * i + k] = -end[k];
            for (u, d) in derivatives.iter().enumerate() {
                top.set(3 * i + k, u, d[k]);
            }
        }
    }
    factor.whiten(&mut misfit);
    factor.whiten_columns(&mut top);
    let mut design = Matrix::zeros(seen + known.len(), unknowns.len());
    for r in 0..seen {
        for c in 0..unknowns.len() {
            design.set(r, c, top.at(r, c));
        }
    }
    for (r, u) in known.iter().enumerate() {
        design.set(seen + r, *u, 1.0 / unknowns[*u].sigma);
        misfit.push((unknowns[*u].value - x[*u]) / unknowns[*u].sigma);
    }
    Linearised { misfit, design }
}

/// Cholesky factor of the noise of looks.
///
/// # Errors
/// When some noise is zero.
pub(super) fn whitener(looks: &[&Look], tau_s: f64) -> Result<Cholesky, Unfit> {
    Cholesky::of(&covariance(looks, tau_s)).ok_or(Unfit::NoNoise)
}

/// Sizes in which unknowns are compared.
pub(super) fn sizes(unknowns: &[Unknown]) -> Vec<f64> {
    unknowns.iter().map(|u| u.needed).collect()
}

/// Tests every look in use against all others: with u = inverse covariance times residual and Q its cofactors, u' Q^-1 u
/// of a look's three rows (Baarda 1968, in the form for correlated observations).
fn tests(count: usize, factor: &Cholesky, design: &Matrix, done: &Adjustment) -> Vec<f64> {
    let n = 3 * count;
    let unknowns = design.cols();
    // Left-multiplying by the transposed inverse factor, column by column.
    let mut projector = vec![vec![0.0; n]; n];
    let spread: Vec<Vec<f64>> = (0..n)
        .map(|r| (0..unknowns).map(|c| (0..unknowns).map(|d| design.at(r, d) * done.fit.covariance.at(d, c)).sum()).collect())
        .collect();
    for (i, row) in projector.iter_mut().enumerate() {
        for (j, v) in row.iter_mut().enumerate() {
            let hat: f64 = (0..unknowns).map(|c| spread[i][c] * design.at(j, c)).sum();
            *v = f64::from(u8::from(i == j)) - hat;
        }
    }
    for column in 0..n {
        let mut v: Vec<f64> = projector.iter().map(|row| row[column]).collect();
        factor.whiten_transposed(&mut v);
        for (row, v) in projector.iter_mut().zip(v) {
            row[column] = v;
        }
    }
    for row in &mut projector {
        factor.whiten_transposed(row);
    }
    let mut u: Vec<f64> = done.fit.residuals[..n].to_vec();
    factor.whiten_transposed(&mut u);
    (0..count)
        .map(|i| {
            let block = Matrix::from_rows(&(0..3).map(|r| (0..3).map(|c| projector[3 * i + r][3 * i + c]).collect()).collect::<Vec<_>>());
            // A look that nothing checks has no cofactors and no test.
            let fit = survey_mathematics::least_squares::solve(&block, &u[3 * i..3 * i + 3], &[1.0; 3]);
            (0..3).map(|k| fit.x[k] * u[3 * i + k]).sum::<f64>().max(0.0)
        })
        .collect()
}

/// Fits the unknowns to the looks. A look that contradicts the others at 0.1 % is taken out, the worst first, as long as
/// enough are left.
///
/// # Errors
/// When there is no solution.
pub(crate) fn fit(looks: &[Look], chain: &Chain, unknowns: &[Unknown], tau_s: f64) -> Result<Fitted, Unfit> {
    let mut used = vec![true; looks.len()];
    let limit = chi_square(0.999, 3.0);
    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let most_out = (looks.len() as f64 * LARGEST_SHARE).floor() as usize;
    let start: Vec<f64> = unknowns.iter().map(|u| u.value).collect();
    loop {
        let members: Vec<usize> = (0..looks.len()).filter(|i| used[*i]).collect();
        let list: Vec<&Look> = members.iter().map(|i| &looks[*i]).collect();
        let factor = whitener(&list, tau_s)?;
        let model = |x: &[f64]| rows(&list, chain, unknowns, &factor, x);
        let done = adjust(&start, &sizes(unknowns), &model).map_err(Unfit::NotConverged)?;
        let design = rows(&list, chain, unknowns, &factor, &done.x).design;
        let part = tests(list.len(), &factor, &design, &done);
        let worst = (0..part.len()).max_by(|a, b| part[*a].total_cmp(&part[*b]));
        if let Some(worst) = worst.filter(|w| part[*w] > limit) {
            if looks.len() - members.len() >= most_out {
                return Err(Unfit::Contradiction);
            }
            used[members[worst]] = false;
            continue;
        }
        let mut test = vec![f64::INFINITY; looks.len()];
        for (i, t) in members.iter().zip(part) {
            test[*i] = t;
        }
        let freedom = done.fit.degrees_of_freedom();
        #[allow(clippy::cast_precision_loss)]
        let free = freedom as f64;
        return Ok(Fitted {
            misclosure: looks.iter().map(|l| l.misclosure(chain, unknowns, &done.x).0).collect(),
            variance_factor: if freedom > 0 { done.fit.square_sum / free } else { 1.0 },
            sigmas_fit: freedom == 0 || done.fit.square_sum <= chi_square(0.99, free),
            freedom,
            x: done.x.clone(),
            adjustment: done,
            used,
            test,
        });
    }
}
