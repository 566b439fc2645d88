use super::chain::{Sample, Setup};
use super::list::hypotheses;
use super::rank::{Hypothesis, Outcome, rank};
use super::*;
use pipeline_base::rig::Rig;

fn setup() -> Setup {
    let text = r#"{"rig":1,"name":"x","receiver_output":"antenna-reference-point",
        "pole":{"reference_point_to_tip":{"x_m":0,"y_m":0,"z_m":2.0,"sigma_m":0.001}},
        "gnss":{"assumed_sigma_horizontal_m":0.01,"assumed_sigma_up_m":0.02}}"#;
    let rig: Rig = serde_json::from_str(text).unwrap();
    Setup::of(&rig, 0.0)
}

fn sample(pitch_deg: f64) -> Sample {
    Sample { heading_deg: 0.0, pitch_deg, roll_deg: 0.0, range_m: f64::NAN }
}

fn shot(mark: usize, grid_m: [f64; 2], residual_m: [f64; 3]) -> Shot {
    Shot {
        point: format!("M{mark}"),
        mark,
        session: 0,
        residual_m,
        sigma_m: [0.01, 0.01, 0.015],
        correlation: 0.0,
        mark_sigma_m: [0.004, 0.005],
        grid_m,
        convergence_deg: 0.0,
        scale: 1.0,
        height_m: 12.0,
        ellipsoidal_m: -20.0,
        separation_m: -32.0,
        receiver_separation_m: -33.1,
        aim: Aim::Tip,
        samples: vec![sample(0.0)],
    }
}

fn list(shots: &[Shot]) -> Vec<Hypothesis> {
    hypotheses(shots, &Facts { setup: Some(setup()), vertical_datum: true, ..Facts::default() })
}

fn constant<'a>(list: &'a [Hypothesis], id: &str) -> &'a [[f64; 3]] {
    &list.iter().find(|h| h.id == id).unwrap().constant
}

#[test]
fn sizes_of_blunders() {
    const FT: f64 = 0.3048;
    // S-FOOT-SPCS of checks/05_fault_magnitudes.csv: N = 2,000,000 ft and E = 6,000,000 ft shift by 4 and 12 ft.
    let shots = [shot(0, [6e6 * FT, 2e6 * FT], [0.0; 3]), shot(1, [6e6 * FT, 2e6 * FT], [0.0; 3])];
    let all = list(&shots);
    let foot = constant(&all, "foot-survey")[0];
    assert!((foot[0] / FT - 12.0).abs() < 0.01 && (foot[1] / FT - 4.0).abs() < 0.01, "{foot:?}");
    assert!((constant(&all, "foot-international")[0][0] + foot[0]).abs() < 1e-9);
    // S-HI-TWICE: -2.000 m in height and nothing in plan.
    let twice = constant(&all, "pole-twice")[0];
    assert!((twice[2] + 2.0).abs() < 1e-12 && twice[0].hypot(twice[1]) < 1e-12);
    // S-ARP-PCO: 0.0886 m of phase centre act upward.
    let antenna = all.iter().find(|h| h.id == "antenna-offset").unwrap();
    assert!((0.0886 * antenna.columns[0][0][2] - 0.0886).abs() < 1e-12);
    assert!((constant(&all, "geoid-omitted")[0][2] + 32.0).abs() < 1e-12 && (constant(&all, "receiver-geoid")[0][2] - 1.1).abs() < 1e-9);
}

