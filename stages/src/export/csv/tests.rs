use super::*;
use crate::export::sample::{POINTS, bind, codes, deliver as run, frame, reference, schema, spoilt, table};
use pipeline_base::table::schema::{Axes, Epoch, Frame, Heights, PhysicalPoint};
use proptest::prelude::*;
use serde_json::{Value, json};

fn options(value: Value) -> Options {
    serde_json::from_value(value).unwrap()
}

#[test]
fn round_trip_of_every_column() {
    let dir = tempfile::tempdir().unwrap();
    let table = table(11);
    let world = run::<Csv>(dir.path(), &table, json!({"path": "points.csv"})).unwrap();
    assert_eq!(world.said().delivered, [("points.csv".to_owned(), 11), ("points.csv.reference.json".to_owned(), 0)]);
    assert!(world.said().findings.is_empty());
    let text = std::fs::read_to_string(dir.path().join("points.csv")).unwrap();
    assert!(text.starts_with("point,code,remark,diameter_mm,"), "{text}");
    assert!(text.contains(",42.730000000,-86.550000000,219.8123,"), "{text}");
    assert!(text.contains(",2026-"), "time is ISO 8601: {text}");
    let mut reader = ::csv::Reader::from_reader(text.as_bytes());
    let names: Vec<String> = reader.records().map(|r| r.unwrap()[0].to_owned()).collect();
    assert_eq!(names[..5], POINTS, "names are kept as they are");
}

#[test]
fn same_table_same_bytes() {
    let bytes = |delimiter: &str| {
        let dir = tempfile::tempdir().unwrap();
        run::<Csv>(dir.path(), &table(7), json!({"path": "p.csv", "delimiter": delimiter})).unwrap();
        (std::fs::read(dir.path().join("p.csv")).unwrap(), std::fs::read(dir.path().join("p.csv.reference.json")).unwrap())
    };
    for delimiter in ["comma", "semicolon", "tab"] {
        assert_eq!(bytes(delimiter), bytes(delimiter));
    }
}

#[test]
fn chosen_columns_in_the_order_of_the_client() {
    let dir = tempfile::tempdir().unwrap();
    let o = json!({"path": "p.txt", "columns": ["northing_m", "easting_m", "height_m", "point"], "decimals": 3, "delimiter": "semicolon", "header": false});
    run::<Csv>(dir.path(), &table(1), o).unwrap();
    assert_eq!(std::fs::read_to_string(dir.path().join("p.txt")).unwrap(), "4731051.988;536831.123;253.412;V-07\n");
    let side: Value = serde_json::from_slice(&std::fs::read(dir.path().join("p.txt.reference.json")).unwrap()).unwrap();
    assert_eq!(side["columns"][0]["name"], "northing_m");
    assert_eq!(side["columns"][0]["decimals"], 3);
    assert_eq!(side["columns"][0]["unit"], "m");
    assert_eq!(side["heights"]["datum"], "EPSG:5703");
    assert_eq!(side["heights"]["geoid_sha256"], "ab".repeat(32));
    assert_eq!(side["heights"]["column"], "height_m");
    assert_eq!(side["axis_order"]["names"], json!(["easting_m", "northing_m", "height_m"]));
    assert_eq!(side["crs"]["id"], "EPSG:6345");
    assert_eq!(side["coordinate_epoch"]["decimal_year"], 2010.0);
    assert_eq!(side["physical_point"]["id"], "target");
}

#[test]
fn the_statement_names_confidence_levels() {
    let dir = tempfile::tempdir().unwrap();
    run::<Csv>(dir.path(), &table(1), json!({"path": "p.csv"})).unwrap();
    let side: Value = serde_json::from_slice(&std::fs::read(dir.path().join("p.csv.reference.json")).unwrap()).unwrap();
    let of = |name: &str| side["columns"].as_array().unwrap().iter().find(|c| c["name"] == name).unwrap()["confidence"].clone();
    assert!(of("sigma_up_m").as_str().unwrap().starts_with("1 sigma"));
    assert!(of("horizontal_95_m").as_str().unwrap().contains("95 %, radial"));
    assert!(of("vertical_95_m").as_str().unwrap().contains("95 %, one axis"));
    assert!(of("random_horizontal_m").as_str().unwrap().contains("1 sigma"));
    assert_eq!(of("easting_m"), Value::Null);
}

#[test]
fn empty_table_is_a_header_and_a_warning() {
    let dir = tempfile::tempdir().unwrap();
    let world = run::<Csv>(dir.path(), &table(0), json!({"path": "p.csv"})).unwrap();
    assert_eq!(world.said().findings[0].code, "export/no-rows");
    assert_eq!(std::fs::read_to_string(dir.path().join("p.csv")).unwrap().lines().count(), 1);
}

