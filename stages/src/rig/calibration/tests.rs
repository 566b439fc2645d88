use super::geometry::{proposals, resting_on_the_rig, undetermined};
use super::looks::{attitudes, enu_rows, times};
use super::*;
use crate::rig::ledger::Aim;
use crate::rig::testing::Dice;
use survey_mathematics::rotation::Rotation;

const TAU_S: f64 = 115.0;
const CHAIN: Chain = Chain { head: [0.0; 3], azimuth_deg: 0.6, elevation_deg: -45.0 };
const LEVER: [f64; 3] = [0.062, -0.018, 0.745];
const POLE: [f64; 3] = [0.0, 0.0, 2.0];
const ZERO: f64 = 0.0125;

/// Heading, pitch, roll, range and time of each look.
type Poses = Vec<(f64, f64, f64, f64, f64)>;

/// Eight attitudes: all four sides, leaned to all four sides by 35 deg, near and far.
fn eight() -> Poses {
    let leans = [(35.0, 0.0), (-35.0, 0.0), (0.0, 35.0), (0.0, -35.0), (25.0, 25.0), (-25.0, -25.0), (25.0, -25.0), (-25.0, 25.0)];
    let ranges = [2.5, 6.0, 5.5, 3.0, 6.5, 5.0, 6.0, 4.0];
    (0..8_i32)
        .map(|k| (f64::from(k * 95 % 360), leans[k as usize].0, leans[k as usize].1, ranges[k as usize], f64::from(k) * 90.0))
        .collect()
}

/// What is true.
struct Truth {
    side: f64,
    up: f64,
    lever: [f64; 3],
    zero: f64,
    heading: f64,
    pole: [f64; 3],
    mark: [f64; 3],
}

impl Truth {
    fn nominal() -> Self {
        Self { side: 0.0, up: 0.0, lever: LEVER, zero: ZERO, heading: 0.0, pole: POLE, mark: [1.0, -2.0, 0.3] }
    }
}

/// Noise of a mean over a look: GNSS east and north, GNSS up, heading, tilt, range, aiming.
struct Noise {
    gnss: f64,
    gnss_up: f64,
    heading: f64,
    tilt: f64,
    range: f64,
    aim: f64,
}
/// Some minutes at each attitude, close to the base.
const NOISE: Noise = Noise { gnss: 0.003, gnss_up: 0.005, heading: 0.03, tilt: 0.015, range: 0.0005, aim: 0.001 };

/// Looks as the instruments would see them. GNSS noise is a Gauss-Markov process in time.
fn looks(truth: &Truth, poses: &Poses, aim: Aim, noise: &Noise, dice: &mut Dice) -> Vec<Look> {
    let mut gnss: Option<([f64; 3], f64)> = None;
    poses
        .iter()
        .enumerate()
        .map(|(k, (h, p, r, range, time))| {
            let fresh = [0; 3].map(|_| dice.normal());
            let now = gnss.map_or(fresh, |(before, t)| {
                let rho = survey_mathematics::correlation::correlation(time - t, TAU_S);
                [0, 1, 2].map(|i| rho * before[i] + (1.0 - rho * rho).sqrt() * fresh[i])
            });
            gnss = Some((now, *time));
            // The true attitude is the read one plus the bias minus its noise.
            let (nh, np, nr) = (noise.heading * dice.normal(), noise.tilt * dice.normal(), noise.tilt * dice.normal());
            let real = enu_rows(&Rotation::new(h + truth.heading - nh, p - np, r - nr));
            let laser = aim == Aim::Laser;
            let mut body = if laser { truth.lever } else { truth.pole };
            if laser {
                let [beam, ..] = CHAIN.beam(truth.side, truth.up);
                for i in 0..3 {
                    body[i] += (range + truth.zero) * beam[i];
                }
            }
            let arm = times(&real, body);
            let sigma = [noise.gnss, noise.gnss, noise.gnss_up];
            let antenna = [0, 1, 2].map(|i| truth.mark[i] - arm[i] + sigma[i] * now[i] + noise.aim * dice.normal());
            let read = range + noise.range * dice.normal();
            let rotation = Rotation::new(*h, *p, *r);
            let turn = enu_rows(&rotation);
            // Noise as the stage would declare it.
            let mut own = [[0.0; 3]; 3];
            let mut add = |variance: f64, v: [f64; 3]| (0..3).for_each(|i| (0..3).for_each(|j| own[i][j] += variance * v[i] * v[j]));
            let enu = |[n, e, d]: [f64; 3]| [e, n, -d];
            let ned = [arm[1], arm[0], -arm[2]];
            add(noise.heading.to_radians().powi(2), [arm[1], -arm[0], 0.0]);
            add(noise.tilt.to_radians().powi(2), enu(survey_mathematics::rotation::cross(rotation.pitch_axis(), ned)));
            add(noise.tilt.to_radians().powi(2), enu(survey_mathematics::rotation::cross(rotation.roll_axis(), ned)));
            if laser {
                add(noise.range.powi(2), times(&turn, CHAIN.beam_axes()[0]));
            }
            for (i, row) in own.iter_mut().enumerate() {
                row[i] += noise.aim.powi(2);
            }
            Look {
                name: format!("look {k}"),
                aim,
                mark: 0,
                time_s: *time,
                antenna,
                turn,
                ranged: turn.map(|row| row.map(|v| v * read)),
                noise: own,
                gnss: [[sigma[0].powi(2), 0.0, 0.0], [0.0, sigma[1].powi(2), 0.0], [0.0, 0.0, sigma[2].powi(2)]],
                epochs: 60,
            }
        })
        .collect()
}

