//! Frames: from the frame of the corrections to the grid of the delivery.

pub mod delivery;
#[cfg(test)]
mod motion_tests;
pub mod promised;
pub mod reproject;
#[cfg(test)]
mod traps;

pub use delivery::{apart, check_delivery};

use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![kind::<reproject::Reproject>()]
}
