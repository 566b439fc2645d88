use super::*;
use crate::control::testing::{self, said};
use crate::fixture::{codes, shown};
use pipeline_base::table::TableBuilder;
use pipeline_core::stage::cx::Collect;
use std::sync::Arc;
use survey_geodesy::ellipsoid::GRS80;
use survey_geodesy::local::Tangent;

/// Mark (0 or 1), minute, east, north, up.
type Row = (usize, i64, [f64; 3]);

fn table(rows: &[Row]) -> Table {
    let frame = Tangent::new(27.52, -86.61, -22.0, GRS80);
    let at: Vec<(f64, f64, f64)> = rows.iter().map(|r| frame.geodetic(r.2)).collect();
    let mut b = TableBuilder::new(Arc::new(testing::schema()), rows.len());
    b.texts("point", rows.iter().map(|r| Some(["T1", "T2"][r.0])))
        .text_everywhere("session", "a")
        .instants("time", rows.iter().map(|r| 1_773_748_800_000_000_000 + r.1 * 60_000_000_000).collect())
        .floats("latitude_deg", at.iter().map(|p| p.0).collect())
        .floats("longitude_deg", at.iter().map(|p| p.1).collect())
        .floats("ellipsoidal_height_m", at.iter().map(|p| p.2).collect());
    b.finish().unwrap()
}

fn options(more: &str) -> String {
    format!(
        r#"{{"marks": ["T1", "T2"], "distance_m": 15.0, "height_difference_m": 0.4, "sigma_horizontal_m": 0.015, "sigma_up_m": 0.020, {more}}}"#
    )
}

fn run(rows: &[Row], more: &str) -> (Table, Collect, tempfile::TempDir) {
    let folder = tempfile::tempdir().unwrap();
    let (out, world) = testing::run::<ReceiverTest>(&options(more), &[table(rows)], folder.path(), &[]);
    (out, world, folder)
}

fn json(folder: &tempfile::TempDir) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(folder.path().join("receiver-test.json")).unwrap()).unwrap()
}

/// Five sets with small deviations, from a minute on.
fn series(start: i64) -> Vec<Row> {
    (0..5_i64)
        .flat_map(|k| {
            let off = 0.002 * (k - 2) as f64;
            [(0, start + 5 * k, [off, -off, 0.0]), (1, start + 5 * k + 2, [9.0 - off, 12.0 + off, 0.4 + off])]
        })
        .collect()
}

