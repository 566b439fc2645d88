//! What the attitudes do not determine, in words, and which attitudes to add.

use super::fit::{Unfit, rows, sizes, whitener};
use super::looks::{Look, SAME_ATTITUDE_DEG, Three, enu_rows};
use super::unknowns::{Chain, Kind, Unknown};
use crate::rig::ledger::Aim;
use survey_mathematics::least_squares::{Direction, Fit, Matrix, solve};
use survey_mathematics::rotation::Rotation;

/// A direction in the space of unknowns that is not known well enough.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Open {
    /// The direction; its sigma counts in sizes that are small enough for the work.
    pub direction: Direction,
    /// In plain words.
    pub words: String,
}

/// Smallest share of an unknown that is named.
const NAMED: f64 = 0.25;
/// Most attitudes that are proposed.
const PROPOSALS: usize = 4;

/// Design of the looks at a place, whitened.
fn design(looks: &[&Look], chain: &Chain, unknowns: &[Unknown], tau_s: f64, x: &[f64]) -> Result<Matrix, Unfit> {
    Ok(rows(looks, chain, unknowns, &whitener(looks, tau_s)?, x).design)
}

/// The same unknowns without the rig's own values; known marks stay known.
fn from_shots_alone(unknowns: &[Unknown]) -> Vec<Unknown> {
    let keep = |u: &Unknown| matches!(u.kind, Kind::Mark(..) | Kind::Scale) || !u.written;
    unknowns.iter().map(|u| if keep(u) { *u } else { Unknown { sigma: f64::INFINITY, ..*u } }).collect()
}

/// Sigma of an unknown in sizes that are small enough, from the directions that are seen.
fn seen_sigma(fit: &Fit, unknown: usize) -> f64 {
    fit.directions.iter().filter(|d| d.sigma.is_finite()).map(|d| (d.sigma * d.shares[unknown]).powi(2)).sum::<f64>().sqrt()
}

/// Whether a direction that is not seen at all touches something that is written.
fn blind(direction: &Direction, unknowns: &[Unknown]) -> bool {
    direction.sigma.is_infinite() && direction.shares.iter().zip(unknowns).any(|(s, u)| u.written && s.abs() > 1e-6)
}

/// Directions that leave something that is written with more than the sigma that is small enough.
fn open_in(fit: &Fit, unknowns: &[Unknown]) -> Vec<usize> {
    let mut open: Vec<usize> = (0..fit.directions.len()).filter(|d| blind(&fit.directions[*d], unknowns)).collect();
    for (u, _) in unknowns.iter().enumerate().filter(|(i, u)| u.written && seen_sigma(fit, *i) > 1.0) {
        let part = |d: &usize| fit.directions[*d].sigma * fit.directions[*d].shares[u].abs();
        let finite = (0..fit.directions.len()).filter(|d| fit.directions[*d].sigma.is_finite());
        if let Some(worst) = finite.max_by(|a, b| part(a).total_cmp(&part(b))).filter(|w| !open.contains(w)) {
            open.push(worst);
        }
    }
    open
}

fn fitted(matrix: &Matrix, unknowns: &[Unknown]) -> Fit {
    solve(matrix, &vec![0.0; matrix.rows()], &sizes(unknowns))
}

fn open(matrix: &Matrix, chain: &Chain, unknowns: &[Unknown], marks: &[String]) -> Vec<Open> {
    let fit = fitted(matrix, unknowns);
    let named = open_in(&fit, unknowns).into_iter().map(|d| fit.directions[d].clone());
    named.map(|direction| Open { words: words(&direction, chain, unknowns, marks), direction }).collect()
}

/// Directions that stay open with everything that is known, the worst first.
///
/// # Errors
/// When some noise is zero.
pub(crate) fn undetermined(
    looks: &[Look],
    chain: &Chain,
    unknowns: &[Unknown],
    tau_s: f64,
    x: &[f64],
    marks: &[String],
) -> Result<Vec<Open>, Unfit> {
    let list: Vec<&Look> = looks.iter().collect();
    Ok(open(&design(&list, chain, unknowns, tau_s, x)?, chain, unknowns, marks))
}

