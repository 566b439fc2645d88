//! What all formats do alike: test the options against the table at planning, create the file,
//! name what went wrong on the disk, write the statement beside it.

use super::cells::{self};
use super::statement::Subject;
use super::{path, promise, written};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Axes, Frame, Heights};
use pipeline_core::stage::{BindCx, Cx, OutFile};

/// What planning a delivery gives.
#[derive(Clone, Debug)]
pub(crate) struct Ready {
    /// Frame of the delivered table.
    pub frame: Frame,
    /// The reference of the job.
    pub reference: Reference,
    /// Warnings and notes.
    pub notes: Vec<Problem>,
}

/// Tests path, frame, promise and position columns. `crs` tells whether the CRS must be the promised one.
///
/// # Errors
/// All problems that can be seen.
pub(crate) fn ready(cx: &BindCx, path: &str, extension: Option<&str>, crs: bool) -> Result<Ready, Vec<Problem>> {
    let schema = cx.input()?;
    let mut problems = vec![];
    problems.extend(path::check(path, extension).err());
    let reference = match cx.need_reference() {
        Ok(r) => Some(r),
        Err(p) => {
            problems.push(p);
            None
        }
    };
    let Some(frame) = &schema.frame else {
        problems.push(
            Problem::new("export/no-frame", "the table does not say which frame its coordinates are in")
                .why("a file without a frame cannot be used, and nobody can tell later")
                .fix("take the table of a step that has positions, with `from`"),
        );
        return Err(problems);
    };
    if let Some(reference) = reference {
        problems.extend(promise::check(frame, reference, cx.locality, crs));
    }
    if crs {
        problems.extend(cells::position(schema, frame).err().unwrap_or_default());
    }
    match reference {
        Some(reference) if problems.is_empty() => Ok(Ready { frame: frame.clone(), reference: reference.clone(), notes: notes(frame) }),
        _ => Err(problems),
    }
}

fn notes(frame: &Frame) -> Vec<Problem> {
    let mut notes = vec![];
    if let (Axes::Projected(grid), Heights::Vertical { unit, .. }) = (frame.axes, &frame.heights)
        && grid != *unit
    {
        notes.push(Problem::from(
            Diagnostic::new(
                "export/mixed-units",
                Verdict::Note,
                format!("eastings and northings are in `{}` and heights in `{}`", grid.symbol(), unit.symbol()),
            )
            .why("the reference says so; the unit is in every column name and in the statement of reference"),
        ));
    }
    notes
}

/// Writes the statement of reference beside a delivery, reads it back, and declares both delivered.
///
/// # Errors
/// `export/cannot-write` or `export/read-back-differs`.
pub(crate) fn finish(cx: &Cx, file: &OutFile, subject: &Subject, statement: &serde_json::Value) -> Result<(), Problem> {
    cx.delivered(file, subject.table.rows());
    written::json(cx, &format!("{}.reference.json", subject.file), "path", statement)?;
    if subject.table.rows() == 0 {
        cx.find(
            Diagnostic::new("export/no-rows", Verdict::Block, format!("no point is left for `{}`", subject.file))
                .place(format!("file `{}`", subject.file))
                .size("nothing can be delivered")
                .why("every epoch was set aside before this step, or there was none; an empty file would look like a delivery")
                .fix("the other findings say why; the record counts the epochs set aside by reason"),
        );
    }
    Ok(())
}

/// Refuses a table that came out in another frame than the plan said.
///
/// # Errors
/// A broken promise.
pub(crate) fn same_frame(table: &Table, frame: &Frame) -> Result<(), Problem> {
    if table.schema.frame.as_ref() == Some(frame) {
        Ok(())
    } else {
        Err(Problem::broken("the table to deliver is in another frame than the plan said"))
    }
}
