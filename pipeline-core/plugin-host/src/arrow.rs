//! A table as Arrow, for a plug-in: five column types, and with each column what it means.
//!
//! Text crosses as large UTF-8 and never as views or dictionaries, which consumers fail on. Unit, role and frame
//! travel as metadata; what comes back is a [`StatedSchema`], which is compared with the promise of the plan
//! and never believed.

pub mod export;
pub mod import;
pub mod ipc;
pub mod shared_table;
mod views;

use pipeline_base::table::schema::{Column as Spec, Holds, Schema};
use pipeline_base::table::{Table, dtype};
use polars::prelude::*;
use polars_arrow::array::{Array, BooleanArray, PrimitiveArray, Utf8Array};
use polars_arrow::bitmap::Bitmap;
use polars_arrow::datatypes::{ArrowDataType, TimeUnit as ArrowUnit};
use polars_arrow::offset::OffsetsBuffer;
use polars_buffer::Buffer;
use serde::{Deserialize, Serialize};

/// The Arrow format of each type that may cross.
pub(crate) const FORMATS: [(Holds, &str); 5] =
    [(Holds::Bool, "b"), (Holds::Int, "l"), (Holds::Float, "g"), (Holds::Text, "U"), (Holds::Instant, "tsn:UTC")];

/// The format text of a type.
#[must_use]
pub fn format(holds: Holds) -> &'static str {
    FORMATS.iter().find(|(h, _)| *h == holds).map_or("U", |(_, f)| f)
}

/// What a plug-in says about one column that it delivers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StatedColumn {
    /// Name.
    pub name: String,
    /// Type.
    pub holds: Holds,
    /// Whether it may be empty.
    pub nullable: bool,
    /// Unit and role as JSON, when it said so.
    pub meaning: Option<String>,
}

/// What a plug-in says about the table that it delivers.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct StatedSchema {
    /// The columns.
    pub columns: Vec<StatedColumn>,
    /// The frame as JSON, when it said so.
    pub frame: Option<String>,
}

/// What came back from a plug-in: checked to be readable, not yet compared with the promise.
#[derive(Debug)]
pub struct ReturnedTable {
    /// What it says.
    pub claim: StatedSchema,
    /// The columns, in the order of the claim.
    pub columns: Vec<Column>,
    /// Rows.
    pub rows: usize,
}

/// Why an answer cannot be read: what is wrong, in words.
pub type ReadFailure = String;

/// Unit and role of a column as JSON.
#[must_use]
pub fn meaning_json(column: &Spec) -> String {
    serde_json::json!({"unit": column.unit, "role": column.role}).to_string()
}

/// The frame of a schema as JSON; `null` when there are no coordinates.
#[must_use]
pub fn frame_json(schema: &Schema) -> String {
    serde_json::to_string(&schema.frame).unwrap_or_else(|_| "null".into())
}

/// The claim that says what a schema says.
#[must_use]
pub fn claim_of(schema: &Schema) -> StatedSchema {
    StatedSchema {
        columns: schema
            .columns
            .iter()
            .map(|c| StatedColumn { name: c.name.clone(), holds: c.holds, nullable: c.nullable, meaning: Some(meaning_json(c)) })
            .collect(),
        frame: Some(frame_json(schema)),
    }
}

/// The Arrow type of a [`Holds`].
pub(crate) fn arrow_type(holds: Holds) -> ArrowDataType {
    match holds {
        Holds::Bool => ArrowDataType::Boolean,
        Holds::Int => ArrowDataType::Int64,
        Holds::Float => ArrowDataType::Float64,
        Holds::Text => ArrowDataType::LargeUtf8,
        Holds::Instant => ArrowDataType::Timestamp(ArrowUnit::Nanosecond, Some("UTC".into())),
    }
}

/// The values of a column in one piece, of the type that the schema says.
fn in_one_piece(column: &Column, holds: Holds) -> Result<Series, ReadFailure> {
    let series = column.as_materialized_series().rechunk();
    if *series.dtype() != dtype(holds) {
        return Err(format!("column `{}` holds {} and not {holds:?}", series.name(), series.dtype()));
    }
    Ok(series)
}

/// One column as one Arrow array. Numbers are shared; text is copied out of its views.
///
/// # Errors
/// When the column does not hold what the schema says.
pub(crate) fn array(column: &Column, holds: Holds) -> Result<Box<dyn Array>, ReadFailure> {
    let series = in_one_piece(column, holds)?;
    let wrong = |e: PolarsError| e.to_string();
    Ok(match holds {
        Holds::Bool => series.bool().map_err(wrong)?.downcast_as_array().clone().boxed(),
        Holds::Float => series.f64().map_err(wrong)?.downcast_as_array().clone().boxed(),
        Holds::Int => series.i64().map_err(wrong)?.downcast_as_array().clone().boxed(),
        Holds::Instant => {
            let values = series.datetime().map_err(wrong)?.physical().downcast_as_array().clone();
            PrimitiveArray::<i64>::new(arrow_type(Holds::Instant), values.values().clone(), values.validity().cloned()).boxed()
        }
        Holds::Text => text(series.str().map_err(wrong)?)?.boxed(),
    })
}

