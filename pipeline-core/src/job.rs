//! The job file, exactly as it is written, and the rig and reference that it names.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One step of a job.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Step {
    /// Name of this step, unique in the job; later steps refer to it.
    pub id: String,
    /// Stage to run; `gunter stages` lists them.
    pub stage: String,
    /// Steps above whose tables it takes. Left out: the step just above (a stage that reads files takes none).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub from: Vec<String>,
    /// Options of the stage; `gunter stages NAME` explains them.
    #[serde(default)]
    pub options: serde_json::Map<String, serde_json::Value>,
}

/// A decision of a named person to deliver in spite of a `hold`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Waiver {
    /// Code of the finding that it lifts.
    pub code: String,
    /// Point or session that it covers, or `all`.
    pub scope: String,
    /// Who decided.
    pub who: String,
    /// Why.
    pub reason: String,
}

/// Stages from outside, which the steps may then name.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Plugin {
    /// Shared library, or a program that speaks the same conversation, relative to the job file.
    pub path: String,
    /// SHA-256 of the file in hexadecimal: any other file is refused. `gunter plugin check` prints it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
    /// Run the library in a process of its own, so that a crash of it ends in a finding. A program always has one.
    #[serde(default)]
    pub isolate: bool,
    /// Longest time of one call in seconds, for a plug-in in a process of its own. Left out: 300.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1.0, max = 86400.0))]
    pub time_limit_s: Option<f64>,
    /// Most memory in MB, for a plug-in in a process of its own. Left out: no limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 64, max = 1_048_576))]
    pub memory_limit_mb: Option<u64>,
}

/// A job.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Job {
    /// Version of the file format: 1.
    #[schemars(range(min = 1, max = 1))]
    pub job: u32,
    /// Name of the job.
    pub name: String,
    /// One line on what it is for.
    #[serde(default)]
    pub summary: String,
    /// Rig file, relative to the job file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rig: Option<String>,
    /// Reference file, relative to the job file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
    /// Folder for deliveries, the record and the set-aside table, relative to the job file. Left out: `results/` and the name of the job file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub results: Option<String>,
    /// Plug-ins whose stages the steps may name. Nothing else is ever loaded.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub plugins: Vec<Plugin>,
    /// The steps, in order. A step takes tables only from steps above it.
    pub steps: Vec<Step>,
    /// Decisions to deliver in spite of a `hold`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub waivers: Vec<Waiver>,
}
