//! `height-convert`: ellipsoidal heights become heights above the vertical datum of the delivery.
//!
//! **What it does.** Moves the points into the frame that the geoid model is made for, by one
//! operation that is chosen and written down when the job is planned; reads the separation N of the
//! model at each point (bilinear in the cell) and gives H = h - N in the unit of the delivery.
//!
//! **When to use it.** After `average`, when the reference promises heights above a vertical datum.
//!
//! **What it promises.** One vertical way only: the grid that the reference names, with its digest
//! checked. The receiver's own separation is never used; its difference from the model is reported.
//! A missing grid, a point outside the grid, a stated accuracy above the budget stop the delivery.
//!
//! **References.** IOGP Guidance Note 7-2, methods for geographic 3D to gravity-related height;
//! GGA semantics h = altitude + separation.

use super::change::{self, Change, OpenChange};
use super::findings;
use super::pairs;
use super::plan::{
    FoundGrid, GEOID, candidates, check_datum, files_as_resources, find_grid, grid_resources, heights_of, other_grid, promise, unused,
    written,
};
use crate::budget::Contributor;
use crate::reference::promised;
use crate::rows;
use crate::rows::Columns;
use crate::uncertainty::{Limits, add_systematic};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::pin::{GivesIn, Pin, ProbeAt};
use pipeline_base::problem::Problem;
use pipeline_base::reference::{Geoid, HeightSurface, LengthUnit};
use pipeline_base::table::schema::{Epoch, Role, Schema};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, ResourceRole, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use survey_geodesy::area::Span;
use survey_geodesy::crs::block;
use survey_geodesy::findings::{follows_from_undecided, undecided_source};
use survey_geodesy::grid_lookup;
use survey_geodesy::gridfile;
use survey_geodesy::grids;
use survey_geodesy::grids::ChosenGrid;
use survey_geodesy::grids::{GeoidGrid, OpenGeoid, Separations};
use survey_geodesy::operation;
use survey_geodesy::operation::request::OperationRequest;
use survey_geodesy::operation::{OpenOperation, Operation};
use survey_geodesy::pins::Pipeline;
use survey_geodesy::proj_context::Pool;

/// Options of `height-convert`. Everything comes from the reference; an option is for a second
/// delivery of the same survey on another vertical datum.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Vertical datum, as a code such as EPSG:5703 or a name. Default: `delivery.heights.datum` of the reference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub datum: Option<String>,
    /// Unit of the heights. Default: `delivery.heights.unit` of the reference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<LengthUnit>,
    /// Geoid model; its grid is looked for beside the reference file. Default: `delivery.heights.geoid` of the reference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub geoid: Option<Geoid>,
}

/// The stage, with everything that it decided.
pub(crate) struct HeightConvert {
    columns: Columns,
    operation: Operation,
    geoid: GeoidGrid,
    geoid_file: ChosenGrid,
    geoid_frame: String,
    datum: String,
    geoid_sigma_m: f64,
    change: Option<Change>,
    limits: Limits,
    model: String,
    unit: LengthUnit,
    height: String,
    output: Arc<Schema>,
    resources: Vec<Resource>,
    open: Pool<Opened>,
}

/// What PROJ holds open for one thread, from session to session.
struct Opened {
    operation: OpenOperation,
    geoid: OpenGeoid,
    change: Option<OpenChange>,
}

const DOC: &str = "\
# What it does

Moves the points into the frame that the geoid model is made for, by one operation that is chosen and written down when \
the job is planned. Reads the separation N of the model at each point, bilinear in the cell, and gives H = h - N in the \
unit of the delivery: the column `height_m` (or `height_ft`, `height_ftUS`) and `geoid_separation_m`. The ellipsoidal \
height stays, in the frame of the model.

# When to use it

After `average`, when the reference promises heights above a vertical datum.

# What it promises

There is one vertical way only: the grid that the reference names, its digest checked when the reference gives one. The \
receiver's own separation is never used; its difference from the model is reported. A missing grid, a point outside the \
grid or on a node without a value, or a stated accuracy above the budget stops the delivery with its size in metres.

Uncertainty: the sigma of the model and the stated accuracy of the operation are added, as variances, to the systematic \
and the total uncertainty upward. The stated accuracy of the operation counts as one sigma in height and as one sigma \
radially in plan, half of its variance on each axis.

# References

