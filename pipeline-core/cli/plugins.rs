//! Plug-ins that the command line names.

use crate::args::Format;
use crate::{JOB, print};
use pipeline_base::diag::{Diagnostic, Label};
use pipeline_core::job;
use pipeline_core::plan::plugins;
#[cfg(feature = "plugins")]
use pipeline_core::plugin::PluginHost;
use pipeline_core::registry::Registry;
#[cfg(feature = "plugins")]
use plugin_host::NativeHost;
#[cfg(feature = "plugins")]
use plugin_host::examine::{self, StageTables, Trial};
use std::path::{Path, PathBuf};

/// An entry of a job for a file of the command line.
pub(crate) fn entry(file: &Path) -> job::Plugin {
    job::Plugin { path: file.to_string_lossy().into_owned(), sha256: None, isolate: false, time_limit_s: None, memory_limit_mb: None }
}

/// Adds the stages of plug-ins to a registry.
///
/// # Errors
/// Why the first of them cannot be opened.
pub(crate) fn add(registry: &mut Registry, files: &[PathBuf]) -> Result<(), Box<Diagnostic>> {
    for file in files {
        let entry = entry(file);
        plugins::add(&entry, Path::new(""), registry)
            .1
            .map_err(|refused| Box::new(refused.0.label(Label::file(&entry.path, "this plug-in"))))?;
    }
    Ok(())
}

/// Says why.
pub(crate) fn refused(found: &Diagnostic, format: Format) -> u8 {
    print::findings(std::slice::from_ref(found), &[], format);
    JOB
}

/// Tries every stage of a plug-in and prints what it keeps.
#[cfg(feature = "plugins")]
pub(crate) fn check(file: &Path, folder: Option<&Path>, isolate: bool, format: Format, registry: &Registry) -> u8 {
    let entry = job::Plugin { isolate, ..entry(file) };
    let loaded = match NativeHost.load(&entry, Path::new(""), &registry.plugins) {
        Ok(loaded) => loaded,
        Err(found) => return refused(&found.0.label(Label::file(&entry.path, "this plug-in")), format),
    };
    let beside = file.parent().unwrap_or(Path::new("")).to_owned();
    let folder = folder.map_or(beside, Path::to_path_buf);
    // Without them a stage that needs such tables is said to be not tried.
    let given = stages::behind::chain().and_then(|chain| StageTables::by(&chain)).unwrap_or_default();
    let tried: Vec<Trial> = loaded.kinds.iter().flat_map(|k| examine::examine(k.as_ref(), &folder, &given)).collect();
    let broken = tried.iter().filter(|t| t.kept == Some(false)).count();
    match format {
        Format::Json => print::json(&serde_json::json!({"plugin": loaded.info, "tried": tried})),
        Format::Text => {
            let mut text = format!(
                "{} {} ({}), boundary {}\nsha256 {}\n",
                loaded.info.name, loaded.info.version, loaded.info.path, loaded.info.abi, loaded.info.sha256
            );
            let mut stage = "";
            for t in &tried {
                if t.stage != stage {
                    text.push_str(&format!("\n{}\n", t.stage));
                    stage = &t.stage;
                }
                let word = match t.kept {
                    Some(true) => "kept   ",
                    Some(false) => "BROKEN ",
                    None => "not tried",
                };
                let detail = if t.detail.is_empty() { String::new() } else { format!(": {}", t.detail) };
                text.push_str(&format!("  {word} {}{detail}\n", t.what));
            }
            let kept = tried.iter().filter(|t| t.kept == Some(true)).count();
            text.push_str(&format!("\n{kept} kept, {broken} broken, {} not tried", tried.len() - kept - broken));
            print::answer(&text);
        }
    }
    if broken == 0 { crate::DONE } else { crate::DATA }
}
