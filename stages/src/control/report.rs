//! The report of a control check: one line for each shot on a mark, and the statistics beside it.

use super::check::{Frames, Limits, Shot};
use super::marks::{Mark, Place};
use super::statistics::Statistics;
use crate::export::cells::differs;
use crate::export::deliver::{cannot_read, cannot_write, close, open};
use crate::export::instant;
use pipeline_core::stage::{Cx, OutFile, Problem};
use std::io::Write;

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

/// Writes lines of text as a CSV file, reads them back and compares.
///
/// # Errors
/// `export/cannot-write`, `export/read-back-differs`.
pub fn write_csv(cx: &Cx, name: &str, header: &[&str], rows: &[Vec<String>]) -> Result<(), Problem> {
    let file = cx.create(name, "report")?;
    let mut writer = csv::Writer::from_writer(open(&file)?);
    writer.write_record(header).map_err(|e| cannot_write(&file, e))?;
    for row in rows {
        writer.write_record(row).map_err(|e| cannot_write(&file, e))?;
    }
    close(writer.into_inner().map_err(|e| cannot_write(&file, e.error()))?, &file)?;
    let mut reader = csv::Reader::from_path(&file.path).map_err(|e| cannot_read(&file, e))?;
    let mut back = vec![];
    for record in reader.records() {
        back.push(record.map_err(|e| cannot_read(&file, e))?.iter().map(str::to_owned).collect::<Vec<_>>());
    }
    if back != rows {
        return Err(differs(&file.name, "does not hold the lines that were written"));
    }
    cx.delivered(&file, rows.len());
    Ok(())
}

/// Writes a JSON document, reads it back and compares.
///
/// # Errors
/// `export/cannot-write`, `export/read-back-differs`.
pub fn write_json(cx: &Cx, name: &str, value: &serde_json::Value) -> Result<(), Problem> {
    let file: OutFile = cx.create(name, "report")?;
    let mut text = serde_json::to_string_pretty(value).map_err(Problem::broken)?;
    text.push('\n');
    let mut writer = open(&file)?;
    writer.write_all(text.as_bytes()).map_err(|e| cannot_write(&file, e))?;
    close(writer, &file)?;
    let back = std::fs::read_to_string(&file.path).map_err(|e| cannot_read(&file, e))?;
    let whole = serde_json::from_str::<serde_json::Value>(&back).is_ok();
    if back != text || !whole {
        return Err(differs(&file.name, "does not hold what was written"));
    }
    cx.delivered(&file, 0);
    Ok(())
}

/// Writes the report and the statistics.
///
/// # Errors
/// `export/cannot-write`, `export/read-back-differs`, `export/exists`.
pub fn write(
    cx: &Cx,
    name: &str,
    marks: &[Mark],
    shots: &[Shot],
    limits: &Limits,
    statistics: &Statistics,
    frames: &Frames,
) -> Result<(), Problem> {
    let rows: Vec<Vec<String>> = shots.iter().map(|s| row(s, &marks[s.difference.mark], limits)).collect();
    write_csv(cx, name, &HEADER, &rows)?;
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
    write_json(cx, &format!("{}.json", name.strip_suffix(".csv").unwrap_or(name)), &value)
}
