//! A table as an Arrow IPC file, for a plug-in in another process.

use super::{ReadFailure, ReturnedTable, StatedColumn, StatedSchema, arrow_type, column};
use gunter_plugin_abi::{COLUMN_KEY, FRAME_KEY};
use pipeline_base::table::schema::Holds;
use polars_arrow::array::Array;
use polars_arrow::datatypes::{ArrowDataType, ArrowSchema, Field, Metadata};
use polars_arrow::io::ipc::read::{FileReader, read_file_metadata};
use polars_arrow::io::ipc::write::{FileWriter, WriteOptions};
use polars_arrow::record_batch::RecordBatch;
use std::path::Path;
use std::sync::Arc;

/// Writes arrays under a claim.
///
/// # Errors
/// When the file cannot be written.
pub(crate) fn write(path: &Path, claim: &StatedSchema, rows: usize, arrays: Vec<Box<dyn Array>>) -> Result<(), ReadFailure> {
    let wrong = |e: &dyn std::fmt::Display| format!("`{}` cannot be written: {e}", name(path));
    let mut schema = ArrowSchema::default();
    for c in &claim.columns {
        let mut field = Field::new(c.name.as_str().into(), arrow_type(c.holds), c.nullable);
        if let Some(meaning) = &c.meaning {
            field = field.with_metadata(Metadata::from([(COLUMN_KEY.into(), meaning.as_str().into())]));
        }
        if schema.insert(field.name.clone(), field).is_some() {
            return Err(format!("two columns are called `{}`", c.name));
        }
    }
    let schema = Arc::new(schema);
    let file = std::fs::File::create(path).map_err(|e| wrong(&e))?;
    let mut writer = FileWriter::new(file, schema.clone(), None, WriteOptions { compression: None });
    if let Some(frame) = &claim.frame {
        writer.set_custom_schema_metadata(Arc::new(Metadata::from([(FRAME_KEY.into(), frame.as_str().into())])));
    }
    writer.start().map_err(|e| wrong(&e))?;
    let batch = RecordBatch::try_new(rows, schema, arrays).map_err(|e| wrong(&e))?;
    writer.write(&batch, None).map_err(|e| wrong(&e))?;
    writer.finish().map_err(|e| wrong(&e))
}

fn name(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned())
}

/// Reads what another process wrote. Nothing in the file is believed.
///
/// # Errors
/// When it is not an Arrow file of the five types, is cut, or holds a number that is not finite.
pub(crate) fn read(path: &Path) -> Result<ReturnedTable, ReadFailure> {
    // The reader checks what it reads; should a check of it end in a panic, that is an answer too.
    std::panic::catch_unwind(|| read_checked(path)).unwrap_or_else(|_| Err(format!("`{}` is not a whole Arrow file", name(path))))
}

fn read_checked(path: &Path) -> Result<ReturnedTable, ReadFailure> {
    let wrong = |e: &dyn std::fmt::Display| format!("`{}` cannot be read as an Arrow file: {e}", name(path));
    let mut file = std::fs::File::open(path).map_err(|e| wrong(&e))?;
    let metadata = read_file_metadata(&mut file).map_err(|e| wrong(&e))?;
    let mut claim = StatedSchema::default();
    let own = metadata.custom_schema_metadata.as_ref().and_then(|m| m.get(FRAME_KEY));
    claim.frame = own.or_else(|| metadata.schema.metadata().get(FRAME_KEY)).map(ToString::to_string);
    for field in metadata.schema.iter_values() {
        claim.columns.push(StatedColumn {
            name: field.name.to_string(),
            holds: holds(field)?,
            nullable: field.is_nullable,
            meaning: field.metadata.as_ref().and_then(|m| m.get(COLUMN_KEY)).map(ToString::to_string),
        });
    }
    let mut pieces: Vec<Vec<Box<dyn Array>>> = claim.columns.iter().map(|_| vec![]).collect();
    let mut rows = 0;
    for batch in FileReader::new(file, metadata, None, None) {
        let batch = batch.map_err(|e| wrong(&e))?;
        rows += batch.height();
        for (column, array) in pieces.iter_mut().zip(batch.into_arrays()) {
            column.push(array);
        }
    }
    let columns = claim.columns.iter().zip(&pieces).map(|(c, p)| column(&c.name, c.holds, p, 0)).collect::<Result<_, _>>()?;
    Ok(ReturnedTable { claim, columns, rows })
}

fn holds(field: &Field) -> Result<Holds, ReadFailure> {
    let found = super::FORMATS.iter().find(|(h, _)| arrow_type(*h) == field.dtype).map(|(h, _)| *h);
    found.ok_or_else(|| {
        let kind = match &field.dtype {
            ArrowDataType::Utf8 => "text with 32-bit offsets".to_owned(),
            ArrowDataType::Utf8View => "text views".to_owned(),
            ArrowDataType::Dictionary(..) => "a dictionary".to_owned(),
            other => format!("{other:?}"),
        };
        format!("column `{}` is {kind}; only true/false, int64, float64, large text and UTC nanoseconds may cross", field.name)
    })
}
