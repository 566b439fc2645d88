//! The conversation with one process.

use super::super::shared_memory::OutgoingMemory;
use super::super::spawn::{ProcessEnd, StartedProcess};
use super::super::{CallReporter, HostFault};
use gunter_plugin_abi::{MAJOR, MINOR, code};
use pipeline_base::diag::codes::CODES;
use serde_json::{Value, json};
use std::collections::HashSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// How often it is asked whether the run was cancelled.
const LOOK: Duration = Duration::from_millis(50);
/// A line that is longer is no message.
const LONGEST_LINE: u64 = 1 << 26;
/// What is kept of its last words.
const LAST_WORDS: usize = 2000;

/// One process and the threads that carry its lines. Ended when it goes.
pub(super) struct RunningProcess {
    started: StartedProcess,
    to: Option<Sender<String>>,
    from: Receiver<Vec<u8>>,
    words: Arc<Mutex<Vec<u8>>>,
    listener: Option<JoinHandle<()>>,
    limit_mb: Option<u64>,
    bound: HashSet<u64>,
    /// The memory of its last call, which the next one may use again.
    pub(super) memory: Option<OutgoingMemory>,
    /// Version of the boundary that it speaks.
    pub(super) abi: String,
    /// Its description.
    pub(super) about: String,
}

/// A text as it is (a library's own host sends JSON as text), anything else as JSON.
fn plain_or_json(value: &Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), str::to_owned)
}

impl Drop for RunningProcess {
    fn drop(&mut self) {
        self.to = None;
        self.started.end();
    }
}

impl RunningProcess {
    pub(super) fn new(mut started: StartedProcess, limit_mb: Option<u64>) -> Result<Self, HostFault> {
        let child = &mut started.child;
        let pipes = (child.stdin.take(), child.stdout.take(), child.stderr.take());
        let (Some(mut stdin), Some(stdout), Some(mut stderr)) = pipes else {
            started.end();
            return Err(HostFault::found("plugin/cannot-start", "its pipes are not there"));
        };
        // Threads, because a process that does not read would block the writer, and one that does not write the reader.
        let (to, lines) = channel::<String>();
        std::thread::spawn(move || {
            for line in lines {
                if stdin.write_all(line.as_bytes()).and_then(|()| stdin.write_all(b"\n")).and_then(|()| stdin.flush()).is_err() {
                    break;
                }
            }
        });
        let (said, from) = channel();
        std::thread::spawn(move || {
            let mut out = BufReader::new(stdout);
            loop {
                let mut line = vec![];
                match (&mut out).take(LONGEST_LINE).read_until(b'\n', &mut line) {
                    Ok(1..) if said.send(line).is_ok() => {}
                    _ => break,
                }
            }
        });
        let words = Arc::new(Mutex::new(vec![]));
        let kept = words.clone();
        let listener = std::thread::spawn(move || {
            let mut buffer = [0_u8; 4096];
            while let Ok(n @ 1..) = stderr.read(&mut buffer) {
                let mut kept = kept.lock().unwrap_or_else(PoisonError::into_inner);
                kept.extend_from_slice(&buffer[..n]);
                let too_many = kept.len().saturating_sub(LAST_WORDS);
                kept.drain(..too_many);
            }
        });
        let (bound, abi, about) = (HashSet::new(), String::new(), String::new());
        Ok(Self { started, to: Some(to), from, words, listener: Some(listener), limit_mb, bound, memory: None, abi, about })
    }

    fn say(&self, message: String) {
        // A process that is gone is seen when its answer is waited for.
        let _ = self.to.as_ref().map(|to| to.send(message));
    }

