//! `reproject`: positions go to the horizontal system of the delivery.
//!
//! **What it does.** Moves the points into the datum of the target by one operation that is chosen and
//! written down when the job is planned (all three coordinates move), then computes easting and
//! northing, grid convergence and scale.
//!
//! **When to use it.** Last before the exports, after `height-convert`.
//!
//! **What it promises.** Axes by name, never by position; no ballpark, no lesser operation, nothing
//! outside an area of use, no feet beside metres.
//!
//! **References.** IOGP Guidance Note 7-2 (map projections and transformations).

use super::promised;
use crate::budget::Contributor;
use crate::height::plan::{grid_resources, written};
use crate::rows;
use crate::rows::Columns;
use crate::uncertainty::{Limits, add_systematic};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::pin::{Pin, ProbeAt};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use survey_geodesy::area::Area;
use survey_geodesy::crs::{Crs, block, metres};
use survey_geodesy::findings::{follows_from_undecided, undecided_source};
use survey_geodesy::grid_lookup::margin_text;
use survey_geodesy::grids;
use survey_geodesy::ground;
use survey_geodesy::operation;
use survey_geodesy::operation::request::{OperationRequest, here};
use survey_geodesy::operation::{OpenOperation, Operation};
use survey_geodesy::proj_context::{ObjectKind, Pool};
use survey_geodesy::projection::{OpenProjection, Projection, outside_target};

/// Options of `reproject`.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Target: a code such as EPSG:6345, or WKT or PROJ text; projected or geographic. Default: `delivery.crs` of the reference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
}

/// The stage, with everything that it decided.
pub(crate) struct Reproject {
    columns: Columns,
    operation: Operation,
    grid: Option<Grid>,
    heights_empty: bool,
    limits: Limits,
    output: Arc<Schema>,
    resources: Vec<Resource>,
    open: Pool<Opened>,
}

/// What PROJ holds open for one thread, from session to session.
struct Opened {
    operation: OpenOperation,
    projection: Option<OpenProjection>,
}

struct Grid {
    projection: Projection,
    easting: String,
    northing: String,
    area: Option<Area>,
}

const DOC: &str = "\
# What it does

