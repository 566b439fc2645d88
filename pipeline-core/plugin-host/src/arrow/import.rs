//! A table out of an Arrow C stream that a plug-in made.
//!
//! The C interface says where buffers begin and not where they end, so a length that is too large cannot be seen
//! here; everything else is looked at before it is touched: null pointers, counts, offsets, alignment, bits, UTF-8.

#![allow(unsafe_code)]

use super::export::LentColumn;
use super::{FORMATS, ReadFailure, ReturnedTable, StatedColumn, StatedSchema, arrow_type, column, offsets_end, text_array};
use gunter_plugin_abi::{ARROW_FLAG_NULLABLE, ArrowArray, ArrowArrayStream, ArrowSchema, COLUMN_KEY, FRAME_KEY};
use pipeline_base::table::schema::Holds;
use polars::prelude::Column;
use polars_arrow::array::{Array, BooleanArray, PrimitiveArray, Utf8Array};
use polars_arrow::bitmap::Bitmap;
use polars_arrow::datatypes::ArrowDataType;
use polars_arrow::types::NativeType;
use polars_buffer::{Buffer, SharedStorage};
use std::ffi::{CStr, c_char, c_void};
use std::sync::Arc;

/// More pieces than this without an end is no table.
const MOST_PIECES: usize = 1 << 16;
/// More columns than this is no table.
const MOST_COLUMNS: i64 = 4096;
/// More rows than this cannot be addressed.
const MOST_ROWS: i64 = 1 << 40;

/// A stream that is released when it goes.
#[repr(transparent)]
pub(crate) struct OwnedStream(pub(crate) ArrowArrayStream);

impl OwnedStream {
    /// Room for a stream.
    pub(crate) const fn empty() -> Self {
        Self(ArrowArrayStream { get_schema: None, get_next: None, get_last_error: None, release: None, private_data: std::ptr::null_mut() })
    }
}

impl Drop for OwnedStream {
    fn drop(&mut self) {
        if let Some(release) = self.0.release {
            // SAFETY: the maker's own release, called once: the struct is dropped here.
            unsafe { release(&raw mut self.0) };
        }
    }
}

struct OwnedArray(ArrowArray);

// SAFETY: the contract lets arrays be released on any thread (ownership rule 5 of the header).
unsafe impl Send for OwnedArray {}
// SAFETY: only read through shared references until it is dropped.
unsafe impl Sync for OwnedArray {}

impl Drop for OwnedArray {
    fn drop(&mut self) {
        if let Some(release) = self.0.release {
            // SAFETY: the maker's own release, called once: the struct is dropped here.
            unsafe { release(&raw mut self.0) };
        }
    }
}

struct OwnedSchema(ArrowSchema);

impl Drop for OwnedSchema {
    fn drop(&mut self) {
        if let Some(release) = self.0.release {
            // SAFETY: the maker's own release, called once: the struct is dropped here.
            unsafe { release(&raw mut self.0) };
        }
    }
}

/// A C text; bytes that are no UTF-8 are replaced.
pub(crate) fn text(pointer: *const c_char) -> Option<String> {
    // SAFETY: not null; the contract asks for a text that ends with a zero byte.
    (!pointer.is_null()).then(|| unsafe { CStr::from_ptr(pointer) }.to_string_lossy().into_owned())
}

/// A column that came back.
pub(crate) enum ReturnedColumn {
    /// One that went in, untouched: its number in the list of what was lent.
    Lent(usize),
    /// Another, in the pieces that it came in.
    Fresh(Vec<Box<dyn Array>>),
}

/// What came back, as it came: readable, its numbers not yet looked at.
pub(crate) struct ReturnedBatch {
    pub(crate) claim: StatedSchema,
    pub(crate) rows: usize,
    pub(crate) columns: Vec<ReturnedColumn>,
}

impl ReturnedBatch {
    /// As columns. `inputs` are those of the tables that went in: what was lent and came back untouched is the very column.
    ///
    /// # Errors
    /// When a number is not finite.
    pub(crate) fn answer(self, inputs: &[&Column]) -> Result<ReturnedTable, ReadFailure> {
        let mut columns = vec![];
        for (spec, kept) in self.claim.columns.iter().zip(self.columns) {
            columns.push(match kept {
                ReturnedColumn::Lent(i) => {
                    let same = inputs.get(i).ok_or_else(|| format!("column `{}` came from no table that went in", spec.name))?;
                    (*same).clone().with_name(spec.name.as_str().into())
                }
                ReturnedColumn::Fresh(pieces) => column(&spec.name, spec.holds, &pieces, 0)?,
            });
        }
        Ok(ReturnedTable { claim: self.claim, columns, rows: self.rows })
    }
}

