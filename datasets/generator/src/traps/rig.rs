//! Traps about the rig: a change of base, an antenna that nobody knows, a stream in another time, a cold heading;
//! and the shots of a calibration.

use super::{SEED, ellipsoid};
use crate::earth::{Geodetic, Local, V3, geodetic, sub};
use crate::epoch::{Ellipse, Epoch};
use crate::nmea::{self, Line, Mix};
use crate::noise::{Correlated, Noise};
use crate::pose::Pose;
use crate::rig::{NOMINAL, Rig};
use crate::time::{self, Ms};
use libm::sin;
use std::fmt::Write as _;

/// Position, noise and a date each ten seconds: the logs are long.
const SPARSE: Mix = Mix { rmc: 10_000, ..nmea::SHORT };
const POINTS: &str = "point,code,from,to,remark,diameter_mm,surface,aim\n";

/// What stands at a time: where the tip or the mark is from the origin, how the pole stands.
struct Moment {
    antenna: V3,
    pose: Pose,
    range: Option<f64>,
    base: &'static str,
}

/// A log of moments `step` apart, with GNSS noise of `sigma` (m, each horizontal axis).
fn log(name: &str, origin: Geodetic, start: Ms, step: Ms, sigma: f64, moments: &[Moment], with_pose: bool) -> Vec<u8> {
    let mut n = Noise::new(SEED, name);
    #[allow(clippy::cast_precision_loss)]
    let dt = step as f64 / 1000.0;
    let mut axis = [0; 3].map(|_| Correlated::new(&mut n, dt, 115.0));
    let frame = Local::at(origin);
    let mut lines: Vec<Line> = vec![];
    for (k, m) in moments.iter().enumerate() {
        let [a, b, c] = [0, 1, 2].map(|i| axis[i].next(&mut n));
        let at = [m.antenna[0] + sigma * a, m.antenna[1] + sigma * b, m.antenna[2] + 1.8 * sigma * c];
        let mut small = |s: f64| s * n.normal();
        let pose = Pose { heading: m.pose.heading + small(0.3), pitch: m.pose.pitch + small(0.1), roll: m.pose.roll + small(0.1) };
        let range = m.range.map(|r| r + small(0.0015));
        let epoch = Epoch {
            time: start + i64::try_from(k).unwrap_or(0) * step,
            place: geodetic(frame.xyz(at)),
            separation: -25.3,
            quality: 4,
            satellites: 24,
            hdop: 0.71,
            age: Some(1.2),
            base: m.base,
            noise: Some(Ellipse { major: 1.05 * sigma, minor: 0.95 * sigma, direction: 24.0, up: 1.8 * sigma }),
            pose: with_pose.then_some(pose),
            range,
            speed: 0.01,
            course: 0.0,
        };
        nmea::write(&epoch, &SPARSE, &mut lines);
    }
    nmea::bytes(&lines, &[])
}

/// The antenna above a tip.
fn above(tip: V3, pose: Pose) -> V3 {
    sub(tip, pose.enu(NOMINAL.pole))
}

struct Files {
    name: &'static str,
    out: Vec<(String, Vec<u8>)>,
}

impl Files {
    fn add(&mut self, file: &str, text: impl Into<Vec<u8>>) {
        self.out.push((format!("{}/{file}", self.name), text.into()));
    }

    fn expect(&mut self, what: &str, code: &str, verdict: &str, more: &str) {
        self.add("expect.yaml", format!("# {what}\ncode: {code}\nverdict: {verdict}\ndelivers: false\n{more}"));
    }
}

/// The chain from the log to a text of points, with the steps of a trap in between.
fn job(name: &str, what: &str, rig: &str, steps: &[(&str, &str, &str)]) -> String {
    let mut s =
        format!("job: 1\nname: {name}\nsummary: \"{what}\"\nrig: {rig}\nreference: reference.yaml\nresults: results/{name}\nsteps:\n");
    for (id, stage, options) in steps {
        let _ = write!(s, "  - id: {id}\n    stage: {stage}\n");
        if !options.is_empty() {
            let _ = writeln!(s, "    options: {{ {options} }}");
        }
    }
    s
}