#[test]
fn the_constructed_data_set() {
    // S-ISO17123-8-DATA-A of checks/04_accuracy_statistics.csv, data/iso17123_8_A.csv (constructed; numpy).
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/checks/data/iso17123_8_A.csv");
    let Ok(mut reader) = csv::Reader::from_path(&path) else {
        eprintln!("SKIPPED: ../shared/checks is not here; the data set of the full receiver test was not tried");
        return;
    };
    let mut rows: Vec<Row> = vec![];
    for record in reader.records() {
        let record = record.unwrap();
        let n = |i: usize| record[i].parse::<f64>().unwrap();
        let (series, set, mark) = (n(0) as i64 - 1, n(1) as i64 - 1, n(2) as usize - 1);
        rows.push((mark, series * 100 + set * 5 + 2 * mark as i64, [n(3) - 2000.0, n(4) - 5000.0, n(5) - 30.0]));
    }
    let (out, world, folder) = run(&rows, r#""procedure": "full""#);
    assert_eq!(said(&world), ["control/test-passed"]);
    assert_eq!(out.rows(), 30);
    let json = json(&folder);
    let near = |key: &str, want: f64, within: f64| {
        let have = json["experimental"][key].as_f64().unwrap();
        assert!((have - want).abs() <= within, "{key}: {have}, {want}");
    };
    near("east_m", 0.006_412, 1e-6);
    near("north_m", 0.006_266, 1e-6);
    near("horizontal_m", 0.008_965, 1e-6);
    near("up_m", 0.012_792, 1e-6);
    near("distance_m", 14.997_17, 1e-5);
    // 15 m of a plane rise 0.02 mm above the ellipsoid.
    near("height_difference_m", 0.400_33, 4e-5);
    assert_eq!(json["questions"].as_array().unwrap().len(), 2);
}

#[test]
fn the_simplified_test_names_the_bad_set() {
    let (out, world, _keep) = run(&series(0), r#""procedure": "simplified""#);
    assert_eq!(said(&world), ["control/test-passed"]);
    assert_eq!(out.rows(), 10);
    let mut rows = series(0);
    rows[7].2[2] += 0.075;
    let (out, world, folder) = run(&rows, r#""procedure": "simplified""#);
    assert_eq!(said(&world), ["control/gross-set", "control/test-failed"]);
    assert!(world.said().findings[0].what.contains("set 4"), "{}", world.said().findings[0].what);
    assert_eq!(out.rows(), 0, "what failed is held");
    assert_eq!(json(&folder)["passed"], false);
    let text = std::fs::read_to_string(folder.path().join("receiver-test.csv")).unwrap();
    assert_eq!(text.lines().filter(|l| l.ends_with(",true")).count(), 1, "{text}");
}

#[test]
fn too_few_sets_and_a_lonely_shot_prove_nothing() {
    let (_, world, _keep) = run(&series(0), r#""procedure": "full""#);
    assert_eq!(said(&world), ["control/test-incomplete"]);
    let mut rows = series(0);
    rows.remove(3);
    let (out, world, _keep) = run(&rows, r#""procedure": "simplified""#);
    assert_eq!(said(&world), ["control/test-incomplete"]);
    assert!(world.said().findings[0].what.contains("1 measurements have no partner"));
    assert_eq!(out.rows(), 0);
    let (_, world, _keep) = run(&[], r#""procedure": "simplified""#);
    assert_eq!(said(&world), ["control/test-incomplete"]);
}

#[test]
fn a_receiver_that_scatters_more_than_claimed_fails() {
    let mut rows: Vec<Row> = [0, 100, 200].into_iter().flat_map(series).collect();
    for (k, row) in rows.iter_mut().enumerate() {
        // Both marks of a set move alike: no set is gross, and the place scatters.
        row.2[0] += 0.03 * (((k / 2) % 3) as f64 - 1.0);
    }
    let (_, world, folder) = run(&rows, r#""procedure": "full", "earlier": {"horizontal_m": 0.008, "up_m": 0.002}"#);
    assert_eq!(said(&world), ["control/test-failed"]);
    let asked = json(&folder)["questions"].clone();
    assert_eq!(asked.as_array().unwrap().len(), 4);
    assert_eq!((asked[0]["passes"].clone(), asked[1]["passes"].clone()), (false.into(), true.into()));
    assert_eq!(asked[2]["passes"], false);
}

#[test]
fn series_close_together_and_mistakes_of_the_job() {
    let rows: Vec<Row> = [0, 70, 140].into_iter().flat_map(series).collect();
    let (_, world, _keep) = run(&rows, r#""procedure": "full""#);
    assert_eq!(said(&world), ["control/series-too-close", "control/series-too-close", "control/test-passed"]);
    let folder = tempfile::tempdir().unwrap();
    let bad =
        options(r#""procedure": "full", "earlier": {"horizontal_m": 0.0, "up_m": 0.01}, "report": "r.txt""#).replace("\"T2\"", "\"T1\"");
    let refused = testing::bind::<ReceiverTest>(&bad, &[testing::schema()], &testing::reference(), folder.path()).err().unwrap();
    assert_eq!(refused.len(), 3, "{}", shown(&refused));
    assert!(codes(&refused).contains(&"control/one-mark"));
}

#[test]
fn a_claim_that_grows_with_the_distance() {
    // S-SPEC-1 of checks/05_fault_magnitudes.csv: 8 mm + 1 ppm in plan, 15 mm + 1 ppm in height, 7.5 km.
    let at = |together| WithDistance { base_km: 7.5, horizontal_ppm: 1.0, up_ppm: 1.0, together }.claim(0.008, 0.015);
    let (plan, up) = at(Together::Sum);
    assert!((plan - 0.0155).abs() < 1e-9 && (up - 0.0225).abs() < 1e-9);
    assert!((at(Together::RootSumSquare).0 - 0.010_97).abs() < 1e-5);
}
