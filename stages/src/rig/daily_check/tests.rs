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

/// Each session names its occupations from one: `NAIL` of the morning and `NAIL` of the evening are two shots, and the knock between them
/// is not averaged away.
#[test]
fn two_sessions_are_two_checks() {
    let folder = tempfile::tempdir().unwrap();
    let options: Options = serde_json::from_value(json!({"marks": mark(), "limit_m": 0.05})).unwrap();
    let bound = bind_with(&[input()], Some(&rig()), Path::new("."), |cx| DailyCheck::bind(options, cx)).unwrap_or_else(|p| panic!("{p:?}"));
    let one = |session: &str, azimuth: f64, hours: i64| {
        let mut rows = shots(azimuth, -45.0, &EIGHT[1..2]);
        rows.iter_mut().for_each(|r| r.time += hours * 3_600_000_000_000);
        let t = named(&rows, |_| "NAIL".into());
        let mut b = TableBuilder::from_table(t.schema.clone(), &t);
        b.text_everywhere("session", session).text_everywhere("occupation", "NAIL");
        b.finish().unwrap()
    };
    let both = Table::stack(vec![one("morning", 0.6, 0), one("evening", 2.6, 8)], Arc::new(input())).unwrap();
    let world = Collect::new(folder.path());
    let out = bound.stage.run(&[both], &Cx::new(&world, "t", None)).unwrap();
    assert_eq!(out.bools("passed").unwrap(), [Some(true), Some(false)]);
    let off: Vec<f64> =
        out.floats("off_east_m").unwrap().iter().zip(&*out.floats("off_north_m").unwrap()).map(|(e, n)| e.hypot(*n)).collect();
    assert!(off[0] < 0.01 && (off[1] - 0.15).abs() < 0.02, "{off:?}");
    let codes: Vec<String> = world.said().findings.iter().map(|f| f.code.clone()).collect();
    assert!(codes.contains(&"rig/daily-check".to_owned()) && codes.contains(&"rig/daily-check-failed".to_owned()), "{codes:?}");
}