const INGEST: (&str, &str, &str) = ("epochs", "ingest-nmea", "files: [\"day.nmea\"], untimed: after-time");
const OCCUPY: (&str, &str, &str) = ("occupied", "occupations", "notes: [\"notes.csv\"], notes_time: utc");
const GATE: (&str, &str, &str) = ("good", "quality-gate", "fix: [rtk-fixed], max_correction_age_s: 10");
const TILT: (&str, &str, &str) = ("targets", "tilt-correct", "");
const POINT: (&str, &str, &str) = ("points", "average", "");
const GRID: (&str, &str, &str) = ("grid", "reproject", "");
const CSV: (&str, &str, &str) = ("csv", "export-csv", "path: points.csv");

fn note(point: &str, from: Ms, to: Ms, aim: &str) -> String {
    format!("{point},W-VALVE,{},{},,150,top,{aim}\n", time::notes(from), time::notes(to))
}

/// S6: the base changes in the middle of an occupation.
fn base_changes() -> Files {
    let mut f = Files { name: "traps/S6", out: vec![] };
    let what = "the corrections come from base 0417 for 70 epochs and from base 0633 for the last 50";
    let start = time::at(2026, 6, 11, 9, 12, 0);
    let pose = Pose { heading: 118.0, pitch: 1.7, roll: -0.9 };
    let moments: Vec<Moment> = (0..120)
        .map(|k| {
            // The second base's coordinates are 31 mm off the first one's.
            let shift = if k < 70 { [0.0; 3] } else { [0.024, -0.014, 0.013] };
            let a = above([0.0; 3], pose);
            let antenna = [a[0] + shift[0], a[1] + shift[1], a[2] + shift[2]];
            Moment { antenna, pose, range: None, base: if k < 70 { "0417" } else { "0633" } }
        })
        .collect();
    let origin = Geodetic { latitude: 27.512, longitude: -86.634, height: -23.1 };
    f.add("day.nmea", log("S6", origin, start, 1000, 0.006, &moments, true));
    f.add("notes.csv", format!("{POINTS}{}", note("V-44", start, start + 119_000, "tip")));
    f.add("rig.yaml", NOMINAL.yaml_without_laser("trap pole", "antenna-reference-point", "gunter"));
    f.add("reference.yaml", ellipsoid("EPSG:6345").yaml());
    f.add("job.yaml", job("S6", what, "rig.yaml", &[INGEST, OCCUPY, GATE, TILT, POINT, GRID, CSV]));
    let one = ("good", "quality-gate", "fix: [rtk-fixed], max_correction_age_s: 10, base_station: [\"0417\"]");
    f.add("fixed.yaml", job("S6", what, "rig.yaml", &[INGEST, OCCUPY, one, TILT, POINT, GRID, CSV]));
    f.expect(what, "average/base-changed", "hold", "point: V-44\n");
    f
}

/// A file of invented antennas in ANTEX 1.4.
fn antennas() -> String {
    let mut out = String::new();
    let mut line = |text: &str, label: &str| {
        let _ = writeln!(out, "{text:<60}{label:<20}");
    };
    line("     1.4            M", "ANTEX VERSION / SYST");
    line("A", "PCV TYPE / REFANT");
    line("Invented antennas.", "COMMENT");
    line("", "END OF HEADER");
    for (kind, up) in [("SALTGRASS-5     NONE", 71.44), ("SALTGRASS-7     DOME", 96.08), ("SALTGRASS-7     NONE", 93.12)] {
        line("", "START OF ANTENNA");
        line(&format!("{kind:<20}{:<20}", ""), "TYPE / SERIAL NO");
        line("ROBOT               INVENTED                 3    14-FEB-25", "METH / BY / # / DATE");
        line("     0.0", "DAZI");
        line("     0.0  90.0  10.0", "ZEN1 / ZEN2 / DZEN");
        line("     1", "# OF FREQUENCIES");
        line("   G01", "START OF FREQUENCY");
        line(&format!("{:>10.2}{:>10.2}{up:>10.2}", 0.61, -0.34), "NORTH / EAST / UP");
        line("   NOAZI    0.00   -0.21   -0.78   -1.49   -2.05   -2.21   -1.84   -0.92    0.61    3.02", "");
        line("   G01", "END OF FREQUENCY");
        line("", "END OF ANTENNA");
    }
    out
}