    /// Waits for one message.
    fn hear(&mut self, until: Instant, limit: Duration, door: Option<&dyn CallReporter>) -> Result<Value, HostFault> {
        let mut silent = 0;
        loop {
            // Before every message and not only in a silence: a plug-in may also talk for ever.
            if door.is_some_and(CallReporter::cancelled) {
                return Err(HostFault::found("run/cancelled", "the run was stopped"));
            }
            if Instant::now() > until {
                return Err(HostFault::found("plugin/time-limit", format!("it gave no answer within {} s", limit.as_secs_f64())));
            }
            match self.from.recv_timeout(LOOK) {
                Ok(line) => {
                    let message = serde_json::from_slice::<Value>(&line).ok().filter(|v| v.get("say").is_some_and(Value::is_string));
                    return message.ok_or_else(|| {
                        let shown: String = String::from_utf8_lossy(&line).trim_end().chars().take(80).collect();
                        HostFault::found("plugin/bad-talk", format!("it wrote `{shown}` where a message belongs"))
                    });
                }
                Err(RecvTimeoutError::Disconnected) => return Err(self.gone()),
                // What it started can hold its pipes open when it is gone itself.
                Err(RecvTimeoutError::Timeout) if self.started.ended().is_some() => {
                    silent += 1;
                    if silent > 2 {
                        return Err(self.gone());
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    }

    /// Why it is gone, with its last words.
    fn gone(&mut self) -> HostFault {
        let until = Instant::now() + Duration::from_secs(2);
        let mut end = self.started.ended();
        while end.is_none() && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(5));
            end = self.started.ended();
        }
        if end.is_some()
            && let Some(listener) = self.listener.take()
        {
            // A grandchild may hold the pipe open: its words are not waited for.
            let until = until.min(Instant::now() + Duration::from_millis(500));
            while !listener.is_finished() && Instant::now() < until {
                std::thread::sleep(Duration::from_millis(5));
            }
        }
        let words = String::from_utf8_lossy(&self.words.lock().unwrap_or_else(PoisonError::into_inner)).trim().to_owned();
        let last = words.lines().rev().find(|l| !l.trim().is_empty()).unwrap_or_default().trim().to_owned();
        let tail = if last.is_empty() { String::new() } else { format!("; its last words: {last}") };
        let hungry = ["memory allocation of", "MemoryError", "bad_alloc", "Cannot allocate memory", "out of memory"];
        if self.limit_mb.is_some() && hungry.iter().any(|h| words.contains(h)) {
            return HostFault::found("plugin/memory-limit", format!("it needed more memory than it may have{tail}"));
        }
        match end {
            Some(ProcessEnd::Signal(n)) => {
                let name = match n {
                    libc::SIGSEGV => "it touched memory that is not its own",
                    libc::SIGABRT => "it gave itself up (abort)",
                    libc::SIGBUS => "it touched memory that is not there",
                    libc::SIGFPE => "it made an impossible calculation",
                    libc::SIGILL => "it executed what is no instruction",
                    libc::SIGKILL => "it was killed from outside",
                    _ => "it was ended by a signal",
                };
                let perhaps = match self.limit_mb {
                    Some(mb) if matches!(n, libc::SIGSEGV | libc::SIGBUS | libc::SIGABRT) => {
                        format!("; it may have {mb} MB, and one that is refused memory and does not look ends like this, too")
                    }
                    _ => String::new(),
                };
                HostFault::found("plugin/crashed", format!("{name}, signal {n}{tail}{perhaps}"))
            }
            Some(ProcessEnd::Code(code)) => {
                HostFault::found("plugin/ended-early", format!("it ended with code {code} in the middle of its work{tail}"))
            }
            None => HostFault::found("plugin/ended-early", format!("it closed its standard output in the middle of its work{tail}")),
        }
    }

    /// What it answers when it cannot.
    fn refusal(message: &Value) -> HostFault {
        let text = |key: &str| message.get(key).and_then(Value::as_str).unwrap_or_default();
        // Only a library's own host says `found`; the code must be one that exists.
        if message["say"] == "found"
            && let Some((code, _)) = CODES.iter().find(|(c, _)| *c == text("code") && (c.starts_with("plugin/") || *c == "run/cancelled"))
        {
            return HostFault::found(code, text("what"));
        }
        let code = message.get("code").and_then(Value::as_i64).and_then(|c| i32::try_from(c).ok()).unwrap_or(code::INTERNAL);
        HostFault::answered(code, message.get("findings").map(plain_or_json).unwrap_or_default())
    }

    fn unexpected(message: &Value, wanted: &str) -> HostFault {
        HostFault::found("plugin/bad-talk", format!("it said `{}` where `{wanted}` belongs", message["say"].as_str().unwrap_or_default()))
    }

    pub(super) fn hello(&mut self, limit: Duration) -> Result<(), HostFault> {
        self.say(json!({"say": "hello", "abi": format!("{MAJOR}.{MINOR}")}).to_string());
        let message = self.hear(Instant::now() + limit, limit, None)?;
        match message["say"].as_str() {
            Some("hello") => {}
            Some("failed" | "found") => return Err(Self::refusal(&message)),
            _ => return Err(Self::unexpected(&message, "hello")),
        }
        let abi = message["abi"].as_str().unwrap_or_default();
        if abi.split('.').next() != Some(&MAJOR.to_string()) {
            let what = format!("it speaks version `{abi}` of the boundary, and this program {MAJOR}.{MINOR}");
            return Err(HostFault::found("plugin/other-version", what));
        }
        abi.clone_into(&mut self.abi);
        self.about = plain_or_json(&message["about"]);
        Ok(())
    }

    pub(super) fn is_bound(&self, number: u64) -> bool {
        self.bound.contains(&number)
    }

    pub(super) fn bind(&mut self, number: u64, ask: &str, limit: Duration) -> Result<String, HostFault> {
        self.say(ask.to_owned());
        let message = self.hear(Instant::now() + limit, limit, None)?;
        match message["say"].as_str() {
            Some("bound") => {
                self.bound.insert(number);
                Ok(plain_or_json(&message["bound"]))
            }
            Some("failed" | "found") => Err(Self::refusal(&message)),
            _ => Err(Self::unexpected(&message, "bound")),
        }
    }

    /// Gives the message that ends the call.
    pub(super) fn run(&mut self, ask: &str, limit: Duration, door: &dyn CallReporter) -> Result<Value, HostFault> {
        self.say(ask.to_owned());
        let until = Instant::now() + limit;
        loop {
            let message = self.hear(until, limit, Some(door))?;
            let text = |key: &str| message.get(key).and_then(Value::as_str).unwrap_or_default();
            match message["say"].as_str() {
                Some("done") => return Ok(message),
                Some("failed" | "found") => return Err(Self::refusal(&message)),
                Some("set-aside") => {
                    let rows: Option<Vec<u64>> =
                        message.get("rows").and_then(Value::as_array).and_then(|r| r.iter().map(Value::as_u64).collect());
                    let rows = rows.ok_or_else(|| HostFault::found("plugin/bad-talk", "it set aside what are no row numbers"))?;
                    door.set_aside(&rows, text("reason"), text("detail"));
                }
                Some("used") => door.used(message.get("rows").and_then(Value::as_u64).unwrap_or(0)),
                Some("find") => door.find(&plain_or_json(&message["finding"])),
                Some("fact") => {
                    let json = message.get("json").and_then(Value::as_str).map_or_else(|| message["value"].to_string(), str::to_owned);
                    door.fact(text("key"), &json);
                }
                _ => return Err(Self::unexpected(&message, "done")),
            }
        }
    }
}
