//! Where the nodes of a geoid grid lie, read from the head of a GTX or GeoTIFF file.
//!
//! PROJ interpolates from the nodes that have a value and says nothing when others of the cell have
//! none: at the rim of a coverage a height would be off by decimetres and look good. With the nodes
//! known, such a cell is told apart by how the function behaves in it.

mod cells;

pub use cells::Cells;

use super::area::Area;
use super::proj_context::Object;
use std::io::Read;
use std::path::Path;

/// Position of the nodes, deg. Only the fractions of a cell are used, so whole turns do not matter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GridNodes {
    /// Longitude of the first column of nodes.
    pub west: f64,
    /// Latitude of the southernmost row of nodes.
    pub south: f64,
    /// Distance of columns.
    pub step_longitude: f64,
    /// Distance of rows.
    pub step_latitude: f64,
    /// Number of columns.
    pub columns: u32,
    /// Number of rows.
    pub rows: u32,
}

/// Why a file is no grid of heights.
pub type Refusal = &'static str;

/// Reads the head of a file. `Ok(None)` for a GeoTIFF of several grids, whose nodes are not looked at.
///
/// # Errors
/// When it is neither GTX nor TIFF, or is cut short.
pub fn read(path: &Path) -> Result<Option<GridNodes>, Refusal> {
    const UNREADABLE: Refusal = "it cannot be read";
    let mut file = std::fs::File::open(path).map_err(|_| UNREADABLE)?;
    let length = file.metadata().map_err(|_| UNREADABLE)?.len();
    let mut head = [0; 40];
    let got = read_some(&mut file, &mut head).map_err(|_| UNREADABLE)?;
    let head = head.get(..got).unwrap_or_default();
    if head.starts_with(b"II*\0") || head.starts_with(b"MM\0*") {
        return Ok(tiff(&mut file));
    }
    if !path.extension().is_some_and(|e| e.eq_ignore_ascii_case("gtx")) {
        return Err("it is neither GeoTIFF nor GTX");
    }
    gtx_head(head, length).map(|(south, west, step_latitude, step_longitude, rows, columns)| {
        Some(GridNodes { west, south, step_longitude, step_latitude, columns, rows })
    })
}

fn read_some(file: &mut std::fs::File, into: &mut [u8]) -> std::io::Result<usize> {
    let mut got = 0;
    while got < into.len() {
        match file.read(&mut into[got..])? {
            0 => break,
            n => got += n,
        }
    }
    Ok(got)
}

/// GTX: south, west, step of latitude, step of longitude (big-endian doubles), rows, columns (big-endian
/// 32-bit), then one 32-bit float for each node.
pub(super) fn gtx_head(head: &[u8], length: u64) -> Result<(f64, f64, f64, f64, u32, u32), Refusal> {
    let double = |at: usize| head.get(at..at + 8).and_then(|b| b.try_into().ok()).map(f64::from_be_bytes);
    let count = |at: usize| head.get(at..at + 4).and_then(|b| b.try_into().ok()).map(u32::from_be_bytes);
    let (Some(south), Some(west), Some(step_latitude), Some(step_longitude), Some(rows), Some(columns)) =
        (double(0), double(8), double(16), double(24), count(32), count(36))
    else {
        return Err("it is too short for a GTX file");
    };
    let sane = south.abs() <= 90.0 && west.abs() <= 360.0 && step_latitude > 0.0 && step_longitude > 0.0;
    if !sane || step_latitude > 90.0 || step_longitude > 180.0 || rows < 2 || columns < 2 {
        return Err("its head is not that of a GTX file");
    }
    if length != 40 + 4 * u64::from(rows) * u64::from(columns) {
        return Err("its length does not fit the number of its nodes");
    }
    Ok((south, west, step_latitude, step_longitude, rows, columns))
}

/// The lattice of the only image of a TIFF.
fn tiff(file: &mut std::fs::File) -> Option<GridNodes> {
    let images = super::tiff::images(file);
    let [image] = images.as_slice() else { return None };
    let (west, north, step_longitude, step_latitude) = image.nodes()?;
    if image.width < 2 || image.height < 2 {
        return None;
    }
    let south = north - f64::from(image.height - 1) * step_latitude;
    Some(GridNodes { west, south, step_longitude, step_latitude, columns: image.width, rows: image.height })
}

