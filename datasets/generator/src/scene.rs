//! The demo scene: an invented water main on an invented sandbar in the open sea, and the two sessions in which
//! an invented crew measured it. No real place, firm, person or work.

use crate::earth::{Geodetic, Local, V3, add, length, sub, times};
use crate::geoid::Grid;
use crate::noise::Noise;
use crate::pose;
use crate::rig::NOMINAL;
use crate::session::{Aim, Constant, Fault, Plan, Span, Stop};
use crate::time;

/// Seed of the demo.
pub const SEED: u64 = 20_260_317;
/// The middle of the site in NAD83(2011) epoch 2010.00; open sea. 2.1 m above the invented datum.
pub const SITE: Geodetic = Geodetic { latitude: 27.52, longitude: -86.61, height: -22.5 };
/// Geoid separation at the middle of the site in the survey-grade grid, m.
pub const SEPARATION: f64 = -24.6;
/// Difference of the receiver's coarse model, m.
pub const RECEIVER_BIAS: f64 = -0.7;
/// Sigma of the geoid grid, m.
pub const GEOID_SIGMA: f64 = 0.008;
/// Sigma of the base coordinates, horizontal, m.
pub const BASE_SIGMA: f64 = 0.005;
/// Sigma of the base coordinates, up, m.
pub const BASE_SIGMA_UP: f64 = 0.008;
/// Sigma of the values of the marks, each axis, m.
pub const MARK_SIGMA: f64 = 0.004;
/// Sigma of the heights of the marks, m.
pub const MARK_SIGMA_UP: f64 = 0.005;
/// Name of the base station.
pub const BASE: &str = "0417";

/// The survey-grade grid.
#[must_use]
pub fn grid() -> Grid {
    Grid::around(SITE.latitude, SITE.longitude, 0.005, 41, SEPARATION)
}

/// Local frame of the site.
#[must_use]
pub fn site() -> Local {
    Local::at(SITE)
}

/// The draws of all errors that do not change.
#[derive(Clone, Copy, Debug)]
pub struct Draws {
    /// The rig as it is, base error and biases; `heading` is set for each session.
    pub constant: Constant,
    /// Bias of the heading in the two sessions, deg.
    pub heading: [f64; 2],
    /// Error of the geoid grid, m: the true separation is the grid's plus this.
    pub geoid: f64,
    /// Errors of the stated values of the two marks, m.
    pub marks: [V3; 2],
}

/// Draws them from the stated sigmas.
#[must_use]
pub fn draws(seed: u64) -> Draws {
    let mut n = Noise::new(seed, "constant errors");
    let rig = NOMINAL.drawn(&mut n);
    let base = [BASE_SIGMA * n.normal(), BASE_SIGMA * n.normal(), BASE_SIGMA_UP * n.normal()];
    let tilt = [NOMINAL.tilt_bias_sigma * n.normal(), NOMINAL.tilt_bias_sigma * n.normal()];
    let heading = [NOMINAL.heading_bias_sigma * n.normal(), NOMINAL.heading_bias_sigma * n.normal()];
    let geoid = GEOID_SIGMA * n.normal();
    let mut mark = || [MARK_SIGMA * n.normal(), MARK_SIGMA * n.normal(), MARK_SIGMA_UP * n.normal()];
    let marks = [mark(), mark()];
    Draws { constant: Constant { rig, base, tilt, heading: 0.0 }, heading, geoid, marks }
}

/// The ground, m above the middle of the site.
#[must_use]
pub fn ground(east: f64, north: f64) -> f64 {
    0.35 * libm::sin(east / 31.0) + 0.25 * libm::cos(north / 23.0)
}

/// The marks, local east, north, up.
#[must_use]
pub fn marks() -> [V3; 2] {
    [[-12.0, 8.0], [75.0, 30.0]].map(|[e, n]| [e, n, ground(e, n) + 0.02])
}

const ROUTE: [[f64; 2]; 4] = [[0.0, 0.0], [142.0, 96.0], [252.0, 88.0], [335.0, 168.0]];

/// A place on the route and the direction of the pipe there.
fn along(mut chainage: f64) -> ([f64; 2], [f64; 2]) {
    let mut last = ([0.0; 2], [1.0, 0.0]);
    for leg in ROUTE.windows(2) {
        let d = [leg[1][0] - leg[0][0], leg[1][1] - leg[0][1]];
        let size = length([d[0], d[1], 0.0]);
        let u = [d[0] / size, d[1] / size];
        last = ([leg[0][0] + chainage * u[0], leg[0][1] + chainage * u[1]], u);
        if chainage <= size {
            return last;
        }
        chainage -= size;
    }
    last
}

