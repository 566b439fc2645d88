#![doc = include_str!("csv.md")]

use super::cells::{self, Cells, Got, Values, all_placed, compare, differs, file_name_of, file_names};
use super::deliver;
use super::deliver::Ready;
use super::statement::{Subject, statement};
use super::{instant, path};
use crate::budget;
use crate::export::file::{cannot_read, cannot_write};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Column, Holds, Role, Schema, Unit};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, OutFile, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The character between two cells.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Delimiter {
    /// `,`
    #[default]
    Comma,
    /// `;`
    Semicolon,
    /// Tabulator.
    Tab,
}

impl Delimiter {
    const fn byte(self) -> u8 {
        match self {
            Self::Comma => b',',
            Self::Semicolon => b';',
            Self::Tab => b'\t',
        }
    }
}

/// Options of `export-csv`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Name of the file, below the results folder of the job.
    path: String,
    /// Columns in the order of the file, by their names in the table. Left out: all but those of the error budget (`budget_…`), in the order of the table.
    #[serde(default)]
    columns: Option<Vec<String>>,
    /// Character between two cells.
    #[serde(default)]
    delimiter: Delimiter,
    /// Decimals of lengths in m, ft and ftUS.
    #[serde(default = "four")]
    #[schemars(range(min = 0, max = 9))]
    decimals: u8,
    /// Decimals of latitudes and longitudes; 9 decimals round by less than 0.1 mm.
    #[serde(default = "nine")]
    #[schemars(range(min = 0, max = 12))]
    decimals_deg: u8,
    /// Whether the first line names the columns.
    #[serde(default = "yes")]
    header: bool,
}

const fn four() -> u8 {
    4
}
const fn nine() -> u8 {
    9
}
const fn yes() -> bool {
    true
}

/// The stage `export-csv`.
pub(crate) struct Csv {
    options: Options,
    columns: Vec<String>,
    ready: Ready,
}

/// How many decimals a column gets; `None`: every digit.
fn decimals(column: &Column, options: &Options) -> Option<usize> {
    match (column.holds, column.unit, column.role) {
        (Holds::Float, Unit::Metre | Unit::Foot | Unit::UsSurveyFoot, _) => Some(usize::from(options.decimals)),
        (Holds::Float, Unit::Degree, Role::Latitude | Role::Longitude) => Some(usize::from(options.decimals_deg)),
        (Holds::Float, Unit::Degree, _) => Some(6),
        (Holds::Float, Unit::Second, _) => Some(3),
        // Ratios and factors: a grid scale factor needs nine for a millimetre in a hundred kilometres.
        (Holds::Float, Unit::None, _) => Some(9),
        _ => None,
    }
}

/// A number with a count of decimals, without a minus before zero.
fn number(value: f64, decimals: Option<usize>) -> String {
    let text = match decimals {
        Some(d) => format!("{value:.d$}"),
        None => format!("{value}"),
    };
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| b == b'0' || b == b'.') => rest.to_owned(),
        _ => text,
    }
}

/// Half a unit of the last decimal; rounding half to even included.
fn within(decimals: Option<usize>) -> f64 {
    decimals.map_or(0.0, |d| 0.5 * 10_f64.powi(-i32::try_from(d).unwrap_or(0)) * (1.0 + 1e-9))
}

/// The cell of a row as text; a missing value is empty.
fn cell(cells: &Cells, row: usize, decimals: Option<usize>) -> String {
    let text = match &cells.values {
        Values::Bool(v) => v.get(row).map(|v| v.to_string()),
        Values::Int(v) => v.get(row).map(|v| v.to_string()),
        Values::Float(v) => v.get(row).map(|v| number(v, decimals)),
        Values::Text(v) => v.get(row).map(str::to_owned),
        Values::Instant(v) => v.get(row).map(instant::iso),
    };
    text.unwrap_or_default()
}

/// Reads a cell as a value of its column.
fn read<'a>(column: &Column, text: &'a str, decimals: Option<usize>) -> Got<'a> {
    let odd = || Got::Odd(format!("`{text}`"));
    match column.holds {
        _ if text.is_empty() => Got::Missing,
        Holds::Bool => text.parse().map_or_else(|_| odd(), Got::Bool),
        Holds::Int => text.parse().map_or_else(|_| odd(), Got::Int),
        Holds::Float => text.parse().map_or_else(|_| odd(), |v| Got::Float(v, within(decimals))),
        Holds::Text => Got::Text(text),
        Holds::Instant => instant::parse(text).map_or_else(odd, |v| Got::Instant(v, 0)),
    }
}

