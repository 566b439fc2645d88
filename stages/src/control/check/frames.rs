//! What the marks say about frames, grids and geoids: the declared frame and epoch that the base station's own position
//! fits, and, where checks are not good, the frame, the foot, the order of axes or the factor that would explain them.

use super::{ControlCheck, Shot};
use crate::archive::delivered::Point;
use crate::control::check::limits::Limits;
use crate::control::marks::{Mark, Place};
use crate::inspect::frames::{GeoidFit, How, Measured, compare, geoid_folders, geoids};
use crate::inspect::stations::{Position, Station};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::schema::{Epoch, Role};
use pipeline_base::table::{Table, by_role};
use serde::Serialize;
use survey_geodesy::Crs;
use survey_geodesy::epoch::decimal_year;
use survey_geodesy::frame_comparison::Search;
use survey_geodesy::grids;
use survey_geodesy::ground;
use survey_geodesy::plane;
use survey_geodesy::plane::{Pair, Site};

/// A mark as a published station; `ellipsoidal_m` where its height is known above the ellipsoid.
fn station(mark: &Mark, ellipsoidal_m: Option<f64>) -> Station {
    let position = match mark.place {
        Place::Grid { easting_m, northing_m, .. } => Position::Grid(easting_m, northing_m),
        Place::Geographic { latitude_deg, longitude_deg } => Position::Geographic(latitude_deg, longitude_deg, ellipsoidal_m),
    };
    Station { name: mark.name.clone(), position, system: mark.crs.clone(), epoch: mark.epoch }
}

/// The height of a mark above the ellipsoid: its own, or the levelled one with the separation of the model at the shot.
fn ellipsoidal(mark: &Mark, separation_m: f64) -> Option<f64> {
    let height = mark.height.as_ref()?;
    let h = if height.datum.is_some() { height.value_m + separation_m } else { height.value_m };
    h.is_finite().then_some(h)
}

/// The position that was set in the base beside its published one, when the list has it.
pub(super) fn base(marks: &[Mark], reference: &Reference, limits: &Limits, place: Option<Locality>) -> Vec<Problem> {
    let corrections = &reference.corrections;
    let Some(set) = corrections.base_position else { return vec![] };
    let Some(mark) = marks.iter().find(|m| corrections.base_station.as_deref() == Some(m.name.as_str())) else { return vec![] };
    let measured = Measured::of_base(
        &mark.name,
        (set.latitude_deg, set.longitude_deg, Some(set.ellipsoidal_height_m)),
        Some(reference),
        place.and_then(|l| l.decimal_year),
    );
    // A base is set to the millimetre; what its mark is good for, and a tenth of what a check may be off.
    let tolerance = (3.0 * mark.sigma_horizontal_m).max(limits.horizontal_m / 10.0);
    let folders = grids::folders(&reference.folder);
    let how = How { tolerance_m: tolerance, folders: &folders, search: Search::WhereOff };
    match compare(&[station(mark, ellipsoidal(mark, f64::NAN))], &measured, &how) {
        Ok(found) => found.findings.into_iter().map(|f| Problem::from(f).reference_key("corrections.base_position")).collect(),
        Err(problem) => vec![problem.reference_key("corrections.base_position")],
    }
}

/// What the marks say about frame, grid and geoid.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Frames {
    /// Frame and epoch that the reference declares for the corrections.
    pub declared: String,
    /// Whether every check is good with them.
    pub declared_fits: bool,
    /// What else would explain the differences.
    pub explained: Vec<Diagnostic>,
    /// The model on this machine that the receiver's own separations are from.
    pub receiver_geoid: Option<GeoidFit>,
}

impl Frames {
    /// For the statistics: the declared frame, where the marks agree with it.
    #[must_use]
    pub(crate) fn declared_fits(&self) -> String {
        if self.declared_fits { format!("the marks fit the declared {}; ", self.declared) } else { String::new() }
    }