#[test]
fn a_lean_that_is_not_seen() {
    // S-POLE-LEVEL-10MIN, S-POLE-1DEG and S-POLE-5DEG of checks/05_fault_magnitudes.csv, mm.
    let plumb = setup().offset(Aim::Tip, &[sample(0.0)]).unwrap();
    for (tilt, flat, up) in [(1.0 / 6.0, 5.82, 0.01), (1.0, 34.90, 0.30), (5.0, 174.31, 7.61)] {
        let leaned = setup().offset(Aim::Tip, &[sample(tilt)]).unwrap();
        assert!((1000.0 * (leaned[0] - plumb[0]).hypot(leaned[1] - plumb[1]) - flat).abs() < 0.01, "{leaned:?}");
        assert!((1000.0 * (leaned[2] - plumb[2]) - up).abs() < 0.01, "{leaned:?}");
    }
    // S-RPY-1 of checks/09: the same chain with all three angles.
    let [e, n, u] = setup().offset(Aim::Tip, &[Sample { heading_deg: 127.4, pitch_deg: -3.1, roll_deg: 4.2, range_m: f64::NAN }]).unwrap();
    assert!((n - 0.181_879).abs() < 1e-6 && (e - 0.003_275).abs() < 1e-6 && (u + 1.991_710).abs() < 1e-6);
}

#[test]
fn what_cannot_be_told_apart_is_named_together() {
    // Plumb poles on every mark: a longer pole, an antenna offset and a shifted geoid are the same 0.1 m.
    let at = |k: usize| [40.0 * k as f64, 30.0 * ((k * k) % 5) as f64];
    let shots: Vec<Shot> = (0..5).map(|k| shot(k, at(k), [0.004, -0.003, 0.1 + 0.002 * k as f64])).collect();
    let all = list(&shots);
    let ranking = rank(&shots, &all, &Facts::default());
    assert_eq!(ranking.outcome, Outcome::Found);
    let names: Vec<&str> = ranking.ranked.iter().take(ranking.alike).map(|e| all[e.causes[0]].id.as_str()).collect();
    for id in ["pole-length", "antenna-offset", "geoid-model"] {
        assert!(names.contains(&id), "{names:?}");
    }
    let one = rank(&shots[..1], &list(&shots[..1]), &Facts::default());
    assert_eq!(one.outcome, Outcome::NotTold);
    // Noise alone.
    let quiet: Vec<Shot> = (0..5).map(|k| shot(k, at(k), [0.004, -0.006, 0.01])).collect();
    assert_eq!(rank(&quiet, &list(&quiet), &Facts::default()).outcome, Outcome::Clean);
}

#[test]
fn s8_control_in_an_older_realisation_is_a_known_shift() {
    use super::places::{Frames, Spot};
    use pipeline_base::table::schema::Epoch;
    // Alice Springs; S-EPOCH-AU of checks/05_fault_magnitudes.csv: GDA94 to GDA2020 is 1.743 m there.
    let (latitude_deg, longitude_deg) = (-23.670_124, 133.885_513);
    let locality = crate::fixture::place(latitude_deg, longitude_deg, 600.0, Some(2026.2));
    let spot = |k: usize| Spot { latitude_deg: latitude_deg + 1e-3 * k as f64, longitude_deg, height_m: 600.0, year: 2026.2 };
    let spots: Vec<Spot> = (0..5).map(spot).collect();
    let frames = Frames { from: "EPSG:7912", from_epoch: Epoch::EachObservation, to: "EPSG:7843", locality, folders: &[] };
    let others = frames.others(&frames.own().unwrap(), &spots);
    let old = others.iter().find(|o| o.id == "control-frame-EPSG:4939").unwrap();
    let [e, n, _] = old.enu_m[0];
    assert!((e.hypot(n) - 1.743).abs() < 0.005, "{e} {n}");
    let shots: Vec<Shot> = (0..5)
        .map(|k| {
            let d = old.enu_m[k];
            shot(k, [1e5 + 40.0 * k as f64, 7e6 + 111.0 * k as f64], [d[0] + 0.004, d[1] - 0.006, d[2] + 0.008])
        })
        .collect();
    let facts = Facts { setup: Some(setup()), vertical_datum: true, frames: others, ..Facts::default() };
    let all = hypotheses(&shots, &facts);
    let ranking = rank(&shots, &all, &facts);
    let names: Vec<&str> = ranking.ranked.iter().take(ranking.alike).map(|e| all[e.causes[0]].id.as_str()).collect();
    assert_eq!(ranking.outcome, Outcome::Found);
    assert!(names.contains(&"control-frame-EPSG:4939"), "{names:?}");
}
