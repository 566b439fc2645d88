//! The ellipsoid of revolution: geodetic and geocentric coordinates, radii of curvature.
//!
//! Angles are degrees, lengths metres. Everything is closed formulas in double precision; no
//! single precision anywhere.

/// An ellipsoid of revolution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ellipsoid {
    /// Semi-major axis, m.
    pub a: f64,
    /// Flattening (a - b) / a, no unit.
    pub f: f64,
}

/// GRS 1980 (EPSG:7019): a = 6378137 m, 1/f = 298.257222101.
pub const GRS80: Ellipsoid = Ellipsoid { a: 6_378_137.0, f: 1.0 / 298.257_222_101 };

/// WGS 84 (EPSG:7030): a = 6378137 m, 1/f = 298.257223563.
pub const WGS84: Ellipsoid = Ellipsoid { a: 6_378_137.0, f: 1.0 / 298.257_223_563 };

impl Ellipsoid {
    /// An ellipsoid from its semi-major axis (m) and inverse flattening (0 for a sphere), as the
    /// registry gives it.
    #[must_use]
    pub fn new(a: f64, inverse_flattening: f64) -> Self {
        Self { a, f: if inverse_flattening == 0.0 { 0.0 } else { 1.0 / inverse_flattening } }
    }

    /// Semi-minor axis, m.
    #[must_use]
    pub fn b(&self) -> f64 {
        self.a * (1.0 - self.f)
    }

    /// First eccentricity squared, f (2 - f).
    #[must_use]
    pub fn e2(&self) -> f64 {
        self.f * (2.0 - self.f)
    }

    /// Radius of curvature in the prime vertical at a latitude (deg), m.
    #[must_use]
    pub fn prime_vertical_radius(&self, latitude_deg: f64) -> f64 {
        let s = latitude_deg.to_radians().sin();
        self.a / (1.0 - self.e2() * s * s).sqrt()
    }

    /// Radius of curvature in the meridian at a latitude (deg), m.
    #[must_use]
    pub fn meridian_radius(&self, latitude_deg: f64) -> f64 {
        let s = latitude_deg.to_radians().sin();
        let w2 = 1.0 - self.e2() * s * s;
        self.a * (1.0 - self.e2()) / (w2 * w2.sqrt())
    }

    /// Mean of the two radii of curvature at a latitude (deg), the square root of their product, m: the sphere that fits there.
    #[must_use]
    pub fn gaussian_radius(&self, latitude_deg: f64) -> f64 {
        let s = latitude_deg.to_radians().sin();
        self.b() / (1.0 - self.e2() * s * s)
    }

    /// Geocentric X, Y, Z (m) of a latitude and longitude (deg) and ellipsoidal height (m).
    ///
    /// IOGP Guidance Note 7-2, method EPSG:9602.
    #[must_use]
    pub fn geocentric(&self, latitude_deg: f64, longitude_deg: f64, height_m: f64) -> [f64; 3] {
        let (sin_lat, cos_lat) = latitude_deg.to_radians().sin_cos();
        let (sin_lon, cos_lon) = longitude_deg.to_radians().sin_cos();
        self.geocentric_of(sin_lat, cos_lat, sin_lon, cos_lon, height_m)
    }

    pub(super) fn geocentric_of(&self, sin_lat: f64, cos_lat: f64, sin_lon: f64, cos_lon: f64, height_m: f64) -> [f64; 3] {
        let nu = self.a / (1.0 - self.e2() * sin_lat * sin_lat).sqrt();
        let r = (nu + height_m) * cos_lat;
        [r * cos_lon, r * sin_lon, ((1.0 - self.e2()) * nu + height_m) * sin_lat]
    }

    /// Latitude and longitude (deg, east positive, -180 to 180) and ellipsoidal height (m) of
    /// geocentric X, Y, Z (m).
    ///
    /// Bowring (1976, 1985): the parametric latitude is improved twice, each time on the unit
    /// circle and never as a tangent, so poles and equator need no case of their own. From 100 km
    /// below the ellipsoid to the height of the satellites the result is good to the last digits
    /// of a double (below 1 nm at the surface of the Earth). The height is p cos(lat) + z sin(lat)
    /// - a sqrt(1 - e2 sin2(lat)), which loses no digits anywhere.
    #[must_use]
    pub fn geodetic(&self, x: f64, y: f64, z: f64) -> (f64, f64, f64) {
        let e2 = self.e2();
        let b = self.b();
        let second_e2_b = e2 / (1.0 - e2) * b;
        let e2_a = e2 * self.a;
        let p = x.hypot(y);
        let r = p.hypot(z);
        if r == 0.0 {
            // The centre of the Earth has no latitude; any would be right.
            return (0.0, 0.0, -self.a);
        }
        let (mut s, mut c) = unit(z * (1.0 - self.f) * (1.0 + second_e2_b / r), p * (1.0 - self.f).powi(2));
        if !(s.is_finite() && c.is_finite()) {
            return (f64::NAN, f64::NAN, f64::NAN);
        }
        let (mut top, mut bottom) = (z, p);
        for _ in 0..2 {
            top = z + second_e2_b * s * s * s;
            bottom = p - e2_a * c * c * c;
            (s, c) = unit(top * (1.0 - self.f), bottom);
        }
        let (sin_lat, cos_lat) = unit(top, bottom);
        let height = p * cos_lat + z * sin_lat - self.a * (1.0 - e2 * sin_lat * sin_lat).sqrt();
        (top.atan2(bottom).to_degrees(), y.atan2(x).to_degrees(), height)
    }
}

