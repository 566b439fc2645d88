//! Occupations before their rows are written, and who has which row.

use super::notes::Aim;

/// One occupation, before its rows are written.
pub(super) struct Occupation {
    pub(super) point: String,
    pub(super) id: String,
    pub(super) code: Option<String>,
    pub(super) remark: Option<String>,
    pub(super) diameter_mm: Option<f64>,
    pub(super) surface: Option<String>,
    pub(super) mark: Option<String>,
    pub(super) crew: Option<String>,
    pub(super) receiver: Option<String>,
    pub(super) aim: Aim,
}

/// Who has which row: place in a list of occupations, or one of the two below.
pub(super) type Owner = u32;

/// Length of a vector.
pub(super) fn norm(v: [f64; 3]) -> f64 {
    (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt()
}