#[test]
fn numbers_that_are_none_never_reach_a_file() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let dir = tempfile::tempdir().unwrap();
        let problem = run::<Csv>(dir.path(), &spoilt(&table(5), "sigma_up_m", 2, bad), json!({"path": "p.csv"})).err().unwrap();
        assert_eq!(problem.finding.code, "export/not-finite");
        assert!(problem.finding.what.contains("`sigma_up_m` of point `1.10`"), "{}", problem.finding.what);
        assert_eq!(problem.finding.point.as_deref(), Some("1.10"));
        assert_eq!(problem.finding.labels[0].file, "day1");
        assert!(!dir.path().join("p.csv").exists());
    }
}

#[test]
fn a_row_without_a_position_is_no_delivery() {
    let dir = tempfile::tempdir().unwrap();
    let mut b = pipeline_base::table::TableBuilder::from_table(table(5).schema, &table(5));
    b.floats("height_m", vec![1.0, 2.0, f64::NAN, 3.0, f64::NAN]);
    let problem = run::<Csv>(dir.path(), &b.finish().unwrap(), json!({"path": "p.csv"})).err().unwrap();
    assert_eq!(problem.finding.code, "export/no-position");
    assert!(problem.finding.what.contains("point `1.10` has no value in `height_m`; 2 of 5"), "{}", problem.finding.what);
}

#[test]
fn a_changed_file_is_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let table = table(4);
    let stage = bind::<Csv>(&schema(), Some(&reference()), json!({"path": "p.csv"})).unwrap().stage;
    let columns = stage.spec(&table.schema).unwrap();
    let (specs, places): (Vec<_>, Vec<_>) = columns.into_iter().unzip();
    let cells = cells::cells(&table, &specs, "p.csv").unwrap();
    let file = OutFile { path: dir.path().join("p.csv"), name: "p.csv".into() };
    stage.write(&file, &cells, &places, 4).unwrap();
    stage.verify(&file, &table, &cells, &places).unwrap();
    let good = std::fs::read_to_string(&file.path).unwrap();
    for (from, to, what) in [
        ("536831.1235", "536831.1239", "`536831.1239` in column `easting_m` of point `V-07`"),
        ("007", "7", "`7` in column `point`"),
        ("true", "yes", "`sigma_assumed`"),
        ("point,", "name,", "another header"),
        ("Z,", ",", "cannot"),
    ] {
        std::fs::write(&file.path, good.replacen(from, to, 1)).unwrap();
        let problem = stage.verify(&file, &table, &cells, &places).unwrap_err();
        assert_eq!(problem.finding.code, "export/read-back-differs");
        if what != "cannot" {
            assert!(problem.finding.what.contains(what), "{}", problem.finding.what);
        }
    }
    std::fs::write(&file.path, good.replacen("536831.1235", "536831.1239", 1)).unwrap();
    assert_eq!(stage.verify(&file, &table, &cells, &places).unwrap_err().finding.size, "0.0004 m");
    let cut = &good[..good.trim_end().rfind('\n').unwrap()];
    std::fs::write(&file.path, cut).unwrap();
    assert!(stage.verify(&file, &table, &cells, &places).is_err());
}

#[test]
fn a_full_disk_is_a_finding() {
    if !std::path::Path::new("/dev/full").exists() {
        eprintln!("SKIPPED: this system has no /dev/full");
        return;
    }
    let problem = run::<Csv>(std::path::Path::new("/dev"), &table(3), json!({"path": "full"})).err().unwrap();
    assert_eq!(problem.finding.code, "export/cannot-write");
    assert!(problem.finding.what.contains("No space left"), "{}", problem.finding.what);
    let problem = run::<Csv>(std::path::Path::new("/nonexistent"), &table(3), json!({"path": "p.csv"})).err().unwrap();
    assert_eq!(problem.finding.code, "export/cannot-write");
}

#[test]
fn plan_time_refusals() {
    let r = reference();
    let b = |o: Value| codes(bind::<Csv>(&schema(), Some(&r), o));
    assert_eq!(b(json!({"path": "../p.csv"})), ["export/bad-path"]);
    assert_eq!(b(json!({"path": "/p.csv"})), ["export/bad-path"]);
    assert_eq!(
        b(json!({"path": "p.csv", "columns": ["eastng_m", "point", "point"]})),
        ["export/unknown-column", "export/two-columns-one-name"]
    );
    assert_eq!(b(json!({"path": "p.csv", "columns": []})), ["export/no-columns"]);
    assert_eq!(b(json!({"path": "p.csv", "decimals": 12})), ["job/bad-value"]);
    let near = bind::<Csv>(&schema(), Some(&r), json!({"path": "p.csv", "columns": ["eastng_m"]})).err().unwrap();
    assert!(near[0].finding.fix.contains("`easting_m`"));
    assert_eq!(near[0].option.as_deref(), Some("columns[0]"));
    assert_eq!(codes(bind::<Csv>(&schema(), None, json!({"path": "p.csv"}))), ["job/no-reference"]);
    let coarse = bind::<Csv>(&schema(), Some(&r), json!({"path": "p.csv", "decimals": 1})).unwrap();
    assert_eq!(coarse.notes[0].finding.code, "export/coarse-rounding");
    assert_eq!(coarse.notes[0].finding.size, "up to 0.050 m per axis");
}

