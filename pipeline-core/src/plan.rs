//! The job, proved to fit together before any data is read.

mod checks;
pub mod files;
pub mod plugins;
pub mod print;

use crate::job::Job;
use crate::lock;
use crate::lock::Lock;
use crate::plugin::PluginInfo;
use crate::registry::Registry;
use crate::stage::{BindCx, DynBound, Inputs, Spec};
use files::JobFiles;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::document as parse;
use pipeline_base::document::Document;
use pipeline_base::pin::Locked;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::rig::Rig;
use pipeline_base::table::schema::Schema;
use pipeline_base::{conform, near};
use serde::de::DeserializeOwned;
use std::path::{Path, PathBuf};

/// One planned step.
pub struct Node {
    /// Its name in the job.
    pub id: String,
    /// Index of the step in the job.
    pub step: usize,
    /// The stage's constant facts.
    pub spec: Spec,
    /// Indices of the nodes whose tables it takes.
    pub inputs: Vec<usize>,
    /// The stage and all that it decided.
    pub bound: DynBound,
}

/// The proved job.
pub struct Plan {
    /// The job.
    pub job: Job,
    /// The rig.
    pub rig: Option<Rig>,
    /// The reference.
    pub reference: Option<Reference>,
    /// Steps in order.
    pub nodes: Vec<Node>,
    /// Job, rig and reference as text with places.
    pub documents: Vec<Document>,
    /// Folder of the job file.
    pub folder: PathBuf,
    /// Folder of the results.
    pub results: PathBuf,
    /// The results folder as the job wrote it.
    pub results_name: String,
    /// Where the work is.
    pub locality: Option<Locality>,
    /// The lock beside the job, when there is one and it was asked for.
    pub lock: Option<Lock>,
    /// Plug-ins that the job names.
    pub plugins: Vec<PluginInfo>,
    /// Warnings and notes.
    pub notes: Vec<Diagnostic>,
}

/// All that is wrong with a job, and the texts that it points into.
pub struct RefusedJob {
    /// The findings, in the order of their places.
    pub findings: Vec<Diagnostic>,
    /// Job, rig and reference as far as they could be read.
    pub documents: Vec<Document>,
    /// Plug-ins that were opened.
    pub plugins: Vec<PluginInfo>,
    /// Folder of the results, when the job could be read so far.
    pub results: Option<PathBuf>,
}

impl Plan {
    /// Its steps as a lock sees them.
    #[must_use]
    pub fn steps(&self) -> Vec<lock::Step<'_>> {
        self.nodes.iter().map(|n| lock::Step { id: &n.id, stage: n.bound.stage.as_ref() }).collect()
    }
}

/// Reads and proves a job file with its rig and reference, and holds it to the lock beside it.
///
/// # Errors
/// Every mistake that can be seen, not only the first.
pub fn compile(path: &Path, registry: &Registry) -> Result<Plan, Box<RefusedJob>> {
    compile_with(path, None, registry, true)
}

/// The same for a job that is in memory, such as one that another program puts together.
///
/// `folder` is where its paths start: logs, rig, reference, results. `name` stands in findings and in the record; a job without
/// `results` delivers to `results/NAME`. The job is held to the lock that would lie beside a file of that name in the folder.
///
/// # Errors
/// Every mistake that can be seen, not only the first.
pub fn compile_text(name: &str, text: &str, folder: &Path, registry: &Registry) -> Result<Plan, Box<RefusedJob>> {
    let file = Path::new(name).file_name().unwrap_or_else(|| "job".as_ref());
    compile_with(&folder.join(file), Some((name, text)), registry, true)
}

/// The same without a look at the lock, to make one.
///
/// # Errors
/// Every mistake that can be seen, not only the first.
pub fn compile_unlocked(path: &Path, registry: &Registry) -> Result<Plan, Box<RefusedJob>> {
    compile_with(path, None, registry, false)
}

