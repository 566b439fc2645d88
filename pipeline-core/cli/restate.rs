//! `gunter restate`.

use crate::args::Format;
use crate::{DATA, DONE, JOB, print};
use pipeline_core::plan;
use pipeline_core::registry::Registry;
use stages::archive::restate::{Verdict, restate};
use std::path::{Path, PathBuf};

/// Reports what it would take to bring old deliveries to another reference. Changes nothing.
pub(crate) fn run(to: &Path, records: &[PathBuf], format: Format, registry: &Registry) -> u8 {
    let reference = match plan::reference(to, registry) {
        Ok(reference) => reference,
        Err(refused) => {
            print::findings(&refused.findings, &refused.documents, format);
            return JOB;
        }
    };
    let named: Vec<(String, PathBuf)> = records.iter().map(|p| (p.to_string_lossy().into_owned(), p.clone())).collect();
    let report = match restate(&reference, &named) {
        Ok(report) => report,
        Err(problem) => {
            print::findings(&[*problem.finding], &[], format);
            return JOB;
        }
    };
    match format {
        Format::Json => print::json(&serde_json::to_value(&report).unwrap_or_default()),
        Format::Text => {
            print::answer(&report.text());
            let found: Vec<_> = report.records.iter().flat_map(|r| r.findings.iter().cloned()).collect();
            print::findings(&found, &[], format);
        }
    }
    if report.records.iter().any(|r| r.verdict == Verdict::Unreadable) { DATA } else { DONE }
}
