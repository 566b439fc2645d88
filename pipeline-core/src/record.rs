//! What an auditor gets from every run, also from a failed one.
//!
//! Two halves: `decided` is the same for every run of one build on the same job and files, whatever
//! the thread count; `happened` may differ each time. No absolute paths, users or machine names.

use crate::plan::{Plan, print};
use crate::run::temporary_store::StoredValue;
use pipeline_base::diag::Diagnostic;
use pipeline_base::digest::sha256_hex;
use pipeline_base::document::Document;
use pipeline_base::input::LineCount;
use serde::Serialize;
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::Path;

/// A file that went in.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Material {
    /// Name as the job gives it.
    pub name: String,
    /// `job`, `rig`, `reference`, `lock`, `plugin`, `log`, `notes`, `stream`, `grid` or `table`.
    pub role: String,
    /// SHA-256 of the bytes on disk.
    pub sha256: String,
    /// Bytes on disk.
    pub bytes: u64,
}

/// A file that came out.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Product {
    /// Name below the results folder.
    pub name: String,
    /// SHA-256.
    pub sha256: String,
    /// Bytes.
    pub bytes: u64,
    /// Rows.
    pub rows: u64,
}

/// Rows of one step.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Rows {
    /// Rows that went in.
    pub r#in: u64,
    /// Rows that came out.
    pub out: u64,
    /// Rows that were used up in making others.
    pub used: u64,
    /// Rows set aside, by reason.
    pub set_aside: BTreeMap<String, u64>,
    /// Sessions or other partitions.
    pub partitions: u64,
}

/// A fact that a stage kept: session number, key, value.
#[derive(Clone, Debug, Serialize)]
pub struct Fact {
    /// Session, or none for a stage that sees everything.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session: Option<String>,
    /// Key.
    pub key: String,
    /// Value.
    pub value: StoredValue,
}

/// One step in the record.
#[derive(Clone, Debug, Serialize)]
pub struct StepRecord {
    /// Its name in the job.
    pub id: String,
    /// Rows.
    pub rows: Rows,
    /// Facts.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub facts: Vec<Fact>,
}

/// The half that is the same every time.
#[derive(Clone, Debug, Serialize)]
pub struct Decided {
    /// Program and version.
    pub tool: Value,
    /// The plan with every default.
    pub plan: Value,
    /// SHA-256 of the plan's canonical JSON.
    pub plan_sha256: String,
    /// What became of the rows.
    pub steps: Vec<StepRecord>,
    /// What became of the lines of each file.
    pub lines: Vec<LineCount>,
    /// Files that went in.
    pub materials: Vec<Material>,
    /// Files that came out.
    pub products: Vec<Product>,
    /// `done` or `failed`.
    pub result: String,
    /// All that was said.
    pub findings: Vec<Diagnostic>,
}

/// The half that may differ each time.
#[derive(Clone, Debug, Serialize)]
pub struct Happened {
    /// Start, UTC, ISO 8601.
    pub started: String,
    /// Duration, s.
    pub seconds: f64,
    /// Threads.
    pub threads: usize,
    /// Operating system and processor family.
    pub platform: String,
    /// Milliseconds of work per step, summed over sessions.
    pub steps: Vec<(String, f64)>,
}

/// The record of a run.
#[derive(Clone, Debug, Serialize)]
pub struct Record {
    /// Version of the format: 1.
    pub record: u32,
    /// The half that is the same every time.
    pub decided: Decided,
    /// The half that may differ.
    pub happened: Happened,
}

/// Program and version, and the version of the geodesy library that the binary was built with.
#[must_use]
pub fn tool() -> Value {
    serde_json::json!({"name": "gunter", "version": env!("CARGO_PKG_VERSION")})
}

/// Plan as JSON and its digest.
#[must_use]
pub fn plan_and_digest(plan: &Plan) -> (Value, String) {
    let value = print::to_json(plan);
    let digest = sha256_hex(value.to_string().as_bytes());
    (value, digest)
}

/// Job, rig and reference as materials: the first is the job, the others stand in the order in which
/// the job names them.
#[must_use]
pub fn materials_of(documents: &[Document]) -> Vec<Material> {
    documents
        .iter()
        .enumerate()
        .map(|(i, d)| {
            let role = match i {
                0 => "job",
                _ if d.value.get("rig").is_some() => "rig",
                _ if d.value.get("lock").is_some() => "lock",
                _ => "reference",
            };
            // The job's own folder is the machine's business; its name is enough.
            let name = if i == 0 {
                Path::new(&d.name).file_name().map_or_else(|| d.name.clone(), |n| n.to_string_lossy().into_owned())
            } else {
                d.name.clone()
            };
            Material { name, role: role.to_owned(), sha256: d.sha256.clone(), bytes: d.text.len() as u64 }
        })
        .collect()
}

/// Plug-ins as materials.
#[must_use]
pub fn materials_of_plugins(plugins: &[crate::plugin::PluginInfo]) -> Vec<Material> {
    let material = |p: &crate::plugin::PluginInfo| Material {
        name: p.path.clone(),
        role: "plugin".to_owned(),
        sha256: p.sha256.clone(),
        bytes: p.bytes,
    };
    plugins.iter().map(material).collect()
}

impl Record {
    /// Writes the record under a temporary name and renames it.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(&self, path: &Path) -> std::io::Result<()> {
        let temporary = path.with_extension("json.partial");
        let result = self.write_to(&temporary).and_then(|()| std::fs::rename(&temporary, path));
        if result.is_err() {
            let _ = std::fs::remove_file(&temporary);
        }
        result
    }
    fn write_to(&self, path: &Path) -> std::io::Result<()> {
        let mut out = std::io::BufWriter::new(std::fs::File::create(path)?);
        serde_json::to_writer_pretty(&mut out, self)?;
        out.write_all(b"\n")?;
        out.flush()
    }
}