/// Reads a reference file by itself.
///
/// # Errors
/// Every mistake in it.
pub fn reference(path: &Path, registry: &Registry) -> Result<Reference, Box<RefusedJob>> {
    let mut compiler = Compiler::new(registry, false);
    let name = path.to_string_lossy().into_owned();
    let read = compiler.read_text(&name, path, None).and_then(|document| compiler.typed::<Reference>(document));
    match read {
        Some(reference) => Ok(Reference { folder: path.parent().map_or_else(PathBuf::new, Path::to_path_buf), ..reference }),
        None => Err(Box::new(RefusedJob { findings: compiler.findings, documents: compiler.documents, plugins: vec![], results: None })),
    }
}

/// The job is read from its path, or is given with the name that findings know it by.
fn compile_with(path: &Path, given: Option<(&str, &str)>, registry: &Registry, locked: bool) -> Result<Plan, Box<RefusedJob>> {
    let mut compiler = Compiler::new(registry, locked);
    let document = match given {
        Some((name, text)) => compiler.document(name, text.as_bytes().to_vec()),
        None => compiler.read_text(&path.to_string_lossy().replace('\\', "/"), path, None),
    };
    match document.and_then(|document| compiler.compile(path, document)) {
        Some(plan) if compiler.findings.iter().all(|d| !d.verdict.stops_delivery()) => {
            Ok(Plan { notes: compiler.findings, documents: compiler.documents, plugins: compiler.plugins, ..plan })
        }
        _ => {
            let mut findings = compiler.findings;
            let order = |name: &str| compiler.documents.iter().position(|d| d.name == name).unwrap_or(usize::MAX);
            findings.sort_by_key(|d| {
                let stops = !d.verdict.stops_delivery();
                d.labels.first().map_or((stops, 0, 0), |l| (stops, order(&l.file), l.range.as_ref().map_or(0, |r| r.start)))
            });
            Err(Box::new(RefusedJob { findings, documents: compiler.documents, plugins: compiler.plugins, results: compiler.results }))
        }
    }
}

struct Compiler {
    registry: Registry,
    findings: Vec<Diagnostic>,
    documents: Vec<Document>,
    plugins: Vec<PluginInfo>,
    results: Option<PathBuf>,
    locked: bool,
}

impl Compiler {
    fn new(registry: &Registry, locked: bool) -> Self {
        Self { registry: registry.clone(), findings: vec![], documents: vec![], plugins: vec![], results: None, locked }
    }

    fn read_text(&mut self, name: &str, path: &Path, named_by: Option<(usize, &str)>) -> Option<usize> {
        let bytes = match std::fs::read(path) {
            Ok(bytes) => bytes,
            Err(e) => {
                let mut d = Diagnostic::new("job/missing-file", Verdict::Error, format!("`{name}` cannot be read: {e}"));
                d = match named_by {
                    Some((document, key)) => {
                        d.label(self.documents[document].value_label(key, "named here")).fix("paths are relative to the job file")
                    }
                    None => d.fix("give the path of a job file; `gunter inspect LOG --write-job FILE` makes a first one"),
                };
                self.findings.push(d);
                return None;
            }
        };
        self.document(name, bytes)
    }

    /// Takes a text among the documents.
    fn document(&mut self, name: &str, bytes: Vec<u8>) -> Option<usize> {
        match parse::read(name, &bytes) {
            Ok(document) => {
                self.documents.push(document);
                Some(self.documents.len() - 1)
            }
            Err(d) => {
                // Keep the text so that the place can be drawn.
                let sha256 = pipeline_base::digest::sha256_hex(&bytes);
                if let Ok(text) = String::from_utf8(bytes) {
                    let spans = pipeline_base::document::spans::Spans::read(&text);
                    self.documents.push(Document { name: name.to_owned(), text, value: serde_json::Value::Null, spans, sha256 });
                }
                self.findings.push(*d);
                None
            }
        }
    }

