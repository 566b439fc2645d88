//! From the vertical datum of a geoid model to that of the delivery, by one official operation, or by a published number.

use super::findings;
use pipeline_base::pin::{GivesIn, Locked, Pin, ProbeAt};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::{DatumChange, Geoid};
use pipeline_base::table::schema::Epoch;
use serde_json::json;
use std::path::PathBuf;
use survey_geodesy::crs::{Crs, block, define, metres, open};
use survey_geodesy::grid_lookup;
use survey_geodesy::grids::ChosenGrid;
use survey_geodesy::operation::request::{Candidate, place_of};
use survey_geodesy::operation::{UnknownFiles, files_of, held};
use survey_geodesy::packages;
use survey_geodesy::pins;
use survey_geodesy::pins::Pipeline;
use survey_geodesy::proj_context::{CoordinateColumn, Object, ObjectKind, OpenObjects, ProjContext};

/// A change of vertical datum, decided at planning.
#[derive(Clone, Debug)]
pub(crate) struct Change {
    /// Datum of the geoid model.
    pub from: String,
    /// Datum of the delivery.
    pub to: String,
    /// Name of the operation.
    pub name: String,
    /// Stated accuracy, m.
    pub accuracy_m: f64,
    /// Pipeline: longitude, latitude (deg), height (m) in and out. `None`: a number for the site.
    pub pipeline: Option<String>,
    /// The number, m.
    pub offset_m: f64,
    /// Exactly the files that it reads.
    pub files: Vec<ChosenGrid>,
    /// What it does at the place of the work, m.
    pub here_m: Option<f64>,
    /// Metres in the units of both systems.
    units: (f64, f64),
    candidates: Vec<Candidate>,
    /// Warnings for the plan.
    pub notes: Vec<Problem>,
    /// How it was held to the lock of the job, when there is one.
    lock: Option<String>,
}

/// Part of a step's lock.
const PART: &str = "change-of-datum";
/// Key of the reference that asks for a change.
const KEY: &str = "delivery.heights.geoid.datum";

/// What a change is looked for.
pub(crate) struct Wish<'a> {
    /// The model.
    pub geoid: &'a Geoid,
    /// Datum of the delivery.
    pub to: &'a str,
    /// By hand.
    pub written: Option<&'a DatumChange>,
    /// Where the work is.
    pub place: Option<Locality>,
    /// Worst accuracy that an operation may state, m.
    pub budget_m: f64,
    /// Folders of grids.
    pub folders: &'a [PathBuf],
    /// What the lock of the job says about the step.
    pub locked: Option<Locked<'a>>,
}

/// A compound of the horizontal part of a frame and a vertical datum in metres.
fn compound<'d>(proj: &'d ProjContext, frame: &str, datum: &str) -> Option<Object<'d>> {
    let (authority, code) = define(proj, frame).ok()?.to_2d()?.id()?;
    let (vertical_authority, vertical) = define(proj, datum).ok()?.id()?;
    define(proj, &format!("{authority}:{code}+{vertical_authority}:{vertical}")).ok()
}

/// What an operation, in longitude and latitude, does to a height here (m); `units`: metres in the units of both systems.
fn lift(operation: &Object, units: (f64, f64), place: Locality) -> Option<f64> {
    if operation.uses_radians() {
        return None;
    }
    let height = place.height_m.unwrap_or(0.0);
    let out = operation.carry([place.longitude_deg, place.latitude_deg, height / units.0, f64::INFINITY]).ok()?;
    let still = (out[0] - place.longitude_deg).abs() < 1e-9 && (out[1] - place.latitude_deg).abs() < 1e-9;
    still.then(|| out[2] * units.1 - height)
}

/// How far the datum `to` lies from the datum `from` here (m) by the registry's best operation whose grids are present; for
/// sizes of mistakes only.
pub(crate) fn offset_here(proj: &ProjContext, frame: &str, from: &str, to: &str, place: Locality) -> Option<f64> {
    let (a, b) = (compound(proj, frame, from)?, compound(proj, frame, to)?);
    let units = (unit_of(from)?, unit_of(to)?);
    proj.operations(&a, &b, Some((place.latitude_deg, place.longitude_deg)), true)
        .into_iter()
        .filter(|o| !o.is_ballpark() && o.accuracy_m().is_some())
        .find_map(|o| lift(&o.normalized()?, units, place))
}

