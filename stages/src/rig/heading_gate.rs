//! # What it does
//! Refuses epochs whose heading is too old or too uncertain for the lean that they have.
//!
//! # When to use it
//! After `tilt-correct`, with a heading that ages (`heading-age`).
//!
//! # What it promises
//! Epochs are kept or set aside, never changed; a point that loses epochs is named with the size of the error.
//!
//! # References
//! Across the lean: horizontal arm times the sine of the heading's sigma.

use crate::rows::run_labels;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Holds, Role};
use pipeline_base::table::{Table, by_role};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Options of `heading-gate`.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Largest error across the lean that passes, 1 sigma: horizontal arm times the sine of the heading's sigma, m. Left out: the
    /// horizontal budget of the reference, divided by 2.45 (95 % of a circle to 1 sigma).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.001, max = 10.0))]
    pub max_across_m: Option<f64>,
    /// Largest sigma of the heading that passes, whatever the arm is, deg.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.01, max = 180.0))]
    pub max_heading_sigma_deg: Option<f64>,
    /// Longest time since the last motion that passes, whatever the arm is, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 86400.0))]
    pub max_heading_age_s: Option<f64>,
}

/// sqrt(-2 ln 0.05): radius of the 95 % circle in sigmas of one axis.
const CIRCLE_95: f64 = 2.447_746_830_680_816;

/// The bound stage.
pub(crate) struct HeadingGate {
    max_across_m: f64,
    options: Options,
    sigma: String,
    age: Option<String>,
    point: Option<String>,
    occupation: Option<String>,
    time: String,
}

const ACROSS: &str = "uncertain-heading";
const SIGMA: &str = "large-heading-sigma";
const AGE: &str = "old-heading";

impl Stage for HeadingGate {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "heading-gate",
        version: 1,
        summary: "Refuses epochs whose heading is too old or too uncertain for the lean that they have",
        doc: "\
## What it does

The heading of a leaned pole turns the horizontal arm: its error moves the target across the lean by arm times the sine of the
error. An epoch is refused as `uncertain-heading` when that, at one sigma of the heading, is above `max_across_m`, as
`large-heading-sigma` above `max_heading_sigma_deg`, and as `old-heading` above `max_heading_age_s`. An upright pole has no
arm and needs no heading. A point that loses epochs is told with the sigma, the age, the arm and the size, and must be shot
again when nothing is left of it.

## When to use it

After `tilt-correct` (which gives the arm), with a heading whose sigma is in the table (`heading-age`, or a column of the
sensor). Limits on tilt and turn rate are in `quality-gate`.

## What it promises

Epochs are kept or set aside, never changed.

## References

What goes wrong, P07 (cold heading). 4.8 deg at 35 deg of tilt and 2 m are 0.096 m.
",
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "By the budget of the reference", options: "{}\n" },
            Example {
                title: "A limit of its own, and no heading older than five minutes",
                options: "max_across_m: 0.02\nmax_heading_age_s: 300\n",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let input = cx.input()?;
        let mut problems = vec![];
        let sigma = by_role(input, Role::HeadingSigma)
            .map(|c| c.name.clone())
            .map_err(|p| problems.push(p.fix("put `heading-age` before `occupations`")))
            .unwrap_or_default();
        let age = input.role(Role::HeadingAge).map(|c| c.name.clone());
        if options.max_heading_age_s.is_some() && age.is_none() {
            problems.push(
                Problem::new("plan/missing-role", "`max_heading_age_s` needs the age of the heading, and no column holds it")
                    .option("max_heading_age_s")
                    .fix("put `heading-age` before `occupations`"),
            );
        }
        if input.named("arm_m").is_none_or(|c| c.holds != Holds::Float) {
            problems.push(
                Problem::new("plan/missing-role", "`heading-gate` needs the horizontal arm, and no column holds it")
                    .fix("put it after `tilt-correct`"),
            );
        }
        let budget = cx.reference.map(|r| r.budget.horizontal_95_m / CIRCLE_95);
        let max_across_m = options.max_across_m.or(budget);
        if max_across_m.is_none() {
            problems.push(
                Problem::new("job/missing-value", "no limit is given: neither `max_across_m` nor a budget of the reference")
                    .option("max_across_m")
                    .fix("give `max_across_m`, or name a reference in the job"),
            );
        }
        let time = by_role(input, Role::Time).map(|c| c.name.clone()).map_err(|p| problems.push(p)).unwrap_or_default();
        let (Some(max_across_m), true) = (max_across_m, problems.is_empty()) else { return Err(problems) };
        let name = |role: Role| input.role(role).map(|c| c.name.clone());
        let stage = Self { max_across_m, options, sigma, age, point: name(Role::Point), occupation: name(Role::Occupation), time };
        Ok(Bound::new(stage, input.clone(), Grain::Session).decided("max_across_m", max_across_m))
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let input = inputs.first().ok_or_else(|| Problem::broken("a stage with one input was run without it"))?;
        let (sigma, arm) = (input.floats(&self.sigma)?, input.floats("arm_m")?);
        let age = self.age.as_ref().map(|a| input.floats(a)).transpose()?;
        let reason = |row: usize| -> Option<&'static str> {
            let over = |limit: Option<f64>, v: Option<f64>| limit.zip(v).is_some_and(|(limit, v)| v.is_nan() || v > limit);
            // Without an arm the heading does not matter.
            if arm[row].is_nan() || arm[row] <= 0.0 {
                return None;
            }
            if across(arm[row], sigma[row]).is_nan() || across(arm[row], sigma[row]) > self.max_across_m {
                Some(ACROSS)
            } else if over(self.options.max_heading_sigma_deg, Some(sigma[row])) {
                Some(SIGMA)
            } else if over(self.options.max_heading_age_s, age.as_ref().map(|a| a[row])) {
                Some(AGE)
            } else {
                None
            }
        };
        let reasons: Vec<Option<&'static str>> = (0..input.rows()).map(reason).collect();
        for (code, detail) in [
            (ACROSS, "arm times the sine of the heading's sigma is above `max_across_m`"),
            (SIGMA, "the sigma of the heading is above `max_heading_sigma_deg`"),
            (AGE, "the time since the last motion is above `max_heading_age_s`"),
        ] {
            #[allow(clippy::cast_possible_truncation)]
            let rows: Vec<u32> = (0..input.rows()).filter(|r| reasons[*r] == Some(code)).map(|r| r as u32).collect();
            if !rows.is_empty() {
                cx.set_aside_rows(input, &rows, code, detail)?;
            }
        }
        self.say(input, &reasons, &sigma, &arm, age.as_deref(), cx)?;
        input.filter(&reasons.iter().map(Option::is_none).collect::<Vec<_>>())
    }
}

