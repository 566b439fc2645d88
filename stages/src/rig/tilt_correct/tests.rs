use super::*;
use crate::rig::testing::{Row, bind_with, schema, table, world};
use pipeline_base::diag::Verdict;
use pipeline_base::place::Locality;
use pipeline_base::rig::Rig;
use proptest::prelude::*;
use serde_json::{Value, json};
use std::path::Path;
use survey_geodesy::Tangent;

fn rig(change: impl FnOnce(&mut Value)) -> Rig {
    let sensor = json!({"sentence": "XDR", "transducer": "X"});
    let mut value = json!({
        "rig": 1, "name": "pole-1", "receiver_output": "antenna-reference-point",
        "pole": {"reference_point_to_tip": {"x_m": 0.0, "y_m": 0.0, "z_m": 2.0, "sigma_m": 0.001}},
        "laser": {"reference_point_to_laser": {"x_m": 0.05, "y_m": 0.0, "z_m": 1.2, "sigma_m": 0.002},
                  "beam_azimuth_deg": 0.0, "beam_elevation_deg": -45.0, "beam_sigma_deg": 0.1,
                  "zero_m": 0.0, "zero_sigma_m": 0.001, "range_sigma_m": 0.002, "shortest_m": 0.2, "longest_m": 30.0},
        "sensors": {"heading": {"sentence": "HDT"}, "pitch": sensor, "roll": sensor, "range": sensor},
        "attitude": {"north": "true", "heading_sigma_deg": 0.5, "tilt_sigma_deg": 0.2, "heading_bias_sigma_deg": 0.3, "tilt_bias_sigma_deg": 0.1},
        "gnss": {"assumed_sigma_horizontal_m": 0.03, "assumed_sigma_up_m": 0.05},
        "calibration": {"date": "2026-01-10", "expires": "2026-12-31", "by": "test bench"}
    });
    change(&mut value);
    serde_json::from_value(value).unwrap()
}

fn options(value: Value) -> Options {
    serde_json::from_value(value).unwrap()
}

fn bind(value: Value, rig: &Rig, input: &Schema) -> Result<Bound<TiltCorrect>, Vec<Problem>> {
    bind_with(std::slice::from_ref(input), Some(rig), Path::new("."), |cx| TiltCorrect::bind(options(value), cx))
}

fn codes(result: Result<Bound<TiltCorrect>, Vec<Problem>>) -> Vec<String> {
    result.err().unwrap().into_iter().map(|p| p.finding.code.clone()).collect()
}

const ARP: PhysicalPoint = PhysicalPoint::AntennaReferencePoint;

fn offset(before: [f64; 3], out: &Table, row: usize) -> [f64; 3] {
    let get = |name| out.floats(name).unwrap()[row];
    let frame = Tangent::new(before[0], before[1], before[2], survey_geodesy::GRS80);
    frame.enu(get("latitude_deg"), get("longitude_deg"), get("ellipsoidal_height_m"))
}

