//! A free condition over the columns of a table, in standard SQL.
//!
//! Only conditions that look at one row at a time are let through: a sum or a look at the row
//! before would make the answer depend on which other rows are there.

use super::nearest::nearest;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Schema;
use pipeline_base::table::{Table, dtype};
use polars::prelude::{AggExpr, Column, DataFrame, DataType, Expr, IntoLazy};
use std::panic::{AssertUnwindSafe, catch_unwind};

/// Longest condition that is read, in bytes.
const LONGEST: usize = 4096;

/// Functions that look at one row at a time, by the names that Polars prints for them.
const ROW_BY_ROW: &[&str] = &[
    "is_null",
    "is_not_null",
    "is_nan",
    "is_not_nan",
    "is_finite",
    "is_infinite",
    "is_between",
    "is_in",
    "not",
    "any_horizontal",
    "all_horizontal",
    "abs",
    "sign",
    "round",
    "floor",
    "ceil",
    "truncate",
    "pow",
    "sqrt",
    "cbrt",
    "exp",
    "log",
    "log1p",
    "coalesce",
    "fill_null",
    "negate",
    "max_horizontal",
    "min_horizontal",
    "sin",
    "cos",
    "tan",
    "cot",
    "arcsin",
    "arccos",
    "arctan",
    "arctan2",
    "degrees",
    "radians",
    "floor_div",
    "null_if",
];

/// A condition that fits a schema.
pub struct Predicate {
    text: String,
    expr: Expr,
    columns: Vec<String>,
}

impl Predicate {
    /// Reads a condition and proves that it fits the schema.
    ///
    /// # Errors
    /// When the text is no SQL condition, names a column that does not exist, looks at more than
    /// one row, or does not give true or false.
    pub fn bind(text: &str, schema: &Schema) -> Result<Self, Problem> {
        if text.trim().is_empty() {
            return Err(Problem::new("gate/bad-condition", "the condition is empty")
                .fix("write a condition such as `pdop < 3 AND satellites >= 7`, or leave `where` out"));
        }
        if text.len() > LONGEST {
            return Err(Problem::new("gate/bad-condition", format!("the condition has {} bytes; at most {LONGEST} are read", text.len()))
                .fix("split it over several gates"));
        }
        if has_word(text, "select") {
            return Err(one_row(text, "a query inside a condition"));
        }
        let parsed = catch_unwind(AssertUnwindSafe(|| polars::sql::sql_expr(text)));
        let expr = match parsed {
            Ok(Ok(expr)) => expr,
            Ok(Err(e)) => return Err(unreadable(text, &e.to_string())),
            Err(_) => return Err(unreadable(text, "the parser gave up")),
        };
        let mut columns: Vec<String> = vec![];
        for node in &expr {
            match node {
                Expr::Column(name) => {
                    if schema.named(name).is_none() {
                        let names: Vec<&str> = schema.columns.iter().map(|c| c.name.as_str()).collect();
                        let fix = nearest(name, names.iter().copied())
                            .map_or_else(|| format!("the columns are {}", names.join(", ")), |n| format!("did you mean `{n}`?"));
                        return Err(Problem::new(
                            "gate/unknown-column",
                            format!("the condition names the column `{name}`, which does not exist"),
                        )
                        .fix(fix));
                    }
                    if !columns.iter().any(|c| c.as_str() == name.as_str()) {
                        columns.push(name.to_string());
                    }
                }
                Expr::Literal(_) | Expr::BinaryExpr { .. } | Expr::Cast { .. } | Expr::Ternary { .. } => {}
                Expr::Function { function, .. } => {
                    let name = function.to_string();
                    if !ROW_BY_ROW.contains(&name.as_str()) && !name.starts_with("str.") && !name.starts_with("dt.") {
                        return Err(one_row(text, &format!("`{name}`")));
                    }
                }
                // The list of values behind IN.
                Expr::Agg(AggExpr::Implode { input, .. }) if matches!(**input, Expr::Literal(_)) => {}
                Expr::Agg(_) | Expr::Len => return Err(one_row(text, "a sum, mean, count or extreme over rows")),
                Expr::Alias(..) => return Err(unreadable(text, "a condition has no name of its own (`AS ...`)")),
                _ => return Err(one_row(text, "this kind of expression")),
            }
        }
        if columns.is_empty() {
            return Err(Problem::new("gate/bad-condition", format!("the condition `{text}` names no column"))
                .fix("compare at least one column, such as `pdop < 3`"));
        }
        let predicate = Self { text: text.to_owned(), expr, columns };
        predicate.probe(schema)?;
        Ok(predicate)
    }

