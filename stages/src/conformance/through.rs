//! Tables in, tables out: every case runs through the stages as a job would run it.

use crate::fixture as f;
use crate::fixture::{bind, points, shown};
use crate::height::convert::HeightConvert;
use crate::reference::reproject::Reproject;
use pipeline_base::diag::Diagnostic;
use pipeline_base::place::Locality;
use pipeline_base::reference::{EpochText, Operation, Reference};
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Epoch, Heights, Unit};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{Cx, Stage};
use std::path::Path;
use std::sync::Arc;
use survey_geodesy::proj_context::ProjContext;
use survey_geodesy::projection::Projection;

/// Latitude, longitude (deg), ellipsoidal height (m).
pub(super) type Place = (f64, f64, f64);

/// How a list of points is to be reprojected.
#[derive(Clone)]
pub(super) struct Way<'a> {
    pub from: &'a str,
    pub epoch: Epoch,
    pub to: &'a str,
    /// A pipeline written by hand into the reference.
    pub by_hand: Option<&'a str>,
    /// `delivery.epoch`.
    pub to_epoch: Option<f64>,
    pub budget_m: f64,
    /// Heights as they would be after `height-convert`, in this unit; ellipsoidal otherwise.
    pub heights: Option<Unit>,
    /// Folder of the reference and of its grids.
    pub folder: &'a Path,
    /// Where the work is; the point in the middle otherwise.
    pub place: Option<(f64, f64)>,
}

impl<'a> Way<'a> {
    pub(super) fn new(from: &'a str, to: &'a str) -> Self {
        let nowhere = Path::new("/nonexistent");
        Self { from, epoch: Epoch::Static, to, by_hand: None, to_epoch: None, budget_m: 0.05, heights: None, folder: nowhere, place: None }
    }
    pub(super) fn at(self, year: f64) -> Self {
        Self { epoch: Epoch::Fixed(year), ..self }
    }
    pub(super) fn by_hand(self, pipeline: &'a str) -> Self {
        Self { by_hand: Some(pipeline), ..self }
    }
    pub(super) fn budget(self, budget_m: f64) -> Self {
        Self { budget_m, ..self }
    }
    pub(super) fn heights(self, unit: Unit) -> Self {
        Self { heights: Some(unit), ..self }
    }
    pub(super) fn place(self, latitude: f64, longitude: f64) -> Self {
        Self { place: Some((latitude, longitude)), ..self }
    }
    pub(super) fn grids(self, folder: &'a Path) -> Self {
        Self { folder, ..self }
    }

    fn reference(&self) -> Reference {
        let mut reference = f::reference("EPSG:9989", "", "EPSG:6498", f::ELLIPSOID, self.budget_m, self.folder);
        self.from.clone_into(&mut reference.corrections.frame);
        self.to.clone_into(&mut reference.delivery.crs);
        accept_every_point(&mut reference);
        reference.delivery.epoch = self.to_epoch.map(EpochText::Year);
        reference.operation = self.by_hand.map(|pipeline| Operation {
            pipeline: pipeline.to_owned(),
            accuracy_m: 0.01,
            source: "test".to_owned(),
            area: None,
            checks: vec![],
        });
        reference
    }
}

/// The uncertainty of a point is not the matter here: none may be held back for it.
fn accept_every_point(reference: &mut Reference) {
    (reference.budget.horizontal_95_m, reference.budget.vertical_95_m) = (100.0, 100.0);
}

/// What came out.
pub(super) struct Out {
    pub table: Table,
    pub findings: Vec<Diagnostic>,
}

impl Out {
    pub(super) fn column(&self, name: &str) -> Vec<f64> {
        self.table.floats(name).unwrap_or_else(|p| panic!("{name}: {}", p.finding.what)).to_vec()
    }
    /// Easting and northing of each row.
    pub(super) fn grid(&self, unit: &str) -> Vec<[f64; 2]> {
        let (e, n) = (self.column(&format!("easting_{unit}")), self.column(&format!("northing_{unit}")));
        e.into_iter().zip(n).map(|(e, n)| [e, n]).collect()
    }
    /// Latitude, longitude, ellipsoidal height of each row.
    pub(super) fn places(&self) -> Vec<Place> {
        let (la, lo, h) = (self.column("latitude_deg"), self.column("longitude_deg"), self.column("ellipsoidal_height_m"));
        la.into_iter().zip(lo).zip(h).map(|((la, lo), h)| (la, lo, h)).collect()
    }
    /// Nothing but notes and warnings may have been said.
    pub(super) fn undisturbed(self) -> Self {
        let stops: Vec<_> = self.findings.iter().filter(|f| f.verdict.word() == "block" || f.verdict.word() == "error").collect();
        assert!(stops.is_empty(), "{stops:#?}");
        self
    }
}

fn table_of(frame: &str, epoch: Epoch, places: &[Place]) -> Table {
    let rows: Vec<(&str, f64, f64, f64)> = places.iter().map(|p| ("P", p.0, p.1, p.2)).collect();
    points(frame, epoch, &rows)
}

