//! Small wrong jobs and damaged files, each with the finding that it must lead to.
//!
//! Each trap is a folder with a log, notes, rig, reference and `job.yaml`, which is wrong; `fixed.yaml`, where there
//! is one, is the same job put right, and must not lead to the finding. `expect.yaml` names the finding.

mod bad;
mod control;
mod locks;
mod repeats;
mod rig;

use crate::demo::put;
use crate::earth::{Geodetic, Local, gda2020_to_gda94, geocentric, geodetic, utm};
use crate::epoch::{Ellipse, Epoch};
use crate::files::{self, CHAIN, CSV, Reference, Step, step};
use crate::geoid::Grid;
use crate::nmea::{self, Damage, Hit, Line, Mix};
use crate::noise::{Correlated, Noise};
use crate::pose::Pose;
use crate::rig::NOMINAL;
use crate::time::{self, Ms};
use std::fmt::Write as _;
use std::io;
use std::path::Path;

const SEED: u64 = 20_260_611;

/// A stretch of a log in which nothing changes.
#[derive(Clone, Copy)]
struct Piece {
    /// Seconds from the start of the log to its first epoch.
    start_s: i64,
    epochs: usize,
    quality: u8,
    base: &'static str,
    /// Where the pole stands, east, north, up of the place, m.
    shift: [f64; 3],
    /// The point that the notes name, when the crew measures one.
    point: Option<&'static str>,
}

/// A pole that stands still.
struct Still {
    place: Geodetic,
    separation: f64,
    start: Ms,
    step: Ms,
    count: usize,
    mix: Mix,
    /// Ranges, for a laser shot.
    ranges: Vec<f64>,
    /// Quality code of an epoch.
    quality: fn(usize) -> u8,
    /// The stretches of the log, where it has several; they take the place of `count`.
    pieces: Vec<Piece>,
}

impl Still {
    fn at(latitude: f64, longitude: f64, height: f64) -> Self {
        Self {
            place: Geodetic { latitude, longitude, height },
            separation: -25.3,
            start: time::at(2026, 6, 11, 14, 5, 0),
            step: 200,
            count: 150,
            mix: nmea::SHORT,
            ranges: vec![],
            quality: |_| 4,
            pieces: vec![],
        }
    }

    /// The stretches; one for a log without any.
    fn stretches(&self) -> Vec<Piece> {
        if self.pieces.is_empty() {
            return vec![Piece { start_s: 0, epochs: self.count, quality: 0, base: "0417", shift: [0.0; 3], point: None }];
        }
        self.pieces.clone()
    }

    /// The tip of a pole of 2 m below the place, as [`Self::epochs`] holds it, without noise.
    fn tip(&self) -> Geodetic {
        let pose = Pose { heading: 63.0, pitch: -2.4, roll: 1.1 };
        geodetic(Local::at(self.place).xyz(pose.enu([0.0, 0.0, 2.0])))
    }

    fn epochs(&self) -> Vec<Epoch> {
        let mut n = Noise::new(SEED, &format!("{:?}", self.place));
        #[allow(clippy::cast_precision_loss)]
        let dt = self.step as f64 / 1000.0;
        let mut axis = [0; 3].map(|_| Correlated::new(&mut n, dt, 115.0));
        let mut out = vec![];
        let stretches = self.stretches();
        let all = stretches.iter().flat_map(|p| (0..p.epochs).map(move |i| (p, i))).enumerate();
        for (k, (piece, i)) in all {
            let quality = if piece.quality == 0 { (self.quality)(k) } else { piece.quality };
            let size = match quality {
                4 => 1.0,
                5 => 30.0,
                _ => 60.0,
            };
            // Degrees for a metre, good enough for a few millimetres of noise.
            let metre = 1.0 / 111_000.0;
            let [a, b, c] = [0, 1, 2].map(|i| axis[i].next(&mut n));
            let [east, north, up] = piece.shift;
            let longitude = self.place.longitude + (0.007 * size * b + east) * metre / libm::cos(self.place.latitude.to_radians());
            let place = Geodetic {
                latitude: self.place.latitude + (0.007 * size * a + north) * metre,
                longitude: if longitude > 180.0 { longitude - 360.0 } else { longitude },
                height: self.place.height + (0.013 * size * c + up),
            };
            let mut small = |sigma: f64| sigma * n.normal();
            out.push(Epoch {
                time: self.start + piece.start_s * 1000 + i64::try_from(i).unwrap_or(0) * self.step,
                place,
                separation: self.separation,
                quality,
                satellites: 24,
                hdop: 0.71,
                age: Some(1.2),
                base: piece.base,
                noise: Some(Ellipse { major: 0.0074 * size, minor: 0.0066 * size, direction: 24.0, up: 0.013 * size }),
                pose: Some(Pose { heading: 63.0 + small(0.3), pitch: -2.4 + small(0.1), roll: 1.1 + small(0.1) }),
                range: self.ranges.get(k).copied(),
                speed: 0.01,
                course: 0.0,
            });
        }
        out
    }

