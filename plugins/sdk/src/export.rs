//! The C functions of a plug-in, written once for any list of stages. [`export_plugin`](crate::export_plugin) uses this module;
//! authors need not look at it.

#![allow(unsafe_code)]

use crate::{BindCx, Cx, Problem, Schema, Stage, Table};
use gunter_plugin_abi::{ArrowArrayStream, GunterError, GunterHost, GunterPlugin, GunterStage, code};
use serde_json::{Value, json};
use std::ffi::{CStr, CString, c_char, c_void};
use std::mem::size_of;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::ptr;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};

pub use gunter_plugin_abi as abi;

/// After a panic the state of the plug-in is unknown: each later call is answered with code 5.
static POISONED: AtomicBool = AtomicBool::new(false);

/// The description: lives as long as the process, as the contract asks.
static ABOUT: OnceLock<CString> = OnceLock::new();

/// What `export_plugin!` knows of the plug-in.
pub struct Plugin {
    /// First word of its stages.
    pub name: &'static str,
    /// Its own version.
    pub version: &'static str,
    /// Its licence.
    pub license: &'static str,
    /// Its stages.
    pub stages: &'static [Entry],
}

/// One stage without its type.
pub struct Entry {
    describe: fn() -> Value,
    name: &'static str,
    bind: fn(&'static str, Value, &BindCx) -> Bound,
}

/// What binding gives: the stage and what it says of itself, or all that is wrong.
type Bound = Result<(Box<dyn Runs>, Value), Vec<Problem>>;

trait Runs: Send + Sync {
    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem>;
    fn plugin(&self) -> &'static str;
}

struct Runner<S> {
    stage: S,
    plugin: &'static str,
}

impl<S: Stage> Runs for Runner<S> {
    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        self.stage.run(inputs, cx)
    }

    fn plugin(&self) -> &'static str {
        self.plugin
    }
}

/// The entry of a stage.
#[must_use]
pub const fn entry<S: Stage>() -> Entry {
    Entry { describe: describe::<S>, name: S::SPEC.name, bind: bind_stage::<S> }
}

fn describe<S: Stage>() -> Value {
    let mut value = serde_json::to_value(S::SPEC).unwrap_or_default();
    value["options"] = schemars::SchemaGenerator::default().into_root_schema_for::<S::Options>().to_value();
    value["files"] = S::EXAMPLE_FILES.iter().map(|(name, text)| ((*name).to_owned(), Value::from(*text))).collect();
    value
}

fn bind_stage<S: Stage>(plugin: &'static str, options: Value, cx: &BindCx) -> Result<(Box<dyn Runs>, Value), Vec<Problem>> {
    let options: S::Options = serde_path_to_error::deserialize(options).map_err(|e| {
        let path = e.path().to_string();
        vec![Problem::new("bad-option", e.inner().to_string()).option(path)]
    })?;
    let full = serde_json::to_value(&options).unwrap_or_default();
    let bound = S::bind(options, cx)?;
    let notes: Vec<Value> = bound.notes.into_iter().map(|n| n.verdict_if_none(crate::Verdict::Note)).map(|n| n.json(plugin)).collect();
    let answer = json!({
        "grain": bound.grain, "output": bound.output, "options": full,
        "files": bound.files, "notes": notes, "decided": bound.decided,
    });
    Ok((Box::new(Runner { stage: bound.stage, plugin }), answer))
}

unsafe extern "C" fn release_error(error: *mut GunterError) {
    // SAFETY: an error filled by `fail`, released once: its release is null afterwards.
    unsafe {
        if error.is_null() || (*error).release.is_none() {
            return;
        }
        (*error).release = None;
        drop(CString::from_raw((*error).private_data.cast()));
        (*error).json = ptr::null();
    }
}

/// A text for C. JSON writes a zero byte as an escape; any other is replaced, never a reason to fail.
fn c_text(text: &str) -> CString {
    CString::new(text.replace('\0', " ")).unwrap_or_default()
}

fn fail(error: *mut GunterError, answer: i32, json: &str) -> i32 {
    // SAFETY: the host gives room for one error, or null.
    if let Some(error) = unsafe { error.as_mut() } {
        let text = c_text(json).into_raw();
        error.code = answer;
        error.json = text;
        error.private_data = text.cast::<c_void>();
        error.release = Some(release_error);
    }
    answer
}