#[test]
fn every_epoch_ends_somewhere() {
    let input = schema(ARP, true);
    let bound = bind(json!({}), &rig(|_| {}), &input).unwrap();
    let nan = f64::NAN;
    let good = Row::default();
    let rows = [
        good.clone(),
        Row { aim: Some("laser"), attitude: [90.0, 0.0, 0.0], ..good.clone() },
        Row { aim: None, ..good.clone() },
        Row { aim: Some("bucket"), ..good.clone() },
        Row { place: [nan, nan, nan], ..good.clone() },
        Row { place: [40.0, -105.0, nan], ..good.clone() },
        Row { attitude: [0.0, nan, 0.0], ..good.clone() },
        Row { attitude: [0.0, f64::INFINITY, 0.0], ..good.clone() },
        Row { range: nan, ..good.clone() },
        Row { aim: Some("laser"), range: nan, ..good.clone() },
        Row { aim: Some("laser"), range: 0.1, ..good.clone() },
        Row { aim: Some("laser"), range: 31.0, ..good.clone() },
        Row { place: [91.0, 0.0, 0.0], ..good.clone() },
    ];
    let (world, data) = (world(), table(&input, &rows));
    let out = bound.stage.run(&[data], &Cx::new(&world, "t", None)).unwrap();
    assert_eq!(*out.schema, bound.output);
    assert_eq!(out.schema.frame.as_ref().unwrap().point, PhysicalPoint::Target);
    let said = world.said();
    let aside: Vec<(&str, usize)> = said.set_aside.iter().map(|(_, reason, _, rows)| (reason.as_str(), rows.rows())).collect();
    assert_eq!(
        aside,
        [("no-aim", 2), ("no-position", 2), ("no-height", 1), ("no-attitude", 2), ("no-range", 1), ("range-outside-instrument", 2)]
    );
    assert_eq!(out.rows() + aside.iter().map(|(_, n)| n).sum::<usize>(), rows.len());
    assert!(said.findings.is_empty(), "{:?}", said.findings);
    // Tip straight below; a tip needs no range.
    assert_eq!(out.rows(), 3);
    let [e, n, u] = offset(good.place, &out, 0);
    assert!(e.abs() < 1e-7 && n.abs() < 1e-7 && (u + 2.0).abs() < 1e-7);
    // Laser facing east, 45 deg down: 0.05 m + 3 m cos 45, 1.2 m + 3 m sin 45.
    let [e, n, u] = offset(good.place, &out, 1);
    let leg = 3.0 * std::f64::consts::FRAC_1_SQRT_2;
    assert!((e - 0.05 - leg).abs() < 1e-7 && n.abs() < 1e-7 && (u + 1.2 + leg).abs() < 1e-7);
}

#[test]
fn covariance_columns() {
    let input = schema(ARP, true);
    let bound = bind(json!({}), &rig(|_| {}), &input).unwrap();
    let rows = [Row { sigma: [0.01, 0.02, 0.03, 0.5], ..Row::default() }, Row { sigma: [f64::NAN; 4], ..Row::default() }];
    let out = bound.stage.run(&[table(&input, &rows)], &Cx::new(&world(), "t", None)).unwrap();
    let get = |name: &str, row: usize| out.floats(name).unwrap()[row];
    assert!(
        (get("gnss_ee", 0) - 1e-4).abs() < 1e-18 && (get("gnss_en", 0) - 1e-4).abs() < 1e-18 && (get("gnss_uu", 0) - 9e-4).abs() < 1e-18
    );
    // Vertical pole of 2 m, 0.2 deg of tilt noise in both directions: 6.98 mm each.
    let lean = (2.0 * 0.2_f64.to_radians()).powi(2);
    assert!((get("random_ee", 0) - 1e-4 - lean).abs() < 1e-12 && (get("random_nn", 0) - 4e-4 - lean).abs() < 1e-12);
    assert!((get("random_en", 0) - 1e-4).abs() < 1e-12);
    let bias = (2.0 * 0.1_f64.to_radians()).powi(2);
    assert!((get("systematic_ee", 0) - bias - 1e-6).abs() < 1e-12 && (get("systematic_uu", 0) - 1e-6).abs() < 1e-12);
    // Without sigmas the rig's assumption stands in and is marked.
    assert!((get("gnss_nn", 1) - 9e-4).abs() < 1e-18);
    assert_eq!(out.bools("sigma_assumed").unwrap(), [Some(false), Some(true)]);
}

