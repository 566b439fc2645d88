//! A table that was taken apart, twisted, and put together again. Everything in it is leaked.

use gunter_plugin_abi::{ArrowArray, ArrowArrayStream, ArrowSchema};
use std::ffi::{CStr, CString, c_char, c_int, c_void};
use std::ptr;

/// The ways to twist a table.
pub(crate) const MODES: &[&str] = &[
    "copy",
    "keeps",
    "wrong-unit",
    "wrong-role",
    "no-meaning",
    "bad-meaning",
    "no-frame",
    "null-frame",
    "other-frame",
    "invented",
    "missing",
    "renamed",
    "swapped",
    "lost-rows",
    "more-rows",
    "nan",
    "infinity",
    "text-view",
    "short-text",
    "other-type",
    "misaligned",
    "short-column",
    "negative-length",
    "negative-offset",
    "huge-length",
    "null-buffer",
    "no-buffers",
    "few-buffers",
    "null-child",
    "null-children",
    "nulls-without-bits",
    "not-utf8",
    "offsets-back",
    "nulls-where-none",
    "endless",
    "stream-error",
    "stream-error-json",
    "stream-error-null",
    "no-functions",
    "no-schema",
    "not-a-struct",
    "released-child",
    "row-of-nulls",
    "flood",
];

/// Rows of a piece of a flood, and how often it comes.
const FLOOD: (usize, usize) = (1 << 20, 40);

struct Column {
    format: String,
    name: String,
    meaning: Option<Vec<u8>>,
    flags: i64,
    array: ArrowArray,
}

/// A table in parts.
pub(crate) struct Forged {
    frame: Option<Vec<u8>>,
    columns: Vec<Column>,
    rows: i64,
}

fn leak<T>(value: T) -> *mut T {
    Box::into_raw(Box::new(value))
}

fn c(text: &str) -> *const c_char {
    CString::new(text).unwrap_or_default().into_raw()
}

unsafe fn words(pointer: *const c_char) -> String {
    // SAFETY: a text of the host.
    unsafe { CStr::from_ptr(pointer) }.to_string_lossy().into_owned()
}

/// The bytes of Arrow's metadata.
unsafe fn metadata(pointer: *const c_char) -> Option<Vec<u8>> {
    if pointer.is_null() {
        return None;
    }
    // SAFETY: the host writes one pair.
    unsafe {
        let length = |at: usize| pointer.add(at).cast::<i32>().read_unaligned() as usize;
        let key = length(4);
        let whole = 8 + key + 4 + length(8 + key);
        Some(std::slice::from_raw_parts(pointer.cast::<u8>(), whole).to_vec())
    }
}

fn pair(key: &str, value: &str) -> Vec<u8> {
    let size = |n: usize| (n as i32).to_ne_bytes();
    [&size(1)[..], &size(key.len()), key.as_bytes(), &size(value.len()), value.as_bytes()].concat()
}

unsafe fn shallow(array: &ArrowArray) -> ArrowArray {
    // SAFETY: a plain struct.
    unsafe { ptr::read(array) }
}

unsafe extern "C" fn release_array(array: *mut ArrowArray) {
    // SAFETY: made here.
    unsafe { (*array).release = None };
}

unsafe extern "C" fn release_schema(schema: *mut ArrowSchema) {
    // SAFETY: made here.
    unsafe { (*schema).release = None };
}

unsafe extern "C" fn release_stream(stream: *mut ArrowArrayStream) {
    // SAFETY: made here.
    unsafe { (*stream).release = None };
}

struct Given {
    forged: Forged,
    mode: String,
    given: bool,
    pieces: usize,
}

unsafe extern "C" fn get_schema(stream: *mut ArrowArrayStream, out: *mut ArrowSchema) -> c_int {
    // SAFETY: made here; room of the host.
    unsafe {
        let own = &*(*stream).private_data.cast::<Given>();
        if own.mode == "no-schema" {
            return 5;
        }
        let schema = |format: &str, name: &str, metadata: Option<&Vec<u8>>, flags: i64, children: Vec<*mut ArrowSchema>| ArrowSchema {
            format: c(format),
            name: c(name),
            metadata: metadata.map_or(ptr::null(), |m| m.clone().leak().as_ptr().cast()),
            flags,
            n_children: children.len() as i64,
            children: children.leak().as_mut_ptr(),
            dictionary: ptr::null_mut(),
            release: Some(release_schema),
            private_data: ptr::null_mut(),
        };
        let children = own.forged.columns.iter().map(|k| leak(schema(&k.format, &k.name, k.meaning.as_ref(), k.flags, vec![]))).collect();
        let format = if own.mode == "not-a-struct" { "l" } else { "+s" };
        out.write(schema(format, "", own.forged.frame.as_ref(), 0, children));
    }
    0
}

