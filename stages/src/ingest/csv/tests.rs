use super::*;
use crate::rig::testing::{Folder, world};
use pipeline_base::reference::Reference;
use pipeline_base::rig::Rig;
use pipeline_base::table::schema::Role;
use proptest::prelude::*;
use serde_json::{Value, json};
use std::path::Path;

fn reference() -> Reference {
    serde_json::from_value(json!({
        "reference": 1, "name": "r",
        "corrections": {"frame": "EPSG:9989", "epoch": "observation", "stated_by": "the service's page"},
        "delivery": {"crs": "EPSG:6345", "heights": {"surface": "ellipsoid", "unit": "m"}},
        "budget": {"operation_m": 0.03, "horizontal_95_m": 0.05, "vertical_95_m": 0.05}
    }))
    .unwrap()
}

fn rig() -> Rig {
    serde_json::from_value(json!({
        "rig": 1, "name": "p", "receiver_output": "antenna-reference-point",
        "gnss": {"assumed_sigma_horizontal_m": 0.03, "assumed_sigma_up_m": 0.05, "sigma_factor": 2.0}
    }))
    .unwrap()
}

fn bind_in(folder: &Path, options: Value) -> Result<Bound<IngestCsv>, Vec<Problem>> {
    let (reference, rig, files) = (reference(), rig(), Folder(folder.to_owned()));
    let cx = BindCx { inputs: &[], rig: Some(&rig), reference: Some(&reference), locality: None, files: &files, locked: None };
    IngestCsv::bind(serde_json::from_value(options).unwrap(), &cx)
}

fn options() -> Value {
    json!({
        "files": ["a.csv"],
        "time": {"column": "t", "format": "iso8601", "scale": "utc"},
        "latitude": {"column": "lat", "format": "deg"},
        "longitude": {"column": "lon", "format": "deg"},
        "height": {"column": "h", "unit": "m", "above": "ellipsoidal"}
    })
}

/// Options with more keys.
fn with(more: Value) -> Value {
    let mut all = options();
    all.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    all
}

fn read(text: &[u8], options: Value) -> (Result<Table, Problem>, pipeline_core::stage::cx::Collect, tempfile::TempDir) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("a.csv"), text).unwrap();
    let bound = bind_in(folder.path(), options).map_err(|p| format!("{p:?}")).unwrap();
    let world = world();
    let out = bound.stage.run(&[], &Cx::new(&world, "t", Some((0, &bound.stage.sessions[0]))));
    if let Ok(out) = &out {
        assert_eq!(*out.schema, bound.output);
    }
    (out, world, folder)
}

fn floats(table: &Table, name: &str) -> Vec<f64> {
    table.floats(name).unwrap().to_vec()
}

#[test]
fn a_plain_table() {
    let text = b"t,lat,lon,h,q,n,se,sn,su,ev,yaw,d\n\
        2026-05-04T10:00:00Z,42.123456789012,-84.5,220.125,4,18,0.008,0.009,0.015,A1,-10,3.25\n\
        2026-05-04T10:00:01Z,,,,9,,,,,,,\n";
    let more = json!({
        "fix": {"column": "q", "words": [{"text": "4", "fix": "rtk-fixed"}]}, "satellites": "n", "event": "ev",
        "sigma_east": {"column": "se", "unit": "m"}, "sigma_north": {"column": "sn", "unit": "m"}, "sigma_up": {"column": "su", "unit": "m"},
        "heading": {"column": "yaw", "unit": "deg"}, "range": {"column": "d", "unit": "ft"}
    });
    let (out, world, _folder) = read(text, with(more));
    let out = out.unwrap();
    assert_eq!(out.rows(), 2);
    // Decimals are exact: the nearest double of the text.
    assert_eq!(floats(&out, "latitude_deg")[0].to_bits(), 42.123_456_789_012_f64.to_bits());
    assert!(floats(&out, "latitude_deg")[1].is_nan());
    assert_eq!(out.texts("fix").unwrap(), [Some("rtk-fixed"), Some("unknown")]);
    assert_eq!(out.ints("quality_code").unwrap(), [Some(4), Some(9)]);
    assert_eq!(out.ints("satellites").unwrap(), [Some(18), None]);
    assert_eq!(out.texts("event").unwrap(), [Some("A1"), None]);
    // Factor 2 of the rig; the second row has the rig's assumption, marked.
    assert!((floats(&out, "sigma_up_m")[0] - 0.03).abs() < 1e-15);
    assert_eq!((floats(&out, "sigma_east_m")[1], out.bools("sigma_assumed").unwrap()), (0.03, vec![Some(false), Some(true)]));
    assert_eq!((floats(&out, "heading_deg")[0], floats(&out, "range_m")[0]), (350.0, 3.25 * 0.3048));
    assert_eq!(out.ints("line_first").unwrap(), [Some(2), Some(3)]);
    let said = world.said();
    assert_eq!(said.lines[0].used, 2);
    assert_eq!(said.findings[0].code, "data/unknown-fix");
    assert!(said.findings[0].what.contains("`9` in 1"));
}

