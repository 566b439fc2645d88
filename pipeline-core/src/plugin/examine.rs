//! The conformance kit: what every stage must keep, tried on tables made up for the purpose.
//!
//! The same suite is run on built-in stages by the tests and on a plug-in by `gunter plugin check`.

mod tables;

use crate::diag::Diagnostic;
use crate::job::{conform, parse};
use crate::plan::files::JobFiles;
use crate::stage::cx::Collect;
use crate::stage::{BindCx, Cx, DynBound, Grain, Inputs, Problem, StageKind};
use crate::table::Table;
use serde::Serialize;
use serde_json::Value;
use std::path::Path;

/// One thing that was tried.
#[derive(Clone, Debug, Serialize)]
pub struct Tried {
    /// Stage.
    pub stage: String,
    /// What was tried.
    pub what: String,
    /// Whether it was kept; `None`: it could not be tried.
    pub kept: Option<bool>,
    /// What was found.
    pub detail: String,
}

/// Tries a stage. Files that its examples name are looked for below `folder`.
#[must_use]
pub fn examine(kind: &dyn StageKind, folder: &Path) -> Vec<Tried> {
    let mut report = Report { stage: kind.spec().name.to_owned(), all: vec![] };
    let schema = kind.options_schema();
    report.options(&schema);
    let examples: Vec<(String, String)> = match kind.spec().examples {
        [] => vec![("no options".into(), "{}".into())],
        all => all.iter().map(|e| (e.title.to_owned(), e.options.to_owned())).collect(),
    };
    for (title, options) in examples {
        report.example(kind, folder, &title, &options, &schema);
    }
    report.all
}

struct Report {
    stage: String,
    all: Vec<Tried>,
}

fn words(problems: &[Problem]) -> String {
    problems.iter().map(|p| p.finding.what.as_str()).collect::<Vec<_>>().join("; ")
}

/// What a run came to, in a form that can be compared.
struct Ran {
    table: Table,
    refused: usize,
    used: u64,
    wrote: bool,
}

fn run(bound: &DynBound, inputs: &[Table], folder: &Path) -> Result<Ran, Problem> {
    let world = Collect::new(folder);
    let table = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| bound.stage.run(inputs, &Cx::new(&world, "step", None))))
        .unwrap_or_else(|_| Err(Problem::broken("it broke down (panic)")))?;
    let said = world.said();
    Ok(Ran {
        table,
        refused: said.set_aside.iter().map(|(.., rows)| rows.rows()).sum(),
        used: said.used,
        wrote: !said.delivered.is_empty(),
    })
}

impl Report {
    fn say(&mut self, what: &str, kept: Option<bool>, detail: impl Into<String>) {
        self.all.push(Tried { stage: self.stage.clone(), what: what.to_owned(), kept, detail: detail.into() });
    }

    fn verdict(&mut self, what: &str, result: Result<(), String>) {
        match result {
            Ok(()) => self.say(what, Some(true), ""),
            Err(detail) => self.say(what, Some(false), detail),
        }
    }

    fn options(&mut self, schema: &Value) {
        let mut silent = vec![];
        unexplained(schema, &mut silent);
        let result = if silent.is_empty() { Ok(()) } else { Err(format!("no description: {}", silent.join(", "))) };
        self.verdict("every option is explained", result);
        let refused = parse::read("job", b"options: {no_such_option: 1}").is_ok_and(|document| {
            let found = conform::conform(&document, "options", &document.value["options"], schema);
            found.iter().any(|d| d.code == "job/unknown-key")
        });
        self.verdict("an unknown option is refused", if refused { Ok(()) } else { Err("it would be ignored silently".into()) });
    }

    fn example(&mut self, kind: &dyn StageKind, folder: &Path, title: &str, yaml: &str, schema: &Value) {
        let what = format!("example `{title}` fits the options");
        let document = match parse::read("example", yaml.as_bytes()) {
            Ok(document) => document,
            // An empty example is a job without options.
            Err(_) if yaml.trim() == "{}" || yaml.trim().is_empty() => match parse::read("example", b"none: 0") {
                Ok(mut document) => {
                    document.value = Value::Object(serde_json::Map::new());
                    document
                }
                Err(_) => return,
            },
            Err(e) => return self.verdict(&what, Err(e.what)),
        };
        let found: Vec<Diagnostic> = conform::conform(&document, "", &document.value, schema);
        if !found.is_empty() {
            return self.verdict(&what, Err(found.iter().map(|d| d.what.as_str()).collect::<Vec<_>>().join("; ")));
        }
        self.verdict(&what, Ok(()));
        if kind.spec().inputs == Inputs::None || kind.spec().delivers {
            return self.say("runs", None, "it reads or writes files of its own");
        }
        let mut refusals = vec![];
        for table in tables::all() {
            match self.bind(kind, folder, &document.value, &table) {
                Ok(bound) => return self.behaviour(kind, folder, &document.value, &bound, &table),
                Err(problems) => refusals.push(words(&problems)),
            }
        }
        refusals.dedup();
        self.say(&format!("example `{title}` runs"), None, format!("it takes none of the made-up tables: {}", refusals.join(" | ")));
    }

    fn bind(&self, kind: &dyn StageKind, folder: &Path, options: &Value, table: &Table) -> Result<DynBound, Vec<Problem>> {
        let files = JobFiles { folder: folder.to_owned(), results: std::env::temp_dir() };
        let inputs = [(*table.schema).clone()];
        let cx = BindCx { inputs: &inputs, rig: None, reference: None, locality: None, files: &files, locked: None };
        kind.bind(options.clone(), &cx)
    }

