//! The demo's deliveries in the hands of other programs: GDAL's tools and, where Python has it, PyArrow.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;

use common::{code, gunter, workspace};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

/// Rows by point and session, each a map from column to text.
type Rows = BTreeMap<(String, String), BTreeMap<String, String>>;

fn rows(text: &[u8]) -> Rows {
    let mut reader = csv::Reader::from_reader(text);
    let names = reader.headers().unwrap().clone();
    let row = |r: csv::StringRecord| names.iter().map(str::to_owned).zip(r.iter().map(str::to_owned)).collect::<BTreeMap<_, _>>();
    let mut all = Rows::new();
    for one in reader.records().map(|r| row(r.unwrap())) {
        // GDAL takes a session that is named by its date for a date, and writes it its own way.
        let key = (one["occupation"].clone(), one["session"].replace('/', "-"));
        assert!(all.insert(key, one).is_none(), "an occupation stands twice");
    }
    all
}

/// What a program prints; `None`, said loudly, where it is not on this machine.
fn said(program: &str, words: &[&str], folder: &Path) -> Option<Vec<u8>> {
    match Command::new(program).args(words).current_dir(folder).output() {
        Ok(out) => {
            assert!(out.status.success(), "{program} {words:?}: {}", String::from_utf8_lossy(&out.stderr));
            Some(out.stdout)
        }
        Err(_) => {
            eprintln!("SKIPPED: `{program}` is not on this machine; its reading of the deliveries was not compared");
            None
        }
    }
}

fn near(a: &str, b: &str, within: f64) -> bool {
    match (a.parse::<f64>(), b.parse::<f64>()) {
        (Ok(a), Ok(b)) => (a - b).abs() <= within,
        _ => a == b,
    }
}

fn delivered() -> (tempfile::TempDir, std::path::PathBuf, Rows) {
    let folder = workspace();
    let run = gunter(folder.path(), &["run", "jobs/demo.yaml"]);
    assert_eq!(code(&run), 0, "{}", String::from_utf8_lossy(&run.stderr));
    let results = folder.path().join("jobs/results/demo");
    let csv = rows(&std::fs::read(results.join("points.csv")).unwrap());
    assert!(!csv.is_empty());
    (folder, results, csv)
}

#[test]
fn gdal_reads_the_geopackage_as_the_csv_says() {
    let (_keep, results, csv) = delivered();
    let Some(info) = said("ogrinfo", &["-ro", "-so", "points.gpkg", "points"], &results) else { return };
    let info = String::from_utf8_lossy(&info).into_owned();
    for want in ["Geometry: 3D Point", &format!("Feature Count: {}", csv.len()), "ID[\"EPSG\",6345]"] {
        assert!(info.contains(want), "`{want}` is not in\n{info}");
    }
    // Every row: the geometry as GDAL reads it, against the columns of the CSV.
    let words = ["-f", "CSV", "/vsistdout/", "points.gpkg", "points", "-lco", "GEOMETRY=AS_XYZ"];
    let Some(text) = said("ogr2ogr", &words, &results) else { return };
    let other = rows(&text);
    assert_eq!(other.keys().collect::<Vec<_>>(), csv.keys().collect::<Vec<_>>());
    for (key, row) in &csv {
        let read = &other[key];
        for (geometry, column) in [("X", "easting_m"), ("Y", "northing_m"), ("Z", "height_m")] {
            assert!(near(&read[geometry], &row[column], 0.501e-4), "{key:?} {column}: {} and {}", read[geometry], row[column]);
        }
        for column in ["point", "code", "horizontal_95_m", "vertical_95_m", "epochs_used"] {
            assert!(near(&read[column], &row[column], 0.501e-4), "{key:?} {column}: {} and {}", read[column], row[column]);
        }
    }
}

#[test]
fn gdal_reads_the_geojson_in_the_right_place() {
    let (_keep, results, csv) = delivered();
    let words = ["-f", "CSV", "/vsistdout/", "points.geojson", "-lco", "GEOMETRY=AS_XYZ"];
    let Some(text) = said("ogr2ogr", &words, &results) else { return };
    let other = rows(&text);
    assert_eq!(other.len(), csv.len());
    for (key, row) in &csv {
        // The frame of the delivery and the one of the file are up to two metres apart, some 2e-5 degrees.
        for (geometry, column) in [("X", "longitude_deg"), ("Y", "latitude_deg")] {
            assert!(near(&other[key][geometry], &row[column], 2.5e-5), "{key:?} {column}: {}", other[key][geometry]);
        }
    }
}

#[test]
fn arrow_reads_the_parquet_as_the_csv_says() {
    let (_keep, results, csv) = delivered();
    let script = "
import csv, sys
try:
    import pyarrow.parquet as pq
except ImportError:
    sys.exit(0)
rows = pq.read_table('points.parquet').to_pylist()
out = csv.DictWriter(sys.stdout, rows[0].keys())
out.writeheader()
out.writerows(rows)
";
    let Some(text) = said("python3", &["-c", script], &results) else { return };
    if text.is_empty() {
        eprintln!("SKIPPED: Python has no PyArrow; its reading of the Parquet file was not compared");
        return;
    }
    let other = rows(&text);
    assert_eq!(other.len(), csv.len());
    for (key, row) in &csv {
        for column in ["easting_m", "northing_m", "height_m", "horizontal_95_m", "latitude_deg", "point", "code"] {
            assert!(near(&other[key][column], &row[column], 0.501e-4), "{key:?} {column}: {} and {}", other[key][column], row[column]);
        }
    }
}
