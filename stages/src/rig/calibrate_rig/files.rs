//! The files of a calibration: the new rig, the table of unknowns, the table and the plot of residuals.

use super::findings::{NORMAL_95, finite};
use super::setup::Result as Calibrated;
use crate::export::cells::differs;
use crate::export::written;
use crate::rig::calibration::{Kind, looks::attitudes};
use pipeline_base::document as parse;
use pipeline_base::problem::Problem;
use pipeline_base::rig::{BodyVector, Calibration, Rig};
use pipeline_core::stage::Cx;
use raw_logs::time_columns;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Digits that are written: 0.01 mm, 0.0001 deg.
fn rounded(v: f64, digits: i32) -> f64 {
    let unit = 10_f64.powi(digits);
    (v * unit).round() / unit
}

/// A sigma is rounded up, never to zero.
fn sigma_up(v: f64, digits: i32) -> f64 {
    let unit = 10_f64.powi(digits);
    (v * unit).ceil().max(1.0) / unit
}

fn put(old: &mut f64, new: f64, key: &str, replaced: &mut BTreeMap<String, f64>) {
    if *old != new {
        replaced.insert(key.to_owned(), *old);
        *old = new;
    }
}

fn put_vector(v: &mut BodyVector, new: [Option<f64>; 3], sigma: f64, key: &str, replaced: &mut BTreeMap<String, f64>) {
    for (old, new, axis) in [(&mut v.x_m, new[0], "x_m"), (&mut v.y_m, new[1], "y_m"), (&mut v.z_m, new[2], "z_m")] {
        if let Some(new) = new {
            put(old, rounded(new, 5), &format!("{key}.{axis}"), replaced);
        }
    }
    put(&mut v.sigma_m, sigma_up(sigma, 5), &format!("{key}.sigma_m"), replaced);
}

/// The rig with the new values.
pub(crate) fn new_rig(old: &Rig, found: &Calibrated) -> Rig {
    let mut rig = old.clone();
    if let Some(antenna) = rig.antenna.as_mut().filter(|a| a.antex.is_some()) {
        // The file stays the owner of that length.
        antenna.phase_centre_to_reference_point = None;
    }
    rig.folder = std::path::PathBuf::new();
    let mut replaced = BTreeMap::new();
    let written = |kind: Kind| found.unknowns.iter().position(|u| u.kind == kind && u.written);
    let value = |kind| written(kind).map(|i| found.done.x[i]);
    let sigma = |kinds: &[Kind]| kinds.iter().filter_map(|k| written(*k)).map(|i| found.done.sigma(i)).fold(0.0, f64::max);
    if let Some(laser) = &mut rig.laser {
        if let (Some(side), Some(up)) = (value(Kind::BeamSide), value(Kind::BeamUp)) {
            let (azimuth, elevation) = found.chain.angles(side, up);
            put(&mut laser.beam_azimuth_deg, rounded(azimuth, 4), "laser.beam_azimuth_deg", &mut replaced);
            put(&mut laser.beam_elevation_deg, rounded(elevation, 4), "laser.beam_elevation_deg", &mut replaced);
            let new = sigma_up(sigma(&[Kind::BeamSide, Kind::BeamUp]), 4);
            put(&mut laser.beam_sigma_deg, new, "laser.beam_sigma_deg", &mut replaced);
        }
        let lever = [0, 1, 2].map(Kind::Lever);
        if lever.iter().any(|k| written(*k).is_some()) {
            let key = "laser.reference_point_to_laser";
            put_vector(&mut laser.reference_point_to_laser, lever.map(value), sigma(&lever), key, &mut replaced);
        }
        if let Some(zero) = value(Kind::Zero) {
            put(&mut laser.zero_m, rounded(zero, 5), "laser.zero_m", &mut replaced);
            put(&mut laser.zero_sigma_m, sigma_up(sigma(&[Kind::Zero]), 5), "laser.zero_sigma_m", &mut replaced);
        }
    }
    let pole_kinds = [0, 1, 2].map(Kind::Pole);
    if let Some(pole) = rig.pole.as_mut().filter(|_| pole_kinds.iter().any(|k| written(*k).is_some())) {
        let key = "pole.reference_point_to_tip";
        put_vector(&mut pole.reference_point_to_tip, pole_kinds.map(value), sigma(&pole_kinds), key, &mut replaced);
    }
    if let (Some(bias), Some(sensor)) = (value(Kind::Heading), &mut rig.sensors.heading) {
        let new = rounded(sensor.offset + bias, 4);
        put(&mut sensor.offset, new, "sensors.heading.offset", &mut replaced);
    }
    let day = found.looks.last.div_euclid(time_columns::DAY_NS);
    let used = found.looks.seen.iter().zip(&found.done.used).filter(|(_, u)| **u).map(|(s, _)| &s.look);
    rig.calibration = Some(Calibration {
        date: time_columns::date_text(day),
        expires: time_columns::date_text(day + i64::from(found.options.valid_days)),
        by: format!("{} ({} looks at {} attitudes)", found.options.by.trim(), used.clone().count(), attitudes(used)),
        replaced,
    });
    rig
}