#[test]
fn wrong_north_is_found_or_corrected() {
    let input = schema(ARP, false);
    // Declination east: magnetic 82 deg is true 90 deg. S-P18: 8 deg, 2 m is 0.278 m.
    let magnetic = |r: &mut Value| {
        r["attitude"]["north"] = json!("magnetic");
        r["attitude"]["declination"] = json!({"declination_deg": 8.0, "source": "model of the year", "sigma_deg": 0.4});
    };
    let row = Row { attitude: [82.0, 0.0, 0.0], ..Row::default() };
    let out = |bound: Bound<TiltCorrect>, row: &Row| {
        let out = bound.stage.run(&[table(&input, std::slice::from_ref(row))], &Cx::new(&world(), "t", None)).unwrap();
        (offset(row.place, &out, 0), out.floats("systematic_nn").unwrap()[0])
    };
    let (corrected, variance) = out(bind(json!({"aim": "laser"}), &rig(magnetic), &input).unwrap(), &row);
    assert!(corrected[1].abs() < 1e-7);
    let (plain, plain_variance) =
        out(bind(json!({"aim": "laser"}), &rig(|_| {}), &input).unwrap(), &Row { attitude: [90.0, 0.0, 0.0], ..row.clone() });
    assert!((corrected[0] - plain[0]).abs() < 1e-7 && variance > plain_variance);
    // Grid north of UTM 13N at S-TILT-LASER-1: convergence -0.168970 deg.
    let grid = |r: &mut Value| {
        r["sensors"]["heading"] = json!({"sentence": "XDR", "transducer": "X"});
        r["attitude"]["north"] = json!("grid");
        r["attitude"]["grid_north_crs"] = json!("EPSG:32613");
    };
    let at = Row { place: [40.020_576_1, -105.262_757_2, 1_564.691], attitude: [90.0, 0.0, 0.0], ..Row::default() };
    let (turned, _) = out(bind(json!({"aim": "laser"}), &rig(grid), &input).unwrap(), &at);
    let azimuth = turned[0].atan2(turned[1]).to_degrees();
    assert!((azimuth - (90.0 - 0.168_970)).abs() < 1e-4, "{azimuth}");
    // Undeclared.
    let bare = |north: &'static str| {
        move |r: &mut Value| {
            r["sensors"]["heading"] = json!({"sentence": "XDR", "transducer": "X"});
            r["attitude"]["north"] = json!(north);
        }
    };
    assert_eq!(codes(bind(json!({"aim": "laser"}), &rig(bare("magnetic")), &input)), ["rig/which-north"]);
    assert_eq!(codes(bind(json!({"aim": "laser"}), &rig(bare("grid")), &input)), ["rig/which-north"]);
    // T17 of traps.md, the axes: a true heading counted from grid north would turn every offset by the convergence.
    let mixed = |r: &mut Value| {
        r["attitude"]["north"] = json!("grid");
        r["attitude"]["grid_north_crs"] = json!("EPSG:32613");
    };
    assert_eq!(codes(bind(json!({"aim": "laser"}), &rig(mixed), &input)), ["rig/north-and-sentence"]);
    let geographic = |r: &mut Value| {
        r["sensors"]["heading"] = json!({"sentence": "XDR", "transducer": "X"});
        r["attitude"]["north"] = json!("grid");
        r["attitude"]["grid_north_crs"] = json!("EPSG:4326");
    };
    assert_eq!(codes(bind(json!({"aim": "laser"}), &rig(geographic), &input)), ["rig/which-north"]);
}

#[test]
fn declination_of_a_model() {
    let input = schema(ARP, false);
    let with = |declination: Value| {
        rig(|r| {
            r["attitude"]["north"] = json!("magnetic");
            r["attitude"]["declination"] = declination;
        })
    };
    let model = with(json!({"model": "WMM2025"}));
    let at = |latitude_deg: f64, longitude_deg: f64, decimal_year: Option<f64>| {
        Some(Locality { latitude_deg, longitude_deg, height_m: Some(1500.0), receiver_separation_m: None, decimal_year })
    };
    let bind_at = |rig: &Rig, place: Option<Locality>| {
        bind_with(std::slice::from_ref(&input), Some(rig), Path::new("."), |cx| {
            let cx = BindCx { inputs: cx.inputs, rig: cx.rig, reference: None, locality: place, files: cx.files, locked: None };
            TiltCorrect::bind(options(json!({"aim": "laser"})), &cx)
        })
    };
    let bound = bind_at(&model, at(40.0, -105.0, Some(2026.4))).unwrap();
    let north = bound.decided.iter().find(|(k, _)| k == "north").unwrap().1.as_str().unwrap().to_owned();
    assert!(north.contains("WMM2025") && north.contains("deg here"), "{north}");
    // pygeomag 1.1.0 with the coefficients of WMM2025 gives 7.54 deg at 40 N 105 W, 1500 m, 2026-05-28.
    let run = |rows: &[Row]| bound.stage.run(&[table(&input, rows)], &Cx::new(&world(), "t", None));
    let row = Row { attitude: [82.46, 0.0, 0.0], ..Row::default() };
    let out = run(std::slice::from_ref(&row)).unwrap();
    let [e, n, _] = offset(row.place, &out, 0);
    assert!((e.atan2(n).to_degrees() - 90.0).abs() < 0.02, "{}", e.atan2(n).to_degrees());
    // Years outside the edition: when the job is planned, and where an epoch is younger than the log's beginning.
    assert_eq!(codes(bind_at(&model, at(40.0, -105.0, Some(2024.9)))), ["rig/magnetic-model"]);
    assert_eq!(codes(bind_at(&model, at(85.7, 139.0, Some(2026.4)))), ["rig/magnetic-model"]);
    let late = run(&[Row { time: 1_893_456_000_000_000_000, ..row }]).err().unwrap();
    assert_eq!((late.finding.code.as_str(), late.finding.verdict), ("rig/magnetic-model", Verdict::Block));
    // Nothing is guessed where date and place are not known, unless a sigma is given.
    assert_eq!(codes(bind_at(&model, None)), ["rig/which-north"]);
    assert!(bind_at(&with(json!({"model": "WMM2025", "sigma_deg": 0.5})), None).is_ok());
    for bad in [
        json!({}),
        json!({"declination_deg": 8.0, "sigma_deg": 0.4}),
        json!({"declination_deg": 8.0, "source": "chart"}),
        json!({"declination_deg": 8.0, "source": "chart", "sigma_deg": 0.4, "model": "WMM2025"}),
    ] {
        assert_eq!(codes(bind_at(&with(bad), at(40.0, -105.0, Some(2026.4)))), ["rig/which-north"]);
    }
    // A weak field is said.
    let weak = bind_at(&model, at(72.0, -94.0, Some(2026.4))).unwrap();
    assert!(weak.notes.iter().any(|n| n.finding.code == "rig/magnetic-weak"));
}

