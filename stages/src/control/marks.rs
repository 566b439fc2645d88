//! Control as data: value, frame, epoch, height system, sigma, source and date of each mark, from a
//! CSV or GeoJSON file. Nothing is assumed: a mark that does not say what its numbers mean is refused.

use super::geojson;
use crate::control::record::At;
use crate::control::record::Record;
use crate::export::path::nearest;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Unit;
use raw_logs::time_columns;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;
use survey_geodesy::crs::metres;

/// What a mark may be used for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Use {
    /// Checks only.
    Check,
    /// It set the base, so it cannot check it.
    Base,
    /// A localisation may be fitted to it, so it cannot check that.
    Fit,
}

/// Horizontal coordinates of a mark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Place {
    /// Easting and northing in metres; the unit is the one of the file.
    Grid {
        /// Easting, m.
        easting_m: f64,
        /// Northing, m.
        northing_m: f64,
        /// Unit in which the file gave them.
        unit: Unit,
    },
    /// Latitude and longitude, deg.
    Geographic {
        /// Latitude, deg.
        latitude_deg: f64,
        /// Longitude, deg.
        longitude_deg: f64,
    },
}

/// Height of a mark.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct MarkHeight {
    /// Height, m.
    pub value_m: f64,
    /// Unit in which the file gave it.
    pub unit: Unit,
    /// Vertical datum; `None` for a height above the ellipsoid.
    pub datum: Option<String>,
    /// Standard deviation, m.
    pub sigma_m: f64,
}

/// One mark.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Mark {
    /// Name, as the field notes write it.
    pub name: String,
    /// Horizontal coordinates.
    pub place: Place,
    /// Height, when it has one.
    pub height: Option<MarkHeight>,
    /// CRS of the horizontal coordinates.
    pub crs: String,
    /// Coordinate epoch, decimal year.
    pub epoch: Option<f64>,
    /// Standard deviation of each horizontal axis, m.
    pub sigma_horizontal_m: f64,
    /// Who published or measured it.
    pub source: String,
    /// When it was measured or published, YYYY-MM-DD.
    pub date: String,
    /// What it may be used for.
    pub used_as: Use,
    /// File that it comes from.
    pub file: String,
    /// Where in it.
    pub at: At,
}

impl Mark {
    /// A label at its place in its file.
    #[must_use]
    pub(crate) fn label(&self, text: &str) -> Label {
        self.at.label(&self.file, text)
    }
}

/// Columns that are understood.
const KNOWN: [&str; 18] = [
    "point",
    "easting_m",
    "easting_ft",
    "easting_ftUS",
    "northing_m",
    "northing_ft",
    "northing_ftUS",
    "latitude_deg",
    "longitude_deg",
    "height_m",
    "height_ft",
    "height_ftUS",
    "height_datum",
    "crs",
    "epoch",
    "sigma_horizontal_m",
    "sigma_up_m",
    "source",
];
/// More of them.
const KNOWN_TOO: [&str; 3] = ["date", "use", "ellipsoidal_height_m"];
/// Largest file that is read, bytes: a list of marks is small, and a wrong file may not be.
const LARGEST: u64 = 64 << 20;
/// Most problems of one file that are shown.
const SHOWN: usize = 12;

fn refuse(code: &str, what: impl Into<String>) -> Problem {
    Problem::from(Diagnostic::new(code, Verdict::Error, what))
}

/// Reads the marks of several files.
///
/// # Errors
/// Every problem that can be seen: `control/unreadable`, `control/no-column`, `control/bad-value`,
/// `control/same-name`, `control/no-marks`.
pub(crate) fn read(files: &[(String, std::path::PathBuf)]) -> Result<Vec<Mark>, Vec<Problem>> {
    let mut marks = vec![];
    let mut problems = vec![];
    for (name, path) in files {
        match bytes_of(name, path).map_err(|p| vec![p]).and_then(|bytes| parse(name, &bytes)) {
            Ok(more) => marks.extend(more),
            Err(more) => problems.extend(more),
        }
    }
    problems.extend(same_names(&marks));
    if problems.is_empty() { Ok(marks) } else { Err(problems) }
}

pub(super) fn bytes_of(name: &str, path: &Path) -> Result<Vec<u8>, Problem> {
    let broken = |e: std::io::Error| pipeline_base::input::unreadable(name, &e);
    let size = std::fs::metadata(path).map_err(broken)?.len();
    if size > LARGEST {
        return Err(refuse("control/unreadable", format!("`{name}` has {} MB and is no list of marks", size >> 20))
            .label(Label::file(name, "this file"))
            .fix("name the file with the marks"));
    }
    std::fs::read(path).map_err(broken)
}