/// Metres in the unit of a vertical system with an upward axis.
fn unit_of(datum: &str) -> Option<f64> {
    Crs::look_up(datum).ok()?.vertical_unit().map(metres)
}

impl Change {
    /// Decides; `Ok(None)` when the model leads to the datum of the delivery itself.
    ///
    /// # Errors
    /// `height/no-datum-change`, `height/grid-missing`, `frame/accuracy-over-budget`, `height/not-vertical`.
    pub(crate) fn choose(wish: &Wish) -> Result<Option<Self>, Problem> {
        let Some(from) = wish.geoid.datum.as_deref().filter(|d| d.trim() != wish.to.trim()) else {
            if let Some(written) = wish.written {
                return Err(Problem::new(
                    "height/change-without-need",
                    format!("a change of datum by {:+.3} m is written, and the model leads to the datum of the delivery", written.offset_m),
                )
                .reference_key("delivery.heights.change")
                .size(format!("{:.3} m in every height", written.offset_m.abs()))
                .why("without `delivery.heights.geoid.datum` the model is taken to lead to `delivery.heights.datum`")
                .fix("name the datum that the model leads to in `delivery.heights.geoid.datum`, or remove `change`"));
            }
            return Ok(None);
        };
        let start = Self {
            from: from.to_owned(),
            to: wish.to.to_owned(),
            name: String::new(),
            accuracy_m: 0.0,
            pipeline: None,
            offset_m: 0.0,
            files: vec![],
            here_m: None,
            units: (1.0, 1.0),
            candidates: vec![],
            notes: vec![],
            lock: None,
        };
        if let Some(written) = wish.written {
            if written.accuracy_m > wish.budget_m {
                return Err(over_budget(wish, &format!("the change of {}", written.source), written.accuracy_m)
                    .reference_key("delivery.heights.change.accuracy_m"));
            }
            return Ok(Some(Self {
                name: format!("by hand, after {}", written.source),
                accuracy_m: written.accuracy_m,
                offset_m: written.offset_m,
                here_m: Some(written.offset_m),
                ..start
            }));
        }
        if let Some(locked) = wish.locked {
            let fresh = start.clone().of_registry(wish, from);
            return start.locked(wish, locked, fresh).map(Some);
        }
        let mut taken = start.of_registry(wish, from)?;
        for file in &taken.files {
            taken.notes.extend(grid_lookup::unpinned(file)?.map(|p| p.reference_key(KEY)));
        }
        Ok(Some(taken))
    }

