//! Printing: answers to standard output, findings and progress to standard error.

use crate::args::Format;
use pipeline_base::diag::{Diagnostic, render};
use pipeline_base::document::Document;
use std::fs::File;
use std::io::{IsTerminal, Write};
use std::sync::{Mutex, OnceLock, PoisonError};

/// Standard output, once it is kept for answers.
static KEPT: OnceLock<Mutex<File>> = OnceLock::new();

/// Keeps standard output for answers: what a plug-in in this process prints goes to standard error from here on.
#[cfg(feature = "plugins")]
pub(crate) fn keep_stdout() {
    if let Ok(file) = plugin_host::own_stdout() {
        let _ = KEPT.set(Mutex::new(file));
    }
}

/// Prints an answer. A reader that has gone away (a closed pipe) is no failure.
pub(crate) fn answer(text: &str) {
    let end = if text.ends_with('\n') { "" } else { "\n" };
    let bytes = [text, end].concat();
    let _ = match KEPT.get() {
        Some(kept) => kept.lock().unwrap_or_else(PoisonError::into_inner).write_all(bytes.as_bytes()),
        None => std::io::stdout().lock().write_all(bytes.as_bytes()),
    };
}

/// Prints a value as JSON.
pub(crate) fn json(value: &serde_json::Value) {
    answer(&serde_json::to_string_pretty(value).unwrap_or_default());
}

/// Prints findings: to standard error as text, or as a JSON document to standard output.
pub(crate) fn findings(found: &[Diagnostic], documents: &[Document], format: Format) {
    match format {
        Format::Text => {
            if !found.is_empty() {
                let documents: Vec<&Document> = documents.iter().collect();
                let colour = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
                let _ = std::io::stderr().lock().write_all(render::text(found, &documents, colour).as_bytes());
            }
        }
        Format::Json => json(&serde_json::json!({ "findings": found })),
    }
}

/// `1 error, 2 warnings`, or an empty text.
pub(crate) fn tally(found: &[Diagnostic]) -> String {
    use pipeline_base::diag::Verdict;
    [
        (Verdict::Error, "error", "errors"),
        (Verdict::Block, "block", "blocks"),
        (Verdict::Hold, "hold", "holds"),
        (Verdict::Reshoot, "point to shoot again", "points to shoot again"),
        (Verdict::Warn, "warning", "warnings"),
        (Verdict::Note, "note", "notes"),
    ]
    .iter()
    .filter_map(|(verdict, one, many)| {
        let n = found.iter().filter(|d| d.verdict == *verdict && d.waived.is_none()).count();
        (n > 0).then(|| format!("{n} {}", if n == 1 { one } else { many }))
    })
    .collect::<Vec<_>>()
    .join(", ")
}
