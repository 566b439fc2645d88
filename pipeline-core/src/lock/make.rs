//! A lock and a plan: making one, and comparing an older one with what would be done now.

use super::{Difference, Lock, LockedFile, reference_document};
use crate::plan::Plan;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::document::Document;
use pipeline_base::pin::{MadeWith, Pin, ProbeAt, SAME_M};
use std::path::Path;

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
