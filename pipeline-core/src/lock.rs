//! The lock of a job: the geodesy of one machine, written down so that another machine gives the same
//! coordinates or says by how many metres it would differ.
//!
//! `gunter lock JOB` writes it beside the job. It holds the text of every pipeline, the digest of every
//! grid, the versions of library and registry, and a few points of the job's area with what came out.
//! Core reads and compares; what a pipeline gives is the stages' business.

use crate::stage::AnyBound;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::document::Document;
use pipeline_base::pin::{MadeWith, Pin, ProbeAt, SAME_M};
use pipeline_base::place::Extent;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

pub mod make;

/// A file that the lock was made from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LockedFile {
    /// Name.
    pub file: String,
    /// SHA-256.
    pub sha256: String,
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

/// The lock file of a job: `JOB.lock.json` beside it.
#[must_use]
pub fn path_of(job: &Path) -> PathBuf {
    job.with_extension("lock.json")
}

pub(crate) fn reference_document<'a>(name: Option<&str>, documents: &'a [Document]) -> Option<&'a Document> {
    let name = name?;
    documents.iter().skip(1).find(|d| d.name == name)
}

/// How far one pipeline of a plan is from an older lock.
#[derive(Clone, Debug, Serialize)]
pub struct LockDifference {
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

/// Largest of the differences, in words.
#[must_use]
pub fn size_of(differences: &[LockDifference]) -> String {
    if differences.is_empty() {
        return "0.000 m at every probe point of the lock".to_owned();
    }
    let largest = |f: fn(&LockDifference) -> Option<f64>| differences.iter().filter_map(f).reduce(f64::max);
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

/// A step as a lock sees it.
#[derive(Clone, Copy)]
pub struct Step<'a> {
    /// Its name in the job.
    pub id: &'a str,
    /// What it is bound to.
    pub stage: &'a dyn AnyBound,
}

/// Compares an older lock with what a plan would do now, at the older lock's own points.
#[must_use]
pub fn differences(old: &Lock, steps: &[Step]) -> Vec<LockDifference> {
    let mut all = vec![];
    let mut seen = vec![];
    for pin in &old.operations {
        let at: Vec<ProbeAt> = pin.probes.iter().map(|p| p.at).collect();
        let now = steps
            .iter()
            .find(|s| s.id == pin.step)
            .and_then(|s| s.stage.pins(&at).ok())
            .and_then(|pins| pins.into_iter().find(|p| p.part == pin.part));
        seen.push((pin.step.clone(), pin.part.clone()));
        let mut one = LockDifference { step: pin.step.clone(), part: pin.part.clone(), changed: vec![], horizontal_m: None, up_m: None };
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
    for step in steps {
        for pin in step.stage.pins(&[]).unwrap_or_default() {
            if !seen.iter().any(|(id, part)| id == step.id && *part == pin.part) {
                let changed = vec![format!("new: `{}`", pin.name)];
                all.push(LockDifference { step: step.id.to_owned(), part: pin.part, changed, horizontal_m: None, up_m: None });
            }
        }
    }
    all
}
