//! Columns with a schema that nothing can lose.

pub mod schema;

use crate::problem::Problem;
use polars::prelude::*;
use schema::{Column as Spec, Holds, Role, Schema};
use std::borrow::Cow;
use std::sync::Arc;

/// A Polars data frame and, beside it, the typed schema that holds units, roles and frame.
///
/// Polars knows nothing of the schema, so no Polars operation can drop it. [`Table::check`]
/// compares the two, and core calls it after every step.
#[derive(Clone, Debug)]
pub struct Table {
    /// The columns, in the order of the schema.
    pub data: DataFrame,
    /// What they mean.
    pub schema: Arc<Schema>,
}

/// The Polars type of a [`Holds`].
#[must_use]
pub fn dtype(holds: Holds) -> DataType {
    match holds {
        Holds::Bool => DataType::Boolean,
        Holds::Int => DataType::Int64,
        Holds::Float => DataType::Float64,
        Holds::Text => DataType::String,
        Holds::Instant => DataType::Datetime(TimeUnit::Nanoseconds, Some(TimeZone::UTC)),
    }
}

impl Table {
    /// Joins a frame and its schema.
    ///
    /// # Errors
    /// When names, order, types or nullability differ from the schema.
    pub fn new(data: DataFrame, schema: Arc<Schema>) -> Result<Self, Problem> {
        let table = Self { data, schema };
        table.check()?;
        Ok(table)
    }

    /// A table of no rows.
    ///
    /// # Errors
    /// When the schema names a column twice.
    pub fn empty(schema: Arc<Schema>) -> Result<Self, Problem> {
        let columns = schema.columns.iter().map(|c| Column::new_empty(c.name.as_str().into(), &dtype(c.holds))).collect();
        Self::new(DataFrame::new(0, columns).map_err(Problem::broken)?, schema)
    }

