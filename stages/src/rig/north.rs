//! From the sensor's own north to true north.

use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::rig::{Attitude, MagneticModel, North};
use raw_logs::time_columns::DAY_NS;
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};
use survey_geodesy::proj_context::{ObjectKind, ProjContext};
use survey_geodesy::{Crs, magnetic};

/// What is added to a heading to count it from true north.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum ToTrue {
    /// The same everywhere, deg: 0 for a true heading, the declination (east positive) for a
    /// magnetic one.
    Everywhere(f64),
    /// Grid convergence of this projected CRS at the site (from true north clockwise to grid north).
    Grid(String),
    /// Declination of a model at each place and day.
    Model(MagneticModel),
}

impl ToTrue {
    /// In words, for the plan.
    #[must_use]
    pub(crate) fn words(&self, place: Option<Locality>) -> String {
        match self {
            Self::Everywhere(0.0) => "true".to_owned(),
            Self::Everywhere(d) => format!("magnetic, declination {d:+.3} deg"),
            Self::Grid(crs) => format!("grid of {crs}, convergence at each place"),
            Self::Model(model) => {
                let here = place.and_then(|p| at_locality(*model, p).ok().flatten());
                let here = here.map_or_else(String::new, |d| format!("; {:+.2} deg here, sigma {:.2} deg", d.declination_deg, d.sigma_deg));
                format!("magnetic, declination of {} at each place and day{here}", model.word())
            }
        }
    }
}

/// Settles the north of a rig, and gives the standard deviation of the correction, deg. `notes`
/// takes what is only a warning.
///
/// # Errors
/// `rig/which-north` when the declination or the CRS is missing, or the CRS has no grid;
/// `rig/magnetic-model` when the model does not hold here or at this time.
pub(crate) fn settle(attitude: &Attitude, place: Option<Locality>, notes: &mut Vec<Problem>) -> Result<(ToTrue, f64), Problem> {
    match attitude.north {
        North::True => Ok((ToTrue::Everywhere(0.0), 0.0)),
        North::Magnetic => magnetic_north(attitude, place, notes),
        North::Grid => {
            let Some(crs) = &attitude.grid_north_crs else {
                return Err(Problem::new("rig/which-north", "the heading counts from grid north and the rig names no grid")
                    .rig_key("attitude.north")
                    .why("grid north differs from true north by the convergence, which depends on the projection and the place")
                    .size("a convergence of 1.27 deg moves a target 3 m away by 0.067 m")
                    .fix("give `attitude.grid_north_crs` with the projected CRS that the heading counts in"));
            };
            let known = Crs::look_up(crs).map_err(|p| p.rig_key("attitude.grid_north_crs"))?;
            if known.kind != ObjectKind::Projected {
                return Err(Problem::new("rig/which-north", format!("{} has no grid north", known.title()))
                    .rig_key("attitude.grid_north_crs")
                    .fix("name a projected CRS"));
            }
            Ok((ToTrue::Grid(crs.clone()), 0.0))
        }
    }
}

fn magnetic_north(attitude: &Attitude, place: Option<Locality>, notes: &mut Vec<Problem>) -> Result<(ToTrue, f64), Problem> {
    let which = |what: &str| {
        Problem::new("rig/which-north", format!("the heading counts from magnetic north and {what}"))
            .rig_key("attitude.declination")
            .why("a magnetic heading says nothing about true north without the declination of the site and date")
            .size("a declination of 8 deg moves a target 2 m away by 0.278 m")
            .fix("give `attitude.declination` with `model: WMM2025`, or with `declination_deg`, `source` and `sigma_deg`")
    };
    let Some(declination) = &attitude.declination else { return Err(which("the rig gives no declination")) };
    let model = match (declination.model, declination.declination_deg) {
        (Some(_), Some(_)) => return Err(which("the rig names both a model and a number")),
        (None, None) => return Err(which("the rig names neither a model nor a number")),
        (None, Some(degrees)) => {
            return match (&declination.source, declination.sigma_deg) {
                (Some(_), Some(sigma)) => Ok((ToTrue::Everywhere(degrees), sigma)),
                (None, _) => Err(which("the declination has no `source`")),
                (_, None) => Err(which("the declination has no `sigma_deg`")),
            };
        }
        (Some(model), None) => model,
    };
    let here = match place {
        Some(place) => at_locality(model, place).map_err(|why| outside(model, &why))?,
        None => None,
    };
    if let Some(found) = here {
        if found.horizontal_nt < magnetic::BLACKOUT_NT {
            return Err(outside(model, &format!("the horizontal field here is {:.0} nT, too weak for any compass", found.horizontal_nt)));
        }
        if found.horizontal_nt < magnetic::CAUTION_NT {
            notes.push(
                Problem::from(
                    Diagnostic::new(
                        "rig/magnetic-weak",
                        Verdict::Warn,
                        format!("the horizontal magnetic field here is {:.0} nT, and a compass is weak below 6000 nT", found.horizontal_nt),
                    )
                    .size(format!("one sigma of the declination is {:.1} deg, {:.3} m at 2 m", found.sigma_deg, off(found.sigma_deg)))
                    .why("near the magnetic poles the field points down and turns quickly from place to place")
                    .fix("use a sensor that finds true north by two antennas"),
                )
                .rig_key("attitude.north"),
            );
        }
    }
    match declination.sigma_deg.or(here.map(|d| d.sigma_deg)) {
        Some(sigma) => Ok((ToTrue::Model(model), sigma)),
        None => Err(which("no log of this job tells place and date, so that the model's own sigma is not known")
            .fix("give `attitude.declination.sigma_deg`, or a log with positions and dates")),
    }
}

