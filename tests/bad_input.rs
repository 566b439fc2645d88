//! Bad input: a clear finding, a non-zero exit, nothing half-written, nothing lost.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;

use common::{code, deliveries, files, find, findings, gunter, json, workspace};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A folder with the damaged files and a rig and reference that fit the good ones.
fn bench() -> (tempfile::TempDir, PathBuf) {
    let folder = workspace();
    let bad = folder.path().join("tests/fixtures/bad");
    for side in ["rig.yaml", "reference.yaml"] {
        std::fs::copy(folder.path().join("tests/fixtures/traps/T13").join(side), bad.join(side)).unwrap();
    }
    (folder, bad)
}

fn job(folder: &Path, log: &str, notes: &str) {
    let text = format!(
        "job: 1
name: bad
rig: rig.yaml
reference: reference.yaml
results: out
steps:
  - {{id: epochs, stage: ingest-nmea, options: {{files: [{log}], untimed: after-time}}}}
  - {{id: occupied, stage: occupations, options: {{notes: [{notes}], notes_time: utc, default_aim: tip}}}}
  - {{id: good, stage: quality-gate, options: {{fix: [rtk-fixed]}}}}
  - {{id: targets, stage: tilt-correct}}
  - {{id: points, stage: average}}
  - {{id: grid, stage: reproject}}
  - {{id: csv, stage: export-csv, options: {{path: points.csv}}}}
  - {{id: gpkg, stage: export-geopackage, from: [grid], options: {{path: points.gpkg}}}}
"
    );
    std::fs::write(folder.join("job.yaml"), text).unwrap();
}

/// Runs the job and gives exit code and findings; a failed run must have left nothing but its record.
fn run(folder: &Path) -> (i32, Vec<Value>) {
    let output = gunter(folder, &["run", "job.yaml", "--format", "json"]);
    let found = findings(&json(&output));
    let left = files(&folder.join("out"));
    assert!(!left.iter().any(|f| f.contains("partial")), "half-written: {left:?}");
    if code(&output) != 0 {
        assert!(deliveries(&folder.join("out")).is_empty(), "{left:?}");
        assert!(left.contains(&"record.json".to_owned()), "a failed run leaves a record: {left:?}");
    }
    for finding in &found {
        assert!(finding["what"].as_str().is_some_and(|t| !t.is_empty()), "{finding:#}");
        assert!(finding["verdict"] == "note" || finding["fix"].as_str().is_some_and(|t| !t.is_empty()), "no fix: {finding:#}");
    }
    (code(&output), found)
}

#[test]
fn the_undamaged_pair_is_delivered() {
    let (_keep, folder) = bench();
    job(&folder, "good.nmea", "good-notes.csv");
    let (exit, found) = run(&folder);
    assert_eq!(exit, 0, "{found:#?}");
    assert!(deliveries(&folder.join("out")).contains(&"points.gpkg".to_owned()));
}

#[test]
fn logs_that_give_nothing_deliver_nothing() {
    for (log, want) in [
        ("empty.nmea", "data/no-sentences"),
        ("binary.nmea", "data/no-sentences"),
        ("long-line.nmea", "data/no-sentences"),
        ("nofix.nmea", "data/no-fix"),
        ("blank-separation.nmea", "height/no-separation"),
        ("wrong-checksums.nmea", "data/bad-checksum"),
        ("four-decimals.nmea", "data/coarse-position"),
    ] {
        let (_keep, folder) = bench();
        job(&folder, log, "good-notes.csv");
        let (exit, found) = run(&folder);
        assert_ne!(exit, 0, "{log}");
        assert!(find(&found, want).is_some(), "{log}: {found:#?}");
    }
}

#[test]
fn damage_in_a_good_log_is_said_and_the_rest_delivered() {
    for (log, want) in [("binary-inside.nmea", "data/binary-lines"), ("cut-at-the-end.nmea", "data/torn-line")] {
        let (_keep, folder) = bench();
        job(&folder, log, "good-notes.csv");
        let (exit, found) = run(&folder);
        assert_eq!(exit, 0, "{log}: {found:#?}");
        assert!(find(&found, want).is_some(), "{log}: {found:#?}");
    }
}

#[test]
fn notes_that_do_not_fit() {
    for (notes, want, exit) in [
        ("notes-no-epochs.csv", "notes/no-epochs", 1),
        ("notes-overlap.csv", "notes/overlap", 0),
        ("notes-empty.csv", "notes/empty", 1),
        ("notes-header-only.csv", "notes/empty", 1),
        ("notes-latin1.csv", "notes/not-utf8", 1),
        ("notes-bad-time.csv", "notes/bad-time", 1),
        ("notes-backwards.csv", "notes/to-before-from", 1),
        ("notes-bad-number.csv", "notes/bad-number", 1),
        ("notes-unknown-aim.csv", "notes/bad-aim", 1),
    ] {
        let (_keep, folder) = bench();
        job(&folder, "good.nmea", notes);
        let (got, found) = run(&folder);
        assert!(find(&found, want).is_some(), "{notes}: {found:#?}");
        assert_eq!(got, exit, "{notes}: {found:#?}");
    }
}

