//! One session of a crew: walk, stand, aim, burst, walk on. Truth in, measured epochs and field notes out.

use crate::earth::{self, Geodetic, Local, V3, add, length, sub, times};
use crate::epoch::{Ellipse, Epoch};
use crate::noise::{Correlated, Noise};
use crate::pose::{self, Pose};
use crate::rig::Rig;
use crate::time::{self, Ms};
use libm::{atan2, cos, sin};

const RAD: f64 = core::f64::consts::PI / 180.0;
/// Five epochs a second.
pub const STEP: Ms = 200;
const DT: f64 = 0.2;

/// What the crew does at a stop.
#[derive(Clone, Copy, Debug)]
pub enum Aim {
    /// Tip on a mark.
    Tip,
    /// Beam on a target, local east, north, up.
    Laser(V3),
}

/// Epochs of a burst.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// First one.
    pub first: usize,
    /// How many.
    pub epochs: usize,
}

impl Span {
    fn has(self, index: usize) -> bool {
        if index == usize::MAX {
            // Aiming, before the burst: what spoils the first epoch has already begun.
            return self.first == 0;
        }
        (self.first..self.first + self.epochs).contains(&index)
    }
}

/// What goes wrong in a burst; epochs counted from the burst's first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// Float solution.
    Float(Span),
    /// Quality code that the format does not define.
    Unknown(Span),
    /// Corrections stop coming.
    Stale(Span),
    /// This many of every seven ranges are short by this much, m: something stands in the beam.
    Nearer(usize, f64),
    /// On the way to this stop the receiver takes a wrong fix for four seconds.
    Jump(V3),
    /// On the way to this stop the solution is float.
    FloatWalk,
    /// On the way to this stop the corrections are old.
    StaleWalk,
}

/// A stop.
#[derive(Clone, Debug)]
pub struct Stop {
    /// Name of the point.
    pub point: String,
    /// Feature code.
    pub code: &'static str,
    /// Remark of the crew.
    pub remark: String,
    /// Nominal diameter, mm.
    pub diameter: Option<u32>,
    /// Which surface was hit.
    pub surface: &'static str,
    /// What is measured.
    pub aim: Aim,
    /// Where the tip stands, local east, north, up.
    pub stand: V3,
    /// Mean roll, deg.
    pub roll: f64,
    /// Mean pitch, deg; follows from the geometry for a laser stop.
    pub pitch: f64,
    /// Epochs of the burst.
    pub epochs: usize,
    /// What goes wrong.
    pub faults: Vec<Fault>,
    /// What the delivery should say.
    pub expected: String,
}

impl Stop {
    /// The measured point itself.
    #[must_use]
    pub fn target(&self) -> V3 {
        match self.aim {
            Aim::Tip => self.stand,
            Aim::Laser(t) => t,
        }
    }
}

/// Errors that stay the same: one draw each.
#[derive(Clone, Copy, Debug)]
pub struct Constant {
    /// The rig as it is.
    pub rig: Rig,
    /// Error of the base coordinates, east, north, up, m.
    pub base: V3,
    /// Bias of pitch and roll, deg.
    pub tilt: [f64; 2],
    /// Bias of the heading in this session, deg.
    pub heading: f64,
}

/// Plan of a session.
#[derive(Clone, Debug)]
pub struct Plan {
    /// First epoch.
    pub start: Ms,
    /// Stops in order.
    pub stops: Vec<Stop>,
    /// Seed and name of the noise.
    pub seed: u64,
    /// Name.
    pub name: String,
    /// Base station identity.
    pub base: &'static str,
    /// Centre, separation and bias of the receiver's own geoid model.
    pub receiver_geoid: (Geodetic, f64, f64),
    /// Shortest and longest pause before a stop, s.
    pub pause: (f64, f64),
}

/// A burst as it happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Burst {
    /// Number of the stop.
    pub stop: usize,
    /// Time of the first epoch.
    pub first: Ms,
    /// Time of the last epoch.
    pub last: Ms,
}

/// A session.
#[derive(Clone, Debug, Default)]
pub struct Session {
    /// Epochs.
    pub epochs: Vec<Epoch>,
    /// Bursts, one for each stop.
    pub bursts: Vec<Burst>,
}

/// The receiver: noise that remembers, stated sigmas that drift.
struct Receiver {
    axis: [Correlated; 3],
    float: [Correlated; 3],
    size: Correlated,
    n: Noise,
}

impl Receiver {
    fn new(plan: &Plan) -> Self {
        let mut n = Noise::new(plan.seed, &format!("{} receiver", plan.name));
        let mut slow = |tau: f64| [0; 3].map(|_| Correlated::new(&mut n, DT, tau));
        let (axis, float) = (slow(115.0), slow(40.0));
        Self { axis, float, size: Correlated::new(&mut n, DT, 200.0), n }
    }