/// Offset (m) at 2 m of an error of the heading, deg.
fn off(degrees: f64) -> f64 {
    2.0 * 2.0 * (degrees.to_radians() / 2.0).sin().abs()
}

/// The model at the place of the work; `Ok(None)` when no date is known.
pub(crate) fn at_locality(model: MagneticModel, place: Locality) -> Result<Option<magnetic::Declination>, String> {
    let Some(instant) = place.decimal_year.and_then(survey_geodesy::epoch::instant) else { return Ok(None) };
    magnetic::declination(model, place.latitude_deg, place.longitude_deg, place.height_m.unwrap_or(0.0), instant.div_euclid(DAY_NS))
        .map(Some)
}

/// A model that does not hold (`rig/magnetic-model`).
fn outside(model: MagneticModel, why: &str) -> Problem {
    Problem::blocks("rig/magnetic-model", format!("the declination cannot be taken from {}: {why}", model.word()))
        .rig_key("attitude.declination.model")
        .size("up to 0.2 deg for each year beyond the model, 0.007 m at 2 m; near the magnetic poles any angle")
        .why("each edition is made for five years, because the core field changes in ways that nobody can foretell")
        .fix("name the edition of the time of the survey, or give `declination_deg` with `source` and `sigma_deg`")
}

/// Gives the correction to true north, place after place.
pub(crate) enum Turn<'a> {
    /// The same everywhere, deg.
    Same(f64),
    /// Convergence of a grid.
    Grid(Reader<'a>),
    /// Declination of a model, with the last cell and day.
    Model(MagneticModel, Option<(Cell, i64, f64)>),
}

impl<'a> Turn<'a> {
    /// For one partition; `convergence` belongs to a grid north.
    ///
    /// # Errors
    /// A broken promise when a grid north comes without its grid.
    pub(crate) fn of(north: &ToTrue, convergence: Option<&'a Convergence>) -> Result<Self, Problem> {
        match (north, convergence) {
            (ToTrue::Everywhere(degrees), _) => Ok(Self::Same(*degrees)),
            (ToTrue::Model(model), _) => Ok(Self::Model(*model, None)),
            (ToTrue::Grid(_), Some(convergence)) => Ok(Self::Grid(convergence.reader())),
            (ToTrue::Grid(_), None) => Err(Problem::broken("grid north without its grid")),
        }
    }

    /// Correction at a latitude, longitude (deg), ellipsoidal height (m) and instant (ns since 1970), deg.
    ///
    /// A model is evaluated at the middle of cells of 0.05 degrees and at whole days, so that the result does not
    /// depend on what else was asked; across such a cell it changes by less than 0.1 degree outside the polar caps.
    ///
    /// # Errors
    /// When the grid or the model has none there.
    pub(crate) fn at(&mut self, latitude_deg: f64, longitude_deg: f64, height_m: f64, instant: Option<i64>) -> Result<f64, Problem> {
        match self {
            Self::Same(degrees) => Ok(*degrees),
            Self::Grid(reader) => reader.at(latitude_deg, longitude_deg),
            Self::Model(model, last) => {
                let day = instant.ok_or_else(|| outside(*model, "an epoch has no time"))?.div_euclid(DAY_NS);
                #[allow(clippy::cast_possible_truncation)]
                let cell = ((latitude_deg / CELL_DEG).floor() as i64, (longitude_deg / CELL_DEG).floor() as i64);
                if let Some((at, on, degrees)) = last
                    && (*at, *on) == (cell, day)
                {
                    return Ok(*degrees);
                }
                #[allow(clippy::cast_precision_loss)]
                let (latitude, longitude) = ((cell.0 as f64 + 0.5) * CELL_DEG, (cell.1 as f64 + 0.5) * CELL_DEG);
                // Heights of works change the declination by less than 0.001 degree; rounding keeps it a function of the place.
                let found = magnetic::declination(*model, latitude.min(90.0), longitude, (height_m / 1000.0).round() * 1000.0, day)
                    .map_err(|why| outside(*model, &why))?;
                if found.horizontal_nt < magnetic::BLACKOUT_NT {
                    return Err(outside(*model, "the horizontal field is too weak for any compass"));
                }
                *last = Some((cell, day, found.declination_deg));
                Ok(found.declination_deg)
            }
        }
    }
}

