//! The world of a real run: opens, hashes, counts, keeps and renames.

use super::set_aside::{self, SetAsideRange, SetAsideReason};
use super::temporary_store::{StoredRange, StoredValue, TemporaryStore};
use crate::job::Waiver;
use crate::record::{Material, Product};
use crate::stage::cx::World;
use crate::stage::{OutFile, Resource};
use crate::verdict::HeldPoint;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::input::LineCount;
use pipeline_base::input::{unpack, unreadable};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Role;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Bytes asked from the disk at once.
const CHUNK: usize = 1 << 18;

/// What is kept while a run goes on. One lock: it is held for moments only, never across work.
#[derive(Default)]
pub struct RunState {
    /// Materials read so far, by role and name, each with the first session that read it.
    pub materials: BTreeMap<(String, String), (usize, Material)>,
    /// Lines counted by core in each unpacked file, with the first session that read it.
    pub lines_seen: BTreeMap<String, (usize, u64)>,
    /// Findings: step, session, order, finding.
    pub findings: Vec<(usize, usize, usize, Diagnostic)>,
    /// Set-aside lines on the shelf: session and place.
    pub set_aside: Vec<(usize, usize, StoredRange)>,
    /// How many lines that is.
    pub set_aside_lines: u64,
    /// Rows set aside, by step, session and reason.
    pub refused: BTreeMap<(usize, usize, String), u64>,
    /// Points that steps over everything set aside: step and point, each once.
    pub held: Vec<(usize, HeldPoint)>,
    /// Rows used up, by step and session.
    pub used: BTreeMap<(usize, usize), u64>,
    /// Line counts: session, order, count.
    pub lines: Vec<(usize, usize, LineCount)>,
    /// Facts: step, session, order, key, value.
    pub facts: Vec<(usize, usize, usize, Arc<str>, StoredValue)>,
    /// Files under a temporary name: final path, temporary path, name.
    pub pending: Vec<(PathBuf, PathBuf, String)>,
    /// Products: name and rows.
    pub delivered: Vec<(String, u64)>,
    /// Waivers that lifted something.
    pub waived: Vec<(String, String)>,
}

/// The world of a run.
pub struct RunServices {
    results: PathBuf,
    overwrite: bool,
    waivers: Vec<Waiver>,
    kept: Arc<Mutex<RunState>>,
    shelf: Arc<TemporaryStore>,
    /// Bytes of raw input read so far.
    pub bytes: Arc<AtomicU64>,
    /// Set from outside to stop early.
    pub stop: Arc<AtomicBool>,
    /// The first session that failed: later ones need not go on.
    pub failed_at: AtomicUsize,
    steps: Vec<String>,
}

/// What was kept before a segment began; see [`RunServices::forget_after`].
pub struct Checkpoint {
    lines: usize,
    materials: Vec<(String, String)>,
    lines_seen: Vec<String>,
}

fn lock(kept: &Mutex<RunState>) -> MutexGuard<'_, RunState> {
    kept.lock().unwrap_or_else(PoisonError::into_inner)
}

impl RunServices {
    /// A desk for the steps named, in order.
    #[must_use]
    pub fn new(results: &Path, overwrite: bool, waivers: &[Waiver], steps: Vec<String>) -> Self {
        Self {
            results: results.to_owned(),
            overwrite,
            waivers: waivers.to_vec(),
            kept: Arc::default(),
            shelf: Arc::new(TemporaryStore::new(results)),
            bytes: Arc::default(),
            stop: Arc::default(),
            failed_at: AtomicUsize::new(usize::MAX),
            steps,
        }
    }

    /// Where the kept things of earlier segments end.
    pub fn mark(&self) -> Checkpoint {
        let kept = lock(&self.kept);
        Checkpoint {
            lines: kept.lines.len(),
            materials: kept.materials.keys().cloned().collect(),
            lines_seen: kept.lines_seen.keys().cloned().collect(),
        }
    }