struct Kind {
    letter: char,
    code: &'static str,
    remark: &'static str,
    diameter: u32,
    aside: f64,
    surface: &'static str,
}

const fn kind(letter: char, code: &'static str, remark: &'static str, diameter: u32, aside: f64, surface: &'static str) -> Kind {
    Kind { letter, code, remark, diameter, aside, surface }
}

const COUPLING: Kind = kind('C', "W-COUP", "", 250, 0.0, "top");
const VALVE: Kind = kind('V', "W-VALVE", "gate valve", 250, 0.0, "top");
const BEND: Kind = kind('B', "W-BEND", "", 250, 0.0, "top");
const TEE: Kind = kind('T', "W-TEE", "tee for future branch", 250, 0.0, "top");
const HYDRANT: Kind = kind('H', "W-HYDT", "hydrant tee", 150, 0.45, "top");
const AIR: Kind = kind('A', "W-AIRV", "air valve", 80, 0.15, "top");

/// The fittings in order of the route.
const FITTINGS: [Kind; 40] = [
    VALVE, COUPLING, COUPLING, HYDRANT, COUPLING, BEND, COUPLING, VALVE, TEE, COUPLING, COUPLING, AIR, COUPLING, HYDRANT, COUPLING, BEND,
    VALVE, COUPLING, COUPLING, TEE, COUPLING, HYDRANT, COUPLING, VALVE, COUPLING, BEND, COUPLING, COUPLING, AIR, COUPLING, HYDRANT, VALVE,
    COUPLING, TEE, COUPLING, BEND, COUPLING, HYDRANT, COUPLING, VALVE,
];

/// A shot from the edge of the trench: the pole stands to the `side` of the pipe, leaning so that the beam hits.
#[must_use]
pub fn laser_stop(target: V3, direction: [f64; 2], side: f64, roll: f64, pitch: f64) -> (V3, Aim) {
    let mut away = 2.0;
    let mut stand = target;
    // The ground's height depends on where one stands, and where one stands on it: a few rounds settle it.
    for _ in 0..20 {
        stand = [target[0] - side * direction[1] * away, target[1] + side * direction[0] * away, 0.0];
        stand[2] = ground(stand[0], stand[1]);
        away = pose::standing_distance(&NOMINAL, roll, pitch, stand[2] - target[2]).unwrap_or(2.0);
    }
    (stand, Aim::Laser(target))
}

fn fittings(n: &mut Noise) -> Vec<Stop> {
    let mut count = std::collections::BTreeMap::<char, u32>::new();
    let mut out = vec![];
    let mut chainage = 3.0;
    for (index, k) in FITTINGS.iter().enumerate() {
        let number = count.entry(k.letter).or_default();
        *number += 1;
        let (at, direction) = along(chainage);
        let depth = 1.7 + 0.38 * libm::sin(chainage / 27.0) + n.between(-0.1, 0.1);
        let east = at[0] - k.aside * direction[1] + n.between(-0.02, 0.02);
        let north = at[1] + k.aside * direction[0] + n.between(-0.02, 0.02);
        let target = [east, north, ground(east, north) - depth];
        let lean = index == 22;
        let roll = if lean { 34.5 } else { n.between(-7.0, 7.0) };
        let pitch = if lean { -3.0 } else { n.between(-18.0, -5.0) };
        let side = if index % 3 == 0 { -1.0 } else { 1.0 };
        let (stand, aim) = laser_stop(target, direction, side, roll, pitch);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let epochs = n.between(28.0, 76.0) as usize;
        out.push(Stop {
            point: format!("{}-{number:02}", k.letter),
            code: k.code,
            remark: k.remark.to_owned(),
            diameter: Some(k.diameter),
            surface: k.surface,
            aim,
            stand,
            roll,
            pitch,
            epochs,
            faults: vec![],
            expected: "delivered".to_owned(),
        });
        chainage += n.between(8.6, 10.4);
    }
    out
}

fn mark_stop(index: usize, n: &mut Noise) -> Stop {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let epochs = n.between(160.0, 280.0) as usize;
    Stop {
        point: format!("CP{}", index + 1),
        code: "CTRL",
        remark: "check on mark".to_owned(),
        diameter: None,
        surface: "",
        aim: Aim::Tip,
        stand: marks()[index],
        roll: n.between(-1.5, 1.5),
        pitch: n.between(-1.5, 1.5),
        epochs,
        faults: vec![],
        expected: "delivered".to_owned(),
    }
}