    fn typed<T: DeserializeOwned + schemars::JsonSchema>(&mut self, document: usize) -> Option<T> {
        let root = schemars::SchemaGenerator::default().into_root_schema_for::<T>().to_value();
        let document = &self.documents[document];
        let found = conform::conform(document, "", &document.value, &root);
        if !found.is_empty() {
            self.findings.extend(found);
            return None;
        }
        match serde_path_to_error::deserialize(document.value.clone()) {
            Ok(value) => Some(value),
            Err(e) => {
                let path = e.path().to_string();
                let label = document.value_label(&path, "here");
                self.findings.push(Diagnostic::new("job/bad-value", Verdict::Error, e.inner().to_string()).label(label));
                None
            }
        }
    }

    fn compile(&mut self, path: &Path, job_document: usize) -> Option<Plan> {
        let folder = path.parent().map_or_else(PathBuf::new, Path::to_path_buf);
        let Some(job) = self.typed::<Job>(job_document) else {
            self.salvage(&folder, job_document);
            return None;
        };
        let mut rig: Option<Rig> = self.side_file(&folder, job.rig.as_ref(), job_document, "rig");
        let mut reference: Option<Reference> = self.side_file(&folder, job.reference.as_ref(), job_document, "reference");
        let beside = |file: &String| folder.join(file).parent().map_or_else(PathBuf::new, Path::to_path_buf);
        if let (Some(rig), Some(file)) = (&mut rig, &job.rig) {
            rig.folder = beside(file);
        }
        if let (Some(reference), Some(file)) = (&mut reference, &job.reference) {
            reference.folder = beside(file);
        }
        // A broken rig or reference is said once; stages that need it would only repeat it.
        let sides_broken = (job.rig.is_some() && rig.is_none()) || (job.reference.is_some() && reference.is_none());
        let stem = path.file_stem().map_or_else(|| "job".into(), |s| s.to_string_lossy().into_owned());
        let results_name = job.results.clone().unwrap_or_else(|| format!("results/{stem}"));
        let results = folder.join(&results_name);
        self.results = Some(results.clone());
        let all_opened = self.open_plugins(&job, &folder, job_document);
        self.findings.extend(checks::job(&job, &self.documents[job_document], &self.registry, all_opened));
        let mut plan = Plan {
            nodes: vec![],
            documents: vec![],
            results,
            results_name,
            locality: None,
            lock: None,
            plugins: vec![],
            notes: vec![],
            folder,
            rig,
            reference,
            job,
        };
        if sides_broken {
            self.check_options_only(&plan.job, job_document);
            return None;
        }
        let lock = if self.locked { self.read_lock(path) } else { None };
        let stale = lock.as_ref().and_then(|(lock, name)| {
            let reference = lock::reference_document(plan.job.reference.as_deref(), &self.documents);
            lock::stale(lock, name, &self.documents[job_document], reference)
        });
        // A stale lock binds nothing: what the job asks for now is planned, so that the difference can be said.
        plan.lock = lock.as_ref().filter(|_| stale.is_none()).map(|(lock, _)| lock.clone());
        self.bind_all(&mut plan, job_document);
        if let (Some(stale), Some((lock, name))) = (stale, &lock) {
            let label = self.documents.iter().find(|d| d.name == *name).map(|d| d.key_label("job", "made for another text"));
            let size = if plan.nodes.len() == plan.job.steps.len() {
                lock::size_of(&lock::differences(lock, &plan.steps()))
            } else {
                "unknown until the job fits together".to_owned()
            };
            self.findings.push(label.into_iter().fold(stale.size(size), Diagnostic::label));
        }
        if self.findings.iter().all(|d| !d.verdict.stops_delivery()) {
            self.findings.extend(checks::plan(&plan, &self.documents[job_document]));
        }
        Some(plan)
    }

    /// Opens the plug-ins of the job, each with its own finding when it cannot be; whether all of them could.
    fn open_plugins(&mut self, job: &Job, folder: &Path, job_document: usize) -> bool {
        let mut all_opened = true;
        for (i, entry) in job.plugins.iter().enumerate() {
            let (info, added) = plugins::add(entry, folder, &mut self.registry);
            self.plugins.extend(info);
            if let Err(refused) = added {
                let (finding, key) = *refused;
                all_opened = false;
                let label = self.documents[job_document].value_label(&format!("plugins[{i}].{key}"), "named here");
                self.findings.push(finding.label(label));
            }
        }
        all_opened
    }

