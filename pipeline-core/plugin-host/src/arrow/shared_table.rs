//! A table as buffers in one piece of memory that two processes of this program share.
//!
//! The buffers lie there as Arrow has them, so the reader takes them in place; where each lies travels beside them as
//! JSON. What the other process says is not believed: a buffer outside the memory, a length that does not fit, text
//! offsets that go back, are answers in words.

#![allow(unsafe_code)]

mod write;

use super::{ReadFailure, StatedColumn, StatedSchema, arrow_type, offsets_end, text_array};
use pipeline_base::table::schema::Holds;
use polars_arrow::array::{Array, BooleanArray, PrimitiveArray, Utf8Array};
use polars_arrow::bitmap::Bitmap;
use polars_arrow::datatypes::ArrowDataType;
use polars_arrow::offset::OffsetsBuffer;
use polars_arrow::types::NativeType;
use polars_buffer::Buffer;
use serde::{Deserialize, Serialize};
pub(crate) use write::Writer;

/// First byte and number of bytes of a buffer.
type ByteRange = (u64, u64);

/// Where the buffers of one column lie.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct ColumnBuffers {
    /// A bit for each row that is not null.
    known: Option<ByteRange>,
    /// Numbers or bits; of text the offsets.
    values: ByteRange,
    /// The bytes of text.
    texts: Option<ByteRange>,
}

/// A column of an answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum AnswerColumn {
    /// One that went in and comes back untouched, by its number among all columns that went in.
    Lent(usize),
    /// One that lies in the memory of the answer.
    Here(ColumnBuffers),
}

/// A table of which the columns lie in shared memory.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct SharedTable<P> {
    pub(crate) claim: StatedSchema,
    pub(crate) rows: usize,
    pub(crate) columns: Vec<P>,
}

fn part(memory: &Buffer<u8>, (from, length): ByteRange, name: &str) -> Result<Buffer<u8>, ReadFailure> {
    let outside = || format!("the values of {name} lie outside the memory of their table");
    let from = usize::try_from(from).map_err(|_| outside())?;
    let end = usize::try_from(length).ok().and_then(|n| from.checked_add(n)).filter(|e| *e <= memory.len()).ok_or_else(outside)?;
    Ok(memory.clone().sliced(from..end))
}

fn numbers<T: NativeType>(memory: &Buffer<u8>, span: ByteRange, rows: usize, name: &str) -> Result<Buffer<T>, ReadFailure> {
    let own = part(memory, span, name)?;
    if rows == 0 {
        return Ok(Buffer::new());
    }
    if rows.checked_mul(size_of::<T>()) != Some(own.len()) || !own.as_ptr().cast::<T>().is_aligned() {
        return Err(format!("the values of {name} take {} bytes from byte {}, for {rows} rows", own.len(), span.0));
    }
    own.try_transmute::<T>().map_err(|_| format!("the values of {name} cannot be read in their place"))
}

fn bits(memory: &Buffer<u8>, span: ByteRange, rows: usize, name: &str) -> Result<Bitmap, ReadFailure> {
    let own = part(memory, span, name)?;
    let few = || format!("the bits of {name} take {} bytes, for {rows} rows", own.len());
    // One bit a row: copied, so that nothing of it depends on how long the memory is.
    own.get(..rows.div_ceil(8)).map(|bytes| Bitmap::from_u8_slice(bytes, rows)).ok_or_else(few)
}

/// How the text of a column is made of offsets, bytes and bits.
type TextColumnMaker = fn(Buffer<i64>, Buffer<u8>, Option<Bitmap>, &str) -> Result<Box<dyn Array>, ReadFailure>;

/// One column in its place, from a process that is not believed.
///
/// # Errors
/// What is wrong with it, in words.
pub(crate) fn array(memory: &Buffer<u8>, place: &ColumnBuffers, spec: &StatedColumn, rows: usize) -> Result<Box<dyn Array>, ReadFailure> {
    in_place(memory, place, spec, rows, |offsets, texts, known, name| {
        let end = offsets_end(&offsets, i64::try_from(texts.len()).unwrap_or(i64::MAX), name)?;
        text_array(offsets, texts.sliced(..end), known, name)
    })
}

/// One column in its place, whose text is not looked at.
///
/// # Safety
/// The memory was written by a [`Writer`] of this program.
///
/// # Errors
/// When it has another length than it should.
pub(crate) unsafe fn believed(
    memory: &Buffer<u8>,
    place: &ColumnBuffers,
    spec: &StatedColumn,
    rows: usize,
) -> Result<Box<dyn Array>, ReadFailure> {
    in_place(memory, place, spec, rows, |offsets, texts, known, _| {
        // SAFETY: the writer took offsets and text from an array that had been checked; the caller's promise.
        Ok(unsafe { Utf8Array::new_unchecked(ArrowDataType::LargeUtf8, OffsetsBuffer::new_unchecked(offsets), texts, known) }.boxed())
    })
}

