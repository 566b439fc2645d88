//! Old deliveries, read again: nothing here changes a file.
//!
//! * [`delivered`]: points of a delivered file, by its statement of reference.
//! * [`way`]: the one official operation between two frames, never a chain.
//! * [`restate`]: what it would take to bring old deliveries to another reference.

pub mod delivered;
pub mod restate;
pub mod way;
