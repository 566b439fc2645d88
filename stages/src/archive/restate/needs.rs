//! What a restatement needs: an operation, an epoch, grids, heights.

use super::{Old, Report, Target, Verdict};
use crate::archive::delivered::{Delivered, Point};
use crate::archive::way::{self, Official, Ways};
use pipeline_base::problem::Problem;
use pipeline_base::reference::HeightSurface;
use pipeline_base::table::schema::Epoch;
use survey_geodesy::crs::{Crs, define};
use survey_geodesy::grids::{GeoidGrid, OpenGeoid};
use survey_geodesy::proj_context::{Object, ProjContext};
use survey_geodesy::{WGS84, grid_lookup, packages};

/// The time at which an operation is evaluated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Time {
    /// It does not depend on time.
    Never,
    /// This decimal year.
    At(f64),
    /// Each point's own.
    Own,
}

impl Time {
    /// The year for PROJ; `None` when the point has none and needs one.
    pub(super) fn year(self, own: Option<f64>) -> Option<f64> {
        match self {
            Self::Never => Some(f64::INFINITY),
            Self::At(year) => Some(year),
            Self::Own => own,
        }
    }

    fn of(epoch: Epoch) -> Self {
        match epoch {
            Epoch::Static => Self::Never,
            Epoch::Fixed(year) => Self::At(year),
            Epoch::EachObservation => Self::Own,
        }
    }
}

/// The delivered point that is nearest to the middle of all, since one far from the others must not decide which
/// operation is right for them.
pub(super) fn middle(points: &[Point]) -> Option<(f64, f64)> {
    let outward = |p: &Point| WGS84.geocentric(p.latitude_deg, p.longitude_deg, 0.0);
    let sum = points.iter().map(outward).fold([0.0; 3], |sum, at| [0, 1, 2].map(|i| sum[i] + at[i]));
    // Of points on one surface the one most in the direction of the mean is the nearest to it.
    let towards = |p: &Point| outward(p).iter().zip(sum).map(|(a, s)| a * s).sum::<f64>();
    points.iter().max_by(|a, b| towards(a).total_cmp(&towards(b))).map(|p| (p.latitude_deg, p.longitude_deg))
}

/// When the operation from the delivery is evaluated, or why there is no such time.
pub(super) fn time(source: &Crs, epoch: Epoch, target: &Target) -> Result<Time, String> {
    let wanted = target.epoch.unwrap_or(Epoch::Static);
    match (source.dynamic, target.crs.dynamic) {
        (true, _) if epoch == Epoch::Static => {
            Err(format!("the delivery is in {}, in which points move, and states no epoch", source.title()))
        }
        (true, true) if epoch != wanted => Err(format!(
            "the delivery is at {} and the reference asks for {}: carrying a point through time needs a velocity of the ground there",
            super::epoch_words(Some(epoch)),
            super::epoch_words(Some(wanted))
        )),
        (true, _) => Ok(Time::of(epoch)),
        (false, true) => Ok(Time::of(wanted)),
        (false, false) => Ok(Time::Never),
    }
}

/// Whether a delivery can be restated from its coordinates.
pub(super) enum Choice {
    /// It can, when what is missing here is added.
    Go {
        /// Grids that are missing, in words.
        missing: Vec<String>,
    },
    /// It cannot, for these reasons.
    Stuck(Vec<String>),
}

/// The best official operation within the budget.
fn best<'a>(ways: &'a Ways, from: &str, to: &str, budget_m: f64) -> Result<&'a Official, String> {
    let Some(first) = ways.official.first() else {
        let chain = ways.chains.first().map_or_else(String::new, |steps| {
            format!(
                "; the library would chain {}, which nobody published as an operation between these two, and which is not taken",
                steps.join(", then ")
            )
        });
        return Err(format!("the registry has no official operation from {from} to {to} here{chain}"));
    };
    match ways.official.iter().find(|o| o.accuracy_m <= budget_m) {
        Some(best) => Ok(best),
        None => Err(format!(
            "the best official operation, `{}`, states {:.3} m and the budget of the reference is {budget_m:.3} m",
            first.name, first.accuracy_m
        )),
    }
}

fn absent(operation: &Official) -> Vec<String> {
    let grids = operation.grids.iter().filter(|g| !g.found);
    grids.map(|g| format!("`{}` needs the grid `{}`: {}", operation.name, g.name, packages::how_to_get(&g.name))).collect()
}

/// Chooses the operation for positions and adds up what is missing.
pub(super) fn choose(target: &Target, source: &Crs, report: &mut Report, heights: &Heights, time: &Result<Time, String>) -> Choice {
    let mut stuck: Vec<String> = time.as_ref().err().cloned().into_iter().collect();
    let mut missing = vec![];
    if !report.ways.same {
        match best(&report.ways, &source.title(), &target.crs.title(), target.reference.budget.operation_m) {
            Ok(official) => {
                missing.extend(absent(official));
                report.operation = Some(official.clone());
            }
            Err(reason) => stuck.push(reason),
        }
    }
    stuck.extend(heights.stuck.iter().cloned());
    missing.extend(heights.missing.iter().cloned());
    if stuck.is_empty() { Choice::Go { missing } } else { Choice::Stuck(stuck) }
}

