//! `average`, its mean and its uncertainty.

use super::estimate::{Epoch, MAD_TO_SIGMA, Rules, estimate, median_and_deviation};
use super::test_rows::{Dice, Row, S, T0, at, bind, reasons, row, run, run_in, schema, table};
use crate::occupation::averaging::Average;
use pipeline_base::diag::Verdict;
use pipeline_base::table::Table;
use pipeline_core::stage::Bound;
use pipeline_core::stage::cx::Collect;
use proptest::prelude::*;
use std::path::Path;
use survey_mathematics::correlation::correlation;
use survey_mathematics::covariance::{ZERO, symmetric};
use survey_mathematics::radial::radius;

const RULES: Rules = Rules { tau_gnss_s: 115.0, tau_rest_s: None, outlier_cut: 5.0 };

fn average(options: &str, reference: Option<&str>) -> Bound<Average> {
    bind(options, &schema(false, true), None, reference, Path::new(".")).map_err(|p| format!("{p:?}")).unwrap()
}

fn reference(h: f64, v: f64, base: f64) -> String {
    format!(
        r#"{{"reference":1,"name":"r","corrections":{{"frame":"EPSG:9989","epoch":"observation","stated_by":"invented","base_sigma_horizontal_m":{base},"base_sigma_up_m":{base}}},
        "delivery":{{"crs":"EPSG:25832","heights":{{"surface":"ellipsoid","unit":"m"}}}},"budget":{{"operation_m":0.05,"horizontal_95_m":{h},"vertical_95_m":{v}}}}}"#
    )
}

fn float(t: &Table, name: &str, r: usize) -> f64 {
    t.floats(name).unwrap()[r]
}

fn epoch(time_s: f64, position: [f64; 3], g: f64, a: f64) -> Epoch {
    Epoch {
        time_s,
        position,
        gnss: symmetric(g * g, 0.0, 0.0, g * g, 0.0, 4.0 * g * g),
        rest: symmetric(a * a, 0.0, 0.0, a * a, 0.0, a * a),
        systematic: ZERO,
    }
}

/// S-OUTLIER-FLOATJUMP (10_averaging.csv): twelve heights, two wrongly fixed ones 0.38 m high.
#[test]
fn s_outlier_floatjump() {
    let h = [41.226, 41.229, 41.221, 41.231, 41.224, 41.228, 41.61, 41.222, 41.23, 41.225, 41.612, 41.227];
    let (m, deviation) = median_and_deviation(h.into_iter());
    assert!((m - 41.22750).abs() < 1e-5 && (MAD_TO_SIGMA * deviation - 0.004_448).abs() < 1e-6);
    let epochs: Vec<Epoch> = h.iter().enumerate().map(|(i, u)| epoch(i as f64, [0.0, 0.0, *u], 0.005, 0.0)).collect();
    let e = estimate(&epochs, &RULES).unwrap();
    assert_eq!(e.outlier.iter().filter(|o| !**o).count(), 10);
    assert!((e.mean[2] - 41.22630).abs() < 1e-5, "{}", e.mean[2]);
    // The arithmetic mean of all is 41.29042.
    assert!((e.shift_by_outliers - (41.29042 - 41.22630)).abs() < 2e-5);
}

/// S-WMEAN-1 (09_intersection_localisation.csv, method as in Ghilani chapter 10): weighted mean and its a priori sigma.
#[test]
fn s_wmean() {
    let list = [(1234.567, 0.004), (1234.572, 0.008), (1234.561, 0.006)];
    let epochs: Vec<Epoch> = list
        .iter()
        .enumerate()
        .map(|(i, (x, s))| Epoch {
            time_s: i as f64,
            position: [*x, 0.0, 0.0],
            gnss: symmetric(s * s - 1e-8, 0.0, 0.0, 1.0, 0.0, 1.0),
            rest: ZERO,
            systematic: ZERO,
        })
        .collect();
    let e = estimate(&epochs, &Rules { tau_gnss_s: 0.0, ..RULES }).unwrap();
    assert!((e.mean[0] - 1_234.566_164).abs() < 1e-6, "{}", e.mean[0]);
    assert!((e.gnss[0][0].sqrt() - 0.003_073).abs() < 2e-6);
}

