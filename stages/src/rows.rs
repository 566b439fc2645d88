//! Rows of a table through an operation, and findings that name them.

use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Axes, Epoch, Frame, Role, Schema};
use pipeline_base::table::{Table, by_role};
use pipeline_core::stage::Cx;
use std::borrow::Cow;
use survey_geodesy::area::{Area, Extent, Span};
use survey_geodesy::operation::{OpenOperation, Operation};
use survey_geodesy::proj_context::CoordinateColumn;

/// Names of the columns of a position in latitude and longitude.
#[derive(Clone, Debug)]
pub(crate) struct Columns {
    /// Latitude.
    pub latitude: String,
    /// Longitude.
    pub longitude: String,
    /// Ellipsoidal height.
    pub height: String,
    /// Time, when the table has one.
    pub time: Option<String>,
}

impl Columns {
    /// Finds them by role.
    ///
    /// # Errors
    /// `plan/missing-role` for each that is absent.
    pub(crate) fn of(schema: &Schema) -> Result<Self, Vec<Problem>> {
        let mut problems = vec![];
        let mut name = |role| match by_role(schema, role) {
            Ok(column) => column.name.clone(),
            Err(problem) => {
                problems.push(problem);
                String::new()
            }
        };
        let (latitude, longitude, height) = (name(Role::Latitude), name(Role::Longitude), name(Role::EllipsoidalHeight));
        if problems.is_empty() {
            Ok(Self { latitude, longitude, height, time: schema.role(Role::Time).map(|c| c.name.clone()) })
        } else {
            Err(problems)
        }
    }
}

/// The frame of an input in latitude and longitude.
///
/// # Errors
/// `frame/no-coordinates`, `frame/already-projected`.
pub(crate) fn geographic_frame(schema: &Schema) -> Result<&Frame, Problem> {
    let frame = schema.frame.as_ref().ok_or_else(|| {
        Problem::new("frame/no-coordinates", "this stage needs positions and its input has none")
            .fix("put it after a stage that makes epochs or points")
    })?;
    if frame.axes == Axes::Geographic {
        Ok(frame)
    } else {
        Err(Problem::new("frame/already-projected", format!("the input is already on the grid of `{}`", frame.crs))
            .why("frames and heights are changed in latitude and longitude, before the grid")
            .fix("put this step before `reproject`, or leave it out"))
    }
}

/// Positions after an operation: the columns of the table themselves where nothing was computed.
pub(crate) struct Moved<'t> {
    /// Latitude, deg; NaN where the row has no position or the operation gave none.
    pub latitude: Cow<'t, [f64]>,
    /// Longitude, deg.
    pub longitude: Cow<'t, [f64]>,
    /// Ellipsoidal height, m.
    pub height: Cow<'t, [f64]>,
    /// The box around the places.
    pub extent: Extent,
}

/// Carries every row of a table by an operation that is open. Rows for which the operation gives nothing, and rows outside an
/// area of use, are said as findings that stop the delivery; rows without a position stay without.
///
/// The columns are copied once, into the result, and PROJ works on them in place.
///
/// # Errors
/// When columns are missing or the library reports an error that no row shows.
pub(crate) fn carry<'t>(
    table: &'t Table,
    columns: &Columns,
    operation: &Operation,
    open: &OpenOperation,
    cx: &Cx,
) -> Result<Moved<'t>, Problem> {
    let latitude = table.floats(&columns.latitude)?;
    let longitude = table.floats(&columns.longitude)?;
    let height = table.floats(&columns.height)?;
    let extent = Extent::of(&latitude, &longitude);
    for (name, area) in &operation.limits {
        outside(table, beyond(area, &extent, &latitude, &longitude), name, area, cx);
    }
    let Some(object) = open.object() else { return Ok(Moved { latitude, longitude, height, extent }) };
    let (mut y, mut x, mut z) = (latitude.to_vec(), longitude.to_vec(), height.to_vec());
    let mut years = match (&columns.time, operation.time) {
        (Some(time), Epoch::EachObservation) => years(table, time)?,
        (None, Epoch::EachObservation) => vec![f64::NAN; table.rows()],
        _ => vec![],
    };
    let one = operation.year(None);
    let year = if one.is_nan() { CoordinateColumn::Each(&mut years) } else { CoordinateColumn::All(one) };
    let content = object.carry_columns(&mut x, &mut y, CoordinateColumn::Each(&mut z), year);
    let mut extent = Extent::of(&y, &x);
    let mut failed: Vec<usize> = vec![];
    if !(extent.complete && Span::of(&z).finite) {
        for i in 0..table.rows() {
            let out = [&mut x[i], &mut y[i], &mut z[i]];
            if out.iter().all(|v| v.is_finite()) {
                continue;
            }
            if longitude[i].is_finite() && latitude[i].is_finite() && height[i].is_finite() {
                failed.push(i);
            }
            out.into_iter().for_each(|v| *v = f64::NAN);
        }
        extent = Extent::of(&y, &x);
    }
    if failed.is_empty() && !content {
        return Err(Problem::broken("the geodesy library reports an error and names no row"));
    }
    let reason = |i: usize| {
        let time = columns.time.as_ref().and_then(|t| table.instants(t).ok()).and_then(|t| t[i]);
        let year = operation.year(time);
        if year.is_nan() {
            return "the row has no time".to_owned();
        }
        object.carry([longitude[i], latitude[i], height[i], year]).err().unwrap_or_else(|| "the result is not a number".to_owned())
    };
    if let Some(first) = failed.first() {
        let reason = reason(*first);
        cx.find(
            Diagnostic::new(
                "frame/operation-fails",
                Verdict::Block,
                format!(
                    "the operation from `{}` to `{}` gives no result for {}: {reason}",
                    operation.from,
                    operation.to,
                    count(failed.len())
                ),
            )
            .place(names(table, &failed))
            .size("no coordinates at these points")
            .why(format!("`{}` does not reach them", operation.name))
            .fix("check the positions of these points; if they are right, name frames that cover them"),
        );
    }
    Ok(Moved { latitude: Cow::Owned(y), longitude: Cow::Owned(x), height: Cow::Owned(z), extent })
}