/// S10: an antenna that is not in the antenna file.
fn unknown_antenna() -> Files {
    let mut f = Files { name: "traps/S10", out: vec![] };
    let what = "the log gives the phase centre of an antenna that the antenna file does not have";
    let start = time::at(2026, 6, 11, 10, 40, 0);
    let pose = Pose { heading: 211.0, pitch: -1.2, roll: 0.4 };
    let moments: Vec<Moment> = (0..60)
        .map(|_| {
            // The phase centre lies above the reference point, along the pole.
            let up = pose.enu([0.0, 0.0, -0.093_12]);
            let a = above([0.0; 3], pose);
            Moment { antenna: [a[0] + up[0], a[1] + up[1], a[2] + up[2]], pose, range: None, base: "0417" }
        })
        .collect();
    let origin = Geodetic { latitude: 27.347, longitude: -87.208, height: -22.4 };
    f.add("day.nmea", log("S10", origin, start, 1000, 0.006, &moments, true));
    f.add("notes.csv", format!("{POINTS}{}", note("V-52", start, start + 59_000, "tip")));
    let rig = |antenna: &str| {
        let model = format!("antenna:\n  antex: {{ file: antennas.atx, antenna: \"{antenna}\", frequency: G01, sigma_m: 0.001 }}\npole:");
        NOMINAL.yaml_without_laser("trap pole", "antenna-phase-centre", "gunter").replacen("pole:", &model, 1)
    };
    f.add("rig.yaml", rig("SALTGRASS-8     NONE"));
    f.add("rig-fixed.yaml", rig("SALTGRASS-7     NONE"));
    f.add("antennas.atx", antennas());
    f.add("reference.yaml", ellipsoid("EPSG:6345").yaml());
    let steps = [INGEST, OCCUPY, GATE, TILT, POINT, GRID, CSV];
    f.add("job.yaml", job("S10", what, "rig.yaml", &steps));
    f.add("fixed.yaml", job("S10", what, "rig-fixed.yaml", &steps));
    f.expect(what, "rig/antenna-not-in-file", "block", "");
    f
}

/// Heading, pitch and roll of a crew that walks and stands in turn, and how far it has come, at a time in seconds. Twelve seconds
/// of every thirty it walks; the lengths differ a little.
fn crew(t: f64) -> (Pose, f64) {
    let (mut at, mut way, mut k) = (0.0, 0.0, 0_u32);
    let mut heading = 40.0;
    loop {
        let stand = 13.0 + 6.0 * sin(f64::from(k) * 2.4);
        let walk = 10.0 + 4.0 * sin(f64::from(k) * 1.7 + 1.0);
        if t < at + stand {
            return (Pose { heading, pitch: -1.1, roll: 0.6 }, way);
        }
        at += stand;
        if t < at + walk {
            let s = t - at;
            let swing = sin(s * 4.1);
            let pose = Pose { heading: heading + 25.0 * sin(s * 1.3), pitch: -1.1 + 9.0 * swing, roll: 0.6 + 5.0 * sin(s * 2.9) };
            return (pose, way + 1.15 * s);
        }
        at += walk;
        way += 1.15 * walk;
        heading += 31.0;
        k += 1;
    }
}

