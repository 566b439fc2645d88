//! Wrong jobs and bad data, each with the finding that must be made, and the same job put right.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;

use common::{code, deliveries, files, find, findings, gunter, json, root, workspace};
use serde_json::Value;
use std::path::Path;

/// `key: value` of an `expect.yaml`.
fn expected(text: &str, key: &str) -> Option<String> {
    text.lines().find_map(|l| l.strip_prefix(&format!("{key}: "))).map(str::to_owned)
}

/// A trap that a published mark shows: the job delivers, and `inspect` accuses it.
fn shown_by_control(name: &str, place: &std::path::Path, expect: &str) {
    let (want, verdict) = (expected(expect, "code").unwrap(), expected(expect, "verdict").unwrap());
    let results = place.join("results");
    for (job, key, guilty) in [("job.yaml", "inspect", true), ("fixed.yaml", "inspect-fixed", false)] {
        let job = if place.join(job).exists() { job } else { "job.yaml" };
        let _ = std::fs::remove_dir_all(&results);
        let run = gunter(place, &["run", job, "--format", "json"]);
        assert_eq!(code(&run), 0, "{name}: {:#?}", findings(&json(&run)));
        let line = expected(expect, key).unwrap();
        let arguments: Vec<&str> = ["inspect"].into_iter().chain(line.split(' ')).chain(["--format", "json"]).collect();
        let said = gunter(place, &arguments);
        let found = findings(&json(&said));
        let finding = find(&found, &want);
        assert_eq!((finding.is_some(), code(&said)), (guilty, i32::from(guilty)), "{name} {job}: {found:#?}");
        if let Some(finding) = finding {
            assert_eq!(finding["verdict"], verdict.as_str(), "{name}");
            for line in ["what", "place", "size", "why", "fix"] {
                assert!(finding[line].as_str().is_some_and(|t| !t.is_empty()), "{name}: no {line} in {finding:#}");
            }
            assert!(finding["size"].as_str().unwrap().contains(" m"), "{name}: no length in {}", finding["size"]);
        }
    }
}

fn trap(name: &str) {
    let folder = workspace();
    let place = folder.path().join("tests/fixtures/traps").join(name);
    let expect = std::fs::read_to_string(place.join("expect.yaml")).unwrap();
    if expected(&expect, "longitude_deg").is_some() {
        return right_as_it_is(name, &place, &expect);
    }
    let (want, verdict) = (expected(&expect, "code").unwrap(), expected(&expect, "verdict").unwrap());
    if expected(&expect, "inspect").is_some() {
        return shown_by_control(name, &place, &expect);
    }

    let run = gunter(&place, &["run", "job.yaml", "--format", "json"]);
    let found = findings(&json(&run));
    let finding = find(&found, &want).unwrap_or_else(|| panic!("{name}: no {want} among {found:#?}"));
    assert_eq!(finding["verdict"], verdict.as_str(), "{name}");
    for line in ["what", "size", "fix"] {
        assert!(finding[line].as_str().is_some_and(|t| !t.is_empty()), "{name}: no {line} in {finding:#}");
    }
    let placed = finding["place"].as_str().is_some_and(|p| !p.is_empty()) || finding["labels"].as_array().is_some_and(|l| !l.is_empty());
    assert!(placed, "{name}: no place in {finding:#}");
    // Two are not about coordinates and speak of days and of epochs; all others of lengths.
    if !matches!(want.as_str(), "time/no-date" | "data/torn-line") {
        let length = |s: &str| s.contains(" m") || s.contains(" ft") || s.contains("factor");
        assert!(finding["size"].as_str().is_some_and(length), "{name}: no length in {}", finding["size"]);
    }
    let results = place.join("results");
    let delivered = deliveries(&results);
    assert!(files(&results).iter().any(|f| f.ends_with("record.json")), "{name}: a run without a record");
    if verdict == "block" {
        assert_ne!(code(&run), 0, "{name}");
        assert!(delivered.is_empty(), "{name}: {delivered:?}");
        // What only the data can tell is found by `run`; it stops the delivery all the same.
        if expected(&expect, "seen").as_deref() == Some("run") {
            return fixed(name, &place, &want);
        }
        let check = gunter(&place, &["check", "job.yaml", "--format", "json"]);
        assert_eq!(code(&check), 2, "{name}: `check` must see it before anything is run");
        assert!(find(&findings(&json(&check)), &want).is_some(), "{name}: `check` is silent");
    } else if expected(&expect, "delivers").as_deref() == Some("true") {
        assert_eq!(code(&run), 0, "{name}");
    } else {
        // The only point is held back: nothing is left to deliver, and that is no success.
        assert_eq!((code(&run), delivered.len()), (1, 0), "{name}");
    }
    if let Some(point) = expected(&expect, "point") {
        assert_eq!(finding["point"], point.as_str(), "{name}");
        for file in delivered.iter().filter(|f| f.ends_with(".csv") && *f != "set-aside.csv") {
            let text = std::fs::read_to_string(results.join(file)).unwrap();
            assert!(!text.lines().any(|l| l.starts_with(&format!("{point},"))), "{name}: {point} was delivered");
        }
    }

    fixed(name, &place, &want);
}