IOGP Guidance Note 7-2, geographic 3D to gravity-related height; the GGA sentence gives altitude above the receiver's \
own geoid, h = altitude + separation.";

impl Stage for HeightConvert {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "height-convert",
        version: 1,
        summary: "Ellipsoidal heights become heights above the vertical datum of the delivery",
        doc: DOC,
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "Everything from the reference", options: "{}" },
            Example { title: "The same heights in US survey feet", options: "{ unit: ftUS }" },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let reference = cx.need_reference().map_err(|p| vec![p])?;
        let schema = cx.input()?;
        let frame = rows::geographic_frame(schema).map_err(|p| vec![p])?;
        let mut problems = heights_of(frame).err().into_iter().collect::<Vec<_>>();
        let columns = Columns::of(schema).map_err(|p| vec_append(&mut problems, p));
        let promised = &reference.delivery.heights;
        if promised.surface == HeightSurface::Ellipsoid && options.datum.is_none() {
            return Err(vec![
                Problem::new("height/not-needed", "the reference promises heights above the ellipsoid, and this step would convert them")
                    .reference_key("delivery.heights.surface")
                    .size(findings::size_of_n(cx.locality))
                    .why("the file would be above another surface than its statement says")
                    .fix("remove this step, or set `delivery.heights.surface: vertical-datum` with `datum` and `geoid`"),
            ]);
        }
        let Some(datum) = options.datum.clone().or_else(|| promised::datum(reference)) else {
            return Err(vec![
                Problem::new("height/no-datum", "no vertical datum is named")
                    .reference_key("delivery.heights.datum")
                    .size(findings::size_of_n(cx.locality))
                    .why("a height means nothing without the surface that it is above")
                    .fix("set `delivery.heights.datum` to its code, for example `EPSG:5703`, or to its name"),
            ]);
        };
        let Some(geoid) = options.geoid.clone().or_else(|| promised.geoid.clone()) else {
            return Err(vec![
                block(
                    "height/no-geoid",
                    format!(
                        "no geoid model is named that leads to `{datum}`{}",
                        findings::registered_words(reference, frame, &datum, cx.locality)
                    ),
                )
                .reference_key("delivery.heights.geoid")
                .size(findings::size_of_n(cx.locality))
                .why("heights above a vertical datum need a model, and the receiver's own is a coarse global one")
                .fix("set `delivery.heights.geoid` with `grid`, `model`, `version`, `frame` and `sigma_m`"),
            ]);
        };
        let unit = options.unit.unwrap_or(promised.unit);
        if options.datum.is_none() && options.unit.is_none() {
            problems.extend(promised::contradictions(reference, cx.locality));
        }
        problems.extend(check_datum(&datum, unit).err());

        let folders = grids::folders(&reference.folder);
        let place = cx.locality;
        let found = find_grid(&geoid, &datum, reference, &folders, cx).map_err(|problem| problems.push(problem));
        let leads_to = geoid.datum.clone().unwrap_or_else(|| datum.clone());
        problems.extend(pairs::judge(&geoid, &leads_to, reference, found.as_ref().ok().map(|f| &f.grid), place));
        problems.extend(findings::too_coarse(&geoid, reference));
        let change = Change::choose(&change::Wish {
            geoid: &geoid,
            to: &datum,
            written: promised.change.as_ref(),
            place,
            budget_m: reference.budget.operation_m,
            folders: &folders,
            locked: cx.locked,
        })
        .map_err(|p| problems.push(p));
        let is_source = frame.crs == reference.corrections.frame;
        let undecided = is_source.then(|| undecided_source(reference, &geoid.frame, place)).flatten();
        let decided = undecided.is_none();
        if let Some(problem) = undecided {
            problems.push(problem);
            problems.extend(findings::path_over_budget(&frame.crs, &geoid, &datum, reference, place));
        }
        let to_epoch = reference.delivery.epoch.map(Epoch::from).or(Some(frame.epoch)).filter(|e| *e != Epoch::Static);
        let operation = Operation::choose(&OperationRequest {
            from: &frame.crs,
            from_epoch: frame.epoch,
            from_key: if is_source { "corrections.frame" } else { "delivery.crs" },
            from_epoch_key: "corrections.epoch",
            to: &geoid.frame,
            to_epoch,
            to_key: "delivery.heights.geoid.frame",
            locality: place,
            budget_m: reference.budget.operation_m,
            written: written(reference, is_source, &geoid.frame),
            motion: reference.motion.as_ref(),
            folders: &folders,
            locked: cx.locked.map(|l| (l, operation::PART)),
        })
        .map_err(|found| problems.extend(found.into_iter().filter(|p| decided || !follows_from_undecided(p))));

        let (Ok(columns), Ok(operation), Ok(change), Ok(found)) = (columns, operation, change, found) else { return Err(problems) };
        if !problems.is_empty() {
            return Err(problems);
        }
        let FoundGrid { grid, file, notes, lock } = found;
        let opened = place.map(|place| Ok((place, grid.open()?))).transpose().map_err(|p: Problem| vec![p])?;
        let here = opened.as_ref().and_then(|(l, grid)| grid.separation(l.latitude_deg, l.longitude_deg).ok());
        if let (None, Some(place)) = (here, place) {
            return Err(vec![
                block(
                    "height/outside-geoid",
                    format!(
                        "the geoid grid `{}` has no value at {}",
                        geoid.grid,
                        survey_geodesy::area::place_text(place.latitude_deg, place.longitude_deg)
                    ),
                )
                .reference_key("delivery.heights.geoid.grid")
                .size(place.receiver_separation_m.map_or_else(
                    || "no heights here".to_owned(),
                    |n| format!("no heights here; without a model they would be wrong by N, {n:.1} m by the receiver's own separation"),
                ))
                .why("the grid does not reach the work")
                .fix("name the grid that covers the work in `delivery.heights.geoid.grid`"),
            ]);
        }
        let height = format!("height_{}", unit.unit().symbol());
        let output = promise(schema, frame, &columns, &geoid, &datum, &file.sha256, unit, &height, &operation);
        let mut resources =
            vec![Resource { name: geoid.grid.clone(), path: file.path.clone(), role: ResourceRole::Grid, option: String::new() }];
        resources.extend(grid_resources(&operation));
        resources.extend(change.iter().flat_map(|c| files_as_resources(&c.files)));
        let model = findings::model(&geoid);
        let around = opened.as_ref().map(|(l, grid)| grid.surroundings(l.latitude_deg, l.longitude_deg));
        let theirs = place.and_then(|l| l.receiver_separation_m);
        let ways = candidates(&geoid, &datum, reference, cx);
        let decided_geoid = serde_json::json!({
            "grid": geoid.grid,
            "sha256": file.sha256,
            "model": geoid.model,
            "version": geoid.version,
            "frame": geoid.frame,
            "sigma_m": geoid.sigma_m,
            "pipeline": grid.pipeline(),
            "interpolation": "bilinear",
            "leads_to": leads_to,
            "separation_here_m": here,
            "receiver_separation_here_m": theirs,
            "receiver_minus_model_m": theirs.zip(here).map(|(r, m)| r - m),
            "around": around,
            "belongs_to": pairs::of(&geoid).iter().map(|p| format!("{} and {} ({})", p.frame, p.datum, p.source)).collect::<Vec<_>>(),
            "coverage": place.and_then(|l| gridfile::read(&file.path).ok().map(|g| grid_lookup::coverage(&geoid.grid, &g.area, l))),
            "lock": lock,
            "candidates": ways,
        });
        let mut bound = Bound::new(
            Self {
                columns,
                geoid: grid,
                geoid_file: file,
                geoid_frame: geoid.frame.clone(),
                datum: datum.clone(),
                geoid_sigma_m: geoid.sigma_m,
                change,
                limits: Limits::of(reference),
                model: model.clone(),
                unit,
                height,
                output: Arc::new(output.clone()),
                resources,
                operation,
                open: Pool::default(),
            },
            output,
            Grain::Session,
        );
        bound.decided.push(("operation".to_owned(), bound.stage.operation.decided()));
        bound.decided.push(("geoid".to_owned(), decided_geoid));
        if let Some(change) = &bound.stage.change {
            bound.decided.push(("change_of_datum".to_owned(), change.decided()));
        }
        bound.decided.push(("unit".to_owned(), unit_words(unit).into()));
        bound.notes.extend(bound.stage.operation.notes.clone());
        bound.notes.extend(notes);
        bound.notes.extend(bound.stage.change.iter().flat_map(|c| c.notes.clone()));
        bound.notes.extend(unused(reference, is_source, &geoid.frame));
        bound.notes.extend(bound.stage.operation.epoch_note());
        bound.notes.extend(around.as_ref().and_then(|a| findings::near_edge(&geoid, a)));
        bound.notes.extend(other_grid(&geoid, &datum, &ways));
        if let (Some(n), Some(theirs)) = (here, theirs) {
            bound.notes.push(Problem::from(Diagnostic::new(
                "height/receiver-geoid-difference",
                Verdict::Note,
                format!(
                    "the receiver's own separation is {theirs:.3} m here, {model} gives {n:.3} m: {:+.3} m apart; the receiver's is not used{}",
                    theirs - n,
                    findings::slope_words(around.as_ref())
                ),
            )));
        }
        Ok(bound)
    }

    fn resources(&self) -> Vec<Resource> {
        self.resources.clone()
    }

    fn pins(&self, probes: &[ProbeAt]) -> Result<Vec<Pin>, Problem> {
        let name = self.geoid_file.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let files = [ChosenGrid { name, ..self.geoid_file.clone() }];
        let geoid = Pipeline {
            part: GEOID,
            name: &self.model,
            from: &self.geoid_frame,
            to: &self.datum,
            text: &self.geoid.pipeline(),
            accuracy_m: Some(self.geoid_sigma_m),
            files: &files,
            gives_in: GivesIn::Degree,
            time: Epoch::Static,
        };
        let mut all = vec![self.operation.pin(operation::PART, probes)?, geoid.pin(probes)?];
        if let Some(pin) = self.change.as_ref().map(|c| c.pin(probes)).transpose()?.flatten() {
            all.push(pin);
        }
        Ok(all)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("no input"))?;
        self.open.with(|| self.opened(), |open| self.work(table, open, cx))
    }
}

