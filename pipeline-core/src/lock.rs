//! The lock of a job: the geodesy of one machine, written down so that another machine gives the same
//! coordinates or says by how many metres it would differ.
//!
//! `gunter lock JOB` writes it beside the job. It holds the text of every pipeline, the digest of every
//! grid, the versions of library and registry, and a few points of the job's area with what came out.
//! Core reads and compares; what a pipeline gives is the stages' business.

use crate::diag::{Diagnostic, Verdict};
use crate::job::parse::Document;
use crate::plan::Plan;
use crate::stage::Problem;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

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

/// Longitude from -180 to 180.
fn turned(longitude: f64) -> f64 {
    let l = (longitude + 180.0).rem_euclid(360.0) - 180.0;
    if l == -180.0 { 180.0 } else { l }
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
    fn as_written(self) -> Self {
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

/// A file that the lock was made from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LockedFile {
    /// Name.
    pub file: String,
    /// SHA-256.
    pub sha256: String,
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

/// The lock of a job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Lock {
    /// Version of the file format: 1.
    #[schemars(range(min = 1, max = 1))]
    pub lock: u32,
    /// What made it.
    pub made_with: MadeWith,
    /// The job.
    pub job: LockedFile,
    /// Its reference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<LockedFile>,
    /// Where the work lies.
    pub area: Extent,
    /// The pipelines, in the order of the steps.
    pub operations: Vec<Pin>,
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

/// The lock file of a job: `JOB.lock.json` beside it.
#[must_use]
pub fn path_of(job: &Path) -> PathBuf {
    job.with_extension("lock.json")
}

/// Makes the lock of a plan.
///
/// # Errors
/// `lock/no-place` when no log told where the work is; what a stage says when a pipeline fails at a probe point.
pub fn make(plan: &Plan, made_with: MadeWith) -> Result<Lock, Vec<Diagnostic>> {
    let area = plan.nodes.iter().filter_map(|n| n.bound.stage.extent()).reduce(|a, b| a.with(&b)).ok_or_else(|| {
        vec![
            Diagnostic::new("lock/no-place", Verdict::Error, "no log of this job told where the work is")
                .place(format!("job `{}`", plan.job.name))
                .size("unknown")
                .why("a lock proves itself by points in the area of the job")
                .fix("give the job a log with positions"),
        ]
    })?;
    let mut found = vec![];
    let area = area.as_written();
    let operations = pins(plan, &area.probes(), &mut found);
    if !found.is_empty() {
        return Err(found);
    }
    let file = |d: &Document, name: &str| LockedFile { file: name.to_owned(), sha256: d.sha256.clone() };
    let job = plan.documents.first().map_or_else(
        || LockedFile { file: String::new(), sha256: String::new() },
        |d| file(d, &Path::new(&d.name).file_name().map_or_else(|| d.name.clone(), |n| n.to_string_lossy().into_owned())),
    );
    let reference = reference_document(plan.job.reference.as_deref(), &plan.documents).map(|d| file(d, &d.name));
    Ok(Lock { lock: 1, made_with, job, reference, area, operations })
}

fn pins(plan: &Plan, probes: &[ProbeAt], found: &mut Vec<Diagnostic>) -> Vec<Pin> {
    let mut all = vec![];
    for node in &plan.nodes {
        match node.bound.stage.pins(probes) {
            Ok(pins) => all.extend(pins.into_iter().map(|p| Pin { step: node.id.clone(), ..p })),
            Err(problem) => {
                let mut finding = *problem.finding;
                finding.step = Some(node.id.clone());
                found.push(finding);
            }
        }
    }
    all
}

pub(crate) fn reference_document<'a>(name: Option<&str>, documents: &'a [Document]) -> Option<&'a Document> {
    let name = name?;
    documents.iter().skip(1).find(|d| d.name == name)
}

/// How far one pipeline of a plan is from an older lock.
#[derive(Clone, Debug, Serialize)]
pub struct Difference {
    /// Step.
    pub step: String,
    /// Part.
    pub part: String,
    /// What changed, in words.
    pub changed: Vec<String>,
    /// Largest horizontal distance at the probe points, m; `None` where it could not be computed.
    pub horizontal_m: Option<f64>,
    /// Largest distance in height, m.
    pub up_m: Option<f64>,
}

