//! Small tables of delivered points for the tests of control.

use crate::fixture;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{BindCx, Bound, Cx, Files, Stage};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use survey_geodesy::projection::Projection;

pub(crate) const DATUM: &str = "Saltgrass 2026";

/// One delivered point near 27.52 N 86.61 W: offsets east and north of the site (grid, m) and height (m).
pub(crate) struct Point {
    pub session: &'static str,
    pub name: &'static str,
    /// Minutes after 2026-03-17T12:00Z.
    pub minute: i64,
    pub at: [f64; 3],
}

pub(crate) const EASTING: f64 = 538_500.0;
pub(crate) const NORTHING: f64 = 3_044_100.0;

/// 2026-03-17T12:00Z.
const NOON: i64 = 1_773_748_800_000_000_000;

pub(crate) fn reference() -> Reference {
    let heights = format!(
        r#"{{"surface": "vertical-datum", "datum": "{DATUM}", "unit": "m", "geoid": {{"grid": "g.gtx", "model": "INVENTED", "version": "1", "frame": "EPSG:6319", "sigma_m": 0.008}}}}"#
    );
    fixture::reference("EPSG:9989", fixture::OBSERVATION, "EPSG:6345", &heights, 0.05, Path::new("."))
}

pub(crate) fn schema() -> Schema {
    let metre = |name: &str, role: Role| Column::maybe(name, Holds::Float, Unit::Metre, role);
    Schema {
        columns: vec![
            Column::always("point", Holds::Text, Unit::None, Role::Point),
            Column::always("session", Holds::Text, Unit::None, Role::Session),
            Column::always("time", Holds::Instant, Unit::None, Role::Time),
            metre("easting_m", Role::Easting),
            metre("northing_m", Role::Northing),
            metre("height_m", Role::Height),
            Column::maybe("latitude_deg", Holds::Float, Unit::Degree, Role::Latitude),
            Column::maybe("longitude_deg", Holds::Float, Unit::Degree, Role::Longitude),
            metre("ellipsoidal_height_m", Role::EllipsoidalHeight),
            metre("sigma_east_m", Role::SigmaEast),
            metre("sigma_north_m", Role::SigmaNorth),
            metre("sigma_up_m", Role::SigmaUp),
            Column::maybe("correlation_east_north", Holds::Float, Unit::None, Role::CorrelationEastNorth),
            metre("systematic_horizontal_m", Role::Other),
            metre("systematic_up_m", Role::Other),
            metre("geoid_separation_m", Role::GeoidSeparation),
            metre("receiver_separation_m", Role::ReceiverSeparation),
            Column::maybe("grid_convergence_deg", Holds::Float, Unit::Degree, Role::Other),
            Column::maybe("scale_factor", Holds::Float, Unit::None, Role::Other),
        ],
        frame: Some(Frame {
            crs: "EPSG:6345".to_owned(),
            name: "NAD83(2011) / UTM zone 16N".to_owned(),
            axes: Axes::Projected(Unit::Metre),
            epoch: Epoch::Static,
            heights: Heights::Vertical {
                datum: DATUM.to_owned(),
                model: "INVENTED".to_owned(),
                version: "1".to_owned(),
                sha256: String::new(),
                unit: Unit::Metre,
            },
            point: PhysicalPoint::Target,
        }),
    }
}

/// Latitude and longitude of a grid point, by secant steps on the projection.
pub(crate) fn geographic(projection: &Projection, easting: f64, northing: f64) -> (f64, f64) {
    let (mut latitude, mut longitude) = (27.52, -86.61);
    for _ in 0..12 {
        let at = projection.at(latitude, longitude).unwrap();
        latitude += (northing - at.northing) / 110_800.0;
        longitude += (easting - at.easting) / (111_300.0 * latitude.to_radians().cos());
    }
    (latitude, longitude)
}

