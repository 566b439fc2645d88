//! `gunter run --verdict`: one line a point, the worst first.

use crate::args::Format;
use crate::print;
use pipeline_base::diag::Diagnostic;
use pipeline_core::plan::Plan;
use pipeline_core::run::Outcome;
use pipeline_core::verdict::{Action, PointVerdict, lines, shared_holds};
use std::fmt::Write;

/// Prints the verdict of a run. What stops the whole job, or holds many points at once, goes to standard error first.
pub(crate) fn show(plan: &Plan, outcome: &Outcome, format: Format) {
    let decided = &outcome.record.decided;
    let list = lines(&decided.findings, &outcome.standings, &outcome.held);
    let stopped = decided.findings.iter().any(|d| d.verdict.stops_delivery());
    // What holds points comes last, next to the lines of the points.
    let mut stops: Vec<Diagnostic> = decided.findings.iter().filter(|d| d.verdict.stops_delivery()).cloned().collect();
    stops.extend(shared_holds(&decided.findings).cloned());
    match format {
        Format::Json => print::json(&serde_json::json!({
            "verdict": 1,
            "job": plan.job.name,
            "result": decided.result,
            "points": list,
            "findings": stops,
        })),
        Format::Text => {
            print::findings(&stops, &plan.documents, format);
            print::answer(&text(plan, &list, stopped));
        }
    }
}

fn text(plan: &Plan, list: &[PointVerdict], stopped: bool) -> String {
    let count = |action: Action| list.iter().filter(|l| l.action == action).count();
    let mut out = String::new();
    let stopped = if stopped { "; nothing of the job can be delivered as it is" } else { "" };
    let held = match count(Action::Held) {
        0 => String::new(),
        n => format!(" {n} held until what is said above is mended,"),
    };
    let _ = writeln!(
        out,
        "{}: {} to shoot again now,{held} {} need a second occupation, {} to keep{stopped}",
        plan.job.name,
        count(Action::ShootAgain),
        count(Action::SecondOccupation),
        count(Action::Keep)
    );
    let width = list.iter().map(|l| l.point.chars().count()).max().unwrap_or(0).min(24);
    for line in list {
        let _ = match line.action {
            Action::ShootAgain => writeln!(out, "  again   {:<width$}  {} -> {}", line.point, line.why, first_sentence(&line.fix)),
            Action::Held => writeln!(out, "  held    {:<width$}  {}", line.point, line.why),
            Action::SecondOccupation => {
                let after = line.after.as_deref().map_or_else(String::new, |t| format!(" after {} UTC", minute(t)));
                writeln!(out, "  second  {:<width$}  {}, {} -> {}{after}", line.point, numbers(line), line.why, line.fix)
            }
            Action::Keep => writeln!(out, "  keep    {:<width$}  {}, {}", line.point, numbers(line), line.why),
        };
    }
    if list.iter().any(|l| l.standing.as_ref().is_some_and(|s| s.check.is_none())) {
        out.push_str("  No step compares occupations, so nothing says which points are checked: add `compare-occupations`.\n");
    }
    out
}

/// What must be done; how else the finding could be lifted is for the office.
fn first_sentence(fix: &str) -> &str {
    fix.split("; ").next().unwrap_or(fix)
}

fn numbers(line: &PointVerdict) -> String {
    let Some(n) = &line.standing else { return String::new() };
    let metre = |v: Option<f64>| v.map_or_else(|| "?".to_owned(), |v| format!("{v:.3}"));
    let class = n.class.as_ref().map_or_else(String::new, |c| format!(", class {c}"));
    format!("95 % {} m horizontal, {} m vertical{class}", metre(n.horizontal_95_m), metre(n.vertical_95_m))
}

/// `2026-03-18T00:12` of an instant, the next whole minute.
fn minute(iso: &str) -> String {
    let text = iso.get(..16).unwrap_or(iso);
    let whole = iso.get(16..).is_none_or(|rest| rest == ":00Z");
    if whole {
        return text.replace('T', " ");
    }
    // The minute that has begun is over by the next one.
    match (text.get(..14), text.get(14..16).and_then(|m| m.parse::<u32>().ok())) {
        (Some(start), Some(m)) if m < 59 => format!("{start}{:02}", m + 1).replace('T', " "),
        _ => iso.get(..19).unwrap_or(iso).replace('T', " "),
    }
}
