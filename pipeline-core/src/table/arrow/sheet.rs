//! A table as buffers in one piece of memory that two processes of this program share.
//!
//! The buffers lie there as Arrow has them, so the reader takes them in place; where each lies travels beside them as
//! JSON. What the other process says is not believed: a buffer outside the memory, a length that does not fit, text
//! offsets that go back, are answers in words.

#![allow(unsafe_code)]

use super::{Claim, ClaimedColumn, Unreadable, arrow_type, offsets_end, text_array};
use crate::table::schema::Holds;
use polars_arrow::array::{Array, BooleanArray, PrimitiveArray, Utf8Array};
use polars_arrow::bitmap::{Bitmap, BitmapBuilder};
use polars_arrow::datatypes::ArrowDataType;
use polars_arrow::offset::OffsetsBuffer;
use polars_arrow::types::NativeType;
use polars_buffer::Buffer;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Each buffer begins at a multiple of this many bytes.
const LINE: u64 = 64;

/// First byte and number of bytes of a buffer.
type Span = (u64, u64);

/// Where the buffers of one column lie.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Place {
    /// A bit for each row that is not null.
    known: Option<Span>,
    /// Numbers or bits; of text the offsets.
    values: Span,
    /// The bytes of text.
    texts: Option<Span>,
}

/// A column of an answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Given {
    /// One that went in and comes back untouched, by its number among all columns that went in.
    Lent(usize),
    /// One that lies in the memory of the answer.
    Here(Place),
}

/// A table of which the columns lie in shared memory.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Sheet<P> {
    pub(crate) claim: Claim,
    pub(crate) rows: usize,
    pub(crate) columns: Vec<P>,
}

/// Says where buffers go, one after the other, and then writes them all.
#[derive(Default)]
pub(crate) struct Writer {
    parts: Vec<(u64, Buffer<u8>)>,
    at: u64,
}

impl Writer {
    fn put(&mut self, parts: impl IntoIterator<Item = Buffer<u8>>) -> Span {
        let from = self.at;
        for part in parts {
            let length = part.len() as u64;
            self.parts.push((self.at, part));
            self.at += length;
        }
        let length = self.at - from;
        self.at = self.at.next_multiple_of(LINE);
        (from, length)
    }

    fn bits(&mut self, bits: &Bitmap) -> Span {
        // Fresh from a builder: the first bit is the first of its byte.
        self.put([Buffer::from(bits.as_slice().0.to_vec())])
    }

    fn numbers<T: NativeType>(&mut self, pieces: &[Box<dyn Array>]) -> Result<Span, Unreadable> {
        let all: Vec<_> = typed::<PrimitiveArray<T>>(pieces)?.iter().map(|p| bytes(p.values())).collect::<Result<_, _>>()?;
        Ok(self.put(all))
    }

    /// A column, whose pieces stand one below the other.
    ///
    /// # Errors
    /// When a piece is not of the type.
    pub(crate) fn column(&mut self, holds: Holds, pieces: &[Box<dyn Array>]) -> Result<Place, Unreadable> {
        let rows = pieces.iter().map(|p| p.len()).sum();
        let mut known = None;
        if pieces.iter().any(|p| p.null_count() > 0) {
            let mut bits = BitmapBuilder::with_capacity(rows);
            for piece in pieces {
                match piece.validity() {
                    Some(own) => bits.extend_from_bitmap(own),
                    None => bits.extend_constant(piece.len(), true),
                }
            }
            known = Some(self.bits(&bits.freeze()));
        }
        let mut texts = None;
        let values = match holds {
            Holds::Float => self.numbers::<f64>(pieces)?,
            Holds::Int | Holds::Instant => self.numbers::<i64>(pieces)?,
            Holds::Bool => {
                let mut bits = BitmapBuilder::with_capacity(rows);
                typed::<BooleanArray>(pieces)?.iter().for_each(|p| bits.extend_from_bitmap(p.values()));
                self.bits(&bits.freeze())
            }
            Holds::Text => {
                let all = typed::<Utf8Array<i64>>(pieces)?;
                let own = |p: &&Utf8Array<i64>| p.values().clone().sliced(*p.offsets().first() as usize..*p.offsets().last() as usize);
                texts = Some(self.put(all.iter().map(own)));
                match all.as_slice() {
                    [one] if *one.offsets().first() == 0 => {
                        let offsets = bytes(one.offsets().buffer())?;
                        self.put([offsets])
                    }
                    _ => {
                        let (mut offsets, mut end) = (vec![0_i64], 0);
                        for piece in &all {
                            let first = *piece.offsets().first();
                            offsets.extend(piece.offsets().buffer()[1..].iter().map(|o| end + o - first));
                            end = offsets.last().copied().unwrap_or(end);
                        }
                        let offsets = bytes(&Buffer::from(offsets))?;
                        self.put([offsets])
                    }
                }
            }
        };
        Ok(Place { known, values, texts })
    }