/// S-NIST-michelso, S-NIST-lew, S-NIST-numacc1..4 (NIST StRD, certified means and standard deviations), S-ROBUST-michelso and S-ROBUST-lew
/// (medians and median absolute deviations).
#[test]
fn s_nist_univariate() {
    let shared = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/checks/data"));
    let pairs = |start: f64| [vec![start + 0.2], (0..500).flat_map(|_| [start + 0.1, start + 0.3]).collect()].concat();
    let mut cases = vec![
        (vec![10_000_001.0, 10_000_003.0, 10_000_002.0], 10_000_002.0, 1.0, 1e-13, None),
        (pairs(1.0), 1.2, 0.1, 1e-12, None),
        (pairs(1_000_000.0), 1_000_000.2, 0.1, 1e-9, None),
        (pairs(10_000_000.0), 10_000_000.2, 0.1, 1e-8, None),
    ];
    for (file, mean, sd, robust) in [
        ("nist_michelso.csv", 299.852_4, 0.079_010_547_819_051_8, [299.85, 0.045]),
        ("nist_lew.csv", -177.435, 277.332_168_044_316, [-162.0, 270.5]),
    ] {
        match std::fs::read_to_string(shared.join(file)) {
            Ok(text) => {
                let v: Vec<f64> = text.lines().filter_map(|l| l.split(',').next_back().and_then(|f| f.trim().parse().ok())).collect();
                cases.push((v, mean, sd, 1e-12, Some(robust)));
            }
            Err(_) => eprintln!("SKIPPED: {file} of the shared checks is absent"),
        }
    }
    for (values, mean, sd, tolerance, robust) in cases {
        let epochs: Vec<Epoch> = values.iter().enumerate().map(|(i, v)| epoch(i as f64, [*v, 0.0, 0.0], 1e9, 0.0)).collect();
        let e = estimate(&epochs, &RULES).unwrap();
        assert!((e.mean[0] / mean - 1.0).abs() < 1e-13, "{} {mean}", e.mean[0]);
        assert!((e.scatter[0] / sd - 1.0).abs() < tolerance, "{} {sd}", e.scatter[0]);
        if let Some(m) = robust {
            let (middle, deviation) = median_and_deviation(values.iter().copied());
            assert!((middle / m[0] - 1.0).abs() < 1e-12 && (deviation - m[1]).abs() < 1e-9);
        }
    }
}

/// Simulates occupations with GNSS noise of first order (tau 115 s) and white attitude noise, and
/// counts how often the 95 % interval or circle holds the truth.
#[allow(clippy::too_many_arguments)]
fn coverage(seed: u64, n: usize, step_s: f64, tau: f64, gnss: [f64; 3], rho_en: f64, attitude: [f64; 3], runs: usize) -> [f64; 4] {
    let mut dice = Dice(seed);
    let mut hits = [0_usize; 4];
    let c = (1.0 - rho_en * rho_en).sqrt();
    for _ in 0..runs {
        let mut g = [dice.normal(), dice.normal(), dice.normal()];
        let rho = correlation(step_s, tau);
        let epochs: Vec<Epoch> = (0..n)
            .map(|i| {
                if i > 0 {
                    g = g.map(|v| rho * v + (1.0 - rho * rho).sqrt() * dice.normal());
                }
                let a = [0, 1, 2].map(|k| attitude[k] * dice.normal());
                Epoch {
                    time_s: i as f64 * step_s,
                    position: [gnss[0] * g[0] + a[0], gnss[1] * (rho_en * g[0] + c * g[1]) + a[1], gnss[2] * g[2] + a[2]],
                    gnss: symmetric(gnss[0].powi(2), rho_en * gnss[0] * gnss[1], 0.0, gnss[1].powi(2), 0.0, gnss[2].powi(2)),
                    rest: symmetric(attitude[0].powi(2), 0.0, 0.0, attitude[1].powi(2), 0.0, attitude[2].powi(2)),
                    systematic: ZERO,
                }
            })
            .collect();
        let e = estimate(&epochs, &Rules { tau_gnss_s: tau, ..RULES }).unwrap();
        let v = |i: usize, j: usize| e.gnss[i][j] + e.rest[i][j] + e.excess[i][j];
        #[allow(clippy::needless_range_loop)]
        for k in 0..3 {
            hits[k] += usize::from(e.mean[k].abs() <= 1.959_964 * v(k, k).sqrt());
        }
        hits[3] += usize::from(e.mean[0].hypot(e.mean[1]) <= radius(0.95, v(0, 0), v(0, 1), v(1, 1)));
    }
    hits.map(|h| 100.0 * h as f64 / runs as f64)
}

