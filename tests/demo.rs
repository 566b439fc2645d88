//! The demo job from raw logs to deliveries, held against the truth that was written beside the logs.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;

use common::{code, files, gunter, json, workspace};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use std::path::Path;

type Row = BTreeMap<String, String>;

fn csv(path: &Path) -> Vec<Row> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let names = reader.headers().unwrap().clone();
    reader.records().map(|r| names.iter().map(str::to_owned).zip(r.unwrap().iter().map(str::to_owned)).collect()).collect()
}

fn number(row: &Row, name: &str) -> f64 {
    row[name].parse().unwrap_or_else(|_| panic!("`{}` in `{name}`", row[name]))
}

/// Runs the demo in a copy of its own and gives the copy, the record and the delivered rows.
fn demo(threads: &str) -> (tempfile::TempDir, Value, Vec<Row>) {
    let folder = workspace();
    let run = gunter(folder.path(), &["run", "jobs/demo.yaml", "--threads", threads, "--format", "json"]);
    assert_eq!(code(&run), 0, "{}", String::from_utf8_lossy(&run.stderr));
    let record = json(&run);
    let rows = csv(&folder.path().join("jobs/results/demo/points.csv"));
    (folder, record, rows)
}

#[test]
fn points_lie_within_their_stated_bounds() {
    let (folder, _, rows) = demo("2");
    let mut truth: BTreeMap<(String, String), Vec<Row>> = BTreeMap::new();
    let mut kept_back = BTreeSet::new();
    for row in csv(&folder.path().join("datasets/saltgrass/truth.csv")) {
        let key = (row["session"].clone(), row["point"].clone());
        if row["expected"] == "delivered" {
            truth.entry(key).or_default().push(row);
        } else {
            kept_back.insert(key);
        }
    }
    let (mut position, mut height) = (0, 0);
    let expected = rows.len();
    let mut combined = vec![];
    for row in &rows {
        // A combined point stands for all its occupations, and they have one truth.
        let sessions: Vec<&str> = match row["combined_from"].as_str() {
            "" => vec![row["session"].as_str()],
            list => list.split(", ").map(|one| one.split('/').next().unwrap()).collect(),
        };
        if sessions.len() > 1 {
            combined.push(row["point"].as_str());
        }
        let key = (row["session"].clone(), row["point"].clone());
        let mut want = None;
        for session in sessions {
            let key = (session.to_owned(), row["point"].clone());
            assert!(!kept_back.contains(&key), "{key:?} should have been kept back");
            want = Some(truth.get_mut(&key).unwrap_or_else(|| panic!("{key:?} is not in the truth")).remove(0));
        }
        let want = want.unwrap();
        let off = |name: &str| number(row, name) - number(&want, name);
        let (flat, up) = (off("easting_m").hypot(off("northing_m")), off("height_m").abs());
        let (flat_95, up_95) = (number(row, "horizontal_95_m"), number(row, "vertical_95_m"));
        position += usize::from(flat <= flat_95);
        height += usize::from(up <= up_95);
        // Three sigma and more would be a blunder and not chance: 2.45 sigma is 95 % in a plane, 1.96 on a line.
        assert!(flat < 1.7 * flat_95 && up < 1.9 * up_95, "{key:?}: {flat:.4} of {flat_95}, {up:.4} of {up_95}");
        // A bound that nobody could miss would prove nothing.
        assert!(flat_95 < 0.06 && up_95 < 0.06);
    }
    assert!(truth.values().all(Vec::is_empty), "every occupation that should be delivered, and no other");
    assert_eq!(combined, ["C-01", "V-02"], "the two fittings that were shot again from the other bank");
    eprintln!("demo: {position} of {expected} points within their 95 % bound in position, {height} in height");
    assert!(position * 100 >= expected * 90 && height * 100 >= expected * 90, "{position} and {height} of {expected}");
}