    fn lines(&self) -> Vec<Line> {
        let mut out = vec![];
        for e in self.epochs() {
            nmea::write(&e, &self.mix, &mut out);
        }
        out
    }

    /// Notes of one point that covers the whole log.
    fn notes(&self, point: &str, aim: &str) -> String {
        if self.pieces.iter().any(|p| p.point.is_some()) {
            return self.notes_of_pieces(aim);
        }
        let last = self.start + i64::try_from(self.count).unwrap_or(1).saturating_sub(1) * self.step;
        format!(
            "point,code,from,to,remark,diameter_mm,surface,aim\n{point},W-VALVE,{},{},,150,top,{aim}\n",
            time::notes(self.start),
            time::notes(last)
        )
    }
}

impl Still {
    /// Notes of the stretches in which a point is measured.
    fn notes_of_pieces(&self, aim: &str) -> String {
        let mut out = String::from("point,code,from,to,remark,diameter_mm,surface,aim\n");
        for p in &self.pieces {
            let Some(point) = p.point else { continue };
            let first = self.start + p.start_s * 1000;
            let last = first + i64::try_from(p.epochs).unwrap_or(1).saturating_sub(1) * self.step;
            let _ = writeln!(out, "{point},W-VALVE,{},{},,150,top,{aim}", time::notes(first), time::notes(last));
        }
        out
    }
}