fn in_place(
    memory: &Buffer<u8>,
    place: &ColumnBuffers,
    spec: &StatedColumn,
    rows: usize,
    text: TextColumnMaker,
) -> Result<Box<dyn Array>, ReadFailure> {
    let name = format!("column `{}`", spec.name);
    let known = place.known.map(|span| bits(memory, span, rows, &name)).transpose()?;
    let wrong = |e: polars::prelude::PolarsError| format!("{name}: {e}");
    let dtype = arrow_type(spec.holds);
    Ok(match spec.holds {
        Holds::Bool => BooleanArray::try_new(dtype, bits(memory, place.values, rows, &name)?, known).map_err(wrong)?.boxed(),
        Holds::Float => PrimitiveArray::try_new(dtype, numbers::<f64>(memory, place.values, rows, &name)?, known).map_err(wrong)?.boxed(),
        Holds::Int | Holds::Instant => {
            PrimitiveArray::try_new(dtype, numbers::<i64>(memory, place.values, rows, &name)?, known).map_err(wrong)?.boxed()
        }
        Holds::Text if rows == 0 => Utf8Array::<i64>::new_empty(dtype).boxed(),
        Holds::Text => {
            let offsets = numbers::<i64>(memory, place.values, rows.saturating_add(1), &name)?;
            let texts = part(memory, place.texts.unwrap_or((0, 0)), &name)?;
            text(offsets, texts, known, &name)?
        }
    })
}

#[cfg(test)]
mod tests {
    use super::write::tests::written;
    use super::*;

    pub(super) fn spec(holds: Holds) -> StatedColumn {
        StatedColumn { name: "c".into(), holds, nullable: true, meaning: None }
    }

    #[test]
    fn pieces_stand_one_below_the_other() {
        let texts = |all: &[Option<&str>]| Utf8Array::<i64>::from(all).boxed();
        let cut = texts(&[Some("gone"), Some("b"), None, Some("漢")]).sliced(1, 3);
        let (memory, place) = written(|w| w.column(Holds::Text, &[texts(&[Some("a"), None]), cut.clone(), texts(&[])]).unwrap());
        let back = array(&memory, &place, &spec(Holds::Text), 5).unwrap();
        // SAFETY: written by a writer.
        assert_eq!(unsafe { believed(&memory, &place, &spec(Holds::Text), 5) }.unwrap(), back);
        assert_eq!(back, texts(&[Some("a"), None, Some("b"), None, Some("漢")]));
        let flags = |all: &[Option<bool>]| BooleanArray::from(all.to_vec()).boxed();
        let cut = flags(&[Some(true), None, Some(true), Some(false)]).sliced(1, 3);
        let (memory, place) = written(|w| w.column(Holds::Bool, &[flags(&[Some(false)]), cut.clone()]).unwrap());
        let back = array(&memory, &place, &spec(Holds::Bool), 4).unwrap();
        assert_eq!(back, flags(&[Some(false), None, Some(true), Some(false)]));
    }

    #[test]
    fn places_that_lie_are_refused() {
        let texts = Utf8Array::<i64>::from(vec![Some("one"), None, Some("three")]).boxed();
        let (memory, good) = written(|w| w.column(Holds::Text, std::slice::from_ref(&texts)).unwrap());
        let text = |place: &ColumnBuffers, rows| array(&memory, place, &spec(Holds::Text), rows).map_err(|e| e.clone());
        assert_eq!(text(&good, 3).unwrap(), texts);
        for (place, rows) in [
            (ColumnBuffers { values: (u64::MAX, 32), ..good.clone() }, 3),
            (ColumnBuffers { values: (good.values.0, u64::MAX), ..good.clone() }, 3),
            (ColumnBuffers { values: (good.values.0 + 4, 32), ..good.clone() }, 3),
            (ColumnBuffers { known: Some((0, 0)), ..good.clone() }, 3),
            (ColumnBuffers { texts: Some((0, 1)), ..good.clone() }, 3),
            (ColumnBuffers { texts: None, ..good.clone() }, 3),
            (good.clone(), 4),
            (good.clone(), usize::MAX),
        ] {
            assert!(text(&place, rows).is_err(), "{place:?} for {rows} rows");
        }
        let floats = ColumnBuffers { known: None, values: (0, 24), texts: None };
        assert!(array(&memory, &floats, &spec(Holds::Float), 3).is_ok());
        assert!(array(&memory, &floats, &spec(Holds::Float), 4).is_err());
        assert!(array(&memory, &floats, &spec(Holds::Bool), 193).is_err());
    }
}
