//! What a stage is: a name with documented options, a plan-time `bind` and a run-time `run`.

use pipeline_base::diag::Diagnostic;
use pipeline_base::pin::{Locked, Pin, ProbeAt};
use pipeline_base::place::Extent;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::rig::Rig;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Schema;
use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;
use std::sync::Arc;

pub mod cx;
pub use cx::{Cx, OutFile};

/// How many tables a stage takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Inputs {
    /// None: it reads files and makes the sessions.
    None,
    /// One.
    One,
    /// One or more; the first is partitioned, the others are given whole.
    Many,
    /// The same, and the coordinates of the others are looked at beside those of the first and never joined with
    /// them: they may have another reference.
    Beside,
}

/// What a stage needs to see at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grain {
    /// Each output row depends on its own input row; any split is allowed, and every row that goes
    /// in comes out or is set aside.
    Rows,
    /// All rows of one session together.
    Session,
    /// Everything together.
    Whole,
}

/// A small job that uses the stage, shown in its reference page and run by the contract test.
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
    /// Kebab-case name in jobs.
    pub name: &'static str,
    /// Raised whenever results may change; goes into the record.
    pub version: u32,
    /// One line.
    pub summary: &'static str,
    /// The reference page: What it does; When to use it; What it promises; References.
    pub doc: &'static str,
    /// How many tables it takes.
    pub inputs: Inputs,
    /// Whether it writes a delivery.
    pub delivers: bool,
    /// Examples.
    pub examples: &'static [Example],
}

/// What a file of a stage is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ResourceRole {
    /// Raw log of a session.
    Log,
    /// Field notes.
    Notes,
    /// Second stream: attitude, range.
    Stream,
    /// Geodetic grid.
    Grid,
    /// Other table.
    Table,
}

/// A file that a stage will read. It is looked for and hashed before anything runs.
#[derive(Clone, Debug, Serialize)]
pub struct Resource {
    /// The path as the job wrote it (or as a pattern of the job matched it), for messages and the record.
    pub name: String,
    /// The path that is opened.
    #[serde(skip)]
    pub path: PathBuf,
    /// What it is for.
    pub role: ResourceRole,
    /// Option that named it.
    #[serde(skip)]
    pub option: String,
}

/// One receiver's log for one day, in one or more files; the unit that runs in parallel.
#[derive(Clone, Debug, Serialize)]
pub struct Session {
    /// Unique name.
    pub name: String,
    /// Its files, in order.
    pub files: Vec<Resource>,
}

/// What a stage may look at when it is bound. It may not read data through it, only find files.
pub struct BindCx<'a> {
    /// Schemas of the inputs, in order.
    pub inputs: &'a [Schema],
    /// The rig of the job.
    pub rig: Option<&'a Rig>,
    /// The reference of the job.
    pub reference: Option<&'a Reference>,
    /// Where the work is, when a source could tell.
    pub locality: Option<Locality>,
    /// Finds files; see [`Files`].
    pub files: &'a dyn Files,
    /// What the lock beside the job says about this step, when there is a lock.
    pub locked: Option<Locked<'a>>,
}

impl BindCx<'_> {
    /// The schema of the only input.
    ///
    /// # Errors
    /// When there is none; core refuses such jobs before `bind`.
    pub fn input(&self) -> Result<&Schema, Vec<Problem>> {
        self.inputs.first().ok_or_else(|| vec![Problem::broken("a stage with one input was bound without it")])
    }

    /// The rig, or a problem that says that the job needs one.
    ///
    /// # Errors
    /// When the job names no rig.
    pub fn need_rig(&self) -> Result<&Rig, Problem> {
        self.rig.ok_or_else(|| {
            Problem::new("job/no-rig", "this stage needs a rig and the job names none")
                .fix("add `rig: rigs/NAME.yaml` to the job; `gunter schema rig` prints the form of the file")
        })
    }

    /// The reference, or a problem that says that the job needs one.
    ///
    /// # Errors
    /// When the job names no reference.
    pub fn need_reference(&self) -> Result<&Reference, Problem> {
        self.reference.ok_or_else(|| {
            Problem::new("job/no-reference", "this stage needs a reference and the job names none")
                .why("the frame and epoch of the corrections are nowhere in a log; without them a position is undecided by one to two metres")
                .fix("add `reference: references/NAME.yaml` to the job; `gunter schema reference` prints the form of the file")
        })
    }
}