    /// Tries the condition on frames of no rows and of three empty rows.
    fn probe(&self, schema: &Schema) -> Result<(), Problem> {
        for rows in [0, 3] {
            let columns = self
                .columns
                .iter()
                .filter_map(|name| schema.named(name))
                .map(|c| Column::full_null(c.name.as_str().into(), rows, &dtype(c.holds)))
                .collect();
            let frame = DataFrame::new(rows, columns).map_err(Problem::broken)?;
            let answer = self.answer(frame).map_err(|why| unreadable(&self.text, &why))?;
            if *answer.dtype() != DataType::Boolean {
                return Err(Problem::new(
                    "gate/bad-condition",
                    format!("the condition `{}` gives {}, not true or false", self.text, answer.dtype()),
                )
                .fix("compare with a value, such as `satellites >= 7`"));
            }
            if answer.len() != rows {
                return Err(one_row(&self.text, "this expression"));
            }
        }
        Ok(())
    }

    fn answer(&self, frame: DataFrame) -> Result<Column, String> {
        let expr = self.expr.clone().alias("where");
        match catch_unwind(AssertUnwindSafe(|| frame.lazy().select([expr]).collect())) {
            Ok(Ok(done)) => done.columns().first().cloned().ok_or_else(|| "no answer".to_owned()),
            Ok(Err(e)) => Err(e.to_string()),
            Err(_) => Err("the condition cannot be worked out".to_owned()),
        }
    }

    /// Whether each row meets the condition; a row for which it is unknown does not.
    ///
    /// # Errors
    /// When Polars fails on the data.
    pub fn test(&self, table: &Table) -> Result<Vec<bool>, Problem> {
        let columns = self.columns.iter().map(|n| table.data.column(n).cloned()).collect::<Result<Vec<_>, _>>().map_err(Problem::broken)?;
        let frame = DataFrame::new(table.rows(), columns).map_err(Problem::broken)?;
        let answer = self.answer(frame).map_err(|why| unreadable(&self.text, &why))?;
        let bools = answer.as_materialized_series().bool().map_err(Problem::broken)?;
        if bools.len() != table.rows() {
            return Err(one_row(&self.text, "this expression"));
        }
        Ok(bools.iter().map(|b| b == Some(true)).collect())
    }
}

fn unreadable(text: &str, why: &str) -> Problem {
    let mut why = why.lines().next().unwrap_or_default().to_owned();
    why.truncate(why.char_indices().nth(200).map_or(why.len(), |(i, _)| i));
    Problem::new("gate/bad-condition", format!("the condition `{text}` cannot be read: {why}"))
        .fix("write a condition in standard SQL, such as `pdop < 3 AND base_station IN ('0412')`")
}

fn one_row(text: &str, what: &str) -> Problem {
    Problem::new("gate/not-one-row", format!("the condition `{text}` uses {what}, and may only look at one row at a time"))
        .why("what happens to an epoch must not depend on which other epochs are in the table")
        .fix("use columns, numbers, texts in single quotes, comparisons, AND, OR, NOT, BETWEEN, IN, IS NULL and arithmetic")
}

/// Whether a word stands in the text outside quotes.
fn has_word(text: &str, word: &str) -> bool {
    let mut quote: Option<char> = None;
    let mut current = String::new();
    for c in text.chars().chain(std::iter::once(' ')) {
        if let Some(q) = quote {
            if c == q {
                quote = None;
            }
            continue;
        }
        if c.is_alphanumeric() || c == '_' {
            current.push(c);
        } else {
            if current.eq_ignore_ascii_case(word) {
                return true;
            }
            current.clear();
            if matches!(c, '\'' | '"' | '`') {
                quote = Some(c);
            }
        }
    }
    false
}