#[test]
fn a_lean_and_a_quaternion_become_heading_pitch_and_roll() {
    let read = |kind: Value, text: &str, columns: Value| -> [f64; 3] {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("a.csv"), text).unwrap();
        let mut r = serde_json::to_value(rig()).unwrap();
        r["attitude"] = json!({"north": "true", "heading_sigma_deg": 0.3, "tilt_sigma_deg": 0.1, "heading_bias_sigma_deg": 0.4, "tilt_bias_sigma_deg": 0.1});
        r["attitude"].as_object_mut().unwrap().extend(kind.as_object().unwrap().clone());
        let (reference, rig, files): (_, Rig, _) = (reference(), serde_json::from_value(r).unwrap(), Folder(folder.path().to_owned()));
        let cx = BindCx { inputs: &[], rig: Some(&rig), reference: Some(&reference), locality: None, files: &files, locked: None };
        let bound = IngestCsv::bind(serde_json::from_value(with(columns)).unwrap(), &cx).map_err(|p| format!("{p:?}")).unwrap();
        let out = bound.stage.run(&[], &Cx::new(&world(), "t", Some((0, &bound.stage.sessions[0])))).unwrap();
        ["heading_deg", "pitch_deg", "roll_deg"].map(|n| floats(&out, n)[0])
    };
    let head = "t,lat,lon,h";
    let row = "2026-05-04T10:00:00Z,42,-84,1";
    let leans = json!({"tilt": {"column": "a", "unit": "deg"}, "lean_azimuth": {"column": "b", "unit": "deg"}, "heading": {"column": "c", "unit": "deg"}});
    // The foot lies to the south of a body that faces north: it leans forward, nose down.
    let [h, p, r] =
        read(json!({"kind": "tilt-azimuth-heading", "lean_azimuth_of": "foot"}), &format!("{head},a,b,c\n{row},12,180,0\n"), leans);
    assert!(h.abs() < 1e-12 && (p + 12.0).abs() < 1e-9 && r.abs() < 1e-9, "{h} {p} {r}");
    let axes = json!({"turns": "body-to-world", "world": "east-north-up", "body": "forward-left-up"});
    let parts = json!({"quaternion": {"w": "w", "x": "x", "y": "y", "z": "z"}});
    // Not turned against east, north, up: it faces east, level.
    let [h, p, r] = read(json!({"kind": "quaternion", "quaternion": axes}), &format!("{head},w,x,y,z\n{row},1,0,0,0\n"), parts);
    assert!((h - 90.0).abs() < 1e-9 && p.abs() < 1e-9 && r.abs() < 1e-9, "{h} {p} {r}");
}

#[test]
fn heights_above_the_receivers_geoid() {
    // S-HEIGHT-GGA-1 in kind: h = H + N; T01 of traps.md: 253.412 m with -33.600 m is 219.812 m.
    let options =
        with(json!({"height": {"column": "h", "unit": "m", "above": "above-receiver-geoid"}, "separation": {"column": "n", "unit": "m"}}));
    let (out, world, _folder) =
        read(b"t,lat,lon,h,n\n2026-05-04T10:00:00Z,42,-84,253.412,-33.600\n2026-05-04T10:00:01Z,42,-84,253.412,\n", options);
    let out = out.unwrap();
    let h = floats(&out, "ellipsoidal_height_m");
    assert!((h[0] - 219.812).abs() < 1e-9 && h[1].is_nan());
    assert_eq!(world.said().findings.iter().filter(|f| f.code == "height/no-separation").count(), 1);
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("a.csv"), "").unwrap();
    let problems =
        bind_in(folder.path(), with(json!({"height": {"column": "h", "unit": "m", "above": "above-receiver-geoid"}}))).err().unwrap();
    assert_eq!(problems[0].finding.code, "height/no-separation");
}

