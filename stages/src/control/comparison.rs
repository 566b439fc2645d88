//! Marks beside delivered points: may the numbers be compared at all, and how far are they apart.
//!
//! Compared is in the mark's own system, so that a residual is what a client finds with a pocket
//! calculator. Another projection of the same datum is computed exactly. Another datum, another
//! epoch or another height system is refused, unless the job asks for the official operation.

use super::marks::{Mark, Place, Use};
use crate::height::plan::grid_resources;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::pin::{Locked, Pin, ProbeAt};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Role, Schema, Unit, year_text};
use pipeline_core::stage::Resource;
use survey_geodesy::crs::{Crs, metres, open};
use survey_geodesy::operation;
use survey_geodesy::operation::Operation;
use survey_geodesy::operation::request::{OperationRequest, here, shift};
use survey_geodesy::proj_context::{Object, ProjContext};
use survey_geodesy::projection::{OpenProjection, Projection};
use survey_geodesy::{Ellipsoid, Tangent, grids};

/// Coordinate epochs further apart than this are not the same, years: 2 mm at 2 cm a year.
const SAME_EPOCH_A: f64 = 0.1;

/// How the horizontal numbers of a mark are met.
enum Way {
    /// The table's own easting and northing.
    Table,
    /// Projected from the table's latitude and longitude.
    Grid(Box<Projection>),
    /// Latitude and longitude.
    Geographic(Ellipsoid),
}

/// Which height of the table is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum HeightWay {
    /// None.
    None,
    /// Above the vertical datum.
    Vertical,
    /// Above the ellipsoid.
    Ellipsoidal,
}

struct Ready {
    way: usize,
    height: HeightWay,
}

struct System {
    way: Way,
    /// The operation to its frame, where the points are in another, and the part of the step's lock that it is.
    operation: Option<(Operation, String)>,
}

impl System {
    fn proj(&self) -> Result<ProjContext, Problem> {
        self.operation.as_ref().map_or_else(|| open(&[]), |(o, _)| o.proj())
    }
}

/// Columns of the points.
struct Names {
    latitude: String,
    longitude: String,
    ellipsoidal: Option<(String, f64)>,
    vertical: Option<(String, f64)>,
    easting: Option<(String, String, f64)>,
}

/// Marks that can be compared with a table, and how.
pub(crate) struct Comparison {
    /// The marks, in the order of the file.
    pub marks: Vec<Mark>,
    ready: Vec<Ready>,
    systems: Vec<System>,
    names: Names,
    /// Warnings and notes for the plan.
    pub notes: Vec<Problem>,
}

/// Difference of one delivered point from its mark: delivered minus known, m.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Difference {
    /// Row of the table.
    pub row: usize,
    /// Number of the mark.
    pub mark: usize,
    /// Along the axes of the mark's grid (east and north for a geographic mark), m.
    pub grid_m: [f64; 2],
    /// East and north, true, m.
    pub enu_m: [f64; 2],
    /// Up, when the mark has a height that can be compared, m.
    pub up_m: Option<f64>,
    /// Easting and northing of the delivered point in the mark's grid, m; NaN for a geographic mark.
    pub at_m: [f64; 2],
    /// Grid convergence, deg, and scale there.
    pub convergence_deg: f64,
    /// Scale factor of the grid there.
    pub scale: f64,
    /// Standard deviation of the operation that was applied, m.
    pub operation_m: f64,
}

fn block(code: &str, what: impl Into<String>) -> Problem {
    Problem::from(Diagnostic::new(code, Verdict::Block, what))
}

