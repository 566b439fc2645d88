//! Gates: which epochs are good enough.

use pipeline_core::stage::StageKind;
use std::sync::Arc;

mod fixed_share;
pub mod gate;
mod motion;
pub mod nearest;
pub mod options;
pub mod predicate;
mod reason;
#[cfg(test)]
mod tests;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![pipeline_core::stage::kind::<gate::QualityGate>()]
}
