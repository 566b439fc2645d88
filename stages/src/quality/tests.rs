//! `quality-gate`.

use super::gate::QualityGate;
use super::predicate::Predicate;
use super::reason::tilt_deg;
use crate::occupation::test_rows::{Dice, Row, S, T0, at, bind, reasons, row, run, run_in, schema, table};
use pipeline_base::diag::Verdict;
use pipeline_core::stage::Bound;
use pipeline_core::stage::cx::Collect;
use proptest::prelude::*;
use std::path::Path;

fn gate(options: &str, with_occupation: bool) -> Bound<QualityGate> {
    bind(options, &schema(false, with_occupation), None, None, Path::new(".")).map_err(|p| format!("{p:?}")).unwrap()
}

fn refused(options: &str, change: impl Fn(usize, &mut Row)) -> String {
    let rows: Vec<Row> = (0..10)
        .map(|k| {
            let mut r = row(k);
            change(k as usize, &mut r);
            r
        })
        .collect();
    let (_, world) = run(&gate(options, false), &table(&rows, false, false), "d");
    reasons(&world)
}

#[test]
fn every_limit_has_its_reason_and_the_first_one_counts() {
    assert_eq!(refused(r#"{"fix":["rtk-fixed"]}"#, |_, _| ()), "");
    assert_eq!(
        refused(r#"{"fix":["rtk-fixed"]}"#, |k, r| match k {
            0 => r.fix = "none",
            // S-FLOAT of checks/05_fault_magnitudes.csv: quality 5 is off by 0.1 to 1 m.
            1 => r.fix = "rtk-float",
            2 => r.fix = "unknown",
            3 => r.position[2] = f64::NAN,
            4 => r.fix = "something new",
            5 => r.fix = "a text too long for one view",
            _ => (),
        }),
        "no-fix:1 no-position:1 fix-rtk-float:1 fix-unknown:3"
    );
    let all = r#"{"fix":["rtk-fixed"],"max_correction_age_s":5,"max_pdop":3,"max_hdop":2,"min_satellites":7,"max_sigma_horizontal_m":0.03,"max_sigma_up_m":0.05,"max_tilt_deg":20,"base_station":["0417"],"where":"satellites < 30"}"#;
    assert_eq!(
        refused(all, |k, r| match k {
            0 => (r.age, r.pdop) = (5.1, 9.0),
            1 => r.pdop = 3.01,
            2 => r.satellites = Some(6),
            3 => r.sigma = [0.025, 0.025, 0.01],
            4 => r.sigma[2] = 0.051,
            5 => r.attitude = [0.0, 15.0, 15.0],
            6 => r.base = Some("0418"),
            7 => r.satellites = Some(30),
            8 => (r.age, r.pdop, r.satellites, r.attitude) = (5.0, 3.0, Some(7), [0.0, 20.0, 0.0]),
            _ => (),
        }),
        "old-corrections:1 high-pdop:1 few-satellites:1 large-sigma:2 large-tilt:1 other-base:1 where:1"
    );
    let missing = |k: usize, r: &mut Row| match k {
        0 => r.age = f64::NAN,
        1 => r.pdop = f64::NAN,
        2 => r.satellites = None,
        3 => r.sigma[0] = f64::NAN,
        4 => r.attitude[1] = f64::NAN,
        5 => r.base = None,
        _ => (),
    };
    assert_eq!(
        refused(all, missing),
        "missing-correction-age:1 missing-pdop:1 missing-satellites:1 missing-sigma:1 missing-tilt:1 missing-base-station:1"
    );
    assert_eq!(refused(&all.replace("\"where\":\"satellites < 30\"", "\"missing\":\"keep\""), missing), "");
}

#[test]
fn tilt_is_the_angle_from_plumb() {
    assert!((tilt_deg(0.0, 0.0)).abs() < 1e-12);
    assert!((tilt_deg(30.0, 0.0) - 30.0).abs() < 1e-12 && (tilt_deg(0.0, -45.0) - 45.0).abs() < 1e-12);
    assert!((tilt_deg(20.0, 35.0) - (20_f64.to_radians().cos() * 35_f64.to_radians().cos()).acos().to_degrees()).abs() < 1e-12);
}

#[test]
fn settling_jumps_and_turns() {
    // Float from 3 to 5: three seconds from the start and from 6 on are not settled.
    assert_eq!(
        refused(r#"{"fix":["rtk-fixed"],"settle_s":2}"#, |k, r| {
            if (3..=5).contains(&k) {
                r.fix = "rtk-float";
            }
        }),
        "fix-rtk-float:3 settling:4"
    );
    assert_eq!(
        refused(r#"{"fix":["rtk-fixed"],"settle_s":2,"gap_s":5}"#, |k, r| {
            if k > 4 {
                r.time += 6 * S;
            }
            if k > 7 {
                r.base = Some("0418");
            }
        }),
        "settling:6"
    );
    assert_eq!(
        refused(r#"{"fix":["rtk-fixed"],"max_jump_m":0.1,"jump_window_s":3}"#, |k, r| {
            if k == 4 {
                *r = at(r.clone(), [0.2, 0.0, 0.0]);
            }
        }),
        "position-jump:1"
    );
    // A true move is taken once the window holds no kept epoch: 5 and 6 and 7 refused, 8 kept.
    assert_eq!(
        refused(r#"{"fix":["rtk-fixed"],"max_jump_m":0.1,"jump_window_s":3}"#, |k, r| {
            if k > 4 {
                *r = at(r.clone(), [0.0, 5.0, 0.0]);
            }
        }),
        "position-jump:3"
    );
    assert_eq!(
        refused(r#"{"fix":["rtk-fixed"],"max_turn_rate_deg_s":30}"#, |k, r| {
            r.attitude[0] = if k < 5 { 350.0 } else { 25.0 };
        }),
        "fast-turn:1"
    );
}