    /// Number of rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.data.height()
    }

    /// Compares names, order, types and nullability with the schema.
    ///
    /// # Errors
    /// A broken promise, in words.
    pub fn check(&self) -> Result<(), Problem> {
        let columns = self.data.columns();
        if columns.len() != self.schema.columns.len() {
            return Err(Problem::broken(format!("{} columns were promised and {} delivered", self.schema.columns.len(), columns.len())));
        }
        for (have, want) in columns.iter().zip(&self.schema.columns) {
            if have.name().as_str() != want.name {
                return Err(Problem::broken(format!("column `{}` was promised, `{}` delivered", want.name, have.name())));
            }
            if *have.dtype() != dtype(want.holds) {
                return Err(Problem::broken(format!("column `{}` should hold {:?} and holds {}", want.name, want.holds, have.dtype())));
            }
            if !want.nullable && have.null_count() > 0 {
                return Err(Problem::broken(format!("column `{}` must not be empty and is, in {} rows", want.name, have.null_count())));
            }
        }
        Ok(())
    }

    fn column(&self, name: &str) -> Result<&Column, Problem> {
        self.data.column(name).map_err(Problem::broken)
    }

    /// The numbers of a float column; a missing value is NaN.
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn floats(&self, name: &str) -> Result<Cow<'_, [f64]>, Problem> {
        let values = self.column(name)?.as_materialized_series().f64().map_err(Problem::broken)?;
        match values.cont_slice() {
            Ok(slice) => Ok(Cow::Borrowed(slice)),
            Err(_) => {
                let mut out = Vec::with_capacity(values.len());
                for chunk in values.downcast_iter() {
                    match chunk.validity() {
                        None => out.extend_from_slice(chunk.values()),
                        Some(known) => out.extend(chunk.values().iter().zip(known).map(|(v, k)| if k { *v } else { f64::NAN })),
                    }
                }
                Ok(Cow::Owned(out))
            }
        }
    }

    /// Number of rows in which a column is missing.
    ///
    /// # Errors
    /// When the column is absent.
    pub fn missing(&self, name: &str) -> Result<usize, Problem> {
        Ok(self.column(name)?.null_count())
    }

    /// The whole numbers of an integer column.
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn ints(&self, name: &str) -> Result<Vec<Option<i64>>, Problem> {
        Ok(self.column(name)?.as_materialized_series().i64().map_err(Problem::broken)?.iter().collect())
    }

    /// The numbers of an integer column, or the nanoseconds of a column of instants, without a copy
    /// where none is missing; a missing value is 0.
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn whole_numbers(&self, name: &str) -> Result<Cow<'_, [i64]>, Problem> {
        let series = self.column(name)?.as_materialized_series();
        let values = match series.dtype() {
            DataType::Datetime(..) => series.datetime().map_err(Problem::broken)?.physical(),
            _ => series.i64().map_err(Problem::broken)?,
        };
        Ok(values.cont_slice().map_or_else(|_| Cow::Owned(values.iter().map(|v| v.unwrap_or(0)).collect()), Cow::Borrowed))
    }

    /// Instants in nanoseconds since 1970-01-01T00:00:00 UTC (leap seconds not counted).
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn instants(&self, name: &str) -> Result<Vec<Option<i64>>, Problem> {
        Ok(self.column(name)?.as_materialized_series().datetime().map_err(Problem::broken)?.physical().iter().collect())
    }

    /// The texts of a text column.
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn texts(&self, name: &str) -> Result<Vec<Option<&str>>, Problem> {
        Ok(self.column(name)?.as_materialized_series().str().map_err(Problem::broken)?.iter().collect())
    }

    /// The truth values of a bool column.
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn bools(&self, name: &str) -> Result<Vec<Option<bool>>, Problem> {
        Ok(self.column(name)?.as_materialized_series().bool().map_err(Problem::broken)?.iter().collect())
    }

    /// The rows where `keep` is true, under the same schema.
    ///
    /// # Errors
    /// When `keep` has another length.
    pub fn filter(&self, keep: &[bool]) -> Result<Self, Problem> {
        if keep.iter().all(|k| *k) && keep.len() == self.rows() {
            return Ok(self.clone());
        }
        let mask = BooleanChunked::from_slice("keep".into(), keep);
        self.by_column(keep.iter().filter(|k| **k).count(), |column| column.filter(&mask))
    }

    /// The rows with these numbers, in this order, under the same schema.
    ///
    /// # Errors
    /// When a number is beyond the end.
    pub fn take(&self, rows: &[u32]) -> Result<Self, Problem> {
        let index = IdxCa::from_slice("row".into(), rows);
        self.by_column(rows.len(), |column| column.take(&index))
    }

    /// One column after another on this thread. The column library would hand the columns to its
    /// own pool, and all sessions in flight would queue there for work that takes microseconds.
    fn by_column(&self, rows: usize, make: impl Fn(&Column) -> PolarsResult<Column>) -> Result<Self, Problem> {
        let columns = self.data.columns().iter().map(make).collect::<PolarsResult<Vec<_>>>().map_err(Problem::broken)?;
        Ok(Self { data: DataFrame::new(rows, columns).map_err(Problem::broken)?, schema: self.schema.clone() })
    }

    /// Tables of one schema, one below the other, in the order given.
    ///
    /// # Errors
    /// When the schemas differ.
    pub fn stack(tables: Vec<Self>, schema: Arc<Schema>) -> Result<Self, Problem> {
        let mut all = Self::empty(schema)?;
        for table in &tables {
            if table.schema.columns != all.schema.columns || table.schema.frame != all.schema.frame {
                return Err(Problem::broken("tables of two schemas cannot be put one below the other"));
            }
            all.data.vstack_mut(&table.data).map_err(Problem::broken)?;
        }
        // One column after another gives up its pieces, so that the whole never stands in memory twice.
        drop(tables);
        all.data.rechunk_mut();
        Ok(all)
    }
}

/// Builds a table column by column in the order of a schema.
///
/// Columns may be set in any order; [`TableBuilder::finish`] refuses a missing one.
pub struct TableBuilder {
    schema: Arc<Schema>,
    rows: usize,
    columns: Vec<Option<Column>>,
}

impl TableBuilder {
    /// A builder for `rows` rows.
    #[must_use]
    pub fn new(schema: Arc<Schema>, rows: usize) -> Self {
        let columns = vec![None; schema.columns.len()];
        Self { schema, rows, columns }
    }

