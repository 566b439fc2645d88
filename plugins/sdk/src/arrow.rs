//! Tables from and to Arrow C streams: all the pointers of the SDK.

#![allow(unsafe_code)]

use crate::column::Values;
use crate::column::{Batch, Lent};
use crate::table::Data;
use crate::{Column, Holds, Problem, Schema, Table};
use gunter_plugin_abi::{ARROW_FLAG_NULLABLE, ArrowArray, ArrowArrayStream, ArrowSchema, COLUMN_KEY, FRAME_KEY};
use std::ffi::{CStr, CString, c_char, c_int, c_void};
use std::ptr;
use std::sync::Arc;

/// The Arrow format of a type.
const fn format(holds: Holds) -> &'static CStr {
    match holds {
        Holds::Bool => c"b",
        Holds::Int => c"l",
        Holds::Float => c"g",
        Holds::Text => c"U",
        Holds::Instant => c"tsn:UTC",
    }
}

// SAFETY: the contract lets arrays be released on any thread, and they are only read.
unsafe impl Send for Batch {}
// SAFETY: as above.
unsafe impl Sync for Batch {}

fn wrong(what: &str) -> Problem {
    Problem::new("bad-input", format!("the table that came in {what}"))
}

/// Takes a stream and reads it to its end.
pub(crate) fn take(stream: &mut ArrowArrayStream) -> Result<Table, Problem> {
    struct Guard(ArrowArrayStream);
    impl Drop for Guard {
        fn drop(&mut self) {
            if let Some(release) = self.0.release {
                // SAFETY: the host's own release, called once: the struct is dropped here.
                unsafe { release(&raw mut self.0) };
            }
        }
    }
    // Moved: copied, and the host's copy is marked as taken.
    // SAFETY: a plain struct; the copy in the host's hands is made inert below.
    let mut own = Guard(unsafe { ptr::read(stream) });
    stream.release = None;
    let (Some(get_schema), Some(get_next)) = (own.0.get_schema, own.0.get_next) else { return Err(wrong("has no functions")) };
    // SAFETY: zeroes are a valid empty schema.
    let mut raw: ArrowSchema = unsafe { std::mem::zeroed() };
    // SAFETY: the function of the stream, with the stream and room for one schema.
    if unsafe { get_schema(&raw mut own.0, &raw mut raw) } != 0 {
        return Err(wrong("has no schema"));
    }
    let schema = schema(&raw);
    if let Some(release) = raw.release {
        // SAFETY: the host's own release, called once.
        unsafe { release(&raw mut raw) };
    }
    let schema = Arc::new(schema?);
    let mut pieces = vec![];
    loop {
        // SAFETY: zeroes are a valid released array.
        let mut array = Batch(unsafe { std::mem::zeroed() });
        // SAFETY: the function of the stream, with the stream and room for one array.
        if unsafe { get_next(&raw mut own.0, &raw mut array.0) } != 0 {
            return Err(wrong("cannot be read"));
        }
        if array.0.release.is_none() {
            break;
        }
        pieces.push(piece(Arc::new(array), &schema)?);
    }
    match pieces.len() {
        1 => pieces.pop().ok_or_else(|| wrong("is gone")),
        _ => joined(&pieces, schema),
    }
}

fn piece(batch: Arc<Batch>, schema: &Arc<Schema>) -> Result<Table, Problem> {
    let raw = &batch.0;
    if raw.n_children != schema.columns.len() as i64 || raw.offset != 0 || (raw.n_children > 0 && raw.children.is_null()) {
        return Err(wrong("has other columns than its schema"));
    }
    let rows = raw.length as usize;
    let columns =
        schema.columns.iter().enumerate().map(|(child, c)| Data::Lent(Lent { batch: batch.clone(), child, holds: c.holds })).collect();
    Ok(Table { schema: schema.clone(), rows, columns })
}

/// Pieces one below the other. The host sends one; another host may send several.
fn joined(pieces: &[Table], schema: Arc<Schema>) -> Result<Table, Problem> {
    let rows = pieces.iter().map(Table::rows).sum();
    let mut builder = crate::TableBuilder::new(&schema, rows);
    for c in &schema.columns {
        let name = c.name.as_str();
        match c.holds {
            Holds::Float => {
                let parts = pieces.iter().map(|p| p.floats(name)).collect::<Result<Vec<_>, _>>()?;
                builder.floats(name, parts.concat());
            }
            Holds::Int => {
                builder.ints(name, pieces.iter().map(|p| p.ints(name)).collect::<Result<Vec<_>, _>>()?.concat());
            }
            Holds::Instant => {
                builder.instants(name, pieces.iter().map(|p| p.instants(name)).collect::<Result<Vec<_>, _>>()?.concat());
            }
            Holds::Text => {
                builder.texts(name, pieces.iter().map(|p| p.texts(name)).collect::<Result<Vec<_>, _>>()?.concat());
            }
            Holds::Bool => {
                builder.bools(name, pieces.iter().map(|p| p.bools(name)).collect::<Result<Vec<_>, _>>()?.concat());
            }
        }
    }
    builder.finish()
}