#[test]
fn ninety_five_percent_means_ninety_five() {
    for (name, seed, n, step, tau, gnss, rho, attitude) in [
        ("one minute at 1 Hz", 1, 60, 1.0, 115.0, [0.010, 0.008, 0.018], 0.0, [0.015, 0.015, 0.008]),
        ("three minutes at 1 Hz", 2, 180, 1.0, 115.0, [0.010, 0.006, 0.018], 0.6, [0.010, 0.020, 0.006]),
        ("ten epochs in two seconds", 3, 10, 0.2, 115.0, [0.010, 0.010, 0.020], -0.4, [0.004, 0.004, 0.004]),
        ("twenty minutes every 5 s", 4, 240, 5.0, 115.0, [0.010, 0.010, 0.020], 0.0, [0.020, 0.020, 0.010]),
        ("attitude noise rules", 5, 30, 1.0, 115.0, [0.003, 0.003, 0.005], 0.0, [0.040, 0.040, 0.020]),
        ("network, 17 min", 6, 180, 1.0, 1020.0, [0.010, 0.010, 0.020], 0.0, [0.010, 0.010, 0.010]),
        ("no attitude noise", 7, 120, 1.0, 115.0, [0.010, 0.010, 0.020], 0.0, [0.0, 0.0, 0.0]),
    ] {
        let c = coverage(seed, n, step, tau, gnss, rho, attitude, 1000);
        eprintln!("coverage, {name}: east {:.1} north {:.1} up {:.1} radial {:.1} %", c[0], c[1], c[2], c[3]);
        for v in c {
            assert!((93.0..=97.0).contains(&v), "{name}: {c:?}");
        }
    }
}

#[test]
fn systematic_parts_and_the_base_do_not_shrink() {
    let many: Vec<Row> = (0..600).map(|k| at(row(k), [0.001 * (k as f64 * 0.7).sin(), 0.0, 0.0])).collect();
    let b = average("{}", Some(&reference(1.0, 1.0, 0.03)));
    let (out, world) = run(&b, &table(&many, false, true), "day1");
    assert_eq!((out.rows(), world.said().used), (1, 600));
    assert!((float(&out, "systematic_horizontal_m", 0) - 0.03 * 2_f64.sqrt()).abs() < 1e-12);
    assert!((float(&out, "systematic_up_m", 0) - 0.03).abs() < 1e-12);
    assert!(float(&out, "sigma_up_m", 0) > 0.03);
    assert!((float(&out, "vertical_95_m", 0) - 1.959_964 * float(&out, "sigma_up_m", 0)).abs() < 1e-8);
    assert!(float(&out, "effective_epochs", 0) < 4.0);
}

#[test]
fn scatter_above_formal_makes_the_random_part_larger() {
    let list = |amp: f64| -> Vec<Epoch> {
        (0..60).map(|i| epoch(f64::from(i), [amp * (f64::from(i) * 2.1).sin(), amp * (f64::from(i) * 1.3).cos(), 0.0], 0.01, 0.0)).collect()
    };
    let (calm, wild) = (estimate(&list(0.005), &RULES).unwrap(), estimate(&list(0.05), &RULES).unwrap());
    assert!(calm.ratio[0] < 1.0 && wild.ratio[0] > 3.0);
    assert!(calm.excess[0][0] == 0.0 && wild.gnss[0][0] == calm.gnss[0][0]);
    let whole = |e: &super::estimate::Estimate, k: usize| e.gnss[k][k] + e.rest[k][k] + e.excess[k][k];
    let grown = whole(&wild, 0) / whole(&calm, 0);
    assert!((grown / wild.ratio[0].powi(2) - 1.0).abs() < 0.05, "{grown} {:?}", wild.ratio);
    assert!((whole(&wild, 2) / whole(&calm, 2) - 1.0).abs() < 0.05, "up scattered no more");
}

