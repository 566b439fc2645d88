#![doc = include_str!("receiver_test.md")]

mod evaluate;
mod sets;
#[cfg(test)]
mod tests;

use crate::export::{instant, path, written};
use evaluate::{Claim, Earlier, Experimental, Question, Set, experimental, questions};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Role;
use pipeline_base::table::{Table, by_role};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sets::{Grouped, Shot};
use survey_geodesy::{Ellipsoid, ellipsoid_of};

/// Sets in a series, in both tests.
const SETS: usize = 5;
/// Series of the full test.
const SERIES: usize = 3;
/// Least time between the starts of two series, so that the sky is another one, min.
const BETWEEN_SERIES_MIN: f64 = 90.0;
/// Distance of the two marks that the procedure is made for, m.
const DISTANCE_M: std::ops::RangeInclusive<f64> = 2.0..=20.0;

/// Which test.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Procedure {
    /// One series of five sets: finds gross errors.
    Simplified,
    /// Three series of five sets, at least 90 minutes apart: gives the precision that is reached.
    Full,
}

/// Result of an earlier full test of the same equipment.
#[derive(Clone, Copy, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct EarlierTest {
    /// Its experimental standard deviation in plan, east and north together, m.
    #[schemars(range(min = 0.0))]
    pub horizontal_m: f64,
    /// Its experimental standard deviation in height, m.
    #[schemars(range(min = 0.0))]
    pub up_m: f64,
}

/// Options of `receiver-test`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Which test.
    pub procedure: Procedure,
    /// Names of the two marks, as in the field notes.
    pub marks: [String; 2],
    /// Horizontal distance of the marks by a better method, m; known to 3 mm or better.
    #[schemars(range(min = 0.1, max = 1000.0))]
    pub distance_m: f64,
    /// Height of the second mark above the first by a better method, m; known to 3 mm or better.
    #[schemars(range(min = -100.0, max = 100.0))]
    pub height_difference_m: f64,
    /// Claimed standard deviation of a position in plan, east and north together, m.
    #[schemars(range(min = 0.0001, max = 10.0))]
    pub sigma_horizontal_m: f64,
    /// Claimed standard deviation of a height, m.
    #[schemars(range(min = 0.0001, max = 10.0))]
    pub sigma_up_m: f64,
    /// What a data sheet adds for each kilometre to the base (`8 mm + 1 ppm`). Left out: the claim holds at any distance.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub with_distance: Option<WithDistance>,
    /// A pause longer than this begins a new series, min.
    #[serde(default = "pause")]
    #[schemars(range(min = 10.0, max = 1440.0))]
    pub series_pause_min: f64,
    /// Result of an earlier full test, to compare with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub earlier: Option<EarlierTest>,
    /// Name of the report, below the results folder: a CSV file with one line for each set, and the result beside it as JSON.
    #[serde(default = "report_name")]
    pub report: String,
}

/// The part of a claim that grows with the distance from the base.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct WithDistance {
    /// Distance from the base, km.
    #[schemars(range(min = 0.0, max = 1000.0))]
    pub base_km: f64,
    /// In plan, millionths of the distance.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub horizontal_ppm: f64,
    /// In height, millionths of the distance.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub up_ppm: f64,
    /// How the data sheet means the `+`. A sheet that does not say so is asked, since the plain sum claims less.
    pub together: Together,
}

/// How two parts of a claim go together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Together {
    /// Plain sum.
    Sum,
    /// Root of the sum of squares.
    RootSumSquare,
}

impl WithDistance {
    /// Claimed standard deviations at this distance, in plan and in height, m.
    fn claim(&self, horizontal_m: f64, up_m: f64) -> (f64, f64) {
        let at = |fixed: f64, ppm: f64| {
            let grows = ppm * 1e-6 * self.base_km * 1e3;
            if self.together == Together::Sum { fixed + grows } else { fixed.hypot(grows) }
        };
        (at(horizontal_m, self.horizontal_ppm), at(up_m, self.up_ppm))
    }
}

const fn pause() -> f64 {
    45.0
}
fn report_name() -> String {
    "receiver-test.csv".to_owned()
}

/// The bound stage.
pub(crate) struct ReceiverTest {
    options: Options,
    claim: Claim,
    ellipsoid: Ellipsoid,
}

