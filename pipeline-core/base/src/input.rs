//! Files that go in: packed ones, unreadable ones, and the account of their lines.

use crate::diag::Diagnostic;
use crate::problem::Problem;
use std::collections::BTreeMap;
use std::io::Read;

/// What became of the lines of one raw file. `total = used + ignored + damaged`, checked by core.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct LineCount {
    /// File, as the job names it.
    pub file: String,
    /// All lines, blank and binary ones too.
    pub total: u64,
    /// Lines that gave at least one value to an epoch.
    pub used: u64,
    /// Whole lines that are not needed, by kind (`GSV`, `comment`, `blank`, …).
    pub ignored: BTreeMap<String, u64>,
    /// Lines that could not be used, by reason (`checksum`, `torn`, `binary`, …).
    pub damaged: BTreeMap<String, u64>,
}

/// The problem of a file that cannot be read.
#[must_use]
pub fn unreadable(name: &str, error: &std::io::Error) -> Problem {
    Problem::from(
        Diagnostic::new("data/unreadable-file", crate::diag::Verdict::Block, format!("`{name}` cannot be read: {error}"))
            .label(crate::diag::Label::file(name, "this file"))
            .fix("check that the file exists, is a file and may be read"),
    )
}

/// Unpacks gzip and zstd by their first bytes; anything else passes through.
///
/// # Errors
/// When the first bytes cannot be read.
pub fn unpack(mut raw: Box<dyn Read + Send>) -> std::io::Result<Box<dyn Read + Send>> {
    let mut head = [0_u8; 4];
    let mut got = 0;
    while got < head.len() {
        match raw.read(&mut head[got..])? {
            0 => break,
            n => got += n,
        }
    }
    let whole = std::io::Cursor::new(head[..got].to_vec()).chain(raw);
    Ok(match &head[..got] {
        [0x1f, 0x8b, ..] => Box::new(flate2::read::MultiGzDecoder::new(whole)),
        [0x28, 0xb5, 0x2f, 0xfd] => Box::new(zstd::stream::read::Decoder::new(whole)?),
        _ => Box::new(whole),
    })
}
