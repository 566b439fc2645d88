//! What the engine knows of stages from outside; how they are opened is the business of a plug-in host.

use crate::job;
use crate::stage::StageKind;
use pipeline_base::diag::Diagnostic;
use serde::Serialize;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What this installation allows.
#[derive(Clone, Debug, Default)]
pub struct Policy {
    /// Refuse a plug-in without a digest in the job.
    pub only_pinned: bool,
    /// The program that serves `plugin-host`, for libraries in a process of their own.
    pub program: Option<PathBuf>,
}

/// What the plan and the record say about a plug-in.
#[derive(Clone, Debug, Serialize)]
pub struct PluginInfo {
    /// First word of its stages.
    pub name: String,
    /// Its own version.
    pub version: String,
    /// Its licence.
    pub license: String,
    /// Path as the job gives it.
    pub path: String,
    /// SHA-256 of the file.
    pub sha256: String,
    /// Bytes of the file.
    #[serde(skip)]
    pub bytes: u64,
    /// Version of the boundary that it was built for.
    pub abi: String,
    /// Whether it runs in a process of its own.
    pub isolated: bool,
}

/// A plug-in that can be used.
pub struct Loaded {
    /// What it is.
    pub info: PluginInfo,
    /// Its stages.
    pub kinds: Vec<Arc<dyn StageKind>>,
}

/// A finding without its place, and the key below `plugins[i]` that it is about.
pub type Refused = Box<(Diagnostic, &'static str)>;

/// Opens what a job names under `plugins`.
pub trait PluginHost: Send + Sync {
    /// Opens the plug-in of an entry; its path is relative to `folder`.
    ///
    /// # Errors
    /// Why it cannot be used.
    fn load(&self, entry: &job::Plugin, folder: &Path, policy: &Policy) -> Result<Loaded, Refused>;
}
