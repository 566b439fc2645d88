//! The conformance kit: what every stage must keep, tried on tables made up for the purpose.
//!
//! The same suite is run on built-in stages by the tests and on a plug-in by `gunter plugin check`.

mod settings;
mod tables;

use super::description;
use pipeline_base::diag::Diagnostic;
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::{conform, document as parse};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{Cx, DynBound, Grain, Inputs, StageKind};
use serde::Serialize;
use serde_json::Value;
use settings::TrialSettings;
use std::path::Path;
use std::sync::Arc;

/// One thing that was tried.
#[derive(Clone, Debug, Serialize)]
pub struct Trial {
    /// Stage.
    pub stage: String,
    /// What was tried.
    pub what: String,
    /// Whether it was kept; `None`: it could not be tried.
    pub kept: Option<bool>,
    /// What was found.
    pub detail: String,
}

/// Tables that other stages gave, one after the other: what a stage is tried on besides made-up tables, so that it also meets the
/// columns that only those stages make.
#[derive(Clone, Debug, Default)]
pub struct StageTables(Vec<(String, Table)>);

impl StageTables {
    /// Runs stages with their options on a made-up table of the antenna, delivered on a grid with a geoid.
    ///
    /// # Errors
    /// Why one of them does not run, in words.
    pub fn by(chain: &[(Arc<dyn StageKind>, Value)]) -> Result<Self, String> {
        let world = TrialSettings::new(&[], Path::new("")).map_err(|e| e.to_string())?;
        let around = world.arounds.iter().find(|a| a.on_a_grid()).ok_or("no made-up reference is on a grid")?;
        let mut table = tables::of_the_antenna().ok_or("no table of the antenna can be made up")?;
        let mut given = vec![];
        for (kind, options) in chain {
            let name = kind.spec().name;
            let inputs = [table];
            let bound = world.bind(kind.as_ref(), options, &inputs, around).map_err(|p| format!("{name}: {}", words(&p)))?;
            table = run(&bound, &inputs, &world).map_err(|p| format!("{name}: {}", p.finding.what))?.table;
            given.push((format!("what `{name}` gives"), table.clone()));
        }
        Ok(Self(given))
    }
}

/// Tries a stage, on made-up tables and on given ones, with a made-up rig and reference. Files that its examples name and its
/// description does not bring are looked for below `folder`; a geoid (`geoid.gtx`) and marks of control (`control.csv`) of the
/// made-up place are always there.
#[must_use]
pub fn examine(kind: &dyn StageKind, folder: &Path, given: &StageTables) -> Vec<Trial> {
    let mut report = Report { stage: kind.spec().name.to_owned(), all: vec![] };
    let schema = report.options(kind);
    match TrialSettings::new(kind.example_files(), folder) {
        Ok(world) => examples(kind).iter().for_each(|(title, options)| report.example(kind, (&world, given), title, options, &schema)),
        Err(e) => report.say("the examples run", None, format!("the files of the examples cannot be written: {e}")),
    }
    report.all
}

/// Tries only what needs no table: the options and whether the examples fit them.
#[must_use]
pub fn examine_options(kind: &dyn StageKind) -> Vec<Trial> {
    let mut report = Report { stage: kind.spec().name.to_owned(), all: vec![] };
    let schema = report.options(kind);
    examples(kind).iter().for_each(|(title, options)| drop(report.fits(title, options, &schema)));
    report.all
}

/// Titles and options of the examples.
fn examples(kind: &dyn StageKind) -> Vec<(String, String)> {
    match kind.spec().examples {
        [] => vec![("no options".into(), "{}".into())],
        all => all.iter().map(|e| (e.title.to_owned(), e.options.to_owned())).collect(),
    }
}

/// A way to run a stage again, whose outcomes must be the same.
type RerunMethod = fn(&DynBound, &[Table], &TrialSettings) -> Result<Vec<RunResult>, Problem>;

struct Report {
    stage: String,
    all: Vec<Trial>,
}

fn words(problems: &[Problem]) -> String {
    problems.iter().map(|p| p.finding.what.as_str()).collect::<Vec<_>>().join("; ")
}

/// Whether a stage says what is wrong, and does not break down or deliver what it must not.
fn is_finding(problem: &Problem) -> bool {
    let code = &problem.finding.code;
    code != "stage/broken-promise" && (!code.starts_with("plugin/") || code == "plugin/said")
}

/// What a run came to, in a form that can be compared.
struct RunResult {
    table: Table,
    refused: usize,
    used: u64,
    wrote: bool,
}