#[test]
fn plan_problems() {
    let input = schema(ARP, false);
    assert_eq!(codes(bind(json!({}), &rig(|_| {}), &input)), ["rig/which-aim"]);
    assert_eq!(codes(bind(json!({"aim": "column"}), &rig(|_| {}), &input)), ["plan/missing-role"]);
    let gone = |keys: &'static [&'static str]| move |r: &mut Value| keys.iter().for_each(|k| drop(r.as_object_mut().unwrap().remove(*k)));
    assert_eq!(codes(bind(json!({"aim": "tip"}), &rig(gone(&["pole"])), &input)), ["rig/length-missing"]);
    assert_eq!(codes(bind(json!({"aim": "laser"}), &rig(gone(&["attitude"])), &input)), ["rig/no-attitude"]);
    assert_eq!(codes(bind(json!({"aim": "tip"}), &rig(gone(&["attitude", "laser"])), &input)), ["rig/no-attitude"]);
    assert_eq!(codes(bind(json!({"aim": "laser"}), &rig(gone(&["sensors"])), &input)), vec!["rig/sensor-missing"; 4]);
    assert!(bind(json!({"aim": "laser", "sensors": "joined"}), &rig(gone(&["sensors"])), &input).is_ok());
    assert_eq!(
        codes(bind(json!({"aim": "tip", "pole_held_vertical_within_deg": 0.3}), &rig(|_| {}), &input)),
        ["rig/vertical-with-attitude"]
    );
    let bad_date = |r: &mut Value| r["calibration"]["expires"] = json!("soon");
    assert_eq!(codes(bind(json!({"aim": "tip"}), &rig(bad_date), &input)), ["rig/bad-date"]);
    // Twice in one branch, and a frame that another rig made.
    assert_eq!(codes(bind(json!({"aim": "tip"}), &rig(|_| {}), &schema(PhysicalPoint::Target, false))), ["rig/length-twice"]);
    assert_eq!(codes(bind(json!({"aim": "tip"}), &rig(|_| {}), &schema(PhysicalPoint::AntennaPhaseCentre, false))), ["rig/point-mismatch"]);
    // T11.
    let tip = |r: &mut Value| r["receiver_output"] = json!("pole-tip");
    assert_eq!(codes(bind(json!({"aim": "tip"}), &rig(tip), &schema(PhysicalPoint::PoleTip, false))), ["rig/length-twice"]);
    let bound = bind(json!({"aim": "tip"}), &rig(gone(&["calibration"])), &input).unwrap();
    assert_eq!(bound.notes[0].finding.code, "rig/no-calibration");
    let (key, ledger) = &bound.decided[0];
    assert_eq!((key.as_str(), ledger[0]["links"][1]["owner"].as_str()), ("ledger", Some("gunter")));
}

