//! From latitude and longitude to the grid of the same datum: a pure conversion, axes by name.

use super::area::Span;
use super::crs::{Crs, block, define, open};
use super::pins::{self, Pipeline};
use super::proj_context::{CoordinateColumn, Factors, Object, ObjectKind, OpenObjects, ProjContext};
use pipeline_base::pin::{GivesIn, Locked, Pin, ProbeAt};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Epoch, Unit};
use survey_mathematics::angle::turn;

/// Part of a step's lock.
const CONVERSION: &str = "conversion";

/// A projected system and the conversion that leads to it from its own geographic system.
#[derive(Clone, Debug)]
pub struct Projection {
    /// The system.
    pub crs: Crs,
    /// Code of the geographic 3D system below it; the 2D one where the datum has no 3D system.
    pub base: String,
    /// Whether the registry knows ellipsoidal heights in that datum.
    pub base_has_heights: bool,
    /// Pipeline: longitude, latitude (deg) in; easting, northing in the unit of the system out.
    pub pipeline: String,
    /// Unit of easting and northing.
    pub unit: Unit,
    /// Of a derived system: the grid that it is based on, and how much easting and northing of it grow with
    /// easting and northing of that grid.
    pub over: Option<DerivedGrid>,
}

/// What a derived system does to its base grid.
#[derive(Clone, Debug, PartialEq)]
pub struct DerivedGrid {
    /// WKT of the base grid.
    pub base: String,
    /// Easting by easting, easting by northing, northing by easting, northing by northing.
    pub growth: [f64; 4],
}

impl DerivedGrid {
    /// Looks at a derived system; `None` for any other.
    fn of(proj: &ProjContext, object: &Object) -> Result<Option<Self>, Problem> {
        let Some(grid) = object.base_grid() else { return Ok(None) };
        if grid.base_grid().is_some() {
            return Err(Problem::new("frame/axes", "a system is derived from a system that is derived itself")
                .fix("derive it from a grid, so that it can be checked"));
        }
        let way = proj.operations(&grid, object, None, false).into_iter().next().and_then(|o| o.normalized()).and_then(|o| o.proj_text());
        let way = way.and_then(|text| proj.create(&text).ok()).ok_or_else(|| Problem::broken("a derived system has no conversion"))?;
        const STEP: f64 = 1e5;
        let at = |e: f64, n: f64| way.carry([e, n, 0.0, f64::INFINITY]).map_err(Problem::broken);
        let (zero, east, north) = (at(0.0, 0.0)?, at(STEP, 0.0)?, at(0.0, STEP)?);
        let by = |to: [f64; 3], i: usize| (to[i] - zero[i]) / STEP;
        let base = grid.wkt(2).ok_or_else(|| Problem::broken("a grid has no WKT"))?;
        Ok(Some(Self { base, growth: [by(east, 0), by(north, 0), by(east, 1), by(north, 1)] }))
    }

    /// Convergence and scale from those of the base grid.
    fn turn(&self, f: Factors) -> Factors {
        let (s, c) = f.convergence_deg.to_radians().sin_cos();
        let [ee, en, ne, nn] = self.growth;
        let carried = |[x, y]: [f64; 2]| [ee * x + en * y, ne * x + nn * y];
        let north = carried([-s * f.meridional, c * f.meridional]);
        let east = carried([c * f.parallel, s * f.parallel]);
        Factors {
            convergence_deg: (-north[0]).atan2(north[1]).to_degrees(),
            meridional: north[0].hypot(north[1]),
            parallel: east[0].hypot(east[1]),
        }
    }
}

/// A point on the grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GridPoint {
    /// Easting, in the unit of the system.
    pub easting: f64,
    /// Northing, in the unit of the system.
    pub northing: f64,
    /// Convergence and scale.
    pub factors: Factors,
}