fn coarse(options: &Options, schema: &Schema) -> Option<Problem> {
    let length = |c: &&Column| matches!(c.role, Role::Easting | Role::Northing | Role::Height | Role::EllipsoidalHeight);
    let unit = schema.columns.iter().filter(length).map(|c| if c.unit == Unit::Metre { 1.0 } else { 0.3048 }).fold(0.0, f64::max);
    let by_length = within(Some(usize::from(options.decimals))) * unit;
    // A degree of latitude on the GRS 80 ellipsoid is at most 111.7 km.
    let by_angle = if schema.role(Role::Latitude).is_some() { within(Some(usize::from(options.decimals_deg))) * 111_700.0 } else { 0.0 };
    let (size, option) = if by_length >= by_angle { (by_length, "decimals") } else { (by_angle, "decimals_deg") };
    (size > 0.001).then(|| {
        Problem::from(
            Diagnostic::new("export/coarse-rounding", Verdict::Warn, format!("`{option}` rounds coordinates by up to {size:.3} m"))
                .size(format!("up to {size:.3} m per axis"))
                .why("the uncertainty columns do not contain this rounding")
                .fix(format!("raise `{option}`, or leave it out")),
        )
        .option(option)
    })
}

impl Csv {
    fn spec<'a>(&self, schema: &'a Schema) -> Result<Vec<(&'a Column, Option<usize>)>, Problem> {
        self.columns
            .iter()
            .map(|name| {
                let c = schema.named(name).ok_or_else(|| Problem::broken(format!("column `{name}` is gone")))?;
                Ok((c, decimals(c, &self.options)))
            })
            .collect()
    }

    fn write(&self, file: &OutFile, cells: &[Cells], places: &[Option<usize>], rows: usize) -> Result<(), Problem> {
        let mut writer = ::csv::WriterBuilder::new().delimiter(self.options.delimiter.byte()).from_writer(super::file::open(file)?);
        if self.options.header {
            writer.write_record(cells.iter().map(|c| c.name.as_str())).map_err(|e| cannot_write(file, e))?;
        }
        for row in 0..rows {
            writer.write_record(cells.iter().zip(places).map(|(c, d)| cell(c, row, *d))).map_err(|e| cannot_write(file, e))?;
        }
        let inner = writer.into_inner().map_err(|e| cannot_write(file, e.error()))?;
        super::file::close(inner, file)
    }

    fn verify(&self, file: &OutFile, table: &Table, cells: &[Cells], places: &[Option<usize>]) -> Result<(), Problem> {
        let mut reader = ::csv::ReaderBuilder::new()
            .delimiter(self.options.delimiter.byte())
            .has_headers(false)
            .from_path(&file.path)
            .map_err(|e| cannot_read(file, e))?;
        let mut records = reader.records();
        if self.options.header {
            let header = records.next().ok_or_else(|| differs(&file.name, "has no header line"))?.map_err(|e| cannot_read(file, e))?;
            if !header.iter().eq(cells.iter().map(|c| c.name.as_str())) {
                return Err(differs(&file.name, "has another header line than was written"));
            }
        }
        let mut rows = 0;
        for record in records {
            let record = record.map_err(|e| cannot_read(file, e))?;
            if record.len() != cells.len() || rows >= table.rows() {
                return Err(differs(
                    &file.name,
                    format!("has {} cells in row {}, and {} were written", record.len(), rows + 1, cells.len()),
                ));
            }
            for ((c, d), text) in cells.iter().zip(places).zip(record.iter()) {
                let got = read(c.spec, text, *d);
                // An empty text and a missing one look the same in this format.
                let empty_text = got == Got::Missing && matches!(&c.values, Values::Text(v) if v.get(rows) == Some(""));
                if !empty_text {
                    compare(table, c, rows, &got, &file.name)?;
                }
            }
            rows += 1;
        }
        if rows == table.rows() {
            Ok(())
        } else {
            Err(differs(&file.name, format!("holds {rows} rows, and the table holds {}", table.rows())))
        }
    }
}

