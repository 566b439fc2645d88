//! `gunter check`.

use crate::args::Format;
use crate::{DONE, JOB, print};
use pipeline_base::diag::Verdict;
use pipeline_core::plan::{self, print as plan_print};
use pipeline_core::registry::Registry;
use pipeline_core::run;
use std::path::Path;

/// Proves a job.
pub(crate) fn run(job: &Path, show_plan: bool, deny_warnings: bool, format: Format, registry: &Registry) -> u8 {
    let plan = match plan::compile(job, registry) {
        Ok(plan) => plan,
        Err(refused) => {
            print::findings(&refused.findings, &refused.documents, format);
            if format == Format::Text {
                eprintln!("\n{}: {}; nothing was run", job.display(), print::tally(&refused.findings));
            }
            return JOB;
        }
    };
    let found = run::survey(&plan);
    let stops = found.iter().any(|d| d.verdict.stops_delivery() || (deny_warnings && d.verdict == Verdict::Warn));
    match format {
        Format::Json => print::json(&serde_json::json!({
            "ready": !stops,
            "findings": found,
            "plan": plan_print::to_json(&plan),
        })),
        Format::Text => {
            print::findings(&found, &plan.documents, format);
            if show_plan {
                print::answer(&plan_print::to_text(&plan));
            }
            let tally = print::tally(&found);
            let tally = if tally.is_empty() { String::new() } else { format!(" ({tally})") };
            if stops {
                eprintln!("\n{}: not ready{tally}", job.display());
            } else {
                print::answer(&format!("{}: ready{tally}; {} steps, results go to {}", job.display(), plan.nodes.len(), plan.results_name));
            }
        }
    }
    if stops { JOB } else { DONE }
}
