//! Delivered points against the truth that the generator wrote.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::io::{Error, ErrorKind};
use std::path::Path;

/// A CSV file as rows of named cells.
fn rows(path: &Path) -> std::io::Result<Vec<BTreeMap<String, String>>> {
    let mut reader = csv::Reader::from_path(path)?;
    let names = reader.headers()?.clone();
    reader.records().map(|record| Ok(names.iter().zip(&record?).map(|(name, cell)| (name.to_owned(), cell.to_owned())).collect())).collect()
}

fn cell<'a>(row: &'a BTreeMap<String, String>, name: &str) -> std::io::Result<&'a str> {
    row.get(name).map(String::as_str).ok_or_else(|| Error::new(ErrorKind::InvalidData, format!("no column `{name}`")))
}

fn number(row: &BTreeMap<String, String>, name: &str) -> std::io::Result<f64> {
    let text = cell(row, name)?;
    text.parse().map_err(|_| Error::new(ErrorKind::InvalidData, format!("`{text}` in column `{name}` is not a number")))
}

/// How many delivered points lie within their stated 95 % bounds, and whether the ones that should
/// not be delivered were kept back, as text for people.
///
/// `points` is the CSV delivery of the demo job, `truth` the file beside its logs. A point is found by
/// session, name and order within the session; one that was combined from several occupations stands for all
/// of them.
///
/// # Errors
/// When a file cannot be read or lacks a column.
pub fn text(truth: &Path, points: &Path) -> std::io::Result<String> {
    let (truth, points) = (rows(truth)?, rows(points)?);
    let mut by_name: BTreeMap<(String, String), Vec<&BTreeMap<String, String>>> = BTreeMap::new();
    for row in &truth {
        if cell(row, "expected")? == "delivered" {
            by_name.entry((cell(row, "session")?.to_owned(), cell(row, "point")?.to_owned())).or_default().push(row);
        }
    }
    let expected: usize = by_name.values().map(Vec::len).sum();
    let (mut found, mut shots, mut within, mut largest) = (0_usize, 0_usize, [0_usize; 2], [0.0_f64; 2]);
    let mut odd = vec![];
    for point in &points {
        let name = cell(point, "point")?;
        let combined = point.get("combined_from").map_or("", String::as_str);
        let sessions: Vec<&str> = if combined.is_empty() {
            vec![cell(point, "session")?]
        } else {
            combined.split(", ").map(|one| one.split('/').next().unwrap_or(one)).collect()
        };
        let mut rows = vec![];
        for session in sessions {
            let key = (session.to_owned(), name.to_owned());
            match by_name.get_mut(&key).filter(|rows| !rows.is_empty()) {
                Some(list) => rows.push(list.remove(0)),
                None => odd.push(name.to_owned()),
            }
        }
        let Some(row) = rows.first() else { continue };
        found += 1;
        shots += rows.len();
        let off = |name: &str| -> std::io::Result<f64> { Ok(number(point, name)? - number(row, name)?) };
        let errors = [off("easting_m")?.hypot(off("northing_m")?), off("height_m")?.abs()];
        for (k, bound) in ["horizontal_95_m", "vertical_95_m"].iter().enumerate() {
            within[k] += usize::from(errors[k] <= number(point, bound)?);
            largest[k] = largest[k].max(errors[k]);
        }
    }
    let mut out = String::new();
    let _ = writeln!(out, "points    {found}, from {shots} of the {expected} occupations that should be delivered");
    let _ = writeln!(out, "position  {} of {found} within `horizontal_95_m` of the truth, largest error {:.3} m", within[0], largest[0]);
    let _ = writeln!(out, "height    {} of {found} within `vertical_95_m` of the truth, largest error {:.3} m", within[1], largest[1]);
    let _ = writeln!(
        out,
        "others    {} delivered that should have been kept back{}",
        odd.len(),
        if odd.is_empty() { String::new() } else { format!(": {}", odd.join(", ")) }
    );
    Ok(out)
}