impl Stage for ReceiverTest {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "receiver-test",
        version: 1,
        summary: "Tests a receiver on two marks against the precision that is claimed for it",
        doc: include_str!("receiver_test.md"),
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example {
                title: "Five sets on two marks before work",
                options: "procedure: simplified\nmarks: [T1, T2]\ndistance_m: 14.997\nheight_difference_m: 0.401\nsigma_horizontal_m: 0.015\nsigma_up_m: 0.025\n",
            },
            Example {
                title: "The yearly test, compared with the one before",
                options: "procedure: full\nmarks: [T1, T2]\ndistance_m: 14.997\nheight_difference_m: 0.401\nsigma_horizontal_m: 0.015\nsigma_up_m: 0.020\nearlier: {horizontal_m: 0.0085, up_m: 0.0121}\n",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let mut problems: Vec<Problem> = [Role::Point, Role::Time, Role::Latitude, Role::Longitude, Role::EllipsoidalHeight]
            .into_iter()
            .filter_map(|role| by_role(schema, role).err())
            .map(|p| p.fix("put this step after `average`"))
            .collect();
        problems.extend(path::check(&options.report, Some(".csv")).err().map(|p| p.option("report")));
        if options.marks[0] == options.marks[1] {
            problems.push(
                Problem::new("control/one-mark", format!("both marks are named `{}`", options.marks[0]))
                    .option("marks")
                    .why("the test compares the distance between two marks with a known one")
                    .fix("name the two marks as the field notes name them"),
            );
        }
        if let Some(earlier) = options.earlier.filter(|e| e.horizontal_m <= 0.0 || e.up_m <= 0.0) {
            problems.push(
                Problem::new("job/bad-value", format!("an earlier test cannot have found {} and {} m", earlier.horizontal_m, earlier.up_m))
                    .option("earlier")
                    .fix("give the standard deviations of its report, or leave `earlier` out"),
            );
        }
        let ellipsoid = match schema.frame.as_ref().map(|f| ellipsoid_of(&f.crs)) {
            Some(Ok(ellipsoid)) => Some(ellipsoid),
            Some(Err(problem)) => {
                problems.push(problem);
                None
            }
            None => {
                problems.push(
                    Problem::new("plan/frame-mismatch", "`receiver-test` needs positions and its input has none")
                        .fix("put this step after `average`"),
                );
                None
            }
        };
        let (Some(ellipsoid), true) = (ellipsoid, problems.is_empty()) else { return Err(problems) };
        let (sigma_horizontal_m, sigma_up_m) = options
            .with_distance
            .map_or((options.sigma_horizontal_m, options.sigma_up_m), |d| d.claim(options.sigma_horizontal_m, options.sigma_up_m));
        let claim =
            Claim { sigma_horizontal_m, sigma_up_m, distance_m: options.distance_m, height_difference_m: options.height_difference_m };
        let mut notes = vec![];
        if !DISTANCE_M.contains(&options.distance_m) {
            notes.push(
                Problem::from(
                    Diagnostic::new(
                        "control/test-distance",
                        Verdict::Warn,
                        format!(
                            "the marks are {} m apart; the procedure is made for {} to {} m",
                            options.distance_m,
                            DISTANCE_M.start(),
                            DISTANCE_M.end()
                        ),
                    )
                    .why("closer marks share their errors, and at longer distances the reference is hard to measure well enough")
                    .fix("choose marks within that distance"),
                )
                .option("distance_m"),
            );
        }
        let (plan, up) = claim.limits();
        let mut bound = Bound::new(Self { options, claim, ellipsoid }, schema.clone(), Grain::Whole)
            .decided("largest_distance_deviation_m", plan)
            .decided("largest_height_deviation_m", up);
        bound.notes = notes;
        Ok(bound)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("no input"))?;
        let shots = sets::shots(table, &self.options.marks, self.ellipsoid)?;
        #[allow(clippy::cast_possible_truncation)]
        let grouped = sets::group(&shots, (self.options.series_pause_min * 60e9) as i64);
        let gross = self.gross(&grouped, cx);
        self.spacing(&grouped, cx);
        let incomplete = self.incomplete(&grouped);
        let sets: Vec<Set> = grouped.sets.iter().map(|(s, _)| *s).collect();
        let found =
            if self.options.procedure == Procedure::Full && incomplete.is_none() && gross == 0 { experimental(&sets) } else { None };
        let earlier = self.options.earlier.map(|e| Earlier { horizontal_m: e.horizontal_m, up_m: e.up_m });
        let asked = found.as_ref().map_or_else(Vec::new, |f| questions(f, &self.claim, earlier));
        let passes = incomplete.is_none() && gross == 0 && asked.iter().all(|q| q.passes);
        self.report(cx, &grouped, found.as_ref(), &asked, passes)?;
        let finding = match incomplete {
            Some(finding) => finding,
            None => self.verdict(gross, found.as_ref(), &asked, passes),
        };
        let waived = if finding.verdict == Verdict::Hold { cx.waiver(&finding.code, "all") } else { None };
        let held = finding.verdict == Verdict::Hold && waived.is_none();
        cx.find(Diagnostic { waived, ..finding });
        let mut keep = vec![true; table.rows()];
        if held {
            shots.iter().for_each(|s| keep[s.row] = false);
        }
        cx.set_aside_others(table, &keep, "held", "the receiver test is incomplete or failed")?;
        table.filter(&keep)
    }
}