/// The job put right must not lead to the finding.
fn fixed(name: &str, place: &Path, want: &str) {
    if place.join("fixed.yaml").exists() {
        let _ = std::fs::remove_dir_all(place.join("results"));
        let fixed = gunter(place, &["run", "fixed.yaml", "--format", "json"]);
        let answer: Value = json(&fixed);
        assert!(find(&findings(&answer), want).is_none(), "{name}: the job put right is still accused");
        assert_eq!(code(&fixed), 0, "{name}: {:#?}", findings(&answer));
    }
}

/// A job in which nothing is wrong, and a place that a careless mean would miss.
fn right_as_it_is(name: &str, place: &std::path::Path, expect: &str) {
    let run = gunter(place, &["run", "job.yaml", "--format", "json"]);
    assert_eq!(code(&run), 0, "{name}: {:#?}", findings(&json(&run)));
    let rows = csv_rows(&place.join("results").join(name).join("points.csv"));
    assert_eq!(rows.len(), 1, "{name}");
    let off = |column: &str, key: &str| {
        let d = rows[0][column].parse::<f64>().unwrap() - expected(expect, key).unwrap().parse::<f64>().unwrap();
        if column == "longitude_deg" { (d + 180.0).rem_euclid(360.0) - 180.0 } else { d }
    };
    let log = std::fs::read_to_string(place.join("day.nmea")).unwrap();
    assert!(log.contains(",E,4,") && log.contains(",W,4,"), "{name}: the log lies on one side");
    // The pole leans 2.6 degrees, so its tip is 0.09 m aside: a millionth of a degree is 0.11 m.
    for (column, limit) in [("latitude_deg", 1e-6), ("longitude_deg", 1.2e-6)] {
        assert!(off(column, column).abs() < limit, "{name}: {:?}", rows[0]);
    }
    // The pole is two metres long.
    assert!((off("ellipsoidal_height_m", "height_m") + 2.0).abs() < 0.06, "{name}: {:?}", rows[0]);
}

fn csv_rows(path: &std::path::Path) -> Vec<std::collections::BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let names = reader.headers().unwrap().clone();
    reader.records().map(|r| names.iter().map(str::to_owned).zip(r.unwrap().iter().map(str::to_owned)).collect()).collect()
}

/// Both things that carry one name are delivered, side by side and unchecked.
#[test]
fn s14_keeps_both() {
    let folder = workspace();
    let place = folder.path().join("tests/fixtures/traps/S14");
    assert_eq!(code(&gunter(&place, &["run", "job.yaml"])), 0);
    let rows = csv_rows(&place.join("results/S14/points.csv"));
    let seen: Vec<(&str, &str)> = rows.iter().map(|r| (r["point"].as_str(), r["check"].as_str())).collect();
    assert_eq!(seen, [("207", "unchecked"), ("207", "unchecked")]);
}

/// What the job of S5 delivers itself: longitude and latitude of the points on the grid, and no `crs`, which the format does not know.
#[test]
fn s5_geojson_is_in_degrees() {
    let folder = workspace();
    let place = folder.path().join("tests/fixtures/traps/S5");
    let run = gunter(&place, &["run", "fixed.yaml", "--format", "json"]);
    assert_eq!(code(&run), 0, "{:#?}", findings(&json(&run)));
    let results = place.join("results/S5");
    let rows = csv_rows(&results.join("points.csv"));
    let geojson: Value = serde_json::from_str(&std::fs::read_to_string(results.join("points.geojson")).unwrap()).unwrap();
    assert!(geojson.get("crs").is_none(), "{geojson}");
    let features = geojson["features"].as_array().unwrap();
    assert_eq!((rows.len(), features.len()), (1, 1));
    for (i, column) in ["longitude_deg", "latitude_deg"].into_iter().enumerate() {
        let have = features[0]["geometry"]["coordinates"][i].as_f64().unwrap();
        // WGS 84 and NAD83(2011) are within two metres of each other.
        assert!((have - rows[0][column].parse::<f64>().unwrap()).abs() < 3e-5, "{column}: {have} {:?}", rows[0]);
    }
}

