//! Accuracy statistics of check points.
//!
//! Horizontal and vertical, mean and root mean square apart: a mean tells of a bias, the root mean square
//! of everything. References: FGDC-STD-007.3-1998 (NSSDA); ASPRS Positional Accuracy Standards for Digital
//! Geospatial Data, edition 2, version 1.0 (2023).

use serde::Serialize;
use survey_mathematics::distributions::student;

/// Factor from the root mean square of one axis to 95 % (NSSDA, vertical).
pub(crate) const FACTOR_UP: f64 = 1.96;
/// Factor from the root mean square in plan to 95 % where both axes are alike (NSSDA): 2.4477 / sqrt 2.
pub(crate) const FACTOR_RADIAL: f64 = 1.7308;
/// Radius that holds 95 % of a circular normal distribution of unit sigma.
pub(crate) const FACTOR_CIRCLE: f64 = 2.4477;
/// Fewest check points of NSSDA.
pub(crate) const NSSDA_POINTS: usize = 20;
/// Fewest check points of the ASPRS standard, edition 2.
pub(crate) const ASPRS_POINTS: usize = 30;
/// Part of the root mean square beyond which a mean tells of a bias (ASPRS; from memory of the standard).
const BIAS_PART: f64 = 0.25;

/// Mean, spread and root mean square of a list.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(crate) struct Spread {
    /// How many.
    pub count: usize,
    /// Mean.
    pub mean: f64,
    /// Standard deviation (n - 1); NaN for one value.
    pub sd: f64,
    /// Root mean square.
    pub rmse: f64,
    /// Largest size.
    pub largest: f64,
}

impl Spread {
    /// Whether the mean differs from zero by more than its own scatter makes in 99 of 100 lists (Student's t).
    #[must_use]
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn mean_is_no_noise(&self) -> bool {
        let n = self.count as f64;
        self.mean.abs() > student(0.995, n - 1.0) * self.sd / n.sqrt()
    }
}

/// Mean and spread in two passes about the first value, so that no digits are lost. `None` for an empty list.
#[must_use]
#[allow(clippy::cast_precision_loss)]
pub(crate) fn spread(values: &[f64]) -> Option<Spread> {
    let first = *values.first()?;
    let n = values.len() as f64;
    let rough = values.iter().map(|v| v - first).sum::<f64>() / n;
    // The second pass takes out what rounding left in the first.
    let rest = values.iter().map(|v| (v - first) - rough).sum::<f64>() / n;
    let shift = rough + rest;
    let squares: f64 = values.iter().map(|v| ((v - first) - shift).powi(2)).sum();
    let mean = first + shift;
    Some(Spread {
        count: values.len(),
        mean,
        sd: if values.len() > 1 { (squares / (n - 1.0)).sqrt() } else { f64::NAN },
        rmse: (values.iter().map(|v| v * v).sum::<f64>() / n).sqrt(),
        largest: values.iter().fold(0.0, |m, v| m.max(v.abs())),
    })
}

/// NSSDA in plan: the 95 % radius from the root mean squares of the two axes. Where they differ, by the mean of
/// both (valid for a ratio of 0.6 and more); the second value says whether that holds.
#[must_use]
pub(crate) fn nssda_horizontal(rmse_east: f64, rmse_north: f64) -> (f64, bool) {
    let (low, high) = (rmse_east.min(rmse_north), rmse_east.max(rmse_north));
    if low == high {
        return (FACTOR_RADIAL * rmse_east.hypot(rmse_north), true);
    }
    (FACTOR_CIRCLE * 0.5 * (rmse_east + rmse_north), low / high >= 0.6)
}

/// NSSDA vertical: 95 %.
#[must_use]
pub(crate) fn nssda_vertical(rmse_up: f64) -> f64 {
    FACTOR_UP * rmse_up
}

/// ASPRS edition 2: root mean square of the product with the error of the check points in it.
#[must_use]
pub(crate) fn with_survey(rmse_fit: f64, rmse_survey: f64) -> f64 {
    rmse_fit.hypot(rmse_survey)
}