    /// Which model the receiver used, where heights are not good (`control/receiver-geoid`).
    #[must_use]
    pub(crate) fn receiver_geoid_note(&self, shots: &[Shot]) -> Option<Diagnostic> {
        let fit = self.receiver_geoid.as_ref()?;
        let wrong = shots.iter().find(|s| s.dependent.is_none() && !s.vertical.iter().all(|t| *t))?;
        Some(
            Diagnostic::new(
                "control/receiver-geoid",
                Verdict::Note,
                format!("the receiver's own separations are those of `{}`, within {:.3} m", fit.grid, fit.largest_m),
            )
            .place(wrong.place())
            .size(format!("the check there is off by {:+.3} m in height", wrong.difference.up_m.unwrap_or(f64::NAN)))
            .why("a height that is off by the difference of two models was reduced with the wrong one")
            .fix("compare it with `height/receiver-geoid-difference`; `find-cause` tries this and other causes at all marks at once"),
        )
    }
}

impl ControlCheck {
    pub(super) fn frames(&self, shots: &[Shot], table: &Table) -> Result<Frames, Problem> {
        let corrections = &self.reference.corrections;
        let title = Crs::look_up(&corrections.frame).map_or_else(|_| corrections.frame.clone(), |c| c.title());
        let mut checks = shots.iter().filter(|s| s.dependent.is_none()).peekable();
        Ok(Frames {
            declared: format!("{title}, {}", corrections.epoch.map_or(Epoch::Static, Epoch::from).words()),
            declared_fits: checks.peek().is_some() && checks.all(Shot::good),
            explained: self.explained(shots, table)?,
            receiver_geoid: self.receiver_geoid(table)?,
        })
    }

    /// What would explain checks that are not good; one mark alone proves nothing and is a warning.
    fn explained(&self, shots: &[Shot], table: &Table) -> Result<Vec<Diagnostic>, Problem> {
        let checks: Vec<&Shot> = shots.iter().filter(|s| s.dependent.is_none()).collect();
        let tolerance = self.limits.horizontal_m.max(self.limits.vertical_m);
        // A frame is no cause of what is within the limits on the whole, and asking for one costs a second.
        if checks.iter().all(|s| s.good()) || root_mean_square(&checks) <= tolerance {
            return Ok(self.factor(&checks, table)?.into_iter().collect());
        }
        let (points, heights) = self.points(&checks, table)?;
        let Some(frame) = &table.schema.frame else { return Ok(vec![]) };
        let Some(base) = Crs::look_up(&frame.crs).ok().and_then(|c| c.geographic_3d) else { return Ok(vec![]) };
        let folders = grids::folders(&self.reference.folder);
        let mut systems: Vec<(&str, Option<f64>)> = vec![];
        for s in &checks {
            let mark = self.mark(s);
            if !systems.contains(&(mark.crs.as_str(), mark.epoch)) {
                systems.push((&mark.crs, mark.epoch));
            }
        }
        let how = How { tolerance_m: tolerance, folders: &folders, search: Search::WhereOff };
        let mut found = vec![];
        for system in systems {
            let (mut list, mut measured): (Vec<Station>, Vec<Point>) = (vec![], vec![]);
            for ((s, point), h) in checks.iter().zip(&points).zip(&heights) {
                let mark = self.mark(s);
                if (mark.crs.as_str(), mark.epoch) == system {
                    if !list.iter().any(|l| l.name == mark.name) {
                        list.push(station(mark, *h));
                    }
                    measured.push(point.clone());
                }
            }
            let alone = list.len() < 2;
            // What cannot be asked is no answer; the checks that are not good are held all the same.
            let asked = Measured::of_points(&measured, &base, frame.epoch, Some(&self.reference))
                .and_then(|measured| compare(&list, &measured, &how));
            for finding in asked.map(|f| f.findings).unwrap_or_default() {
                // That no frame fits is what `control/difference` says already.
                if finding.code != "frame/no-frame-fits" {
                    found.push(if alone { Diagnostic { verdict: Verdict::Warn, ..finding } } else { finding });
                }
            }
        }
        Ok(found)
    }

    fn mark(&self, shot: &Shot) -> &Mark {
        &self.comparison.marks[shot.difference.mark]
    }

