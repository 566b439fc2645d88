//! Simulated surveys with known blunders.
//!
//! The blunder is made forward, with the generator's mathematics: a true target and a true pose give the antenna, noise is
//! added, and the job's own settings lead back to a delivered point. Nothing of the predictions under test is used for that.

#![allow(dead_code, clippy::needless_range_loop, clippy::enum_glob_use)]

use generator::earth::{Geodetic, Local, V3, add, geocentric, geodetic, itrf2020_to_nad83, nad83_to_itrf2020, sub, times, utm};
use generator::noise::Noise;
use generator::pose::Pose;
use generator::rig::NOMINAL;
use pipeline_base::place::Locality;
use pipeline_base::rig::Rig;
use pipeline_base::table::schema::Epoch;
use stages::causes::chain::{Sample, Setup, declared};
use stages::causes::list::hypotheses;
use stages::causes::places::{Frames, Spot, zones};
use stages::causes::rank::{Outcome, Ranking, rank};
use stages::causes::{Aim, Alternative, Facts, Shot};

const YEAR: f64 = 2026.2;
const FEET_APART: f64 = 2.000_004e-6;
const LAGS: [f64; 9] = [0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 3.0, 5.0, 18.0];

/// A place with its shots, before any error.
pub(crate) struct Site {
    place: Geodetic,
    zone: i64,
    separation: f64,
    receiver: f64,
    declination: f64,
    stops: Vec<Stop>,
    marks: usize,
    frames: Vec<Alternative>,
    year: Option<Vec<[f64; 3]>>,
    zones: Vec<Alternative>,
}

struct Stop {
    mark: usize,
    session: usize,
    /// East, north, up of the mark at the site, m.
    target: V3,
    aim: Aim,
    range: f64,
    /// Pose at each whole tenth of a second; the shot is from -4 to +4 s.
    pose: Vec<Pose>,
}

const STEPS: i64 = 240;

impl Stop {
    fn at(&self, tenth: i64) -> Pose {
        self.pose[usize::try_from((tenth + STEPS).clamp(0, 2 * STEPS)).unwrap_or(0)]
    }
}

/// Settings that may differ between the world and the job.
#[derive(Clone, Copy)]
struct World {
    pole: V3,
    lever: V3,
    beam: [f64; 2],
    zero: f64,
    scale: f64,
    heading: f64,
    signs: [f64; 2],
    exchanged: bool,
    tilt: [f64; 2],
    lag_tenths: i64,
}

const TRUE: World = World {
    pole: NOMINAL.pole,
    lever: NOMINAL.lever,
    beam: [NOMINAL.azimuth, NOMINAL.elevation],
    zero: NOMINAL.zero,
    scale: 1.0,
    heading: 0.0,
    signs: [1.0; 2],
    exchanged: false,
    tilt: [0.0; 2],
    lag_tenths: 0,
};

impl World {
    fn offset(&self, stop: &Stop, tenth: i64) -> V3 {
        let seen = stop.at(tenth + self.lag_tenths);
        let (p, r) = if self.exchanged { (seen.roll, seen.pitch) } else { (seen.pitch, seen.roll) };
        let pose =
            Pose { heading: seen.heading + self.heading, pitch: self.signs[0] * p + self.tilt[0], roll: self.signs[1] * r + self.tilt[1] };
        match stop.aim {
            Aim::Tip => pose.enu(self.pole),
            Aim::Laser => {
                let rig = generator::rig::Rig { azimuth: self.beam[0], elevation: self.beam[1], ..NOMINAL };
                pose.enu(add(self.lever, times(self.scale * stop.range + self.zero, rig.beam())))
            }
        }
    }

    fn mean(&self, stop: &Stop) -> V3 {
        let mut sum = [0.0; 3];
        for t in (-40..=40).step_by(4) {
            sum = add(sum, self.offset(stop, t));
        }
        times(1.0 / 21.0, sum)
    }
}