pub(crate) fn table(rows: &[Point]) -> Table {
    let projection = Projection::plan("EPSG:6345").unwrap();
    let n = rows.len();
    let grid: Vec<(f64, f64)> = rows.iter().map(|r| (EASTING + r.at[0], NORTHING + r.at[1])).collect();
    let places: Vec<(f64, f64)> = grid.iter().map(|(e, n)| geographic(&projection, *e, *n)).collect();
    let factors: Vec<_> = places.iter().map(|(a, b)| projection.at(*a, *b).unwrap().factors).collect();
    let mut b = TableBuilder::new(Arc::new(schema()), n);
    b.texts("point", rows.iter().map(|r| Some(r.name)))
        .texts("session", rows.iter().map(|r| Some(r.session)))
        .instants("time", rows.iter().map(|r| NOON + r.minute * 60_000_000_000).collect())
        .floats("easting_m", grid.iter().map(|g| g.0).collect())
        .floats("northing_m", grid.iter().map(|g| g.1).collect())
        .floats("height_m", rows.iter().map(|r| r.at[2]).collect())
        .floats("latitude_deg", places.iter().map(|p| p.0).collect())
        .floats("longitude_deg", places.iter().map(|p| p.1).collect())
        .floats("ellipsoidal_height_m", rows.iter().map(|r| r.at[2] - 24.6).collect())
        .floats("sigma_east_m", vec![0.010; n])
        .floats("sigma_north_m", vec![0.010; n])
        .floats("sigma_up_m", vec![0.015; n])
        .floats("correlation_east_north", vec![0.1; n])
        .floats("systematic_horizontal_m", vec![0.005; n])
        .floats("systematic_up_m", vec![0.008; n])
        .floats("geoid_separation_m", vec![-24.6; n])
        .floats("receiver_separation_m", vec![-25.3; n])
        .floats("grid_convergence_deg", factors.iter().map(|f| f.convergence_deg).collect())
        .floats("scale_factor", factors.iter().map(|f| f.meridional).collect());
    b.finish().unwrap()
}

/// Files of a folder by name.
pub(crate) struct Folder(pub PathBuf);

impl Files for Folder {
    fn find(&self, pattern: &str) -> Result<Vec<(String, PathBuf)>, Problem> {
        Ok(vec![(pattern.to_owned(), self.0.join(pattern))])
    }
    fn resolve(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
    fn results(&self) -> PathBuf {
        self.0.join("results")
    }
}

pub(crate) fn bind<S: Stage>(options: &str, inputs: &[Schema], reference: &Reference, folder: &Path) -> Result<Bound<S>, Vec<Problem>> {
    let files = Folder(folder.to_owned());
    let place = fixture::place(27.52, -86.61, -22.4, Some(2026.2));
    let cx = BindCx { inputs, rig: None, reference: Some(reference), locality: Some(place), files: &files, locked: None };
    S::bind(serde_json::from_str(options).unwrap(), &cx)
}

/// Binds and runs; gives the result and what was said.
pub(crate) fn run<S: Stage>(options: &str, tables: &[Table], folder: &Path, waivers: &[(&str, &str)]) -> (Table, Collect) {
    let schemas: Vec<Schema> = tables.iter().map(|t| (*t.schema).clone()).collect();
    let bound = bind::<S>(options, &schemas, &reference(), folder).unwrap_or_else(|p| panic!("{}", fixture::shown(&p)));
    let world = Collect::new(folder);
    world.said().waivers = waivers.iter().map(|(c, s)| ((*c).to_owned(), (*s).to_owned(), "the surveyor: agreed".to_owned())).collect();
    let out = bound.stage.run(tables, &Cx::new(&world, "step", None)).unwrap();
    assert_eq!(*out.schema, bound.output);
    out.check().unwrap();
    (out, world)
}

/// Codes of everything that was said, in order.
pub(crate) fn said(world: &Collect) -> Vec<String> {
    world.said().findings.iter().map(|f| f.code.clone()).collect()
}
