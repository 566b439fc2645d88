#![doc = include_str!("../README.md")]

pub mod conform;
pub mod diag;
pub mod digest;
pub mod document;
pub mod input;
pub mod near;
pub mod pin;
pub mod place;
pub mod problem;
pub mod reference;
pub mod rig;
pub mod table;
pub mod time;
