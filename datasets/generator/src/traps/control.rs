//! Traps that only control can see: several marks, occupied with the tip one after the other.

use super::{Still, datum, ellipsoid};
use crate::earth::{Geodetic, Local, geocentric, geodetic, itrf2020_to_nad83, utm};
use crate::files::{self, CHAIN, Step, step};
use crate::geoid::Grid;
use crate::nmea::{self, Line};
use crate::pose::Pose;
use crate::rig::NOMINAL;
use crate::time::{self, Ms};
use std::fmt::Write as _;

/// An occupied point: name, metres east and north of the middle, metres up.
type Stop = (&'static str, [f64; 3]);

const MIDDLE: [f64; 3] = [27.187, -86.512, -22.3];
const MARKS: [Stop; 4] =
    [("CP1", [-160.0, -90.0, 0.4]), ("CP2", [150.0, -110.0, -0.3]), ("CP4", [170.0, 120.0, 0.9]), ("CP7", [-140.0, 130.0, 0.1])];
const FIVE: [Stop; 5] = [
    ("CP1", [-160.0, -90.0, 0.4]),
    ("CP2", [150.0, -110.0, -0.3]),
    ("CP3", [170.0, 120.0, 0.9]),
    ("CP4", [-140.0, 130.0, 0.1]),
    ("CP5", [10.0, 15.0, 0.2]),
];
const COUNT: usize = 60;

/// What stands where: the place of the antenna as the log has it, and the tip below it in the same frame.
struct Occupied {
    name: &'static str,
    still: Still,
    tip: Geodetic,
}

fn start() -> Ms {
    time::at(2026, 6, 11, 14, 5, 0)
}

fn occupy(stops: &[Stop]) -> Vec<Occupied> {
    let middle = Local::at(Geodetic { latitude: MIDDLE[0], longitude: MIDDLE[1], height: MIDDLE[2] });
    stops
        .iter()
        .zip(0_i64..)
        .map(|((name, at), k)| {
            let place = geodetic(middle.xyz(*at));
            let still = Still { start: start() + k * 60_000, count: COUNT, ..Still::at(place.latitude, place.longitude, place.height) };
            // The pose of a still pole, without its noise.
            let pose = Pose { heading: 63.0, pitch: -2.4, roll: 1.1 };
            Occupied { name, still, tip: geodetic(Local::at(place).xyz(pose.enu(NOMINAL.pole))) }
        })
        .collect()
}

fn log(stops: &[Occupied]) -> Vec<u8> {
    let mut lines: Vec<Line> = vec![];
    for s in stops {
        lines.extend(s.still.lines());
    }
    nmea::bytes(&lines, &[])
}

fn notes(stops: &[Occupied]) -> String {
    let mut out = String::from("point,code,from,to,remark,diameter_mm,surface,aim\n");
    for s in stops {
        let last = s.still.start + i64::try_from(COUNT).unwrap_or(1).saturating_sub(1) * s.still.step;
        let _ = writeln!(out, "{},CTRL,{},{},,,,tip", s.name, time::notes(s.still.start), time::notes(last));
    }
    out
}

/// The tip of a log in ITRF2020, in NAD83(2011): easting and northing in zone 16, ellipsoidal height.
fn known(s: &Occupied) -> (f64, f64, f64, Geodetic) {
    let place = geodetic(itrf2020_to_nad83(geocentric(s.tip), time::decimal_year(s.still.start)));
    let (e, n) = utm(place, -87.0);
    (e, n, place.height, place)
}

const HEAD: &str = "point,easting_UNIT,northing_UNIT,ellipsoidal_height_m,crs,sigma_horizontal_m,sigma_up_m,source,date,use\n";

/// Control in the grid. `metre`: length of the unit in which the numbers are; `unit`: what the columns say.
fn control(stops: &[Occupied], metre: f64, unit: &str, used_as: &str) -> String {
    let mut out = HEAD.replace("UNIT", unit);
    for s in stops.iter().filter(|s| s.name.starts_with("CP")) {
        let (e, n, h, _) = known(s);
        let _ = writeln!(
            out,
            "{},{:.4},{:.4},{h:.4},EPSG:6345,0.005,0.008,invented static survey,2026-01-20,{used_as}",
            s.name,
            e / metre,
            n / metre
        );
    }
    out
}

fn chain(heights: bool, more: &[Step]) -> Vec<Step> {
    let mut steps: Vec<Step> = CHAIN.into_iter().filter(|s| heights || s.stage != "height-convert").collect();
    steps.extend_from_slice(more);
    steps.push(step("csv", "export-csv", "    options: { path: points.csv }\n"));
    steps
}

const CAUSE: Step = step("causes", "find-cause", "    from: [grid, epochs]\n    options: { control: [control.csv] }\n");
const CAUSE_FIXED: Step = step("causes", "find-cause", "    from: [grid, epochs]\n    options: { control: [control-fixed.csv] }\n");
const CHECK: Step = step("control", "control-check", "    options: { control: [control.csv] }\n");
const CHECK_FIXED: Step = step("control", "control-check", "    options: { control: [control-fixed.csv] }\n");
const SITE: Step = step("site", "localise", "    options: { name: Works grid, control: [control.csv], height: plane }\n");
const SITE_FIXED: Step =
    step("site", "localise", "    options: { name: Works grid, control: [control-fixed.csv], height: shift, must_find_m: 0.2 }\n");

struct Out {
    files: Vec<(String, Vec<u8>)>,
    name: &'static str,
}

impl Out {
    fn add(&mut self, name: &str, content: impl Into<Vec<u8>>) {
        self.files.push((format!("traps/{}/{name}", self.name), content.into()));
    }

    fn expect(&mut self, what: &str, code: &str, verdict: &str) {
        let seen = if verdict == "block" { "seen: run\n" } else { "" };
        self.add("expect.yaml", format!("# {what}\ncode: {code}\nverdict: {verdict}\ndelivers: false\n{seen}"));
    }

    fn common(&mut self, stops: &[Occupied]) {
        self.add("day.nmea", log(stops));
        self.add("notes.csv", notes(stops));
        self.add("rig.yaml", NOMINAL.yaml_without_laser("trap pole", "antenna-reference-point", "gunter"));
    }

    fn job(&mut self, file: &str, what: &str, reference: &str, steps: &[Step]) {
        self.add(file, files::job(self.name, what, reference, "day.nmea", "notes.csv", steps));
    }
}

/// A trap that is in the list of marks: the list as it is with the step that sees it, and put right.
struct InTheList {
    name: &'static str,
    what: &'static str,
    stops: Vec<Occupied>,
    /// Unit in metres, its name, and what the marks are for: wrong, and right.
    lists: [(f64, &'static str, &'static str); 2],
    steps: [Step; 2],
    code: &'static str,
    verdict: &'static str,
}

impl InTheList {
    fn files(self) -> Vec<(String, Vec<u8>)> {
        let mut out = Out { files: vec![], name: self.name };
        out.common(&self.stops);
        out.add("reference.yaml", ellipsoid("EPSG:6345").yaml());
        let names = [("control.csv", "job.yaml"), ("control-fixed.csv", "fixed.yaml")];
        for (((list, job), (unit_m, unit, used_as)), step) in names.into_iter().zip(self.lists).zip(self.steps) {
            out.add(list, control(&self.stops, unit_m, unit, used_as));
            out.job(job, self.what, "reference.yaml", &chain(false, &[step]));
        }
        out.expect(self.what, self.code, self.verdict);
        out.files
    }
}

fn t09() -> Vec<(String, Vec<u8>)> {
    InTheList {
        name: "T09",
        what: "the control is in international feet, and its columns say US survey feet",
        stops: occupy(&MARKS),
        lists: [(0.3048, "ftUS", "check"), (0.3048, "ft", "check")],
        steps: [CAUSE, CAUSE_FIXED],
        code: "control/cause",
        verdict: "block",
    }
    .files()
}

fn s9() -> Vec<(String, Vec<u8>)> {
    InTheList {
        name: "S9",
        what: "the only check points were used in a fit",
        stops: occupy(&[MARKS[0], ("V-41", [20.0, 10.0, -0.8]), MARKS[1]]),
        lists: [(1.0, "m", "fit"), (1.0, "m", "check")],
        steps: [CHECK, CHECK_FIXED],
        code: "control/not-independent",
        verdict: "warn",
    }
    .files()
}

fn t19() -> Vec<(String, Vec<u8>)> {
    let mut out = Out { files: vec![], name: "T19" };
    let what = "two of five marks were dropped by hand, and a plane through the other three hides a bust of 0.381 m";
    let mut stops = occupy(&FIVE);
    stops.extend(occupy(&[("V-51", [30.0, 20.0, -0.7])]).into_iter().map(|mut s| {
        s.still.start += 5 * 60_000;
        s
    }));
    out.common(&stops);
    let geoid = Grid::around(MIDDLE[0], MIDDLE[1], 0.02, 11, -26.1);
    let (sin, cos) = (0.034_899_496_7, 0.999_390_827_0);
    let marks = |bust: f64, dropped: &[&str]| {
        let mut text = String::from("point,easting_m,northing_m,height_m,height_datum,crs,sigma_horizontal_m,sigma_up_m,source,date,use\n");
        for s in stops.iter().filter(|s| s.name.starts_with("CP")) {
            let (e, n, h, place) = known(s);
            let (x, y) = (e - 548_000.0, n - 3_007_000.0);
            let up = h - geoid.separation(place) + 0.25 - if s.name == "CP2" { bust } else { 0.0 };
            let used_as = if dropped.contains(&s.name) { "check" } else { "fit" };
            let _ = writeln!(
                text,
                "{},{:.4},{:.4},{up:.4},Works datum,Works grid,0.005,0.005,invented traverse,2025-11-02,{used_as}",
                s.name,
                1000.0 + cos * x - sin * y,
                5000.0 + sin * x + cos * y
            );
        }
        text
    };
    out.add("control.csv", marks(0.381, &["CP2", "CP4"]));
    out.add("control-fixed.csv", marks(0.0, &[]));
    out.add("reference.yaml", datum("Trapworks geoid").yaml());
    out.add("geoid.gtx", geoid.bytes());
    out.job("job.yaml", what, "reference.yaml", &chain(true, &[SITE]));
    out.job("fixed.yaml", what, "reference.yaml", &chain(true, &[SITE_FIXED]));
    out.expect(what, "control/fit-is-blind", "hold");
    out.files
}

/// All files of these traps.
pub(super) fn files() -> Vec<(String, Vec<u8>)> {
    [s9(), t09(), t19()].into_iter().flatten().collect()
}
