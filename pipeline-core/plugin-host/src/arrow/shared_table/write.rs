//! Buffers on their way into one piece of memory: where each goes, and then all of them at once.

use super::{ByteRange, ColumnBuffers};
use crate::arrow;
use crate::arrow::{ReadFailure, views};
use pipeline_base::table::schema::Holds;
use polars::prelude::Column;
use polars_arrow::array::{Array, BooleanArray, PrimitiveArray, Utf8Array, Utf8ViewArray};
use polars_arrow::bitmap::{Bitmap, BitmapBuilder};
use polars_arrow::types::NativeType;
use polars_buffer::Buffer;
use std::fs::File;
use std::io;
use std::ops::Range;
use std::os::unix::fs::FileExt;
use std::sync::{Mutex, PoisonError};

/// Each buffer begins at a multiple of this many bytes.
const LINE: u64 = 64;
/// Bytes that are written at once.
const CHUNK: usize = 8 << 20;
/// Rows of text that are written at once.
const ROWS_AT_ONCE: usize = 1 << 20;
/// Bytes from which several threads write: below it is over before a thread has begun.
const WORTH_THREADS: u64 = 64 << 20;
/// Bytes of one offset of text.
const OFFSET: usize = size_of::<i64>();

/// What is written at once.
enum WriteSource {
    Bytes(Buffer<u8>),
    /// Where the texts of some rows end, and where the first of them begins.
    Ends(Utf8ViewArray, Range<usize>, i64),
    /// The texts of some rows.
    Texts(Utf8ViewArray, Range<usize>),
}

impl WriteSource {
    fn put(&self, room: &mut [u8]) {
        match self {
            Self::Bytes(bytes) => room.copy_from_slice(bytes),
            Self::Ends(texts, rows, from) => views::put_ends(texts, rows.clone(), *from, room),
            Self::Texts(texts, rows) => views::put_texts(texts, rows.clone(), room),
        }
    }
}

/// Some bytes and their place.
struct WritePart {
    at: u64,
    length: usize,
    what: WriteSource,
}

/// Says where buffers go, one after the other, and then writes them all.
#[derive(Default)]
pub(crate) struct Writer {
    parts: Vec<WritePart>,
    at: u64,
}

impl Writer {
    /// The bytes that all of it takes.
    pub(crate) const fn length(&self) -> u64 {
        self.at
    }

    /// One buffer, of parts without a gap, each with its length.
    fn put_parts(&mut self, parts: impl IntoIterator<Item = (usize, WriteSource)>) -> ByteRange {
        let from = self.at;
        for (length, what) in parts {
            self.parts.push(WritePart { at: self.at, length, what });
            self.at += length as u64;
        }
        let length = self.at - from;
        self.at = self.at.next_multiple_of(LINE);
        (from, length)
    }

    fn put(&mut self, pieces: impl IntoIterator<Item = Buffer<u8>>) -> ByteRange {
        let chunks =
            |piece: Buffer<u8>| (0..piece.len()).step_by(CHUNK).map(move |from| piece.clone().sliced(from..piece.len().min(from + CHUNK)));
        self.put_parts(pieces.into_iter().flat_map(chunks).map(|chunk| (chunk.len(), WriteSource::Bytes(chunk))))
    }

    fn bits(&mut self, bits: &Bitmap) -> ByteRange {
        // Fresh from a builder: the first bit is the first of its byte.
        self.put([Buffer::from(bits.as_slice().0.to_vec())])
    }

