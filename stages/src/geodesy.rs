//! PROJ behind one door, and the mathematics of the ellipsoid and of local frames.
//!
//! * [`ellipsoid`]: geodetic and geocentric coordinates, radii of curvature.
//! * [`local`]: east, north, up at a point, and offsets carried exactly.

pub mod ellipsoid;
pub mod local;

pub use ellipsoid::{Ellipsoid, GRS80, WGS84};
pub use local::{Tangent, offset_enu};