#[test]
fn the_same_bytes_for_any_number_of_threads() {
    let (one, record, _) = demo("1");
    let results = |folder: &Path| folder.join("jobs/results/demo");
    let names = files(&results(one.path()));
    assert!(names.len() >= 10, "{names:?}");
    for threads in ["2", "3"] {
        let (other, again, _) = demo(threads);
        assert_eq!(record["decided"], again["decided"], "{threads} threads");
        assert_eq!(names, files(&results(other.path())));
        for name in names.iter().filter(|n| *n != "record.json") {
            let read = |folder: &Path| std::fs::read(results(folder).join(name)).unwrap();
            assert!(read(one.path()) == read(other.path()), "`{name}` differs with {threads} threads");
        }
    }
}

#[test]
fn lines_and_epochs_are_conserved() {
    let (folder, record, rows) = demo("2");
    // Lines, counted here by other means than the product's.
    for count in record["decided"]["lines"].as_array().unwrap() {
        let path = folder.path().join("jobs").join(count["file"].as_str().unwrap());
        let mut text = vec![];
        flate2::read::MultiGzDecoder::new(std::fs::File::open(path).unwrap()).read_to_end(&mut text).unwrap();
        let lines = text.split(|b| *b == b'\n').count() as u64 - u64::from(text.last() == Some(&b'\n'));
        let sum = |v: &Value| v.as_object().unwrap().values().map(|n| n.as_u64().unwrap()).sum::<u64>();
        assert_eq!(count["total"], lines);
        assert_eq!(count["used"].as_u64().unwrap() + sum(&count["ignored"]) + sum(&count["damaged"]), lines);
    }
    // Epochs: read = averaged + set aside, and none set aside twice.
    let steps = record["decided"]["steps"].as_array().unwrap();
    let step = |id: &str| steps.iter().find(|s| s["id"] == id).unwrap()["rows"].clone();
    let averaged: u64 = rows.iter().map(|r| number(r, "epochs_used") as u64).sum();
    assert_eq!(step("points")["used"], averaged);
    let mut aside = BTreeSet::new();
    for row in csv(&folder.path().join("jobs/results/demo/set-aside.csv")) {
        assert!(!row["reason"].is_empty() && number(&row, "line_last") >= number(&row, "line_first"));
        for epoch in number(&row, "epoch_first") as u64..=number(&row, "epoch_last") as u64 {
            assert!(aside.insert((row["session"].clone(), epoch)), "epoch {epoch} of {} is set aside twice", row["session"]);
        }
    }
    assert_eq!(step("epochs")["out"].as_u64().unwrap(), averaged + aside.len() as u64);
}

#[test]
fn the_four_formats_agree() {
    let (folder, _, rows) = demo("2");
    let results = folder.path().join("jobs/results/demo");
    let geojson: Value = serde_json::from_slice(&std::fs::read(results.join("points.geojson")).unwrap()).unwrap();
    let features = geojson["features"].as_array().unwrap();
    assert_eq!(features.len(), rows.len());
    for (feature, row) in features.iter().zip(&rows) {
        assert_eq!(feature["properties"]["point"], row["point"].as_str());
        let at = &feature["geometry"]["coordinates"];
        assert!((at[0].as_f64().unwrap() - number(row, "longitude_deg")).abs() < 1e-4, "longitude stands first");
        assert!((at[1].as_f64().unwrap() - number(row, "latitude_deg")).abs() < 1e-4);
        assert!((feature["properties"]["easting_m"].as_f64().unwrap() - number(row, "easting_m")).abs() < 1e-3);
    }
    let package = rusqlite::Connection::open(results.join("points.gpkg")).unwrap();
    let mut query = package.prepare("select point, easting_m, northing_m, height_m, horizontal_95_m from points order by rowid").unwrap();
    let read: Vec<(String, [f64; 4])> =
        query.query_map([], |r| Ok((r.get(0)?, [r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?]))).unwrap().map(Result::unwrap).collect();
    assert_eq!(read.len(), rows.len());
    for ((point, values), row) in read.iter().zip(&rows) {
        assert_eq!(*point, row["point"]);
        for (value, name) in values.iter().zip(["easting_m", "northing_m", "height_m", "horizontal_95_m"]) {
            assert!((value - number(row, name)).abs() <= 0.5001e-4, "{point} {name}: {value}");
        }
    }
    assert_eq!(&std::fs::read(results.join("points.parquet")).unwrap()[..4], b"PAR1");
}