/// One trap.
struct Trap {
    name: &'static str,
    code: &'static str,
    verdict: &'static str,
    what: &'static str,
    still: Still,
    hits: Vec<Hit>,
    point: &'static str,
    reference: Reference,
    /// The reference of `fixed.yaml`, when the mistake is there.
    fixed_reference: Option<Reference>,
    /// Rig: physical point of the log, owner of the pole; and the same for `fixed.yaml`.
    rig: (&'static str, &'static str),
    fixed_rig: Option<(&'static str, &'static str)>,
    steps: Vec<Step>,
    fixed_steps: Option<Vec<Step>>,
    grid: Option<Grid>,
    /// Further files of the folder.
    more: Vec<(&'static str, Vec<u8>)>,
    /// The lock of `job.yaml`, when there is one; from the texts of the job and the reference.
    lock: Option<fn(&str, &str) -> String>,
    /// A list of published marks that the delivered point is compared with, and the list put right.
    control: Option<(String, Option<String>)>,
}

fn ellipsoid(crs: &'static str) -> Reference {
    Reference { name: "trap".into(), frame: "EPSG:9989", epoch: "observation", crs, unit: "m", geoid: None, datum: "" }
}

fn datum(model: &'static str) -> Reference {
    Reference { geoid: Some(("geoid.gtx".into(), model)), ..ellipsoid("EPSG:6345") }
}

fn chain(change: impl Fn(&mut Vec<Step>)) -> Vec<Step> {
    let mut steps: Vec<Step> = CHAIN.into_iter().chain([CSV]).collect();
    change(&mut steps);
    steps
}

fn flat(steps: &mut Vec<Step>) {
    steps.retain(|s| s.stage != "height-convert");
}

fn trap(name: &'static str, code: &'static str, verdict: &'static str, what: &'static str, still: Still) -> Trap {
    Trap {
        name,
        code,
        verdict,
        what,
        still,
        hits: vec![],
        point: "V-21",
        reference: ellipsoid("EPSG:6345"),
        fixed_reference: None,
        rig: ("antenna-reference-point", "gunter"),
        fixed_rig: None,
        // Ellipsoidal heights, unless the trap is about heights.
        steps: chain(flat),
        fixed_steps: None,
        grid: None,
        more: vec![],
        lock: None,
        control: None,
    }
}

/// The inland place is a pair of numbers where the codes apply, no more.
const INLAND: [f64; 3] = [42.71, -84.48, 231.4];

fn inland() -> Still {
    Still { separation: -34.2, ..Still::at(INLAND[0], INLAND[1], INLAND[2]) }
}

fn inland_grid() -> Grid {
    Grid::around(INLAND[0], INLAND[1], 0.02, 11, -33.4)
}

/// Everything in international feet, heights above a datum.
fn feet(crs: &'static str) -> Reference {
    Reference { unit: "ft", ..Reference { crs, ..datum("Trapfield geoid") } }
}

fn traps() -> Vec<Trap> {
    let mut all = height_traps();
    all.extend(frame_traps());
    all.extend(data_traps());
    all.extend(repeats::traps());
    all.extend(control_traps());
    all
}

/// Traps that only a mark with published coordinates shows. The job delivers; `inspect` compares.
fn control_traps() -> Vec<Trap> {
    let static_frame = |frame, crs| Reference { frame, epoch: "", ..ellipsoid(crs) };
    let grid_list = |crs: &str, e: f64, n: f64| format!("# Invented.\nname,crs,easting_m,northing_m\nV-21,{crs},{e:.4},{n:.4}\n");
    let list = |frame: &str, g: Geodetic| {
        format!(
            "# Invented.\nname,frame,epoch,latitude_deg,longitude_deg,ellipsoidal_height_m\nV-21,{frame},,{:.10},{:.10},{:.4}\n",
            g.latitude, g.longitude, g.height
        )
    };

    let mut t05 = trap("T05", "frame/other-frame-fits", "block", "the stream is in NAD83(2011), and the reference says ITRF2020", inland());
    t05.fixed_reference = Some(static_frame("EPSG:6319", "EPSG:6345"));
    t05.control = Some((list("EPSG:6319", t05.still.tip()), None));

    // Both orders of easting and northing lie in the zone.
    let mut s1 = trap(
        "S1",
        "frame/axes-exchanged",
        "block",
        "easting and northing of the control list are exchanged",
        Still::at(4.913, -61.287, 118.2),
    );
    s1.reference = static_frame("EPSG:4989", "EPSG:31974");
    let (e, n) = utm(s1.still.tip(), -63.0);
    s1.control = Some((grid_list("EPSG:31974", n, e), Some(grid_list("EPSG:31974", e, n))));

    let mut s8 =
        trap("S8", "frame/other-frame-fits", "block", "the control list says GDA2020 and holds GDA94", Still::at(-33.905, 151.207, 45.3));
    s8.reference = static_frame("EPSG:7843", "EPSG:7856");
    let older = geodetic(gda2020_to_gda94(geocentric(s8.still.tip())));
    s8.control = Some((list("EPSG:7843", older), Some(list("EPSG:4939", older))));

    let mut s13 = trap("S13", "frame/ground-scale", "block", "the control list is the grid times 1.00012", inland());
    s13.reference = static_frame("EPSG:6319", "EPSG:6345");
    let (e, n) = utm(s13.still.tip(), -87.0);
    s13.control = Some((grid_list("EPSG:6345", e * 1.000_12, n * 1.000_12), Some(grid_list("EPSG:6345", e, n))));
    vec![t05, s1, s8, s13, projected_geojson()]
}

/// Grid coordinates written to GeoJSON. The job delivers GeoJSON itself, in degrees.
fn projected_geojson() -> Trap {
    let mut s5 = trap(
        "S5",
        "control/projected-geojson",
        "block",
        "the control is GeoJSON with eastings and northings in place of longitude and latitude",
        Still::at(38.717, -102.353, 1204.6),
    );
    s5.reference = Reference { frame: "EPSG:6319", epoch: "", ..ellipsoid("EPSG:6342") };
    let tip = s5.still.tip();
    let list = |x: f64, y: f64| {
        format!(
            "{{\n  \"type\": \"FeatureCollection\",\n  \"features\": [\n    {{\n      \"type\": \"Feature\",\n      \"geometry\": {{ \"type\": \"Point\", \"coordinates\": [{x:.9}, {y:.9}, {:.4}] }},\n      \"properties\": {{ \"point\": \"V-21\", \"crs\": \"EPSG:6319\", \"sigma_horizontal_m\": 0.005, \"sigma_up_m\": 0.008, \"source\": \"invented static survey\", \"date\": \"2026-01-20\" }}\n    }}\n  ]\n}}\n",
            tip.height
        )
    };
    let (e, n) = utm(tip, -105.0);
    s5.more = vec![("control.geojson", list(e, n).into_bytes()), ("control-fixed.geojson", list(tip.longitude, tip.latitude).into_bytes())];
    let with = |rest: &'static str| {
        chain(|s| {
            flat(s);
            s.insert(s.len() - 1, step("control", "control-check", rest));
            s.push(step("geojson", "export-geojson", "    from: [control]\n    options: { path: points.geojson, accuracy_m: 2 }\n"));
        })
    };
    s5.steps = with("    options: { control: [control.geojson], rule: once }\n");
    s5.fixed_steps = Some(with("    options: { control: [control-fixed.geojson], rule: once }\n"));
    s5
}

