//! The one operation between two frames: chosen when the job is planned, written down as a
//! pipeline, and never chosen again.
//!
//! Three rules together, since none is enough alone: only the registry's best operation for the
//! place, no ballpark steps, and a stated accuracy within the budget of the job.

mod by_hand;
mod locked;
pub mod request;

use super::area::Area;
use super::crs::{Crs, block, define, open};
use super::grid_lookup;
use super::grid_lookup::margin_text;
use super::proj_context::{Object, ObjectKind, OpenObjects, ProjContext};
use super::{findings, motion, pins, pipeline};
use crate::grids::ChosenGrid;
use by_hand::coverages;
pub use locked::held;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Epoch, year_text};
use request::{Candidate, OperationRequest, here, shift};
use serde::Serialize;
use std::path::PathBuf;

/// The part of a step's lock that is its operation.
pub const PART: &str = "operation";
/// Text of a pipeline that does nothing.
const NOTHING: &str = "+proj=noop";

/// The operation chosen.
#[derive(Clone, Debug)]
pub struct Operation {
    /// Name.
    pub name: String,
    /// Pipeline text: longitude, latitude (deg), ellipsoidal height (m), decimal year in;
    /// longitude, latitude, height out.
    pub pipeline: String,
    /// Stated accuracy, m.
    pub accuracy_m: f64,
    /// Code or text of the frame it starts from.
    pub from: String,
    /// Code or text of the frame it leads to.
    pub to: String,
    /// The time that it is evaluated at.
    pub time: Epoch,
    /// The epoch of the points after it, in a frame in which points move.
    pub arrives: Epoch,
    /// How the ground moves between the two epochs, in words.
    pub motion: Option<String>,
    /// What another epoch would do here; `None` when nothing depends on time.
    pub sensitivity: Option<Sensitivity>,
    /// Everything that was looked at.
    pub candidates: Vec<Candidate>,
    /// Whether both frames are the same and nothing is computed.
    pub identity: bool,
    /// Lines for the plan: areas of use with margins.
    pub areas: Vec<String>,
    /// Areas in which every point must lie: of the two frames and of the operation.
    pub limits: Vec<(String, Area)>,
    /// Exactly the files that it reads.
    pub files: Vec<ChosenGrid>,
    /// Warnings and notes for the plan.
    pub notes: Vec<Problem>,
    /// How it was held to the lock of the job, when there is one.
    pub lock: Option<String>,
}

/// What another epoch would do to a delivery.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Sensitivity {
    /// Horizontal distance for a year, m.
    pub horizontal_m_per_year: f64,
    /// Change of height for a year, m.
    pub up_m_per_year: f64,
    /// The epoch that is used here.
    pub epoch: f64,
    /// Another epoch that a person may have meant, and why.
    pub other_epoch: f64,
    /// Horizontal distance between the two results, m.
    pub horizontal_m: f64,
    /// Difference in height, m.
    pub up_m: f64,
    /// In words.
    pub words: String,
}

