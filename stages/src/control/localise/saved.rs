//! A site system as a file: parameters, domain, accuracy and its definition as text.

use super::Result3;
use super::fit::{Level, Plan};
use super::hull::hull;
use crate::control::marks::{Mark, Use};
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// A site system that was fitted to control.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Saved {
    /// Version of the file format: 1.
    pub site_system: u32,
    /// Name.
    pub name: String,
    /// Projected system that it is derived from.
    pub base_crs: String,
    /// Vertical datum that its heights are derived from.
    pub height_datum: Option<String>,
    /// Motion in plan, m of the base system.
    pub plan: Plan,
    /// Motion in height.
    pub level: Option<Level>,
    /// Corners of the area that the fitted marks surround, in the base system, m.
    pub domain_m: Vec<[f64; 2]>,
    /// How good it is, m: root mean square in plan and in height, of check points where there are any and of marks left
    /// out of the fit otherwise.
    pub accuracy_m: [Option<f64>; 2],
    /// Whether the accuracy is that of check points.
    pub checked: bool,
    /// Marks that were fitted: they can check nothing that is given in this system.
    pub fitted: Vec<String>,
    /// Where their values come from.
    pub sources: Vec<String>,
    /// Definition of the derived system in plan as WKT (ISO 19162:2019), when the base system has a code.
    pub wkt: Option<String>,
}

fn rms(values: &[f64]) -> Option<f64> {
    #[allow(clippy::cast_precision_loss)]
    let n = values.len() as f64;
    (!values.is_empty()).then(|| (values.iter().map(|v| v * v).sum::<f64>() / n).sqrt())
}

impl Saved {
    /// From a fit.
    pub(super) fn of(name: &str, base_crs: &str, height_datum: Option<String>, result: &Result3, marks: &[Mark]) -> Self {
        let finite = |list: Vec<f64>| list.into_iter().filter(|v| v.is_finite()).collect::<Vec<f64>>();
        let checked = !result.checks.is_empty();
        let (flat, up) = if checked {
            (
                finite(result.checks.iter().map(|(_, d)| d[0].hypot(d[1])).collect()),
                finite(result.checks.iter().map(|(_, d)| d[2]).collect()),
            )
        } else {
            (
                finite(
                    result
                        .plan
                        .marks
                        .iter()
                        .filter(|m| m.without_it_m.len() == 2)
                        .map(|m| m.without_it_m[0].hypot(m.without_it_m[1]))
                        .collect(),
                ),
                finite(result.level.iter().flat_map(|l| &l.marks).filter_map(|m| m.without_it_m.first().copied()).collect()),
            )
        };
        let mut sources: Vec<String> =
            marks.iter().filter(|m| m.used_as == Use::Fit).map(|m| format!("{} ({})", m.source, m.date)).collect();
        sources.sort();
        sources.dedup();
        let plan = result.plan.model;
        Self {
            site_system: 1,
            name: name.to_owned(),
            base_crs: base_crs.to_owned(),
            height_datum,
            plan,
            level: result.level.as_ref().map(|l| l.model),
            domain_m: hull(&result.fitted.iter().map(|p| [p.measured_m[0], p.measured_m[1]]).collect::<Vec<_>>()),
            accuracy_m: [rms(&flat), rms(&up)],
            checked,
            fitted: result.fitted.iter().map(|p| p.name.clone()).collect(),
            sources,
            wkt: derived(name, base_crs, &plan),
        }
    }

    /// Reads a file.
    ///
    /// # Errors
    /// `control/unreadable`.
    pub(crate) fn read(name: &str, path: &Path) -> Result<Self, Problem> {
        let bad = |what: String| {
            Problem::from(Diagnostic::new("control/unreadable", Verdict::Error, what))
                .label(Label::file(name, "this file"))
                .fix("name the JSON file that `localise` wrote")
        };
        let text = std::fs::read_to_string(path).map_err(|e| bad(format!("`{name}` cannot be read: {e}")))?;
        let saved: Self = serde_json::from_str(&text).map_err(|e| bad(format!("`{name}` is no site system: {e}")))?;
        let numbers =
            [saved.plan.a, saved.plan.b, saved.plan.shift_m[0], saved.plan.shift_m[1], saved.plan.origin_m[0], saved.plan.origin_m[1]];
        if saved.site_system != 1 || numbers.iter().any(|v| !v.is_finite()) || saved.plan.scale() < 0.5 {
            return Err(bad(format!("`{name}` is no site system of version 1")));
        }
        Ok(saved)
    }
}

/// WKT of the derived projected system: EPSG method 9624, affine parametric transformation,
/// site easting = A0 + A1 easting + A2 northing, site northing = B0 + B1 easting + B2 northing.
#[must_use]
pub(crate) fn derived(name: &str, base_crs: &str, plan: &Plan) -> Option<String> {
    let base = survey_geodesy::wkt(base_crs, 2).ok()?;
    let at = base.strip_prefix("PROJCRS[")?;
    // The base inside a derived system has neither coordinate system nor usage of its own.
    let cut = at.find(",CS[").unwrap_or(at.len());
    let zero = plan.apply(0.0, 0.0);
    let length = |name: &str, code: u32, v: f64| format!("PARAMETER[\"{name}\",{v},LENGTHUNIT[\"metre\",1],ID[\"EPSG\",{code}]]");
    let ratio = |name: &str, code: u32, v: f64| format!("PARAMETER[\"{name}\",{v},SCALEUNIT[\"coefficient\",1],ID[\"EPSG\",{code}]]");
    let text = name.replace('"', "'");
    Some(format!(
        "DERIVEDPROJCRS[\"{text}\",BASEPROJCRS[{}],DERIVINGCONVERSION[\"{text}\",METHOD[\"Affine parametric transformation\",ID[\"EPSG\",9624]],{},{},{},{},{},{}],CS[Cartesian,2],AXIS[\"site easting (E)\",east,ORDER[1]],AXIS[\"site northing (N)\",north,ORDER[2]],LENGTHUNIT[\"metre\",1]]",
        &at[..cut],
        length("A0", 8623, zero[0]),
        ratio("A1", 8624, plan.a),
        ratio("A2", 8625, -plan.b),
        length("B0", 8639, zero[1]),
        ratio("B1", 8640, plan.b),
        ratio("B2", 8641, plan.a),
    ))
}