#[test]
fn attitudes_without_a_heading() {
    let input = schema(ARP, false);
    let of_kind = |kind: &'static str| {
        move |r: &mut Value| {
            let sensor = json!({"sentence": "XDR", "transducer": "X"});
            r["attitude"]["kind"] = json!(kind);
            r["attitude"]["lean_azimuth_of"] = json!("top");
            r["pole"]["reference_point_to_tip"]["x_m"] = json!(0.02);
            r["sensors"] = json!({"tilt": sensor, "lean_azimuth": sensor, "pitch": sensor, "roll": sensor, "range": sensor});
        }
    };
    // A tip needs no heading of the body; its 2 cm to the front point nowhere known.
    let bound = bind(json!({"aim": "tip"}), &rig(of_kind("tilt-azimuth")), &input).unwrap();
    let out = bound.stage.run(&[table(&input, &[Row::default()])], &Cx::new(&world(), "t", None)).unwrap();
    let bias = (2.0 * 0.1_f64.to_radians()).powi(2);
    assert!((out.floats("systematic_ee").unwrap()[0] - bias - 1e-6 - 2e-4).abs() < 1e-9, "{:?}", out.floats("systematic_ee"));
    // Pitch and roll alone: 20 deg on 2 m is an arm of 0.684 m to a side that nobody knows; the height is right.
    let bound = bind(json!({"aim": "tip"}), &rig(of_kind("pitch-roll")), &input).unwrap();
    let row = Row { attitude: [f64::NAN, 20.0, 0.0], ..Row::default() };
    let out = bound.stage.run(&[table(&input, std::slice::from_ref(&row))], &Cx::new(&world(), "t", None)).unwrap();
    let [e, n, u] = offset(row.place, &out, 0);
    assert!(e.abs() < 1e-7 && n.abs() < 1e-7 && (u + 2.0 * 20_f64.to_radians().cos()).abs() < 1e-6);
    let arm = 2.0 * 20_f64.to_radians().sin();
    let side = out.floats("systematic_nn").unwrap()[0];
    assert!(side > arm * arm / 2.0 && side < arm * arm / 2.0 + 1e-3, "{side}");
    // A laser needs one.
    for kind in ["tilt-azimuth", "pitch-roll"] {
        assert_eq!(codes(bind(json!({"aim": "laser"}), &rig(of_kind(kind)), &input)), ["rig/no-heading"]);
    }
    let undeclared = |r: &mut Value| {
        of_kind("tilt-azimuth-heading")(r);
        r["attitude"].as_object_mut().unwrap().remove("lean_azimuth_of");
    };
    assert_eq!(codes(bind(json!({"aim": "tip"}), &rig(undeclared), &input)), ["rig/which-end", "rig/sensor-missing"]);
    assert_eq!(codes(bind(json!({"aim": "laser"}), &rig(of_kind("quaternion")), &input)), ["rig/which-quaternion", "rig/sensor-missing"]);
}

#[test]
fn vertical_pole_and_receiver_tip() {
    let input = schema(ARP, true);
    let plain = rig(|r| ["attitude", "laser", "sensors"].iter().for_each(|k| drop(r.as_object_mut().unwrap().remove(*k))));
    let bound = bind(json!({"pole_held_vertical_within_deg": 0.5}), &plain, &input).unwrap();
    let world = world();
    let rows = [Row { attitude: [f64::NAN; 3], ..Row::default() }, Row { aim: Some("laser"), ..Row::default() }];
    let out = bound.stage.run(&[table(&input, &rows)], &Cx::new(&world, "t", None)).unwrap();
    assert_eq!(world.said().set_aside[0].1, "aim-not-in-rig");
    assert!((out.floats("ellipsoidal_height_m").unwrap()[0] - 1498.0).abs() < 1e-12);
    // 0.5 deg at 2 m is 17.45 mm in each direction, on top of GNSS.
    let lean = out.floats("random_ee").unwrap()[0] - out.floats("gnss_ee").unwrap()[0];
    assert!((lean.sqrt() - 0.017_45).abs() < 1e-5);
    assert!(out.floats("tilt_deg").unwrap()[0].is_nan());
    // The receiver writes the tip: nothing moves, the pole's sigma stays.
    let tip = rig(|r| {
        r["receiver_output"] = json!("pole-tip");
        r["pole"]["applied_by"] = json!("receiver");
        ["attitude", "laser", "sensors"].iter().for_each(|k| drop(r.as_object_mut().unwrap().remove(*k)));
    });
    let input = schema(PhysicalPoint::PoleTip, true);
    let bound = bind(json!({}), &tip, &input).unwrap();
    let out = bound.stage.run(&[table(&input, &rows[..1])], &Cx::new(&world, "t", None)).unwrap();
    assert!((out.floats("ellipsoidal_height_m").unwrap()[0] - 1500.0).abs() < 1e-12);
    assert!((out.floats("systematic_uu").unwrap()[0] - 1e-6).abs() < 1e-18);
}

