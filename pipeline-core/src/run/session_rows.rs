//! What sessions leave for the steps that see all of them together.
//!
//! Kept as they come, the tables of many sessions would be small pieces all over the memory, each with the texts of its whole
//! session behind it, and would stand there twice while they are put together. So the columns of each session go on the shelf
//! of the run as soon as it is done, and in the end each column is made once, in its full length.

use super::temporary_store::{StoredRange, TemporaryStore};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Column as Spec, Holds, Schema};
use polars::prelude::*;
use polars_arrow::bitmap::{Bitmap, BitmapBuilder};
use std::io;
use std::sync::Arc;

/// Bytes that go on the shelf at once: columns of a few points would else be a write each.
const AT_ONCE: usize = 1 << 18;
/// The length of a text that is missing.
const MISSING: u32 = u32::MAX;

/// The rows of one session.
#[derive(Debug)]
pub enum SessionRows {
    /// In memory: nothing else is to be put below them.
    Here(Table),
    /// On the shelf.
    OnShelf {
        /// How many they are.
        rows: usize,
        /// The columns, in the order of the schema.
        columns: Vec<StoredColumn>,
    },
}

/// One column of one session: its values and, where some are missing, a bit for each row.
#[derive(Clone, Copy, Debug)]
pub struct StoredColumn {
    slot: StoredRange,
    gaps: bool,
}

/// Why rows could not be put together.
#[derive(Debug)]
pub enum StackFailure {
    /// The shelf could not be read, or could not be written before.
    Disk(io::Error),
    /// They are not what the schema says.
    Broken(Problem),
}

impl From<io::Error> for StackFailure {
    fn from(e: io::Error) -> Self {
        Self::Disk(e)
    }
}

impl From<PolarsError> for StackFailure {
    fn from(e: PolarsError) -> Self {
        Self::Broken(Problem::broken(e))
    }
}

/// Puts a table on the shelf. A failure is kept by the shelf.
///
/// # Errors
/// When a column does not hold what the schema says.
pub fn put(shelf: &TemporaryStore, table: &Table) -> Result<SessionRows, Problem> {
    let mut columns = Vec::with_capacity(table.schema.columns.len());
    let (mut bytes, mut waiting): (Vec<u8>, Vec<(usize, bool)>) = (vec![], vec![]);
    let all = table.data.columns().iter().zip(&table.schema.columns);
    let last = table.schema.columns.len().saturating_sub(1);
    for (k, (column, spec)) in all.enumerate() {
        let from = bytes.len();
        let gaps = pack(column, spec, &mut bytes).map_err(Problem::broken)?;
        waiting.push((bytes.len() - from, gaps));
        if bytes.len() >= AT_ONCE || k == last {
            let mut whole = shelf.put(&bytes);
            for (length, gaps) in waiting.drain(..) {
                let (slot, rest) = whole.split(length);
                columns.push(StoredColumn { slot, gaps });
                whole = rest;
            }
            bytes.clear();
        }
    }
    Ok(SessionRows::OnShelf { rows: table.rows(), columns })
}

/// Appends the values of a column, and then a bit for each row where some are missing.
fn pack(column: &Column, spec: &Spec, out: &mut Vec<u8>) -> PolarsResult<bool> {
    let series = column.as_materialized_series();
    match spec.holds {
        Holds::Float => Ok(numbers(series.f64()?, out)),
        Holds::Int => Ok(numbers(series.i64()?, out)),
        Holds::Instant => Ok(numbers(series.datetime()?.physical(), out)),
        Holds::Bool => {
            let values = series.bool()?;
            out.extend(values.iter().map(|v| u8::from(v == Some(true))));
            Ok(known(values, out))
        }
        Holds::Text => {
            let values = series.str()?;
            for v in values.iter() {
                // A text of four gigabytes is in no log.
                let length = v.map_or(MISSING, |t| u32::try_from(t.len()).unwrap_or(MISSING));
                out.extend_from_slice(&length.to_ne_bytes());
            }
            values.iter().flatten().for_each(|t| out.extend_from_slice(t.as_bytes()));
            Ok(false)
        }
    }
}

fn numbers<T: PolarsNumericType>(values: &ChunkedArray<T>, out: &mut Vec<u8>) -> bool
where
    T::Native: bytemuck::Pod,
{
    values.downcast_iter().for_each(|chunk| out.extend_from_slice(bytemuck::cast_slice(chunk.values())));
    known(values, out)
}