#[test]
fn options_are_checked_when_planned() {
    for (options, word) in [
        (r#"{"fix":[]}"#, "no fix kind"),
        (r#"{"fix":["unknown"]}"#, "cannot be an allowed"),
        (r#"{"fix":["none"]}"#, "cannot be an allowed"),
        (r#"{"fix":["rtk-fix"]}"#, "not a fix kind"),
        (r#"{"fix":["rtk-fixed"],"max_pdop":-1}"#, "max_pdop"),
        (r#"{"fix":["rtk-fixed"],"max_jump_m":1}"#, "jump_window_s"),
        (r#"{"fix":["rtk-fixed"],"base_station":[]}"#, "base_station"),
        (r#"{"fix":["rtk-fixed"],"where":"pdopp < 3"}"#, "pdopp"),
    ] {
        let p = bind::<QualityGate>(options, &schema(false, false), None, None, Path::new(".")).err().unwrap();
        assert!(p.iter().any(|p| p.finding.what.contains(word)), "{options} {p:?}");
    }
    let mut few = schema(false, false);
    few.columns.retain(|c| c.name != "pdop");
    let p = bind::<QualityGate>(r#"{"fix":["rtk-fixed"],"max_pdop":3}"#, &few, None, None, Path::new(".")).err().unwrap();
    assert_eq!(p[0].option.as_deref(), Some("max_pdop"));
    let p = bind::<QualityGate>(r#"{"fix":["rtk-fixed"],"where":"satelites > 3"}"#, &schema(false, false), None, None, Path::new("."))
        .err()
        .unwrap();
    assert_eq!((p[0].option.as_deref(), p[0].finding.fix.as_str()), (Some("where"), "did you mean `satellites`?"));
    assert_eq!(gate(r#"{"fix":["rtk-fixed"],"settle_s":5}"#, true).notes.len(), 1);
}

#[test]
fn conditions_look_at_one_row() {
    let s = schema(false, false);
    let t = table(
        &(0..6)
            .map(|k| {
                let mut r = row(k);
                r.pdop = if k == 5 { f64::NAN } else { k as f64 };
                r
            })
            .collect::<Vec<_>>(),
        false,
        false,
    );
    for (text, want) in [
        ("pdop < 3", vec![true, true, true, false, false, false]),
        ("pdop BETWEEN 1 AND 2 OR pdop IS NULL", vec![false, true, true, false, false, true]),
        ("NOT (pdop < 3) AND fix = 'rtk-fixed'", vec![false, false, false, true, true, false]),
        ("base_station IN ('0417','9') AND abs(pdop - 2) <= 1", vec![false, true, true, true, false, false]),
        ("fix LIKE 'rtk%' AND pdop * 2 >= 4", vec![false, false, true, true, true, false]),
        ("CASE WHEN pdop > 3 THEN satellites > 99 ELSE TRUE END", vec![true, true, true, true, false, true]),
        (
            "sqrt(sigma_east_m * sigma_east_m + sigma_north_m * sigma_north_m) < 0.02 AND pdop <> 0",
            vec![false, true, true, true, true, false],
        ),
    ] {
        let p = Predicate::bind(text, &s).map_err(|p| format!("{text}: {}", p.finding.what)).unwrap();
        assert_eq!(p.test(&t).unwrap(), want, "{text}");
    }
    for text in [
        "",
        "pdop",
        "pdop + 1",
        "pdop <",
        "pdop < 3; DROP TABLE x",
        "max(pdop) < 3",
        "pdop < avg(pdop)",
        "count(*) > 3",
        "true",
        "1 < 2",
        "pdop < (SELECT 3)",
        "pdop IN (SELECT pdop FROM self)",
        "EXISTS (SELECT 1)",
        "row_number() OVER (ORDER BY pdop) < 3",
        "lag(pdop) < 3",
        "sum(pdop) OVER (PARTITION BY fix) > 1",
        "*",
        "pdop < 3 AS good",
        "first(pdop) = 1",
        "unnest(pdop) > 3",
        "pdop < 'x' || 3",
        "fix LIKE 5",
        "(((((",
        "pdop < ?",
        "stddev(pdop) < 1",
        "pdop < nowhere.x",
        "explode(pdop) = 1",
        "pdop = ANY(SELECT 1)",
        "corr(pdop, hdop) > 0",
        "COLUMNS('x') > 3",
    ] {
        assert!(Predicate::bind(text, &s).is_err(), "{text}");
    }
    let deep = format!("{}pdop < 3{}", "(".repeat(1500), ")".repeat(1500));
    assert!(Predicate::bind(&deep, &s).is_err());
    let long = vec!["pdop < 3"; 300].join(" AND ");
    let _ = Predicate::bind(&long, &s);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn no_condition_panics(text in "(pdop|fix|AND|OR|NOT|<|=|\\(|\\)|'a'|[0-9]|IN|LIKE|IS NULL|BETWEEN|,|CASE|WHEN|END|-| ){0,14}") {
        let s = schema(false, false);
        if let Ok(p) = Predicate::bind(&text, &s) {
            let _ = p.test(&table(&[row(0), row(1)], false, false));
        }
    }

    /// Kept and refused are a partition, and the gate twice is the gate once (without tests that look back).
    #[test]
    fn gate_is_idempotent(seed in any::<u64>(), n in 0_usize..60) {
        let mut dice = Dice(seed);
        let rows: Vec<Row> = (0..n as i64).map(|k| {
            let mut r = row(k);
            r.fix = ["rtk-fixed", "rtk-fixed", "rtk-float", "none", "unknown"][(dice.uniform() * 5.0) as usize];
            r.pdop = if dice.uniform() < 0.1 { f64::NAN } else { 5.0 * dice.uniform() };
            r.satellites = (dice.uniform() > 0.1).then(|| (dice.uniform() * 20.0) as i64);
            r
        }).collect();
        let b = gate(r#"{"fix":["rtk-fixed"],"max_pdop":3,"min_satellites":6,"max_tilt_deg":30}"#, false);
        let (once, _) = run(&b, &table(&rows, false, false), "d");
        let (twice, world) = run(&b, &once, "d");
        prop_assert_eq!(twice.rows(), once.rows());
        prop_assert!(world.said().set_aside.is_empty());
    }
}

/// Trap T13 with own numbers: 72 epochs, 47 fixed, 16 float, 9 with quality 9.
fn t13() -> Vec<Row> {
    (0..72)
        .map(|k| {
            let wiggle = 0.006 * ((k as f64 * 1.7).sin());
            let mut r = at(row(k), [wiggle, -wiggle, 2.0 * wiggle]);
            r.line = 8112 + k;
            r.occupation = Some("V-31");
            if k % 9 < 2 {
                r = at(r, [0.9, 0.3, -0.4]);
                (r.fix, r.quality) = ("rtk-float", 5);
            } else if k % 8 == 7 {
                r = at(r, [1.5, 0.2, 0.6]);
                (r.fix, r.quality) = ("unknown", 9);
            }
            r
        })
        .collect()
}

#[test]
fn trap_t13_float_and_unknown_codes() {
    let rows = t13();
    let (fixed, float, unknown) = rows.iter().fold((0, 0, 0), |c, r| match r.fix {
        "rtk-fixed" => (c.0 + 1, c.1, c.2),
        "rtk-float" => (c.0, c.1 + 1, c.2),
        _ => (c.0, c.1, c.2 + 1),
    });
    let b = gate(r#"{"fix":["rtk-fixed"],"hold_if_kept_span_below_s":90}"#, true);
    let t = table(&rows, false, true);
    let (out, world) = run(&b, &t, "d");
    assert_eq!(out.rows(), 0);
    assert_eq!(reasons(&world), format!("fix-rtk-float:{float} fix-unknown:{unknown} held:{fixed}"));
    let f = world.said().findings[0].clone();
    assert_eq!((f.code.as_str(), f.verdict, f.point.as_deref()), ("gate/not-all-fixed", Verdict::Hold, Some("V-31")));
    assert!(f.what.contains(&format!("{} of 72 epochs are not fixed RTK", float + unknown)), "{}", f.what);
    assert!(
        f.what.contains(&format!("{float} rtk-float (quality 5)"))
            && f.what.contains(&format!("{unknown} unknown (quality 9, not in NMEA 0183")),
        "{}",
        f.what
    );
    // The plain mean of all differs by the shares times the shifts.
    let shift = |k: usize, a: f64, c: f64| k as f64 / 72.0 * a + c;
    let (e, n, u) = (
        shift(float, 0.9, 0.0) + shift(unknown, 1.5, 0.0),
        shift(float, 0.3, 0.0) + shift(unknown, 0.2, 0.0),
        shift(float, -0.4, 0.0) + shift(unknown, 0.6, 0.0),
    );
    let said: f64 = f.size.split("differ by ").nth(1).and_then(|t| t.split(' ').next()).and_then(|t| t.parse().ok()).unwrap();
    assert!((said - (e * e + n * n + u * u).sqrt()).abs() < 0.005, "{} {said}", f.size);
    assert_eq!((f.labels[0].line, f.labels[0].last_line), (Some(8112), Some(8185)));
    assert!(f.fix.contains("less than the 90 s of `hold_if_kept_span_below_s`"), "{}", f.fix);
    let world = Collect::default();
    world.said().waivers.push(("gate/not-all-fixed".into(), "V-31".into(), "C. Alder: control agrees".into()));
    assert_eq!(run_in(&b, &t, "d", &world).unwrap().rows(), fixed);
    assert_eq!(world.said().findings[0].waived.as_deref(), Some("C. Alder: control agrees"));
}

#[test]
fn a_small_share_warns_and_nothing_left_is_shot_again() {
    let mut rows: Vec<Row> = (0..40).map(row).collect();
    (rows[3].fix, rows[3].quality) = ("rtk-float", 5);
    for r in &mut rows[30..] {
        (r.occupation, r.pdop) = (Some("P2"), 9.0);
    }
    let (out, world) = run(&gate(r#"{"fix":["rtk-fixed"],"max_pdop":3}"#, true), &table(&rows, false, true), "d");
    assert_eq!(out.rows(), 29);
    let said = world.said();
    assert_eq!((said.findings[0].code.as_str(), said.findings[0].verdict), ("gate/not-all-fixed", Verdict::Warn));
    assert_eq!((said.findings[1].code.as_str(), said.findings[1].verdict), ("gate/nothing-left", Verdict::Reshoot));
    assert!(said.findings[1].what.contains("10 high-pdop"));
    let facts = &said.facts;
    assert_eq!(facts.iter().find(|f| f.0 == "kept").unwrap().1, 29);
    assert_eq!(facts.iter().find(|f| f.0 == "refused").unwrap().1, serde_json::json!({"fix-rtk-float": 1, "high-pdop": 10}));
}

/// Time per epoch of a typical gate; printed, and bounded loosely because the machine is shared.
#[test]
fn nanoseconds_per_epoch() {
    let n = 1_000_000_i64;
    let rows: Vec<Row> = (0..n)
        .map(|k| {
            let mut r = row(k);
            r.time = T0 + k * S / 5;
            if k % 20 < 2 {
                r.fix = "rtk-float";
            }
            if k % 50 == 7 {
                r.pdop = 4.0;
            }
            r
        })
        .collect();
    let t = table(&rows, false, false);
    drop(rows);
    for (name, options) in [
        (
            "typical",
            r#"{"fix":["rtk-fixed"],"max_correction_age_s":5,"max_pdop":3,"min_satellites":7,"max_sigma_horizontal_m":0.03,"max_tilt_deg":30}"#,
        ),
        ("with where", r#"{"fix":["rtk-fixed"],"max_pdop":3,"where":"hdop < 2 AND satellites >= 7"}"#),
        ("with settling and jumps", r#"{"fix":["rtk-fixed"],"settle_s":5,"max_jump_m":0.5,"jump_window_s":2}"#),
    ] {
        let b = gate(options, false);
        let best = (0..3)
            .map(|_| {
                let started = std::time::Instant::now();
                let _ = run(&b, &t, "d");
                started.elapsed().as_nanos() as f64 / n as f64
            })
            .fold(f64::INFINITY, f64::min);
        eprintln!("quality-gate, {name}: {best:.0} ns per epoch");
        assert!(best < 2000.0);
    }
}
