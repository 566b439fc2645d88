//! The only part that reads, writes and uses threads.
//!
//! Consecutive steps of grain `rows` or `session` form a segment that runs session by session, each
//! from raw bytes to its few points before the next one starts, so peak memory is set by the
//! largest sessions in flight and never by their number. `whole` steps see all sessions together,
//! in the order of the sessions, so results cannot depend on the thread count.

mod earlier_run;
pub mod services;
pub mod session_rows;
pub mod set_aside;
pub mod temporary_store;

use crate::plan::{Node, Plan};
use crate::record::{self, Decided, Fact, Happened, Material, Product, Record, Rows, StepRecord};
use crate::stage::{Cx, Grain, Session};
use crate::verdict::{self, DeliveredPoint, HeldPoint};
use earlier_run::EarlierRun;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use services::RunServices;
use session_rows::{SessionRows, StackFailure};
use std::collections::{BTreeMap, HashSet};
use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime};

/// How to run.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Worker threads; sessions in flight at once.
    pub threads: usize,
    /// Whether existing results may be replaced.
    pub overwrite: bool,
    /// Whether deliveries and record are kept. Without it everything is computed, written, read back and
    /// compared all the same, and then taken away; results of earlier runs stay as they are.
    pub deliver: bool,
    /// Whether the points of the first delivery are wanted, for the verdict.
    pub standings: bool,
}

/// What a run came to.
pub struct Outcome {
    /// The record, already written unless `record_error` says otherwise.
    pub record: Record,
    /// Path of the record.
    pub record_path: PathBuf,
    /// Whether the record was kept back, so that the one of an earlier delivery stays.
    pub record_kept_back: bool,
    /// Why the record could not be written.
    pub record_error: Option<std::io::Error>,
    /// The points of the first delivery, when the settings ask for them.
    pub standings: Vec<DeliveredPoint>,
    /// Points that steps over everything set aside, for the verdict.
    pub held: Vec<HeldPoint>,
}

impl Outcome {
    /// Whether deliveries were made.
    #[must_use]
    pub fn done(&self) -> bool {
        self.record.decided.result == "done" && self.record_error.is_none()
    }
}

/// How often progress is reported.
const WATCH: Duration = Duration::from_millis(20);
/// Name of the record below the results folder.
pub const RECORD: &str = "record.json";
/// Name of the record of a failed run where an earlier delivery stays with its own.
pub const FAILED_RECORD: &str = "record.failed.json";
/// Name of the set-aside table below the results folder.
pub const SET_ASIDE: &str = "set-aside.csv";

/// Looks for the files of a plan and lets the sources look at their logs: the findings of `check`,
/// made before anything runs.
#[must_use]
pub fn survey(plan: &Plan) -> Vec<Diagnostic> {
    let mut found = plan.notes.clone();
    for node in &plan.nodes {
        for resource in node.bound.stage.resources() {
            if let Err(e) = std::fs::File::open(&resource.path) {
                let option = format!("steps[{}].options.{}", node.step, resource.option);
                found.push(
                    Diagnostic::new("job/missing-file", Verdict::Error, format!("`{}` cannot be read: {e}", resource.name))
                        .label(plan.documents[0].value_label(&option, "named here"))
                        .fix("paths are relative to the job file"),
                );
            }
        }
        found.extend(node.bound.stage.survey().into_iter().map(|mut d| {
            d.step.get_or_insert_with(|| node.id.clone());
            d
        }));
    }
    found
}

