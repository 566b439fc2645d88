//! The only door from a stage to the world while it runs. Everything opened or created through it
//! is hashed on the way, so the record cannot be incomplete.

use super::{Resource, Session};
use pipeline_base::diag::Diagnostic;
use pipeline_base::input::LineCount;
use pipeline_base::input::unpack;
use pipeline_base::input::unreadable;
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use std::io::Read;
use std::path::{Path, PathBuf};

/// A file being delivered: it has a temporary name beside its final place until the whole run is
/// good, and is then renamed.
pub struct OutFile {
    /// Where to write now.
    pub path: PathBuf,
    /// The name for messages and the record.
    pub name: String,
}

/// Collects what stages say; implemented by the runner, and by [`cx::Collect`](Collect) in tests.
pub trait World: Send + Sync {
    /// Opens a resource for reading; the raw bytes are hashed on the way. `decompress`: gzip and
    /// zstd files (by their first bytes) are unpacked.
    ///
    /// # Errors
    /// When the file cannot be read.
    fn open(&self, resource: &Resource, decompress: bool) -> Result<Box<dyn Read + Send>, Problem>;
    /// A new delivery below the results folder.
    ///
    /// # Errors
    /// When it exists and overwriting was not allowed, or when the folder cannot be written.
    fn create(&self, name: &str, option: &str) -> Result<OutFile, Problem>;
    /// Says that a delivery is written, re-read and right.
    fn delivered(&self, file: &OutFile, rows: u64);
    /// Keeps rows that go no further.
    ///
    /// # Errors
    /// When the set-aside table cannot be written.
    fn set_aside(&self, step: &str, rows: &Table, reason: &str, detail: &str) -> Result<(), Problem>;
    /// Keeps some rows of a table that go no further. A world that needs only a few columns of them
    /// does not have to make a table.
    ///
    /// # Errors
    /// When the set-aside table cannot be written, or a number is beyond the end.
    fn set_aside_rows(&self, step: &str, table: &Table, rows: &[u32], reason: &str, detail: &str) -> Result<(), Problem> {
        self.set_aside(step, &table.take(rows)?, reason, detail)
    }
    /// Counts rows that a stage used up (several epochs became one point).
    fn used(&self, step: &str, rows: u64);
    /// Accounts for the lines of a file.
    fn lines(&self, step: &str, count: LineCount);
    /// Says something about the survey.
    fn find(&self, step: &str, session: usize, finding: Diagnostic);
    /// Keeps a fact about a file, session or step for the record.
    fn fact(&self, step: &str, session: usize, key: &str, value: serde_json::Value);
    /// Reports progress in bytes of the inputs.
    fn progress(&self, bytes: u64);
    /// Whether the run was cancelled.
    fn cancelled(&self) -> bool;
    /// Waiver for a code and a scope (a point, a session, or everything): who and why.
    fn waiver(&self, code: &str, scope: &str) -> Option<String>;
}

/// What a stage may do to the world.
pub struct Cx<'a> {
    world: &'a dyn World,
    step: &'a str,
    session: Option<(usize, &'a Session)>,
}

impl<'a> Cx<'a> {
    /// A door for one step and, below `Whole`, one session with its number.
    #[must_use]
    pub fn new(world: &'a dyn World, step: &'a str, session: Option<(usize, &'a Session)>) -> Self {
        Self { world, step, session }
    }

    /// Name of the step in the job.
    #[must_use]
    pub fn step(&self) -> &str {
        self.step
    }

    /// The session of this partition; `None` for a `Whole` stage.
    #[must_use]
    pub fn session(&self) -> Option<&Session> {
        self.session.map(|(_, s)| s)
    }

    /// Opens a log or another resource, unpacked when it is gzip or zstd.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn open(&self, resource: &Resource) -> Result<Box<dyn Read + Send>, Problem> {
        self.world.open(resource, true)
    }

