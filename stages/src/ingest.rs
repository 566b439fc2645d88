//! Reading raw logs and other epoch files.

pub(crate) mod csv;
pub(crate) mod nmea;
pub(crate) mod schema;

use pipeline_base::place::Extent;
use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;
use survey_geodesy::decimal_year;

/// Where and when a log was, from its columns: degrees, metres, nanoseconds since 1970 UTC.
fn extent(latitude: &[f64], longitude: &[f64], height: &[f64], time: Option<&[i64]>) -> Option<Extent> {
    let at = |i: usize| {
        let (la, lo) = (*latitude.get(i)?, *longitude.get(i)?);
        let h = height.get(i).copied().filter(|h| h.is_finite());
        (la.is_finite() && lo.is_finite()).then(|| Extent::at(la, lo, h, None))
    };
    let mut all = (0..latitude.len()).filter_map(at).reduce(|a, b| a.with(&b))?;
    let years = time.map(|t| (t.iter().min(), t.iter().max()));
    if let Some((Some(first), Some(last))) = years {
        (all.first_year, all.last_year) = (Some(decimal_year(*first)), Some(decimal_year(*last)));
    }
    Some(all)
}

/// The stages of this family, in the order of the reference page.
#[must_use]
pub(crate) fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![kind::<nmea::IngestNmea>(), kind::<csv::IngestCsv>()]
}
