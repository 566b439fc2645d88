#![doc = include_str!("budget.md")]

use super::{path, written};
use crate::budget::{self, Budget, Contributor, Part, Parts};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Role, Schema};
use pipeline_base::table::{Table, by_role};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Options of `export-budget`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Name of the file, below the results folder of the job.
    path: String,
}

/// The stage, bound.
pub(crate) struct BudgetFile {
    path: String,
    point: String,
    session: Option<String>,
    occupation: Option<String>,
}

const HEADER: [&str; 14] = [
    "session",
    "occupation",
    "point",
    "contributor",
    "kind",
    "variance_horizontal_mm2",
    "variance_up_mm2",
    "share_horizontal_percent",
    "share_up_percent",
    "sigma_horizontal_m",
    "sigma_up_m",
    "horizontal_95_without_m",
    "vertical_95_without_m",
    "what_helps",
];

impl Stage for BudgetFile {
    type Options = Options;

    const SPEC: Spec = Spec {
        name: "export-budget",
        version: 1,
        summary: "Writes the error budget of every point: each contributor's share, and what would help most",
        doc: include_str!("budget.md"),
        inputs: Inputs::One,
        delivers: true,
        examples: &[Example { title: "Beside the points", options: "path: budget.csv\n" }],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let mut problems = vec![];
        problems.extend(path::check(&options.path, Some(".csv")).err());
        let point = by_role(schema, Role::Point).map(|c| c.name.clone()).map_err(|p| problems.push(p));
        if !budget::has(schema, Contributor::GnssNoise) {
            problems.push(
                Problem::new("plan/missing-role", "`export-budget` needs the error budget of each point, and no column holds it")
                    .fix("put it after `average`, which makes the columns `budget_…`"),
            );
        }
        let (Ok(point), true) = (point, problems.is_empty()) else { return Err(problems) };
        let column = |role: Role| schema.role(role).map(|c| c.name.clone());
        let stage = Self { path: options.path, point, session: column(Role::Session), occupation: column(Role::Occupation) };
        Ok(Bound::new(stage, schema.clone(), Grain::Whole))
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("a delivery was run without a table"))?;
        let parts = Parts::read(table)?;
        // Made again where they are wanted: budgets of many points are several times their table.
        let budgets = (0..table.rows()).map(|r| parts.row(r));
        written::csv(cx, &self.path, "path", HEADER, self.lines(table, budgets.clone())?)?;
        if let Some(finding) = what_helps(budgets, &table.schema) {
            cx.find(finding);
        }
        Ok(table.clone())
    }
}

/// The cells of a line.
type Line = [String; HEADER.len()];

impl BudgetFile {
    fn lines(&self, table: &Table, budgets: impl Iterator<Item = Budget>) -> Result<impl Iterator<Item = Line>, Problem> {
        let texts = |name: &Option<String>| name.as_ref().map_or_else(|| Ok(vec![None; table.rows()]), |n| table.texts(n));
        let (session, occupation, point) = (texts(&self.session)?, texts(&self.occupation)?, table.texts(&self.point)?);
        Ok(budgets.enumerate().flat_map(move |(row, b)| {
            let mut lines = vec![];
            let who = [session[row], occupation[row], point[row]].map(|t| t.unwrap_or_default().to_owned());
            let whole = b.total();
            let [most_plan, most_up] = b.largest().map(|(c, _)| c);
            for (c, part) in b.iter().filter(|(_, p)| **p != Part::default()) {
                let helps = match (c == most_plan, c == most_up) {
                    (true, true) => format!("most, horizontally and in height: {}", c.help()),
                    (true, false) => format!("most horizontally: {}", c.help()),
                    (false, true) => format!("most in height: {}", c.help()),
                    (false, false) => c.help().to_owned(),
                };
                lines.push(line(&who, c.words(), c.kind().word(), part, &whole, b.bounds_95_without(c), helps));
            }
            lines.push(line(&who, "all", "", &whole, &whole, b.bounds_95(), "with all contributors: what the point states".to_owned()));
            lines
        }))
    }
}

#[allow(clippy::too_many_arguments)]
fn line(who: &[String; 3], contributor: &str, kind: &str, part: &Part, whole: &Part, without: [f64; 2], helps: String) -> Line {
    let share = |of: f64, all: f64| if all > 0.0 { format!("{:.1}", 100.0 * of / all) } else { String::new() };
    let sigma = |v: f64| format!("{:.4}", v.max(0.0).sqrt());
    [
        who[0].clone(),
        who[1].clone(),
        who[2].clone(),
        contributor.to_owned(),
        kind.to_owned(),
        format!("{:.4}", part.horizontal() * 1e6),
        format!("{:.4}", part.uu * 1e6),
        share(part.horizontal(), whole.horizontal()),
        share(part.uu, whole.uu),
        sigma(part.horizontal()),
        sigma(part.uu),
        format!("{:.4}", without[0]),
        format!("{:.4}", without[1]),
        helps,
    ]
}

