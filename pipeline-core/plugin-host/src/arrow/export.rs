//! A table as an Arrow C stream that a plug-in takes.
//!
//! The private pointers of what is handed out are numbers into one list and no addresses, so a second `release` by a
//! careless plug-in finds nothing and does nothing.

#![allow(unsafe_code)]

use super::{ReadFailure, StatedSchema, claim_of, format};
use gunter_plugin_abi::{ARROW_FLAG_NULLABLE, ArrowArray, ArrowArrayStream, ArrowSchema, COLUMN_KEY, FRAME_KEY};
use pipeline_base::table::Table;
use pipeline_base::table::schema::Holds;
use polars_arrow::array::{Array, BooleanArray, PrimitiveArray, Utf8Array};
use polars_arrow::bitmap::Bitmap;
use std::collections::HashMap;
use std::ffi::{CString, c_char, c_int, c_void};
use std::ptr;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{LazyLock, Mutex, PoisonError};

/// Rows, and the columns with their types.
type ColumnBatch = (usize, Vec<(Holds, Box<dyn Array>)>);

/// What stands behind one handed-out struct.
enum HandedOut {
    Stream { claim: StatedSchema, batch: Option<ColumnBatch> },
    Array { _buffers: Box<[*const c_void]>, children: Box<[*mut ArrowArray]>, _keep: Option<Box<dyn Array>> },
    Schema { _texts: Vec<CString>, _metadata: Option<Vec<u8>>, children: Box<[*mut ArrowSchema]> },
}

// SAFETY: the raw pointers are to memory that only the holder of the number frees, once.
unsafe impl Send for HandedOut {}

static HANDED_OUT: LazyLock<Mutex<HashMap<usize, HandedOut>>> = LazyLock::new(Mutex::default);
static NEXT: AtomicUsize = AtomicUsize::new(1);

fn keep(behind: HandedOut) -> *mut c_void {
    let number = NEXT.fetch_add(1, Ordering::Relaxed);
    HANDED_OUT.lock().unwrap_or_else(PoisonError::into_inner).insert(number, behind);
    ptr::without_provenance_mut(number)
}

fn give_up(number: *mut c_void) -> Option<HandedOut> {
    HANDED_OUT.lock().unwrap_or_else(PoisonError::into_inner).remove(&number.addr())
}

/// How many structs are out; for tests of leaks.
#[cfg(test)]
pub(crate) fn out() -> usize {
    HANDED_OUT.lock().unwrap_or_else(PoisonError::into_inner).len()
}

/// A lent column and where its values lie, to know it again when it comes back untouched. It is held until the call is
/// over: an address that was freed and given out again would be taken for it.
pub(crate) struct LentColumn {
    pub(crate) holds: Holds,
    pub(crate) buffers: Vec<*const c_void>,
    pub(crate) array: Box<dyn Array>,
}

/// A stream over a table, and what was lent in it.
///
/// # Errors
/// When a column does not hold what the schema says.
pub(crate) fn stream(table: &Table, lent: &mut Vec<LentColumn>) -> Result<ArrowArrayStream, ReadFailure> {
    stream_of(claim_of(&table.schema), table.rows(), crate::arrow::arrays(table)?, lent)
}

/// A stream over arrays that a claim describes.
///
/// # Errors
/// When a column does not hold what the claim says.
pub(crate) fn stream_of(
    claim: StatedSchema,
    rows: usize,
    arrays: Vec<Box<dyn Array>>,
    lent: &mut Vec<LentColumn>,
) -> Result<ArrowArrayStream, ReadFailure> {
    let mut columns = vec![];
    for (spec, array) in claim.columns.iter().zip(arrays) {
        let (array, buffers) = buffers_of(array, spec.holds)?;
        lent.push(LentColumn { holds: spec.holds, buffers, array: array.clone() });
        columns.push((spec.holds, array));
    }
    Ok(ArrowArrayStream {
        get_schema: Some(get_schema),
        get_next: Some(get_next),
        get_last_error: Some(get_last_error),
        release: Some(release_stream),
        private_data: keep(HandedOut::Stream { claim, batch: Some((rows, columns)) }),
    })
}

/// Bits that begin at a byte: Arrow has one offset for the whole column.
fn from_a_byte(bits: &Bitmap) -> Bitmap {
    if bits.as_slice().1 == 0 { bits.clone() } else { bits.iter().collect() }
}

fn bits_ptr(bits: Option<&Bitmap>) -> *const c_void {
    bits.map_or(ptr::null(), |b| b.as_slice().0.as_ptr().cast())
}

