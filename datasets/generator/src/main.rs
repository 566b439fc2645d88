//! Writes the demo scenario from a seed.
fn main() {}