/// How the heights of the reference come about.
#[derive(Default)]
pub(super) struct Heights {
    /// Geoid of the reference, when it is here and needed.
    geoid: Option<OpenGeoid>,
    /// Operation to the frame of the geoid; none when the delivery is in it.
    pub operation: Option<Official>,
    /// When that operation is evaluated.
    pub time: Option<Time>,
    /// Reasons for which heights cannot be restated.
    stuck: Vec<String>,
    /// Grids that are missing.
    missing: Vec<String>,
    /// The reference promises ellipsoidal heights.
    ellipsoidal: bool,
}

impl Heights {
    /// Plans them.
    pub(super) fn plan(
        proj: &ProjContext,
        target: &Target,
        delivered: &Delivered,
        source: (&Crs, &Object),
        place: (f64, f64),
    ) -> Result<Self, Problem> {
        let mut plan = Self::default();
        let promised = &target.reference.delivery.heights;
        if !delivered.points.iter().any(|p| p.ellipsoidal_m.is_some()) {
            plan.stuck.push(
                "the delivered file has no ellipsoidal heights, so a change of frame or geoid cannot be carried to the heights".to_owned(),
            );
        }
        if promised.surface == HeightSurface::Ellipsoid {
            plan.ellipsoidal = true;
            return Ok(plan);
        }
        let Some(geoid) = &promised.geoid else {
            plan.stuck.push("the reference promises heights above a vertical datum and names no geoid model".to_owned());
            return Ok(plan);
        };
        if geoid.datum.is_some() || promised.change.is_some() {
            plan.stuck.push(
                "the geoid of the reference leads to another datum than the delivery's, and heights would change once more".to_owned(),
            );
            return Ok(plan);
        }
        match grid_lookup::pick(&geoid.grid, geoid.sha256.as_deref(), &target.folders, Some(super::at(place)))? {
            None => {
                plan.missing.push(format!("the geoid grid `{}` is not on this machine: {}", geoid.grid, packages::how_to_get(&geoid.grid)))
            }
            Some(found) if geoid.sha256.as_ref().is_some_and(|want| !want.eq_ignore_ascii_case(&found.sha256)) => {
                plan.missing.push(format!("the geoid grid `{}` has other bytes than the reference names", geoid.grid));
            }
            Some(found) => plan.geoid = Some(GeoidGrid::at(&found.path)?.open()?),
        }
        let frame = define(proj, &geoid.frame)?;
        let ways = way::ways(proj, source.1, &frame, place);
        if !ways.same {
            let crs = Crs::of(&geoid.frame, &frame);
            match best(&ways, &source.0.title(), &crs.title(), target.reference.budget.operation_m) {
                Ok(official) => {
                    plan.missing.extend(absent(official));
                    plan.operation = Some(official.clone());
                    plan.time = Some(if source.0.dynamic { Time::of(delivered.epoch) } else { Time::Never });
                }
                Err(reason) => plan.stuck.push(format!("heights: {reason}")),
            }
        }
        Ok(plan)
    }

    /// The height that the reference promises, m, of a point: `moved` is its position in the frame of the geoid
    /// (vertical datum) or of the reference (ellipsoid).
    pub(super) fn height(&self, point: &Point, moved: [f64; 3]) -> Option<f64> {
        point.ellipsoidal_m?;
        if self.ellipsoidal {
            return Some(moved[2]);
        }
        Some(moved[2] - self.geoid.as_ref()?.separation(moved[1], moved[0]).ok()?)
    }

    /// Whether heights go with the positions, by the same operation.
    pub(super) const fn with_positions(&self) -> bool {
        self.ellipsoidal
    }
}

/// Whether the raw logs lead to the reference, where the coordinates do not.
pub(super) fn from_raw_logs(proj: &ProjContext, old: &Old, target: &Target, place: (f64, f64)) -> (Verdict, String) {
    let Some(reference) = &old.reference else {
        return (
            Verdict::Recompute,
            "run the job again from its raw logs; its record does not say the frame of the corrections".to_owned(),
        );
    };
    let corrections = &reference.corrections;
    let Ok(source) = define(proj, &corrections.frame) else {
        return (Verdict::Wait, format!("the frame of the corrections, `{}`, is not in the registry", corrections.frame));
    };
    let crs = Crs::of(&corrections.frame, &source);
    let epoch = corrections.epoch.map_or(Epoch::Static, Epoch::from);
    let ways = way::ways(proj, &source, &target.object, place);
    let wanted = target.epoch.unwrap_or(Epoch::Static);
    // The reference may say how the ground moves to a fixed epoch.
    let moved = target.reference.motion.is_some() && matches!(wanted, Epoch::Fixed(_));
    if crs.dynamic && target.crs.dynamic && epoch != wanted && !moved {
        return (
            Verdict::Wait,
            format!(
                "from the raw logs the corrections are at {} too, so a published velocity model is needed (`motion` or `operation` in the reference)",
                super::epoch_words(Some(epoch))
            ),
        );
    }
    let log = "run the job again from its raw logs with the new reference";
    if ways.same {
        return (Verdict::Recompute, format!("{log}: its corrections are in {} already", target.crs.title()));
    }
    match best(&ways, &crs.title(), &target.crs.title(), target.reference.budget.operation_m) {
        Ok(o) => (Verdict::Recompute, format!("{log}: `{}` ({:.3} m) leads there from the frame of its corrections", o.name, o.accuracy_m)),
        Err(reason) => (Verdict::Wait, format!("the raw logs do not help yet: {reason}")),
    }
}