    /// Forgets what sessions after a failed one said in a segment: how far they came depends on the
    /// number of threads, and a record must not.
    pub fn forget_after(&self, failed: usize, steps: &[usize], mark: &Checkpoint) {
        let kept = &mut *lock(&self.kept);
        let stays = |step: usize, session: usize| session <= failed || !steps.contains(&step);
        kept.findings.retain(|(step, session, ..)| stays(*step, *session));
        kept.facts.retain(|(step, session, ..)| stays(*step, *session));
        kept.refused.retain(|(step, session, _), _| stays(*step, *session));
        kept.used.retain(|(step, session), _| stays(*step, *session));
        kept.materials.retain(|name, (session, _)| *session <= failed || mark.materials.contains(name));
        kept.lines_seen.retain(|name, (session, _)| *session <= failed || mark.lines_seen.contains(name));
        let mut n = 0;
        kept.lines.retain(|(session, ..)| {
            n += 1;
            n <= mark.lines || *session <= failed
        });
    }

    /// Whether a session is not worth going on with.
    #[must_use]
    pub fn given_up(&self, session: usize) -> bool {
        self.stop.load(Ordering::Relaxed) || session > self.failed_at.load(Ordering::Relaxed)
    }

    /// Writes the set-aside table and gives the number of its lines.
    ///
    /// # Errors
    /// When it cannot be written, or what waited for it could not be kept.
    pub fn write_set_aside(&self, out: &mut impl std::io::Write) -> std::io::Result<u64> {
        let (mut slots, count) = {
            let mut kept = lock(&self.kept);
            (std::mem::take(&mut kept.set_aside), kept.set_aside_lines)
        };
        slots.sort_unstable_by_key(|(session, step, _)| (*session, *step));
        let sessions = slots.chunk_by(|a, b| a.0 == b.0).map(|pieces| {
            let mut bytes = vec![];
            for (.., slot) in pieces {
                bytes.extend(self.shelf.get(*slot)?);
            }
            Ok(bytes)
        });
        set_aside::write(out, sessions)?;
        Ok(count)
    }

    /// Where things wait for the end.
    #[must_use]
    pub fn shelf(&self) -> &TemporaryStore {
        &self.shelf
    }

    /// Why something could not be kept until the end.
    #[must_use]
    pub fn shelf_failure(&self) -> Option<std::io::Error> {
        self.shelf.failure()
    }

    /// What was kept.
    pub fn kept(&self) -> MutexGuard<'_, RunState> {
        lock(&self.kept)
    }

    fn step_index(&self, step: &str) -> usize {
        self.steps.iter().position(|s| s == step).unwrap_or(usize::MAX)
    }

    /// A door that also knows the session number.
    #[must_use]
    pub fn for_session(&self, session: usize) -> SessionServices<'_> {
        SessionServices { desk: self, session }
    }

    /// Hashes a file that something other than a stage will read (a grid).
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn hash(&self, resource: &Resource) -> Result<(), Problem> {
        let mut reader = self.open(resource, usize::MAX)?;
        std::io::copy(&mut reader, &mut std::io::sink()).map_err(|e| unreadable(&resource.name, &e))?;
        Ok(())
    }

    fn open(&self, resource: &Resource, session: usize) -> Result<Box<dyn Read + Send>, Problem> {
        let file = std::fs::File::open(&resource.path).map_err(|e| unreadable(&resource.name, &e))?;
        Ok(Box::new(HashingReader {
            inner: std::io::BufReader::with_capacity(CHUNK, file),
            hasher: Sha256::new(),
            bytes: 0,
            total: self.bytes.clone(),
            name: resource.name.clone(),
            session,
            role: serde_json::to_value(resource.role).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default(),
            kept: self.kept.clone(),
        }))
    }

    /// Gives every finished file its name. What had that name before waits beside it until [`RenamedDeliveries::settle`], so that a failure
    /// brings everything back as it was.
    ///
    /// # Errors
    /// When a file cannot be read again or renamed.
    pub fn publish(&self) -> Result<RenamedDeliveries, Problem> {
        let pending = std::mem::take(&mut lock(&self.kept).pending);
        let mut published = RenamedDeliveries::default();
        for (target, temporary, name) in &pending {
            match digest(temporary).and_then(|d| published.replace(target, temporary).map(|()| d)) {
                Ok((sha256, bytes)) => {
                    let rows = lock(&self.kept).delivered.iter().filter(|(n, _)| n == name).map(|(_, r)| *r).sum();
                    published.products.push(Product { name: name.clone(), sha256, bytes, rows });
                }
                Err(e) => {
                    for (_, temporary, _) in &pending {
                        let _ = std::fs::remove_file(temporary);
                    }
                    published.take_back();
                    return Err(cannot_write(name, &e));
                }
            }
        }
        published.products.sort();
        Ok(published)
    }

    /// Removes every temporary file.
    pub fn discard(&self) {
        for (_, temporary, _) in std::mem::take(&mut lock(&self.kept).pending) {
            let _ = std::fs::remove_file(temporary);
        }
    }
}

