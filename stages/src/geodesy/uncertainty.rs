//! What an operation and a geoid model add to the uncertainty of a point.
//!
//! The accuracy that the registry states for an operation is taken as one sigma of the height and as
//! one sigma radially in plan: half of its variance on each horizontal axis. It is the same for every
//! point of a job, so it is systematic and never shrinks.

use pipeline_core::diag::{Diagnostic, Verdict};
use pipeline_core::reference::Reference;
use pipeline_core::stage::{Cx, Problem};
use pipeline_core::table::schema::Role;
use pipeline_core::table::{Table, TableBuilder};

/// Radius (m) that contains 95 % of a normal distribution with this covariance (m2).
///
/// With whitened polar coordinates P(r) = 1 - mean over angles of exp(-r2 / 2 (a2 cos2 + b2 sin2)), a and
/// b the half axes of the standard ellipse; solved for 0.95 by bisection. A line gives 1.960 a, a
/// circle 2.448 a.
#[must_use]
pub fn radial_95(variance_east: f64, variance_north: f64, covariance: f64) -> f64 {
    let mean = (variance_east + variance_north) / 2.0;
    let spread = ((variance_east - variance_north) / 2.0).hypot(covariance);
    let (major, minor) = (mean + spread, (mean - spread).max(0.0));
    if !major.is_finite() {
        return f64::NAN;
    }
    if major <= 0.0 {
        return 0.0;
    }
    const STEPS: u32 = 256;
    let outside = |r: f64| {
        let mut sum = 0.0;
        for i in 0..=STEPS {
            let angle = f64::from(i) / f64::from(STEPS) * std::f64::consts::FRAC_PI_2;
            let (s, c) = angle.sin_cos();
            let weight = if i == 0 || i == STEPS { 0.5 } else { 1.0 };
            sum += weight * (-r * r / (2.0 * (major * c * c + minor * s * s))).exp();
        }
        sum / f64::from(STEPS)
    };
    let (mut low, mut high) = (1.9 * major.sqrt(), 2.5 * major.sqrt());
    for _ in 0..50 {
        let middle = (low + high) / 2.0;
        if outside(middle) > 0.05 {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low + high) / 2.0
}

/// 95 % of a normal distribution lie within this many sigmas.
pub const Z95: f64 = 1.959_963_984_540_054;

/// The budget of a point, and who may exceed it.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    horizontal_95_m: f64,
    vertical_95_m: f64,
}

impl Limits {
    /// Those of a reference.
    #[must_use]
    pub const fn of(reference: &Reference) -> Self {
        Self { horizontal_95_m: reference.budget.horizontal_95_m, vertical_95_m: reference.budget.vertical_95_m }
    }

    /// Holds back the points that what was added has carried over the budget. `before` is the table that came in, `after` the
    /// same rows with the additions. A point that was over the budget already was decided on by `average`.
    ///
    /// # Errors
    /// When a column does not hold what its name says.
    pub fn hold(&self, before: &Table, after: Table, code: &str, cx: &Cx) -> Result<Table, Problem> {
        let mut refused = vec![false; after.rows()];
        let points: Vec<Option<String>> = match after.schema.role(Role::Point) {
            Some(c) => after.texts(&c.name)?.iter().map(|t| t.map(str::to_owned)).collect(),
            None => return Ok(after),
        };
        for (name, limit, word) in
            [("horizontal_95_m", self.horizontal_95_m, "horizontally"), ("vertical_95_m", self.vertical_95_m, "in height")]
        {
            if after.schema.named(name).is_none() || before.schema.named(name).is_none() {
                continue;
            }
            let (old, new) = (before.floats(name)?, after.floats(name)?);
            for i in 0..after.rows() {
                if !(new[i] > limit && old[i] <= limit) || refused[i] {
                    continue;
                }
                let point = points[i].clone().unwrap_or_else(|| format!("row {}", i + 1));
                let mut finding = Diagnostic::new(
                    code,
                    Verdict::Hold,
                    format!(
                        "with what the geoid model and the operation add, the uncertainty at 95 % is {:.3} m {word}; the budget is {limit:.3} m",
                        new[i]
                    ),
                )
                .place(format!("point `{point}`"))
                .size(format!("{:.3} m above the budget {word}; before this step it was {:.3} m", new[i] - limit, old[i]))
                .why("these parts are the same for every point and do not shrink by averaging")
                .fix("use a better model or operation, or measure longer; or accept the point in `waivers` with a name and a reason");
                finding.point = Some(point.clone());
                finding.waived = cx.waiver(code, &point);
                refused[i] = finding.waived.is_none();
                cx.find(finding);
            }
        }
        if !refused.contains(&true) {
            return Ok(after);
        }
        cx.set_aside(&before.filter(&refused)?, "held", "over the budget with what the geoid model and the operation add")?;
        after.filter(&refused.iter().map(|r| !r).collect::<Vec<_>>())
    }
}