Moves the points into the datum of the target by one operation that is chosen and written down when the job is planned; \
all three coordinates move. Then computes easting and northing in the unit of the target, grid convergence (clockwise \
from true north to grid north), the scale factor of the grid (grid over ellipsoid) and the combined factor (grid over ground, at the \
point's own ellipsoidal height; empty where the datum has none). With `delivery.ground` in the reference the target is the ground system \
over `delivery.crs`, as a derived CRS with its own definition. Latitude and longitude stay, in the datum of the target.

# When to use it

Last before the exports, after `height-convert`. Heights above a vertical datum are kept as they are: they belong to the \
ground and not to the horizontal datum. They are refused where the target's datum has heights of its own and is not the \
frame of the geoid model, because model and frame would then not belong together. Where the target's datum has no heights \
in the registry (an old national datum), the ellipsoidal height is left empty.

# What it promises

Axes by name, never by position. Only the registry's best operation for the place, never a ballpark, never above the \
budget; or the pipeline that the reference states, with its source. Targets whose area of use does not contain the work \
are refused, with the distance, and with systems that do contain it. Feet beside metres are refused. Uncertainty: the \
stated accuracy of the operation counts as one sigma in height and one sigma radially in plan, systematic.

# References

IOGP Guidance Note 7-2, map projections and transformations; PROJ 9.6.2 with the EPSG registry that it carries.";

impl Stage for Reproject {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "reproject",
        version: 2,
        summary: "Positions go to the horizontal system of the delivery",
        doc: DOC,
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "To the system of the reference", options: "{}" },
            Example { title: "To UTM zone 16 north on NAD83(2011)", options: "{ to: \"EPSG:6345\" }" },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let reference = cx.need_reference().map_err(|p| vec![p])?;
        let schema = cx.input()?;
        let frame = rows::geographic_frame(schema).map_err(|p| vec![p])?;
        let from_option = options.to.is_some();
        let at = |problem: Problem| if from_option { problem.option("to") } else { problem.reference_key("delivery.crs") };
        let text = match &options.to {
            Some(to) => to.clone(),
            None => ground::delivery_crs(reference).map_err(|p| vec![if p.reference_key.is_some() { p } else { at(p) }])?,
        };
        let mut problems = if from_option { vec![] } else { promised::contradictions(reference, cx.locality) };
        let columns = Columns::of(schema).map_err(|p| problems.extend(p));
        if frame.heights == Heights::ReceiverGeoid {
            problems.push(
                block("height/receiver-geoid", "the heights are above the receiver's own geoid")
                    .size("heights would be wrong by N, tens of metres at most places, where frames shift ellipsoidal heights")
                    .why("a shift between frames moves ellipsoidal heights, and the receiver's model must be put back first")
                    .fix("read the log with `ingest-nmea`, which gives ellipsoidal heights"),
            );
        }
        let mut target = Target::plan(&text).map_err(|p| vec![at(p)])?;
        let mut other = vec![];
        if let (Some(locked), Some(projection)) = (cx.locked, &mut target.projection) {
            match projection.locked(locked) {
                Ok(notes) => other = notes,
                Err(problem) => problems.push(at(problem)),
            }
        }
        let place = cx.locality;
        if let Some(projection) = &target.projection {
            if let Some(place) = place
                && let Some(problem) = outside_target(projection, place)
            {
                problems.push(at(problem));
            }
            let contradicts = problems.iter().any(|p| p.finding.code == "frame/compound");
            problems.extend(mixed_units(projection, frame, reference, place).filter(|_| !contradicts).map(at));
        }
        let folders = grids::folders(&reference.folder);
        let is_source = frame.crs == reference.corrections.frame;
        let undecided = is_source.then(|| undecided_source(reference, &target.base, place)).flatten();
        let decided = undecided.is_none();
        problems.extend(undecided);
        let delivery_epoch = reference.delivery.epoch.map(Epoch::from);
        let operation = Operation::choose(&OperationRequest {
            from: &frame.crs,
            from_epoch: frame.epoch,
            from_key: if is_source { "corrections.frame" } else { "delivery.heights.geoid.frame" },
            from_epoch_key: "corrections.epoch",
            to: &target.base,
            to_epoch: delivery_epoch,
            to_key: "delivery.crs",
            locality: place,
            budget_m: reference.budget.operation_m,
            written: written(reference, is_source, &target.base),
            motion: reference.motion.as_ref(),
            folders: &folders,
            locked: cx.locked.map(|l| (l, operation::PART)),
        })
        .map_err(|found| {
            // The target's own area was said better above, with systems that contain the place.
            let said = problems.iter().any(|p| p.finding.code == "frame/outside-area");
            let twice = |p: &Problem| (said && p.finding.code == "frame/outside-area") || (!decided && follows_from_undecided(p));
            problems.extend(found.into_iter().filter(|p| !twice(p)));
        });
        if let Ok(operation) = &operation {
            problems.extend(heights_and_datum(frame, operation, &target, place).map(at));
        }
        let (Ok(columns), Ok(operation)) = (columns, operation) else { return Err(problems) };
        if !problems.is_empty() {
            return Err(problems);
        }
        let notes: Vec<Problem> = operation.notes.iter().cloned().chain(other).collect();
        let mut bound = bound(schema, frame, columns, operation, target, Limits::of(reference), place);
        bound.notes.extend(notes);
        if let (Some(system), false, Some(place)) = (&reference.delivery.ground, from_option, place)
            && let Some(problem) = ground::beside_the_place(system, &reference.delivery.crs, place)
        {
            if problem.finding.verdict == Verdict::Block {
                return Err(vec![problem]);
            }
            bound.notes.push(problem);
        }
        Ok(bound)
    }

    fn resources(&self) -> Vec<Resource> {
        self.resources.clone()
    }

    fn pins(&self, probes: &[ProbeAt]) -> Result<Vec<Pin>, Problem> {
        let mut pins = vec![self.operation.pin(operation::PART, probes)?];
        if let Some(grid) = &self.grid {
            pins.push(grid.projection.pin(probes)?);
        }
        Ok(pins)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("no input"))?;
        self.open.with(|| self.opened(), |open| self.work(table, open, cx))
    }
}

impl Reproject {
    fn opened(&self) -> Result<Opened, Problem> {
        Ok(Opened { operation: self.operation.open()?, projection: self.grid.as_ref().map(|grid| grid.projection.open()).transpose()? })
    }

