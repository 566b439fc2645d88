#![doc = include_str!("../README.md")]

pub mod archive;
pub mod asset;
pub mod behind;
pub mod budget;
pub mod control;
pub mod export;
pub mod height;
pub mod ingest;
pub mod inspect;
pub mod occupation;
pub mod quality;
pub mod reference;
pub mod repeats;
pub mod rig;
pub mod rows;
pub mod uncertainty;

#[cfg(test)]
mod conformance;
#[cfg(test)]
pub(crate) mod fixture;

use pipeline_core::stage::StageKind;
use std::sync::Arc;

/// Every built-in stage, in the order of a job: the one list.
#[must_use]
pub fn builtin() -> Vec<Arc<dyn StageKind>> {
    [
        ingest::kinds(),
        quality::kinds(),
        occupation::kinds(),
        rig::kinds(),
        repeats::kinds(),
        height::kinds(),
        reference::kinds(),
        control::kinds(),
        asset::kinds(),
        quality::kinds_of_points(),
        export::kinds(),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// Every built-in stage, and how far apart two references are.
///
/// # Errors
/// The name of a stage that stands twice.
pub fn registry() -> Result<pipeline_core::registry::Registry, String> {
    Ok(pipeline_core::registry::Registry::new(builtin())?.with_sizes(reference::apart))
}