    /// A column of a table. Text goes out of its views to its place without a stop.
    ///
    /// # Errors
    /// When the column does not hold what the schema says.
    pub(crate) fn table_column(&mut self, column: &Column, holds: Holds) -> Result<ColumnBuffers, ReadFailure> {
        if holds != Holds::Text {
            return self.column(holds, &[arrow::array(column, holds)?]);
        }
        let series = arrow::in_one_piece(column, holds)?;
        let texts = series.str().map_err(|e| e.to_string())?.downcast_as_array();
        let known = texts.validity().filter(|v| v.unset_bits() > 0).map(|v| self.bits(&v.iter().collect()));
        let (mut ends, mut words, mut at) = (vec![(OFFSET, WriteSource::Bytes(Buffer::from(vec![0; OFFSET])))], vec![], 0);
        for from in (0..texts.len()).step_by(ROWS_AT_ONCE) {
            let rows = from..texts.len().min(from + ROWS_AT_ONCE);
            let length = views::length(texts, rows.clone());
            ends.push((rows.len() * OFFSET, WriteSource::Ends(texts.clone(), rows.clone(), at)));
            words.push((length, WriteSource::Texts(texts.clone(), rows)));
            at += length as i64;
        }
        let (texts, values) = (self.put_parts(words), self.put_parts(ends));
        Ok(ColumnBuffers { known, values, texts: Some(texts) })
    }

    fn numbers<T: NativeType>(&mut self, pieces: &[Box<dyn Array>]) -> Result<ByteRange, ReadFailure> {
        let all: Vec<_> = typed::<PrimitiveArray<T>>(pieces)?.iter().map(|p| bytes(p.values())).collect::<Result<_, _>>()?;
        Ok(self.put(all))
    }

    /// A column, whose pieces stand one below the other.
    ///
    /// # Errors
    /// When a piece is not of the type.
    pub(crate) fn column(&mut self, holds: Holds, pieces: &[Box<dyn Array>]) -> Result<ColumnBuffers, ReadFailure> {
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
        Ok(ColumnBuffers { known, values, texts })
    }

    fn threads(&self) -> usize {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        if self.at < WORTH_THREADS { 1 } else { cores.min(4) }
    }

    /// Writes everything to its place in a file; much of it with several threads, since most of the time goes into fresh memory.
    ///
    /// # Errors
    /// When there is no room.
    pub(crate) fn finish(self, file: &File) -> io::Result<()> {
        file.set_len(self.at)?;
        let threads = self.threads();
        in_turn(self.parts, threads, |part, room| {
            if let WriteSource::Bytes(bytes) = &part.what {
                return file.write_all_at(bytes, part.at);
            }
            room.resize(part.length, 0);
            part.what.put(room);
            file.write_all_at(room, part.at)
        })
    }

    /// Writes everything to its place in memory that is there already.
    ///
    /// # Errors
    /// When the memory is too small.
    pub(crate) fn fill(self, memory: &mut [u8]) -> io::Result<()> {
        let threads = self.threads();
        let (mut rest, mut at, mut jobs) = (memory, 0, vec![]);
        for part in self.parts {
            let small = || io::Error::from(io::ErrorKind::UnexpectedEof);
            let gap = usize::try_from(part.at - at).map_err(io::Error::other)?;
            let (room, behind) = rest.get_mut(gap..).and_then(|r| r.split_at_mut_checked(part.length)).ok_or_else(small)?;
            (rest, at) = (behind, part.at + part.length as u64);
            jobs.push((part.what, room));
        }
        in_turn(jobs, threads, |(what, room), _| {
            what.put(room);
            Ok(())
        })
    }
}

/// Does the jobs with some threads, each of which has bytes of its own to use.
fn in_turn<J: Send>(jobs: Vec<J>, threads: usize, work: impl Fn(J, &mut Vec<u8>) -> io::Result<()> + Sync) -> io::Result<()> {
    let jobs = Mutex::new(jobs.into_iter());
    let next = || jobs.lock().unwrap_or_else(PoisonError::into_inner).next();
    let all = || -> io::Result<()> {
        let mut room = vec![];
        while let Some(job) = next() {
            work(job, &mut room)?;
        }
        Ok(())
    };
    std::thread::scope(|scope| {
        let others: Vec<_> = (1..threads).map(|_| scope.spawn(all)).collect();
        let own = all();
        let all = others.into_iter().map(|t| t.join().unwrap_or_else(|_| Err(io::Error::other("a thread that writes broke down"))));
        all.fold(own, Result::and)
    })
}

