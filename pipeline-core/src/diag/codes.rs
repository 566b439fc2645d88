//! The list of codes with their meaning.
