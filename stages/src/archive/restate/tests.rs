use super::*;
use pipeline_base::digest;
use serde_json::json;

const REFERENCE: &str = r#"{"reference": 1, "name": "new works", "corrections": {"frame": "EPSG:9989", "epoch": "observation", "stated_by": "x"},
    "delivery": {"crs": "EPSG:7856", "heights": {"surface": "ellipsoid", "unit": "m"}},
    "budget": {"operation_m": 0.06, "horizontal_95_m": 0.1, "vertical_95_m": 0.1}}"#;

fn reference(change: impl FnOnce(&mut Value)) -> Reference {
    let mut value: Value = serde_json::from_str(REFERENCE).unwrap();
    change(&mut value);
    serde_json::from_value(value).unwrap()
}

/// Writes a record with one delivery and gives its path.
fn record(folder: &Path, crs: (&str, &str), epoch: &Value, points: &[(f64, f64, f64)], corrections: &str) -> PathBuf {
    let mut table = String::from("point,latitude_deg,longitude_deg,ellipsoidal_height_m,time\n");
    for (i, (la, lo, h)) in points.iter().enumerate() {
        table.push_str(&format!("P{i},{la:.11},{lo:.11},{h:.4},2026-06-11T14:05:00.000Z\n"));
    }
    let statement = json!({
        "crs": {"id": crs.0, "name": crs.1}, "coordinate_epoch": epoch,
        "heights": {"surface": "ellipsoid", "unit": "m", "column": "ellipsoidal_height_m"},
    });
    std::fs::write(folder.join("points.csv"), table).unwrap();
    std::fs::write(folder.join("points.csv.reference.json"), statement.to_string()).unwrap();
    let digest = |n: &str| digest::sha256_of_file(n, &folder.join(n)).unwrap();
    let mut old: Value = serde_json::from_str(REFERENCE).unwrap();
    old["corrections"]["frame"] = json!(corrections);
    if !matches!(corrections, "EPSG:9989" | "EPSG:7912") {
        old["corrections"].as_object_mut().unwrap().remove("epoch");
    }
    let record = json!({"record": 1, "decided": {
        "plan": {"job": "old job", "reference": old}, "result": "done",
        "materials": [{"name": "logs/day.nmea", "role": "log", "sha256": "00"}],
        "products": [{"name": "points.csv", "sha256": digest("points.csv")},
                     {"name": "points.csv.reference.json", "sha256": digest("points.csv.reference.json")}],
    }});
    let path = folder.join("record.json");
    std::fs::write(&path, record.to_string()).unwrap();
    path
}

fn only(reference: &Reference, path: &Path) -> Report {
    let all = restate(reference, &[("record.json".to_owned(), path.to_owned())]).unwrap();
    assert!(!all.text().is_empty());
    all.records.into_iter().next().unwrap()
}

/// ALIC in GDA94, S-GDA94-GDA2020-ALIC.
fn alice() -> (f64, f64, f64) {
    survey_geodesy::GRS80.geodetic(-4_052_051.764_3, 4_212_836.201_7, -2_545_106.024_5)
}

const STATIC: &str = r#"{"kind": "static"}"#;