/// Adds a systematic part, one sigma radially in plan and one sigma in height (m), to the columns of
/// uncertainty that a table has. Columns that it does not have are left out.
///
/// # Errors
/// When a column does not hold what its name says.
pub fn add_systematic(builder: &mut TableBuilder, table: &Table, horizontal_m: f64, up_m: f64) -> Result<(), Problem> {
    let schema = &table.schema;
    let half = horizontal_m * horizontal_m / 2.0;
    let up2 = up_m * up_m;
    let column = |role: Role| schema.role(role).map(|c| c.name.clone());
    let grow = |name: &str, by: f64| -> Result<Vec<f64>, Problem> { Ok(table.floats(name)?.iter().map(|s| (s * s + by).sqrt()).collect()) };

    if horizontal_m > 0.0
        && let (Some(east), Some(north)) = (column(Role::SigmaEast), column(Role::SigmaNorth))
    {
        let (old_east, old_north) = (table.floats(&east)?, table.floats(&north)?);
        let (new_east, new_north) = (grow(&east, half)?, grow(&north, half)?);
        let mut covariance = vec![0.0; table.rows()];
        if let Some(correlation) = column(Role::CorrelationEastNorth) {
            let old = table.floats(&correlation)?;
            for (i, c) in covariance.iter_mut().enumerate() {
                *c = old[i] * old_east[i] * old_north[i];
            }
            let new = (0..table.rows())
                .map(|i| if new_east[i] * new_north[i] > 0.0 { covariance[i] / (new_east[i] * new_north[i]) } else { old[i] })
                .collect();
            builder.floats(&correlation, new);
        }
        if schema.named("horizontal_95_m").is_some() {
            let radii = (0..table.rows())
                .map(|i| {
                    let covariance = if covariance[i].is_nan() { 0.0 } else { covariance[i] };
                    radial_95(new_east[i] * new_east[i], new_north[i] * new_north[i], covariance)
                })
                .collect();
            builder.floats("horizontal_95_m", radii);
        }
        builder.floats(&east, new_east).floats(&north, new_north);
        if schema.named("systematic_horizontal_m").is_some() {
            builder.floats("systematic_horizontal_m", grow("systematic_horizontal_m", 2.0 * half)?);
        }
        for name in ["systematic_ee", "systematic_nn"] {
            if schema.named(name).is_some() {
                builder.floats(name, table.floats(name)?.iter().map(|v| v + half).collect());
            }
        }
    }
    if up_m > 0.0 {
        if let Some(up) = column(Role::SigmaUp) {
            let sigma = grow(&up, up2)?;
            if schema.named("vertical_95_m").is_some() {
                builder.floats("vertical_95_m", sigma.iter().map(|s| Z95 * s).collect());
            }
            builder.floats(&up, sigma);
        }
        if schema.named("systematic_up_m").is_some() {
            builder.floats("systematic_up_m", grow("systematic_up_m", up2)?);
        }
        if schema.named("systematic_uu").is_some() {
            builder.floats("systematic_uu", table.floats("systematic_uu")?.iter().map(|v| v + up2).collect());
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn known_radii() {
        // Closed values: a circle has sqrt(-2 ln 0.05) = 2.447747 sigma, a line 1.959964 sigma.
        assert!((radial_95(1.0, 1.0, 0.0) - 2.447_746_83).abs() < 1e-7);
        assert!((radial_95(4.0, 0.0, 0.0) - 2.0 * 1.959_963_98).abs() < 1e-3);
        assert_eq!(radial_95(0.0, 0.0, 0.0), 0.0);
        assert!(radial_95(f64::NAN, 1.0, 0.0).is_nan());
    }

    proptest! {
        #[test]
        fn turning_the_axes_changes_nothing(a in 0.01..4.0_f64, b in 0.01..4.0_f64, angle in 0.0..6.3_f64) {
            let (s, c) = angle.sin_cos();
            let turned = radial_95(a * c * c + b * s * s, a * s * s + b * c * c, (a - b) * s * c);
            prop_assert!((turned - radial_95(a, b, 0.0)).abs() < 1e-9);
        }
    }
}
