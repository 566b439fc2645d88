//! Writes the demo data set.

use crate::earth::{V3, add};
use crate::nmea::{self, Damage, Hit, Line};
use crate::noise::Noise;
use crate::scene::{self, Draws};
use crate::session::{self, Aim, Constant, Plan, STEP, Session};
use crate::time;
use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::path::Path;

/// All files of the data set but the README: name and content, logs not compressed.
#[must_use]
pub fn files(seed: u64) -> Vec<(String, Vec<u8>)> {
    let draws = scene::draws(seed);
    let plans = scene::plans(seed);
    let mut out = vec![];
    let mut truth = String::from(
        "session,point,time,aim,easting_m,northing_m,height_m,latitude_deg,longitude_deg,ellipsoidal_height_m,tilt_deg,expected\n",
    );
    for (k, plan) in plans.iter().enumerate() {
        let constant = Constant { heading: draws.heading[k], ..draws.constant };
        let s = session::run(plan, &scene::site(), &constant);
        let mut lines = vec![];
        for e in &s.epochs {
            nmea::write(e, &nmea::DEMO, &mut lines);
        }
        let mut log = nmea::bytes(&lines, &hits(k, &s, &lines));
        if k == 1 {
            // The battery went before the last line was written.
            log.truncate(log.len() - 19);
        }
        out.push((format!("logs/{}.nmea", plan.name), log));
        out.push((format!("notes/{}.csv", plan.name), notes(plan, &s, time::notes).into_bytes()));
        truths(&mut truth, plan, &s, &draws);
    }
    out.push(("truth.csv".into(), truth.into_bytes()));
    out.push(("truth-draws.csv".into(), drawn(&draws).into_bytes()));
    out.push(("control.csv".into(), control(&draws).into_bytes()));
    out.push(("check-points.csv".into(), check_points(seed, &plans, &draws).into_bytes()));
    out.push(("grids/saltgrass-geoid-2026.gtx".into(), scene::grid().bytes()));
    out
}

/// Writes them, the logs compressed.
///
/// # Errors
/// When a file cannot be written.
pub fn write(folder: &Path, seed: u64) -> io::Result<()> {
    for (name, content) in files(seed) {
        let (name, content) = if name.ends_with(".nmea") { (format!("{name}.gz"), compressed(&content)?) } else { (name, content) };
        put(&folder.join(name), &content)?;
    }
    Ok(())
}

/// Writes a file and the folders above it.
///
/// # Errors
/// When it cannot be written.
pub fn put(path: &Path, content: &[u8]) -> io::Result<()> {
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent)?;
    }
    std::fs::write(path, content)
}

fn compressed(content: &[u8]) -> io::Result<Vec<u8>> {
    let mut w = flate2::GzBuilder::new().mtime(0).write(vec![], flate2::Compression::best());
    w.write_all(content)?;
    w.finish()
}

/// Field notes of a session: what the crew wrote down, to a tenth of a second around the burst. `written` is the form of
/// the times.
#[must_use]
pub fn notes(plan: &Plan, s: &Session, written: fn(time::Ms) -> String) -> String {
    let mut out = String::from("point,code,from,to,remark,diameter_mm,surface,aim\n");
    for b in &s.bursts {
        let p = &plan.stops[b.stop];
        let _ = writeln!(
            out,
            "{},{},{},{},{},{},{},{}",
            p.point,
            p.code,
            written(b.first - 300),
            written(b.last + 300),
            if p.remark.contains(',') { format!("\"{}\"", p.remark) } else { p.remark.clone() },
            p.diameter.map_or(String::new(), |d| d.to_string()),
            p.surface,
            if matches!(p.aim, Aim::Tip) { "tip" } else { "laser" },
        );
    }
    out
}

fn truths(out: &mut String, plan: &Plan, s: &Session, d: &Draws) {
    for b in &s.bursts {
        let p = &plan.stops[b.stop];
        let t = scene::truth(p.target(), d.geoid);
        let tilt = crate::pose::Pose { heading: 0.0, pitch: p.pitch, roll: p.roll }.tilt();
        let _ = writeln!(
            out,
            "{},{},{},{},{:.4},{:.4},{:.4},{:.10},{:.10},{:.4},{tilt:.1},{}",
            plan.name,
            p.point,
            time::notes(b.first),
            if matches!(p.aim, Aim::Tip) { "tip" } else { "laser" },
            t.east_north.0,
            t.east_north.1,
            t.height,
            t.place.latitude,
            t.place.longitude,
            t.place.height,
            p.expected,
        );
    }
}