    fn of_registry(mut self, wish: &Wish, from: &str) -> Result<Self, Problem> {
        let proj = open(wish.folders)?;
        let vertical = |text: &str, key: &str| -> Result<(), Problem> {
            let crs = Crs::look_up(text).map_err(|p| p.reference_key(key))?;
            if crs.kind == ObjectKind::Vertical {
                return Ok(());
            }
            Err(Problem::new("height/not-vertical", format!("{} is not a vertical system", crs.title()))
                .reference_key(key)
                .size("no heights; the distance of two surfaces is centimetres to tens of metres")
                .why("a change of heights leads from one vertical system to another")
                .fix("name a vertical system, for example `EPSG:5703`"))
        };
        vertical(from, KEY)?;
        vertical(wish.to, "delivery.heights.datum")?;
        let none = |why: String| {
            block("height/no-datum-change", format!("no official operation leads from `{from}` to `{}`: {why}", wish.to))
                .reference_key(KEY)
                .size("the distance of the two datums, centimetres to more than a metre")
                .why("a height keeps its number when only the name of its datum is changed")
                .fix("deliver in the datum of the model; or, where an authority has published the difference for the site, write it into `delivery.heights.change` with its accuracy and source")
        };
        let (Some(a), Some(b)) = (compound(&proj, &wish.geoid.frame, from), compound(&proj, &wish.geoid.frame, wish.to)) else {
            return Err(none("the frame or a datum has no code".to_owned()));
        };
        let at = wish.place.map(|l| (l.latitude_deg, l.longitude_deg));
        let all = proj.operations(&a, &b, at, false);
        let (candidates, chosen) = Candidate::choose(&all, wish.place);
        self.candidates.extend(candidates);
        let Some(object) = chosen.and_then(|i| all.get(i)) else {
            return Err(none(match self.candidates.first() {
                Some(c) => format!("none of {} can be used: {}", self.candidates.len(), c.verdict),
                None => "the registry has none".to_owned(),
            }));
        };
        let without = |missing: &[String]| {
            block(
                "frame/grid-missing",
                format!(
                    "the change from `{from}` to `{}` needs the grid `{}`, which is not on this machine",
                    wish.to,
                    missing.join("`, `")
                ),
            )
            .reference_key(KEY)
            .size("the distance of the two datums, centimetres to more than a metre")
            .why(format!("`{}` is the registry's best here, and a lesser one is never taken in its place", object.name()))
            .fix(missing.iter().map(|m| packages::how_to_get(m)).collect::<Vec<_>>().join("; "))
        };
        let missing = grid_lookup::absent(&object.grids(), wish.folders);
        if !missing.is_empty() {
            return Err(without(&missing));
        }
        let accuracy = object.accuracy_m().unwrap_or(f64::INFINITY);
        if accuracy > wish.budget_m {
            return Err(over_budget(wish, &format!("`{}`", object.name()), accuracy).reference_key("budget.operation_m"));
        }
        let place = wish.place.ok_or_else(|| none("no log told where the work is".to_owned()))?;
        let units =
            unit_of(from).zip(unit_of(wish.to)).ok_or_else(|| none("one of them is not in m, ft or ftUS, or counts depths".to_owned()))?;
        let no_result = || none(format!("`{}` gives no result at {}", object.name(), place_of(place)));
        let pipeline = object.normalized().and_then(|n| n.proj_text()).ok_or_else(no_result)?;
        self.name = object.name();
        self.accuracy_m = accuracy;
        self.files = files_of(&pipeline, wish.folders, wish.place).map_err(|why| match why {
            UnknownFiles::Text(why) => none(format!("`{}` cannot be written down: {why}", object.name())),
            UnknownFiles::Missing(missing) => without(&missing),
            UnknownFiles::Problem(problem) => problem.reference_key(KEY),
        })?;
        // What is used is the text with exactly these files, and not the object of the registry.
        let exact = pins::proj(&self.files)?;
        let pinned = exact.create(&pipeline).map_err(|why| none(format!("`{}` cannot be used: {why}", object.name())))?;
        let here = lift(&pinned, units, place).ok_or_else(no_result)?;
        self.pipeline = Some(pipeline);
        self.here_m = Some(here);
        self.units = units;
        Ok(self)
    }

    /// Takes exactly what the lock says, or refuses. `fresh` is what this machine would choose.
    fn locked(mut self, wish: &Wish, locked: Locked, fresh: Result<Self, Problem>) -> Result<Self, Problem> {
        let pin = locked.pin(PART)?;
        let accuracy = pin.accuracy_m.unwrap_or(f64::INFINITY);
        if accuracy > wish.budget_m {
            return Err(over_budget(wish, &format!("the locked `{}`", pin.name), accuracy).reference_key("budget.operation_m"));
        }
        self.files = pins::hold(locked, pin, (&self.from, &self.to), wish.folders, wish.place)?;
        self.units = unit_of(&self.from).zip(unit_of(&self.to)).ok_or_else(|| Problem::broken("a locked datum has no unit"))?;
        if let Ok(fresh) = fresh {
            let text = fresh.pipeline.as_deref().unwrap_or_default();
            self.notes.extend(pins::other_choice(pin, &fresh.name, text, &fresh.files));
            if text == pin.pipeline {
                self.here_m = fresh.here_m;
            }
            self.candidates = fresh.candidates;
        }
        self.name.clone_from(&pin.name);
        self.accuracy_m = accuracy;
        self.pipeline = Some(pin.pipeline.clone());
        self.lock = Some(held(locked, pin));
        Ok(self)
    }

