use super::*;
use crate::export::sample::{bind, codes, deliver as run, frame, reference, schema, spoilt, table, table_of};
use pipeline_base::table::schema::{Frame, Schema, Unit};
use serde_json::json;
use std::path::Path;

fn open(path: &Path) -> Connection {
    Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap()
}

#[test]
fn round_trip() {
    let dir = tempfile::tempdir().unwrap();
    let world = run::<GeoPackage>(dir.path(), &table(11), json!({"path": "points.gpkg"})).unwrap();
    assert_eq!(world.said().delivered, [("points.gpkg".to_owned(), 11), ("points.gpkg.reference.json".to_owned(), 0)]);
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 2, "no journal is left");
    let bytes = std::fs::read(dir.path().join("points.gpkg")).unwrap();
    assert_eq!(&bytes[68..72], b"GPKG", "application id in the header of the file");
    assert_eq!(bytes[60..64], 10_400_u32.to_be_bytes());
    let db = open(&dir.path().join("points.gpkg"));
    let ids: Vec<i64> = db
        .prepare("SELECT srs_id FROM gpkg_spatial_ref_sys ORDER BY 1")
        .unwrap()
        .query_map([], |r| r.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    assert_eq!(ids, [-1, 0, 4326, 6345]);
    let (change, min_x, srs): (String, f64, i64) =
        db.query_row("SELECT last_change, min_x, srs_id FROM gpkg_contents", [], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?))).unwrap();
    let latest = table(11).instants("time").unwrap().into_iter().flatten().max().unwrap();
    assert_eq!((change, min_x, srs), (instant::iso_ms(latest), 536_831.123_456_7, 6345));
    let epoch: f64 = db.query_row("SELECT epoch FROM gpkg_spatial_ref_sys WHERE srs_id = 6345", [], |r| r.get(0)).unwrap();
    assert_eq!(epoch, 2010.0);
    let about: String =
        db.query_row("SELECT description FROM gpkg_data_columns WHERE column_name = 'vertical_95_m'", [], |r| r.get(0)).unwrap();
    assert_eq!(about, "vertical uncertainty; metre; 95 %, one axis");
}

#[test]
fn same_table_same_bytes() {
    let bytes = || {
        let dir = tempfile::tempdir().unwrap();
        run::<GeoPackage>(dir.path(), &table(300), json!({"path": "p.gpkg"})).unwrap();
        std::fs::read(dir.path().join("p.gpkg")).unwrap()
    };
    assert_eq!(bytes(), bytes());
}

#[test]
fn an_old_file_under_the_temporary_name_is_not_kept() {
    let dir = tempfile::tempdir().unwrap();
    run::<GeoPackage>(dir.path(), &table(9), json!({"path": "p.gpkg"})).unwrap();
    run::<GeoPackage>(dir.path(), &table(2), json!({"path": "p.gpkg", "layer": "Ø_2"})).unwrap();
    assert_eq!(open(&dir.path().join("p.gpkg")).query_row("SELECT count(*) FROM \"Ø_2\"", [], |r| r.get::<_, i64>(0)).unwrap(), 2);
}

#[test]
fn empty_table() {
    let dir = tempfile::tempdir().unwrap();
    let world = run::<GeoPackage>(dir.path(), &table(0), json!({"path": "p.gpkg"})).unwrap();
    assert_eq!(world.said().findings[0].code, "export/no-rows");
}

#[test]
fn refusals() {
    let dir = tempfile::tempdir().unwrap();
    let r = reference();
    for column in ["height_m", "sigma_east_m"] {
        let problem = run::<GeoPackage>(dir.path(), &spoilt(&table(3), column, 1, f64::INFINITY), json!({"path": "p.gpkg"})).err().unwrap();
        assert_eq!(problem.finding.code, "export/not-finite");
    }
    assert!(!dir.path().join("p.gpkg").exists());
    let b = |o| codes(bind::<GeoPackage>(&schema(), Some(&r), o));
    assert_eq!(b(json!({"path": "p.sqlite"})), ["export/bad-path"]);
    for layer in ["", "gpkg_x", "1a", "a b", "a\"b", "sqlite_x", "RTree_x"] {
        assert_eq!(b(json!({"path": "p.gpkg", "layer": layer})), ["export/bad-layer"], "{layer}");
    }
    let mut taken = schema();
    taken.columns.push(Column::maybe("Geom", Holds::Text, Unit::None, Role::Other));
    assert_eq!(codes(bind::<GeoPackage>(&taken, Some(&r), json!({"path": "p.gpkg"}))), ["export/two-columns-one-name"]);
    let problem = run::<GeoPackage>(Path::new("/nonexistent"), &table(3), json!({"path": "p.gpkg"})).err().unwrap();
    assert_eq!(problem.finding.code, "export/cannot-write");
}

