//! A plug-in that misbehaves on request: the option `mode` says how. Written against the C structs, so that it can do what
//! the SDK would not.

#![allow(unsafe_code, clippy::panic, clippy::print_stdout)]

mod forge;

use forge::Forged;
use gunter_plugin_abi::*;
use std::ffi::{CStr, CString, c_char, c_void};
use std::ptr;
use std::sync::Mutex;

const ABOUT: &CStr = c"{\"plugin\":\"hostile\",\"version\":\"1\",\"stages\":[\
{\"name\":\"hostile/pass\",\"version\":1,\"summary\":\"Misbehave\",\"inputs\":\"many\",\"options\":{\"type\":\"object\",\
\"additionalProperties\":false,\"required\":[\"mode\"],\"properties\":{\"mode\":{\"type\":\"string\",\"description\":\"How to misbehave\"}}}}]}";

/// A text that is never given back: this plug-in leaks, too.
fn leak(text: &str) -> *const c_char {
    CString::new(text).unwrap_or_default().into_raw()
}

fn say(error: *mut GunterError, answer: i32, json: *const c_char) -> i32 {
    // SAFETY: room of the host.
    unsafe {
        (*error).code = answer;
        (*error).json = json;
    }
    answer
}

fn text<'a>(pointer: *const c_char) -> &'a str {
    // SAFETY: a text of the host.
    unsafe { CStr::from_ptr(pointer) }.to_str().unwrap_or_default()
}

