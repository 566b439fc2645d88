//! Control: marks of known value that say whether a survey is right, and what is wrong when it is not.

use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

pub mod causes;
pub(crate) mod check;
pub(crate) mod comparison;
pub(crate) mod find_cause;
mod geojson;
pub(crate) mod hidden;
pub(crate) mod localise;
pub(crate) mod marks;
pub(crate) mod receiver_test;
mod record;
pub(crate) mod report;
pub(crate) mod statistics;
#[cfg(test)]
pub(crate) mod testing;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub(crate) fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![
        kind::<hidden::HiddenPoints>(),
        kind::<localise::Localise>(),
        kind::<find_cause::FindCause>(),
        kind::<check::ControlCheck>(),
        kind::<receiver_test::ReceiverTest>(),
    ]
}
