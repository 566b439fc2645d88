//! What a stage has to say; the host draws it at the option in the job file or at the row in the raw log.

use serde::Serialize;

/// What follows from a finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The job is wrong.
    Error,
    /// Nothing is delivered.
    Block,
    /// The named part is not delivered without a waiver in the job.
    Hold,
    /// A field action for one point.
    Reshoot,
    /// Delivered, and the reader must know.
    Warn,
    /// Worth knowing.
    Note,
}

/// A finding. What it says is on the heap, so that a result which can fail stays small.
#[derive(Clone, Debug)]
pub struct Problem(Box<Said>);

#[derive(Clone, Debug, Serialize)]
struct Said {
    /// Last part of its code; the host puts the name of the plug-in before it.
    code: String,
    verdict: Option<Verdict>,
    what: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    option: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    row: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    point: Option<String>,
    size: String,
    why: String,
    fix: String,
}

impl Problem {
    /// A finding: the last part of its code in kebab case, and what is wrong, with numbers. At planning it is a mistake in
    /// the job; at run time it ends the run.
    #[must_use]
    pub fn new(code: &str, what: impl Into<String>) -> Self {
        Self(Box::new(Said {
            code: code.to_owned(),
            verdict: None,
            what: what.into(),
            option: None,
            row: None,
            point: None,
            size: String::new(),
            why: String::new(),
            fix: String::new(),
        }))
    }

    /// Names the option that it is about, as a path below `options`.
    #[must_use]
    pub fn option(mut self, path: impl Into<String>) -> Self {
        self.0.option = Some(path.into());
        self
    }

    /// Names the row of the first input that it is about, counted from 0.
    #[must_use]
    pub fn row(mut self, row: usize) -> Self {
        self.0.row = Some(row as u64);
        self
    }

    /// Names the point that it is about.
    #[must_use]
    pub fn point(mut self, point: impl Into<String>) -> Self {
        self.0.point = Some(point.into());
        self
    }

    /// Sets what follows from it.
    #[must_use]
    pub fn verdict(mut self, verdict: Verdict) -> Self {
        self.0.verdict = Some(verdict);
        self
    }

    /// Sets how large it is, in metres of delivered coordinate where it can be said so.
    #[must_use]
    pub fn size(mut self, size: impl Into<String>) -> Self {
        self.0.size = size.into();
        self
    }

    /// Sets why this is so.
    #[must_use]
    pub fn why(mut self, why: impl Into<String>) -> Self {
        self.0.why = why.into();
        self
    }

    /// Sets what to do about it.
    #[must_use]
    pub fn fix(mut self, fix: impl Into<String>) -> Self {
        self.0.fix = fix.into();
        self
    }

    /// Sets what follows from it, where the author did not.
    pub(crate) fn verdict_if_none(mut self, verdict: Verdict) -> Self {
        self.0.verdict.get_or_insert(verdict);
        self
    }

    /// What is wrong.
    #[must_use]
    pub fn what(&self) -> &str {
        &self.0.what
    }

    /// As JSON, under the plug-in's own area.
    pub(crate) fn json(&self, plugin: &str) -> serde_json::Value {
        let mut value = serde_json::to_value(&*self.0).unwrap_or_default();
        value["code"] = format!("{plugin}/{}", self.0.code).into();
        if self.0.verdict.is_none() {
            value.as_object_mut().map(|o| o.remove("verdict"));
        }
        value
    }
}
