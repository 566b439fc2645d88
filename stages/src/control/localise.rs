#![doc = include_str!("localise.md")]

use super::check::{files, marks_of};
use super::marks::{Mark, Place, Use};
use crate::export::{path, written};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Axes, Column, Heights, Holds, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder, by_role};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use survey_geodesy::crs::metres;

pub(crate) mod fit;
pub(crate) mod hull;
mod judge;
pub(crate) mod saved;
#[cfg(test)]
mod tests;

use fit::{Fitted, Level, Pair, Plan};
use saved::Saved;

/// The motion in plan.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum InPlan {
    /// Turn and shift; lengths stay.
    #[default]
    Rigid,
    /// Turn, shift and scale.
    Similarity,
}

/// The motion in height.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum InHeight {
    /// One shift.
    #[default]
    Shift,
    /// A shift and two slopes.
    Plane,
    /// None: heights stay.
    None,
}

/// Options of `localise`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Name of the site system; the `crs` of the marks says the same.
    pub name: String,
    /// Files with marks in the site system. Those with `use: fit` are fitted, all others check.
    #[serde(default)]
    pub control: Vec<String>,
    /// A fit that an earlier job wrote, in place of `control`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub saved: Option<String>,
    /// The motion in plan.
    #[serde(default)]
    pub plan: InPlan,
    /// The motion in height.
    #[serde(default)]
    pub height: InHeight,
    /// An error of one mark that the fit must be able to find, m.
    #[serde(default = "ten_cm")]
    #[schemars(range(min = 0.001))]
    pub must_find_m: f64,
    /// Largest scale that is no alarm, parts per million from one. 30 ppm is common practice.
    #[serde(default = "thirty")]
    #[schemars(range(min = 0.0))]
    pub scale_limit_ppm: f64,
    /// Largest tilt that is no alarm, parts per million. 20 ppm (4 arc-seconds) is common practice after a geoid.
    #[serde(default = "twenty")]
    #[schemars(range(min = 0.0))]
    pub tilt_limit_ppm: f64,
    /// How far outside the marks a point may lie, m.
    #[serde(default = "one")]
    #[schemars(range(min = 0.0))]
    pub outside_limit_m: f64,
    /// Name of the fit below the results folder: a JSON file, with a report beside it as CSV.
    #[serde(default = "file_name")]
    pub file: String,
}

const fn ten_cm() -> f64 {
    0.10
}
const fn one() -> f64 {
    1.0
}
const fn thirty() -> f64 {
    30.0
}
const fn twenty() -> f64 {
    20.0
}
fn file_name() -> String {
    "site-system.json".to_owned()
}

/// Where the transformation comes from.
enum Source {
    Fit(Vec<Mark>),
    Saved(Box<Saved>),
}

/// The bound stage.
pub(crate) struct Localise {
    options: Options,
    source: Source,
    crs: String,
    datum: Option<String>,
    /// Metres in one unit of easting, and of height.
    units: [f64; 2],
    height: Option<String>,
    output: Arc<Schema>,
    resources: Vec<Resource>,
}

/// A fit with everything that is said about it.
pub(super) struct Result3 {
    pub plan: Fitted<Plan>,
    pub level: Option<Fitted<Level>>,
    pub fitted: Vec<Pair>,
    /// Occupied marks that were kept out, with their differences: site minus known, m.
    pub checks: Vec<(Pair, [f64; 3])>,
}

