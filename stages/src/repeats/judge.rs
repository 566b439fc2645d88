//! What the occupations of one mark say about each other.

use super::agree::{Difference, Limits};
use super::occasion::{Evidence, Occasion};

/// What is asked of a pair.
#[derive(Clone, Debug)]
pub(crate) struct Rules {
    /// Evidence that a pair must have to count as independent.
    pub need: Vec<Evidence>,
    /// Time that counts as a gap, s.
    pub min_gap_s: f64,
    /// Turn of the pole that counts, deg.
    pub turned_deg: f64,
    /// When a difference is too large.
    pub limits: Limits,
    /// Correlation time of GNSS noise, s.
    pub tau_s: f64,
}

/// How well a mark is checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Check {
    /// Independent occupations agree.
    Checked,
    /// Repeated, but the repeats share their errors.
    InNameOnly,
    /// One occupation.
    Unchecked,
}

impl Check {
    /// The word in tables.
    #[must_use]
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Checked => "checked",
            Self::InNameOnly => "checked-in-name-only",
            Self::Unchecked => "unchecked",
        }
    }
}

/// A pair of occupations of one mark.
#[derive(Clone, Debug)]
pub(crate) struct Pair {
    /// Places in the list of the mark, the earlier one first.
    pub of: (usize, usize),
    /// Time between them, s.
    pub gap_s: f64,
    /// Each kind of evidence: there, not there, or not known.
    pub evidence: [(Evidence, Option<bool>); Evidence::ALL.len()],
    /// Whether it is all that is asked.
    pub independent: bool,
    /// Difference.
    pub difference: Difference,
    /// Whether it is too large.
    pub too_large: bool,
}

impl Pair {
    /// How many kinds of evidence are there.
    #[must_use]
    pub(crate) fn strength(&self) -> usize {
        self.evidence.iter().filter(|(_, seen)| *seen == Some(true)).count()
    }
}

/// The judgement of a mark.
#[derive(Clone, Debug)]
pub(crate) struct Judgement {
    /// All pairs.
    pub pairs: Vec<Pair>,
    /// Occupations that agree with each other and are kept.
    pub kept: Vec<usize>,
    /// Occupations that the kept ones outvote.
    pub outvoted: Vec<usize>,
    /// Whether no group of occupations outvotes the others, so that none is kept.
    pub undecided: bool,
    /// How well the mark is checked.
    pub check: Check,
}

/// Judges the occupations of one mark, in the order of time.
///
/// Occupations that agree form a group. The weight of a group is the largest number of its members that
/// are independent of each other: a row of shots on one fix counts once. When there are two groups or
/// more, one with a weight of at least two and more than any other outvotes them.
#[must_use]
pub(crate) fn judge(all: &[&Occasion], rules: &Rules) -> Judgement {
    let mut pairs = vec![];
    for (i, a) in all.iter().enumerate() {
        for (j, b) in all.iter().enumerate().skip(i + 1) {
            let evidence = Evidence::ALL.map(|e| (e, a.seen(b, e, rules.min_gap_s, rules.turned_deg)));
            let difference = Difference::of(a, b, rules.tau_s);
            pairs.push(Pair {
                of: (i, j),
                gap_s: a.gap_s(b),
                independent: rules.need.iter().all(|e| evidence.contains(&(*e, Some(true)))),
                too_large: difference.too_large(&rules.limits),
                evidence,
                difference,
            });
        }
    }
    let groups = groups(all.len(), &pairs);
    let weights: Vec<usize> = groups.iter().map(|g| independent(g, &pairs).len()).collect();
    let best = (0..groups.len()).max_by(|a, b| weights[*a].cmp(&weights[*b]).then(b.cmp(a))).unwrap_or_default();
    let alone = weights.iter().enumerate().all(|(k, w)| k == best || *w < weights[best]);
    let undecided = groups.len() > 1 && !(weights[best] >= 2 && alone);
    let kept = if undecided { vec![] } else { groups.get(best).cloned().unwrap_or_default() };
    let outvoted = if undecided { vec![] } else { (0..all.len()).filter(|i| !kept.contains(i)).collect() };
    let check = match (all.len(), weights.get(best)) {
        (2.., Some(2..)) if !undecided => Check::Checked,
        (2.., _) => Check::InNameOnly,
        _ => Check::Unchecked,
    };
    Judgement { pairs, kept, outvoted, undecided, check }
}

/// Occupations that hang together by pairs that agree, in the order of their first.
fn groups(n: usize, pairs: &[Pair]) -> Vec<Vec<usize>> {
    let mut group: Vec<usize> = (0..n).collect();
    for pair in pairs.iter().filter(|p| !p.too_large) {
        let (a, b) = (group[pair.of.0], group[pair.of.1]);
        let (low, high) = (a.min(b), a.max(b));
        for g in &mut group {
            if *g == high {
                *g = low;
            }
        }
    }
    let mut out: Vec<Vec<usize>> = vec![];
    for first in 0..n {
        let members: Vec<usize> = (0..n).filter(|i| group[*i] == first).collect();
        if !members.is_empty() {
            out.push(members);
        }
    }
    out
}

/// A largest set of members that are independent of each other. Members stand in the order of time, and what
/// is independent of the last one taken is so of the earlier ones, up to base and pole, so the earliest that
/// fits is taken each time, from every start.
#[must_use]
pub(crate) fn independent(members: &[usize], pairs: &[Pair]) -> Vec<usize> {
    let apart = |a: usize, b: usize| pairs.iter().any(|p| p.of == (a.min(b), a.max(b)) && p.independent);
    let mut best: Vec<usize> = vec![];
    for start in 0..members.len() {
        let mut set = vec![members[start]];
        for m in &members[start + 1..] {
            if set.iter().all(|s| apart(*s, *m)) {
                set.push(*m);
            }
        }
        if set.len() > best.len() {
            best = set;
        }
    }
    best
}
