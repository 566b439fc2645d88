//! Repeats: evidence, test of differences, combination, votes, and the stage itself.

use super::achieved;
use super::agree::{Difference, Limits};
use super::combine::combine;
use super::compare::CompareOccupations;
use super::judge::{Check, Rules, judge};
use super::occasion::{Evidence, Occasion};
use crate::budget::{self, Budget, Contributor, Part, Parts};
use crate::occupation::averaging::Average;
use crate::occupation::local;
use crate::occupation::test_rows::{Dice, Row, S, T0, at, bind, reasons, row, run, schema, table};
use pipeline_base::diag::Verdict;
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Role;
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{Cx, Stage};
use std::path::Path;
use survey_mathematics::correlation::correlation;

const MINUTE: i64 = 60 * S;

fn limits() -> Limits {
    Limits { significance: 0.01, flat_m: [None; 2], never_below_m: 0.0 }
}

fn rules() -> Rules {
    Rules { need: vec![Evidence::TimeGap, Evidence::NewFix], min_gap_s: 1200.0, turned_deg: 120.0, limits: limits(), tau_s: 115.0 }
}

/// An occupation that begins at a minute, lasts half of one, and lies at east, north, up of a fixed place.
fn occasion(minute: i64, run: i64, enu: [f64; 3], budget: Budget) -> Occasion {
    let (latitude, longitude, height) = local::at(51.5, 7.25, 120.0).geodetic(enu);
    let first = T0 + minute * MINUTE;
    Occasion {
        point: "P".into(),
        session: "day1".into(),
        occupation: format!("P{minute}"),
        time: (first, first + 30 * S),
        position: [latitude, longitude, height],
        bases: vec!["0417".into()],
        fix_runs: Some((run, run)),
        heading: 40.0,
        budget,
        ..Occasion::default()
    }
}

fn gnss(horizontal: f64, up: f64) -> Budget {
    let mut b = Budget::default();
    b.add(Contributor::GnssNoise, &Part::new([horizontal * horizontal, 0.0, horizontal * horizontal, up * up]));
    b
}

/// S-REOCC-A (10_averaging.csv): two occupations against flat limits of 0.03 m and 0.05 m.
#[test]
fn s_reocc_a() {
    let a = occasion(0, 1, [2034.512, 7718.301, 41.226], gnss(0.01, 0.015));
    let b = occasion(30, 2, [2034.519, 7718.296, 41.241], gnss(0.01, 0.015));
    // 7.7 km from the place where the frame stands its up differs from the one at the mark: 1.2 mrad of 0.0086 m.
    let d = Difference::of(&a, &b, 115.0);
    let [h, u] = d.sizes();
    assert!((h - 0.00860).abs() < 2e-5 && (u - 0.0150).abs() < 1e-4, "{h} {u}");
    assert!(!d.too_large(&Limits { flat_m: [Some(0.03), Some(0.05)], ..limits() }));
    assert!(
        d.too_large(&Limits { flat_m: [Some(0.008), None], ..limits() })
            && d.too_large(&Limits { flat_m: [None, Some(0.014)], ..limits() })
    );
    let c = combine(&[&a, &b], 115.0).unwrap();
    let mean = local::at(51.5, 7.25, 120.0).enu(c.position[0], c.position[1], c.position[2]);
    for (got, want) in mean.iter().zip([2034.5155, 7718.2985, 41.2335]) {
        assert!((got - want).abs() < 1e-4, "{mean:?}");
    }
}

/// S-WINDOW-MODEL-20 and -45 (10_averaging.csv): two short windows 20 and 45 min apart, correlation time 17 min
/// (S-ODOLINSKI-2012): standard deviation of the mean against one window.
#[test]
fn s_window_model() {
    for (minutes, ratio) in [(20, 0.808_816), (45, 0.731_731)] {
        let (a, b) = (occasion(0, 1, [0.0; 3], gnss(0.01, 0.02)), occasion(minutes, 2, [0.0; 3], gnss(0.01, 0.02)));
        let c = combine(&[&a, &b], 1020.0).unwrap();
        assert!((c.budget.total().ee.sqrt() / 0.01 - ratio).abs() < 1e-6, "{minutes} min");
        assert!((c.budget.total().uu.sqrt() / 0.02 - ratio).abs() < 1e-6);
        assert!((c.weights[0] - 0.5).abs() < 1e-9);
    }
}