#[test]
fn a_changed_file_is_noticed() {
    let changes = [
        ("UPDATE points SET easting_m = easting_m + 1e-9 WHERE fid = 2", "`easting_m` of point `007`"),
        ("UPDATE points SET point = '7' WHERE fid = 2", "`point` of point `007`"),
        ("UPDATE points SET geom = (SELECT geom FROM points WHERE fid = 1) WHERE fid = 2", "geometry of point `007`"),
        ("UPDATE points SET time = '2020-01-01T00:00:00Z' WHERE fid = 3", "`time` of point `1.10`"),
        ("DELETE FROM points WHERE fid = 4", "holds 3 rows"),
        (
            "INSERT INTO points SELECT 99, geom, point, code, remark, diameter_mm, surface, aim, session, occupation, file, line_first, line_last, time_first, time, time_last, latitude_deg, longitude_deg, ellipsoidal_height_m, sigma_east_m, sigma_north_m, sigma_up_m, correlation_east_north, random_horizontal_m, horizontal_95_m, vertical_95_m, epochs_used, effective_epochs, span_s, fix, base_station, pdop_max, sigma_assumed, height_m, geoid_separation_m, easting_m, northing_m, grid_convergence_deg, scale_factor FROM points WHERE fid = 1",
            "holds more than",
        ),
        ("UPDATE gpkg_metadata SET metadata = '{}'", "statement"),
        ("UPDATE gpkg_geometry_columns SET srs_id = 4326", "another coordinate system"),
        ("PRAGMA user_version = 1", "user_version"),
        ("DELETE FROM gpkg_spatial_ref_sys WHERE srs_id = 6345", "reference to a row"),
    ];
    let t = table(4);
    let columns: Vec<&Column> = t.schema.columns.iter().collect();
    let cells = cells::cells(&t, &columns, "p.gpkg").unwrap();
    for (change, what) in changes {
        let dir = tempfile::tempdir().unwrap();
        let file = OutFile { path: dir.path().join("p.gpkg"), name: "p.gpkg".into() };
        let (srs, height) = (srs::of_frame(&frame()), srs::third_coordinate(&frame()));
        let position = cells::position(&t.schema, &frame()).unwrap();
        let content = Content {
            layer: "points",
            table: &t,
            cells: &cells,
            position,
            srs,
            srs_id: 6345,
            height,
            epoch: None,
            last_change: instant::iso_ms(0),
            statement: "{\"a\":1}",
        };
        write(&file.path, &content).unwrap();
        verify(&file, &content).unwrap();
        let db = Connection::open(&file.path).unwrap();
        db.execute_batch(&format!("PRAGMA foreign_keys=OFF; {change};")).unwrap();
        drop(db);
        let problem = verify(&file, &content).unwrap_err();
        assert_eq!(problem.finding.code, "export/read-back-differs");
        assert!(problem.finding.what.contains(what), "{}", problem.finding.what);
    }
}

#[test]
fn a_crs_without_a_code_gets_a_number_of_its_own() {
    let dir = tempfile::tempdir().unwrap();
    let crs = "+proj=tmerc +lat_0=42 +lon_0=-86 +ellps=GRS80 +units=m +type=crs";
    let frame = Frame { crs: crs.into(), name: "site grid".into(), ..frame() };
    let t = table_of(Schema { frame: Some(frame), ..schema() }, 3);
    let mut r = reference();
    r.delivery.crs = crs.into();
    let bound = bind::<GeoPackage>(&t.schema, Some(&r), json!({"path": "p.gpkg"})).unwrap_or_else(|p| panic!("{p:?}"));
    let world = pipeline_core::stage::cx::Collect::new(dir.path());
    bound.stage.run(std::slice::from_ref(&t), &Cx::new(&world, "d", None)).unwrap();
    let wkt: String = open(&dir.path().join("p.gpkg"))
        .query_row("SELECT definition_12_063 FROM gpkg_spatial_ref_sys WHERE srs_id = 100000", [], |r| r.get(0))
        .unwrap();
    assert!(wkt.starts_with("PROJCRS["), "{wkt}");
    let (id, organisation): (i64, String) = open(&dir.path().join("p.gpkg"))
        .query_row("SELECT s.srs_id, organization FROM gpkg_contents c JOIN gpkg_spatial_ref_sys s USING (srs_id)", [], |r| {
            Ok((r.get(0)?, r.get(1)?))
        })
        .unwrap();
    assert_eq!((id, organisation.as_str()), (100_000, "NONE"));
}

