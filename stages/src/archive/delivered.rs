//! Points of a delivered table, found by the statement of reference that lies beside it.

use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::digest;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Epoch;
use serde_json::Value;
use std::path::Path;
use survey_geodesy::crs::{define, open};
use survey_geodesy::epoch::decimal_year;

/// A point of an old delivery.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Its name.
    pub name: String,
    /// Latitude in the datum of the delivery, deg.
    pub latitude_deg: f64,
    /// Longitude, deg.
    pub longitude_deg: f64,
    /// Ellipsoidal height in that datum, m, where it was delivered.
    pub ellipsoidal_m: Option<f64>,
    /// Delivered height, m: above the vertical datum, or the same as `ellipsoidal_m`.
    pub height_m: Option<f64>,
    /// Time of measurement, decimal year.
    pub year: Option<f64>,
}

/// Surface of the delivered heights.
#[derive(Clone, Debug, PartialEq)]
pub struct Surface {
    /// Vertical datum; none for the ellipsoid.
    pub datum: Option<String>,
    /// Geoid model.
    pub model: String,
    /// Digest of the geoid.
    pub sha256: String,
}

/// A delivered table and what it says of itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Delivered {
    /// Name of the horizontal CRS.
    pub crs_name: String,
    /// Its code, or its WKT.
    pub crs: String,
    /// Geographic 3D system below it: code, or WKT.
    pub frame: String,
    /// Coordinate epoch.
    pub epoch: Epoch,
    /// Heights.
    pub surface: Surface,
    /// The points that have a position.
    pub points: Vec<Point>,
    /// Rows without a position.
    pub without_position: usize,
}

fn wrong(file: &str, what: impl Into<String>) -> Problem {
    Problem::from(
        Diagnostic::new("archive/unreadable", Verdict::Block, what)
            .label(Label::file(file, "this file"))
            .why("a restatement of something half understood would be worse than none")
            .fix("restate from the file that was delivered, with the statement of reference beside it"),
    )
}

/// Ending of a statement of reference.
pub const STATEMENT: &str = ".reference.json";

/// Reads a delivered CSV file and the statement beside it. With `digests` (of the file and of the statement), other
/// bytes are refused.
///
/// # Errors
/// `archive/changed` when the bytes are not those of the record; `archive/unreadable`.
pub fn read(path: &Path, name: &str, digests: Option<(&str, &str)>) -> Result<Delivered, Problem> {
    let statement_name = format!("{name}{STATEMENT}");
    let mut statement_path = path.as_os_str().to_owned();
    statement_path.push(STATEMENT);
    let statement_path = Path::new(&statement_path);
    if let Some((file, statement)) = digests {
        for (name, path, want) in [(name, path, file), (statement_name.as_str(), statement_path, statement)] {
            let have = digest::sha256_of_file(name, path)?;
            if have != want {
                return Err(Problem::from(
                    Diagnostic::new("archive/changed", Verdict::Block, format!("`{name}` has sha256 `{have}`; the record names `{want}`"))
                        .label(Label::file(name, "this file"))
                        .why("it is not what was delivered, so nothing can be said about the delivery from it")
                        .fix("put the delivered file back, or run the job again from its raw logs"),
                ));
            }
        }
    }
    let text = |name: &str, path: &Path| std::fs::read_to_string(path).map_err(|e| pipeline_base::input::unreadable(name, &e));
    let statement: Value = serde_json::from_str(&text(&statement_name, statement_path)?)
        .map_err(|e| wrong(&statement_name, format!("the statement is no JSON: {e}")))?;
    let said = |pointer: &str| statement.pointer(pointer).and_then(Value::as_str).map(str::to_owned);
    let crs_name = said("/crs/name").unwrap_or_default();
    let crs = said("/crs/id")
        .filter(|id| survey_geodesy::Crs::look_up(id).is_ok())
        .or_else(|| said("/crs/wkt2"))
        .ok_or_else(|| wrong(&statement_name, "the statement names no CRS"))?;
    let epoch = match said("/coordinate_epoch/kind").as_deref() {
        Some("static") => Epoch::Static,
        Some("each-observation") => Epoch::EachObservation,
        Some("fixed") => statement
            .pointer("/coordinate_epoch/decimal_year")
            .and_then(Value::as_f64)
            .map(Epoch::Fixed)
            .ok_or_else(|| wrong(&statement_name, "the statement names a fixed epoch without its year"))?,
        _ => return Err(wrong(&statement_name, "the statement does not say the coordinate epoch")),
    };
    let surface = match said("/heights/surface").as_deref() {
        Some("ellipsoid") => Surface { datum: None, model: String::new(), sha256: String::new() },
        Some("vertical-datum") => Surface {
            datum: said("/heights/datum"),
            model: said("/heights/geoid_model").unwrap_or_default(),
            sha256: said("/heights/geoid_sha256").unwrap_or_default(),
        },
        _ => return Err(wrong(&statement_name, "the statement does not say what the heights are above")),
    };
    let factor = |unit: Option<String>| match unit.as_deref() {
        Some("m") => Ok(1.0),
        Some("ft") => Ok(0.3048),
        Some("ftUS") => Ok(1200.0 / 3937.0),
        _ => Err(wrong(&statement_name, "the statement does not say the unit of the heights")),
    };
    let height_unit = factor(said("/heights/unit"))?;
    let height_column = said("/heights/column");
    let frame = frame_below(&crs).ok_or_else(|| wrong(&statement_name, format!("`{crs_name}` has no geographic system below it")))?;
    let (points, without_position) = rows(&text(name, path)?, name, height_column.as_deref(), height_unit)?;
    Ok(Delivered { crs_name, crs, frame, epoch, surface, points, without_position })
}

