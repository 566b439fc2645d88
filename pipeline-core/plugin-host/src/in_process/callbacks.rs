//! The functions that a plug-in may call while it runs.
//!
//! `ctx` is a number and no address: a call from a thread that outlived `run` finds nothing and does nothing.

use super::super::CallReporter;
use gunter_plugin_abi::{GunterHost, MINOR};
use std::collections::HashMap;
use std::ffi::{c_char, c_void};
use std::mem::size_of;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::ptr;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, LazyLock, Mutex, PoisonError, RwLock};

/// The door of a call that goes on; emptied when it ends.
type ReporterSlot = Arc<RwLock<Option<&'static dyn CallReporter>>>;

static CALLS: LazyLock<Mutex<HashMap<usize, ReporterSlot>>> = LazyLock::new(Mutex::default);
static NEXT: AtomicUsize = AtomicUsize::new(1);

/// Lends the functions for the length of one call.
pub(super) fn with<T>(door: &dyn CallReporter, work: impl FnOnce(*const GunterHost) -> T) -> T {
    // SAFETY: the slot is emptied before this function returns, also when `work` unwinds, and emptying waits for
    // calls that are under way; so nobody uses the door beyond its life.
    let door: &'static dyn CallReporter = unsafe { std::mem::transmute::<&dyn CallReporter, &'static dyn CallReporter>(door) };
    let number = NEXT.fetch_add(1, Ordering::Relaxed);
    let slot: ReporterSlot = Arc::new(RwLock::new(Some(door)));
    CALLS.lock().unwrap_or_else(PoisonError::into_inner).insert(number, slot.clone());
    let _end = CallGuard { number, slot };
    let host = GunterHost {
        size: size_of::<GunterHost>() as u32,
        abi_minor: MINOR,
        ctx: ptr::without_provenance_mut(number),
        set_aside: Some(set_aside),
        used: Some(used),
        find: Some(find),
        fact: Some(fact),
        cancelled: Some(cancelled),
    };
    work(&raw const host)
}

struct CallGuard {
    number: usize,
    slot: ReporterSlot,
}

impl Drop for CallGuard {
    fn drop(&mut self) {
        CALLS.lock().unwrap_or_else(PoisonError::into_inner).remove(&self.number);
        *self.slot.write().unwrap_or_else(PoisonError::into_inner) = None;
    }
}

/// Does something with the door of a call, when it still goes on. No panic goes back into the plug-in.
fn call<T>(ctx: *mut c_void, work: impl FnOnce(&dyn CallReporter) -> T) -> Option<T> {
    let slot = CALLS.lock().unwrap_or_else(PoisonError::into_inner).get(&ctx.addr()).cloned()?;
    let held = slot.read().unwrap_or_else(PoisonError::into_inner);
    let door = (*held)?;
    catch_unwind(AssertUnwindSafe(|| work(door))).ok()
}

fn words(pointer: *const c_char, length: usize) -> String {
    if pointer.is_null() || length > isize::MAX as usize {
        return String::new();
    }
    // SAFETY: not null; the caller gives the length.
    let bytes = unsafe { std::slice::from_raw_parts(pointer.cast::<u8>(), length) };
    String::from_utf8_lossy(bytes).into_owned()
}

unsafe extern "C" fn set_aside(
    ctx: *mut c_void,
    rows: *const u64,
    n: usize,
    reason: *const c_char,
    reason_len: usize,
    detail: *const c_char,
    detail_len: usize,
) -> i32 {
    if n == 0 {
        return 0;
    }
    if rows.is_null() || !rows.is_aligned() || n > isize::MAX as usize / 8 {
        return -1;
    }
    // SAFETY: not null, aligned; the caller gives the length.
    let rows = unsafe { std::slice::from_raw_parts(rows, n) };
    let (reason, detail) = (words(reason, reason_len), words(detail, detail_len));
    call(ctx, |door| door.set_aside(rows, &reason, &detail)).map_or(-1, |()| 0)
}

unsafe extern "C" fn used(ctx: *mut c_void, rows: u64) {
    call(ctx, |door| door.used(rows));
}

unsafe extern "C" fn find(ctx: *mut c_void, json: *const c_char, length: usize) {
    let json = words(json, length);
    call(ctx, |door| door.find(&json));
}

unsafe extern "C" fn fact(ctx: *mut c_void, key: *const c_char, key_len: usize, json: *const c_char, length: usize) {
    let (key, json) = (words(key, key_len), words(json, length));
    call(ctx, |door| door.fact(&key, &json));
}

unsafe extern "C" fn cancelled(ctx: *mut c_void) -> i32 {
    // A call that is over is cancelled, whoever asks.
    call(ctx, |door| door.cancelled()).map_or(1, i32::from)
}
