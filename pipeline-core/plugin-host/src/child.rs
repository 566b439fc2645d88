//! A plug-in in a process of its own: JSON lines on its standard input and output, columns beside them.
//!
//! A library is served by this very program (`plugin-host`), so its author does nothing, and its columns lie in memory that
//! both share. A program serves itself, and its tables are Arrow files. Whatever it does — crash, abort, hang, eat memory, end in the middle, talk nonsense — ends in a finding.

mod talk;

use super::file::{Kind, Look};
use super::segment::{Outgoing, Segment};
use super::{Ask, BoundHost, Door, Fault, Hello, Host, columns as columns_of, serve, spawn};
use crate::arrow::sheet;
use crate::arrow::sheet::{Given, Sheet};
use crate::arrow::take::{Came, Kept};
use crate::arrow::{Answer, claim_of, ipc};
use pipeline_base::table::Table;
use pipeline_core::job;
use pipeline_core::plugin::Policy;
use serde::Deserialize;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use talk::Talk;

/// Longest time of one call when the job does not say.
const TIME_LIMIT: Duration = Duration::from_secs(300);

/// How to start the process, and those that wait for work.
pub(super) struct Shop {
    program: PathBuf,
    words: Vec<std::ffi::OsString>,
    /// This program, when it is known.
    own_program: Option<PathBuf>,
    /// Whether this program serves a library there.
    library: bool,
    memory_limit_mb: Option<u64>,
    time_limit: Duration,
    idle: Mutex<Vec<Talk>>,
    next: AtomicU64,
}

/// Starts the plug-in and lets it describe itself.
pub(super) fn open(look: &Look, entry: &job::Plugin, policy: &Policy) -> Result<(Arc<Child>, Hello), Fault> {
    let (program, words) = match look.kind {
        Kind::Program => (look.path.clone(), vec![]),
        Kind::Library => {
            let host = policy.program.clone();
            let host =
                host.ok_or_else(|| Fault::found("plugin/cannot-start", "no program was named that can hold it in a process of its own"))?;
            (host, vec!["plugin-host".into(), look.path.clone().into_os_string(), look.sha256.clone().into()])
        }
    };
    let shop = Arc::new(Shop {
        program,
        words,
        own_program: policy.program.clone(),
        library: look.kind == Kind::Library,
        memory_limit_mb: entry.memory_limit_mb,
        time_limit: entry.time_limit_s.map_or(TIME_LIMIT, Duration::from_secs_f64),
        idle: Mutex::default(),
        next: AtomicU64::new(1),
    });
    let talk = shop.take()?;
    let hello = Hello { abi: talk.abi.clone(), about: talk.about.clone() };
    shop.give_back(talk);
    Ok((Arc::new(Child(shop)), hello))
}

impl Shop {
    /// A process that waits for work, or a new one.
    fn take(&self) -> Result<Talk, Fault> {
        if let Some(talk) = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop() {
            return Ok(talk);
        }
        let start = spawn::Start {
            program: self.program.clone(),
            words: self.words.clone(),
            watchman: self.own_program.clone(),
            memory_limit_mb: self.memory_limit_mb,
            files_too: self.library,
        };
        let child = spawn::start(start).map_err(|e| Fault::found("plugin/cannot-start", format!("it cannot be started: {e}")))?;
        let mut talk = Talk::new(child, self.memory_limit_mb)?;
        talk.hello(self.time_limit)?;
        Ok(talk)
    }

    /// One that answered well may be asked again; any other is ended.
    fn give_back(&self, talk: Talk) {
        self.idle.lock().unwrap_or_else(PoisonError::into_inner).push(talk);
    }
}

/// A plug-in in processes of its own.
pub(super) struct Child(Arc<Shop>);

impl Host for Child {
    fn bind(&self, ask: &Ask) -> Result<Box<dyn BoundHost>, Fault> {
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
        Ok(Box::new(ChildSeat { shop: self.0.clone(), number, message, json, scratch: ask.scratch.clone() }))
    }
}

/// A bound stage in processes of its own: each is bound before it runs the first time.
struct ChildSeat {
    shop: Arc<Shop>,
    number: u64,
    message: String,
    json: String,
    scratch: PathBuf,
}

/// A folder for the tables of one call, gone when the call is over.
struct Scratch(PathBuf);

static SCRATCHES: AtomicU64 = AtomicU64::new(1);