impl GridNodes {
    /// The box of the nodes. A grid around the whole earth has no western and eastern limit.
    #[must_use]
    pub fn area(&self) -> Area {
        let width = f64::from(self.columns - 1) * self.step_longitude;
        let (west, width) = if width + self.step_longitude >= 360.0 { (-180.0, 360.0) } else { (self.west, width) };
        Area {
            west,
            south: self.south,
            east: west + width,
            north: self.south + f64::from(self.rows - 1) * self.step_latitude,
            name: "the geoid grid".to_owned(),
        }
    }

    /// Whether the place lies in the grid, and some cell beside its own (one cell to each side) lacks a node: the values
    /// there are the outermost of their model. False at the rim of the whole grid, which [`GridNodes::area`] tells.
    #[must_use]
    pub fn hole_beside(&self, grid: &Object, latitude_deg: f64, longitude_deg: f64) -> bool {
        let column = ((longitude_deg - self.west).rem_euclid(360.0) / self.step_longitude).floor();
        let row = ((latitude_deg - self.south) / self.step_latitude).floor();
        (-1..=1).any(|dx| {
            (-1..=1).any(|dy| {
                let (x, y) = (column + f64::from(dx), row + f64::from(dy));
                let inside = x >= 0.0 && y >= 0.0 && x + 1.0 < f64::from(self.columns) && y + 1.0 < f64::from(self.rows);
                inside && self.cell_has_hole(grid, x, y)
            })
        })
    }

