//! Which cells of a grid have a hole, asked once for each cell.
//!
//! A survey has many points in few cells, and its sessions lie in the same cells. What was found is remembered for the next
//! session; it depends on the grid alone.

use super::GridNodes;
use crate::area::Extent;
use crate::proj_context::Object;
use std::collections::HashMap;

/// Fraction of a cell within which a place counts as on the line of nodes.
const ON_LINE: f64 = 1e-6;
/// Cells are remembered in squares of so many by so many.
const SIDE: usize = 64;
/// So many squares at most, of 4 kB each; then everything is forgotten.
const SQUARES: usize = 1024;
/// Boxes of more cells than this are not looked at as a whole.
const BOX: usize = 1 << 20;

/// What is known of a cell.
#[derive(Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
enum Cell {
    Unknown,
    Whole,
    Hole,
}

type Square = Box<[Cell; SIDE * SIDE]>;

/// The cells of a grid, as far as they were looked at.
pub struct Cells {
    lattice: GridNodes,
    /// Cells from west to east; a grid around the earth has one between its last and its first column of nodes too.
    columns: usize,
    /// Cells from south to north.
    rows: usize,
    around: bool,
    squares: HashMap<(usize, usize), Square>,
}

impl Cells {
    /// Nothing is known yet.
    #[must_use]
    pub fn of(lattice: GridNodes) -> Self {
        let around = f64::from(lattice.columns) * lattice.step_longitude >= 360.0 - ON_LINE;
        let count = |nodes: u32| usize::try_from(nodes.saturating_sub(1)).unwrap_or(0);
        let columns = if around { turn_of(&lattice) } else { count(lattice.columns) };
        Self { lattice, columns, rows: count(lattice.rows), around, squares: HashMap::new() }
    }

    /// Takes away the values of rows whose cell has a hole; `extent` is the box around all rows. Says whether there was one.
    pub fn take_away(&mut self, grid: &Object, latitude_deg: &[f64], longitude_deg: &[f64], extent: &Extent, values: &mut [f64]) -> bool {
        if self.whole_box(grid, extent, values.len()) {
            return false;
        }
        let mut any = false;
        for ((n, latitude), longitude) in values.iter_mut().zip(latitude_deg).zip(longitude_deg) {
            if n.is_finite() && self.has_hole(grid, *latitude, *longitude) {
                *n = f64::NAN;
                any = true;
            }
        }
        any
    }

    /// Whether some node of the cell around a place has no value.
    #[must_use]
    pub fn has_hole(&mut self, grid: &Object, latitude_deg: f64, longitude_deg: f64) -> bool {
        // On a line of nodes both cells give the same value, so one without a hole is enough; at the rim of
        // the grid there is only one.
        let (columns, rows) = (beside(self.column(longitude_deg)), beside(self.row(latitude_deg)));
        !columns.into_iter().any(|column| rows.into_iter().any(|row| !self.cell(grid, column, row)))
    }

    /// Columns of cells from the western rim, for a longitude on this side of the earth.
    fn column(&self, longitude_deg: f64) -> f64 {
        let turn = 360.0 / self.lattice.step_longitude;
        let column = (longitude_deg - self.lattice.west).rem_euclid(360.0) / self.lattice.step_longitude;
        // Just outside the western rim is not a whole turn to the east.
        #[allow(clippy::cast_precision_loss)]
        let middle_of_the_gap = f64::midpoint(self.columns as f64, turn);
        if !self.around && column > middle_of_the_gap { column - turn } else { column }
    }

    fn row(&self, latitude_deg: f64) -> f64 {
        (latitude_deg - self.lattice.south) / self.lattice.step_latitude
    }

