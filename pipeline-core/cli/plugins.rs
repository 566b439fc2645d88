//! Plug-ins that the command line names.

use crate::args::Format;
use crate::{print, JOB};
use pipeline_core::diag::{Diagnostic, Label};
use pipeline_core::job;
use pipeline_core::plugin;
use pipeline_core::registry::Registry;
use std::path::{Path, PathBuf};

/// An entry of a job for a file of the command line.
pub fn entry(file: &Path) -> job::Plugin {
    job::Plugin { path: file.to_string_lossy().into_owned(), sha256: None, isolate: false, time_limit_s: None, memory_limit_mb: None }
}

/// Adds the stages of plug-ins to a registry.
///
/// # Errors
/// Why the first of them cannot be opened.
pub fn add(registry: &mut Registry, files: &[PathBuf]) -> Result<(), Diagnostic> {
    for file in files {
        let entry = entry(file);
        let label = |d: Diagnostic| d.label(Label::file(&entry.path, "this plug-in"));
        let loaded = plugin::load(&entry, Path::new(""), &registry.plugins).map_err(|refused| label(refused.0))?;
        let clash =
            |what| label(Diagnostic::new("plugin/name-clash", pipeline_core::diag::Verdict::Error, what).fix("name each plug-in once"));
        registry.add(loaded.kinds).map_err(clash)?;
    }
    Ok(())
}

/// Says why.
pub fn refused(found: &Diagnostic, format: Format) -> u8 {
    print::findings(std::slice::from_ref(found), &[], format);
    JOB
}