/// Finds the columns that the job names.
fn chosen(options: &Options, schema: &Schema) -> Result<Vec<String>, Vec<Problem>> {
    let all = || schema.columns.iter().map(|c| c.name.as_str());
    let Some(wanted) = &options.columns else { return Ok(budget::without(schema).iter().map(|c| c.name.clone()).collect()) };
    let mut problems = vec![];
    if wanted.is_empty() {
        problems.push(
            Problem::new("export/no-columns", "`columns` is empty")
                .option("columns")
                .fix("name at least one column, or leave `columns` out"),
        );
    }
    for (i, name) in wanted.iter().enumerate() {
        if schema.named(name).is_none() {
            let fix = match path::nearest(name, all()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("the table has {}", all().map(|n| format!("`{n}`")).collect::<Vec<_>>().join(", ")),
            };
            problems.push(
                Problem::new("export/unknown-column", format!("the table has no column `{name}`")).option(format!("columns[{i}]")).fix(fix),
            );
        } else if wanted[..i].contains(name) {
            problems.push(
                Problem::new("export/two-columns-one-name", format!("`{name}` is named twice in `columns`"))
                    .option(format!("columns[{i}]"))
                    .fix("name it once"),
            );
        }
    }
    if problems.is_empty() { Ok(wanted.clone()) } else { Err(problems) }
}

impl Stage for Csv {
    type Options = Options;

    const SPEC: Spec = Spec {
        name: "export-csv",
        version: 1,
        summary: "Writes the points as a CSV text file with a statement of reference beside it",
        doc: include_str!("csv.md"),
        inputs: Inputs::One,
        delivers: true,
        examples: &[
            Example { title: "All columns", options: "path: points.csv\n" },
            Example {
                title: "Four columns in the order of the client, for a spreadsheet with a decimal comma",
                options: "path: client/points.csv\ncolumns: [point, easting_m, northing_m, height_m]\ndelimiter: semicolon\ndecimals: 3\n",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let ready = deliver::ready(cx, &options.path, None, true);
        let schema = cx.input()?;
        let mut problems = vec![];
        for (value, most, name) in [(options.decimals, 9, "decimals"), (options.decimals_deg, 12, "decimals_deg")] {
            if value > most {
                problems.push(
                    Problem::new("job/bad-value", format!("`{name}` is {value} and may be {most} at most"))
                        .option(name)
                        .fix(format!("set `{name}` to {most} or less")),
                );
            }
        }
        let columns = chosen(&options, schema);
        if let Ok(names) = &columns {
            let specs: Vec<&Column> = names.iter().filter_map(|n| schema.named(n)).collect();
            problems.extend(file_names(&specs, &[]).err());
        }
        let (ready, columns) = match (ready, columns) {
            (Ok(r), Ok(c)) if problems.is_empty() => (r, c),
            (r, c) => {
                problems.extend(r.err().into_iter().chain(c.err()).flatten());
                return Err(problems);
            }
        };
        let mut notes = ready.notes.clone();
        notes.extend(coarse(&options, schema));
        let decided: Vec<String> = columns.iter().filter_map(|n| schema.named(n)).map(file_name_of).collect();
        let mut bound = Bound::new(Self { options, columns, ready }, schema.clone(), Grain::Whole).decided("columns", decided);
        bound.notes = notes;
        Ok(bound)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("a delivery was run without a table"))?;
        deliver::same_frame(table, &self.ready.frame)?;
        let columns = self.spec(&table.schema)?;
        let (specs, places): (Vec<_>, Vec<_>) = columns.iter().copied().unzip();
        let cells = cells::cells(table, &specs, &self.options.path)?;
        let position =
            cells::position(&table.schema, &self.ready.frame).map_err(|_| Problem::broken("the table lost its position columns"))?;
        all_placed(table, &position, &self.options.path)?;
        let file = cx.create(&self.options.path, "path")?;
        self.write(&file, &cells, &places, table.rows())?;
        self.verify(&file, table, &cells, &places)?;
        let subject = Subject {
            file: &self.options.path,
            format: "CSV (RFC 4180), UTF-8",
            columns,
            table,
            frame: &self.ready.frame,
            reference: &self.ready.reference,
        };
        deliver::finish(cx, &file, &subject, &statement(&subject))?;
        Ok(table.clone())
    }
}

#[cfg(test)]
mod tests;