/// T16: the attitude is stamped in GPS time and declared as UTC.
fn gps_time() -> Files {
    let mut f = Files { name: "traps/T16", out: vec![] };
    let what = "the attitude stream is stamped in GPS time and the job calls it UTC";
    let start = time::at(2026, 6, 11, 16, 20, 0);
    let seconds = 330;
    let moments: Vec<Moment> = (0..seconds)
        .map(|k| {
            let (pose, way) = crew(f64::from(k));
            Moment { antenna: above([0.6 * way, 0.8 * way, 0.0], pose), pose, range: None, base: "0417" }
        })
        .collect();
    let origin = Geodetic { latitude: 27.655, longitude: -87.911, height: -24.6 };
    f.add("day.nmea", log("T16", origin, start, 1000, 0.006, &moments, false));
    let mut n = Noise::new(SEED, "T16 imu");
    let mut imu = String::from("time_s,yaw_deg,pitch_deg,roll_deg\n");
    for k in -150..(seconds + 30) * 5 {
        let t = f64::from(k) / 5.0;
        let (pose, _) = crew(t.max(0.0));
        let mut small = |s: f64| s * n.normal();
        let (h, p, r) = (pose.heading + small(0.3), pose.pitch + small(0.1), pose.roll + small(0.1));
        // GPS time is 18 s ahead of UTC since 2017.
        let ms = start + i64::from(k) * 200 + 18_000;
        let _ = writeln!(imu, "{}.{:03},{:.2},{p:.2},{r:.2}", ms / 1000, ms % 1000, crate::pose::wrap(h));
    }
    f.add("imu.csv", imu);
    // The first stand, and one in the middle.
    f.add("notes.csv", format!("{POINTS}{}", note("V-61", start + 1000, start + 11_000, "tip")));
    f.add("rig.yaml", NOMINAL.yaml_without_laser("trap pole", "antenna-reference-point", "gunter"));
    f.add("reference.yaml", ellipsoid("EPSG:6345").yaml());
    let stream = |scale: &str| {
        format!(
            "files: [\"imu.csv\"], time: {{ column: time_s, format: unix-s, scale: {scale} }}, max_gap_s: 0.5, \
             heading: {{ column: yaw_deg, unit: deg }}, pitch: {{ column: pitch_deg, unit: deg }}, roll: {{ column: roll_deg, unit: deg }}"
        )
    };
    for (file, scale) in [("job.yaml", "utc"), ("fixed.yaml", "gps")] {
        let stream = stream(scale);
        let joined = ("targets", "tilt-correct", "sensors: joined");
        let steps =
            [INGEST, ("lag", "estimate-lag", stream.as_str()), ("attitude", "time-join", &stream), OCCUPY, GATE, joined, POINT, GRID, CSV];
        f.add(file, job("T16", what, "rig.yaml", &steps));
    }
    f.expect(what, "time/stream-lags", "block", "seen: run\n");
    f
}

/// T17: a shot with a leaned pole after a long stand, with an inertial heading.
fn cold_heading() -> Files {
    let mut f = Files { name: "traps/T17", out: vec![] };
    let what = "a tip at 34 deg of tilt, 13 minutes after the last step, with an inertial heading";
    let start = time::at(2026, 6, 11, 11, 30, 0);
    let moments: Vec<Moment> = (0..420)
        .map(|k| {
            // Every two seconds; the first 40 s it walks.
            let t = 2.0 * f64::from(k);
            let way = 1.2 * t.min(40.0);
            let leaned = k >= 400;
            let pose = Pose { heading: 252.0, pitch: if leaned { 34.0 } else { -1.3 }, roll: 0.7 };
            // When it leans, the antenna goes back and the tip stays at the point.
            Moment { antenna: above([way, 0.3 * way, 0.0], pose), pose, range: None, base: "0417" }
        })
        .collect();
    let origin = Geodetic { latitude: 27.281, longitude: -86.493, height: -22.9 };
    f.add("day.nmea", log("T17", origin, start, 2000, 0.006, &moments, true));
    f.add("notes.csv", format!("{POINTS}{}", note("V-73", start + 802_000, start + 838_000, "tip")));
    let rig = NOMINAL.yaml_without_laser("trap pole", "antenna-reference-point", "gunter");
    f.add("rig.yaml", rig.replace("  tilt_bias_sigma_deg", "  heading_drift_deg_per_min: 0.35\n  tilt_bias_sigma_deg"));
    f.add("reference.yaml", ellipsoid("EPSG:6345").yaml());
    let judged = ("warm", "heading-gate", "max_across_m: 0.025");
    let steps = [INGEST, GATE, ("age", "heading-age", ""), OCCUPY, TILT, judged, POINT, GRID, CSV];
    f.add("job.yaml", job("T17", what, "rig.yaml", &steps));
    f.expect(what, "rig/heading-too-old", "reshoot", "point: V-73\n");
    f
}

