//! Which file PROJ gets for a name: ours alone decides.
//!
//! PROJ by itself looks in the user's own data folder, in `PROJ_DATA` and `PROJ_LIB`, beside its library
//! and, when its resources are built in, in the working folder; and it takes settings that change
//! results (`tmerc_default_algo`) from a `proj.ini` in any of them. A grid that lies about must not
//! change a coordinate, so every name is answered here.
#![allow(unsafe_code)]

use proj_sys as p;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::ffi::{CStr, CString, c_char, c_void};
use std::path::{Path, PathBuf};
use std::ptr::null;

/// A file with nothing in it stands for every `proj.ini`.
#[cfg(not(windows))]
const EMPTY: &CStr = c"/dev/null";
#[cfg(windows)]
const EMPTY: &CStr = c"NUL";

/// Answers of one context.
pub(super) struct FileFinder {
    /// Folders, in order.
    pub(super) folders: Vec<PathBuf>,
    /// Names that stand for exactly one file; then no folder is looked in.
    pub(super) exact: Option<BTreeMap<String, PathBuf>>,
    /// The last answer, which PROJ copies at once.
    last: RefCell<CString>,
    /// The last name that PROJ asked for.
    #[cfg(test)]
    asked: RefCell<String>,
}

impl FileFinder {
    pub(super) fn new(folders: &[PathBuf], exact: Option<BTreeMap<String, PathBuf>>) -> Self {
        Self {
            folders: folders.to_vec(),
            exact,
            last: RefCell::default(),
            #[cfg(test)]
            asked: RefCell::default(),
        }
    }

    /// The last name that PROJ asked for.
    #[cfg(test)]
    pub(super) fn asked(&self) -> String {
        self.asked.borrow().clone()
    }

    /// The file for a name.
    pub(super) fn find(&self, name: &str) -> Option<PathBuf> {
        match &self.exact {
            Some(exact) => exact.get(name).cloned(),
            None => self.folders.iter().map(|f| f.join(name)).find(|p| p.is_file()),
        }
    }

    /// Whether a path that PROJ found is one of ours.
    pub(super) fn allows(&self, path: &Path) -> bool {
        match &self.exact {
            Some(exact) => exact.values().any(|p| p == path),
            None => path.parent().is_some_and(|parent| !parent.as_os_str().is_empty() && self.folders.iter().any(|f| parent == f)),
        }
    }
}

/// What PROJ calls.
pub(super) unsafe extern "C" fn answer(_: *mut p::PJ_CONTEXT, name: *const c_char, finder: *mut c_void) -> *const c_char {
    if name.is_null() || finder.is_null() {
        return null();
    }
    // SAFETY: PROJ gives back the pointer that the context registered, which lives as long as the context, and
    // a name that ends in zero and outlives this call. Contexts belong to one thread.
    let (finder, name) = unsafe { (&*finder.cast::<FileFinder>(), CStr::from_ptr(name)) };
    if name == c"proj.ini" {
        return EMPTY.as_ptr();
    }
    let Ok(name) = name.to_str() else { return null() };
    #[cfg(test)]
    if let Ok(mut asked) = finder.asked.try_borrow_mut() {
        name.clone_into(&mut asked);
    }
    let Some(path) = finder.find(name).and_then(|p| CString::new(p.to_string_lossy().into_owned()).ok()) else { return null() };
    match finder.last.try_borrow_mut() {
        Ok(mut last) => {
            *last = path;
            last.as_ptr()
        }
        Err(_) => null(),
    }
}
