//! From the points of `average` through `height-convert` and `reproject` to all four formats.

use super::csv::Csv;
use super::geojson::GeoJson;
use super::geopackage::GeoPackage;
use super::parquet::Parquet;
use crate::fixture::{ELLIPSOID, OBSERVATION, bind, navd88, place, plane, points, reference, run, shown, write_gtx};
use crate::height::convert::HeightConvert;
use crate::reference::reproject::Reproject;
use pipeline_base::place::Locality;
use pipeline_base::reference::Reference;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Epoch;
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{Cx, Stage};
use serde_json::Value;
use std::path::Path;

fn export<S: Stage>(options: &str, table: &Table, reference: &Reference, place: Option<Locality>, folder: &Path) {
    let bound = bind::<S>(options, &table.schema, reference, place).unwrap_or_else(|p| panic!("{}", shown(&p)));
    let world = Collect::new(folder);
    bound.stage.run(std::slice::from_ref(table), &Cx::new(&world, "deliver", None)).unwrap_or_else(|p| panic!("{p:?}"));
    assert_eq!(world.said().delivered.len(), 2);
}

fn all(table: &Table, reference: &Reference, place: Option<Locality>, folder: &Path) {
    export::<Csv>(r#"{"path": "p.csv"}"#, table, reference, place, folder);
    export::<GeoJson>(r#"{"path": "p.geojson", "accuracy_m": 3.0}"#, table, reference, place, folder);
    export::<GeoPackage>(r#"{"path": "p.gpkg"}"#, table, reference, place, folder);
    export::<Parquet>(r#"{"path": "p.parquet"}"#, table, reference, place, folder);
}

fn statement(folder: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(folder.join("p.csv.reference.json")).unwrap()).unwrap()
}

#[test]
fn feet_of_one_kind_for_all_three_coordinates() {
    let folder = tempfile::tempdir().unwrap();
    write_gtx(&folder.path().join("invented.gtx"), 41.0, -86.5, 0.25, 13, 13, plane);
    // EPSG:6499 is Michigan South in international feet, EPSG:8228 NAVD88 height in international feet.
    let reference = reference("EPSG:9989", OBSERVATION, "EPSG:6499", &navd88("invented.gtx", "EPSG:6319", "ft"), 0.05, folder.path());
    let here = Some(place(42.73, -84.55, 220.0, Some(2025.5)));
    let table = points("EPSG:9989", Epoch::EachObservation, &[("007", 42.73, -84.55, 220.0), ("B", 42.731, -84.549, 219.5)]);
    let (heights, _) = run::<HeightConvert>("{}", &table, &reference, here);
    let (grid, _) = run::<Reproject>("{}", &heights, &reference, here);
    all(&grid, &reference, here, folder.path());
    export::<GeoPackage>(r#"{"path": "both.gpkg", "vertical_in_crs": true}"#, &grid, &reference, here, folder.path());
    let said = statement(folder.path());
    assert_eq!(said["crs"]["horizontal_unit"], "ft");
    assert_eq!(said["heights"]["unit"], "ft");
    assert_eq!(said["axis_order"]["names"], serde_json::json!(["easting_ft", "northing_ft", "height_ft"]));
    // T09: the two feet are 2 ppm apart, 26.15 ft at Lansing in this grid.
    let east = &said["first_point_in_each_length_unit"]["easting_ft"];
    let number = |unit: &str| east[unit].as_str().unwrap().parse::<f64>().unwrap();
    assert!((number("ft") - number("ftUS") - 26.15).abs() < 0.01, "{east}");
    assert_eq!(east["written_in"], "ft");
    let text = std::fs::read_to_string(folder.path().join("p.csv")).unwrap();
    assert!(text.lines().next().unwrap().contains("easting_ft,northing_ft"), "{text}");
    let map: Value = serde_json::from_slice(&std::fs::read(folder.path().join("p.geojson")).unwrap()).unwrap();
    let place = map["features"][0]["geometry"]["coordinates"].as_array().unwrap();
    // The third value is the ellipsoidal height in metres (220 m, moved by the frame shift of about 1 m), never 720 ft.
    assert!((place[2].as_f64().unwrap() - 220.0).abs() < 2.0 && (place[0].as_f64().unwrap() + 84.55).abs() < 1e-4);
}

#[test]
fn ellipsoidal_heights_in_a_geographic_frame_and_in_a_grid() {
    let here = Some(place(42.73, -84.55, 220.0, Some(2025.5)));
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", 42.73, -84.55, 220.0)]);
    for (crs, id, name) in [("EPSG:6318", "EPSG:6319", "longitude_deg"), ("EPSG:6345", "EPSG:6345", "easting_m")] {
        let folder = tempfile::tempdir().unwrap();
        let reference = reference("EPSG:9989", OBSERVATION, crs, ELLIPSOID, 0.05, folder.path());
        let (delivered, _) = run::<Reproject>("{}", &table, &reference, here);
        all(&delivered, &reference, here, folder.path());
        let said = statement(folder.path());
        assert_eq!((&said["crs"]["id"], &said["heights"]["column"]), (&Value::from(id), &Value::from("ellipsoidal_height_m")), "{said}");
        assert_eq!(said["axis_order"]["names"][0], name);
    }
}

#[test]
fn without_a_height_step_nothing_is_planned() {
    let folder = tempfile::tempdir().unwrap();
    write_gtx(&folder.path().join("invented.gtx"), 41.0, -86.5, 0.25, 13, 13, plane);
    let reference = reference("EPSG:6319", "", "EPSG:6345", &navd88("invented.gtx", "EPSG:6319", "m"), 0.05, folder.path());
    let here = Some(place(42.73, -84.55, 220.0, Some(2025.5)));
    let table = points("EPSG:6319", Epoch::Static, &[("A", 42.73, -84.55, 220.0)]);
    // Whether an earlier step or this one says it, no file is written with these heights.
    let refused = bind::<Csv>(r#"{"path": "p.csv"}"#, &table.schema, &reference, here).err().unwrap();
    assert!(shown(&refused).contains("height/receiver-geoid block"), "{}", shown(&refused));
    let refused = bind::<GeoJson>(r#"{"path": "p.geojson", "accuracy_m": 3.0}"#, &table.schema, &reference, here).err().unwrap();
    assert!(shown(&refused).contains("height/receiver-geoid block"), "{}", shown(&refused));
}