macro_rules! traps {
    ($($name:ident)*) => {$(
        #[test]
        #[allow(non_snake_case)]
        fn $name() {
            trap(stringify!($name));
        }
    )*
    const NAMES: &[&str] = &[$(stringify!($name)),*];
    };
}

traps! { P10 S1 S10 S11 S13 S14 S2 S3 S5 S6 S8 S9 T01 T02 T03 T04 T05 T06 T07 T08 T09 T10 T11 T12 T13 T14 T15 T16 T17 T18 T19 T20 }

/// Shots to a nail with a beam that is 0.5 deg off across its azimuth (the generator's own truth).
#[test]
fn calibration_from_log_to_rig() {
    let folder = workspace();
    let place = folder.path().join("tests/fixtures/calibration");
    let run = gunter(&place, &["run", "job.yaml", "--format", "json"]);
    let found = findings(&json(&run));
    assert_eq!(code(&run), 0, "{found:#?}");
    assert!(find(&found, "rig/calibrated").is_some(), "{found:#?}");
    let results = place.join("results/calibration");
    let rig = std::fs::read_to_string(results.join("rig.yaml")).unwrap();
    let value = |key: &str| -> f64 {
        let line = rig.lines().find(|l| l.trim_start().starts_with(&format!("{key}:"))).unwrap_or_else(|| panic!("no {key} in {rig}"));
        line.split(':').nth(1).unwrap().trim().parse().unwrap()
    };
    let across = (value("beam_azimuth_deg") - 0.6) * 45_f64.to_radians().cos();
    assert!((across - 0.5).abs() < 0.05 && (value("beam_elevation_deg") + 45.0).abs() < 0.05, "{rig}");
    assert!(
        value("beam_sigma_deg") < 0.05 && rig.contains("expires: \"2026-12-09\"") && rig.contains("#   laser.beam_azimuth_deg: 0.6"),
        "{rig}"
    );
    for file in ["parameters.csv", "residuals.csv", "residuals.svg"] {
        assert!(results.join(file).exists(), "no {file}");
    }
    // Never replaced unasked.
    assert_ne!(code(&gunter(&place, &["run", "job.yaml"])), 0);

    // The rig as it is fails its check; the new one, put in its place, passes.
    let check = gunter(&place, &["run", "job-check.yaml", "--format", "json"]);
    let failed = find(&findings(&json(&check)), "rig/daily-check-failed").unwrap();
    assert_ne!(code(&check), 0);
    assert!(failed["why"].as_str().unwrap().contains("sideways"), "{failed:#}");
    std::fs::write(place.join("rig.yaml"), &rig).unwrap();
    let check = gunter(&place, &["run", "job-check.yaml", "--overwrite", "--format", "json"]);
    let found = findings(&json(&check));
    assert_eq!(code(&check), 0, "{found:#?}");
    assert!(find(&found, "rig/daily-check").is_some() && find(&found, "rig/daily-check-failed").is_none(), "{found:#?}");
}

#[test]
fn two_attitudes_do_not_calibrate() {
    let folder = workspace();
    let place = folder.path().join("tests/fixtures/calibration");
    let run = gunter(&place, &["run", "job-two.yaml", "--format", "json"]);
    let finding = find(&findings(&json(&run)), "rig/calibration-not-determined").unwrap();
    assert_ne!(code(&run), 0);
    assert_eq!(finding["verdict"], "block");
    assert!(finding["what"].as_str().unwrap().contains("the beam") && finding["fix"].as_str().unwrap().contains("facing"), "{finding:#}");
    assert_eq!(deliveries(&place.join("results")), Vec::<String>::new());
}

#[test]
fn every_folder_is_tested() {
    let mut folders: Vec<String> = std::fs::read_dir(root().join("tests/fixtures/traps"))
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    folders.sort();
    assert_eq!(folders, NAMES);
}

