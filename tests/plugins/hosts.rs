//! A plug-in that misbehaves, in both hosts, and files that are no plug-ins.

use super::{built, compile, root};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::job;
use pipeline_core::plan::files::JobFiles;
use pipeline_core::plugin::PluginHost;
use pipeline_core::plugin::{Loaded, Policy};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{BindCx, Cx};
use plugin_host::NativeHost;
use plugin_host::examine::{StageTables, examine};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

const ROWS: usize = 100;

fn table() -> Table {
    table_of(ROWS, 59.0)
}

fn table_of(rows: usize, south: f64) -> Table {
    let schema = Schema {
        columns: vec![
            Column::maybe("latitude_deg", Holds::Float, Unit::Degree, Role::Latitude),
            Column::always("file", Holds::Text, Unit::None, Role::File),
            Column::always("line_first", Holds::Int, Unit::None, Role::LineFirst),
            Column::always("time", Holds::Instant, Unit::None, Role::Time),
            Column::maybe("sigma_assumed", Holds::Bool, Unit::None, Role::SigmaAssumed),
        ],
        frame: Some(Frame {
            crs: "EPSG:9989".into(),
            name: "ITRF2020".into(),
            axes: Axes::Geographic,
            epoch: Epoch::Fixed(2026.123456789012),
            heights: Heights::Ellipsoidal,
            point: PhysicalPoint::Target,
        }),
    };
    let mut builder = TableBuilder::new(Arc::new(schema), rows);
    builder.floats("latitude_deg", (0..rows).map(|i| if i == 3 { f64::NAN } else { south + i as f64 / 7.0 }).collect());
    let names: Vec<String> = (0..rows).map(|i| format!("day-{i}-with-a-long-name.nmea")).collect();
    builder.texts("file", names.iter().map(|n| Some(n.as_str())));
    builder.ints("line_first", (0..rows as i64).map(|i| 10 * i + 1).collect());
    builder.instants("time", (0..rows as i64).map(|i| i * 200_000_000).collect());
    builder.bools("sigma_assumed", &(0..rows).map(|i| i % 3 == 0).collect::<Vec<_>>());
    builder.finish().unwrap()
}

fn entry(path: &Path, isolate: bool) -> job::Plugin {
    let memory_limit_mb = isolate.then_some(512);
    job::Plugin { path: path.to_string_lossy().into_owned(), sha256: None, isolate, time_limit_s: Some(2.0), memory_limit_mb }
}

fn policy() -> Policy {
    Policy { only_pinned: false, program: Some(PathBuf::from(env!("CARGO_BIN_EXE_gunter"))) }
}

fn open(path: &Path, isolate: bool) -> Result<Loaded, String> {
    NativeHost.load(&entry(path, isolate), Path::new(""), &policy()).map_err(|refused| refused.0.code)
}

/// What one way to misbehave came to: the table and all that was said, or the findings.
fn attempt(plugin: &Loaded, mode: &str) -> Result<(Table, Vec<String>, usize), Vec<Problem>> {
    let folder = tempfile::tempdir().unwrap();
    let files = JobFiles { folder: folder.path().to_owned(), results: folder.path().to_owned() };
    let table = table();
    let inputs = [(*table.schema).clone()];
    let cx = BindCx { inputs: &inputs, rig: None, reference: None, locality: None, files: &files, locked: None };
    let bound = plugin.kinds[0].bind(serde_json::json!({ "mode": mode }), &cx)?;
    let world = Collect::new(folder.path());
    let out = bound.stage.run(&[table], &Cx::new(&world, "step", None)).map_err(|p| vec![p]);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "{mode}: something is left in the results folder");
    let said = world.said();
    let words = said.findings.iter().map(|f| f.what.clone()).collect();
    Ok((out?, words, said.set_aside.iter().map(|(.., rows)| rows.rows()).sum()))
}

/// Runs one stage on tables of several sizes, one after the other, in one process.
fn one_after_the_other(plugin: &Loaded, options: &serde_json::Value) -> Vec<Table> {
    let folder = tempfile::tempdir().unwrap();
    let files = JobFiles { folder: folder.path().to_owned(), results: folder.path().to_owned() };
    let inputs = [(*table().schema).clone()];
    let cx = BindCx { inputs: &inputs, rig: None, reference: None, locality: None, files: &files, locked: None };
    let bound = plugin.kinds[0].bind(options.clone(), &cx).map_err(|p| p[0].finding.what.clone()).unwrap();
    let world = Collect::new(folder.path());
    let tables = [(20_000, 59.0), (100, -3.0), (19_999, 7.0), (0, 0.0), (1, 1.0), (40_000, 8.0), (20_000, 59.0)];
    let run = |(rows, south)| bound.stage.run(&[table_of(rows, south)], &Cx::new(&world, "step", None)).map_err(|p| p.finding.what);
    tables.into_iter().map(run).collect::<Result<_, _>>().unwrap()
}