impl Operation {
    /// Chooses.
    ///
    /// # Errors
    /// Every reason for which no operation may be used, with its size here where it can be computed.
    pub fn choose(wish: &OperationRequest) -> Result<Self, Vec<Problem>> {
        let proj = open(wish.folders).map_err(|p| vec![p])?;
        let (from, from_object) = frame_3d(&proj, wish.from, false).map_err(|p| vec![p.reference_key(wish.from_key)])?;
        let (to, to_object) = frame_3d(&proj, wish.to, true).map_err(|p| vec![p.reference_key(wish.to_key)])?;
        let same = from_object.same_as(&to_object);
        let mut problems = vec![];
        let mut areas = vec![];
        let limits = [&from, &to].into_iter().filter_map(|c| c.area.clone().map(|a| (c.title(), a))).collect();
        for (crs, key) in [(&from, wish.from_key), (&to, wish.to_key)] {
            if let (Some(area), Some(place)) = (&crs.area, wish.locality) {
                let text = margin_text(&crs.code(), area, place, "area of use");
                if !areas.contains(&text) {
                    areas.push(text);
                }
                if !area.contains(place.latitude_deg, place.longitude_deg) {
                    problems.push(crate::outside::outside(crs, area, place).reference_key(key));
                }
            }
        }
        let time = match time_of(wish, &from, &to, same, &proj) {
            Ok(time) => time,
            Err(problem) => {
                problems.push(*problem);
                return Err(problems);
            }
        };
        if !problems.is_empty() {
            return Err(problems);
        }
        let start = Self {
            name: String::new(),
            pipeline: String::new(),
            accuracy_m: 0.0,
            from: from.code(),
            to: to.code(),
            time,
            arrives: if to.dynamic {
                wish.to_epoch.filter(|e| !(from.dynamic && *e == Epoch::Static)).unwrap_or(time)
            } else {
                Epoch::Static
            },
            motion: None,
            sensitivity: None,
            candidates: vec![],
            identity: false,
            areas,
            limits,
            files: vec![],
            notes: vec![],
            lock: None,
        };
        let bare = start.clone();
        let chosen = if let Some(written) = wish.written {
            start.by_hand(wish, written)
        } else if same {
            Ok(Self { name: "none: both frames are the same".to_owned(), pipeline: NOTHING.to_owned(), identity: true, ..start })
        } else {
            start.of_registry(wish, &proj, (&from, &from_object), (&to, &to_object))
        };
        let chosen = chosen.and_then(|chosen| chosen.moved_in_time(wish, &from, &to));
        let chosen = match wish.locked {
            Some(locked) => bare.locked(wish, locked, same && wish.written.is_none(), chosen),
            None => chosen.and_then(|mut taken| {
                for file in &taken.files {
                    taken.notes.extend(grid_lookup::unpinned(file)?.map(|p| p.reference_key(wish.to_key)));
                }
                Ok(taken)
            }),
        };
        chosen.map(|chosen| chosen.with_sensitivity(wish)).map_err(|problem| vec![*problem])
    }

    /// Adds the motion of the ground from the epoch at which the points arrive to the epoch of the delivery.
    fn moved_in_time(mut self, wish: &OperationRequest, from: &Crs, to: &Crs) -> Result<Self, Box<Problem>> {
        let (Some(motion), true, Epoch::Fixed(year)) = (wish.motion, from.dynamic && to.dynamic, self.arrives) else { return Ok(self) };
        if wish.written.is_some() || self.time.same(self.arrives) {
            return Ok(self);
        }
        let steps = motion::steps(motion, to, year, wish.folders, wish.locality)?;
        let start = match self.time {
            Epoch::Fixed(start) => Some(start),
            _ => wish.locality.and_then(|l| l.decimal_year),
        };
        let Some(start) = start else {
            return Err(Box::new(
                block("frame/no-epoch", format!("points are to be moved to epoch {}, and no log of this job is dated", year_text(year)))
                    .reference_key("delivery.epoch")
                    .size("the motion of the ground over the years between, 0.01 to 0.10 m a year on most plates")
                    .fix("give the date in the options of the step that reads the log"),
            ));
        };
        let years = (year - start).abs();
        self.accuracy_m = self.accuracy_m.hypot(motion.sigma_m_per_year * years);
        if self.accuracy_m > wish.budget_m {
            return Err(Box::new(findings::over_budget(
                wish,
                from,
                to,
                &format!("{} over {years:.2} years", steps.name),
                self.accuracy_m,
                &self.candidates,
            )));
        }
        self.pipeline = motion::joined(&self.pipeline, &steps.text);
        self.identity = false;
        self.name = format!("{}; then {} after {}, to epoch {}", self.name, steps.name, motion.source, year_text(year));
        if let Some(file) = steps.grid {
            self.files.push(file);
        }
        self.motion = Some(format!(
            "{} after {}, over {years:.2} years at {:.4} m a year (1 sigma)",
            steps.name, motion.source, motion.sigma_m_per_year
        ));
        Ok(self)
    }

    /// What another epoch would do here: that of the log where the reference states one, else the reference epoch of the
    /// parameters, which is used by those who give none, else the next year.
    fn with_sensitivity(mut self, wish: &OperationRequest) -> Self {
        self.sensitivity = self.sensitive(wish);
        self
    }