/// A random place in the conterminous United States with 4 to 12 marks, some of them shot twice.
pub(crate) fn site(seed: u64) -> Site {
    let mut n = Noise::new(seed, "site");
    let place = Geodetic { latitude: n.between(27.0, 47.0), longitude: n.between(-122.0, -70.0), height: n.between(20.0, 900.0) };
    let zone = ((place.longitude + 180.0) / 6.0).floor() as i64 + 1;
    let marks = 4 + (n.uniform() * 9.0) as usize;
    let mut stops = vec![];
    for k in 0..marks + marks / 3 {
        let mark = k % marks;
        let mut m = Noise::new(seed, &format!("mark {mark}"));
        let target = [m.between(-250.0, 250.0), m.between(-250.0, 250.0), m.between(-6.0, 6.0)];
        // A third of the marks is occupied with the tip, the rest shot with the laser.
        let aim = if mark.is_multiple_of(3) { Aim::Tip } else { Aim::Laser };
        let (heading, turn) = (n.between(0.0, 360.0), n.between(-8.0, 8.0));
        let lean = if aim == Aim::Tip { n.between(1.0, 12.0) } else { n.between(6.0, 22.0) };
        let way = n.between(0.0, std::f64::consts::TAU);
        let (pitch, roll) = (lean * way.cos(), lean * way.sin());
        // Before and after the shot the pole is carried another way.
        let (before, after) = (n.between(-120.0, 120.0), n.between(-120.0, 120.0));
        let pose = (-STEPS..=STEPS)
            .map(|t| {
                let s = t as f64 / 10.0;
                let carried = if s < -6.0 {
                    before
                } else if s > 6.0 {
                    after
                } else {
                    0.0
                };
                Pose { heading: heading + turn * s.clamp(-6.0, 6.0) + carried, pitch: pitch + 0.4 * s.clamp(-6.0, 6.0), roll }
            })
            .collect();
        stops.push(Stop { mark, session: usize::from(k >= marks.div_ceil(2)), target, aim, range: n.between(1.5, 4.0), pose });
    }
    let separation = n.between(-38.0, -12.0);
    let mut site = Site {
        place,
        zone,
        separation,
        receiver: separation + n.between(0.3, 1.5) * if n.uniform() < 0.5 { 1.0 } else { -1.0 },
        declination: n.between(4.0, 15.0) * if n.uniform() < 0.5 { 1.0 } else { -1.0 },
        stops,
        marks,
        frames: vec![],
        year: None,
        zones: vec![],
    };
    let spots = site.spots();
    let locality = Locality {
        latitude_deg: place.latitude,
        longitude_deg: place.longitude,
        height_m: Some(place.height),
        receiver_separation_m: None,
        decimal_year: Some(YEAR),
    };
    let frames = Frames { from: "EPSG:9989", from_epoch: Epoch::EachObservation, to: "EPSG:6319", locality, folders: &[] };
    if let Some(own) = frames.own() {
        site.frames = frames.others(&own, &spots);
        site.year = frames.year(&own, &spots);
    }
    site.zones = zones(&site.crs(), &spots);
    site
}

impl Site {
    /// NAD83(2011) / UTM.
    fn crs(&self) -> String {
        format!("EPSG:{}", 6329 + self.zone)
    }

    fn local(&self) -> Local {
        Local::at(self.place)
    }

    fn spots(&self) -> Vec<Spot> {
        self.stops
            .iter()
            .map(|s| {
                let g = geodetic(self.local().xyz(s.target));
                Spot { latitude_deg: g.latitude, longitude_deg: g.longitude, height_m: g.height, year: YEAR }
            })
            .collect()
    }
}

/// Something that is done wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Blunder {
    Nothing,
    GeoidOmitted,
    GeoidTwice,
    GeoidSign,
    ReceiverGeoid,
    GeoidModel,
    HeightSign,
    HeightFeet,
    PoleTwice,
    PoleLength,
    AntennaOffset,
    LeverMissing,
    RangeZero,
    RangeFeet,
    Boresight,
    Heading,
    NorthGrid,
    NorthMagnetic,
    PitchSign,
    RollSign,
    TiltSign,
    Exchanged,
    TiltMount,
    LagOfLeapSeconds,
    LagShort,
    Frame,
    ControlFrame,
    Epoch,
    FootInternational,
    FootSurvey,
    GridFeet,
    Axes,
    Zone,
    GroundScale,
    SiteScale,
    SiteRotation,
    Base,
    SessionShift,
    Mark,
    WrongFix,
    TwoTogether,
    Unknown,
}

