//! What repeated occupations say: whether a point is checked, and how good the claims are.

pub(crate) mod achieved;
pub(crate) mod agree;
pub(crate) mod combine;
pub(crate) mod compare;
mod findings;
pub(crate) mod judge;
mod members;
mod merge;
pub(crate) mod occasion;

#[cfg(test)]
mod tests;

pub(crate) use members::Members;
use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub(crate) fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![kind::<compare::CompareOccupations>()]
}