    fn side_file<T: DeserializeOwned + schemars::JsonSchema>(
        &mut self,
        folder: &Path,
        file: Option<&String>,
        job_document: usize,
        key: &str,
    ) -> Option<T> {
        let file = file?;
        let document = self.read_text(file, &folder.join(file), Some((job_document, key)))?;
        self.typed(document)
    }

    /// The lock beside the job, with the name that findings give it; its text joins the documents and so the record.
    fn read_lock(&mut self, job: &Path) -> Option<(Lock, String)> {
        let path = lock::path_of(job);
        if !path.exists() {
            return None;
        }
        let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let document = self.read_text(&name, &path, None)?;
        self.typed::<Lock>(document).map(|lock| (lock, name))
    }

    fn check_options_only(&mut self, job: &Job, job_document: usize) {
        for (i, step) in job.steps.iter().enumerate() {
            if let Some(kind) = self.registry.get(&step.stage).cloned() {
                self.options_fit(i, &step.options, &kind.options_schema(), job_document);
            }
        }
    }

    /// Looks at the rest of a job whose form is broken, so that one slip does not hide the others.
    fn salvage(&mut self, folder: &Path, job_document: usize) {
        let value = self.documents[job_document].value.clone();
        let text = |key: &str| value.get(key).and_then(serde_json::Value::as_str).map(str::to_owned);
        let _: Option<Rig> = self.side_file(folder, text("rig").as_ref(), job_document, "rig");
        let _: Option<Reference> = self.side_file(folder, text("reference").as_ref(), job_document, "reference");
        let steps = value.get("steps").and_then(serde_json::Value::as_array).cloned().unwrap_or_default();
        for (i, step) in steps.iter().enumerate() {
            let Some(stage) = step.get("stage").and_then(serde_json::Value::as_str) else { continue };
            match self.registry.get(stage).cloned() {
                // The stage of a plug-in: a job that cannot be read loads none.
                None if stage.contains('/') => {}
                None => self.findings.push(checks::unknown_stage(i, stage, &self.documents[job_document], &self.registry)),
                Some(kind) => {
                    if let Some(options) = step.get("options").and_then(serde_json::Value::as_object) {
                        self.options_fit(i, options, &kind.options_schema(), job_document);
                    }
                }
            }
        }
    }

    fn options_fit(
        &mut self,
        step: usize,
        options: &serde_json::Map<String, serde_json::Value>,
        schema: &serde_json::Value,
        document: usize,
    ) -> bool {
        let document = &self.documents[document];
        let found = conform::conform(document, &format!("steps[{step}].options"), &serde_json::Value::Object(options.clone()), schema);
        let good = found.is_empty();
        self.findings.extend(found);
        good
    }

    fn bind_all(&mut self, plan: &mut Plan, job_document: usize) {
        let job = plan.job.clone();
        let mut schemas: Vec<Option<(usize, Schema)>> = vec![];
        for (i, step) in job.steps.iter().enumerate() {
            let bound = self.bind_step(plan, &job, i, step, &schemas, job_document);
            schemas.push(bound.map(|node| {
                let schema = (*node.bound.output).clone();
                plan.nodes.push(node);
                (plan.nodes.len() - 1, schema)
            }));
        }
    }

