//! # What it does
//! Tests the rig against check shots to a known mark.
//!
//! # When to use it
//! At the start of each day, in the day's own job: a branch from the gated epochs.
//!
//! # What it promises
//! A rig that misses the mark by more than its own uncertainty, or by more than the job's limit, stops the delivery.
//!
//! # References
//! Chi-square test with three degrees of freedom at 1 %.

use super::calibrate_rig::{KnownMark, output, setup};
use super::calibration::looks::times;
use super::calibration::table::{Cut, Looks, Reader, Seen};
use super::ledger::Aim;
use super::target::Covariance;
use super::tilt_correct::{AimOption, SensorsOption};
use crate::export::{path, written};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Column, Holds, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use survey_mathematics::covariance;
use survey_mathematics::distributions::chi_square;

#[cfg(test)]
mod tests;

const fn five_centimetres() -> f64 {
    0.05
}
const fn two_millimetres() -> f64 {
    0.002
}
const fn three() -> f64 {
    3.0
}
fn file() -> String {
    "daily-check.csv".to_owned()
}

/// Options of `daily-check`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// The known marks. Every shot whose point is one of them is a check shot; all other epochs are set aside here.
    pub marks: Vec<KnownMark>,
    /// What the shots were aimed with. Left out: `column` when the input has an `aim` column.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aim: Option<AimOption>,
    /// Where attitude and range come from.
    #[serde(default)]
    pub sensors: SensorsOption,
    /// A check shot further off than this fails whatever its uncertainty is, m.
    #[serde(default = "five_centimetres")]
    #[schemars(range(min = 0.001, max = 10.0))]
    pub limit_m: f64,
    /// How well a mark is hit, 1 sigma in each axis, m.
    #[serde(default = "two_millimetres")]
    #[schemars(range(min = 0.0001, max = 0.1))]
    pub aiming_sigma_m: f64,
    /// Epochs within this angle of the first of a look belong to it, deg.
    #[serde(default = "three")]
    #[schemars(range(min = 0.1, max = 30.0))]
    pub look_deg: f64,
    /// A range further than this from the median of its look is set aside as `range-off`, m.
    #[serde(default = "five_centimetres")]
    #[schemars(range(min = 0.001, max = 10.0))]
    pub range_off_m: f64,
    /// Name of the table of check shots below the results folder.
    #[serde(default = "file")]
    pub path: String,
}

/// The bound stage.
pub(crate) struct DailyCheck {
    options: Options,
    reader: Reader,
    base_sigma: [f64; 2],
    point: String,
    output: Arc<Schema>,
}

/// One check shot, judged.
struct Judged {
    /// East, north, up, m.
    off: [f64; 3],
    sigma: [f64; 3],
    /// Chi-square with three degrees of freedom.
    test: f64,
    distance: f64,
    passed: bool,
    /// Along the beam, to the right of it and up across it, m; tip: along and across the pole.
    body: [f64; 3],
}

impl Stage for DailyCheck {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "daily-check",
        version: 1,
        summary: "Tests the rig against check shots to a known mark, and stops the delivery when it misses",
        doc: "\
## What it does

Takes the shots whose point is one of `marks`, carries each look to its target with the rig as it is, and compares the target
with the mark. The difference is tested against everything that is uncertain (GNSS, base, attitude, range, boresight, lever arm, zero, aiming, mark)
and against the flat limit `limit_m`. It is told in east, north, up and in the body's own axes, since one axis points at one
cause: along the beam the range zero, across the beam the boresight or the heading.

## When to use it

At the start of each day, as a branch of the day's own job, so that a knocked rig stops that day's delivery. Take one shot
upright and one leaned, facing another way: a beam that is off shows in opposite directions.

## What it promises

- `rig/daily-check-failed` blocks the delivery when a shot fails the chi-square test at 1 % or the flat limit.
- `rig/daily-check-blunt` warns when the uncertainty is so large that a fault of the size of the limit would not be seen.
- All looks are written to a table (`path`).

## References

Measurement model (\"Calibration of a rig … and a daily check shot\"); chi-square test with three degrees of freedom.
",
        inputs: Inputs::One,
        delivers: true,
        examples: &[Example {
            title: "A nail beside the site office",
            options: "\
marks:
  - { point: NAIL, latitude_deg: 26.7, longitude_deg: -88.2, ellipsoidal_height_m: -21.4, sigma_horizontal_m: 0.005, sigma_up_m: 0.008 }
limit_m: 0.03
",
        }],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let (mut problems, mut notes) = (vec![], vec![]);
        let reader = Reader::bind(options.aim, options.sensors, cx, &mut problems, &mut notes);
        setup::check_marks(&options.marks, &mut problems);
        if options.marks.is_empty() {
            problems.push(
                Problem::new("job/bad-value", "no mark is named, so nothing can be checked")
                    .option("marks")
                    .fix("give at least one mark with its coordinates in the frame of the corrections"),
            );
        }
        problems.extend(path::check(&options.path, Some(".csv")).err());
        let point = cx.input()?.role(Role::Point).map(|c| c.name.clone()).unwrap_or_default();
        let (Some(reader), true) = (reader, problems.is_empty()) else { return Err(problems) };
        let corrections = cx.reference.map(|r| &r.corrections);
        let output = schema();
        let stage = Self {
            base_sigma: corrections.map_or([0.0; 2], |c| [c.base_sigma_horizontal_m, c.base_sigma_up_m]),
            output: Arc::new(output.clone()),
            point,
            reader,
            options,
        };
        let mut bound = Bound::new(stage, output, Grain::Whole);
        bound.notes = notes;
        Ok(bound)
    }