#[test]
fn a_note_outside_every_log_is_not_lost() {
    let (_keep, folder) = bench();
    job(&folder, "good.nmea", "good-notes.csv");
    let notes = std::fs::read_to_string(folder.join("good-notes.csv")).unwrap();
    std::fs::write(folder.join("good-notes.csv"), format!("{notes}LOST-1,W-VALVE,18:00:00,18:00:10,,,top,tip\n")).unwrap();
    let (exit, found) = run(&folder);
    assert_eq!(exit, 0);
    let finding = find(&found, "notes/no-epochs").unwrap();
    assert_eq!((finding["verdict"].as_str(), finding["point"].as_str()), (Some("reshoot"), Some("LOST-1")));
    // Whoever needs every point can ask for it.
    std::fs::remove_dir_all(folder.join("out")).unwrap();
    assert_eq!(code(&gunter(&folder, &["run", "job.yaml", "--require-all"])), 1);
    assert!(folder.join("out/points.csv").exists());
}

#[test]
fn two_points_of_one_name_are_both_kept_and_shown() {
    let (_keep, folder) = bench();
    job(&folder, "good.nmea", "two.csv");
    std::fs::write(folder.join("two.csv"), "point,from,to,aim\n007,14:05:00.0,14:05:04.0,tip\n007,14:05:06.0,14:05:11.0,tip\n").unwrap();
    let (exit, found) = run(&folder);
    assert_eq!(exit, 0, "{found:#?}");
    assert_eq!(find(&found, "points/same-name").unwrap()["point"], "007");
    let delivered = std::fs::read_to_string(folder.join("out/points.csv")).unwrap();
    assert_eq!(delivered.lines().filter(|l| l.starts_with("007,")).count(), 2, "{delivered}");
}

#[test]
fn not_a_number_and_infinite_values() {
    let (_keep, folder) = bench();
    let text = "job: 1
name: table
rig: rig.yaml
reference: reference.yaml
results: out
steps:
  - id: epochs
    stage: ingest-csv
    options:
      files: [nan.csv]
      time: {column: time, format: iso8601, scale: utc}
      latitude: {column: latitude_deg, format: deg}
      longitude: {column: longitude_deg, format: deg}
      height: {column: ellipsoidal_height_m, unit: m, above: ellipsoidal}
      fix: {column: fix, words: [{text: rtk-fixed, fix: rtk-fixed}]}
  - {id: occupied, stage: occupations, options: {by: still, radius_m: 1, min_duration_s: 1, default_aim: tip}}
";
    std::fs::write(folder.join("job.yaml"), text).unwrap();
    let output = gunter(&folder, &["run", "job.yaml", "--format", "json"]);
    let answer = json(&output);
    let table = std::fs::read_to_string(folder.join("nan.csv")).unwrap();
    let odd = table.lines().filter(|l| l.contains("NaN") || l.contains("inf")).count();
    assert!(odd >= 2);
    let lines = &answer["decided"]["lines"][0];
    assert_eq!(lines["damaged"]["not-a-number"], odd, "{answer:#}");
    assert_eq!(lines["total"], table.lines().count());
    let finding = find(&findings(&answer), "data/damaged-row").unwrap();
    assert!(finding["labels"][0]["line"].as_u64().is_some(), "{finding:#}");
}

#[test]
fn every_mistake_of_a_job_at_once_with_line_and_column() {
    let (_keep, folder) = bench();
    std::fs::write(
        folder.join("job.yaml"),
        "job: 1
name: 12
sumary: x
rig: rig.yaml
reference: reference.yaml
steps:
  - {id: epochs, stage: ingest-nmae}
  - id: good
    stage: quality-gate
    options: {fix: [rtk-fixed], max_pdopp: 3, max_hdop: wide}
",
    )
    .unwrap();
    let output = gunter(&folder, &["check", "job.yaml", "--format", "json"]);
    assert_eq!(code(&output), 2);
    let found = findings(&json(&output));
    let seen: Vec<(&str, u64, u64)> = found
        .iter()
        .map(|f| (f["code"].as_str().unwrap(), f["labels"][0]["line"].as_u64().unwrap(), f["labels"][0]["column"].as_u64().unwrap()))
        .collect();
    assert_eq!(
        seen,
        [
            ("job/wrong-type", 2, 7),
            ("job/unknown-key", 3, 1),
            ("job/unknown-stage", 7, 25),
            ("job/unknown-key", 10, 33),
            ("job/wrong-type", 10, 57)
        ]
    );
    assert!(found[1]["labels"][0]["text"].as_str().unwrap().contains("`summary`"));
    assert!(found[3]["labels"][0]["text"].as_str().unwrap().contains("`max_pdop`"));
}