/// Reads a stream to its end. `lent` are the columns that went in: one that comes back untouched is known again by
/// its buffers and costs nothing. `limit` is the most rows that can be right.
///
/// # Errors
/// What is wrong with it, in words.
pub(crate) fn stream(stream: &mut OwnedStream, lent: &[LentColumn], limit: Option<usize>) -> Result<ReturnedBatch, ReadFailure> {
    let stream = &mut stream.0;
    let (Some(get_schema), Some(get_next), Some(_)) = (stream.get_schema, stream.get_next, stream.release) else {
        return Err("it answered that all is well and gave no table".into());
    };
    // SAFETY: zeroes are a valid empty schema.
    let mut schema = OwnedSchema(unsafe { std::mem::zeroed() });
    // SAFETY: the function of the stream, with the stream and room for one schema.
    let failed = unsafe { get_schema(stream, &raw mut schema.0) };
    if failed != 0 {
        return Err(format!("its table has no schema: {}", last_error(stream)));
    }
    let claim = claim(&schema.0)?;
    let mut pieces: Vec<Vec<Box<dyn Array>>> = claim.columns.iter().map(|_| vec![]).collect();
    let mut whole: Vec<Option<usize>> = vec![None; claim.columns.len()];
    let mut rows = 0_usize;
    for piece in 0.. {
        if piece == MOST_PIECES {
            return Err("its table has no end".into());
        }
        // SAFETY: zeroes are a valid released array.
        let mut array = OwnedArray(unsafe { std::mem::zeroed() });
        // SAFETY: the function of the stream, with the stream and room for one array.
        let failed = unsafe { get_next(stream, &raw mut array.0) };
        if failed != 0 {
            return Err(last_error(stream));
        }
        if array.0.release.is_none() {
            break;
        }
        let array = Arc::new(array);
        let (length, offset) = extent(&array.0, "the table")?;
        let children = children(&array.0, claim.columns.len())?;
        if array.0.null_count != 0 && array.0.n_buffers > 0 && !buffer(&array.0, 0, "the table")?.is_null() {
            return Err("rows of the table as a whole are null".into());
        }
        for (i, (child, spec)) in children.iter().zip(&claim.columns).enumerate() {
            // SAFETY: `children` has checked that the pointer is not null; the parent keeps it alive.
            let child = unsafe { &**child };
            if let Some(same) = untouched(child, spec.holds, length, offset, lent)
                && rows == 0
                && pieces[i].is_empty()
                && whole[i].is_none()
            {
                whole[i] = Some(same);
                continue;
            }
            if let Some(first) = whole[i].take() {
                pieces[i].push(lent[first].array.clone());
            }
            pieces[i].push(child_array(&array, child, spec, length, offset)?);
        }
        rows = rows.checked_add(length).ok_or("its table has too many rows")?;
        if limit.is_some_and(|l| rows > l) {
            return Err(format!("more rows came back than went in ({})", limit.unwrap_or(0)));
        }
    }
    let columns =
        whole.into_iter().zip(pieces).map(|(whole, pieces)| whole.map_or(ReturnedColumn::Fresh(pieces), ReturnedColumn::Lent)).collect();
    Ok(ReturnedBatch { claim, rows, columns })
}

fn last_error(stream: &mut ArrowArrayStream) -> String {
    // SAFETY: the function of the stream, with the stream; its text lives until the next call.
    let said = stream.get_last_error.and_then(|f| text(unsafe { f(stream) }));
    said.filter(|t| !t.trim().is_empty()).unwrap_or_else(|| "its table could not be read, and it does not say why".into())
}