/// Every single blunder.
pub(crate) const ALL: [Blunder; 39] = {
    use Blunder::*;
    [
        GeoidOmitted,
        GeoidTwice,
        GeoidSign,
        ReceiverGeoid,
        GeoidModel,
        HeightSign,
        HeightFeet,
        PoleTwice,
        PoleLength,
        AntennaOffset,
        LeverMissing,
        RangeZero,
        RangeFeet,
        Boresight,
        Heading,
        NorthGrid,
        NorthMagnetic,
        PitchSign,
        RollSign,
        TiltSign,
        Exchanged,
        TiltMount,
        LagOfLeapSeconds,
        LagShort,
        Frame,
        ControlFrame,
        Epoch,
        FootInternational,
        FootSurvey,
        GridFeet,
        Axes,
        Zone,
        GroundScale,
        SiteScale,
        SiteRotation,
        Base,
        SessionShift,
        Mark,
        WrongFix,
    ]
};

/// A survey, and what the blunder did to it.
pub(crate) struct Survey {
    shots: Vec<Shot>,
    facts: Facts,
    /// Names of the causes that are right.
    pub right: Vec<String>,
    /// Root mean square effect over its sigma, at the shots that it moves.
    pub effect: f64,
}

pub(crate) fn rig() -> Rig {
    let text = r#"{"rig":1,"name":"sim","receiver_output":"antenna-reference-point",
        "pole":{"reference_point_to_tip":{"x_m":0,"y_m":0,"z_m":2.0,"sigma_m":0.001},"applied_by":"gunter"},
        "laser":{"reference_point_to_laser":{"x_m":0.062,"y_m":-0.018,"z_m":0.745,"sigma_m":0.001},"beam_azimuth_deg":0.6,
            "beam_elevation_deg":-45,"beam_sigma_deg":0.1,"zero_m":0.0125,"zero_sigma_m":0.001,"range_sigma_m":0.0015},
        "attitude":{"north":"true","heading_sigma_deg":0.3,"tilt_sigma_deg":0.1,"heading_bias_sigma_deg":0.4,"tilt_bias_sigma_deg":0.08},
        "gnss":{"assumed_sigma_horizontal_m":0.01,"assumed_sigma_up_m":0.02}}"#;
    serde_json::from_str(text).unwrap_or_else(|e| panic!("{e}"))
}

const GNSS: [f64; 2] = [0.008, 0.014];
const BASE: [f64; 2] = [0.005, 0.008];
const GEOID: f64 = 0.008;
const MARK: [f64; 2] = [0.004, 0.005];

fn signed(n: &mut Noise, low: f64, high: f64) -> f64 {
    n.between(low, high) * if n.uniform() < 0.5 { 1.0 } else { -1.0 }
}

/// What a blunder does to delivered minus known in plan and height at each stop, beyond the chain.
struct Done {
    world: World,
    /// Added to delivered minus known: east, north, up, m.
    extra: Vec<V3>,
    right: Vec<String>,
}

