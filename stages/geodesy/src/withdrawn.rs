//! Digests of grids that were withdrawn.

/// A digest that was withdrawn.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Withdrawn {
    /// SHA-256.
    pub sha256: String,
    /// Usual name of the file.
    pub file: String,
    /// Why.
    pub reason: String,
    /// Who says so.
    pub source: String,
}

/// The project's own list.
pub(crate) const OWN: &str = include_str!("withdrawn.csv");

/// Reads a list of withdrawn digests.
///
/// # Errors
/// What is wrong, with the line.
pub fn withdrawn_of(text: &str) -> Result<Vec<Withdrawn>, String> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).from_reader(text.as_bytes());
    let head = reader.headers().map_err(|e| e.to_string())?.clone();
    if head.iter().collect::<Vec<_>>() != ["sha256", "file", "reason", "source"] {
        return Err("its first line must be `sha256,file,reason,source`".to_owned());
    }
    let mut all = vec![];
    for record in reader.records() {
        let record = record.map_err(|e| e.to_string())?;
        let get = |i: usize| record.get(i).unwrap_or_default().to_owned();
        let line = record.position().map_or(0, csv::Position::line);
        let one = Withdrawn { sha256: get(0).to_lowercase(), file: get(1), reason: get(2), source: get(3) };
        if one.sha256.len() != 64 || !one.sha256.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Err(format!("line {line}: `{}` is no SHA-256", get(0)));
        }
        if one.reason.is_empty() {
            return Err(format!("line {line}: no reason is given"));
        }
        all.push(one);
    }
    Ok(all)
}
