use super::*;
use crate::export::sample::{bind, codes, deliver as run, reference, schema, spoilt, table};
use serde_json::json;

#[test]
fn round_trip_with_the_statement_inside() {
    let dir = tempfile::tempdir().unwrap();
    let world = run::<Parquet>(dir.path(), &table(11), json!({"path": "points.parquet"})).unwrap();
    assert_eq!(world.said().delivered, [("points.parquet".to_owned(), 11), ("points.parquet.reference.json".to_owned(), 0)]);
}

#[test]
fn same_table_same_bytes_however_it_was_put_together() {
    let bytes = |table: &Table| {
        let dir = tempfile::tempdir().unwrap();
        run::<Parquet>(dir.path(), table, json!({"path": "p.parquet"})).unwrap();
        std::fs::read(dir.path().join("p.parquet")).unwrap()
    };
    let whole = table(8);
    let mut parts = whole.clone();
    parts.data = whole.data.slice(0, 3);
    parts.data.vstack_mut(&whole.data.slice(3, 5)).unwrap();
    assert_eq!(bytes(&whole), bytes(&whole));
    assert_eq!(bytes(&whole), bytes(&parts));
}

#[test]
fn empty_table() {
    let dir = tempfile::tempdir().unwrap();
    let world = run::<Parquet>(dir.path(), &table(0), json!({"path": "p.parquet"})).unwrap();
    assert_eq!(world.said().findings[0].code, "export/no-rows");
}

#[test]
fn refusals() {
    let dir = tempfile::tempdir().unwrap();
    let problem = run::<Parquet>(dir.path(), &spoilt(&table(3), "easting_m", 1, f64::NAN), json!({"path": "p.parquet"})).err().unwrap();
    assert_eq!(problem.finding.code, "export/not-finite");
    assert!(!dir.path().join("p.parquet").exists());
    assert_eq!(codes(bind::<Parquet>(&schema(), Some(&reference()), json!({"path": "a/../p"}))), ["export/bad-path"]);
    if std::path::Path::new("/dev/full").exists() {
        let problem = run::<Parquet>(std::path::Path::new("/dev"), &table(3), json!({"path": "full"})).err().unwrap();
        assert_eq!(problem.finding.code, "export/cannot-write");
    }
}

#[test]
fn a_changed_file_is_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let (good, other) = (table(4), spoilt(&table(4), "easting_m", 2, 536_831.2));
    let file = OutFile { path: dir.path().join("p"), name: "p".into() };
    let cells_of = |t: &Table| cells::cells(t, &t.schema.columns.iter().collect::<Vec<_>>(), "p").unwrap().len();
    assert_eq!(cells_of(&good), cells_of(&other));
    let columns: Vec<&Column> = good.schema.columns.iter().collect();
    let cells = cells::cells(&good, &columns, "p").unwrap();
    write(&file, &good, &cells, "{}").unwrap();
    verify(&file, &good, &cells, "{}").unwrap();
    assert!(verify(&file, &good, &cells, "{\"a\":1}").unwrap_err().finding.what.contains("statement"));
    write(&file, &other, &cells, "{}").unwrap();
    let problem = verify(&file, &good, &cells, "{}").unwrap_err();
    assert_eq!(problem.finding.code, "export/read-back-differs");
    assert!(problem.finding.what.contains("`easting_m` of point `1.10`"), "{}", problem.finding.what);
    let bytes = std::fs::read(&file.path).unwrap();
    for cut in [0, 4, bytes.len() / 2, bytes.len() - 1] {
        std::fs::write(&file.path, &bytes[..cut]).unwrap();
        assert!(verify(&file, &good, &cells, "{}").is_err());
    }
}

/// A reader from another project: Apache Arrow's, through Python.
#[test]
fn pyarrow_reads_it() {
    let found = std::process::Command::new("python3").args(["-c", "import pyarrow.parquet"]).output();
    if !found.is_ok_and(|o| o.status.success()) {
        eprintln!("SKIPPED: python3 with pyarrow is not on this machine; the Parquet file was read by one reader only");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    run::<Parquet>(dir.path(), &table(7), json!({"path": "p.parquet"})).unwrap();
    let script = r#"
import json, sys, pyarrow.parquet as pq
f = pq.ParquetFile(sys.argv[1])
t = f.read()
s = json.loads(f.metadata.metadata[b"statement_of_reference"])
print(json.dumps({
  "groups": f.metadata.num_row_groups, "codec": f.metadata.row_group(0).column(0).compression,
  "names": t.column_names, "crs": s["crs"]["id"],
  "types": {n: str(t.schema.field(n).type) for n in t.column_names},
  "easting": t["easting_m"].to_pylist(), "point": t["point"].to_pylist(),
  "remark": t["remark"].to_pylist(), "time": t["time"].cast("int64").to_pylist()}))
"#;
    let out = std::process::Command::new("python3").args(["-c", script]).arg(dir.path().join("p.parquet")).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let seen: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let sample = table(7);
    assert_eq!(seen["groups"], 1);
    assert_eq!(seen["codec"], "UNCOMPRESSED");
    assert_eq!(seen["crs"], "EPSG:6345");
    assert_eq!(seen["types"]["time"], "timestamp[ns, tz=UTC]");
    assert_eq!(seen["types"]["easting_m"], "double");
    assert_eq!(seen["types"]["sigma_assumed"], "bool");
    assert_eq!(seen["names"].as_array().unwrap().len(), sample.schema.columns.len());
    assert_eq!(seen["point"], json!(sample.texts("point").unwrap()));
    assert_eq!(seen["remark"], json!(sample.texts("remark").unwrap()));
    assert_eq!(seen["time"], json!(sample.instants("time").unwrap()));
    assert!(agrees(&seen["easting"], &json!(sample.floats("easting_m").unwrap())));
}
