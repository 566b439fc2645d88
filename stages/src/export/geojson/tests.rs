use super::*;
use crate::export::sample::{bind, codes, deliver as run, frame, reference, schema, spoilt, table};
use pipeline_base::table::TableBuilder;
use pipeline_base::table::schema::Heights;

fn options() -> Value {
    json!({"path": "points.geojson", "accuracy_m": 2.0})
}

fn read(dir: &std::path::Path) -> Value {
    serde_json::from_slice(&std::fs::read(dir.join("points.geojson")).unwrap()).unwrap()
}

#[test]
fn round_trip() {
    let dir = tempfile::tempdir().unwrap();
    let world = run::<GeoJson>(dir.path(), &table(11), options()).unwrap();
    assert_eq!(world.said().delivered[0], ("points.geojson".to_owned(), 11));
    let whole = read(dir.path());
    let first = &whole["features"][0];
    assert_eq!(first["id"], "day1/V-07#1");
    assert!((first["properties"]["easting_m"].as_f64().unwrap() - 536_831.123_456_7).abs() < 1e-9);
    assert_eq!(first["properties"]["point"], "V-07");
    assert_eq!(whole["features"][1]["properties"]["code"], Value::Null);
    assert_eq!(whole["statement_of_reference"]["crs"]["id"], "EPSG:6345");
    assert_eq!(whole["statement_of_reference"]["geometry"]["accepted_accuracy_m"], 2.0);
    assert!(whole.get("crs").is_none(), "RFC 7946 removed that member");
}

#[test]
fn third_value_is_ellipsoidal_or_absent() {
    let dir = tempfile::tempdir().unwrap();
    let sample = table(2);
    let mut b = TableBuilder::from_table(sample.schema.clone(), &sample);
    b.floats("ellipsoidal_height_m", vec![219.812_345, f64::NAN]);
    run::<GeoJson>(dir.path(), &b.finish().unwrap(), options()).unwrap();
    let whole = read(dir.path());
    let of = |i: usize| whole["features"][i]["geometry"]["coordinates"].as_array().unwrap().clone();
    assert_eq!(of(0).len(), 3);
    // EPSG: NAD83(2011) to WGS 84 (1) moves nothing, so the height is the ellipsoidal one of the table, not 253.4.
    assert!((of(0)[2].as_f64().unwrap() - 219.812_345).abs() < 1e-4);
    assert_eq!(of(1).len(), 2);
    assert!((of(0)[0].as_f64().unwrap() + 86.55).abs() < 1e-4 && (of(0)[1].as_f64().unwrap() - 42.73).abs() < 1e-4, "longitude first");
}

#[test]
fn same_table_same_bytes() {
    let bytes = || {
        let dir = tempfile::tempdir().unwrap();
        run::<GeoJson>(dir.path(), &table(5), options()).unwrap();
        std::fs::read(dir.path().join("points.geojson")).unwrap()
    };
    assert_eq!(bytes(), bytes());
}

#[test]
fn empty_table() {
    let dir = tempfile::tempdir().unwrap();
    run::<GeoJson>(dir.path(), &table(0), options()).unwrap();
    assert_eq!(read(dir.path())["features"], json!([]));
}

#[test]
fn projected_numbers_are_refused() {
    let mut only_grid = schema();
    only_grid.columns.retain(|c| !matches!(c.role, Role::Latitude | Role::Longitude));
    assert_eq!(codes(bind::<GeoJson>(&only_grid, Some(&reference()), options())), ["export/geojson-projected"]);
    let mut nothing = only_grid.clone();
    nothing.columns.retain(|c| !matches!(c.role, Role::Easting | Role::Northing));
    assert_eq!(codes(bind::<GeoJson>(&nothing, Some(&reference()), options())), ["plan/missing-role"]);
}

#[test]
fn the_job_must_accept_the_accuracy() {
    for accuracy in [0.0, 0.05, 1.99] {
        let o = json!({"path": "p.geojson", "accuracy_m": accuracy});
        assert_eq!(codes(bind::<GeoJson>(&schema(), Some(&reference()), o)), ["export/geojson-accuracy"]);
    }
    assert!(serde_json::from_value::<Options>(json!({"path": "p.geojson"})).is_err(), "there is no default");
}

