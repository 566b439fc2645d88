//! Frames and grids of the delivery.

use pipeline_core::stage::StageKind;
use std::sync::Arc;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![]
}
