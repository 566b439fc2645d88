//! The file of a delivery: opened, brought to the disk, or a finding.

use super::cells::differs;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_core::stage::OutFile;
use std::fs::File;
use std::io::BufWriter;

/// The finding of a file that cannot be written.
#[must_use]
pub(crate) fn cannot_write(file: &OutFile, error: impl std::fmt::Display) -> Problem {
    Problem::from(
        Diagnostic::new("export/cannot-write", Verdict::Block, format!("`{}` cannot be written: {error}", file.name))
            .place(format!("file `{}`", file.name))
            .why("nothing is delivered unless every file is complete")
            .fix("free space on the disk or make the `results` folder of the job writable, then run again"),
    )
    .option("path")
}

/// The finding of a file that was written and cannot be read.
#[must_use]
pub(crate) fn cannot_read(file: &OutFile, error: impl std::fmt::Display) -> Problem {
    differs(&file.name, format!("cannot be read back: {error}"))
}

/// Opens the temporary file for writing, empty.
///
/// # Errors
/// `export/cannot-write`.
pub(crate) fn open(file: &OutFile) -> Result<BufWriter<File>, Problem> {
    Ok(BufWriter::new(File::create(&file.path).map_err(|e| cannot_write(file, e))?))
}

/// Brings everything to the disk, so that a full disk is noticed now and not later.
///
/// # Errors
/// `export/cannot-write`.
pub(crate) fn close(writer: BufWriter<File>, file: &OutFile) -> Result<(), Problem> {
    let inner = writer.into_inner().map_err(|e| cannot_write(file, e.error()))?;
    sync(&inner, file)
}

/// Asks the system to bring a file to the disk.
///
/// # Errors
/// `export/cannot-write`.
pub(crate) fn sync(inner: &File, file: &OutFile) -> Result<(), Problem> {
    match inner.sync_all() {
        // Pipes and devices cannot be synchronised, and say so.
        Err(e) if e.kind() != std::io::ErrorKind::InvalidInput => Err(cannot_write(file, e)),
        _ => Ok(()),
    }
}