fn text(pointer: *const c_char) -> String {
    if pointer.is_null() {
        return String::new();
    }
    // SAFETY: not null; the contract asks for a text that ends with a zero byte.
    unsafe { CStr::from_ptr(pointer) }.to_string_lossy().into_owned()
}

fn schema(raw: &ArrowSchema) -> Result<Schema, Problem> {
    let mut columns = vec![];
    for i in 0..raw.n_children as usize {
        // SAFETY: the host gives `n_children` children.
        let child = unsafe { &**raw.children.add(i) };
        let kind = text(child.format);
        let all = [Holds::Bool, Holds::Int, Holds::Float, Holds::Text, Holds::Instant];
        let holds = all.into_iter().find(|h| format(*h).to_bytes() == kind.as_bytes()).ok_or_else(|| wrong("has an unknown type"))?;
        let meaning: serde_json::Value = serde_json::from_str(&value_of(child.metadata, COLUMN_KEY)).unwrap_or_default();
        let word = |key: &str| meaning[key].as_str().unwrap_or_default().to_owned().into();
        columns.push(Column {
            name: text(child.name),
            holds,
            unit: crate::Unit(word("unit")),
            role: crate::Role(word("role")),
            nullable: child.flags & ARROW_FLAG_NULLABLE != 0,
        });
    }
    Ok(Schema { columns, frame: serde_json::from_str(&value_of(raw.metadata, FRAME_KEY)).unwrap_or_default() })
}

/// One value of Arrow's binary metadata: counted pairs of counted texts.
fn value_of(metadata: *const c_char, key: &str) -> String {
    if metadata.is_null() {
        return String::new();
    }
    let mut at = 0;
    let number = |at: &mut usize| {
        // SAFETY: the format has four bytes here; they need not be aligned.
        let n = unsafe { metadata.add(*at).cast::<i32>().read_unaligned() };
        *at += 4;
        usize::try_from(n).unwrap_or(0)
    };
    for _ in 0..number(&mut at) {
        let mut part = || {
            let n = number(&mut at);
            // SAFETY: the format has `n` bytes here.
            let bytes = unsafe { std::slice::from_raw_parts(metadata.add(at).cast::<u8>(), n) };
            at += n;
            String::from_utf8_lossy(bytes).into_owned()
        };
        let (k, v) = (part(), part());
        if k == key {
            return v;
        }
    }
    String::new()
}

struct SchemaParts {
    _name: CString,
    _metadata: Vec<u8>,
    children: Box<[*mut ArrowSchema]>,
}

unsafe extern "C" fn release_schema(schema: *mut ArrowSchema) {
    // SAFETY: a schema made by `schema_of`, released once: its release is null afterwards.
    unsafe {
        if schema.is_null() || (*schema).release.is_none() {
            return;
        }
        (*schema).release = None;
        let parts = Box::from_raw((*schema).private_data.cast::<SchemaParts>());
        for child in &parts.children {
            let mut child = Box::from_raw(*child);
            if let Some(release) = child.release {
                release(&raw mut *child);
            }
        }
    }
}

fn schema_of(format: &'static CStr, name: &str, nullable: bool, key: &str, value: &str, children: Vec<ArrowSchema>) -> ArrowSchema {
    let size = |n: usize| i32::try_from(n).unwrap_or(0).to_ne_bytes();
    let mut metadata = size(1).to_vec();
    for part in [key, value] {
        metadata.extend(size(part.len()));
        metadata.extend(part.as_bytes());
    }
    let name = CString::new(name.replace('\0', " ")).unwrap_or_default();
    let children: Box<[*mut ArrowSchema]> = children.into_iter().map(|c| Box::into_raw(Box::new(c))).collect();
    let mut schema = ArrowSchema {
        format: format.as_ptr(),
        name: name.as_ptr(),
        metadata: metadata.as_ptr().cast(),
        flags: if nullable { ARROW_FLAG_NULLABLE } else { 0 },
        n_children: children.len() as i64,
        children: if children.is_empty() { ptr::null_mut() } else { children.as_ptr().cast_mut() },
        dictionary: ptr::null_mut(),
        release: Some(release_schema),
        private_data: ptr::null_mut(),
    };
    schema.private_data = Box::into_raw(Box::new(SchemaParts { _name: name, _metadata: metadata, children })).cast();
    schema
}

struct ArrayParts {
    _buffers: Box<[*const c_void]>,
    children: Box<[*mut ArrowArray]>,
    _keep: Option<Data>,
}