/// Decimal years of a column of instants; NaN for a row without one.
fn years(table: &Table, column: &str) -> Result<Vec<f64>, Problem> {
    let mut years = survey_geodesy::epoch::decimal_years(&table.whole_numbers(column)?);
    if table.missing(column)? > 0 {
        for (year, instant) in years.iter_mut().zip(table.instants(column)?) {
            if instant.is_none() {
                *year = f64::NAN;
            }
        }
    }
    Ok(years)
}

/// Rows with a position outside an area; `extent` is the box around all of them.
pub(crate) fn beyond(area: &Area, extent: &Extent, latitude: &[f64], longitude: &[f64]) -> Vec<usize> {
    if area.surely_contains(extent) {
        return vec![];
    }
    let places = latitude.iter().zip(longitude).enumerate();
    places.filter(|(_, (la, lo))| la.is_finite() && lo.is_finite() && !area.contains(**la, **lo)).map(|(i, _)| i).collect()
}

/// Says that rows lie outside an area of use.
pub(crate) fn outside(table: &Table, rows: Vec<usize>, name: &str, area: &Area, cx: &Cx) {
    if rows.is_empty() {
        return;
    }
    cx.find(
        Diagnostic::new(
            "frame/outside-area",
            Verdict::Block,
            format!("{} outside the area of use of {name} ({})", verb(rows.len()), area.title()),
        )
        .place(names(table, &rows))
        .size("unknown; the library computes there without a word")
        .why("the definition is not meant for these places")
        .fix("check the positions of these points; if they are right, name a system that contains them"),
    );
}

fn count(n: usize) -> String {
    if n == 1 { "1 row".to_owned() } else { format!("{n} rows") }
}

fn verb(n: usize) -> String {
    if n == 1 { "1 row lies".to_owned() } else { format!("{n} rows lie") }
}

/// Names of rows for a finding: points where there are points, else lines of the log; five, then a
/// count.
#[must_use]
pub(crate) fn names(table: &Table, rows: &[usize]) -> String {
    let texts = |role: Role| table.schema.role(role).and_then(|c| table.texts(&c.name).ok());
    let ints = |role: Role| table.schema.role(role).and_then(|c| table.ints(&c.name).ok());
    let (points, files, lines) = (texts(Role::Point), texts(Role::File), ints(Role::LineFirst));
    let mut said: Vec<String> = vec![];
    for &row in rows {
        let name = if let Some(point) = points.as_ref().and_then(|p| p[row]) {
            format!("`{point}`")
        } else if let (Some(Some(file)), Some(Some(line))) = (files.as_ref().map(|f| f[row]), lines.as_ref().map(|l| l[row])) {
            format!("{file} line {line}")
        } else {
            format!("row {}", row + 1)
        };
        if said.last() != Some(&name) && !said.contains(&name) {
            said.push(name);
        }
        if said.len() > 5 {
            break;
        }
    }
    if said.len() > 5 {
        said.truncate(5);
        return format!("{} and others, {} rows in all", said.join(", "), rows.len());
    }
    said.join(", ")
}

/// File, first and last raw line of rows, where they are known.
fn lines<'a>(table: &'a Table, rows: &[usize]) -> Vec<(&'a str, u64, u64)> {
    let file = table.schema.role(Role::File).and_then(|c| table.texts(&c.name).ok());
    let first = table.schema.role(Role::LineFirst).and_then(|c| table.ints(&c.name).ok());
    let last = table.schema.role(Role::LineLast).and_then(|c| table.ints(&c.name).ok());
    let (Some(file), Some(first)) = (file, first) else { return vec![] };
    rows.iter()
        .filter_map(|&i| {
            let line = u64::try_from(first[i]?).ok()?;
            let end = last.as_ref().and_then(|l| l[i]).and_then(|l| u64::try_from(l).ok()).unwrap_or(line);
            Some((file[i]?, line, end))
        })
        .collect()
}

/// Labels on the raw lines of rows, one for each, at most five.
#[must_use]
pub(crate) fn labels(table: &Table, rows: &[usize], text: &str) -> Vec<Label> {
    let few = &rows[..rows.len().min(5)];
    lines(table, few).into_iter().map(|(file, line, end)| Label::lines(file, line, end, text)).collect()
}

/// Labels on the raw lines of rows, at most five; rows whose lines follow on each other share one.
#[must_use]
pub(crate) fn run_labels(table: &Table, rows: &[usize], text: &str) -> Vec<Label> {
    let mut runs: Vec<(&str, u64, u64)> = vec![];
    for (file, line, end) in lines(table, rows) {
        match runs.last_mut() {
            Some((before, _, until)) if *before == file && *until + 1 == line => *until = end.max(line),
            _ => runs.push((file, line, end)),
        }
    }
    runs.into_iter().take(5).map(|(file, line, end)| Label::lines(file, line, end, text)).collect()
}