impl Scratch {
    fn new(below: &Path) -> Result<Self, Fault> {
        let number = SCRATCHES.fetch_add(1, Ordering::Relaxed);
        let folder = below.join(format!(".plug-in-{}-{number}.partial", std::process::id()));
        let wrong = |e: std::io::Error| Fault::found("plugin/cannot-start", format!("no folder for its tables can be made: {e}"));
        std::fs::create_dir_all(&folder).map_err(wrong)?;
        Ok(Self(folder.canonicalize().map_err(wrong)?))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

impl ChildSeat {
    /// A process in which the stage is bound.
    fn ready(&self) -> Result<Talk, Fault> {
        let mut talk = self.shop.take()?;
        if !talk.is_bound(self.number) {
            let again = talk.bind(self.number, &self.message, self.shop.time_limit)?;
            if serde_json::from_str::<Value>(&again).ok() != serde_json::from_str::<Value>(&self.json).ok() {
                return Err(Fault::found("plugin/bad-answer", "asked twice with the same options and tables it promises two things"));
            }
        }
        Ok(talk)
    }

    /// A library: its columns lie in shared memory, and one that it hands on untouched does not come back at all.
    fn by_memory(&self, run_json: &str, inputs: &[Table], most: Option<usize>, door: &dyn Door) -> Result<Answer, Fault> {
        let carried = |e: std::io::Error| Fault::found("plugin/cannot-start", format!("no memory can be shared with its process: {e}"));
        let mut writer = sheet::Writer::default();
        let mut tables = vec![];
        for table in inputs {
            let claim = claim_of(&table.schema);
            let columns = claim.columns.iter().zip(table.data.columns()).map(|(spec, column)| writer.table_column(column, spec.holds));
            let columns = columns.collect::<Result<_, _>>().map_err(|what| Fault::found("stage/broken-promise", what))?;
            tables.push(Sheet { claim, rows: table.rows(), columns });
        }
        let mut talk = self.ready()?;
        let memory = Outgoing::written(talk.memory.take(), writer).map_err(carried)?;
        let out = Segment::new().map_err(carried)?;
        let run = serde_json::from_str(run_json).unwrap_or_default();
        let lies = serve::Lies { number: memory.number(), path: memory.path().to_owned() };
        let mut message = json!(serve::Call { bound: self.number, run, tables, memory: lies, out: out.path().to_owned(), most });
        message["say"] = json!("run");
        let done = talk.run(&message.to_string(), self.shop.time_limit, door)?;
        // A plug-in may hold on to what it was lent; then the memory is no longer written to.
        talk.memory = (done["free"] == true).then_some(memory);
        let given = Sheet::<Given>::deserialize(&done["table"])
            .map_err(|e| Fault::found("plugin/bad-talk", format!("where the columns of its table lie cannot be read: {e}")))?;
        let bad = |what: String| Fault::found("plugin/bad-data", what);
        let bytes = out.settle().map_err(|e| bad(format!("it does not let go of the memory of its table: {e}")))?;
        let mut columns = vec![];
        for (spec, place) in given.claim.columns.iter().zip(&given.columns) {
            columns.push(match place {
                Given::Lent(i) => Kept::Lent(*i),
                Given::Here(place) => Kept::Fresh(vec![sheet::array(&bytes, place, spec, given.rows).map_err(bad)?]),
            });
        }
        let answer = Came { claim: given.claim, rows: given.rows, columns }.answer(&columns_of(inputs)).map_err(bad)?;
        self.shop.give_back(talk);
        Ok(answer)
    }

    /// A program: its tables are Arrow files.
    fn by_files(&self, run_json: &str, inputs: &[Table], door: &dyn Door) -> Result<Answer, Fault> {
        let scratch = Scratch::new(&self.scratch)?;
        let mut tables = vec![];
        for (i, table) in inputs.iter().enumerate() {
            let path = scratch.0.join(format!("in-{i}.arrow"));
            let broken = |what| Fault::found("stage/broken-promise", what);
            ipc::write(&path, &claim_of(&table.schema), table.rows(), crate::arrow::arrays(table).map_err(broken)?).map_err(broken)?;
            tables.push(path);
        }
        let out = scratch.0.join("out.arrow");
        let mut talk = self.ready()?;
        let (list, path) = (json!(tables), json!(out));
        let message = format!(r#"{{"say":"run","bound":{},"run":{run_json},"tables":{list},"out":{path}}}"#, self.number);
        talk.run(&message, self.shop.time_limit, door)?;
        let answer = ipc::read(&out).map_err(|what| Fault::found("plugin/bad-data", what))?;
        self.shop.give_back(talk);
        Ok(answer)
    }
}

impl BoundHost for ChildSeat {
    fn bound_json(&self) -> &str {
        &self.json
    }

    fn run(&self, run_json: &str, inputs: &[Table], most: Option<usize>, door: &dyn Door) -> Result<Answer, Fault> {
        let answer = if self.shop.library { self.by_memory(run_json, inputs, most, door)? } else { self.by_files(run_json, inputs, door)? };
        if let Some(most) = most.filter(|m| answer.rows > *m) {
            return Err(Fault::found("plugin/bad-data", format!("more rows came back than went in ({most})")));
        }
        Ok(answer)
    }
}
