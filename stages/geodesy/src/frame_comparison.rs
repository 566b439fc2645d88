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

mod comparison;
mod datum_links;
mod finding;

pub use finding::{FrameFinding, accuse};

use super::crs::open;
use comparison::{Frame, FrameComparison, candidates};
use pipeline_base::problem::Problem;
use serde::Serialize;
use std::path::PathBuf;

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
pub struct StatedFrame {
    /// Geographic system: a code such as `EPSG:6319`, or WKT.
    pub frame: String,
    /// Decimal year, for a frame in which coordinates move.
    pub epoch: Option<f64>,
}

/// What is asked.
pub struct FrameQuestion<'a> {
    /// The marks.
    pub marks: &'a [Mark],
    /// Frame of the published numbers.
    pub published: StatedFrame,
    /// Frame of the measured numbers, when one is declared.
    pub measured: Option<StatedFrame>,
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
pub struct FrameCandidate {
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
pub struct FrameAnswer {
    /// What is left over when the numbers are what they are said to be; the published frame stands in for a
    /// measured one that is not declared.
    pub as_stated: Option<FrameCandidate>,
    /// Suspects whose operations can tell frames apart, the best first; none where none was searched for.
    pub suspects: Vec<FrameCandidate>,
    /// Frames that were looked at.
    pub looked_at: usize,
    /// Marks.
    pub marks: usize,
}

impl FrameCandidate {
    /// Whether the numbers agree within a distance, m.
    #[must_use]
    pub fn fits(&self, tolerance_m: f64) -> bool {
        self.rms_m <= tolerance_m
    }
}

impl FrameAnswer {
    /// Suspects within a tolerance, the best first, without fitted epochs where a stated one fits too.
    #[must_use]
    pub fn fitting(&self, tolerance_m: f64) -> Vec<&FrameCandidate> {
        let good: Vec<&FrameCandidate> =
            self.suspects.iter().filter(|s| s.fits(tolerance_m) && s.accuracy_m <= telling(tolerance_m)).collect();
        let stated = |s: &FrameCandidate| good.iter().any(|g| g.epoch_by != EpochBy::Fitted && g.frame == s.frame && g.side == s.side);
        good.iter().filter(|s| s.epoch_by != EpochBy::Fitted || !stated(s)).copied().collect()
    }
}

/// Operation of a suspect in the frame of the other numbers.
const SAME: &str = "none: the same frame";

/// Worst accuracy of operations that can tell frames apart, m. Ways over a group of frames such as WGS 84 state metres, and
/// would make everything fit.
fn telling(tolerance_m: f64) -> f64 {
    tolerance_m + 0.1
}

/// When frames are searched for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Search {
    /// Always: which frames fit is the answer.
    Always,
    /// Only where the numbers do not agree as they are stated: the search takes a second.
    WhereOff,
}

/// Asks the question of the module.
///
/// # Errors
/// `frame/unknown-crs`, `frame/not-geographic-3d` and `frame/no-epoch` for what is stated wrongly; `frame/no-marks` without marks.
pub fn lineup(question: &FrameQuestion, search: Search) -> Result<FrameAnswer, Problem> {
    let proj = open(question.folders)?;
    let Some(first) = question.marks.first() else {
        return Err(Problem::new("frame/no-marks", "there is no mark with both published and measured coordinates")
            .fix("give marks that have the same name in both lists"));
    };
    let place = (first.published.0, first.published.1);
    let published = Frame::stated(&proj, &question.published)?;
    let measured = question.measured.as_ref().map(|s| Frame::stated(&proj, s)).transpose()?;
    let mut court = FrameComparison::new(&proj, question, published, measured);
    let good = |s: &Option<FrameCandidate>| search == Search::WhereOff && s.as_ref().is_some_and(|s| s.fits(question.tolerance_m));
    let only = |as_stated| FrameAnswer { as_stated, suspects: vec![], looked_at: 0, marks: question.marks.len() };
    // One date on both sides needs nothing that carries marks through time.
    let mut as_stated = court.stated();
    if good(&as_stated) {
        return Ok(only(as_stated));
    }
    let frames = candidates(&proj, place);
    court.make_ready(&frames);
    if as_stated.is_none() {
        as_stated = court.stated();
        if good(&as_stated) {
            return Ok(only(as_stated));
        }
    }
    let mut suspects: Vec<FrameCandidate> = frames.iter().flat_map(|frame| court.measured_in(frame)).collect();
    suspects.extend(frames.iter().filter_map(|frame| court.published_in(frame)));
    // Frames that fit equally well differ by less than their operations are good for, so the accuracy counts as
    // much as what is left over, and a third of the tolerance is no difference. Then a stated epoch comes before a
    // fitted one, a wrong stream before a wrong list, and the frame of the other numbers itself before a near relative.
    #[allow(clippy::cast_possible_truncation)]
    let score = |s: &FrameCandidate| (3.0 * s.rms_m.hypot(s.accuracy_m) / question.tolerance_m).floor() as i64;
    suspects.sort_by(|a, b| {
        let rank = |s: &FrameCandidate| (score(s), s.epoch_by == EpochBy::Fitted, s.side == Side::Published, s.operation != SAME);
        rank(a).cmp(&rank(b)).then(a.rms_m.total_cmp(&b.rms_m)).then_with(|| a.frame.cmp(&b.frame))
    });
    Ok(FrameAnswer { as_stated, suspects, looked_at: frames.len(), marks: question.marks.len() })
}

#[cfg(test)]
mod tests;