impl Projection {
    /// Prepares a projected system.
    ///
    /// # Errors
    /// `frame/unknown-crs`, `frame/not-horizontal`, `frame/axes`, `frame/unit`; the caller names the key.
    pub fn plan(text: &str) -> Result<Self, Problem> {
        let proj = open(&[])?;
        let object = define(&proj, text)?;
        let crs = Crs::of(text, &object);
        if crs.kind != ObjectKind::Projected {
            return Err(not_horizontal(&crs));
        }
        let unit = crs.horizontal_unit().ok_or_else(|| {
            Problem::new("frame/unit", format!("{} is in `{}`", crs.title(), crs.axes.first().map_or("", |a| a.unit.as_str())))
                .size("a factor of 3.28 between feet and metres, and metres in whole coordinates between two feet")
                .why("coordinates are delivered in m, ft or ftUS")
                .fix("name a system in one of these units")
        })?;
        let has = |word: &str, direction: &str| crs.axes.iter().any(|a| a.direction == direction || a.name.to_lowercase().contains(word));
        if crs.axes.len() < 2 || !has("easting", "east") || !has("northing", "north") {
            let axes: Vec<String> = crs.axes.iter().map(|a| format!("{} ({})", a.name, a.direction)).collect();
            return Err(Problem::new(
                "frame/axes",
                format!("the axes of {} are {}, not easting and northing", crs.title(), axes.join(" and ")),
            )
            .size("the whole coordinate, hundreds of kilometres, if one were taken for the other")
            .why("columns are named easting and northing, and a reader takes them so")
            .fix("name a system with eastings and northings"));
        }
        let geodetic = object.geodetic().ok_or_else(|| Problem::broken("a projected system without a geographic one"))?;
        let base_crs = Crs::of(text, &geodetic);
        if base_crs.horizontal_unit().is_none() || geodetic.proj_text().is_some_and(|t| t.contains("+pm=")) {
            return Err(Problem::new("frame/meridian", format!("{} does not count degrees from Greenwich", base_crs.title()))
                .size("every longitude by that of its meridian, 100 km and more")
                .why("longitudes of a receiver count from Greenwich, and no step here turns them")
                .fix("name a system with degrees from Greenwich"));
        }
        let base_has_heights = base_crs.geographic_3d.is_some();
        let base = match (&base_crs.geographic_3d, geodetic.id()) {
            (Some(code), _) => code.clone(),
            (None, Some((authority, code))) => format!("{authority}:{code}"),
            (None, None) => geodetic.wkt(2).ok_or_else(|| Problem::broken("a geographic system has no text"))?,
        };
        let flat = geodetic.to_2d().ok_or_else(|| Problem::broken("a geographic system cannot be made 2D"))?;
        let pipeline = proj
            .operations(&flat, &object, None, false)
            .into_iter()
            .next()
            .and_then(|o| o.normalized())
            .and_then(|o| o.proj_text())
            .ok_or_else(|| block("frame/no-operation", format!("{} cannot be computed from {}", crs.title(), base_crs.title())))?;
        if pipeline.contains("+proj=eqc") && crs.ellipsoid.f > 0.0 {
            // Method 1028 of the registry counts northings along the meridian of the ellipsoid; PROJ 9.6.2 takes a sphere.
            return Err(block(
                "frame/spherical-formula",
                format!("{} lies on an ellipsoid, and the geodesy library computes its method on a sphere", crs.title()),
            )
            .size("25 km in northing at 55 degrees")
            .why("IOGP Guidance Note 7-2, method 1028: N 6097230.31 m at 55 N; the library gives 6122571.99 m")
            .fix("deliver in a conformal grid, such as the national one or UTM"));
        }
        let over = DerivedGrid::of(&proj, &object)?;
        let projection = Self { crs, base, base_has_heights, pipeline, unit, over };
        projection.check_axes()?;
        Ok(projection)
    }

    /// Axis order by computation: a step to the north must move the point along the direction that
    /// the convergence says. Swapped axes cannot pass.
    fn check_axes(&self) -> Result<(), Problem> {
        let Some(area) = &self.crs.area else { return Ok(()) };
        let (latitude, longitude) = area.centre();
        let open = self.open()?;
        let [pipeline, _] = open.kept.objects();
        let (Ok(a), Ok(b), Ok(f)) = (
            pipeline.carry([longitude, latitude, 0.0, f64::INFINITY]),
            pipeline.carry([longitude, latitude + 1e-6, 0.0, f64::INFINITY]),
            open.factors(latitude, longitude),
        ) else {
            return Ok(());
        };
        let computed = (-(b[0] - a[0])).atan2(b[1] - a[1]).to_degrees();
        if turn(f.convergence_deg, computed).abs() > 0.01 {
            return Err(Problem::new("frame/axes", format!("easting and northing of {} cannot be told apart", self.crs.title()))
                .fix("name a system with eastings and northings"));
        }
        Ok(())
    }

    fn gives_in(&self) -> GivesIn {
        match self.unit {
            Unit::Foot => GivesIn::Foot,
            Unit::UsSurveyFoot => GivesIn::UsSurveyFoot,
            _ => GivesIn::Metre,
        }
    }

