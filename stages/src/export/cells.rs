//! The cells of a table as a file will hold them, and the comparison with what a second reader
//! finds in the written file.

use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Axes, Column, Frame, Heights, Holds, Role, Schema, Unit};
use polars::prelude::{BooleanChunked, Float64Chunked, Int64Chunked, StringChunked};

/// The values of one column where they stand in the table; `None` is a missing value.
#[derive(Clone, Debug)]
pub(crate) enum Values<'a> {
    /// Truth values.
    Bool(&'a BooleanChunked),
    /// Whole numbers.
    Int(&'a Int64Chunked),
    /// Finite numbers, in the unit of the column.
    Float(&'a Float64Chunked),
    /// Texts.
    Text(&'a StringChunked),
    /// Nanoseconds since 1970 UTC.
    Instant(&'a Int64Chunked),
}

/// One column on its way to a file.
#[derive(Clone, Debug)]
pub(crate) struct Cells<'a> {
    /// Its name in the file.
    pub name: String,
    /// What it is.
    pub spec: &'a Column,
    /// Its values.
    pub values: Values<'a>,
}

/// One value that a second reader found in a file.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Got<'a> {
    /// Nothing.
    Missing,
    /// A truth value.
    Bool(bool),
    /// A whole number.
    Int(i64),
    /// A number, and how far it may be from the table (half a unit of the last written decimal), in
    /// the unit of the column.
    Float(f64, f64),
    /// A text.
    Text(&'a str),
    /// Nanoseconds since 1970 UTC, and how far they may be from the table.
    Instant(i64, i64),
    /// Something that cannot be a value of this column.
    Odd(String),
}

/// The name of a column in a file: it ends in its unit where it has one.
#[must_use]
pub(crate) fn file_name_of(column: &Column) -> String {
    let suffix = column.unit.symbol().replace('/', "_");
    let name = column.name.to_lowercase();
    if suffix.is_empty() || name == suffix.to_lowercase() || name.ends_with(&format!("_{}", suffix.to_lowercase())) {
        column.name.clone()
    } else {
        format!("{}_{suffix}", column.name)
    }
}

/// Names of all columns of a schema in a file, tested to be unique without regard to case, since
/// databases and drawing programs ignore it.
///
/// # Errors
/// When two columns would have one name.
pub(crate) fn file_names(columns: &[&Column], reserved: &[&str]) -> Result<Vec<String>, Problem> {
    let names: Vec<String> = columns.iter().map(|c| file_name_of(c)).collect();
    let mut seen: Vec<String> = reserved.iter().map(|r| (*r).to_owned()).collect();
    for name in &names {
        let lower = name.to_lowercase();
        if seen.contains(&lower) {
            return Err(Problem::new("export/two-columns-one-name", format!("two columns of the file would be named `{name}`"))
                .why("many programs do not tell upper and lower case apart in column names, and some names belong to the format")
                .fix("rename one of the columns in the step that makes it"));
        }
        seen.push(lower);
    }
    Ok(names)
}

/// Takes the named columns out of a table, in that order, and refuses numbers that are not finite.
///
/// # Errors
/// `export/not-finite`, naming point and column.
pub(crate) fn cells<'a>(table: &'a Table, columns: &[&'a Column], file: &str) -> Result<Vec<Cells<'a>>, Problem> {
    columns
        .iter()
        .map(|spec| {
            let series = table.data.column(&spec.name).map_err(Problem::broken)?.as_materialized_series();
            let values = match spec.holds {
                Holds::Bool => Values::Bool(series.bool().map_err(Problem::broken)?),
                Holds::Int => Values::Int(series.i64().map_err(Problem::broken)?),
                Holds::Text => Values::Text(series.str().map_err(Problem::broken)?),
                Holds::Instant => Values::Instant(series.datetime().map_err(Problem::broken)?.physical()),
                Holds::Float => {
                    let values = series.f64().map_err(Problem::broken)?;
                    if let Some((row, value)) = values.iter().enumerate().find_map(|(i, v)| v.filter(|v| !v.is_finite()).map(|v| (i, v))) {
                        return Err(not_finite(table, row, spec, value, file));
                    }
                    Values::Float(values)
                }
            };
            Ok(Cells { name: file_name_of(spec), spec, values })
        })
        .collect()
}

fn not_finite(table: &Table, row: usize, spec: &Column, value: f64, file: &str) -> Problem {
    about_row(
        Diagnostic::new(
            "export/not-finite",
            Verdict::Block,
            format!("column `{}` of {} holds `{value}`, which is not a number that can be delivered", spec.name, row_name(table, row)),
        )
        .size("unknown: the value is no measurement")
        .why(format!("programs read such a value as zero, as text or not at all, so `{file}` was not written"))
        .fix("find the step that made the value, or set the row aside with a `quality-gate` step before this one"),
        table,
        row,
    )
}

/// A row in words: its point when it has one, else its number.
#[must_use]
pub(crate) fn row_name(table: &Table, row: usize) -> String {
    match text_of(table, Role::Point, row) {
        Some(point) => format!("point `{point}`"),
        None => format!("row {}", row + 1),
    }
}

/// The text of a row in the column with a role.
#[must_use]
pub(crate) fn text_of(table: &Table, role: Role, row: usize) -> Option<&str> {
    let name = &table.schema.role(role)?.name;
    table.data.column(name).ok()?.as_materialized_series().str().ok()?.get(row)
}

/// Adds place, point and raw lines of a row to a finding.
#[must_use]
pub(crate) fn about_row(mut finding: Diagnostic, table: &Table, row: usize) -> Problem {
    finding.place = row_name(table, row);
    finding.point = text_of(table, Role::Point, row).map(str::to_owned);
    let line = |role| {
        let name = &table.schema.role(role)?.name;
        table.data.column(name).ok()?.as_materialized_series().i64().ok()?.get(row).and_then(|l| u64::try_from(l).ok())
    };
    if let (Some(file), Some(first)) = (text_of(table, Role::File, row), line(Role::LineFirst)) {
        let last = line(Role::LineLast).unwrap_or(first);
        finding.labels.push(Label::lines(file, first, last, "the raw lines of this row"));
    }
    Problem::from(finding)
}

impl Cells<'_> {
    /// The value of a row in words, for messages.
    #[must_use]
    pub(crate) fn words(&self, row: usize) -> String {
        let shown = match &self.values {
            Values::Bool(v) => v.get(row).map(|v| v.to_string()),
            Values::Int(v) => v.get(row).map(|v| v.to_string()),
            Values::Float(v) => v.get(row).map(|v| v.to_string()),
            Values::Text(v) => v.get(row).map(str::to_owned),
            Values::Instant(v) => v.get(row).map(super::instant::iso),
        };
        shown.map_or_else(|| "nothing".to_owned(), |s| format!("`{s}`"))
    }

    /// Compares the value of a row with what was found in the file. `None` when they agree, else
    /// how far they are apart, in words.
    #[must_use]
    pub(crate) fn differs(&self, row: usize, got: &Got) -> Option<String> {
        let apart = match (&self.values, got) {
            (Values::Bool(v), Got::Bool(g)) => v.get(row) == Some(*g),
            (Values::Int(v), Got::Int(g)) => v.get(row) == Some(*g),
            (Values::Text(v), Got::Text(g)) => v.get(row) == Some(*g),
            (Values::Float(v), Got::Float(g, within)) => match v.get(row) {
                Some(want) => {
                    let apart = (want - g).abs();
                    // One unit in the last place of either number is the noise of parsing itself.
                    if apart <= within + want.abs().max(g.abs()) * 2.0 * f64::EPSILON {
                        return None;
                    }
                    return Some(distance(apart, self.spec.unit));
                }
                None => false,
            },
            (Values::Instant(v), Got::Instant(g, within)) => v.get(row).is_some_and(|want| want.abs_diff(*g) <= within.unsigned_abs()),
            (values, Got::Missing) => match values {
                Values::Bool(v) => v.get(row).is_none(),
                Values::Int(v) => v.get(row).is_none(),
                Values::Float(v) => v.get(row).is_none(),
                Values::Text(v) => v.get(row).is_none(),
                Values::Instant(v) => v.get(row).is_none(),
            },
            _ => false,
        };
        if apart { None } else { Some(String::new()) }
    }
}

/// A difference in a unit as metres where it is a length, for the size line.
fn distance(apart: f64, unit: Unit) -> String {
    let metres = match unit {
        Unit::Metre => apart,
        Unit::Foot => apart * 0.3048,
        Unit::UsSurveyFoot => apart * 1200.0 / 3937.0,
        Unit::Millimetre => apart / 1000.0,
        // A degree of latitude on the GRS 80 ellipsoid is about 111.1 km.
        Unit::Degree => return format!("{apart:.3e} deg, up to {:.4} m if it is a latitude", apart * 111_100.0),
        other => return format!("{apart} {}", other.symbol()).trim_end().to_owned(),
    };
    format!("{metres:.4} m")
}

/// What was found, in words.
fn got_words(got: &Got) -> String {
    match got {
        Got::Missing => "nothing".to_owned(),
        Got::Bool(v) => format!("`{v}`"),
        Got::Int(v) => format!("`{v}`"),
        Got::Float(v, _) => format!("`{v}`"),
        Got::Text(v) => format!("`{v}`"),
        Got::Instant(v, _) => format!("`{}`", super::instant::iso(*v)),
        Got::Odd(v) => v.clone(),
    }
}

/// Compares one cell of a written file with the table.
///
/// # Errors
/// `export/read-back-differs`, naming row and column.
pub(crate) fn compare(table: &Table, cells: &Cells, row: usize, got: &Got, file: &str) -> Result<(), Problem> {
    match cells.differs(row, got) {
        None => Ok(()),
        Some(size) => Err(about_row(
            Diagnostic::new(
                "export/read-back-differs",
                Verdict::Block,
                format!(
                    "`{file}` holds {} in column `{}` of {}, and the table holds {}",
                    got_words(got),
                    cells.name,
                    row_name(table, row),
                    cells.words(row)
                ),
            )
            .size(size)
            .why("the file was opened again after it was written and does not say what the table says")
            .fix("run the job again with the results on another disk; if it happens again, report it with the job and the record"),
            table,
            row,
        )),
    }
}

/// The finding of a file that differs as a whole.
#[must_use]
pub(crate) fn differs(file: &str, what: impl std::fmt::Display) -> Problem {
    Problem::from(
        Diagnostic::new("export/read-back-differs", Verdict::Block, format!("`{file}` {what}"))
            .place(format!("file `{file}`"))
            .why("the file was opened again after it was written and does not say what the table says")
            .fix("run the job again with the results on another disk; if it happens again, report it with the job and the record"),
    )
}

/// The columns of the position in the order east, north, up: what the frame says its axes are.
///
/// # Errors
/// `plan/missing-role` for each that the schema lacks.
pub(crate) fn position<'a>(schema: &'a Schema, frame: &Frame) -> Result<[&'a Column; 3], Vec<Problem>> {
    let (east, north) = match frame.axes {
        Axes::Projected(_) => (Role::Easting, Role::Northing),
        Axes::Geographic => (Role::Longitude, Role::Latitude),
    };
    let up = match frame.heights {
        Heights::Vertical { .. } => Role::Height,
        Heights::Ellipsoidal | Heights::ReceiverGeoid => Role::EllipsoidalHeight,
    };
    let found = [east, north, up].map(|role| {
        schema.role(role).filter(|c| c.holds == Holds::Float).ok_or_else(|| {
            Problem::new(
                "plan/missing-role",
                format!("the table says its frame is `{}` and has no column for {}", frame.name, role.meaning()),
            )
            .fix(match role {
                Role::Easting | Role::Northing => "add a `reproject` step before this one",
                Role::Height => "add a `height-convert` step before this one",
                _ => "take the table of an earlier step that still has positions, with `from`",
            })
        })
    });
    match found {
        [Ok(e), Ok(n), Ok(u)] => Ok([e, n, u]),
        other => Err(other.into_iter().filter_map(Result::err).collect()),
    }
}

/// Refuses a row without a complete position: a delivery is a list of places.
///
/// # Errors
/// `export/no-position`, naming point and column.
pub(crate) fn all_placed(table: &Table, position: &[&Column], file: &str) -> Result<(), Problem> {
    for spec in position {
        let series = table.data.column(&spec.name).map_err(Problem::broken)?.as_materialized_series();
        if series.null_count() == 0 {
            continue;
        }
        let row = series.f64().map_err(Problem::broken)?.iter().position(|v| v.is_none()).unwrap_or(0);
        return Err(about_row(
            Diagnostic::new(
                "export/no-position",
                Verdict::Block,
                format!(
                    "{} has no value in `{}`; {} of {} rows lack it",
                    row_name(table, row),
                    spec.name,
                    series.null_count(),
                    table.rows()
                ),
            )
            .size("unknown: there is no coordinate")
            .why(format!("each row of `{file}` is a place, and programs read an empty coordinate as zero"))
            .fix("set such rows aside with a `quality-gate` step before this one"),
            table,
            row,
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_end_in_their_unit() {
        let c = |name, unit| file_name_of(&Column::maybe(name, Holds::Float, unit, Role::Other));
        assert_eq!(c("easting_ftUS", Unit::UsSurveyFoot), "easting_ftUS");
        assert_eq!(c("depth", Unit::Foot), "depth_ft");
        assert_eq!(c("turn_rate_deg_s", Unit::DegreePerSecond), "turn_rate_deg_s");
        assert_eq!(c("speed", Unit::MetrePerSecond), "speed_m_s");
        assert_eq!(c("pdop_max", Unit::None), "pdop_max");
    }

    #[test]
    fn one_name_twice_is_refused() {
        let a = Column::maybe("depth", Holds::Float, Unit::Metre, Role::Other);
        let b = Column::maybe("Depth_M", Holds::Float, Unit::Metre, Role::Other);
        assert!(file_names(&[&a, &b], &[]).is_err());
        assert!(file_names(&[&a], &["depth_m"]).is_err());
        assert!(file_names(&[&a], &[]).is_ok());
    }
}