    /// Error of the position (east, north, up) and what the receiver says about it.
    fn error(&mut self, quality: u8) -> (V3, Ellipse) {
        let n = &mut self.n;
        let [a, b, c] = [0, 1, 2].map(|k| self.axis[k].next(n));
        let [fa, fb, fc] = [0, 1, 2].map(|k| self.float[k].next(n));
        let size = libm::fmin(libm::fmax(1.0 + 0.12 * self.size.next(n), 0.75), 1.35);
        // Rounded as the log shows them, so that what is stated is what is drawn.
        let round = |x: f64| libm::round(x * 1e4) / 1e4;
        let direction = 24.0;
        let fixed = Ellipse { major: round(0.0080 * size), minor: round(0.0062 * size), direction, up: round(0.0138 * size) };
        let (unit, e) = match quality {
            4 => ([a, b, c], fixed),
            5 => ([fa, fb, fc], Ellipse { major: round(0.24 * size), minor: round(0.17 * size), direction, up: round(0.38 * size) }),
            _ => ([fa, fb, fc], Ellipse { major: round(0.65 * size), minor: round(0.5 * size), direction, up: round(0.95 * size) }),
        };
        let (s, k) = (sin(direction * RAD), cos(direction * RAD));
        let (major, minor) = (e.major * unit[0], e.minor * unit[1]);
        ([s * major + k * minor, k * major - s * minor, e.up * unit[2]], e)
    }
}

/// The sensors on the pole.
struct Sensors {
    axis: [Correlated; 3],
    n: Noise,
}

impl Sensors {
    fn new(plan: &Plan) -> Self {
        let mut n = Noise::new(plan.seed, &format!("{} sensors", plan.name));
        Self { axis: [0; 3].map(|_| Correlated::new(&mut n, DT, 0.25)), n }
    }

    fn pose(&mut self, p: Pose, c: &Constant) -> Pose {
        let [a, b, d] = [0, 1, 2].map(|k| self.axis[k].next(&mut self.n));
        Pose {
            heading: pose::wrap(p.heading + c.heading + c.rig.heading_sigma * a),
            pitch: p.pitch + c.tilt[0] + c.rig.tilt_sigma * b,
            roll: p.roll + c.tilt[1] + c.rig.tilt_sigma * d,
        }
    }

    fn range(&mut self, distance: f64, rig: &Rig) -> f64 {
        (distance - rig.zero) / (1.0 + rig.scale_ppm * 1e-6) + rig.range_sigma * self.n.normal()
    }
}

/// What one epoch shows, before noise.
struct Moment {
    tip: V3,
    pose: Option<Pose>,
    target: Option<V3>,
    roll: f64,
    trigger: bool,
    speed: f64,
    course: f64,
    quality: u8,
    age: f64,
    jump: V3,
    shorter: f64,
}

/// Runs a plan.
#[must_use]
pub fn run(plan: &Plan, site: &Local, constant: &Constant) -> Session {
    let mut receiver = Receiver::new(plan);
    let mut sensors = Sensors::new(plan);
    let mut crew = Noise::new(plan.seed, &format!("{} crew", plan.name));
    let mut out = Session::default();
    let mut t = plan.start;
    let mut here = plan.stops.first().map_or([0.0; 3], |s| add(s.stand, [-4.0, -3.0, 0.0]));
    let mut emit = |out: &mut Session, t: &mut Ms, m: &Moment| {
        out.epochs.push(epoch(*t, m, plan, site, constant, &mut receiver, &mut sensors));
        *t += STEP;
    };
    for (number, stop) in plan.stops.iter().enumerate() {
        walk(&mut here, stop, &mut crew, plan.pause, &mut |m| emit(&mut out, &mut t, m));
        let heading = crew.between(0.0, 360.0);
        let phase = crew.between(0.0, 6.0);
        let settle = 15;
        let first = t + settle * STEP;
        #[allow(clippy::cast_possible_wrap)]
        let count = stop.epochs as i64;
        for k in -settle..count + 5 {
            #[allow(clippy::cast_precision_loss)]
            let s = k as f64 * DT;
            let sway = if k < 0 { 0.9 } else { 0.35 };
            let roll = stop.roll + sway * sin(1.1 * s + phase) + 0.1 * sin(5.3 * s);
            let (pose, target) = match stop.aim {
                Aim::Tip => (
                    Some(Pose { heading: heading + 0.8 * sin(0.5 * s + phase), pitch: stop.pitch + sway * cos(0.9 * s + phase), roll }),
                    None,
                ),
                Aim::Laser(x) => (None, Some(x)),
            };
            let trigger = (0..count).contains(&k);
            let index = usize::try_from(k).unwrap_or(usize::MAX);
            let mut m = Moment {
                tip: stop.stand,
                pose,
                target,
                roll,
                trigger,
                speed: 0.01,
                course: 0.0,
                quality: 4,
                age: 0.6 + s.rem_euclid(1.0),
                jump: [0.0; 3],
                shorter: 0.0,
            };
            for f in &stop.faults {
                apply(*f, index, &mut m);
            }
            emit(&mut out, &mut t, &m);
        }
        out.bursts.push(Burst { stop: number, first, last: first + (count - 1) * STEP });
        here = stop.stand;
    }
    out
}