    /// Whether some node of a cell has no value.
    ///
    /// With four values the function is a straight line along each axis and meets the next cell
    /// without a step. With one node missing it is a quotient and bends; with two or three missing it
    /// is level along an axis and jumps, or ends, at the empty nodes.
    fn cell_has_hole(&self, grid: &Object, column: f64, row: f64) -> bool {
        let value = |x: f64, y: f64| {
            let longitude = self.west + (column + x) * self.step_longitude;
            let longitude = if longitude > 180.0 { longitude - 360.0 } else { longitude };
            grid.carry([longitude, self.south + (row + y) * self.step_latitude, 0.0, f64::INFINITY]).map(|out| out[2])
        };
        // Lines that do not go through the middle, where two empty corners across from each other hide.
        let (x, y) = (0.3, 0.3);
        let bends = |a: [Result<f64, String>; 3]| match a {
            [Ok(a), Ok(b), Ok(c)] => Some(((a + c - 2.0 * b).abs() > 1e-7, (a - c).abs() < 1e-9)),
            _ => None,
        };
        let along_x = bends([value(0.25, y), value(0.5, y), value(0.75, y)]);
        let along_y = bends([value(x, 0.25), value(x, 0.5), value(x, 0.75)]);
        let (Some((bends_x, level_x)), Some((bends_y, level_y))) = (along_x, along_y) else { return true };
        let e = 1e-6;
        let jumps = |inside: Result<f64, String>, beyond: Result<f64, String>| match (inside, beyond) {
            (Ok(a), Ok(b)) => (a - b).abs() > 1e-3,
            // Beyond the rim of the whole grid there is nothing to compare with.
            (Ok(_), Err(reason)) => !reason.contains("outside"),
            (Err(_), _) => true,
        };
        bends_x
            || bends_y
            || (level_x && (jumps(value(e, y), value(-e, y)) || jumps(value(1.0 - e, y), value(1.0 + e, y))))
            || (level_y && (jumps(value(x, e), value(x, -e)) || jumps(value(x, 1.0 - e), value(x, 1.0 + e))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::area::Extent;
    use crate::grids::GeoidGrid;
    use proptest::prelude::*;
    use survey_testing::{plane, shared, write_gtx};

    #[test]
    fn every_pattern_of_empty_nodes_is_seen() {
        let folder = tempfile::tempdir().unwrap();
        for mask in 0..16_u32 {
            let path = folder.path().join(format!("hole{mask}.gtx"));
            // The four nodes of the middle cell, 27.0 to 27.5 N, 87.5 to 87.0 W.
            write_gtx(&path, 26.0, -88.5, 0.5, 6, 6, |la, lo| {
                let index = [(27.0, -87.5), (27.0, -87.0), (27.5, -87.5), (27.5, -87.0)].iter().position(|n| *n == (la, lo));
                if index.is_some_and(|i| mask >> i & 1 == 1) { f64::NAN } else { plane(la, lo) + (la * lo).sin() * 0.1 }
            });
            let grid = GeoidGrid::at(&path).unwrap();
            for (la, lo) in [(27.2, -87.3), (27.01, -87.49), (27.45, -87.05), (27.25, -87.25)] {
                assert_eq!(grid.separation_at(la, lo).unwrap().is_none(), mask != 0, "{mask:04b} at {la} {lo}");
            }
            assert!(grid.separation_at(26.2, -88.2).unwrap().is_some());
            for (la, lo) in [(26.0, -88.5), (28.5, -86.0), (28.5, -88.2), (26.3, -86.0), (26.5, -88.0)] {
                assert!(grid.separation_at(la, lo).unwrap().is_some(), "on the rim or on a node: {la} {lo}");
            }
            assert!(grid.separation_at(28.51, -87.0).unwrap().is_none());
            // By the column, the same; a row without a position has no separation.
            let places = [(27.2, -87.3), (27.21, -87.31), (26.2, -88.2), (26.0, -88.5), (f64::NAN, -87.0), (29.0, -87.0)];
            let (latitudes, longitudes): (Vec<f64>, Vec<f64>) = places.into_iter().unzip();
            let open = grid.open().unwrap();
            let all = open.separations(&latitudes, &longitudes, &Extent::of(&latitudes, &longitudes));
            assert_eq!(all.missing, all.n.iter().filter(|n| n.is_nan()).count());
            for (i, n) in all.n.iter().enumerate() {
                let alone = open.separation(latitudes[i], longitudes[i]).ok();
                assert_eq!(n.is_nan().then_some(f64::NAN).map_or(Some(*n), |_| None), alone, "{mask:04b} row {i}");
            }
            // Also when the box of the rows has cells with holes, cells without, and the rim.
            let (mut latitudes, mut longitudes) = (vec![], vec![]);
            for i in 0..60 {
                for j in 0..60 {
                    latitudes.push(26.0 + 2.5 * f64::from(i) / 59.0);
                    longitudes.push(-88.5 + 2.5 * f64::from(j) / 59.0);
                }
            }
            let all = open.separations(&latitudes, &longitudes, &Extent::of(&latitudes, &longitudes));
            for (i, n) in all.n.iter().enumerate() {
                let (la, lo) = (latitudes[i], longitudes[i]);
                let middle = (27.0..=27.5).contains(&la) && (-87.5..=-87.0).contains(&lo);
                // An empty node belongs to four cells.
                let beside = (26.5..=28.0).contains(&la) && (-88.0..=-86.5).contains(&lo);
                assert!(!n.is_nan() || (mask != 0 && beside), "{mask:04b} at {la} {lo}");
                assert!(n.is_nan() || mask == 0 || !middle, "{mask:04b} at {la} {lo}");
            }
        }
    }

    #[test]
    fn lattices_of_real_files() {
        let Some(path) = shared("data/grids/us_noaa_g2018p0.tif") else { return };
        // SOURCES.md: west 291, north 21, step 1/60 deg, 361 rows, so south 15.
        let lattice = read(&path).unwrap().unwrap();
        assert!((lattice.step_longitude - 1.0 / 60.0).abs() < 1e-9);
        assert!(((lattice.south - 15.0) * 60.0).abs() < 1e-6 && ((lattice.west - 291.0) * 60.0).abs() < 1e-6, "{lattice:?}");
        assert_eq!((lattice.columns, lattice.rows), (301, 361));
        let area = lattice.area();
        assert!((area.east - 296.0).abs() < 1e-6 && (area.south - 15.0).abs() < 1e-6, "{area:?}");
        // No cell of a full grid looks as if it had a hole.
        let grid = GeoidGrid::at(&path).unwrap();
        for i in 0..40 {
            let (la, lo) = (15.1 + 0.14 * f64::from(i), -68.9 + 0.12 * f64::from(i));
            assert!(grid.separation_at(la, lo).unwrap().is_some(), "{la} {lo}");
        }
    }

    proptest! {
        #[test]
        fn any_bytes_are_refused_or_read_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), head in 0..3) {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("x.gtx");
            let mut all: Vec<u8> = match head { 0 => vec![], 1 => b"II*\0\x08\0\0\0".to_vec(), _ => b"MM\0*\0\0\0\x08".to_vec() };
            all.extend(bytes);
            std::fs::write(&path, all).unwrap();
            let _ = read(&path);
        }
    }
}