/// Directions that the shots alone leave open, so that they rest on the values that the rig file had before.
///
/// # Errors
/// When some noise is zero.
pub(crate) fn resting_on_the_rig(
    looks: &[Look],
    chain: &Chain,
    unknowns: &[Unknown],
    tau_s: f64,
    x: &[f64],
    marks: &[String],
) -> Result<Vec<Open>, Unfit> {
    undetermined(looks, chain, &from_shots_alone(unknowns), tau_s, x, marks)
}

/// A direction in words: the unknowns with a share, and what of them is seen.
fn words(direction: &Direction, chain: &Chain, unknowns: &[Unknown], marks: &[String]) -> String {
    let largest = direction.shares.iter().map(|s| s.abs()).fold(0.0, f64::max);
    let mut named: Vec<usize> = (0..unknowns.len()).filter(|i| direction.shares[*i].abs() >= NAMED * largest).collect();
    named.sort_by(|a, b| direction.shares[*b].abs().total_cmp(&direction.shares[*a].abs()));
    let name = |i: &usize| unknowns[*i].kind.words(chain.steep(), marks);
    let size = if direction.sigma.is_finite() {
        let first = named.first().copied().unwrap_or(0);
        let sigma = direction.sigma * direction.shares[first].abs() * unknowns[first].needed;
        let unit = unknowns[first].kind.unit();
        if unit == "m" { format!(" (1 sigma {sigma:.4} m)") } else { format!(" (1 sigma {sigma:.3} {unit})") }
    } else {
        " (not seen at all)".to_owned()
    };
    match named.as_slice() {
        [] => "nothing in particular".to_owned(),
        [one] => format!("{}{size}", name(one)),
        [first, rest @ ..] => {
            // What is moved together along the direction cannot be told apart.
            let moves: Vec<String> = std::iter::once(first)
                .chain(rest)
                .map(|i| {
                    let amount = direction.shares[*i] * unknowns[*i].needed;
                    let unit = unknowns[*i].kind.unit();
                    let digits = if unit == "m" { 4 } else { 3 };
                    format!("{} ({amount:+.digits$} {unit})", name(i))
                })
                .collect();
            format!("{} look alike: only a combination of them is seen{size}", moves.join(" and "))
        }
    }
}

/// An attitude that could be added.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Proposal {
    /// Heading, deg.
    pub heading_deg: f64,
    /// Lean of the pole, deg.
    pub lean_deg: f64,
    /// Where the foot of the pole goes when it leans: forward, back, right or left of upright, as degrees clockwise from
    /// forward.
    pub foot_deg: f64,
    /// Distance of the mark from the laser, m; of no meaning for the tip.
    pub range_m: Option<f64>,
}

impl Proposal {
    /// In plain words.
    #[must_use]
    pub(crate) fn words(&self) -> String {
        let lean = if self.lean_deg == 0.0 {
            "pole upright".to_owned()
        } else {
            let foot = match self.foot_deg {
                d if d < 45.0 => "forward",
                d if d < 135.0 => "to the right",
                d if d < 225.0 => "back",
                _ => "to the left",
            };
            format!("pole leaned {:.0} deg with the foot {foot}", self.lean_deg)
        };
        let range = self.range_m.map_or(String::new(), |r| format!(", mark {r:.1} m from the laser"));
        format!("facing {:.0} deg, {lean}{range}", self.heading_deg)
    }

    fn same_attitude(&self, other: &Self) -> bool {
        Self { range_m: None, ..*self } == Self { range_m: None, ..*other }
    }

    fn look(&self, like: &Look) -> Look {
        // Nose up moves the foot forward; right side down moves it to the left.
        let (s, c) = self.foot_deg.to_radians().sin_cos();
        let rotation = Rotation::new(self.heading_deg, self.lean_deg * c, -self.lean_deg * s);
        let turn = enu_rows(&rotation);
        let range = self.range_m.unwrap_or(0.0);
        Look { turn, ranged: turn.map(|r| r.map(|v| v * range)), ..like.clone() }
    }
}

fn mean(parts: impl Iterator<Item = Three>) -> Three {
    let all: Vec<Three> = parts.collect();
    #[allow(clippy::cast_precision_loss)]
    let n = all.len().max(1) as f64;
    [0, 1, 2].map(|i| [0, 1, 2].map(|j| all.iter().map(|m| m[i][j]).sum::<f64>() / n))
}

