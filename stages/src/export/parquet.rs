#![doc = include_str!("parquet.md")]

use super::cells::{self, Cells, Got, Values, all_placed, compare, differs, file_names};
use super::deliver;
use super::deliver::Ready;
use super::statement::{Subject, agrees, statement};
use crate::export::file::{cannot_read, cannot_write};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Column, Schema};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, OutFile, Spec, Stage};
use polars::prelude::DataFrame;
use polars_io::SerReader;
use polars_io::parquet::read::{ParallelStrategy, ParquetReader};
use polars_io::parquet::write::{KeyValueMetadata, ParquetCompression, ParquetWriter};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Key of the statement in the metadata of the file.
const KEY: &str = "statement_of_reference";
/// Columns that are read back at once.
const AT_ONCE: usize = 8;

/// Options of `export-parquet`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Name of the file, below the results folder of the job.
    path: String,
}

/// The stage `export-parquet`.
pub(crate) struct Parquet {
    options: Options,
    ready: Ready,
}

fn write(file: &OutFile, table: &Table, cells: &[Cells], statement: &str) -> Result<(), Problem> {
    let mut data = table.data.clone();
    let names: Vec<&str> = cells.iter().map(|c| c.name.as_str()).collect();
    data.set_column_names(&names).map_err(Problem::broken)?;
    // One chunk for each column: the layout of the file must not show how the table was put together.
    data.rechunk_mut_par();
    let mut buffer = super::file::open(file)?;
    ParquetWriter::new(&mut buffer)
        .with_compression(ParquetCompression::Uncompressed)
        .with_row_group_size(Some(table.rows().max(1)))
        .with_key_value_metadata(Some(KeyValueMetadata::from_static(vec![(KEY.to_owned(), statement.to_owned())])))
        .set_parallel(false)
        .finish(&mut data)
        .map_err(|e| cannot_write(file, e))?;
    super::file::close(buffer, file)
}

fn verify(file: &OutFile, table: &Table, cells: &[Cells], statement: &str) -> Result<(), Problem> {
    let mut reader = ParquetReader::new(std::fs::File::open(&file.path).map_err(|e| cannot_read(file, e))?);
    let metadata = reader.get_metadata().map_err(|e| cannot_read(file, e))?;
    let kept = metadata.key_value_metadata().iter().flatten().find(|kv| kv.key == KEY).and_then(|kv| kv.value.as_deref());
    let parse = |text: &str| serde_json::from_str::<serde_json::Value>(text).ok();
    match (kept.and_then(parse), parse(statement)) {
        (Some(kept), Some(want)) if agrees(&kept, &want) => {}
        _ => return Err(differs(&file.name, "does not hold the statement of reference that was written")),
    }
    let metadata = metadata.clone();
    let (rows, columns) = (metadata.num_rows, reader.schema().map_err(|e| cannot_read(file, e))?.len());
    if rows != table.rows() || columns != cells.len() {
        return Err(differs(
            &file.name,
            format!("holds {rows} rows and {columns} columns, and the table holds {} and {}", table.rows(), cells.len()),
        ));
    }
    // A few columns at a time, so that the table does not stand in memory twice.
    for (k, some) in cells.chunks(AT_ONCE).enumerate() {
        let mut reader = ParquetReader::new(std::fs::File::open(&file.path).map_err(|e| cannot_read(file, e))?);
        reader.set_metadata(metadata.clone());
        let wanted = (k * AT_ONCE..k * AT_ONCE + some.len()).collect();
        let reader = reader.with_projection(Some(wanted)).read_parallel(ParallelStrategy::None);
        let data = reader.finish().map_err(|e| cannot_read(file, e))?;
        compare_columns(file, table, some, data)?;
    }
    Ok(())
}

/// Compares columns of the file with those of the table.
fn compare_columns(file: &OutFile, table: &Table, cells: &[Cells], data: DataFrame) -> Result<(), Problem> {
    for (column, c) in data.columns().iter().zip(cells) {
        if column.name().as_str() != c.name || *column.dtype() != pipeline_base::table::dtype(c.spec.holds) {
            return Err(differs(
                &file.name,
                format!("holds `{}` ({}) where column `{}` was written", column.name(), column.dtype(), c.name),
            ));
        }
    }
    // The columns go through the same typed context as every table, and no longer through the writer's.
    let columns = cells.iter().map(|c| Column { name: c.name.clone(), ..c.spec.clone() }).collect();
    let schema = Schema { columns, frame: table.schema.frame.clone() };
    let back = Table::new(data, Arc::new(schema)).map_err(|p| differs(&file.name, p.finding.what))?;
    let columns: Vec<&Column> = back.schema.columns.iter().collect();
    for (got, c) in cells::cells(&back, &columns, &file.name)?.iter().zip(cells) {
        for row in 0..table.rows() {
            let value = match &got.values {
                Values::Bool(v) => v.get(row).map(Got::Bool),
                Values::Int(v) => v.get(row).map(Got::Int),
                Values::Float(v) => v.get(row).map(|v| Got::Float(v, 0.0)),
                Values::Text(v) => v.get(row).map(Got::Text),
                Values::Instant(v) => v.get(row).map(|v| Got::Instant(v, 0)),
            };
            compare(table, c, row, &value.unwrap_or(Got::Missing), &file.name)?;
        }
    }
    Ok(())
}

impl Stage for Parquet {
    type Options = Options;

    const SPEC: Spec = Spec {
        name: "export-parquet",
        version: 1,
        summary: "Writes the points as a Parquet file with every digit and the statement of reference inside",
        doc: include_str!("parquet.md"),
        inputs: Inputs::One,
        delivers: true,
        examples: &[Example { title: "An archive copy", options: "path: points.parquet\n" }],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let ready = deliver::ready(cx, &options.path, None, true)?;
        let schema = cx.input()?;
        file_names(&schema.columns.iter().collect::<Vec<_>>(), &[]).map_err(|p| vec![p])?;
        let notes = ready.notes.clone();
        let mut bound = Bound::new(Self { options, ready }, schema.clone(), Grain::Whole);
        bound.notes = notes;
        Ok(bound)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("a delivery was run without a table"))?;
        deliver::same_frame(table, &self.ready.frame)?;
        let columns: Vec<&Column> = table.schema.columns.iter().collect();
        let cells = cells::cells(table, &columns, &self.options.path)?;
        let position =
            cells::position(&table.schema, &self.ready.frame).map_err(|_| Problem::broken("the table lost its position columns"))?;
        all_placed(table, &position, &self.options.path)?;
        let subject = Subject {
            file: &self.options.path,
            format: "Apache Parquet",
            columns: columns.iter().map(|c| (*c, None)).collect(),
            table,
            frame: &self.ready.frame,
            reference: &self.ready.reference,
        };
        let words = statement(&subject);
        let text = words.to_string();
        let file = cx.create(&self.options.path, "path")?;
        write(&file, table, &cells, &text)?;
        verify(&file, table, &cells, &text)?;
        deliver::finish(cx, &file, &subject, &words)?;
        Ok(table.clone())
    }
}

#[cfg(test)]
mod tests;
