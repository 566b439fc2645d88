//! Frame detective: measured and published coordinates of the same marks, and which declared frame
//! and epoch makes them agree.
//!
//! Two questions are asked over every frame of the registry that contains the place and that an official
//! operation reaches: in which frame would the *measured* numbers agree with the published ones, and in which
//! frame would the *published* numbers agree with the measured ones. The answers name suspects and never
//! change a coordinate: what a frame is can only be stated by who made the numbers.
//!
//! Marks are taken to stand still on their plate. Where two moving frames have different epochs, the mark is
//! carried between them by way of a plate-fixed frame of the registry, whose official operations hold the
//! motion of its plate.

mod finding;

pub use finding::{Accused, accuse};

use super::crs::{Crs, define, open};
use super::door::{Door, Kind, Object};
use super::local::Tangent;
use pipeline_core::stage::Problem;
use serde::Serialize;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::rc::Rc;

/// One mark: the numbers that are published and the numbers that were measured, both as latitude and
/// longitude (deg) and ellipsoidal height (m, when there is one).
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Its name.
    pub name: String,
    /// Published latitude, longitude, height.
    pub published: (f64, f64, Option<f64>),
    /// Measured latitude, longitude, height.
    pub measured: (f64, f64, Option<f64>),
}

/// A frame and its epoch, as somebody stated them.
#[derive(Clone, Debug, PartialEq)]
pub struct Stated {
    /// Geographic system: a code such as `EPSG:6319`, or WKT.
    pub frame: String,
    /// Decimal year, for a frame in which coordinates move.
    pub epoch: Option<f64>,
}

/// What is asked.
pub struct Question<'a> {
    /// The marks.
    pub marks: &'a [Mark],
    /// Frame of the published numbers.
    pub published: Stated,
    /// Frame of the measured numbers, when one is declared.
    pub measured: Option<Stated>,
    /// Decimal year of the measurement, when known.
    pub observed: Option<f64>,
    /// Distance within which published and measured numbers of one mark agree, m.
    pub tolerance_m: f64,
    /// Folders of grids.
    pub folders: &'a [PathBuf],
}

/// Which of the two sets of numbers a suspect would put into another frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// The measured numbers.
    Measured,
    /// The published numbers.
    Published,
}

/// How the epoch of a suspect came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum EpochBy {
    /// The frame has none.
    None,
    /// It was stated, or is that of the measurement.
    Stated,
    /// It is the one that fits best.
    Fitted,
}

/// A frame and epoch with what is left over.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Suspect {
    /// Whose frame it is.
    pub side: Side,
    /// Code of the frame.
    pub frame: String,
    /// Its name.
    pub name: String,
    /// Its epoch, decimal year.
    pub epoch: Option<f64>,
    /// Where the epoch is from.
    pub epoch_by: EpochBy,
    /// Mean of measured minus expected: east, north, up, m. Up is missing where either height is.
    pub mean_m: (f64, f64, Option<f64>),
    /// Root mean square of the distances of the marks, m.
    pub rms_m: f64,
    /// Largest distance of a mark, m, and its name.
    pub worst_m: f64,
    /// See `worst_m`.
    pub worst: String,
    /// Accuracy that the operations state, summed, m.
    pub accuracy_m: f64,
    /// The operations.
    pub operation: String,
}

/// The answer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Lineup {
    /// What is left over when the numbers are what they are said to be; the published frame stands in for a
    /// measured one that is not declared.
    pub as_stated: Option<Suspect>,
    /// All suspects, the best first.
    pub suspects: Vec<Suspect>,
    /// Frames that were looked at.
    pub looked_at: usize,
    /// Marks.
    pub marks: usize,
}

impl Lineup {
    /// Suspects within a tolerance, the best first, without fitted epochs where a stated one fits too.
    #[must_use]
    pub fn fitting(&self, tolerance_m: f64) -> Vec<&Suspect> {
        let good: Vec<&Suspect> =
            self.suspects.iter().filter(|s| s.rms_m <= tolerance_m && s.accuracy_m <= tolerance_m + TELLING_M).collect();
        let stated = |s: &Suspect| good.iter().any(|g| g.epoch_by != EpochBy::Fitted && g.frame == s.frame && g.side == s.side);
        good.iter().filter(|s| s.epoch_by != EpochBy::Fitted || !stated(s)).copied().collect()
    }
}

/// Operation of a suspect in the frame of the other numbers.
const SAME: &str = "none: the same frame";
/// Worst accuracy, beyond the tolerance, of operations that can tell frames apart, m. Ways over a group of frames such as
/// WGS 84 state metres, and would make everything fit.
const TELLING_M: f64 = 0.1;