    /// Binds one step; `None` when it or one of its inputs has already been complained about.
    fn bind_step(
        &mut self,
        plan: &mut Plan,
        job: &Job,
        i: usize,
        step: &crate::job::Step,
        schemas: &[Option<(usize, Schema)>],
        job_document: usize,
    ) -> Option<Node> {
        let kind = self.registry.get(&step.stage)?.clone();
        let spec = kind.spec();
        let fits = self.options_fit(i, &step.options, &kind.options_schema(), job_document);
        let sources = self.sources_of(job, i, spec, job_document)?;
        let mut inputs = vec![];
        let mut input_schemas = vec![];
        for source in sources {
            let (node, schema) = schemas[source].as_ref()?;
            inputs.push(*node);
            input_schemas.push(schema.clone());
        }
        if !fits {
            return None;
        }
        if spec.inputs != Inputs::Beside
            && let Some(finding) = self.other_reference(plan, job, i, &inputs, job_document)
        {
            self.findings.push(finding);
            return None;
        }
        let files = JobFiles { folder: plan.folder.clone(), results: plan.results.clone() };
        let pins: Vec<_> = plan.lock.iter().flat_map(|l| &l.operations).filter(|p| p.step == step.id).cloned().collect();
        let cx = BindCx {
            locked: plan.lock.as_ref().map(|l| Locked { made_with: &l.made_with, pins: &pins }),
            inputs: &input_schemas,
            rig: plan.rig.as_ref(),
            reference: plan.reference.as_ref(),
            locality: plan.locality,
            files: &files,
        };
        match kind.bind(serde_json::Value::Object(step.options.clone()), &cx) {
            Ok(mut bound) => {
                for note in std::mem::take(&mut bound.notes) {
                    let placed = self.placed(note, i, &step.id, plan, &inputs, job_document);
                    self.findings.push(placed);
                }
                if spec.inputs == Inputs::None && plan.locality.is_none() {
                    plan.locality = bound.stage.locate();
                }
                Some(Node { id: step.id.clone(), step: i, spec, inputs, bound })
            }
            Err(problems) => {
                for problem in problems {
                    let placed = self.placed(problem, i, &step.id, plan, &inputs, job_document);
                    if !self.findings.contains(&placed) {
                        self.findings.push(placed);
                    }
                }
                None
            }
        }
    }

    /// Job indices of the steps whose tables a step takes.
    fn sources_of(&mut self, job: &Job, i: usize, spec: Spec, job_document: usize) -> Option<Vec<usize>> {
        let step = &job.steps[i];
        let document = &self.documents[job_document];
        if spec.inputs == Inputs::None {
            if step.from.is_empty() {
                return Some(vec![]);
            }
            self.findings.push(
                Diagnostic::new("plan/inputs", Verdict::Error, format!("`{}` reads files and takes no table", step.stage))
                    .label(document.value_label(&format!("steps[{i}].from"), "not needed"))
                    .fix("remove `from`"),
            );
            return None;
        }
        let mut sources = vec![];
        if step.from.is_empty() {
            if i == 0 {
                self.findings.push(
                    Diagnostic::new("plan/inputs", Verdict::Error, format!("`{}` needs a table and is the first step", step.stage))
                        .label(document.value_label(&format!("steps[{i}].stage"), "nothing stands above it"))
                        .fix("begin the job with a step that reads logs, such as `ingest-nmea`"),
                );
                return None;
            }
            sources.push(i - 1);
        }
        for (j, name) in step.from.iter().enumerate() {
            match job.steps[..i].iter().position(|s| s.id == *name) {
                Some(k) => sources.push(k),
                None => {
                    let later = job.steps[i..].iter().any(|s| s.id == *name);
                    let hint = near::hint(name, job.steps[..i].iter().map(|s| s.id.as_str()));
                    let text = if later { "this step stands below; tables flow downward only".to_owned() } else { hint };
                    self.findings.push(
                        Diagnostic::new("plan/unknown-step", Verdict::Error, format!("no step above is called `{name}`"))
                            .label(document.value_label(&format!("steps[{i}].from[{j}]"), text))
                            .fix("name a step that stands above this one"),
                    );
                    return None;
                }
            }
        }
        if spec.inputs == Inputs::One && sources.len() != 1 {
            self.findings.push(
                Diagnostic::new("plan/inputs", Verdict::Error, format!("`{}` takes one table and gets {}", step.stage, sources.len()))
                    .label(document.value_label(&format!("steps[{i}].from"), "here"))
                    .fix("name one step"),
            );
            return None;
        }
        Some(sources)
    }

