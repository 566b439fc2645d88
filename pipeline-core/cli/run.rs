//! `gunter run`.

use crate::args::Format;
use crate::{DATA, DONE, JOB, print, verdict};
use indicatif::{ProgressBar, ProgressStyle};
use pipeline_base::diag::Verdict;
use pipeline_core::plan::{self, Plan};
use pipeline_core::record::Record;
use pipeline_core::registry::Registry;
use pipeline_core::run::{self, Outcome, Settings};
use std::fmt::Write;
use std::io::IsTerminal;
use std::path::Path;

/// How a person wants the job to be run.
pub(crate) struct Wish {
    /// Worker threads; one for each processor when left out.
    pub threads: Option<usize>,
    /// Whether earlier results may be replaced.
    pub overwrite: bool,
    /// Whether a point that is not delivered makes the run fail.
    pub require_all: bool,
    /// Whether the answer is what to do about each point.
    pub verdict: bool,
}

/// Runs a job.
pub(crate) fn run(job: &Path, wish: &Wish, format: Format, registry: &Registry) -> u8 {
    let plan = match plan::compile(job, registry) {
        Ok(plan) => plan,
        Err(refused) => {
            print::findings(&refused.findings, &refused.documents, format);
            if format == Format::Text {
                eprintln!("\n{}: {}; nothing was run", job.display(), print::tally(&refused.findings));
            }
            let _ = run::record_refusal(&refused);
            return JOB;
        }
    };
    let threads = wish.threads.unwrap_or_else(|| std::thread::available_parallelism().map_or(1, usize::from));
    let bar = if std::io::stderr().is_terminal() && format == Format::Text {
        let bar = ProgressBar::new(0);
        if let Ok(style) = ProgressStyle::with_template("{bar:32} {bytes}/{total_bytes} {bytes_per_sec}") {
            bar.set_style(style);
        }
        bar
    } else {
        ProgressBar::hidden()
    };
    let watch = |done: u64, total: u64| {
        bar.set_length(total);
        bar.set_position(done.min(total));
    };
    let settings = Settings { threads, overwrite: wish.overwrite, deliver: wish.overwrite || !wish.verdict, standings: wish.verdict };
    let outcome = run::execute(&plan, &settings, &watch);
    bar.finish_and_clear();
    let record = &outcome.record;
    match format {
        _ if wish.verdict => verdict::show(&plan, &outcome, format),
        Format::Json => print::json(&serde_json::to_value(record).unwrap_or_default()),
        Format::Text => {
            // The gravest stand last, next to the summary, where a person looks first.
            let mut shown = record.decided.findings.clone();
            shown.sort_by_key(|d| std::cmp::Reverse(d.verdict));
            print::findings(&shown, &plan.documents, format);
            if !record.decided.findings.is_empty() {
                eprintln!();
            }
            print::answer(&summary(&plan, &outcome));
        }
    }
    if let Some(error) = &outcome.record_error {
        eprintln!("error: the record `{}` cannot be written: {error}", outcome.record_path.display());
        return DATA;
    }
    let held = record.decided.findings.iter().any(|d| matches!(d.verdict, Verdict::Hold | Verdict::Reshoot) && d.waived.is_none());
    if outcome.done() && !(wish.require_all && held) { DONE } else { DATA }
}

/// What became of lines, epochs and points, and what was delivered.
fn summary(plan: &Plan, outcome: &Outcome) -> String {
    let decided = &outcome.record.decided;
    let mut out = String::new();
    let tally = print::tally(&decided.findings);
    let verdict = if outcome.done() { "done" } else { "failed, nothing was delivered" };
    let tally = if tally.is_empty() { String::new() } else { format!(" ({tally})") };
    let _ = writeln!(out, "{}: {verdict}{tally}", plan.job.name);
    let sum = |f: fn(&pipeline_base::input::LineCount) -> u64| decided.lines.iter().map(f).sum::<u64>();
    if !decided.lines.is_empty() {
        let _ = writeln!(
            out,
            "  lines      {} = {} used + {} not needed + {} damaged",
            sum(|c| c.total),
            sum(|c| c.used),
            sum(|c| c.ignored.values().sum()),
            sum(|c| c.damaged.values().sum())
        );
    }
    for (step, node) in decided.steps.iter().zip(&plan.nodes) {
        if (node.spec.delivers && outcome.done()) || step.rows.partitions == 0 {
            continue;
        }
        let refused: u64 = step.rows.set_aside.values().sum();
        let reasons = step.rows.set_aside.iter().map(|(r, n)| format!("{n} {r}")).collect::<Vec<_>>().join(", ");
        let aside = if refused == 0 { String::new() } else { format!("; {refused} set aside: {reasons}") };
        let used = if step.rows.used == 0 { String::new() } else { format!(" from {} used", step.rows.used) };
        let rows_in = if node.inputs.is_empty() { String::new() } else { format!("{} in, ", step.rows.r#in) };
        let _ = writeln!(out, "  {:<10} {rows_in}{} out{used}{aside}", step.id, step.rows.out);
    }
    if outcome.done() {
        for product in &decided.products {
            let rows = if product.rows == 0 { String::new() } else { format!(" ({} rows)", product.rows) };
            let _ = writeln!(out, "  delivered  {}/{}{rows}", plan.results_name, product.name);
        }
    }
    if !outcome.record_kept_back && outcome.record_error.is_none() {
        let name = outcome.record_path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let _ = writeln!(out, "  record     {}/{name}", plan.results_name);
        if name == run::FAILED_RECORD {
            let _ = writeln!(out, "             the deliveries of the earlier run and their {} stay as they are", run::RECORD);
        }
    }
    let Record { happened, .. } = &outcome.record;
    let _ = writeln!(out, "  took       {:.2} s on {} threads", happened.seconds, happened.threads);
    out
}