fn known<T: PolarsDataType>(values: &ChunkedArray<T>, out: &mut Vec<u8>) -> bool {
    if values.null_count() == 0 {
        return false;
    }
    let mut bits = BitmapBuilder::with_capacity(values.len());
    for chunk in values.chunks() {
        match chunk.validity() {
            Some(own) => bits.extend_from_bitmap(own),
            None => bits.extend_constant(chunk.len(), true),
        }
    }
    // Fresh from a builder: the first bit is the first of its byte.
    out.extend_from_slice(bits.freeze().as_slice().0);
    true
}

/// The rows of all sessions, one below the other, in the order given.
///
/// # Errors
/// [`StackFailure`].
pub fn together(shelf: &TemporaryStore, mut all: Vec<SessionRows>, schema: &Arc<Schema>) -> Result<Table, StackFailure> {
    if let [SessionRows::Here(_)] = all.as_slice()
        && let Some(SessionRows::Here(mut table)) = all.pop()
    {
        table.data.rechunk_mut();
        return Ok(table);
    }
    let mut pieces = Vec::with_capacity(all.len());
    for left in &all {
        match left {
            SessionRows::OnShelf { rows, columns } if columns.len() == schema.columns.len() => pieces.push((*rows, columns.as_slice())),
            _ => return Err(StackFailure::Broken(Problem::broken("tables of two schemas cannot be put one below the other"))),
        }
    }
    let rows = pieces.iter().map(|(rows, _)| rows).sum();
    let columns = schema
        .columns
        .iter()
        .enumerate()
        .map(|(k, spec)| column(shelf, spec, rows, pieces.iter().map(|(rows, columns)| (*rows, columns[k]))))
        .collect::<Result<Vec<_>, _>>()?;
    Table::new(DataFrame::new(rows, columns)?, schema.clone()).map_err(StackFailure::Broken)
}

fn column(
    shelf: &TemporaryStore,
    spec: &Spec,
    rows: usize,
    pieces: impl Iterator<Item = (usize, StoredColumn)>,
) -> Result<Column, StackFailure> {
    let name = PlSmallStr::from_str(&spec.name);
    Ok(match spec.holds {
        Holds::Float => {
            let (values, known) = values::<f64>(shelf, rows, pieces)?;
            Float64Chunked::from_vec_validity(name, values, known).into_column()
        }
        Holds::Int => {
            let (values, known) = values::<i64>(shelf, rows, pieces)?;
            Int64Chunked::from_vec_validity(name, values, known).into_column()
        }
        Holds::Instant => {
            let (values, known) = values::<i64>(shelf, rows, pieces)?;
            Int64Chunked::from_vec_validity(name, values, known).into_datetime(TimeUnit::Nanoseconds, Some(TimeZone::UTC)).into_column()
        }
        Holds::Bool => {
            let (values, known) = values::<u8>(shelf, rows, pieces)?;
            let bits: Bitmap = values.iter().map(|v| *v == 1).collect();
            let array = polars_arrow::array::BooleanArray::new(polars_arrow::datatypes::ArrowDataType::Boolean, bits, known);
            BooleanChunked::with_chunk(name, array).into_column()
        }
        Holds::Text => {
            let mut builder = StringChunkedBuilder::new(name, rows);
            for (rows, piece) in pieces {
                let bytes = shelf.get(piece.slot)?;
                let odd = || io::Error::new(io::ErrorKind::InvalidData, "texts that were kept are no texts any more");
                let (lengths, mut texts) = bytes.split_at_checked(rows * size_of::<u32>()).ok_or_else(odd)?;
                for length in lengths.as_chunks().0 {
                    let length = u32::from_ne_bytes(*length);
                    if length == MISSING {
                        builder.append_null();
                    } else {
                        let (text, rest) = texts.split_at_checked(length as usize).ok_or_else(odd)?;
                        builder.append_value(std::str::from_utf8(text).map_err(|_| odd())?);
                        texts = rest;
                    }
                }
            }
            builder.finish().into_column()
        }
    })
}