/// Deliveries that have their names, with what they replaced.
#[derive(Default)]
pub struct RenamedDeliveries {
    /// The deliveries.
    pub products: Vec<Product>,
    /// Each delivery and where the file of that name is that was there before.
    replaced: Vec<(PathBuf, Option<PathBuf>)>,
}

impl RenamedDeliveries {
    fn replace(&mut self, target: &Path, temporary: &Path) -> std::io::Result<()> {
        let before = target.exists().then(|| beside(target, "before"));
        if let Some(before) = &before {
            std::fs::rename(target, before)?;
        }
        if let Err(e) = std::fs::rename(temporary, target) {
            if let Some(before) = &before {
                let _ = std::fs::rename(before, target);
            }
            return Err(e);
        }
        self.replaced.push((target.to_owned(), before));
        Ok(())
    }

    /// The run is good to its end: what was replaced goes.
    pub fn settle(self) {
        for before in self.replaced.into_iter().filter_map(|(_, before)| before) {
            let _ = std::fs::remove_file(before);
        }
    }

    /// The run is not good: what was replaced comes back.
    pub fn take_back(self) {
        for (target, before) in self.replaced {
            let _ = match before {
                Some(before) => std::fs::rename(before, target),
                None => std::fs::remove_file(target),
            };
        }
    }
}

/// `.name.word` beside a file.
fn beside(target: &Path, word: &str) -> PathBuf {
    let name = target.file_name().map_or_else(|| "delivery".into(), |n| n.to_string_lossy().into_owned());
    target.with_file_name(format!(".{name}.{word}"))
}

/// SHA-256 and size of a file, piece by piece: a delivery may be large.
fn digest(path: &Path) -> std::io::Result<(String, u64)> {
    let mut hasher = Sha256::new();
    let bytes = std::io::copy(&mut std::fs::File::open(path)?, &mut hasher)?;
    Ok((pipeline_base::digest::hex(&hasher.finalize()), bytes))
}

/// The problem of a delivery that cannot be written.
#[must_use]
pub fn cannot_write(name: &str, error: &std::io::Error) -> Problem {
    Problem::from(
        Diagnostic::new("export/cannot-write", Verdict::Block, format!("`{name}` cannot be written: {error}"))
            .label(Label::file(name, "this delivery"))
            .why("nothing half-written is left behind; no delivery of this run was made")
            .fix("check free space and permissions of the results folder, then run again"),
    )
}

/// A reader that hashes what passes and, when dropped, the rest of the file too.
struct HashingReader {
    inner: std::io::BufReader<std::fs::File>,
    hasher: Sha256,
    bytes: u64,
    total: Arc<AtomicU64>,
    name: String,
    role: String,
    session: usize,
    kept: Arc<Mutex<RunState>>,
}

impl Read for HashingReader {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let n = self.inner.read(buffer)?;
        self.hasher.update(&buffer[..n]);
        self.bytes += n as u64;
        self.total.fetch_add(n as u64, Ordering::Relaxed);
        Ok(n)
    }
}

