//! Plug-ins that a job names.

use crate::job;
use crate::plugin::{Loaded, PluginInfo, Refused};
use crate::registry::Registry;
use pipeline_base::diag::{Diagnostic, Verdict};
use std::path::Path;

/// Opens a plug-in and adds its stages to a registry; what it is, also when its stages cannot be added.
///
/// # Errors
/// Why it cannot be opened, or which name stands twice.
pub fn add(entry: &job::Plugin, folder: &Path, registry: &mut Registry) -> (Option<PluginInfo>, Result<(), Refused>) {
    let refused =
        |code: &str, what: String, why: &str, fix: &str| Box::new((Diagnostic::new(code, Verdict::Error, what).why(why).fix(fix), "path"));
    let Some(host) = registry.plugin_host() else {
        let what = format!("`{}` cannot be opened: this program was built without plug-ins", entry.path);
        let why = "stages from outside need a host, which whoever built this program left out";
        return (None, Err(refused("plugin/no-host", what, why, "use a program with plug-ins, or leave the plug-in and its steps out")));
    };
    match host.load(entry, folder, &registry.plugins) {
        Ok(Loaded { info, kinds }) => {
            let clash = |what| {
                let fix = "name each plug-in once; of two with the same stages leave one out";
                refused("plugin/name-clash", format!("`{}`: {what}", entry.path), "a name must mean one thing", fix)
            };
            (Some(info), registry.add(kinds).map_err(clash))
        }
        Err(refused) => (None, Err(refused)),
    }
}