#[test]
fn the_promise_of_the_reference_is_kept() {
    let with = |frame, r: &pipeline_base::reference::Reference| {
        let schema = Schema { frame, ..schema() };
        bind::<Csv>(&schema, Some(r), json!({"path": "p.csv"}))
    };
    let r = reference();
    assert_eq!(codes(with(None, &r)), ["export/no-frame"]);
    // T02: heights promised above a datum, and no step applies the geoid.
    for heights in [Heights::Ellipsoidal, Heights::ReceiverGeoid] {
        let p = with(Some(Frame { heights, ..frame() }), &r).err().unwrap();
        assert_eq!(p[0].finding.code, "height/receiver-geoid");
        assert!(!p[0].finding.size.is_empty() && p[0].finding.fix.contains("`height-convert`"), "{p:?}");
    }
    let size = with(Some(Frame { heights: Heights::Ellipsoidal, ..frame() }), &r).err().unwrap()[0].finding.size.clone();
    assert!(size.contains("33.6"), "the separation of the log: {size}");
    assert_eq!(codes(with(Some(Frame { crs: "EPSG:6346".into(), ..frame() }), &r)), ["frame/not-as-promised"]);
    assert_eq!(codes(with(Some(Frame { crs: "EPSG:6318".into(), axes: Axes::Geographic, ..frame() }), &r)), ["frame/not-as-promised"]);
    assert_eq!(codes(with(Some(Frame { crs: "the grid of last year".into(), ..frame() }), &r)), ["export/not-the-promised-crs"]);
    assert_eq!(codes(with(Some(Frame { epoch: Epoch::Fixed(2020.0), ..frame() }), &r)), ["export/not-the-promised-epoch"]);
    assert_eq!(codes(with(Some(Frame { epoch: Epoch::EachObservation, ..frame() }), &r)), ["export/not-the-promised-epoch"]);
    let vertical =
        |unit| Heights::Vertical { datum: "EPSG:5703".into(), model: "m".into(), version: String::new(), sha256: "00".into(), unit };
    assert_eq!(codes(with(Some(Frame { heights: vertical(Unit::UsSurveyFoot), ..frame() }), &r)), ["frame/mixed-units"]);
    assert_eq!(codes(with(Some(Frame { point: PhysicalPoint::AntennaPhaseCentre, ..frame() }), &r)), ["frame/not-the-target"]);
    let mut pinned = reference();
    pinned.delivery.heights.geoid.as_mut().unwrap().sha256 = Some("AB".repeat(32));
    assert!(with(Some(frame()), &pinned).is_ok());
    assert_eq!(codes(with(Some(Frame { heights: vertical(Unit::Metre), ..frame() }), &pinned)), ["export/not-the-promised-geoid"]);
}

#[test]
fn examples_are_options() {
    for example in Csv::SPEC.examples {
        // The examples are plain enough to be read line by line; core's contract test reads them as YAML.
        assert!(example.options.lines().all(|l| l.contains(": ")));
    }
    assert!(serde_json::from_value::<Options>(json!({"path": "p", "colums": []})).is_err());
    assert_eq!(options(json!({"path": "p"})).decimals_deg, 9);
}

#[test]
fn nine_decimals_of_a_degree_are_less_than_a_tenth_of_a_millimetre() {
    // GRS 80: semi-major axis 6 378 137 m (EPSG ellipsoid 7019); one degree of the equator is 111 319.49 m.
    assert!(within(Some(9)) * 6_378_137.0_f64.to_radians() < 0.000_1);
    assert!(within(Some(4)) <= 0.000_051);
}

#[test]
fn no_minus_before_zero() {
    assert_eq!(number(-0.000_01, Some(4)), "0.0000");
    assert_eq!(number(-0.0, None), "0");
    assert_eq!(number(-0.000_06, Some(4)), "-0.0001");
    assert_eq!(number(1e-7, None), "0.0000001");
    assert_eq!(number(1e21, None), "1000000000000000000000");
}

proptest! {
    #[test]
    fn numbers_survive(value in prop::num::f64::NORMAL | prop::num::f64::ZERO, d in 0_usize..12) {
        let exact: f64 = number(value, None).parse().unwrap();
        prop_assert_eq!(exact, value);
        if value.abs() < 1e9 {
            let rounded: f64 = number(value, Some(d)).parse().unwrap();
            prop_assert!((rounded - value).abs() <= within(Some(d)) + value.abs() * 2.0 * f64::EPSILON);
        }
    }
    #[test]
    fn any_text_survives(names in prop::collection::vec(".*", 1..6), tab: bool) {
        let dir = tempfile::tempdir().unwrap();
        let sample = table(names.len());
        let mut b = pipeline_base::table::TableBuilder::from_table(sample.schema.clone(), &sample);
        b.texts("remark", names.iter().map(|n| Some(n.as_str())));
        let delimiter = if tab { "tab" } else { "comma" };
        run::<Csv>(dir.path(), &b.finish().unwrap(), json!({"path": "p.csv", "delimiter": delimiter, "columns": ["remark", "point"]})).unwrap();
    }
}