/// P04: 40 s apart on one fix is a check in name only, however well it agrees; 35 min with a new fix is a check.
#[test]
fn p04_evidence_and_not_agreement_makes_a_check() {
    let first = occasion(0, 1, [0.31, 0.0, 0.0], gnss(0.01, 0.02));
    let soon = Occasion { time: (T0 + 70 * S, T0 + 100 * S), ..occasion(0, 1, [0.31, 0.002, 0.0], gnss(0.01, 0.02)) };
    let j = judge(&[&first, &soon], &rules());
    assert_eq!(j.check, Check::InNameOnly);
    assert!(!j.pairs[0].independent && j.pairs[0].strength() == 0 && (j.pairs[0].gap_s - 40.0).abs() < 1e-9);
    // The trick of the trade: lose the fix on purpose and log again at once. The gap is missing.
    let trick = Occasion { fix_runs: Some((2, 2)), ..soon.clone() };
    assert_eq!(judge(&[&first, &trick], &rules()).check, Check::InNameOnly);
    // Long after, on the same fix.
    let same = occasion(35, 1, [0.31, 0.002, 0.0], gnss(0.01, 0.02));
    assert_eq!(judge(&[&first, &same], &rules()).check, Check::InNameOnly);
    let later = occasion(35, 4, [0.33, 0.0, 0.0], gnss(0.01, 0.02));
    assert_eq!(judge(&[&first, &later], &rules()).check, Check::Checked);
    assert_eq!(judge(&[&first], &rules()).check, Check::Unchecked);
    // Another day is another fix; a whole sidereal day later the satellites stand as before.
    let mut next = later.clone();
    next.session = "day2".into();
    let day = 86_164 * S + S / 10;
    next.time = (first.time.1 + day, first.time.1 + day + 30 * S);
    let there = |b: &Occasion| Evidence::ALL.into_iter().filter(|e| first.seen(b, *e, 1200.0, 120.0) == Some(true)).collect::<Vec<_>>();
    assert_eq!(there(&next), [Evidence::TimeGap, Evidence::NewFix]);
    next.time = (next.time.0 + 90 * MINUTE, next.time.1 + 90 * MINUTE);
    next.heading = 215.0;
    next.bases = vec!["0418".into()];
    assert_eq!(there(&next), Evidence::ALL);
    // A base that both used is no other base, and a second file soon after tells nothing of the fix.
    next.bases = vec!["0418".into(), "0417".into()];
    assert_eq!(first.seen(&next, Evidence::OtherBase, 1200.0, 120.0), Some(false));
    next.time = (first.time.1 + MINUTE, first.time.1 + 2 * MINUTE);
    assert_eq!(first.seen(&next, Evidence::NewFix, 1200.0, 120.0), None);
    // What is not known is no evidence, and is not said to be the same.
    let unknown = Occasion { fix_runs: None, bases: vec![], heading: f64::NAN, ..later };
    assert_eq!(there(&unknown), [Evidence::TimeGap, Evidence::OtherSky]);
    for e in [Evidence::NewFix, Evidence::OtherBase, Evidence::PoleTurned] {
        assert!(first.seen(&unknown, e, 1200.0, 120.0).is_none() && e.words(None).contains("not known"));
    }
}

/// S-WRONGFIX of checks/05_fault_magnitudes.csv: a wrong integer is a step of one wavelength, 0.190 m on L1. It passes every gate of an
/// epoch, agrees with itself on one fix, and stands out between two.
#[test]
fn s_wrongfix_shows_between_independent_fixes() {
    let cycle = 299_792_458.0 / 1_575.42e6;
    assert!((cycle - 0.190_3_f64).abs() < 5e-5);
    let right = occasion(0, 1, [0.0; 3], gnss(0.01, 0.02));
    let wrong = occasion(35, 4, [cycle, 0.0, 0.0], gnss(0.01, 0.02));
    let again = Occasion { time: (wrong.time.0 + MINUTE, wrong.time.1 + MINUTE), ..occasion(35, 4, [cycle, 0.001, 0.0], gnss(0.01, 0.02)) };
    assert!(judge(&[&right, &wrong], &rules()).undecided);
    let same = judge(&[&wrong, &again], &rules());
    assert!(!same.undecided && same.check == Check::InNameOnly);
}

