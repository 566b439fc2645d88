//! The stage `average`; see [`Average::SPEC`] for its reference page.

use super::columns::Columns;
use super::estimate::Rules;
use super::output;
use super::schema::{self};
use super::shot::{Fate, Shot};
use crate::occupation::averaging::{Average, Options};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Spec, Stage};
use std::collections::BTreeMap;
use std::sync::Arc;

/// 115 s: mean correlation time of L1 residuals on short baselines, Miller, O'Keefe and Gao 2012.
pub(crate) const TAU_GNSS_S: f64 = 115.0;

impl Stage for Average {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "average",
        version: 2,
        summary: "Forms one point from the epochs of each occupation, with an honest uncertainty",
        doc: DOC,
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "With the defaults", options: "{}\n" },
            Example { title: "Three minutes or nothing", options: "min_epochs: 60\nmin_span_s: 170\n" },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let input = cx.input()?;
        let mut problems = vec![];
        check_options(&options, &mut problems);
        let names = schema::names(input, &mut problems);
        if !problems.is_empty() {
            return Err(problems);
        }
        let output = schema::output(input, &names);
        let attitude = cx.rig.and_then(|r| r.attitude.as_ref());
        let rules = Rules {
            tau_gnss_s: cx.rig.map_or(TAU_GNSS_S, |r| r.gnss.correlation_time_s),
            tau_rest_s: attitude.and_then(|a| a.correlation_time_s),
            outlier_cut: options.outlier_cut,
        };
        let corrections = cx.reference.map(|r| &r.corrections);
        let stage = Self {
            range_sigma_m: cx.rig.and_then(|r| r.laser).map_or(0.0, |l| l.range_sigma_m),
            base_sigma: corrections.map_or([0.0; 2], |c| [c.base_sigma_horizontal_m, c.base_sigma_up_m]),
            budget: cx.reference.map(|r| r.budget),
            output: Arc::new(output.clone()),
            names,
            rules,
            options,
        };
        let uses = if stage.names.covariances {
            "random and systematic covariances of the target"
        } else {
            "sigmas of the receiver; no systematic part but the base"
        };
        let rest = rules.tau_rest_s.map_or_else(|| serde_json::json!("estimated from each occupation"), |t| serde_json::json!(t));
        let mut bound = Bound::new(stage, output, Grain::Session)
            .decided("gnss_correlation_time_s", rules.tau_gnss_s)
            .decided("attitude_correlation_time_s", rest)
            .decided("uncertainty_from", uses);
        if corrections.is_some_and(|c| c.base_sigma_horizontal_m == 0.0 && c.base_sigma_up_m == 0.0) {
            bound.notes.push(
                Problem::from(pipeline_base::diag::Diagnostic::new(
                    "average/base-exact",
                    pipeline_base::diag::Verdict::Note,
                    "the coordinates of the base are taken as free of error",
                ))
                .reference_key("corrections.base_sigma_horizontal_m")
                .fix("give `corrections.base_sigma_horizontal_m` and `corrections.base_sigma_up_m` from the data sheet of the base or the service"),
            );
        }
        Ok(bound)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let Some(table) = inputs.first() else { return Err(Problem::broken("`average` was run without a table")) };
        let columns = Columns::read(table, &self.names)?;
        let mut aside: BTreeMap<&'static str, Vec<u32>> = BTreeMap::new();
        let mut points = vec![];
        let mut used = 0;
        let mut facts = vec![];
        for members in occupations(table, &columns) {
            let shot = Shot::new(self, &columns, members);
            let outcome = shot.judge(cx);
            for (row, reason) in outcome.aside {
                aside.entry(reason).or_default().push(row);
            }
            match outcome.fate {
                Fate::Point { point, used: n, fact } => {
                    used += n;
                    facts.push(fact);
                    points.push(*point);
                }
                Fate::Lost => {}
            }
        }
        for (reason, mut rows) in aside {
            rows.sort_unstable();
            cx.set_aside_rows(table, &rows, reason, detail(reason))?;
        }
        cx.used(used);
        cx.fact("points", points.len().into());
        cx.fact("means", serde_json::Value::Array(facts));
        output::table(&points, self.output.clone())
    }
}

