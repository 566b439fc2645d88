//! # What it does
//! Says for every epoch how long ago the antenna last moved, and how uncertain the heading has become since.
//!
//! # When to use it
//! With an inertial heading, before `occupations`; `heading-gate` then judges the shots.
//!
//! # What it promises
//! Two columns are added; nothing else changes.
//!
//! # References
//! Measurement model (heading bias since initialisation).

use pipeline_core::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use survey_mathematics::angle::turn;

const fn walking() -> f64 {
    0.4
}
const fn two() -> f64 {
    2.0
}
const fn three() -> f64 {
    3.0
}

/// Options of `heading-age`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// The antenna moves when it is faster than this, m/s. *Common practice* for a walk.
    #[serde(default = "walking")]
    #[schemars(range(min = 0.01, max = 50.0))]
    pub moving_above_m_s: f64,
    /// Over how long the speed is taken from the positions, s: shorter, and noise looks like a walk.
    #[serde(default = "two")]
    #[schemars(range(min = 0.1, max = 60.0))]
    pub speed_over_s: f64,
    /// How far it must have come in one go for the heading to be fresh again, m; more than a pole moves its antenna by
    /// leaning.
    #[serde(default = "three")]
    #[schemars(range(min = 0.0, max = 100.0))]
    pub fresh_after_m: f64,
}

/// The bound stage.
pub(crate) struct HeadingAge {
    options: Options,
    schema: Arc<Schema>,
    /// Time, latitude, longitude.
    names: [String; 3],
    /// Sigma after motion, deg, and its growth, deg/min.
    sigma_deg: f64,
    drift_deg_per_min: f64,
}

/// Metres in a degree of latitude on a sphere; exact enough for a walk.
const DEGREE_M: f64 = 111_195.0;

impl Stage for HeadingAge {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "heading-age",
        version: 1,
        summary: "Says how long ago the antenna last moved and how uncertain an inertial heading has become since",
        doc: "\
## What it does

An inertial heading is only known while the antenna moves; standing still, it drifts. Adds `heading_age_s`, the time since the
antenna last came `fresh_after_m` in one go at more than `moving_above_m_s` (from the positions, over `speed_over_s`), and
`heading_sigma_deg`, the sigma of the heading's bias by then: the rig's `attitude.heading_bias_sigma_deg` right after motion,
plus `attitude.heading_drift_deg_per_min` times the age. Before the first motion of a log the age counts from its
start.

`tilt-correct` uses that sigma in place of the constant one, and `heading-gate` judges the shots by it.

## When to use it

With a heading from an inertial sensor, right after the log is read and gated, and before `occupations`: the walks between
the points are what it looks at. Not with two antennas, whose heading does not age.

## What it promises

Every epoch goes through. The result depends on the epochs of the session alone.

## References

Measurement model: heading bias since initialisation is systematic. The drift is a property of the sensor: from its data
sheet, or from `daily-check` shots after a long stand.
",
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "With the defaults", options: "{}\n" },
            Example { title: "A sensor that needs five metres", options: "fresh_after_m: 5\n" },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let input = cx.input()?;
        let mut problems = vec![];
        let mut need = |role| by_role(input, role).map(|c| c.name.clone()).map_err(|p| problems.push(p)).unwrap_or_default();
        let names = [need(Role::Time), need(Role::Latitude), need(Role::Longitude)];
        let rig = cx.need_rig().map_err(|p| problems.push(p)).ok();
        let attitude = rig.and_then(|r| r.attitude.as_ref());
        let drift = attitude.and_then(|a| a.heading_drift_deg_per_min);
        if rig.is_some() && drift.is_none() {
            problems.push(
                Problem::new("rig/no-heading-drift", "the rig does not say how its heading drifts while it stands still")
                    .rig_key("attitude")
                    .size("0.3 deg/min for 14 min is 4 deg: 0.08 m on an arm of 1.15 m")
                    .why("without it the age of a heading says nothing about its uncertainty")
                    .fix("give `attitude.heading_drift_deg_per_min`; leave the step out when the heading does not age (two antennas)"),
            );
        }
        for (role, name) in [(Role::HeadingAge, "heading_age_s"), (Role::HeadingSigma, "heading_sigma_deg")] {
            if input.role(role).is_some() || input.named(name).is_some() {
                problems.push(
                    Problem::new("plan/column-exists", format!("the table has `{name}` already"))
                        .fix("keep one `heading-age` in each branch"),
                );
            }
        }
        let (Some(attitude), Some(drift_deg_per_min), true) = (attitude, drift, problems.is_empty()) else { return Err(problems) };
        let mut output = input.clone();
        output.columns.push(Column::always("heading_age_s", Holds::Float, Unit::Second, Role::HeadingAge));
        output.columns.push(Column::always("heading_sigma_deg", Holds::Float, Unit::Degree, Role::HeadingSigma));
        let stage =
            Self { options, schema: Arc::new(output.clone()), names, sigma_deg: attitude.heading_bias_sigma_deg, drift_deg_per_min };
        Ok(Bound::new(stage, output, Grain::Session).decided("drift_deg_per_min", drift_deg_per_min))
    }

    fn run(&self, inputs: &[Table], _: &Cx) -> Result<Table, Problem> {
        let input = inputs.first().ok_or_else(|| Problem::broken("a stage with one input was run without it"))?;
        let times: Vec<i64> = input.instants(&self.names[0])?.into_iter().flatten().collect();
        if times.len() != input.rows() {
            return Err(Problem::broken("an epoch without a time"));
        }
        let ages = ages(&times, &input.floats(&self.names[1])?, &input.floats(&self.names[2])?, &self.options);
        let sigmas = ages.iter().map(|a| self.sigma_deg + self.drift_deg_per_min * a / 60.0).collect();
        let mut builder = TableBuilder::from_table(self.schema.clone(), input);
        builder.floats("heading_age_s", ages);
        builder.floats("heading_sigma_deg", sigmas);
        builder.finish()
    }
}