fn bytes<T: NativeType>(values: &Buffer<T>) -> Result<Buffer<u8>, ReadFailure> {
    values.clone().try_transmute::<u8>().map_err(|_| "numbers that are no bytes".to_owned())
}

fn typed<A: 'static>(pieces: &[Box<dyn Array>]) -> Result<Vec<&A>, ReadFailure> {
    let lost = || "a column changed its type".to_owned();
    pieces.iter().map(|p| p.as_any().downcast_ref::<A>().ok_or_else(lost)).collect()
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::{array, tests::spec};
    use super::*;
    use polars::prelude::{IntoColumn, IntoSeries, NewChunkedArray};

    /// What a writer writes, to a file and over memory that held something else: the same both times.
    pub(in super::super) fn written(put: impl Fn(&mut Writer) -> ColumnBuffers) -> (Buffer<u8>, ColumnBuffers) {
        let writer = || {
            let mut writer = Writer::default();
            let place = put(&mut writer);
            (writer, place)
        };
        let (first, place) = writer();
        let length = usize::try_from(first.length()).unwrap();
        let file = tempfile::NamedTempFile::new().unwrap();
        first.finish(file.as_file()).unwrap();
        let bytes = std::fs::read(file.path()).unwrap();
        // Memory of a map begins at a page; here it is made of whole numbers.
        let memory = |old: u64| {
            let mut whole = vec![old; length.div_ceil(8)];
            writer().0.fill(&mut bytemuck::cast_slice_mut(&mut whole)[..length]).unwrap();
            Buffer::from(whole).try_transmute::<u8>().unwrap_or_else(|_| unreachable!())
        };
        assert!(length == 0 || writer().0.fill(&mut vec![0; length - LINE as usize]).is_err());
        assert_eq!(bytes, memory(0)[..length]);
        (memory(u64::MAX), place)
    }

    #[test]
    fn much_is_written_by_several_threads_to_its_place() {
        let rows = 3 * CHUNK / 8 + 5;
        let floats = |from: usize| PrimitiveArray::<f64>::from_vec((from..from + rows).map(|i| i as f64).collect()).boxed();
        let all: Vec<Box<dyn Array>> = (0..4).map(|k| floats(k * rows)).collect();
        let (memory, place) = written(|w| w.column(Holds::Float, &all).unwrap());
        assert!(memory.len() as u64 > WORTH_THREADS);
        let back = array(&memory, &place, &spec(Holds::Float), 4 * rows).unwrap();
        let back = back.as_any().downcast_ref::<PrimitiveArray<f64>>().unwrap();
        assert!(back.values().iter().enumerate().all(|(i, v)| *v == i as f64));
    }

    #[test]
    fn text_goes_out_of_its_views_as_it_stands_there() {
        let words = ["", "Ø", "twelve bytes", "thirteen byte", "漢字 of a name that is longer than a view", "end"];
        let texts = |rows: usize| (0..rows).map(|i| (i % 7 != 3).then(|| words[i % 6]));
        for rows in [0, 1, 5, 6, ROWS_AT_ONCE - 1, ROWS_AT_ONCE + 5] {
            let column = polars::prelude::StringChunked::from_iter_options("c".into(), texts(rows)).into_series().into_column();
            let (memory, place) = written(|w| w.table_column(&column, Holds::Text).unwrap());
            let back = array(&memory, &place, &spec(Holds::Text), rows).unwrap();
            assert_eq!(back, arrow::array(&column, Holds::Text).unwrap(), "{rows} rows");
            assert_eq!(back, Utf8Array::<i64>::from_iter(texts(rows)).boxed(), "{rows} rows");
        }
    }
}
