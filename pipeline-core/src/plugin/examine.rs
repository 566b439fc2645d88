//! The conformance kit: what every stage must keep, tried on tables made up for the purpose.
//!
//! The same suite is run on built-in stages by the tests and on a plug-in by `gunter plugin check`.

mod tables;
mod world;

use super::about;
use crate::diag::Diagnostic;
use crate::job::{conform, parse};
use crate::stage::cx::Collect;
use crate::stage::{Cx, DynBound, Grain, Inputs, Problem, StageKind};
use crate::table::Table;
use serde::Serialize;
use serde_json::Value;
use std::path::Path;
use world::World;

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

/// Tries a stage, on made-up tables with a made-up rig and reference. Files that its examples name and its description
/// does not bring are looked for below `folder`.
#[must_use]
pub fn examine(kind: &dyn StageKind, folder: &Path) -> Vec<Tried> {
    let mut report = Report { stage: kind.spec().name.to_owned(), all: vec![] };
    let schema = kind.options_schema();
    report.options(&schema);
    let examples: Vec<(String, String)> = match kind.spec().examples {
        [] => vec![("no options".into(), "{}".into())],
        all => all.iter().map(|e| (e.title.to_owned(), e.options.to_owned())).collect(),
    };
    match World::new(kind, folder) {
        Ok(world) => examples.iter().for_each(|(title, options)| report.example(kind, &world, title, options, &schema)),
        Err(e) => report.say("the examples run", None, format!("the files of the examples cannot be written: {e}")),
    }
    report.all
}

/// A way to run a stage again, whose outcomes must be the same.
type Way = fn(&DynBound, &[Table], &World) -> Result<Vec<Ran>, Problem>;

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

fn run(bound: &DynBound, inputs: &[Table], around: &World) -> Result<Ran, Problem> {
    let world = Collect::new(around.folder.path());
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
        let closed = about::options(&self.stage, schema);
        self.verdict("every option is explained, and no other is taken", closed);
        let refused = parse::read("job", b"options: {no_such_option: 1}").is_ok_and(|document| {
            let found = conform::conform(&document, "options", &document.value["options"], schema);
            found.iter().any(|d| d.code == "job/unknown-key")
        });
        self.verdict("an unknown option is refused", if refused { Ok(()) } else { Err("it would be ignored silently".into()) });
    }

    fn example(&mut self, kind: &dyn StageKind, world: &World, title: &str, yaml: &str, schema: &Value) {
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
        let (mut refusals, mut stopped) = (vec![], None);
        for bare in [false, true] {
            for (words, tables) in tables::all(kind.spec().inputs == Inputs::Many) {
                let bound = match world.bind(kind, &document.value, &tables, bare) {
                    Ok(bound) => bound,
                    Err(problems) => {
                        problems.iter().for_each(|p| refusals.push(p.finding.what.clone()));
                        continue;
                    }
                };
                let words = format!("{words}{}", if bare { ", without rig and reference" } else { "" });
                match run(&bound, &tables, world) {
                    Ok(whole) => {
                        self.say("it runs on a made-up table", Some(true), words);
                        let again = world.bind(kind, &document.value, &tables, bare);
                        return self.behaviour(world, &bound, again, &tables, &whole);
                    }
                    // It may say that the values of one table are none for it; another may suit.
                    Err(p) => drop(stopped.get_or_insert_with(|| format!("{words}: {}", p.finding.what))),
                }
            }
        }
        if let Some(stopped) = stopped {
            return self.verdict("it runs on a made-up table", Err(stopped));
        }
        let mut distinct: Vec<String> = vec![];
        for words in refusals {
            if !distinct.contains(&words) {
                distinct.push(words);
            }
        }
        self.say(&format!("example `{title}` runs"), None, format!("it takes none of the made-up tables: {}", distinct.join(" | ")));
    }

    fn behaviour(&mut self, world: &World, bound: &DynBound, again: Result<DynBound, Vec<Problem>>, tables: &[Table], whole: &Ran) {
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
        let empty = run(bound, &with_first(none, tables), world)
            .map_err(|p| p.finding.what)
            .and_then(|r| if r.table.rows() == 0 { Ok(()) } else { Err(format!("{} rows came out of none", r.table.rows())) });
        self.verdict("an empty table gives an empty table", empty);
        // It may refuse such a table with a finding; it may not break down or deliver NaN, which the host looks for.
        let bare = run(bound, &with_first(tables::bare(table), tables), world);
        let bare = bare.map(|_| ()).or_else(|p| {
            if p.finding.code == "stage/broken-promise" || p.finding.code.starts_with("plugin/") && p.finding.code != "plugin/said" {
                Err(p.finding.what)
            } else {
                Ok(())
            }
        });
        self.verdict("values that are missing everywhere are no surprise", bare);
    }

    fn same(&mut self, what: &str, bound: &DynBound, tables: &[Table], whole: &Ran, world: &World, way: Way) {
        let result = way(bound, tables, world).map_err(|p| p.finding.what).and_then(|all| {
            let good = all.iter().all(|r| r.refused == whole.refused && r.table.data.equals_missing(&whole.table.data));
            if good { Ok(()) } else { Err("the output differs".into()) }
        });
        self.verdict(what, result);
    }

    fn repeated(bound: &DynBound, tables: &[Table], world: &World) -> Result<Vec<Ran>, Problem> {
        Ok(vec![run(bound, tables, world)?])
    }

    /// The first table in pieces of several sizes, stacked again.
    fn split(bound: &DynBound, tables: &[Table], world: &World) -> Result<Vec<Ran>, Problem> {
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
            all.push(Ran { table: Table::stack(pieces, bound.output.clone())?, refused, used, wrote: false });
        }
        Ok(all)
    }

    fn threads(bound: &DynBound, tables: &[Table], world: &World) -> Result<Vec<Ran>, Problem> {
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
