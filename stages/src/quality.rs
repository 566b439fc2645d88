//! Gates: which epochs are good enough.

use pipeline_core::stage::StageKind;
use std::sync::Arc;

pub(crate) mod class;
pub(crate) mod class_table;
mod fixed_share;
pub(crate) mod gate;
mod motion;
pub(crate) mod nearest;
pub(crate) mod options;
pub(crate) mod predicate;
mod reason;
#[cfg(test)]
mod tests;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub(crate) fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![pipeline_core::stage::kind::<gate::QualityGate>()]
}

/// The stage that judges finished points, for the end of a job.
#[must_use]
pub(crate) fn kinds_of_points() -> Vec<Arc<dyn StageKind>> {
    vec![pipeline_core::stage::kind::<class::QualityClass>()]
}