fn typical(looks: &[Look], aim: Aim) -> Option<Look> {
    let mut like = looks.iter().find(|l| l.aim == aim)?.clone();
    like.noise = mean(looks.iter().filter(|l| l.aim == aim).map(|l| l.noise));
    like.gnss = mean(looks.iter().filter(|l| l.aim == aim).map(|l| l.gnss));
    Some(like)
}

fn candidates(looks: &[Look], aim: Aim) -> Vec<Proposal> {
    let range = |l: &Look| (0..3).map(|i| (0..3).map(|j| l.turn[i][j] * l.ranged[i][j]).sum::<f64>()).sum::<f64>() / 3.0;
    let usual: Vec<f64> = looks.iter().filter(|l| l.aim == aim).map(range).collect();
    #[allow(clippy::cast_precision_loss)]
    let usual = usual.iter().sum::<f64>() / usual.len().max(1) as f64;
    let ranges = if aim == Aim::Laser { vec![Some(usual), Some(0.5 * usual), Some(2.0 * usual)] } else { vec![None] };
    let mut all = vec![];
    for lean_deg in [0.0, 15.0, 30.0] {
        for heading_deg in [0.0, 90.0, 180.0, 270.0] {
            for foot_deg in [0.0, 90.0, 180.0, 270.0] {
                if lean_deg == 0.0 && foot_deg > 0.0 {
                    continue;
                }
                all.extend(ranges.iter().map(|range_m| Proposal { heading_deg, lean_deg, foot_deg, range_m: *range_m }));
            }
        }
    }
    all
}

/// How much is open: directions that nothing sees count most, then the sigmas of what is written.
fn openness(fit: &Fit, unknowns: &[Unknown]) -> f64 {
    let blind = fit.directions.iter().filter(|d| blind(d, unknowns)).count();
    let sigmas: f64 = (0..unknowns.len()).filter(|u| unknowns[*u].written).map(|u| (1.0 + seen_sigma(fit, u)).ln()).sum();
    #[allow(clippy::cast_precision_loss)]
    let blind = blind as f64;
    30.0 * blind + sigmas
}

/// Attitudes that determine most of what is open, each chosen with those before it, `least` of them at least. Fewer where none
/// helps, as where two unknowns act alike at every attitude.
///
/// # Errors
/// When some noise is zero.
pub(crate) fn proposals(
    looks: &[Look],
    chain: &Chain,
    unknowns: &[Unknown],
    tau_s: f64,
    x: &[f64],
    least: usize,
) -> Result<Vec<Proposal>, Unfit> {
    let list: Vec<&Look> = looks.iter().collect();
    let mut matrix = design(&list, chain, unknowns, tau_s, x)?;
    let aim = if looks.iter().any(|l| l.aim == Aim::Laser) { Aim::Laser } else { Aim::Tip };
    let Some(like) = typical(looks, aim) else { return Ok(vec![]) };
    let free: Vec<Unknown> = unknowns.iter().map(|u| Unknown { sigma: f64::INFINITY, ..*u }).collect();
    let mut all: Vec<(Proposal, Matrix)> = vec![];
    for proposal in candidates(looks, aim) {
        let look = proposal.look(&like);
        if list.iter().all(|l| l.turned_from(&look) > SAME_ATTITUDE_DEG) || proposal.range_m.is_some() {
            all.push((proposal, design(&[&look], chain, &free, tau_s, x)?));
        }
    }
    let mut chosen: Vec<Proposal> = vec![];
    let mut now = openness(&fitted(&matrix, unknowns), unknowns);
    while chosen.len() < PROPOSALS.max(least) && (chosen.len() < least || !open_in(&fitted(&matrix, unknowns), unknowns).is_empty()) {
        let fresh = all.iter().filter(|(p, _)| chosen.len() >= least || chosen.iter().all(|c| !c.same_attitude(p)));
        let tried = fresh.map(|(p, more)| (openness(&fitted(&matrix.below(more), unknowns), unknowns), *p, more));
        let Some((next, proposal, more)) = tried.min_by(|a, b| a.0.total_cmp(&b.0)) else { break };
        // The sum of logarithms falls by a twentieth when one sigma falls by a twentieth.
        if next > now - 0.05 && chosen.len() >= least {
            break;
        }
        matrix = matrix.below(more);
        now = next;
        chosen.push(proposal);
    }
    Ok(chosen)
}
