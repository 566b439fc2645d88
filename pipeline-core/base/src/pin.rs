//! Pipelines that are written down with what they give, so that another machine gives the same or says by how much not.

use crate::problem::Problem;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Longitude from -180 to 180.
#[must_use]
pub fn turned(longitude: f64) -> f64 {
    let l = (longitude + 180.0).rem_euclid(360.0) - 180.0;
    if l == -180.0 { 180.0 } else { l }
}

/// A value as it is written in a lock.
#[must_use]
pub fn rounded(value: f64, decimals: usize) -> f64 {
    let r: f64 = format!("{value:.decimals$}").parse().unwrap_or(value);
    if r == 0.0 { 0.0 } else { r }
}

/// What goes into a pipeline.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProbeAt {
    /// Longitude, deg.
    pub longitude_deg: f64,
    /// Latitude, deg.
    pub latitude_deg: f64,
    /// Ellipsoidal height, m.
    pub height_m: f64,
    /// Decimal year.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub year: Option<f64>,
}

/// A probe point: what went in and what came out.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Probe {
    /// What went in.
    pub at: ProbeAt,
    /// What came out: longitude and latitude to 1e-10 deg, or easting and northing to 0.1 mm; then height to 0.1 mm.
    pub gives: [f64; 3],
}

/// Unit of the two horizontal numbers that come out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum GivesIn {
    /// Degrees.
    #[serde(rename = "deg")]
    Degree,
    /// Metres.
    #[serde(rename = "m")]
    Metre,
    /// International feet.
    #[serde(rename = "ft")]
    Foot,
    /// US survey feet.
    #[serde(rename = "ftUS")]
    UsSurveyFoot,
}

impl GivesIn {
    /// Rounds what came out to what a lock holds.
    #[must_use]
    pub fn rounded(self, out: [f64; 3]) -> [f64; 3] {
        let decimals = if self == Self::Degree { 10 } else { 4 };
        [rounded(out[0], decimals), rounded(out[1], decimals), rounded(out[2], 4)]
    }

    /// Distance (m) of two results: horizontal and up.
    #[must_use]
    pub fn distance(self, a: [f64; 3], b: [f64; 3]) -> (f64, f64) {
        // A sphere is good enough for a distance that is said with three digits.
        let degree = 6_371_007.0_f64.to_radians();
        let metres = match self {
            Self::Degree => [turned(b[0] - a[0]) * degree * a[1].to_radians().cos(), (b[1] - a[1]) * degree],
            Self::Metre => [b[0] - a[0], b[1] - a[1]],
            Self::Foot => [(b[0] - a[0]) * 0.3048, (b[1] - a[1]) * 0.3048],
            Self::UsSurveyFoot => [(b[0] - a[0]) * 1200.0 / 3937.0, (b[1] - a[1]) * 1200.0 / 3937.0],
        };
        (metres[0].hypot(metres[1]), (b[2] - a[2]).abs())
    }

    /// Decimals that a finding shows.
    #[must_use]
    pub fn shown(self, out: [f64; 3]) -> String {
        match self {
            Self::Degree => format!("{:.10} {:.10} {:.4}", out[1], out[0], out[2]),
            _ => format!("{:.4} {:.4} {:.4}", out[0], out[1], out[2]),
        }
    }
}

/// Results that are nearer than this are the same, m: five times the last digit of a lock.
pub const SAME_M: f64 = 0.0005;

/// A grid of a pipeline.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PinnedGrid {
    /// File name in the pipeline.
    pub file: String,
    /// SHA-256.
    pub sha256: String,
}

/// One pipeline of one step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Pin {
    /// Step of the job.
    pub step: String,
    /// Which of the step's pipelines: `operation`, `geoid`, `conversion`, `to-wgs84`.
    pub part: String,
    /// Name in the registry, or who published it.
    pub name: String,
    /// What it starts from.
    pub from: String,
    /// What it leads to.
    pub to: String,
    /// Its text: longitude, latitude (deg), height (m), decimal year in.
    pub pipeline: String,
    /// Accuracy that its source states, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accuracy_m: Option<f64>,
    /// Its grids.
    #[serde(default)]
    pub grids: Vec<PinnedGrid>,
    /// Unit of the horizontal numbers that come out.
    pub gives_in: GivesIn,
    /// Probe points.
    pub probes: Vec<Probe>,
}

/// What made the lock.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MadeWith {
    /// This program.
    pub program: String,
    /// Geodesy library.
    pub library: String,
    /// Registry of coordinate systems.
    pub registry: String,
}

/// What a step may look at of the lock.
#[derive(Clone, Copy, Debug)]
pub struct Locked<'a> {
    /// What made the lock.
    pub made_with: &'a MadeWith,
    /// The pipelines of this step.
    pub pins: &'a [Pin],
}

impl<'a> Locked<'a> {
    /// A pipeline of the step.
    ///
    /// # Errors
    /// `lock/stale` when the lock does not know it.
    pub fn pin(&self, part: &str) -> Result<&'a Pin, Problem> {
        self.pins.iter().find(|p| p.part == part).ok_or_else(|| {
            Problem::blocks("lock/stale", format!("the lock beside the job has no `{part}` for this step"))
                .size("unknown; the lock says nothing about this step")
                .why("the step was added, or got a new name, after the lock was made")
                .fix("make the lock again: `gunter lock JOB`")
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_of_results() {
        let (h, v) = GivesIn::Degree.distance([119.140_005_71, -22.592_593_215_2, 0.0], [119.140_015_700_1, -22.592_579_486_3, 0.5]);
        // Published case of the traps page (T20): 1.83 m.
        assert!((h - 1.83).abs() < 0.02 && v == 0.5, "{h}");
        let (h, _) = GivesIn::Foot.distance([0.0; 3], [1.0, 0.0, 0.0]);
        assert!((h - 0.3048).abs() < 1e-12);
        assert!(GivesIn::Degree.distance([179.999_999_9, 0.0, 0.0], [-179.999_999_9, 0.0, 0.0]).0 < 0.03);
    }
}