/// Time since the last motion for every epoch, s. Epochs in order of time.
pub(crate) fn ages(times: &[i64], latitude: &[f64], longitude: &[f64], o: &Options) -> Vec<f64> {
    #[allow(clippy::cast_precision_loss)]
    let seconds = |from: i64, to: i64| to.saturating_sub(from) as f64 / 1e9;
    let step = |a: usize, b: usize| {
        let east = turn(longitude[a], longitude[b]) * latitude[a].to_radians().cos();
        DEGREE_M * east.hypot(latitude[b] - latitude[a])
    };
    let Some(&first) = times.first() else { return vec![] };
    let (mut out, mut fresh, mut back, mut come) = (Vec::with_capacity(times.len()), first, None::<usize>, 0.0);
    for i in 0..times.len() {
        if latitude[i].is_finite() && longitude[i].is_finite() {
            match back {
                Some(b) if seconds(times[b], times[i]) >= o.speed_over_s => {
                    let (span, way) = (seconds(times[b], times[i]), step(b, i));
                    // Over a gap nothing is known of the way between.
                    if span <= 5.0 * o.speed_over_s && way / span > o.moving_above_m_s {
                        come += way;
                        if come >= o.fresh_after_m {
                            fresh = times[i];
                        }
                    } else {
                        come = 0.0;
                    }
                    back = Some(i);
                }
                None => back = Some(i),
                Some(_) => {}
            }
        }
        out.push(seconds(fresh, times[i]).max(0.0));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn options() -> Options {
        serde_json::from_value(serde_json::json!({})).unwrap()
    }

    #[test]
    fn age_counts_from_the_last_walk() {
        // Still for 60 s, a walk of 20 s at 1.2 m/s, still for 14 min; 1 Hz with 5 mm of noise.
        let times: Vec<i64> = (0..920).map(|i| i * 1_000_000_000).collect();
        let way = |i: i64| 1.2 * f64::from(i32::try_from(i.clamp(60, 80) - 60).unwrap());
        let lat: Vec<f64> =
            (0..920).map(|i| 42.0 + (way(i) + 0.005 * f64::from(i32::try_from(i * 7919 % 3 - 1).unwrap())) / DEGREE_M).collect();
        let lon = vec![-84.0; 920];
        let a = ages(&times, &lat, &lon, &options());
        assert!((a[50] - 50.0).abs() < 1e-9, "before any motion it counts from the start");
        assert!(a[75] < 2.5 && a[80] < 2.5);
        assert!((a[919] - 839.0).abs() < 2.5, "{}", a[919]);
        // A pole that is swung or leaned at once is not fresh: its antenna never comes three metres in one go.
        let swung: Vec<f64> =
            (0..920).map(|i| 42.0 + (0.3 * (f64::from(i) * 0.4).sin() + if i > 900 { 1.2 } else { 0.0 }) / DEGREE_M).collect();
        assert!(ages(&times, &swung, &lon, &options())[919] > 900.0);
        assert!(ages(&[], &[], &[], &options()).is_empty());
    }

    proptest::proptest! {
        #[test]
        fn never_negative(steps in proptest::collection::vec((0_i64..5_000_000_000, -1e-4..1e-4_f64), 0..80)) {
            let mut t = 0;
            let times: Vec<i64> = steps.iter().map(|(d, _)| { t += d; t }).collect();
            let lat: Vec<f64> = steps.iter().map(|(_, x)| if *x > 9e-5 { f64::NAN } else { 42.0 + x }).collect();
            let out = ages(&times, &lat, &vec![10.0; times.len()], &options());
            proptest::prop_assert_eq!(out.len(), times.len());
            proptest::prop_assert!(out.iter().all(|a| a.is_finite() && *a >= 0.0));
        }
    }
}