fn apply(fault: Fault, index: usize, m: &mut Moment) {
    match fault {
        Fault::Float(span) if span.has(index) => m.quality = 5,
        Fault::Unknown(span) if span.has(index) => m.quality = 9,
        Fault::Stale(span) if span.has(index) => {
            #[allow(clippy::cast_precision_loss)]
            let k = if index == usize::MAX { 0.0 } else { (index - span.first) as f64 };
            m.age = 31.0 + DT * k;
        }
        Fault::Nearer(of_seven, by) if m.trigger && (index * 3) % 7 < of_seven => m.shorter = by,
        _ => {}
    }
}

/// Walks to a stop and waits there a little.
fn walk(here: &mut V3, stop: &Stop, crew: &mut Noise, pause: (f64, f64), emit: &mut impl FnMut(&Moment)) {
    let way = sub(stop.stand, *here);
    let flat = length([way[0], way[1], 0.0]);
    let course = pose::wrap(atan2(way[0], way[1]) / RAD);
    let steps = libm::ceil(flat / (1.25 * DT));
    let rest = libm::ceil(crew.between(pause.0, pause.1) / DT);
    let has = |f: Fault| stop.faults.contains(&f);
    let jump = stop.faults.iter().find_map(|f| if let Fault::Jump(v) = f { Some(*v) } else { None });
    let mut k = 0.0;
    while k < steps + rest {
        let share = if steps > 0.0 { libm::fmin(k / steps, 1.0) } else { 1.0 };
        let moving = k < steps;
        let lift = if moving { 0.25 + 0.03 * sin(9.0 * k * DT) } else { 0.0 };
        let tip = add(add(*here, times(share, way)), [0.0, 0.0, lift]);
        let swing = if moving { 1.0 } else { 0.2 };
        emit(&Moment {
            tip,
            pose: Some(Pose { heading: course, pitch: -4.0 + 6.0 * swing * sin(4.0 * k * DT), roll: 5.0 * swing * sin(2.0 * k * DT) }),
            target: None,
            roll: 0.0,
            trigger: false,
            speed: if moving { 1.25 } else { 0.02 },
            course,
            quality: if has(Fault::FloatWalk) && k > 5.0 && k < steps + rest - 10.0 { 5 } else { 4 },
            age: if has(Fault::StaleWalk) { 3.0 + k * DT } else { 0.6 + (k * DT).rem_euclid(1.0) },
            jump: jump.filter(|_| (20.0..40.0).contains(&k)).unwrap_or([0.0; 3]),
            shorter: 0.0,
        });
        k += 1.0;
    }
}

fn epoch(t: Ms, m: &Moment, plan: &Plan, site: &Local, c: &Constant, receiver: &mut Receiver, sensors: &mut Sensors) -> Epoch {
    let year = time::decimal_year(t);
    let tip = earth::nad83_to_itrf2020(site.xyz(m.tip), year);
    let ground = Local::at(earth::geodetic(tip));
    let (pose, distance) = match (m.target, m.pose) {
        (Some(x), _) => {
            let target = ground.enu(earth::nad83_to_itrf2020(site.xyz(x), year));
            pose::aim(&c.rig, m.roll, target).unwrap_or((Pose::default(), 0.0))
        }
        (None, p) => (p.unwrap_or_default(), 0.0),
    };
    let antenna = times(-1.0, pose.enu(c.rig.pole));
    let (error, noise) = receiver.error(m.quality);
    let place = earth::geodetic(ground.xyz(add(add(antenna, c.base), add(error, m.jump))));
    let (centre, separation, bias) = plan.receiver_geoid;
    let measured = sensors.pose(pose, c);
    // The laser is fired, or it is not; the noise stream moves only when it is.
    let range = (m.trigger && distance > 0.0).then(|| sensors.range(distance - m.shorter, &c.rig));
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let satellites = (27.0 + 3.0 * sin(0.000_011 * (t - plan.start) as f64)) as u32;
    Epoch {
        time: t,
        place,
        separation: crate::geoid::receiver_separation(centre, separation, bias, place),
        quality: m.quality,
        satellites: if m.quality == 4 { satellites } else { satellites - 9 },
        hdop: if m.quality == 4 { 0.58 } else { 1.15 },
        age: Some(m.age),
        base: plan.base,
        noise: Some(noise),
        pose: Some(measured),
        range,
        speed: m.speed,
        course: m.course,
    }
}