/// One independent check.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Check {
    /// Delivered minus known: east and north, m.
    pub horizontal_m: [f64; 2],
    /// Up, m.
    pub up_m: Option<f64>,
    /// Standard deviation of each horizontal axis of the mark, m.
    pub mark_sigma_m: f64,
    /// Standard deviation of the height of the mark, m.
    pub mark_sigma_up_m: f64,
}

/// All statistics of a list of checks, for the report.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct Statistics {
    /// Checks that went in.
    pub checks: usize,
    /// Different marks among them: repeats of one mark count once against a required number.
    pub marks: usize,
    /// East.
    pub east: Option<Spread>,
    /// North.
    pub north: Option<Spread>,
    /// Up.
    pub up: Option<Spread>,
    /// Root mean square in plan, m.
    pub rmse_horizontal_m: Option<f64>,
    /// NSSDA 95 % in plan, m.
    pub nssda_horizontal_95_m: Option<f64>,
    /// NSSDA 95 % in height, m.
    pub nssda_vertical_95_m: Option<f64>,
    /// Whether there are as many check points as NSSDA asks for.
    pub nssda_enough_points: bool,
    /// Root mean square of the marks' own stated error in plan, m.
    pub marks_horizontal_m: Option<f64>,
    /// Root mean square of the marks' own stated error in height, m.
    pub marks_vertical_m: Option<f64>,
    /// ASPRS edition 2, in plan: root mean square with the marks' own error, m.
    pub asprs_horizontal_m: Option<f64>,
    /// ASPRS edition 2, in height: root mean square with the marks' own error, m.
    pub asprs_vertical_m: Option<f64>,
    /// Whether there are as many check points as the ASPRS standard asks for.
    pub asprs_enough_points: bool,
    /// Axes whose mean is more than a quarter of their root mean square and more than its own scatter explains.
    pub biased: Vec<&'static str>,
}

/// Statistics of checks on `marks` different marks.
#[must_use]
pub(crate) fn statistics(checks: &[Check], marks: usize) -> Statistics {
    let column = |f: &dyn Fn(&Check) -> Option<f64>| checks.iter().filter_map(f).collect::<Vec<f64>>();
    let east = spread(&column(&|c| Some(c.horizontal_m[0])));
    let north = spread(&column(&|c| Some(c.horizontal_m[1])));
    let up = spread(&column(&|c| c.up_m));
    // Both axes of a mark count in plan.
    let own = spread(&column(&|c| Some(c.mark_sigma_m * std::f64::consts::SQRT_2))).map(|s| s.rmse);
    let own_up = spread(&column(&|c| c.up_m.map(|_| c.mark_sigma_up_m))).map(|s| s.rmse);
    let plan = east.zip(north).map(|(e, n)| e.rmse.hypot(n.rmse));
    let biased = [("east", east), ("north", north), ("up", up)]
        .into_iter()
        .filter(|(_, s)| s.is_some_and(|s| s.count >= 3 && s.mean.abs() > BIAS_PART * s.rmse && s.mean_is_no_noise()))
        .map(|(name, _)| name)
        .collect();
    Statistics {
        checks: checks.len(),
        marks,
        rmse_horizontal_m: plan,
        nssda_horizontal_95_m: east.zip(north).and_then(|(e, n)| {
            let (radius, valid) = nssda_horizontal(e.rmse, n.rmse);
            valid.then_some(radius)
        }),
        nssda_vertical_95_m: up.map(|u| nssda_vertical(u.rmse)),
        nssda_enough_points: marks >= NSSDA_POINTS,
        asprs_horizontal_m: plan.zip(own).map(|(fit, own)| with_survey(fit, own)),
        asprs_vertical_m: up.zip(own_up).map(|(fit, own)| with_survey(fit.rmse, own)),
        marks_horizontal_m: own,
        marks_vertical_m: own_up,
        asprs_enough_points: marks >= ASPRS_POINTS,
        biased,
        east,
        north,
        up,
    }
}

#[cfg(test)]
mod tests;
