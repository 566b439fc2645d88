//! Shortest lines on the ellipsoid: distance and azimuth between two places.
//!
//! A port of GeographicLib does the work (C. F. F. Karney, "Algorithms for geodesics", Journal of
//! Geodesy 87, 2013): exact to some nanometres at any distance, also for places nearly across the
//! Earth from each other.

use super::ellipsoid::Ellipsoid;
use geographiclib_rs::{Geodesic, InverseGeodesic};

/// A shortest line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Length on the ellipsoid, m.
    pub length_m: f64,
    /// Azimuth at its start, clockwise from true north, -180 to 180 deg.
    pub azimuth_start_deg: f64,
    /// Azimuth at its end, pointing onward, -180 to 180 deg.
    pub azimuth_end_deg: f64,
}

/// The shortest line between two places (latitude, longitude, deg). The azimuth of a line without
/// length is 180 or 0 and means nothing.
#[must_use]
pub fn between(from: (f64, f64), to: (f64, f64), ellipsoid: Ellipsoid) -> Line {
    let solver = Geodesic::new(ellipsoid.a, ellipsoid.f);
    let (length_m, azimuth_start_deg, azimuth_end_deg, _): (f64, f64, f64, f64) = solver.inverse(from.0, from.1, to.0, to.1);
    Line { length_m, azimuth_start_deg, azimuth_end_deg }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{GRS80, WGS84};
    use geographiclib_rs::DirectGeodesic;
    use proptest::prelude::*;
    use survey_testing::shared;

    /// Latitude and longitude at the end of a line, and its azimuth there.
    fn end(from: (f64, f64), azimuth_deg: f64, length_m: f64, ellipsoid: Ellipsoid) -> (f64, f64, f64) {
        Geodesic::new(ellipsoid.a, ellipsoid.f).direct(from.0, from.1, azimuth_deg, length_m)
    }

    #[test]
    fn geodesic_test_set() {
        // C. F. F. Karney, "Test set for geodesics" (2010), doi 10.5281/zenodo.32156: every second line of the short
        // set, in ../shared/data/reference_values/geodtest_even.dat. Lengths of up to 20 000 km to 15 nm.
        let Some(path) = shared("data/reference_values/geodtest_even.dat") else { return };
        let text = std::fs::read_to_string(path).unwrap();
        let (mut lines, mut worst_length, mut worst_end) = (0, 0.0_f64, 0.0_f64);
        for line in text.lines() {
            let v: Vec<f64> = line.split_whitespace().map(|t| t.parse().unwrap()).collect();
            let [lat1, lon1, azi1, lat2, lon2, azi2, length] = v[..7] else { panic!("{line}") };
            let found = between((lat1, lon1), (lat2, lon2), WGS84);
            worst_length = worst_length.max((found.length_m - length).abs());
            let (la, lo, az) = end((lat1, lon1), azi1, length, WGS84);
            let off = between((la, lo), (lat2, lon2), WGS84).length_m;
            worst_end = worst_end.max(off);
            // An azimuth is as good as the line is long; at a pole it turns with the longitude.
            if lat2.abs() < 89.0 && lat1.abs() < 89.0 {
                assert!(((az - azi2 + 180.0).rem_euclid(360.0) - 180.0).abs() < 1e-9, "{line}: {az}");
                // Nearly across the Earth two azimuths of one length are possible only where the set says so.
                if length < 19_900_000.0 && length > 1_000.0 {
                    assert!(
                        (found.azimuth_start_deg - azi1).abs() < 1e-8 && (found.azimuth_end_deg - azi2).abs() < 1e-8,
                        "{line}: {found:?}"
                    );
                }
            }
            lines += 1;
        }
        assert_eq!(lines, 50);
        assert!(worst_length < 5e-8 && worst_end < 5e-8, "{worst_length} {worst_end}");
    }

    #[test]
    fn agrees_with_the_radii_over_a_hundred_metres() {
        // Along the meridian M times the arc, along the parallel N cos(lat) times the arc; the arc of a
        // parallel is longer than the shortest line by less than a micrometre at 100 m.
        for lat in [-60.0, -10.0, 0.0, 35.0, 52.0] {
            let north = between((lat, 10.0), (lat + 0.0009, 10.0), GRS80);
            assert!((north.length_m - GRS80.meridian_radius(lat + 0.00045) * 0.0009_f64.to_radians()).abs() < 1e-6);
            assert!(north.azimuth_start_deg.abs() < 1e-9);
            let east = between((lat, 10.0), (lat, 10.0014), GRS80);
            let arc = GRS80.prime_vertical_radius(lat) * lat.to_radians().cos() * 0.0014_f64.to_radians();
            assert!((east.length_m - arc).abs() < 1e-6, "{lat} {} {arc}", east.length_m);
        }
    }

    proptest! {
        #[test]
        fn there_and_back(lat in -89.0..89.0_f64, lon in -180.0..180.0_f64, azimuth in -180.0..180.0_f64, length in 1.0..5_000_000.0_f64) {
            let (la, lo, _) = end((lat, lon), azimuth, length, GRS80);
            let back = between((lat, lon), (la, lo), GRS80);
            prop_assert!((back.length_m - length).abs() < 1e-7, "{}", back.length_m - length);
        }
    }
}
