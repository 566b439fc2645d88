//! The local frame of an occupation.

use crate::geodesy::ellipsoid::GRS80;
use crate::geodesy::local::Tangent;

/// The local east-north-up frame at a geodetic position: degrees, degrees, metres.
///
/// It is a rotated and shifted Cartesian frame, so a mean in it is exact at any distance, and
/// neither the poles nor the 180th meridian are special. The ellipsoid is always GRS 80: a position
/// goes in and comes out through the same one, so with another the vectors of ten metres between
/// would be two millimetres off at most, and the mean itself not at all.
pub fn at(latitude_deg: f64, longitude_deg: f64, height_m: f64) -> Tangent {
    Tangent::new(latitude_deg, longitude_deg, height_m, GRS80)
}