/// Runs a plan. A record is written in every case.
#[must_use]
pub fn execute(plan: &Plan, settings: &Settings, watch: &(dyn Fn(u64, u64) + Sync)) -> Outcome {
    let started = SystemTime::now();
    let clock = Instant::now();
    let desk = RunServices::new(
        &plan.results,
        settings.overwrite || !settings.deliver,
        &plan.job.waivers,
        plan.nodes.iter().map(|n| n.id.clone()).collect(),
    );
    let record_path = plan.results.join(RECORD);
    let mut run = Run {
        plan,
        settings,
        desk: &desk,
        counts: Mutex::new(vec![BTreeMap::new(); plan.nodes.len()]),
        times: plan.nodes.iter().map(|_| Mutex::new(0.0)).collect(),
        outputs: vec![None; plan.nodes.len()],
        findings: plan.notes.clone(),
        standings: Mutex::default(),
        watch,
    };
    let mut published = services::RenamedDeliveries::default();
    let earlier = settings.deliver.then(|| EarlierRun::read(&record_path)).flatten();
    let previous_in_the_way = earlier.is_some() && !settings.overwrite;
    let result = run
        .prepare(previous_in_the_way)
        .and_then(|()| run.all())
        .and_then(|()| desk.shelf_failure().map_or(Ok(()), |e| Err(services::cannot_write(RECORD, &e))));
    if let Err(problem) = result {
        run.findings.push(*problem.finding);
    }
    run.collect_findings();
    let mut failed = run.findings.iter().any(|d| d.verdict.stops_delivery());
    if !failed {
        run.check_accounts();
        run.unused_waivers();
        let replaced = |name: &str| desk.kept().pending.iter().any(|(_, _, n)| n == name);
        run.findings.extend(earlier.as_ref().and_then(|e| e.left_over(&plan.results, &plan.results_name, replaced)));
        failed = run.findings.iter().any(|d| d.verdict.stops_delivery());
    }
    if failed || !settings.deliver {
        desk.discard();
    } else {
        match run.publish() {
            Ok(made) => published = made,
            Err(problem) => {
                run.findings.push(*problem.finding);
                failed = true;
                desk.discard();
            }
        }
    }
    let mut held = std::mem::take(&mut desk.kept().held);
    held.sort_by_key(|(step, _)| *step);
    let held = held.into_iter().map(|(_, held)| held).collect();
    let findings = std::mem::take(&mut run.findings);
    let record = run.record(failed, std::mem::take(&mut published.products), findings, started, clock);
    let standings = run.standings.into_inner().unwrap_or_else(PoisonError::into_inner);
    let standings = standings.into_values().find(|s| !s.is_empty()).unwrap_or_default();
    // A refusal to replace results must not itself replace their record.
    let keep = settings.deliver && !previous_in_the_way;
    if !settings.deliver {
        // Only goes when it is empty: it was made for files that have been taken away again.
        let _ = std::fs::remove_dir(&plan.results);
    }
    // An earlier delivery that stays keeps its record, or nobody could say any more what it is.
    let failed_path = plan.results.join(FAILED_RECORD);
    let record_path = if failed && earlier.is_some() { failed_path.clone() } else { record_path };
    let record_error = if !keep { None } else { std::fs::create_dir_all(&plan.results).and_then(|()| record.write(&record_path)).err() };
    if record_error.is_some() {
        // Without a record nothing is delivered.
        published.take_back();
    } else {
        published.settle();
        if keep && record_path != failed_path {
            let _ = std::fs::remove_file(&failed_path);
        }
    }
    Outcome { record, record_path, record_kept_back: !keep, record_error, standings, held }
}

/// The record of a run that ended before it began: the job was refused.
///
/// An earlier delivery in the same folder keeps its record; then, and when the job could not be read
/// far enough to know its folder, nothing is written and `None` comes back.
pub fn record_refusal(refused: &crate::plan::RefusedJob) -> Option<PathBuf> {
    let results = refused.results.as_ref()?;
    let path = results.join(RECORD);
    if EarlierRun::read(&path).is_some() {
        return None;
    }
    let now = SystemTime::now();
    let record = Record {
        record: 1,
        decided: Decided {
            tool: record::tool(),
            plan: serde_json::Value::Null,
            plan_sha256: String::new(),
            steps: vec![],
            lines: vec![],
            materials: [record::materials_of(&refused.documents), record::materials_of_plugins(&refused.plugins)].concat(),
            products: vec![],
            result: "failed".to_owned(),
            findings: refused.findings.clone(),
        },
        happened: happened(now, 0.0, 0, vec![]),
    };
    std::fs::create_dir_all(results).and_then(|()| record.write(&path)).ok().map(|()| path)
}