    /// A step that joins tables whose coordinates do not have one reference; both places are named.
    fn other_reference(&self, plan: &Plan, job: &Job, i: usize, inputs: &[usize], job_document: usize) -> Option<Diagnostic> {
        let with_frame: Vec<(usize, &pipeline_base::table::schema::Frame)> =
            inputs.iter().filter_map(|n| plan.nodes[*n].bound.output.frame.as_ref().map(|f| (*n, f))).collect();
        let (first, a) = *with_frame.first()?;
        let (second, b, differences) = with_frame[1..].iter().find_map(|(n, f)| {
            let differences = a.differences(f);
            (!differences.is_empty()).then_some((*n, *f, differences))
        })?;
        let document = &self.documents[job_document];
        let said: Vec<String> = differences.iter().map(|d| format!("{} {} and {}", d.what, d.first, d.second)).collect();
        let mut finding = Diagnostic::new(
            "plan/reference-mismatch",
            Verdict::Block,
            format!("`{}` would join coordinates that do not have one reference: {}", job.steps[i].id, said.join("; ")),
        )
        .label(document.value_label(&format!("steps[{i}].id"), "joins them"))
        .why("numbers of two references stand in one table and nothing shows it later")
        .fix("bring both tables to one reference first, with `height-convert` and `reproject` above this step");
        finding.size = self.registry.size_between(a, b, plan.locality).unwrap_or_else(|| {
            "unknown here: centimetres for another epoch, up to metres for another frame, tens of metres for another height surface".into()
        });
        for (node, frame) in [(first, a), (second, b)] {
            let at = origin(plan, node);
            let text = format!("`{}` gives {}", plan.nodes[at].id, print::frame(frame));
            finding.labels.push(document.value_label(&format!("steps[{}].id", plan.nodes[at].step), text));
        }
        finding.step = Some(job.steps[i].id.clone());
        Some(finding)
    }

    /// Gives a stage's problem its step and its place.
    fn placed(&self, problem: Problem, i: usize, id: &str, plan: &Plan, inputs: &[usize], job_document: usize) -> Diagnostic {
        let job_name = &self.documents[job_document].name;
        let side = |file: Option<&String>| file.and_then(|f| self.documents.iter().find(|d| d.name == *f && d.name != *job_name));
        let mut labels: Vec<Label> = vec![];
        if let (Some(key), Some(document)) = (&problem.rig_key, side(plan.job.rig.as_ref())) {
            labels.push(document.key_label(key, "set here"));
        }
        if let (Some(key), Some(document)) = (&problem.reference_key, side(plan.job.reference.as_ref())) {
            labels.push(document.key_label(key, "set here"));
        }
        if let (Some(key), Some(document)) = (&problem.second_reference_key, side(plan.job.reference.as_ref())) {
            labels.push(document.key_label(key, "and here"));
        }
        let document = &self.documents[job_document];
        match &problem.option {
            Some(option) => {
                let path = format!("steps[{i}].options.{option}");
                labels.push(document.value_label(&path, if labels.is_empty() { "here" } else { "used here" }));
            }
            None => {
                let text = if labels.is_empty() { "this step".to_owned() } else { format!("step `{id}` needs it") };
                labels.push(document.value_label(&format!("steps[{i}].stage"), text));
            }
        }
        if let (true, Some(input)) = (problem.about_input, inputs.first()) {
            let from = &plan.nodes[origin(plan, *input)];
            if let Some(frame) = &from.bound.output.frame {
                let text = format!("`{}` gives {}", from.id, print::frame(frame));
                labels.push(document.value_label(&format!("steps[{}].id", from.step), text));
            }
        }
        let mut finding = *problem.finding;
        labels.append(&mut finding.labels);
        finding.labels = labels;
        finding.step = Some(id.to_owned());
        finding
    }
}

/// The step that gave a table its reference: the first one up the page that has another, or none, coming in.
fn origin(plan: &Plan, node: usize) -> usize {
    let mut at = node;
    while let Some(&above) = plan.nodes[at].inputs.first() {
        if plan.nodes[above].bound.output.frame != plan.nodes[at].bound.output.frame {
            break;
        }
        at = above;
    }
    at
}
