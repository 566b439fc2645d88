use super::*;
use crate::rig::testing::{Row, bind_with, schema, table};
use pipeline_base::diag::Verdict;
use pipeline_base::rig::Rig;
use pipeline_base::table::schema::{Column, Holds, PhysicalPoint, Role, Unit};
use serde_json::{Value, json};
use std::path::Path;
use survey_geodesy::{GRS80, offset_enu};
use survey_mathematics::rotation::{Rotation, boresight};

const MARK: [f64; 3] = [40.0, -105.0, 1500.0];
const LEVER: [f64; 3] = [0.062, -0.018, 0.745];

pub(crate) fn rig() -> Rig {
    let sensor = json!({"sentence": "XDR", "transducer": "X"});
    serde_json::from_value(json!({
        "rig": 1, "name": "pole-1", "receiver_output": "antenna-reference-point",
        "pole": {"reference_point_to_tip": {"x_m": 0.0, "y_m": 0.0, "z_m": 2.0, "sigma_m": 0.001}},
        "laser": {"reference_point_to_laser": {"x_m": LEVER[0], "y_m": LEVER[1], "z_m": LEVER[2], "sigma_m": 0.001},
                  "beam_azimuth_deg": 0.6, "beam_elevation_deg": -45.0, "beam_sigma_deg": 0.1,
                  "zero_m": 0.0125, "zero_sigma_m": 0.001, "range_sigma_m": 0.0015, "shortest_m": 0.3, "longest_m": 12.0},
        "sensors": {"heading": {"sentence": "HDT"}, "pitch": sensor, "roll": sensor, "range": sensor},
        "attitude": {"north": "true", "heading_sigma_deg": 0.1, "tilt_sigma_deg": 0.05, "heading_bias_sigma_deg": 0.2, "tilt_bias_sigma_deg": 0.02,
                     "correlation_time_s": 0.0},
        "gnss": {"assumed_sigma_horizontal_m": 0.003, "assumed_sigma_up_m": 0.005},
        "calibration": {"date": "2025-01-10", "expires": "2025-12-31", "by": "test bench"}
    }))
    .unwrap()
}

pub(crate) fn input() -> Schema {
    let mut s = schema(PhysicalPoint::AntennaReferencePoint, true);
    s.columns.push(Column::always("point", Holds::Text, Unit::None, Role::Point));
    s.columns.push(Column::always("occupation", Holds::Text, Unit::None, Role::Occupation));
    s
}

/// Shots to the mark with a beam that is really at this azimuth and elevation: heading, pitch, roll, range.
pub(crate) fn shots(azimuth: f64, elevation: f64, poses: &[(f64, f64, f64, f64)]) -> Vec<Row> {
    let mut rows = vec![];
    for (k, (h, p, r, range)) in poses.iter().enumerate() {
        let rotation = Rotation::new(*h, *p, *r);
        let beam = boresight(azimuth, elevation);
        let body = [0, 1, 2].map(|i| LEVER[i] + (range + 0.0125) * beam[i]);
        let [n, e, d] = rotation.apply(body);
        let place = offset_enu(MARK[0], MARK[1], MARK[2], -e, -n, d, GRS80);
        for i in 0..20_i64 {
            // A millimetre or two of noise that is the same in every run.
            let wobble = ((i * 37 + k as i64 * 11) % 13 - 6) as f64 * 2e-4;
            rows.push(Row {
                time: (1_780_000_000 + k as i64 * 120 + i) * 1_000_000_000,
                place: [place.0 + wobble * 1e-5, place.1 - wobble * 1e-5, place.2 + wobble],
                attitude: [*h, *p, *r],
                range: *range,
                sigma: [0.003, 0.003, 0.005, 0.0],
                aim: Some("laser"),
            });
        }
    }
    rows
}