    /// Writes everything to its place; much of it with several threads, since most of the time goes into fresh memory.
    ///
    /// # Errors
    /// When there is no room.
    pub(crate) fn finish(self, file: &File) -> io::Result<()> {
        file.set_len(self.at)?;
        let mut chunks: Vec<(u64, &[u8])> = vec![];
        for (at, part) in &self.parts {
            chunks.extend((*at..).step_by(CHUNK).zip(part.chunks(CHUNK)));
        }
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let (next, threads) = (AtomicUsize::new(0), if self.at < WORTH_THREADS { 1 } else { cores.min(4) });
        let work = || -> io::Result<()> {
            while let Some((at, bytes)) = chunks.get(next.fetch_add(1, Ordering::Relaxed)) {
                file.write_all_at(bytes, *at)?;
            }
            Ok(())
        };
        std::thread::scope(|scope| {
            let others: Vec<_> = (1..threads).map(|_| scope.spawn(work)).collect();
            let own = work();
            let all = others.into_iter().map(|t| t.join().unwrap_or_else(|_| Err(io::Error::other("a thread that writes broke down"))));
            all.fold(own, Result::and)
        })
    }
}

/// Bytes that are written at once.
const CHUNK: usize = 8 << 20;
/// Bytes from which several threads write: below it is over before a thread has begun.
const WORTH_THREADS: u64 = 64 << 20;

fn bytes<T: NativeType>(values: &Buffer<T>) -> Result<Buffer<u8>, Unreadable> {
    values.clone().try_transmute::<u8>().map_err(|_| "numbers that are no bytes".to_owned())
}

fn typed<A: 'static>(pieces: &[Box<dyn Array>]) -> Result<Vec<&A>, Unreadable> {
    let lost = || "a column changed its type".to_owned();
    pieces.iter().map(|p| p.as_any().downcast_ref::<A>().ok_or_else(lost)).collect()
}

fn part(memory: &Buffer<u8>, (from, length): Span, name: &str) -> Result<Buffer<u8>, Unreadable> {
    let outside = || format!("the values of {name} lie outside the memory of their table");
    let from = usize::try_from(from).map_err(|_| outside())?;
    let end = usize::try_from(length).ok().and_then(|n| from.checked_add(n)).filter(|e| *e <= memory.len()).ok_or_else(outside)?;
    Ok(memory.clone().sliced(from..end))
}

fn numbers<T: NativeType>(memory: &Buffer<u8>, span: Span, rows: usize, name: &str) -> Result<Buffer<T>, Unreadable> {
    let own = part(memory, span, name)?;
    if rows == 0 {
        return Ok(Buffer::new());
    }
    if rows.checked_mul(size_of::<T>()) != Some(own.len()) || !own.as_ptr().cast::<T>().is_aligned() {
        return Err(format!("the values of {name} take {} bytes from byte {}, for {rows} rows", own.len(), span.0));
    }
    own.try_transmute::<T>().map_err(|_| format!("the values of {name} cannot be read in their place"))
}

fn bits(memory: &Buffer<u8>, span: Span, rows: usize, name: &str) -> Result<Bitmap, Unreadable> {
    let own = part(memory, span, name)?;
    let few = || format!("the bits of {name} take {} bytes, for {rows} rows", own.len());
    // One bit a row: copied, so that nothing of it depends on how long the memory is.
    own.get(..rows.div_ceil(8)).map(|bytes| Bitmap::from_u8_slice(bytes, rows)).ok_or_else(few)
}

/// How the text of a column is made of offsets, bytes and bits.
type Texts = fn(Buffer<i64>, Buffer<u8>, Option<Bitmap>, &str) -> Result<Box<dyn Array>, Unreadable>;

