//! Control: marks of known value that say whether a survey is right, and what is wrong when it is not.

use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

pub mod causes;
pub mod check;
pub mod comparison;
pub mod find_cause;
mod geojson;
pub mod hidden;
pub mod localise;
pub mod marks;
pub mod receiver_test;
mod record;
pub mod report;
pub mod statistics;
#[cfg(test)]
pub(crate) mod testing;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![
        kind::<hidden::HiddenPoints>(),
        kind::<localise::Localise>(),
        kind::<find_cause::FindCause>(),
        kind::<check::ControlCheck>(),
        kind::<receiver_test::ReceiverTest>(),
    ]
}