/// Error across the lean at one sigma of the heading, m.
fn across(arm_m: f64, sigma_deg: f64) -> f64 {
    arm_m * sigma_deg.min(90.0).to_radians().sin()
}

impl HeadingGate {
    fn say(
        &self,
        input: &Table,
        reasons: &[Option<&'static str>],
        sigma: &[f64],
        arm: &[f64],
        age: Option<&[f64]>,
        cx: &Cx,
    ) -> Result<(), Problem> {
        let (Some(point), Some(occupation)) = (&self.point, &self.occupation) else { return Ok(()) };
        let (points, occupations) = (input.texts(point)?, input.texts(occupation)?);
        let mut groups: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (row, name) in occupations.iter().enumerate() {
            groups.entry(name.unwrap_or_default()).or_default().push(row);
        }
        let tilt = input.schema.named("tilt_deg").map(|c| input.floats(&c.name)).transpose()?;
        let times = input.instants(&self.time)?;
        for rows in groups.values() {
            let lost: Vec<usize> = rows.iter().copied().filter(|r| reasons[*r].is_some()).collect();
            let Some(worst) = lost.iter().copied().max_by(|a, b| across(arm[*a], sigma[*a]).total_cmp(&across(arm[*b], sigma[*b]))) else {
                continue;
            };
            let name = points[worst].unwrap_or_default();
            let all = lost.len() == rows.len();
            let since =
                age.map_or(String::new(), |a| format!(", last motion {:.0} min {:02.0} s ago", (a[worst] / 60.0).floor(), a[worst] % 60.0));
            let leaned = tilt.as_ref().map(|t| t[worst]).filter(|t| t.is_finite());
            let (lean, upright) = leaned.map_or((String::new(), String::new()), |t| {
                // The tilt at which this heading would still do, on the same arm.
                let whole = arm[worst] / t.to_radians().sin().max(1e-6);
                let most = (self.max_across_m / across(1.0, sigma[worst]) / whole).clamp(0.0, 1.0).asin().to_degrees().floor();
                (format!(" at {t:.0} deg of tilt"), format!(", or hold the pole within {most:.0} deg of vertical"))
            });
            let mut d = Diagnostic::new(
                "rig/heading-too-old",
                if all { Verdict::Reshoot } else { Verdict::Warn },
                format!(
                    "the heading is too uncertain for this lean: sigma {:.1} deg{since}; horizontal arm {:.3} m{lean}; {} of {} epochs set aside",
                    sigma[worst],
                    arm[worst],
                    lost.len(),
                    rows.len()
                ),
            )
            .point(name)
            .place(format!("point `{name}`, from {}", raw_logs::time_columns::instant_text(times[worst].unwrap_or_default())))
            .size(format!("{:.3} m (1 sigma) across the lean; the limit is {:.3} m", across(arm[worst], sigma[worst]), self.max_across_m))
            .why("an inertial heading drifts while the antenna stands still")
            .fix(format!("walk 5 m and shoot `{name}` again{upright}"));
            d.labels = run_labels(input, &lost, "set aside");
            cx.find(d);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::testing::{Row, bind_with, schema, table};
    use pipeline_base::table::TableBuilder;
    use pipeline_base::table::schema::{Column, PhysicalPoint, Schema, Unit};
    use pipeline_core::stage::cx::Collect;
    use std::path::Path;
    use std::sync::Arc;

    fn input() -> Schema {
        let mut s = schema(PhysicalPoint::Target, false);
        let f = |name: &str, unit, role| Column::always(name, Holds::Float, unit, role);
        s.columns.push(f("arm_m", Unit::Metre, Role::Other));
        s.columns.push(f("tilt_deg", Unit::Degree, Role::Other));
        s.columns.push(f("heading_age_s", Unit::Second, Role::HeadingAge));
        s.columns.push(f("heading_sigma_deg", Unit::Degree, Role::HeadingSigma));
        s.columns.push(Column::always("point", Holds::Text, Unit::None, Role::Point));
        s.columns.push(Column::always("occupation", Holds::Text, Unit::None, Role::Occupation));
        s
    }

    /// Arm, tilt, age, sigma and point of each epoch.
    fn run(options: &str, rows: &[(f64, f64, f64, f64, &str)]) -> (usize, Vec<(String, usize)>, Vec<Diagnostic>) {
        let schema_in = input();
        let options: Options = serde_json::from_str(options).unwrap();
        let bound = bind_with(std::slice::from_ref(&schema_in), None, Path::new("."), |cx| HeadingGate::bind(options, cx))
            .unwrap_or_else(|p| panic!("{p:?}"));
        let plain = table(&schema(PhysicalPoint::Target, false), &vec![Row::default(); rows.len()]);
        let mut b = TableBuilder::from_table(Arc::new(schema_in), &plain);
        b.floats("arm_m", rows.iter().map(|r| r.0).collect());
        b.floats("tilt_deg", rows.iter().map(|r| r.1).collect());
        b.floats("heading_age_s", rows.iter().map(|r| r.2).collect());
        b.floats("heading_sigma_deg", rows.iter().map(|r| r.3).collect());
        b.texts("point", rows.iter().map(|r| Some(r.4)));
        b.texts("occupation", rows.iter().map(|r| Some(r.4)));
        let world = Collect::new(Path::new("."));
        let out = bound.stage.run(&[b.finish().unwrap()], &Cx::new(&world, "t", None)).unwrap();
        let said = world.said();
        (out.rows(), said.set_aside.iter().map(|s| (s.1.clone(), s.3.rows())).collect(), said.findings.clone())
    }

    #[test]
    fn cold_heading_at_a_lean() {
        // T17 of traps.md: 35 deg, 2.000 m, 4.8 deg, 14 min: arm 1.147 m, 0.096 m across the lean, budget 0.025 m, and the pole
        // would have to be within 8 deg of vertical.
        let shot = (2.0 * 35_f64.to_radians().sin(), 35.0, 840.0, 4.8, "T-22");
        let (kept, aside, said) =
            run(r#"{"max_across_m": 0.025}"#, &[shot, shot, (0.1, 3.0, 840.0, 4.8, "T-23"), (1.2, 35.0, 5.0, 0.4, "T-24")]);
        assert_eq!((kept, aside), (2, vec![("uncertain-heading".to_owned(), 2)]));
        let f = &said[0];
        assert_eq!(
            (said.len(), f.code.as_str(), f.verdict, f.point.as_deref()),
            (1, "rig/heading-too-old", Verdict::Reshoot, Some("T-22"))
        );
        assert!(f.size.starts_with("0.096 m") && f.what.contains("4.8 deg, last motion 14 min") && f.what.contains("1.147 m"), "{f:?}");
        assert!(f.fix.contains("within 8 deg of vertical"), "{}", f.fix);
    }

    #[test]
    fn limits_of_their_own() {
        let (kept, aside, said) = run(
            r#"{"max_across_m": 1.0, "max_heading_sigma_deg": 2.0, "max_heading_age_s": 300}"#,
            &[(0.5, 14.0, 10.0, 3.0, "A"), (0.5, 14.0, 400.0, 1.0, "B"), (0.0, 0.0, 9000.0, 30.0, "C"), (0.5, 14.0, 10.0, 1.0, "A")],
        );
        assert_eq!(kept, 2);
        assert_eq!(aside, [("large-heading-sigma".to_owned(), 1), ("old-heading".to_owned(), 1)]);
        // Point A has an epoch left, B has none.
        assert_eq!(said.iter().map(|f| f.verdict).collect::<Vec<_>>(), [Verdict::Warn, Verdict::Reshoot]);
        let plain = schema(PhysicalPoint::Target, false);
        let problems = bind_with(&[plain], None, Path::new("."), |cx| HeadingGate::bind(Options::default(), cx)).err().unwrap();
        assert_eq!(problems.len(), 3);
    }
}