    /// For the lock of a job.
    ///
    /// # Errors
    /// When it gives no result at a point.
    pub fn pin(&self, probes: &[ProbeAt]) -> Result<Pin, Problem> {
        Pipeline {
            part: CONVERSION,
            name: &self.crs.name,
            from: &self.base,
            to: &self.crs.code(),
            text: &self.pipeline,
            accuracy_m: None,
            files: &[],
            gives_in: self.gives_in(),
            time: Epoch::Static,
        }
        .pin(probes)
    }

    /// Takes the conversion that the lock says; gives what this machine would have taken, when that is another.
    ///
    /// # Errors
    /// `lock/differs`, `lock/stale`.
    pub fn locked(&mut self, locked: Locked) -> Result<Vec<Problem>, Problem> {
        let pin = locked.pin(CONVERSION)?;
        pins::hold(locked, pin, (&self.base, &self.crs.code()), &[], None)?;
        let other = pins::other_choice(pin, &self.crs.name, &self.pipeline, &[]);
        self.pipeline.clone_from(&pin.pipeline);
        Ok(other.into_iter().collect())
    }

    /// Opens it for computing, by one thread at a time.
    ///
    /// # Errors
    /// When the library cannot start, or PROJ refuses the pinned pipeline.
    pub fn open(&self) -> Result<OpenProjection, Problem> {
        let grid = self.over.as_ref().map_or(self.crs.text.as_str(), |over| over.base.as_str());
        let kept = OpenObjects::new(open(&[])?, |proj| Ok([proj.create(&self.pipeline).map_err(Problem::broken)?, define(proj, grid)?]))?;
        Ok(OpenProjection { kept, over: self.over.clone() })
    }

    /// Easting and northing at one place.
    ///
    /// # Errors
    /// PROJ's reason.
    pub fn at(&self, latitude_deg: f64, longitude_deg: f64) -> Result<GridPoint, String> {
        let open = self.open().map_err(|p| p.finding.what)?;
        open.project(latitude_deg, longitude_deg)
    }
}

/// A projection ready to compute, by one thread at a time.
pub struct OpenProjection {
    /// The pipeline, and the grid whose convergence and scale PROJ knows: the system itself, or the base of a derived one.
    kept: OpenObjects<2>,
    over: Option<DerivedGrid>,
}

/// Points on the grid, column by column; NaN where a row has no position or the projection gives none.
pub struct GridColumns {
    /// Eastings, in the unit of the system.
    pub easting: Vec<f64>,
    /// Northings, in the unit of the system.
    pub northing: Vec<f64>,
    /// Grid convergence, deg.
    pub convergence_deg: Vec<f64>,
    /// Scale along the meridian.
    pub scale: Vec<f64>,
    /// Rows with a position for which the projection gives nothing.
    pub failed: Vec<usize>,
}

impl OpenProjection {
    /// The same for whole columns of latitude and longitude (deg).
    #[must_use]
    pub fn project_columns(&self, latitude_deg: &[f64], longitude_deg: &[f64]) -> GridColumns {
        let rows = latitude_deg.len().min(longitude_deg.len());
        let (mut easting, mut northing) = (longitude_deg.to_vec(), latitude_deg.to_vec());
        let [pipeline, _] = self.kept.objects();
        let content = pipeline.carry_columns(&mut easting, &mut northing, CoordinateColumn::All(0.0), CoordinateColumn::All(f64::INFINITY));
        let whole = Span::of(&easting).finite && Span::of(&northing).finite;
        let (mut convergence_deg, mut scale) = (Vec::with_capacity(rows), Vec::with_capacity(rows));
        let mut failed = vec![];
        for i in 0..rows {
            let (latitude, longitude) = (latitude_deg[i], longitude_deg[i]);
            let there = whole || (easting[i].is_finite() && northing[i].is_finite());
            let factors = if there { self.factors(latitude, longitude).ok() } else { None };
            let (convergence, by) = factors.map_or((f64::NAN, f64::NAN), |f| (f.convergence_deg, f.meridional));
            convergence_deg.push(convergence);
            scale.push(by);
            if factors.is_none() {
                (easting[i], northing[i]) = (f64::NAN, f64::NAN);
                if latitude.is_finite() && longitude.is_finite() {
                    failed.push(i);
                }
            }
        }
        if failed.is_empty() && !content {
            // An error that no row shows: none of them is to be trusted.
            failed = (0..rows).collect();
        }
        GridColumns { easting, northing, convergence_deg, scale, failed }
    }