#[test]
fn below_four_epochs_nothing_is_rejected() {
    let e = estimate(&[epoch(0.0, [0.0; 3], 0.01, 0.0), epoch(1.0, [0.0; 3], 0.01, 0.0), epoch(2.0, [3.0, 0.0, 0.0], 0.01, 0.0)], &RULES)
        .unwrap();
    assert!(e.outlier.iter().all(|o| !o) && (e.mean[0] - 1.0).abs() < 1e-12);
    assert!(estimate(&[], &RULES).is_none());
    let one = estimate(&[epoch(0.0, [1.0, 2.0, 3.0], 0.01, 0.0)], &RULES).unwrap();
    assert!((one.effective - 1.0).abs() < 1e-9 && one.scatter[0].is_nan());
}

/// Trap S2 and the golden value "mean of 179.9999999 and -179.9999999 is 180, not 0".
#[test]
fn mean_across_the_180th_meridian() {
    let rows: Vec<Row> = (0..6)
        .map(|k| {
            let mut r = row(k);
            r.position = [-16.8, if k % 2 == 0 { 179.999_999_9 } else { -179.999_999_9 }, 33.0];
            r
        })
        .collect();
    let b = average("{}", None);
    let (out, _) = run(&b, &table(&rows, false, true), "day1");
    let lon = float(&out, "longitude_deg", 0);
    assert!((lon.abs() - 180.0).abs() < 1e-10, "{lon}");
    assert!((float(&out, "ellipsoidal_height_m", 0) - 33.0).abs() < 1e-6 && (float(&out, "latitude_deg", 0) + 16.8).abs() < 1e-10);
}

/// Trap T18 with own numbers: 14 ranges near 1.655 m and 11 near 2.230 m.
#[test]
fn trap_t18_two_surfaces() {
    let rows: Vec<Row> = (0..25)
        .map(|k| {
            let far = [1, 3, 4, 7, 9, 12, 13, 16, 18, 20, 23].contains(&k);
            let range = if far { 2.230 } else { 1.655 } + 0.002 * ((k * 7 % 5) as f64 - 2.0);
            let mut r = at(row(0), [0.7 * range, 0.0, -0.7 * range]);
            r.time = T0 + k * S / 5;
            r.line = 400 + k;
            (r.range, r.aim, r.occupation) = (range, "laser", Some("F-22"));
            r
        })
        .collect();
    let (out, world) = run(&average("{}", None), &table(&rows, false, true), "day1");
    assert_eq!(out.rows(), 0);
    assert_eq!(reasons(&world), "two-surfaces:25");
    let said = world.said();
    let f = &said.findings[0];
    assert_eq!((f.code.as_str(), f.verdict, f.point.as_deref()), ("laser/two-surfaces", Verdict::Reshoot, Some("F-22")));
    assert!(f.what.contains("1.655 m (14 epochs") && f.what.contains("(11 epochs"), "{}", f.what);
    assert!(f.size.contains("0.57") && f.size.contains("lies on neither") && f.size.contains("ellipsoidal height"), "{}", f.size);
    assert_eq!((f.labels[0].line, f.labels[0].last_line), (Some(400), Some(426)));
    assert!(f.place.contains("14:00:00 to 14:00:04.8"), "{}", f.place);
    drop(said);
    // The same ranges with the tip on the point, or with the crew stepping back from one target, are no second surface.
    let tip: Vec<Row> = rows
        .iter()
        .cloned()
        .map(|mut r| {
            r.aim = "tip";
            r.position = row(0).position;
            r
        })
        .collect();
    assert_eq!(run(&average("{}", None), &table(&tip, false, true), "day1").0.rows(), 1);
    let stepped: Vec<Row> = rows
        .iter()
        .cloned()
        .map(|mut r| {
            r.position = row(0).position;
            r
        })
        .collect();
    assert_eq!(run(&average("{}", None), &table(&stepped, false, true), "day1").0.rows(), 1);
}

#[test]
fn two_groups_of_positions_are_not_averaged() {
    let rows: Vec<Row> = (0..40).map(|k| at(row(k), [0.001 * (k % 4) as f64, 0.0, if k < 25 { 0.0 } else { 0.38 }])).collect();
    let (out, world) = run(&average("{}", None), &table(&rows, false, true), "day1");
    assert_eq!((out.rows(), reasons(&world).as_str()), (0, "two-groups:40"));
    let said = world.said();
    assert_eq!(said.findings[0].code, "average/two-groups");
    assert!(said.findings[0].what.contains("0.380 m apart in height"), "{}", said.findings[0].what);
}

