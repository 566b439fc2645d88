//! A plug-in's stage as an ordinary kind of stage: asked at planning, called at run time, believed in nothing.

mod compare;
mod reports;

use super::description::{InputCount, StageDescription, Threads};
use super::{BindRequest, BoundHost, Host, HostFault, host_findings, reported};
use gunter_plugin_abi::code;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::pin::{Pin, ProbeAt};
use pipeline_base::place::Extent;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Role, Schema};
use pipeline_core::plugin::PluginInfo;
use pipeline_core::stage::{
    AnyBound, BindCx, Cx, DynBound, Example, Facts, Grain, Inputs, Resource, ResourceRole, Session, Spec, StageKind,
};
use reports::CallReports;
use serde::Deserialize;
use serde_json::{Value, json};
use std::collections::HashSet;
use std::sync::{Arc, LazyLock, Mutex, PoisonError};

struct PluginKind {
    host: Arc<dyn Host>,
    info: Arc<PluginInfo>,
    spec: Spec,
    options: Value,
    threads: Threads,
    files: Vec<(String, String)>,
}

/// Texts of plug-ins' stages. They live as long as the process, like those of a built-in one, and each once.
static TEXTS: LazyLock<Mutex<HashSet<&'static str>>> = LazyLock::new(Mutex::default);
/// Their lists of examples.
static EXAMPLES: Mutex<Vec<&'static [Example]>> = Mutex::new(vec![]);

fn forever(text: String) -> &'static str {
    let mut texts = TEXTS.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(known) = texts.get(text.as_str()) {
        return known;
    }
    let kept: &'static str = Box::leak(text.into_boxed_str());
    texts.insert(kept);
    kept
}

fn forever_examples(examples: Vec<Example>) -> &'static [Example] {
    let kept: &'static [Example] = Box::leak(examples.into_boxed_slice());
    EXAMPLES.lock().unwrap_or_else(PoisonError::into_inner).push(kept);
    kept
}

/// The kind of one stage.
pub(super) fn make(about: StageDescription, host: Arc<dyn Host>, info: &PluginInfo) -> Arc<dyn StageKind> {
    let examples: Vec<Example> =
        about.examples.into_iter().map(|e| Example { title: forever(e.title), options: forever(e.options) }).collect();
    let spec = Spec {
        name: forever(about.name),
        version: about.version,
        summary: forever(about.summary),
        doc: forever(about.doc),
        inputs: match about.inputs {
            InputCount::One => Inputs::One,
            InputCount::Many => Inputs::Many,
        },
        delivers: false,
        examples: forever_examples(examples),
    };
    Arc::new(PluginKind {
        host,
        info: Arc::new(info.clone()),
        spec,
        options: about.options,
        threads: about.threads,
        files: about.files.into_iter().collect(),
    })
}

/// A fault as the finding that names the plug-in.
fn blame(fault: HostFault, info: &PluginInfo, stage: &str, table: Option<&Table>, verdict: Verdict) -> Vec<Problem> {
    match fault {
        HostFault::Said(answer, json) => {
            let mut all = reported::problems(&json, verdict, info, stage, table);
            if !matches!(answer, code::BAD_OPTION | code::BAD_DATA) {
                let (why, fix) = host_findings::why_and_fix("plugin/said");
                for finding in all.iter_mut().map(|p| &mut p.finding) {
                    let fill = |text: &mut String, words: &str| {
                        if text.is_empty() {
                            words.clone_into(text)
                        }
                    };
                    fill(&mut finding.why, why);
                    fill(&mut finding.fix, fix);
                }
            }
            all
        }
        HostFault::Found(code, what) => {
            let (why, fix) = host_findings::why_and_fix(code);
            let what = format!("stage `{stage}` of plug-in `{}` ({}): {what}", info.name, info.path);
            vec![Problem::from(Diagnostic::new(code, verdict, what).why(why).fix(fix))]
        }
    }
}