fn drawn(d: &Draws) -> String {
    let n = crate::rig::NOMINAL;
    let c = d.constant;
    let mut out = String::from("quantity,unit,sigma,value\n");
    let mut row = |name: &str, unit: &str, sigma: f64, value: f64| {
        let _ = writeln!(out, "{name},{unit},{sigma},{value:.6}");
    };
    let mut vector = |name: &str, sigma: f64, truth: V3, stated: V3| {
        for (k, axis) in ["forward", "right", "down"].into_iter().enumerate() {
            row(&format!("{name} {axis}"), "m", sigma, truth[k] - stated[k]);
        }
    };
    vector("pole", n.pole_sigma, c.rig.pole, n.pole);
    vector("lever arm", n.lever_sigma, c.rig.lever, n.lever);
    row("beam elevation", "deg", n.beam_sigma, c.rig.elevation - n.elevation);
    row("beam across", "deg", n.beam_sigma, (c.rig.azimuth - n.azimuth) * libm::cos(n.elevation.to_radians()));
    row("range zero", "m", n.zero_sigma, c.rig.zero - n.zero);
    row("range scale", "ppm", n.scale_sigma_ppm, c.rig.scale_ppm - n.scale_ppm);
    row("pitch bias", "deg", n.tilt_bias_sigma, c.tilt[0]);
    row("roll bias", "deg", n.tilt_bias_sigma, c.tilt[1]);
    row("heading bias first session", "deg", n.heading_bias_sigma, d.heading[0]);
    row("heading bias second session", "deg", n.heading_bias_sigma, d.heading[1]);
    row("base east", "m", scene::BASE_SIGMA, c.base[0]);
    row("base north", "m", scene::BASE_SIGMA, c.base[1]);
    row("base up", "m", scene::BASE_SIGMA_UP, c.base[2]);
    row("geoid grid", "m", scene::GEOID_SIGMA, d.geoid);
    out
}

const CONTROL: &str = "point,easting_m,northing_m,height_m,crs,height_datum,sigma_horizontal_m,sigma_up_m,source,date\n";

fn mark(out: &mut String, name: &str, t: &scene::Truth, source: &str, date: &str) {
    let _ = writeln!(
        out,
        "{name},{:.3},{:.3},{:.3},EPSG:6345,Saltgrass 2026,{},{},{source},{date}",
        t.east_north.0,
        t.east_north.1,
        t.height,
        scene::MARK_SIGMA,
        scene::MARK_SIGMA_UP
    );
}

fn control(d: &Draws) -> String {
    let mut out = String::from(CONTROL);
    for k in 0..2 {
        let t = scene::stated_mark(k, d);
        mark(&mut out, &format!("CP{}", k + 1), &t, "invented static survey and levelling 2026-02", "2026-02-11");
    }
    out
}

/// Fittings that were also measured with an angle and distance instrument and levelled, before the trench was closed.
const CHECKED: [&str; 10] = ["V-01", "T-01", "A-01", "H-02", "V-03", "V-04", "A-02", "V-05", "T-03", "V-06"];

fn check_points(seed: u64, plans: &[Plan; 2], d: &Draws) -> String {
    let mut out = String::from(CONTROL);
    let mut n = Noise::new(seed, "check points");
    for name in CHECKED {
        let Some(stop) = plans.iter().flat_map(|p| &p.stops).find(|s| s.point == name) else { continue };
        let error = [scene::MARK_SIGMA * n.normal(), scene::MARK_SIGMA * n.normal(), scene::MARK_SIGMA_UP * n.normal()];
        let t = scene::truth(add(stop.target(), error), d.geoid);
        mark(&mut out, name, &t, "invented total station and levelling before backfill", "2026-03-19");
    }
    out
}

/// Where lines are damaged: `stop`, epochs after the burst's first (before it, when negative), sentence, damage.
const DAMAGE: [&[(usize, i64, &str, Damage)]; 2] = [
    &[
        (2, -40, "GGA", Damage::Cut(31)),
        (4, 10, "GGA", Damage::Repeat),
        (6, -30, "RMC", Damage::Merge(22)),
        (7, 7, "GST", Damage::Cut(22)),
        (10, 12, "GGA", Damage::Flip(22)),
        (13, -25, "GSA", Damage::Repeat),
        (18, 5, "XDR", Damage::Cut(19)),
        (20, -12, "HDT", Damage::Merge(9)),
    ],
    &[
        (3, 9, "GST", Damage::Flip(20)),
        (6, -50, "GGA", Damage::Merge(40)),
        (8, 20, "XDR", Damage::Flip(11)),
        (12, -18, "GSV", Damage::Cut(3)),
        (15, 14, "GGA", Damage::Repeat),
        (19, 3, "HDT", Damage::Cut(10)),
    ],
];

fn hits(session: usize, s: &Session, lines: &[Line]) -> Vec<Hit> {
    DAMAGE[session]
        .iter()
        .filter_map(|&(stop, offset, kind, damage)| {
            let wanted = s.bursts.get(stop)?.first + offset * STEP;
            // Some sentences come once a second only: the next one.
            let line = lines.iter().find(|l| l.time >= wanted && l.text.get(3..6) == Some(kind))?;
            Some(Hit { time: line.time, kind, damage })
        })
        .collect()
}
