//! Planning parts of `height-convert`: what the reference says, what the registry says, the grid.

use super::findings;
use crate::rows::Columns;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::reference::{Geoid, LengthUnit, Reference};
use pipeline_base::table::schema::{Column, Epoch, Frame, Heights, Holds, Role, Schema, Unit};
use pipeline_core::stage::{BindCx, Resource, ResourceRole};
use std::path::{Path, PathBuf};
use survey_geodesy::crs::{Crs, block};
use survey_geodesy::grid_lookup;
use survey_geodesy::grids::ChosenGrid;
use survey_geodesy::grids::GeoidGrid;
use survey_geodesy::operation;
use survey_geodesy::operation::Operation;
use survey_geodesy::operation::request::Candidate;
use survey_geodesy::proj_context::ObjectKind;
use survey_geodesy::{pins, store};

/// Part of a step's lock: the grid of the geoid.
pub(super) const GEOID: &str = "geoid";

/// The operation written by hand, when it is for exactly these frames.
pub(crate) fn written<'a>(reference: &'a Reference, is_source: bool, to: &str) -> Option<&'a pipeline_base::reference::Operation> {
    let operation = reference.operation.as_ref().filter(|_| is_source)?;
    let delivery = Crs::look_up(&reference.delivery.crs).ok()?;
    let wanted = Crs::look_up(to).ok()?;
    let same = match &delivery.geographic_3d {
        Some(code) => *code == wanted.code(),
        // A system that the registry does not have in three dimensions: itself, or the old datum below a grid.
        None => wanted.code() == delivery.code() || wanted.kind == ObjectKind::Geographic2D,
    };
    same.then_some(operation)
}

/// An operation written by hand that a step from the frame of the corrections does not take, since it leads to another
/// frame (`frame/operation-unused`).
pub(crate) fn unused(reference: &Reference, is_source: bool, to: &str) -> Option<Problem> {
    let operation = reference.operation.as_ref().filter(|_| is_source && written(reference, is_source, to).is_none())?;
    let finding = Diagnostic::new(
        "frame/operation-unused",
        Verdict::Warn,
        format!("the operation of {} in the reference is not used: this step leads from `{}` to `{to}`", operation.source, reference.corrections.frame),
    )
    .size("the difference between that operation and the registry's choice, centimetres to metres")
    .why("it leads from the frame of the corrections to that of the delivery, and heights go through the frame of the geoid model first")
    .fix("deliver in the frame of the geoid model, or name the delivery's frame in `delivery.heights.geoid.frame` if the model is made for it, or remove `operation`");
    Some(Problem::from(finding).reference_key("operation"))
}

/// Grids of an operation as resources.
pub(crate) fn grid_resources(operation: &Operation) -> Vec<Resource> {
    files_as_resources(&operation.files)
}

/// Grids as resources.
pub(crate) fn files_as_resources(files: &[ChosenGrid]) -> Vec<Resource> {
    files.iter().map(|f| Resource { name: f.name.clone(), path: f.path.clone(), role: ResourceRole::Grid, option: String::new() }).collect()
}

pub(super) fn heights_of(frame: &Frame) -> Result<(), Problem> {
    match &frame.heights {
        Heights::Ellipsoidal => Ok(()),
        Heights::Vertical { datum, .. } => {
            Err(Problem::new("height/already-converted", format!("the heights are above `{datum}` already"))
                .size("heights would be wrong by N, tens of metres at most places")
                .why("the separation would be removed twice")
                .fix("remove this step"))
        }
        Heights::ReceiverGeoid => Err(block("height/receiver-geoid", "the heights are above the receiver's own geoid")
            .size("heights would be wrong by N, tens of metres at most places")
            .why("the receiver's model must be put back before another is removed")
            .fix("read the log with `ingest-nmea`, which gives ellipsoidal heights")),
    }
}

/// A coded datum must be a vertical system in the unit of the delivery; a name is taken as it is.
pub(super) fn check_datum(datum: &str, unit: LengthUnit) -> Result<(), Problem> {
    let coded = datum.split_once(':').is_some_and(|(_, code)| !code.is_empty() && code.chars().all(|c| c.is_ascii_digit()));
    if !coded {
        return Ok(());
    }
    let crs = Crs::look_up(datum).map_err(|p| p.reference_key("delivery.heights.datum"))?;
    if crs.kind != ObjectKind::Vertical {
        return Err(Problem::new("height/not-vertical", format!("{} is not a vertical system", crs.title()))
            .reference_key("delivery.heights.datum")
            .size("no heights; the distance of two surfaces is centimetres to tens of metres")
            .why("heights are promised above it, and it has none")
            .fix("name a vertical system, for example `EPSG:5703`"));
    }
    let (Some(own), wanted) = (crs.vertical_unit(), unit.unit()) else { return Ok(()) };
    if own == wanted {
        return Ok(());
    }
    let ratio = survey_geodesy::crs::metres(own) / unit.metres();
    let size = if (ratio - 1.0).abs() < 1e-3 {
        format!("{:.1} ppm of the height", (ratio - 1.0).abs() * 1e6)
    } else {
        format!("a factor of {:.2} in height, for a reader who trusts the code", if ratio > 1.0 { ratio } else { 1.0 / ratio })
    };
    Err(block("frame/mixed-units", format!("{} is in {}, and the heights are promised in {}", crs.title(), own.symbol(), wanted.symbol()))
        .reference_key("delivery.heights.unit")
        .size(size)
        .why("a vertical code includes its unit")
        .fix("change `delivery.heights.unit`, or name the vertical system of the same datum in the other unit"))
}

