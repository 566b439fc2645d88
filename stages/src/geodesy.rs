//! PROJ behind one door, and the mathematics of the ellipsoid and of local frames.
//!
//! * [`ellipsoid`]: geodetic and geocentric coordinates, radii of curvature.
//! * [`local`]: east, north, up at a point, and offsets carried exactly.
//! * [`epoch`]: decimal years.
//! * [`area`]: areas of use.
//! * [`detective`]: the frame in which measured and published marks agree.
//! * [`door`]: the only calls of PROJ.
//! * [`crs`]: what the registry knows of a system, and its text for file formats.
//! * [`geodesic`]: shortest lines.
//! * [`grids`]: where grids are found; the separation of a geoid.
//! * [`gridfile`]: formats and limits of grid files; [`tiff`]: heads of GeoTIFF.
//! * [`shelf`]: exactly one file for a name; withdrawn files. [`store`]: the grid store.
//! * [`packages`]: where a missing grid comes from.
//! * [`pipeline`]: what the text of a pipeline names.
//! * [`pins`]: pipelines in the lock of a job.
//! * [`ground`]: ground systems as derived CRS.
//! * [`known`]: published grids whose bytes this program knows.
//! * [`lattice`]: nodes of a grid, and nodes without a value.
//! * [`magnetic`]: declination of the magnetic field.
//! * [`motion`]: points moved in time, by plates and velocities.
//! * [`operation`]: the one operation between two frames.
//! * [`plane`]: control against the grid.
//! * [`projection`]: the grid of a datum, convergence and scale.
//! * [`rows`]: rows of a table through an operation.
//! * [`uncertainty`]: what operations and models add to it.
//! * [`findings`]: frames and epochs that are not stated.

pub mod area;
#[cfg(test)]
mod conformance;
pub mod crs;
pub mod detective;
pub mod door;
pub mod ellipsoid;
pub mod epoch;
pub mod findings;
#[cfg(test)]
pub(crate) mod fixture;
pub mod geodesic;
pub mod gridfile;
pub mod grids;
pub mod ground;
pub mod known;
pub mod lattice;
pub mod local;
pub mod magnetic;
pub mod motion;
pub mod operation;
pub mod packages;
pub mod pins;
pub mod pipeline;
pub mod plane;
pub mod projection;
pub mod rows;
pub mod shelf;
pub mod store;
pub mod tiff;
pub mod uncertainty;

pub use crs::{Crs, SrsInfo, ellipsoid_of, srs_of, wkt};
pub use ellipsoid::{Ellipsoid, GRS80, WGS84};
pub use epoch::decimal_year;
pub use local::{Tangent, offset_enu};