    fn resources(&self) -> Vec<Resource> {
        self.reader.antenna.iter().cloned().collect()
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let input = inputs.first().ok_or_else(|| Problem::broken("a stage with one input was run without it"))?;
        let points = input.texts(&self.point)?;
        let checked: Vec<bool> = points.iter().map(|p| self.options.marks.iter().any(|m| Some(m.point.as_str()) == *p)).collect();
        let others: Vec<bool> = checked.iter().map(|c| !c).collect();
        if others.contains(&true) {
            cx.set_aside(&input.filter(&others)?, "not-a-check-shot", "the point is none of the marks of this check")?;
        }
        let shots = input.filter(&checked)?;
        let o = &self.options;
        let cut = Cut { look_deg: o.look_deg, aiming_sigma_m: o.aiming_sigma_m, range_off_m: o.range_off_m };
        let looks = self.reader.looks(&shots, &cut)?;
        output::account(&looks, &shots, cx)?;
        let names: Vec<&str> = o.marks.iter().map(|m| m.point.as_str()).collect();
        if looks.seen.is_empty() {
            return Err(Problem::from(
                Diagnostic::new("rig/daily-check-missing", Verdict::Block, format!("no check shot at {}", names.join(", ")))
                    .place("option `marks`")
                    .size("not known: a knock since yesterday would be on every point, 0.022 m for 0.5 deg at 2.5 m")
                    .why("the job asks for a check of the rig, and no epoch with position, attitude and range is at a mark")
                    .fix("take a check shot, or remove the step `daily-check`"),
            ));
        }
        let judged: Vec<Judged> = looks.seen.iter().map(|s| self.judge(s, &looks)).collect();
        for (seen, j) in looks.seen.iter().zip(&judged) {
            cx.find(self.finding(seen, j));
            let worst = j.sigma.iter().copied().fold(0.0, f64::max);
            if j.passed && 3.4 * worst > o.limit_m {
                cx.find(blunt(seen, worst, o.limit_m));
            }
        }
        let table = self.table(&looks, &judged)?;
        written::csv(cx, &o.path, "path", HEADER, &rows(&looks, &judged))?;
        Ok(table)
    }
}

impl DailyCheck {
    fn judge(&self, seen: &Seen, looks: &Looks) -> Judged {
        let look = &seen.look;
        let target = self.reader.mark_by_rig(look);
        let mark = self.options.marks.iter().find(|m| m.point == seen.point);
        let (place, sigma) = mark.map_or(([0.0; 3], [0.0; 2]), |m| {
            let place = looks.frame.enu(m.latitude_deg, m.longitude_deg, m.ellipsoidal_height_m);
            (place, [m.sigma_horizontal_m.hypot(self.base_sigma[0]), m.sigma_up_m.hypot(self.base_sigma[1])])
        });
        let off = [0, 1, 2].map(|k| target[k] - place[k]);
        let Covariance { ee, en, eu, nn, nu, uu } = self.reader.systematic(seen);
        let systematic = covariance::symmetric(ee, en, eu, nn, nu, uu);
        let mut all = covariance::add(&covariance::add(&look.noise, &look.gnss), &systematic);
        for (k, s) in [sigma[0], sigma[0], sigma[1]].into_iter().enumerate() {
            all[k][k] += s * s;
        }
        let inverse = covariance::inverse(&all);
        let test: f64 = (0..3).map(|i| (0..3).map(|j| off[i] * inverse[i][j] * off[j]).sum::<f64>()).sum();
        let distance = (off[0].powi(2) + off[1].powi(2) + off[2].powi(2)).sqrt();
        let axes = setup::chain(&self.reader).beam_axes();
        let axes = if look.aim == Aim::Laser { axes } else { [[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]] };
        let body = axes.map(|a| times(&look.turn, a)).map(|w| (0..3).map(|k| w[k] * off[k]).sum());
        Judged {
            off,
            sigma: [0, 1, 2].map(|k| all[k][k].sqrt()),
            passed: test <= chi_square(0.99, 3.0) && distance <= self.options.limit_m,
            test,
            distance,
            body,
        }
    }