/// Two of three from independent fixes decide; two shots on one fix are one voice.
#[test]
fn votes_count_fixes_and_not_shots() {
    let g = gnss(0.008, 0.014);
    let at = |minute, run, e: f64| occasion(minute, run, [e, 0.0, 0.0], g);
    let soon = Occasion { time: (T0 + 70 * S, T0 + 100 * S), ..at(0, 1, 0.005) };
    let (a, c, d) = (at(0, 1, 0.0), at(38, 2, 0.312), at(75, 3, 0.004));
    let j = judge(&[&a, &soon, &c], &rules());
    assert!(j.undecided && j.kept.is_empty() && j.check == Check::InNameOnly);
    let j = judge(&[&a, &soon, &c, &d], &rules());
    assert!(!j.undecided && j.kept == [0, 1, 3] && j.outvoted == [2] && j.check == Check::Checked);
    // Two against two is no majority.
    let e = at(110, 4, 0.310);
    assert!(judge(&[&a, &c, &d, &e], &rules()).undecided);
    // One good row of three, each independent, and no majority between two.
    assert!(judge(&[&a, &c], &rules()).undecided);
    assert_eq!(judge(&[&a, &d], &rules()).check, Check::Checked);
}

fn noisy(dice: &mut Dice, minute: i64, run: i64, sigma: [f64; 2], base: [f64; 3], claimed: f64) -> Occasion {
    let enu = [sigma[0] * dice.normal() + base[0], sigma[0] * dice.normal() + base[1], sigma[1] * dice.normal() + base[2]];
    let mut b = gnss(sigma[0] / claimed, sigma[1] / claimed);
    b.add(Contributor::Base, &Part::new([25e-6, 0.0, 25e-6, 64e-6]));
    occasion(minute, run, enu, b)
}

#[test]
fn good_pairs_are_seldom_accused_and_bad_ones_always() {
    let mut dice = Dice(41);
    let (mut accused, mut seen) = (0, 0);
    for _ in 0..4000 {
        let base = [0.005 * dice.normal(), 0.005 * dice.normal(), 0.008 * dice.normal()];
        let (a, b) = (noisy(&mut dice, 0, 1, [0.01, 0.018], base, 1.0), noisy(&mut dice, 40, 2, [0.012, 0.02], base, 1.0));
        accused += usize::from(Difference::of(&a, &b, 115.0).too_large(&limits()));
        // A wrong fix of two wavelengths' difference, 0.10 m.
        let mut c = noisy(&mut dice, 40, 2, [0.012, 0.02], [base[0] + 0.10, base[1], base[2]], 1.0);
        c.occupation = "wrong".into();
        seen += usize::from(Difference::of(&a, &c, 115.0).too_large(&limits()));
    }
    eprintln!("of 4000 good pairs {accused} are accused (1 % wanted), of as many with 0.10 m {seen} are seen");
    assert!((20..=65).contains(&accused) && seen > 3960, "{accused} {seen}");
}

#[test]
fn the_bound_of_a_combination_covers_the_truth() {
    let mut dice = Dice(5);
    let tau = 600.0;
    let mut hits = [0_usize; 2];
    for _ in 0..1000 {
        let base = [0.005 * dice.normal(), 0.005 * dice.normal(), 0.008 * dice.normal()];
        // Positions 8 min apart still share part of their noise.
        let rho = correlation(480.0, tau);
        let mut state = [dice.normal(), dice.normal(), dice.normal()];
        let all: Vec<Occasion> = [0_i64, 8, 16]
            .into_iter()
            .map(|minute| {
                if minute > 0 {
                    state = state.map(|v| rho * v + (1.0 - rho * rho).sqrt() * dice.normal());
                }
                let enu = [0.01 * state[0] + base[0], 0.01 * state[1] + base[1], 0.02 * state[2] + base[2]];
                let mut b = gnss(0.01, 0.02);
                b.add(Contributor::Base, &Part::new([25e-6, 0.0, 25e-6, 64e-6]));
                occasion(minute, minute, enu, b)
            })
            .collect();
        let c = combine(&all.iter().collect::<Vec<_>>(), tau).unwrap();
        let [e, n, u] = local::at(51.5, 7.25, 120.0).enu(c.position[0], c.position[1], c.position[2]);
        let [h95, u95] = c.budget.bounds_95();
        hits[0] += usize::from(e.hypot(n) <= h95);
        hits[1] += usize::from(u.abs() <= u95);
        assert!((c.budget.part(Contributor::Base).uu - 64e-6).abs() < 1e-12, "the base does not shrink");
    }
    eprintln!("coverage of three combined occupations: {hits:?} of 1000");
    assert!(hits.iter().all(|h| (930..=970).contains(h)), "{hits:?}");
}