/// Shots to a nail at eight attitudes with a beam that is 0.5 deg off, and the same with only the first two.
fn calibration() -> Files {
    let mut f = Files { name: "calibration", out: vec![] };
    let start = time::at(2026, 6, 12, 8, 0, 0);
    // Half a degree across the beam, of which azimuth takes more because the beam points down.
    let real = Rig { azimuth: NOMINAL.azimuth + 0.5 / libm::cos(45.0_f64.to_radians()), ..NOMINAL };
    let attitudes = [
        (12.0, 35.0, 2.0, 2.6),
        (104.0, -33.0, -1.0, 5.8),
        (196.0, 1.0, 36.0, 5.4),
        (288.0, -2.0, -34.0, 3.1),
        (33.0, 24.0, 26.0, 6.2),
        (127.0, -25.0, -24.0, 5.1),
        (219.0, 26.0, -25.0, 6.0),
        (311.0, -24.0, 25.0, 4.2),
    ];
    let (mut moments, mut notes) = (vec![], vec![]);
    for (k, (heading, pitch, roll, range)) in attitudes.into_iter().enumerate() {
        let pose = Pose { heading, pitch, roll };
        let b = real.beam();
        let body = [0, 1, 2].map(|i| real.lever[i] + (range + real.zero) * b[i]);
        let arm = pose.enu(body);
        let from = start + i64::try_from(k).unwrap_or(0) * 120_000;
        // Forty epochs at the attitude, ten on the way to the next; the log has a step of two seconds and a bit.
        moments.extend((0..60).map(|i| Moment {
            antenna: [-arm[0], -arm[1], -arm[2]],
            pose,
            range: (i < 50).then_some(range),
            base: "0417",
        }));
        notes.push(note("NAIL", from, from + 98_000, "laser"));
    }
    let origin = Geodetic { latitude: 27.104, longitude: -87.362, height: -24.2 };
    f.add("day.nmea", log("calibration", origin, start, 2000, 0.004, &moments, true));
    f.add("notes.csv", format!("{POINTS}{}", notes.concat()));
    f.add("notes-two.csv", format!("{POINTS}{}", notes[..2].concat()));
    f.add("rig.yaml", NOMINAL.yaml("bench pole", "antenna-reference-point", "gunter"));
    f.add("reference.yaml", ellipsoid("EPSG:6345").yaml());
    let mark = format!(
        "{{ point: NAIL, latitude_deg: {}, longitude_deg: {}, ellipsoidal_height_m: {}, sigma_horizontal_m: 0.003, sigma_up_m: 0.005 }}",
        origin.latitude, origin.longitude, origin.height
    );
    let options = format!("marks: [{mark}], by: bench crew (invented)");
    for (file, list) in [("job.yaml", "notes.csv"), ("job-two.yaml", "notes-two.csv")] {
        let occupied = format!("notes: [\"{list}\"], notes_time: utc");
        let steps = [INGEST, ("occupied", "occupations", occupied.as_str()), GATE, ("rig", "calibrate-rig", &options)];
        f.add(file, job("calibration", "shots to a nail at several attitudes", "rig.yaml", &steps));
    }
    let check = format!("marks: [{mark}], limit_m: 0.03");
    let steps = [INGEST, ("occupied", "occupations", OCCUPY.2), GATE, ("check", "daily-check", &check)];
    f.add("job-check.yaml", job("check", "the rig as it is, against the nail", "rig.yaml", &steps));
    f
}

/// All files: name and content.
pub(super) fn files() -> Vec<(String, Vec<u8>)> {
    [base_changes(), unknown_antenna(), gps_time(), cold_heading(), calibration()].into_iter().flat_map(|f| f.out).collect()
}