    fn sensitive(&self, wish: &OperationRequest) -> Option<Sensitivity> {
        let place = wish.locality?;
        let logged = place.decimal_year;
        let epoch = match self.time {
            Epoch::Fixed(year) => year,
            Epoch::EachObservation => logged?,
            Epoch::Static => return None,
        };
        let proj = self.proj().ok()?;
        let object = proj.create(&self.pipeline).ok()?;
        let at = |year: f64| object.carry(here(place, &Epoch::Fixed(year))).ok();
        let (used, next) = (at(epoch)?, at(epoch + 1.0)?);
        let (horizontal_m_per_year, up_m_per_year) = shift(used, next);
        if horizontal_m_per_year.hypot(up_m_per_year) < 1e-6 {
            return None;
        }
        let parameters =
            self.pipeline.split("+t_epoch=").nth(1).and_then(|t| t.split_whitespace().next()).and_then(|t| t.parse::<f64>().ok());
        let (other_epoch, why) = match (self.time, logged, parameters) {
            (Epoch::Fixed(_), Some(logged), _) if (logged - epoch).abs() > 0.05 => (logged, "the date of the log"),
            (_, _, Some(own)) if (own - epoch).abs() > 0.05 => (own, "the reference epoch of the parameters"),
            _ => (epoch + 1.0, "a year later"),
        };
        let (horizontal_m, up_m) = shift(used, at(other_epoch)?);
        let words = format!(
            "this delivery would move by {horizontal_m:.3} m horizontally and {up_m:+.3} m in height if the epoch were {} ({why}) and not {}; {horizontal_m_per_year:.4} m and {up_m_per_year:+.4} m for each year",
            year_text(other_epoch),
            year_text(epoch)
        );
        Some(Sensitivity { horizontal_m_per_year, up_m_per_year, epoch, other_epoch, horizontal_m, up_m, words })
    }

    /// The note that says it (`frame/epoch-sensitivity`).
    #[must_use]
    pub fn epoch_note(&self) -> Option<Problem> {
        let s = self.sensitivity.as_ref()?;
        Some(
            Problem::from(
                Diagnostic::new("frame/epoch-sensitivity", Verdict::Note, s.words.clone())
                    .size(format!("{:.3} m horizontally and {:+.3} m in height", s.horizontal_m, s.up_m))
                    .why("points move with their plate, and the shift between the two frames changes with time")
                    .fix("nothing to do when the epoch is the one that the correction service states"),
            )
            .reference_key("corrections.epoch"),
        )
    }

    fn of_registry(
        mut self,
        wish: &OperationRequest,
        proj: &ProjContext,
        (from, from_object): (&Crs, &Object),
        (to, to_object): (&Crs, &Object),
    ) -> Result<Self, Box<Problem>> {
        let place = wish.locality.map(|l| (l.latitude_deg, l.longitude_deg));
        let all = proj.operations(from_object, to_object, place, false);
        let (candidates, chosen) = Candidate::choose(&all, wish.locality);
        self.candidates.extend(candidates);
        let Some((index, object)) = chosen.and_then(|i| Some((i, all.get(i)?))) else {
            return Err(Box::new(findings::no_operation(wish, from, to, &self.candidates)));
        };
        if place.is_none() && all.len() > 1 && !covers_all(object, from, to) {
            return Err(Box::new(
                block(
                    "frame/no-place",
                    format!(
                        "{} operations lead from {} to {}, and which one is right depends on the place",
                        all.len(),
                        from.title(),
                        to.title()
                    ),
                )
                .reference_key(wish.to_key)
                .size("the difference between two of them, decimetres to metres")
                .why("no log of this job told where the work is")
                .fix("give a log with positions, or write `operation` into the reference"),
            ));
        }
        let accuracy = object.accuracy_m().unwrap_or(f64::INFINITY);
        let missing = grid_lookup::absent(&object.grids(), wish.folders);
        if !missing.is_empty() {
            return Err(Box::new(findings::grid_missing(
                wish,
                (from, from_object),
                (to, to_object),
                &self.candidates,
                index,
                &missing,
                proj,
            )));
        }
        if accuracy > wish.budget_m {
            return Err(Box::new(findings::over_budget(wish, from, to, &object.name(), accuracy, &self.candidates)));
        }
        let fails = |e: String| {
            block("frame/operation-fails", format!("`{}` cannot be used: {e}", object.name()))
                .reference_key(wish.to_key)
                .size("no coordinates; between national frames the shift is usually 0.3 m to 2 m, and to old datums 100 m or more")
                .why("it is the registry's best here, and a lesser one is never taken in its place")
                .fix("write an `operation` with its source into the reference, or name a frame to which another operation leads")
        };
        let pipeline = object.normalized().and_then(|n| n.proj_text()).ok_or_else(|| {
            fails("the geodesy library cannot write it down as a pipeline; one of its steps holds for a single epoch, or is by a method that it does not have".to_owned())
        })?;
        let files = files_of(&pipeline, wish.folders, wish.locality).map_err(|why| match why {
            UnknownFiles::Text(why) => fails(why),
            UnknownFiles::Missing(missing) => fails(format!("the grid `{}` is not on this machine", missing.join("`, `"))),
            UnknownFiles::Problem(problem) => problem.reference_key(wish.to_key),
        })?;
        let exact = pins::proj(&files)?;
        let pinned = exact.create(&pipeline).map_err(fails)?;
        if pinned.uses_radians() {
            return Err(Box::new(fails("it takes radians".to_owned())));
        }
        if let Some(place) = wish.locality {
            let moved = pinned.carry(here(place, &self.time)).map_err(fails)?;
            let (horizontal, up) = shift([place.longitude_deg, place.latitude_deg, place.height_m.unwrap_or(0.0)], moved);
            self.areas.push(format!("moves a point here by {horizontal:.3} m horizontally and {up:+.3} m in height"));
            if let Some(area) = object.area() {
                self.areas.push(margin_text("operation", &area, place, "area of use"));
            }
            self.areas.extend(coverages(&files, place));
        }
        self.name = object.name();
        self.limits.extend(object.area().map(|a| (format!("`{}`", object.name()), a)));
        self.files = files;
        self.pipeline = pipeline;
        self.accuracy_m = accuracy;
        Ok(self)
    }

