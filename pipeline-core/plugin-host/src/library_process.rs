//! The other side of the conversation: this program as the host of one library.

#![allow(unsafe_code)]

use super::in_process::{self, InProcessHost, InProcessStage};
use super::shared_memory::IncomingMemory;
use super::{BindRequest, BoundHost, CallReporter, HostFault, spawn};
use crate::arrow::export;
use crate::arrow::import::{OwnedStream, ReturnedColumn};
use crate::arrow::shared_table;
use crate::arrow::shared_table::{AnswerColumn, ColumnBuffers, SharedTable};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::HashMap;
use std::fs::File;
use std::io::{BufRead, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// What a library's process is asked to run.
#[derive(Serialize, Deserialize)]
pub(super) struct RunRequest {
    pub(super) bound: u64,
    pub(super) run: Value,
    /// The tables that go in, in `memory`.
    pub(super) tables: Vec<SharedTable<ColumnBuffers>>,
    pub(super) memory: SharedMemory,
    /// Where the columns of the answer go.
    pub(super) out: PathBuf,
    /// The number of rows that cannot be exceeded.
    pub(super) most: Option<usize>,
}

/// Memory of the program. Under the same number it is the same as in the call before.
#[derive(Serialize, Deserialize)]
pub(super) struct SharedMemory {
    pub(super) number: u64,
    pub(super) path: PathBuf,
}

/// Serves one library on standard input and output until the input ends.
///
/// # Errors
/// When the pipes break.
pub fn serve(library: &Path, sha256: &str) -> std::io::Result<()> {
    let out = Mutex::new(spawn::own_stdout()?);
    let mut bound: HashMap<u64, InProcessStage> = HashMap::new();
    let mut host: Option<InProcessHost> = None;
    let mut memory: Option<IncomingMemory> = None;
    for line in std::io::stdin().lock().lines() {
        let message: Value = serde_json::from_str(&line?)?;
        let number = message["bound"].as_u64().unwrap_or(0);
        let answer = match message["say"].as_str() {
            Some("hello") => in_process::open(library, sha256).map(|(opened, hello)| {
                host = Some(opened);
                json!({"say": "hello", "abi": hello.abi, "about": hello.about})
            }),
            Some("bind") => bind(host.as_ref(), &message).map(|seat| {
                let answer = json!({"say": "bound", "bound": seat.bound_json()});
                bound.insert(number, seat);
                answer
            }),
            Some("run") => run(bound.get(&number), &message, &mut memory, &out).map(|table| {
                let free = memory.as_ref().is_some_and(IncomingMemory::is_free);
                json!({"say": "done", "table": table, "free": free})
            }),
            _ => Err(HostFault::found("plugin/bad-talk", "the program asked for what it cannot")),
        };
        let answer = answer.unwrap_or_else(|fault| match fault {
            HostFault::Said(code, json) => json!({"say": "failed", "code": code, "findings": json}),
            HostFault::Found(code, what) => json!({"say": "found", "code": code, "what": what}),
        });
        say(&out, &answer)?;
    }
    Ok(())
}

fn say(out: &Mutex<File>, message: &Value) -> std::io::Result<()> {
    let mut out = out.lock().unwrap_or_else(PoisonError::into_inner);
    out.write_all(format!("{message}\n").as_bytes())?;
    out.flush()
}

fn bind(host: Option<&InProcessHost>, message: &Value) -> Result<InProcessStage, HostFault> {
    let host = host.ok_or_else(|| HostFault::found("plugin/bad-talk", "a stage was asked for before the greeting"))?;
    // Texts of JSON and not JSON, so that no number is written twice on the way to the library.
    let text = |key: &str| message[key].as_str().unwrap_or_default();
    host.seat(&BindRequest {
        stage: text("stage"),
        options: text("options").to_owned(),
        inputs: text("inputs").to_owned(),
        context: text("context").to_owned(),
        scratch: PathBuf::new(),
    })
}

/// Why the tables of a call could not be carried.
fn carried(error: &std::io::Error) -> HostFault {
    use std::io::ErrorKind::{FileTooLarge, OutOfMemory, StorageFull};
    match error.kind() {
        FileTooLarge | OutOfMemory | StorageFull => {
            HostFault::found("plugin/memory-limit", format!("the table that it gives is larger than its memory may be: {error}"))
        }
        _ => HostFault::found("plugin/bad-data", format!("the memory of its tables cannot be used: {error}")),
    }
}

/// Runs a stage on columns in shared memory; what it gives stands in shared memory too, or is named by its number when it
/// went in and came back untouched.
fn run(
    seat: Option<&InProcessStage>,
    message: &Value,
    memory: &mut Option<IncomingMemory>,
    out: &Mutex<File>,
) -> Result<SharedTable<AnswerColumn>, HostFault> {
    let seat = seat.ok_or_else(|| HostFault::found("plugin/bad-talk", "a stage was to run before it was bound"))?;
    let call: RunRequest = RunRequest::deserialize(message).map_err(|e| HostFault::found("plugin/bad-talk", e.to_string()))?;
    let handed_over = IncomingMemory::open(memory.take(), call.memory.number, &call.memory.path).map_err(|e| carried(&e))?;
    let memory = memory.insert(handed_over).bytes();
    let broken = |what: String| HostFault::found("plugin/bad-data", what);
    let (mut lent, mut streams) = (vec![], vec![]);
    for table in call.tables {
        let places = table.columns.iter().zip(&table.claim.columns);
        // SAFETY: the program that started this process wrote the memory with its own writer.
        let arrays = places.map(|(place, spec)| unsafe { shared_table::believed(&memory, place, spec, table.rows) });
        let arrays = arrays.collect::<Result<_, _>>().map_err(broken)?;
        streams.push(OwnedStream(export::stream_of(table.claim, table.rows, arrays, &mut lent).map_err(broken)?));
    }
    let came = seat.call(&call.run.to_string(), streams, &lent, call.most, &MessageWriter(out))?;
    let mut columns = vec![];
    let mut writer = shared_table::Writer::default();
    for (spec, kept) in came.claim.columns.iter().zip(came.columns) {
        columns.push(match kept {
            ReturnedColumn::Lent(i) => AnswerColumn::Lent(i),
            ReturnedColumn::Fresh(pieces) => AnswerColumn::Here(writer.column(spec.holds, &pieces).map_err(broken)?),
        });
    }
    let out = File::options().write(true).open(&call.out).map_err(|e| carried(&e))?;
    writer.finish(&out).map_err(|e| carried(&e))?;
    Ok(SharedTable { claim: came.claim, rows: came.rows, columns })
}

/// What the library says while it runs, as messages.
struct MessageWriter<'a>(&'a Mutex<File>);

impl MessageWriter<'_> {
    fn say(&self, message: &Value) {
        // When the other side is gone the loop above ends with the next line.
        let _ = say(self.0, message);
    }
}

impl CallReporter for MessageWriter<'_> {
    fn set_aside(&self, rows: &[u64], reason: &str, detail: &str) {
        self.say(&json!({"say": "set-aside", "rows": rows, "reason": reason, "detail": detail}));
    }

    fn used(&self, rows: u64) {
        self.say(&json!({"say": "used", "rows": rows}));
    }

    fn find(&self, json: &str) {
        self.say(&json!({"say": "find", "finding": json}));
    }

    fn fact(&self, key: &str, json: &str) {
        match serde_json::from_str::<Value>(json) {
            Ok(value) => self.say(&json!({"say": "fact", "key": key, "value": value})),
            Err(_) => self.say(&json!({"say": "fact", "key": key, "json": json})),
        }
    }

    fn cancelled(&self) -> bool {
        false
    }
}
