//! One row of the points table, and the table of all of them.

use crate::budget::{self, Budget};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Schema;
use pipeline_base::table::{Table, TableBuilder};
use std::sync::Arc;

/// One point, in the order of the columns.
#[derive(Clone, Debug, Default)]
pub(super) struct Point {
    pub point: String,
    pub code: Option<String>,
    pub remark: Option<String>,
    pub diameter_mm: Option<f64>,
    pub surface: Option<String>,
    pub aim: Option<String>,
    pub session: Option<String>,
    pub occupation: String,
    pub file: Option<String>,
    pub lines: Option<(i64, i64)>,
    pub time: (i64, i64),
    pub position: (f64, f64, f64),
    pub sigma: [f64; 3],
    pub correlation: f64,
    pub random: [f64; 2],
    pub systematic: [f64; 2],
    pub horizontal_95_m: f64,
    pub vertical_95_m: f64,
    pub used: i64,
    pub set_aside: i64,
    pub effective: f64,
    pub span_s: f64,
    pub scatter: [f64; 2],
    pub formal: [f64; 2],
    pub ratio: f64,
    pub fix: Option<String>,
    pub base: Option<String>,
    pub pdop_max: f64,
    pub separation: f64,
    pub range: f64,
    pub tilt_max: f64,
    pub assumed: bool,
    pub mark: Option<String>,
    pub crew: Option<String>,
    pub receiver: Option<String>,
    pub fix_runs: Option<(i64, i64)>,
    pub heading: f64,
    pub budget: Budget,
}

/// The table of points.
pub(super) fn table(points: &[Point], schema: Arc<Schema>) -> Result<Table, Problem> {
    let mut b = TableBuilder::new(schema, points.len());
    let f = |get: fn(&Point) -> f64| points.iter().map(get).collect::<Vec<f64>>();
    let t = |get: fn(&Point) -> Option<&str>| points.iter().map(get).collect::<Vec<_>>();
    let middle = |p: &Point| p.time.0 + (p.time.1 - p.time.0) / 2;
    b.texts("point", t(|p| Some(&p.point)))
        .texts("code", t(|p| p.code.as_deref()))
        .texts("remark", t(|p| p.remark.as_deref()))
        .floats("diameter_mm", f(|p| p.diameter_mm.unwrap_or(f64::NAN)))
        .texts("surface", t(|p| p.surface.as_deref()))
        .texts("aim", t(|p| p.aim.as_deref()))
        .texts("session", t(|p| p.session.as_deref()))
        .texts("occupation", t(|p| Some(&p.occupation)))
        .texts("file", t(|p| p.file.as_deref()))
        .ints_or_none("line_first", points.iter().map(|p| p.lines.map(|l| l.0)))
        .ints_or_none("line_last", points.iter().map(|p| p.lines.map(|l| l.1)))
        .instants("time_first", points.iter().map(|p| p.time.0).collect())
        .instants("time", points.iter().map(middle).collect())
        .instants("time_last", points.iter().map(|p| p.time.1).collect())
        .floats("latitude_deg", f(|p| p.position.0))
        .floats("longitude_deg", f(|p| p.position.1))
        .floats("ellipsoidal_height_m", f(|p| p.position.2))
        .floats("sigma_east_m", f(|p| p.sigma[0]))
        .floats("sigma_north_m", f(|p| p.sigma[1]))
        .floats("sigma_up_m", f(|p| p.sigma[2]))
        .floats("correlation_east_north", f(|p| p.correlation))
        .floats("random_horizontal_m", f(|p| p.random[0]))
        .floats("random_up_m", f(|p| p.random[1]))
        .floats("systematic_horizontal_m", f(|p| p.systematic[0]))
        .floats("systematic_up_m", f(|p| p.systematic[1]))
        .floats("horizontal_95_m", f(|p| p.horizontal_95_m))
        .floats("vertical_95_m", f(|p| p.vertical_95_m))
        .ints("epochs_used", points.iter().map(|p| p.used).collect())
        .ints("epochs_set_aside", points.iter().map(|p| p.set_aside).collect())
        .floats("effective_epochs", f(|p| p.effective))
        .floats("span_s", f(|p| p.span_s))
        .floats("scatter_horizontal_m", f(|p| p.scatter[0]))
        .floats("scatter_up_m", f(|p| p.scatter[1]))
        .floats("formal_horizontal_m", f(|p| p.formal[0]))
        .floats("formal_up_m", f(|p| p.formal[1]))
        .floats("scatter_ratio", f(|p| p.ratio))
        .texts("fix", t(|p| p.fix.as_deref()))
        .texts("base_station", t(|p| p.base.as_deref()))
        .floats("pdop_max", f(|p| p.pdop_max))
        .floats("receiver_separation_m", f(|p| p.separation))
        .floats("range_m", f(|p| p.range))
        .floats("tilt_max_deg", f(|p| p.tilt_max))
        .bools("sigma_assumed", &points.iter().map(|p| p.assumed).collect::<Vec<_>>())
        .texts("mark", t(|p| p.mark.as_deref()))
        .texts("crew", t(|p| p.crew.as_deref()))
        .texts("receiver", t(|p| p.receiver.as_deref()))
        .ints_or_none("fix_run_first", points.iter().map(|p| p.fix_runs.map(|r| r.0)))
        .ints_or_none("fix_run_last", points.iter().map(|p| p.fix_runs.map(|r| r.1)))
        .floats("heading_deg", f(|p| p.heading));
    budget::fill(&mut b, &points.iter().map(|p| p.budget).collect::<Vec<_>>());
    b.finish()
}
