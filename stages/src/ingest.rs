//! Reading raw logs and other epoch files.

pub mod columns;
pub mod csv;
pub mod nmea;

use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![kind::<nmea::IngestNmea>(), kind::<csv::IngestCsv>()]
}
