#![doc = include_str!("../README.md")]

pub mod attitude;
pub mod columns;
pub mod delimited;
pub mod nmea;
pub mod quantity;
pub mod time_columns;