/// A value as block YAML. Texts are quoted, so that none is taken for something else.
fn yaml(value: &Value, indent: usize, out: &mut String) {
    let Value::Object(map) = value else { return };
    for (key, value) in map.iter().filter(|(_, v)| !v.is_null()) {
        let pad = " ".repeat(indent);
        match value {
            Value::Object(inner) if !inner.is_empty() => {
                let _ = writeln!(out, "{pad}{key}:");
                yaml(value, indent + 2, out);
            }
            other => {
                let _ = writeln!(out, "{pad}{key}: {other}");
            }
        }
    }
}

/// The rig file as text: the old values stand in the first lines and under `calibration.replaced`.
pub(crate) fn rig_text(rig: &Rig) -> Result<String, Problem> {
    let mut text = String::new();
    if let Some(c) = &rig.calibration {
        let _ = writeln!(text, "# Calibrated from shots to marks on {}; valid until {}.", c.date, c.expires);
        let _ = writeln!(text, "# The values before:");
        for (key, old) in &c.replaced {
            let _ = writeln!(text, "#   {key}: {old}");
        }
    }
    yaml(&serde_json::to_value(rig).map_err(Problem::broken)?, 0, &mut text);
    Ok(text)
}

fn parameters(found: &Calibrated) -> (Vec<String>, Vec<Vec<String>>) {
    let steep = found.chain.steep();
    let marks = &found.looks.marks;
    let name = |i: usize| found.unknowns[i].kind.words(steep, marks);
    let mut head: Vec<String> =
        ["unknown", "unit", "before", "after", "change", "sigma", "within_95", "needed_sigma", "written"].map(str::to_owned).to_vec();
    head.extend((0..found.unknowns.len()).map(|i| format!("correlation with {}", name(i))));
    let mut rows = vec![];
    for (i, u) in found.unknowns.iter().enumerate() {
        let sigma = found.done.sigma(i);
        let cell = |v: f64| finite(v).map_or_else(String::new, |v| format!("{v:.6}"));
        let mut row = vec![name(i), u.kind.unit().to_owned(), cell(u.value), cell(found.done.x[i]), cell(found.done.x[i] - u.value)];
        row.extend([cell(sigma), cell(NORMAL_95 * sigma), cell(u.needed), u.written.to_string()]);
        row.extend((0..found.unknowns.len()).map(|j| format!("{:.4}", found.done.adjustment.fit.correlation(i, j))));
        rows.push(row);
    }
    (head, rows)
}

const RESIDUALS: [&str; 16] = [
    "point",
    "aim",
    "time",
    "epochs",
    "heading_deg",
    "pitch_deg",
    "roll_deg",
    "range_m",
    "off_east_m",
    "off_north_m",
    "off_up_m",
    "sigma_east_m",
    "sigma_north_m",
    "sigma_up_m",
    "test",
    "used",
];

fn residuals(found: &Calibrated) -> Vec<Vec<String>> {
    let mut rows = vec![];
    for (i, seen) in found.looks.seen.iter().enumerate() {
        let cell = |v: f64, d: usize| finite(v).map_or_else(String::new, |v| format!("{v:.d$}"));
        let mut row = vec![
            seen.point.clone(),
            if seen.look.aim == crate::rig::ledger::Aim::Laser { "laser" } else { "tip" }.to_owned(),
            time_columns::instant_text(seen.start),
            seen.look.epochs.to_string(),
            cell(seen.pose[0].rem_euclid(360.0), 2),
            cell(seen.pose[1], 2),
            cell(seen.pose[2], 2),
            cell(seen.pose[3], 4),
        ];
        row.extend(found.done.misclosure[i].map(|v| cell(v, 4)));
        row.extend([0, 1, 2].map(|k| cell((seen.look.noise[k][k] + seen.look.gnss[k][k]).sqrt(), 4)));
        row.extend([cell(found.done.test[i], 2), found.done.used[i].to_string()]);
        rows.push(row);
    }
    rows
}