/// The geographic 3D system below a CRS: its code, or its WKT where it has none.
#[must_use]
pub fn frame_below(crs: &str) -> Option<String> {
    let proj = open(&[]).ok()?;
    let geodetic = define(&proj, crs).ok()?.geodetic()?;
    let three = geodetic.to_3d()?;
    match three.id() {
        Some((authority, code)) => Some(format!("{authority}:{code}")),
        None => three.wkt(2),
    }
}

fn rows(text: &str, name: &str, height_column: Option<&str>, height_unit: f64) -> Result<(Vec<Point>, usize), Problem> {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(text.trim_start_matches('\u{feff}').as_bytes());
    let heads = reader.headers().map_err(|e| wrong(name, format!("the table cannot be read: {e}")))?.clone();
    let column = |wanted: &str| heads.iter().position(|h| h.trim() == wanted);
    let missing = |what: &str| wrong(name, format!("the table has no column `{what}`"));
    let (latitude, longitude) =
        (column("latitude_deg").ok_or_else(|| missing("latitude_deg"))?, column("longitude_deg").ok_or_else(|| missing("longitude_deg"))?);
    let point = column("point").ok_or_else(|| missing("point"))?;
    let (ellipsoidal, height, time) = (column("ellipsoidal_height_m"), height_column.and_then(column), column("time"));
    let mut out = vec![];
    let mut without = 0;
    for record in reader.records() {
        let record = record.map_err(|e| wrong(name, format!("the table cannot be read: {e}")))?;
        let number = |i: Option<usize>| i.and_then(|i| record.get(i)).and_then(|t| t.trim().parse::<f64>().ok()).filter(|v| v.is_finite());
        let (Some(la), Some(lo)) = (number(Some(latitude)), number(Some(longitude))) else {
            without += 1;
            continue;
        };
        if la.abs() > 90.0 || lo.abs() > 360.0 {
            return Err(wrong(name, format!("`{la} {lo}` is no latitude and longitude")));
        }
        out.push(Point {
            name: record.get(point).unwrap_or_default().to_owned(),
            latitude_deg: la,
            longitude_deg: lo,
            ellipsoidal_m: number(ellipsoidal),
            height_m: number(height).map(|h| h * height_unit),
            year: time.and_then(|i| record.get(i)).and_then(crate::export::instant::parse).map(decimal_year),
        });
    }
    Ok((out, without))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const TABLE: &str = "point,latitude_deg,longitude_deg,ellipsoidal_height_m,height_ft,time\n\
        A,42.71,-84.48,231.4,871.391,2026-06-11T14:05:00.000Z\nB,,,,,\n";

    fn statement(change: impl Fn(&mut Value)) -> Value {
        let mut v = serde_json::json!({
            "crs": {"id": "EPSG:6345", "name": "NAD83(2011) / UTM zone 16N"},
            "coordinate_epoch": {"kind": "static"},
            "heights": {"surface": "vertical-datum", "datum": "EPSG:8228", "geoid_model": "g 1", "geoid_sha256": "ab", "unit": "ft", "column": "height_ft"},
        });
        change(&mut v);
        v
    }

    fn put(folder: &Path, table: &str, statement: &Value) -> std::path::PathBuf {
        let path = folder.join("points.csv");
        std::fs::write(&path, table).unwrap();
        std::fs::write(folder.join("points.csv.reference.json"), statement.to_string()).unwrap();
        path
    }

    #[test]
    fn a_table_is_read_by_its_statement() {
        let folder = tempfile::tempdir().unwrap();
        let path = put(folder.path(), TABLE, &statement(|_| {}));
        let read_it = read(&path, "points.csv", None).unwrap();
        assert_eq!(
            (read_it.frame.as_str(), read_it.epoch, read_it.points.len(), read_it.without_position),
            ("EPSG:6319", Epoch::Static, 1, 1)
        );
        let p = &read_it.points[0];
        assert!((p.height_m.unwrap() - 871.391 * 0.3048).abs() < 1e-9 && p.ellipsoidal_m == Some(231.4));
        // 2026-06-11T14:05Z is day 161 and 14.083 h of 365 days.
        assert!((p.year.unwrap() - (2026.0 + (161.0 + 14.083_333 / 24.0) / 365.0)).abs() < 1e-7);
        let digest = |n: &str| digest::sha256_of_file(n, &folder.path().join(n)).unwrap();
        let (a, b) = (digest("points.csv"), digest("points.csv.reference.json"));
        assert!(read(&path, "points.csv", Some((&a, &b))).is_ok());
        assert_eq!(read(&path, "points.csv", Some((&b, &b))).unwrap_err().finding.code, "archive/changed");
        assert_eq!(read(&path, "points.csv", Some((&a, &a))).unwrap_err().finding.code, "archive/changed");
    }

    #[test]
    fn what_is_not_said_is_not_guessed() {
        let folder = tempfile::tempdir().unwrap();
        for key in ["/crs/id", "/coordinate_epoch/kind", "/heights/surface", "/heights/unit"] {
            let path = put(folder.path(), TABLE, &statement(|v| *v.pointer_mut(key).unwrap() = Value::Null));
            assert_eq!(read(&path, "points.csv", None).unwrap_err().finding.code, "archive/unreadable", "{key}");
        }
        let path = put(folder.path(), "point,latitude_deg\nA,1\n", &statement(|_| {}));
        assert_eq!(read(&path, "points.csv", None).unwrap_err().finding.code, "archive/unreadable");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn any_bytes_are_refused_or_read_without_a_panic(text in ".{0,200}", tail in ".{0,60}") {
            let _ = rows(&text, "x", Some("height_m"), 1.0);
            let _ = rows(&format!("point,latitude_deg,longitude_deg,time\n{tail}"), "x", None, 1.0);
        }
    }
}