/// One column in its place, from a process that is not believed.
///
/// # Errors
/// What is wrong with it, in words.
pub(crate) fn array(memory: &Buffer<u8>, place: &Place, spec: &ClaimedColumn, rows: usize) -> Result<Box<dyn Array>, Unreadable> {
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
pub(crate) unsafe fn believed(memory: &Buffer<u8>, place: &Place, spec: &ClaimedColumn, rows: usize) -> Result<Box<dyn Array>, Unreadable> {
    in_place(memory, place, spec, rows, |offsets, texts, known, _| {
        // SAFETY: the writer took offsets and text from an array that had been checked; the caller's promise.
        Ok(unsafe { Utf8Array::new_unchecked(ArrowDataType::LargeUtf8, OffsetsBuffer::new_unchecked(offsets), texts, known) }.boxed())
    })
}

fn in_place(memory: &Buffer<u8>, place: &Place, spec: &ClaimedColumn, rows: usize, text: Texts) -> Result<Box<dyn Array>, Unreadable> {
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
    use super::*;

    fn written(holds: Holds, pieces: &[Box<dyn Array>]) -> (Buffer<u8>, Place) {
        let mut writer = Writer::default();
        let place = writer.column(holds, pieces).unwrap();
        let file = tempfile::NamedTempFile::new().unwrap();
        writer.finish(file.as_file()).unwrap();
        let bytes = std::fs::read(file.path()).unwrap();
        // Memory of a map begins at a page; here it is made of whole numbers.
        let mut whole = vec![0_u64; bytes.len() / 8];
        bytemuck::cast_slice_mut(&mut whole).copy_from_slice(&bytes);
        (Buffer::from(whole).try_transmute::<u8>().unwrap_or_else(|_| unreachable!()), place)
    }

    fn spec(holds: Holds) -> ClaimedColumn {
        ClaimedColumn { name: "c".into(), holds, nullable: true, meaning: None }
    }

    #[test]
    fn pieces_stand_one_below_the_other() {
        let texts = |all: &[Option<&str>]| Utf8Array::<i64>::from(all).boxed();
        let cut = texts(&[Some("gone"), Some("b"), None, Some("漢")]).sliced(1, 3);
        let (memory, place) = written(Holds::Text, &[texts(&[Some("a"), None]), cut, texts(&[])]);
        let back = array(&memory, &place, &spec(Holds::Text), 5).unwrap();
        // SAFETY: written by a writer.
        assert_eq!(unsafe { believed(&memory, &place, &spec(Holds::Text), 5) }.unwrap(), back);
        assert_eq!(back, texts(&[Some("a"), None, Some("b"), None, Some("漢")]));
        let flags = |all: &[Option<bool>]| BooleanArray::from(all.to_vec()).boxed();
        let cut = flags(&[Some(true), None, Some(true), Some(false)]).sliced(1, 3);
        let (memory, place) = written(Holds::Bool, &[flags(&[Some(false)]), cut]);
        let back = array(&memory, &place, &spec(Holds::Bool), 4).unwrap();
        assert_eq!(back, flags(&[Some(false), None, Some(true), Some(false)]));
    }

    #[test]
    fn much_is_written_by_several_threads_to_its_place() {
        let rows = 3 * CHUNK / 8 + 5;
        let floats = |from: usize| PrimitiveArray::<f64>::from_vec((from..from + rows).map(|i| i as f64).collect()).boxed();
        let all: Vec<Box<dyn Array>> = (0..4).map(|k| floats(k * rows)).collect();
        let (memory, place) = written(Holds::Float, &all);
        assert!(memory.len() as u64 > WORTH_THREADS);
        let back = array(&memory, &place, &spec(Holds::Float), 4 * rows).unwrap();
        let back = back.as_any().downcast_ref::<PrimitiveArray<f64>>().unwrap();
        assert!(back.values().iter().enumerate().all(|(i, v)| *v == i as f64));
    }

    #[test]
    fn places_that_lie_are_refused() {
        let texts = Utf8Array::<i64>::from(vec![Some("one"), None, Some("three")]).boxed();
        let (memory, good) = written(Holds::Text, std::slice::from_ref(&texts));
        let text = |place: &Place, rows| array(&memory, place, &spec(Holds::Text), rows).map_err(|e| e.clone());
        assert_eq!(text(&good, 3).unwrap(), texts);
        for (place, rows) in [
            (Place { values: (u64::MAX, 32), ..good.clone() }, 3),
            (Place { values: (good.values.0, u64::MAX), ..good.clone() }, 3),
            (Place { values: (good.values.0 + 4, 32), ..good.clone() }, 3),
            (Place { known: Some((0, 0)), ..good.clone() }, 3),
            (Place { texts: Some((0, 1)), ..good.clone() }, 3),
            (Place { texts: None, ..good.clone() }, 3),
            (good.clone(), 4),
            (good.clone(), usize::MAX),
        ] {
            assert!(text(&place, rows).is_err(), "{place:?} for {rows} rows");
        }
        let floats = Place { known: None, values: (0, 24), texts: None };
        assert!(array(&memory, &floats, &spec(Holds::Float), 3).is_ok());
        assert!(array(&memory, &floats, &spec(Holds::Float), 4).is_err());
        assert!(array(&memory, &floats, &spec(Holds::Bool), 193).is_err());
    }
}
