#![doc = include_str!("check.md")]

use super::comparison::{Comparison, Difference, HeightWay, dependent};
use super::marks;
use super::report;
use super::statistics::{self, Check, Statistics};
use crate::control::check::limits::Limits;
use crate::export::path;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::pin::{Pin, ProbeAt};
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Role, Schema};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, ResourceRole, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

mod frames;
pub(crate) mod limits;
mod sessions;
mod shots;
#[cfg(test)]
mod tests;

pub(crate) use frames::Frames;
pub(crate) use shots::Shot;

/// What each session must have.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Rule {
    /// A good check before the first point and another after the last.
    #[default]
    BeforeAndAfter,
    /// One good check at any time.
    Once,
    /// Nothing; checks that are there must still be good.
    Nothing,
}

/// What to do with marks in another frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum OtherFrame {
    /// Refuse them.
    #[default]
    Refuse,
    /// Apply the registry's best operation for the place, when its stated accuracy is within the budget.
    Official,
}

/// Options of `control-check`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Files with marks, CSV or GeoJSON; names or patterns, relative to the job file.
    pub control: Vec<String>,
    /// What each session must have.
    #[serde(default)]
    pub rule: Rule,
    /// Largest horizontal difference, m. Default: `budget.horizontal_95_m` of the reference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub horizontal_limit_m: Option<f64>,
    /// Largest difference in height, m. Default: `budget.vertical_95_m` of the reference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub vertical_limit_m: Option<f64>,
    /// Probability (%) with which a good check stays within its combined uncertainty.
    #[serde(default = "ninety_nine")]
    #[schemars(range(min = 50.0, max = 99.99))]
    pub confidence_pct: f64,
    /// What to do with marks in another frame than the points.
    #[serde(default)]
    pub operation: OtherFrame,
    /// Name of the report, below the results folder: a CSV file, with the statistics beside it as JSON.
    #[serde(default = "report_name")]
    pub report: String,
}

const fn ninety_nine() -> f64 {
    99.0
}
fn report_name() -> String {
    "control-check.csv".to_owned()
}

/// The bound stage.
pub(crate) struct ControlCheck {
    comparison: Comparison,
    limits: Limits,
    rule: Rule,
    reference: Reference,
    report: String,
    resources: Vec<Resource>,
}

/// Files of an option that holds names and patterns, as resources.
///
/// # Errors
/// When a pattern matches nothing.
pub(crate) fn files(patterns: &[String], option: &str, cx: &BindCx) -> Result<Vec<Resource>, Vec<Problem>> {
    if patterns.is_empty() {
        return Err(vec![
            Problem::new("control/no-marks", "no file with marks is named")
                .option(option)
                .fix(format!("name one or more files in `{option}`")),
        ]);
    }
    let (mut found, mut problems) = (vec![], vec![]);
    for (i, pattern) in patterns.iter().enumerate() {
        let option = format!("{option}[{i}]");
        match cx.files.find(pattern) {
            Ok(files) => found.extend(files.into_iter().map(|(name, path)| Resource {
                name,
                path,
                role: ResourceRole::Table,
                option: option.clone(),
            })),
            Err(problem) => problems.push(problem.option(option)),
        }
    }
    if problems.is_empty() { Ok(found) } else { Err(problems) }
}

/// Reads the marks of resources.
///
/// # Errors
/// See [`marks::read`].
pub(crate) fn marks_of(resources: &[Resource]) -> Result<Vec<marks::Mark>, Vec<Problem>> {
    let files: Vec<_> = resources.iter().map(|r| (r.name.clone(), r.path.clone())).collect();
    marks::read(&files)
}