#[allow(clippy::too_many_lines)]
fn blunder(site: &Site, what: Blunder, n: &mut Noise) -> Done {
    use Blunder as B;
    let count = site.stops.len();
    let mut done = Done { world: TRUE, extra: vec![[0.0; 3]; count], right: vec![] };
    let mut w = TRUE;
    let up = |v: f64| vec![[0.0, 0.0, v]; count];
    let meridian = site.zone as f64 * 6.0 - 183.0;
    let places: Vec<Geodetic> = site.stops.iter().map(|s| geodetic(site.local().xyz(s.target))).collect();
    let grid: Vec<(f64, f64)> = places.iter().map(|g| utm(*g, meridian)).collect();
    // Differences along the grid, m, to true east and north, as a comparison in the grid makes them.
    let factors: Vec<(f64, f64)> = places.iter().map(|g| factors_of(*g, meridian)).collect();
    let turned = |list: Vec<[f64; 2]>| -> Vec<V3> {
        list.into_iter()
            .zip(&factors)
            .map(|([e, n], (turn, k))| {
                let (s, c) = turn.to_radians().sin_cos();
                [(e * c + n * s) / k, (n * c - e * s) / k, 0.0]
            })
            .collect()
    };
    let mut right = |id: &str| done.right.push(id.to_owned());
    match what {
        B::Nothing => {}
        B::GeoidOmitted => (done.extra, _) = (up(site.separation), right("geoid-omitted")),
        B::GeoidTwice => (done.extra, _) = (up(-site.separation), right("geoid-twice")),
        B::GeoidSign => (done.extra, _) = (up(2.0 * site.separation), right("geoid-sign")),
        B::ReceiverGeoid => (done.extra, _) = (up(site.separation - site.receiver), right("receiver-geoid")),
        B::GeoidModel => (done.extra, _) = (up(signed(n, 0.05, 0.6)), right("geoid-model")),
        B::HeightSign => {
            (done.extra, _) = (site.stops.iter().map(|s| [0.0, 0.0, 2.0 * (40.0 + s.target[2])]).collect(), right("height-sign"))
        }
        B::HeightFeet => {
            done.extra = site.stops.iter().map(|s| 40.0 + s.target[2]).map(|h| [0.0, 0.0, h - h / 0.3048]).collect();
            right("height-feet");
        }
        B::PoleTwice => (w.pole, _) = ([0.0; 3], right("pole-twice")),
        B::PoleLength => (w.pole[2], _) = (w.pole[2] + signed(n, 0.05, 0.5), right("pole-length")),
        B::AntennaOffset => {
            let d = signed(n, 0.03, 0.15);
            (w.pole[2], w.lever[2]) = (w.pole[2] + d, w.lever[2] + d);
            right("antenna-offset");
        }
        B::LeverMissing => (w.lever, _) = ([0.0; 3], right("lever-missing")),
        B::RangeZero => (w.zero, _) = (w.zero + signed(n, 0.03, 0.3), right("range-zero")),
        B::RangeFeet => (w.scale, _) = (0.3048, right("range-feet")),
        B::Boresight => (w.beam, _) = ([w.beam[0] + signed(n, 0.5, 5.0), w.beam[1] + signed(n, 0.5, 5.0)], right("boresight")),
        B::Heading => (w.heading, _) = (signed(n, 2.0, 20.0), right("heading")),
        B::NorthGrid => (w.heading, _) = (3.0 * factors_of(site.place, meridian).0, right("north-grid")),
        B::NorthMagnetic => (w.heading, _) = (site.declination, right("north-magnetic")),
        B::PitchSign => (w.signs, _) = ([-1.0, 1.0], right("pitch-sign")),
        B::RollSign => (w.signs, _) = ([1.0, -1.0], right("roll-sign")),
        B::TiltSign => (w.signs, _) = ([-1.0, -1.0], right("tilt-sign")),
        B::Exchanged => (w.exchanged, _) = (true, right("pitch-roll-exchanged")),
        B::TiltMount => (w.tilt, _) = ([signed(n, 0.5, 3.0), signed(n, 0.5, 3.0)], right("tilt-mount")),
        B::LagOfLeapSeconds => {
            let side = if n.uniform() < 0.5 { 1 } else { -1 };
            w.lag_tenths = 180 * side;
            right(&format!("lag {:+.2} s", 18.0 * side as f64));
        }
        B::LagShort => {
            let k = (n.uniform() * 5.0) as usize;
            let lag = LAGS[k + 1] * if n.uniform() < 0.5 { 1.0 } else { -1.0 };
            w.lag_tenths = (lag * 10.0).round() as i64;
            right(&format!("lag {lag:+.2} s"));
        }
        B::Frame | B::ControlFrame => {
            // The corrections were in the target frame already: the shift is applied to what needs none.
            for (e, g) in done.extra.iter_mut().zip(&places) {
                let x = geocentric(*g);
                *e = Local::at(*g).enu(if what == B::Frame {
                    itrf2020_to_nad83(x, YEAR)
                } else {
                    add(x, sub(x, nad83_to_itrf2020(x, YEAR)))
                });
            }
            right(if what == B::Frame { "frame-EPSG:6319" } else { "control-frame-EPSG:9989" });
        }
        B::Epoch => {
            let years = signed(n, 3.0, 20.0);
            for (e, g) in done.extra.iter_mut().zip(&places) {
                let x = nad83_to_itrf2020(geocentric(*g), YEAR);
                *e = Local::at(*g).enu(itrf2020_to_nad83(x, YEAR - years));
            }
            right("epoch");
        }
        B::FootInternational => {
            (done.extra, _) = (turned(grid.iter().map(|g| [-FEET_APART * g.0, -FEET_APART * g.1]).collect()), right("foot-international"))
        }
        B::FootSurvey => {
            (done.extra, _) = (turned(grid.iter().map(|g| [FEET_APART * g.0, FEET_APART * g.1]).collect()), right("foot-survey"))
        }
        B::GridFeet => {
            (done.extra, _) = (turned(grid.iter().map(|g| [g.0 - g.0 / 0.3048, g.1 - g.1 / 0.3048]).collect()), right("grid-feet"))
        }
        B::Axes => (done.extra, _) = (turned(grid.iter().map(|g| [g.0 - g.1, g.1 - g.0]).collect()), right("axes-exchanged")),
        B::Zone => {
            let step = if n.uniform() < 0.5 { 1 } else { -1 };
            let other: Vec<(f64, f64)> = places.iter().map(|g| utm(*g, meridian + 6.0 * step as f64)).collect();
            done.extra = turned(grid.iter().zip(&other).map(|(a, b)| [a.0 - b.0, a.1 - b.1]).collect());
            right(&format!("zone-EPSG:{}", 6329 + site.zone + step));
        }
        B::GroundScale => {
            let factor: Vec<f64> = places.iter().map(|g| factors_of(*g, meridian).1 * (1.0 - g.height / 6_371_000.0)).collect();
            done.extra = turned(grid.iter().zip(&factor).map(|(g, f)| [g.0 - g.0 / f, g.1 - g.1 / f]).collect());
            right("ground-scale");
        }
        B::SiteScale => {
            let k = 1e-6 * signed(n, 80.0, 600.0);
            let about = [n.between(-200.0, 200.0), n.between(-200.0, 200.0)];
            done.extra = site.stops.iter().map(|s| [k * (s.target[0] - about[0]), k * (s.target[1] - about[1]), 0.0]).collect();
            right("site-scale");
        }
        B::SiteRotation => {
            let a = signed(n, 0.02, 2.5).to_radians();
            let about = [n.between(-200.0, 200.0), n.between(-200.0, 200.0)];
            done.extra = site.stops.iter().map(|s| [a * (s.target[1] - about[1]), -a * (s.target[0] - about[0]), 0.0]).collect();
            right("site-rotation");
        }
        B::Base => (done.extra, _) = (vec![[signed(n, 0.05, 2.0), signed(n, 0.05, 2.0), signed(n, 0.05, 2.0)]; count], right("base-shift")),
        B::SessionShift => {
            let shift = [signed(n, 0.05, 1.0), signed(n, 0.05, 1.0), signed(n, 0.05, 1.0)];
            let which = usize::from(n.uniform() < 0.5);
            for (e, s) in done.extra.iter_mut().zip(&site.stops) {
                if s.session == which {
                    *e = shift;
                }
            }
            right(&format!("session-shift-{}", which + 1));
        }
        B::Mark => {
            let which = (n.uniform() * site.marks as f64) as usize;
            let shift = [signed(n, 0.1, 1.0), signed(n, 0.1, 1.0), signed(n, 0.02, 0.3)];
            for (e, s) in done.extra.iter_mut().zip(&site.stops) {
                if s.mark == which {
                    *e = shift;
                }
            }
            right(&format!("mark-M{which}"));
        }
        B::WrongFix => {
            // A mark that is shot twice: the second shot fails.
            done.extra[count - 1] = [signed(n, 0.1, 0.6), signed(n, 0.1, 0.6), signed(n, 0.1, 0.9)];
            right(&format!("shot-{count}"));
        }
        B::TwoTogether => {
            w.pole[2] += signed(n, 0.1, 0.5);
            w.heading = signed(n, 8.0, 20.0);
            done.right = vec!["pole-length".to_owned(), "heading".to_owned()];
        }
        B::Unknown => {
            for e in &mut done.extra {
                *e = [0, 1, 2].map(|_| 0.25 * n.normal());
            }
        }
    }
    done.world = w;
    done
}

