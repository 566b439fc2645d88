//! NMEA 0183: lines, sentences, epochs.

pub mod assemble;
pub mod dating;
pub mod draft;
pub mod findings;
pub mod line;
pub mod log;
pub mod number;
pub mod scan;
pub mod sentence;
pub mod settings;
pub mod tally;
