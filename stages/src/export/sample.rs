//! A points table as the main job makes it (`average`, `height-convert`, `reproject`), for tests.

use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{BindCx, Bound, Cx, Files, Stage};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Names of the sample points; text that careless programs change.
pub(crate) const POINTS: [&str; 5] = ["V-07", "007", "1.10", "=A1+1", "a \"quoted\", name;\twith Ø\nand a line end"];

pub(crate) fn schema() -> Schema {
    use Holds::{Bool, Float, Instant, Int, Text};
    use Unit::{Degree, Metre, None, Second};
    let a = Column::always;
    let m = Column::maybe;
    let o = Role::Other;
    Schema {
        columns: vec![
            a("point", Text, None, Role::Point),
            m("code", Text, None, Role::Code),
            m("remark", Text, None, Role::Remark),
            m("diameter_mm", Float, Unit::Millimetre, Role::Diameter),
            m("surface", Text, None, Role::Surface),
            m("aim", Text, None, Role::Aim),
            a("session", Text, None, Role::Session),
            a("occupation", Text, None, Role::Occupation),
            a("file", Text, None, Role::File),
            a("line_first", Int, None, Role::LineFirst),
            a("line_last", Int, None, Role::LineLast),
            a("time_first", Instant, None, o),
            a("time", Instant, None, Role::Time),
            a("time_last", Instant, None, o),
            m("latitude_deg", Float, Degree, Role::Latitude),
            m("longitude_deg", Float, Degree, Role::Longitude),
            m("ellipsoidal_height_m", Float, Metre, Role::EllipsoidalHeight),
            m("sigma_east_m", Float, Metre, Role::SigmaEast),
            m("sigma_north_m", Float, Metre, Role::SigmaNorth),
            m("sigma_up_m", Float, Metre, Role::SigmaUp),
            m("correlation_east_north", Float, None, Role::CorrelationEastNorth),
            m("random_horizontal_m", Float, Metre, o),
            m("horizontal_95_m", Float, Metre, o),
            m("vertical_95_m", Float, Metre, o),
            a("epochs_used", Int, None, o),
            m("effective_epochs", Float, None, o),
            m("span_s", Float, Second, o),
            a("fix", Text, None, Role::Fix),
            m("base_station", Text, None, Role::BaseStation),
            m("pdop_max", Float, None, o),
            a("sigma_assumed", Bool, None, Role::SigmaAssumed),
            m("height_m", Float, Metre, Role::Height),
            m("geoid_separation_m", Float, Metre, Role::GeoidSeparation),
            m("easting_m", Float, Metre, Role::Easting),
            m("northing_m", Float, Metre, Role::Northing),
            m("grid_convergence_deg", Float, Degree, o),
            m("scale_factor", Float, None, o),
        ],
        frame: Some(frame()),
    }
}

pub(crate) fn frame() -> Frame {
    Frame {
        crs: "EPSG:6345".into(),
        name: "NAD83(2011) / UTM zone 16N".into(),
        axes: Axes::Projected(Unit::Metre),
        epoch: Epoch::Fixed(2010.0),
        heights: Heights::Vertical {
            datum: "EPSG:5703".into(),
            model: "GEOID18".into(),
            version: "2019-08".into(),
            sha256: "ab".repeat(32),
            unit: Unit::Metre,
        },
        point: PhysicalPoint::Target,
    }
}

/// A table of `rows` rows with numbers that have more digits than are written, and some gaps.
pub(crate) fn table(rows: usize) -> Table {
    table_of(schema(), rows)
}