/// The marks of one file; its name decides the format (`.geojson` and `.json`, everything else CSV).
///
/// # Errors
/// See [`read`].
pub(crate) fn parse(name: &str, bytes: &[u8]) -> Result<Vec<Mark>, Vec<Problem>> {
    let lower = name.to_ascii_lowercase();
    let records = if lower.ends_with(".geojson") || lower.ends_with(".json") {
        geojson::records(name, bytes)
    } else {
        csv_records(name, bytes, &CODES, &["point"])
    }?;
    if records.is_empty() {
        return Err(vec![
            refuse("control/no-marks", format!("`{name}` holds no mark"))
                .label(Label::file(name, "this file"))
                .fix("give one line for each mark, under a line of column names"),
        ]);
    }
    let (mut marks, mut problems, mut wrong) = (vec![], vec![], 0);
    for record in &records {
        match mark(name, record) {
            Ok(mark) => marks.push(mark),
            Err(more) => {
                wrong += 1;
                if problems.len() < SHOWN {
                    problems.extend(more);
                }
            }
        }
    }
    problems.truncate(SHOWN);
    if wrong > 0 { Err(problems) } else { Ok(marks) }
}

/// Codes of a file that cannot be read, and of a column that is missing.
const CODES: [&str; 2] = ["control/unreadable", "control/no-column"];

/// The records of a CSV file: UTF-8 with commas, one line of column names in any order, each name once; empty cells are left out.
///
/// # Errors
/// A file that is none, or lacks a column that is needed, with the code for each.
pub(super) fn csv_records(name: &str, bytes: &[u8], codes: &[&str; 2], needed: &[&str]) -> Result<Vec<Record>, Vec<Problem>> {
    let bad = |what: String, line: Option<u64>| {
        let label = line.map_or_else(|| Label::file(name, "this file"), |l| Label::lines(name, l, l, "here"));
        vec![refuse(codes[0], what).label(label).fix("give UTF-8 text with commas and one line of column names")]
    };
    let text = std::str::from_utf8(bytes).map_err(|_| bad(format!("`{name}` is not UTF-8 text"), None))?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let header = reader.headers().map_err(|e| bad(format!("`{name}` has no line of column names: {e}"), None))?.clone();
    let mut twice = header.iter().enumerate().filter(|(i, h)| header.iter().take(*i).any(|other| other == *h)).map(|(_, h)| h);
    if let Some(column) = twice.next() {
        return Err(bad(format!("`{name}` has two columns called `{column}`"), Some(1)));
    }
    let lacks = |column: &&&str| !header.iter().any(|h| h == **column);
    let missing: Vec<Problem> = needed
        .iter()
        .filter(lacks)
        .map(|column| {
            let near = nearest(column, header.iter()).map_or_else(String::new, |n| format!("; did `{n}` mean that?"));
            refuse(codes[1], format!("`{name}` has no column `{column}`{near}"))
                .label(Label::lines(name, 1, 1, "the line of column names"))
                .fix(format!("name one column `{column}`"))
        })
        .collect();
    if !missing.is_empty() {
        return Err(missing);
    }
    let mut records = vec![];
    for row in reader.records() {
        let row = row.map_err(|e| bad(format!("`{name}` cannot be read: {e}"), e.position().map(csv::Position::line)))?;
        let line = row.position().map_or(0, csv::Position::line);
        if row.len() > header.len() {
            return Err(bad(format!("line {line} has {} cells under {} column names", row.len(), header.len()), Some(line)));
        }
        let words = header.iter().zip(row.iter()).filter(|(_, v)| !v.is_empty()).map(|(k, v)| (k.to_owned(), v.to_owned())).collect();
        records.push(Record { words, at: At::Line(line) });
    }
    Ok(records)
}

/// Takes words of one record, and remembers what is wrong.
struct Taker<'a> {
    file: &'a str,
    record: &'a Record,
    problems: Vec<Problem>,
}