impl Comparison {
    /// Decides for each mark whether and how it can be compared. `official`: apply the registry's
    /// operation where the mark is in another datum.
    ///
    /// # Errors
    /// `control/other-frame`, `control/other-epoch`, `control/other-heights`, `control/no-epoch`, and what the
    /// choice of an operation says.
    pub(crate) fn plan(
        marks: Vec<Mark>,
        schema: &Schema,
        reference: &Reference,
        place: Option<Locality>,
        official: bool,
        locked: Option<Locked>,
    ) -> Result<Self, Vec<Problem>> {
        let (Some(frame), Ok(names)) = (&schema.frame, Names::of(schema)) else {
            return Err(vec![
                Problem::new("plan/missing-role", "control needs points with latitude, longitude and a frame")
                    .fix("put this step after `reproject`"),
            ]);
        };
        let base = Crs::look_up(&frame.crs).ok().and_then(|c| c.geographic_3d);
        let mut planner = Planner { frame, base, reference, place, official, locked, systems: vec![], keys: vec![], notes: vec![] };
        let (mut ready, mut problems) = (vec![], vec![]);
        for mark in &marks {
            match planner.mark(mark, &names) {
                Ok(one) => ready.push(one),
                Err(problem) => {
                    let label = mark.label("this mark");
                    // One finding for all marks that are wrong in the same way.
                    let same = |p: &Problem| p.finding.code == problem.finding.code && p.finding.what == problem.finding.what;
                    if let Some(first) = problems.iter_mut().find(|p| same(p)) {
                        let first: &mut Problem = first;
                        if first.finding.labels.len() < 6 {
                            first.finding.labels.push(label);
                        }
                    } else {
                        problems.push(problem.label(label));
                    }
                }
            }
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        Ok(Self { ready, names, systems: planner.systems, notes: planner.notes, marks })
    }

    /// Operations that are applied, for the plan.
    #[must_use]
    pub(crate) fn operations(&self) -> Vec<serde_json::Value> {
        self.applied().map(|(o, _)| o.decided()).collect()
    }

    /// Operations that are applied, each with its part of the step's lock.
    fn applied(&self) -> impl Iterator<Item = &(Operation, String)> {
        self.systems.iter().filter_map(|s| s.operation.as_ref())
    }

    /// Grids that they read.
    #[must_use]
    pub(crate) fn grids(&self) -> Vec<Resource> {
        self.applied().flat_map(|(o, _)| grid_resources(o)).collect()
    }

    /// For the lock of the job.
    ///
    /// # Errors
    /// When an operation gives no result at a point.
    pub(crate) fn pins(&self, probes: &[ProbeAt]) -> Result<Vec<Pin>, Problem> {
        self.applied().map(|(o, part)| o.pin(part, probes)).collect()
    }

    /// Which height of the table a mark is compared with.
    #[must_use]
    pub(crate) fn height_way(&self, mark: usize) -> HeightWay {
        self.ready[mark].height
    }

    /// Differences of every row that carries the name of a mark, in the order of the rows.
    ///
    /// # Errors
    /// When a column is not as promised, or an operation or projection gives nothing at a mark.
    pub(crate) fn differences(&self, table: &Table) -> Result<Vec<Difference>, Problem> {
        let point = pipeline_base::table::by_role(&table.schema, Role::Point)?.name.clone();
        let names = table.texts(&point)?;
        let (latitude, longitude) = (table.floats(&self.names.latitude)?, table.floats(&self.names.longitude)?);
        let column = |name: &Option<(String, f64)>| -> Result<Vec<f64>, Problem> {
            match name {
                Some((name, unit)) => Ok(table.floats(name)?.iter().map(|v| v * unit).collect()),
                None => Ok(vec![f64::NAN; table.rows()]),
            }
        };
        let (ellipsoidal, vertical) = (column(&self.names.ellipsoidal)?, column(&self.names.vertical)?);
        let grid = match &self.names.easting {
            Some((e, n, unit)) => Some((table.floats(e)?, table.floats(n)?, *unit)),
            None => None,
        };
        let extra = |name: &str, missing: f64| -> Result<Vec<f64>, Problem> {
            match table.schema.named(name) {
                Some(_) => Ok(table.floats(name)?.iter().map(|v| if v.is_nan() { missing } else { *v }).collect()),
                None => Ok(vec![missing; table.rows()]),
            }
        };
        let (convergence, scale) = (extra("grid_convergence_deg", 0.0)?, extra("scale_factor", 1.0)?);
        let times = match table.schema.role(Role::Time) {
            Some(c) => table.instants(&c.name)?,
            None => vec![None; table.rows()],
        };
        let doors: Vec<ProjContext> = self.systems.iter().map(System::proj).collect::<Result<_, _>>()?;
        let opened: Vec<Opened> = self.systems.iter().zip(&doors).map(|(s, d)| Opened::of(s, d)).collect::<Result<_, _>>()?;
        let mut out = vec![];
        for row in 0..table.rows() {
            let Some(mark) = names[row].and_then(|n| self.marks.iter().position(|m| m.name == n)) else { continue };
            if !(latitude[row].is_finite() && longitude[row].is_finite()) {
                continue;
            }
            let ready = &self.ready[mark];
            let (system, tools) = (&self.systems[ready.way], &opened[ready.way]);
            let mut here = [longitude[row], latitude[row], ellipsoidal[row]];
            let mut operation_m = 0.0;
            if let (Some((operation, _)), Some(object)) = (&system.operation, &tools.operation) {
                let height = if here[2].is_finite() { here[2] } else { 0.0 };
                here = object
                    .carry([here[0], here[1], height, operation.year(times[row])])
                    .map_err(|e| Problem::broken(format!("the operation to the frame of the control gives nothing here: {e}")))?;
                operation_m = operation.accuracy_m;
            }
            let one = Difference {
                row,
                mark,
                grid_m: [0.0; 2],
                enu_m: [0.0; 2],
                up_m: None,
                at_m: [f64::NAN; 2],
                convergence_deg: 0.0,
                scale: 1.0,
                operation_m,
            };
            let own = grid.as_ref().map(|(e, n, unit)| ([e[row] * unit, n[row] * unit], convergence[row], scale[row]));
            let mut one = tools.horizontal(&system.way, &self.marks[mark], here, own, one)?;
            one.up_m = self.marks[mark].height.as_ref().and_then(|known| {
                let have = match ready.height {
                    HeightWay::None => f64::NAN,
                    HeightWay::Vertical => vertical[row],
                    HeightWay::Ellipsoidal => here[2],
                };
                have.is_finite().then_some(have - known.value_m)
            });
            out.push(one);
        }
        Ok(out)
    }
}

struct Opened<'d> {
    projection: Option<OpenProjection>,
    operation: Option<Object<'d>>,
}