impl Stage for ControlCheck {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "control-check",
        version: 1,
        summary: "Compares shots on marks of known value with that value, before and after each session",
        doc: include_str!("check.md"),
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "Marks from a list, before and after each session", options: "control: [control.csv]\n" },
            Example {
                title: "Limits of the client, one check a session",
                options: "control: [control.csv]\nrule: once\nhorizontal_limit_m: 0.03\nvertical_limit_m: 0.04\n",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let reference = cx.need_reference().map_err(|p| vec![p])?;
        let mut problems = vec![];
        problems.extend(path::check(&options.report, Some(".csv")).err().map(|p| p.option("report")));
        problems.extend(needed(schema));
        let mut resources = match files(&options.control, "control", cx) {
            Ok(resources) => resources,
            Err(more) => {
                problems.extend(more);
                vec![]
            }
        };
        if !problems.is_empty() {
            return Err(problems);
        }
        let at =
            |list: Vec<Problem>| list.into_iter().map(|p| if p.option.is_none() { p.option("control") } else { p }).collect::<Vec<_>>();
        let marks = marks_of(&resources).map_err(at)?;
        let official = options.operation == OtherFrame::Official;
        let comparison = Comparison::plan(marks, schema, reference, cx.locality, official, cx.locked).map_err(at)?;
        let limits = Limits::new(
            options.confidence_pct,
            options.horizontal_limit_m.unwrap_or(reference.budget.horizontal_95_m),
            options.vertical_limit_m.unwrap_or(reference.budget.vertical_95_m),
        );
        let wrong_base = frames::base(&comparison.marks, reference, &limits, cx.locality);
        if !wrong_base.is_empty() {
            return Err(wrong_base);
        }
        resources.extend(comparison.grids());
        let operations = comparison.operations();
        let mut notes = comparison.notes.clone();
        notes.extend(geoid_unchecked(&comparison, schema));
        let stage = Self { comparison, limits, rule: options.rule, reference: reference.clone(), report: options.report, resources };
        let mut bound = Bound::new(stage, schema.clone(), Grain::Whole)
            .decided("horizontal_limit_m", limits.horizontal_m)
            .decided("vertical_limit_m", limits.vertical_m);
        if !operations.is_empty() {
            bound = bound.decided("operations", operations);
        }
        bound.notes = notes;
        Ok(bound)
    }

    fn resources(&self) -> Vec<Resource> {
        self.resources.clone()
    }

    fn pins(&self, probes: &[ProbeAt]) -> Result<Vec<Pin>, Problem> {
        self.comparison.pins(probes)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("no input"))?;
        let differences = self.comparison.differences(table)?;
        let shots = shots::of(table, &self.comparison, &differences, &self.limits, self.base())?;
        self.say(&shots, table, cx)?;
        let frames = self.frames(&shots, table)?;
        frames.explained.iter().for_each(|f| cx.find(f.clone()));
        frames.receiver_geoid_note(&shots).into_iter().for_each(|f| cx.find(f));
        let statistics = self.statistics(&shots);
        self.statistics_said(&statistics, &frames, cx);
        report::write(cx, &self.report, &self.comparison.marks, &shots, &self.limits, &statistics, &frames)?;
        let keep = sessions::judge(table, &shots, self.rule, cx)?;
        cx.set_aside_others(table, &keep, "held", "the control of the session is missing or not good")?;
        table.filter(&keep)
    }
}

/// Columns that a check needs besides position and frame.
fn needed(schema: &Schema) -> Vec<Problem> {
    [Role::Point, Role::Session, Role::Time, Role::SigmaEast, Role::SigmaNorth, Role::SigmaUp]
        .into_iter()
        .filter_map(|role| pipeline_base::table::by_role(schema, role).err())
        .map(|p| p.fix("put this step after `average` and `reproject`"))
        .collect()
}

/// Ellipsoidal control beside heights above a datum checks everything but the geoid.
fn geoid_unchecked(comparison: &Comparison, schema: &Schema) -> Option<Problem> {
    schema.role(Role::Height)?;
    let ways: Vec<HeightWay> = (0..comparison.marks.len()).map(|m| comparison.height_way(m)).collect();
    let unchecked = !ways.contains(&HeightWay::Vertical) && ways.contains(&HeightWay::Ellipsoidal);
    unchecked.then(|| {
        Problem::from(
            Diagnostic::new("control/geoid-unchecked", Verdict::Warn, "all control has ellipsoidal heights, so nothing checks the geoid")
                .size("the error of the geoid model, centimetres to decimetres")
                .why("delivered heights are above a vertical datum, and no mark has a levelled height")
                .fix("add a mark with a height above the datum of the delivery"),
        )
        .option("control")
    })
}

impl ControlCheck {
    /// Name of the base station.
    fn base(&self) -> Option<&str> {
        self.reference.corrections.base_station.as_deref()
    }

    fn statistics(&self, shots: &[Shot]) -> Statistics {
        let independent: Vec<&Shot> = shots.iter().filter(|s| s.dependent.is_none()).collect();
        let checks: Vec<Check> = independent
            .iter()
            .map(|s| {
                let mark = &self.comparison.marks[s.difference.mark];
                Check {
                    horizontal_m: s.difference.grid_m,
                    up_m: s.difference.up_m,
                    mark_sigma_m: mark.sigma_horizontal_m,
                    mark_sigma_up_m: mark.height.as_ref().map_or(f64::NAN, |h| h.sigma_m),
                }
            })
            .collect();
        let mut marks: Vec<usize> = independent.iter().map(|s| s.difference.mark).collect();
        marks.sort_unstable();
        marks.dedup();
        statistics::statistics(&checks, marks.len())
    }