/// A file that the stage will read.
#[derive(Deserialize)]
struct RequestedFile {
    path: String,
    #[serde(default)]
    option: String,
}

/// What `bind` answers.
#[derive(Deserialize)]
struct BindAnswer {
    grain: Grain,
    output: Schema,
    #[serde(default)]
    options: Option<Value>,
    #[serde(default)]
    files: Vec<RequestedFile>,
    #[serde(default)]
    notes: Vec<Value>,
    #[serde(default)]
    decided: serde_json::Map<String, Value>,
}

impl PluginKind {
    fn blame(&self, code: &'static str, what: impl Into<String>) -> Vec<Problem> {
        blame(HostFault::found(code, what), &self.info, self.spec.name, None, Verdict::Error)
    }

    fn context(cx: &BindCx) -> Value {
        json!({
            "host": {"name": "gunter", "version": env!("CARGO_PKG_VERSION")},
            "rig": cx.rig,
            "reference": cx.reference,
            "place": cx.locality,
        })
    }

    /// The options with the defaults of the schema, for a plug-in that does not give them back.
    fn filled(&self, mut options: Value) -> Value {
        let properties = self.options.get("properties").and_then(Value::as_object).into_iter().flatten();
        for (key, default) in properties.filter_map(|(k, s)| s.get("default").map(|d| (k, d))) {
            if let Some(map) = options.as_object_mut() {
                map.entry(key.clone()).or_insert_with(|| default.clone());
            }
        }
        options
    }

    /// A promise that can be kept: names and roles once, and coordinates with a frame.
    fn promise(&self, mut output: Schema, cx: &BindCx) -> Result<Schema, Vec<Problem>> {
        for (i, column) in output.columns.iter().enumerate() {
            if output.columns[..i].iter().any(|c| c.name == column.name) {
                return Err(self.blame("plugin/bad-answer", format!("it promises two columns called `{}`", column.name)));
            }
            if column.role != Role::Other && output.columns[..i].iter().any(|c| c.role == column.role) {
                return Err(self.blame("plugin/bad-answer", format!("it promises two columns that hold {}", column.role.meaning())));
            }
        }
        if let Some(what) = output.wrong_form() {
            return Err(self.blame("plugin/bad-answer", format!("what it promises means something else to every other stage: {what}")));
        }
        if let Some(frame) = cx.inputs.first().and_then(|s| s.frame.as_ref()) {
            const COORDINATES: [Role; 6] =
                [Role::Latitude, Role::Longitude, Role::Easting, Role::Northing, Role::EllipsoidalHeight, Role::Height];
            match &output.frame {
                None if output.columns.iter().any(|c| COORDINATES.contains(&c.role)) => {
                    return Err(self.blame("plugin/bad-answer", "it promises coordinates and drops their frame"));
                }
                // A frame that came through JSON unchanged is the very frame that went in.
                Some(own) if own.same(frame) => output.frame = Some(frame.clone()),
                _ => {}
            }
        }
        Ok(output)
    }
}

impl StageKind for PluginKind {
    fn spec(&self) -> Spec {
        self.spec
    }

    fn options_schema(&self) -> Value {
        self.options.clone()
    }

    fn example_files(&self) -> &[(String, String)] {
        &self.files
    }