fn height_traps() -> Vec<Trap> {
    let mut t01 = trap(
        "T01",
        "height/geoid-twice",
        "block",
        "the job calls the altitude of GGA an ellipsoidal height, and the geoid is then removed again",
        Still { separation: -26.641, ..Still::at(26.913, -88.204, -21.37) },
    );
    t01.grid = Some(Grid::around(26.913, -88.204, 0.02, 11, -25.918));
    t01.reference = datum("Trapsand geoid");
    t01.fixed_steps = Some(chain(|_| {}));
    t01.steps = chain(|s| s[0].rest = "    options: { files: [LOGS], untimed: after-time, height: field-is-ellipsoidal }\n");

    let mut t02 = trap(
        "T02",
        "height/receiver-geoid",
        "block",
        "heights above a datum are promised, and no step leads to it: the receiver's own geoid would be delivered",
        Still { separation: -27.482, ..Still::at(28.114, -85.337, -24.05) },
    );
    t02.grid = Some(Grid::around(28.114, -85.337, 0.02, 11, -26.655));
    t02.reference = datum("Trapbank geoid");
    t02.fixed_steps = Some(chain(|_| {}));
    t02.steps = chain(|s| s.retain(|x| x.stage != "height-convert"));

    let mut p10 = trap(
        "P10",
        "height/geoid-frame-mismatch",
        "block",
        "a global geoid model is paired with a national frame that it is not made for",
        Still { separation: -26.4, ..Still::at(28.211, -86.618, -23.5) },
    );
    p10.grid = Some(Grid::around(28.211, -86.618, 0.02, 11, -25.7));
    p10.reference = datum("EGM2008");
    p10.fixed_reference = Some(datum("Trapcape geoid"));
    p10.steps = chain(|_| {});

    let mut t03 = trap(
        "T03",
        "height/geoid-missing",
        "block",
        "the geoid grid is not on this machine",
        Still { separation: -26.1, ..Still::at(28.407, -87.731, -22.8) },
    );
    t03.steps = chain(|_| {});
    t03.fixed_reference = Some(datum("Trapshoal geoid"));
    t03.reference = Reference { geoid: Some(("not-here.gtx".into(), "Trapshoal geoid")), ..ellipsoid("EPSG:6345") };
    t03.grid = Some(Grid::around(28.407, -87.731, 0.02, 11, -25.377));

    let mut t11 = trap(
        "T11",
        "rig/length-twice",
        "block",
        "the receiver writes the tip of the pole, and the rig has `gunter` apply the pole again",
        Still::at(27.066, -86.912, -23.21),
    );
    t11.rig = ("pole-tip", "gunter");
    t11.fixed_rig = Some(("pole-tip", "receiver"));

    let mut t07 = trap(
        "T07",
        "height/path-over-budget",
        "block",
        "from a group of frames the registry's best path to the national heights is an old geoid through old frames",
        inland(),
    );
    t07.grid = Some(inland_grid());
    t07.reference = Reference { frame: "EPSG:4979", datum: "EPSG:5703", ..datum("Trapmoor geoid") };
    t07.fixed_reference = Some(Reference { datum: "EPSG:5703", ..datum("Trapmoor geoid") });
    t07.steps = chain(|_| {});

    let mut s3 = trap(
        "S3",
        "grids/withdrawn",
        "block",
        "a geoid file with the right name whose bytes its publisher withdrew",
        Still { separation: -25.9, ..Still::at(27.882, -86.529, -22.6) },
    );
    let (bad, good) = (Grid::around(27.882, -86.529, 0.02, 11, -25.41), Grid::around(27.882, -86.529, 0.02, 11, -25.37));
    let list = format!(
        "sha256,file,reason,source\n{},geoid.gtx,\"0.04 m too low, withdrawn with version 1.1\",notice of the publisher (invented)\n",
        locks::sha256(&bad.bytes())
    );
    s3.more = vec![("grid-store/withdrawn.csv", list.into_bytes()), ("geoid-1-1.gtx", good.bytes())];
    s3.grid = Some(bad);
    s3.reference = datum("Trapledge geoid");
    s3.fixed_reference = Some(Reference { geoid: Some(("geoid-1-1.gtx".into(), "Trapledge geoid")), ..ellipsoid("EPSG:6345") });
    s3.steps = chain(|_| {});
    vec![p10, t01, t02, t03, t07, t11, s3]
}

