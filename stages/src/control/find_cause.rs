#![doc = include_str!("find_cause.md")]

use super::causes::Aim;
use super::causes::list::hypotheses;
use super::causes::rank::{Hypothesis, Outcome, Ranking, rank};
use super::check::{files, marks_of};
use super::comparison::Comparison;
use crate::export::{path, written};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::rig::Rig;
use pipeline_base::table::Table;
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

mod gather;

/// What follows when a cause is found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum WhenFound {
    /// Nothing is delivered.
    #[default]
    Block,
    /// It is said, and the points go on.
    Warn,
}

/// Options of `find-cause`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Files with marks, CSV or GeoJSON; names or patterns, relative to the job file.
    pub control: Vec<String>,
    /// Other geoid grids that the control may have been levelled to; names or patterns.
    #[serde(default)]
    pub geoids: Vec<String>,
    /// Magnetic declination at the site, east positive, deg, by which a magnetic heading is told. Left out: the world magnetic
    /// model of 2025, within its years.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -180.0, max = 180.0))]
    pub declination_deg: Option<f64>,
    /// What follows when a cause is found.
    #[serde(default)]
    pub when_found: WhenFound,
    /// Name of the report, below the results folder: a CSV file with all causes in order.
    #[serde(default = "report_name")]
    pub report: String,
}

fn report_name() -> String {
    "find-cause.csv".to_owned()
}

/// The bound stage.
pub(crate) struct FindCause {
    comparison: Comparison,
    reference: Reference,
    rig: Option<Rig>,
    locality: Option<pipeline_base::place::Locality>,
    geoids: Vec<Resource>,
    resources: Vec<Resource>,
    options: Options,
}

impl Stage for FindCause {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "find-cause",
        version: 1,
        summary: "Names the wrong setting that explains the differences at the marks, or says that none does",
        doc: include_str!("find_cause.md"),
        inputs: Inputs::Beside,
        delivers: false,
        examples: &[
            Example { title: "With `from: [grid, epochs]`: points and the attitude of every epoch", options: "control: [control.csv]\n" },
            Example {
                title: "With another geoid to try, and without stopping the delivery",
                options: "control: [control.csv]\ngeoids: [grids/other.gtx]\nwhen_found: warn\n",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let reference = cx.need_reference().map_err(|p| vec![p])?;
        let mut problems: Vec<Problem> = path::check(&options.report, Some(".csv")).err().map(|p| p.option("report")).into_iter().collect();
        problems.extend(gather::needed(schema));
        if cx.inputs.len() > 2 {
            problems.push(
                Problem::new("plan/inputs", "`find-cause` takes points and at most one table of epochs").fix("name two steps in `from`"),
            );
        }
        let control = files(&options.control, "control", cx).map_err(|p| problems.extend(p)).unwrap_or_default();
        let geoids = if options.geoids.is_empty() {
            vec![]
        } else {
            files(&options.geoids, "geoids", cx).map_err(|p| problems.extend(p)).unwrap_or_default()
        };
        if !problems.is_empty() {
            return Err(problems);
        }
        let at =
            |list: Vec<Problem>| list.into_iter().map(|p| if p.option.is_none() { p.option("control") } else { p }).collect::<Vec<_>>();
        let marks = marks_of(&control).map_err(at)?;
        let comparison = Comparison::plan(marks, schema, reference, cx.locality, false, None).map_err(at)?;
        let mut notes = vec![];
        if cx.inputs.len() < 2 && cx.rig.is_some_and(|r| r.attitude.is_some()) {
            notes.push(no_epochs());
        }
        let mut resources = control;
        resources.extend(geoids.iter().cloned());
        let stage =
            Self { comparison, reference: reference.clone(), rig: cx.rig.cloned(), locality: cx.locality, geoids, resources, options };
        let mut bound = Bound::new(stage, schema.clone(), Grain::Whole);
        bound.notes = notes;
        Ok(bound)
    }

    fn resources(&self) -> Vec<Resource> {
        self.resources.clone()
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("no input"))?;
        let (shots, facts) = self.gather(table, inputs.get(1))?;
        let list = hypotheses(&shots, &facts);
        let ranking = rank(&shots, &list, &facts);
        let unseen = self.rig.as_ref().is_some_and(|r| r.laser.is_some()) && shots.iter().all(|s| s.aim == Aim::Tip);
        self.say(&ranking, &list, shots.len(), unseen, cx);
        written::csv(cx, &self.options.report, "report", HEADER, &rows(&ranking, &list))?;
        Ok(table.clone())
    }
}

fn no_epochs() -> Problem {
    Problem::from(
        Diagnostic::new("control/no-attitude", Verdict::Note, "without the table of epochs no cause that turns with the pole can be tried")
            .size("heading, north, signs of tilt, lag, beam and lever arm stay untried")
            .why("their effect depends on how the pole stood in each shot")
            .fix("give two tables: `from: [grid, epochs]`, the points and the epochs with their attitude"),
    )
}

const HEADER: [&str; 9] = ["rank", "cause", "alike", "explains_pct", "measure", "horizontal_m", "up_m", "values", "key"];

fn rows(ranking: &Ranking, list: &[Hypothesis]) -> Vec<Vec<String>> {
    ranking
        .ranked
        .iter()
        .take(40)
        .enumerate()
        .map(|(i, e)| {
            let each = |f: &dyn Fn(&Hypothesis) -> String| e.causes.iter().map(|c| f(&list[*c])).collect::<Vec<_>>().join(" + ");
            vec![
                (i + 1).to_string(),
                each(&|h| h.id.clone()),
                (i < ranking.alike).to_string(),
                format!("{:.1}", explained(ranking, e.misfit)),
                format!("{:.2}", e.measure - ranking.chi_square),
                format!("{:.4}", e.size_m[0]),
                format!("{:.4}", e.size_m[1]),
                values(list, &e.causes, &e.values),
                each(&|h| h.key.clone()),
            ]
        })
        .collect()
}

