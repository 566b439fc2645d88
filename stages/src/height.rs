//! Heights above a vertical datum.

pub(crate) mod change;
pub(crate) mod convert;
pub(crate) mod findings;
pub(crate) mod pairs;
pub(crate) mod plan;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_models;

use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub(crate) fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![kind::<convert::HeightConvert>()]
}