    /// Starts from the columns of `table` that the schema also has under the same name.
    #[must_use]
    pub fn from_table(schema: Arc<Schema>, table: &Table) -> Self {
        let mut builder = Self::new(schema, table.rows());
        for (i, spec) in builder.schema.columns.iter().enumerate() {
            if let Ok(column) = table.data.column(&spec.name) {
                builder.columns[i] = Some(column.clone());
            }
        }
        builder
    }

    fn set(&mut self, name: &str, column: Column) {
        if let Some(i) = self.schema.columns.iter().position(|c| c.name == name) {
            self.columns[i] = Some(column);
        }
    }

    /// A float column; NaN means missing.
    pub fn floats(&mut self, name: &str, values: Vec<f64>) -> &mut Self {
        // The values stay where they are; only the bits that say which are missing are made.
        let missing = values.iter().filter(|v| v.is_nan()).count();
        let known = if missing > 0 { Some(values.iter().map(|v| !v.is_nan()).collect()) } else { None };
        self.set(name, Float64Chunked::from_vec_validity(name.into(), values, known).into_column());
        self
    }

    /// An integer column.
    pub fn ints(&mut self, name: &str, values: Vec<i64>) -> &mut Self {
        self.set(name, Int64Chunked::from_vec(name.into(), values).into_column());
        self
    }

    /// An integer column with missing values.
    pub fn ints_or_none(&mut self, name: &str, values: impl IntoIterator<Item = Option<i64>>) -> &mut Self {
        self.set(name, Int64Chunked::from_iter_options(name.into(), values.into_iter()).into_column());
        self
    }

    /// A column of instants, in nanoseconds since 1970 UTC.
    pub fn instants(&mut self, name: &str, values: Vec<i64>) -> &mut Self {
        let column = Int64Chunked::from_vec(name.into(), values)
            .into_datetime(TimeUnit::Nanoseconds, Some(TimeZone::UTC))
            .into_series()
            .into_column();
        self.set(name, column);
        self
    }

    /// A column of instants with missing values.
    pub fn instants_or_none(&mut self, name: &str, values: impl IntoIterator<Item = Option<i64>>) -> &mut Self {
        let column = Int64Chunked::from_iter_options(name.into(), values.into_iter())
            .into_datetime(TimeUnit::Nanoseconds, Some(TimeZone::UTC))
            .into_series()
            .into_column();
        self.set(name, column);
        self
    }

    /// A text column with missing values.
    pub fn texts<'a>(&mut self, name: &str, values: impl IntoIterator<Item = Option<&'a str>>) -> &mut Self {
        let column = StringChunked::from_iter_options(name.into(), values.into_iter()).into_column();
        self.set(name, column);
        self
    }

    /// A text column that holds the same text in every row.
    pub fn text_everywhere(&mut self, name: &str, value: &str) -> &mut Self {
        let column = StringChunked::full(name.into(), value, self.rows).into_column();
        self.set(name, column);
        self
    }

    /// A bool column.
    pub fn bools(&mut self, name: &str, values: &[bool]) -> &mut Self {
        self.set(name, BooleanChunked::from_slice(name.into(), values).into_column());
        self
    }

    /// Any Polars column under its schema name.
    pub fn column(&mut self, name: &str, column: Column) -> &mut Self {
        self.set(name, column.with_name(name.into()));
        self
    }

    /// The table.
    ///
    /// # Errors
    /// When a column was never set, has another length or breaks the schema.
    pub fn finish(self) -> Result<Table, Problem> {
        let mut columns = Vec::with_capacity(self.columns.len());
        for (column, spec) in self.columns.into_iter().zip(&self.schema.columns) {
            match column {
                Some(column) => columns.push(column),
                None if spec.nullable => columns.push(Column::full_null(spec.name.as_str().into(), self.rows, &dtype(spec.holds))),
                None => return Err(Problem::broken(format!("column `{}` was promised and never set", spec.name))),
            }
        }
        Table::new(DataFrame::new(self.rows, columns).map_err(Problem::broken)?, self.schema)
    }
}

/// Finds the name of the column with a role in a table's schema.
///
/// # Errors
/// When no column has the role.
pub fn by_role(schema: &Schema, role: Role) -> Result<&Spec, Problem> {
    schema.role(role).ok_or_else(|| Problem::new("plan/missing-role", format!("no column holds {}", role.meaning())))
}
