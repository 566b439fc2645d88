//! The frames that are asked about, the operations between them, and what each leaves over.

use super::datum_links::DatumLinks;
use super::{EpochBy, FrameCandidate, FrameQuestion, SAME, Side, StatedFrame, telling};
use crate::GRS80;
use crate::area::Area;
use crate::crs::{Crs, define};
use crate::local::Tangent;
use crate::proj_context::{Object, ObjectKind, ProjContext};
use pipeline_base::problem::Problem;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

/// Years between which an epoch is looked for.
const YEARS: (f64, f64) = (1980.0, 2040.0);

/// A geographic 3D frame.
pub(super) struct Frame<'d> {
    pub(super) crs: Crs,
    pub(super) object: Object<'d>,
    /// Datum or group of datums by its code in the registry, where it has one.
    pub(super) datum: Option<String>,
    epoch: Option<f64>,
}

impl<'d> Frame<'d> {
    pub(super) fn stated(proj: &'d ProjContext, stated: &StatedFrame) -> Result<Self, Problem> {
        let frame = Self::of(proj, &stated.frame)?.ok_or_else(|| {
            Problem::new("frame/not-geographic-3d", format!("`{}` is not a geographic system in degrees from Greenwich", stated.frame))
                .fix("name the geographic 3D code of the frame, for example `EPSG:6319` or `EPSG:9989`")
        })?;
        if frame.crs.dynamic && stated.epoch.is_none() {
            return Err(Problem::new(
                "frame/no-epoch",
                format!("{} is a frame in which points move, and no epoch is given", frame.crs.title()),
            )
            .why("coordinates in it belong to one date")
            .fix("give the epoch as a decimal year"));
        }
        Ok(Self { epoch: stated.epoch.filter(|_| frame.crs.dynamic), ..frame })
    }

    /// `None` when it is no geographic system, or does not count degrees from Greenwich.
    fn of(proj: &'d ProjContext, text: &str) -> Result<Option<Self>, Problem> {
        let object = with_height(define(proj, text)?);
        let mut crs = Crs::of(text, &object);
        if object.kind() != ObjectKind::Geographic3D
            || crs.horizontal_unit().is_none()
            || object.proj_text().is_some_and(|t| t.contains("+pm="))
        {
            return Ok(None);
        }
        if let Some((authority, code)) = object.id() {
            crs.text = format!("{authority}:{code}");
        }
        let datum =
            object.datum().or_else(|| object.ensemble()).and_then(|d| d.id()).map(|(authority, code)| format!("{authority}:{code}"));
        Ok(Some(Self { crs, object, datum, epoch: None }))
    }

    /// The same frame at an epoch.
    fn at(&self, proj: &'d ProjContext, epoch: Option<f64>) -> Option<Self> {
        let object = with_height(proj.create(&self.crs.text).ok()?);
        Some(Self { crs: self.crs.clone(), object, datum: self.datum.clone(), epoch })
    }

    /// Whether heights in it mean anything in the registry.
    fn has_heights(&self) -> bool {
        self.object.id().is_some()
    }
}

/// A geographic frame with ellipsoidal heights.
fn with_height<'d>(object: Object<'d>) -> Object<'d> {
    let flat = object.kind() == ObjectKind::Geographic2D;
    flat.then(|| object.to_3d()).flatten().unwrap_or(object)
}

/// Every single frame of the registry that contains a place. Groups of frames, such as WGS 84, are not
/// suspects: their members are.
pub(super) fn candidates<'d>(proj: &'d ProjContext, place: (f64, f64)) -> Vec<Frame<'d>> {
    let mut found: Vec<Frame> = vec![];
    for listed in proj.list("EPSG", false, place.0, place.1) {
        let Ok(Some(frame)) = Frame::of(proj, &listed.code) else { continue };
        let same = |f: &Frame| f.crs.code() == frame.crs.code() && f.crs.name == frame.crs.name;
        if frame.crs.ensemble_accuracy_m.is_none() && !found.iter().any(same) {
            found.push(frame);
        }
    }
    found
}

/// An operation of the registry, ready to compute.
pub(super) struct ReadyOperation<'d> {
    object: Option<Object<'d>>,
    pub(super) name: String,
    pub(super) accuracy_m: f64,
}