/// Years between which an epoch is looked for.
const YEARS: (f64, f64) = (1980.0, 2040.0);

/// Asks the question of the module.
///
/// # Errors
/// `frame/unknown-crs`, `frame/not-geographic-3d` and `frame/no-epoch` for what is stated wrongly; `frame/no-marks` without marks.
pub fn lineup(question: &Question) -> Result<Lineup, Problem> {
    let door = open(question.folders)?;
    let Some(first) = question.marks.first() else {
        return Err(Problem::new("frame/no-marks", "there is no mark with both published and measured coordinates")
            .fix("give marks that have the same name in both lists"));
    };
    let place = (first.published.0, first.published.1);
    let published = Frame::stated(&door, &question.published)?;
    let measured = question.measured.as_ref().map(|s| Frame::stated(&door, s)).transpose()?;
    let frames = candidates(&door, place);
    let carrier = Carrier::find(&door, &frames, place, question.published.epoch.or(question.observed));
    let court = Court { door: &door, place, marks: question.marks, observed: question.observed, carrier, ways: RefCell::default() };
    let mut lineup = Lineup { as_stated: None, suspects: vec![], looked_at: frames.len(), marks: question.marks.len() };
    lineup.suspects.extend(frames.iter().flat_map(|frame| court.measured_in(&published, frame)));
    let believed = measured.as_ref().unwrap_or(&published);
    lineup.as_stated = court.stated(&published, believed);
    if let Some(measured) = &measured {
        for frame in &frames {
            // The same frame with another epoch is a suspect of the other side already.
            if !frame.object.same_as(&published.object) {
                lineup.suspects.extend(court.published_in(frame, question.published.epoch, measured));
            }
        }
    }
    // Frames that fit equally well differ by less than their operations are good for, so the accuracy counts as
    // much as what is left over, and a third of the tolerance is no difference. Then a stated epoch comes before a
    // fitted one, a wrong stream before a wrong list, and the frame of the other numbers itself before a near relative.
    #[allow(clippy::cast_possible_truncation)]
    let score = |s: &Suspect| (3.0 * s.rms_m.hypot(s.accuracy_m) / question.tolerance_m).floor() as i64;
    lineup.suspects.sort_by(|a, b| {
        let rank = |s: &Suspect| (score(s), s.epoch_by == EpochBy::Fitted, s.side == Side::Published, s.operation != SAME);
        rank(a).cmp(&rank(b)).then(a.rms_m.total_cmp(&b.rms_m)).then_with(|| a.frame.cmp(&b.frame))
    });
    Ok(lineup)
}

/// A geographic 3D frame.
struct Frame<'d> {
    crs: Crs,
    object: Object<'d>,
    epoch: Option<f64>,
}

impl<'d> Frame<'d> {
    fn stated(door: &'d Door, stated: &Stated) -> Result<Self, Problem> {
        let frame = Self::of(door, &stated.frame)?.ok_or_else(|| {
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
    fn of(door: &'d Door, text: &str) -> Result<Option<Self>, Problem> {
        let object = define(door, text)?;
        let flat = object.kind() == Kind::Geographic2D;
        let object = match flat.then(|| object.to_3d()).flatten() {
            Some(three) => three,
            None => object,
        };
        let mut crs = Crs::of(text, &object);
        if object.kind() != Kind::Geographic3D || crs.horizontal_unit().is_none() || object.proj_text().is_some_and(|t| t.contains("+pm="))
        {
            return Ok(None);
        }
        if let Some((authority, code)) = object.id() {
            crs.text = format!("{authority}:{code}");
        }
        Ok(Some(Self { crs, object, epoch: None }))
    }

    /// Whether heights in it mean anything in the registry.
    fn has_heights(&self) -> bool {
        self.object.id().is_some()
    }
}

/// Every single frame of the registry that contains a place. Groups of frames, such as WGS 84, are not
/// suspects: their members are.
fn candidates<'d>(door: &'d Door, place: (f64, f64)) -> Vec<Frame<'d>> {
    let mut found: Vec<Frame> = vec![];
    for listed in door.list("EPSG", false, place.0, place.1) {
        let Ok(Some(frame)) = Frame::of(door, &listed.code) else { continue };
        let same = |f: &Frame| f.crs.code() == frame.crs.code() && f.crs.name == frame.crs.name;
        if frame.crs.ensemble_accuracy_m.is_none() && !found.iter().any(same) {
            found.push(frame);
        }
    }
    found
}

/// An operation of the registry, ready to compute.
struct Way<'d> {
    object: Option<Object<'d>>,
    name: String,
    accuracy_m: f64,
}

