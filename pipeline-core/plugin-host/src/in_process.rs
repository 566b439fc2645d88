//! A plug-in in this process: its library is opened once, and never unloaded.

#![allow(unsafe_code)]

mod callbacks;

use super::{BindRequest, BoundHost, CallReporter, Host, HostFault, OpenedPlugin};
use crate::arrow::ReturnedTable;
use crate::arrow::export;
use crate::arrow::export::LentColumn;
use crate::arrow::import;
use crate::arrow::import::{OwnedStream, ReturnedBatch, text};
use gunter_plugin_abi::{BindFn, EntryFn, GunterError, GunterPlugin, GunterStage, MAJOR, MINOR, SYMBOL, code};
use libloading::os::unix::{Library as Handle, RTLD_LOCAL, RTLD_NOW};
use pipeline_base::table::Table;
use std::collections::HashMap;
use std::ffi::CString;
use std::mem::{ManuallyDrop, offset_of, size_of};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{LazyLock, Mutex, PoisonError};

/// An open library.
struct Library {
    sha256: String,
    abi: String,
    about: String,
    bind: BindFn,
    /// After a panic inside it the state of the plug-in is unknown; it is not called again.
    poisoned: AtomicBool,
}

/// Open libraries by path. They live as long as the process: unloading one whose threads, thread locals or
/// release functions are still about ends in a jump to nowhere.
static OPEN: LazyLock<Mutex<HashMap<PathBuf, &'static Library>>> = LazyLock::new(Mutex::default);