/// The grid of the geoid and its bytes.
pub(super) struct FoundGrid {
    /// The grid.
    pub grid: GeoidGrid,
    /// The file.
    pub file: ChosenGrid,
    /// Warnings and notes.
    pub notes: Vec<Problem>,
    /// How it was held to the lock.
    pub lock: Option<String>,
}

pub(super) fn find_grid(geoid: &Geoid, datum: &str, reference: &Reference, folders: &[PathBuf], cx: &BindCx) -> Result<FoundGrid, Problem> {
    let at = |p: Problem| p.reference_key("delivery.heights.geoid.grid");
    let pin = cx.locked.map(|l| l.pin(GEOID)).transpose()?;
    let locked = pin.and_then(|p| p.grids.first()).map(|g| g.sha256.as_str());
    let want = geoid.sha256.as_deref().or(locked);
    let Some(file) = grid_lookup::pick(&geoid.grid, want, folders, cx.locality).map_err(at)? else {
        return Err(findings::missing(geoid, want, datum, &reference.folder, cx.locality));
    };
    if let Some(want) = &geoid.sha256
        && !want.eq_ignore_ascii_case(&file.sha256)
    {
        return Err(findings::digest(geoid, want, &file.sha256));
    }
    let grid = GeoidGrid::at(&file.path).map_err(at)?;
    let mut lock = None;
    if let (Some(locked), Some(pin)) = (cx.locked, pin) {
        // The name in the pipeline is that of the file, which may lie in a folder that the reference names.
        let folder: Vec<PathBuf> = grid.folders().into_iter().chain(folders.iter().cloned()).collect();
        pins::hold(locked, pin, (&geoid.frame, datum), &folder, cx.locality).map_err(at)?;
        lock = Some(operation::held(locked, pin));
    }
    let mut notes = vec![];
    if want.is_none() {
        notes.extend(grid_lookup::unpinned(&file)?.map(at));
    }
    if let Some(problem) = findings::coarse(geoid, &file) {
        return Err(problem);
    }
    if let Some(stated) = store::about(&file.sha256)? {
        let (blocks, warns) = findings::store_says(geoid, &stated);
        if let Some(problem) = blocks {
            return Err(problem);
        }
        notes.extend(warns);
    }
    Ok(FoundGrid { grid, file, notes, lock })
}

const BALLPARK: &str = "not taken: it only pretends to transform (ballpark)";

/// The registry's ways from the frame of the model to the datum, and which of them the reference takes.
pub(super) fn candidates(geoid: &Geoid, datum: &str, reference: &Reference, cx: &BindCx) -> Vec<Candidate> {
    let stem = Path::new(&geoid.grid).file_stem().map(|f| f.to_string_lossy().into_owned()).unwrap_or_default();
    findings::ways(&geoid.frame, datum, &reference.folder, cx.locality, |object| {
        if !stem.is_empty() && object.grids().iter().any(|g| g.name.contains(&stem)) {
            "taken: the reference names its grid"
        } else if object.is_ballpark() {
            BALLPARK
        } else {
            "not taken: the reference names another grid"
        }
    })
}

/// A note when the registry's best way to this datum, the first of its ways, goes through another grid.
pub(super) fn other_grid(geoid: &Geoid, datum: &str, ways: &[Candidate]) -> Option<Problem> {
    let best = ways.iter().find(|c| c.verdict != BALLPARK)?;
    let grids: Vec<&str> = best.grids.iter().map(|g| g.name.as_str()).collect();
    let file = std::path::Path::new(&geoid.grid).file_stem()?.to_string_lossy().into_owned();
    if grids.is_empty() || grids.iter().any(|g| g.contains(&file)) {
        return None;
    }
    Some(Problem::from(
        Diagnostic::new(
            "height/other-geoid",
            Verdict::Note,
            format!(
                "the registry leads from `{}` to `{datum}` with `{}`; the reference names `{}`",
                geoid.frame,
                grids.join("`, `"),
                geoid.grid
            ),
        )
        .why("the reference decides, since it says what the client agreed to")
        .fix("check that model, version and frame belong together"),
    ))
}

#[allow(clippy::too_many_arguments)]
pub(super) fn promise(
    schema: &Schema,
    frame: &Frame,
    columns: &Columns,
    geoid: &Geoid,
    datum: &str,
    digest: &str,
    unit: LengthUnit,
    height: &str,
    operation: &Operation,
) -> Schema {
    let mut output = schema.clone();
    if !operation.identity {
        for column in &mut output.columns {
            // An operation may give nothing for a row; that is said as a finding, and the row stays empty.
            if [&columns.latitude, &columns.longitude, &columns.height].contains(&&column.name) {
                column.nullable = true;
            }
        }
    }
    let at = output.columns.iter().position(|c| c.name == columns.height).map_or(output.columns.len(), |i| i + 1);
    output.columns.insert(at, Column::maybe(height, Holds::Float, unit.unit(), Role::Height));
    output.columns.insert(at + 1, Column::maybe("geoid_separation_m", Holds::Float, Unit::Metre, Role::GeoidSeparation));
    let crs = Crs::look_up(&geoid.frame).ok();
    output.frame = Some(Frame {
        crs: crs.as_ref().map_or_else(|| geoid.frame.clone(), Crs::code),
        name: crs.as_ref().map_or_else(|| geoid.frame.clone(), |c| c.name.clone()),
        axes: frame.axes,
        epoch: if crs.is_some_and(|c| c.dynamic) { operation.arrives } else { Epoch::Static },
        heights: Heights::Vertical {
            datum: datum.to_owned(),
            model: geoid.model.clone(),
            version: geoid.version.clone(),
            sha256: digest.to_owned(),
            unit: unit.unit(),
        },
        point: frame.point,
    });
    output
}
