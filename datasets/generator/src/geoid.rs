//! An invented geoid model, and the GTX file that carries it.
//!
//! GTX: four big-endian doubles (south-west latitude and longitude, steps in degrees), two 32-bit whole
//! numbers (rows, columns), then big-endian single-precision separations, rows from south to north.

use crate::earth::Geodetic;
use libm::{floor, sin};

/// A grid of geoid separations.
#[derive(Clone, Debug)]
pub struct Grid {
    south: f64,
    west: f64,
    step: f64,
    rows: usize,
    columns: usize,
    nodes: Vec<f32>,
}

impl Grid {
    /// A square grid of `side` nodes around a centre; the separation follows a smooth made-up surface.
    #[must_use]
    pub fn around(latitude: f64, longitude: f64, step: f64, side: usize, separation: f64) -> Self {
        #[allow(clippy::cast_precision_loss)]
        let half = (side / 2) as f64 * step;
        let (south, west) = (latitude - half, longitude - half);
        let mut nodes = Vec::with_capacity(side * side);
        for row in 0..side {
            for column in 0..side {
                #[allow(clippy::cast_precision_loss)]
                let (y, x) = (row as f64 * step - half, column as f64 * step - half);
                // Plane, bowl and a gentle wave; slope about 33 mm per km to the north.
                let n = separation + 3.6 * y - 2.2 * x + 4.0 * (y * y - x * x) + 0.03 * sin(40.0 * x + 25.0 * y);
                #[allow(clippy::cast_possible_truncation)]
                nodes.push(n as f32);
            }
        }
        Self { south, west, step, rows: side, columns: side, nodes }
    }

    /// Bytes of the GTX file.
    #[must_use]
    pub fn bytes(&self) -> Vec<u8> {
        let mut out = Vec::with_capacity(40 + 4 * self.nodes.len());
        for x in [self.south, self.west, self.step, self.step] {
            out.extend(x.to_be_bytes());
        }
        for k in [self.rows, self.columns] {
            out.extend(u32::try_from(k).unwrap_or(u32::MAX).to_be_bytes());
        }
        for n in &self.nodes {
            out.extend(n.to_be_bytes());
        }
        out
    }

    /// Separation at a place by bilinear interpolation, m; the place must be inside.
    #[must_use]
    pub fn separation(&self, g: Geodetic) -> f64 {
        let y = (g.latitude - self.south) / self.step;
        let x = (g.longitude - self.west) / self.step;
        let (row, column) = (floor(y), floor(x));
        let (v, u) = (y - row, x - column);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let at = |dr: usize, dc: usize| f64::from(self.nodes[(row as usize + dr) * self.columns + column as usize + dc]);
        (1.0 - v) * ((1.0 - u) * at(0, 0) + u * at(0, 1)) + v * ((1.0 - u) * at(1, 0) + u * at(1, 1))
    }
}

/// The receiver's own model: coarse, as a global one is, and `bias` away from the survey-grade one.
#[must_use]
pub fn receiver_separation(centre: Geodetic, separation: f64, bias: f64, g: Geodetic) -> f64 {
    separation + bias + 2.9 * (g.latitude - centre.latitude) - 2.8 * (g.longitude - centre.longitude)
}