/// Sine and cosine of the direction (`bottom`, `top`).
fn unit(top: f64, bottom: f64) -> (f64, f64) {
    let length = (top * top + bottom * bottom).sqrt();
    (top / length, bottom / length)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn guidance_note_example_9602() {
        // S-EPSG-9602, IOGP Guidance Note 7-2, WGS 84: 53d48'33.820"N 2d07'46.380"E h 73.0
        // X = 3771793.968 Y = 140253.342 Z = 5124304.349.
        let lat = 53.0 + 48.0 / 60.0 + 33.820 / 3600.0;
        let lon = 2.0 + 7.0 / 60.0 + 46.380 / 3600.0;
        let [x, y, z] = WGS84.geocentric(lat, lon, 73.0);
        assert!((x - 3_771_793.968).abs() < 0.001 && (y - 140_253.342).abs() < 0.001 && (z - 5_124_304.349).abs() < 0.001);
        let (la, lo, h) = WGS84.geodetic(x, y, z);
        assert!((la - lat).abs() < 1e-13 && (lo - lon).abs() < 1e-13 && (h - 73.0).abs() < 1e-8);
    }

    #[test]
    fn poles_equator_and_centre() {
        let (lat, _, h) = GRS80.geodetic(0.0, 0.0, GRS80.b() + 10.0);
        assert!((lat - 90.0).abs() < 1e-13 && (h - 10.0).abs() < 1e-8);
        let (lat, _, h) = GRS80.geodetic(0.0, 0.0, -GRS80.b() - 10.0);
        assert!((lat + 90.0).abs() < 1e-13 && (h - 10.0).abs() < 1e-8);
        let (lat, lon, h) = GRS80.geodetic(-GRS80.a, 0.0, 0.0);
        assert!(lat.abs() < 1e-13 && (lon - 180.0).abs() < 1e-13 && h.abs() < 1e-8);
        assert!(GRS80.geodetic(0.0, 0.0, 0.0).2.is_finite());
        assert!(GRS80.geodetic(f64::NAN, 0.0, 0.0).0.is_nan());
        assert!(GRS80.geodetic(f64::INFINITY, 0.0, 0.0).0.is_nan());
    }

    #[test]
    fn radii_at_the_equator_and_the_pole() {
        // Closed values: M(0) = a (1 - e2), N(0) = a, M(90) = N(90) = a2 / b.
        assert!((GRS80.meridian_radius(0.0) - GRS80.a * (1.0 - GRS80.e2())).abs() < 1e-8);
        assert!((GRS80.prime_vertical_radius(0.0) - GRS80.a).abs() < 1e-8);
        let polar = GRS80.a * GRS80.a / GRS80.b();
        assert!((GRS80.meridian_radius(90.0) - polar).abs() < 1e-7 && (GRS80.prime_vertical_radius(90.0) - polar).abs() < 1e-7);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]
        // Doubles near 6 400 km are 0.93 nm apart. X, Y and Z are rounded once and the way back takes a
        // few more roundings, so ten of these steps bound what rounding alone may do.
        #[test]
        fn round_trip_to_the_rounding_of_doubles(lat in -90.0..90.0_f64, lon in -180.0..180.0_f64, h in -10_000.0..100_000.0_f64) {
            let [x, y, z] = GRS80.geocentric(lat, lon, h);
            let (la, lo, hh) = GRS80.geodetic(x, y, z);
            prop_assert!(((la - lat).to_radians() * 6.4e6).abs() < 9.3e-9, "latitude {}", (la - lat).to_radians());
            prop_assert!(((lo - lon).to_radians() * 6.4e6 * lat.to_radians().cos()).abs() < 9.3e-9);
            prop_assert!((hh - h).abs() < 9.3e-9);
        }
    }
}