impl<'d> ReadyOperation<'d> {
    /// The registry's best official operation here with the grids of this machine.
    pub(super) fn find(proj: &'d ProjContext, from: &Object, to: &Object, place: (f64, f64)) -> Option<Self> {
        if from.same_as(to) {
            return Some(Self { object: None, name: String::new(), accuracy_m: 0.0 });
        }
        let covers = |o: &Object| o.area().is_none_or(|a| a.contains(place.0, place.1));
        let best = proj
            .operations(from, to, Some(place), true)
            .into_iter()
            .find(|o| !o.is_ballpark() && o.accuracy_m().is_some() && covers(o) && o.grids().iter().all(|g| g.found))?;
        let (name, accuracy_m) = (best.transformations().join(" + "), best.accuracy_m()?);
        // Through its text, as the runs do; objects of the registry may switch between operations by themselves.
        let pinned = proj.create(&best.normalized()?.proj_text()?).ok().filter(|o| !o.uses_radians())?;
        Some(Self { object: Some(pinned), name, accuracy_m })
    }

    pub(super) fn carry(&self, point: [f64; 3], year: f64) -> Option<[f64; 3]> {
        match &self.object {
            None => Some(point),
            Some(object) => object.carry([point[0], point[1], point[2], year]).ok(),
        }
    }
}

/// Operations by the codes of the two frames; `None` where there is none.
type OperationCache<'d> = BTreeMap<(String, String), Option<Rc<ReadyOperation<'d>>>>;

/// What every question shares.
pub(super) struct FrameComparison<'d, 'q> {
    proj: &'d ProjContext,
    question: &'q FrameQuestion<'q>,
    place: (f64, f64),
    published: Frame<'d>,
    measured: Option<Frame<'d>>,
    /// A plate-fixed frame that carries marks through time.
    carrier: Option<Frame<'d>>,
    /// Which datums the registry joins here.
    joins: DatumLinks,
    /// Operations that were looked up, by the codes of their frames.
    ways: RefCell<OperationCache<'d>>,
}

/// Expected positions of all marks at one epoch: longitude, latitude, height.
type Expected = Vec<[f64; 3]>;

impl<'d, 'q> FrameComparison<'d, 'q> {
    pub(super) fn new(proj: &'d ProjContext, question: &'q FrameQuestion<'q>, published: Frame<'d>, measured: Option<Frame<'d>>) -> Self {
        let place = question.marks.first().map_or((f64::NAN, f64::NAN), |m| (m.published.0, m.published.1));
        Self { proj, question, place, published, measured, carrier: None, joins: DatumLinks::default(), ways: RefCell::default() }
    }

    /// Makes ready for a search: reads what the registry joins here, and takes the plate-fixed frame with the smallest area whose operation
    /// to a moving one depends on time.
    pub(super) fn make_ready(&mut self, frames: &[Frame<'d>]) {
        const WORST_M: f64 = 0.1;
        self.joins = DatumLinks::read(self.proj, self.place);
        let moving = frames.iter().find(|f| f.crs.code() == "EPSG:7912").or_else(|| frames.iter().find(|f| f.crs.dynamic));
        let Some(moving) = moving else { return };
        let year = self.question.published.epoch.or(self.question.observed).unwrap_or(2020.0);
        let mut fixed: Vec<&Frame> = frames.iter().filter(|f| !f.crs.dynamic && f.has_heights()).collect();
        let size = |f: &Frame| f.crs.area.as_ref().map_or(f64::INFINITY, Area::size);
        fixed.sort_by(|a, b| size(a).total_cmp(&size(b)).then(a.crs.code().cmp(&b.crs.code())));
        let start = [self.place.1, self.place.0, 0.0];
        let carries = |f: &Frame<'d>| {
            let joined = self.joins.best_m(f.datum.as_deref(), moving.datum.as_deref()) <= WORST_M;
            let way = joined.then(|| self.way(f, moving)).flatten().filter(|w| w.accuracy_m <= WORST_M)?;
            let (a, b) = (way.carry(start, year)?, way.carry(start, year + 10.0)?);
            let moved = Tangent::new(a[1], a[0], a[2], GRS80).enu(b[1], b[0], b[2]);
            (moved[0].hypot(moved[1]) > 0.02).then_some(())
        };
        let found = fixed.into_iter().find(|f| carries(f).is_some()).and_then(|f| f.at(self.proj, None));
        self.carrier = found;
    }

