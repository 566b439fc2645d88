//! Digests.

use crate::problem::Problem;
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::io::Read;
use std::path::Path;

/// SHA-256 of bytes, in hexadecimal.
#[must_use]
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Bytes in hexadecimal.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut out, b| {
        let _ = write!(out, "{b:02x}");
        out
    })
}

/// SHA-256 of a file in lower-case hex.
///
/// # Errors
/// `data/unreadable-file`.
pub fn sha256_of_file(name: &str, path: &Path) -> Result<String, Problem> {
    let unreadable = |e: std::io::Error| crate::input::unreadable(name, &e);
    let mut file = std::fs::File::open(path).map_err(unreadable)?;
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    loop {
        match file.read(&mut buffer).map_err(unreadable)? {
            0 => break,
            n => hash.update(&buffer[..n]),
        }
    }
    Ok(hex(&hash.finalize()))
}