/// Rows of each occupation in the order of time and epoch number; occupations in the order of their
/// first time. The order of rows in the table does not matter to what follows.
fn occupations(table: &Table, columns: &Columns) -> Vec<Vec<u32>> {
    let mut by_name: BTreeMap<&str, Vec<u32>> = BTreeMap::new();
    #[allow(clippy::cast_possible_truncation)]
    for row in 0..table.rows() as u32 {
        by_name.entry(columns.occupation[row as usize].unwrap_or_default()).or_default().push(row);
    }
    let mut groups: Vec<(i64, &str, Vec<u32>)> = by_name
        .into_iter()
        .map(|(name, mut rows)| {
            rows.sort_by(|a, b| columns.order(*a as usize, *b as usize));
            (rows.first().map_or(i64::MIN, |r| columns.time[*r as usize]), name, rows)
        })
        .collect();
    groups.sort_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)));
    groups.into_iter().map(|g| g.2).collect()
}

fn detail(reason: &str) -> &'static str {
    match reason {
        "no-position" => "latitude, longitude or height is empty",
        "missing-sigma" => "the epoch has no uncertainty, so it cannot be weighted",
        "outlier" => "further than `outlier_cut` robust sigmas from the mean of its occupation",
        "two-surfaces" => "the ranges of the shot form two groups",
        "two-groups" => "the positions of the occupation form two groups",
        "too-short" => "the occupation misses `min_epochs` or `min_span_s`",
        _ => "the point is held; see the finding",
    }
}

fn check_options(o: &Options, problems: &mut Vec<Problem>) {
    let mut bad = |key: &str, why: &str| problems.push(Problem::new("job/bad-value", format!("`{key}` {why}")).option(key));
    if o.min_epochs == Some(0) {
        bad("min_epochs", "must be at least 1");
    }
    if o.min_span_s.is_some_and(|v| !v.is_finite() || v < 0.0) {
        bad("min_span_s", "must be a number of at least 0");
    }
    if !o.outlier_cut.is_finite() || o.outlier_cut < 3.0 {
        bad("outlier_cut", "must be at least 3: a lower cut throws away good epochs");
    }
    for (key, v) in [("two_surface_gap_m", o.two_surface_gap_m), ("two_group_gap_m", o.two_group_gap_m)] {
        if !v.is_finite() || v < 0.0 {
            bad(key, "must be a number of at least 0");
        }
    }
}

const DOC: &str = "\
# What it does
Forms one point from the epochs of each occupation. Offsets are already applied epoch by epoch; the positions are averaged
in one local frame, weighted by the inverse of each epoch's random covariance, robustly: Huber weights beyond two robust
sigmas, and epochs beyond `outlier_cut` set aside as `outlier`. With fewer than four epochs nothing is weighted down or
rejected.

The covariance of the mean is the sum of the parts of a budget: `budget_*` says what each contributor adds, and the parts add
up to `sigma_*`. It has three kinds. GNSS noise is correlated over `gnss.correlation_time_s` of the rig; the
variance of the mean is the exact double sum over all pairs of epochs with their real times. Attitude and range noise
have their own time, declared or estimated from the differences of neighbouring epochs (0 at least, the GNSS time at
most, and the GNSS time where there are fewer than eight neighbours). What is the same for every epoch, and the sigma of
the base, do not shrink at all. Where the epochs scatter more than one epoch's formal sigma says, the random part is
made larger by that ratio, separately for horizontal and up; the budget shows that as `excess_scatter`.

Not averaged, and set aside with a finding: shots whose ranges form two groups (`laser/two-surfaces`), occupations whose
positions do (`average/two-groups`), ones that miss `min_epochs` or `min_span_s` (`average/too-short`). Held unless waived:
a change of base (`average/base-changed`), a 95 % uncertainty above the budget of the reference (`average/over-budget`).

# When to use it
After `tilt-correct` (or after `occupations`, when the receiver's own position is the point).

# What it promises
Every epoch is in a mean or set aside. The order of rows and the 180th meridian do not matter: the result is the same to
the last bit. `scatter` is how one epoch differs from the mean, `formal` is what receiver and rig declare for one epoch,
`scatter_ratio` the larger of their ratios. `effective_epochs` is the number of independent epochs with the same random
uncertainty. `horizontal_95_m` is the exact radius of the 95 % circle for the 2 x 2 covariance, `vertical_95_m` 1.96
sigma.

# References
Miller, O'Keefe and Gao 2012 (correlation time 115 s); Odolinski 2012 (13 to 37 min in network solutions); Huber 1964.
";