impl Taker<'_> {
    fn word(&self, key: &str) -> Option<&str> {
        self.record.words.get(key).map(String::as_str)
    }

    fn wrong(&mut self, code: &str, what: String, fix: &str) {
        let name = self.word("point").map_or_else(String::new, |p| format!(" of `{p}`"));
        let label = self.record.at.label(self.file, "this mark");
        self.problems.push(refuse(code, format!("{what}{name}")).label(label).fix(fix));
    }

    fn need(&mut self, key: &str, fix: &str) -> String {
        match self.word(key) {
            Some(word) => word.to_owned(),
            None => {
                let known = || KNOWN.iter().chain(&KNOWN_TOO).copied();
                let near = nearest(key, self.record.words.keys().map(String::as_str).filter(|k| !known().any(|n| n == *k)));
                let near = near.map_or_else(String::new, |n| format!(" (there is `{n}`)"));
                self.wrong("control/no-column", format!("no `{key}`{near} is given for the mark"), fix);
                String::new()
            }
        }
    }

    fn number(&mut self, key: &str, low: f64, high: f64) -> Option<f64> {
        let word = self.word(key)?.to_owned();
        match word.parse::<f64>() {
            Ok(v) if v.is_finite() && (low..=high).contains(&v) => Some(v),
            Ok(v) if v.is_finite() => {
                self.wrong("control/bad-value", format!("`{key}` is {word}, outside {low} to {high},"), "correct the value");
                None
            }
            _ => {
                self.wrong("control/bad-value", format!("`{key}` is `{word}`, which is no number,"), "write numbers with a decimal point");
                None
            }
        }
    }

    fn length(&mut self, key: &str) -> Option<(f64, Unit)> {
        for unit in [Unit::Metre, Unit::Foot, Unit::UsSurveyFoot] {
            if let Some(v) = self.number(&format!("{key}_{}", unit.symbol()), -1e9, 1e9) {
                return Some((v * metres(unit), unit));
            }
        }
        None
    }

    fn place(&mut self) -> Option<Place> {
        let east = self.length("easting");
        let north = self.length("northing");
        let latitude_deg = self.number("latitude_deg", -90.0, 90.0);
        let longitude_deg = self.number("longitude_deg", -360.0, 360.0);
        match (east, north, latitude_deg, longitude_deg) {
            (Some((easting_m, unit)), Some((northing_m, other)), None, None) => {
                if unit != other {
                    let what = format!("easting in {} and northing in {}", unit.symbol(), other.symbol());
                    self.wrong("control/bad-value", what, "give both in one unit");
                    return None;
                }
                Some(Place::Grid { easting_m, northing_m, unit })
            }
            (None, None, Some(latitude_deg), Some(longitude_deg)) => Some(Place::Geographic { latitude_deg, longitude_deg }),
            _ if self.problems.is_empty() => {
                let fix = "give `easting_m` and `northing_m` (or `_ft`, `_ftUS`), or `latitude_deg` and `longitude_deg`";
                self.wrong("control/no-column", "no position, or more than one, is given for the mark".to_owned(), fix);
                None
            }
            _ => None,
        }
    }

    fn height(&mut self) -> Option<MarkHeight> {
        let above = self.length("height");
        let ellipsoidal = self.number("ellipsoidal_height_m", -1e5, 1e5);
        let datum = self.word("height_datum").map(str::to_owned);
        let (value_m, unit, datum) = match (above, ellipsoidal) {
            (None, None) => return None,
            (Some(_), Some(_)) => {
                self.wrong("control/bad-value", "two heights".to_owned(), "give one height, in the system that the mark was levelled in");
                return None;
            }
            (None, Some(h)) => (h, Unit::Metre, None),
            (Some((h, unit)), None) => match datum {
                Some(word) if word == "ellipsoid" => (h, unit, None),
                Some(word) => (h, unit, Some(word)),
                None => {
                    self.need("height_datum", "name the vertical datum of the height as the reference does, or `ellipsoid`");
                    return None;
                }
            },
        };
        let Some(sigma_m) = self.number("sigma_up_m", 0.0, 100.0) else {
            self.need("sigma_up_m", "state how good the height is, one standard deviation in metres");
            return None;
        };
        Some(MarkHeight { value_m, unit, datum, sigma_m })
    }
}

fn mark(file: &str, record: &Record) -> Result<Mark, Vec<Problem>> {
    let mut t = Taker { file, record, problems: vec![] };
    let name = t.need("point", "give each mark the name that the field notes use");
    let place = t.place();
    let height = t.height();
    let crs = t.need("crs", "name the coordinate system of the numbers, for example `EPSG:6345`; a frame cannot be guessed");
    let sigma = t.number("sigma_horizontal_m", 0.0, 100.0);
    if t.word("sigma_horizontal_m").is_none() {
        t.need("sigma_horizontal_m", "state how good the position is: one standard deviation of each axis in metres");
    }
    let epoch = t.number("epoch", 1900.0, 2200.0);
    let source = t.need("source", "say who published or measured the mark");
    let date = t.need("date", "say when it was measured or published, YYYY-MM-DD: ground moves, and frames are replaced");
    if !date.is_empty() && time_columns::date(&date).is_none() {
        t.wrong("control/bad-value", format!("the date `{date}`, which is no YYYY-MM-DD,"), "write dates as 2026-03-17");
    }
    let used_as = match t.word("use") {
        None | Some("check") => Use::Check,
        Some("base") => Use::Base,
        Some("fit") => Use::Fit,
        Some(other) => {
            let what = format!("the use `{other}`");
            t.wrong("control/bad-value", what, "write `check`, `base` (it set the base) or `fit` (a localisation is fitted to it)");
            Use::Check
        }
    };
    match (place, sigma) {
        (Some(place), Some(sigma_horizontal_m)) if t.problems.is_empty() => {
            Ok(Mark { name, place, height, crs, epoch, sigma_horizontal_m, source, date, used_as, file: file.to_owned(), at: record.at })
        }
        _ => Err(t.problems),
    }
}

/// Two values for one name leave the tool no way to know which is right.
fn same_names(marks: &[Mark]) -> Vec<Problem> {
    let mut seen: BTreeMap<&str, &Mark> = BTreeMap::new();
    let mut problems = vec![];
    for mark in marks {
        if let Some(first) = seen.get(mark.name.as_str()) {
            problems.push(
                refuse("control/same-name", format!("the mark `{}` is given twice", mark.name))
                    .label(mark.label("again here"))
                    .label(first.label("first here"))
                    .fix("keep the value that holds"),
            );
        }
        seen.entry(&mark.name).or_insert(mark);
    }
    problems
}

#[cfg(test)]
mod tests;