/// P22: receivers that claim a third of their errors; 20 pairs.
#[test]
fn p22_optimism_is_learned_from_repeats() {
    let (mut inside, mut covered, mut sum) = (0, 0, 0.0);
    for seed in 0..500 {
        let mut dice = Dice(1000 + seed);
        let pairs: Vec<Difference> = (0..20)
            .map(|_| {
                let (a, b) = (noisy(&mut dice, 0, 1, [0.03, 0.05], [0.0; 3], 3.0), noisy(&mut dice, 40, 2, [0.03, 0.05], [0.0; 3], 3.0));
                Difference::of(&a, &b, 115.0)
            })
            .collect();
        let f = achieved::factor(&pairs.iter().collect::<Vec<_>>()).unwrap();
        inside += usize::from((2.5..=3.5).contains(&f.factor));
        covered += usize::from((f.interval.0..=f.interval.1).contains(&3.0));
        sum += f.factor;
    }
    eprintln!("optimism 3: mean {:.3}, {inside} of 500 between 2.5 and 3.5, interval covers {covered}", sum / 500.0);
    // 60 degrees of freedom leave 9 % of scatter: 93 % within a sixth.
    assert!(inside > 445 && (sum / 500.0 - 3.0).abs() < 0.06 && (460..=490).contains(&covered), "{inside} {covered}");
    // A wrong fix among them does not spoil it, and four pairs are too few.
    let mut dice = Dice(9);
    let mut pairs: Vec<Difference> = (0..20)
        .map(|_| {
            Difference::of(
                &noisy(&mut dice, 0, 1, [0.01, 0.02], [0.0; 3], 1.0),
                &noisy(&mut dice, 40, 2, [0.01, 0.02], [0.0; 3], 1.0),
                115.0,
            )
        })
        .collect();
    let clean = achieved::factor(&pairs.iter().collect::<Vec<_>>()).unwrap();
    pairs.push(Difference::of(&occasion(0, 1, [0.0; 3], gnss(0.01, 0.02)), &occasion(40, 2, [0.4, 0.1, 0.3], gnss(0.01, 0.02)), 115.0));
    let spoilt = achieved::factor(&pairs.iter().collect::<Vec<_>>()).unwrap();
    assert!(spoilt.left_out >= 1 && (spoilt.factor / clean.factor - 1.0).abs() < 0.1, "{clean:?} {spoilt:?}");
    assert!(achieved::factor(&pairs.iter().take(4).collect::<Vec<_>>()).is_none());
}

/// Errors of the rig are fixed to the body: from the other bank they have the other sign in plan, and the test must bear it.
#[test]
fn rig_errors_of_two_faces_are_no_disagreement() {
    let mut b = gnss(0.006, 0.010);
    b.add(Contributor::BeamDirection, &Part::new([4e-4, 0.0, 4e-4, 1e-4]));
    let mut dice = Dice(77);
    let (mut face, mut bank) = (0, 0);
    for _ in 0..2000 {
        let rig = [0.02 * dice.normal(), 0.02 * dice.normal()];
        let mut shot = |minute, run, heading: f64, sign: f64| {
            let e = [0.006 * dice.normal() + sign * rig[0], 0.006 * dice.normal() + sign * rig[1], 0.010 * dice.normal()];
            Occasion { heading, ..occasion(minute, run, e, b) }
        };
        let (a, again, other) = (shot(0, 1, 40.0, 1.0), shot(40, 2, 45.0, 1.0), shot(80, 3, 220.0, -1.0));
        face += usize::from(Difference::of(&a, &again, 115.0).too_large(&limits()));
        bank += usize::from(Difference::of(&a, &other, 115.0).too_large(&limits()));
    }
    assert!(face < 45 && bank < 45, "of 2000: {face} from one bank, {bank} from both");
    // In the mean of two faces the rig's part is smaller, in that of one face it is not.
    let (a, again, other) =
        (occasion(0, 1, [0.0; 3], b), occasion(40, 2, [0.0; 3], b), Occasion { heading: 220.0, ..occasion(80, 3, [0.0; 3], b) });
    let part = |c: &super::combine::Combined| c.budget.part(Contributor::BeamDirection).ee;
    assert!(part(&combine(&[&a, &again], 115.0).unwrap()) > 3.9e-4);
    assert!(part(&combine(&[&a, &other], 115.0).unwrap()) < 2.1e-4);
}