const FREE: f64 = f64::INFINITY;

fn unknown(kind: Kind, value: f64, sigma: f64, needed: f64) -> Unknown {
    Unknown { kind, value, sigma, needed, written: !matches!(kind, Kind::Heading | Kind::Mark(..)) }
}

fn laser_unknowns(lever: f64, zero: f64, heading: f64, mark: f64) -> Vec<Unknown> {
    let mut all = vec![unknown(Kind::BeamSide, 0.0, FREE, 0.05), unknown(Kind::BeamUp, 0.0, FREE, 0.05)];
    all.extend((0..3).map(|k| unknown(Kind::Lever(k), LEVER[k], lever, 0.003)));
    all.push(unknown(Kind::Zero, ZERO, zero, 0.003));
    all.push(unknown(Kind::Heading, 0.0, heading, 0.2));
    all.extend((0..3).map(|k| unknown(Kind::Mark(0, k), Truth::nominal().mark[k], mark, 0.005)));
    all
}

#[test]
fn derivatives_are_right() {
    let mut dice = Dice(3);
    for aim in [Aim::Laser, Aim::Tip] {
        let mut unknowns = laser_unknowns(0.001, 0.001, 0.4, 0.005);
        unknowns.extend((0..3).map(|k| unknown(Kind::Pole(k), POLE[k], 0.001, 0.003)));
        unknowns.push(unknown(Kind::Scale, 20.0, 50.0, 100.0));
        let x: Vec<f64> = unknowns.iter().map(|u| u.value + 0.3 * u.needed).collect();
        for look in looks(&Truth::nominal(), &eight(), aim, &NOISE, &mut dice) {
            let (_, rows) = look.misclosure(&CHAIN, &unknowns, &x);
            for (i, u) in unknowns.iter().enumerate() {
                let step = u.needed * 1e-3;
                let at = |d: f64| {
                    let mut y = x.clone();
                    y[i] += d;
                    look.misclosure(&CHAIN, &unknowns, &y).0
                };
                let (a, b) = (at(-step), at(step));
                for k in 0..3 {
                    let numeric = (b[k] - a[k]) / (2.0 * step);
                    assert!((rows[i][k] - numeric).abs() < 1e-7, "{:?} {k}: {} {numeric}", u.kind, rows[i][k]);
                }
            }
        }
    }
}

/// P05: "Simulated boresight of 0.5 deg recovered to 0.05 deg from 8 attitudes", and the stated interval covers the truth in
/// 93 to 97 % of 500 runs; to a known and to an unknown mark.
#[test]
fn boresight_is_recovered_and_the_interval_is_honest() {
    for known in [true, false] {
        let (mut dice, mut inside, mut counted, mut close, mut worst) = (Dice(41), 0, 0, 0, 0.0_f64);
        for _ in 0..500 {
            let mut truth = Truth::nominal();
            let direction = 360.0_f64.to_radians() * dice.unit();
            (truth.side, truth.up) = (0.5 * direction.cos(), 0.5 * direction.sin());
            for k in 0..3 {
                truth.lever[k] += 0.001 * dice.normal();
            }
            truth.zero += 0.001 * dice.normal();
            truth.heading += 0.4 * dice.normal();
            // The mark's own coordinates are good to 3 mm, or not known at all.
            let unknowns = laser_unknowns(0.001, 0.001, 0.4, if known { 0.003 } else { FREE });
            if known {
                for m in &mut truth.mark {
                    *m += 0.003 * dice.normal();
                }
            }
            let seen = looks(&truth, &eight(), Aim::Laser, &NOISE, &mut dice);
            let done = fit(&seen, &CHAIN, &unknowns, TAU_S).unwrap();
            for (i, want) in [truth.side, truth.up].into_iter().enumerate() {
                let off = (done.x[i] - want).abs();
                inside += i32::from(off <= 1.959_964 * done.sigma(i));
                counted += 1;
            }
            for off in [done.x[0] - truth.side, done.x[1] - truth.up] {
                close += i32::from(off.abs() < 0.05);
                worst = worst.max(off.abs());
            }
        }
        let share = f64::from(inside) / f64::from(counted);
        eprintln!("known mark {known}: inside {share:.3}, within 0.05 deg in {close} of 1000 angles, worst {worst:.3} deg");
        assert!((0.93..=0.97).contains(&share), "known mark {known}: {share}");
        assert!(close >= 970, "known mark {known}: {close}");
    }
}

