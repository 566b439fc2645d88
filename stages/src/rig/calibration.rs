//! Calibration of a rig by least squares: boresight, lever arm, range zero, heading bias and pole, from
//! looks at fixed marks at several attitudes.
//!
//! Body axes are the axes of the attitude sensor as it reads: a constant error of its mount is then part of the beam
//! and of the lengths, which is where `tilt-correct` uses it. Every link of the chain is an unknown: either free, or
//! held to the rig's value with the rig's sigma, so that what is not calibrated still has its uncertainty.
//!
//! * [`unknowns`]: what is estimated, in words and sizes.
//! * [`looks`]: one look is one attitude at a mark, with its noise.
//! * [`mod@fit`]: the adjustment, and the search for wrong looks.
//! * [`geometry`]: what the attitudes do not determine, and which to add.

pub(crate) mod fit;
pub(crate) mod geometry;
pub(crate) mod looks;
pub(super) mod table;
pub(crate) mod unknowns;

#[cfg(test)]
mod tests;

pub(crate) use fit::{Fitted, Unfit, fit};
pub(crate) use looks::Look;
pub(crate) use unknowns::{Chain, Kind, Unknown, Use};