impl<'d> Opened<'d> {
    fn of(system: &System, proj: &'d ProjContext) -> Result<Self, Problem> {
        let projection = match &system.way {
            Way::Grid(p) => Some(p.open()?),
            _ => None,
        };
        let operation = match &system.operation {
            Some((o, _)) => Some(proj.create(&o.pipeline).map_err(Problem::broken)?),
            None => None,
        };
        Ok(Self { projection, operation })
    }

    fn horizontal(
        &self,
        way: &Way,
        mark: &Mark,
        [longitude, latitude, height]: [f64; 3],
        own: Option<([f64; 2], f64, f64)>,
        mut one: Difference,
    ) -> Result<Difference, Problem> {
        let placed = match (way, &self.projection) {
            (Way::Table, _) => own,
            (Way::Grid(p), Some(open)) => {
                let at =
                    open.project(latitude, longitude).map_err(|e| Problem::broken(format!("{} gives nothing here: {e}", p.crs.title())))?;
                let unit = metres(p.unit);
                Some(([at.easting * unit, at.northing * unit], at.factors.convergence_deg, at.factors.meridional))
            }
            _ => None,
        };
        match (&mark.place, placed, way) {
            (Place::Grid { easting_m, northing_m, .. }, Some((at, convergence, scale)), _) => {
                one.grid_m = [at[0] - easting_m, at[1] - northing_m];
                let (s, c) = convergence.to_radians().sin_cos();
                one.enu_m = [(one.grid_m[0] * c + one.grid_m[1] * s) / scale, (one.grid_m[1] * c - one.grid_m[0] * s) / scale];
                (one.at_m, one.convergence_deg, one.scale) = (at, convergence, scale);
            }
            (Place::Geographic { latitude_deg, longitude_deg }, _, Way::Geographic(ellipsoid)) => {
                let h = if height.is_finite() { height } else { 0.0 };
                let tangent = Tangent::new(*latitude_deg, *longitude_deg, h, *ellipsoid);
                let [e, n, _] = tangent.enu(latitude, longitude, h);
                (one.grid_m, one.enu_m) = ([e, n], [e, n]);
            }
            _ => return Err(Problem::broken("a mark lost its way of comparison")),
        }
        Ok(one)
    }
}

