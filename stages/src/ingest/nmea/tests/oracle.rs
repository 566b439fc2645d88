//! A second reader, written by others, agrees on every sentence that both can read.

use super::*;
use ::nmea::{ParseResult, parse_str};
use pipeline_base::time::date_text;
use raw_logs::nmea::line::{Formatter, Line, Within, classify};
use raw_logs::nmea::sentence as fields;

fn near(ours: f64, theirs: Option<f64>, tolerance: f64) -> bool {
    match theirs {
        None => ours.is_nan(),
        Some(t) => (ours - t).abs() <= tolerance,
    }
}

/// The other reader keeps many numbers in single precision.
fn near_single(ours: f64, theirs: Option<f32>) -> bool {
    near(ours, theirs.map(f64::from), 1e-6 * ours.abs().max(1.0))
}

/// Compares one sentence; `None` when the other reader cannot read it.
fn agrees(s: &line::Sentence<'_>) -> Option<Result<(), String>> {
    let body = format!("{},{}", String::from_utf8_lossy(s.address), String::from_utf8_lossy(s.body));
    let text = sentence(&body);
    let theirs = parse_str(text.trim_end()).ok()?;
    let check = |ok: bool, what: &str| if ok { Ok(()) } else { Err(format!("{what}: {body} {theirs:?}")) };
    Some((|| -> Result<(), String> {
        match &theirs {
            ParseResult::GGA(t) => {
                let Ok(o) = fields::gga(s) else { return Ok(()) };
                check(near(o.place.latitude, t.latitude, 1e-9), "latitude")?;
                check(near(o.place.longitude, t.longitude, 1e-9), "longitude")?;
                check(near_single(o.altitude, t.altitude), "altitude")?;
                check(near_single(o.separation, t.geoid_separation), "separation")?;
                check(o.satellites == t.fix_satellites.map(i64::from), "satellites")?;
                check(o.hdop.is_nan() || near_single(o.hdop, t.hdop), "hdop")?;
            }
            ParseResult::RMC(t) => {
                let Ok(o) = fields::rmc(s) else { return Ok(()) };
                if o.valid {
                    check(near(o.place.latitude, t.lat, 1e-9), "latitude")?;
                    check(near(o.place.longitude, t.lon, 1e-9), "longitude")?;
                    check(near_single(o.speed / fields::KNOT, t.speed_over_ground), "speed")?;
                }
                let date = t.fix_date.map(|d| d.to_string());
                // Two-digit years: this reader has a window of 1994 to 2093.
                if let (Some(ours), Some(theirs)) = (o.date.map(date_text), date) {
                    check(ours[2..] == theirs[2..], "date")?;
                }
            }
            ParseResult::GSA(t) => {
                let Ok(o) = fields::gsa(s) else { return Ok(()) };
                for (ours, theirs, name) in [(o.pdop, t.pdop, "pdop"), (o.hdop, t.hdop, "hdop"), (o.vdop, t.vdop, "vdop")] {
                    // 99.99 and 0 are missing here.
                    check((ours.is_nan() && theirs.is_none_or(|v| v > 99.0 || v == 0.0)) || near_single(ours, theirs), name)?;
                }
                check(usize::from(o.satellites) == t.fix_sats_prn.len(), "satellites")?;
            }
            ParseResult::GST(t) => {
                let Ok(o) = fields::gst(s) else { return Ok(()) };
                check(near_single(o.north, t.lat_sd), "sigma latitude")?;
                check(near_single(o.east, t.long_sd), "sigma longitude")?;
                check(near_single(o.up, t.alt_sd), "sigma altitude")?;
            }
            ParseResult::GNS(t) => {
                let Ok(o) = fields::gns(s) else { return Ok(()) };
                check(near(o.place.latitude, t.lat, 1e-9), "latitude")?;
                check(near(o.place.longitude, t.lon, 1e-9), "longitude")?;
                check(near_single(o.altitude, t.alt), "altitude")?;
                check(near_single(o.separation, t.geoid_separation), "separation")?;
            }
            ParseResult::GLL(t) => {
                let Ok(o) = fields::gll(s) else { return Ok(()) };
                if o.valid {
                    check(near(o.place.latitude, t.latitude, 1e-9), "latitude")?;
                    check(near(o.place.longitude, t.longitude, 1e-9), "longitude")?;
                }
            }
            ParseResult::VTG(t) => {
                let Ok(o) = fields::vtg(s) else { return Ok(()) };
                check(near_single(o / fields::KNOT, t.speed_over_ground), "speed")?;
            }
            ParseResult::HDT(t) => {
                let Ok(o) = fields::single(s) else { return Ok(()) };
                check(near_single(o, t.heading), "heading")?;
            }
            ParseResult::ZDA(t) => {
                let Ok((_, date)) = fields::zda(s) else { return Ok(()) };
                let theirs = match (t.year, t.month, t.day) {
                    (Some(y), Some(m), Some(d)) => Some(format!("{y:04}-{m:02}-{d:02}")),
                    _ => None,
                };
                check(date.map(date_text) == theirs, "date")?;
            }
            _ => {}
        }
        Ok(())
    })())
}

/// Files one folder down.
fn files_below(folder: &Path) -> Vec<PathBuf> {
    let entries = |folder: &Path| std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect::<Vec<_>>();
    let folders = entries(folder).into_iter().filter(|f| f.is_dir());
    folders.flat_map(|f| entries(&f)).filter(|f| f.is_file()).collect()
}

/// Compares every sentence of some files that both can read; how many of each kind.
fn compared(files: &[PathBuf]) -> std::collections::BTreeMap<String, u64> {
    let mut compared = std::collections::BTreeMap::new();
    let mut wrong = vec![];
    for file in files {
        let bytes = std::fs::read(file).unwrap();
        for raw in bytes.split(|b| *b == b'\n') {
            let raw = raw.strip_suffix(b"\r").unwrap_or(raw);
            let found: Vec<_> = match classify(raw) {
                Line::Sentence(s) => vec![s],
                Line::Mixed => Within::new(raw).collect(),
                _ => vec![],
            };
            for s in found {
                if matches!(s.formatter, Formatter::Other | Formatter::GSV) {
                    continue;
                }
                if let Some(result) = agrees(&s) {
                    *compared.entry(s.formatter.word().to_owned()).or_insert(0_u64) += 1;
                    wrong.extend(result.err());
                }
            }
        }
    }
    eprintln!("compared with another reader: {compared:?}");
    assert!(wrong.is_empty(), "{} differ, first {:#?}", wrong.len(), &wrong[..wrong.len().min(8)]);
    compared
}

#[test]
fn another_reader_agrees_on_the_fixtures() {
    let mut logs = files_below(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/fixtures/traps")));
    logs.retain(|f| f.extension().is_some_and(|e| e == "nmea"));
    let compared = compared(&logs);
    for (kind, least) in [("GGA", 3_000), ("GST", 3_000), ("HDT", 3_000), ("RMC", 1_000)] {
        assert!(compared.get(kind).is_some_and(|n| *n > least), "{kind}: {compared:?}");
    }
}

#[test]
fn another_reader_agrees_on_logs_of_others() {
    let Some(shared) = shared() else { return };
    let compared = compared(&files_below(&shared.join("data/nmea")));
    assert!(compared.get("GGA").is_some_and(|n| *n > 3_000), "{compared:?}");
}