#[test]
fn two_attitudes_do_not_determine() {
    let mut dice = Dice(8);
    let poses: Poses = eight().into_iter().take(2).collect();
    let seen = looks(&Truth::nominal(), &poses, Aim::Laser, &NOISE, &mut dice);
    assert_eq!(attitudes(seen.iter()), 2);
    let marks = vec!["NAIL".to_owned()];
    let unknowns = laser_unknowns(0.001, 0.001, 0.4, FREE);
    let x: Vec<f64> = unknowns.iter().map(|u| u.value).collect();
    let open = undetermined(&seen, &CHAIN, &unknowns, TAU_S, &x, &marks).unwrap();
    assert!(!open.is_empty() && open[0].words.contains("the beam"), "{open:?}");
    // Enough attitudes are proposed, and they do determine it.
    let more = proposals(&seen, &CHAIN, &unknowns, TAU_S, &x, 2).unwrap();
    assert!(!more.is_empty());
    eprintln!("{}\n{}", open[0].words, more.iter().map(super::geometry::Proposal::words).collect::<Vec<_>>().join("\n"));
}

#[test]
fn zero_and_lever_along_the_beam_are_one() {
    // The beam is fixed in the body: its zero and the lever arm along it add up at every attitude.
    let mut dice = Dice(9);
    let seen = looks(&Truth::nominal(), &eight(), Aim::Laser, &NOISE, &mut dice);
    let unknowns = laser_unknowns(FREE, FREE, 0.4, 0.001);
    let x: Vec<f64> = unknowns.iter().map(|u| u.value).collect();
    let open = undetermined(&seen, &CHAIN, &unknowns, TAU_S, &x, &["NAIL".to_owned()]).unwrap();
    assert!(open[0].direction.sigma > 1e6 && open[0].words.contains("the range zero"), "{}", open[0].words);
    assert!(open[0].words.contains("the lever arm forward") && open[0].words.contains("along the pole"), "{}", open[0].words);
    // With a taped zero it is determined, and only the tape does it.
    let taped = laser_unknowns(FREE, 0.001, 0.4, 0.001);
    let open = undetermined(&seen, &CHAIN, &taped, TAU_S, &x, &["NAIL".to_owned()]).unwrap();
    assert!(open.iter().all(|o| o.direction.sigma < 1e3), "{open:?}");
    let rests = resting_on_the_rig(&seen, &CHAIN, &taped, TAU_S, &x, &["NAIL".to_owned()]).unwrap();
    assert!(rests.iter().any(|o| o.words.contains("the range zero")), "{rests:?}");
}

#[test]
fn a_wrong_look_is_found() {
    let mut dice = Dice(10);
    let mut seen = looks(&Truth { side: 0.5, ..Truth::nominal() }, &eight(), Aim::Laser, &NOISE, &mut dice);
    // One shot hit the head of the next nail, 6 cm off.
    seen[3].antenna[0] += 0.06;
    let unknowns = laser_unknowns(0.001, 0.001, 0.4, 0.002);
    let done = fit(&seen, &CHAIN, &unknowns, TAU_S).unwrap();
    assert_eq!(done.used.iter().position(|u| !u), Some(3), "{:?}", done.used);
    assert!((done.x[0] - 0.5).abs() < 0.08 && done.misclosure[3][0].abs() > 0.04, "{:?}", done.x);
    // Half of them wrong in different ways: no answer.
    for (k, look) in seen.iter_mut().enumerate().take(5) {
        look.antenna[1] += 0.1 * f64::from(u8::try_from(k).unwrap() + 1) * if k % 2 == 0 { 1.0 } else { -1.0 };
    }
    assert_eq!(fit(&seen, &CHAIN, &unknowns, TAU_S).unwrap_err(), Unfit::Contradiction);
}