/// Points of `average` from bursts of 20 epochs: name of the occupation, start in minutes, run, offset.
fn points(bursts: &[(&'static str, i64, i64, [f64; 3])]) -> Table {
    let mut rows: Vec<Row> = vec![];
    for (name, minute, run, enu) in bursts {
        for k in 0..20 {
            let mut r = at(row(k), *enu);
            r.time = T0 + minute * MINUTE + k * S;
            (r.occupation, r.fix_run) = (Some(*name), Some(*run));
            if name.starts_with("W-9") {
                r.mark = Some("W-1");
            }
            rows.push(r);
        }
    }
    let b = bind::<Average>("{}", &schema(false, true), None, None, Path::new(".")).unwrap();
    run(&b, &table(&rows, false, true), "day1").0
}

fn compare(options: &str, points: &Table) -> (Table, Collect) {
    let b = bind::<CompareOccupations>(options, &points.schema, None, None, Path::new(".")).map_err(|p| format!("{p:?}")).unwrap();
    run(&b, points, "day1")
}

fn texts(t: &Table, name: &str) -> Vec<String> {
    t.texts(name).unwrap().into_iter().map(|v| v.unwrap_or("").to_owned()).collect()
}

/// Trap T12 with own numbers.
#[test]
fn trap_t12_two_close_shots_and_one_later() {
    let t = points(&[
        ("K-7", 0, 1, [0.0; 3]),
        ("K-7#2", 1, 1, [0.004, 0.005, 0.003]),
        ("K-7#3", 41, 3, [0.25, -0.12, 0.17]),
        ("K-8", 3, 1, [9.0, 0.0, 0.0]),
    ]);
    let (out, world) = compare("{}", &t);
    assert_eq!((texts(&out, "point"), reasons(&world).as_str()), (vec!["K-8".to_owned()], "repeats-disagree:3"));
    let said = world.said();
    let f = said.findings.iter().find(|f| f.code == "repeats/disagree").unwrap();
    assert_eq!((f.verdict, f.point.as_deref()), (Verdict::Reshoot, Some("K-7")));
    assert!(f.what.contains("(41 s apart in time, no loss of the fix seen between, same base"), "{}", f.what);
    assert!(
        f.what.contains("count as one") && f.size.contains("times the bound") && f.size.contains("0.277 m horizontally"),
        "{} / {}",
        f.what,
        f.size
    );
    assert!(f.fix.contains("two of three must agree") && f.fix.contains("15:01"), "{}", f.fix);
    assert_eq!(f.labels.len(), 3);
    drop(said);
    // A third fix that agrees with the first two outvotes the odd one, and a waiver keeps all.
    let t = points(&[("K-7", 0, 1, [0.0; 3]), ("K-7#2", 41, 3, [0.25, -0.12, 0.17]), ("K-7#3", 80, 5, [0.006, 0.002, -0.004])]);
    let (out, world) = compare("{}", &t);
    assert_eq!((out.rows(), reasons(&world).as_str()), (1, "outvoted:1"));
    assert_eq!((texts(&out, "check"), texts(&out, "combined_from")), (vec!["checked".to_owned()], vec!["day1/K-7, day1/K-7#3".to_owned()]));
    assert!(world.said().findings.iter().any(|f| f.code == "repeats/outvoted" && f.verdict == Verdict::Warn));
    let b = bind::<CompareOccupations>("{}", &t.schema, None, None, Path::new(".")).unwrap();
    let two = t.take(&[0, 1]).unwrap();
    let world = Collect::default();
    world.said().waivers.push(("repeats/disagree".into(), "K-7".into(), "C. Alder: seen".into()));
    let out = b.stage.run(std::slice::from_ref(&two), &Cx::new(&world, "s", None)).unwrap();
    assert_eq!((out.rows(), texts(&out, "check")[0].as_str()), (2, "checked-in-name-only"));
}

#[test]
fn what_agrees_becomes_one_row_whose_budget_adds_up() {
    let t = points(&[("V-1", 0, 1, [0.0; 3]), ("V-1#2", 45, 2, [0.008, -0.004, 0.012]), ("V-2", 3, 1, [12.0, 3.0, 0.0])]);
    let (out, world) = compare("{}", &t);
    assert_eq!(
        (texts(&out, "point"), texts(&out, "check")),
        (vec!["V-1".to_owned(), "V-2".to_owned()], vec!["checked".to_owned(), "unchecked".to_owned()])
    );
    assert_eq!((out.ints("occupations").unwrap(), out.ints("independence").unwrap()), (vec![Some(2), Some(1)], vec![Some(3), None]));
    assert_eq!((out.ints("epochs_used").unwrap()[0], out.ints("fix_run_first").unwrap()), (Some(40), vec![None, Some(1)]));
    let f = |name: &str, r: usize| out.floats(name).unwrap()[r];
    assert!(
        (f("repeat_horizontal_m", 0) - 0.008_944).abs() < 1e-5
            && (f("repeat_up_m", 0) - 0.012).abs() < 1e-5
            && f("repeat_up_m", 1).is_nan()
    );
    let frame = local::at(51.5, 7.25, 120.0);
    let [e, n, u] = frame.enu(f("latitude_deg", 0), f("longitude_deg", 0), f("ellipsoidal_height_m", 0));
    assert!((e - 0.004).abs() < 1e-5 && (n + 0.002).abs() < 1e-5 && (u - 0.006).abs() < 1e-5, "{e} {n} {u}");
    // Two of equal weight: the mean time lies halfway, the bound shrinks by the root of two.
    let time = out.instants("time").unwrap()[0].unwrap();
    assert!((time - (T0 + 22 * MINUTE + 30 * S + 9_500_000_000)).abs() < S / 100);
    assert!((f("horizontal_95_m", 0) / f("horizontal_95_m", 1) - 0.5_f64.sqrt()).abs() < 1e-3);
    let parts = Parts::read(&out).unwrap();
    for r in 0..2 {
        let whole = parts.row(r).total();
        for (name, v) in [("sigma_east_m", whole.ee), ("sigma_north_m", whole.nn), ("sigma_up_m", whole.uu)] {
            assert!((f(name, r).powi(2) / v - 1.0).abs() < 1e-12, "{name}");
        }
    }
    let after = out.instants("second_after").unwrap();
    assert_eq!((after[0], after[1]), (None, Some(T0 + 3 * MINUTE + 19 * S + 1200 * S)));
    let codes: Vec<String> = world.said().findings.iter().map(|f| f.code.clone()).collect();
    assert_eq!(codes, ["repeats/unchecked", "repeats/claimed-and-achieved"]);
    // Not combined: by option, and by code.
    let (out, world) = compare(r#"{"combine": false}"#, &t);
    assert_eq!((texts(&out, "check").join(" "), world.said().used), ("checked unchecked checked".to_owned(), 0));
    // The first row of the combination stands for the morning, its last for the afternoon of one session.
    let one = compare("{}", &t).0;
    let members = super::Members::read(&one).unwrap();
    assert!(members.occupied_in(0, "day1") && !members.occupied_in(0, "day") && !members.occupied_in(1, "day1"));
    assert_eq!((members.time_in(0, "day1"), members.time_in(0, "day2")), (Some(T0), Some(T0 + 45 * MINUTE + 19 * S)));
}

#[test]
fn marks_are_found_as_the_job_says() {
    let t = points(&[("W-1", 0, 1, [0.0; 3]), ("W-1-2", 40, 2, [0.003, 0.0, 0.0]), ("W-9", 80, 3, [0.0, 0.002, 0.0])]);
    let checks = |options: &str| texts(&compare(options, &t).0, "check").join(" ");
    assert_eq!(checks("{}"), "unchecked unchecked unchecked");
    let suffix = compare(r#"{"same_mark": "suffix", "suffixes": ["-2", "-3"]}"#, &t).0;
    assert_eq!(
        (texts(&suffix, "point"), texts(&suffix, "check").join(" ")),
        (vec!["W-1".to_owned(), "W-9".to_owned()], "checked unchecked".to_owned())
    );
    let column = compare(r#"{"same_mark": "notes-column"}"#, &t).0;
    assert_eq!(
        (texts(&column, "point"), texts(&column, "combined_from")[0].clone()),
        (vec!["W-1".to_owned(), "W-1-2".to_owned()], "day1/W-1, day1/W-9".to_owned())
    );
}

/// Trap S14 with own numbers: one name for two things 30 m apart.
#[test]
fn trap_s14_one_name_at_two_places() {
    let t = points(&[("101", 0, 1, [0.0; 3]), ("101#2", 50, 2, [24.0, 18.0, 0.1])]);
    let (out, world) = compare("{}", &t);
    assert_eq!((out.rows(), texts(&out, "check").join(" ")), (2, "unchecked unchecked".to_owned()));
    let said = world.said();
    let f = said.findings.iter().find(|f| f.code == "repeats/far-apart").unwrap();
    assert!(f.verdict == Verdict::Warn && f.size.contains("30.000 m"), "{}", f.size);
}

#[test]
fn a_job_can_ask_for_a_check() {
    let t = points(&[
        ("A", 0, 1, [0.0; 3]),
        ("B", 5, 1, [9.0, 0.0, 0.0]),
        ("B#2", 6, 1, [9.002, 0.0, 0.0]),
        ("C", 9, 1, [19.0, 0.0, 0.0]),
        ("C#2", 39, 4, [19.0, 0.004, 0.0]),
    ]);
    let (out, world) = compare(r#"{"if_unchecked": "hold"}"#, &t);
    assert_eq!((texts(&out, "point"), reasons(&world).as_str()), (vec!["C".to_owned()], "not-checked:3"));
    let said = world.said();
    let held: Vec<_> = said.findings.iter().filter(|f| f.code == "repeats/not-checked").collect();
    assert!(held.len() == 2 && held.iter().all(|f| f.verdict == Verdict::Hold && f.fix.contains("after 14:2")), "{held:#?}");
    drop(said);
    let (_, world) = compare("{}", &t);
    assert!(world.said().findings.iter().any(|f| f.code == "repeats/in-name-only" && f.point.as_deref() == Some("B")));
}

#[test]
fn wrong_places_and_options_are_refused() {
    let t = points(&[("A", 0, 1, [0.0; 3])]);
    let refused = |options: &str, schema: &pipeline_base::table::schema::Schema| -> Vec<Problem> {
        bind::<CompareOccupations>(options, schema, None, None, Path::new(".")).err().unwrap()
    };
    let mut grid = (*t.schema).clone();
    grid.columns.push(pipeline_base::table::schema::Column::maybe(
        "easting_m",
        pipeline_base::table::schema::Holds::Float,
        pipeline_base::table::schema::Unit::Metre,
        Role::Easting,
    ));
    assert_eq!(refused("{}", &grid)[0].finding.code, "plan/frame-mismatch");
    assert!(refused("{}", &schema(false, true)).iter().any(|p| p.finding.what.contains("error budget")));
    let once = compare("{}", &t).0;
    assert_eq!(refused("{}", &once.schema)[0].finding.code, "plan/column-exists");
    assert_eq!(refused(r#"{"same_mark": "suffix"}"#, &t.schema)[0].option.as_deref(), Some("same_mark"));
    assert_eq!(refused(r#"{"need": []}"#, &t.schema)[0].option.as_deref(), Some("need"));
    assert_eq!(refused(r#"{"suffixes": ["-2"]}"#, &t.schema)[0].finding.code, "job/useless-key");
    // No row, no trouble.
    let (out, world) = compare("{}", &t.take(&[]).unwrap());
    assert!(out.rows() == 0 && world.said().findings.is_empty());
    assert!(budget::columns().iter().all(|c| out.schema.named(&c.name).is_some()));
}