fn text(column: &StringChunked) -> Result<Utf8Array<i64>, ReadFailure> {
    let texts = column.downcast_as_array();
    let all = 0..texts.len();
    let mut bytes = vec![0_u8; views::length(texts, all.clone())];
    views::put_texts(texts, all.clone(), &mut bytes);
    let mut offsets = vec![0_i64; texts.len() + 1];
    views::put_ends(texts, all, 0, bytemuck::cast_slice_mut(&mut offsets[1..]));
    let offsets = OffsetsBuffer::try_from(Buffer::from(offsets)).map_err(|e| e.to_string())?;
    Utf8Array::try_new(ArrowDataType::LargeUtf8, offsets, Buffer::from(bytes), texts.validity().cloned()).map_err(|e| e.to_string())
}

/// Where the last text ends, when the offsets of a column only grow and stay below `most`.
pub(crate) fn offsets_end(offsets: &[i64], most: i64, name: &str) -> Result<usize, ReadFailure> {
    let last = offsets.last().copied().unwrap_or(0);
    if offsets.first().is_some_and(|f| *f < 0) || last > most || offsets.windows(2).any(|w| w[0] > w[1]) {
        return Err(format!("the texts of {name} have offsets that go back or beyond the end"));
    }
    usize::try_from(last).map_err(|e| e.to_string())
}

/// Texts of a column whose offsets were looked at.
pub(crate) fn text_array(
    offsets: Buffer<i64>,
    bytes: Buffer<u8>,
    known: Option<Bitmap>,
    name: &str,
) -> Result<Box<dyn Array>, ReadFailure> {
    let offsets = OffsetsBuffer::try_from(offsets).map_err(|e| format!("{name}: {e}"))?;
    let texts = Utf8Array::<i64>::try_new(ArrowDataType::LargeUtf8, offsets, bytes, known);
    Ok(texts.map_err(|_| format!("{name} holds bytes that are no UTF-8"))?.boxed())
}

/// Arrow arrays of one column, one below the other, as a column.
///
/// # Errors
/// When a type is not the claimed one or a number is not finite: missing is null, never NaN.
pub(crate) fn column(name: &str, holds: Holds, pieces: &[Box<dyn Array>], first_row: usize) -> Result<Column, ReadFailure> {
    let other = || format!("column `{name}` is not what its own schema says");
    let short = PlSmallStr::from_str(name);
    let mut row = first_row;
    let mut all = Series::new_empty(short.clone(), &dtype(holds));
    for (i, piece) in pieces.iter().enumerate() {
        let any = piece.as_any();
        let series = match holds {
            Holds::Bool => {
                let values = any.downcast_ref::<BooleanArray>().ok_or_else(other)?.clone();
                BooleanChunked::with_chunk(short.clone(), values).into_series()
            }
            Holds::Float => {
                let values = any.downcast_ref::<PrimitiveArray<f64>>().ok_or_else(other)?.clone();
                finite(name, values.values(), values.validity(), row)?;
                Float64Chunked::with_chunk(short.clone(), values).into_series()
            }
            Holds::Int => {
                let values = any.downcast_ref::<PrimitiveArray<i64>>().ok_or_else(other)?.clone();
                Int64Chunked::with_chunk(short.clone(), values.to(ArrowDataType::Int64)).into_series()
            }
            Holds::Instant => {
                let values = any.downcast_ref::<PrimitiveArray<i64>>().ok_or_else(other)?.clone();
                Int64Chunked::with_chunk(short.clone(), values.to(ArrowDataType::Int64))
                    .into_datetime(TimeUnit::Nanoseconds, Some(TimeZone::UTC))
                    .into_series()
            }
            Holds::Text => {
                let values = any.downcast_ref::<Utf8Array<i64>>().ok_or_else(other)?;
                StringChunked::from_iter_options(short.clone(), values.iter()).into_series()
            }
        };
        row += piece.len();
        if i == 0 {
            all = series;
        } else {
            all.append(&series).map_err(|e| e.to_string())?;
        }
    }
    Ok(all.into_column())
}

/// Missing is null: a NaN or an infinity would pass every comparison below and reach a delivery.
fn finite(name: &str, values: &[f64], known: Option<&Bitmap>, first_row: usize) -> Result<(), ReadFailure> {
    let bad = |i: usize| known.is_none_or(|k| k.get_bit(i)) && !values[i].is_finite();
    if values.iter().all(|v| v.is_finite()) {
        return Ok(());
    }
    match (0..values.len()).find(|i| bad(*i)) {
        Some(i) => Err(format!("column `{name}` holds {} in row {}; a missing value is null, never NaN", values[i], first_row + i)),
        None => Ok(()),
    }
}

/// The columns of a table as Arrow arrays, in the order of the schema.
///
/// # Errors
/// When a column does not hold what the schema says.
pub(crate) fn arrays(table: &Table) -> Result<Vec<Box<dyn Array>>, ReadFailure> {
    table.data.columns().iter().zip(&table.schema.columns).map(|(c, s)| array(c, s.holds)).collect()
}

#[cfg(test)]
pub(crate) mod tests;
