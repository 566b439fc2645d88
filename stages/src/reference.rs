//! Frames: from the frame of the corrections to the grid of the delivery.

pub(crate) mod delivery;
#[cfg(test)]
mod motion_tests;
pub(crate) mod promised;
pub(crate) mod reproject;
#[cfg(test)]
mod traps;

pub(crate) use delivery::{apart, check_delivery};

use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub(crate) fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![kind::<reproject::Reproject>()]
}
