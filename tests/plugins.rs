//! Stages from outside, in this process and in processes of their own.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;

use common::{code, deliveries, files, find, findings, gunter, json, workspace};
use serde_json::Value;
use std::path::{Path, PathBuf};

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
    for name in ["linetrace"] {
        std::fs::copy(built(name), lib.join(built(name).file_name().unwrap())).unwrap();
    }
    folder
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