impl ReceiverTest {
    fn wanted(&self) -> usize {
        if self.options.procedure == Procedure::Full { SERIES } else { 1 }
    }

    fn place(&self) -> String {
        format!("marks `{}` and `{}`", self.options.marks[0], self.options.marks[1])
    }

    /// One finding for each set with a gross error; how many there are.
    fn gross(&self, grouped: &Grouped, cx: &Cx) -> usize {
        let (most_plan, most_up) = self.claim.limits();
        let mut count = 0;
        for (set, pair) in grouped.sets.iter().filter(|(s, _)| self.claim.gross(s)) {
            count += 1;
            let (plan, up) = self.claim.deviations(set);
            cx.find(
                Diagnostic::new(
                    "control/gross-set",
                    Verdict::Reshoot,
                    format!("series {}, set {}: the distance is off by {plan:+.3} m and the height difference by {up:+.3} m", set.series, set.number),
                )
                .place(format!("{}, {} to {}", self.place(), instant::iso(pair[0].time.min(pair[1].time)), instant::iso(pair[0].time.max(pair[1].time))))
                .size(format!("a good set stays within {most_plan:.3} m and {most_up:.3} m"))
                .why("2.5 standard deviations of a difference; beyond that a wrong fix, a pole off the mark or a wrong pole height is likely")
                .fix("repeat the series with a fresh fix on each mark; if it happens again, the receiver, the pole or the known distance is wrong"),
            );
        }
        count
    }

    /// Series that share their sky.
    fn spacing(&self, grouped: &Grouped, cx: &Cx) {
        let starts: Vec<i64> = grouped.sets.iter().filter(|(s, _)| s.number == 1).map(|(_, p)| p[0].time.min(p[1].time)).collect();
        if self.options.procedure == Procedure::Simplified {
            return;
        }
        for (k, pair) in starts.windows(2).enumerate() {
            #[allow(clippy::cast_precision_loss)]
            let minutes = (pair[1] - pair[0]) as f64 / 60e9;
            if minutes < BETWEEN_SERIES_MIN {
                cx.find(
                    Diagnostic::new(
                        "control/series-too-close",
                        Verdict::Warn,
                        format!(
                            "series {} began {minutes:.0} min after series {}; at least {BETWEEN_SERIES_MIN:.0} min are asked for",
                            k + 2,
                            k + 1
                        ),
                    )
                    .place(self.place())
                    .size("the standard deviations look smaller than they are")
                    .why("satellites, multipath and atmosphere hardly change in a shorter time")
                    .fix("measure the series further apart"),
                );
            }
        }
    }