    fn finding(&self, seen: &Seen, j: &Judged) -> Diagnostic {
        let laser = seen.look.aim == Aim::Laser;
        let [along, side, up] = j.body;
        let range = seen.pose[3];
        let body = if laser {
            format!(
                "{along:+.3} m along the beam, {side:+.3} m sideways ({:+.2} deg), {up:+.3} m up across it ({:+.2} deg)",
                side.atan2(range).to_degrees(),
                up.atan2(range).to_degrees()
            )
        } else {
            format!("{along:+.3} m along the pole, {side:+.3} m to its right, {up:+.3} m to its front")
        };
        let cause = if !laser {
            "along the pole: its length, the antenna or the height of the mark; across: bubble, bend or mount"
        } else if along.abs() > side.hypot(up) {
            "mostly along the beam: range zero, a dirty window or a wrong lever arm"
        } else if side.abs() > up.abs() {
            "mostly sideways: the heading (bias since initialisation, north) or a turned beam; a second shot facing another way tells them apart"
        } else {
            "mostly up across the beam: the pitch of the sensor or the elevation of the beam"
        };
        let (code, verdict, word) =
            if j.passed { ("rig/daily-check", Verdict::Note, "hits") } else { ("rig/daily-check-failed", Verdict::Block, "misses") };
        let d = Diagnostic::new(
            code,
            verdict,
            format!(
                "the check shot {word} the mark `{}`: {:.3} m off (chi-square {:.1}, limit {:.1}; flat limit {:.3} m)",
                seen.point,
                j.distance,
                j.test,
                chi_square(0.99, 3.0),
                self.options.limit_m
            ),
        )
        .place(format!("look {}, {} epochs", seen.look.name, seen.look.epochs))
        .size(format!("{:+.3} m east, {:+.3} m north, {:+.3} m up; {body}", j.off[0], j.off[1], j.off[2]));
        if j.passed {
            d.why(format!("sigmas {:.3} m, {:.3} m, {:.3} m", j.sigma[0], j.sigma[1], j.sigma[2])).fix("none needed")
        } else {
            d.why(cause).fix("shoot again to exclude a slip; then calibrate the rig (`calibrate-rig`) before it measures anything")
        }
    }

    fn table(&self, looks: &Looks, judged: &[Judged]) -> Result<Table, Problem> {
        let mut b = TableBuilder::new(self.output.clone(), judged.len());
        b.texts("point", looks.seen.iter().map(|s| Some(s.point.as_str())));
        b.instants("time", looks.seen.iter().map(|s| s.start).collect());
        for (k, axis) in ["east", "north", "up"].iter().enumerate() {
            b.floats(&format!("off_{axis}_m"), judged.iter().map(|j| j.off[k]).collect());
            b.floats(&format!("sigma_{axis}_m"), judged.iter().map(|j| j.sigma[k]).collect());
        }
        b.floats("test", judged.iter().map(|j| j.test).collect());
        b.bools("passed", &judged.iter().map(|j| j.passed).collect::<Vec<_>>());
        b.finish()
    }
}

fn blunt(seen: &Seen, sigma: f64, limit: f64) -> Diagnostic {
    Diagnostic::new(
        "rig/daily-check-blunt",
        Verdict::Warn,
        format!("the check shot at `{}` could not see a fault of {limit:.3} m", seen.point),
    )
    .place(format!("look {}", seen.look.name))
    .size(format!("1 sigma of the difference is {sigma:.3} m; the test sees about {:.3} m", 3.4 * sigma))
    .why("GNSS noise of a short shot, or the coordinates of the mark, are too uncertain for this limit")
    .fix("stay longer at the mark, give it better coordinates, or raise `limit_m`")
}

fn schema() -> Schema {
    let metre = |name: &str| Column::always(name, Holds::Float, Unit::Metre, Role::Other);
    let mut columns =
        vec![Column::always("point", Holds::Text, Unit::None, Role::Point), Column::always("time", Holds::Instant, Unit::None, Role::Time)];
    for axis in ["east", "north", "up"] {
        columns.push(metre(&format!("off_{axis}_m")));
        columns.push(metre(&format!("sigma_{axis}_m")));
    }
    columns.push(Column::always("test", Holds::Float, Unit::None, Role::Other));
    columns.push(Column::always("passed", Holds::Bool, Unit::None, Role::Other));
    Schema { columns, frame: None }
}

const HEADER: [&str; 10] =
    ["point", "time", "off_east_m", "off_north_m", "off_up_m", "sigma_east_m", "sigma_north_m", "sigma_up_m", "chi_square", "passed"];

fn rows(looks: &Looks, judged: &[Judged]) -> Vec<Vec<String>> {
    let one = |(s, j): (&Seen, &Judged)| {
        let mut row = vec![s.point.clone(), raw_logs::time_columns::instant_text(s.start)];
        row.extend(j.off.iter().chain(&j.sigma).map(|v| format!("{v:.4}")));
        row.extend([format!("{:.2}", j.test), j.passed.to_string()]);
        row
    };
    looks.seen.iter().zip(judged).map(one).collect()
}
