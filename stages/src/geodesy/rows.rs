//! Rows of a table through an operation, and findings that name them.

use super::area::Area;
use super::operation::Operation;
use pipeline_core::diag::{Diagnostic, Label, Verdict};
use pipeline_core::stage::{Cx, Problem};
use pipeline_core::table::schema::{Axes, Epoch, Frame, Role, Schema};
use pipeline_core::table::{Table, by_role};

/// Names of the columns of a position in latitude and longitude.
#[derive(Clone, Debug)]
pub struct Columns {
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
    pub fn of(schema: &Schema) -> Result<Self, Vec<Problem>> {
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
pub fn geographic_frame(schema: &Schema) -> Result<&Frame, Problem> {
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

/// Positions after an operation.
pub struct Moved {
    /// Latitude, deg; NaN where the row has no position or the operation gave none.
    pub latitude: Vec<f64>,
    /// Longitude, deg.
    pub longitude: Vec<f64>,
    /// Ellipsoidal height, m.
    pub height: Vec<f64>,
}

/// Carries every row of a table. Rows for which the operation gives nothing, and rows outside an area
/// of use, are said as findings that stop the delivery; rows without a position stay without.
///
/// # Errors
/// When columns are missing or the library cannot start.
pub fn carry(table: &Table, columns: &Columns, operation: &Operation, cx: &Cx) -> Result<Moved, Problem> {
    let latitude = table.floats(&columns.latitude)?;
    let longitude = table.floats(&columns.longitude)?;
    let height = table.floats(&columns.height)?;
    let rows = table.rows();
    let times = match (&columns.time, operation.time) {
        (Some(time), Epoch::EachObservation) => table.instants(time)?,
        _ => vec![None; rows],
    };
    let has_position = |i: usize| latitude[i].is_finite() && longitude[i].is_finite();
    for (name, area) in &operation.limits {
        outside(table, (0..rows).filter(|i| has_position(*i) && !area.contains(latitude[*i], longitude[*i])).collect(), name, area, cx);
    }
    let mut moved = Moved { latitude: vec![f64::NAN; rows], longitude: vec![f64::NAN; rows], height: vec![f64::NAN; rows] };
    if operation.identity {
        moved.latitude.copy_from_slice(&latitude);
        moved.longitude.copy_from_slice(&longitude);
        moved.height.copy_from_slice(&height);
        return Ok(moved);
    }
    let door = operation.door()?;
    let object = door.create(&operation.pipeline).map_err(|e| Problem::broken(format!("the pinned operation cannot be opened: {e}")))?;
    let mut failed: Vec<(usize, String)> = vec![];
    for i in 0..rows {
        if !(has_position(i) && height[i].is_finite()) {
            continue;
        }
        let year = operation.year(times[i]);
        if year.is_nan() {
            failed.push((i, "the row has no time".to_owned()));
            continue;
        }
        match object.carry([longitude[i], latitude[i], height[i], year]) {
            Ok([x, y, z]) => {
                moved.longitude[i] = x;
                moved.latitude[i] = y;
                moved.height[i] = z;
            }
            Err(reason) => failed.push((i, reason)),
        }
    }
    if let Some((_, reason)) = failed.first() {
        let rows: Vec<usize> = failed.iter().map(|(i, _)| *i).collect();
        cx.find(
            Diagnostic::new(
                "frame/operation-fails",
                Verdict::Block,
                format!(
                    "the operation from `{}` to `{}` gives no result for {}: {reason}",
                    operation.from,
                    operation.to,
                    count(rows.len())
                ),
            )
            .place(names(table, &rows))
            .size("no coordinates at these points")
            .why(format!("`{}` does not reach them", operation.name))
            .fix("check the positions of these points; if they are right, name frames that cover them"),
        );
    }
    Ok(moved)
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
pub fn names(table: &Table, rows: &[usize]) -> String {
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

/// Labels on the raw lines of rows, at most five.
#[must_use]
pub fn labels(table: &Table, rows: &[usize], text: &str) -> Vec<Label> {
    let file = table.schema.role(Role::File).and_then(|c| table.texts(&c.name).ok());
    let first = table.schema.role(Role::LineFirst).and_then(|c| table.ints(&c.name).ok());
    let last = table.schema.role(Role::LineLast).and_then(|c| table.ints(&c.name).ok());
    let (Some(file), Some(first)) = (file, first) else { return vec![] };
    rows.iter()
        .take(5)
        .filter_map(|&i| {
            let line = u64::try_from(first[i]?).ok()?;
            let end = last.as_ref().and_then(|l| l[i]).and_then(|l| u64::try_from(l).ok()).unwrap_or(line);
            Some(Label::lines(file[i]?, line, end, text))
        })
        .collect()
}
