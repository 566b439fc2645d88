//! Columns with a schema.

use crate::column::{Bits, Lent, Own, Values};
use crate::{Column, Holds, Problem, Schema};
use std::borrow::Cow;
use std::sync::Arc;

/// The values of one column: lent by the host, or made here.
#[derive(Clone)]
pub(crate) enum Data {
    Lent(Lent),
    Own(Arc<Own>),
}

/// Columns with a schema. What was not touched is handed back to the host without a copy.
#[derive(Clone)]
pub struct Table {
    pub(crate) schema: Arc<Schema>,
    pub(crate) rows: usize,
    pub(crate) columns: Vec<Data>,
}

fn other(name: &str, holds: Holds) -> Problem {
    Problem::new("other-type", format!("column `{name}` does not hold {holds:?}"))
}

impl Data {
    fn bits(&self) -> Option<Bits<'_>> {
        match self {
            Self::Lent(lent) => lent.known(),
            Self::Own(own) => own.known.as_ref().map(|k| Bits { bytes: k, offset: 0 }),
        }
    }

    fn floats(&self) -> Option<&[f64]> {
        match self {
            Self::Lent(lent) => lent.floats(),
            Self::Own(own) => match &own.values {
                Values::Floats(v) => Some(v),
                _ => None,
            },
        }
    }

    fn ints(&self) -> Option<&[i64]> {
        match self {
            Self::Lent(lent) => lent.ints(),
            Self::Own(own) => match &own.values {
                Values::Ints(v) => Some(v),
                _ => None,
            },
        }
    }

    fn truths(&self) -> Option<Bits<'_>> {
        match self {
            Self::Lent(lent) => lent.truths(),
            Self::Own(own) => match &own.values {
                Values::Bits(bytes) => Some(Bits { bytes, offset: 0 }),
                _ => None,
            },
        }
    }

    fn texts(&self) -> Option<(&[i64], &[u8])> {
        match self {
            Self::Lent(lent) => lent.texts(),
            Self::Own(own) => match &own.values {
                Values::Texts(offsets, bytes) => Some((offsets, bytes)),
                _ => None,
            },
        }
    }

    fn is_known(&self, row: usize) -> bool {
        self.bits().is_none_or(|b| b.get(row))
    }
}

impl Table {
    /// Number of rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// What the columns mean.
    #[must_use]
    pub fn schema(&self) -> &Schema {
        &self.schema
    }

    fn find(&self, name: &str, holds: Holds) -> Result<&Data, Problem> {
        let at = self.schema.columns.iter().position(|c| c.name == name);
        let at = at.ok_or_else(|| Problem::new("no-column", format!("the table has no column `{name}`")))?;
        if self.schema.columns[at].holds == holds { Ok(&self.columns[at]) } else { Err(other(name, holds)) }
    }