    /// For the lock of a job; `None` for a number written by hand, which stands in the reference.
    ///
    /// # Errors
    /// When it gives no result at a point.
    pub(crate) fn pin(&self, probes: &[ProbeAt]) -> Result<Option<Pin>, Problem> {
        let Some(text) = &self.pipeline else { return Ok(None) };
        let pipeline = Pipeline {
            part: PART,
            name: &self.name,
            from: &self.from,
            to: &self.to,
            text,
            accuracy_m: Some(self.accuracy_m),
            files: &self.files,
            gives_in: GivesIn::Degree,
            time: Epoch::Static,
        };
        pipeline.pin(probes).map(Some)
    }

    /// For the plan and the record.
    #[must_use]
    pub(crate) fn decided(&self) -> serde_json::Value {
        json!({
            "from": self.from,
            "to": self.to,
            "name": self.name,
            "accuracy_m": self.accuracy_m,
            "pipeline": self.pipeline,
            "raises_heights_here_by_m": self.here_m,
            "lock": self.lock,
            "candidates": self.candidates,
        })
    }

    /// Opens it for computing, by one thread at a time.
    ///
    /// # Errors
    /// When the library cannot start, or the pinned pipeline cannot be opened.
    pub(crate) fn open(&self) -> Result<OpenChange, Problem> {
        let Some(text) = &self.pipeline else { return Ok(OpenChange { kept: None, units: (1.0, 1.0), offset_m: self.offset_m }) };
        let kept = OpenObjects::new(pins::proj(&self.files)?, |proj| {
            Ok([proj.create(text).map_err(|e| Problem::broken(format!("the pinned change of datum cannot be opened: {e}")))?])
        })?;
        Ok(OpenChange { kept: Some(kept), units: self.units, offset_m: 0.0 })
    }
}

/// A change of vertical datum that is ready to compute, by one thread at a time.
pub(crate) struct OpenChange {
    kept: Option<OpenObjects<1>>,
    /// Metres in the units of both systems.
    units: (f64, f64),
    /// The number of a change that is written by hand, m.
    offset_m: f64,
}

impl OpenChange {
    /// Height (m) in the datum of the delivery, of a height (m) in that of the model.
    ///
    /// # Errors
    /// Where the operation gives no result.
    pub(crate) fn apply(&self, latitude_deg: f64, longitude_deg: f64, height_m: f64) -> Result<f64, String> {
        match &self.kept {
            Some(kept) => {
                let [object] = kept.objects();
                object.carry([longitude_deg, latitude_deg, height_m / self.units.0, f64::INFINITY]).map(|out| out[2] * self.units.1)
            }
            None => Ok(height_m + self.offset_m),
        }
    }

    /// As [`OpenChange::apply`], for whole columns; the height of a row without a result becomes NaN.
    pub(crate) fn apply_columns(&self, latitude_deg: &[f64], longitude_deg: &[f64], heights_m: &mut [f64]) {
        let Some(kept) = &self.kept else {
            heights_m.iter_mut().for_each(|h| *h += self.offset_m);
            return;
        };
        let [object] = kept.objects();
        let (mut x, mut y) = (longitude_deg.to_vec(), latitude_deg.to_vec());
        heights_m.iter_mut().for_each(|h| *h /= self.units.0);
        let content = object.carry_columns(&mut x, &mut y, CoordinateColumn::Each(heights_m), CoordinateColumn::All(f64::INFINITY));
        let mut lost = false;
        for h in heights_m.iter_mut() {
            *h *= self.units.1;
            if !h.is_finite() {
                *h = f64::NAN;
                lost = true;
            }
        }
        if !content && !lost {
            // An error that no row shows: none of them is to be trusted.
            heights_m.fill(f64::NAN);
        }
    }
}

fn over_budget(wish: &Wish, name: &str, accuracy: f64) -> Problem {
    block(
        "frame/accuracy-over-budget",
        format!(
            "{name} leads from the datum of {} to `{}` and states {accuracy:.3} m; the budget is {:.3} m",
            findings::model(wish.geoid),
            wish.to,
            wish.budget_m
        ),
    )
    .size(format!("up to {accuracy:.3} m in height, {:.1} times the budget", accuracy / wish.budget_m.max(1e-6)))
    .why("the registry knows no better operation for this place")
    .fix("deliver in the datum of the model, or raise `budget.operation_m` if the client accepts it")
}