#[test]
fn other_refusals() {
    let r = reference();
    let with = |frame| codes(bind::<GeoJson>(&Schema { frame, ..schema() }, Some(&r), options()));
    assert_eq!(with(None), ["export/no-frame"]);
    let mut receiver = frame();
    receiver.heights = Heights::ReceiverGeoid;
    assert_eq!(with(Some(receiver)), ["height/receiver-geoid"]);
    let dir = tempfile::tempdir().unwrap();
    for column in ["latitude_deg", "ellipsoidal_height_m", "pdop_max"] {
        let problem = run::<GeoJson>(dir.path(), &spoilt(&table(3), column, 1, f64::NAN), options()).err().unwrap();
        assert_eq!(problem.finding.code, "export/not-finite");
    }
    let sample = table(2);
    let mut b = TableBuilder::from_table(sample.schema.clone(), &sample);
    b.texts("point", [Some("A"), Some("A")]).texts("occupation", [Some("A"), Some("A")]);
    let problem = run::<GeoJson>(dir.path(), &b.finish().unwrap(), options()).err().unwrap();
    assert_eq!(problem.finding.code, "export/duplicate-id");
    let mut b = TableBuilder::from_table(sample.schema.clone(), &sample);
    b.floats("longitude_deg", vec![f64::NAN, 1.0]);
    let problem = run::<GeoJson>(dir.path(), &b.finish().unwrap(), options()).err().unwrap();
    assert_eq!(problem.finding.code, "export/no-position");
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    if std::path::Path::new("/dev/full").exists() {
        let problem = run::<GeoJson>(std::path::Path::new("/dev"), &table(3), json!({"path": "full", "accuracy_m": 5.0})).err().unwrap();
        assert_eq!(problem.finding.code, "export/cannot-write");
    }
}

#[test]
fn a_changed_file_is_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let t = table(3);
    let stage = bind::<GeoJson>(&schema(), Some(&reference()), options()).unwrap().stage;
    let columns: Vec<&Column> = t.schema.columns.iter().collect();
    let cells = cells::cells(&t, &columns, "p").unwrap();
    let (places, ids) = (stage.places(&t).unwrap(), ids(&t).unwrap());
    let file = OutFile { path: dir.path().join("p"), name: "p".into() };
    write(&file, &json!({"a": 1}), &places, &ids, &cells).unwrap();
    verify(&file, &t, &json!({"a": 1}), &places, &ids, &cells).unwrap();
    let good = std::fs::read_to_string(&file.path).unwrap();
    for (from, to) in [
        ("536831.1234567", "536831.1234568"),
        ("\"coordinates\":[", "\"coordinates\":[0,"),
        ("\"Point\"", "\"LineString\""),
        ("\"a\":1", "\"a\":2"),
        ("day1/V-07", "day2/V-07"),
        ("FeatureCollection", "Features"),
        ("\"pdop_max\"", "\"pdop\""),
        ("]}", "]"),
        ("2026-", "2025-"),
    ] {
        let changed = good.replacen(from, to, 1);
        assert_ne!(changed, good, "{from}");
        std::fs::write(&file.path, changed).unwrap();
        let problem = verify(&file, &t, &json!({"a": 1}), &places, &ids, &cells).unwrap_err();
        assert_eq!(problem.finding.code, "export/read-back-differs", "{from}");
    }
}

/// A reader from another project: GDAL.
#[test]
fn gdal_reads_it() {
    if !std::process::Command::new("ogrinfo").arg("--version").output().is_ok_and(|o| o.status.success()) {
        eprintln!("SKIPPED: ogrinfo is not on this machine; the GeoJSON was read by one reader only");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    run::<GeoJson>(dir.path(), &table(6), options()).unwrap();
    let out = std::process::Command::new("ogrinfo").args(["-ro", "-al"]).arg(dir.path().join("points.geojson")).output().unwrap();
    let (text, errors) = (String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
    assert!(out.status.success() && errors.is_empty(), "{errors}");
    for want in [
        "Geometry: 3D Point",
        "Feature Count: 6",
        "ID[\"EPSG\",4979]",
        "easting_m (Real) = 536831.1234567",
        "point (String) = 007",
        "id (String) = day1/V-07#1",
    ] {
        assert!(text.contains(want), "{want} in\n{text}");
    }
}