    /// The numbers of a float column; a missing value is NaN.
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn floats(&self, name: &str) -> Result<Cow<'_, [f64]>, Problem> {
        let data = self.find(name, Holds::Float)?;
        let values = data.floats().ok_or_else(|| other(name, Holds::Float))?;
        Ok(match data.bits() {
            None => Cow::Borrowed(values),
            Some(known) => values.iter().enumerate().map(|(i, v)| if known.get(i) { *v } else { f64::NAN }).collect(),
        })
    }

    fn whole(&self, name: &str, holds: Holds) -> Result<Vec<Option<i64>>, Problem> {
        let data = self.find(name, holds)?;
        let values = data.ints().ok_or_else(|| other(name, holds))?;
        Ok(values.iter().enumerate().map(|(i, v)| data.is_known(i).then_some(*v)).collect())
    }

    /// The whole numbers of an integer column.
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn ints(&self, name: &str) -> Result<Vec<Option<i64>>, Problem> {
        self.whole(name, Holds::Int)
    }

    /// Instants in nanoseconds since 1970-01-01T00:00:00 UTC.
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn instants(&self, name: &str) -> Result<Vec<Option<i64>>, Problem> {
        self.whole(name, Holds::Instant)
    }

    /// The texts of a text column.
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn texts(&self, name: &str) -> Result<Vec<Option<&str>>, Problem> {
        let data = self.find(name, Holds::Text)?;
        let (offsets, bytes) = data.texts().ok_or_else(|| other(name, Holds::Text))?;
        let text = |i: usize| {
            let (from, to) = (usize::try_from(offsets[i]).ok()?, usize::try_from(offsets[i + 1]).ok()?);
            std::str::from_utf8(bytes.get(from..to)?).ok()
        };
        Ok((0..self.rows).map(|i| if data.is_known(i) { text(i) } else { None }).collect())
    }

    /// The truth values of a bool column.
    ///
    /// # Errors
    /// When the column is absent or holds something else.
    pub fn bools(&self, name: &str) -> Result<Vec<Option<bool>>, Problem> {
        let data = self.find(name, Holds::Bool)?;
        let values = data.truths().ok_or_else(|| other(name, Holds::Bool))?;
        Ok((0..self.rows).map(|i| data.is_known(i).then(|| values.get(i))).collect())
    }

    /// The rows where `keep` is true, under the same schema.
    ///
    /// # Errors
    /// When `keep` has another length.
    pub fn filter(&self, keep: &[bool]) -> Result<Self, Problem> {
        if keep.len() != self.rows {
            return Err(Problem::new("other-length", format!("{} decisions for {} rows", keep.len(), self.rows)));
        }
        if keep.iter().all(|k| *k) {
            return Ok(self.clone());
        }
        let rows: Vec<u32> = (0_u32..).zip(keep).filter(|(_, k)| **k).map(|(i, _)| i).collect();
        self.take(&rows)
    }

    /// The rows with these numbers, in this order, under the same schema.
    ///
    /// # Errors
    /// When a number is beyond the end.
    pub fn take(&self, rows: &[u32]) -> Result<Self, Problem> {
        if let Some(beyond) = rows.iter().find(|r| **r as usize >= self.rows) {
            return Err(Problem::new("beyond-the-end", format!("row {beyond} of {}", self.rows)));
        }
        let mut builder = TableBuilder::new(&self.schema, rows.len());
        for column in &self.schema.columns {
            let name = column.name.as_str();
            let pick = |i: &u32| *i as usize;
            match column.holds {
                Holds::Float => {
                    let all = self.floats(name)?;
                    builder.floats(name, rows.iter().map(|r| all[pick(r)]).collect());
                }
                Holds::Int | Holds::Instant => {
                    let all = self.whole(name, column.holds)?;
                    builder.whole(name, rows.iter().map(|r| all[pick(r)]).collect());
                }
                Holds::Text => {
                    let all = self.texts(name)?;
                    builder.texts(name, rows.iter().map(|r| all[pick(r)]));
                }
                Holds::Bool => {
                    let all = self.bools(name)?;
                    builder.bools(name, rows.iter().map(|r| all[pick(r)]));
                }
            }
        }
        builder.finish()
    }
}

/// Builds a table column by column.
pub struct TableBuilder {
    schema: Arc<Schema>,
    rows: usize,
    columns: Vec<Option<Data>>,
    wrong: Option<Problem>,
}

impl TableBuilder {
    /// A builder for `rows` rows.
    #[must_use]
    pub fn new(schema: &Schema, rows: usize) -> Self {
        let columns = vec![None; schema.columns.len()];
        Self { schema: Arc::new(schema.clone()), rows, columns, wrong: None }
    }

    /// A builder with the rows of a table and those of its columns that the schema also has, shared with it.
    #[must_use]
    pub fn from(table: &Table, schema: &Schema) -> Self {
        let mut builder = Self::new(schema, table.rows);
        for (slot, column) in builder.columns.iter_mut().zip(&schema.columns) {
            let at = table.schema.columns.iter().position(|c| c.name == column.name && c.holds == column.holds);
            *slot = at.map(|i| table.columns[i].clone());
        }
        builder
    }

