//! What an operation and a geoid model add to the uncertainty of a point.
//!
//! The accuracy that the registry states for an operation is taken as one sigma of the height and as
//! one sigma radially in plan: half of its variance on each horizontal axis. It is the same for every
//! point of a job, so it is systematic and never shrinks. Each addition goes to its own contributor of
//! the budget, so that the parts of a point still add up to what it states.

use crate::budget::{self, Contributor, Part};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::schema::Role;
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::Cx;
use survey_mathematics::radial::radius;

/// 95 % of a normal distribution lie within this many sigmas.
pub(crate) use crate::budget::NORMAL_95 as Z95;

/// The budget of a point, and who may exceed it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    horizontal_95_m: f64,
    vertical_95_m: f64,
}

impl Limits {
    /// Those of a reference.
    #[must_use]
    pub(crate) const fn of(reference: &Reference) -> Self {
        Self { horizontal_95_m: reference.budget.horizontal_95_m, vertical_95_m: reference.budget.vertical_95_m }
    }

    /// Holds back the points that what was added has carried over the budget. `before` is the table that came in, `after` the
    /// same rows with the additions. A point that was over the budget already was decided on by `average`.
    ///
    /// # Errors
    /// When a column does not hold what its name says.
    pub(crate) fn hold(&self, before: &Table, after: Table, code: &str, cx: &Cx) -> Result<Table, Problem> {
        let mut refused = vec![];
        let Some(name_of_point) = after.schema.role(Role::Point).map(|c| c.name.clone()) else { return Ok(after) };
        let mut points = None;
        for (name, limit, word) in
            [("horizontal_95_m", self.horizontal_95_m, "horizontally"), ("vertical_95_m", self.vertical_95_m, "in height")]
        {
            if after.schema.named(name).is_none() || before.schema.named(name).is_none() {
                continue;
            }
            let (old, new) = (before.floats(name)?, after.floats(name)?);
            for i in 0..after.rows() {
                if !(new[i] > limit && old[i] <= limit) || refused.get(i) == Some(&true) {
                    continue;
                }
                refused.resize(after.rows(), false);
                let points = match &points {
                    Some(points) => points,
                    None => points.insert(after.texts(&name_of_point)?),
                };
                let point = points[i].map_or_else(|| format!("row {}", i + 1), str::to_owned);
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

/// Adds systematic parts, each with one sigma radially in plan and one sigma in height (m), to the columns
/// of uncertainty that a table has. Columns that it does not have are left out.
///
/// # Errors
/// When a column does not hold what its name says.
pub(crate) fn add_systematic(builder: &mut TableBuilder, table: &Table, parts: &[(Contributor, f64, f64)]) -> Result<(), Problem> {
    let schema = &table.schema;
    let all = parts.iter().fold(Part::default(), |sum, (_, h, u)| sum.plus(&Part::radial(*h, *u)));
    let (half, up2) = (all.ee, all.uu);
    let column = |role: Role| schema.role(role).map(|c| c.name.clone());
    let grow = |name: &str, by: f64| -> Result<Vec<f64>, Problem> { Ok(table.floats(name)?.iter().map(|s| (s * s + by).sqrt()).collect()) };

    for (contributor, horizontal_m, up_m) in parts {
        if budget::has(schema, *contributor) {
            for (k, more) in Part::radial(*horizontal_m, *up_m).elements().into_iter().enumerate() {
                let name = contributor.column(k);
                builder.floats(&name, table.floats(&name)?.iter().map(|v| v + more).collect());
            }
        }
    }
    if half > 0.0
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
                    radius(0.95, new_east[i] * new_east[i], covariance, new_north[i] * new_north[i])
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
    if up2 > 0.0 {
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
