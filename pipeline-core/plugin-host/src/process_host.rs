//! A plug-in in a process of its own: JSON lines on its standard input and output, columns beside them.
//!
//! A library is served by this very program (`plugin-host`), so its author does nothing, and its columns lie in memory that
//! both share. A program serves itself, and its tables are Arrow files. Whatever it does — crash, abort, hang, eat memory, end in the middle, talk nonsense — ends in a finding.

mod running_process;

use super::file::{FileKind, PluginFile};
use super::shared_memory::{MemoryPiece, OutgoingMemory};
use super::{BindRequest, BoundHost, CallReporter, Host, HostFault, OpenedPlugin, columns as columns_of, library_process, spawn};
use crate::arrow::import::{ReturnedBatch, ReturnedColumn};
use crate::arrow::shared_table;
use crate::arrow::shared_table::{AnswerColumn, SharedTable};
use crate::arrow::{ReturnedTable, claim_of, ipc};
use pipeline_base::table::Table;
use pipeline_core::job;
use pipeline_core::plugin::Policy;
use running_process::RunningProcess;
use serde::Deserialize;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Longest time of one call when the job does not say.
const TIME_LIMIT: Duration = Duration::from_secs(300);

/// How to start the process, and those that wait for work.
pub(super) struct ProcessPool {
    program: PathBuf,
    words: Vec<std::ffi::OsString>,
    /// This program, when it is known.
    own_program: Option<PathBuf>,
    /// Whether this program serves a library there.
    library: bool,
    memory_limit_mb: Option<u64>,
    time_limit: Duration,
    idle: Mutex<Vec<RunningProcess>>,
    next: AtomicU64,
}

/// Starts the plug-in and lets it describe itself.
pub(super) fn open(look: &PluginFile, entry: &job::Plugin, policy: &Policy) -> Result<(Arc<ProcessHost>, OpenedPlugin), HostFault> {
    let (program, words) = match look.kind {
        FileKind::Program => (look.path.clone(), vec![]),
        FileKind::Library => {
            let host = policy.program.clone();
            let host = host
                .ok_or_else(|| HostFault::found("plugin/cannot-start", "no program was named that can hold it in a process of its own"))?;
            (host, vec!["plugin-host".into(), look.path.clone().into_os_string(), look.sha256.clone().into()])
        }
    };
    let shop = Arc::new(ProcessPool {
        program,
        words,
        own_program: policy.program.clone(),
        library: look.kind == FileKind::Library,
        memory_limit_mb: entry.memory_limit_mb,
        time_limit: entry.time_limit_s.map_or(TIME_LIMIT, Duration::from_secs_f64),
        idle: Mutex::default(),
        next: AtomicU64::new(1),
    });
    let talk = shop.take()?;
    let hello = OpenedPlugin { abi: talk.abi.clone(), about: talk.about.clone() };
    shop.give_back(talk);
    Ok((Arc::new(ProcessHost(shop)), hello))
}

impl ProcessPool {
    /// A process that waits for work, or a new one.
    fn take(&self) -> Result<RunningProcess, HostFault> {
        if let Some(talk) = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop() {
            return Ok(talk);
        }
        let start = spawn::StartCommand {
            program: self.program.clone(),
            words: self.words.clone(),
            watchman: self.own_program.clone(),
            memory_limit_mb: self.memory_limit_mb,
            files_too: self.library,
        };
        let child = spawn::start(start).map_err(|e| HostFault::found("plugin/cannot-start", format!("it cannot be started: {e}")))?;
        let mut talk = RunningProcess::new(child, self.memory_limit_mb)?;
        talk.hello(self.time_limit)?;
        Ok(talk)
    }

    /// One that answered well may be asked again; any other is ended.
    fn give_back(&self, talk: RunningProcess) {
        self.idle.lock().unwrap_or_else(PoisonError::into_inner).push(talk);
    }
}

/// A plug-in in processes of its own.
pub(super) struct ProcessHost(Arc<ProcessPool>);

impl Host for ProcessHost {
    fn bind(&self, ask: &BindRequest) -> Result<Box<dyn BoundHost>, HostFault> {
        let number = self.0.next.fetch_add(1, Ordering::Relaxed);
        // The very texts that a library in this process would get: a number that is read and written again can change.
        let part = |json: &str| if self.0.library { Value::from(json).to_string() } else { json.to_owned() };
        let message = format!(
            r#"{{"say":"bind","bound":{number},"stage":{},"options":{},"inputs":{},"context":{}}}"#,
            Value::from(ask.stage),
            part(&ask.options),
            part(&ask.inputs),
            part(&ask.context)
        );
        let mut talk = self.0.take()?;
        let json = talk.bind(number, &message, self.0.time_limit)?;
        self.0.give_back(talk);
        Ok(Box::new(ProcessStage { shop: self.0.clone(), number, message, json, scratch: ask.scratch.clone() }))
    }
}

/// A bound stage in processes of its own: each is bound before it runs the first time.
struct ProcessStage {
    shop: Arc<ProcessPool>,
    number: u64,
    message: String,
    json: String,
    scratch: PathBuf,
}

/// A folder for the tables of one call, gone when the call is over.
struct CallFolder(PathBuf);

static SCRATCHES: AtomicU64 = AtomicU64::new(1);

