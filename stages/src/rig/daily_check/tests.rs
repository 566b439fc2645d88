use super::*;
use crate::rig::calibrate_rig::tests::{EIGHT, input, mark, named, rig, shots};
use crate::rig::testing::bind_with;
use pipeline_core::stage::cx::Collect;
use serde_json::json;
use std::path::Path;

fn run(azimuth: f64, limit: f64, points: impl Fn(usize) -> String) -> (Collect, Result<Table, Problem>) {
    let folder = tempfile::tempdir().unwrap().keep();
    let options: Options = serde_json::from_value(json!({"marks": mark(), "limit_m": limit})).unwrap();
    let bound = bind_with(&[input()], Some(&rig()), Path::new("."), |cx| DailyCheck::bind(options, cx)).unwrap_or_else(|p| panic!("{p:?}"));
    let world = Collect::new(&folder);
    let out = bound.stage.run(&[named(&shots(azimuth, -45.0, &EIGHT[1..3]), points)], &Cx::new(&world, "t", None));
    let _ = std::fs::remove_dir_all(&folder);
    (world, out)
}

#[test]
fn a_good_rig_passes_and_a_knocked_one_stops() {
    let (world, out) = run(0.6, 0.1, |_| "NAIL".into());
    assert_eq!(out.unwrap().rows(), 2);
    assert!(world.said().findings.iter().all(|f| f.code == "rig/daily-check"), "{:#?}", world.said().findings);
    // Turned by 2 deg of azimuth: 1.4 deg across the beam, 0.15 m at 6 m.
    let (world, _) = run(2.6, 0.05, |_| "NAIL".into());
    let said = world.said();
    let found = said.findings.iter().find(|f| f.code == "rig/daily-check-failed").unwrap();
    assert_eq!(found.verdict, Verdict::Block);
    assert!(found.why.contains("sideways") && found.size.contains("deg"), "{found:?}");
    let degrees: f64 = found.size.split("sideways (").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    assert!((degrees + 1.41).abs() < 0.05, "{degrees}");
}

#[test]
fn nothing_to_check_stops_and_a_blunt_check_warns() {
    let (world, out) = run(0.6, 0.05, |_| "C-01".into());
    assert_eq!(out.err().unwrap().finding.code, "rig/daily-check-missing");
    let aside: Vec<(String, usize)> = world.said().set_aside.iter().map(|s| (s.1.clone(), s.3.rows())).collect();
    assert_eq!(aside, [("not-a-check-shot".to_owned(), 40)]);
    let (world, _) = run(0.6, 0.01, |_| "NAIL".into());
    assert!(world.said().findings.iter().any(|f| f.code == "rig/daily-check-blunt"));
    let options: Options = serde_json::from_value(json!({"marks": []})).unwrap();
    let problems = bind_with(&[input()], Some(&rig()), Path::new("."), |cx| DailyCheck::bind(options, cx)).err().unwrap();
    assert_eq!(problems[0].finding.code, "job/bad-value");
}