unsafe extern "C" fn get_next(stream: *mut ArrowArrayStream, out: *mut ArrowArray) -> c_int {
    // SAFETY: made here; room of the host.
    unsafe {
        let own = &mut *(*stream).private_data.cast::<Given>();
        if own.mode.starts_with("stream-error") {
            return 5;
        }
        let endless = own.mode == "endless";
        own.pieces += 1;
        let flood = own.mode == "flood" && own.pieces <= FLOOD.1;
        if own.given && !endless && !flood {
            out.write(std::mem::zeroed());
            return 0;
        }
        own.given = true;
        let mut children: Vec<*mut ArrowArray> = own.forged.columns.iter().map(|k| leak(shallow(&k.array))).collect();
        if own.mode == "null-child" {
            children[1] = ptr::null_mut();
        }
        if endless {
            for child in &children {
                (**child).length = 0;
            }
        }
        let nulls = own.mode == "row-of-nulls";
        out.write(ArrowArray {
            length: if endless { 0 } else { own.forged.rows },
            null_count: i64::from(nulls),
            offset: 0,
            n_buffers: 1,
            n_children: children.len() as i64,
            buffers: vec![if nulls { [0_u8; 4096].to_vec().leak().as_ptr().cast() } else { ptr::null() }].leak().as_mut_ptr(),
            children: if own.mode == "null-children" { ptr::null_mut() } else { children.leak().as_mut_ptr() },
            dictionary: ptr::null_mut(),
            release: Some(release_array),
            private_data: ptr::null_mut(),
        });
    }
    0
}

unsafe extern "C" fn get_last_error(stream: *mut ArrowArrayStream) -> *const c_char {
    // SAFETY: made here.
    let own = unsafe { &*(*stream).private_data.cast::<Given>() };
    match own.mode.as_str() {
        "stream-error-json" => c"{\"what\":\"row in a stream\",\"row\":3,\"code\":\"hostile/stream\"}".as_ptr(),
        "stream-error-null" => ptr::null(),
        _ => c"the disk is gone".as_ptr(),
    }
}

impl Forged {
    /// Takes a stream and its first piece apart.
    pub(crate) unsafe fn read(stream: &mut ArrowArrayStream) -> Self {
        // SAFETY: a stream of the host, moved by leaving its copy without a release.
        unsafe {
            let mut own = ptr::read(stream);
            stream.release = None;
            let (mut schema, mut array): (ArrowSchema, ArrowArray) = (std::mem::zeroed(), std::mem::zeroed());
            own.get_schema.map(|f| f(&raw mut own, &raw mut schema));
            own.get_next.map(|f| f(&raw mut own, &raw mut array));
            let mut columns = vec![];
            for i in 0..schema.n_children as usize {
                let (s, a) = (&**schema.children.add(i), &**array.children.add(i));
                let mut copy = shallow(a);
                copy.release = Some(release_array);
                columns.push(Column {
                    format: words(s.format),
                    name: words(s.name),
                    meaning: metadata(s.metadata),
                    flags: s.flags,
                    array: copy,
                });
            }
            let forged = Self { frame: metadata(schema.metadata), columns, rows: array.length };
            // The array is leaked: its buffers are used above. Stream and schema are done with.
            if let Some(f) = schema.release {
                f(&raw mut schema)
            }
            if let Some(f) = own.release {
                f(&raw mut own)
            }
            forged
        }
    }