pub(crate) const EIGHT: [(f64, f64, f64, f64); 8] = [
    (0.0, 35.0, 0.0, 2.5),
    (95.0, -35.0, 0.0, 6.0),
    (190.0, 0.0, 35.0, 5.5),
    (285.0, 0.0, -35.0, 3.0),
    (20.0, 25.0, 25.0, 6.5),
    (115.0, -25.0, -25.0, 5.0),
    (210.0, 25.0, -25.0, 6.0),
    (305.0, -25.0, 25.0, 4.0),
];

pub(crate) fn named(rows: &[Row], points: impl Fn(usize) -> String) -> Table {
    let s = input();
    let plain = table(&schema(PhysicalPoint::AntennaReferencePoint, true), rows);
    let mut b = pipeline_base::table::TableBuilder::from_table(Arc::new(s), &plain);
    let points: Vec<String> = (0..rows.len()).map(&points).collect();
    let occupations: Vec<String> = rows.iter().map(|r| format!("o{}", r.time / 120_000_000_000)).collect();
    b.texts("point", points.iter().map(|p| Some(p.as_str())));
    b.texts("occupation", occupations.iter().map(|o| Some(o.as_str())));
    b.finish().unwrap()
}

fn bind(options: Value, rig: &Rig) -> Result<Bound<CalibrateRig>, Vec<Problem>> {
    let options: Options = serde_json::from_value(options).unwrap();
    bind_with(&[input()], Some(rig), Path::new("."), |cx| CalibrateRig::bind(options, cx))
}

pub(crate) fn mark() -> Value {
    json!([{"point": "NAIL", "latitude_deg": MARK[0], "longitude_deg": MARK[1], "ellipsoidal_height_m": MARK[2],
            "sigma_horizontal_m": 0.001, "sigma_up_m": 0.001}])
}

#[test]
fn eight_attitudes_give_a_new_rig() {
    let folder = tempfile::tempdir().unwrap();
    // Half a degree across the beam and a tenth up, to a known and to an unknown mark.
    for marks in [mark(), json!([])] {
        let bound = bind(json!({"by": "bench", "marks": marks}), &rig()).unwrap();
        let world = pipeline_core::stage::cx::Collect::new(folder.path());
        let rows = shots(0.6 + 0.5 / 45_f64.to_radians().cos(), -44.9, &EIGHT);
        let out = bound.stage.run(&[named(&rows, |_| "NAIL".into())], &Cx::new(&world, "t", None)).unwrap();
        assert_eq!((*out.schema).clone(), bound.output);
        assert_eq!((out.rows(), world.said().used), (8, 160));
        let said = world.said();
        let codes: Vec<&str> = said.findings.iter().map(|f| f.code.as_str()).collect();
        assert!(codes.contains(&"rig/calibrated") && !codes.contains(&"rig/calibration-not-determined"), "{:#?}", said.findings);
        assert_eq!(said.delivered.len(), 4);
        let text = std::fs::read_to_string(folder.path().join("rig.yaml")).unwrap();
        let value = pipeline_base::document::read("rig.yaml", text.as_bytes()).unwrap().value;
        let new: Rig = serde_json::from_value(value).unwrap();
        let laser = new.laser.unwrap();
        let across = (laser.beam_azimuth_deg - 0.6) * 45_f64.to_radians().cos();
        assert!((across - 0.5).abs() < 0.05 && (laser.beam_elevation_deg + 44.9).abs() < 0.05, "{laser:?}");
        assert!(laser.beam_sigma_deg < 0.05 && laser.beam_sigma_deg > 0.0);
        let c = new.calibration.unwrap();
        assert_eq!((c.date.as_str(), c.expires.as_str()), ("2026-05-28", "2026-11-24"));
        assert!((c.replaced["laser.beam_azimuth_deg"] - 0.6).abs() < 1e-12 && text.contains("#   laser.beam_azimuth_deg: 0.6"), "{text}");
        // The rest of the rig is as it was.
        assert_eq!((new.pole, new.attitude, new.gnss), (rig().pole, rig().attitude, rig().gnss));
        let svg = std::fs::read_to_string(folder.path().join("residuals.svg")).unwrap();
        assert!(svg.starts_with("<svg") && svg.ends_with("</svg>\n"));
        let table = std::fs::read_to_string(folder.path().join("parameters.csv")).unwrap();
        assert!(table.contains("the beam sideways,deg,0.000000,0."), "{table}");
    }
}