unsafe extern "C" fn release_array(array: *mut ArrowArray) {
    // SAFETY: an array made by `array_of`, released once: its release is null afterwards.
    unsafe {
        if array.is_null() || (*array).release.is_none() {
            return;
        }
        (*array).release = None;
        let parts = Box::from_raw((*array).private_data.cast::<ArrayParts>());
        for child in &parts.children {
            let mut child = Box::from_raw(*child);
            if let Some(release) = child.release {
                release(&raw mut *child);
            }
        }
    }
}

fn array_of(extent: (i64, i64, i64), buffers: Vec<*const c_void>, children: Vec<ArrowArray>, keep: Option<Data>) -> ArrowArray {
    let buffers: Box<[*const c_void]> = buffers.into();
    let children: Box<[*mut ArrowArray]> = children.into_iter().map(|c| Box::into_raw(Box::new(c))).collect();
    ArrowArray {
        length: extent.0,
        null_count: extent.1,
        offset: extent.2,
        n_buffers: buffers.len() as i64,
        n_children: children.len() as i64,
        buffers: buffers.as_ptr().cast_mut(),
        children: if children.is_empty() { ptr::null_mut() } else { children.as_ptr().cast_mut() },
        dictionary: ptr::null_mut(),
        release: Some(release_array),
        private_data: Box::into_raw(Box::new(ArrayParts { _buffers: buffers, children, _keep: keep })).cast(),
    }
}

fn column_array(data: &Data) -> ArrowArray {
    match data {
        Data::Lent(lent) => {
            let raw = lent.array();
            let buffers = (0..raw.n_buffers as usize).map(|i| lent.buffer(i)).collect();
            array_of((raw.length, raw.null_count, raw.offset), buffers, vec![], Some(data.clone()))
        }
        Data::Own(own) => {
            let mut buffers = vec![own.known.as_ref().map_or(ptr::null(), |k| k.as_ptr().cast())];
            match &own.values {
                Values::Floats(v) => buffers.push(v.as_ptr().cast()),
                Values::Ints(v) => buffers.push(v.as_ptr().cast()),
                Values::Bits(v) => buffers.push(v.as_ptr().cast()),
                Values::Texts(offsets, bytes) => buffers.extend([offsets.as_ptr().cast(), bytes.as_ptr().cast::<c_void>()]),
            }
            array_of((own.rows as i64, own.nulls as i64, 0), buffers, vec![], Some(data.clone()))
        }
    }
}

struct Out {
    table: Table,
    given: bool,
}

unsafe extern "C" fn get_schema(stream: *mut ArrowArrayStream, out: *mut ArrowSchema) -> c_int {
    // SAFETY: a stream made by `give`, on the thread that holds it, and room for one schema.
    unsafe {
        let own = &*(*stream).private_data.cast::<Out>();
        let column = |c: &Column| {
            let meaning = serde_json::json!({"unit": c.unit, "role": c.role}).to_string();
            schema_of(format(c.holds), &c.name, c.nullable, COLUMN_KEY, &meaning, vec![])
        };
        let children = own.table.schema.columns.iter().map(column).collect();
        out.write(schema_of(c"+s", "", false, FRAME_KEY, &own.table.schema.frame.to_string(), children));
    }
    0
}

unsafe extern "C" fn get_next(stream: *mut ArrowArrayStream, out: *mut ArrowArray) -> c_int {
    // SAFETY: a stream made by `give`, on the thread that holds it, and room for one array.
    unsafe {
        let own = &mut *(*stream).private_data.cast::<Out>();
        if std::mem::replace(&mut own.given, true) {
            out.write(std::mem::zeroed());
        } else {
            let children = own.table.columns.iter().map(column_array).collect();
            out.write(array_of((own.table.rows as i64, 0, 0), vec![ptr::null()], children, None));
        }
    }
    0
}

unsafe extern "C" fn get_last_error(_: *mut ArrowArrayStream) -> *const c_char {
    ptr::null()
}

unsafe extern "C" fn release_stream(stream: *mut ArrowArrayStream) {
    // SAFETY: a stream made by `give`, released once: its release is null afterwards.
    unsafe {
        if stream.is_null() || (*stream).release.is_none() {
            return;
        }
        (*stream).release = None;
        drop(Box::from_raw((*stream).private_data.cast::<Out>()));
    }
}

/// Gives a table as a stream.
pub(crate) fn give(table: Table) -> ArrowArrayStream {
    ArrowArrayStream {
        get_schema: Some(get_schema),
        get_next: Some(get_next),
        get_last_error: Some(get_last_error),
        release: Some(release_stream),
        private_data: Box::into_raw(Box::new(Out { table, given: false })).cast(),
    }
}
