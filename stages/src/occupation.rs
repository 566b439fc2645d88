//! From epochs to points: which epochs belong to a point, and their average.

use pipeline_core::stage::StageKind;
use std::sync::Arc;

pub mod assign;
pub mod average;
mod averaging;
mod columns;
mod divide;
pub mod estimate;
mod findings;
mod fix_runs;
pub mod groups;
mod interval;
pub(crate) mod local;
mod match_notes;
pub mod names;
pub mod notes;
pub mod notes_time;
pub mod options;
mod output;
mod schema;
mod shot;
pub mod unmatched;
mod windows;

#[cfg(test)]
pub(crate) mod test_rows;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_notes;

/// Between the names of several base stations of one occupation.
pub const BASES: &str = ", ";

/// The stages of this family, in the order of the reference page.
#[must_use]
pub fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![pipeline_core::stage::kind::<assign::Occupations>(), pipeline_core::stage::kind::<averaging::Average>()]
}
