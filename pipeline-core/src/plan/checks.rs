//! Rules of a job as a whole, one small function each.

use super::Plan;
use crate::job::Job;
use crate::registry::Registry;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::document::Document;

/// Rules that need only the job's text. `all_opened`: whether every plug-in of the job could be opened; only then is a stage of a
/// plug-in that nobody knows a mistake of its own.
pub(super) fn job(job: &Job, document: &Document, registry: &Registry, all_opened: bool) -> Vec<Diagnostic> {
    let mut found = vec![];
    no_steps(job, document, &mut found);
    unique_ids(job, document, &mut found);
    known_stages(job, document, registry, all_opened, &mut found);
    waivers_say_who_and_why(job, document, &mut found);
    found
}

/// Rules that need the plan.
pub(super) fn plan(plan: &Plan, document: &Document) -> Vec<Diagnostic> {
    let mut found = vec![];
    unused_steps(plan, document, &mut found);
    nothing_delivered(plan, document, &mut found);
    found
}

fn no_steps(job: &Job, document: &Document, found: &mut Vec<Diagnostic>) {
    if job.steps.is_empty() {
        found.push(
            Diagnostic::new("plan/no-steps", Verdict::Error, "the job has no steps")
                .label(document.key_label("steps", "empty"))
                .fix("begin with `ingest-nmea`; `gunter inspect LOG --write-job FILE` makes a first job"),
        );
    }
}

fn unique_ids(job: &Job, document: &Document, found: &mut Vec<Diagnostic>) {
    for (i, step) in job.steps.iter().enumerate() {
        if let Some(first) = job.steps[..i].iter().position(|s| s.id == step.id) {
            found.push(
                Diagnostic::new("plan/same-id", Verdict::Error, format!("two steps are called `{}`", step.id))
                    .label(document.value_label(&format!("steps[{i}].id"), "again here"))
                    .label(document.value_label(&format!("steps[{first}].id"), "first here"))
                    .fix("give each step a name of its own"),
            );
        }
    }
}

fn known_stages(job: &Job, document: &Document, registry: &Registry, all_opened: bool, found: &mut Vec<Diagnostic>) {
    for (i, step) in job.steps.iter().enumerate() {
        if registry.get(&step.stage).is_none() && (all_opened || !step.stage.contains('/')) {
            found.push(unknown_stage(i, &step.stage, document, registry));
        }
    }
}

/// The finding for a stage that no one has heard of.
pub(super) fn unknown_stage(step: usize, stage: &str, document: &Document, registry: &Registry) -> Diagnostic {
    let hint = registry.hint(stage);
    let text = if hint.is_empty() { "unknown stage" } else { &hint };
    Diagnostic::new("job/unknown-stage", Verdict::Error, format!("no stage is called `{stage}`"))
        .label(document.value_label(&format!("steps[{step}].stage"), text))
        .fix(match stage.split_once('/') {
            Some((plugin, _)) => {
                let first = format!("{plugin}/");
                let own: Vec<String> =
                    registry.kinds().map(|k| k.spec().name).filter(|n| n.starts_with(&first)).map(|n| format!("`{n}`")).collect();
                if own.is_empty() {
                    format!("name the library of `{plugin}` under `plugins`; `gunter stages --plugin LIBRARY` lists its stages")
                } else {
                    format!("the plug-in `{plugin}` has {}", own.join(", "))
                }
            }
            None => "`gunter stages` lists them".to_owned(),
        })
}

fn waivers_say_who_and_why(job: &Job, document: &Document, found: &mut Vec<Diagnostic>) {
    for (i, waiver) in job.waivers.iter().enumerate() {
        for (key, text) in [("who", &waiver.who), ("reason", &waiver.reason), ("scope", &waiver.scope)] {
            if text.trim().is_empty() {
                found.push(
                    Diagnostic::new("job/empty-waiver", Verdict::Error, format!("a waiver without `{key}` decides nothing"))
                        .label(document.value_label(&format!("waivers[{i}].{key}"), "empty"))
                        .fix("name the person, the scope and the reason"),
                );
            }
        }
    }
}

fn unused_steps(plan: &Plan, document: &Document, found: &mut Vec<Diagnostic>) {
    for (n, node) in plan.nodes.iter().enumerate() {
        if !node.spec.delivers && !plan.nodes.iter().any(|other| other.inputs.contains(&n)) {
            found.push(
                Diagnostic::new("plan/unused-step", Verdict::Warn, format!("nothing takes the table of `{}`", node.id))
                    .label(document.value_label(&format!("steps[{}].id", node.step), "its rows go nowhere"))
                    .fix("add an export step below, or remove this one"),
            );
        }
    }
}

fn nothing_delivered(plan: &Plan, document: &Document, found: &mut Vec<Diagnostic>) {
    if !plan.nodes.iter().any(|n| n.spec.delivers) {
        found.push(
            Diagnostic::new("plan/no-delivery", Verdict::Warn, "the job delivers nothing")
                .label(document.key_label("steps", "no export among these"))
                .fix("end with an export, such as `export-geopackage`"),
        );
    }
}