fn claim(schema: &ArrowSchema) -> Result<StatedSchema, ReadFailure> {
    if text(schema.format).as_deref() != Some("+s") {
        return Err(format!("its table has the format `{}` and not `+s`, a struct of columns", text(schema.format).unwrap_or_default()));
    }
    if !(0..=MOST_COLUMNS).contains(&schema.n_children) || (schema.n_children > 0 && schema.children.is_null()) {
        return Err(format!("its table has {} columns", schema.n_children));
    }
    let mut claim = StatedSchema { columns: vec![], frame: value_of(schema.metadata, FRAME_KEY)? };
    for i in 0..schema.n_children as usize {
        // SAFETY: `children` holds `n_children` pointers.
        let child = unsafe { *schema.children.add(i) };
        if child.is_null() {
            return Err(format!("its column {i} is a null pointer"));
        }
        // SAFETY: not null; the parent keeps it alive.
        let child = unsafe { &*child };
        let name = text(child.name).unwrap_or_default();
        let format = text(child.format).unwrap_or_default();
        let holds = FORMATS.iter().find(|(_, f)| *f == format).map(|(h, _)| *h);
        let holds = holds.filter(|_| child.dictionary.is_null()).ok_or_else(|| {
            let what = match format.as_str() {
                _ if !child.dictionary.is_null() => "a dictionary".to_owned(),
                "u" => "text with 32-bit offsets (`u`)".to_owned(),
                "vu" => "text views (`vu`)".to_owned(),
                f => format!("the format `{f}`"),
            };
            format!("column `{name}` is {what}; only `b`, `l`, `g`, `U` and `tsn:UTC` may cross")
        })?;
        let nullable = child.flags & ARROW_FLAG_NULLABLE != 0;
        claim.columns.push(StatedColumn { name, holds, nullable, meaning: value_of(child.metadata, COLUMN_KEY)? });
    }
    Ok(claim)
}

/// One value of Arrow's binary metadata: counted pairs of counted texts.
fn value_of(metadata: *const c_char, key: &str) -> Result<Option<String>, ReadFailure> {
    const MOST: i32 = 1 << 20;
    if metadata.is_null() {
        return Ok(None);
    }
    let mut at = 0_usize;
    let number = |at: &mut usize| {
        // SAFETY: the format has four bytes here; they need not be aligned.
        let n = unsafe { metadata.add(*at).cast::<i32>().read_unaligned() };
        *at += 4;
        if (0..=MOST).contains(&n) { Ok(n as usize) } else { Err(format!("metadata with a length of {n}")) }
    };
    let pairs = number(&mut at)?;
    for _ in 0..pairs {
        let mut part = || -> Result<Vec<u8>, ReadFailure> {
            let n = number(&mut at)?;
            // SAFETY: the format has `n` bytes here.
            let bytes = unsafe { std::slice::from_raw_parts(metadata.add(at).cast::<u8>(), n) }.to_vec();
            at += n;
            Ok(bytes)
        };
        let (k, v) = (part()?, part()?);
        if k == key.as_bytes() {
            return String::from_utf8(v).map(Some).map_err(|_| format!("the metadata `{key}` is no UTF-8"));
        }
    }
    Ok(None)
}

fn extent(array: &ArrowArray, name: &str) -> Result<(usize, usize), ReadFailure> {
    if !(0..=MOST_ROWS).contains(&array.length) || !(0..=MOST_ROWS).contains(&array.offset) {
        return Err(format!("{name} says that it has {} rows from {}", array.length, array.offset));
    }
    Ok((array.length as usize, array.offset as usize))
}

fn children(array: &ArrowArray, columns: usize) -> Result<&[*mut ArrowArray], ReadFailure> {
    if array.n_children != columns as i64 || (columns > 0 && array.children.is_null()) {
        return Err(format!("its schema has {columns} columns and its table {}", array.n_children));
    }
    if columns == 0 {
        return Ok(&[]);
    }
    // SAFETY: not null; holds `n_children` pointers.
    let children = unsafe { std::slice::from_raw_parts(array.children, columns) };
    match children.iter().position(|c| c.is_null()) {
        Some(i) => Err(format!("the values of column {i} are a null pointer")),
        None => Ok(children),
    }
}

fn buffer(array: &ArrowArray, i: usize, name: &str) -> Result<*const c_void, ReadFailure> {
    if array.buffers.is_null() || array.n_buffers <= i as i64 {
        return Err(format!("{name} has {} buffers", array.n_buffers));
    }
    // SAFETY: not null; holds `n_buffers` pointers.
    Ok(unsafe { *array.buffers.add(i) })
}

fn buffers_needed(holds: Holds) -> usize {
    if holds == Holds::Text { 3 } else { 2 }
}

/// The number of the column that went in with these very buffers.
fn untouched(child: &ArrowArray, holds: Holds, length: usize, offset: usize, lent: &[LentColumn]) -> Option<usize> {
    if child.release.is_none()
        || child.offset != 0
        || offset != 0
        || child.length != length as i64
        || child.n_buffers != buffers_needed(holds) as i64
    {
        return None;
    }
    let mine: Vec<*const c_void> = (0..buffers_needed(holds)).map(|i| buffer(child, i, "")).collect::<Result<_, _>>().ok()?;
    lent.iter().position(|l| l.holds == holds && l.array.len() == length && length > 0 && l.buffers == mine)
}