/// Runs a body; a panic in it becomes an answer, and the plug-in is poisoned.
fn guard(error: *mut GunterError, body: impl FnOnce() -> i32) -> i32 {
    if POISONED.load(Ordering::Relaxed) {
        return fail(error, code::PANICKED, &json!({"what": "it broke down in an earlier call"}).to_string());
    }
    catch_unwind(AssertUnwindSafe(body)).unwrap_or_else(|panic| {
        POISONED.store(true, Ordering::Relaxed);
        let words = panic.downcast_ref::<&str>().map(|s| (*s).to_owned()).or_else(|| panic.downcast_ref::<String>().cloned());
        let what = format!("it broke down: {}", words.unwrap_or_else(|| "no message".into()));
        // Giving the panic up can panic again when it carries a value of the author's.
        std::mem::forget(panic);
        fail(error, code::PANICKED, &json!({"what": what}).to_string())
    })
}

/// Fills the table of functions. Called by the one exported symbol.
///
/// # Safety
/// The pointers are those that the host passes to the entry function.
pub unsafe fn enter(
    plugin: &'static Plugin,
    bind: gunter_plugin_abi::BindFn,
    _host_minor: u32,
    out: *mut GunterPlugin,
    error: *mut GunterError,
) -> i32 {
    guard(error, || {
        // SAFETY: the host gives room for one table, or null.
        let Some(out) = (unsafe { out.as_mut() }) else { return fail(error, code::INTERNAL, "no room for the table") };
        if (out.size as usize) < size_of::<GunterPlugin>() {
            return fail(error, code::INTERNAL, "the host gives less room than version 1.0 needs");
        }
        let stages: Vec<Value> = plugin.stages.iter().map(|s| (s.describe)()).collect();
        let about = json!({"plugin": plugin.name, "version": plugin.version, "license": plugin.license, "stages": stages});
        out.size = size_of::<GunterPlugin>() as u32;
        out.abi_major = gunter_plugin_abi::MAJOR;
        out.abi_minor = gunter_plugin_abi::MINOR;
        out.describe_json = ABOUT.get_or_init(|| c_text(&about.to_string())).as_ptr();
        out.bind = Some(bind);
        code::OK
    })
}

fn words<'a>(pointer: *const c_char) -> Option<&'a str> {
    if pointer.is_null() {
        return None;
    }
    // SAFETY: not null; a text of the host that outlives the call.
    unsafe { CStr::from_ptr(pointer) }.to_str().ok()
}

struct Seat {
    runs: Box<dyn Runs>,
    _bound_json: CString,
}

unsafe extern "C" fn release_stage(stage: *mut GunterStage) {
    // SAFETY: a stage filled by `bind`, released once: its release is null afterwards.
    unsafe {
        if stage.is_null() || (*stage).release.is_none() {
            return;
        }
        (*stage).release = None;
        let seat = Box::from_raw((*stage).private_data.cast::<Seat>());
        // A destructor of the author's may panic; nothing goes over the boundary.
        let _ = catch_unwind(AssertUnwindSafe(|| drop(seat)));
    }
}

/// Binds a stage. Called by the function that `export_plugin!` writes.
///
/// # Safety
/// The pointers are those that the host passes to `bind`.
pub unsafe fn bind(plugin: &'static Plugin, texts: [*const c_char; 4], out: *mut GunterStage, error: *mut GunterError) -> i32 {
    guard(error, || {
        // SAFETY: the host gives room for one stage, or null.
        let Some(out) = (unsafe { out.as_mut() }) else { return fail(error, code::INTERNAL, "no room for the stage") };
        let [Some(stage), Some(options), Some(inputs), Some(context)] = texts.map(words) else {
            return fail(error, code::INTERNAL, "a text of the host is null or no UTF-8");
        };
        let Some(entry) = plugin.stages.iter().find(|e| e.name == stage) else {
            return fail(error, code::BAD_OPTION, &json!({"what": format!("it has no stage `{stage}`")}).to_string());
        };
        let parsed = serde_json::from_str::<Value>(options).and_then(|o| Ok((o, serde_json::from_str::<Vec<Schema>>(inputs)?)));
        let (options, inputs) = match parsed {
            Ok(parsed) => parsed,
            Err(e) => return fail(error, code::INTERNAL, &json!({"what": format!("the host's JSON cannot be read: {e}")}).to_string()),
        };
        let cx = BindCx { inputs, context: serde_json::from_str(context).unwrap_or_default() };
        match (entry.bind)(plugin.name, options, &cx) {
            Ok((runs, answer)) => {
                let bound_json = c_text(&answer.to_string());
                out.size = size_of::<GunterStage>() as u32;
                out.bound_json = bound_json.as_ptr();
                out.run = Some(run);
                out.release = Some(release_stage);
                out.private_data = Box::into_raw(Box::new(Seat { runs, _bound_json: bound_json })).cast();
                code::OK
            }
            Err(problems) => {
                let all: Vec<Value> = problems.iter().map(|p| p.json(plugin.name)).collect();
                fail(error, code::BAD_OPTION, &Value::Array(all).to_string())
            }
        }
    })
}

