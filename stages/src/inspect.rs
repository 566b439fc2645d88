//! What a raw log holds, for someone who has never seen it.

/// Placeholder until merged.
#[derive(serde::Serialize)]
pub struct Report {}
impl Report {
    /// Text.
    #[must_use]
    pub fn text(&self) -> String { String::new() }
}
/// First job.
pub struct FirstJob {
    /// Job.
    pub job: String,
    /// Rig.
    pub rig: String,
    /// Reference.
    pub reference: String,
    /// Unknowns.
    pub unknowns: Vec<String>,
}
/// Inspect.
///
/// # Errors
/// Never.
pub fn inspect(_: &[(String, std::path::PathBuf)]) -> Result<Report, pipeline_core::stage::Problem> { Ok(Report {}) }
/// First job.
#[must_use]
pub fn first_job(_: &Report, _: &[String], _: &str) -> FirstJob { FirstJob { job: String::new(), rig: String::new(), reference: String::new(), unknowns: vec![] } }