fn child_array(
    owner: &Arc<OwnedArray>,
    child: &ArrowArray,
    spec: &StatedColumn,
    length: usize,
    parent_offset: usize,
) -> Result<Box<dyn Array>, ReadFailure> {
    let name = format!("column `{}`", spec.name);
    if child.release.is_none() {
        return Err(format!("the values of {name} were released already"));
    }
    let (own_length, own_offset) = extent(child, &name)?;
    if own_length < parent_offset + length {
        return Err(format!("{name} has {own_length} rows and the table {}", parent_offset + length));
    }
    if child.n_buffers != buffers_needed(spec.holds) as i64 {
        return Err(format!("{name} has {} buffers and needs {}", child.n_buffers, buffers_needed(spec.holds)));
    }
    let offset = own_offset + parent_offset;
    let known = buffer(child, 0, &name)?;
    if known.is_null() && child.null_count > 0 {
        return Err(format!("{name} counts {} nulls and does not say which", child.null_count));
    }
    let known = (!known.is_null() && length > 0).then(|| bits(owner, known, offset, length));
    let data = buffer(child, 1, &name)?;
    if data.is_null() && length > 0 {
        return Err(format!("{name} has no values: a null pointer"));
    }
    let wrong = |e: polars::prelude::PolarsError| format!("{name}: {e}");
    Ok(match spec.holds {
        Holds::Bool => {
            let values = if length == 0 { Bitmap::new() } else { bits(owner, data, offset, length) };
            BooleanArray::try_new(ArrowDataType::Boolean, values, known).map_err(wrong)?.boxed()
        }
        Holds::Float => {
            PrimitiveArray::try_new(ArrowDataType::Float64, numbers::<f64>(owner, data, offset, length), known).map_err(wrong)?.boxed()
        }
        Holds::Int | Holds::Instant => {
            PrimitiveArray::try_new(arrow_type(spec.holds), numbers::<i64>(owner, data, offset, length), known).map_err(wrong)?.boxed()
        }
        Holds::Text => texts(owner, data, buffer(child, 2, &name)?, offset, length, known, &name)?,
    })
}

fn bits(owner: &Arc<OwnedArray>, data: *const c_void, offset: usize, length: usize) -> Bitmap {
    // SAFETY: the contract gives a bit for each row up to `offset + length`; the owner keeps them alive.
    let bytes = unsafe { std::slice::from_raw_parts(data.cast::<u8>(), (offset + length).div_ceil(8)) };
    // SAFETY: the slice lives as long as the owner, which goes with it.
    let storage = unsafe { SharedStorage::from_slice_with_owner(bytes, owner.clone()) };
    // SAFETY: `bytes` holds `offset + length` bits.
    unsafe { Bitmap::from_inner_unchecked(storage, offset, length, None) }
}

fn numbers<T: NativeType>(owner: &Arc<OwnedArray>, data: *const c_void, offset: usize, length: usize) -> Buffer<T> {
    if length == 0 {
        return Buffer::new();
    }
    let first = data.cast::<T>().wrapping_add(offset);
    if first.is_aligned() {
        // SAFETY: the contract gives `offset + length` numbers; the owner keeps them alive.
        let values = unsafe { std::slice::from_raw_parts(first, length) };
        // SAFETY: the slice lives as long as the owner, which goes with it.
        return Buffer::from_storage(unsafe { SharedStorage::from_slice_with_owner(values, owner.clone()) });
    }
    // The C interface recommends alignment and does not demand it: such a column is copied.
    // SAFETY: as above, read byte by byte.
    Buffer::from((0..length).map(|i| unsafe { first.add(i).read_unaligned() }).collect::<Vec<T>>())
}

fn texts(
    owner: &Arc<OwnedArray>,
    offsets: *const c_void,
    bytes: *const c_void,
    offset: usize,
    length: usize,
    known: Option<Bitmap>,
    name: &str,
) -> Result<Box<dyn Array>, ReadFailure> {
    if length == 0 {
        return Ok(Utf8Array::<i64>::new_empty(ArrowDataType::LargeUtf8).boxed());
    }
    let offsets = numbers::<i64>(owner, offsets, offset, length + 1);
    let end = offsets_end(&offsets, MOST_ROWS, name)?;
    if bytes.is_null() && end > 0 {
        return Err(format!("{name} has no texts: a null pointer"));
    }
    let bytes = numbers::<u8>(owner, bytes, 0, end);
    text_array(offsets, bytes, known, name)
}