fn run(bound: &DynBound, inputs: &[Table], around: &TrialSettings) -> Result<RunResult, Problem> {
    let world = Collect::new(around.folder.path());
    let table = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| bound.stage.run(inputs, &Cx::new(&world, "step", None))))
        .unwrap_or_else(|_| Err(Problem::broken("it broke down (panic)")))?;
    let said = world.said();
    Ok(RunResult {
        table,
        refused: said.set_aside.iter().map(|(.., rows)| rows.rows()).sum(),
        used: said.used,
        wrote: !said.delivered.is_empty(),
    })
}

impl Report {
    fn say(&mut self, what: &str, kept: Option<bool>, detail: impl Into<String>) {
        self.all.push(Trial { stage: self.stage.clone(), what: what.to_owned(), kept, detail: detail.into() });
    }

    fn verdict(&mut self, what: &str, result: Result<(), String>) {
        match result {
            Ok(()) => self.say(what, Some(true), ""),
            Err(detail) => self.say(what, Some(false), detail),
        }
    }

    /// Gives the schema of the options.
    fn options(&mut self, kind: &dyn StageKind) -> Value {
        let schema = kind.options_schema();
        let closed = description::options(&self.stage, &schema);
        self.verdict("every option is explained, and no other is taken", closed);
        let refused = parse::read("job", b"options: {no_such_option: 1}").is_ok_and(|document| {
            let found = conform::conform(&document, "options", &document.value["options"], &schema);
            found.iter().any(|d| d.code == "job/unknown-key")
        });
        self.verdict("an unknown option is refused", if refused { Ok(()) } else { Err("it would be ignored silently".into()) });
        schema
    }

    /// The options of an example, when they fit.
    fn fits(&mut self, title: &str, yaml: &str, schema: &Value) -> Option<Value> {
        let what = format!("example `{title}` fits the options");
        let document = match parse::read("example", yaml.as_bytes()) {
            Ok(document) => document,
            // An empty example is a job without options.
            Err(_) if yaml.trim() == "{}" || yaml.trim().is_empty() => {
                let mut document = parse::read("example", b"none: 0").ok()?;
                document.value = Value::Object(serde_json::Map::new());
                document
            }
            Err(e) => {
                self.verdict(&what, Err(e.what));
                return None;
            }
        };
        let found: Vec<Diagnostic> = conform::conform(&document, "", &document.value, schema);
        let words = found.iter().map(|d| d.what.as_str()).collect::<Vec<_>>().join("; ");
        self.verdict(&what, if found.is_empty() { Ok(()) } else { Err(words) });
        found.is_empty().then_some(document.value)
    }

    fn example(&mut self, kind: &dyn StageKind, (world, given): (&TrialSettings, &StageTables), title: &str, yaml: &str, schema: &Value) {
        let Some(options) = self.fits(title, yaml, schema) else { return };
        if kind.spec().inputs == Inputs::None {
            return self.say("runs", None, "it takes no table: it reads files of its own");
        }
        let (mut refusals, mut stopped) = (vec![], vec![]);
        let spec = kind.spec();
        for around in &world.arounds {
            for (words, tables) in &tables::all(&given.0, spec.inputs == Inputs::Many, spec.delivers) {
                let bound = match world.bind(kind, &options, tables, around) {
                    Ok(bound) => bound,
                    Err(problems) => {
                        problems.iter().for_each(|p| refusals.push(p.finding.what.clone()));
                        continue;
                    }
                };
                let words = format!("{words}{}", around.words);
                match run(&bound, tables, world) {
                    Ok(whole) => {
                        self.say("it runs on a made-up table", Some(true), words);
                        let again = world.bind(kind, &options, tables, around);
                        return self.behaviour(world, &bound, again, tables, &whole);
                    }
                    // It may say that the values of one table are none for it; another may suit.
                    Err(p) => stopped.push(format!("{words}: {}", p.finding.what)),
                }
            }
        }
        let distinct = |all: Vec<String>| {
            let mut distinct: Vec<String> = vec![];
            for words in all {
                if !distinct.contains(&words) {
                    distinct.push(words);
                }
            }
            distinct.join(" | ")
        };
        match stopped.into_iter().next() {
            // What delivers judges the work itself.
            Some(first) if spec.delivers => {
                return self.say(&format!("example `{title}` runs"), None, format!("no made-up values are good enough for it: {first}"));
            }
            Some(first) => return self.verdict("it runs on a made-up table", Err(first)),
            None => {}
        }
        self.say(&format!("example `{title}` runs"), None, format!("it takes none of the made-up tables: {}", distinct(refusals)));
    }