    /// Whether operations between two frames can be good enough to tell frames apart, at one date or through time.
    fn can_tell(&self, from: &Frame, to: &Frame) -> bool {
        let good = |a: &Frame, b: &Frame| self.joins.best_m(a.datum.as_deref(), b.datum.as_deref()) <= telling(self.question.tolerance_m);
        good(from, to) || self.carrier.as_ref().is_some_and(|carrier| good(from, carrier) && good(carrier, to))
    }

    fn starts(&self) -> Expected {
        self.question.marks.iter().map(|m| [m.published.1, m.published.0, m.published.2.unwrap_or(0.0)]).collect()
    }

    fn carry(way: &ReadyOperation, points: &[[f64; 3]], year: f64) -> Option<Expected> {
        points.iter().map(|p| way.carry(*p, year)).collect()
    }

    fn way(&self, from: &Frame<'d>, to: &Frame<'d>) -> Option<Rc<ReadyOperation<'d>>> {
        let key = (from.crs.text.clone(), to.crs.text.clone());
        if let Some(known) = self.ways.borrow().get(&key) {
            return known.clone();
        }
        let found = ReadyOperation::find(self.proj, &from.object, &to.object, self.place).map(Rc::new);
        self.ways.borrow_mut().insert(key, found.clone());
        found
    }

    /// Published numbers in their frame, measured numbers tried in `frame`.
    pub(super) fn measured_in(&self, frame: &Frame<'d>) -> Vec<FrameCandidate> {
        let (published, mut out) = (&self.published, vec![]);
        if !self.can_tell(published, frame) {
            return out;
        }
        let stated = self.question.observed.filter(|_| frame.crs.dynamic);
        if let Some(epoch) = stated.or(frame.crs.dynamic.then_some(published.epoch).flatten()) {
            out.extend(self.one(published, frame, Some(epoch), Side::Measured, EpochBy::Stated));
        }
        if !frame.crs.dynamic {
            out.extend(self.one(published, frame, None, Side::Measured, EpochBy::None));
        } else if let Some(epoch) = self.fitted(published, frame) {
            out.extend(self.one(published, frame, Some(epoch), Side::Measured, EpochBy::Fitted));
        }
        out
    }

    /// Published numbers tried in `frame`, measured numbers in theirs, where a frame is declared for them. The frame of the list
    /// with another epoch is a suspect of the other side already.
    pub(super) fn published_in(&self, frame: &Frame<'d>) -> Option<FrameCandidate> {
        let measured = self.measured.as_ref().filter(|_| !frame.object.same_as(&self.published.object))?;
        let epoch = if frame.crs.dynamic { Some(self.question.published.epoch.or(self.question.observed)?) } else { None };
        let from = self.can_tell(frame, measured).then(|| frame.at(self.proj, epoch)).flatten()?;
        let by = if epoch.is_some() { EpochBy::Stated } else { EpochBy::None };
        let found = self.one(&from, measured, measured.epoch, Side::Published, by)?;
        Some(FrameCandidate { frame: from.crs.code(), name: from.crs.name, epoch, ..found })
    }

    /// Both as they are stated; the published frame stands in for a measured one that is not declared.
    pub(super) fn stated(&self) -> Option<FrameCandidate> {
        let measured = self.measured.as_ref().unwrap_or(&self.published);
        let by = if measured.epoch.is_some() { EpochBy::Stated } else { EpochBy::None };
        self.one(&self.published, measured, measured.epoch, Side::Measured, by)
    }

    fn one(&self, from: &Frame<'d>, to: &Frame<'d>, epoch: Option<f64>, side: Side, by: EpochBy) -> Option<FrameCandidate> {
        let (expected, operation, accuracy_m) = self.expect(from, to, epoch)?;
        let up = to.has_heights() && from.has_heights();
        let (mean_m, rms_m, worst_m, worst) = self.left_over(&expected, to, up)?;
        Some(FrameCandidate {
            side,
            frame: to.crs.code(),
            name: to.crs.name.clone(),
            epoch,
            epoch_by: by,
            mean_m,
            rms_m,
            worst_m,
            worst,
            accuracy_m,
            operation,
        })
    }

    /// Expected numbers in `to` at `epoch`, with the operations and their accuracy.
    fn expect(&self, from: &Frame<'d>, to: &Frame<'d>, epoch: Option<f64>) -> Option<(Expected, String, f64)> {
        let through = match (from.epoch, epoch) {
            (Some(a), Some(b)) => (a - b).abs() > 0.005,
            _ => false,
        };
        if through {
            let carrier = self.carrier.as_ref()?;
            let there = self.way(from, carrier)?;
            let on = self.way(carrier, to)?;
            let fixed = Self::carry(&there, &self.starts(), from.epoch?)?;
            let name = format!("{}, carried through time by {}, then {}", there.name, carrier.crs.name, on.name);
            return Some((Self::carry(&on, &fixed, epoch?)?, name, there.accuracy_m + on.accuracy_m));
        }
        let way = self.way(from, to)?;
        let year = epoch.or(from.epoch).or(self.question.observed).unwrap_or(f64::INFINITY);
        let expected = Self::carry(&way, &self.starts(), year)?;
        Some((expected, if way.name.is_empty() { SAME.to_owned() } else { way.name.clone() }, way.accuracy_m))
    }

    /// The epoch of a moving frame at which the least is left over. Expected numbers move on straight lines, so
    /// two years and a sum of squares give it.
    fn fitted(&self, from: &Frame<'d>, to: &Frame<'d>) -> Option<f64> {
        let (a, _, _) = self.expect(from, to, Some(YEARS.0))?;
        let (b, _, _) = self.expect(from, to, Some(YEARS.1))?;
        let (mut over, mut under) = (0.0, 0.0);
        for ((a, b), mark) in a.iter().zip(&b).zip(self.question.marks) {
            let tangent = Tangent::new(a[1], a[0], a[2], to.crs.ellipsoid);
            let motion = tangent.enu(b[1], b[0], b[2]);
            let seen = tangent.enu(mark.measured.0, mark.measured.1, mark.measured.2.unwrap_or(a[2]));
            over += motion[0] * seen[0] + motion[1] * seen[1];
            under += motion[0] * motion[0] + motion[1] * motion[1];
        }
        // Slower than 2 mm a year tells nothing about the epoch.
        let years = YEARS.1 - YEARS.0;
        #[allow(clippy::cast_precision_loss)]
        let slow = (under / self.question.marks.len() as f64).sqrt() < 0.002 * years;
        let epoch = YEARS.0 + years * over / under;
        (!slow && (YEARS.0..=YEARS.1).contains(&epoch)).then_some((epoch * 100.0).round() / 100.0)
    }

    /// Mean, root mean square and worst of measured minus expected.
    #[allow(clippy::type_complexity)]
    fn left_over(&self, expected: &[[f64; 3]], to: &Frame, up: bool) -> Option<((f64, f64, Option<f64>), f64, f64, String)> {
        let (mut sum, mut squares, mut worst) = ([0.0; 3], 0.0, (0.0, String::new()));
        let mut ups = 0_u32;
        for (e, mark) in expected.iter().zip(self.question.marks) {
            let height = mark.measured.2.filter(|_| up && mark.published.2.is_some());
            let d = Tangent::new(e[1], e[0], e[2], to.crs.ellipsoid).enu(mark.measured.0, mark.measured.1, height.unwrap_or(e[2]));
            let d = if height.is_some() {
                ups += 1;
                d
            } else {
                [d[0], d[1], 0.0]
            };
            let distance = d.iter().map(|v| v * v).sum::<f64>();
            if !distance.is_finite() {
                return None;
            }
            (0..3).for_each(|i| sum[i] += d[i]);
            squares += distance;
            if distance.sqrt() >= worst.0 {
                worst = (distance.sqrt(), mark.name.clone());
            }
        }
        #[allow(clippy::cast_precision_loss)]
        let n = self.question.marks.len() as f64;
        let height = (ups > 0).then(|| sum[2] / f64::from(ups));
        Some(((sum[0] / n, sum[1] / n, height), (squares / n).sqrt(), worst.0, worst.1))
    }
}
