//! East, north, up at a point of the ellipsoid, and offsets carried exactly.
//!
//! An offset of a pole or a laser is added here and nowhere else: not to grid coordinates (grid
//! north is not true north) and not to degrees. The vertical of this frame is the ellipsoid normal;
//! the plumb line differs by the deflection of the vertical, 0.2 mm over 4 m for 10 arc-seconds.

use super::ellipsoid::Ellipsoid;

/// A local tangent frame: east, north and up at an origin on or near the ellipsoid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tangent {
    ellipsoid: Ellipsoid,
    sin_lat: f64,
    cos_lat: f64,
    sin_lon: f64,
    cos_lon: f64,
    origin: [f64; 3],
}

impl Tangent {
    /// The frame at a latitude and longitude (deg) and ellipsoidal height (m).
    #[must_use]
    pub fn new(latitude_deg: f64, longitude_deg: f64, height_m: f64, ellipsoid: Ellipsoid) -> Self {
        let (sin_lat, cos_lat) = latitude_deg.to_radians().sin_cos();
        let (sin_lon, cos_lon) = longitude_deg.to_radians().sin_cos();
        let origin = ellipsoid.geocentric_of(sin_lat, cos_lat, sin_lon, cos_lon, height_m);
        Self { ellipsoid, sin_lat, cos_lat, sin_lon, cos_lon, origin }
    }

    /// Turns a vector from east, north, up into geocentric axes, m.
    #[must_use]
    pub fn to_geocentric_axes(&self, [e, n, u]: [f64; 3]) -> [f64; 3] {
        let horizontal = self.cos_lat * u - self.sin_lat * n;
        [self.cos_lon * horizontal - self.sin_lon * e, self.sin_lon * horizontal + self.cos_lon * e, self.cos_lat * n + self.sin_lat * u]
    }

    /// Turns a vector from geocentric axes into east, north, up, m.
    #[must_use]
    pub fn from_geocentric_axes(&self, [x, y, z]: [f64; 3]) -> [f64; 3] {
        let horizontal = self.cos_lon * x + self.sin_lon * y;
        [self.cos_lon * y - self.sin_lon * x, self.cos_lat * z - self.sin_lat * horizontal, self.cos_lat * horizontal + self.sin_lat * z]
    }

    /// Latitude, longitude (deg) and ellipsoidal height (m) of a point given as east, north, up (m)
    /// from the origin.
    #[must_use]
    pub fn geodetic(&self, enu: [f64; 3]) -> (f64, f64, f64) {
        let [dx, dy, dz] = self.to_geocentric_axes(enu);
        self.ellipsoid.geodetic(self.origin[0] + dx, self.origin[1] + dy, self.origin[2] + dz)
    }

    /// East, north, up (m) of a latitude, longitude (deg) and ellipsoidal height (m), seen from the
    /// origin. Straight through the Earth, so right at any distance and across the 180th meridian.
    #[must_use]
    pub fn enu(&self, latitude_deg: f64, longitude_deg: f64, height_m: f64) -> [f64; 3] {
        let [x, y, z] = self.ellipsoid.geocentric(latitude_deg, longitude_deg, height_m);
        self.from_geocentric_axes([x - self.origin[0], y - self.origin[1], z - self.origin[2]])
    }
}

/// Carries a point by an offset in its own east, north, up (m), through geocentric coordinates.
/// Gives latitude, longitude (deg) and ellipsoidal height (m).
#[must_use]
pub fn offset_enu(latitude_deg: f64, longitude_deg: f64, height_m: f64, e: f64, n: f64, u: f64, ellipsoid: Ellipsoid) -> (f64, f64, f64) {
    Tangent::new(latitude_deg, longitude_deg, height_m, ellipsoid).geodetic([e, n, u])
}

#[cfg(test)]
mod tests {
    use super::super::ellipsoid::{GRS80, WGS84};
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn straight_up_changes_the_height_only() {
        for lat in [-90.0, -45.0, 0.0, 0.001, 42.73, 89.999_999, 90.0] {
            let (la, lo, h) = offset_enu(lat, -84.55, 220.0, 0.0, 0.0, 3.0, GRS80);
            assert!((la - lat).abs() < 1e-12, "{lat}");
            assert!(lat.abs() == 90.0 || (lo + 84.55).abs() < 1e-7, "{lat} {lo}");
            assert!((h - 223.0).abs() < 1e-8);
        }
    }

    #[test]
    fn tangent_plane_against_radii_of_curvature() {
        // Independent of the geocentric way: along the meridian and the parallel the arcs are
        // n / (M + h) and e / ((N + h) cos(lat)), and the plane rises above the ellipsoid by
        // n2 / 2M and e2 / 2N. To 0.1 mm for offsets of 10 m at latitudes to 80 degrees, beyond which
        // the neglected turning of the meridian (e2 tan(lat) / 2N) is larger than that.
        for step in -80..=80 {
            let lat = f64::from(step);
            let (la, lo, h) = offset_enu(lat, 12.0, 50.0, 10.0, -7.0, -3.0, WGS84);
            let north = (la - lat).to_radians() * (WGS84.meridian_radius(lat) + 50.0);
            let east = (lo - 12.0).to_radians() * (WGS84.prime_vertical_radius(lat) + 50.0) * lat.to_radians().cos();
            assert!((north + 7.0).abs() < 1e-4 && (east - 10.0).abs() < 1e-4, "{lat}: {east} {north}");
            assert!((h - 47.0).abs() < 1e-4);
        }
    }

    #[test]
    fn across_the_180th_meridian_and_over_the_pole() {
        let (_, lo, _) = offset_enu(10.0, 179.999_999_9, 0.0, 10.0, 0.0, 0.0, GRS80);
        assert!(lo < -179.999);
        let [e, n, u] = Tangent::new(10.0, 179.999_999_9, 0.0, GRS80).enu(10.0, -179.999_999_9, 0.0);
        assert!((e - 0.021_92).abs() < 1e-4 && n.abs() < 1e-6 && u.abs() < 1e-6);
        let (la, lo, _) = offset_enu(89.999_999, 30.0, 0.0, 0.0, 1.0, 0.0, GRS80);
        assert!(la < 90.0 && (lo + 150.0).abs() < 1e-6, "{la} {lo}");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]
        #[test]
        fn there_and_back(lat in -89.9..89.9_f64, lon in -180.0..180.0_f64, h in -400.0..9000.0_f64,
                          e in -2000.0..2000.0_f64, n in -2000.0..2000.0_f64, u in -200.0..200.0_f64) {
            let frame = Tangent::new(lat, lon, h, GRS80);
            let (la, lo, hh) = frame.geodetic([e, n, u]);
            let back = frame.enu(la, lo, hh);
            for (b, w) in back.iter().zip([e, n, u]) {
                prop_assert!((b - w).abs() < 1e-8, "{b} {w}");
            }
        }

        #[test]
        fn axes_turn_without_stretching(lat in -90.0..90.0_f64, lon in -180.0..180.0_f64, e in -9.0..9.0_f64, n in -9.0..9.0_f64, u in -9.0..9.0_f64) {
            let frame = Tangent::new(lat, lon, 0.0, GRS80);
            let v = frame.to_geocentric_axes([e, n, u]);
            prop_assert!((v.iter().map(|x| x * x).sum::<f64>() - (e * e + n * n + u * u)).abs() < 1e-12);
            let w = frame.from_geocentric_axes(v);
            prop_assert!((w[0] - e).abs() < 1e-14 && (w[1] - n).abs() < 1e-14 && (w[2] - u).abs() < 1e-14);
        }
    }
}