    fn behaviour(
        &mut self,
        world: &TrialSettings,
        bound: &DynBound,
        again: Result<DynBound, Vec<Problem>>,
        tables: &[Table],
        whole: &RunResult,
    ) {
        let table = &tables[0];
        self.verdict(
            "bind is pure: asked twice, it promises the same",
            match again {
                Ok(a) if a.output == bound.output && a.grain == bound.grain && a.options == bound.options => Ok(()),
                Ok(_) => Err("it promised another schema, grain or options".into()),
                Err(p) => Err(words(&p)),
            },
        );
        let promise = match bound.output.wrong_form() {
            Some(what) => Err(what),
            None if *whole.table.schema == *bound.output => whole.table.check().map_err(|p| p.finding.what),
            None => Err("another schema".into()),
        };
        self.verdict("it delivers the columns, types, units, roles and frame that it promised", promise);
        let out = if whole.used > 0 { whole.used as usize } else { whole.table.rows() };
        let sum = format!("{} rows went in, {out} came out or were used, {} were set aside", table.rows(), whole.refused);
        self.verdict("every row is accounted for", if out + whole.refused == table.rows() { Ok(()) } else { Err(sum) });
        if table.schema.frame.is_some() {
            let kept = bound.output.frame.is_some();
            self.verdict("the frame is kept", if kept { Ok(()) } else { Err("coordinates without a frame".into()) });
        }
        self.same("the same input gives the same output", bound, tables, whole, world, Self::repeated);
        if bound.grain == Grain::Rows {
            self.same("any split of the rows gives the same output", bound, tables, whole, world, Self::split);
        } else {
            self.say("any split of the rows gives the same output", None, "it needs more than its own row at once");
        }
        if whole.wrote {
            self.say("several threads at once give the same output", None, "it writes a file, once in a run");
        } else {
            self.same("several threads at once give the same output", bound, tables, whole, world, Self::threads);
        }
        let none = Table { data: table.data.head(Some(0)), schema: table.schema.clone() };
        let empty = "an empty table gives an empty table";
        match run(bound, &with_first(none, tables), world) {
            Ok(r) if r.table.rows() == 0 => self.verdict(empty, Ok(())),
            Ok(r) => self.verdict(empty, Err(format!("{} rows came out of none", r.table.rows()))),
            // An empty session is no mistake; of all the work a stage may say that it is not enough.
            Err(p) if bound.grain == Grain::Whole && is_finding(&p) => {
                self.say(empty, Some(true), format!("it refuses one: {}", p.finding.what))
            }
            Err(p) => self.verdict(empty, Err(p.finding.what)),
        }
        // It may refuse such a table with a finding; it may not break down or deliver NaN, which the host looks for.
        let bare = run(bound, &with_first(tables::bare(table), tables), world);
        let bare = bare.map(|_| ()).or_else(|p| if is_finding(&p) { Ok(()) } else { Err(p.finding.what) });
        self.verdict("values that are missing everywhere are no surprise", bare);
    }

    fn same(&mut self, what: &str, bound: &DynBound, tables: &[Table], whole: &RunResult, world: &TrialSettings, way: RerunMethod) {
        let result = way(bound, tables, world).map_err(|p| p.finding.what).and_then(|all| {
            let good = all.iter().all(|r| r.refused == whole.refused && r.table.data.equals_missing(&whole.table.data));
            if good { Ok(()) } else { Err("the output differs".into()) }
        });
        self.verdict(what, result);
    }

    fn repeated(bound: &DynBound, tables: &[Table], world: &TrialSettings) -> Result<Vec<RunResult>, Problem> {
        Ok(vec![run(bound, tables, world)?])
    }

    /// The first table in pieces of several sizes, stacked again.
    fn split(bound: &DynBound, tables: &[Table], world: &TrialSettings) -> Result<Vec<RunResult>, Problem> {
        let table = &tables[0];
        let mut all = vec![];
        for size in [1, 7, 64] {
            let mut pieces = vec![];
            let (mut refused, mut used) = (0, 0);
            for from in (0..table.rows()).step_by(size) {
                let piece = Table { data: table.data.slice(from as i64, size), schema: table.schema.clone() };
                let ran = run(bound, &with_first(piece, tables), world)?;
                refused += ran.refused;
                used += ran.used;
                pieces.push(ran.table);
            }
            all.push(RunResult { table: Table::stack(pieces, bound.output.clone())?, refused, used, wrote: false });
        }
        Ok(all)
    }

    fn threads(bound: &DynBound, tables: &[Table], world: &TrialSettings) -> Result<Vec<RunResult>, Problem> {
        std::thread::scope(|scope| {
            let all: Vec<_> = (0..4).map(|_| scope.spawn(|| run(bound, tables, world))).collect();
            all.into_iter().map(|t| t.join().unwrap_or_else(|_| Err(Problem::broken("a thread broke down")))).collect()
        })
    }
}

/// The same tables with another first one.
fn with_first(first: Table, tables: &[Table]) -> Vec<Table> {
    std::iter::once(first).chain(tables[1..].iter().cloned()).collect()
}