impl Drop for HashingReader {
    fn drop(&mut self) {
        // A decoder may stop before trailing bytes; the digest is of the whole file all the same.
        let mut buffer = vec![0_u8; CHUNK];
        while let Ok(n @ 1..) = self.inner.read(&mut buffer) {
            self.hasher.update(&buffer[..n]);
            self.bytes += n as u64;
        }
        let sha256 = pipeline_base::digest::hex(&std::mem::take(&mut self.hasher).finalize());
        let material = Material { name: self.name.clone(), role: self.role.clone(), sha256, bytes: self.bytes };
        let mut kept = lock(&self.kept);
        let entry = kept.materials.entry((self.role.clone(), self.name.clone())).or_insert((self.session, material.clone()));
        *entry = (entry.0.min(self.session), material);
    }
}

/// A reader that counts the lines that pass: core's own count, to hold the stage's against.
struct LineCountingReader {
    inner: Box<dyn Read + Send>,
    newlines: u64,
    last: u8,
    any: bool,
    name: String,
    session: usize,
    kept: Arc<Mutex<RunState>>,
}

impl Read for LineCountingReader {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let n = self.inner.read(buffer)?;
        if n > 0 {
            self.any = true;
            self.last = buffer[n - 1];
            self.newlines += newlines(&buffer[..n]);
        }
        Ok(n)
    }
}

fn newlines(bytes: &[u8]) -> u64 {
    memchr::memchr_iter(b'\n', bytes).count() as u64
}

impl Drop for LineCountingReader {
    fn drop(&mut self) {
        let lines = self.newlines + u64::from(self.any && self.last != b'\n');
        let mut kept = lock(&self.kept);
        let entry = kept.lines_seen.entry(self.name.clone()).or_insert((self.session, lines));
        *entry = (entry.0.min(self.session), lines);
    }
}

/// The desk as one session sees it.
pub struct SessionServices<'a> {
    desk: &'a RunServices,
    session: usize,
}

impl SessionServices<'_> {
    /// Remembers the names of points that a step over everything sets aside, for the verdict. What a step of one session sets aside
    /// are epochs, or points that have a finding of their own.
    fn hold(&self, step: &str, table: &Table, rows: impl Iterator<Item = usize>, detail: &str) -> Result<(), Problem> {
        let Some(point) = table.schema.role(Role::Point).filter(|_| self.session == usize::MAX) else { return Ok(()) };
        let (names, index) = (table.texts(&point.name)?, self.desk.step_index(step));
        let held = &mut lock(&self.desk.kept).held;
        let mut known: BTreeSet<String> = held.iter().filter(|(s, _)| *s == index).map(|(_, h)| h.point.clone()).collect();
        for name in rows.filter_map(|row| names.get(row).copied().flatten()) {
            if known.insert(name.to_owned()) {
                held.push((index, HeldPoint { point: name.to_owned(), step: step.to_owned(), why: detail.to_owned() }));
            }
        }
        Ok(())
    }

    fn keep(&self, step: &str, ranges: &[SetAsideRange], rows: usize, reason: &str, detail: &str) {
        let (session, step_index) = (self.session, self.desk.step_index(step));
        let slot = self.desk.shelf.put(&set_aside::piece(&SetAsideReason { step, step_index, reason, detail }, ranges));
        let mut kept = lock(&self.desk.kept);
        *kept.refused.entry((step_index, session, reason.to_owned())).or_default() += rows as u64;
        kept.set_aside.push((session, step_index, slot));
        kept.set_aside_lines += ranges.len() as u64;
    }
}