impl<'d> Way<'d> {
    /// The registry's best official operation here with the grids of this machine.
    fn find(door: &'d Door, from: &Object, to: &Object, place: (f64, f64)) -> Option<Self> {
        if from.same_as(to) {
            return Some(Self { object: None, name: String::new(), accuracy_m: 0.0 });
        }
        let covers = |o: &Object| o.area().is_none_or(|a| a.contains(place.0, place.1));
        let best = door
            .operations(from, to, Some(place), true)
            .into_iter()
            .find(|o| !o.is_ballpark() && o.accuracy_m().is_some() && covers(o) && o.grids().iter().all(|g| g.found))?;
        let (name, accuracy_m) = (best.transformations().join(" + "), best.accuracy_m()?);
        // Through its text, as the runs do; objects of the registry may switch between operations by themselves.
        let pinned = door.create(&best.normalized()?.proj_text()?).ok().filter(|o| !o.uses_radians())?;
        Some(Self { object: Some(pinned), name, accuracy_m })
    }

    fn carry(&self, point: [f64; 3], year: f64) -> Option<[f64; 3]> {
        match &self.object {
            None => Some(point),
            Some(object) => object.carry([point[0], point[1], point[2], year]).ok(),
        }
    }
}

/// A plate-fixed frame that carries marks through time.
struct Carrier<'d>(Frame<'d>);

impl<'d> Carrier<'d> {
    /// The plate-fixed frame with the smallest area here whose operation to a moving one depends on time.
    fn find(door: &'d Door, frames: &[Frame<'d>], place: (f64, f64), year: Option<f64>) -> Option<Self> {
        let moving = frames.iter().find(|f| f.crs.code() == "EPSG:7912").or_else(|| frames.iter().find(|f| f.crs.dynamic))?;
        let year = year.unwrap_or(2020.0);
        let mut fixed: Vec<&Frame> = frames.iter().filter(|f| !f.crs.dynamic && f.has_heights()).collect();
        let size = |f: &Frame| f.crs.area.as_ref().map_or(f64::INFINITY, super::area::Area::size);
        fixed.sort_by(|a, b| size(a).total_cmp(&size(b)).then(a.crs.code().cmp(&b.crs.code())));
        let start = [place.1, place.0, 0.0];
        fixed.into_iter().find_map(|f| {
            let way = Way::find(door, &f.object, &moving.object, place).filter(|w| w.accuracy_m <= 0.1)?;
            let (a, b) = (way.carry(start, year)?, way.carry(start, year + 10.0)?);
            let moved = Tangent::new(a[1], a[0], a[2], super::GRS80).enu(b[1], b[0], b[2]);
            let object = door.create(&f.crs.text).ok()?;
            (moved[0].hypot(moved[1]) > 0.02).then(|| Self(Frame { crs: f.crs.clone(), object, epoch: None }))
        })
    }
}

/// Operations by the codes of the two frames; `None` where there is none.
type Known<'d> = BTreeMap<(String, String), Option<Rc<Way<'d>>>>;

/// What every question shares.
struct Court<'d, 'm> {
    door: &'d Door,
    place: (f64, f64),
    marks: &'m [Mark],
    observed: Option<f64>,
    carrier: Option<Carrier<'d>>,
    /// Operations that were looked up, by the codes of their frames.
    ways: RefCell<Known<'d>>,
}

/// Expected positions of all marks at one epoch: longitude, latitude, height.
type Expected = Vec<[f64; 3]>;