    /// Reads a small resource whole, unpacked when it is gzip or zstd.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn read(&self, resource: &Resource) -> Result<Vec<u8>, Problem> {
        let mut bytes = vec![];
        self.open(resource)?.read_to_end(&mut bytes).map_err(|e| unreadable(&resource.name, &e))?;
        Ok(bytes)
    }

    /// A new delivery below the results folder, under a temporary name. `option` names the key
    /// that asked for it.
    ///
    /// # Errors
    /// When it exists and overwriting was not allowed, or when the folder cannot be written.
    pub fn create(&self, name: &str, option: &str) -> Result<OutFile, Problem> {
        self.world.create(name, option)
    }

    /// Says that a delivery is written, re-read and right.
    pub fn delivered(&self, file: &OutFile, rows: usize) {
        self.world.delivered(file, rows as u64);
    }

    /// Keeps rows that go no further, with a reason code and a detail for people.
    ///
    /// # Errors
    /// When the set-aside table cannot be written.
    pub fn set_aside(&self, rows: &Table, reason: &str, detail: &str) -> Result<(), Problem> {
        if rows.rows() == 0 {
            return Ok(());
        }
        self.world.set_aside(self.step, rows, reason, detail)
    }

    /// Keeps the rows of a table with these numbers, which go no further; cheaper than to pick them first.
    ///
    /// # Errors
    /// When the set-aside table cannot be written, or a number is beyond the end.
    pub fn set_aside_rows(&self, table: &Table, rows: &[u32], reason: &str, detail: &str) -> Result<(), Problem> {
        if rows.is_empty() {
            return Ok(());
        }
        self.world.set_aside_rows(self.step, table, rows, reason, detail)
    }

    /// Keeps the rows of a table that are not kept in the table itself, as [`Self::set_aside_rows`]; `keep` has an entry for each row.
    ///
    /// # Errors
    /// When the set-aside table cannot be written.
    pub fn set_aside_others(&self, table: &Table, keep: &[bool], reason: &str, detail: &str) -> Result<(), Problem> {
        let others: Vec<u32> = (0..).zip(keep).filter(|(_, keep)| !**keep).map(|(row, _)| row).collect();
        self.set_aside_rows(table, &others, reason, detail)
    }

    /// Counts rows that were used up: several epochs became one point.
    pub fn used(&self, rows: usize) {
        self.world.used(self.step, rows as u64);
    }

    /// Accounts for the lines of a file.
    pub fn lines(&self, count: LineCount) {
        self.world.lines(self.step, count);
    }

    /// Says something about the survey.
    pub fn find(&self, finding: Diagnostic) {
        self.world.find(self.step, self.session.map_or(usize::MAX, |(i, _)| i), finding);
    }

    /// Keeps a fact for the record.
    pub fn fact(&self, key: &str, value: serde_json::Value) {
        self.world.fact(self.step, self.session.map_or(usize::MAX, |(i, _)| i), key, value);
    }

    /// Reports progress in bytes of the inputs.
    pub fn progress(&self, bytes: u64) {
        self.world.progress(bytes);
    }

    /// Whether the run was cancelled.
    #[must_use]
    pub fn cancelled(&self) -> bool {
        self.world.cancelled()
    }

    /// The waiver that lifts a hold: who and why.
    #[must_use]
    pub fn waiver(&self, code: &str, scope: &str) -> Option<String> {
        self.world.waiver(code, scope)
    }
}

/// A [`World`] that only remembers, for tests of a single stage.
#[derive(Default)]
pub struct Collect {
    /// Where deliveries go.
    pub folder: PathBuf,
    /// Everything said, in order.
    pub said: std::sync::Mutex<Said>,
}

/// What a [`Collect`] remembers.
#[derive(Default)]
pub struct Said {
    /// Findings.
    pub findings: Vec<Diagnostic>,
    /// Set-aside rows: step, reason, detail, rows.
    pub set_aside: Vec<(String, String, String, Table)>,
    /// Rows used up.
    pub used: u64,
    /// Line counts.
    pub lines: Vec<LineCount>,
    /// Facts.
    pub facts: Vec<(String, serde_json::Value)>,
    /// Deliveries: name and rows.
    pub delivered: Vec<(String, u64)>,
    /// Waivers: code, scope, text.
    pub waivers: Vec<(String, String, String)>,
}

impl Collect {
    /// A world whose deliveries go below `folder`.
    #[must_use]
    pub fn new(folder: &Path) -> Self {
        Self { folder: folder.to_owned(), said: std::sync::Mutex::default() }
    }

    /// What was said so far.
    pub fn said(&self) -> std::sync::MutexGuard<'_, Said> {
        self.said.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

impl World for Collect {
    fn open(&self, resource: &Resource, decompress: bool) -> Result<Box<dyn Read + Send>, Problem> {
        let file = std::fs::File::open(&resource.path).map_err(|e| unreadable(&resource.name, &e))?;
        if decompress { unpack(Box::new(file)).map_err(|e| unreadable(&resource.name, &e)) } else { Ok(Box::new(file)) }
    }
    fn create(&self, name: &str, _: &str) -> Result<OutFile, Problem> {
        let path = self.folder.join(name);
        // Folders below its own, as a run makes them; a folder of its own that is missing is what a test may want.
        if let Some(parent) = path.parent().filter(|_| self.folder.is_dir()) {
            std::fs::create_dir_all(parent).map_err(Problem::broken)?;
        }
        Ok(OutFile { path, name: name.to_owned() })
    }
    fn delivered(&self, file: &OutFile, rows: u64) {
        self.said().delivered.push((file.name.clone(), rows));
    }
    fn set_aside(&self, step: &str, rows: &Table, reason: &str, detail: &str) -> Result<(), Problem> {
        self.said().set_aside.push((step.to_owned(), reason.to_owned(), detail.to_owned(), rows.clone()));
        Ok(())
    }
    fn used(&self, _: &str, rows: u64) {
        self.said().used += rows;
    }
    fn lines(&self, _: &str, count: LineCount) {
        self.said().lines.push(count);
    }
    fn find(&self, _: &str, _: usize, finding: Diagnostic) {
        self.said().findings.push(finding);
    }
    fn fact(&self, _: &str, _: usize, key: &str, value: serde_json::Value) {
        self.said().facts.push((key.to_owned(), value));
    }
    fn progress(&self, _: u64) {}
    fn cancelled(&self) -> bool {
        false
    }
    fn waiver(&self, code: &str, scope: &str) -> Option<String> {
        self.said().waivers.iter().find(|(c, s, _)| c == code && (s == scope || s == "all")).map(|(_, _, w)| w.clone())
    }
}
