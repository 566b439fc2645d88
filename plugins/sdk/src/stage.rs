//! What a stage is; the same four parts as a built-in one.

use crate::{Cx, Problem, Schema, Table};
use schemars::JsonSchema;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// How many tables a stage takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Inputs {
    /// One.
    One,
    /// One or more; the first is partitioned, the others are given whole.
    Many,
}

/// What a stage needs to see at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grain {
    /// Each output row depends on its own input row; every row that goes in comes out or is set aside.
    Rows,
    /// All rows of one session together.
    Session,
    /// Everything together.
    Whole,
}

/// How many threads may be in a stage at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Threads {
    /// As many as the host likes.
    Many,
    /// One: the host calls it for one session after the other.
    One,
}

/// A small job that uses the stage, shown in its page.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Example {
    /// What it shows.
    pub title: &'static str,
    /// The YAML below `options:`.
    pub options: &'static str,
}

/// Constant facts of a stage.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Spec {
    /// Name in jobs: the plug-in's word, a slash, and a word.
    pub name: &'static str,
    /// Raised whenever results may change; goes into the record.
    pub version: u32,
    /// One line.
    pub summary: &'static str,
    /// The page: what it does, when to use it, what it promises, references.
    pub doc: &'static str,
    /// How many tables it takes.
    pub inputs: Inputs,
    /// How many threads may be in it at once.
    pub threads: Threads,
    /// Examples.
    pub examples: &'static [Example],
}

/// What a stage may look at when it is bound.
pub struct BindCx {
    pub(crate) inputs: Vec<Schema>,
    pub(crate) context: Value,
}

impl BindCx {
    /// The schemas of the inputs, in order.
    #[must_use]
    pub fn inputs(&self) -> &[Schema] {
        &self.inputs
    }

    /// The schema of the first input.
    ///
    /// # Errors
    /// When there is none; the host refuses such jobs before.
    pub fn input(&self) -> Result<&Schema, Vec<Problem>> {
        self.inputs.first().ok_or_else(|| vec![Problem::new("no-input", "the stage was bound without a table")])
    }

    /// The rig of the job, in the form of its file, or null.
    #[must_use]
    pub fn rig(&self) -> &Value {
        &self.context["rig"]
    }

    /// The reference of the job, in the form of its file, or null.
    #[must_use]
    pub fn reference(&self) -> &Value {
        &self.context["reference"]
    }

    /// Where the work is, or null: `latitude_deg`, `longitude_deg`, and what the logs tell of `height_m` (above the ellipsoid),
    /// `receiver_separation_m` and `decimal_year`.
    #[must_use]
    pub fn place(&self) -> &Value {
        &self.context["place"]
    }
}

/// A stage that fits its inputs.
pub struct Bound<S> {
    /// The stage, with everything that it decided.
    pub stage: S,
    /// The schema that it promises.
    pub output: Schema,
    /// What it needs to see at once.
    pub grain: Grain,
    pub(crate) files: Vec<Value>,
    pub(crate) notes: Vec<Problem>,
    pub(crate) decided: serde_json::Map<String, Value>,
}

impl<S> Bound<S> {
    /// A bound stage.
    pub fn new(stage: S, output: Schema, grain: Grain) -> Self {
        Self { stage, output, grain, files: vec![], notes: vec![], decided: serde_json::Map::new() }
    }

    /// A file (or a pattern of files) that it will read, relative to the job file, and the option that named it. The host
    /// looks for it, hashes it, and gives its path in [`Cx::files`].
    #[must_use]
    pub fn file(mut self, path: &str, option: &str) -> Self {
        self.files.push(serde_json::json!({"path": path, "option": option}));
        self
    }

    /// Something that the reader of the plan should know.
    #[must_use]
    pub fn note(mut self, note: Problem) -> Self {
        self.notes.push(note);
        self
    }

    /// A decision that the plan prints and the record keeps.
    #[must_use]
    pub fn decided(mut self, key: &str, value: impl Into<Value>) -> Self {
        self.decided.insert(key.to_owned(), value.into());
        self
    }
}

/// One kind of step.
pub trait Stage: Sized + Send + Sync + 'static {
    /// Keys allowed under `options:`. Every struct in it carries `deny_unknown_fields`, every field a doc comment.
    type Options: DeserializeOwned + Serialize + JsonSchema;
    /// Constant facts.
    const SPEC: Spec;
    /// Small files that the examples of [`SPEC`](Self::SPEC) name, with their text, so that `gunter plugin check` can run them.
    const EXAMPLE_FILES: &'static [(&'static str, &'static str)] = &[];

    /// Plan time. No data is read, no clock, no environment.
    ///
    /// # Errors
    /// All problems that can be seen, not only the first.
    fn bind(options: Self::Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>>;

    /// Run time. One partition.
    ///
    /// # Errors
    /// The finding that ends the run.
    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem>;
}
