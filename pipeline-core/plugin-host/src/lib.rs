#![doc = include_str!("../README.md")]

pub mod arrow;
pub(crate) mod description;
pub mod examine;
mod file;
mod host_findings;
mod in_process;
mod kind;
mod library_process;
mod process_host;
mod reported;
mod shared_memory;
mod spawn;

use crate::arrow::ReturnedTable;
use gunter_plugin_abi::code;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::table::Table;
use pipeline_core::job;
use pipeline_core::plugin::{Loaded, PluginHost, PluginInfo, Policy, Refused};
use polars::prelude::Column;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use library_process::serve;
pub use spawn::{own_stdout, watch};

/// Why a plug-in did not do what it was asked.
#[derive(Clone, Debug)]
pub(crate) enum HostFault {
    /// It said so itself: the code of the header, and findings as JSON.
    Said(i32, String),
    /// The host found it: code and what is wrong.
    Found(&'static str, String),
}

impl HostFault {
    pub(crate) fn found(code: &'static str, what: impl Into<String>) -> Self {
        Self::Found(code, what.into())
    }

    /// What a function or a program answered in place of what it was asked for: a code of the header, and findings as JSON.
    pub(crate) fn answered(answer: i32, json: String) -> Self {
        match answer {
            code::CANCELLED => Self::found("run/cancelled", "the run was stopped"),
            code::PANICKED => Self::found("plugin/panicked", reported::plain(&json)),
            _ => Self::Said(answer, json),
        }
    }

    /// In words, for a fault that no step is to blame for.
    pub(crate) fn into_code_and_words(self) -> (&'static str, String) {
        match self {
            Self::Found(code, what) => (code, what),
            Self::Said(_, json) => ("plugin/refused", format!("it will not start: {}", reported::plain(&json))),
        }
    }
}

/// What a plug-in may say while it runs; the same for both hosts.
pub(crate) trait CallReporter: Sync {
    fn set_aside(&self, rows: &[u64], reason: &str, detail: &str);
    fn used(&self, rows: u64);
    fn find(&self, json: &str);
    fn fact(&self, key: &str, json: &str);
    fn cancelled(&self) -> bool;
}

/// What `bind` is asked with.
pub(crate) struct BindRequest<'a> {
    pub(crate) stage: &'a str,
    pub(crate) options: String,
    pub(crate) inputs: String,
    pub(crate) context: String,
    /// Folder below which a process of its own may put its tables while it runs.
    pub(crate) scratch: PathBuf,
}

/// A plug-in on either side of a process boundary.
pub(crate) trait Host: Send + Sync {
    fn bind(&self, ask: &BindRequest) -> Result<Box<dyn BoundHost>, HostFault>;
}

/// A bound stage on either side of a process boundary.
pub(crate) trait BoundHost: Send + Sync {
    fn bound_json(&self) -> &str;
    /// `most` is the number of rows that cannot be exceeded.
    fn run(&self, run_json: &str, inputs: &[Table], most: Option<usize>, door: &dyn CallReporter) -> Result<ReturnedTable, HostFault>;
}

/// The columns of all tables that go in, numbered through.
fn columns(inputs: &[Table]) -> Vec<&Column> {
    inputs.iter().flat_map(|t| t.data.columns()).collect()
}

/// What a plug-in said about itself when it was opened.
pub(crate) struct OpenedPlugin {
    pub(crate) abi: String,
    pub(crate) about: String,
}

fn refused(code: &str, key: &'static str, what: String) -> Refused {
    let (why, fix) = host_findings::why_and_fix(code);
    Box::new((Diagnostic::new(code, Verdict::Error, what).why(why).fix(fix), key))
}

/// The host that ships with `gunter`: libraries in this process, libraries and programs in a process of their own.
#[derive(Clone, Copy, Debug, Default)]
pub struct NativeHost;

impl PluginHost for NativeHost {
    fn load(&self, entry: &job::Plugin, folder: &Path, policy: &Policy) -> Result<Loaded, Refused> {
        let no = refused;
        let name = &entry.path;
        let look = file::look(&folder.join(name)).map_err(|(code, what)| no(code, "path", format!("`{name}` {what}")))?;
        if let Some(pin) = &entry.sha256
            && !pin.eq_ignore_ascii_case(&look.sha256)
        {
            let what = format!("`{name}` has the digest {} and the job names another", look.sha256);
            return Err(no("plugin/digest-differs", "sha256", what));
        }
        if policy.only_pinned && entry.sha256.is_none() {
            let mut refused = no("plugin/not-pinned", "path", format!("the job does not name the digest of `{name}`"));
            refused.0.fix = format!("after a review, add `sha256: {}` to this plug-in", look.sha256);
            return Err(refused);
        }
        let isolated = entry.isolate || look.kind == file::FileKind::Program;
        let opened: Result<(Arc<dyn Host>, OpenedPlugin), HostFault> = if isolated {
            process_host::open(&look, entry, policy).map(|(host, hello)| (host as Arc<dyn Host>, hello))
        } else {
            in_process::open(&look.path, &look.sha256).map(|(host, hello)| (Arc::new(host) as Arc<dyn Host>, hello))
        };
        let (host, hello) = opened.map_err(|fault| {
            let (code, what) = fault.into_code_and_words();
            no(code, "path", format!("`{name}`: {what}"))
        })?;
        // A file that was replaced between the digest and the loading would be in the record under a wrong digest.
        if file::look(&look.path).map(|again| again.sha256).ok().as_ref() != Some(&look.sha256) {
            return Err(no("plugin/digest-differs", "path", format!("`{name}` was changed while it was opened")));
        }
        let about = description::read(&hello.about).map_err(|what| no("plugin/bad-description", "path", format!("`{name}`: {what}")))?;
        let info = PluginInfo {
            name: about.plugin.clone(),
            version: about.version.clone(),
            license: about.license.clone(),
            path: name.clone(),
            sha256: look.sha256,
            bytes: look.bytes,
            abi: hello.abi,
            isolated,
        };
        let kinds = about.stages.into_iter().map(|s| kind::make(s, host.clone(), &info)).collect();
        Ok(Loaded { info, kinds })
    }
}