impl HeightConvert {
    fn opened(&self) -> Result<Opened, Problem> {
        Ok(Opened {
            operation: self.operation.open()?,
            geoid: self.geoid.open()?,
            change: self.change.as_ref().map(Change::open).transpose()?,
        })
    }

    fn work(&self, table: &Table, open: &Opened, cx: &Cx) -> Result<Table, Problem> {
        let moved = rows::carry(table, &self.columns, &self.operation, &open.operation, cx)?;
        let rows = table.rows();
        let Separations { n: mut separations, mut missing, mut span } =
            open.geoid.separations(&moved.latitude, &moved.longitude, &moved.extent);
        let mut heights: Vec<f64> = moved.height.iter().zip(&separations).map(|(h, n)| h - n).collect();
        let (mut refused, known) = (None, missing);
        if let Some(change) = &open.change {
            change.apply_columns(&moved.latitude, &moved.longitude, &mut heights);
            for i in (0..rows)
                .filter(|i| heights[*i].is_nan() && moved.height[*i].is_finite() && separations[*i].is_finite())
                .collect::<Vec<_>>()
            {
                let height = moved.height[i] - separations[i];
                refused = refused.or_else(|| change.apply(moved.latitude[i], moved.longitude[i], height).err());
                separations[i] = f64::NAN;
                missing += 1;
            }
        }
        if missing > known {
            span = Span::of(&separations);
        }
        if self.unit != LengthUnit::Metre {
            let metres = self.unit.metres();
            heights.iter_mut().for_each(|h| *h /= metres);
        }
        let has_position = |i: &usize| moved.latitude[*i].is_finite() && moved.longitude[*i].is_finite() && moved.height[*i].is_finite();
        let outside: Vec<usize> =
            if missing == 0 { vec![] } else { (0..rows).filter(|i| separations[*i].is_nan() && has_position(i)).collect() };
        if let Some(&first) = outside.first() {
            let reason = open.geoid.separation(moved.latitude[first], moved.longitude[first]).err().or(refused).unwrap_or_default();
            let mut finding = Diagnostic::new(
                "height/outside-geoid",
                Verdict::Block,
                format!("{} of {rows} rows have no separation in {}: {reason}", outside.len(), self.model),
            )
            .place(rows::names(table, &outside))
            .size("no heights at these points")
            .why("they lie outside the grid, or on a part of it without values")
            .fix("name a grid that covers them in `delivery.heights.geoid.grid`");
            finding.labels = rows::labels(table, &outside, "no separation here");
            cx.find(finding);
        }
        self.report(table, &moved, (&separations, span), &open.geoid, cx)?;

        let mut builder = TableBuilder::from_table(self.output.clone(), table);
        if !self.operation.identity {
            builder
                .floats(&self.columns.latitude, moved.latitude.into_owned())
                .floats(&self.columns.longitude, moved.longitude.into_owned())
                .floats(&self.columns.height, moved.height.into_owned());
        }
        builder.floats(&self.height, heights).floats("geoid_separation_m", separations);
        let accuracy = self.operation.accuracy_m;
        let change = self.change.as_ref().map_or(0.0, |c| c.accuracy_m);
        let parts = [(Contributor::FrameChange, accuracy, accuracy.hypot(change)), (Contributor::GeoidModel, 0.0, self.geoid_sigma_m)];
        add_systematic(&mut builder, table, &parts)?;
        cx.fact("added_sigma_m", serde_json::json!({"geoid_up": self.geoid_sigma_m, "operation_up": accuracy, "operation_horizontal": accuracy, "change_of_datum_up": change}));
        self.limits.hold(table, builder.finish()?, "height/over-budget", cx)
    }