    fn set(&mut self, name: &str, values: Values, known: Vec<bool>, holds: &[Holds]) -> &mut Self {
        let length = known.len();
        let all = known.iter().all(|k| *k);
        let nulls = known.iter().filter(|k| !**k).count();
        let known = (!all).then(|| crate::column::pack(known));
        match self.schema.columns.iter().position(|c| c.name == name) {
            None => self.refuse(Problem::new("no-column", format!("the promised table has no column `{name}`"))),
            Some(at) if !holds.contains(&self.schema.columns[at].holds) => {
                let holds = self.schema.columns[at].holds;
                self.refuse(other(name, holds));
            }
            Some(_) if length != self.rows => {
                self.refuse(Problem::new("other-length", format!("column `{name}` has {length} values for {} rows", self.rows)));
            }
            Some(at) => self.columns[at] = Some(Data::Own(Arc::new(Own { rows: length, nulls, known, values }))),
        }
        self
    }

    fn refuse(&mut self, problem: Problem) {
        self.wrong.get_or_insert(problem);
    }

    /// A float column; NaN means missing.
    pub fn floats(&mut self, name: &str, values: Vec<f64>) -> &mut Self {
        let known = values.iter().map(|v| !v.is_nan()).collect();
        self.set(name, Values::Floats(values), known, &[Holds::Float])
    }

    fn whole(&mut self, name: &str, values: Vec<Option<i64>>) -> &mut Self {
        let known = values.iter().map(Option::is_some).collect();
        let values = values.into_iter().map(|v| v.unwrap_or(0)).collect();
        self.set(name, Values::Ints(values), known, &[Holds::Int, Holds::Instant])
    }

    /// An integer column with missing values.
    pub fn ints(&mut self, name: &str, values: impl IntoIterator<Item = Option<i64>>) -> &mut Self {
        self.whole(name, values.into_iter().collect())
    }

    /// A column of instants with missing values, in nanoseconds since 1970 UTC.
    pub fn instants(&mut self, name: &str, values: impl IntoIterator<Item = Option<i64>>) -> &mut Self {
        self.whole(name, values.into_iter().collect())
    }

    /// A text column with missing values.
    pub fn texts<'a>(&mut self, name: &str, values: impl IntoIterator<Item = Option<&'a str>>) -> &mut Self {
        let (mut offsets, mut bytes, mut known) = (vec![0_i64], vec![], vec![]);
        for value in values {
            known.push(value.is_some());
            bytes.extend_from_slice(value.unwrap_or_default().as_bytes());
            offsets.push(i64::try_from(bytes.len()).unwrap_or(i64::MAX));
        }
        self.set(name, Values::Texts(offsets, bytes), known, &[Holds::Text])
    }

    /// A bool column with missing values.
    pub fn bools(&mut self, name: &str, values: impl IntoIterator<Item = Option<bool>>) -> &mut Self {
        let values: Vec<Option<bool>> = values.into_iter().collect();
        let known = values.iter().map(Option::is_some).collect();
        let bits = crate::column::pack(values.into_iter().map(|v| v.unwrap_or(false)));
        self.set(name, Values::Bits(bits), known, &[Holds::Bool])
    }

    /// The table.
    ///
    /// # Errors
    /// When a column was never set, has another length or type, or is empty where it must not be.
    pub fn finish(self) -> Result<Table, Problem> {
        if let Some(wrong) = self.wrong {
            return Err(wrong);
        }
        let mut columns = vec![];
        for (data, column) in self.columns.into_iter().zip(&self.schema.columns) {
            columns.push(match data {
                Some(data) => data,
                None if column.nullable => Data::Own(Arc::new(empty(column, self.rows))),
                None => return Err(Problem::new("no-values", format!("column `{}` was promised and never set", column.name))),
            });
        }
        Ok(Table { schema: self.schema, rows: self.rows, columns })
    }
}

fn empty(column: &Column, rows: usize) -> Own {
    let values = match column.holds {
        Holds::Float => Values::Floats(vec![0.0; rows]),
        Holds::Int | Holds::Instant => Values::Ints(vec![0; rows]),
        Holds::Bool => Values::Bits(vec![0; rows.div_ceil(8)]),
        Holds::Text => Values::Texts(vec![0; rows + 1], vec![]),
    };
    Own { rows, nulls: rows, known: Some(vec![0; rows.div_ceil(8)]), values }
}