#[test]
fn the_record_names_no_machine() {
    let (folder, record, _) = demo("2");
    let text = record["decided"].to_string();
    assert!(!text.contains(folder.path().to_str().unwrap()), "an absolute path stands in the record");
    for material in record["decided"]["materials"].as_array().unwrap() {
        assert!(!material["name"].as_str().unwrap().starts_with('/'), "{material}");
        assert_eq!(material["sha256"].as_str().unwrap().len(), 64);
    }
    let roles: BTreeSet<&str> = record["decided"]["materials"].as_array().unwrap().iter().map(|m| m["role"].as_str().unwrap()).collect();
    assert_eq!(roles, BTreeSet::from(["grid", "job", "log", "notes", "reference", "rig", "table"]));
    assert!(record["happened"]["threads"] == 2);
}

/// The parts of each point's budget add up to what the point states, from the file that a client gets.
#[test]
fn the_budget_of_every_point_adds_up() {
    let (folder, _, rows) = demo("2");
    let budget = csv(&folder.path().join("jobs/results/demo/budget.csv"));
    for row in &rows {
        let own: Vec<&Row> = budget.iter().filter(|b| b["session"] == row["session"] && b["occupation"] == row["occupation"]).collect();
        let (all, parts): (Vec<&Row>, Vec<&Row>) = own.into_iter().partition(|b| b["contributor"] == "all");
        assert!(all.len() == 1 && parts.len() > 5, "{}", row["point"]);
        for (column, stated) in [
            ("variance_horizontal_mm2", number(row, "sigma_east_m").powi(2) + number(row, "sigma_north_m").powi(2)),
            ("variance_up_mm2", number(row, "sigma_up_m").powi(2)),
        ] {
            let sum: f64 = parts.iter().map(|b| number(b, column)).sum();
            let whole = number(all[0], column);
            assert!((sum - whole).abs() <= 0.5001e-4 * (parts.len() + 1) as f64, "{}: {sum} and {whole}", row["point"]);
            // Sigmas have four decimals of a metre: half a tenth of a millimetre of 20 mm is 2 mm2.
            assert!((whole - stated * 1e6).abs() < 4.5, "{}: {whole} and {}", row["point"], stated * 1e6);
        }
        let shares: f64 = parts.iter().map(|b| number(b, "share_up_percent")).sum();
        assert!((shares - 100.0).abs() < 0.06 * parts.len() as f64);
        assert_eq!(all[0]["horizontal_95_without_m"], row["horizontal_95_m"]);
        assert_eq!(all[0]["vertical_95_without_m"], row["vertical_95_m"]);
    }
}

