//! What a raw log holds, for someone who has never seen it, and a first job made from it.
//!
//! Nothing is decided here: the report says what is in the log, what is wrong with it, and what no
//! log can tell.

mod first;
pub mod frames;
mod gather;
mod screen;
pub mod stations;

pub use first::{FirstJob, first_job};

use crate::ingest::nmea::look;
use pipeline_base::problem::Problem;
use pipeline_core::stage::{Resource, ResourceRole, Session};
use raw_logs::nmea::log::Log;
use raw_logs::nmea::settings::Settings;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// One file.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FileReport {
    /// File, as it was named.
    pub name: String,
    /// Bytes, unpacked.
    pub bytes: u64,
    /// Lines.
    pub lines: u64,
    /// Bytes on lines of binary data.
    pub binary_bytes: u64,
    /// Epochs.
    pub epochs: u64,
    /// First and last epoch, UTC; with the date where the log has one.
    pub first: Option<String>,
    /// See `first`.
    pub last: Option<String>,
    /// `rmc-or-zda`, `rmc-or-zda without a fix`, or nothing.
    pub date_source: Option<String>,
    /// Seconds between epochs that occur most.
    pub interval_s: Option<f64>,
}

/// A kind of sentence.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Kind {
    /// Talker and formatter.
    pub address: String,
    /// Sentences.
    pub count: u64,
    /// Sentences per epoch.
    pub per_epoch: f64,
}

/// Lines that cannot be used.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Damage {
    /// Reason.
    pub reason: &'static str,
    /// Lines.
    pub count: u64,
    /// File of the first one.
    pub file: String,
    /// Line of the first one.
    pub line: u64,
    /// Its text.
    pub text: String,
}

/// A fix kind.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Share {
    /// Word of the fix.
    pub fix: &'static str,
    /// Epochs.
    pub epochs: u64,
    /// Share of all epochs, %.
    pub percent: f64,
}

/// A pause between two epochs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Gap {
    /// File.
    pub file: String,
    /// First line after it.
    pub line: u64,
    /// Time of day before it, UTC.
    pub after: String,
    /// Length, s.
    pub seconds: f64,
}

/// The receiver's geoid separation.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Separation {
    /// Smallest, m.
    pub lowest_m: f64,
    /// Largest, m.
    pub highest_m: f64,
    /// Lines with one.
    pub lines: u64,
}

/// A sensor value in the log.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SensorSeen {
    /// Sentence.
    pub sentence: &'static str,
    /// Transducer; empty for HDT, HDM, ROT.
    pub name: String,
    /// Type letter of XDR.
    pub kind: String,
    /// Unit letter of XDR.
    pub unit: String,
    /// Values.
    pub count: u64,
    /// First value.
    pub first: f64,
    /// Smallest.
    pub lowest: f64,
    /// Largest.
    pub highest: f64,
}

/// A base station.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Base {
    /// Identity, with its leading zeros.
    pub id: String,
    /// Epochs.
    pub epochs: u64,
}

/// How fine the numbers of the log are.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Resolution {
    /// Fewest decimals of minutes.
    pub fewest: u64,
    /// Most.
    pub most: u64,
    /// Step that positions really have, m.
    pub position_step_m: f64,
    /// Step of the altitude, m.
    pub height_step_m: Option<f64>,
}

/// Where the work is.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Place {
    /// Middle of the positions, deg.
    pub latitude_deg: f64,
    /// See `latitude_deg`.
    pub longitude_deg: f64,
    /// Lowest and highest ellipsoidal height, m.
    pub heights_m: Option<(f64, f64)>,
    /// Extent, m.
    pub extent_m: f64,
}

/// What some logs hold.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Report {
    /// Files, in the order given.
    pub files: Vec<FileReport>,
    /// Sentences, the most frequent first.
    pub sentences: Vec<Kind>,
    /// Order of the sentences from one GGA to the next, as the log begins.
    pub order: Vec<String>,
    /// Lines that cannot be used.
    pub damage: Vec<Damage>,
    /// Lines by what became of them.
    pub ignored: BTreeMap<String, u64>,
    /// Epochs.
    pub epochs: u64,
    /// Epochs that should be there by the interval and are not.
    pub missing: u64,
    /// Longest pauses.
    pub gaps: Vec<Gap>,
    /// Fix kinds, the best first.
    pub fixes: Vec<Share>,
    /// The fix over time: 60 equal parts, the most frequent letter of each.
    pub strip: String,
    /// Epochs with all three sigmas of GST.
    pub with_gst: u64,
    /// Sigmas that 95 % of these epochs do not exceed: horizontal (the larger axis) and up, m.
    pub sigma_95_of_epochs_m: Option<(f64, f64)>,
    /// The receiver's geoid separation.
    pub separation: Option<Separation>,
    /// Some places with the separation there: latitude, longitude (deg), separation (m).
    #[serde(skip)]
    pub separations: Vec<(f64, f64, f64)>,
    /// Altitudes without one.
    pub without_separation: u64,
    /// Sensors.
    pub sensors: Vec<SensorSeen>,
    /// Resolution.
    pub resolution: Option<Resolution>,
    /// Base stations.
    pub bases: Vec<Base>,
    /// Where it is.
    pub place: Option<Place>,
    /// When it was measured, decimal year, where the log has a date.
    pub decimal_year: Option<f64>,
    /// Whether the logs have sentences only when checksums are optional.
    pub without_checksums: bool,
    /// What is wrong or missing, in plain words.
    pub wrong: Vec<String>,
    /// What only a person can know.
    pub ask: Vec<String>,
}

/// Looks at logs. Each file is taken as a session of its own.
///
/// # Errors
/// When no file is named or a file cannot be read.
pub fn inspect(files: &[(String, PathBuf)]) -> Result<Report, Problem> {
    if files.is_empty() {
        return Err(Problem::new("ingest/no-files", "no log is named").fix("name one or more logs: `gunter inspect logs/day1.nmea`"));
    }
    let strict = Settings::default();
    let mut logs = read(files, &strict)?;
    let mut without_checksums = false;
    if logs.iter().all(|l| l.sentences() == 0) {
        let relaxed = read(files, &Settings { checksum_required: false, ..strict })?;
        if relaxed.iter().any(|l| l.sentences() > 0) {
            logs = relaxed;
            without_checksums = true;
        }
    }
    let order = gather::order(files, !without_checksums);
    Ok(gather::report(logs, order, without_checksums))
}

fn read(files: &[(String, PathBuf)], settings: &Settings) -> Result<Vec<Log>, Problem> {
    files
        .iter()
        .map(|(name, path)| {
            let file = Resource { name: name.clone(), path: path.clone(), role: ResourceRole::Log, option: String::new() };
            look(settings, &Session { name: name.clone(), files: vec![file] }, None)
        })
        .collect()
}

#[cfg(test)]
mod tests;
