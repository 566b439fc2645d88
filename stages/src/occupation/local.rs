//! A local east-north-up frame at one origin, both ways through geocentric coordinates.
//!
//! The frame is a rotated and shifted Cartesian one, so a mean in it is exact at any distance, and
//! neither the poles nor the 180th meridian are special.

/// Semi-major axis and flattening of GRS 80. The frame is used forth and back around one origin, so
/// another ellipsoid would stretch a vector of ten metres by less than two millimetres.
const A: f64 = 6_378_137.0;
const F: f64 = 1.0 / 298.257_222_101;
const E2: f64 = F * (2.0 - F);

/// A local east-north-up frame.
#[derive(Clone, Copy, Debug)]
pub struct Local {
    centre: [f64; 3],
    sin_lat: f64,
    cos_lat: f64,
    sin_lon: f64,
    cos_lon: f64,
}

impl Local {
    /// The frame at a geodetic position: degrees, degrees, metres above the ellipsoid.
    #[must_use]
    pub fn at(latitude_deg: f64, longitude_deg: f64, height_m: f64) -> Self {
        let (sin_lat, cos_lat) = latitude_deg.to_radians().sin_cos();
        let (sin_lon, cos_lon) = longitude_deg.to_radians().sin_cos();
        Self { centre: geocentric(latitude_deg, longitude_deg, height_m), sin_lat, cos_lat, sin_lon, cos_lon }
    }

    /// East, north and up of a geodetic position, metres.
    #[must_use]
    pub fn enu(&self, latitude_deg: f64, longitude_deg: f64, height_m: f64) -> [f64; 3] {
        let p = geocentric(latitude_deg, longitude_deg, height_m);
        let (x, y, z) = (p[0] - self.centre[0], p[1] - self.centre[1], p[2] - self.centre[2]);
        let horizontal = self.cos_lon * x + self.sin_lon * y;
        [
            self.cos_lon * y - self.sin_lon * x,
            self.cos_lat * z - self.sin_lat * horizontal,
            self.cos_lat * horizontal + self.sin_lat * z,
        ]
    }

    /// Geodetic position of an east, north, up: degrees, degrees in (-180, 180], metres.
    #[must_use]
    pub fn geodetic(&self, enu: [f64; 3]) -> (f64, f64, f64) {
        let [e, n, u] = enu;
        let horizontal = self.cos_lat * u - self.sin_lat * n;
        geodetic([
            self.centre[0] + self.cos_lon * horizontal - self.sin_lon * e,
            self.centre[1] + self.sin_lon * horizontal + self.cos_lon * e,
            self.centre[2] + self.cos_lat * n + self.sin_lat * u,
        ])
    }
}

fn geocentric(latitude_deg: f64, longitude_deg: f64, height_m: f64) -> [f64; 3] {
    let (sin_lat, cos_lat) = latitude_deg.to_radians().sin_cos();
    let (sin_lon, cos_lon) = longitude_deg.to_radians().sin_cos();
    let nu = A / (1.0 - E2 * sin_lat * sin_lat).sqrt();
    [(nu + height_m) * cos_lat * cos_lon, (nu + height_m) * cos_lat * sin_lon, (nu * (1.0 - E2) + height_m) * sin_lat]
}

/// Bowring's method (Survey Review 181, 1976), iterated; converges to the last bits for terrestrial heights.
fn geodetic(xyz: [f64; 3]) -> (f64, f64, f64) {
    let [x, y, z] = xyz;
    let p = x.hypot(y);
    let b = A * (1.0 - F);
    let mut reduced = (z * A).atan2(p * b);
    let mut latitude = 0.0_f64;
    for _ in 0..4 {
        let (s, c) = reduced.sin_cos();
        latitude = (z + E2 / (1.0 - E2) * b * s * s * s).atan2(p - E2 * A * c * c * c);
        reduced = ((1.0 - F) * latitude.sin()).atan2(latitude.cos());
    }
    let (s, c) = latitude.sin_cos();
    // The form that is stable at the poles as well as at the equator.
    let height = p * c + z * s - A * (1.0 - E2 * s * s).sqrt();
    let longitude = y.atan2(x).to_degrees();
    (latitude.to_degrees(), if longitude <= -180.0 { longitude + 360.0 } else { longitude }, height)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn there_and_back_is_the_same_place(lat in -90.0..90.0_f64, lon in -180.0..180.0_f64, h in -500.0..9000.0_f64,
            e in -500.0..500.0_f64, n in -500.0..500.0_f64, u in -100.0..100.0_f64) {
            let local = Local::at(lat, lon, h);
            let (lat2, lon2, h2) = local.geodetic([e, n, u]);
            let back = local.enu(lat2, lon2, h2);
            for (a, b) in back.iter().zip([e, n, u]) {
                prop_assert!((a - b).abs() < 2e-8, "{back:?}");
            }
        }
    }

    #[test]
    fn up_is_the_ellipsoid_normal() {
        let local = Local::at(42.73, -84.55, 219.8);
        let up = local.enu(42.73, -84.55, 221.8);
        assert!((up[2] - 2.0).abs() < 1e-8 && up[0].abs() < 1e-8 && up[1].abs() < 1e-8);
    }
}