#[test]
fn files_that_are_not_there() {
    let (_keep, folder) = bench();
    for (log, notes) in
        [("nowhere.nmea", "good-notes.csv"), ("good.nmea", "nowhere.csv"), ("'*.nothing'", "good-notes.csv"), ("'.'", "good-notes.csv")]
    {
        job(&folder, log, notes);
        let (exit, found) = run(&folder);
        assert_eq!(exit, 2, "{log}");
        let finding = find(&found, "job/missing-file").unwrap_or_else(|| panic!("{log}: {found:#?}"));
        assert!(finding["labels"][0]["line"].as_u64().is_some(), "{finding:#}");
    }
    let output = gunter(&folder, &["run", "no-such-job.yaml"]);
    assert_eq!(code(&output), 2);
    assert!(String::from_utf8_lossy(&output.stderr).contains("no-such-job.yaml"));
}

#[test]
fn earlier_results_are_not_replaced_unasked() {
    let (_keep, folder) = bench();
    job(&folder, "good.nmea", "good-notes.csv");
    assert_eq!(run(&folder).0, 0);
    let before: Vec<(String, Vec<u8>)> =
        files(&folder.join("out")).into_iter().map(|f| (f.clone(), std::fs::read(folder.join("out").join(f)).unwrap())).collect();
    let output = gunter(&folder, &["run", "job.yaml", "--format", "json"]);
    assert_eq!(code(&output), 1);
    assert!(find(&findings(&json(&output)), "export/exists").is_some());
    for (file, bytes) in &before {
        assert!(std::fs::read(folder.join("out").join(file)).unwrap() == *bytes, "`{file}` was touched");
    }
    assert_eq!(code(&gunter(&folder, &["run", "job.yaml", "--overwrite"])), 0);
}

#[test]
fn files_of_an_earlier_delivery_that_stay_are_said() {
    let (_keep, folder) = bench();
    job(&folder, "good.nmea", "good-notes.csv");
    assert_eq!(run(&folder).0, 0);
    let text = std::fs::read_to_string(folder.join("job.yaml")).unwrap();
    assert!(text.contains("points.csv"), "{text}");
    std::fs::write(folder.join("job.yaml"), text.replace("points.csv", "other.csv")).unwrap();
    let output = gunter(&folder, &["run", "job.yaml", "--overwrite", "--format", "json"]);
    assert_eq!(code(&output), 0);
    let found = findings(&json(&output));
    let finding = find(&found, "export/left-over").unwrap_or_else(|| panic!("{found:#?}"));
    let what = finding["what"].as_str().unwrap();
    assert!(
        finding["verdict"] == "warn" && what.contains("`points.csv`") && !what.contains("set-aside") && !what.contains("other"),
        "{what}"
    );
    assert!(folder.join("out/points.csv").exists() && folder.join("out/other.csv").exists());
    // The same job once more has nothing to say.
    let again = gunter(&folder, &["run", "job.yaml", "--overwrite", "--format", "json"]);
    assert!(find(&findings(&json(&again)), "export/left-over").is_none());
}

#[test]
fn a_failed_run_leaves_an_earlier_delivery_with_its_own_record() {
    let (_keep, folder) = bench();
    job(&folder, "good.nmea", "good-notes.csv");
    assert_eq!(run(&folder).0, 0);
    let held = || -> Vec<(String, Vec<u8>)> {
        let names = files(&folder.join("out")).into_iter().filter(|f| f != "record.failed.json");
        names.map(|f| (f.clone(), std::fs::read(folder.join("out").join(f)).unwrap())).collect()
    };
    let before = held();
    let failed = folder.join("out/record.failed.json");
    // The log has become one without a date: the run begins, and fails.
    let good = std::fs::read_to_string(folder.join("good.nmea")).unwrap();
    let undated: String = good.lines().filter(|l| !l.contains("RMC,") && !l.contains("ZDA,")).flat_map(|l| [l, "\n"]).collect();
    std::fs::write(folder.join("good.nmea"), &undated).unwrap();
    let output = gunter(&folder, &["run", "job.yaml", "--overwrite"]);
    assert_eq!(code(&output), 1);
    assert!(held() == before, "the earlier delivery or its record was touched");
    let record: serde_json::Value = serde_json::from_slice(&std::fs::read(&failed).unwrap()).unwrap();
    assert_eq!(record["decided"]["result"], "failed");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(said.contains("out/record.failed.json") && said.contains("record.json stay"), "{said}");
    // Nothing is replaced unasked because of it, and a good run takes it away.
    std::fs::write(folder.join("good.nmea"), &good).unwrap();
    assert_eq!(code(&gunter(&folder, &["run", "job.yaml"])), 1);
    assert_eq!(code(&gunter(&folder, &["run", "job.yaml", "--overwrite"])), 0);
    assert!(!failed.exists());
}

