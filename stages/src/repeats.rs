//! What repeated occupations say: whether a point is checked, and how good the claims are.

pub mod achieved;
pub mod agree;
pub mod combine;
pub mod compare;
mod findings;
pub mod judge;
mod members;
mod merge;
pub mod occasion;

#[cfg(test)]
mod tests;

pub use members::Members;
use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![kind::<compare::CompareOccupations>()]
}
