#![doc = include_str!("../README.md")]

pub mod angle;
pub mod correlation;
pub mod covariance;
pub mod distributions;
pub mod least_squares;
pub mod peak;
pub mod radial;
pub mod rotation;