/// The door through which `bind` finds files. Paths are relative to the job file.
pub trait Files {
    /// Files that match a path or a glob pattern, sorted by name.
    ///
    /// # Errors
    /// A finding when nothing matches or a folder cannot be read.
    fn find(&self, pattern: &str) -> Result<Vec<(String, PathBuf)>, Problem>;
    /// The path that a name in the job stands for.
    fn resolve(&self, name: &str) -> PathBuf;
    /// Folder of the results of this job.
    fn results(&self) -> PathBuf;
}

/// A stage that fits its inputs.
pub struct Bound<S> {
    /// The stage, with everything that it decided.
    pub stage: S,
    /// The schema that it promises.
    pub output: Schema,
    /// What it needs to see at once.
    pub grain: Grain,
    /// Warnings and notes for the plan.
    pub notes: Vec<Problem>,
    /// Decisions that the plan prints and the record keeps, such as the operation chosen.
    pub decided: Vec<(String, serde_json::Value)>,
}

impl<S> Bound<S> {
    /// A bound stage without notes or decisions.
    pub fn new(stage: S, output: Schema, grain: Grain) -> Self {
        Self { stage, output, grain, notes: vec![], decided: vec![] }
    }

    /// Adds a decision that the plan prints and the record keeps.
    #[must_use]
    pub fn decided(mut self, key: &str, value: impl Into<serde_json::Value>) -> Self {
        self.decided.push((key.to_owned(), value.into()));
        self
    }
}

/// One kind of step. A file of `stages/` implements it once.
pub trait Stage: Sized + Send + Sync + 'static {
    /// Keys allowed under `options:`. The doc comments are the reference page. Every struct in it
    /// carries `deny_unknown_fields`.
    type Options: DeserializeOwned + Serialize + JsonSchema;
    /// Constant facts.
    const SPEC: Spec;

    /// Plan time. No data is read, no clock, no environment.
    ///
    /// # Errors
    /// All problems that can be seen, not only the first.
    fn bind(options: Self::Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>>;

    /// Files that will be read besides the sessions.
    fn resources(&self) -> Vec<Resource> {
        vec![]
    }

    /// Sources only: the sessions, in order.
    fn sessions(&self) -> Vec<Session> {
        vec![]
    }

    /// Sources only: where the work is. May read the first part of the first file.
    fn locate(&self) -> Option<Locality> {
        None
    }

    /// Sources only: where all of the work lies. May read every file; only `gunter lock` asks.
    fn extent(&self) -> Option<Extent> {
        Stage::locate(self).map(|l| Extent::at(l.latitude_deg, l.longitude_deg, l.height_m, l.decimal_year))
    }

    /// The pipelines of this step with their results at some points, for the lock of the job. The name of
    /// the step is filled in by core.
    ///
    /// # Errors
    /// When a pipeline gives no result at a point.
    fn pins(&self, probes: &[ProbeAt]) -> Result<Vec<Pin>, Problem> {
        let _ = probes;
        Ok(vec![])
    }

    /// Sources only: looks at the logs before anything runs, for findings that stop a job early
    /// (no date in the log, heights on the wrong surface). May read the first part of each file.
    fn survey(&self) -> Vec<Diagnostic> {
        vec![]
    }

    /// Run time. One partition.
    ///
    /// # Errors
    /// The finding that ends the run.
    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem>;

    /// Keys of the facts that [`Stage::conclude`] wants to see; without any it is not called.
    fn concludes_on(&self) -> &'static [&'static str] {
        &[]
    }

    /// After the last partition: what only the facts of all sessions together can tell.
    fn conclude(&self, facts: &Facts) -> Vec<Diagnostic> {
        let _ = facts;
        vec![]
    }
}

/// Gives the values of all facts of a step with a key, one after the other in the order of the sessions. The trees of all
/// sessions together can be large, so they are made again for each call and one at a time.
pub type Facts<'a> = dyn Fn(&str) -> Box<dyn Iterator<Item = serde_json::Value> + 'a> + 'a;

