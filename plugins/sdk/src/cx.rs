//! What a stage may say while it runs.

#![allow(unsafe_code)]

use crate::Problem;
use gunter_plugin_abi::GunterHost;
use serde::Deserialize;
use serde_json::Value;

/// A file that `bind` asked for.
#[derive(Clone, Debug, Deserialize)]
pub struct File {
    /// As the job names it.
    pub name: String,
    /// Where it is.
    pub path: std::path::PathBuf,
}

/// The door to the host while a stage runs.
pub struct Cx<'a> {
    pub(crate) host: Option<&'a GunterHost>,
    pub(crate) plugin: &'static str,
    pub(crate) session: Option<String>,
    pub(crate) files: Vec<File>,
}

// SAFETY: the functions of the host may be called from any thread until `run` returns (ownership rule 8).
unsafe impl Sync for Cx<'_> {}

impl Cx<'_> {
    /// Name of the session of this partition; `None` for a stage that sees everything.
    #[must_use]
    pub fn session(&self) -> Option<&str> {
        self.session.as_deref()
    }

    /// The files that `bind` asked for, with their paths.
    #[must_use]
    pub fn files(&self) -> &[File] {
        &self.files
    }

    /// Rows of the first input that go no further, with a reason in kebab case and a detail for people.
    pub fn set_aside_rows(&self, rows: &[u32], reason: &str, detail: &str) {
        let rows: Vec<u64> = rows.iter().map(|r| u64::from(*r)).collect();
        if let Some((host, f)) = self.host.and_then(|h| h.set_aside.map(|f| (h, f))) {
            // SAFETY: the function of the host, with slices that outlive the call.
            unsafe { f(host.ctx, rows.as_ptr(), rows.len(), reason.as_ptr().cast(), reason.len(), detail.as_ptr().cast(), detail.len()) };
        }
    }

    /// Rows of the first input that were used to make other rows; not for a stage of grain `Rows`.
    pub fn used(&self, rows: usize) {
        if let Some((host, f)) = self.host.and_then(|h| h.used.map(|f| (h, f))) {
            // SAFETY: the function of the host.
            unsafe { f(host.ctx, rows as u64) };
        }
    }

    /// Says something about the survey.
    pub fn find(&self, finding: Problem) {
        let json = finding.json(self.plugin).to_string();
        if let Some((host, f)) = self.host.and_then(|h| h.find.map(|f| (h, f))) {
            // SAFETY: the function of the host, with a text that outlives the call.
            unsafe { f(host.ctx, json.as_ptr().cast(), json.len()) };
        }
    }

    /// Keeps a fact for the record.
    pub fn fact(&self, key: &str, value: impl Into<Value>) {
        let json = value.into().to_string();
        if let Some((host, f)) = self.host.and_then(|h| h.fact.map(|f| (h, f))) {
            // SAFETY: the function of the host, with texts that outlive the call.
            unsafe { f(host.ctx, key.as_ptr().cast(), key.len(), json.as_ptr().cast(), json.len()) };
        }
    }

    /// Whether the run was cancelled.
    #[must_use]
    pub fn cancelled(&self) -> bool {
        // SAFETY: the function of the host.
        self.host.and_then(|h| h.cancelled.map(|f| unsafe { f(h.ctx) })).is_some_and(|c| c != 0)
    }
}