    /// What is missing, if something is.
    fn incomplete(&self, grouped: &Grouped) -> Option<Diagnostic> {
        let series = grouped.sets.iter().map(|(s, _)| s.series).max().unwrap_or(0);
        let counts: Vec<usize> = (1..=series).map(|k| grouped.sets.iter().filter(|(s, _)| s.series == k).count()).collect();
        let wanted = self.wanted();
        if counts.len() == wanted && counts.iter().all(|c| *c == SETS) && grouped.alone.is_empty() {
            return None;
        }
        let alone = grouped.alone.iter().take(5).map(|s: &Shot| format!("`{}` at {}", self.options.marks[s.mark], instant::iso(s.time)));
        let have =
            if counts.is_empty() { "none".to_owned() } else { counts.iter().map(ToString::to_string).collect::<Vec<_>>().join(" + ") };
        let mut finding = Diagnostic::new(
            "control/test-incomplete",
            Verdict::Hold,
            format!("the test needs {wanted} series of {SETS} sets, and has {have}; {} measurements have no partner", grouped.alone.len()),
        )
        .place(self.place())
        .size("unknown: an incomplete test proves nothing")
        .why(format!(
            "a set is one measurement of each mark, one right after the other; a pause of more than {} min begins a new series (`series_pause_min`)",
            self.options.series_pause_min
        ))
        .fix("measure what is missing, or correct the point names in the notes; further measurements of the marks belong in another session");
        let alone: Vec<String> = alone.collect();
        if !alone.is_empty() {
            finding.place = format!("{}: {}", self.place(), alone.join(", "));
        }
        Some(finding)
    }

    fn verdict(&self, gross: usize, found: Option<&Experimental>, asked: &[Question], passes: bool) -> Diagnostic {
        let size = match found {
            Some(f) => format!(
                "standard deviations {:.4} m in plan and {:.4} m in height, claimed {} and {} m; {} degrees of freedom",
                f.horizontal_m, f.up_m, self.claim.sigma_horizontal_m, self.claim.sigma_up_m, f.freedom
            ),
            None => format!("{gross} of {} sets hold a gross error", self.wanted() * SETS),
        };
        let (code, verdict, what, fix) = if passes {
            (
                "control/test-passed",
                Verdict::Note,
                "the receiver test is passed".to_owned(),
                "nothing to do; keep the report with the equipment".to_owned(),
            )
        } else {
            let failed: Vec<String> = asked
                .iter()
                .filter(|q| !q.passes)
                .map(|q| format!("not so: {} ({:.4}, allowed {:.4} to {:.4})", q.asks, q.value, q.least, q.most))
                .collect();
            let what = if failed.is_empty() {
                "the receiver test is not passed: gross errors".to_owned()
            } else {
                format!("the receiver test is not passed; {}", failed.join("; "))
            };
            let fix = "repeat the test at an open site; if it fails again, have the equipment checked before it is used for work of this accuracy";
            ("control/test-failed", Verdict::Hold, what, fix.to_owned())
        };
        Diagnostic::new(code, verdict, what)
            .place(format!("{}, report `{}`", self.place(), self.options.report))
            .size(size)
            .why("after ISO 17123-8; questions are asked at 95 %")
            .fix(fix)
    }

    fn report(&self, cx: &Cx, grouped: &Grouped, found: Option<&Experimental>, asked: &[Question], passes: bool) -> Result<(), Problem> {
        const HEADER: [&str; 8] =
            ["series", "set", "time", "distance_m", "distance_deviation_m", "height_difference_m", "height_deviation_m", "gross_error"];
        let rows: Vec<Vec<String>> = grouped
            .sets
            .iter()
            .map(|(set, pair)| {
                let ((distance, height), (plan, up)) = (set.span(), self.claim.deviations(set));
                vec![
                    set.series.to_string(),
                    set.number.to_string(),
                    instant::iso(pair[0].time.min(pair[1].time)),
                    format!("{distance:.4}"),
                    format!("{plan:.4}"),
                    format!("{height:.4}"),
                    format!("{up:.4}"),
                    self.claim.gross(set).to_string(),
                ]
            })
            .collect();
        written::csv(cx, &self.options.report, "report", HEADER, &rows)?;
        let (plan, up) = self.claim.limits();
        let value = serde_json::json!({
            "procedure": self.options.procedure,
            "marks": self.options.marks,
            "claim": self.claim,
            "largest_distance_deviation_m": plan,
            "largest_height_deviation_m": up,
            "experimental": found,
            "questions": asked,
            "passed": passes,
            "after": "ISO 17123-8",
        });
        written::json(cx, &format!("{}.json", self.options.report.strip_suffix(".csv").unwrap_or(&self.options.report)), "report", &value)
    }
}