impl Names {
    fn of(schema: &Schema) -> Result<Self, Problem> {
        let need = |role: Role| pipeline_base::table::by_role(schema, role).map(|c| c.name.clone());
        let length = |c: &Column| (c.name.clone(), metres(c.unit));
        let easting = match (schema.role(Role::Easting), schema.role(Role::Northing)) {
            (Some(e), Some(n)) => Some((e.name.clone(), n.name.clone(), metres(e.unit))),
            _ => None,
        };
        Ok(Self {
            latitude: need(Role::Latitude)?,
            longitude: need(Role::Longitude)?,
            ellipsoidal: schema.role(Role::EllipsoidalHeight).map(length),
            vertical: schema.role(Role::Height).map(length),
            easting,
        })
    }
}

struct Planner<'a> {
    frame: &'a Frame,
    base: Option<String>,
    reference: &'a Reference,
    place: Option<Locality>,
    official: bool,
    locked: Option<Locked<'a>>,
    systems: Vec<System>,
    /// CRS text and epoch of each system.
    keys: Vec<(String, Option<u64>, bool)>,
    notes: Vec<Problem>,
}

impl Planner<'_> {
    fn mark(&mut self, mark: &Mark, names: &Names) -> Result<Ready, Problem> {
        let grid = matches!(mark.place, Place::Grid { .. });
        let key = (mark.crs.clone(), mark.epoch.map(f64::to_bits), grid);
        let way = match self.keys.iter().position(|k| *k == key) {
            Some(known) => known,
            None => {
                let system = self.system(mark, grid)?;
                self.systems.push(system);
                self.keys.push(key);
                self.systems.len() - 1
            }
        };
        let moved = self.systems[way].operation.is_some();
        Ok(Ready { way, height: self.height(mark, names, moved)? })
    }

    fn system(&mut self, mark: &Mark, grid: bool) -> Result<System, Problem> {
        if grid && mark.crs == self.frame.crs {
            self.epochs(mark, false)?;
            return Ok(System { way: Way::Table, operation: None });
        }
        let crs = Crs::look_up(&mark.crs)?;
        if grid && crs.code() == self.frame.crs {
            self.epochs(mark, crs.dynamic)?;
            return Ok(System { way: Way::Table, operation: None });
        }
        let way = if grid {
            Way::Grid(Box::new(Projection::plan(&mark.crs)?))
        } else if crs.horizontal_unit() == Some(Unit::Degree) {
            Way::Geographic(crs.ellipsoid)
        } else {
            return Err(block("control/bad-value", format!("latitude and longitude are given in {}, which has no degrees", crs.title()))
                .fix("name the geographic system of the numbers in `crs`"));
        };
        let operation = if crs.geographic_3d.is_some() && crs.geographic_3d == self.base {
            self.epochs(mark, crs.dynamic)?;
            None
        } else {
            Some(self.operation(mark, &crs)?)
        };
        if let (Way::Grid(projection), None, Axes::Projected(unit)) = (&way, &operation, self.frame.axes) {
            self.notes.push(other_grid(&crs, projection, self.frame, unit, mark));
        }
        Ok(System { way, operation })
    }

    /// Same datum: the epochs must agree where coordinates move.
    fn epochs(&self, mark: &Mark, dynamic: bool) -> Result<(), Problem> {
        let ours = match self.frame.epoch {
            Epoch::Static => return Ok(()),
            Epoch::Fixed(year) => Some(year),
            Epoch::EachObservation => self.place.and_then(|l| l.decimal_year),
        };
        let Some(theirs) = mark.epoch else {
            return Err(block("control/no-epoch", format!("control in {} has no coordinate epoch", self.frame.name))
                .size("about 0.02 m for each year, where the plate moves as fast as usual")
                .why("coordinates move in this frame, so a value without an epoch is undecided")
                .fix("give the column `epoch` as a decimal year"));
        };
        match ours {
            Some(ours) if (ours - theirs).abs() <= SAME_EPOCH_A => Ok(()),
            Some(ours) => Err(block(
                "control/other-epoch",
                format!("control at epoch {theirs:.2} and points at epoch {ours:.2} in {}", self.frame.name),
            )
            .size(format!("the motion of the ground in {:.1} years, some 0.02 m a year where plates are usual", (ours - theirs).abs()))
            .why("the same mark has other coordinates at another epoch; the difference is no error of the survey")
            .fix("deliver in a frame that moves with the plate, or use control at the epoch of the points")),
            None if dynamic => {
                Err(block("control/other-epoch", format!("control at epoch {theirs:.2} and points at a time that no log tells"))
                    .size("about 0.02 m for each year between them")
                    .fix("give a log with dates"))
            }
            None => Ok(()),
        }
    }

    fn operation(&mut self, mark: &Mark, crs: &Crs) -> Result<(Operation, String), Problem> {
        let folders = grids::folders(&self.reference.folder);
        let (Some(from), Some(to)) = (self.base.clone(), crs.geographic_3d.clone()) else {
            return Err(block(
                "control/other-frame",
                format!("control in {} cannot be compared with points in {}", crs.title(), self.frame.name),
            )
            .size("the shift between the two datums, up to hundreds of metres")
            .fix("give the marks in the system of the delivery"));
        };
        let epoch = mark.epoch.map_or_else(String::new, |year| format!(" at {}", year_text(year)));
        let part = format!("{} to {to}{epoch}", operation::PART);
        let chosen = Operation::choose(&OperationRequest {
            from: &from,
            from_epoch: self.frame.epoch,
            from_key: "delivery.crs",
            from_epoch_key: "delivery.epoch",
            to: &to,
            to_epoch: mark.epoch.map(Epoch::Fixed),
            to_key: "delivery.crs",
            locality: self.place,
            budget_m: if self.official { self.reference.budget.operation_m } else { f64::INFINITY },
            written: None,
            motion: None,
            folders: &folders,
            locked: self.locked.filter(|_| self.official).map(|l| (l, part.as_str())),
        });
        // The marks ask for it, and no key of the reference.
        let of_marks = |p: Problem| Problem { reference_key: None, ..p };
        if self.official {
            let chosen = chosen.map_err(|mut found| of_marks(found.swap_remove(0)))?;
            self.notes.extend(chosen.notes.iter().cloned().map(of_marks));
            return Ok((chosen, part));
        }
        let size = match (&chosen, self.place) {
            (Ok(operation), Some(place)) => shift_here(operation, place).unwrap_or_else(|| "the shift between the two datums".to_owned()),
            _ => "the shift between the two datums, decimetres to metres".to_owned(),
        };
        Err(block("control/other-frame", format!("control is in {} and the points are in {}", crs.title(), self.frame.name))
            .size(size)
            .why("numbers of two frames must not be compared; every mark would seem wrong by the shift between them")
            .fix("give the marks in the datum of the delivery, or set `operation: official` to have the registry's operation applied, with its stated accuracy added"))
    }

    fn height(&self, mark: &Mark, names: &Names, moved: bool) -> Result<HeightWay, Problem> {
        let Some(height) = &mark.height else { return Ok(HeightWay::None) };
        // The geoid was left out of the job.
        let forgotten = self.reference.delivery.heights.datum == height.datum && height.datum.is_some();
        let other = |have: &str, want: &str| {
            let n = self.place.and_then(|l| l.receiver_separation_m);
            block("control/other-heights", format!("control has heights above {want} and the points above {have}"))
                .size(n.map_or_else(
                    || "tens of metres at most places".to_owned(),
                    |n| format!("about {n:.1} m here, by the receiver's own separation"),
                ))
                .why("heights above two surfaces must not be compared")
                .fix(if forgotten {
                    format!("put `height-convert` before this step: the reference promises heights above {want}, and no step leads to them")
                } else {
                    "give the marks in the height system of the delivery (`height_datum` to the letter), or leave their heights out"
                        .to_owned()
                })
        };
        match (&self.frame.heights, &height.datum) {
            (Heights::Vertical { datum, .. }, Some(theirs)) if datum == theirs => Ok(HeightWay::Vertical),
            (Heights::Vertical { datum, .. }, Some(theirs)) => Err(other(&format!("`{datum}`"), &format!("`{theirs}`"))),
            (_, None) if names.ellipsoidal.is_some() => Ok(HeightWay::Ellipsoidal),
            (_, None) => Err(other("another surface", "the ellipsoid")),
            (_, Some(theirs)) if moved || self.frame.heights != Heights::ReceiverGeoid => {
                Err(other("the ellipsoid", &format!("`{theirs}`")))
            }
            (_, Some(theirs)) => Err(other("the receiver's own geoid", &format!("`{theirs}`"))),
        }
    }
}

