#![doc = include_str!("../README.md")]

pub mod area;
pub mod compound;
pub mod crs;
pub mod ellipsoid;
pub mod epoch;
pub mod findings;
pub mod frame_comparison;
pub mod geodesic;
pub mod grid_lookup;
pub mod grid_nodes;
pub mod gridfile;
pub mod grids;
pub mod ground;
pub mod local;
pub mod magnetic;
pub mod motion;
pub mod operation;
pub mod outside;
pub mod packages;
pub mod pins;
pub mod pipeline;
pub mod plane;
pub mod proj_context;
pub mod projection;
pub mod published_grids;
pub mod store;
pub mod tiff;
pub mod withdrawn;

pub use crs::{Crs, SrsInfo, ellipsoid_of, srs_of, wkt};
pub use ellipsoid::{Ellipsoid, GRS80, WGS84};
pub use epoch::decimal_year;
pub use local::{Tangent, offset_enu};