impl Stage for Localise {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "localise",
        version: 1,
        summary: "Fits a site system to control and says what that fit can and cannot see",
        doc: include_str!("localise.md"),
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "Turn and shift in plan, one shift in height", options: "name: Works grid\ncontrol: [site-marks.csv]\n" },
            Example { title: "The fit of an earlier job", options: "name: Works grid\nsaved: site-system.json\n" },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let mut problems: Vec<Problem> = path::check(&options.file, Some(".json")).err().map(|p| p.option("file")).into_iter().collect();
        for role in [Role::Point, Role::Easting, Role::Northing, Role::SigmaEast, Role::SigmaNorth, Role::SigmaUp] {
            problems.extend(by_role(schema, role).err().map(|p| p.fix("put this step after `average` and `reproject`")));
        }
        let Some(frame) = schema.frame.as_ref().filter(|f| matches!(f.axes, Axes::Projected(_))) else {
            problems.push(
                Problem::new("plan/frame-mismatch", "a site system is fitted in a grid, and the points have none")
                    .fix("put `reproject` before this step"),
            );
            return Err(problems);
        };
        let datum = match &frame.heights {
            Heights::Vertical { datum, .. } => Some(datum.clone()),
            _ => None,
        };
        if datum.is_none() && options.height != InHeight::None {
            problems.push(
                Problem::from(Diagnostic::new("control/fit-without-geoid", Verdict::Block, "heights would be fitted above the ellipsoid"))
                    .option("height")
                    .size("the slope of the geoid goes into the fit: 0.05 m on 1 km is usual")
                    .why("a plane takes up the slope of the geoid within the marks and is wrong outside")
                    .fix("put `height-convert` before this step, or set `height: none`"),
            );
        }
        let (source, resources) = match source(&options, cx) {
            Ok(found) => found,
            Err(more) => {
                problems.extend(more);
                return Err(problems);
            }
        };
        let differs = match &source {
            Source::Saved(saved) if saved.base_crs != frame.crs => {
                Some(format!("the saved fit starts from {} and the points are in {}", saved.base_crs, frame.crs))
            }
            Source::Saved(saved) if saved.height_datum != datum && saved.level.is_some() => {
                let named = |d: &Option<String>| d.clone().unwrap_or_else(|| "the ellipsoid".to_owned());
                Some(format!("the saved fit has heights above {} and the points above {}", named(&saved.height_datum), named(&datum)))
            }
            _ => None,
        };
        if let Some(what) = differs {
            problems.push(
                Problem::from(Diagnostic::new("control/other-frame", Verdict::Block, what))
                    .option("saved")
                    .size("the shift between the two systems, decimetres and more")
                    .why("a fit holds only for the system that it was fitted in")
                    .fix("deliver in the system of the fit, or fit again"),
            );
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        let column = |role: Role| schema.role(role);
        let units = [column(Role::Easting).map_or(1.0, |c| metres(c.unit)), column(Role::Height).map_or(1.0, |c| metres(c.unit))];
        let height = column(Role::Height).map(|c| c.name.clone());
        let mut output = schema.clone();
        for name in ["site_easting_m", "site_northing_m", "site_height_m"] {
            if output.named(name).is_some() {
                return Err(vec![Problem::new("plan/column-exists", format!("there is a column `{name}` already")).fix("localise once")]);
            }
            output.columns.push(Column::maybe(name, Holds::Float, Unit::Metre, Role::Other));
        }
        let stage = Self {
            source,
            crs: frame.crs.clone(),
            datum,
            units,
            height: height.filter(|_| options.height != InHeight::None),
            output: Arc::new(output.clone()),
            resources,
            options,
        };
        Ok(Bound::new(stage, output, Grain::Whole))
    }

    fn resources(&self) -> Vec<Resource> {
        self.resources.clone()
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("no input"))?;
        let points = self.points(table)?;
        let names = table.texts(&by_role(&table.schema, Role::Point)?.name)?;
        let (saved, hold) = match &self.source {
            Source::Saved(saved) => ((**saved).clone(), false),
            Source::Fit(marks) => {
                let result = self.fit(marks, &points, &sigmas(table)?, &names)?;
                let hold = judge::fit(&result, &self.options, cx);
                let saved = Saved::of(&self.options.name, &self.crs, self.datum.clone(), &result, marks);
                let text = serde_json::to_value(&saved).map_err(Problem::broken)?;
                written::json(cx, &self.options.file, "file", &text)?;
                let csv = format!("{}.csv", self.options.file.strip_suffix(".json").unwrap_or(&self.options.file));
                written::csv(cx, &csv, "file", judge::HEADER, &judge::rows(&result))?;
                (saved, hold)
            }
        };
        let mut keep = vec![true; table.rows()];
        let mut site = [vec![f64::NAN; table.rows()], vec![f64::NAN; table.rows()], vec![f64::NAN; table.rows()]];
        for (row, p) in points.iter().enumerate() {
            let at = saved.plan.apply(p[0], p[1]);
            let distance = hull::outside(&saved.domain_m, [p[0], p[1]]);
            (site[0][row], site[1][row]) = (at[0], at[1]);
            site[2][row] = saved.level.map_or(f64::NAN, |l| p[2] + l.correction(p[0], p[1]));
            if distance > self.options.outside_limit_m {
                keep[row] = judge::outside(names[row].unwrap_or_default(), distance, &self.options, cx);
            }
        }
        if hold {
            keep.fill(false);
        }
        let mut builder = TableBuilder::from_table(self.output.clone(), table);
        for (name, values) in ["site_easting_m", "site_northing_m", "site_height_m"].into_iter().zip(site) {
            builder.floats(name, values);
        }
        let out = builder.finish()?;
        cx.set_aside_others(table, &keep, "held", "the site system does not hold for it")?;
        out.filter(&keep)
    }
}