fn frame_traps() -> Vec<Trap> {
    let mut t04 = trap("T04", "frame/ensemble-source", "block", "the frame of the corrections is called WGS 84", inland());
    t04.reference = Reference { frame: "EPSG:4979", ..ellipsoid("EPSG:6345") };
    t04.fixed_reference = Some(ellipsoid("EPSG:6345"));

    let mut t06 = trap("T06", "frame/no-epoch", "block", "a frame in which coordinates move, and no epoch", inland());
    t06.reference = Reference { epoch: "", ..ellipsoid("EPSG:6345") };
    t06.fixed_reference = Some(ellipsoid("EPSG:6345"));

    let mut t08 = trap("T08", "frame/mixed-units", "block", "eastings and northings in feet, heights in metres", inland());
    t08.reference = ellipsoid("EPSG:6499");
    t08.fixed_reference = Some(feet("EPSG:6499"));
    t08.fixed_steps = Some(chain(|_| {}));
    t08.grid = Some(inland_grid());

    let mut t10 = trap("T10", "frame/outside-area", "block", "a zone that does not cover the job", inland());
    t10.reference = feet("EPSG:6494");
    t10.fixed_reference = Some(feet("EPSG:6499"));
    t10.steps = chain(|_| {});
    t10.grid = Some(inland_grid());

    let mut t20 =
        trap("T20", "lock/differs", "block", "the job was locked with another library, which left the epoch of the shift out", inland());
    t20.lock = Some(locks::older_library);
    t20.fixed_steps = Some(t20.steps.clone());
    vec![t04, t06, t08, t10, t20]
}

fn data_traps() -> Vec<Trap> {
    let mut t13 = trap(
        "T13",
        "gate/not-all-fixed",
        "hold",
        "72 epochs: 47 fixed, 16 float, 9 with a quality code that the format does not define",
        Still {
            step: 1000,
            count: 72,
            quality: |k| match k {
                20..36 => 5,
                50..59 => 9,
                _ => 4,
            },
            ..Still::at(27.303, -87.118, -22.64)
        },
    );
    t13.point = "V-31";
    t13.steps = chain(|s| {
        flat(s);
        s[2].rest = "    options: { fix: [rtk-fixed], max_correction_age_s: 10, hold_if_kept_span_below_s: 90 }\n";
    });

    let mut t14 = trap(
        "T14",
        "time/no-date",
        "block",
        "a log over midnight in which no sentence has a date",
        Still {
            start: time::at(2026, 6, 11, 23, 57, 30),
            step: 1000,
            count: 290,
            mix: nmea::DATELESS,
            ..Still::at(27.441, -86.052, -23.4)
        },
    );
    t14.fixed_steps = Some(chain(|s| {
        flat(s);
        s[0].rest = "    options: { files: [LOGS], untimed: after-time, date: 2026-06-11 }\n";
    }));

    let mut t15 = trap("T15", "data/torn-line", "warn", "a GST sentence is cut off", Still::at(27.218, -87.405, -22.9));
    t15.hits = vec![Hit { time: t15.still.start + 57 * 200, kind: "GST", damage: Damage::Cut(23) }];

    let mut t18 = trap(
        "T18",
        "laser/two-surfaces",
        "reshoot",
        "25 ranges: 14 near 1.655 m and 11 near 2.230 m",
        Still { count: 25, ..Still::at(27.633, -86.377, -22.2) },
    );
    let mut n = Noise::new(SEED, "two surfaces");
    t18.still.ranges = (0..25).map(|k| if k * 4 % 9 < 5 { 1.655 } else { 2.230 } + 0.003 * n.normal()).collect();
    t18.point = "B-17";
    // The notes of every trap say that the top of a 150 mm pipe was hit.
    let mut s11 = trap(
        "S11",
        "asset/other-surface",
        "hold",
        "the top of a pipe was shot, and heights are delivered as inverts",
        Still::at(26.872, -87.731, -23.1),
    );
    let with_surface = |options: &'static str| {
        chain(|s| {
            flat(s);
            s.pop();
            s.push(files::step("surface", "asset-surface", options));
            s.push(files::step("csv", "export-csv", "    options: { path: points.csv }\n"));
        })
    };
    s11.steps = with_surface("    options: { heights_mean: invert }\n");
    s11.fixed_steps = Some(with_surface("    options: { heights_mean: invert, derive: true, wall_mm: 7 }\n"));
    vec![t13, t14, t15, t18, s11]
}

