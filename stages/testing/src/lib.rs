//! What the tests of several crates share: invented grids, and the folder of outside data beside the repository.

use std::path::{Path, PathBuf};

/// The shared folder beside the repository, or `None` with a loud word.
pub fn shared(path: &str) -> Option<PathBuf> {
    let full = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared")).join(path);
    if full.exists() {
        return Some(full);
    }
    eprintln!("SKIPPED: {} is absent, nothing was checked against it", full.display());
    None
}

/// Writes an invented geoid as a GTX grid: N(latitude, longitude) at the nodes of a box; NaN for a node
/// without a value.
pub fn write_gtx(path: &Path, south: f64, west: f64, step: f64, rows: u32, columns: u32, n: impl Fn(f64, f64) -> f64) {
    let mut bytes = vec![];
    for v in [south, west, step, step] {
        bytes.extend(v.to_be_bytes());
    }
    bytes.extend(rows.to_be_bytes());
    bytes.extend(columns.to_be_bytes());
    for i in 0..rows {
        for j in 0..columns {
            let value = n(south + step * f64::from(i), west + step * f64::from(j));
            // The GTX format holds 32-bit floats; -88.8888 marks a node without a value.
            #[allow(clippy::cast_possible_truncation)]
            let value = if value.is_nan() { -88.8888_f32 } else { value as f32 };
            bytes.extend(value.to_be_bytes());
        }
    }
    std::fs::write(path, bytes).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
}

/// A plane around 27.5 N 87 W: a test needs no other interpolation to know N.
pub fn plane(latitude: f64, longitude: f64) -> f64 {
    -26.0 + 0.5 * (latitude - 27.5) - 0.25 * (longitude + 87.0)
}
