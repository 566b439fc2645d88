//! Marks as GeoJSON (RFC 7946): one point feature for each, with the same names as the columns of a
//! CSV file under `properties`.
//!
//! The numbers of a geometry are longitude, latitude and ellipsoidal height in the CRS that the property
//! `crs` names; the format itself can only mean "WGS 84", which is undecided by metres, so a feature
//! without `crs` is refused like a line without one.

use crate::control::record::{At, Record};
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use serde_json::Value;
use std::collections::BTreeMap;

/// Grid coordinates where the format knows only degrees.
fn projected(name: &str, feature: usize, words: &BTreeMap<String, String>, x: f64, y: f64) -> Problem {
    let mark = words.get("point").map_or_else(String::new, |p| format!(", `{p}`,"));
    Problem::from(Diagnostic::new(
        "control/projected-geojson",
        Verdict::Block,
        format!("feature {feature}{mark} of `{name}` has the coordinates {x} {y}, which are no longitude and latitude"),
    ))
    .label(Label::file(name, "this file"))
    .size(format!("read as degrees the mark lies nowhere; read with a guessed grid it is off by up to {:.0} m", x.hypot(y)))
    .why("RFC 7946, section 4: GeoJSON holds longitude and latitude only, and nothing in it says which grid was written there")
    .fix("write the file with longitude and latitude; or give the grid as properties `easting_m`, `northing_m` and `crs` of each feature")
}

/// The records of a file.
///
/// # Errors
/// `control/unreadable`, `control/projected-geojson`.
pub(super) fn records(name: &str, bytes: &[u8]) -> Result<Vec<Record>, Vec<Problem>> {
    let bad = |what: String| {
        vec![
            Problem::from(Diagnostic::new("control/unreadable", Verdict::Error, what))
                .label(Label::file(name, "this file"))
                .fix("give a FeatureCollection of point features with `point`, `crs` and the other properties of a mark"),
        ]
    };
    let value: Value = serde_json::from_slice(bytes).map_err(|e| bad(format!("`{name}` is not JSON: {e}")))?;
    let features = match value.get("type").and_then(Value::as_str) {
        Some("FeatureCollection") => value.get("features").and_then(Value::as_array).cloned().unwrap_or_default(),
        Some("Feature") => vec![value],
        _ => return Err(bad(format!("`{name}` is not GeoJSON"))),
    };
    let mut records = vec![];
    for (i, feature) in features.iter().enumerate() {
        let mut words = BTreeMap::new();
        for (key, value) in feature.get("properties").and_then(Value::as_object).into_iter().flatten() {
            match value {
                Value::String(text) if !text.trim().is_empty() => {
                    words.insert(key.clone(), text.trim().to_owned());
                }
                Value::Number(number) => {
                    words.insert(key.clone(), number.to_string());
                }
                _ => {}
            }
        }
        let placed = words.keys().any(|k| k.starts_with("easting_") || k == "latitude_deg");
        if let (false, Some(geometry)) = (placed, feature.get("geometry").filter(|g| !g.is_null())) {
            if geometry.get("type").and_then(Value::as_str) != Some("Point") {
                return Err(bad(format!("feature {} of `{name}` is not a point", i + 1)));
            }
            let numbers: Vec<f64> =
                geometry.get("coordinates").and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_f64).collect();
            let (Some(longitude), Some(latitude)) = (numbers.first(), numbers.get(1)) else {
                return Err(bad(format!("feature {} of `{name}` has no coordinates", i + 1)));
            };
            if longitude.abs() > 360.0 || latitude.abs() > 90.0 {
                return Err(vec![projected(name, i + 1, &words, *longitude, *latitude)]);
            }
            words.insert("longitude_deg".to_owned(), longitude.to_string());
            words.insert("latitude_deg".to_owned(), latitude.to_string());
            let other = words.keys().any(|k| k.starts_with("height_") && k != "height_datum") || words.contains_key("ellipsoidal_height_m");
            if let (Some(height), false) = (numbers.get(2), other) {
                words.insert("ellipsoidal_height_m".to_owned(), height.to_string());
            }
        }
        records.push(Record { words, at: At::Feature(i as u64 + 1) });
    }
    Ok(records)
}