/// A reader from another project: GDAL.
#[test]
fn gdal_reads_it() {
    let tool = |name: &str| std::process::Command::new(name).arg("--version").output().is_ok_and(|o| o.status.success());
    if !tool("ogrinfo") || !tool("ogr2ogr") {
        eprintln!("SKIPPED: ogrinfo and ogr2ogr are not on this machine; the GeoPackage was read by one reader only");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let t = table(11);
    run::<GeoPackage>(dir.path(), &t, json!({"path": "p.gpkg"})).unwrap();
    let path = dir.path().join("p.gpkg");
    let out = std::process::Command::new("ogrinfo").args(["-ro", "-al", "-so"]).arg(&path).output().unwrap();
    let (text, errors) = (String::from_utf8_lossy(&out.stdout).into_owned(), String::from_utf8_lossy(&out.stderr).into_owned());
    // GDAL before 3.7 knows version 1.3 of the standard, says so, and reads on.
    let other: Vec<&str> = errors.lines().filter(|l| !l.trim().is_empty() && !l.contains("v1.4.0")).collect();
    assert!(out.status.success() && other.is_empty(), "{errors}");
    for want in [
        "Layer name: points",
        "Geometry: 3D Point",
        "Feature Count: 11",
        "ID[\"EPSG\",6345]",
        "2010",
        "time: DateTime",
        "sigma_assumed: Integer(Boolean)",
        "easting_m: Real",
        "epochs_used: Integer64",
    ] {
        assert!(text.contains(want), "{want} in\n{text}");
    }
    run::<GeoPackage>(dir.path(), &t, json!({"path": "c.gpkg", "vertical_in_crs": true})).unwrap();
    let out = std::process::Command::new("ogrinfo").args(["-ro", "-al", "-so"]).arg(dir.path().join("c.gpkg")).output().unwrap();
    let both = String::from_utf8_lossy(&out.stdout);
    assert!(both.contains("COMPOUNDCRS[") && both.contains("ID[\"EPSG\",6345]") && both.contains("ID[\"EPSG\",5703]"), "{both}");
    let out = std::process::Command::new("ogr2ogr")
        .args(["-f", "CSV", "/vsistdout/", "-lco", "GEOMETRY=AS_XYZ", "-lco", "SEPARATOR=COMMA"])
        .arg(&path)
        .output()
        .unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let mut reader = ::csv::Reader::from_reader(out.stdout.as_slice());
    let names = reader.headers().unwrap().clone();
    let at = |name: &str| names.iter().position(|n| n == name).unwrap();
    let rows: Vec<::csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 11);
    let (e, h, points) = (t.floats("easting_m").unwrap(), t.floats("height_m").unwrap(), t.texts("point").unwrap());
    for (i, row) in rows.iter().enumerate() {
        let number = |name: &str| row[at(name)].parse::<f64>().unwrap();
        assert!((number("X") - e[i]).abs() < 1e-8 && (number("Z") - h[i]).abs() < 1e-8);
        assert!((number("easting_m") - e[i]).abs() < 1e-8);
        assert_eq!(Some(&row[at("point")]), points[i]);
    }
}

#[test]
#[ignore = "writes a file for a validator run by hand; set OUT to its folder"]
fn write_for_a_validator() {
    let Ok(out) = std::env::var("OUT") else { return };
    run::<GeoPackage>(Path::new(&out), &table(11), json!({"path": "points.gpkg"})).unwrap();
    run::<GeoPackage>(Path::new(&out), &table(11), json!({"path": "compound.gpkg", "vertical_in_crs": true})).unwrap();
    run::<GeoPackage>(Path::new(&out), &table(0), json!({"path": "empty.gpkg"})).unwrap();
}