impl World for SessionServices<'_> {
    fn open(&self, resource: &Resource, decompress: bool) -> Result<Box<dyn Read + Send>, Problem> {
        let raw = self.desk.open(resource, self.session)?;
        if !decompress {
            return Ok(raw);
        }
        let inner = unpack(raw).map_err(|e| unreadable(&resource.name, &e))?;
        let (name, kept) = (resource.name.clone(), self.desk.kept.clone());
        Ok(Box::new(LineCountingReader { inner, newlines: 0, last: 0, any: false, name, session: self.session, kept }))
    }

    fn create(&self, name: &str, option: &str) -> Result<OutFile, Problem> {
        let target = self.desk.results.join(name);
        if target.exists() && !self.desk.overwrite {
            return Err(Problem::from(
                Diagnostic::new("export/exists", Verdict::Block, format!("`{name}` exists already in the results folder"))
                    .why("a delivery is never replaced silently")
                    .fix("move it away, choose another `path` or `results`, or run with `--overwrite`"),
            )
            .option(option));
        }
        if lock(&self.desk.kept).pending.iter().any(|(t, _, _)| *t == target) {
            return Err(Problem::from(
                Diagnostic::new("export/same-file", Verdict::Block, format!("two steps write `{name}`"))
                    .fix("give each export its own `path`"),
            )
            .option(option));
        }
        if let Some(parent) = target.parent() {
            std::fs::create_dir_all(parent).map_err(|e| cannot_write(name, &e))?;
        }
        let temporary = beside(&target, "partial");
        let _ = std::fs::remove_file(&temporary);
        lock(&self.desk.kept).pending.push((target, temporary.clone(), name.to_owned()));
        Ok(OutFile { path: temporary, name: name.to_owned() })
    }

    fn delivered(&self, file: &OutFile, rows: u64) {
        lock(&self.desk.kept).delivered.push((file.name.clone(), rows));
    }

    fn set_aside(&self, step: &str, rows: &Table, reason: &str, detail: &str) -> Result<(), Problem> {
        let ranges = set_aside::ranges(rows, 0..rows.rows())?;
        self.hold(step, rows, 0..rows.rows(), detail)?;
        self.keep(step, &ranges, rows.rows(), reason, detail);
        Ok(())
    }

    fn set_aside_rows(&self, step: &str, table: &Table, rows: &[u32], reason: &str, detail: &str) -> Result<(), Problem> {
        let ranges = set_aside::ranges(table, rows.iter().map(|r| *r as usize))?;
        self.hold(step, table, rows.iter().map(|r| *r as usize), detail)?;
        self.keep(step, &ranges, rows.len(), reason, detail);
        Ok(())
    }

    fn used(&self, step: &str, rows: u64) {
        let index = self.desk.step_index(step);
        *lock(&self.desk.kept).used.entry((index, self.session)).or_default() += rows;
    }

    fn lines(&self, _: &str, count: LineCount) {
        let mut kept = lock(&self.desk.kept);
        let order = kept.lines.len();
        kept.lines.push((self.session, order, count));
    }

    fn find(&self, step: &str, _: usize, mut finding: Diagnostic) {
        finding.step = Some(step.to_owned());
        let index = self.desk.step_index(step);
        let mut kept = lock(&self.desk.kept);
        let order = kept.findings.len();
        kept.findings.push((index, self.session, order, finding));
    }

    fn fact(&self, step: &str, _: usize, key: &str, value: serde_json::Value) {
        let index = self.desk.step_index(step);
        // Outside the lock: a tree of thousands of values is packed and given back here.
        let packed = StoredValue::put(&self.desk.shelf, &value);
        drop(value);
        let mut kept = lock(&self.desk.kept);
        let order = kept.facts.len();
        kept.facts.push((index, self.session, order, key.into(), packed));
    }

    fn progress(&self, _: u64) {}

    fn cancelled(&self) -> bool {
        self.desk.given_up(self.session)
    }

    fn waiver(&self, code: &str, scope: &str) -> Option<String> {
        let waiver = self.desk.waivers.iter().find(|w| w.code == code && (w.scope == scope || w.scope == "all"))?;
        let key = (waiver.code.clone(), waiver.scope.clone());
        let mut kept = lock(&self.desk.kept);
        if !kept.waived.contains(&key) {
            kept.waived.push(key);
        }
        Some(format!("{}: {}", waiver.who, waiver.reason))
    }
}