    /// The numbers of a column as the host lent them. They stay, since the array was never given back.
    pub(crate) fn lent_floats(&mut self) -> &'static [f64] {
        let array = &self.at("g").array;
        // SAFETY: the host lends `length` numbers, until the array is released.
        unsafe { std::slice::from_raw_parts((*array.buffers.add(1)).cast::<f64>(), array.length as usize) }
    }

    fn at(&mut self, format: &str) -> &mut Column {
        let i = self.columns.iter().position(|k| k.format == format).unwrap_or(0);
        &mut self.columns[i]
    }

    fn meaning(&mut self, format: &str, value: &str) {
        self.at(format).meaning = Some(pair(gunter_plugin_abi::COLUMN_KEY, value));
    }

    fn buffer(&mut self, format: &str, i: usize, pointer: *const c_void) {
        let array = &mut self.at(format).array;
        // SAFETY: the buffers of the host, copied before one is replaced.
        let mut buffers = unsafe { std::slice::from_raw_parts(array.buffers, array.n_buffers as usize) }.to_vec();
        buffers[i] = pointer;
        array.buffers = buffers.leak().as_mut_ptr();
    }

    fn floats(&mut self, change: impl Fn(usize, f64) -> f64) {
        let old = self.lent_floats();
        let new: Vec<f64> = old.iter().enumerate().map(|(i, v)| change(i, if v.is_nan() { 0.0 } else { *v })).collect();
        self.buffer("g", 1, new.leak().as_ptr().cast());
        self.buffer("g", 0, ptr::null());
        self.at("g").array.null_count = 0;
    }

    /// The table, twisted.
    pub(crate) fn twisted(mut self, mode: &str) -> ArrowArrayStream {
        match mode {
            "wrong-unit" => self.meaning("g", r#"{"unit":"rad","role":"latitude"}"#),
            "wrong-role" => self.meaning("g", r#"{"unit":"deg","role":"longitude"}"#),
            "no-meaning" => self.at("g").meaning = None,
            "bad-meaning" => self.meaning("g", "{oh"),
            "no-frame" => self.frame = None,
            "null-frame" => self.frame = Some(pair(gunter_plugin_abi::FRAME_KEY, "null")),
            "other-frame" => {
                let mut bytes = self.frame.take().unwrap_or_default();
                if let Some(at) = bytes.windows(9).position(|w| w == b"EPSG:9989") {
                    bytes[at..at + 9].copy_from_slice(b"EPSG:6319");
                }
                self.frame = Some(bytes);
            }
            "invented" => {
                let first = self.at("g");
                // SAFETY: a plain struct.
                let array = unsafe { shallow(&first.array) };
                let (format, meaning, flags) = (first.format.clone(), first.meaning.clone(), first.flags);
                self.columns.push(Column { format, name: "invented".into(), meaning, flags, array });
            }
            "missing" => drop(self.columns.pop()),
            "renamed" => self.at("g").name = "renamed".into(),
            "swapped" => self.columns.swap(0, 1),
            "lost-rows" => self.rows -= 1,
            "more-rows" => self.rows += 1,
            "nan" => self.floats(|i, v| if i == 5 { f64::NAN } else { v }),
            "infinity" => self.floats(|i, v| if i == 5 { f64::INFINITY } else { v }),
            "text-view" => self.at("U").format = "vu".into(),
            "short-text" => self.at("U").format = "u".into(),
            "other-type" => self.at("g").format = "l".into(),
            "misaligned" => {
                let array = &self.at("g").array;
                let size = array.length as usize * 8;
                let mut bytes = vec![0_u8; size + 1];
                // SAFETY: the host lends `length` numbers.
                bytes[1..].copy_from_slice(unsafe { std::slice::from_raw_parts((*array.buffers.add(1)).cast::<u8>(), size) });
                // Eight-byte alignment of the vector is not promised: the odd one of two neighbours is taken.
                let start = bytes.leak().as_ptr();
                self.buffer("g", 1, start.wrapping_add(1).cast());
            }
            "short-column" => self.at("g").array.length -= 1,
            "negative-length" => self.at("g").array.length = -5,
            "negative-offset" => self.at("g").array.offset = -5,
            "huge-length" => self.rows = i64::MAX,
            "null-buffer" => self.buffer("g", 1, ptr::null()),
            "no-buffers" => self.at("g").array.buffers = ptr::null_mut(),
            "few-buffers" => self.at("U").array.n_buffers = 2,
            "nulls-without-bits" => {
                self.buffer("g", 0, ptr::null());
                self.at("g").array.null_count = 3;
            }
            "not-utf8" => self.buffer("U", 2, vec![0xff_u8; 1 << 16].leak().as_ptr().cast()),
            "offsets-back" => {
                let length = self.at("U").array.length as usize;
                let offsets: Vec<i64> = (0..=length as i64).rev().collect();
                self.buffer("U", 1, offsets.leak().as_ptr().cast());
            }
            "nulls-where-none" => {
                let array = &mut self.at("l").array;
                array.null_count = array.length;
                let bits = vec![0_u8; array.length as usize / 8 + 1];
                self.buffer("l", 0, bits.leak().as_ptr().cast());
            }
            // One piece of zeroes that comes again and again: a table far larger than the memory that it stands on.
            "flood" => {
                self.rows = FLOOD.0 as i64;
                for column in &mut self.columns {
                    let zeroes: *const c_void = vec![0_u64; FLOOD.0 + 1].leak().as_ptr().cast();
                    column.array.buffers = vec![ptr::null(), zeroes, zeroes].leak().as_mut_ptr();
                    column.array.length = self.rows;
                    column.array.null_count = 0;
                }
            }
            "released-child" => self.at("g").array.release = None,
            _ => {}
        }
        let given = Given { forged: self, mode: mode.to_owned(), given: false, pieces: 0 };
        ArrowArrayStream {
            get_schema: if mode == "no-functions" { None } else { Some(get_schema) },
            get_next: Some(get_next),
            get_last_error: Some(get_last_error),
            release: Some(release_stream),
            private_data: leak(given).cast(),
        }
    }
}
