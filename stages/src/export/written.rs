//! Small files (reports, lists, statements): written, read again, compared byte by byte and declared delivered. One way for all of them.

use super::cells::differs;
use super::deliver::{cannot_read, cannot_write, close, open};
use pipeline_core::stage::{Cx, Problem};
use std::io::Write;

/// Writes a text. `option` is the option that names the file, `rows` what it holds.
///
/// # Errors
/// `export/cannot-write`, `export/read-back-differs`, `export/exists`.
pub fn text(cx: &Cx, name: &str, option: &str, text: &str, rows: usize) -> Result<(), Problem> {
    let file = cx.create(name, option)?;
    let mut writer = open(&file)?;
    writer.write_all(text.as_bytes()).map_err(|e| cannot_write(&file, e))?;
    close(writer, &file)?;
    let back = std::fs::read(&file.path).map_err(|e| cannot_read(&file, e))?;
    if back != text.as_bytes() {
        return Err(differs(&file.name, "does not hold what was written"));
    }
    cx.delivered(&file, rows);
    Ok(())
}

/// Writes a CSV file: a line of column names and one line for each row.
///
/// # Errors
/// As [`text`]; rows of unlike length are a broken promise.
pub fn csv<H, R>(cx: &Cx, name: &str, option: &str, header: H, rows: &[R]) -> Result<(), Problem>
where
    H: IntoIterator,
    H::Item: AsRef<[u8]>,
    R: AsRef<[String]>,
{
    let mut writer = ::csv::Writer::from_writer(vec![]);
    writer.write_record(header).map_err(Problem::broken)?;
    for row in rows {
        writer.write_record(row.as_ref()).map_err(Problem::broken)?;
    }
    let bytes = writer.into_inner().map_err(Problem::broken)?;
    text(cx, name, option, std::str::from_utf8(&bytes).map_err(Problem::broken)?, rows.len())
}

/// Writes a JSON document.
///
/// # Errors
/// As [`text`].
pub fn json(cx: &Cx, name: &str, option: &str, value: &serde_json::Value) -> Result<(), Problem> {
    let mut pretty = serde_json::to_string_pretty(value).map_err(Problem::broken)?;
    pretty.push('\n');
    text(cx, name, option, &pretty, 0)
}