/// The two sessions.
#[must_use]
pub fn plans(seed: u64) -> [Plan; 2] {
    let mut n = Noise::new(seed, "scene");
    let mut all = fittings(&mut n);
    let mut set = |k: usize, expected: &str, remark: &str, faults: &[Fault]| {
        expected.clone_into(&mut all[k].expected);
        if !remark.is_empty() {
            remark.clone_into(&mut all[k].remark);
        }
        all[k].faults.extend_from_slice(faults);
    };
    set(3, "held: not all fixed", "", &[Fault::Float(Span { first: 18, epochs: 14 })]);
    set(5, "delivered", "", &[Fault::FloatWalk]);
    set(6, "held: not all fixed", "", &[Fault::Unknown(Span { first: 0, epochs: 9 })]);
    set(9, "reshoot: two surfaces", "shoring in the way?", &[Fault::Nearer(3, 0.437)]);
    set(11, "delivered", "", &[Fault::Jump([2.1, -1.4, 0.9])]);
    set(12, "reshoot: too short", "digger came, left early", &[]);
    set(14, "delivered", "", &[Fault::StaleWalk]);
    set(15, "delivered", "", &[Fault::Stale(Span { first: 0, epochs: 16 })]);
    set(22, "held: over budget", "leaned far, bank soft", &[]);
    set(27, "delivered", "", &[]);
    set(30, "reshoot: nothing left", "", &[Fault::Float(Span { first: 0, epochs: 200 })]);
    set(33, "delivered", "", &[Fault::FloatWalk]);
    set(36, "delivered", "", &[Fault::Jump([-0.9, 2.6, -1.2])]);
    all[12].epochs = 3;
    all[9].epochs = 35;
    // The crew typed the name of another coupling, 220 m away.
    all[27].point = all[2].point.clone();
    let second = all.split_off(20);
    // Two fittings of the first day again on the second: independent checks.
    let again: Vec<Stop> = [1, 7]
        .into_iter()
        .map(|k| {
            let mut s: Stop = all[k].clone();
            let Aim::Laser(target) = s.aim else { return s };
            s.roll = -s.roll;
            s.pitch = n.between(-16.0, -6.0);
            let d = sub(s.stand, target);
            let size = length([d[0], d[1], 0.0]);
            // From the other bank.
            (s.stand, s.aim) = laser_stop(target, [-d[1] / size, d[0] / size], 1.0, s.roll, s.pitch);
            s.remark = format!("{} again", s.remark).trim().to_owned();
            s.faults.clear();
            s.epochs = 45;
            s
        })
        .collect();
    let mut frame = |stops: Vec<Stop>| {
        let mut out = vec![mark_stop(0, &mut n), mark_stop(1, &mut n)];
        out.extend(stops);
        out.extend([mark_stop(1, &mut n), mark_stop(0, &mut n)]);
        out
    };
    let day1 = frame(all);
    let day2 = frame(second.into_iter().chain(again).collect());
    let plan = |start, name: &str, stops| Plan {
        start,
        stops,
        seed,
        name: name.to_owned(),
        base: BASE,
        receiver_geoid: (SITE, SEPARATION, RECEIVER_BIAS),
        pause: (12.0, 34.0),
    };
    [plan(time::at(2026, 3, 17, 23, 45, 15), "2026-03-17", day1), plan(time::at(2026, 3, 18, 19, 12, 0), "2026-03-18", day2)]
}

/// Truth of one measured point.
#[derive(Clone, Copy, Debug)]
pub struct Truth {
    /// NAD83(2011) epoch 2010.00.
    pub place: Geodetic,
    /// Easting and northing in UTM zone 16N, m.
    pub east_north: (f64, f64),
    /// Height above the invented datum, m.
    pub height: f64,
}

/// Truth of a point in local east, north, up; `geoid_error` as in [`Draws`].
#[must_use]
pub fn truth(local: V3, geoid_error: f64) -> Truth {
    let place = crate::earth::geodetic(site().xyz(local));
    Truth { place, east_north: crate::earth::utm(place, -87.0), height: place.height - grid().separation(place) - geoid_error }
}

/// Stated value of a mark: truth with its error.
#[must_use]
pub fn stated_mark(index: usize, d: &Draws) -> Truth {
    let mut t = truth(add(marks()[index], times(1.0, d.marks[index])), d.geoid);
    // The mark's height was levelled: its error is its own, and the geoid's is not in it.
    t.place = crate::earth::geodetic(site().xyz(add(marks()[index], d.marks[index])));
    t
}