    fn bind(&self, options: Value, cx: &BindCx) -> Result<DynBound, Vec<Problem>> {
        let ask = BindRequest {
            stage: self.spec.name,
            options: options.to_string(),
            inputs: serde_json::to_string(cx.inputs).map_err(|e| vec![Problem::broken(e)])?,
            context: Self::context(cx).to_string(),
            scratch: cx.files.results(),
        };
        let seat = self.host.bind(&ask).map_err(|f| blame(f, &self.info, self.spec.name, None, Verdict::Error))?;
        let reader = &mut serde_json::Deserializer::from_str(seat.bound_json());
        let answer: BindAnswer = serde_path_to_error::deserialize(reader)
            .map_err(|e| self.blame("plugin/bad-answer", format!("what it answers at planning cannot be read: {e}")))?;
        let output = Arc::new(self.promise(answer.output, cx)?);
        let mut resources = vec![];
        for file in answer.files {
            for (name, path) in cx.files.find(&file.path).map_err(|p| vec![p.option(file.option.clone())])? {
                resources.push(Resource { name, path, role: ResourceRole::Table, option: file.option.clone() });
            }
        }
        let notes: Vec<Problem> =
            answer.notes.iter().flat_map(|n| reported::problems(&n.to_string(), Verdict::Note, &self.info, self.spec.name, None)).collect();
        let grain = answer.grain;
        let bound = PluginBound {
            seat,
            info: self.info.clone(),
            stage: self.spec.name,
            grain,
            output: output.clone(),
            resources,
            one: (self.threads == Threads::One).then(Mutex::default),
        };
        Ok(DynBound {
            stage: Arc::new(bound),
            output,
            grain,
            notes,
            decided: answer.decided.into_iter().collect(),
            options: answer.options.unwrap_or_else(|| self.filled(options)),
        })
    }
}

struct PluginBound {
    seat: Box<dyn BoundHost>,
    info: Arc<PluginInfo>,
    stage: &'static str,
    grain: Grain,
    output: Arc<Schema>,
    resources: Vec<Resource>,
    /// Held while it runs, when it may not run twice at once. Nothing parallel is waited for under it.
    one: Option<Mutex<()>>,
}

impl PluginBound {
    /// The first of several findings ends the run; the others are said beside it.
    fn stop(&self, fault: HostFault, table: Option<&Table>, cx: &Cx) -> Problem {
        let mut all = blame(fault, &self.info, self.stage, table, Verdict::Block).into_iter();
        let mut first = all.next().unwrap_or_else(|| Problem::broken("a plug-in failed without a word"));
        if !first.finding.verdict.stops_delivery() {
            first.finding.verdict = Verdict::Block;
        }
        all.for_each(|p| cx.find(*p.finding));
        first
    }
}

impl AnyBound for PluginBound {
    fn resources(&self) -> Vec<Resource> {
        self.resources.clone()
    }

    fn sessions(&self) -> Vec<Session> {
        vec![]
    }

    fn locate(&self) -> Option<Locality> {
        None
    }

    fn extent(&self) -> Option<Extent> {
        None
    }

    fn pins(&self, _: &[ProbeAt]) -> Result<Vec<Pin>, Problem> {
        Ok(vec![])
    }

    fn survey(&self) -> Vec<Diagnostic> {
        vec![]
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let first = inputs.first().ok_or_else(|| Problem::broken("a stage of a plug-in was called without a table"))?;
        let files: Vec<Value> = self.resources.iter().map(|r| json!({"name": r.name, "path": r.path})).collect();
        let run_json = json!({"step": cx.step(), "session": cx.session().map(|s| &s.name), "files": files}).to_string();
        let desk = CallReports::new(cx, first, &self.info, self.stage, self.grain);
        let most = (self.grain == Grain::Rows).then(|| first.rows());
        let answer = {
            let _alone = self.one.as_ref().map(|m| m.lock().unwrap_or_else(PoisonError::into_inner));
            self.seat.run(&run_json, inputs, most, &desk)
        };
        let answer = answer.map_err(|f| self.stop(f, Some(first), cx))?;
        let rows = answer.rows;
        let kept = desk.close().and_then(|account| account.holds(rows));
        let table = kept.and_then(|()| compare::table(answer, &self.output)).map_err(|(code, what)| {
            let fault = HostFault::found(code, what);
            self.stop(fault, None, cx)
        })?;
        Ok(table)
    }

    fn concludes_on(&self) -> &'static [&'static str] {
        &[]
    }

    fn conclude(&self, _: &Facts) -> Vec<Diagnostic> {
        vec![]
    }
}