/// A bound stage whose type is forgotten.
pub trait AnyBound: Send + Sync {
    /// See [`Stage::resources`].
    fn resources(&self) -> Vec<Resource>;
    /// See [`Stage::sessions`].
    fn sessions(&self) -> Vec<Session>;
    /// See [`Stage::locate`].
    fn locate(&self) -> Option<Locality>;
    /// See [`Stage::extent`].
    fn extent(&self) -> Option<Extent>;
    /// See [`Stage::pins`].
    ///
    /// # Errors
    /// When a pipeline gives no result at a point.
    fn pins(&self, probes: &[ProbeAt]) -> Result<Vec<Pin>, Problem>;
    /// See [`Stage::survey`].
    fn survey(&self) -> Vec<Diagnostic>;
    /// See [`Stage::run`].
    ///
    /// # Errors
    /// The finding that ends the run.
    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem>;
    /// See [`Stage::concludes_on`].
    fn concludes_on(&self) -> &'static [&'static str];
    /// See [`Stage::conclude`].
    fn conclude(&self, facts: &Facts) -> Vec<Diagnostic>;
}

impl<S: Stage> AnyBound for S {
    fn resources(&self) -> Vec<Resource> {
        Stage::resources(self)
    }
    fn sessions(&self) -> Vec<Session> {
        Stage::sessions(self)
    }
    fn locate(&self) -> Option<Locality> {
        Stage::locate(self)
    }
    fn extent(&self) -> Option<Extent> {
        Stage::extent(self)
    }
    fn pins(&self, probes: &[ProbeAt]) -> Result<Vec<Pin>, Problem> {
        Stage::pins(self, probes)
    }
    fn survey(&self) -> Vec<Diagnostic> {
        Stage::survey(self)
    }
    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        Stage::run(self, inputs, cx)
    }
    fn concludes_on(&self) -> &'static [&'static str] {
        Stage::concludes_on(self)
    }
    fn conclude(&self, facts: &Facts) -> Vec<Diagnostic> {
        Stage::conclude(self, facts)
    }
}

/// What binding an erased kind gives.
pub struct DynBound {
    /// The stage.
    pub stage: Arc<dyn AnyBound>,
    /// The schema that it promises.
    pub output: Arc<Schema>,
    /// What it needs to see at once.
    pub grain: Grain,
    /// Warnings and notes.
    pub notes: Vec<Problem>,
    /// Decisions.
    pub decided: Vec<(String, serde_json::Value)>,
    /// The options with every default filled in.
    pub options: serde_json::Value,
}

/// A kind of stage, by name. Implemented once for every [`Stage`]; authors never see it.
pub trait StageKind: Send + Sync {
    /// Constant facts.
    fn spec(&self) -> Spec;
    /// JSON Schema of the options.
    fn options_schema(&self) -> serde_json::Value;
    /// Small files that the examples name, for a stage that brings them: name and text.
    fn example_files(&self) -> &[(String, String)] {
        &[]
    }
    /// Binds options that already fit the schema.
    ///
    /// # Errors
    /// All problems that can be seen.
    fn bind(&self, options: serde_json::Value, cx: &BindCx) -> Result<DynBound, Vec<Problem>>;
}

struct Kind<S>(std::marker::PhantomData<fn() -> S>);

/// The kind of a built-in stage.
#[must_use]
pub fn kind<S: Stage>() -> Arc<dyn StageKind> {
    Arc::new(Kind::<S>(std::marker::PhantomData))
}

impl<S: Stage> StageKind for Kind<S> {
    fn spec(&self) -> Spec {
        S::SPEC
    }

    fn options_schema(&self) -> serde_json::Value {
        schemars::SchemaGenerator::default().into_root_schema_for::<S::Options>().to_value()
    }

    fn bind(&self, options: serde_json::Value, cx: &BindCx) -> Result<DynBound, Vec<Problem>> {
        let options: S::Options = serde_path_to_error::deserialize(options).map_err(|e| {
            let path = e.path().to_string();
            vec![Problem::new("job/bad-value", e.inner().to_string()).option(path)]
        })?;
        let full = serde_json::to_value(&options).map_err(|e| vec![Problem::broken(e)])?;
        let bound = S::bind(options, cx)?;
        Ok(DynBound {
            stage: Arc::new(bound.stage),
            output: Arc::new(bound.output),
            grain: bound.grain,
            notes: bound.notes,
            decided: bound.decided,
            options: full,
        })
    }
}
