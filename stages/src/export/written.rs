//! Small files (reports, lists, statements): written, read again, compared and declared delivered. One way for all of them.

use super::cells::differs;
use crate::export::file::{cannot_read, cannot_write, close, open};
use pipeline_base::problem::Problem;
use pipeline_core::stage::Cx;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{BufWriter, Write};

/// Writes a text. `option` is the option that names the file, `rows` what it holds.
///
/// # Errors
/// `export/cannot-write`, `export/read-back-differs`, `export/exists`.
pub(crate) fn text(cx: &Cx, name: &str, option: &str, text: &str, rows: usize) -> Result<(), Problem> {
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

/// Writes a CSV file: a line of column names and one line for each row. The rows are asked for one by one, since there may be
/// many; what is read again is compared by its digest.
///
/// # Errors
/// As [`text`]; rows of unlike length are a broken promise.
pub(crate) fn csv<H, R>(cx: &Cx, name: &str, option: &str, header: H, rows: impl IntoIterator<Item = R>) -> Result<(), Problem>
where
    H: IntoIterator,
    H::Item: AsRef<[u8]>,
    R: AsRef<[String]>,
{
    let file = cx.create(name, option)?;
    let failed = |e: ::csv::Error| if e.is_io_error() { cannot_write(&file, e) } else { Problem::broken(e) };
    let mut writer = ::csv::Writer::from_writer(Digesting { to: open(&file)?, digest: Sha256::new() });
    writer.write_record(header).map_err(failed)?;
    let mut count = 0;
    for row in rows {
        writer.write_record(row.as_ref()).map_err(failed)?;
        count += 1;
    }
    let Digesting { to, digest } = writer.into_inner().map_err(|e| cannot_write(&file, e.error()))?;
    close(to, &file)?;
    let mut back = Sha256::new();
    File::open(&file.path).and_then(|mut f| std::io::copy(&mut f, &mut back)).map_err(|e| cannot_read(&file, e))?;
    if back.finalize() != digest.finalize() {
        return Err(differs(&file.name, "does not hold what was written"));
    }
    cx.delivered(&file, count);
    Ok(())
}

/// Writes, and knows the digest of what it wrote.
struct Digesting {
    to: BufWriter<File>,
    digest: Sha256,
}

impl Write for Digesting {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let n = self.to.write(bytes)?;
        self.digest.update(&bytes[..n]);
        Ok(n)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.to.flush()
    }
}

/// Writes a JSON document.
///
/// # Errors
/// As [`text`].
pub(crate) fn json(cx: &Cx, name: &str, option: &str, value: &serde_json::Value) -> Result<(), Problem> {
    let mut pretty = serde_json::to_string_pretty(value).map_err(Problem::broken)?;
    pretty.push('\n');
    text(cx, name, option, &pretty, 0)
}
