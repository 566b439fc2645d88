//! What the measured points mean on the asset itself.

use pipeline_core::prelude::*;
use std::sync::Arc;

pub(crate) mod surface;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub(crate) fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![kind::<surface::AssetSurface>()]
}