    /// What the separations are, and how the receiver's differ from the model.
    fn report(
        &self,
        table: &Table,
        moved: &rows::Moved,
        (separations, span): (&[f64], Span),
        grid: &OpenGeoid,
        cx: &Cx,
    ) -> Result<(), Problem> {
        if let Some(Spread { low, mean, high, .. }) = Spread::of(separations, span) {
            // The slope at a row whose separation is near the mean, which lies among the points.
            let off = |n: &f64| (n - mean).abs();
            let nearest = || {
                (0..separations.len())
                    .filter(|i| separations[*i].is_finite())
                    .min_by(|a, b| off(&separations[*a]).total_cmp(&off(&separations[*b])))
            };
            let middle = separations.iter().position(|n| off(n) <= (high - low) / 100.0).or_else(nearest);
            let (east, north) = middle.map_or((None, None), |i| grid.slope(moved.latitude[i], moved.longitude[i]));
            cx.fact(
                "geoid_separation_m",
                serde_json::json!({"min": low, "mean": mean, "max": high, "slope_east_mm_per_km": east, "slope_north_mm_per_km": north}),
            );
        }
        let Some(column) = table.schema.role(Role::ReceiverSeparation) else { return Ok(()) };
        let theirs = table.floats(&column.name)?;
        let differences: Vec<f64> = theirs.iter().zip(separations).map(|(a, b)| a - b).collect();
        let Some(Spread { low, mean, high, count }) = Spread::of(&differences, Span::of(&differences)) else { return Ok(()) };
        cx.fact("receiver_geoid_difference_m", serde_json::json!({"min": low, "mean": mean, "max": high, "rows": count}));
        cx.find(
            Diagnostic::new(
                "height/receiver-geoid-difference",
                Verdict::Note,
                format!("the receiver's own separation differs from {} by {mean:+.3} m on average, {low:+.3} to {high:+.3} m", self.model),
            )
            .place(format!("{count} rows"))
            .size(format!("{:.3} m in height, if the receiver's model had been used", mean.abs()))
            .why("receivers carry a coarse global model; it was removed from the log's heights and not used again")
            .fix("nothing to do"),
        );
        Ok(())
    }
}

