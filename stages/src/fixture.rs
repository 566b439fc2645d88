//! Small invented jobs for the tests of frames and heights.

use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{BindCx, Bound, Cx, Files, Stage};
use std::path::{Path, PathBuf};
use std::sync::Arc;
pub(crate) use survey_testing::{plane, shared, write_gtx};

pub(crate) struct NoFiles;

impl Files for NoFiles {
    fn find(&self, pattern: &str) -> Result<Vec<(String, PathBuf)>, Problem> {
        Err(Problem::new("data/no-file", pattern))
    }
    fn resolve(&self, name: &str) -> PathBuf {
        PathBuf::from(name)
    }
    fn results(&self) -> PathBuf {
        PathBuf::from("results")
    }
}

/// A reference in JSON with defaults for the rest: `frame`, `epoch`, `crs`, `heights`, budget.
pub(crate) fn reference(frame: &str, epoch: &str, crs: &str, heights: &str, budget: f64, folder: &Path) -> Reference {
    let text = format!(
        r#"{{"reference": 1, "name": "test",
            "corrections": {{"frame": "{frame}", {epoch} "stated_by": "test"}},
            "delivery": {{"crs": "{crs}", "heights": {heights}}},
            "budget": {{"operation_m": {budget}, "horizontal_95_m": 0.05, "vertical_95_m": 0.08}}}}"#
    );
    let mut reference: Reference = serde_json::from_str(&text).unwrap();
    reference.folder = folder.to_owned();
    reference
}

pub(crate) const OBSERVATION: &str = r#""epoch": "observation","#;
pub(crate) const ELLIPSOID: &str = r#"{"surface": "ellipsoid", "unit": "m"}"#;

/// Heights above NAVD88 through a grid.
pub(crate) fn navd88(grid: &str, frame: &str, unit: &str) -> String {
    let datum = match unit {
        "ft" => "EPSG:8228",
        "ftUS" => "EPSG:6360",
        _ => "EPSG:5703",
    };
    format!(
        r#"{{"surface": "vertical-datum", "datum": "{datum}", "unit": "{unit}",
            "geoid": {{"grid": "{grid}", "model": "INVENTED", "version": "1", "frame": "{frame}", "sigma_m": 0.02}}}}"#
    )
}

pub(crate) fn place(latitude_deg: f64, longitude_deg: f64, height_m: f64, year: Option<f64>) -> Locality {
    Locality { latitude_deg, longitude_deg, height_m: Some(height_m), receiver_separation_m: Some(-34.9), decimal_year: year }
}

/// Points: name, latitude, longitude, ellipsoidal height; all at 2025-07-02T12:00Z (2025.5).
pub(crate) fn points(frame: &str, epoch: Epoch, rows: &[(&str, f64, f64, f64)]) -> Table {
    let schema = Schema {
        columns: vec![
            Column::always("point", Holds::Text, Unit::None, Role::Point),
            Column::always("time", Holds::Instant, Unit::None, Role::Time),
            Column::maybe("latitude_deg", Holds::Float, Unit::Degree, Role::Latitude),
            Column::maybe("longitude_deg", Holds::Float, Unit::Degree, Role::Longitude),
            Column::maybe("ellipsoidal_height_m", Holds::Float, Unit::Metre, Role::EllipsoidalHeight),
            Column::maybe("sigma_east_m", Holds::Float, Unit::Metre, Role::SigmaEast),
            Column::maybe("sigma_north_m", Holds::Float, Unit::Metre, Role::SigmaNorth),
            Column::maybe("sigma_up_m", Holds::Float, Unit::Metre, Role::SigmaUp),
            Column::maybe("correlation_east_north", Holds::Float, Unit::None, Role::CorrelationEastNorth),
            Column::maybe("systematic_horizontal_m", Holds::Float, Unit::Metre, Role::Other),
            Column::maybe("systematic_up_m", Holds::Float, Unit::Metre, Role::Other),
            Column::maybe("horizontal_95_m", Holds::Float, Unit::Metre, Role::Other),
            Column::maybe("vertical_95_m", Holds::Float, Unit::Metre, Role::Other),
            Column::maybe("receiver_separation_m", Holds::Float, Unit::Metre, Role::ReceiverSeparation),
        ],
        frame: Some(Frame {
            crs: frame.to_owned(),
            name: frame.to_owned(),
            axes: Axes::Geographic,
            epoch,
            heights: Heights::Ellipsoidal,
            point: PhysicalPoint::Target,
        }),
    };
    let n = rows.len();
    let mut builder = TableBuilder::new(Arc::new(schema), n);
    builder
        .texts("point", rows.iter().map(|r| Some(r.0)))
        .instants("time", vec![1_751_457_600_000_000_000; n])
        .floats("latitude_deg", rows.iter().map(|r| r.1).collect())
        .floats("longitude_deg", rows.iter().map(|r| r.2).collect())
        .floats("ellipsoidal_height_m", rows.iter().map(|r| r.3).collect())
        .floats("sigma_east_m", vec![0.01; n])
        .floats("sigma_north_m", vec![0.01; n])
        .floats("sigma_up_m", vec![0.015; n])
        .floats("correlation_east_north", vec![0.2; n])
        .floats("systematic_horizontal_m", vec![0.003; n])
        .floats("systematic_up_m", vec![0.004; n])
        .floats("horizontal_95_m", vec![0.0245; n])
        .floats("vertical_95_m", vec![0.0294; n])
        .floats("receiver_separation_m", vec![-34.9; n]);
    builder.finish().unwrap()
}

pub(crate) fn bind<S: Stage>(
    options: &str,
    schema: &Schema,
    reference: &Reference,
    locality: Option<Locality>,
) -> Result<Bound<S>, Vec<Problem>> {
    bind_locked(options, schema, reference, locality, None)
}

/// The same with the lock of a job.
pub(crate) fn bind_locked<S: Stage>(
    options: &str,
    schema: &Schema,
    reference: &Reference,
    locality: Option<Locality>,
    locked: Option<pipeline_base::pin::Locked>,
) -> Result<Bound<S>, Vec<Problem>> {
    let schemas = [schema.clone()];
    let cx = BindCx { inputs: &schemas, rig: None, reference: Some(reference), locality, files: &NoFiles, locked };
    S::bind(serde_json::from_str(options).unwrap(), &cx)
}

/// Binds and runs one table; gives the result and what was said.
pub(crate) fn run<S: Stage>(options: &str, table: &Table, reference: &Reference, locality: Option<Locality>) -> (Table, Collect) {
    let bound = bind::<S>(options, &table.schema, reference, locality).unwrap_or_else(|p| panic!("{}", shown(&p)));
    let world = Collect::new(Path::new("."));
    let out = bound.stage.run(std::slice::from_ref(table), &Cx::new(&world, "step", None)).unwrap();
    assert_eq!(*out.schema, bound.output);
    out.check().unwrap();
    (out, world)
}

/// Problems as text, for assertions and reading.
pub(crate) fn shown(problems: &[Problem]) -> String {
    problems
        .iter()
        .map(|p| {
            let f = &p.finding;
            let key = p.reference_key.clone().or_else(|| p.option.clone()).unwrap_or_default();
            format!(
                "{} {}  {}\n  where: {key}{}\n  size : {}\n  why  : {}\n  fix  : {}\n",
                f.code,
                f.verdict.word(),
                f.what,
                f.place,
                f.size,
                f.why,
                f.fix
            )
        })
        .collect()
}

/// Codes of problems.
pub(crate) fn codes(problems: &[Problem]) -> Vec<&str> {
    problems.iter().map(|p| p.finding.code.as_str()).collect()
}