    /// Easting, northing, convergence and scale of a latitude and longitude (deg).
    ///
    /// # Errors
    /// PROJ's reason.
    pub fn project(&self, latitude_deg: f64, longitude_deg: f64) -> Result<GridPoint, String> {
        let [pipeline, _] = self.kept.objects();
        let [easting, northing, _] = pipeline.carry([longitude_deg, latitude_deg, 0.0, f64::INFINITY])?;
        Ok(GridPoint { easting, northing, factors: self.factors(latitude_deg, longitude_deg)? })
    }

    /// Convergence and scale at a latitude and longitude (deg).
    ///
    /// # Errors
    /// PROJ's reason.
    pub fn factors(&self, latitude_deg: f64, longitude_deg: f64) -> Result<Factors, String> {
        let [_, grid] = self.kept.objects();
        let factors = grid.factors(latitude_deg, longitude_deg)?;
        Ok(self.over.as_ref().map_or(factors, |over| over.turn(factors)))
    }
}

fn not_horizontal(crs: &Crs) -> Problem {
    let kind = match crs.kind {
        ObjectKind::Compound => "a horizontal and a vertical system together",
        ObjectKind::Vertical => "a vertical system",
        ObjectKind::Geocentric => "a geocentric system",
        _ => "neither projected nor geographic",
    };
    Problem::new("frame/not-horizontal", format!("{} is {kind}", crs.title()))
        .size("no eastings and northings, and heights that nobody named: tens of metres between the ellipsoid and a geoid")
        .why("a delivery names its horizontal system and its heights apart, so that neither is inherited silently")
        .fix("give the horizontal code in `delivery.crs` and the vertical code in `delivery.heights.datum`")
}

/// A place outside the area of use of a target (`frame/outside-area`): distance, the numbers that
/// would come out, and the systems of the same kind that contain it.
///
/// `None` when it is inside, or when no area is known.
#[must_use]
pub fn outside_target(projection: &Projection, place: Locality) -> Option<Problem> {
    let area = projection.crs.area.as_ref()?;
    if area.contains(place.latitude_deg, place.longitude_deg) {
        return None;
    }
    let unit = projection.unit.symbol();
    let size = match projection.at(place.latitude_deg, place.longitude_deg) {
        Ok(p) => format!("E {:.3} {unit} N {:.3} {unit} would come out, scale {:.6}", p.easting, p.northing, p.factors.meridional),
        Err(e) => format!("no coordinates would come out: {e}"),
    };
    let inside = containing(projection, place);
    let fix = if inside.is_empty() {
        "name a system whose area of use contains the work".to_owned()
    } else {
        format!("use {}, whose area of use contains the work", inside.join(" or "))
    };
    Some(crate::outside::beyond(&projection.crs, area, place).size(size).fix(fix))
}

/// Up to three systems of the same authority, datum and unit that contain a place: same method
/// first, small areas first.
fn containing(projection: &Projection, place: Locality) -> Vec<String> {
    let Some((authority, _)) = &projection.crs.id else { return vec![] };
    let Ok(proj) = ProjContext::new(&[]) else { return vec![] };
    let all = proj.list(authority, true, place.latitude_deg, place.longitude_deg);
    let base = projection.crs.name.split(" / ").next().unwrap_or_default().to_owned();
    let method = proj
        .create(&projection.crs.text)
        .ok()
        .and_then(|o| o.area())
        .and_then(|a| {
            let (latitude, longitude) = a.centre();
            proj.list(authority, true, latitude, longitude).into_iter().find(|l| l.code == projection.crs.code()).map(|l| l.method)
        })
        .unwrap_or_default();
    let mut fitting: Vec<_> = all
        .into_iter()
        .filter(|l| l.name.split(" / ").next() == Some(base.as_str()))
        .filter(|l| Crs::look_up(&l.code).is_ok_and(|c| c.datum == projection.crs.datum && c.horizontal_unit() == Some(projection.unit)))
        .collect();
    fitting.sort_by(|a, b| {
        (a.method != method).cmp(&(b.method != method)).then(a.area.size().total_cmp(&b.area.size())).then(a.code.cmp(&b.code))
    });
    fitting.into_iter().take(3).map(|l| format!("`{}` ({})", l.code, l.name)).collect()
}