/// The unit of the heights and how it comes from metres.
fn unit_words(unit: LengthUnit) -> String {
    match unit {
        LengthUnit::Metre => "m, as computed".to_owned(),
        LengthUnit::Foot => "ft: metres / 0.3048".to_owned(),
        LengthUnit::UsSurveyFoot => "ftUS: metres * 3937 / 1200".to_owned(),
    }
}

/// Lowest, mean and highest of the finite numbers of a column, and how many there are.
struct Spread {
    low: f64,
    mean: f64,
    high: f64,
    count: usize,
}

impl Spread {
    /// `None` when no number is finite; `span` is that of the column.
    fn of(column: &[f64], span: Span) -> Option<Self> {
        if !span.finite {
            let known: Vec<f64> = column.iter().copied().filter(|v| v.is_finite()).collect();
            return if known.len() < column.len() { Self::of(&known, Span::of(&known)) } else { None };
        }
        #[allow(clippy::cast_precision_loss)]
        (!column.is_empty()).then(|| Self { low: span.low, mean: span.sum / column.len() as f64, high: span.high, count: column.len() })
    }
}

/// Moves new problems to the list; the result carries no more than that it failed.
fn vec_append(problems: &mut Vec<Problem>, new: Vec<Problem>) {
    problems.extend(new);
}