/// Side of the cells at whose corners the convergence is computed, deg.
const CELL_DEG: f64 = 0.05;

/// Row and column of a cell.
type Cell = (i64, i64);

/// Grid convergence at any place, from the corners of cells of 0.05 degrees. The corners depend on
/// the place alone, so the result does not depend on what else was asked, nor on threads. Between
/// the corners it is interpolated on two lines; in a 0.05 degree cell of a conformal projection that
/// is good to 0.0001 degree outside the polar caps.
pub(crate) struct Convergence {
    crs: String,
    /// South-west, south-east, north-west, north-east, deg.
    known: Mutex<BTreeMap<Cell, [f64; 4]>>,
}

impl Convergence {
    /// For a projected CRS.
    #[must_use]
    pub(crate) const fn new(crs: String) -> Self {
        Self { crs, known: Mutex::new(BTreeMap::new()) }
    }

    /// A reader for one partition, which remembers the last cell.
    #[must_use]
    pub(crate) const fn reader(&self) -> Reader<'_> {
        Reader { parent: self, last: None }
    }

    fn corners(&self, cell: Cell) -> Result<[f64; 4], Problem> {
        if let Some(known) = self.known.lock().unwrap_or_else(PoisonError::into_inner).get(&cell) {
            return Ok(*known);
        }
        let proj = ProjContext::new(&[]).map_err(Problem::broken)?;
        let grid = proj.create(&self.crs).map_err(Problem::broken)?;
        let mut corners = [0.0; 4];
        for (corner, (dy, dx)) in corners.iter_mut().zip([(0, 0), (0, 1), (1, 0), (1, 1)]) {
            #[allow(clippy::cast_precision_loss)]
            let (latitude, longitude) = ((cell.0 + dy) as f64 * CELL_DEG, (cell.1 + dx) as f64 * CELL_DEG);
            let found = grid.factors(latitude, longitude).map_err(|e| {
                Problem::from(
                    Diagnostic::new(
                        "rig/which-north",
                        Verdict::Block,
                        format!("`{}` has no convergence at {latitude:.2} {longitude:.2}: {e}", self.crs),
                    )
                    .why("the heading counts from the grid north of this CRS")
                    .fix("set `attitude.grid_north_crs` to a projected CRS that covers the site"),
                )
                .rig_key("attitude.grid_north_crs")
            })?;
            *corner = found.convergence_deg;
        }
        self.known.lock().unwrap_or_else(PoisonError::into_inner).insert(cell, corners);
        Ok(corners)
    }
}

/// Reads the convergence, place after place.
pub(crate) struct Reader<'a> {
    parent: &'a Convergence,
    last: Option<(Cell, [f64; 4])>,
}

impl Reader<'_> {
    /// Convergence at a latitude and longitude (deg), deg.
    ///
    /// # Errors
    /// When the projection has none there.
    pub(crate) fn at(&mut self, latitude_deg: f64, longitude_deg: f64) -> Result<f64, Problem> {
        let (y, x) = (latitude_deg / CELL_DEG, longitude_deg / CELL_DEG);
        #[allow(clippy::cast_possible_truncation)]
        let cell = (y.floor() as i64, x.floor() as i64);
        let corners = match self.last {
            Some((last, corners)) if last == cell => corners,
            _ => {
                let corners = self.parent.corners(cell)?;
                self.last = Some((cell, corners));
                corners
            }
        };
        let (fy, fx) = (y - y.floor(), x - x.floor());
        let [south_west, south_east, north_west, north_east] = corners;
        let south = south_west * (1.0 - fx) + south_east * fx;
        let north = north_west * (1.0 - fx) + north_east * fx;
        Ok(south * (1.0 - fy) + north * fy)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn convergence_of_the_cases() {
        // S-TILT-LASER-1 and -2 of checks/09_intersection_localisation.csv: UTM 13N -0.168970 deg,
        // UTM 31N -1.019347 deg. what-goes-wrong.md P18: UTM 16N at Lansing 1.66 deg.
        for (crs, lat, lon, want, close) in [
            ("EPSG:32613", 40.020_576_1, -105.262_757_2, -0.168_970, 1e-4),
            ("EPSG:32631", 52.657_570_3, 1.717_921_6, -1.019_347, 1e-4),
            ("EPSG:32616", 42.73, -84.55, 1.66, 0.01),
        ] {
            let have = Convergence::new(crs.to_owned()).reader().at(lat, lon).unwrap();
            assert!((have - want).abs() < close, "{crs}: {have}");
        }
        assert!(Convergence::new("EPSG:4326".to_owned()).reader().at(50.0, 10.0).is_err());
    }
}
