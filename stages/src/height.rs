//! Heights above a vertical datum.

pub mod convert;
#[cfg(test)]
mod tests;
pub(crate) mod findings;

use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![kind::<convert::HeightConvert>()]
}