/// A jump of 0.072 m that is 0.04 m on each axis, less than the gap on every one of them.
#[test]
fn a_jump_askew_to_the_axes_is_seen() {
    let jump = |size: f64| -> Vec<Row> {
        (0..40).map(|k| at(row(k), [0, 1, 2].map(|i| 0.001 * ((k * 7 + i) % 5) as f64 + if k < 25 { 0.0 } else { size }))).collect()
    };
    let world = run(&average("{}", None), &table(&jump(0.045), false, true), "day1").1;
    assert_eq!(reasons(&world), "two-groups:40");
    assert!(world.said().findings[0].what.contains("along the line between them"), "{}", world.said().findings[0].what);
    assert_eq!(run(&average("{}", None), &table(&jump(0.015), false, true), "day1").0.rows(), 1);
}

#[test]
fn short_occupations_are_shot_again() {
    let mut rows: Vec<Row> = (0..8).map(row).collect();
    rows[3].position[2] = f64::NAN;
    let (out, world) = run(&average(r#"{"min_epochs":20,"min_span_s":30}"#, None), &table(&rows, false, true), "day1");
    assert_eq!((out.rows(), reasons(&world).as_str()), (0, "no-position:1 too-short:7"));
    let said = world.said();
    let f = &said.findings[0];
    assert_eq!((f.code.as_str(), f.verdict), ("average/too-short", Verdict::Reshoot));
    assert!(
        f.what.contains("7 epochs over 7.0 s") && f.what.contains("20 epochs") && f.what.contains("1 without a position"),
        "{}",
        f.what
    );
}

#[test]
fn budget_and_base_hold_unless_waived() {
    let mut rows: Vec<Row> = (0..30).map(row).collect();
    for r in &mut rows[20..] {
        r.base = Some("0418");
    }
    let b = average("{}", Some(&reference(0.010, 0.015, 0.0)));
    assert_eq!(b.notes.len(), 1);
    let t = table(&rows, false, true);
    let (out, world) = run(&b, &t, "day1");
    assert_eq!((out.rows(), reasons(&world).as_str()), (0, "held:30"));
    let codes: Vec<String> = world.said().findings.iter().map(|f| f.code.clone()).collect();
    assert_eq!(codes, ["average/base-changed", "average/over-budget"]);
    assert!(world.said().findings[1].what.contains("against 0.010 m"));
    let world = Collect::default();
    for code in codes {
        world.said().waivers.push((code, "P1".into(), "C. Alder: checked".into()));
    }
    let out = run_in(&b, &t, "day1", &world).unwrap();
    assert_eq!(out.rows(), 1);
    assert!(world.said().findings.iter().all(|f| f.waived.as_deref() == Some("C. Alder: checked")));
    assert_eq!(out.texts("base_station").unwrap(), [Some("0417, 0418")]);
}

#[test]
fn outliers_are_counted_and_said() {
    let rows: Vec<Row> =
        (0..60).map(|k| at(row(k), if k == 17 || k == 40 { [0.2, 0.3, 0.4] } else { [0.002 * (k as f64).sin(), 0.0, 0.0] })).collect();
    let (out, world) = run(&average("{}", None), &table(&rows, false, true), "day1");
    assert_eq!((out.ints("epochs_used").unwrap()[0], out.ints("epochs_set_aside").unwrap()[0]), (Some(58), Some(2)));
    assert_eq!(reasons(&world), "outlier:2");
    assert!(world.said().findings[0].what.starts_with("2 of 60 epochs"));
}

#[test]
fn epochs_without_sigma_and_empty_tables() {
    let mut rows: Vec<Row> = (0..5).map(row).collect();
    for r in &mut rows {
        r.sigma[1] = f64::NAN;
    }
    let b = average("{}", None);
    let (out, world) = run(&b, &table(&rows, false, true), "day1");
    assert_eq!((out.rows(), reasons(&world).as_str()), (0, "missing-sigma:5"));
    assert_eq!(world.said().findings[0].code, "average/no-sigma");
    assert_eq!(run(&b, &table(&[], false, true), "day1").0.rows(), 0);
    let no_occupation = bind::<Average>("{}", &schema(false, false), None, None, Path::new("."));
    assert!(no_occupation.err().unwrap().iter().any(|p| p.finding.fix.contains("occupations")));
}

#[test]
fn occupations_come_out_by_time_and_keep_their_notes() {
    let mut rows: Vec<Row> = (0..10).map(row).collect();
    for (k, r) in rows.iter_mut().enumerate() {
        r.occupation = Some(if k < 5 { "Z" } else { "A#2" });
    }
    let (out, _) = run(&average("{}", None), &table(&rows, false, true), "day1");
    assert_eq!(out.texts("occupation").unwrap(), [Some("Z"), Some("A#2")]);
    assert_eq!(out.texts("point").unwrap(), [Some("Z"), Some("A")]);
    assert_eq!(out.ints("line_last").unwrap(), [Some(114), Some(129)]);
    assert_eq!(out.instants("time").unwrap()[0], Some(T0 + 2 * S));
    assert_eq!(float(&out, "span_s", 1), 4.0);
    assert!((float(&out, "receiver_separation_m", 0) - 46.5).abs() < 1e-12);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    /// The order of rows does not matter, to the last bit.
    #[test]
    fn any_order_gives_the_same_bits(seed in any::<u64>(), n in 1_usize..40) {
        let mut dice = Dice(seed);
        let mut rows: Vec<Row> = (0..n as i64).map(|k| {
            let mut r = at(row(k), [0.01 * dice.normal(), 0.01 * dice.normal(), 0.02 * dice.normal()]);
            r.sigma = [0.005 + 0.01 * dice.uniform(), 0.005 + 0.01 * dice.uniform(), 0.01 + 0.02 * dice.uniform()];
            r.occupation = Some(if k % 3 == 0 { "A" } else { "B" });
            r
        }).collect();
        let b = average("{}", None);
        let first = run(&b, &table(&rows, false, true), "day1").0;
        for k in (1..rows.len()).rev() {
            rows.swap(k, (dice.uniform() * (k + 1) as f64) as usize);
        }
        let second = run(&b, &table(&rows, false, true), "day1").0;
        for c in &first.schema.columns {
            if c.holds == pipeline_base::table::schema::Holds::Float {
                let (x, y) = (first.floats(&c.name).unwrap(), second.floats(&c.name).unwrap());
                for (a, b) in x.iter().zip(y.iter()) {
                    prop_assert_eq!(a.to_bits(), b.to_bits(), "{}", c.name);
                }
            }
        }
    }

    /// No numbers panic.
    #[test]
    fn wild_numbers_do_not_panic(v in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>(), any::<f64>(), any::<f64>(), 0_i64..3), 0..20)) {
        let rows: Vec<Row> = v.iter().enumerate().map(|(k, (a, b, c, s, r, o))| {
            let mut row = row(k as i64 / 2);
            row.position = [*a, *b, *c];
            row.sigma = [s.abs(), 0.01, 0.02];
            row.range = *r;
            row.aim = "laser";
            row.occupation = Some(["A", "B", "C"][*o as usize]);
            row
        }).collect();
        let _ = run(&average("{}", None), &table(&rows, false, true), "day1");
    }

    /// A shift of all epochs shifts the mean and changes nothing else.
    #[test]
    fn the_mean_moves_with_the_data(e in -50.0..50.0_f64, u in -50.0..50.0_f64, seed in any::<u64>()) {
        let mut dice = Dice(seed);
        let a: Vec<Epoch> = (0..20).map(|k| epoch(f64::from(k), [0.01 * dice.normal(), 0.01 * dice.normal(), 0.02 * dice.normal()], 0.01, 0.005)).collect();
        let b: Vec<Epoch> = a.iter().map(|x| Epoch { position: [x.position[0] + e, x.position[1], x.position[2] + u], ..*x }).collect();
        let (x, y) = (estimate(&a, &RULES).unwrap(), estimate(&b, &RULES).unwrap());
        prop_assert!((y.mean[0] - x.mean[0] - e).abs() < 1e-9 && (y.mean[2] - x.mean[2] - u).abs() < 1e-9);
        prop_assert!((y.gnss[0][0] / x.gnss[0][0] - 1.0).abs() < 1e-6);
    }
}