/// What would help most over all points, in one finding.
fn what_helps(budgets: impl ExactSizeIterator<Item = Budget> + Clone, schema: &Schema) -> Option<Diagnostic> {
    let mut all = Budget::default();
    for b in budgets.clone() {
        for (c, p) in b.iter() {
            all.add(c, p);
        }
    }
    let [(plan, plan_share), (up, up_share)] = all.largest();
    if budgets.len() == 0 || plan_share <= 0.0 || up_share <= 0.0 {
        return None;
    }
    #[allow(clippy::cast_precision_loss)]
    let mean = |of: fn(&Budget) -> [f64; 2]| {
        let sum = budgets.clone().map(|b| of(&b)).fold([0.0; 2], |s, v| [s[0] + v[0], s[1] + v[1]]);
        sum.map(|s| s / budgets.len() as f64)
    };
    let with = mean(Budget::bounds_95);
    #[allow(clippy::cast_precision_loss)]
    let without = |c: Contributor, k: usize| budgets.clone().map(|b| b.bounds_95_without(c)[k]).sum::<f64>() / budgets.len() as f64;
    let heights = if schema.role(Role::Height).is_some() { "height" } else { "ellipsoidal height" };
    Some(
        Diagnostic::new(
            "points/error-budget",
            Verdict::Note,
            format!(
                "largest contributors over {} points: horizontally {} ({:.0} % of the variance), in {heights} {} ({:.0} %)",
                budgets.len(),
                plan.words(),
                plan_share * 100.0,
                up.words(),
                up_share * 100.0
            ),
        )
        .place(format!("{} points", budgets.len()))
        .size(format!(
            "without them the mean 95 % bounds would be {:.3} m in place of {:.3} m horizontally and {:.3} m in place of {:.3} m in height",
            without(plan, 0),
            with[0],
            without(up, 1),
            with[1]
        ))
        .why("random contributors shrink with more independent epochs, systematic ones only by a better rig, base or model")
        .fix(if plan == up { plan.help().to_owned() } else { format!("horizontally: {}; in height: {}", plan.help(), up.help()) }),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use pipeline_base::table::TableBuilder;
    use pipeline_base::table::schema::{Column, Holds, Unit};
    use pipeline_core::stage::cx::Collect;
    use std::sync::Arc;

    fn table(points: &[(&str, [f64; 3])]) -> Table {
        let mut columns = vec![Column::always("point", Holds::Text, Unit::None, Role::Point)];
        columns.extend(budget::columns());
        let budgets: Vec<Budget> = points
            .iter()
            .map(|(_, mm)| {
                let mut b = Budget::default();
                for (c, s) in [Contributor::GnssNoise, Contributor::HeadingBias, Contributor::GeoidModel].into_iter().zip(mm) {
                    let v = s * s * 1e-6;
                    b.add(c, &if c == Contributor::GeoidModel { Part::new([0.0, 0.0, 0.0, v]) } else { Part::new([v, 0.0, v, v / 4.0]) });
                }
                b
            })
            .collect();
        let mut b = TableBuilder::new(Arc::new(Schema { columns, frame: None }), points.len());
        b.texts("point", points.iter().map(|(p, _)| Some(*p)));
        budget::fill(&mut b, &budgets);
        b.finish().unwrap()
    }

    #[test]
    fn the_lines_of_a_point_add_up_to_its_last_line() {
        let folder = tempfile::tempdir().unwrap();
        let t = table(&[("A, left", [4.0, 7.0, 8.0]), ("B", [2.0, 1.0, 0.0])]);
        let stage = BudgetFile { path: "b.csv".into(), point: "point".into(), session: None, occupation: None };
        let world = Collect::new(folder.path());
        stage.run(std::slice::from_ref(&t), &Cx::new(&world, "s", None)).unwrap();
        let mut reader = ::csv::Reader::from_path(folder.path().join("b.csv")).unwrap();
        let rows: Vec<Vec<String>> = reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect();
        assert_eq!(
            rows.iter().map(|r| r[3].as_str()).collect::<Vec<_>>(),
            ["GNSS noise", "bias of the heading", "geoid model", "all", "GNSS noise", "bias of the heading", "all"]
        );
        for (first, last) in [(0, 3), (4, 6)] {
            for (k, tolerance) in [(5, 1e-9), (6, 1e-9), (7, 0.11), (8, 0.11)] {
                let number = |r: usize| rows[r][k].parse::<f64>().unwrap();
                let sum: f64 = (first..last).map(number).sum();
                assert!((sum - number(last)).abs() <= tolerance, "column {k}");
            }
        }
        // By hand: 4^2 x 2 + 7^2 x 2 = 130 mm2; without the heading the radius is 2.4477 x 4 mm.
        assert_eq!((rows[3][5].as_str(), rows[1][11].as_str()), ("130.0000", "0.0098"));
        assert!(rows[1][13].starts_with("most horizontally: walk") && rows[2][13].starts_with("most in height: use a better geoid"));
        let said = world.said();
        assert!(
            said.findings[0].what.contains("bias of the heading (71 %") && said.findings[0].fix.contains("geoid"),
            "{:?}",
            said.findings
        );
    }
}
