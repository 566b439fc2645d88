//! From the sensor's own north to true north.

use crate::geodesy::door::Door;
use pipeline_core::diag::{Diagnostic, Verdict};
use pipeline_core::rig::{Attitude, North};
use pipeline_core::stage::Problem;
use std::collections::BTreeMap;

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
            Ok((ToTrue::Grid(crs.clone()), 0.0))
        }
    }
}

/// Side of the cells at whose corners the convergence is computed, deg.
const CELL_DEG: f64 = 0.05;

/// Grid convergence at any place, from the corners of cells of 0.05 degrees. The corners depend on
/// the place alone, so the result does not depend on what else was asked. Between the corners it is
/// interpolated on two lines; in a 0.05 degree cell of a conformal projection that is good to
/// 0.0001 degree outside the polar caps.
pub struct Convergence {
    door: Door,
    crs: String,
    corners: BTreeMap<(i64, i64), f64>,
}

impl Convergence {
    /// For a projected CRS.
    ///
    /// # Errors
    /// When the geodesy library does not start.
    pub fn new(crs: &str) -> Result<Self, Problem> {
        let door = Door::new(&[]).map_err(Problem::broken)?;
        Ok(Self { door, crs: crs.to_owned(), corners: BTreeMap::new() })
    }

    fn corner(&mut self, row: i64, column: i64) -> Result<f64, Problem> {
        if let Some(known) = self.corners.get(&(row, column)) {
            return Ok(*known);
        }
        #[allow(clippy::cast_precision_loss)]
        let (latitude, longitude) = (row as f64 * CELL_DEG, column as f64 * CELL_DEG);
        let found = self.door.create(&self.crs).and_then(|o| o.factors(latitude, longitude)).map_err(|e| {
            Problem::from(
                Diagnostic::new("rig/which-north", Verdict::Block, format!("`{}` has no convergence at {latitude:.2} {longitude:.2}: {e}", self.crs))
                    .why("the heading counts from the grid north of this CRS")
                    .fix("set `attitude.grid_north_crs` to a projected CRS that covers the site"),
            )
            .rig_key("attitude.grid_north_crs")
        })?;
        self.corners.insert((row, column), found.convergence_deg);
        Ok(found.convergence_deg)
    }

    /// Convergence at a latitude and longitude (deg), deg.
    ///
    /// # Errors
    /// When the projection has none there.
    pub fn at(&mut self, latitude_deg: f64, longitude_deg: f64) -> Result<f64, Problem> {
        let (y, x) = (latitude_deg / CELL_DEG, longitude_deg / CELL_DEG);
        #[allow(clippy::cast_possible_truncation)]
        let (row, column) = (y.floor() as i64, x.floor() as i64);
        let (fy, fx) = (y - y.floor(), x - x.floor());
        let south = self.corner(row, column)? * (1.0 - fx) + self.corner(row, column + 1)? * fx;
        let north = self.corner(row + 1, column)? * (1.0 - fx) + self.corner(row + 1, column + 1)? * fx;
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
            let have = Convergence::new(crs).unwrap().at(lat, lon).unwrap();
            assert!((have - want).abs() < close, "{crs}: {have}");
        }
        assert!(Convergence::new("EPSG:4326").unwrap().at(50.0, 10.0).is_err());
    }
}
