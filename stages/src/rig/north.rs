//! From the sensor's own north to true north.

use crate::geodesy::Crs;
use crate::geodesy::door::{Door, Kind};
use pipeline_core::diag::{Diagnostic, Verdict};
use pipeline_core::rig::{Attitude, North};
use pipeline_core::stage::Problem;
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

/// What is added to a heading to count it from true north.
#[derive(Clone, Debug, PartialEq)]
pub enum ToTrue {
    /// The same everywhere, deg: 0 for a true heading, the declination (east positive) for a
    /// magnetic one.
    Everywhere(f64),
    /// Grid convergence of this projected CRS at the site (from true north clockwise to grid north).
    Grid(String),
}

/// Settles the north of a rig, and gives the standard deviation of the correction, deg.
///
/// # Errors
/// `rig/which-north` when the declination or the CRS is missing, or the CRS has no grid.
pub fn settle(attitude: &Attitude) -> Result<(ToTrue, f64), Problem> {
    match attitude.north {
        North::True => Ok((ToTrue::Everywhere(0.0), 0.0)),
        North::Magnetic => attitude.declination.as_ref().map(|d| (ToTrue::Everywhere(d.declination_deg), d.sigma_deg)).ok_or_else(|| {
            Problem::new("rig/which-north", "the heading counts from magnetic north and the rig gives no declination")
                .rig_key("attitude.north")
                .why("a magnetic heading says nothing about true north without the declination of the site and date")
                .size("a declination of 8 deg moves a target 2 m away by 0.278 m")
                .fix("give `attitude.declination` with `declination_deg`, `source` and `sigma_deg`")
        }),
        North::Grid => {
            let Some(crs) = &attitude.grid_north_crs else {
                return Err(Problem::new("rig/which-north", "the heading counts from grid north and the rig names no grid")
                    .rig_key("attitude.north")
                    .why("grid north differs from true north by the convergence, which depends on the projection and the place")
                    .size("a convergence of 1.27 deg moves a target 3 m away by 0.067 m")
                    .fix("give `attitude.grid_north_crs` with the projected CRS that the heading counts in"));
            };
            let known = Crs::look_up(crs).map_err(|p| p.rig_key("attitude.grid_north_crs"))?;
            if known.kind != Kind::Projected {
                return Err(Problem::new("rig/which-north", format!("{} has no grid north", known.title()))
                    .rig_key("attitude.grid_north_crs")
                    .fix("name a projected CRS"));
            }
            Ok((ToTrue::Grid(crs.clone()), 0.0))
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
pub struct Convergence {
    crs: String,
    /// South-west, south-east, north-west, north-east, deg.
    known: Mutex<BTreeMap<Cell, [f64; 4]>>,
}

impl Convergence {
    /// For a projected CRS.
    #[must_use]
    pub const fn new(crs: String) -> Self {
        Self { crs, known: Mutex::new(BTreeMap::new()) }
    }

    /// A reader for one partition, which remembers the last cell.
    #[must_use]
    pub const fn reader(&self) -> Reader<'_> {
        Reader { parent: self, last: None }
    }

    fn corners(&self, cell: Cell) -> Result<[f64; 4], Problem> {
        if let Some(known) = self.known.lock().unwrap_or_else(PoisonError::into_inner).get(&cell) {
            return Ok(*known);
        }
        let door = Door::new(&[]).map_err(Problem::broken)?;
        let grid = door.create(&self.crs).map_err(Problem::broken)?;
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
pub struct Reader<'a> {
    parent: &'a Convergence,
    last: Option<(Cell, [f64; 4])>,
}

impl Reader<'_> {
    /// Convergence at a latitude and longitude (deg), deg.
    ///
    /// # Errors
    /// When the projection has none there.
    pub fn at(&mut self, latitude_deg: f64, longitude_deg: f64) -> Result<f64, Problem> {
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