#[test]
fn two_attitudes_write_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let bound = bind(json!({"by": "bench"}), &rig()).unwrap();
    let world = pipeline_core::stage::cx::Collect::new(folder.path());
    let rows = shots(1.3, -45.0, &EIGHT[..2]);
    bound.stage.run(&[named(&rows, |_| "NAIL".into())], &Cx::new(&world, "t", None)).unwrap();
    let said = world.said();
    let found = said.findings.iter().find(|f| f.code == "rig/calibration-not-determined").unwrap();
    assert_eq!(found.verdict, Verdict::Block);
    assert!(found.what.starts_with("not determined by 2 looks at 2 attitudes") && found.what.contains("the beam"), "{}", found.what);
    assert!(found.fix.contains("add shots at these attitudes") && found.fix.contains("facing"), "{}", found.fix);
    assert!(found.size.contains(" m"), "{}", found.size);
}

#[test]
fn a_shot_at_something_else_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let bound = bind(json!({"by": "bench", "marks": mark()}), &rig()).unwrap();
    let world = pipeline_core::stage::cx::Collect::new(folder.path());
    let mut rows = shots(0.6, -45.0, &EIGHT);
    for row in &mut rows[40..60] {
        row.range += 0.08;
    }
    // Two ranges of another look hit something in between.
    rows[3].range -= 0.9;
    rows[4].range -= 0.9;
    bound.stage.run(&[named(&rows, |_| "NAIL".into())], &Cx::new(&world, "t", None)).unwrap();
    let said = world.said();
    let off = said.findings.iter().find(|f| f.code == "rig/calibration-look-off").unwrap();
    assert!(off.size.starts_with("0.0"), "{}", off.size);
    assert_eq!((said.set_aside[0].1.as_str(), said.set_aside[0].3.rows(), said.used), ("range-off", 2, 158));
}

#[test]
fn what_is_wrong_is_said() {
    let bound = bind(json!({"by": "bench", "marks": mark()}), &rig()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let world = pipeline_core::stage::cx::Collect::new(folder.path());
    let rows = shots(0.6, -45.0, &EIGHT);
    bound.stage.run(&[named(&rows, |_| "SPIKE".into())], &Cx::new(&world, "t", None)).unwrap();
    assert!(world.said().findings.iter().any(|f| f.code == "rig/no-such-mark"));
    let codes = |r: Result<Bound<CalibrateRig>, Vec<Problem>>| -> Vec<String> {
        r.err().unwrap().into_iter().map(|p| p.finding.code.clone()).collect()
    };
    assert_eq!(codes(bind(json!({"by": " "}), &rig())), ["job/bad-value"]);
    assert_eq!(codes(bind(json!({"by": "b", "rig_file": "../rig.yaml"}), &rig())), ["export/bad-path"]);
    assert_eq!(codes(bind(json!({"by": "b", "parameters_file": "residuals.csv"}), &rig())), ["export/same-file"]);
    let plain = bind_with(&[schema(PhysicalPoint::AntennaReferencePoint, true)], Some(&rig()), Path::new("."), |cx| {
        CalibrateRig::bind(serde_json::from_value(json!({"by": "b"})).unwrap(), cx)
    });
    assert!(codes(plain).iter().all(|c| c == "plan/missing-role"));
    let empty = bind(json!({"by": "bench"}), &rig()).unwrap();
    let problem = empty.stage.run(&[named(&[], |_| String::new())], &Cx::new(&world, "t", None)).err().unwrap();
    assert_eq!(problem.finding.code, "rig/calibration-no-looks");
}