    /// Delivered points at the marks, and ellipsoidal heights of the marks.
    fn points(&self, checks: &[&Shot], table: &Table) -> Result<(Vec<Point>, Vec<Option<f64>>), Problem> {
        let column = |role: Role| -> Result<Vec<f64>, Problem> {
            match table.schema.role(role) {
                Some(c) => Ok(table.floats(&c.name)?.into_owned()),
                None => Ok(vec![f64::NAN; table.rows()]),
            }
        };
        let (latitude, longitude) = (column(Role::Latitude)?, column(Role::Longitude)?);
        let (height, separation) = (column(Role::EllipsoidalHeight)?, column(Role::GeoidSeparation)?);
        let points = checks.iter().map(|s| {
            let row = s.difference.row;
            Point {
                name: self.mark(s).name.clone(),
                latitude_deg: latitude[row],
                longitude_deg: longitude[row],
                ellipsoidal_m: Some(height[row]).filter(|h| h.is_finite()),
                height_m: None,
                year: s.time.map(decimal_year),
            }
        });
        Ok((points.collect(), checks.iter().map(|s| ellipsoidal(self.mark(s), separation[s.difference.row])).collect()))
    }

    /// Distances between marks that differ from the grid by one factor, too small for any single check to show it.
    fn factor(&self, checks: &[&Shot], table: &Table) -> Result<Option<Diagnostic>, Problem> {
        let Some(first) = checks.first().map(|s| &self.mark(s).crs) else { return Ok(None) };
        let in_grid = |s: &&&Shot| &self.mark(s).crs == first && s.difference.at_m.iter().all(|v| v.is_finite());
        let shots: Vec<&&Shot> = checks.iter().filter(in_grid).collect();
        let pairs: Vec<Pair> = shots
            .iter()
            .filter_map(|s| match self.mark(s).place {
                Place::Grid { easting_m, northing_m, .. } => {
                    Some(Pair { name: self.mark(s).name.clone(), measured: s.difference.at_m, given: [easting_m, northing_m] })
                }
                Place::Geographic { .. } => None,
            })
            .collect();
        let Some(shot) = shots.first() else { return Ok(None) };
        let column = |role: Role| by_role(&table.schema, role).and_then(|c| Ok(table.floats(&c.name)?.get(shot.difference.row).copied()));
        let site = match (Crs::look_up(first), column(Role::Latitude)?, column(Role::EllipsoidalHeight).ok().flatten()) {
            (Ok(crs), Some(latitude), Some(h)) if h.is_finite() => {
                let scale = shot.difference.scale;
                Some(Site { scale, combined: scale * ground::elevation_factor(&crs, latitude, h) })
            }
            _ => None,
        };
        // Two ends of a distance, each with the uncertainty of its check, at the confidence of the checks.
        let sigma = shots.iter().map(|s| s.sigma_m[0].max(s.sigma_m[1])).fold(0.0, f64::max);
        let tolerance = self.limits.normal * std::f64::consts::SQRT_2 * sigma;
        let found = plane::distances_off_by_a_factor(&plane::distances(&pairs), site, tolerance);
        Ok(found.map(|f| Diagnostic { verdict: Verdict::Warn, ..f }))
    }

    /// The model on this machine that the receiver's separations are from.
    fn receiver_geoid(&self, table: &Table) -> Result<Option<GeoidFit>, Problem> {
        let role = |role: Role| table.schema.role(role).map(|c| table.floats(&c.name)).transpose();
        let (Some(latitude), Some(longitude), Some(n)) = (role(Role::Latitude)?, role(Role::Longitude)?, role(Role::ReceiverSeparation)?)
        else {
            return Ok(None);
        };
        let all = latitude.iter().zip(longitude.iter()).zip(n.iter()).map(|((a, o), n)| (*a, *o, *n));
        let some: Vec<(f64, f64, f64)> = all.filter(|(a, o, n)| a.is_finite() && o.is_finite() && n.is_finite()).take(PLACES).collect();
        Ok(geoids(&some, &geoid_folders(Some(&self.reference))).into_iter().find(|fit| fit.is_it()))
    }
}

/// Distance of shots from their marks, m.
fn root_mean_square(shots: &[&Shot]) -> f64 {
    let squares: f64 = shots.iter().map(|s| s.horizontal_m().powi(2) + s.difference.up_m.unwrap_or(0.0).powi(2)).sum();
    #[allow(clippy::cast_precision_loss)]
    let n = shots.len().max(1) as f64;
    (squares / n).sqrt()
}

/// Places at which separations are compared: a model is told by a few.
const PLACES: usize = 20;