    fn behaviour(&mut self, kind: &dyn StageKind, folder: &Path, options: &Value, bound: &DynBound, table: &Table) {
        let again = self.bind(kind, folder, options, table);
        self.verdict(
            "bind is pure: asked twice, it promises the same",
            match again {
                Ok(a) if a.output == bound.output && a.grain == bound.grain && a.options == bound.options => Ok(()),
                Ok(_) => Err("it promised another schema, grain or options".into()),
                Err(p) => Err(words(&p)),
            },
        );
        let whole = match run(bound, std::slice::from_ref(table), folder) {
            Ok(ran) => ran,
            Err(p) => return self.verdict("it runs on a made-up table", Err(p.finding.what.clone())),
        };
        self.verdict("it runs on a made-up table", Ok(()));
        let promise = if *whole.table.schema == *bound.output {
            whole.table.check().map_err(|p| p.finding.what)
        } else {
            Err("another schema".into())
        };
        self.verdict("it delivers the columns, types, units, roles and frame that it promised", promise);
        let out = if whole.used > 0 { whole.used as usize } else { whole.table.rows() };
        let sum = format!("{} rows went in, {out} came out or were used, {} were set aside", table.rows(), whole.refused);
        self.verdict("every row is accounted for", if out + whole.refused == table.rows() { Ok(()) } else { Err(sum) });
        if table.schema.frame.is_some() {
            let kept = bound.output.frame.is_some();
            self.verdict("the frame is kept", if kept { Ok(()) } else { Err("coordinates without a frame".into()) });
        }
        self.same("the same input gives the same output", bound, table, &whole, folder, Self::repeated);
        if bound.grain == Grain::Rows {
            self.same("any split of the rows gives the same output", bound, table, &whole, folder, Self::split);
        } else {
            self.say("any split of the rows gives the same output", None, "it needs more than its own row at once");
        }
        if whole.wrote {
            self.say("several threads at once give the same output", None, "it writes a file, once in a run");
        } else {
            self.same("several threads at once give the same output", bound, table, &whole, folder, Self::threads);
        }
        let none = Table { data: table.data.head(Some(0)), schema: table.schema.clone() };
        let empty = run(bound, &[none], folder)
            .map_err(|p| p.finding.what)
            .and_then(|r| if r.table.rows() == 0 { Ok(()) } else { Err(format!("{} rows came out of none", r.table.rows())) });
        self.verdict("an empty table gives an empty table", empty);
        // It may refuse such a table with a finding; it may not break down or deliver NaN, which the host looks for.
        let bare = run(bound, &[tables::bare(table)], folder);
        let bare = bare.map(|_| ()).or_else(|p| {
            if p.finding.code == "stage/broken-promise" || p.finding.code.starts_with("plugin/") && p.finding.code != "plugin/said" {
                Err(p.finding.what)
            } else {
                Ok(())
            }
        });
        self.verdict("values that are missing everywhere are no surprise", bare);
    }

    fn same(
        &mut self,
        what: &str,
        bound: &DynBound,
        table: &Table,
        whole: &Ran,
        folder: &Path,
        way: fn(&DynBound, &Table, &Path) -> Result<Vec<Ran>, Problem>,
    ) {
        let result = way(bound, table, folder).map_err(|p| p.finding.what).and_then(|all| {
            let good = all.iter().all(|r| r.refused == whole.refused && r.table.data.equals_missing(&whole.table.data));
            if good { Ok(()) } else { Err("the output differs".into()) }
        });
        self.verdict(what, result);
    }

    fn repeated(bound: &DynBound, table: &Table, folder: &Path) -> Result<Vec<Ran>, Problem> {
        Ok(vec![run(bound, std::slice::from_ref(table), folder)?])
    }

    /// In pieces of several sizes, stacked again.
    fn split(bound: &DynBound, table: &Table, folder: &Path) -> Result<Vec<Ran>, Problem> {
        let mut all = vec![];
        for size in [1, 7, 64] {
            let mut pieces = vec![];
            let (mut refused, mut used) = (0, 0);
            for from in (0..table.rows()).step_by(size) {
                let piece = Table { data: table.data.slice(from as i64, size), schema: table.schema.clone() };
                let ran = run(bound, &[piece], folder)?;
                refused += ran.refused;
                used += ran.used;
                pieces.push(ran.table);
            }
            all.push(Ran { table: Table::stack(pieces, bound.output.clone())?, refused, used, wrote: false });
        }
        Ok(all)
    }

    fn threads(bound: &DynBound, table: &Table, folder: &Path) -> Result<Vec<Ran>, Problem> {
        std::thread::scope(|scope| {
            let all: Vec<_> = (0..4).map(|_| scope.spawn(|| run(bound, std::slice::from_ref(table), folder))).collect();
            all.into_iter().map(|t| t.join().unwrap_or_else(|_| Err(Problem::broken("a thread broke down")))).collect()
        })
    }
}

fn unexplained(schema: &Value, out: &mut Vec<String>) {
    match schema {
        Value::Object(map) => {
            for (key, value) in map.get("properties").and_then(Value::as_object).into_iter().flatten() {
                if value.get("description").and_then(Value::as_str).is_none_or(|d| d.trim().len() < 5) {
                    out.push(key.clone());
                }
            }
            map.values().for_each(|v| unexplained(v, out));
        }
        Value::Array(items) => items.iter().for_each(|v| unexplained(v, out)),
        _ => {}
    }
}