/// A plug-in in this process.
pub(super) struct InProcessHost(&'static Library);

/// Opens a library, or finds it open.
pub(super) fn open(path: &Path, sha256: &str) -> Result<(InProcessHost, OpenedPlugin), HostFault> {
    let mut open = OPEN.lock().unwrap_or_else(PoisonError::into_inner);
    let library = match open.get(path) {
        Some(library) if library.sha256 == sha256 => *library,
        Some(_) => return Err(HostFault::found("plugin/digest-differs", "it was changed while it was in use")),
        None => {
            let library: &'static Library = Box::leak(Box::new(enter(path, sha256)?));
            open.insert(path.to_owned(), library);
            library
        }
    };
    Ok((InProcessHost(library), OpenedPlugin { abi: library.abi.clone(), about: library.about.clone() }))
}

fn cannot_load(error: &libloading::Error) -> HostFault {
    use std::error::Error;
    let words = error.source().map_or_else(|| error.to_string(), ToString::to_string);
    let code = if words.contains("undefined symbol") {
        "plugin/unresolved-symbol"
    } else if words.contains("invalid ELF header") || words.contains("file too short") || words.contains("not a dynamic executable") {
        "plugin/not-a-library"
    } else if words.contains("wrong ELF class") {
        "plugin/wrong-architecture"
    } else {
        "plugin/cannot-load"
    };
    // The loader begins with the path of this machine, which the finding already has as the job wrote it.
    let words = words.split_once(": ").map_or(words.as_str(), |(_, rest)| rest);
    HostFault::found(code, format!("it cannot be loaded: {words}"))
}

fn enter(path: &Path, sha256: &str) -> Result<Library, HostFault> {
    // Binding now: a symbol that is missing is found here and not in the middle of a run. Local: its symbols are its own.
    // SAFETY: opening runs the library's initialisers; the job names the library, and its digest is known.
    let handle = unsafe { Handle::open(Some(path), RTLD_NOW | RTLD_LOCAL) }.map_err(|e| cannot_load(&e))?;
    // Never unloaded, also when it is refused below.
    let handle = ManuallyDrop::new(handle);
    // SAFETY: the header fixes the type of the symbol.
    let Ok(entry) = (unsafe { handle.get::<EntryFn>(SYMBOL.as_bytes()) }) else {
        for other in (0..10).filter(|m| *m != MAJOR) {
            // SAFETY: only looked for, never called.
            if unsafe { handle.get::<*const ()>(format!("gunter_plugin_v{other}").as_bytes()) }.is_ok() {
                let what = format!("it is made for version {other} of the boundary, and this program speaks {MAJOR}.{MINOR}");
                return Err(HostFault::found("plugin/other-version", what));
            }
        }
        return Err(HostFault::found("plugin/no-symbol", format!("it does not export `{SYMBOL}`, so it is no plug-in of this program")));
    };
    // SAFETY: zeroes are valid for a struct of numbers, pointers and optional functions.
    let mut plugin: GunterPlugin = unsafe { std::mem::zeroed() };
    plugin.size = size_of::<GunterPlugin>() as u32;
    let mut error = LibraryError::new();
    // SAFETY: the function of the header, with room for both structs.
    let answer = unsafe { entry(MINOR, &raw mut plugin, error.room()) };
    if answer != code::OK {
        return Err(error.fault(answer));
    }
    let filled = offset_of!(GunterPlugin, bind) + size_of::<Option<BindFn>>();
    if plugin.abi_major != MAJOR {
        let what = format!("it speaks version {}.{} of the boundary, and this program {MAJOR}.{MINOR}", plugin.abi_major, plugin.abi_minor);
        return Err(HostFault::found("plugin/other-version", what));
    }
    if (plugin.size as usize) < filled {
        return Err(HostFault::found(
            "plugin/bad-description",
            format!("it filled {} bytes of its table and version 1.0 has {filled}", plugin.size),
        ));
    }
    let about =
        text(plugin.describe_json).ok_or_else(|| HostFault::found("plugin/bad-description", "it has no description: a null pointer"))?;
    let bind = plugin.bind.ok_or_else(|| HostFault::found("plugin/bad-description", "it has no `bind`: a null pointer"))?;
    let abi = format!("{}.{}", plugin.abi_major, plugin.abi_minor);
    Ok(Library { sha256: sha256.to_owned(), abi, about, bind, poisoned: AtomicBool::new(false) })
}

/// Room for an error, released when it goes.
struct LibraryError(GunterError);

impl LibraryError {
    const fn new() -> Self {
        let size = size_of::<GunterError>() as u32;
        Self(GunterError { size, code: 0, json: std::ptr::null(), release: None, private_data: std::ptr::null_mut() })
    }

    const fn room(&mut self) -> *mut GunterError {
        &raw mut self.0
    }

    fn fault(&self, answer: i32) -> HostFault {
        HostFault::answered(answer, text(self.0.json).unwrap_or_default())
    }
}

impl Drop for LibraryError {
    fn drop(&mut self) {
        if let Some(release) = self.0.release {
            // SAFETY: the maker's own release, called once: the struct is dropped here.
            unsafe { release(&raw mut self.0) };
        }
    }
}

impl Library {
    fn still_good(&self) -> Result<(), HostFault> {
        if self.poisoned.load(Ordering::Relaxed) {
            return Err(HostFault::found("plugin/panicked", "it broke down in an earlier call"));
        }
        Ok(())
    }

    fn fault(&self, error: &LibraryError, answer: i32) -> HostFault {
        if answer == code::PANICKED {
            self.poisoned.store(true, Ordering::Relaxed);
        }
        error.fault(answer)
    }
}

fn c_text(text: &str) -> CString {
    // JSON writes a zero byte as an escape; a name cannot have one.
    CString::new(text.replace('\0', " ")).unwrap_or_default()
}

impl InProcessHost {
    /// Binds a stage.
    pub(super) fn seat(&self, ask: &BindRequest) -> Result<InProcessStage, HostFault> {
        self.0.still_good()?;
        let [stage, options, inputs, context] = [ask.stage, &ask.options, &ask.inputs, &ask.context].map(c_text);
        // SAFETY: zeroes are valid for a struct of numbers, pointers and optional functions.
        let mut bound: GunterStage = unsafe { std::mem::zeroed() };
        bound.size = size_of::<GunterStage>() as u32;
        let mut error = LibraryError::new();
        // SAFETY: the function of the header, with texts that outlive the call and room for both structs.
        let answer =
            unsafe { (self.0.bind)(stage.as_ptr(), options.as_ptr(), inputs.as_ptr(), context.as_ptr(), &raw mut bound, error.room()) };
        if answer != code::OK {
            return Err(self.0.fault(&error, answer));
        }
        let bound = InProcessStage { library: self.0, json: text(bound.bound_json).unwrap_or_default(), bound };
        if bound.bound.run.is_none() || (bound.bound.size as usize) < offset_of!(GunterStage, private_data) + size_of::<usize>() {
            return Err(HostFault::found("plugin/bad-answer", "it bound the stage and gave no `run`: a null pointer or a short struct"));
        }
        Ok(bound)
    }
}

impl Host for InProcessHost {
    fn bind(&self, ask: &BindRequest) -> Result<Box<dyn BoundHost>, HostFault> {
        Ok(Box::new(self.seat(ask)?))
    }
}

/// A bound stage in this process.
pub(super) struct InProcessStage {
    library: &'static Library,
    json: String,
    bound: GunterStage,
}

// SAFETY: the contract lets `run` be called from several threads at once; a stage that says `"threads": "one"` is called
// under a lock by its kind. The struct itself is only read.
unsafe impl Send for InProcessStage {}
// SAFETY: as above.
unsafe impl Sync for InProcessStage {}

impl Drop for InProcessStage {
    fn drop(&mut self) {
        if let Some(release) = self.bound.release {
            // SAFETY: the maker's own release, called once: the struct is dropped here.
            unsafe { release(&raw mut self.bound) };
        }
    }
}

impl InProcessStage {
    /// Calls `run` with streams over the columns in `lent`.
    pub(super) fn call(
        &self,
        run_json: &str,
        mut streams: Vec<OwnedStream>,
        lent: &[LentColumn],
        most: Option<usize>,
        door: &dyn CallReporter,
    ) -> Result<ReturnedBatch, HostFault> {
        self.library.still_good()?;
        let run = self.bound.run.ok_or_else(|| HostFault::found("plugin/bad-answer", "it has no `run`"))?;
        let run_json = c_text(run_json);
        callbacks::with(door, |host| {
            // The plug-in moves out of this list; what it leaves is released with `streams`.
            let (list, n) = (streams.as_mut_ptr().cast(), streams.len());
            let mut out = ManuallyDrop::new(OwnedStream::empty());
            let mut error = LibraryError::new();
            // SAFETY: the function of the header; `OwnedStream` is a stream and nothing else; all pointers outlive the call.
            let answer = unsafe { run(&raw const self.bound, run_json.as_ptr(), host, list, n, &raw mut out.0, error.room()) };
            if answer != code::OK {
                // What stands in `out` after a failure is nobody's: it is not touched.
                return Err(self.library.fault(&error, answer));
            }
            let mut out = ManuallyDrop::into_inner(out);
            import::stream(&mut out, lent, most).map_err(|what| match serde_json::from_str::<serde_json::Value>(&what) {
                Ok(_) => HostFault::Said(code::BAD_DATA, what),
                Err(_) => HostFault::found("plugin/bad-data", what),
            })
        })
    }
}

impl BoundHost for InProcessStage {
    fn bound_json(&self) -> &str {
        &self.json
    }

    fn run(&self, run_json: &str, inputs: &[Table], most: Option<usize>, door: &dyn CallReporter) -> Result<ReturnedTable, HostFault> {
        let mut lent: Vec<LentColumn> = vec![];
        let mut streams: Vec<OwnedStream> = vec![];
        for table in inputs {
            let stream = export::stream(table, &mut lent).map_err(|what| HostFault::found("stage/broken-promise", what))?;
            streams.push(OwnedStream(stream));
        }
        let came = self.call(run_json, streams, &lent, most, door)?;
        came.answer(&super::columns(inputs)).map_err(|what| HostFault::found("plugin/bad-data", what))
    }
}
