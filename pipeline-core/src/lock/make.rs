//! A lock and a plan: making one, and comparing an older one with what would be done now.

use super::{Lock, LockedFile, reference_document};
use crate::plan::Plan;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::document::Document;
use pipeline_base::pin::{MadeWith, Pin, ProbeAt};
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
