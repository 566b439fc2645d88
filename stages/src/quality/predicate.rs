//! A free condition over the columns of a table, in SQL.
//!
//! The text is read by a parser of SQL; what it means is worked out here. Only what looks at one row at a time is understood:
//! a sum or a look at the row before would make the answer depend on which other rows are there.

mod functions;
mod like;
mod parts;
mod read;
#[cfg(test)]
mod tests;
mod texts;
mod tree;
mod values;
mod work_out;

use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Holds, Schema};
use read::Reader;
use sqlparser::ast::{Expr, SelectItem};
use sqlparser::dialect::GenericDialect;
use sqlparser::parser::{Parser, ParserOptions};
use sqlparser::tokenizer::Token;
use std::panic::{AssertUnwindSafe, catch_unwind};
use tree::Typed;
use values::Kind;
use values::{Rows, Values, of};

/// Longest condition that is read, in bytes.
const LONGEST: usize = 4096;

/// A condition that fits a schema.
pub(crate) struct Predicate {
    text: String,
    condition: Typed,
    columns: Vec<(String, Holds)>,
}

impl Predicate {
    /// Reads a condition and proves that it fits the schema.
    ///
    /// # Errors
    /// When the text is no SQL condition, names a column that does not exist, looks at more than
    /// one row, or does not give true or false.
    pub(crate) fn bind(text: &str, schema: &Schema) -> Result<Self, Problem> {
        if text.trim().is_empty() {
            return Err(Problem::new("gate/bad-condition", "the condition is empty")
                .fix("write a condition such as `pdop < 3 AND satellites >= 7`, or leave `where` out"));
        }
        if text.len() > LONGEST {
            return Err(Problem::new("gate/bad-condition", format!("the condition has {} bytes; at most {LONGEST} are read", text.len()))
                .fix("split it over several gates"));
        }
        let parsed = catch_unwind(AssertUnwindSafe(|| parse(text))).unwrap_or_else(|_| Err(unreadable(text, "the parser gave up")))?;
        let mut reader = Reader::new(text, schema);
        let condition = reader.read(&parsed)?;
        let columns = reader.columns;
        if columns.is_empty() {
            return Err(Problem::new("gate/bad-condition", format!("the condition `{text}` names no column"))
                .fix("compare at least one column, such as `pdop < 3`"));
        }
        if !matches!(condition.kind, Kind::Truth | Kind::Null) {
            let gives = condition.kind.words();
            return Err(Problem::new("gate/bad-condition", format!("the condition `{text}` gives {gives}, not true or false"))
                .fix("compare with a value, such as `satellites >= 7`"));
        }
        let predicate = Self { text: text.to_owned(), condition, columns };
        // Constants that cannot be worked out are found now, not at the first epoch.
        predicate.answer(predicate.columns.iter().map(|(_, holds)| values::unknown(*holds, 1)).collect(), 1)?;
        Ok(predicate)
    }

    /// Whether each row meets the condition; a row for which it is unknown does not.
    ///
    /// # Errors
    /// When a value of a row cannot be taken, such as a text that CAST is to make a number.
    pub(crate) fn test(&self, table: &Table) -> Result<Vec<bool>, Problem> {
        let columns = self.columns.iter().map(|(name, holds)| values::column(table, name, *holds)).collect::<Result<_, _>>()?;
        self.answer(columns, table.rows())
    }

    fn answer(&self, columns: Vec<Values>, rows: usize) -> Result<Vec<bool>, Problem> {
        let table = Rows { columns };
        let worked = |why: String| unreadable(&self.text, &why);
        let answer = table.work_out(&self.condition).map_err(worked)?;
        let truths = answer.as_truths().map_err(worked)?;
        Ok((0..rows).map(|row| answer.is_known(row) && *of(truths, row)).collect())
    }
}

/// The one expression that a text is.
fn parse(text: &str) -> Result<Expr, Problem> {
    let options = ParserOptions { trailing_commas: true, ..ParserOptions::default() };
    let broken = |e: sqlparser::parser::ParserError| unreadable(text, e.to_string().trim_start_matches("sql parser error: "));
    let mut parser = Parser::new(&GenericDialect).with_options(options).try_with_sql(text).map_err(broken)?;
    let item = parser.parse_select_item().map_err(broken)?;
    match &parser.peek_token().token {
        Token::EOF => (),
        token => return Err(unreadable(text, &format!("`{token}` does not belong there"))),
    }
    match item {
        SelectItem::UnnamedExpr(part) => Ok(part),
        SelectItem::ExprWithAlias { .. } | SelectItem::ExprWithAliases { .. } => {
            Err(unreadable(text, "a condition has no name of its own (`AS ...`)"))
        }
        _ => Err(one_row(text, "all columns at once")),
    }
}

fn unreadable(text: &str, why: &str) -> Problem {
    let mut why = why.lines().next().unwrap_or_default().to_owned();
    why.truncate(why.char_indices().nth(200).map_or(why.len(), |(i, _)| i));
    Problem::new("gate/bad-condition", format!("the condition `{text}` cannot be read: {why}"))
        .fix("write a condition in SQL, such as `pdop < 3 AND base_station IN ('0412')`")
}

fn one_row(text: &str, what: &str) -> Problem {
    Problem::new("gate/not-one-row", format!("the condition `{text}` uses {what}, and may only look at one row at a time"))
        .why("what happens to an epoch must not depend on which other epochs are in the table")
        .fix("use columns, numbers, texts in single quotes, comparisons, AND, OR, NOT, BETWEEN, IN, IS NULL and arithmetic")
}