unsafe extern "C" fn run(
    stage: *const GunterStage,
    run_json: *const c_char,
    host: *const GunterHost,
    inputs: *mut ArrowArrayStream,
    n_inputs: usize,
    out: *mut ArrowArrayStream,
    error: *mut GunterError,
) -> i32 {
    guard(error, || {
        // SAFETY: the host passes the stage that `bind` filled, and its own struct for the length of the call.
        let (Some(stage), host) = (unsafe { stage.as_ref() }, unsafe { host.as_ref() }) else {
            return fail(error, code::INTERNAL, "the host gives no stage");
        };
        // SAFETY: filled by `bind`; only read.
        let seat = unsafe { &*stage.private_data.cast::<Seat>() };
        let about: Value = words(run_json).and_then(|t| serde_json::from_str(t).ok()).unwrap_or_default();
        let cx = Cx {
            host,
            plugin: seat.runs.plugin(),
            session: about["session"].as_str().map(str::to_owned),
            files: serde_json::from_value(about["files"].clone()).unwrap_or_default(),
        };
        let mut tables = vec![];
        for i in 0..n_inputs {
            // SAFETY: the host passes `n_inputs` streams.
            match crate::arrow::take(unsafe { &mut *inputs.add(i) }) {
                Ok(table) => tables.push(table),
                Err(p) => return fail(error, code::BAD_DATA, &p.json(cx.plugin).to_string()),
            }
        }
        if cx.cancelled() {
            return fail(error, code::CANCELLED, "the run was stopped");
        }
        match seat.runs.run(&tables, &cx) {
            Ok(table) => {
                // SAFETY: the host gives room for one stream, whose old content is not dropped.
                unsafe { out.write(crate::arrow::give(table)) };
                code::OK
            }
            Err(p) => fail(error, code::BAD_DATA, &p.json(cx.plugin).to_string()),
        }
    })
}

/// Exports stages as a plug-in. Put it once into a crate of type `cdylib`.
///
/// `export_plugin!(name: "acme", stages: [Smooth, Depth]);`
#[macro_export]
macro_rules! export_plugin {
    (name: $name:literal, stages: [$($stage:ty),+ $(,)?] $(,)?) => {
        const _: () = {
            use $crate::export::abi;

            static STAGES: &[$crate::export::Entry] = &[$($crate::export::entry::<$stage>()),+];
            static PLUGIN: $crate::export::Plugin = $crate::export::Plugin {
                name: $name,
                version: env!("CARGO_PKG_VERSION"),
                license: env!("CARGO_PKG_LICENSE"),
                stages: STAGES,
            };

            #[allow(unsafe_code)]
            unsafe extern "C" fn bind(
                stage: *const ::core::ffi::c_char,
                options: *const ::core::ffi::c_char,
                inputs: *const ::core::ffi::c_char,
                context: *const ::core::ffi::c_char,
                out: *mut abi::GunterStage,
                error: *mut abi::GunterError,
            ) -> i32 {
                // SAFETY: handed on as the host passed them.
                unsafe { $crate::export::bind(&PLUGIN, [stage, options, inputs, context], out, error) }
            }

            #[allow(unsafe_code)]
            #[unsafe(no_mangle)]
            extern "C" fn gunter_plugin_v1(host_minor: u32, out: *mut abi::GunterPlugin, error: *mut abi::GunterError) -> i32 {
                // SAFETY: handed on as the host passed them.
                unsafe { $crate::export::enter(&PLUGIN, bind, host_minor, out, error) }
            }
        };
    };
}
