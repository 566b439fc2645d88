//! One epoch as the receiver and the sensors report it.

use crate::earth::Geodetic;
use crate::pose::Pose;
use crate::time::Ms;

/// Stated noise of a position: the error ellipse and the height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ellipse {
    /// Semi-major axis, m, 1 sigma.
    pub major: f64,
    /// Semi-minor axis, m, 1 sigma.
    pub minor: f64,
    /// Direction of the semi-major axis from true north, deg.
    pub direction: f64,
    /// Height, m, 1 sigma.
    pub up: f64,
}

/// One epoch.
#[derive(Clone, Copy, Debug)]
pub struct Epoch {
    /// Time.
    pub time: Ms,
    /// Position as measured, with ellipsoidal height.
    pub place: Geodetic,
    /// Separation of the receiver's own geoid, m.
    pub separation: f64,
    /// Quality code of the GGA sentence.
    pub quality: u8,
    /// Satellites.
    pub satellites: u32,
    /// Horizontal dilution of precision; the others follow from it.
    pub hdop: f64,
    /// Age of the corrections, s.
    pub age: Option<f64>,
    /// Base station.
    pub base: &'static str,
    /// Stated noise; none, no GST sentence.
    pub noise: Option<Ellipse>,
    /// Attitude as measured; none, no attitude sentences.
    pub pose: Option<Pose>,
    /// Range as measured; none, a blank range.
    pub range: Option<f64>,
    /// Speed over ground, m/s.
    pub speed: f64,
    /// Course over ground, deg.
    pub course: f64,
}