/// The residuals as a picture: three bars a look, with two sigmas as thin lines.
fn plot(found: &Calibrated) -> String {
    const WIDTH: f64 = 760.0;
    const MIDDLE: f64 = 170.0;
    const HALF: f64 = 130.0;
    let seen = &found.looks.seen;
    let sigma = |i: usize, k: usize| (seen[i].look.noise[k][k] + seen[i].look.gnss[k][k]).sqrt();
    let largest = (0..seen.len())
        .flat_map(|i| (0..3).map(move |k| (i, k)))
        .map(|(i, k)| found.done.misclosure[i][k].abs().max(2.0 * sigma(i, k)))
        .fold(0.001, f64::max);
    let y = |m: f64| MIDDLE - m / largest * HALF;
    #[allow(clippy::cast_precision_loss)]
    let step = (WIDTH - 70.0) / seen.len().max(1) as f64;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"340\" font-family=\"sans-serif\" font-size=\"12\">\n"
    );
    out.push_str("<rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n");
    out.push_str("<text x=\"60\" y=\"18\">Residuals of the looks, mm: east (blue), north (green), up (orange); lines: 2 sigma; grey: not used</text>\n");
    for m in [-largest, 0.0, largest] {
        let _ = writeln!(out, "<line x1=\"60\" x2=\"{WIDTH}\" y1=\"{0:.1}\" y2=\"{0:.1}\" stroke=\"#999\"/>", y(m));
        let _ = writeln!(out, "<text x=\"4\" y=\"{:.1}\">{:+.1}</text>", y(m) + 4.0, m * 1000.0);
    }
    for i in 0..seen.len() {
        #[allow(clippy::cast_precision_loss)]
        let left = 64.0 + i as f64 * step;
        let bar = (step / 4.0).min(30.0);
        for (k, colour) in ["#2266aa", "#228844", "#cc7722"].iter().enumerate() {
            let colour = if found.done.used[i] { colour } else { "#bbbbbb" };
            #[allow(clippy::cast_precision_loss)]
            let x = left + k as f64 * bar;
            let (a, b) = (y(found.done.misclosure[i][k]), y(0.0));
            let (top, height) = (a.min(b), (a - b).abs().max(0.5));
            let _ =
                writeln!(out, "<rect x=\"{x:.1}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{height:.1}\" fill=\"{colour}\"/>", bar * 0.85);
            for side in [-2.0, 2.0] {
                let s = y(side * sigma(i, k));
                let _ = writeln!(out, "<line x1=\"{x:.1}\" x2=\"{:.1}\" y1=\"{s:.1}\" y2=\"{s:.1}\" stroke=\"black\"/>", x + bar * 0.85);
            }
        }
        let _ = writeln!(out, "<text x=\"{left:.1}\" y=\"320\">{}</text>", i + 1);
    }
    out.push_str("</svg>\n");
    out
}

/// Writes all files.
///
/// # Errors
/// When one cannot be written, or the rig file does not read as the rig that was written.
pub(crate) fn write(old: &Rig, found: &Calibrated, cx: &Cx) -> Result<(), Problem> {
    let o = found.options;
    let rig = new_rig(old, found);
    let text = rig_text(&rig)?;
    let back: Option<Rig> = parse::read(&o.rig_file, text.as_bytes()).ok().and_then(|d| serde_json::from_value(d.value).ok());
    if back.as_ref() != Some(&rig) {
        return Err(differs(&o.rig_file, "does not read as the rig that was found"));
    }
    written::text(cx, &o.rig_file, "rig_file", &text, 0)?;
    let (header, rows) = parameters(found);
    written::csv(cx, &o.parameters_file, "parameters_file", header, &rows)?;
    written::csv(cx, &o.residuals_file, "residuals_file", RESIDUALS, &residuals(found))?;
    written::text(cx, &o.plot_file, "plot_file", &plot(found), 0)
}
