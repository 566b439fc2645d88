//! The other side of the conversation: this program as the host of one library.

use super::{Ask, BoundHost, Door, Fault, Host, inprocess, spawn};
use crate::table::Table;
use crate::table::arrow::{Answer, Claim, ipc};
use crate::table::schema::{Column, Frame, Schema};
use serde_json::{Value, json};
use std::collections::HashMap;
use std::fs::File;
use std::io::{BufRead, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Serves one library on standard input and output until the input ends.
///
/// # Errors
/// When the pipes break.
pub fn serve(library: &Path, sha256: &str) -> std::io::Result<()> {
    let out = Mutex::new(spawn::own_stdout()?);
    let mut bound: HashMap<u64, Box<dyn BoundHost>> = HashMap::new();
    let mut host: Option<inprocess::InProcess> = None;
    for line in std::io::stdin().lock().lines() {
        let message: Value = serde_json::from_str(&line?)?;
        let number = message["bound"].as_u64().unwrap_or(0);
        let answer = match message["say"].as_str() {
            Some("hello") => inprocess::open(library, sha256).map(|(opened, hello)| {
                host = Some(opened);
                json!({"say": "hello", "abi": hello.abi, "about": hello.about})
            }),
            Some("bind") => bind(host.as_ref(), &message).map(|seat| {
                let answer = json!({"say": "bound", "bound": seat.bound_json()});
                bound.insert(number, seat);
                answer
            }),
            Some("run") => run(bound.get(&number).map(AsRef::as_ref), &message, &out).map(|()| json!({"say": "done"})),
            _ => Err(Fault::found("plugin/bad-talk", "the program asked for what it cannot")),
        };
        let answer = answer.unwrap_or_else(|fault| match fault {
            Fault::Said(code, json) => json!({"say": "failed", "code": code, "findings": json}),
            Fault::Found(code, what) => json!({"say": "found", "code": code, "what": what}),
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

fn bind(host: Option<&inprocess::InProcess>, message: &Value) -> Result<Box<dyn BoundHost>, Fault> {
    let host = host.ok_or_else(|| Fault::found("plugin/bad-talk", "a stage was asked for before the greeting"))?;
    // Texts of JSON and not JSON, so that no number is written twice on the way to the library.
    let text = |key: &str| message[key].as_str().unwrap_or_default();
    host.bind(&Ask {
        stage: text("stage"),
        options: text("options").to_owned(),
        inputs: text("inputs").to_owned(),
        context: text("context").to_owned(),
        scratch: PathBuf::new(),
    })
}

fn run(seat: Option<&dyn BoundHost>, message: &Value, out: &Mutex<File>) -> Result<(), Fault> {
    let seat = seat.ok_or_else(|| Fault::found("plugin/bad-talk", "a stage was to run before it was bound"))?;
    let broken = |what: String| Fault::found("plugin/bad-data", what);
    let mut tables = vec![];
    for path in message["tables"].as_array().into_iter().flatten().filter_map(Value::as_str) {
        tables.push(table(ipc::read(Path::new(path)).map_err(broken)?)?);
    }
    let most = None;
    let answer = seat.run(&message["run"].to_string(), &tables, most, &Said(out))?;
    let arrays = answer.claim.columns.iter().zip(&answer.columns).map(|(c, v)| crate::table::arrow::array(v, c.holds));
    let arrays = arrays.collect::<Result<_, _>>().map_err(broken)?;
    let path = PathBuf::from(message["out"].as_str().unwrap_or_default());
    ipc::write(&path, &answer.claim, answer.rows, arrays).map_err(broken)
}

/// A table that the program sent, under the schema that it sent with it.
fn table(answer: Answer) -> Result<Table, Fault> {
    let schema = schema(&answer.claim).map_err(|what| Fault::found("plugin/bad-data", what))?;
    let data = polars::prelude::DataFrame::new(answer.rows, answer.columns).map_err(|e| Fault::found("plugin/bad-data", e.to_string()))?;
    Ok(Table { data, schema: Arc::new(schema) })
}

fn schema(claim: &Claim) -> Result<Schema, String> {
    let frame: Option<Frame> = serde_json::from_str(claim.frame.as_deref().unwrap_or("null")).map_err(|e| e.to_string())?;
    let mut columns = vec![];
    for c in &claim.columns {
        let mut column: Value = serde_json::from_str(c.meaning.as_deref().unwrap_or("{}")).map_err(|e| e.to_string())?;
        column["name"] = json!(c.name);
        column["holds"] = json!(c.holds);
        column["nullable"] = json!(c.nullable);
        columns.push(serde_json::from_value::<Column>(column).map_err(|e| e.to_string())?);
    }
    Ok(Schema { columns, frame })
}

/// What the library says while it runs, as messages.
struct Said<'a>(&'a Mutex<File>);

impl Said<'_> {
    fn say(&self, message: &Value) {
        // When the other side is gone the loop above ends with the next line.
        let _ = say(self.0, message);
    }
}

impl Door for Said<'_> {
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