fn source(options: &Options, cx: &BindCx) -> Result<(Source, Vec<Resource>), Vec<Problem>> {
    if options.name.trim().is_empty() {
        return Err(vec![
            Problem::new("job/bad-value", "the site system has no name").option("name").fix("give it a name that no other system has"),
        ]);
    }
    let at = |p: Problem, option: &str| if p.option.is_none() { p.option(option) } else { p };
    match (&options.saved, options.control.is_empty()) {
        (Some(file), true) => {
            let list = files(std::slice::from_ref(file), "saved", cx)?;
            let Some(first) = list.first() else { return Err(vec![Problem::broken("no file")]) };
            let saved = Saved::read(&first.name, &first.path).map_err(|p| vec![at(p, "saved")])?;
            if saved.name != options.name {
                return Err(vec![
                    Problem::new("control/other-frame", format!("`{file}` holds the system `{}` and not `{}`", saved.name, options.name))
                        .option("name")
                        .fix("name the system of the file"),
                ]);
            }
            Ok((Source::Saved(Box::new(saved)), list))
        }
        (None, false) => {
            let list = files(&options.control, "control", cx)?;
            let marks = marks_of(&list).map_err(|l| l.into_iter().map(|p| at(p, "control")).collect::<Vec<_>>())?;
            let mut problems = vec![];
            for mark in &marks {
                if mark.crs != options.name || !matches!(mark.place, Place::Grid { .. }) {
                    problems.push(
                        Problem::from(Diagnostic::new(
                            "control/other-frame",
                            Verdict::Block,
                            format!("the mark `{}` is in `{}` and not in the site system `{}`", mark.name, mark.crs, options.name),
                        ))
                        .option("control")
                        .label(mark.label("this mark"))
                        .size("a fit between other systems than meant")
                        .fix("write the name of the site system in the column `crs`, with easting and northing"),
                    );
                }
            }
            if problems.is_empty() { Ok((Source::Fit(marks), list)) } else { Err(problems) }
        }
        _ => Err(vec![
            Problem::new("job/missing-value", "either `control` or `saved` says where the fit comes from")
                .option("control")
                .fix("name files with marks in `control`, or a fit of an earlier job in `saved`"),
        ]),
    }
}

