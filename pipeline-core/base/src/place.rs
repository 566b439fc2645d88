//! Where and when the work is.

use crate::pin::turned;
use crate::pin::{ProbeAt, rounded};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Where the work is, roughly: the first good position of the first log. Used at planning to give
/// the size of a mistake in metres and to test areas of use.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Locality {
    /// Latitude in degrees.
    pub latitude_deg: f64,
    /// Longitude in degrees, east positive.
    pub longitude_deg: f64,
    /// Ellipsoidal height in metres, when known.
    pub height_m: Option<f64>,
    /// Geoid separation that the receiver reported, in metres.
    pub receiver_separation_m: Option<f64>,
    /// Time of measurement as a decimal year, when the log or the job dates it.
    pub decimal_year: Option<f64>,
}

/// Where the work of a source lies and when it was done, from all of its logs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Extent {
    /// Western limit, deg. Above `east` when the work crosses the 180th meridian.
    pub west: f64,
    /// Southern limit, deg.
    pub south: f64,
    /// Eastern limit, deg.
    pub east: f64,
    /// Northern limit, deg.
    pub north: f64,
    /// Lowest ellipsoidal height, m.
    pub low_m: f64,
    /// Highest ellipsoidal height, m.
    pub high_m: f64,
    /// First time of measurement, as a decimal year.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_year: Option<f64>,
    /// Last time of measurement, as a decimal year.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_year: Option<f64>,
}

impl Extent {
    /// One position.
    #[must_use]
    pub fn at(latitude: f64, longitude: f64, height_m: Option<f64>, year: Option<f64>) -> Self {
        let h = height_m.unwrap_or(0.0);
        let longitude = turned(longitude);
        Self { west: longitude, east: longitude, south: latitude, north: latitude, low_m: h, high_m: h, first_year: year, last_year: year }
    }

    fn width(&self) -> f64 {
        (self.east - self.west).rem_euclid(360.0)
    }

    /// The smallest that holds both; the shorter way round the earth.
    #[must_use]
    pub fn with(&self, other: &Self) -> Self {
        let holds = |west: f64, width: f64, e: &Self| (e.west - west).rem_euclid(360.0) + e.width() <= width + 1e-12;
        // The joint box begins at one of the two western limits.
        let candidates =
            [(self, other), (other, self)].map(|(a, b)| (a.west, ((b.west - a.west).rem_euclid(360.0) + b.width()).max(a.width())));
        let (west, width) = candidates
            .into_iter()
            .filter(|(west, width)| holds(*west, *width, self) && holds(*west, *width, other))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or(candidates[0]);
        let pick = |a: Option<f64>, b: Option<f64>, f: fn(f64, f64) -> f64| match (a, b) {
            (Some(a), Some(b)) => Some(f(a, b)),
            (a, b) => a.or(b),
        };
        Self {
            west,
            east: turned(west + width),
            south: self.south.min(other.south),
            north: self.north.max(other.north),
            low_m: self.low_m.min(other.low_m),
            high_m: self.high_m.max(other.high_m),
            first_year: pick(self.first_year, other.first_year, f64::min),
            last_year: pick(self.last_year, other.last_year, f64::max),
        }
    }

    /// With the digits that a lock holds.
    #[must_use]
    pub fn as_written(self) -> Self {
        let degrees = |v: f64| rounded(v, 7);
        Self {
            west: degrees(self.west),
            south: degrees(self.south),
            east: degrees(self.east),
            north: degrees(self.north),
            low_m: rounded(self.low_m, 3),
            high_m: rounded(self.high_m, 3),
            first_year: self.first_year.map(|y| rounded(y, 6)),
            last_year: self.last_year.map(|y| rounded(y, 6)),
        }
    }

    /// The middle and the four corners. A smaller work than 200 m is taken as 200 m wide, so that
    /// the points do not all lie in one place.
    #[must_use]
    pub fn probes(&self) -> Vec<ProbeAt> {
        let middle_latitude = f64::midpoint(self.south, self.north);
        let middle_longitude = self.west + self.width() / 2.0;
        let half_latitude = ((self.north - self.south) / 2.0).max(0.001);
        let half_longitude = (self.width() / 2.0).max(0.001 / middle_latitude.to_radians().cos().abs().max(0.01));
        let middle_height = f64::midpoint(self.low_m, self.high_m);
        let middle_year = self.first_year.zip(self.last_year).map(|(a, b)| f64::midpoint(a, b));
        let at = |x: f64, y: f64, height_m: f64, year: Option<f64>| ProbeAt {
            longitude_deg: rounded(turned(middle_longitude + x * half_longitude), 10),
            latitude_deg: rounded((middle_latitude + y * half_latitude).clamp(-90.0, 90.0), 10),
            height_m: rounded(height_m, 4),
            year: year.map(|y| rounded(y, 6)),
        };
        vec![
            at(0.0, 0.0, middle_height, middle_year),
            at(-1.0, -1.0, self.low_m, self.first_year),
            at(1.0, -1.0, self.high_m, self.last_year),
            at(-1.0, 1.0, self.high_m, self.first_year),
            at(1.0, 1.0, self.low_m, self.last_year),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extents_join_the_shorter_way_round() {
        let a = Extent::at(-40.0, 179.9, Some(3.0), Some(2025.2));
        let b = Extent::at(-41.0, -179.8, Some(9.0), None);
        for joint in [a.with(&b), b.with(&a)] {
            assert!((joint.west - 179.9).abs() < 1e-9 && (joint.east + 179.8).abs() < 1e-9, "{joint:?}");
            assert_eq!((joint.south, joint.north, joint.low_m, joint.high_m, joint.first_year), (-41.0, -40.0, 3.0, 9.0, Some(2025.2)));
            let probes = joint.probes();
            assert_eq!(probes.len(), 5);
            assert!((probes[0].longitude_deg + 179.95).abs() < 1e-9 && probes[1].longitude_deg > 179.0 && probes[2].longitude_deg < -179.0);
        }
        let wide = a.with(&Extent::at(10.0, 0.0, None, None)).with(&b);
        assert!((wide.width() - 180.2).abs() < 1e-9 && (wide.west).abs() < 1e-9, "{wide:?}");
        // One place: still spread, by a hundred metres.
        let probes = Extent::at(60.0, 10.0, None, None).probes();
        assert!((probes[4].longitude_deg - probes[0].longitude_deg - 0.002).abs() < 1e-9);
    }
}
