//! What each finding is, whoever says it. The entries stand beside the code that says them; the pages of findings and `gunter explain` are made from them.

use super::Verdict;
use serde::Serialize;

/// One entry of the catalogue.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct FindingKind {
    /// `family/name`.
    pub code: &'static str,
    /// How grave it can be, the gravest first.
    pub severities: &'static [Verdict],
    /// What is wrong or was seen, in one line.
    pub meaning: &'static str,
    /// Why it happens, and what it does to the points.
    pub cause: &'static str,
    /// What the reader does now.
    pub mend: &'static str,
}

impl FindingKind {
    /// An entry.
    #[must_use]
    pub const fn new(
        code: &'static str,
        severities: &'static [Verdict],
        meaning: &'static str,
        cause: &'static str,
        mend: &'static str,
    ) -> Self {
        Self { code, severities, meaning, cause, mend }
    }
}

/// All entries of some lists, each once, sorted by code.
#[must_use]
pub fn sorted(lists: impl IntoIterator<Item = &'static [FindingKind]>) -> Vec<FindingKind> {
    let mut all: Vec<FindingKind> = lists.into_iter().flatten().copied().collect();
    all.sort_by_key(|k| k.code);
    all.dedup();
    all
}