#[test]
fn a_ground_system_goes_with_every_file_and_a_restatement_changes_nothing() {
    let folder = workspace();
    let place = folder.path().join("tests/fixtures/traps/S13");
    let reference = std::fs::read_to_string(place.join("reference.yaml")).unwrap();
    // 42.71 N 84.48 W at 231 m: the inverse of the combined factor is 88 ppm below one (see trap S13).
    let ground = "  ground:\n    name: trap ground\n    stated_by: invented\n    factor: 0.999912\n    origin: { easting: 700000, northing: 4700000 }\n    add: { easting: -600000, northing: -4600000 }\n";
    std::fs::write(place.join("ground.yaml"), reference.replace("  crs: EPSG:6345\n", &format!("  crs: EPSG:6345\n{ground}"))).unwrap();
    let job = std::fs::read_to_string(place.join("job.yaml")).unwrap();
    let with_gpkg = format!("{job}  - id: gpkg\n    stage: export-geopackage\n    from: [grid]\n    options: {{ path: points.gpkg }}\n");
    let ground_job =
        with_gpkg.replace("reference: reference.yaml", "reference: ground.yaml").replace("results: results/S13", "results: results/ground");
    std::fs::write(place.join("ground-job.yaml"), ground_job).unwrap();
    for job in ["job.yaml", "ground-job.yaml"] {
        let run = gunter(&place, &["run", job, "--format", "json"]);
        assert_eq!(code(&run), 0, "{job}: {:#?}", findings(&json(&run)));
    }
    let row = |file: &str| {
        let mut reader = csv::Reader::from_path(place.join(file)).unwrap();
        let heads = reader.headers().unwrap().clone();
        let record = reader.records().next().unwrap().unwrap();
        move |name: &str| record[heads.iter().position(|h| h == name).unwrap()].parse::<f64>().unwrap()
    };
    let (grid, ground) = (row("results/S13/points.csv"), row("results/ground/points.csv"));
    for (name, origin, add) in [("easting_m", 700_000.0, -600_000.0), ("northing_m", 4_700_000.0, -4_600_000.0)] {
        let want = origin + 0.999_912 * (grid(name) - origin) + add;
        assert!((ground(name) - want).abs() < 2e-4, "{name}: {} {want}", ground(name));
    }
    // On the ground: distances of the ground system are those of the ground to 2 ppm.
    assert!((ground("combined_factor") - 1.0).abs() < 2e-6 && (grid("combined_factor") - 1.000_088).abs() < 2e-6);
    let statement: Value =
        serde_json::from_str(&std::fs::read_to_string(place.join("results/ground/points.csv.reference.json")).unwrap()).unwrap();
    assert_eq!(statement["ground_system"]["base"], "EPSG:6345");
    let wkt = statement["crs"]["wkt2"].as_str().unwrap();
    assert!(wkt.starts_with("DERIVEDPROJCRS[\"trap ground\"") && wkt.contains("9624"), "{wkt}");
    let db = rusqlite::Connection::open(place.join("results/ground/points.gpkg")).unwrap();
    let (name, definition): (String, String) = db
        .query_row("SELECT s.srs_name, s.definition_12_063 FROM gpkg_contents c JOIN gpkg_spatial_ref_sys s USING (srs_id)", [], |r| {
            Ok((r.get(0)?, r.get(1)?))
        })
        .unwrap();
    assert!(name == "trap ground" && definition == wkt, "{definition}");

    let before = common::files(&place.join("results"));
    let to = |reference: &str| {
        json(&gunter(&place, &["restate", "--to", reference, "results/S13", "results/ground/record.json", "--format", "json"]))
    };
    let verdicts =
        |v: &Value| v["records"].as_array().unwrap().iter().map(|r| r["verdict"].as_str().unwrap().to_owned()).collect::<Vec<_>>();
    assert_eq!(verdicts(&to("reference.yaml")), ["nothing", "restate"]);
    assert_eq!(verdicts(&to("ground.yaml")), ["restate", "nothing"]);
    assert_eq!(before, common::files(&place.join("results")));
    // One byte of the delivery: nothing is said about its points.
    let table = std::fs::read_to_string(place.join("results/S13/points.csv")).unwrap();
    std::fs::write(place.join("results/S13/points.csv"), table.replace("V-21", "V-22")).unwrap();
    let changed = gunter(&place, &["restate", "--to", "reference.yaml", "results/S13", "--format", "json"]);
    assert_eq!((code(&changed), verdicts(&json(&changed))[0].as_str()), (1, "unreadable"));

    // Upside down: refused when the job is planned.
    let upside_down =
        std::fs::read_to_string(place.join("ground.yaml")).unwrap().replace("    factor: 0.999912", "    combined_factor: 0.999912");
    std::fs::write(place.join("ground.yaml"), upside_down).unwrap();
    let check = gunter(&place, &["check", "ground-job.yaml", "--format", "json"]);
    assert!(code(&check) == 2 && find(&findings(&json(&check)), "frame/ground-factor").is_some());
}