/// The array with its bits at bytes, and its buffers.
fn buffers_of(array: Box<dyn Array>, holds: Holds) -> Result<(Box<dyn Array>, Vec<*const c_void>), ReadFailure> {
    let lost = || "a column changed its type".to_owned();
    let known = array.validity().filter(|v| v.unset_bits() > 0).map(from_a_byte);
    let array = array.with_validity(known);
    let any = array.as_any();
    let (array, mut rest): (Box<dyn Array>, Vec<*const c_void>) = match holds {
        Holds::Bool => {
            let old = any.downcast_ref::<BooleanArray>().ok_or_else(lost)?;
            let values = from_a_byte(old.values());
            let pointer = bits_ptr(Some(&values));
            (BooleanArray::new(old.dtype().clone(), values, old.validity().cloned()).boxed(), vec![pointer])
        }
        Holds::Float => {
            let pointer = any.downcast_ref::<PrimitiveArray<f64>>().ok_or_else(lost)?.values().as_ptr().cast();
            (array, vec![pointer])
        }
        Holds::Int | Holds::Instant => {
            let pointer = any.downcast_ref::<PrimitiveArray<i64>>().ok_or_else(lost)?.values().as_ptr().cast();
            (array, vec![pointer])
        }
        Holds::Text => {
            let texts = any.downcast_ref::<Utf8Array<i64>>().ok_or_else(lost)?;
            let pointers = vec![texts.offsets().buffer().as_ptr().cast(), texts.values().as_ptr().cast()];
            (array, pointers)
        }
    };
    let mut buffers = vec![bits_ptr(array.validity())];
    buffers.append(&mut rest);
    Ok((array, buffers))
}

fn schema_of(format: &str, name: &str, nullable: bool, metadata: &[(&str, &str)], children: Vec<ArrowSchema>) -> ArrowSchema {
    let text = |s: &str| CString::new(s.replace('\0', " ")).unwrap_or_default();
    let texts = vec![text(format), text(name)];
    let bytes = (!metadata.is_empty()).then(|| {
        let size = |n: usize| i32::try_from(n).unwrap_or(0).to_ne_bytes();
        let mut out = size(metadata.len()).to_vec();
        for part in metadata.iter().flat_map(|(k, v)| [k, v]) {
            out.extend(size(part.len()));
            out.extend(part.as_bytes());
        }
        out
    });
    let children: Box<[*mut ArrowSchema]> = children.into_iter().map(|c| Box::into_raw(Box::new(c))).collect();
    let mut schema = ArrowSchema {
        format: texts[0].as_ptr(),
        name: texts[1].as_ptr(),
        metadata: bytes.as_ref().map_or(ptr::null(), |b| b.as_ptr().cast()),
        flags: if nullable { ARROW_FLAG_NULLABLE } else { 0 },
        n_children: children.len() as i64,
        children: if children.is_empty() { ptr::null_mut() } else { children.as_ptr().cast_mut() },
        dictionary: ptr::null_mut(),
        release: Some(release_schema),
        private_data: ptr::null_mut(),
    };
    schema.private_data = keep(HandedOut::Schema { _texts: texts, _metadata: bytes, children });
    schema
}

/// A claim as a schema that a plug-in takes.
fn claim_schema(claim: &StatedSchema) -> ArrowSchema {
    let children = claim
        .columns
        .iter()
        .map(|c| {
            let metadata: Vec<(&str, &str)> = c.meaning.iter().map(|m| (COLUMN_KEY, m.as_str())).collect();
            schema_of(format(c.holds), &c.name, c.nullable, &metadata, vec![])
        })
        .collect();
    let frame: Vec<(&str, &str)> = claim.frame.iter().map(|f| (FRAME_KEY, f.as_str())).collect();
    schema_of("+s", "", false, &frame, children)
}

fn array_of(
    rows: usize,
    nulls: usize,
    buffers: Vec<*const c_void>,
    children: Vec<ArrowArray>,
    keep_alive: Option<Box<dyn Array>>,
) -> ArrowArray {
    let buffers: Box<[*const c_void]> = buffers.into();
    let children: Box<[*mut ArrowArray]> = children.into_iter().map(|c| Box::into_raw(Box::new(c))).collect();
    ArrowArray {
        length: rows as i64,
        null_count: nulls as i64,
        offset: 0,
        n_buffers: buffers.len() as i64,
        n_children: children.len() as i64,
        buffers: buffers.as_ptr().cast_mut(),
        children: if children.is_empty() { ptr::null_mut() } else { children.as_ptr().cast_mut() },
        dictionary: ptr::null_mut(),
        release: Some(release_array),
        private_data: keep(HandedOut::Array { _buffers: buffers, children, _keep: keep_alive }),
    }
}

