//! From epochs to points: which epochs belong to a point, and their average.

use pipeline_core::stage::StageKind;
use std::sync::Arc;

pub(crate) mod assign;
pub(crate) mod average;
pub(crate) mod averaging;
mod columns;
mod divide;
pub(crate) mod estimate;
mod findings;
mod fix_runs;
pub(crate) mod groups;
mod interval;
pub(crate) mod local;
mod match_notes;
pub(crate) mod names;
pub(crate) mod notes;
pub(crate) mod notes_time;
pub(crate) mod options;
mod output;
mod schema;
mod shot;
pub(crate) mod unmatched;
mod windows;

#[cfg(test)]
pub(crate) mod test_rows;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_notes;

/// Between the names of several base stations of one occupation.
pub(crate) const BASES: &str = ", ";

/// The stages of this family, in the order of the reference page.
#[must_use]
pub(crate) fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![pipeline_core::stage::kind::<assign::Occupations>(), pipeline_core::stage::kind::<averaging::Average>()]
}
