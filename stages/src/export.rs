//! Deliveries: files that a client opens without this program.
//!
//! Every format keeps the same four promises.
//!
//! * The table must be what the reference promises, or the job does not start.
//! * No value that is not a finite number reaches a file.
//! * Each file is opened again with a reader that does not know how it was written, and every row
//!   and column is compared with the table; only then is it a delivery.
//! * A statement of reference travels with the file: CRS, epoch, height surface and model, units,
//!   axis order, physical point, confidence levels.

use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

pub(crate) mod budget;
pub(crate) mod cells;
pub(crate) mod csv;
pub(crate) mod deliver;
pub(crate) mod file;
pub(crate) mod geojson;
pub(crate) mod geopackage;
pub(crate) mod instant;
pub(crate) mod meaning;
pub(crate) mod parquet;
pub(crate) mod path;
pub(crate) mod promise;
pub(crate) mod srs;
pub(crate) mod statement;
pub(crate) mod wgs84;
pub(crate) mod written;

#[cfg(test)]
mod chain;
#[cfg(test)]
pub(crate) mod sample;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub(crate) fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![
        kind::<csv::Csv>(),
        kind::<geojson::GeoJson>(),
        kind::<geopackage::GeoPackage>(),
        kind::<parquet::Parquet>(),
        kind::<budget::BudgetFile>(),
    ]
}
