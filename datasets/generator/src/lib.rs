//! Writes the demo scenario, the trap fixtures and benchmark archives from a seed.
//!
//! The mathematics here is written apart from the stages on purpose: it is the outside truth that they are
//! judged by. Nothing reads a clock, and all transcendental functions come from `libm`, so the bytes are the
//! same on each platform.

pub mod bench;
pub mod demo;
pub mod earth;
pub mod epoch;
pub mod files;
pub mod geoid;
pub mod nmea;
pub mod noise;
pub mod pose;
pub mod rig;
pub mod scene;
pub mod session;
pub mod time;
pub mod traps;