#[test]
fn memory_that_is_used_again_holds_the_table_of_the_call() {
    let folder = tempfile::tempdir().unwrap();
    let steady = folder.path().join("libsteady.so");
    compile(&root().join("plugins/example-c/steady.c"), &steady, &[]);
    let options = serde_json::json!({ "column": "latitude_deg", "half_width": 3 });
    let here = one_after_the_other(&open(&steady, false).unwrap(), &options);
    let plugin = open(&steady, true).unwrap();
    let apart = one_after_the_other(&plugin, &options);
    // The memory of the last call waits for the next one.
    #[cfg(target_os = "linux")]
    {
        let links = std::fs::read_dir("/proc/self/fd").unwrap().filter_map(|f| std::fs::read_link(f.unwrap().path()).ok());
        assert!(links.filter(|l| l.to_string_lossy().contains("gunter-table")).count() > 0);
    }
    for (a, b) in here.iter().zip(&apart) {
        assert!(a.schema == b.schema && a.data.equals_missing(&b.data), "{:?}\n{:?}", a.data, b.data);
    }
}

#[test]
fn what_a_plug_in_holds_on_to_is_not_written_over() {
    for isolate in [false, true] {
        let plugin = open(&built("hostile"), isolate).unwrap();
        one_after_the_other(&plugin, &serde_json::json!({ "mode": "keeps" }));
    }
}

/// What cannot be wrong: the ways that must be survived in both hosts, with the code and a word of the finding.
const WAYS: &[(&str, &str, &str)] = &[
    ("bind-option", "hostile/no-way", "no such way"),
    ("bind-words", "plugin/said", "only words"),
    ("bind-null", "plugin/said", "does not say why"),
    ("bind-not-utf8", "plugin/said", "caf"),
    ("bound-null", "plugin/bad-answer", "cannot be read"),
    ("bound-bad-json", "plugin/bad-answer", "cannot be read"),
    ("bound-bad-grain", "plugin/bad-answer", "sometimes"),
    ("bound-no-run", "plugin/bad-answer", "no `run`"),
    ("bound-short", "plugin/bad-answer", "short struct"),
    ("promise-no-frame", "plugin/bad-answer", "drops their frame"),
    ("promise-twice", "plugin/bad-answer", "two columns"),
    ("promise-metres", "plugin/bad-answer", "`latitude_deg` is the latitude and says `m` where `deg` belongs"),
    ("promise-number", "plugin/bad-answer", "`file` is the raw file and holds Int where Text belongs"),
    ("promise-unit", "plugin/bad-answer", "furlong"),
    ("error-words", "plugin/said", "the data are wrong"),
    ("error-zero", "plugin/said", "first"),
    ("error-null", "plugin/said", "does not say why"),
    ("error-row", "hostile/row", "this row"),
    ("error-row-beyond", "plugin/said", "this row"),
    ("error-code", "plugin/said", "{"),
    ("error-with-out", "plugin/said", "with garbage in out"),
    ("double-release", "plugin/said", "released everything twice"),
    ("nothing", "plugin/bad-data", "gave no table"),
    ("aside-beyond", "plugin/bad-data", "beyond the end"),
    ("aside-twice", "plugin/rows-lost", "twice"),
    ("aside-reason", "plugin/bad-data", "Not A Word"),
    ("aside-all", "plugin/rows-lost", "1 were set aside"),
    ("fact-bad-json", "plugin/bad-data", "no JSON"),
    ("used", "plugin/rows-lost", "3 were used"),
    ("wrong-unit", "plugin/wrong-table", "in `deg` and says `rad`"),
    ("wrong-role", "plugin/wrong-table", "`latitude` and says `longitude`"),
    ("no-meaning", "plugin/wrong-table", "does not say its unit"),
    ("bad-meaning", "plugin/wrong-table", "cannot be read"),
    ("no-frame", "plugin/wrong-table", "does not say which frame"),
    ("null-frame", "plugin/wrong-table", "dropped the frame"),
    ("other-frame", "plugin/wrong-table", "EPSG:6319"),
    ("invented", "plugin/wrong-table", "`invented`"),
    ("missing", "plugin/wrong-table", "`sigma_assumed`"),
    ("renamed", "plugin/wrong-table", "`renamed`"),
    ("swapped", "plugin/wrong-table", "in its place"),
    ("lost-rows", "plugin/rows-lost", "100 rows went in, 99 came back"),
    ("more-rows", "plugin/bad-data", "has 100 rows and the table 101"),
    ("nan", "plugin/bad-data", "NaN in row 5"),
    ("infinity", "plugin/bad-data", "inf in row 5"),
    ("text-view", "plugin/bad-data", "text views"),
    ("short-text", "plugin/bad-data", "32-bit offsets"),
    ("other-type", "plugin/wrong-table", "Float in column `latitude_deg`"),
    ("short-column", "plugin/bad-data", "has 99 rows"),
    ("negative-length", "plugin/bad-data", "-5 rows"),
    ("negative-offset", "plugin/bad-data", "from -5"),
    ("huge-length", "plugin/bad-data", "9223372036854775807 rows"),
    ("null-buffer", "plugin/bad-data", "null pointer"),
    ("no-buffers", "plugin/bad-data", "buffers"),
    ("few-buffers", "plugin/bad-data", "2 buffers and needs 3"),
    ("null-child", "plugin/bad-data", "null pointer"),
    ("null-children", "plugin/bad-data", "columns and its table"),
    ("nulls-without-bits", "plugin/bad-data", "counts 3 nulls"),
    ("not-utf8", "plugin/bad-data", "no UTF-8"),
    ("offsets-back", "plugin/bad-data", "go back"),
    ("nulls-where-none", "plugin/wrong-table", "must not be empty"),
    ("endless", "plugin/bad-data", "has no end"),
    ("stream-error", "plugin/bad-data", "the disk is gone"),
    ("stream-error-json", "hostile/stream", "row in a stream"),
    ("stream-error-null", "plugin/bad-data", "does not say why"),
    ("no-functions", "plugin/bad-data", "gave no table"),
    ("no-schema", "plugin/bad-data", "no schema"),
    ("not-a-struct", "plugin/bad-data", "`l` and not `+s`"),
    ("released-child", "plugin/bad-data", "released already"),
    ("row-of-nulls", "plugin/bad-data", "null"),
];

