//! One mark or construction as it stands in a file.

use pipeline_base::diag::Label;
use std::collections::BTreeMap;

/// Where in a file a record stands, counted from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum At {
    /// Line of a CSV file.
    Line(u64),
    /// Feature of a GeoJSON file, whose lines mean nothing.
    Feature(u64),
}

impl At {
    /// A label at this place.
    #[must_use]
    pub(crate) fn label(self, file: &str, text: &str) -> Label {
        match self {
            Self::Line(line) => Label::lines(file, line, line, text),
            Self::Feature(n) => Label::file(file, format!("feature {n}: {text}")),
        }
    }
}

/// One record of a file: words by name, and its place.
pub(super) struct Record {
    pub words: BTreeMap<String, String>,
    pub at: At,
}