#[test]
fn expired_calibration_is_said() {
    let input = schema(ARP, true);
    let expired = rig(|r| r["calibration"]["expires"] = json!("2026-05-01"));
    let bound = bind(json!({}), &expired, &input).unwrap();
    let world = world();
    // The default time of a row is 2026-05-28.
    bound.stage.run(&[table(&input, &[Row::default()])], &Cx::new(&world, "t", None)).unwrap();
    let said = world.said();
    assert_eq!(said.findings[0].code, "rig/calibration-expired");
    assert!(said.findings[0].what.contains("2026-05-28") && said.findings[0].what.contains("27 days"), "{}", said.findings[0].what);
}

#[test]
fn examples_are_valid_and_empty_is_empty() {
    let input = schema(ARP, true);
    let bound = bind(json!({}), &rig(|_| {}), &input).unwrap();
    let out = bound.stage.run(&[table(&input, &[])], &Cx::new(&world(), "t", None)).unwrap();
    assert_eq!(out.rows(), 0);
    assert_eq!(*out.schema, bound.output);
}

#[test]
#[ignore = "measures speed; run by hand with --nocapture"]
fn speed_of_the_stage() {
    let input = schema(ARP, true);
    let bound = bind(json!({}), &rig(|_| {}), &input).unwrap();
    let rows: Vec<Row> =
        (0..200_000_i32).map(|i| Row { attitude: [f64::from(i) * 0.01, 10.0, -5.0], aim: Some("laser"), ..Row::default() }).collect();
    let data = table(&input, &rows);
    let start = std::time::Instant::now();
    let out = bound.stage.run(&[data], &Cx::new(&world(), "t", None)).unwrap();
    #[allow(clippy::cast_precision_loss)]
    let ns = start.elapsed().as_nanos() as f64 / rows.len() as f64;
    eprintln!("whole stage: {ns:.0} ns per epoch, {} rows", out.rows());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn any_split_gives_the_same(cut in 0_usize..20, seeds in prop::collection::vec((0.0..360.0_f64, -60.0..60.0_f64, -60.0..60.0_f64, 0.0..40.0_f64, 0_u8..6), 20)) {
        let grid = |r: &mut Value| {
            r["sensors"]["heading"] = json!({"sentence": "XDR", "transducer": "X"});
            r["attitude"]["north"] = json!("grid");
            r["attitude"]["grid_north_crs"] = json!("EPSG:32613");
        };
        let input = schema(ARP, true);
        let bound = bind(json!({}), &rig(grid), &input).unwrap();
        let rows: Vec<Row> = seeds.iter().map(|(h, p, r, range, kind)| Row {
            place: [39.0 + h / 100.0, -105.0 - p / 60.0, 100.0 + r],
            attitude: [*h, if *kind == 5 { f64::NAN } else { *p }, *r],
            range: *range,
            aim: [Some("tip"), Some("laser"), None, Some("laser"), Some("tip"), Some("laser")][usize::from(*kind)],
            ..Row::default()
        }).collect();
        let data = table(&input, &rows);
        let run = |keep: &dyn Fn(usize) -> bool| {
            let part = data.filter(&(0..rows.len()).map(keep).collect::<Vec<_>>()).unwrap();
            bound.stage.run(&[part], &Cx::new(&world(), "t", None)).unwrap()
        };
        let whole = run(&|_| true);
        let parts = Table::stack(vec![run(&|i| i < cut), run(&|i| i >= cut)], whole.schema.clone()).unwrap();
        prop_assert!(whole.data.equals_missing(&parts.data));
    }
}
