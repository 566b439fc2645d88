//! The local frame of an occupation.

use survey_geodesy::ellipsoid::GRS80;
use survey_geodesy::local::Tangent;

/// The local east-north-up frame at a geodetic position: degrees, degrees, metres.
///
/// It is a rotated and shifted Cartesian frame, so a mean in it is exact at any distance, and
/// neither the poles nor the 180th meridian are special. The ellipsoid is always GRS 80: a position
/// goes in and comes out through the same one, so with another the vectors of ten metres between
/// would be two millimetres off at most, and the mean itself not at all.
pub(crate) fn at(latitude_deg: f64, longitude_deg: f64, height_m: f64) -> Tangent {
    Tangent::new(latitude_deg, longitude_deg, height_m, GRS80)
}

/// A mean position, gathered in the frame at its first one.
pub(crate) struct Mean {
    frame: Tangent,
    sum: [f64; 3],
    n: f64,
}

impl Mean {
    /// An empty mean whose frame stands at `[latitude_deg, longitude_deg, height_m]`.
    pub(crate) fn new([latitude_deg, longitude_deg, height_m]: [f64; 3]) -> Self {
        Self { frame: at(latitude_deg, longitude_deg, height_m), sum: [0.0; 3], n: 0.0 }
    }

    /// Adds a position.
    pub(crate) fn add(&mut self, [latitude_deg, longitude_deg, height_m]: [f64; 3]) {
        let offset = self.frame.enu(latitude_deg, longitude_deg, height_m);
        for (sum, part) in self.sum.iter_mut().zip(offset) {
            *sum += part;
        }
        self.n += 1.0;
    }

    /// The mean as `[latitude_deg, longitude_deg, height_m]`; the frame's own place without positions.
    pub(crate) fn position(&self) -> [f64; 3] {
        let n = self.n.max(1.0);
        let (latitude, longitude, height) = self.frame.geodetic(self.sum.map(|s| s / n));
        [latitude, longitude, height]
    }
}