    /// One finding for each shot that fails, and for uses that are no checks.
    fn say(&self, shots: &[Shot], table: &Table, cx: &Cx) -> Result<(), Problem> {
        for shot in shots {
            let mark = &self.comparison.marks[shot.difference.mark];
            if let Some(reason) = shot.dependent {
                cx.find(
                    Diagnostic::new("control/not-independent", Verdict::Warn, format!("`{}` is no check: {reason}", mark.name))
                        .place(shot.place())
                        .label(mark.label("this mark"))
                        .size(format!("its difference is {}, which proves nothing", shot.words()))
                        .why("a point that went into the result agrees with it whatever is wrong")
                        .fix("occupy a mark that nothing was set or fitted to"),
                );
            } else if !shot.good() {
                cx.find(shot.failed(mark, &self.limits));
            }
        }
        self.circular(shots, cx);
        let never: Vec<&str> = self
            .comparison
            .marks
            .iter()
            .enumerate()
            .filter(|(i, m)| dependent(m, self.base()).is_none() && !shots.iter().any(|s| s.difference.mark == *i))
            .map(|(_, m)| m.name.as_str())
            .collect();
        if !never.is_empty() {
            let names = table.texts(&pipeline_base::table::by_role(&table.schema, Role::Point)?.name)?;
            let all: Vec<&str> = names.into_iter().flatten().collect();
            let near: Vec<String> = never
                .iter()
                .filter_map(|n| {
                    let same = all.iter().find(|p| p.eq_ignore_ascii_case(n.trim()) && *p != n)?;
                    Some(format!("`{same}` may be `{n}`"))
                })
                .collect();
            cx.find(
                Diagnostic::new(
                    "control/not-occupied",
                    Verdict::Note,
                    format!("{} of {} marks have no shot", never.len(), self.comparison.marks.len()),
                )
                .place(never.iter().take(8).map(|n| format!("`{n}`")).collect::<Vec<_>>().join(", "))
                .fix(if near.is_empty() {
                    "nothing to do, unless they were occupied under another name".to_owned()
                } else {
                    format!("{}: names are compared to the letter", near.join(", "))
                }),
            );
        }
        Ok(())
    }

    /// Marks that agree with the delivery to the last digit were taken from it.
    fn circular(&self, shots: &[Shot], cx: &Cx) {
        let checks: Vec<&Shot> = shots.iter().filter(|s| s.dependent.is_none()).collect();
        let exact = |d: &Difference| d.grid_m.iter().all(|v| v.abs() < 1e-4) && d.up_m.is_none_or(|u| u.abs() < 1e-4);
        if checks.len() < 2 || !checks.iter().all(|s| exact(&s.difference)) {
            return;
        }
        cx.find(
            Diagnostic::new(
                "control/circular",
                Verdict::Block,
                format!("all {} checks agree to less than 0.1 mm: the control was taken from this delivery", checks.len()),
            )
            .place(checks.iter().take(8).map(|s| s.place()).collect::<Vec<_>>().join("; "))
            .size("nothing is checked; whatever is wrong stays")
            .why("no shot repeats to a tenth of a millimetre, so these values are the shots themselves")
            .fix("use values of the marks from another source"),
        );
    }

    fn statistics_said(&self, s: &Statistics, frames: &Frames, cx: &Cx) {
        cx.fact("control", serde_json::to_value(s).unwrap_or_default());
        let Some(plan) = s.rmse_horizontal_m else { return };
        let up = s.up.map_or_else(String::new, |u| format!(", {:.4} m in height", u.rmse));
        let enough = if s.asprs_enough_points {
            "enough for an accuracy statement".to_owned()
        } else {
            format!(
                "{} for NSSDA and {} for ASPRS edition 2 are needed for an accuracy statement",
                statistics::NSSDA_POINTS,
                statistics::ASPRS_POINTS
            )
        };
        cx.find(
            Diagnostic::new(
                "control/statistics",
                Verdict::Note,
                format!("{} checks on {} marks: root mean square {plan:.4} m in plan{up}", s.checks, s.marks),
            )
            .place(format!("report `{}`", self.report))
            .size(match (s.asprs_horizontal_m, s.asprs_vertical_m) {
                (Some(h), Some(v)) => format!("with the marks' own error {h:.4} m in plan and {v:.4} m in height"),
                (Some(h), None) => format!("with the marks' own error {h:.4} m in plan"),
                _ => String::new(),
            })
            .why(format!("{}{} marks; {enough}", frames.declared_fits(), s.marks))
            .fix("nothing to do"),
        );
        if !s.biased.is_empty() {
            cx.find(
                Diagnostic::new("control/bias", Verdict::Note, format!("the mean is no noise: {}", s.biased.join(", ")))
                    .place(format!("{} checks", s.checks))
                    .size(
                        [("east", s.east), ("north", s.north), ("up", s.up)]
                            .iter()
                            .filter(|(n, _)| s.biased.contains(n))
                            .filter_map(|(n, v)| v.map(|v| format!("{n} {:+.4} m", v.mean)))
                            .collect::<Vec<_>>()
                            .join(", "),
                    )
                    .why("the mean is more than its scatter explains; something is the same in all shots")
                    .fix("compare it with the systematic part of the budget; `find-cause` names settings that would explain it"),
            );
        }
    }
}