pub(crate) fn table_of(schema: Schema, rows: usize) -> Table {
    let schema = Arc::new(schema);
    let mut b = TableBuilder::new(schema.clone(), rows);
    for (n, column) in schema.columns.iter().enumerate() {
        let name = column.name.as_str();
        match (column.holds, column.role) {
            (Holds::Text, Role::Point) => b.texts(name, (0..rows).map(|i| Some(POINTS[i % POINTS.len()]))),
            (Holds::Text, Role::Occupation) => {
                let names: Vec<String> = (0..rows).map(|i| format!("{}#{}", POINTS[i % POINTS.len()], i + 1)).collect();
                b.texts(name, names.iter().map(|t| Some(t.as_str())))
            }
            (Holds::Text, _) if column.nullable => b.texts(name, (0..rows).map(|i| [Some("HYD"), None, Some(" spaced ")][i % 3])),
            (Holds::Text, _) => b.text_everywhere(name, "day1"),
            (Holds::Int, _) => b.ints(name, (0..rows).map(|i| i64::try_from(i * 60 + n).unwrap()).collect()),
            (Holds::Bool, _) => b.bools(name, &(0..rows).map(|i| i % 2 == 0).collect::<Vec<_>>()),
            (Holds::Instant, _) => {
                b.instants(name, (0..rows).map(|i| 1_780_000_000_123_000_000 + i64::try_from(i * 7 + n).unwrap() * 1_000_000_000).collect())
            }
            (Holds::Float, role) => {
                let base = match role {
                    Role::Latitude => 42.730_000_000_12,
                    Role::Longitude => -86.550_000_000_34,
                    Role::EllipsoidalHeight => 219.812_345,
                    Role::Height => 253.412_345,
                    Role::Easting => 536_831.123_456_7,
                    Role::Northing => 4_731_051.987_654_3,
                    _ => 0.012_345_678_9,
                };
                let gap = role == Role::Diameter || role == Role::Other;
                b.floats(name, (0..rows).map(|i| if gap && i % 4 == 3 { f64::NAN } else { base + 0.000_013_7 * i as f64 }).collect())
            }
        };
    }
    b.finish().unwrap()
}

pub(crate) fn reference() -> Reference {
    serde_json::from_value(serde_json::json!({
        "reference": 1, "name": "works",
        "corrections": { "frame": "EPSG:6319", "epoch": 2010.0, "stated_by": "service page, read 2026-03-02", "base_station": "0123" },
        "delivery": {
            "crs": "EPSG:6345", "epoch": 2010.0,
            "heights": {
                "surface": "vertical-datum", "datum": "EPSG:5703", "unit": "m",
                "geoid": { "grid": "g.tif", "model": "GEOID18", "version": "2019-08", "frame": "EPSG:6319", "sigma_m": 0.015 }
            }
        },
        "budget": { "operation_m": 0.05, "horizontal_95_m": 0.05, "vertical_95_m": 0.06 }
    }))
    .unwrap()
}

struct NoFiles;

impl Files for NoFiles {
    fn find(&self, _: &str) -> Result<Vec<(String, PathBuf)>, Problem> {
        Ok(vec![])
    }
    fn resolve(&self, name: &str) -> PathBuf {
        name.into()
    }
    fn results(&self) -> PathBuf {
        "results".into()
    }
}

pub(crate) fn locality() -> Locality {
    Locality {
        latitude_deg: 42.73,
        longitude_deg: -86.55,
        height_m: Some(219.8),
        receiver_separation_m: Some(-33.6),
        decimal_year: Some(2026.4),
    }
}

pub(crate) fn bind<S: Stage>(schema: &Schema, reference: Option<&Reference>, options: serde_json::Value) -> Result<Bound<S>, Vec<Problem>> {
    let cx =
        BindCx { inputs: std::slice::from_ref(schema), rig: None, reference, locality: Some(locality()), files: &NoFiles, locked: None };
    S::bind(serde_json::from_value(options).unwrap(), &cx)
}

/// Binds and runs in a folder.
pub(crate) fn deliver<S: Stage>(folder: &Path, table: &Table, options: serde_json::Value) -> Result<Collect, Problem> {
    let bound = bind::<S>(&table.schema, Some(&reference()), options).unwrap_or_else(|p| panic!("{p:?}"));
    let world = Collect::new(folder);
    let out = bound.stage.run(std::slice::from_ref(table), &Cx::new(&world, "deliver", None))?;
    assert!(out.data.equals_missing(&table.data), "a delivery returns its input");
    assert_eq!(out.schema, table.schema);
    Ok(world)
}

/// The codes of problems.
pub(crate) fn codes<S>(result: Result<Bound<S>, Vec<Problem>>) -> Vec<String> {
    result.err().expect("refused").into_iter().map(|p| p.finding.code).collect()
}

/// The same table with one float changed to a value that no file may hold.
pub(crate) fn spoilt(table: &Table, column: &str, row: usize, value: f64) -> Table {
    use polars::prelude::*;
    let mut values: Vec<Option<f64>> = table.data.column(column).unwrap().f64().unwrap().iter().collect();
    values[row] = Some(value);
    let mut data = table.data.clone();
    data.with_column(Float64Chunked::from_iter_options(column.into(), values.into_iter()).into_column()).unwrap();
    Table::new(data, table.schema.clone()).unwrap()
}