/// Where control is off, no point may vanish from what a crew reads: each has its line, and the reason stands above.
#[test]
fn a_verdict_with_control_off_names_every_point_and_the_reason() {
    let folder = workspace();
    let path = folder.path().join("datasets/saltgrass/control.csv");
    let control = std::fs::read_to_string(&path).unwrap();
    // Both marks 0.3 m to the east: a wrong line of the list, or the base by the wrong nail.
    let off: String = control
        .lines()
        .map(|line| {
            let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
            if let Ok(east) = cells[1].parse::<f64>() {
                cells[1] = format!("{:.3}", east + 0.3);
            }
            cells.join(",") + "\n"
        })
        .collect();
    std::fs::write(&path, off).unwrap();
    let run = gunter(folder.path(), &["run", "jobs/demo.yaml", "--verdict", "--format", "json"]);
    assert_eq!(code(&run), 1);
    let answer = json(&run);
    let points = answer["points"].as_array().unwrap();
    let held: Vec<&Value> = points.iter().filter(|p| p["action"] == "held").collect();
    let again = points.iter().filter(|p| p["action"] == "shoot-again").count();
    let names: BTreeSet<&str> = points.iter().map(|p| p["point"].as_str().unwrap()).collect();
    assert!(again == 6 && held.len() == names.len() - again && names.len() == 41, "{again} {} {}", held.len(), names.len());
    assert!(held.iter().all(|p| p["code"] == "control/session-fails"), "{held:?}");
    let codes: Vec<&str> = answer["findings"].as_array().unwrap().iter().map(|f| f["code"].as_str().unwrap()).collect();
    assert!(codes.contains(&"control/session-fails"), "{codes:?}");
    let text = gunter(folder.path(), &["run", "jobs/demo.yaml", "--verdict"]);
    let (said, answer) = (String::from_utf8_lossy(&text.stderr), String::from_utf8_lossy(&text.stdout));
    assert!(said.contains("control/session-fails") && said.contains("occupy the marks again"), "{said}");
    assert!(answer.lines().filter(|l| l.starts_with("  held ")).count() == held.len() && answer.contains("35 held"), "{answer}");
}

/// What a crew reads at the trench, and that it says the same in the office.
#[test]
fn the_verdict_names_what_is_wrong_worst_first() {
    let folder = workspace();
    let run = gunter(folder.path(), &["run", "jobs/demo.yaml", "--verdict", "--format", "json", "--threads", "1"]);
    assert_eq!(code(&run), 0, "{}", String::from_utf8_lossy(&run.stderr));
    assert!(files(&folder.path().join("jobs/results")).is_empty(), "a verdict delivers nothing");
    let answer = json(&run);
    let points = answer["points"].as_array().unwrap();
    let of =
        |action: &str| -> Vec<&str> { points.iter().filter(|p| p["action"] == action).map(|p| p["point"].as_str().unwrap()).collect() };
    let again: BTreeSet<&str> = of("shoot-again").into_iter().collect();
    // The leaned shot, the two-surface shot, the short one, float and unknown fixes.
    assert_eq!(again, BTreeSet::from(["C-04", "C-05", "C-07", "C-12", "H-01", "H-04"]));
    let code_of = |point: &str| points.iter().find(|p| p["point"] == point).unwrap()["code"].as_str().unwrap();
    assert_eq!((code_of("C-05"), code_of("C-07"), code_of("C-12")), ("laser/two-surfaces", "average/too-short", "average/over-budget"));
    let order: Vec<&str> = points.iter().map(|p| p["action"].as_str().unwrap()).collect();
    let rank = |a: &&str| ["shoot-again", "second-occupation", "keep"].iter().position(|x| x == a).unwrap();
    assert!(order.is_sorted_by_key(rank), "{order:?}");
    // Everything that was shot once needs a second look, twenty minutes after it was left.
    let second = of("second-occupation");
    assert!(second.len() == 32 && second.contains(&"V-01") && !second.contains(&"C-01"), "{second:?}");
    let keep: BTreeSet<&str> = of("keep").into_iter().collect();
    assert_eq!(keep, BTreeSet::from(["C-01", "CP1", "CP2", "V-02"]));
    let v01 = points.iter().find(|p| p["point"] == "V-01").unwrap();
    assert!(v01["after"].as_str().unwrap().starts_with("2026-03-18T00:1"), "{v01}");
    // The office run has the same numbers, and the same words.
    let text = gunter(folder.path(), &["run", "jobs/demo.yaml", "--verdict", "--overwrite"]);
    let rows = csv(&folder.path().join("jobs/results/demo/points.csv"));
    for row in &rows {
        let field = points.iter().find(|p| p["point"] == row["point"].as_str() && p["session"] == row["session"].as_str()).unwrap();
        assert!((field["horizontal_95_m"].as_f64().unwrap() - number(row, "horizontal_95_m")).abs() < 1e-2);
        assert_eq!(field["check"].as_str().unwrap(), row["check"]);
    }
    let again = gunter(folder.path(), &["run", "jobs/demo.yaml", "--verdict", "--threads", "3"]);
    assert_eq!(text.stdout, again.stdout, "the same words for any number of threads");
    assert!(files(&folder.path().join("jobs/results")).len() > 10, "and what was delivered stays");
}