fn happened(started: SystemTime, seconds: f64, threads: usize, steps: Vec<(String, f64)>) -> Happened {
    Happened {
        started: started
            .duration_since(SystemTime::UNIX_EPOCH)
            .map(|d| pipeline_base::time::iso(i64::try_from(d.as_secs()).unwrap_or(0).saturating_mul(1_000_000_000)))
            .unwrap_or_default(),
        seconds,
        threads,
        platform: format!("{} {}", std::env::consts::OS, std::env::consts::ARCH),
        steps,
    }
}

struct Run<'a> {
    plan: &'a Plan,
    settings: &'a Settings,
    desk: &'a RunServices,
    /// Rows in and out of each node, by session.
    counts: Mutex<Vec<BTreeMap<usize, (u64, u64)>>>,
    times: Vec<Mutex<f64>>,
    outputs: Vec<Option<Table>>,
    findings: Vec<Diagnostic>,
    /// Points of each step that delivers some; the first of them counts.
    standings: Mutex<BTreeMap<usize, Vec<DeliveredPoint>>>,
    watch: &'a (dyn Fn(u64, u64) + Sync),
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Run<'_> {
    fn prepare(&self, previous_in_the_way: bool) -> Result<(), Problem> {
        if previous_in_the_way {
            return Err(Problem::from(
                Diagnostic::new(
                    "export/exists",
                    Verdict::Block,
                    format!("`{}` holds the results of an earlier run", self.plan.results_name),
                )
                .why("a delivery is never replaced silently")
                .fix("move it away, choose another `results` folder in the job, or run with `--overwrite`"),
            ));
        }
        std::fs::create_dir_all(&self.plan.results).map_err(|e| services::cannot_write(&self.plan.results_name, &e))?;
        for node in &self.plan.nodes {
            for resource in node.bound.stage.resources() {
                self.desk.hash(&resource)?;
            }
        }
        Ok(())
    }

    /// Runs segments and whole steps in order.
    fn all(&mut self) -> Result<(), Problem> {
        for n in 0..self.plan.nodes.len() {
            if self.outputs[n].is_some() {
                continue;
            }
            match self.source_of(n) {
                Some(source) => self.segment(source)?,
                None => self.together(n)?,
            }
            self.drop_finished();
        }
        Ok(())
    }

    /// Runs a step that sees everything together, and beside it all others whose inputs are there: exports of one table do not wait
    /// for one another. All of them run to their end even when one fails, for any number of threads.
    fn together(&mut self, first: usize) -> Result<(), Problem> {
        let ready: Vec<usize> = (first..self.plan.nodes.len())
            .filter(|n| self.outputs[*n].is_none() && self.source_of(*n).is_none())
            .filter(|n| self.plan.nodes[*n].inputs.iter().all(|i| self.outputs[*i].is_some()))
            .collect();
        let next = AtomicUsize::new(0);
        let results: Mutex<BTreeMap<usize, Result<Table, Problem>>> = Mutex::default();
        let this = &*self;
        std::thread::scope(|scope| {
            for _ in 0..self.settings.threads.clamp(1, ready.len().max(1)) {
                scope.spawn(|| {
                    while let Some(n) = ready.get(next.fetch_add(1, Ordering::Relaxed)) {
                        let result = this.whole(*n);
                        lock(&results).insert(*n, result);
                    }
                });
            }
        });
        let mut failures = vec![];
        for (n, result) in results.into_inner().unwrap_or_else(PoisonError::into_inner) {
            match result {
                Ok(table) => self.outputs[n] = Some(table),
                Err(problem) => failures.push(problem),
            }
        }
        let Some(last) = failures.pop() else { return Ok(()) };
        self.findings.extend(failures.into_iter().map(|p| *p.finding));
        Err(last)
    }

    /// The reader whose sessions a node runs over; `None` when it sees everything together.
    fn source_of(&self, n: usize) -> Option<usize> {
        let node = &self.plan.nodes[n];
        if node.bound.grain == Grain::Whole {
            return None;
        }
        match node.inputs.first() {
            None => Some(n),
            Some(first) => self.source_of(*first),
        }
    }

    /// Tables that nobody will ask for again.
    fn drop_finished(&mut self) {
        for n in 0..self.outputs.len() {
            let pending = self.plan.nodes.iter().enumerate().any(|(m, node)| self.outputs[m].is_none() && node.inputs.contains(&n));
            if !pending && self.outputs[n].as_ref().is_some_and(|t| t.rows() > 0) {
                let schema = self.plan.nodes[n].bound.output.clone();
                self.outputs[n] = Table::empty(schema).ok();
            }
        }
    }

    fn segment(&mut self, source: usize) -> Result<(), Problem> {
        let members: Vec<usize> = (0..self.plan.nodes.len())
            .filter(|n| self.outputs[*n].is_none() && self.source_of(*n) == Some(source))
            // A side input of this segment's own making is not there yet: such a step waits for the next round.
            .filter(|n| self.plan.nodes[*n].inputs.iter().skip(1).all(|i| self.outputs[*i].is_some()))
            .collect();
        let sessions = self.plan.nodes[source].bound.stage.sessions();
        let leaving: Vec<usize> = members
            .iter()
            .copied()
            .filter(|n| self.plan.nodes.iter().enumerate().any(|(m, node)| !members.contains(&m) && node.inputs.contains(n)))
            .collect();
        let total: u64 = sessions.iter().flat_map(|s| &s.files).filter_map(|f| std::fs::metadata(&f.path).ok()).map(|m| m.len()).sum();
        let next = AtomicUsize::new(0);
        let mark = self.desk.mark();
        let results: Mutex<BTreeMap<usize, Result<Vec<SessionRows>, Problem>>> = Mutex::default();
        let this = &*self;
        let work = || {
            loop {
                let i = next.fetch_add(1, Ordering::Relaxed);
                let Some(session) = sessions.get(i) else { break };
                if this.desk.given_up(i) {
                    break;
                }
                let keep =
                    |table| if sessions.len() == 1 { Ok(SessionRows::Here(table)) } else { session_rows::put(this.desk.shelf(), &table) };
                let tables = this.session(i, session, &members, &leaving);
                let result = tables.and_then(|all| all.into_iter().map(keep).collect());
                if result.is_err() {
                    // Sessions before this one go on, so that the first failure is the same for any number of threads.
                    this.desk.failed_at.fetch_min(i, Ordering::Relaxed);
                }
                lock(&results).insert(i, result);
            }
        };
        // One long task for each worker instead of one task for each session: a worker that waits
        // inside a column operation must not pick up a second session, or memory would grow.
        let threads = self.settings.threads.clamp(1, sessions.len().max(1));
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().map_err(Problem::broken)?;
        let at_work = AtomicBool::new(true);
        std::thread::scope(|scope| {
            scope.spawn(|| {
                while at_work.load(Ordering::Relaxed) {
                    (this.watch)(this.desk.bytes.load(Ordering::Relaxed), total);
                    std::thread::park_timeout(WATCH);
                }
            });
            pool.broadcast(|_| work());
            at_work.store(false, Ordering::Relaxed);
        });
        // What the threads had for themselves is free for the columns of all sessions.
        drop(pool);
        let results = results.into_inner().unwrap_or_else(PoisonError::into_inner);
        if let Some((failed, _)) = results.iter().find(|(_, r)| r.is_err()) {
            self.desk.forget_after(*failed, &members, &mark);
            let mut counts = lock(&self.counts);
            members.iter().for_each(|n| counts[*n].retain(|session, _| session <= failed));
        }
        let mut tables: Vec<Vec<SessionRows>> = leaving.iter().map(|_| vec![]).collect();
        for (_, result) in results {
            for (all, own) in tables.iter_mut().zip(result?) {
                all.push(own);
            }
        }
        for (n, all) in leaving.iter().zip(tables) {
            let table = session_rows::together(self.desk.shelf(), all, &self.plan.nodes[*n].bound.output).map_err(|lost| match lost {
                StackFailure::Disk(e) => services::cannot_write(&self.plan.results_name, &e),
                StackFailure::Broken(problem) => problem,
            })?;
            self.outputs[*n] = Some(table);
        }
        for n in members {
            if self.outputs[n].is_none() {
                self.outputs[n] = Some(Table::empty(self.plan.nodes[n].bound.output.clone())?);
            }
        }
        Ok(())
    }

    /// One session through every step of a segment; gives the tables that leave it.
    fn session(&self, number: usize, session: &Session, members: &[usize], leaving: &[usize]) -> Result<Vec<Table>, Problem> {
        let mut tables: BTreeMap<usize, Table> = BTreeMap::new();
        for (k, n) in members.iter().enumerate() {
            let node = &self.plan.nodes[*n];
            let mut inputs = vec![];
            for (position, i) in node.inputs.iter().enumerate() {
                let table = if position == 0 { tables.get(i) } else { self.outputs[*i].as_ref() };
                inputs.push(table.cloned().ok_or_else(|| Problem::broken("an input was not there"))?);
            }
            // Give up what nobody below needs before the step makes its own table.
            let needed = |i: usize| leaving.contains(&i) || members[k..].iter().any(|m| self.plan.nodes[*m].inputs.first() == Some(&i));
            let table = self.call(*n, node, inputs, Some((number, session)))?;
            tables.insert(*n, table);
            tables.retain(|i, _| {
                *i == *n
                    || (needed(*i)
                        && (leaving.contains(i) || members[k + 1..].iter().any(|m| self.plan.nodes[*m].inputs.first() == Some(i))))
            });
        }
        leaving.iter().map(|n| tables.remove(n).ok_or_else(|| Problem::broken("a table was given up too early"))).collect()
    }

    fn whole(&self, n: usize) -> Result<Table, Problem> {
        let node = &self.plan.nodes[n];
        let mut inputs = vec![];
        for i in &node.inputs {
            inputs.push(self.outputs[*i].clone().ok_or_else(|| Problem::broken("an input was not there"))?);
        }
        self.call(n, node, inputs, None)
    }

    /// Calls a stage, catches its panics and compares what it gives with what it promised.
    fn call(&self, n: usize, node: &Node, inputs: Vec<Table>, session: Option<(usize, &Session)>) -> Result<Table, Problem> {
        let number = session.map_or(usize::MAX, |(i, _)| i);
        let world = self.desk.for_session(number);
        let cx = Cx::new(&world, &node.id, session);
        let rows_in = inputs.first().map_or(0, Table::rows) as u64;
        let clock = Instant::now();
        let result = catch_unwind(AssertUnwindSafe(|| node.bound.stage.run(&inputs, &cx)));
        *lock(&self.times[n]) += clock.elapsed().as_secs_f64() * 1000.0;
        let place = |mut p: Problem| {
            p.finding.step = Some(node.id.clone());
            if p.finding.place.is_empty()
                && let Some((_, s)) = session
            {
                p.finding.place = format!("session `{}`", s.name);
            }
            p
        };
        let table = match result {
            Ok(Ok(table)) => table,
            Ok(Err(problem)) => return Err(place(problem)),
            Err(panic) => {
                let message = panic
                    .downcast_ref::<&str>()
                    .map(|s| (*s).to_owned())
                    .or_else(|| panic.downcast_ref::<String>().cloned())
                    .unwrap_or_else(|| "no message".into());
                return Err(place(Problem::broken(format!("`{}` broke down: {message}", node.spec.name))));
            }
        };
        // The very schema of the plan, so that nothing a stage does can change what columns mean.
        if *table.schema != *node.bound.output {
            return Err(place(Problem::broken(format!("`{}` promised another schema than it delivered", node.spec.name))));
        }
        let table = Table { data: table.data, schema: Arc::clone(&node.bound.output) };
        table.check().map_err(place)?;
        if node.spec.delivers && self.settings.standings {
            let standings = verdict::standings(&table).map_err(place)?;
            lock(&self.standings).insert(n, standings);
        }
        lock(&self.counts)[n].insert(number, (rows_in, table.rows() as u64));
        Ok(table)
    }

    fn collect_findings(&mut self) {
        let mut kept = std::mem::take(&mut self.desk.kept().findings);
        for (n, node) in self.plan.nodes.iter().enumerate() {
            // Facts as trees take many times their packed bytes: only those that are asked for, one at a time.
            let keys = node.bound.stage.concludes_on();
            if keys.is_empty() {
                continue;
            }
            let mut own: Vec<_> = {
                let all = self.desk.kept();
                all.facts.iter().filter(|(step, _, _, key, _)| *step == n && keys.contains(&&**key)).cloned().collect()
            };
            own.sort_by_key(|(_, session, order, ..)| (*session, *order));
            let facts = |key: &str| -> Box<dyn Iterator<Item = serde_json::Value> + '_> {
                let key = key.to_owned();
                let of = own.iter().filter(move |(.., k, _)| **k == *key);
                Box::new(of.map(|(.., value)| serde_json::to_value(value).unwrap_or_default()))
            };
            for mut finding in node.bound.stage.conclude(&facts) {
                finding.step.get_or_insert_with(|| node.id.clone());
                kept.push((n, usize::MAX, usize::MAX, finding));
            }
        }
        kept.sort_by_key(|(step, session, order, _)| (*step, *session, *order));
        // Several sessions may trip over the same file; it is said once.
        let mut said: HashSet<Diagnostic> = self.findings.iter().cloned().collect();
        self.findings.extend(kept.into_iter().map(|(.., finding)| finding).filter(|d| said.insert(d.clone())));
    }

    /// Every line and every row must be in exactly one place.
    fn check_accounts(&mut self) {
        let mut wrong = vec![];
        let kept = self.desk.kept();
        let counts = lock(&self.counts);
        for (n, node) in self.plan.nodes.iter().enumerate() {
            if node.inputs.is_empty() {
                continue;
            }
            for (session, (rows_in, rows_out)) in &counts[n] {
                let refused: u64 = kept.refused.iter().filter(|((s, i, _), _)| *s == n && i == session).map(|(_, c)| *c).sum();
                let used = kept.used.get(&(n, *session)).copied().unwrap_or(0);
                let aggregated = kept.used.contains_key(&(n, *session)) && node.bound.grain != Grain::Rows;
                let accounted = if aggregated { used + refused } else { rows_out + refused };
                if accounted != *rows_in {
                    wrong.push(format!("step `{}` took {rows_in} rows and accounts for {accounted}", node.id));
                }
            }
        }
        for (_, _, count) in &kept.lines {
            let sum = count.used + count.ignored.values().sum::<u64>() + count.damaged.values().sum::<u64>();
            let seen = kept.lines_seen.get(&count.file).map_or(count.total, |(_, lines)| *lines);
            if sum != count.total || seen != count.total {
                wrong.push(format!("`{}` has {seen} lines, {} were counted and {sum} accounted for", count.file, count.total));
            }
        }
        drop((kept, counts));
        for what in wrong {
            self.findings.push(*Problem::broken(what).finding);
        }
    }

    fn unused_waivers(&mut self) {
        let used = self.desk.kept().waived.clone();
        for (i, waiver) in self.plan.job.waivers.iter().enumerate() {
            if !used.contains(&(waiver.code.clone(), waiver.scope.clone())) {
                self.findings.push(
                    Diagnostic::new(
                        "job/unused-waiver",
                        Verdict::Warn,
                        format!("the waiver of `{}` for `{}` lifted nothing", waiver.code, waiver.scope),
                    )
                    .label(self.plan.documents[0].value_label(&format!("waivers[{i}].code"), "this waiver"))
                    .fix("remove it, or correct its code and scope"),
                );
            }
        }
    }

    /// Writes the set-aside table, then gives every delivery its final name.
    fn publish(&self) -> Result<services::RenamedDeliveries, Problem> {
        let undelivered = {
            let kept = self.desk.kept();
            kept.pending.iter().find(|(_, _, name)| !kept.delivered.iter().any(|(n, _)| n == name)).map(|(_, _, name)| name.clone())
        };
        if let Some(name) = undelivered {
            return Err(Problem::broken(format!("`{name}` was begun and never finished")));
        }
        let world = self.desk.for_session(usize::MAX);
        let overwriting = RunServices::new(&self.plan.results, true, &[], vec![]);
        // The record decides whether results may be replaced; its companion follows it.
        let file = crate::stage::cx::World::create(&overwriting.for_session(usize::MAX), SET_ASIDE, "")?;
        let written = std::fs::File::create(&file.path).and_then(|out| {
            let mut out = std::io::BufWriter::new(out);
            let rows = self.desk.write_set_aside(&mut out)?;
            out.flush().map(|()| rows)
        });
        let rows = written.map_err(|e| {
            let _ = std::fs::remove_file(&file.path);
            services::cannot_write(SET_ASIDE, &e)
        })?;
        self.desk.kept().pending.push((self.plan.results.join(SET_ASIDE), file.path.clone(), SET_ASIDE.to_owned()));
        crate::stage::cx::World::delivered(&world, &file, rows);
        self.desk.publish()
    }

    fn record(&self, failed: bool, products: Vec<Product>, findings: Vec<Diagnostic>, started: SystemTime, clock: Instant) -> Record {
        let (plan, plan_sha256) = record::plan_and_digest(self.plan);
        // Nobody asks for the facts after the record.
        let mut facts = std::mem::take(&mut self.desk.kept().facts);
        let kept = self.desk.kept();
        let counts = lock(&self.counts);
        let mut materials: Vec<Material> = record::materials_of(&self.plan.documents);
        let mut read: Vec<Material> = kept.materials.values().map(|(_, m)| m.clone()).collect();
        read.sort();
        materials.extend(record::materials_of_plugins(&self.plan.plugins));
        materials.extend(read);
        let mut lines = kept.lines.clone();
        lines.sort_by_key(|(session, order, _)| (*session, *order));
        facts.sort_by_key(|(step, session, order, ..)| (*step, *session, *order));
        let names: Vec<Session> = self.plan.nodes.iter().flat_map(|n| n.bound.stage.sessions()).collect();
        let steps = self
            .plan
            .nodes
            .iter()
            .enumerate()
            .map(|(n, node)| {
                let mut rows = Rows { partitions: counts[n].len() as u64, ..Rows::default() };
                for (i, o) in counts[n].values() {
                    rows.r#in += i;
                    rows.out += o;
                }
                rows.used = kept.used.iter().filter(|((s, _), _)| *s == n).map(|(_, c)| *c).sum();
                for ((step, _, reason), count) in &kept.refused {
                    if *step == n {
                        *rows.set_aside.entry(reason.clone()).or_default() += count;
                    }
                }
                let facts = facts
                    .iter()
                    .filter(|(step, ..)| *step == n)
                    .map(|(_, session, _, key, value)| Fact {
                        session: names.get(*session).map(|s| s.name.clone()),
                        key: key.to_string(),
                        value: value.clone(),
                    })
                    .collect();
                StepRecord { id: node.id.clone(), rows, facts }
            })
            .collect();
        Record {
            record: 1,
            decided: Decided {
                tool: record::tool(),
                plan,
                plan_sha256,
                steps,
                lines: lines.into_iter().map(|(_, _, c)| c).collect(),
                materials,
                products,
                result: if failed { "failed" } else { "done" }.to_owned(),
                findings,
            },
            happened: happened(
                started,
                clock.elapsed().as_secs_f64(),
                self.settings.threads,
                self.plan.nodes.iter().zip(&self.times).map(|(n, t)| (n.id.clone(), *lock(t))).collect(),
            ),
        }
    }
}