    fn work(&self, table: &Table, open: &Opened, cx: &Cx) -> Result<Table, Problem> {
        let moved = rows::carry(table, &self.columns, &self.operation, &open.operation, cx)?;
        let mut builder = TableBuilder::from_table(self.output.clone(), table);
        if let (Some(grid), Some(projection)) = (&self.grid, &open.projection) {
            grid.fill(table, &moved, self.heights_empty, projection, &mut builder, cx);
        }
        if !self.operation.identity {
            builder.floats(&self.columns.latitude, moved.latitude.into_owned());
            builder.floats(&self.columns.longitude, moved.longitude.into_owned());
            let heights = if self.heights_empty { vec![f64::NAN; table.rows()] } else { moved.height.into_owned() };
            builder.floats(&self.columns.height, heights);
            let up = if self.heights_empty { 0.0 } else { self.operation.accuracy_m };
            add_systematic(&mut builder, table, &[(Contributor::FrameChange, self.operation.accuracy_m, up)])?;
        }
        self.limits.hold(table, builder.finish()?, "frame/over-budget", cx)
    }
}

impl Grid {
    fn fill(
        &self,
        table: &Table,
        moved: &rows::Moved,
        heights_empty: bool,
        projection: &OpenProjection,
        builder: &mut TableBuilder,
        cx: &Cx,
    ) {
        let grid = projection.project_columns(&moved.latitude, &moved.longitude);
        // NaN, an empty cell, where the datum of the grid has no ellipsoidal heights.
        let combined = if heights_empty {
            vec![f64::NAN; table.rows()]
        } else {
            let elevation = |i: usize| ground::elevation_factor(&self.projection.crs, moved.latitude[i], moved.height[i]);
            grid.scale.iter().enumerate().map(|(i, scale)| scale * elevation(i)).collect()
        };
        if let Some(area) = &self.area {
            rows::outside(
                table,
                rows::beyond(area, &moved.extent, &moved.latitude, &moved.longitude),
                &self.projection.crs.title(),
                area,
                cx,
            );
        }
        if let Some(&first) = grid.failed.first() {
            let reason = projection.project(moved.latitude[first], moved.longitude[first]).err().unwrap_or_default();
            cx.find(
                Diagnostic::new(
                    "frame/operation-fails",
                    Verdict::Block,
                    format!("{} gives no coordinates: {reason}", self.projection.crs.title()),
                )
                .place(rows::names(table, &grid.failed))
                .size("no coordinates at these points")
                .why("the projection does not reach them")
                .fix("check the positions of these points; if they are right, name a system that contains them"),
            );
        }
        builder.floats(&self.easting, grid.easting).floats(&self.northing, grid.northing);
        builder.floats("grid_convergence_deg", grid.convergence_deg).floats("scale_factor", grid.scale).floats("combined_factor", combined);
    }
}

/// What the points go to.
struct Target {
    crs: Crs,
    base: String,
    base_has_heights: bool,
    projection: Option<Projection>,
}

impl Target {
    fn plan(text: &str) -> Result<Self, Problem> {
        let crs = Crs::look_up(text)?;
        if matches!(crs.kind, ObjectKind::Geographic2D | ObjectKind::Geographic3D) {
            // A definition with a height axis has heights, whether the registry knows it or not.
            let base_has_heights = crs.kind == ObjectKind::Geographic3D || crs.geographic_3d.is_some();
            let base = crs.geographic_3d.clone().unwrap_or_else(|| crs.code());
            return Ok(Self { crs, base, base_has_heights, projection: None });
        }
        let projection = Projection::plan(text)?;
        Ok(Self {
            crs: projection.crs.clone(),
            base: projection.base.clone(),
            base_has_heights: projection.base_has_heights,
            projection: Some(projection),
        })
    }
}