    /// Whether a cell has a hole; a cell that the grid does not have is one.
    fn cell(&mut self, grid: &Object, column: f64, row: f64) -> bool {
        #[allow(clippy::cast_precision_loss)]
        let (columns, rows) = (self.columns as f64, self.rows as f64);
        let column = if self.around { column.rem_euclid(columns) } else { column };
        if !(column >= 0.0 && column < columns && row >= 0.0 && row < rows) {
            return true;
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let (column, row) = (column as usize, row as usize);
        let lattice = self.lattice;
        let square = self.square(column / SIDE, row / SIDE);
        square.get_mut(place(column, row)).is_none_or(|cell| look(cell, lattice, grid, column, row))
    }

    fn square(&mut self, column: usize, row: usize) -> &mut Square {
        if self.squares.len() >= SQUARES && !self.squares.contains_key(&(column, row)) {
            self.squares.clear();
        }
        self.squares.entry((column, row)).or_insert_with(|| Box::new([Cell::Unknown; SIDE * SIDE]))
    }

    /// Whether every cell of a box is without a hole. `false` also when the box goes beyond the grid, or has many more cells
    /// than there are rows, which are then fewer to ask for.
    fn whole_box(&mut self, grid: &Object, extent: &Extent, count: usize) -> bool {
        if extent.is_empty() {
            return true;
        }
        let (west, south) = (self.column(extent.west), self.row(extent.south));
        let (east, north) = (west + (extent.east - extent.west) / self.lattice.step_longitude, self.row(extent.north));
        let inside = |low: f64, high: f64, cells: usize| {
            #[allow(clippy::cast_precision_loss)]
            let last = cells as f64;
            if !(low >= -ON_LINE && high <= last + ON_LINE && low <= high && cells > 0) {
                return None;
            }
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let index = |v: f64| (v.max(0.0) as usize).min(cells - 1);
            Some((index(low), index(high)))
        };
        let (Some((west, east)), Some((south, north))) = (inside(west, east, self.columns), inside(south, north, self.rows)) else {
            return false;
        };
        let cells = (east - west + 1).saturating_mul(north - south + 1);
        if cells > BOX || cells > count.saturating_mul(4).saturating_add(SIDE) {
            return false;
        }
        let lattice = self.lattice;
        for y in south / SIDE..=north / SIDE {
            for x in west / SIDE..=east / SIDE {
                let (first, last) = (west.max(x * SIDE), east.min(x * SIDE + SIDE - 1));
                let square = self.square(x, y);
                for row in south.max(y * SIDE)..=north.min(y * SIDE + SIDE - 1) {
                    let Some(line) = square.get_mut(place(first, row)..=place(last, row)) else { return false };
                    if line.iter().fold(true, |all, cell| all & (*cell == Cell::Whole)) {
                        continue;
                    }
                    if line.iter_mut().zip(first..).any(|(cell, column)| look(cell, lattice, grid, column, row)) {
                        return false;
                    }
                }
            }
        }
        true
    }
}

/// Whether a cell has a hole; looks when it is not known.
fn look(cell: &mut Cell, lattice: GridNodes, grid: &Object, column: usize, row: usize) -> bool {
    if *cell == Cell::Unknown {
        #[allow(clippy::cast_precision_loss)]
        let hole = lattice.cell_has_hole(grid, column as f64, row as f64);
        *cell = if hole { Cell::Hole } else { Cell::Whole };
    }
    *cell == Cell::Hole
}

/// Place of a cell in its square.
const fn place(column: usize, row: usize) -> usize {
    row % SIDE * SIDE + column % SIDE
}

/// Cells around the earth.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn turn_of(lattice: &GridNodes) -> usize {
    (360.0 / lattice.step_longitude).round() as usize
}

/// The cells that a coordinate in units of the step lies in: two when it is on a line of nodes.
fn beside(position: f64) -> [f64; 2] {
    let (floor, fraction) = (position.floor(), position - position.floor());
    if fraction < ON_LINE {
        [floor, floor - 1.0]
    } else if fraction > 1.0 - ON_LINE {
        [floor, floor + 1.0]
    } else {
        [floor; 2]
    }
}
