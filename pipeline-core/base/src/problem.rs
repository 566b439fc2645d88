//! A finding that is still without step and place.

use crate::diag::{Diagnostic, Label, Verdict};

/// Something that a stage has to say about its own options or its own rows. Core turns it into a
/// [`Diagnostic`] with step, file, line and column, so authors cannot get positions wrong.
#[derive(Clone, Debug)]
pub struct Problem {
    /// The finding, still without step and position.
    pub finding: Box<Diagnostic>,
    /// Option that it is about, as a dotted path below `options` (`geoid.grid`, `files[0]`).
    pub option: Option<String>,
    /// Key of the rig file that it is about (`laser.zero_m`).
    pub rig_key: Option<String>,
    /// Key of the reference file that it is about (`corrections.frame`).
    pub reference_key: Option<String>,
    /// A second key of the reference file, when two keys contradict each other.
    pub second_reference_key: Option<String>,
    /// Whether it is about the reference of the coordinates that come in: core then names the step that gave it to them.
    pub about_input: bool,
}

impl Problem {
    /// A mistake in the job: verdict `error`.
    #[must_use]
    pub fn new(code: &str, what: impl Into<String>) -> Self {
        Self::from(Diagnostic::new(code, Verdict::Error, what))
    }

    /// A setting that would deliver wrong coordinates: verdict `block`.
    #[must_use]
    pub fn blocks(code: &str, what: impl Into<String>) -> Self {
        Self::from(Diagnostic::new(code, Verdict::Block, what))
    }

    /// A fault of the program and not of the user.
    #[must_use]
    pub fn broken(what: impl std::fmt::Display) -> Self {
        Self::from(
            Diagnostic::new("stage/broken-promise", Verdict::Block, what.to_string())
                .why("a stage did not keep what it promised when the job was planned")
                .fix("report this with the job and the record; the results were not written"),
        )
    }

    /// Names the option that it is about.
    #[must_use]
    pub fn option(mut self, path: impl Into<String>) -> Self {
        self.option = Some(path.into());
        self
    }

    /// Names the key of the rig file that it is about.
    #[must_use]
    pub fn rig_key(mut self, path: impl Into<String>) -> Self {
        self.rig_key = Some(path.into());
        self
    }

    /// Names the key of the reference file that it is about.
    #[must_use]
    pub fn reference_key(mut self, path: impl Into<String>) -> Self {
        self.reference_key = Some(path.into());
        self
    }

    /// Names a second key of the reference file, when two keys contradict each other.
    #[must_use]
    pub fn and_reference_key(mut self, path: impl Into<String>) -> Self {
        self.second_reference_key = Some(path.into());
        self
    }

    /// Says that it is about the reference of the coordinates that come in.
    #[must_use]
    pub fn about_input(mut self) -> Self {
        self.about_input = true;
        self
    }

    /// Sets what to do about it.
    #[must_use]
    pub fn fix(mut self, fix: impl Into<String>) -> Self {
        self.finding.fix = fix.into();
        self
    }

    /// Sets why this is so.
    #[must_use]
    pub fn why(mut self, why: impl Into<String>) -> Self {
        self.finding.why = why.into();
        self
    }

    /// Sets how large it is.
    #[must_use]
    pub fn size(mut self, size: impl Into<String>) -> Self {
        self.finding.size = size.into();
        self
    }

    /// Adds a place that can be opened.
    #[must_use]
    pub fn label(mut self, label: Label) -> Self {
        self.finding.labels.push(label);
        self
    }
}

impl From<Diagnostic> for Problem {
    fn from(finding: Diagnostic) -> Self {
        Self {
            finding: Box::new(finding),
            option: None,
            rig_key: None,
            reference_key: None,
            second_reference_key: None,
            about_input: false,
        }
    }
}
