//! Published values.