impl Localise {
    /// Easting, northing and height of each row, m.
    fn points(&self, table: &Table) -> Result<Vec<[f64; 3]>, Problem> {
        let name = |role: Role| by_role(&table.schema, role).map(|c| c.name.clone());
        let (e, n) = (table.floats(&name(Role::Easting)?)?, table.floats(&name(Role::Northing)?)?);
        let h = match &self.height {
            Some(name) => table.floats(name)?.to_vec(),
            None => vec![f64::NAN; table.rows()],
        };
        Ok((0..table.rows()).map(|i| [e[i] * self.units[0], n[i] * self.units[0], h[i] * self.units[1]]).collect())
    }

    fn fit(&self, marks: &[Mark], points: &[[f64; 3]], sigmas: &[[f64; 2]], names: &[Option<&str>]) -> Result<Result3, Problem> {
        let (mut fitted, mut checks) = (vec![], vec![]);
        for mark in marks {
            let Place::Grid { easting_m, northing_m, .. } = mark.place else { continue };
            let rows: Vec<usize> = (0..points.len()).filter(|i| names[*i] == Some(mark.name.as_str())).collect();
            let Some(first) = rows.first() else { continue };
            #[allow(clippy::cast_precision_loss)]
            let n = rows.len() as f64;
            // About the first, so that no digits are lost.
            let measured_m = [0, 1, 2].map(|k| points[*first][k] + rows.iter().map(|r| points[*r][k] - points[*first][k]).sum::<f64>() / n);
            // The best of the shots: repeats share base and frame, so their mean is hardly better.
            let best = |k: usize| rows.iter().map(|r| sigmas[*r][k]).fold(f64::INFINITY, f64::min);
            let height = mark.height.as_ref();
            let pair = Pair {
                name: mark.name.clone(),
                measured_m,
                site_m: [easting_m, northing_m, height.map_or(f64::NAN, |h| h.value_m)],
                sigma_m: [mark.sigma_horizontal_m.hypot(best(0)).max(1e-4), height.map_or(1.0, |h| h.sigma_m.hypot(best(1))).max(1e-4)],
            };
            if mark.used_as == Use::Fit {
                fitted.push(pair);
            } else {
                checks.push(pair);
            }
        }
        let too_few = || {
            Problem::from(
                Diagnostic::new("control/fit-too-few", Verdict::Block, format!("{} marks with `use: fit` were occupied", fitted.len()))
                    .place(fitted.iter().map(|p| format!("`{}`", p.name)).collect::<Vec<_>>().join(", "))
                    .size("no site coordinates")
                    .why("two marks at least determine a turn, three on no line a plane")
                    .fix("occupy more marks, and name them as the control does"),
            )
        };
        let plan = fit::plan(&fitted, self.options.plan == InPlan::Rigid).ok_or_else(too_few)?;
        let level = match self.options.height {
            InHeight::None => None,
            kind => Some(fit::level(&fitted, kind == InHeight::Plane).ok_or_else(too_few)?),
        };
        let checks = checks
            .into_iter()
            .map(|p| {
                let at = plan.model.apply(p.measured_m[0], p.measured_m[1]);
                let up = level
                    .as_ref()
                    .map_or(f64::NAN, |l| p.measured_m[2] + l.model.correction(p.measured_m[0], p.measured_m[1]) - p.site_m[2]);
                let d = [at[0] - p.site_m[0], at[1] - p.site_m[1], up];
                (p, d)
            })
            .collect();
        Ok(Result3 { plan, level, fitted, checks })
    }
}

/// Standard deviations of each row: of one axis in plan, and in height, m.
fn sigmas(table: &Table) -> Result<Vec<[f64; 2]>, Problem> {
    let name = |role: Role| by_role(&table.schema, role).map(|c| c.name.clone());
    let (e, n, u) = (table.floats(&name(Role::SigmaEast)?)?, table.floats(&name(Role::SigmaNorth)?)?, table.floats(&name(Role::SigmaUp)?)?);
    Ok((0..table.rows()).map(|i| [(e[i].powi(2) / 2.0 + n[i].powi(2) / 2.0).sqrt(), u[i]]).collect())
}