/// Writes `traps/T..` and `bad/` below a folder.
///
/// # Errors
/// When a file cannot be written.
pub fn write(folder: &Path) -> io::Result<()> {
    for (name, content) in files() {
        put(&folder.join(name), &content)?;
    }
    Ok(())
}

/// All files: name and content.
#[must_use]
pub fn files() -> Vec<(String, Vec<u8>)> {
    let mut out = vec![];
    for t in traps() {
        let mut add = |name: &str, content: Vec<u8>| out.push((format!("traps/{}/{name}", t.name), content));
        let aim = if t.still.ranges.is_empty() { "tip" } else { "laser" };
        add("day.nmea", nmea::bytes(&t.still.lines(), &t.hits));
        add("notes.csv", t.still.notes(t.point, aim).into_bytes());
        let rig = |(output, owner): (&str, &str)| match aim {
            "tip" => NOMINAL.yaml_without_laser("trap pole", output, owner),
            _ => NOMINAL.yaml("trap pole", output, owner),
        };
        let job = |reference: &str, steps: &[Step]| files::job(t.name, t.what, reference, "day.nmea", "notes.csv", steps);
        add("rig.yaml", rig(t.rig).into_bytes());
        add("reference.yaml", t.reference.yaml().into_bytes());
        add("job.yaml", job("reference.yaml", &t.steps).into_bytes());
        if let Some(r) = &t.fixed_reference {
            add("reference-fixed.yaml", r.yaml().into_bytes());
        }
        if let Some(r) = t.fixed_rig {
            add("rig-fixed.yaml", rig(r).into_bytes());
        }
        if t.fixed_reference.is_some() || t.fixed_rig.is_some() || t.fixed_steps.is_some() {
            let reference = if t.fixed_reference.is_some() { "reference-fixed.yaml" } else { "reference.yaml" };
            let mut text = job(reference, t.fixed_steps.as_ref().unwrap_or(&t.steps));
            if t.fixed_rig.is_some() {
                text = text.replace("rig: rig.yaml", "rig: rig-fixed.yaml");
            }
            add("fixed.yaml", text.into_bytes());
        }
        if let Some(lock) = t.lock {
            add("job.lock.json", lock(&job("reference.yaml", &t.steps), &t.reference.yaml()).into_bytes());
        }
        for (name, bytes) in &t.more {
            add(name, bytes.clone());
        }
        if let Some(g) = &t.grid {
            add("geoid.gtx", g.bytes());
        }
        let mut expect = String::new();
        let _ = writeln!(expect, "# {}", t.what);
        if t.code.is_empty() {
            let p = t.still.place;
            let _ = writeln!(expect, "latitude_deg: {}\nlongitude_deg: {}\nheight_m: {}", p.latitude, p.longitude, p.height);
        } else {
            let _ = writeln!(expect, "code: {}\nverdict: {}", t.code, t.verdict);
        }
        let _ = writeln!(expect, "delivers: {}", matches!(t.verdict, "warn" | ""));
        if matches!(t.verdict, "hold" | "reshoot") {
            let _ = writeln!(expect, "point: {}", t.point);
        }
        if let Some((list, fixed)) = &t.control {
            add("control.csv", list.clone().into_bytes());
            let stations = if fixed.is_some() { "control-fixed.csv" } else { "control.csv" };
            let reference = if t.fixed_reference.is_some() { "reference-fixed.yaml" } else { "reference.yaml" };
            let line = |list: &str, reference: &str| {
                format!("day.nmea --stations {list} --measured results/{}/points.csv --reference {reference} --tolerance-m 0.05", t.name)
            };
            let _ = writeln!(expect, "inspect: {}\ninspect-fixed: {}", line("control.csv", "reference.yaml"), line(stations, reference));
            if let Some(fixed) = fixed {
                add("control-fixed.csv", fixed.clone().into_bytes());
            }
        }
        add("expect.yaml", expect.into_bytes());
    }
    out.extend(bad::files());
    out.extend(rig::files());
    out.extend(control::files());
    out
}