#[test]
fn a_delivery_that_cannot_be_put_in_place_brings_the_earlier_one_back() {
    let (_keep, folder) = bench();
    job(&folder, "good.nmea", "good-notes.csv");
    assert_eq!(run(&folder).0, 0);
    let out = folder.join("out");
    let before: Vec<(String, Vec<u8>)> = files(&out).into_iter().map(|f| (f.clone(), std::fs::read(out.join(f)).unwrap())).collect();
    // The record is put in place last; a folder of its name stops it.
    std::fs::remove_file(out.join("record.json")).unwrap();
    std::fs::create_dir(out.join("record.json")).unwrap();
    std::fs::write(out.join("record.json/in-the-way"), "").unwrap();
    assert_eq!(code(&gunter(&folder, &["run", "job.yaml", "--overwrite"])), 1);
    for (file, bytes) in before.iter().filter(|(f, _)| f != "record.json") {
        assert!(std::fs::read(out.join(file)).unwrap() == *bytes, "`{file}` was touched");
    }
    let left = files(&out);
    assert!(left.iter().all(|f| !f.ends_with(".before") && !f.ends_with(".partial")), "{left:?}");
}

#[test]
fn a_results_folder_that_cannot_be_written() {
    let (_keep, folder) = bench();
    job(&folder, "good.nmea", "good-notes.csv");
    // A file where the folder should be: fails for root, too, who may write anywhere.
    std::fs::write(folder.join("out"), "in the way").unwrap();
    let output = gunter(&folder, &["run", "job.yaml"]);
    assert_eq!(code(&output), 1);
    assert!(String::from_utf8_lossy(&output.stderr).contains("cannot be written"));
    assert_eq!(std::fs::read_to_string(folder.join("out")).unwrap(), "in the way");
}

#[test]
fn a_full_disk_leaves_nothing_half_written() {
    let (_keep, folder) = bench();
    job(&folder, "good.nmea", "good-notes.csv");
    // A limit on the size of a file is how a full disk feels, without a disk to fill.
    let script = format!("trap '' XFSZ; ulimit -f 4; exec '{}' run job.yaml", env!("CARGO_BIN_EXE_gunter"));
    let output = Command::new("bash").args(["-c", &script]).current_dir(&folder).output().unwrap();
    assert_eq!(code(&output), 1, "{}", String::from_utf8_lossy(&output.stdout));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("cannot be written"), "{said}");
    let left = files(&folder.join("out"));
    assert!(left.iter().all(|f| f == "record.json"), "{left:?}");
}

#[test]
fn a_failed_run_says_the_same_for_any_number_of_threads() {
    let (_keep, folder) = bench();
    // Six sessions; the third has no date, and which of the later ones were begun by then depends on the threads.
    let good = std::fs::read_to_string(folder.join("good.nmea")).unwrap();
    let undated: String = good.lines().filter(|l| !l.contains("RMC,") && !l.contains("ZDA,")).flat_map(|l| [l, "\n"]).collect();
    for k in 1..=6 {
        std::fs::write(folder.join(format!("s{k}.nmea")), if k == 3 { &undated } else { &good }).unwrap();
    }
    job(&folder, "s1.nmea, s2.nmea, s3.nmea, s4.nmea, s5.nmea, s6.nmea", "good-notes.csv");
    let decided = |threads: &str| {
        let output = gunter(&folder, &["run", "job.yaml", "--threads", threads, "--overwrite", "--format", "json"]);
        assert_eq!(code(&output), 1);
        let answer = json(&output);
        assert_eq!(answer["decided"]["result"], "failed");
        let read: Vec<&str> = answer["decided"]["materials"].as_array().unwrap().iter().filter_map(|m| m["name"].as_str()).collect();
        assert!(read.contains(&"s2.nmea") && read.contains(&"s3.nmea") && !read.contains(&"s4.nmea"), "{read:?}");
        serde_json::to_string_pretty(&answer["decided"]).unwrap()
    };
    let one = decided("1");
    for threads in ["2", "3", "6"] {
        assert_eq!(one, decided(threads), "{threads} threads");
    }
}
