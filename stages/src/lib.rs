#![doc = include_str!("../README.md")]

pub mod archive;
mod asset;
pub mod behind;
mod budget;
mod control;
mod export;
mod height;
mod ingest;
pub mod inspect;
mod occupation;
mod quality;
mod reference;
mod repeats;
mod rig;
mod rows;
mod uncertainty;

#[cfg(test)]
mod conformance;
#[cfg(test)]
pub(crate) mod fixture;

/// What `find-cause` tries at marks, for its benchmark.
pub use control::causes;
/// The columns of epochs that readers promise.
pub use ingest::schema::epoch_schema;

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