/// What is harmless: the table comes back as it went in.
const HARMLESS: &[&str] =
    &["pass", "copy", "not-nulled", "misaligned", "no-release", "aside-null", "thread", "late-thread", "stdout", "find-bad-json"];

#[test]
fn every_way_to_misbehave_is_named_in_both_hosts() {
    let mut wrong = vec![];
    for isolate in [false, true] {
        let plugin = open(&built("hostile"), isolate).unwrap();
        for (mode, code, words) in WAYS {
            match attempt(&plugin, mode) {
                Ok(_) => wrong.push(format!("{mode} (isolated: {isolate}) went through")),
                Err(found) => {
                    let first = &found[0].finding;
                    let named = first.what.contains("plug-in `hostile`") || first.place.contains("plug-in `hostile`");
                    if first.code != *code || !first.what.contains(words) || !named {
                        wrong.push(format!("{mode} (isolated: {isolate}): {} {} / {}", first.code, first.what, first.place));
                    }
                }
            }
        }
        for mode in HARMLESS {
            match attempt(&plugin, mode) {
                Ok((out, ..)) if out.data.equals_missing(&table().data) && out.schema == table().schema => {}
                Ok((out, ..)) => wrong.push(format!("{mode} (isolated: {isolate}) gave {:?}", out.data)),
                Err(found) => wrong.push(format!("{mode} (isolated: {isolate}): {}", found[0].finding.what)),
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn findings_stand_at_their_option_and_their_row() {
    for isolate in [false, true] {
        let plugin = open(&built("hostile"), isolate).unwrap();
        let found = attempt(&plugin, "bind-option").unwrap_err();
        assert_eq!(found.len(), 2);
        assert_eq!(found[0].option.as_deref(), Some("mode"));
        let found = attempt(&plugin, "error-row").unwrap_err();
        let label = &found[0].finding.labels[0];
        assert_eq!((label.file.as_str(), label.line), ("day-7-with-a-long-name.nmea", Some(71)));
        let (_, said, _) = attempt(&plugin, "thread").unwrap();
        assert_eq!(said, ["from a thread"]);
        let (_, said, _) = attempt(&plugin, "late-thread").unwrap();
        assert!(said.is_empty(), "a call after the end was heard: {said:?}");
    }
    std::thread::sleep(Duration::from_millis(100));
}

#[test]
fn what_nobody_survives_in_process_is_survived_in_a_process_of_its_own() {
    let plugin = open(&built("hostile"), true).unwrap();
    for (mode, code) in [
        ("crash", "plugin/crashed"),
        ("abort", "plugin/crashed"),
        ("panic", "plugin/crashed"),
        ("bind-panic", "plugin/crashed"),
        ("bind-abort", "plugin/crashed"),
        ("exit", "plugin/ended-early"),
        ("exit-well", "plugin/ended-early"),
        ("hang", "plugin/time-limit"),
        ("bind-hang", "plugin/time-limit"),
        ("chatter", "plugin/time-limit"),
        ("memory", "plugin/memory-limit"),
    ] {
        let begun = Instant::now();
        let found = attempt(&plugin, mode).map(|_| ()).unwrap_err();
        assert_eq!(found[0].finding.code, code, "{mode}: {}", found[0].finding.what);
        assert!(found[0].finding.what.contains("plug-in `hostile`"), "{mode}");
        assert!(begun.elapsed() < Duration::from_secs(20), "{mode} took {:?}", begun.elapsed());
        // The next call gets a process of its own.
        assert!(attempt(&plugin, "pass").is_ok(), "after {mode}");
    }
}

#[test]
fn shared_memory_has_the_limit_too() {
    let mut entry = entry(&built("hostile"), true);
    (entry.memory_limit_mb, entry.time_limit_s) = (Some(256), Some(60.0));
    let plugin = NativeHost.load(&entry, Path::new(""), &policy()).map_err(|refused| refused.0).unwrap();
    let found = attempt(&plugin, "flood").map(|_| ()).unwrap_err();
    assert_eq!(found[0].finding.code, "plugin/memory-limit", "{}", found[0].finding.what);
    assert!(attempt(&plugin, "pass").is_ok());
}

#[test]
fn a_plug_in_that_broke_down_is_not_called_again() {
    // A copy has a path of its own, and so a state of its own.
    let folder = tempfile::tempdir().unwrap();
    let library = folder.path().join("libbroken.so");
    std::fs::copy(built("hostile"), &library).unwrap();
    let plugin = open(&library, false).unwrap();
    assert!(attempt(&plugin, "pass").is_ok());
    assert_eq!(attempt(&plugin, "panicked").map(|_| ()).unwrap_err()[0].finding.code, "plugin/panicked");
    assert_eq!(attempt(&plugin, "pass").map(|_| ()).unwrap_err()[0].finding.code, "plugin/panicked");
}

/// With the system's allocator, so that `.ci/leaks` sees what the host itself loses.
#[test]
fn the_examples_keep_their_promises_in_this_process() {
    let folder = tempfile::tempdir().unwrap();
    let steady = folder.path().join("libsteady.so");
    compile(&root().join("plugins/example-c/steady.c"), &steady, &[]);
    for library in [steady, built("linetrace")] {
        let plugin = open(&library, false).unwrap();
        let tried = examine(plugin.kinds[0].as_ref(), folder.path(), &StageTables::by(&stages::behind::chain().unwrap()).unwrap());
        assert!(tried.iter().all(|t| t.kept != Some(false)) && tried.len() >= 12, "{tried:#?}");
    }
}

const GOOD_C: &str = r#"
#include "gunter_plugin.h"
#include <string.h>
static int32_t bind(const char *a, const char *b, const char *c, const char *d, struct gunter_stage *o, struct gunter_error *e) {
  (void)a, (void)b, (void)c, (void)d, (void)o;
  e->json = "no";
  return 1;
}
#ifndef ABOUT
#define ABOUT "{\"plugin\":\"tiny\",\"version\":\"1\",\"stages\":[{\"name\":\"tiny/one\",\"version\":1,\"summary\":\"S\",\"inputs\":\"one\",\"options\":{\"type\":\"object\",\"additionalProperties\":false}}]}"
#endif
#ifdef NEEDS
void nobody_has_this_symbol(void);
#endif
GUNTER_EXPORT int32_t NAME(uint32_t minor, struct gunter_plugin *out, struct gunter_error *error);
GUNTER_EXPORT int32_t NAME(uint32_t minor, struct gunter_plugin *out, struct gunter_error *error) {
  (void)minor;
#ifdef REFUSES
  error->json = "no licence on this machine";
  return 4;
#endif
#ifdef NEEDS
  nobody_has_this_symbol();
#endif
  (void)error;
  out->size = SIZE;
  out->abi_major = MAJOR;
  out->describe_json = ABOUT;
  out->bind = BIND;
  return 0;
}
"#;

#[test]
fn each_file_that_is_no_plug_in_has_its_own_finding() {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("tiny.c");
    std::fs::write(&source, GOOD_C).unwrap();
    let good = ["-DNAME=gunter_plugin_v1", "-DSIZE=sizeof *out", "-DMAJOR=1", "-DBIND=bind"];
    let variant = |name: &str, changes: &[&str]| {
        let library = folder.path().join(format!("lib{name}.so"));
        let key = |word: &str| word.split('=').next().unwrap().to_owned();
        let mut words: Vec<&str> = good.iter().copied().filter(|g| changes.iter().all(|c| key(c) != key(g))).collect();
        words.extend(changes);
        compile(&source, &library, &[&words[..], &["-Wno-unused-function"]].concat());
        library
    };
    let well = variant("well", &[]);
    let mut cases = vec![
        (folder.path().join("nowhere.so"), "plugin/not-found"),
        (folder.path().to_owned(), "plugin/not-found"),
        (source.clone(), "plugin/not-a-library"),
        (variant("nosymbol", &["-DNAME=something_else"]), "plugin/no-symbol"),
        (variant("two", &["-DNAME=gunter_plugin_v2"]), "plugin/other-version"),
        (variant("major", &["-DMAJOR=2"]), "plugin/other-version"),
        (variant("unresolved", &["-DNEEDS"]), "plugin/unresolved-symbol"),
        (variant("refuses", &["-DREFUSES"]), "plugin/refused"),
        (variant("null", &["-DABOUT=NULL"]), "plugin/bad-description"),
        (variant("badjson", &["-DABOUT=\"{\""]), "plugin/bad-description"),
        (variant("short", &["-DSIZE=16"]), "plugin/bad-description"),
        (variant("nobind", &["-DBIND=NULL"]), "plugin/bad-description"),
    ];
    let damaged = |name: &str, change: &dyn Fn(&mut Vec<u8>)| {
        let mut bytes = std::fs::read(&well).unwrap();
        change(&mut bytes);
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    };
    cases.push((damaged("libother.so", &|b| b[18] = if b[18] == 62 { 183 } else { 62 }), "plugin/wrong-architecture"));
    cases.push((damaged("libobject.so", &|b| b[16] = 1), "plugin/not-a-library"));
    cases.push((damaged("libcut.so", &|b| b.truncate(100)), "plugin/not-a-library"));
    assert_eq!(open(&well, false).unwrap().info.name, "tiny");
    for isolate in [false, true] {
        for (path, code) in &cases {
            let got = open(path, isolate).map(|l| l.info.name).unwrap_err();
            // A loader may call a cut library what it likes.
            assert!(got == *code || (path.ends_with("libcut.so") && got == "plugin/cannot-load"), "{}: {got}", path.display());
        }
    }
}

#[test]
fn programs_that_do_not_speak_are_ended_with_all_that_they_started() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let script = |name: &str, body: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, format!("#!/bin/sh\n{body}\n")).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).unwrap();
        path
    };
    let (mark, away) = (folder.path().join("pid"), folder.path().join("away"));
    for (name, body, code) in [
        ("noise", "echo hello there; sleep 5".to_owned(), "plugin/bad-talk"),
        ("ends", "exit 3".to_owned(), "plugin/ended-early"),
        ("dies", "kill -SEGV $$".to_owned(), "plugin/crashed"),
        ("echo", "cat".to_owned(), "plugin/bad-description"),
        ("old", "echo '{\"say\":\"hello\",\"abi\":\"2.0\"}'".to_owned(), "plugin/other-version"),
        ("other", "echo '{\"say\":\"done\"}'".to_owned(), "plugin/bad-talk"),
        ("hangs", format!("sleep 1000 & echo $! > {}; wait", mark.display()), "plugin/time-limit"),
        // One that leaves the group of its parent.
        ("leaves", format!("setsid sh -c 'echo $$ > {}; exec sleep 1000' & wait", away.display()), "plugin/time-limit"),
    ] {
        assert_eq!(open(&script(name, &body), false).map(|l| l.info.name).unwrap_err(), code, "{name}");
    }
    for file in [mark, away] {
        let child: u32 = std::fs::read_to_string(&file).unwrap().trim().parse().unwrap();
        let gone = || std::fs::read_to_string(format!("/proc/{child}/stat")).map_or(true, |s| s.contains(") Z "));
        let until = Instant::now() + Duration::from_secs(5);
        while !gone() && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(20));
        }
        assert!(gone(), "an orphan is left: {child} of {}", file.display());
    }
    let plain = folder.path().join("plain");
    std::fs::write(&plain, "#!/bin/sh\n").unwrap();
    assert_eq!(open(&plain, false).map(|l| l.info.name).unwrap_err(), "plugin/cannot-start");
}