/// Values of a fixed size, and which of them are there when some are not.
fn values<T: bytemuck::Pod>(
    shelf: &TemporaryStore,
    rows: usize,
    pieces: impl Iterator<Item = (usize, StoredColumn)>,
) -> io::Result<(Vec<T>, Option<Bitmap>)> {
    let mut values = vec![T::zeroed(); rows];
    let (mut rest, mut known, mut before) = (values.as_mut_slice(), None::<BitmapBuilder>, 0);
    for (count, piece) in pieces {
        let (own, below) = std::mem::take(&mut rest).split_at_mut(count);
        rest = below;
        let (slot, bits) = piece.slot.split(count * size_of::<T>());
        shelf.read(slot, bytemuck::cast_slice_mut(own))?;
        if piece.gaps || known.is_some() {
            let known = known.get_or_insert_with(|| {
                let mut all = BitmapBuilder::with_capacity(rows);
                all.extend_constant(before, true);
                all
            });
            if piece.gaps {
                known.extend_from_slice(&shelf.get(bits)?, 0, count);
            } else {
                known.extend_constant(count, true);
            }
        }
        before += count;
    }
    Ok((values, known.map(BitmapBuilder::freeze)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use pipeline_base::table::TableBuilder;
    use pipeline_base::table::schema::{Role, Unit};
    use proptest::prelude::{any, prop, proptest};

    fn schema() -> Arc<Schema> {
        let all = [("flag", Holds::Bool), ("count", Holds::Int), ("size", Holds::Float), ("name", Holds::Text), ("time", Holds::Instant)];
        let columns = all.into_iter().map(|(name, holds)| Spec::maybe(name, holds, Unit::None, Role::Other)).collect();
        Arc::new(Schema { columns, frame: None })
    }

    type Row = (Option<bool>, Option<i64>, Option<f64>, Option<String>, Option<i64>);

    fn table(rows: &[Row]) -> Table {
        let mut b = TableBuilder::new(schema(), rows.len());
        let flags: BooleanChunked = rows.iter().map(|r| r.0).collect();
        b.column("flag", flags.into_column());
        b.ints_or_none("count", rows.iter().map(|r| r.1));
        b.floats("size", rows.iter().map(|r| r.2.unwrap_or(f64::NAN)).collect());
        b.texts("name", rows.iter().map(|r| r.3.as_deref()));
        b.instants_or_none("time", rows.iter().map(|r| r.4));
        b.finish().unwrap()
    }

    proptest! {
        #[test]
        fn rows_come_back_as_they_went(
            sessions in prop::collection::vec(
                prop::collection::vec((any::<Option<bool>>(), any::<Option<i64>>(), any::<Option<f64>>(), any::<Option<String>>(), any::<Option<i64>>()), 0..40),
                2..6,
            ),
            whole in any::<bool>(),
        ) {
            // Sessions in which nothing is missing stand between others.
            let sessions: Vec<Vec<Row>> = sessions.into_iter().enumerate().map(|(k, rows)| {
                if whole && k % 2 == 0 { vec![(Some(true), Some(k as i64), Some(0.1), Some(String::new()), Some(7)); rows.len()] } else { rows }
            }).collect();
            let folder = tempfile::tempdir().unwrap();
            let shelf = TemporaryStore::new(folder.path());
            let left: Vec<SessionRows> = sessions.iter().map(|rows| put(&shelf, &table(rows)).unwrap()).collect();
            let back = together(&shelf, left, &schema()).unwrap();
            assert!(back.data.equals_missing(&table(&sessions.concat()).data));
            assert!(back.data.columns().iter().all(|c| c.as_materialized_series().n_chunks() == 1));
        }
    }

    #[test]
    fn pieces_of_a_table_and_rows_cut_out_of_one_go_too() {
        let rows: Vec<Row> = (0..200_i64)
            .map(|k| {
                (
                    Some(k % 3 == 0),
                    (k % 5 > 0).then_some(k),
                    Some(0.5),
                    (k % 7 > 0).then(|| format!("a name that is no short one, {k}")),
                    None,
                )
            })
            .collect();
        let cut = |from: usize, to: usize| {
            let whole = table(&rows);
            Table { data: whole.data.slice(from as i64, to - from), schema: whole.schema }
        };
        let mut two = cut(3, 50);
        two.data.vstack_mut(&cut(50, 111).data).unwrap();
        let folder = tempfile::tempdir().unwrap();
        let shelf = TemporaryStore::new(folder.path());
        let left = vec![put(&shelf, &two).unwrap(), put(&shelf, &cut(111, 200)).unwrap()];
        assert!(together(&shelf, left, &schema()).unwrap().data.equals_missing(&cut(3, 200).data));
        assert_eq!(together(&shelf, vec![], &schema()).unwrap().rows(), 0);
        assert!(together(&shelf, vec![SessionRows::Here(two.clone())], &schema()).unwrap().data.equals_missing(&two.data));
    }

    #[test]
    fn a_disk_that_is_full_is_said() {
        let folder = tempfile::tempdir().unwrap();
        let shelf = TemporaryStore::new(&folder.path().join("nowhere"));
        let rows: Vec<Row> = vec![(Some(true), Some(1), Some(2.0), Some("x".repeat(1 << 16)), Some(3)); 32];
        let left = vec![put(&shelf, &table(&rows)).unwrap()];
        assert!(matches!(together(&shelf, left, &schema()), Err(StackFailure::Disk(_))));
    }
}