#[test]
fn the_published_shift_of_one_official_operation() {
    let folder = tempfile::tempdir().unwrap();
    let epoch: Value = serde_json::from_str(STATIC).unwrap();
    let path = record(folder.path(), ("EPSG:28353", "GDA94 / MGA zone 53"), &epoch, &[alice()], "EPSG:4939");
    let before: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().metadata().unwrap().modified().unwrap()).collect();
    let report = only(&reference(|r| r["delivery"]["crs"] = json!("EPSG:7853")), &path);
    assert_eq!(report.verdict, Verdict::Restate, "{report:#?}");
    // ICSM GDA2020 Technical Manual 3.1.1: 0.8364 m east and 1.5297 m north on the grid, which is 1.7435 m; height 603.3466 to 603.2489.
    let moved = &report.points[0];
    assert!((moved.horizontal_m.unwrap() - 1.7435).abs() < 0.001, "{moved:?}");
    assert!((moved.up_m.unwrap() + 0.0977).abs() < 0.0005, "{moved:?}");
    assert!(report.operation.as_ref().unwrap().name.contains("GDA94 to GDA2020 (1)"));
    let after: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().metadata().unwrap().modified().unwrap()).collect();
    assert_eq!(before, after, "a report writes nothing");
    // The same system again: nothing to do. A smaller budget: the operation is not good enough, and the raw logs
    // (ITRF2020) have no better one of their own.
    let report = only(&reference(|r| r["delivery"]["crs"] = json!("EPSG:28353")), &path);
    assert_eq!(report.verdict, Verdict::Nothing, "{report:#?}");
    let report = only(
        &reference(|r| {
            r["delivery"]["crs"] = json!("EPSG:7853");
            r["budget"]["operation_m"] = json!(0.001);
        }),
        &path,
    );
    assert_eq!(report.verdict, Verdict::Wait, "{report:#?}");
    assert!(report.reasons[0].contains("budget"), "{:?}", report.reasons);
}

#[test]
fn a_chain_is_named_and_not_taken() {
    // NZGD2000 to ITRF2020: the registry has only a way over ITRF2014; the logs are in ITRF2014, from which
    // EPSG:9991 leads there.
    let folder = tempfile::tempdir().unwrap();
    let epoch: Value = serde_json::from_str(STATIC).unwrap();
    let path = record(
        folder.path(),
        ("EPSG:2193", "NZGD2000 / New Zealand Transverse Mercator 2000"),
        &epoch,
        &[(-41.2, 173.3, 200.0)],
        "EPSG:7912",
    );
    let report = only(
        &reference(|r| {
            r["delivery"]["crs"] = json!("EPSG:9989");
            r["delivery"]["epoch"] = json!("observation");
        }),
        &path,
    );
    assert!(report.ways.official.is_empty() && !report.ways.chains.is_empty(), "{:#?}", report.ways);
    assert_eq!(report.verdict, Verdict::Recompute, "{report:#?}");
    assert!(report.reasons[0].contains("not taken") && report.reasons[1].contains("raw logs"), "{:?}", report.reasons);
    assert!(report.points.is_empty() && report.raw_logs[0].contains("logs/day.nmea"));
    // Where the corrections were in another continent's frame there is no way at all.
    let path = record(folder.path(), ("EPSG:28353", "GDA94 / MGA zone 53"), &epoch, &[alice()], "EPSG:4939");
    let report = only(&reference(|r| r["delivery"]["crs"] = json!("EPSG:6345")), &path);
    assert_eq!(report.verdict, Verdict::Wait, "{report:#?}");
}

#[test]
fn grids_and_epochs_that_are_needed_are_said() {
    let folder = tempfile::tempdir().unwrap();
    let epoch: Value = serde_json::from_str(STATIC).unwrap();
    // ETRS89 to OSGB36 needs OSTN15, which is not on a bare machine.
    let path = record(folder.path(), ("EPSG:4937", "ETRS89"), &epoch, &[(52.5, -1.5, 100.0)], "EPSG:4937");
    let to = |r: &mut Value| {
        r["delivery"]["crs"] = json!("EPSG:27700");
        r["budget"]["operation_m"] = json!(1.5);
    };
    let report = only(&reference(to), &path);
    assert_eq!(report.verdict, Verdict::Fetch, "{report:#?}");
    assert!(report.reasons.iter().any(|r| r.contains("OSTN15")), "{:?}", report.reasons);
    assert!(report.points.is_empty());
    // A moving frame: another epoch needs a velocity.
    let fixed = json!({"kind": "fixed", "decimal_year": 2015.0});
    let path = record(folder.path(), ("EPSG:9989", "ITRF2020"), &fixed, &[(52.5, -1.5, 100.0)], "EPSG:9989");
    let report = only(
        &reference(|r| {
            r["delivery"]["crs"] = json!("EPSG:9989");
            r["delivery"]["epoch"] = json!(2020.0);
        }),
        &path,
    );
    assert!(matches!(report.verdict, Verdict::Recompute | Verdict::Wait), "{report:#?}");
    assert!(report.reasons[0].contains("velocity"), "{:?}", report.reasons);
    assert_eq!(restate(&reference(|r| r["delivery"]["crs"] = json!("EPSG:9989")), &[]).unwrap_err().finding.code, "frame/no-epoch");
}