/// Share of the squared differences that an explanation takes away, %.
fn explained(ranking: &Ranking, misfit: f64) -> f64 {
    if ranking.chi_square > 0.0 { 100.0 * (1.0 - misfit / ranking.chi_square) } else { 0.0 }
}

fn values(list: &[Hypothesis], causes: &[usize], values: &[f64]) -> String {
    causes
        .iter()
        .flat_map(|c| &list[*c].unknowns)
        .zip(values)
        .map(|(u, v)| {
            let (name, unit) = u.name.split_once(", ").unwrap_or((u.name, ""));
            format!("{name} {v:+.*} {unit}", u.decimals).trim_end().to_owned()
        })
        .collect::<Vec<_>>()
        .join(", ")
}

impl FindCause {
    /// `unseen`: the rig has a laser, and no mark was shot with it.
    fn say(&self, ranking: &Ranking, list: &[Hypothesis], shots: usize, unseen: bool, cx: &Cx) {
        let place = format!("{shots} shots on marks, {} differences; report `{}`", ranking.count, self.options.report);
        let finding = match ranking.outcome {
            Outcome::NotTold => Diagnostic::new("control/cause-not-told", Verdict::Warn, format!("{shots} shots on marks tell no cause"))
                .size("unknown")
                .why("two shots or more on marks of known value are needed")
                .fix("occupy more marks, and name them as the control does"),
            Outcome::Clean => Diagnostic::new(
                "control/clean",
                Verdict::Note,
                format!("the differences at the marks are what noise makes (probability {:.2})", ranking.probability),
            )
            .size(format!("squared differences over their uncertainty {:.1} for {}", ranking.chi_square, ranking.count))
            .why(format!(
                "{} causes were tried, and none explains them better than chance{}",
                count(list),
                if unseen {
                    "; no mark was shot with the laser, so beam, lever arm, range and (with a pole near plumb) heading and north stay unchecked"
                } else {
                    ""
                }
            ))
            .fix(if unseen { "shoot a mark with the laser too" } else { "nothing to do" }),
            Outcome::NoneOfThese => {
                let nearest = ranking.ranked.first().map_or_else(String::new, |e| {
                    let names: Vec<&str> = e.causes.iter().map(|c| list[*c].title.as_str()).collect();
                    format!("; the nearest, {}, explains {:.0} %", names.join(" and "), explained(ranking, e.misfit))
                });
                Diagnostic::new(
                    "control/no-cause",
                    Verdict::Warn,
                    "something is wrong at the marks, and none of the known causes explains it",
                )
                .size(format!("squared differences over their uncertainty {:.1} for {}{nearest}", ranking.chi_square, ranking.count))
                .why(format!("{} causes were tried, one by one and in pairs", count(list)))
                .fix("look at each mark and each fix; sigmas of receiver or marks may be too small")
            }
            Outcome::Found => found(ranking, list, self.options.when_found),
        };
        cx.fact("cause", serde_json::json!({
            "outcome": format!("{:?}", ranking.outcome),
            "chi_square": ranking.chi_square,
            "differences": ranking.count,
            "causes": ranking.ranked.iter().take(ranking.alike.max(3)).map(|e| e.causes.iter().map(|c| list[*c].id.clone()).collect::<Vec<_>>()).collect::<Vec<_>>(),
            "alike": ranking.alike,
        }));
        cx.find(finding.place(place));
    }
}

fn found(ranking: &Ranking, list: &[Hypothesis], when: WhenFound) -> Diagnostic {
    let verdict = if when == WhenFound::Block { Verdict::Block } else { Verdict::Warn };
    let Some(best) = ranking.ranked.first() else { return Diagnostic::new("control/cause", verdict, "a cause without a name") };
    let words = |causes: &[usize]| causes.iter().map(|c| list[*c].title.clone()).collect::<Vec<_>>().join("; and ");
    let keys = |causes: &[usize]| causes.iter().map(|c| list[*c].key.clone()).collect::<Vec<_>>().join("; ");
    let alike: Vec<String> = ranking
        .ranked
        .iter()
        .take(ranking.alike)
        .skip(1)
        .map(|e| {
            let v = values(list, &e.causes, &e.values);
            format!("{}{}{} ({})", words(&e.causes), if v.is_empty() { "" } else { ", " }, v, keys(&e.causes))
        })
        .collect();
    let value = values(list, &best.causes, &best.values);
    let value = if value.is_empty() { String::new() } else { format!("; {value}") };
    let fixes: Vec<&str> = best.causes.iter().map(|c| list[*c].fix.as_str()).collect();
    let mut why = format!("it is the best of {} causes, tried one by one and in pairs, for all marks together", count(list));
    if !alike.is_empty() {
        why += &format!("; these marks cannot tell it from: {}", alike.join("; or "));
    }
    Diagnostic::new(
        "control/cause",
        verdict,
        format!("{}; that explains {:.0} % of the differences at the marks", words(&best.causes), explained(ranking, best.misfit)),
    )
    .size(format!("{:.3} m horizontally and {:.3} m in height at the marks (root mean square){value}", best.size_m[0], best.size_m[1]))
    .why(why)
    .fix(format!("{}: {} (nothing was changed)", keys(&best.causes), fixes.join("; ")))
}

/// Different causes: one for all forms of a turn, and one for all lags.
fn count(list: &[Hypothesis]) -> usize {
    list.iter().map(|h| h.id.split(' ').next().unwrap_or_default()).collect::<std::collections::BTreeSet<_>>().len()
}