    /// A context on exactly its grids.
    ///
    /// # Errors
    /// When the library cannot start.
    pub fn proj(&self) -> Result<ProjContext, Problem> {
        pins::proj(&self.files)
    }

    /// Opens it for computing, by one thread at a time.
    ///
    /// # Errors
    /// When the library cannot start, or the pipeline cannot be opened any more.
    pub fn open(&self) -> Result<OpenOperation, Problem> {
        if self.identity {
            return Ok(OpenOperation(None));
        }
        let text = &self.pipeline;
        OpenObjects::new(self.proj()?, |proj| {
            Ok([proj.create(text).map_err(|e| Problem::broken(format!("the pinned operation cannot be opened: {e}")))?])
        })
        .map(|kept| OpenOperation(Some(kept)))
    }

    /// For the plan and the record.
    #[must_use]
    pub fn decided(&self) -> serde_json::Value {
        let (library, registry) = ProjContext::new(&[]).map(|d| d.versions()).unwrap_or_default();
        serde_json::json!({
            "from": self.from,
            "to": self.to,
            "name": self.name,
            "pipeline": self.pipeline,
            "accuracy_m": self.accuracy_m,
            "evaluated_at": match self.time {
                Epoch::Static => serde_json::Value::String("not time-dependent".to_owned()),
                Epoch::Fixed(year) => serde_json::json!(year),
                Epoch::EachObservation => serde_json::Value::String("each row's own time".to_owned()),
            },
            "epoch_after": self.arrives.words(),
            "motion": self.motion,
            "other_epoch": self.sensitivity,
            "areas": self.areas,
            "grids": self.files.iter().map(|f| format!("{} sha256 {}", f.name, f.sha256)).collect::<Vec<_>>(),
            "lock": self.lock,
            "candidates": self.candidates,
            "library": format!("PROJ {library}"),
            "registry": format!("EPSG {registry}"),
        })
    }

    /// The decimal year that PROJ gets for a row.
    #[must_use]
    pub fn year(&self, row_nanoseconds: Option<i64>) -> f64 {
        match self.time {
            Epoch::Static => f64::INFINITY,
            Epoch::Fixed(year) => year,
            Epoch::EachObservation => row_nanoseconds.map_or(f64::NAN, super::epoch::decimal_year),
        }
    }
}

/// An operation that is ready to compute.
pub struct OpenOperation(Option<OpenObjects<1>>);

impl OpenOperation {
    /// What computes; `None` when both frames are the same and nothing is computed.
    #[must_use]
    pub fn object(&self) -> Option<&Object<'_>> {
        self.0.as_ref().map(|kept| {
            let [object] = kept.objects();
            object
        })
    }
}

/// Why the files of a pipeline cannot be told.
pub enum UnknownFiles {
    /// The text names something that may not stand in it.
    Text(String),
    /// Files that are not on this machine.
    Missing(Vec<String>),
    /// Files that may not be used.
    Problem(Problem),
}