/// Feet beside metres, or one foot beside the other (`frame/mixed-units`): the three numbers as they
/// would come out.
fn mixed_units(projection: &Projection, frame: &Frame, reference: &Reference, place: Option<Locality>) -> Option<Problem> {
    let promised = &reference.delivery.heights;
    let vertical = match &frame.heights {
        Heights::Vertical { unit, .. } => *unit,
        Heights::Ellipsoidal | Heights::ReceiverGeoid => Unit::Metre,
    };
    if projection.unit == vertical {
        return None;
    }
    let ellipsoidal = matches!(frame.heights, Heights::Ellipsoidal);
    let still = if ellipsoidal { ", and Z is still ellipsoidal" } else { "" };
    let what = match place.and_then(|l| projection.at(l.latitude_deg, l.longitude_deg).ok().map(|p| (l, p))) {
        Some((l, p)) => {
            let unit = projection.unit.symbol();
            let z = l.height_m.map_or_else(|| "in".to_owned(), |h| format!("{:.3}", h / metres(vertical)));
            format!("E {:.3} {unit} N {:.3} {unit} Z {z} {}{still}", p.easting, p.northing, vertical.symbol())
        }
        None => format!("E and N in {}, Z in {}{still}", projection.unit.symbol(), vertical.symbol()),
    };
    let ratio = metres(vertical) / metres(projection.unit);
    let ratio = if ratio < 1.0 { 1.0 / ratio } else { ratio };
    let size = if ratio < 1.001 {
        format!("Z wrong by {:.1} ppm if read in the unit of E and N", (ratio - 1.0) * 1e6)
    } else {
        format!("Z wrong by a factor of {ratio:.2} if read in the unit of E and N{}", if ellipsoidal { ", and by N" } else { "" })
    };
    let symbol = projection.unit.symbol();
    Some(
        block("frame/mixed-units", format!("{} has no height axis; the output would mix units: {what}", projection.crs.title()))
            .size(size)
            .why("a 2D system leaves the third number as it was")
            .fix(format!(
                "set `delivery.heights.unit: {symbol}` with a vertical `datum` in {symbol} and put `height-convert` before this step, or deliver in a grid in {}",
                promised.unit.unit().symbol()
            )),
    )
}

/// A datum change where the heights do not allow one.
fn heights_and_datum(frame: &Frame, operation: &Operation, target: &Target, place: Option<Locality>) -> Option<Problem> {
    if operation.identity {
        return None;
    }
    let moved = place.and_then(|place| {
        let proj = operation.proj().ok()?;
        let start = here(place, &operation.time);
        let out = proj.create(&operation.pipeline).ok()?.carry(start).ok()?;
        let (horizontal, up) = survey_geodesy::operation::request::shift([start[0], start[1], start[2]], out);
        Some(format!("{horizontal:.3} m horizontally and {up:+.3} m in ellipsoidal height here"))
    });
    match &frame.heights {
        Heights::Vertical { datum, .. } if target.base_has_heights => Some(
            block(
                "frame/heights-already-converted",
                format!("heights are above `{datum}` already, through {} in `{}`, and {} is in another datum", frame.heights.model_text(), operation.from, target.crs.title()),
            )
            .size(moved.unwrap_or_else(|| "the shift between the two datums".to_owned()))
            .why("model and frame belong together; after the heights only the grid of the same datum may follow")
            .fix("set `delivery.heights.geoid.frame` to the datum of the delivery if the model is made for it, or deliver in the model's frame"),
        ),
        Heights::Ellipsoidal if !target.base_has_heights => Some(
            block("frame/no-third-dimension", format!("the datum of {} has no ellipsoidal heights in the registry", target.crs.title()))
                .size(moved.unwrap_or_else(|| "tens of metres, the distance of the two ellipsoids".to_owned()))
                .why("the ellipsoidal height would be that of another frame under the name of this one")
                .fix("deliver heights above a vertical datum: set `delivery.heights` and put `height-convert` before this step"),
        ),
        _ => None,
    }
}