#[test]
fn two_faces_give_the_bubble() {
    // P33: a constant mount bias of 0.3 deg is recovered from six two-face pairs on an unknown mark.
    let mut dice = Dice(33);
    let bias = 2.0 * 0.3_f64.to_radians().sin();
    let truth = Truth { pole: [bias, 0.0, (4.0 - bias * bias).sqrt()], ..Truth::nominal() };
    let poses: Poses = (0..12_i32).map(|k| (30.0 + 180.0 * f64::from(k % 2), 0.0, 0.0, 0.0, f64::from(k) * 60.0)).collect();
    let mut unknowns = vec![unknown(Kind::Heading, 0.0, 0.4, 0.2)];
    unknowns.extend((0..2).map(|k| unknown(Kind::Pole(k), 0.0, FREE, 0.003)));
    unknowns.push(unknown(Kind::Pole(2), 2.0, 0.001, 0.003));
    unknowns.extend((0..3).map(|k| unknown(Kind::Mark(0, k), 0.0, FREE, 0.005)));
    let seen = looks(&truth, &poses, Aim::Tip, &NOISE, &mut dice);
    let done = fit(&seen, &CHAIN, &unknowns, TAU_S).unwrap();
    let lean = done.x[1].atan2(done.x[3]).to_degrees();
    assert!((lean - 0.3).abs() < 0.06 && (done.x[1] - bias).abs() < 2.5 * done.sigma(1), "{lean}, {}", done.sigma(1));
    // Upright alone cannot tell the length from the height of the mark.
    let mut free = unknowns.clone();
    free[3].sigma = FREE;
    let x: Vec<f64> = free.iter().map(|u| u.value).collect();
    let open = undetermined(&seen, &CHAIN, &free, TAU_S, &x, &["P".to_owned()]).unwrap();
    assert!(open[0].words.contains("the length of the pole") && open[0].words.contains("in height"), "{}", open[0].words);
    let more = proposals(&seen, &CHAIN, &free, TAU_S, &x, 0).unwrap();
    assert!(more.iter().any(|p| p.lean_deg > 10.0), "{more:?}");
}

#[test]
fn swung_pole_gives_its_length() {
    // The pivot form: the tip stays, the pole is swung; mark and pole are unknown.
    let (mut dice, mut inside) = (Dice(12), 0);
    for run in 0..200 {
        let truth = Truth { pole: [0.012, -0.007, 1.803], ..Truth::nominal() };
        let poses: Poses =
            (0..40_i32).map(f64::from).map(|k| (k * 41.0, 28.0 * (k * 0.7).sin(), 28.0 * (k * 0.7).cos(), 0.0, k * 3.0)).collect();
        let mut unknowns = vec![unknown(Kind::Heading, 0.0, 0.4, 0.2)];
        unknowns.extend((0..3).map(|k| unknown(Kind::Pole(k), POLE[k], FREE, 0.003)));
        unknowns.extend((0..3).map(|k| unknown(Kind::Mark(0, k), 0.0, FREE, 0.005)));
        let seen = looks(&truth, &poses, Aim::Tip, &NOISE, &mut dice);
        let done = fit(&seen, &CHAIN, &unknowns, TAU_S).unwrap();
        if run == 0 {
            assert!((done.x[3] - 1.803).abs() < 0.02 && done.sigma(3) < 0.01, "{:?} {}", done.x, done.sigma(3));
        }
        for k in 0..3 {
            inside += i32::from((done.x[1 + k] - truth.pole[k]).abs() <= 1.96 * done.sigma(1 + k));
        }
    }
    let share = f64::from(inside) / 600.0;
    assert!((0.92..=0.98).contains(&share), "{share}");
}

#[test]
fn beam_angles() {
    let (azimuth, elevation) = CHAIN.angles(0.5, 0.0);
    // Half a degree across a beam at 45 deg is 0.707 deg of azimuth.
    assert!((azimuth - 0.6 - 0.5 / 45_f64.to_radians().cos()).abs() < 1e-3 && (elevation + 45.0).abs() < 0.01, "{azimuth} {elevation}");
    let (_, elevation) = CHAIN.angles(0.0, 0.5);
    assert!((elevation + 44.5).abs() < 1e-4);
    let down = Chain { elevation_deg: -90.0, azimuth_deg: 0.0, ..CHAIN };
    assert!(down.steep());
    let (azimuth, elevation) = down.angles(0.0, 0.0);
    assert!(azimuth.abs() < 1e-9 && (elevation + 90.0).abs() < 1e-9);
    let (azimuth, elevation) = down.angles(0.3, 0.0);
    assert!((azimuth - 90.0).abs() < 1e-6 && (elevation + 89.7).abs() < 1e-4);
}