/// Exactly the files that a text names, and those that its models name in turn.
pub fn files_of(text: &str, folders: &[PathBuf], place: Option<Locality>) -> Result<Vec<ChosenGrid>, UnknownFiles> {
    let (mut files, mut missing): (Vec<ChosenGrid>, Vec<String>) = (vec![], vec![]);
    let mut names = pipeline::files(text).map_err(UnknownFiles::Text)?;
    let mut at = 0;
    while let Some(name) = names.get(at).cloned() {
        at += 1;
        let Some(found) = grid_lookup::pick(&name, None, folders, place).map_err(UnknownFiles::Problem)? else {
            missing.push(name);
            continue;
        };
        if name.ends_with(".json") {
            let json = std::fs::read_to_string(&found.path).map_err(|e| UnknownFiles::Text(format!("`{name}` cannot be read: {e}")))?;
            for inner in pipeline::files_of_model(&json).map_err(UnknownFiles::Text)? {
                if !names.contains(&inner) {
                    names.push(inner);
                }
            }
        }
        files.push(found);
    }
    if missing.is_empty() { Ok(files) } else { Err(UnknownFiles::Missing(missing)) }
}

/// The frame of a text and its object; refuses anything but geographic 3D with Greenwich degrees.
fn frame_3d<'d>(proj: &'d ProjContext, text: &str, promote: bool) -> Result<(Crs, Object<'d>), Problem> {
    let object = define(proj, text)?;
    let crs = Crs::of(text, &object);
    if promote
        && crs.kind == ObjectKind::Geographic2D
        && crs.geographic_3d.is_none()
        && let Some(three) = object.to_3d()
    {
        return Ok((crs, three));
    }
    if crs.kind != ObjectKind::Geographic3D {
        let hint = crs.geographic_3d.as_ref().map_or_else(String::new, |code| format!("; its 3D system is `{code}`"));
        return Err(Problem::new("frame/not-geographic-3d", format!("{} is not a geographic 3D system{hint}", crs.title()))
            .size("tens of metres in height if a third coordinate were guessed")
            .why("a position of a receiver has three coordinates, and a shift between frames moves all three")
            .fix("give the geographic 3D code of the frame"));
    }
    if crs.horizontal_unit().is_none() || object.proj_text().is_some_and(|t| t.contains("+pm=")) {
        return Err(Problem::new("frame/meridian", format!("{} does not count degrees from Greenwich", crs.title()))
            .size("every longitude by that of its meridian, 100 km and more; in grads by a tenth of itself")
            .why("longitudes of a receiver count degrees from Greenwich, and no step here turns them")
            .fix("give a frame in degrees from Greenwich"));
    }
    Ok((crs, object))
}

/// The time at which the operation is evaluated.
fn time_of(wish: &OperationRequest, from: &Crs, to: &Crs, same: bool, proj: &ProjContext) -> Result<Epoch, Box<Problem>> {
    let target = wish.to_epoch.unwrap_or(Epoch::Static);
    if from.dynamic && wish.from_epoch == Epoch::Static {
        return Err(Box::new(findings::no_epoch(wish, from, proj)));
    }
    if !same && to.dynamic && !from.dynamic && target == Epoch::Static {
        return Err(Box::new(
            block("frame/no-epoch", format!("{} is a frame in which points move, and no epoch is given for the delivery", to.title()))
                .reference_key("delivery.epoch")
                .size(match to.ensemble_accuracy_m {
                    Some(accuracy) => format!("undecided by up to {accuracy} m: it is a group of frames and no realisation"),
                    None => "the motion of the plate, 0.02 to 0.08 m for each year that the epoch is off".to_owned(),
                })
                .why("coordinates in it belong to one date")
                .fix(match to.ensemble_accuracy_m {
                    Some(_) => "name the realisation that the client wants in `delivery.crs`, and its epoch in `delivery.epoch`",
                    None => "set `delivery.epoch` to the decimal year that the client wants, or to `observation`",
                }),
        ));
    }
    let moves = from.dynamic && to.dynamic && target != Epoch::Static && !target.same(wish.from_epoch);
    let can_move = wish.motion.is_some() && matches!(target, Epoch::Fixed(_));
    if moves && !can_move && wish.written.is_none() {
        return Err(Box::new(findings::epoch_change(wish, from, to, target)));
    }
    Ok(if from.dynamic {
        wish.from_epoch
    } else if to.dynamic {
        target
    } else {
        Epoch::Static
    })
}

fn covers_all(object: &Object, from: &Crs, to: &Crs) -> bool {
    let Some(area) = object.area() else { return false };
    let smaller = [&from.area, &to.area].into_iter().flatten().min_by(|a, b| a.size().total_cmp(&b.size()));
    smaller.is_some_and(|s| area.contains(s.south, s.west) && area.contains(s.north, s.east))
}