fn shift_here(operation: &Operation, place: Locality) -> Option<String> {
    let proj = operation.proj().ok()?;
    let start = here(place, &operation.time);
    let out = proj.create(&operation.pipeline).ok()?.carry(start).ok()?;
    let (horizontal, up) = shift([start[0], start[1], start[2]], out);
    Some(format!("{horizontal:.3} m horizontally and {up:+.3} m in ellipsoidal height here"))
}

/// Same datum, another grid: computed exactly, and worth a look, since the client's grid may be the mark's.
fn other_grid(crs: &Crs, projection: &Projection, frame: &Frame, unit: Unit, mark: &Mark) -> Problem {
    let feet = |u: Unit| matches!(u, Unit::Foot | Unit::UsSurveyFoot);
    let (e, n) = match mark.place {
        Place::Grid { easting_m, northing_m, .. } => (easting_m, northing_m),
        Place::Geographic { .. } => (0.0, 0.0),
    };
    let size = if feet(unit) && feet(projection.unit) && unit != projection.unit {
        format!("2 ppm of the coordinates if one foot is taken for the other: {:.3} m in E and {:.3} m in N here", e * 2e-6, n * 2e-6)
    } else {
        "none in this comparison; the delivery would be in another grid than the control".to_owned()
    };
    Problem::from(
        Diagnostic::new(
            "control/other-grid",
            Verdict::Warn,
            format!("control is in {} and the delivery in {}, another grid of the same datum", crs.title(), frame.name),
        )
        .size(size)
        .why("the difference is computed exactly; but control usually comes in the grid of the client")
        .fix("make sure which grid the client wants, and set `delivery.crs` to it"),
    )
}

/// Marks that may be compared, and why others may not.
#[must_use]
pub(crate) fn dependent(mark: &Mark, base: Option<&str>) -> Option<&'static str> {
    match mark.used_as {
        Use::Base => Some("it set the base"),
        Use::Fit => Some("a localisation is fitted to it"),
        Use::Check if base.is_some_and(|b| b == mark.name) => Some("it is the base"),
        Use::Check => None,
    }
}