unsafe extern "C" fn bind(
    _: *const c_char,
    options: *const c_char,
    inputs: *const c_char,
    _: *const c_char,
    out: *mut GunterStage,
    error: *mut GunterError,
) -> i32 {
    let options: serde_json::Value = serde_json::from_str(text(options)).unwrap_or_default();
    let mode = options["mode"].as_str().unwrap_or_default().to_owned();
    let inputs: serde_json::Value = serde_json::from_str(text(inputs)).unwrap_or_default();
    let mut output = inputs[0].clone();
    let mut grain = "rows";
    match mode.as_str() {
        "bind-option" => {
            return say(
                error,
                1,
                leak(r#"[{"what":"no such way","option":"mode","code":"hostile/no-way","fix":"another"},{"what":"and another"}]"#),
            );
        }
        "bind-words" => return say(error, 1, c"only words".as_ptr()),
        "bind-null" => return say(error, 1, ptr::null()),
        "bind-not-utf8" => return say(error, 1, c"caf\xe9".as_ptr()),
        "bind-abort" => std::process::abort(),
        "bind-panic" => panic!("a panic in bind"),
        "bind-hang" => loop {
            std::thread::park();
        },
        "promise-no-frame" => output["frame"] = serde_json::Value::Null,
        "promise-twice" => {
            let first = output["columns"][0].clone();
            if let Some(columns) = output["columns"].as_array_mut() {
                columns.push(first);
            }
        }
        "promise-metres" => output["columns"][0]["unit"] = "m".into(),
        "promise-number" => output["columns"][1]["holds"] = "int".into(),
        "promise-unit" => output["columns"][0]["unit"] = "furlong".into(),
        "used" | "flood" => grain = "session",
        _ => {}
    }
    let bound = serde_json::json!({"grain": grain, "output": output}).to_string();
    // SAFETY: room of the host.
    let out = unsafe { &mut *out };
    out.bound_json = match mode.as_str() {
        "bound-null" => ptr::null(),
        "bound-bad-json" => c"{\"grain\":\"rows\",".as_ptr(),
        "bound-bad-grain" => leak(&bound.replace("\"rows\"", "\"sometimes\"")),
        _ => leak(&bound),
    };
    out.size = if mode == "bound-short" { 8 } else { size_of::<GunterStage>() as u32 };
    out.run = if mode == "bound-no-run" { None } else { Some(run) };
    out.release = if mode == "no-release" { None } else { Some(release) };
    out.private_data = leak(&mode).cast_mut().cast();
    0
}

unsafe extern "C" fn release(stage: *mut GunterStage) {
    // SAFETY: filled by `bind`.
    unsafe { (*stage).release = None };
}

/// Columns that were never given back, and what they held when they came.
static LENT: Mutex<Vec<(&[f64], Vec<f64>)>> = Mutex::new(vec![]);

/// A number that can go to another thread.
struct Sent(usize);

unsafe extern "C" fn run(
    stage: *const GunterStage,
    _: *const c_char,
    host: *const GunterHost,
    inputs: *mut ArrowArrayStream,
    n: usize,
    out: *mut ArrowArrayStream,
    error: *mut GunterError,
) -> i32 {
    // SAFETY: filled by `bind`; room and structs of the host.
    let (mode, host, streams) = unsafe { (text((*stage).private_data.cast()), &*host, std::slice::from_raw_parts_mut(inputs, n)) };
    let aside = |rows: &[u64], reason: &str| {
        // SAFETY: the function of the host.
        unsafe { host.set_aside.map(|f| f(host.ctx, rows.as_ptr(), rows.len(), reason.as_ptr().cast(), reason.len(), c"d".as_ptr(), 1)) }
    };
    match mode {
        "error-words" => return say(error, 2, c"the data are wrong".as_ptr()),
        // A C text ends at its first zero byte, whatever its maker meant.
        "error-zero" => return say(error, 2, ["first\0", "second\0"].concat().leak().as_ptr().cast()),
        "error-null" => return say(error, 2, ptr::null()),
        "error-row" => return say(error, 2, leak(r#"{"what":"this row","row":7,"code":"hostile/row"}"#)),
        "error-row-beyond" => return say(error, 2, leak(r#"{"what":"this row","row":99999}"#)),
        "error-code" => return say(error, -77, c"{".as_ptr()),
        "panicked" => return say(error, 5, c"{\"what\":\"caught by itself\"}".as_ptr()),
        "error-with-out" => {
            // SAFETY: room of the host; garbage that must not be touched.
            unsafe { ptr::write_bytes(out.cast::<u8>(), 0xab, size_of::<ArrowArrayStream>()) };
            return say(error, 2, c"with garbage in out".as_ptr());
        }
        "panic" => panic!("a panic in run"),
        "abort" => std::process::abort(),
        "exit" => std::process::exit(7),
        "exit-well" => std::process::exit(0),
        // SAFETY: the point of the mode.
        "crash" => unsafe { ptr::write_volatile(ptr::without_provenance_mut::<u8>(8), 1) },
        "hang" => loop {
            std::thread::park();
        },
        "chatter" => loop {
            // SAFETY: the function of the host.
            unsafe { host.find.map(|f| f(host.ctx, c"{\"what\":\"and so on\"}".as_ptr(), 20)) };
        },
        "memory" => {
            let mut all: Vec<Vec<u8>> = vec![];
            loop {
                all.push(vec![1; 1 << 24]);
            }
        }
        "double-release" => {
            let first = &mut streams[0];
            // SAFETY: the point of the mode: a stream, and an array out of it, of the host, are released twice.
            unsafe {
                let mut array: ArrowArray = std::mem::zeroed();
                if let Some(next) = first.get_next {
                    next(first, &raw mut array);
                }
                let mut again = ptr::read(&raw const array);
                for one in [&mut array, &mut again] {
                    if let Some(release) = one.release {
                        release(one);
                    }
                }
                let mut copy = ptr::read(first);
                for one in [first, &mut copy] {
                    if let Some(release) = one.release {
                        release(one);
                    }
                }
            }
            return say(error, 2, c"released everything twice".as_ptr());
        }
        "stdout" => println!("{{\"say\":\"done\"}}\nnoise"),
        "nothing" => return 0,
        "aside-beyond" => drop(aside(&[1_000_000], "far")),
        "aside-twice" => drop(aside(&[1, 1], "twice")),
        "aside-reason" => drop(aside(&[1], "Not A Word")),
        "aside-all" => drop(aside(&[0], "once")),
        "aside-null" => {
            // SAFETY: the function of the host, with pointers that must not be followed.
            unsafe { host.set_aside.map(|f| f(host.ctx, ptr::null(), 5, ptr::null(), 9, ptr::null(), 9)) };
        }
        "find-bad-json" => {
            // SAFETY: the function of the host.
            unsafe { host.find.map(|f| f(host.ctx, c"{oh".as_ptr(), 3)) };
        }
        "fact-bad-json" => {
            // SAFETY: the function of the host.
            unsafe { host.fact.map(|f| f(host.ctx, c"k".as_ptr(), 1, c"{oh".as_ptr(), 3)) };
        }
        "used" => {
            // SAFETY: the function of the host.
            unsafe { host.used.map(|f| f(host.ctx, 3)) };
        }
        "thread" | "late-thread" => {
            let (number, used) = (Sent(host.ctx.addr()), host.find);
            let late = mode == "late-thread";
            let thread = std::thread::spawn(move || {
                let number = number;
                if late {
                    std::thread::sleep(std::time::Duration::from_millis(50));
                }
                let words = "{\"what\":\"from a thread\"}";
                // SAFETY: the function of the host; after the call it must do nothing.
                unsafe { used.map(|f| f(ptr::without_provenance_mut::<c_void>(number.0), words.as_ptr().cast(), words.len())) };
            });
            if !late {
                let _ = thread.join();
            }
        }
        _ => {}
    }
    let Some(first) = streams.first_mut() else { return say(error, 4, c"no input".as_ptr()) };
    if matches!(mode, "pass" | "not-nulled") || !forge::MODES.contains(&mode) {
        // SAFETY: moved, unless the mode forgets to say so: then both copies are released.
        unsafe { out.write(ptr::read(first)) };
        if mode != "not-nulled" {
            first.release = None;
        }
        return 0;
    }
    // SAFETY: a stream of the host, moved in there.
    let mut forged = unsafe { Forged::read(first) };
    if mode == "keeps" {
        // What was lent and not given back is its own: it must stay as it was, whatever is lent later.
        let mut kept = LENT.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let lent = forged.lent_floats();
        kept.push((lent, lent.to_vec()));
        let same = |(lent, copy): &(&[f64], Vec<f64>)| lent.iter().zip(copy).all(|(a, b)| a.to_bits() == b.to_bits());
        if !kept.iter().all(same) {
            return say(error, 2, c"what it holds on to was changed".as_ptr());
        }
    }
    // SAFETY: room of the host.
    unsafe { out.write(forged.twisted(mode)) };
    0
}

/// The one exported symbol.
#[unsafe(no_mangle)]
extern "C" fn gunter_plugin_v1(_: u32, out: *mut GunterPlugin, _: *mut GunterError) -> i32 {
    // SAFETY: room of the host.
    let out = unsafe { &mut *out };
    out.size = size_of::<GunterPlugin>() as u32;
    out.abi_major = MAJOR;
    out.abi_minor = MINOR;
    out.describe_json = ABOUT.as_ptr();
    out.bind = Some(bind);
    0
}
