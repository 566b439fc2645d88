//! What a check is held against.

use survey_mathematics::distributions;

/// What a check is held against.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    /// Flat, in plan, m.
    pub horizontal_m: f64,
    /// Flat, in height, m.
    pub vertical_m: f64,
    /// Chi-square of two degrees at the confidence.
    pub chi_plane: f64,
    /// Normal deviate at the confidence.
    pub normal: f64,
    /// The confidence, %.
    pub confidence_pct: f64,
}

impl Limits {
    /// Limits at a confidence (%), with flat limits (m).
    #[must_use]
    pub(crate) fn new(confidence_pct: f64, horizontal_m: f64, vertical_m: f64) -> Self {
        let p = confidence_pct / 100.0;
        Self {
            horizontal_m,
            vertical_m,
            chi_plane: distributions::chi_square(p, 2.0),
            normal: distributions::normal(0.5 + p / 2.0),
            confidence_pct,
        }
    }
}