#[test]
fn a_changed_file_and_a_failed_run_say_nothing_about_points() {
    let folder = tempfile::tempdir().unwrap();
    let epoch: Value = serde_json::from_str(STATIC).unwrap();
    let path = record(folder.path(), ("EPSG:28353", "GDA94 / MGA zone 53"), &epoch, &[alice()], "EPSG:4939");
    let target = reference(|r| r["delivery"]["crs"] = json!("EPSG:7853"));
    let table = std::fs::read_to_string(folder.path().join("points.csv")).unwrap();
    std::fs::write(folder.path().join("points.csv"), table.replace("P0", "P1")).unwrap();
    let report = only(&target, &path);
    assert_eq!((report.verdict, report.findings[0].code.as_str()), (Verdict::Unreadable, "archive/changed"));
    let text = std::fs::read_to_string(&path).unwrap().replace("\"done\"", "\"failed\"");
    std::fs::write(&path, text).unwrap();
    assert_eq!(only(&target, &path).verdict, Verdict::Unreadable);
    for bytes in ["", "{}", "[1,2]", "{\"record\": 2, \"decided\": {}}"] {
        std::fs::write(&path, bytes).unwrap();
        assert_eq!(only(&target, &path).verdict, Verdict::Unreadable, "{bytes}");
    }
    assert_eq!(only(&target, &folder.path().join("nowhere")).verdict, Verdict::Unreadable);
}

#[test]
fn one_point_far_away_decides_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let epoch: Value = serde_json::from_str(STATIC).unwrap();
    // The first row is a blunder in another ocean; the others lie around ALIC.
    let (la, lo, h) = alice();
    let points = [(38.7, -102.3, 1200.0), (la, lo, h), (la + 0.001, lo, h)];
    let path = record(folder.path(), ("EPSG:28353", "GDA94 / MGA zone 53"), &epoch, &points, "EPSG:4939");
    let report = only(&reference(|r| r["delivery"]["crs"] = json!("EPSG:7853")), &path);
    assert!(report.operation.as_ref().is_some_and(|o| o.name.contains("GDA94 to GDA2020 (1)")), "{report:#?}");
    assert!(report.points[0].horizontal_m.is_none() && report.points[1].horizontal_m.is_some(), "{:?}", report.points);
    assert!(report.reasons.iter().any(|r| r.starts_with("1 of 3 points lie outside the area")), "{:?}", report.reasons);
    // A row without a position is said.
    let table = std::fs::read_to_string(folder.path().join("points.csv")).unwrap() + "P9,,,,\n";
    let old = digest::sha256_of_file("points.csv", &folder.path().join("points.csv")).unwrap();
    std::fs::write(folder.path().join("points.csv"), table).unwrap();
    let new = digest::sha256_of_file("points.csv", &folder.path().join("points.csv")).unwrap();
    std::fs::write(&path, std::fs::read_to_string(&path).unwrap().replace(&old, &new)).unwrap();
    let report = only(&reference(|r| r["delivery"]["crs"] = json!("EPSG:7853")), &path);
    assert!(report.reasons.iter().any(|r| r.contains("1 delivered rows have no position")), "{:?}", report.reasons);
}

#[test]
fn a_system_that_does_not_cover_the_points_is_no_target() {
    let folder = tempfile::tempdir().unwrap();
    let epoch: Value = serde_json::from_str(STATIC).unwrap();
    let path = record(folder.path(), ("EPSG:28353", "GDA94 / MGA zone 53"), &epoch, &[alice()], "EPSG:4939");
    // ALIC is in zone 53; zone 56 begins 150 degrees east.
    let report = only(&reference(|r| r["delivery"]["crs"] = json!("EPSG:7856")), &path);
    assert_eq!(report.verdict, Verdict::Wait, "{report:#?}");
    assert!(report.points.is_empty() && report.reasons[0].contains("km west of its western limit"), "{:?}", report.reasons);
}