/// The covariances of `tilt-correct`: GNSS part and the rest with their own correlation times, systematic part kept.
#[test]
fn covariances_of_the_target_are_used() {
    use pipeline_base::table::TableBuilder;
    use pipeline_base::table::schema::{Column, Holds, Role, Unit};
    let rows: Vec<Row> = (0..60).map(|k| at(row(k), [0.004 * ((k * 13 % 7) as f64 - 3.0), 0.0, 0.0])).collect();
    let plain = table(&rows, false, true);
    let mut wide = (*plain.schema).clone();
    let (g, a, s) = (0.008_f64.powi(2), 0.020_f64.powi(2), 0.012_f64.powi(2));
    let mut values = vec![];
    for (prefix, diagonal) in [("random", g + a), ("systematic", s), ("gnss", g)] {
        for e in ["ee", "en", "eu", "nn", "nu", "uu"] {
            if prefix == "gnss" && (e == "eu" || e == "nu") {
                continue;
            }
            let name = format!("{prefix}_{e}");
            wide.columns.push(Column::maybe(&name, Holds::Float, Unit::SquareMetre, Role::Other));
            values.push((name, if e.as_bytes()[0] == e.as_bytes()[1] { diagonal } else { 0.0 }));
        }
    }
    let mut b = TableBuilder::from_table(std::sync::Arc::new(wide.clone()), &plain);
    for (name, v) in &values {
        b.floats(name, vec![*v; 60]);
    }
    let t = b.finish().unwrap();
    let rig = |tau: &str| {
        format!(
            r#"{{"rig":1,"name":"r","receiver_output":"antenna-reference-point","gnss":{{"assumed_sigma_horizontal_m":0.02,"assumed_sigma_up_m":0.03}},
            "attitude":{{"north":"true","heading_sigma_deg":0.3,"tilt_sigma_deg":0.1,"heading_bias_sigma_deg":0.4,"tilt_bias_sigma_deg":0.1{tau}}}}}"#
        )
    };
    let run_with =
        |tau: &str| run(&bind::<Average>("{}", &wide, Some(&rig(tau)), None, Path::new(".")).map_err(|_| ()).unwrap(), &t, "day1").0;
    let times: Vec<f64> = (0..60).map(f64::from).collect();
    let n = |tau: f64| survey_mathematics::correlation::effective_epochs(&times, tau);
    // White attitude noise declared: g / n_eff(115 s) + a / 60; the systematic part as it is.
    let out = run_with(r#","correlation_time_s":0.0"#);
    assert!((float(&out, "random_up_m", 0).powi(2) - (g / n(115.0) + a / 60.0)).abs() < 1e-12);
    assert!((float(&out, "systematic_up_m", 0) - 0.012).abs() < 1e-12);
    assert!((float(&out, "formal_up_m", 0).powi(2) - (g + a)).abs() < 1e-12);
    let want = (g + a) / (g / n(115.0) + a / 60.0);
    assert!((float(&out, "effective_epochs", 0) - want).abs() < 1e-6);
    // Attitude noise of the same correlation time averages no better than GNSS.
    let out = run_with(r#","correlation_time_s":115.0"#);
    assert!((float(&out, "random_up_m", 0).powi(2) - (g + a) / n(115.0)).abs() < 1e-12);
}

/// The correlation time of the other noise is found within its bounds.
#[test]
fn the_correlation_time_of_attitude_noise_is_estimated() {
    let mut dice = Dice(11);
    for (tau, low, high) in [(0.0, 0.0, 0.8), (5.0, 3.0, 9.0), (20.0, 10.0, 45.0)] {
        let rho = correlation(1.0, tau);
        let mut a = [dice.normal(), dice.normal(), dice.normal()];
        let list: Vec<Epoch> = (0..600)
            .map(|k| {
                a = a.map(|v| rho * v + (1.0 - rho * rho).sqrt() * dice.normal());
                epoch(f64::from(k), a.map(|v| 0.02 * v), 0.003, 0.02)
            })
            .collect();
        let e = estimate(&list, &RULES).unwrap();
        assert!((low..=high).contains(&e.tau_rest_s), "{tau}: {}", e.tau_rest_s);
    }
    // Six epochs are no evidence: the GNSS time.
    let few: Vec<Epoch> = (0..6).map(|k| epoch(f64::from(k), [0.0; 3], 0.01, 0.01)).collect();
    assert_eq!(estimate(&few, &RULES).unwrap().tau_rest_s, 115.0);
}