fn batch_array(rows: usize, columns: Vec<(Holds, Box<dyn Array>)>) -> Result<ArrowArray, ReadFailure> {
    let mut children = vec![];
    for (holds, array) in columns {
        let nulls = array.null_count();
        let (array, buffers) = buffers_of(array, holds)?;
        children.push(array_of(rows, nulls, buffers, vec![], Some(array)));
    }
    Ok(array_of(rows, 0, vec![ptr::null()], children, None))
}

unsafe extern "C" fn get_schema(stream: *mut ArrowArrayStream, out: *mut ArrowSchema) -> c_int {
    if stream.is_null() || out.is_null() {
        return libc::EINVAL;
    }
    // SAFETY: checked for null; the caller passes a stream that this file made.
    let number = unsafe { (*stream).private_data }.addr();
    let claim = match HANDED_OUT.lock().unwrap_or_else(PoisonError::into_inner).get(&number) {
        Some(HandedOut::Stream { claim, .. }) => claim.clone(),
        _ => return libc::EINVAL,
    };
    // SAFETY: checked for null; the caller gives room for one schema, whose old content is not dropped.
    unsafe { out.write(claim_schema(&claim)) };
    0
}

unsafe extern "C" fn get_next(stream: *mut ArrowArrayStream, out: *mut ArrowArray) -> c_int {
    if stream.is_null() || out.is_null() {
        return libc::EINVAL;
    }
    // SAFETY: checked for null; the caller passes a stream that this file made.
    let number = unsafe { (*stream).private_data }.addr();
    let batch = match HANDED_OUT.lock().unwrap_or_else(PoisonError::into_inner).get_mut(&number) {
        Some(HandedOut::Stream { batch, .. }) => batch.take(),
        _ => return libc::EINVAL,
    };
    let array = match batch {
        Some((rows, columns)) => match batch_array(rows, columns) {
            Ok(array) => array,
            Err(_) => return libc::EIO,
        },
        None => ArrowArray {
            length: 0,
            null_count: 0,
            offset: 0,
            n_buffers: 0,
            n_children: 0,
            buffers: ptr::null_mut(),
            children: ptr::null_mut(),
            dictionary: ptr::null_mut(),
            release: None,
            private_data: ptr::null_mut(),
        },
    };
    // SAFETY: checked for null; the caller gives room for one array, whose old content is not dropped.
    unsafe { out.write(array) };
    0
}

unsafe extern "C" fn get_last_error(_: *mut ArrowArrayStream) -> *const c_char {
    c"the stream is released or its table cannot be lent".as_ptr()
}

unsafe extern "C" fn release_stream(stream: *mut ArrowArrayStream) {
    if !stream.is_null() {
        // SAFETY: checked for null; the caller passes a stream that this file made.
        let stream = unsafe { &mut *stream };
        drop(give_up(stream.private_data));
        stream.release = None;
    }
}

unsafe extern "C" fn release_array(array: *mut ArrowArray) {
    if array.is_null() {
        return;
    }
    // SAFETY: checked for null; the caller passes an array that this file made.
    let array = unsafe { &mut *array };
    array.release = None;
    if let Some(HandedOut::Array { children, .. }) = give_up(array.private_data) {
        for child in children {
            // SAFETY: each child was boxed in `array_of` and is freed here, once: the number is out of the list.
            let mut child = unsafe { Box::from_raw(child) };
            if let Some(release) = child.release {
                // SAFETY: a child that was not moved out is released by its own function.
                unsafe { release(&raw mut *child) };
            }
        }
    }
}

unsafe extern "C" fn release_schema(schema: *mut ArrowSchema) {
    if schema.is_null() {
        return;
    }
    // SAFETY: checked for null; the caller passes a schema that this file made.
    let schema = unsafe { &mut *schema };
    schema.release = None;
    if let Some(HandedOut::Schema { children, .. }) = give_up(schema.private_data) {
        for child in children {
            // SAFETY: each child was boxed in `schema_of` and is freed here, once.
            let mut child = unsafe { Box::from_raw(child) };
            if let Some(release) = child.release {
                // SAFETY: a child that was not moved out is released by its own function.
                unsafe { release(&raw mut *child) };
            }
        }
    }
}
