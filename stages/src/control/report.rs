//! The report of a control check: one line for each shot on a mark, and the statistics beside it.

use super::check::{Frames, Shot};
use super::marks::{Mark, Place};
use super::statistics::Statistics;
use crate::control::check::limits::Limits;
use crate::export::{instant, written};
use pipeline_base::problem::Problem;
use pipeline_core::stage::Cx;

const HEADER: [&str; 20] = [
    "session",
    "point",
    "time",
    "verdict",
    "difference_easting_m",
    "difference_northing_m",
    "difference_height_m",
    "horizontal_m",
    "sigma_east_m",
    "sigma_north_m",
    "sigma_up_m",
    "limit_horizontal_m",
    "limit_vertical_m",
    "known_easting_m",
    "known_northing_m",
    "known_height_m",
    "crs",
    "epoch",
    "source",
    "date",
];

fn metres(value: f64) -> String {
    if value.is_finite() { format!("{value:.4}") } else { String::new() }
}

fn row(shot: &Shot, mark: &Mark, limits: &Limits) -> Vec<String> {
    let verdict = match (shot.dependent, shot.good()) {
        (Some(reason), _) => format!("no check: {reason}"),
        (None, true) => "good".to_owned(),
        (None, false) => "not good".to_owned(),
    };
    let (east, north) = match mark.place {
        Place::Grid { easting_m, northing_m, .. } => (metres(easting_m), metres(northing_m)),
        Place::Geographic { .. } => (String::new(), String::new()),
    };
    vec![
        shot.session.clone(),
        shot.point.clone(),
        shot.time.map(instant::iso).unwrap_or_default(),
        verdict,
        metres(shot.difference.grid_m[0]),
        metres(shot.difference.grid_m[1]),
        shot.difference.up_m.map(metres).unwrap_or_default(),
        metres(shot.horizontal_m()),
        metres(shot.sigma_m[0]),
        metres(shot.sigma_m[1]),
        metres(shot.sigma_m[2]),
        metres(limits.horizontal_m),
        metres(limits.vertical_m),
        east,
        north,
        mark.height.as_ref().map(|h| metres(h.value_m)).unwrap_or_default(),
        mark.crs.clone(),
        mark.epoch.map(|e| e.to_string()).unwrap_or_default(),
        mark.source.clone(),
        mark.date.clone(),
    ]
}

/// Writes the report and the statistics.
///
/// # Errors
/// `export/cannot-write`, `export/read-back-differs`, `export/exists`.
pub(crate) fn write(
    cx: &Cx,
    name: &str,
    marks: &[Mark],
    shots: &[Shot],
    limits: &Limits,
    statistics: &Statistics,
    frames: &Frames,
) -> Result<(), Problem> {
    let rows: Vec<Vec<String>> = shots.iter().map(|s| row(s, &marks[s.difference.mark], limits)).collect();
    written::csv(cx, name, "report", HEADER, &rows)?;
    let value = serde_json::json!({
        "statistics": statistics,
        "frames": frames,
        "limits": {
            "horizontal_m": limits.horizontal_m,
            "vertical_m": limits.vertical_m,
            "confidence_pct": limits.confidence_pct,
        },
        "meaning": {
            "difference": "delivered minus known, along the axes of the mark's system",
            "sigma": "one standard deviation of shot and mark together",
            "nssda": "95 %; FGDC-STD-007.3-1998",
            "asprs": "root mean square with the marks' own error; edition 2, 2023",
        },
    });
    written::json(cx, &format!("{}.json", name.strip_suffix(".csv").unwrap_or(name)), "report", &value)
}