/// Convergence (deg, clockwise from true to grid north) and scale of the transverse Mercator grid, by small steps along the meridian.
fn factors_of(g: Geodetic, meridian: f64) -> (f64, f64) {
    let step = 1e-5;
    let at = |s: f64| Geodetic { latitude: g.latitude + s * step, ..g };
    let ((ae, an), (be, bn)) = (utm(at(-1.0), meridian), utm(at(1.0), meridian));
    let d = sub(geocentric(Geodetic { height: 0.0, ..at(1.0) }), geocentric(Geodetic { height: 0.0, ..at(-1.0) }));
    let (e, n) = (be - ae, bn - an);
    ((-e).atan2(n).to_degrees(), e.hypot(n) / (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt())
}

/// A survey of a site with a blunder.
pub(crate) fn survey(site: &Site, what: Blunder, seed: u64) -> Survey {
    let mut n = Noise::new(seed, &format!("{what:?}"));
    let done = blunder(site, what, &mut n);
    let rig = rig();
    let setup = Setup::of(&rig, 0.0);
    let heading: Vec<f64> = (0..2).map(|_| 0.4 * n.normal()).collect();
    let tilt = [0.08 * n.normal(), 0.08 * n.normal()];
    let drawn = NOMINAL.drawn(&mut n);
    let base = [BASE[0] * n.normal(), BASE[0] * n.normal(), BASE[1].hypot(GEOID) * n.normal()];
    let mark_errors: Vec<V3> = (0..site.marks).map(|_| [MARK[0] * n.normal(), MARK[0] * n.normal(), MARK[1] * n.normal()]).collect();
    let meridian = site.zone as f64 * 6.0 - 183.0;
    // A grid of a wide belt turns three times as far as one of six degrees; grid north is told by that.
    let wide = if what == Blunder::NorthGrid { 3.0 } else { 1.0 };
    let mut shots = vec![];
    let (mut effects, mut moved) = (0.0, 0.0);
    for (k, stop) in site.stops.iter().enumerate() {
        // The world: its own settings, moved by what the rig file declares as uncertain.
        let mut world = done.world;
        world.heading += heading[stop.session];
        world.tilt = [world.tilt[0] + tilt[0], world.tilt[1] + tilt[1]];
        world.beam = [world.beam[0] + drawn.azimuth - NOMINAL.azimuth, world.beam[1] + drawn.elevation - NOMINAL.elevation];
        world.zero += drawn.zero - NOMINAL.zero;
        let job = TRUE;
        let back = sub(job.mean(stop), world.mean(stop));
        let arm = job.mean(stop);
        let rig_sigma = arm[0].hypot(arm[1]) * 0.45_f64.to_radians() + 0.002;
        let noise = [GNSS[0] * n.normal(), GNSS[0] * n.normal(), GNSS[1] * n.normal()];
        let mut residual = [0.0; 3];
        for a in 0..3 {
            residual[a] = back[a] + done.extra[k][a] + noise[a] + base[a] - mark_errors[stop.mark][a];
        }
        let sigma_m = [
            (GNSS[0].powi(2) + BASE[0].powi(2) + rig_sigma.powi(2) / 2.0).sqrt(),
            (GNSS[0].powi(2) + BASE[0].powi(2) + rig_sigma.powi(2) / 2.0).sqrt(),
            (GNSS[1].powi(2) + BASE[1].powi(2) + GEOID.powi(2) + 0.003_f64.powi(2)).sqrt(),
        ];
        let clean = sub(job.mean(stop), done.world.mean(stop));
        let effect = [0, 1, 2].map(|a| (clean[a] + done.extra[k][a]) / sigma_m[a].hypot(MARK[usize::from(a == 2)]));
        let square: f64 = effect.iter().map(|e| e * e).sum();
        if square > 0.01 {
            effects += square;
            moved += 1.0;
        }
        let g = geodetic(site.local().xyz(stop.target));
        let (e, north) = utm(geodetic(site.local().xyz(stop.target)), meridian);
        shots.push(Shot {
            point: format!("M{}", stop.mark),
            mark: stop.mark,
            session: stop.session,
            residual_m: residual,
            sigma_m,
            correlation: 0.0,
            mark_sigma_m: MARK,
            grid_m: [e, north],
            convergence_deg: factors_of(g, meridian).0 * wide,
            scale: factors_of(g, meridian).1,
            height_m: 40.0 + stop.target[2] + done.extra[k][2],
            ellipsoidal_m: g.height,
            separation_m: site.separation,
            receiver_separation_m: site.receiver,
            aim: stop.aim,
            samples: (-40..=40).step_by(4).map(|t| sample(stop, t)).collect(),
        });
        if matches!(what, Blunder::HeightSign | Blunder::HeightFeet) {
            // Here the control's numbers are wrong and the delivery is right.
            shots[k].height_m = 40.0 + stop.target[2];
        }
    }
    let lags = LAGS
        .iter()
        .flat_map(|l| [*l, -*l])
        .map(|lag| {
            let tenths = (lag * 10.0_f64).round() as i64;
            let enu = site
                .stops
                .iter()
                .zip(&shots)
                .map(|(stop, shot)| {
                    let later: Vec<Sample> = (-40..=40).step_by(4).map(|t| sample(stop, t + tenths)).collect();
                    let have = setup.offset(stop.aim, &shot.samples).unwrap_or([f64::NAN; 3]);
                    sub(have, setup.offset(stop.aim, &later).unwrap_or([f64::NAN; 3]))
                })
                .collect();
            (lag, enu)
        })
        .collect();
    let facts = Facts {
        setup: Some(setup),
        common_m: [BASE[0], BASE[1].hypot(GEOID)],
        declared: declared(&setup, &rig, 0.0, &shots),
        frames: site.frames.clone(),
        year: site.year.clone(),
        others: site.zones.clone(),
        lags,
        declination_deg: Some(site.declination),
        vertical_datum: true,
    };
    Survey { shots, facts, right: done.right, effect: if moved > 0.0 { (effects / moved).sqrt() } else { 0.0 } }
}

fn sample(stop: &Stop, tenth: i64) -> Sample {
    let p = stop.at(tenth);
    Sample {
        heading_deg: p.heading,
        pitch_deg: p.pitch,
        roll_deg: p.roll,
        range_m: if stop.aim == Aim::Laser { stop.range } else { f64::NAN },
    }
}

/// What the finder says of a survey.
pub(crate) struct Said {
    pub outcome: Outcome,
    /// Names of the causes that cannot be told apart, the first first; a pair is one name with ` + `.
    pub first: Vec<Vec<String>>,
}

pub(crate) fn ask(survey: &Survey) -> Said {
    let list = hypotheses(&survey.shots, &survey.facts);
    let ranking: Ranking = rank(&survey.shots, &list, &survey.facts);
    let first = ranking.ranked.iter().take(ranking.alike).map(|e| e.causes.iter().map(|c| list[*c].id.clone()).collect()).collect();
    Said { outcome: ranking.outcome, first }
}

/// One line of the table.
#[derive(Default, Clone, Debug)]
pub(crate) struct Line {
    /// Surveys whose effect exceeds four sigma.
    pub tried: usize,
    /// Of these: the right cause is first, alone or among those that cannot be told apart.
    pub right: usize,
    /// Of these: the right cause is first and alone.
    pub alone: usize,
    /// Surveys below four sigma, not counted.
    pub small: usize,
    /// What was said in place of the right cause.
    pub instead: std::collections::BTreeMap<String, usize>,
}

pub(crate) fn line(sites: &[Site], what: Blunder) -> Line {
    let mut out = Line::default();
    for (k, site) in sites.iter().enumerate() {
        let survey = survey(site, what, 7_000 + k as u64);
        if survey.effect < 4.0 && !matches!(what, Blunder::Nothing) {
            out.small += 1;
            continue;
        }
        out.tried += 1;
        let said = ask(&survey);
        let mut want = survey.right.clone();
        want.sort();
        let hit = |names: &Vec<String>| {
            let mut have = names.clone();
            have.sort();
            have == want
        };
        let right = match what {
            Blunder::Nothing => said.outcome == Outcome::Clean,
            Blunder::Unknown => said.outcome == Outcome::NoneOfThese,
            _ => said.outcome == Outcome::Found && said.first.iter().any(hit),
        };
        if right {
            out.right += 1;
            out.alone += usize::from(said.first.len() == 1);
        } else {
            let name = if said.outcome == Outcome::Found { said.first[0].join(" + ") } else { format!("{:?}", said.outcome) };
            *out.instead.entry(name).or_default() += 1;
        }
    }
    out
}