impl<'d> Court<'d, '_> {
    fn starts(&self) -> Expected {
        self.marks.iter().map(|m| [m.published.1, m.published.0, m.published.2.unwrap_or(0.0)]).collect()
    }

    fn carry(way: &Way, points: &[[f64; 3]], year: f64) -> Option<Expected> {
        points.iter().map(|p| way.carry(*p, year)).collect()
    }

    fn way(&self, from: &Frame<'d>, to: &Frame<'d>) -> Option<Rc<Way<'d>>> {
        let key = (from.crs.text.clone(), to.crs.text.clone());
        if let Some(known) = self.ways.borrow().get(&key) {
            return known.clone();
        }
        let found = Way::find(self.door, &from.object, &to.object, self.place).map(Rc::new);
        self.ways.borrow_mut().insert(key, found.clone());
        found
    }

    /// Published numbers in their frame, measured numbers tried in `frame`.
    fn measured_in(&self, published: &Frame<'d>, frame: &Frame<'d>) -> Vec<Suspect> {
        let mut out = vec![];
        let stated = self.observed.filter(|_| frame.crs.dynamic);
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

    /// Published numbers tried in `frame`, measured numbers in theirs.
    fn published_in(&self, frame: &Frame<'d>, epoch: Option<f64>, measured: &Frame<'d>) -> Option<Suspect> {
        let epoch = if frame.crs.dynamic { Some(epoch.or(self.observed)?) } else { None };
        let from = Frame { crs: frame.crs.clone(), object: self.door.create(&frame.crs.text).ok()?, epoch };
        let by = if epoch.is_some() { EpochBy::Stated } else { EpochBy::None };
        let mut found = self.one(&from, measured, measured.epoch, Side::Published, by)?;
        (found.frame, found.name, found.epoch) = (frame.crs.code(), frame.crs.name.clone(), epoch);
        Some(found)
    }

    /// Both as they are stated.
    fn stated(&self, published: &Frame<'d>, measured: &Frame<'d>) -> Option<Suspect> {
        let by = if measured.epoch.is_some() { EpochBy::Stated } else { EpochBy::None };
        self.one(published, measured, measured.epoch, Side::Measured, by)
    }

    fn one(&self, from: &Frame<'d>, to: &Frame<'d>, epoch: Option<f64>, side: Side, by: EpochBy) -> Option<Suspect> {
        let (expected, operation, accuracy_m) = self.expect(from, to, epoch)?;
        let up = to.has_heights() && from.has_heights();
        let (mean_m, rms_m, worst_m, worst) = self.left_over(&expected, to, up)?;
        Some(Suspect {
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
            let carrier = &self.carrier.as_ref()?.0;
            let there = self.way(from, carrier)?;
            let on = self.way(carrier, to)?;
            let fixed = Self::carry(&there, &self.starts(), from.epoch?)?;
            let name = format!("{}, carried through time by {}, then {}", there.name, carrier.crs.name, on.name);
            return Some((Self::carry(&on, &fixed, epoch?)?, name, there.accuracy_m + on.accuracy_m));
        }
        let way = self.way(from, to)?;
        let year = epoch.or(from.epoch).or(self.observed).unwrap_or(f64::INFINITY);
        let expected = Self::carry(&way, &self.starts(), year)?;
        Some((expected, if way.name.is_empty() { SAME.to_owned() } else { way.name.clone() }, way.accuracy_m))
    }

    /// The epoch of a moving frame at which the least is left over. Expected numbers move on straight lines, so
    /// two years and a sum of squares give it.
    fn fitted(&self, from: &Frame<'d>, to: &Frame<'d>) -> Option<f64> {
        let (a, _, _) = self.expect(from, to, Some(YEARS.0))?;
        let (b, _, _) = self.expect(from, to, Some(YEARS.1))?;
        let (mut over, mut under) = (0.0, 0.0);
        for ((a, b), mark) in a.iter().zip(&b).zip(self.marks) {
            let tangent = Tangent::new(a[1], a[0], a[2], to.crs.ellipsoid);
            let motion = tangent.enu(b[1], b[0], b[2]);
            let seen = tangent.enu(mark.measured.0, mark.measured.1, mark.measured.2.unwrap_or(a[2]));
            over += motion[0] * seen[0] + motion[1] * seen[1];
            under += motion[0] * motion[0] + motion[1] * motion[1];
        }
        // Slower than 2 mm a year tells nothing about the epoch.
        let years = YEARS.1 - YEARS.0;
        #[allow(clippy::cast_precision_loss)]
        let slow = (under / self.marks.len() as f64).sqrt() < 0.002 * years;
        let epoch = YEARS.0 + years * over / under;
        (!slow && (YEARS.0..=YEARS.1).contains(&epoch)).then_some((epoch * 100.0).round() / 100.0)
    }

    /// Mean, root mean square and worst of measured minus expected.
    #[allow(clippy::type_complexity)]
    fn left_over(&self, expected: &[[f64; 3]], to: &Frame, up: bool) -> Option<((f64, f64, Option<f64>), f64, f64, String)> {
        let (mut sum, mut squares, mut worst) = ([0.0; 3], 0.0, (0.0, String::new()));
        let mut ups = 0_u32;
        for (e, mark) in expected.iter().zip(self.marks) {
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
        let n = self.marks.len() as f64;
        let height = (ups > 0).then(|| sum[2] / f64::from(ups));
        Some(((sum[0] / n, sum[1] / n, height), (squares / n).sqrt(), worst.0, worst.1))
    }
}

#[cfg(test)]
mod tests;
