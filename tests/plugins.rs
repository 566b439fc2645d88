//! Stages from outside, in this process and in processes of their own.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;
#[path = "plugins/hosts.rs"]
mod hosts;

use common::{code, deliveries, files, find, findings, gunter, json, root, workspace};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A library that was built beside this test.
fn built(name: &str) -> PathBuf {
    let folder = std::env::current_exe().unwrap().parent().unwrap().to_owned();
    let file = format!("{}{name}{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
    folder.join(file)
}

/// A workspace whose `plugins/lib` holds the example plug-ins.
fn with_plugins() -> tempfile::TempDir {
    let folder = workspace();
    let lib = folder.path().join("plugins/lib");
    std::fs::create_dir_all(&lib).unwrap();
    for name in ["linetrace", "hostile"] {
        std::fs::copy(built(name), lib.join(built(name).file_name().unwrap())).unwrap();
    }
    compile(&root().join("plugins/example-c/steady.c"), &lib.join("libsteady.so"), &[]);
    common::copy(&root().join("plugins/example-process"), &folder.path().join("plugins/example-process"));
    folder
}

/// Compiles a plug-in in C on the header alone, with every warning an error.
fn compile(source: &Path, library: &Path, more: &[&str]) {
    let output = Command::new("cc")
        .args(["-std=c99", "-O2", "-Wall", "-Wextra", "-pedantic", "-Werror", "-shared", "-fPIC", "-fvisibility=hidden", "-I"])
        .arg(root().join("plugins/abi/include"))
        .arg(source)
        .arg("-o")
        .arg(library)
        .args(more)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

/// Runs a job with words in its text replaced; gives exit code and record.
fn run_with(folder: &Path, job: &str, changes: &[(&str, &str)]) -> (i32, Value) {
    let path = folder.join("jobs").join(job);
    let mut text = std::fs::read_to_string(&path).unwrap();
    for (from, to) in changes {
        assert!(text.contains(from), "no `{from}` in {job}");
        text = text.replace(from, to);
    }
    std::fs::write(&path, text).unwrap();
    let output = gunter(folder, &["--format", "json", "run", &format!("jobs/{job}"), "--overwrite"]);
    (code(&output), json(&output))
}

/// Bytes of the deliveries by name.
fn delivered(folder: &Path) -> Vec<(String, Vec<u8>)> {
    deliveries(folder).into_iter().map(|f| (f.clone(), std::fs::read(folder.join(f)).unwrap())).collect()
}

const ISOLATE: (&str, &str) = ("liblinetrace.so\n", "liblinetrace.so\n    isolate: true\n");

#[test]
fn a_locator_lowers_points_the_same_in_both_hosts() {
    let folder = with_plugins();
    let results = folder.path().join("jobs/results/traced-line");
    let (exit, record) = run_with(folder.path(), "traced-line.yaml", &[]);
    assert_eq!(exit, 0, "{record:#}");
    let step = record["decided"]["steps"].as_array().unwrap().iter().find(|s| s["id"] == "line").unwrap().clone();
    assert_eq!(step["rows"]["in"], 4);
    assert_eq!(step["rows"]["set_aside"]["weak-signal"], 1);
    let said = find(&findings(&record), "linetrace/readings-disagree").unwrap();
    assert_eq!(said["point"], "T-04");
    assert!(said["labels"][0]["line"].as_u64().unwrap() > 0, "the raw lines of the point are named");
    let material = record["decided"]["materials"].as_array().unwrap().iter().find(|m| m["role"] == "plugin").unwrap().clone();
    assert_eq!(material["sha256"].as_str().unwrap().len(), 64);
    assert_eq!(record["decided"]["plan"]["plugins"][0]["name"], "linetrace");
    assert!(record["decided"]["materials"].as_array().unwrap().iter().any(|m| m["name"] == "readings/traced-line.csv"));
    let first = delivered(&results);
    let text = String::from_utf8(first.iter().find(|(n, _)| n == "line.csv").unwrap().1.clone()).unwrap();
    assert!(text.contains("depth_m") && text.contains("T-01") && !text.contains("T-03"), "{text}");

    let (exit, isolated) = run_with(folder.path(), "traced-line.yaml", &[ISOLATE]);
    assert_eq!(exit, 0, "{isolated:#}");
    assert_eq!(isolated["decided"]["plan"]["plugins"][0]["isolated"], true);
    assert_eq!(delivered(&results), first);
    assert_eq!(isolated["decided"]["steps"], record["decided"]["steps"]);
    assert_eq!(find(&findings(&isolated), "linetrace/readings-disagree"), Some(said));
    assert!(files(&results).iter().all(|f| !f.contains("partial")));
}

#[test]
fn a_filter_in_c_gives_the_same_in_both_hosts() {
    let folder = with_plugins();
    let results = folder.path().join("jobs/results/steady-track");
    let (exit, record) = run_with(folder.path(), "steady-track.yaml", &[]);
    assert_eq!(exit, 0, "{record:#}");
    let step = record["decided"]["steps"].as_array().unwrap().iter().find(|s| s["id"] == "steady").unwrap().clone();
    assert!(step["rows"]["in"].as_u64().unwrap() > 500 && step["rows"]["in"] == step["rows"]["out"], "{step}");
    let first = delivered(&results);
    let (exit, record) = run_with(folder.path(), "steady-track.yaml", &[("libsteady.so\n", "libsteady.so\n    isolate: true\n")]);
    assert_eq!(exit, 0, "{record:#}");
    assert!(delivered(&results) == first, "other bytes in a process of its own");
}

fn has_pyarrow() -> bool {
    let good = Command::new("python3").args(["-c", "import pyarrow"]).output().is_ok_and(|o| o.status.success());
    if !good {
        eprintln!("SKIPPED: `python3 -c 'import pyarrow'` fails; the process stage in Python is not tested on this machine");
    }
    good
}

#[test]
fn a_process_in_python_looks_codes_up() {
    if !has_pyarrow() {
        return;
    }
    let folder = with_plugins();
    let (exit, record) = run_with(folder.path(), "named-codes.yaml", &[]);
    assert_eq!(exit, 0, "{record:#}");
    let text = std::fs::read_to_string(folder.path().join("jobs/results/named-codes/points.csv")).unwrap();
    assert!(text.contains("gate valve of the water main"), "{text}");
    let said = find(&findings(&record), "codebook/unknown-code").unwrap();
    assert!(said["labels"][0]["file"].as_str().unwrap().ends_with(".nmea.gz"), "{said:#}");
    let (exit, record) = run_with(folder.path(), "named-codes.yaml", &[("table: tables/codes.csv", "table: tables/cods.csv")]);
    assert_eq!(exit, 2);
    let said = find(&findings(&record), "job/missing-file").unwrap();
    assert!(said["labels"][0]["line"].as_u64().is_some(), "{said:#}");
}

#[test]
fn mistakes_in_options_are_underlined_like_those_of_a_built_in() {
    let folder = with_plugins();
    let (exit, answer) = run_with(
        folder.path(),
        "traced-line.yaml",
        &[("sensor_height_m: 0.15", "sensor_heigt_m: 0.15"), ("min_current_ma: 5", "min_current_ma: low")],
    );
    assert_eq!(exit, 2);
    let found = findings(&answer);
    for (code, line) in [("job/unknown-key", 33), ("job/wrong-type", 34)] {
        let finding = find(&found, code).unwrap();
        assert_eq!(finding["labels"][0]["line"], line, "{finding:#}");
    }
    assert!(find(&found, "job/missing-key").is_some());
    // What only the plug-in itself can know stands at its option too.
    let (exit, answer) = run_with(folder.path(), "steady-track.yaml", &[("column: pdop", "column: pdopp")]);
    assert_eq!(exit, 2);
    let finding = find(&findings(&answer), "steady/bad-option").unwrap();
    assert_eq!(finding["labels"][0]["line"], 30, "{finding:#}");
}

#[test]
fn a_crash_keeps_the_record_and_delivers_nothing() {
    let folder = with_plugins();
    let results = folder.path().join("jobs/results/traced-line");
    let text = std::fs::read_to_string(folder.path().join("jobs/traced-line.yaml")).unwrap();
    let options = text.split("stage: linetrace/depth\n").nth(1).unwrap().split("  - id: heights").next().unwrap().to_owned();
    for (mode, code) in
        [("crash", "plugin/crashed"), ("hang", "plugin/time-limit"), ("exit", "plugin/ended-early"), ("wrong-unit", "plugin/wrong-table")]
    {
        std::fs::write(folder.path().join("jobs/traced-line.yaml"), &text).unwrap();
        let new_options = format!("    options: {{ mode: {mode} }}\n");
        let changes = [
            ("liblinetrace.so\n", "libhostile.so\n    isolate: true\n    time_limit_s: 2\n"),
            ("linetrace/depth", "hostile/pass"),
            (options.as_str(), new_options.as_str()),
        ];
        let (exit, record) = run_with(folder.path(), "traced-line.yaml", &changes);
        assert_eq!(exit, 1, "{mode}: {record:#}");
        let said = find(&findings(&record), code).unwrap_or_else(|| panic!("{mode}: {record:#}"));
        assert!(said["what"].as_str().unwrap().contains("plug-in `hostile` (../plugins/lib/libhostile.so)"), "{said:#}");
        assert_eq!(said["step"], "line");
        assert_eq!(record["decided"]["result"], "failed");
        assert!(record["decided"]["materials"].as_array().unwrap().iter().any(|m| m["role"] == "plugin"));
        assert_eq!(files(&results), ["record.json"], "{mode}");
    }
}

#[test]
fn stages_of_a_plug_in_are_listed_explained_and_in_the_schema() {
    let folder = with_plugins();
    let answer = |words: &[&str]| String::from_utf8(gunter(folder.path(), words).stdout).unwrap();
    let library = "plugins/lib/liblinetrace.so";
    assert!(answer(&["stages", "--plugin", library]).contains("linetrace/depth"));
    assert!(!answer(&["stages"]).contains("linetrace"));
    let page = answer(&["stages", "--plugin", library, "linetrace/depth"]);
    for words in ["# What it does", "`sensor_height_m` (number, required)", "default `0.05`", "A locator on a foot"] {
        assert!(page.replace("## ", "# ").contains(words), "no `{words}` in {page}");
    }
    let schema = answer(&["schema", "--plugin", library]);
    assert!(schema.contains("Height of the sensor above the ground"));
}

#[test]
fn numbers_that_an_option_may_be_stand_in_its_page() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let script = folder.path().join("tones.sh");
    let options = r#"{"type":"object","additionalProperties":false,"required":["hz"],"properties":{"hz":{"type":"integer","enum":[512,8192],"description":"The tone, Hz."}}}"#;
    let about = format!(
        r#"{{"plugin":"tones","version":"1","stages":[{{"name":"tones/depth","version":1,"summary":"S","inputs":"one","options":{options}}}]}}"#
    );
    let text = format!("#!/bin/sh\nread line\necho '{{\"say\":\"hello\",\"abi\":\"1.0\",\"about\":{about}}}'\ncat > /dev/null\n");
    std::fs::write(&script, text).unwrap();
    std::fs::set_permissions(&script, std::fs::Permissions::from_mode(0o755)).unwrap();
    let output = gunter(folder.path(), &["stages", "--plugin", "tones.sh", "tones/depth"]);
    let page = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(page.contains("`hz` (`512` \\| `8192`, required)"), "{page}\n{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn only_pinned_plug_ins_where_an_office_wants_it() {
    let folder = with_plugins();
    let check = |words: &[&str]| gunter(folder.path(), &[&["--format", "json", "check", "jobs/traced-line.yaml"], words].concat());
    assert_eq!(code(&check(&[])), 0);
    let refused = check(&["--only-pinned"]);
    assert_eq!(code(&refused), 2);
    let said = find(&findings(&json(&refused)), "plugin/not-pinned").unwrap();
    assert_eq!(said["labels"][0]["line"], 8, "{said:#}");
    let digest = said["fix"].as_str().unwrap().split([' ', '`']).find(|w| w.len() == 64).unwrap().to_owned();
    let pin = |digest: &str| {
        let path = folder.path().join("jobs/traced-line.yaml");
        let text = std::fs::read_to_string(root().join("jobs/traced-line.yaml")).unwrap();
        std::fs::write(path, text.replace("liblinetrace.so\n", &format!("liblinetrace.so\n    sha256: {digest}\n"))).unwrap();
    };
    pin(&digest);
    assert_eq!(code(&check(&["--only-pinned"])), 0);
    pin(&"0".repeat(64));
    assert!(find(&findings(&json(&check(&[]))), "plugin/digest-differs").is_some());
}

/// The conformance kit over one plug-in; gives what is broken and how many things were kept.
fn check(folder: &Path, plugin: &Path, more: &[&str]) -> (Vec<Value>, usize) {
    let words = [&["--format", "json", "plugin", "check", plugin.to_str().unwrap()], more].concat();
    let answer = json(&gunter(folder, &words));
    let tried = answer["tried"].as_array().unwrap_or_else(|| panic!("{answer:#}")).clone();
    let kept = tried.iter().filter(|t| t["kept"] == true).count();
    (tried.into_iter().filter(|t| t["kept"] == false).collect(), kept)
}

#[test]
fn the_examples_pass_the_conformance_kit_in_both_hosts() {
    let folder = with_plugins();
    let lib = folder.path().join("plugins/lib");
    let mut all = vec![(lib.join("liblinetrace.so"), vec![]), (lib.join("libsteady.so"), vec![])];
    all.extend([(lib.join("liblinetrace.so"), vec!["--isolate"]), (lib.join("libsteady.so"), vec!["--isolate"])]);
    if has_pyarrow() {
        all.push((folder.path().join("plugins/example-process/codebook.py"), vec![]));
    }
    for (plugin, more) in all {
        let (broken, kept) = check(folder.path(), &plugin, &more);
        assert!(broken.is_empty() && kept >= 11, "{} {more:?}: {kept} kept, {broken:#?}", plugin.display());
    }
    // A plug-in that breaks a promise is told so.
    let output = gunter(folder.path(), &["plugin", "check", "plugins/lib/libhostile.so"]);
    assert!(String::from_utf8_lossy(&output.stdout).contains("not tried"), "{output:?}");
}

#[test]
fn a_plug_in_of_version_1_0_is_loaded_forever() {
    let kept = root().join("tests/fixtures/plugin-1.0");
    for line in std::fs::read_to_string(kept.join("SHA256SUMS")).unwrap().lines() {
        let (digest, file) = line.split_once("  ").unwrap();
        let bytes = std::fs::read(kept.join(file)).unwrap();
        assert_eq!(pipeline_base::digest::sha256_hex(&bytes), digest, "`{file}` is kept as it was in version 1.0");
    }
    let folder = tempfile::tempdir().unwrap();
    let library = folder.path().join("libsteady.so");
    let built = Command::new("cc")
        .args(["-std=c99", "-O2", "-shared", "-fPIC", "-fvisibility=hidden", "-I"])
        .arg(&kept)
        .arg(kept.join("steady.c"))
        .arg("-o")
        .arg(&library)
        .output()
        .unwrap();
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    for more in [&[][..], &["--isolate"]] {
        let (broken, kept) = check(folder.path(), &library, more);
        assert!(broken.is_empty() && kept >= 11, "{more:?}: {broken:#?}");
    }
}

/// Only the kernel could tell a runner that is killed; what its plug-ins started is ended by the watch that outlives it.
#[test]
#[cfg(target_os = "linux")]
fn nothing_is_left_of_a_plug_in_when_the_runner_is_killed() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let (script, left) = (folder.path().join("leaves.sh"), folder.path().join("left"));
    std::fs::write(&script, format!("#!/bin/sh\nsetsid sh -c 'echo $$ > {}; exec sleep 1000' &\nwait\n", left.display())).unwrap();
    std::fs::set_permissions(&script, std::fs::Permissions::from_mode(0o755)).unwrap();
    let mut runner = Command::new(env!("CARGO_BIN_EXE_gunter")).args(["stages", "--plugin"]).arg(&script).spawn().unwrap();
    let within_5_s = |what: &dyn Fn() -> bool| {
        let until = std::time::Instant::now() + std::time::Duration::from_secs(5);
        while !what() && std::time::Instant::now() < until {
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        what()
    };
    let number = || std::fs::read_to_string(&left).ok()?.trim().parse::<u32>().ok();
    assert!(within_5_s(&|| number().is_some()), "the plug-in did not start");
    runner.kill().unwrap();
    runner.wait().unwrap();
    let number = number().unwrap();
    let gone = || std::fs::read_to_string(format!("/proc/{number}/stat")).map_or(true, |s| s.contains(") Z "));
    assert!(within_5_s(&gone), "an orphan is left: {number}");
}

#[test]
fn a_name_that_two_plug_ins_bring_is_refused() {
    let folder = with_plugins();
    let lib = folder.path().join("plugins/lib");
    std::fs::copy(lib.join("liblinetrace.so"), lib.join("libcopy.so")).unwrap();
    let (exit, answer) =
        run_with(folder.path(), "traced-line.yaml", &[("liblinetrace.so\n", "liblinetrace.so\n  - path: ../plugins/lib/libcopy.so\n")]);
    assert_eq!(exit, 2);
    let said = find(&findings(&answer), "plugin/name-clash").unwrap();
    assert!(said["what"].as_str().unwrap().contains("libcopy.so`: two stages are called `linetrace/depth`"), "{said:#}");
    assert_eq!(said["labels"][0]["line"], 9, "{said:#}");
    let twice = ["--format", "json", "stages", "--plugin", "plugins/lib/liblinetrace.so", "--plugin", "plugins/lib/libcopy.so"];
    let output = gunter(folder.path(), &twice);
    assert_eq!(code(&output), 2);
    let same = find(&findings(&json(&output)), "plugin/name-clash").unwrap();
    assert_eq!((&same["why"], &same["fix"]), (&said["why"], &said["fix"]));
}

#[test]
fn units_and_roles_are_listed_for_authors() {
    use pipeline_base::table::schema::{Role, Unit};
    let page = std::fs::read_to_string(root().join("plugins/README.md")).unwrap();
    let sdk = std::fs::read_to_string(root().join("plugins/sdk/src/schema.rs")).unwrap();
    // A reader that meets another word lists those that it knows.
    let known = [serde_json::from_str::<Role>("\"?\"").unwrap_err(), serde_json::from_str::<Unit>("\"?\"").unwrap_err()];
    for said in known.map(|e| e.to_string()) {
        let list = said.split_once("expected one of ").unwrap().1;
        let words: Vec<&str> = list.split('`').skip(1).step_by(2).collect();
        assert!(words.len() > 8, "{said}");
        for word in words {
            assert!(page.contains(&format!("`\"{word}\"`")), "plugins/README.md does not list `{word}`");
            assert!(sdk.contains(&format!("= \"{word}\",")), "the SDK has no `{word}`");
        }
    }
}

/// The lines of a console block below a heading of DEVELOPERS.md, without their remarks.
fn tutorial(heading: &str) -> Vec<String> {
    let page = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let part = page.split_once(heading).unwrap().1;
    let block = part.split_once("```console\n").unwrap().1.split_once("```").unwrap().0;
    block.lines().map(|l| l.split('#').next().unwrap().trim().to_owned()).collect()
}

#[test]
fn the_tutorial_of_a_plug_in_works_as_it_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let program = Path::new(env!("CARGO_BIN_EXE_gunter")).parent().unwrap();
    let path = format!("{}:{}", program.display(), std::env::var("PATH").unwrap());
    // The crates of the SDK are built once for all runs of this test, and without network.
    let target = std::env::current_exe().unwrap().parent().unwrap().join("new-plug-in");
    std::fs::create_dir_all(&target).unwrap();
    let lines = tutorial("### A plug-in in twenty minutes");
    assert!(lines.iter().any(|l| l.starts_with("gunter plugin check")), "{lines:?}");
    let mut here = folder.path().to_owned();
    let mut said = String::new();
    for line in &lines {
        if let Some(to) = line.strip_prefix("cd ") {
            here.push(to);
            std::fs::copy(root().join("Cargo.lock"), here.join("Cargo.lock")).unwrap();
            std::os::unix::fs::symlink(&target, here.join("target")).unwrap();
            continue;
        }
        let mut shell = Command::new("sh");
        shell.args(["-c", line]).current_dir(&here).env("PATH", &path).env("CARGO_NET_OFFLINE", "true").env_remove("CARGO_TARGET_DIR");
        let output = shell.output().unwrap();
        said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(output.status.success(), "{line}\n{said}\n{}", String::from_utf8_lossy(&output.stderr));
    }
    assert!(said.contains("my-stage/raise") && said.contains(" 0 broken"), "{said}");
}

#[test]
fn a_new_plug_in_works_as_it_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let new = |name: &str, lang: &str| {
        let output = gunter(folder.path(), &["plugin", "new", name, "--lang", lang]);
        assert_eq!(code(&output), 0, "{output:?}");
        // The pages that the header speaks of.
        let pages = std::fs::read_to_string(folder.path().join(name).join("PLUGINS.md")).unwrap();
        assert!(pages.contains("## What a schema looks like"));
        folder.path().join(name)
    };
    let c = new("my-filter", "c");
    let built = Command::new(c.join("build.sh")).env("GUNTER", env!("CARGO_BIN_EXE_gunter")).output().unwrap();
    let words = String::from_utf8_lossy(&built.stdout).into_owned();
    assert!(
        built.status.success() && words.contains("my-filter/mean") && words.contains(" 0 broken"),
        "{words}\n{}",
        String::from_utf8_lossy(&built.stderr)
    );
    if has_pyarrow() {
        let process = new("my-codes", "process");
        let (broken, kept) = check(folder.path(), &process.join("my-codes.py"), &[]);
        assert!(broken.is_empty() && kept >= 11, "{broken:#?}");
    }
    for name in ["Bad", "1st", "a/b", "../x", ""] {
        assert_eq!(code(&gunter(folder.path(), &["plugin", "new", name, "--lang", "c"])), 2, "{name}");
    }
    assert_eq!(code(&gunter(folder.path(), &["plugin", "new", "my-filter", "--lang", "c"])), 2, "nothing is written over");
}