/// Compares an older lock with what a plan would do now, at the older lock's own points.
#[must_use]
pub fn differences(old: &Lock, plan: &Plan) -> Vec<Difference> {
    let mut all = vec![];
    let mut seen = vec![];
    for pin in &old.operations {
        let at: Vec<ProbeAt> = pin.probes.iter().map(|p| p.at).collect();
        let now = plan
            .nodes
            .iter()
            .find(|n| n.id == pin.step)
            .and_then(|n| n.bound.stage.pins(&at).ok())
            .and_then(|pins| pins.into_iter().find(|p| p.part == pin.part));
        seen.push((pin.step.clone(), pin.part.clone()));
        let mut one = Difference { step: pin.step.clone(), part: pin.part.clone(), changed: vec![], horizontal_m: None, up_m: None };
        let Some(now) = now else {
            one.changed.push("gone, or it cannot be computed".to_owned());
            all.push(one);
            continue;
        };
        if now.pipeline != pin.pipeline {
            one.changed.push(format!("operation: `{}` in place of `{}`", now.name, pin.name));
        }
        for grid in &now.grids {
            if !pin.grids.contains(grid) {
                one.changed.push(format!("grid `{}`", grid.file));
            }
        }
        if now.gives_in == pin.gives_in {
            let (mut horizontal, mut up) = (0.0_f64, 0.0_f64);
            for (a, b) in pin.probes.iter().zip(&now.probes) {
                let (h, v) = pin.gives_in.distance(a.gives, b.gives);
                horizontal = horizontal.max(h);
                up = up.max(v);
            }
            one.horizontal_m = Some(horizontal);
            one.up_m = Some(up);
        } else {
            one.changed.push("unit".to_owned());
        }
        let same = one.changed.is_empty() && one.horizontal_m.is_some_and(|h| h < SAME_M) && one.up_m.is_some_and(|v| v < SAME_M);
        if !same {
            all.push(one);
        }
    }
    for node in &plan.nodes {
        for pin in node.bound.stage.pins(&[]).unwrap_or_default() {
            if !seen.contains(&(node.id.clone(), pin.part.clone())) {
                let changed = vec![format!("new: `{}`", pin.name)];
                all.push(Difference { step: node.id.clone(), part: pin.part, changed, horizontal_m: None, up_m: None });
            }
        }
    }
    all
}

/// Largest of the differences, in words.
#[must_use]
pub fn size_of(differences: &[Difference]) -> String {
    if differences.is_empty() {
        return "0.000 m at every probe point of the lock".to_owned();
    }
    let largest = |f: fn(&Difference) -> Option<f64>| differences.iter().filter_map(f).reduce(f64::max);
    let mut out = match (largest(|d| d.horizontal_m), largest(|d| d.up_m)) {
        (Some(h), Some(v)) => format!("up to {h:.3} m horizontally and {v:.3} m in height at the probe points of the lock"),
        _ => "unknown in metres".to_owned(),
    };
    let unknown = differences.iter().filter(|d| d.horizontal_m.is_none()).count();
    if unknown > 0 && unknown < differences.len() {
        let _ = write!(out, "; {unknown} pipelines cannot be compared");
    }
    out
}

/// Which files changed since a lock was made (`lock/stale`), without its size.
pub(crate) fn stale(lock: &Lock, name: &str, job: &Document, reference: Option<&Document>) -> Option<Diagnostic> {
    let mut changed = vec![];
    if lock.job.sha256 != job.sha256 {
        changed.push(format!("the job `{}`", lock.job.file));
    }
    match (&lock.reference, reference) {
        (Some(old), Some(now)) if old.sha256 != now.sha256 => changed.push(format!("the reference `{}`", now.name)),
        (Some(old), None) => changed.push(format!("the reference `{}`, which is no longer named,", old.file)),
        (None, Some(now)) => changed.push(format!("the reference `{}`, which is new,", now.name)),
        _ => {}
    }
    (!changed.is_empty()).then(|| {
        Diagnostic::new("lock/stale", Verdict::Block, format!("{} changed after the lock `{name}` was made", changed.join(" and ")))
            .place(format!("lock made with {}, {}, {}", lock.made_with.program, lock.made_with.library, lock.made_with.registry))
            .why("a lock belongs to one job and one reference; what they ask for now may be something else")
            .fix("if the change is meant, make the lock again with `gunter lock JOB --accept`; otherwise put the file back, or move the lock away")
    })
}

impl Lock {
    /// Writes it under a temporary name and renames it.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(&self, path: &Path) -> std::io::Result<()> {
        let temporary = path.with_extension("json.partial");
        let mut text = serde_json::to_string_pretty(self).map_err(std::io::Error::other)?;
        text.push('\n');
        std::fs::write(&temporary, text).and_then(|()| std::fs::rename(&temporary, path)).inspect_err(|_| {
            let _ = std::fs::remove_file(&temporary);
        })
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