#[test]
fn units_commas_and_gps_weeks() {
    // The US survey foot is 1200/3937 m, S-FOOT-RATIO of checks/05_fault_magnitudes.csv.
    let options = json!({
        "files": ["a.csv"],
        "layout": {"delimiter": "semicolon", "decimal_comma": true},
        "time": {"column": "tow", "format": "gps-week-seconds", "week_column": "week", "scale": "gps"},
        "latitude": {"column": "lat", "format": "dms"},
        "longitude": {"column": "lon", "format": "dms"},
        "height": {"column": "h", "unit": "ftUS", "above": "ellipsoidal"}
    });
    let (out, world, _folder) = read("week;tow;lat;lon;h\n2417;18,5;42°30'00,0\"N;84°30'36\"W;3937,0\n".as_bytes(), options);
    let out = out.unwrap();
    assert!((floats(&out, "ellipsoidal_height_m")[0] - 1200.0).abs() < 1e-10);
    assert_eq!((floats(&out, "latitude_deg")[0], floats(&out, "longitude_deg")[0]), (42.5, -84.51));
    let day = pipeline_base::time::date("2026-05-03").unwrap();
    assert_eq!(out.instants("time").unwrap()[0], Some(day * raw_logs::time_columns::DAY_NS + 500_000_000));
    assert!(world.said().findings.iter().all(|f| f.verdict == Verdict::Note), "{:?}", world.said().findings);
}

#[test]
fn damaged_rows_are_named() {
    let text = b"t,lat,lon,h\n\
        2026-05-04T10:00:00Z,42,-84,1\n\
        yesterday,42,-84,1\n\
        2026-05-04T10:00:01Z,nan,-84,1\n\
        2026-05-04T10:00:02Z,42,-84,inf\n\
        2026-05-04T10:00:03Z,42,-84,1.2.3\n\
        2026-05-04T10:00:04Z,92,-84,1\n\
        2026-05-04T10:00:05Z,42,,1\n\
        2026-05-04T10:00:06Z,42,-84\n\
        \n\
        2026-05-04T09:00:00Z,42,-84,1\n\
        2026-05-04T09:00:00Z,42,-84,1\n";
    let (out, world, _folder) = read(text, options());
    assert_eq!(out.unwrap().rows(), 3);
    let said = world.said();
    let count = &said.lines[0];
    let damaged: Vec<_> = count.damaged.iter().map(|(k, v)| (k.as_str(), *v)).collect();
    assert_eq!(damaged, [("fields", 1), ("not-a-number", 2), ("number", 1), ("outside-range", 1), ("position", 1), ("time", 1)]);
    assert_eq!(count.total, count.used + count.ignored.values().sum::<u64>() + count.damaged.values().sum::<u64>());
    let infinite = said.findings.iter().find(|f| f.what.contains("`inf`")).unwrap();
    assert_eq!((infinite.code.as_str(), infinite.labels[0].line), ("data/damaged-row", Some(5)));
    assert!(infinite.place.contains("column 4"), "{}", infinite.place);
    for code in ["data/time-goes-back", "data/time-repeated"] {
        assert!(said.findings.iter().any(|f| f.code == code), "{code}");
    }
}

#[test]
fn survey_and_locality() {
    let folder = tempfile::tempdir().unwrap();
    let write = |text: &str| std::fs::write(folder.path().join("a.csv"), text).unwrap();
    write("t,lat,lon,h\n2026-07-02T12:00:00Z,,,\n2026-07-02T12:00:01Z,42.5,-84.25,220\n");
    let bound = bind_in(folder.path(), options()).ok().unwrap();
    let place = bound.stage.locate().unwrap();
    assert_eq!((place.latitude_deg, place.longitude_deg, place.height_m), (42.5, -84.25, Some(220.0)));
    assert!((place.decimal_year.unwrap() - 2026.5).abs() < 0.002);
    assert!(bound.stage.survey().is_empty());
    assert_eq!(bound.stage.sessions()[0].name, "a");
    write("time,lat,lon,h\n");
    assert_eq!(bound.stage.survey()[0].code, "data/missing-column");
    write("t,lat,lon,h\n12:00:00,42,-84,1\n");
    let found = bound.stage.survey();
    assert_eq!((found[0].code.as_str(), found[0].verdict), ("data/no-epoch", Verdict::Block));
    assert!(bound.stage.locate().is_none());
    // No column of the schema but the contract's.
    assert_eq!(bound.output.columns.last().unwrap().role, Role::Event);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn any_bytes_are_no_panic(bytes in prop::collection::vec(prop_oneof![
        Just(b"2026-05-04T10:00:00Z,42,-84,1\n".to_vec()), Just(b",".to_vec()), Just(b"\n".to_vec()), Just(b"\"".to_vec()), Just(b"1e400".to_vec()),
        prop::collection::vec(any::<u8>(), 0..20)], 0..30)) {
        let mut text = b"t,lat,lon,h\n".to_vec();
        text.extend(bytes.concat());
        let (out, world, _folder) = read(&text, options());
        let said = world.said();
        let count = &said.lines[0];
        prop_assert_eq!(count.total, count.used + count.ignored.values().sum::<u64>() + count.damaged.values().sum::<u64>());
        prop_assert_eq!(out.unwrap().rows() as u64, count.used);
        let (out, ..) = read(&bytes.concat(), options());
        let _ = out;
    }
}