impl CallFolder {
    fn new(below: &Path) -> Result<Self, HostFault> {
        let number = SCRATCHES.fetch_add(1, Ordering::Relaxed);
        let folder = below.join(format!(".plug-in-{}-{number}.partial", std::process::id()));
        let wrong = |e: std::io::Error| HostFault::found("plugin/cannot-start", format!("no folder for its tables can be made: {e}"));
        std::fs::create_dir_all(&folder).map_err(wrong)?;
        Ok(Self(folder.canonicalize().map_err(wrong)?))
    }
}

impl Drop for CallFolder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

impl ProcessStage {
    /// A process in which the stage is bound.
    fn ready(&self) -> Result<RunningProcess, HostFault> {
        let mut talk = self.shop.take()?;
        if !talk.is_bound(self.number) {
            let again = talk.bind(self.number, &self.message, self.shop.time_limit)?;
            if serde_json::from_str::<Value>(&again).ok() != serde_json::from_str::<Value>(&self.json).ok() {
                return Err(HostFault::found("plugin/bad-answer", "asked twice with the same options and tables it promises two things"));
            }
        }
        Ok(talk)
    }

    /// A library: its columns lie in shared memory, and one that it hands on untouched does not come back at all.
    fn by_memory(
        &self,
        run_json: &str,
        inputs: &[Table],
        most: Option<usize>,
        door: &dyn CallReporter,
    ) -> Result<ReturnedTable, HostFault> {
        let carried = |e: std::io::Error| HostFault::found("plugin/cannot-start", format!("no memory can be shared with its process: {e}"));
        let mut writer = shared_table::Writer::default();
        let mut tables = vec![];
        for table in inputs {
            let claim = claim_of(&table.schema);
            let columns = claim.columns.iter().zip(table.data.columns()).map(|(spec, column)| writer.table_column(column, spec.holds));
            let columns = columns.collect::<Result<_, _>>().map_err(|what| HostFault::found("stage/broken-promise", what))?;
            tables.push(SharedTable { claim, rows: table.rows(), columns });
        }
        let mut talk = self.ready()?;
        let memory = OutgoingMemory::written(talk.memory.take(), writer).map_err(carried)?;
        let out = MemoryPiece::new().map_err(carried)?;
        let run = serde_json::from_str(run_json).unwrap_or_default();
        let shared = library_process::SharedMemory { number: memory.number(), path: memory.path().to_owned() };
        let mut message =
            json!(library_process::RunRequest { bound: self.number, run, tables, memory: shared, out: out.path().to_owned(), most });
        message["say"] = json!("run");
        let done = talk.run(&message.to_string(), self.shop.time_limit, door)?;
        // A plug-in may hold on to what it was lent; then the memory is no longer written to.
        talk.memory = (done["free"] == true).then_some(memory);
        let given = SharedTable::<AnswerColumn>::deserialize(&done["table"])
            .map_err(|e| HostFault::found("plugin/bad-talk", format!("where the columns of its table lie cannot be read: {e}")))?;
        let bad = |what: String| HostFault::found("plugin/bad-data", what);
        let bytes = out.settle().map_err(|e| bad(format!("it does not let go of the memory of its table: {e}")))?;
        let mut columns = vec![];
        for (spec, place) in given.claim.columns.iter().zip(&given.columns) {
            columns.push(match place {
                AnswerColumn::Lent(i) => ReturnedColumn::Lent(*i),
                AnswerColumn::Here(place) => {
                    ReturnedColumn::Fresh(vec![shared_table::array(&bytes, place, spec, given.rows).map_err(bad)?])
                }
            });
        }
        let answer = ReturnedBatch { claim: given.claim, rows: given.rows, columns }.answer(&columns_of(inputs)).map_err(bad)?;
        self.shop.give_back(talk);
        Ok(answer)
    }

    /// A program: its tables are Arrow files.
    fn by_files(&self, run_json: &str, inputs: &[Table], door: &dyn CallReporter) -> Result<ReturnedTable, HostFault> {
        let scratch = CallFolder::new(&self.scratch)?;
        let mut tables = vec![];
        for (i, table) in inputs.iter().enumerate() {
            let path = scratch.0.join(format!("in-{i}.arrow"));
            let broken = |what| HostFault::found("stage/broken-promise", what);
            ipc::write(&path, &claim_of(&table.schema), table.rows(), crate::arrow::arrays(table).map_err(broken)?).map_err(broken)?;
            tables.push(path);
        }
        let out = scratch.0.join("out.arrow");
        let mut talk = self.ready()?;
        let (list, path) = (json!(tables), json!(out));
        let message = format!(r#"{{"say":"run","bound":{},"run":{run_json},"tables":{list},"out":{path}}}"#, self.number);
        talk.run(&message, self.shop.time_limit, door)?;
        let answer = ipc::read(&out).map_err(|what| HostFault::found("plugin/bad-data", what))?;
        self.shop.give_back(talk);
        Ok(answer)
    }
}

impl BoundHost for ProcessStage {
    fn bound_json(&self) -> &str {
        &self.json
    }

    fn run(&self, run_json: &str, inputs: &[Table], most: Option<usize>, door: &dyn CallReporter) -> Result<ReturnedTable, HostFault> {
        let answer = if self.shop.library { self.by_memory(run_json, inputs, most, door)? } else { self.by_files(run_json, inputs, door)? };
        if let Some(most) = most.filter(|m| answer.rows > *m) {
            return Err(HostFault::found("plugin/bad-data", format!("more rows came back than went in ({most})")));
        }
        Ok(answer)
    }
}