/// The stated 95 % bounds over many scenarios: other noise, other errors of base and geoid, other places of everything. One error of the base
/// and one of the geoid are shared by all points of a scenario, so the counts of one swing together. The budget is opened so that no
/// point is held for its uncertainty, and control holds no session. README quotes what this prints:
/// `cargo test --release --workspace --test demo many_scenarios -- --ignored --nocapture`; `SCENARIOS` in the environment for another number.
#[test]
#[ignore = "runs the demo job on 200 scenarios"]
fn many_scenarios_keep_their_bounds() {
    let scenarios: u64 = std::env::var("SCENARIOS").ok().and_then(|n| n.parse().ok()).unwrap_or(200);
    let folder = workspace();
    let reference = folder.path().join("jobs/references/saltgrass-works.yaml");
    let text = std::fs::read_to_string(&reference).unwrap();
    let open: Vec<String> = text
        .lines()
        .filter(|l| !l.trim_start().starts_with("sha256:"))
        .map(|l| if l.contains("_95_m: 0.05") { l.replace("0.05", "9") } else { l.to_owned() })
        .collect();
    std::fs::write(&reference, open.join("\n")).unwrap();
    // Nor for what the marks say: a base that was set badly is one of the errors that the bounds must cover.
    let job = folder.path().join("jobs/demo.yaml");
    let text = std::fs::read_to_string(&job).unwrap();
    let (before, rest) = text.split_once("  - id: control\n").unwrap();
    let (_, after) = rest.split_once("  - id: classed\n").unwrap();
    std::fs::write(&job, format!("{before}  - id: classed\n{after}")).unwrap();
    let data = folder.path().join("datasets/saltgrass");
    // `N of M within …` of a line of the comparison.
    let counts = |text: &str, line: &str| -> [usize; 2] {
        let words: Vec<&str> = text.lines().find(|l| l.starts_with(line)).unwrap().split_whitespace().collect();
        [words[1].parse().unwrap(), words[3].parse().unwrap()]
    };
    let (mut position, mut height) = ([0; 2], [0; 2]);
    for seed in 1..=scenarios {
        std::fs::remove_dir_all(&data).unwrap();
        generator::demo::write(&data, seed).unwrap();
        let run = gunter(folder.path(), &["run", "jobs/demo.yaml", "--threads", "2", "--overwrite", "--format", "json"]);
        assert_eq!(code(&run), 0, "seed {seed}: {}", String::from_utf8_lossy(&run.stderr));
        let said = generator::compare::text(&data.join("truth.csv"), &folder.path().join("jobs/results/demo/points.csv")).unwrap();
        for (sum, line) in [(&mut position, "position"), (&mut height, "height")] {
            let [within, all] = counts(&said, line);
            *sum = [sum[0] + within, sum[1] + all];
        }
    }
    let percent = |[within, all]: [usize; 2]| 100.0 * within as f64 / all as f64;
    eprintln!(
        "{scenarios} scenarios, {} points: {:.1} % within in position, {:.1} % in height",
        position[1],
        percent(position),
        percent(height)
    );
    assert!((92.0..=98.5).contains(&percent(position)) && (92.0..=98.5).contains(&percent(height)));
}
