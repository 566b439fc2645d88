//! The one form in which anything is said to a person: a mistake in a job file, a damaged line of
//! a log, a point that must be shot again.

pub mod codes;
pub mod render;

use serde::{Deserialize, Serialize};
use std::ops::Range;

/// What follows from a finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The job or the command line is wrong; nothing was run.
    Error,
    /// Nothing is delivered.
    Block,
    /// The named part is not delivered without a waiver in the job.
    Hold,
    /// A field action for one point, while the trench is open; the point is not delivered.
    Reshoot,
    /// Delivered, and the reader must know.
    Warn,
    /// Worth knowing; nothing is wrong.
    Note,
}

impl Verdict {
    /// The word that is printed and written to JSON.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Block => "block",
            Self::Hold => "hold",
            Self::Reshoot => "reshoot",
            Self::Warn => "warn",
            Self::Note => "note",
        }
    }

    /// Whether a run with this finding delivers nothing.
    #[must_use]
    pub const fn stops_delivery(self) -> bool {
        matches!(self, Self::Error | Self::Block)
    }
}

/// A place in a text file that the reader can open: the job, the rig, the reference or a log.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Label {
    /// File name as the job wrote it, never absolute unless the job wrote it so.
    pub file: String,
    /// Byte range in that file, when the file is a job, rig or reference that core holds in memory.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub range: Option<Range<usize>>,
    /// First line, counted from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<u64>,
    /// Column in characters, counted from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub column: Option<u64>,
    /// Last line, when the label covers several.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_line: Option<u64>,
    /// What this place has to do with the finding.
    pub text: String,
}

impl Label {
    /// A label on lines of a data file, counted from 1.
    #[must_use]
    pub fn lines(file: &str, first: u64, last: u64, text: impl Into<String>) -> Self {
        Self {
            file: file.to_owned(),
            range: None,
            line: Some(first),
            column: None,
            last_line: (last != first).then_some(last),
            text: text.into(),
        }
    }

    /// A label on a whole file.
    #[must_use]
    pub fn file(file: &str, text: impl Into<String>) -> Self {
        Self { file: file.to_owned(), range: None, line: None, column: None, last_line: None, text: text.into() }
    }
}

/// One finding.
///
/// The five lines of a survey finding are `what`, `place` with `labels` (where), `size`, `why`,
/// `fix`. A mistake in a job file uses `what`, `labels` and `fix`.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Diagnostic {
    /// Stable code, `area/what-is-wrong`; listed in [`codes`].
    pub code: String,
    /// What follows from it.
    pub verdict: Verdict,
    /// What is wrong, with numbers from the data. One phrase, lower case, no full stop.
    pub what: String,
    /// Where, in words: a point, a step, a key, a count of lines.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub place: String,
    /// Where, as places that can be opened.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub labels: Vec<Label>,
    /// How far off the delivered coordinates would be, in metres.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub size: String,
    /// Why this is so.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub why: String,
    /// What to do about it.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub fix: String,
    /// Step of the job that said it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub step: Option<String>,
    /// Point that it is about.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub point: Option<String>,
    /// The waiver that lifted a hold: who and why.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub waived: Option<String>,
}

impl Diagnostic {
    /// A finding with only its code, verdict and headline; fill the rest with the methods below.
    #[must_use]
    pub fn new(code: &str, verdict: Verdict, what: impl Into<String>) -> Self {
        Self {
            code: code.to_owned(),
            verdict,
            what: what.into(),
            place: String::new(),
            labels: vec![],
            size: String::new(),
            why: String::new(),
            fix: String::new(),
            step: None,
            point: None,
            waived: None,
        }
    }

    /// Sets where, in words.
    #[must_use]
    pub fn place(mut self, place: impl Into<String>) -> Self {
        self.place = place.into();
        self
    }

    /// Adds a place that can be opened.
    #[must_use]
    pub fn label(mut self, label: Label) -> Self {
        self.labels.push(label);
        self
    }

    /// Sets the size, in metres of delivered coordinate where it can be said so.
    #[must_use]
    pub fn size(mut self, size: impl Into<String>) -> Self {
        self.size = size.into();
        self
    }

    /// Sets the reason.
    #[must_use]
    pub fn why(mut self, why: impl Into<String>) -> Self {
        self.why = why.into();
        self
    }

    /// Sets the action.
    #[must_use]
    pub fn fix(mut self, fix: impl Into<String>) -> Self {
        self.fix = fix.into();
        self
    }

    /// Names the point that it is about.
    #[must_use]
    pub fn point(mut self, point: impl Into<String>) -> Self {
        self.point = Some(point.into());
        self
    }
}