fn locality(places: &[Place], epoch: Epoch) -> Option<Locality> {
    // The middle one: lists of points begin at a rim.
    let mut by_latitude: Vec<&Place> = places.iter().collect();
    by_latitude.sort_by(|a, b| a.0.total_cmp(&b.0));
    let p = by_latitude.get(places.len() / 2)?;
    let decimal_year = if let Epoch::Fixed(year) = epoch { Some(year) } else { Some(2025.5) };
    Some(Locality { receiver_separation_m: None, ..f::place(p.0, p.1, p.2, decimal_year) })
}

fn run<S: Stage>(options: &str, table: &Table, reference: &Reference, place: Option<Locality>) -> Out {
    let bound = bind::<S>(options, &table.schema, reference, place).unwrap_or_else(|p| panic!("{}", shown(&p)));
    let world = Collect::new(Path::new("."));
    let out = bound.stage.run(std::slice::from_ref(table), &Cx::new(&world, "step", None)).unwrap();
    out.check().unwrap();
    let findings = world.said().findings.clone();
    Out { table: out, findings }
}

/// Points through `reproject`.
pub(super) fn reproject(way: &Way, places: &[Place]) -> Out {
    let mut table = table_of(way.from, way.epoch, places);
    if let Some(unit) = way.heights {
        let mut schema = (*table.schema).clone();
        let heights = Heights::Vertical {
            datum: "INVENTED".to_owned(),
            model: "INVENTED".to_owned(),
            version: "1".to_owned(),
            sha256: String::new(),
            unit,
        };
        if let Some(frame) = &mut schema.frame {
            frame.heights = heights;
        }
        table.schema = Arc::new(schema);
    }
    reproject_table(way, &table, places)
}

/// A table of points that went through another stage, further through `reproject`.
pub(super) fn reproject_table(way: &Way, table: &Table, places: &[Place]) -> Out {
    let here = way.place.map(|(la, lo)| vec![(la, lo, 100.0)]);
    run::<Reproject>("{}", table, &way.reference(), locality(here.as_deref().unwrap_or(places), way.epoch))
}

/// Points through `height-convert`, in a frame for which the geoid is made, to metres above a named datum.
pub(super) fn heights(frame: &str, epoch: Epoch, grid: &Path, datum: &str, unit: &str, budget_m: f64, places: &[Place]) -> Out {
    let folder = grid.parent().unwrap();
    // The product knows the coarse global models and refuses a claim of centimetres for them.
    let sigma_m = if grid.to_string_lossy().contains("egm96") { 0.5 } else { 0.01 };
    let text = format!(
        r#"{{"surface": "vertical-datum", "datum": "{datum}", "unit": "{unit}",
            "geoid": {{"grid": "{}", "model": "test", "version": "1", "frame": "{frame}", "sigma_m": {sigma_m}}}}}"#,
        grid.file_name().unwrap().to_string_lossy()
    );
    let mut reference = f::reference(frame, "", "EPSG:6498", &text, budget_m, folder);
    accept_every_point(&mut reference);
    run::<HeightConvert>("{}", &table_of(frame, epoch, places), &reference, locality(places, epoch))
}

/// The geographic 3D system below a projected one: its code, or its text where the registry has none.
pub(super) fn base_of(projected: &str) -> String {
    let base = Projection::plan(projected).unwrap_or_else(|p| panic!("{}", shown(&[p]))).base;
    let proj = ProjContext::new(&[]).unwrap();
    let three = proj.create(&base).unwrap().to_3d().unwrap();
    three.id().map_or_else(|| three.wkt(2).unwrap(), |(authority, code)| format!("{authority}:{code}"))
}

/// One point through the projection of a system, in its own datum: easting and northing in `unit`.
pub(super) fn project(projected: &str, unit: Unit, latitude: f64, longitude: f64) -> (Out, [f64; 2]) {
    let base = base_of(projected);
    let mut way = Way::new(&base, projected).at(2020.0).budget(2.0);
    if unit != Unit::Metre {
        way = way.heights(unit);
    }
    let out = reproject(&way, &[(latitude, longitude, 10.0)]).undisturbed();
    let at = out.grid(unit.symbol())[0];
    (out, at)
}

/// WKT of a geographic 3D system on an ellipsoid, for systems that no registry has.
pub(super) fn geographic_3d(name: &str, axis_m: f64, inverse_flattening: f64) -> String {
    format!(
        r#"GEOGCRS["{name}",DATUM["{name}",ELLIPSOID["{name}",{axis_m},{inverse_flattening},LENGTHUNIT["metre",1]]],PRIMEM["Greenwich",0,ANGLEUNIT["degree",0.0174532925199433]],CS[ellipsoidal,3],AXIS["geodetic latitude (Lat)",north,ORDER[1],ANGLEUNIT["degree",0.0174532925199433]],AXIS["geodetic longitude (Lon)",east,ORDER[2],ANGLEUNIT["degree",0.0174532925199433]],AXIS["ellipsoidal height (h)",up,ORDER[3],LENGTHUNIT["metre",1]]]"#
    )
}

/// A pipeline between geographic systems around a geocentric step; ellipsoids as PROJ writes them.
pub(super) fn around(from: &str, step: &str, to: &str) -> String {
    format!(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart {from} +step {step} +step +inv +proj=cart {to} +step +proj=unitconvert +xy_in=rad +xy_out=deg"
    )
}