fn bound(
    schema: &Schema,
    frame: &Frame,
    columns: Columns,
    operation: Operation,
    target: Target,
    limits: Limits,
    place: Option<Locality>,
) -> Bound<Reproject> {
    let mut output = schema.clone();
    let heights_empty = !operation.identity && !target.base_has_heights;
    if !operation.identity {
        for column in &mut output.columns {
            if [&columns.latitude, &columns.longitude, &columns.height].contains(&&column.name) {
                column.nullable = true;
            }
        }
    }
    let mut grid = None;
    let mut axes = Axes::Geographic;
    let mut target_area = None;
    let mut notes: Vec<Problem> = operation.epoch_note().into_iter().collect();
    let mut feet = None;
    if let Some(projection) = target.projection {
        let symbol = projection.unit.symbol();
        let (easting, northing) = (format!("easting_{symbol}"), format!("northing_{symbol}"));
        let at = output.columns.iter().position(|c| c.name == columns.latitude).unwrap_or(output.columns.len());
        output.columns.insert(at, Column::maybe(&easting, Holds::Float, projection.unit, Role::Easting));
        output.columns.insert(at + 1, Column::maybe(&northing, Holds::Float, projection.unit, Role::Northing));
        output.columns.push(Column::maybe("grid_convergence_deg", Holds::Float, Unit::Degree, Role::Other));
        output.columns.push(Column::maybe("scale_factor", Holds::Float, Unit::None, Role::Other));
        output.columns.push(Column::maybe("combined_factor", Holds::Float, Unit::None, Role::Other));
        axes = Axes::Projected(projection.unit);
        let area = projection.crs.area.clone();
        if let (Some(area), Some(place)) = (&area, place) {
            target_area = Some(margin_text(&projection.crs.code(), area, place, "area of use"));
        }
        notes.extend(not_conformal(&projection, place));
        feet = place.and_then(|place| two_feet(&projection, place));
        grid = Some(Grid { projection, easting, northing, area });
    }
    output.frame = Some(Frame {
        crs: target.crs.code(),
        name: target.crs.name.clone(),
        axes,
        epoch: if target.crs.dynamic { operation.arrives } else { Epoch::Static },
        heights: frame.heights.clone(),
        point: frame.point,
    });
    let conversion = grid.as_ref().map(|g| g.projection.pipeline.clone());
    let decided = operation.decided();
    let resources = grid_resources(&operation);
    let stage =
        Reproject { columns, operation, grid, heights_empty, limits, output: Arc::new(output.clone()), resources, open: Pool::default() };
    let mut bound = Bound::new(stage, output, Grain::Session).decided("operation", decided);
    if let Some(area) = target_area {
        bound = bound.decided("target_area", area);
    }
    if let Some(conversion) = conversion {
        bound = bound.decided("conversion", conversion);
    }
    if let Some((decided, note)) = feet {
        bound = bound.decided("both_feet", decided);
        notes.push(note);
    }
    bound.notes = notes;
    bound
}

/// A place of the work in both feet, and what the other foot would do (`frame/two-feet`).
fn two_feet(projection: &Projection, place: Locality) -> Option<(serde_json::Value, Problem)> {
    let other = match projection.unit {
        Unit::Foot => Unit::UsSurveyFoot,
        Unit::UsSurveyFoot => Unit::Foot,
        _ => return None,
    };
    let at = projection.at(place.latitude_deg, place.longitude_deg).ok()?;
    let (own, theirs) = (metres(projection.unit), metres(other));
    let moved = |value: f64| value * (theirs - own);
    let (east, north) = (moved(at.easting), moved(at.northing));
    let words = format!("the same numbers read as {} lie {east:+.3} m in easting and {north:+.3} m in northing from here", other.symbol());
    let both = |unit: Unit| {
        let factor = own / metres(unit);
        format!("E {:.4} {u} N {:.4} {u}", at.easting * factor, at.northing * factor, u = unit.symbol())
    };
    let decided = serde_json::json!({
        "m": both(Unit::Metre),
        "ft": both(Unit::Foot),
        "ftUS": both(Unit::UsSurveyFoot),
        "delivered_in": projection.unit.symbol(),
        "read_as_the_other": words,
    });
    let note = Problem::from(
        Diagnostic::new(
            "frame/two-feet",
            Verdict::Note,
            format!("{} is in {}: {}; {words}", projection.crs.title(), projection.unit.symbol(), both(projection.unit)),
        )
        .size(format!("{:.3} m, 2 ppm of the coordinate", east.hypot(north)))
        .why("the two feet differ by 2 ppm, and a coordinate counts from a false origin far away")
        .fix("ask the client which foot their grid is in, and compare one control point in both"),
    )
    .reference_key("delivery.crs");
    Some((decided, note))
}

/// A grid that does not keep angles is no grid for as-built work.
fn not_conformal(projection: &Projection, place: Option<Locality>) -> Option<Problem> {
    let place = place?;
    let f = projection.at(place.latitude_deg, place.longitude_deg).ok()?.factors;
    let ratio = (f.meridional / f.parallel - 1.0).abs();
    (ratio > 1e-5).then(|| {
        Problem::from(
            Diagnostic::new(
                "frame/not-conformal",
                Verdict::Warn,
                format!("{} stretches by {:.6} north-south and {:.6} east-west here", projection.crs.title(), f.meridional, f.parallel),
            )
            .size(format!("{:.3} m on 100 m between the two directions", ratio * 100.0))
            .why("it does not keep angles, so bearings and distances taken from it are wrong")
            .fix("deliver in a conformal grid, such as the national one or UTM"),
        )
    })
}
