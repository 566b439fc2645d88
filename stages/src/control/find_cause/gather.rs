//! Shots on marks with everything that predictions need.

use super::FindCause;
use crate::control::causes::chain::{NorthSaid, Sample, Setup, declared};
use crate::control::causes::places::{self, Frames, Spot};
use crate::control::causes::{Aim, Facts, Shot};
use crate::control::comparison::{Difference, dependent};
use crate::rig::north::{self, ToTrue, at_locality};
use pipeline_base::problem::Problem;
use pipeline_base::rig::{MagneticModel, Rig};
use pipeline_base::table::schema::{Epoch, Heights, Role, Schema};
use pipeline_base::table::{Table, by_role};
use survey_geodesy::crs::{Crs, metres};
use survey_geodesy::epoch::decimal_year;
use survey_geodesy::grids;
use survey_geodesy::projection::Projection;
use survey_mathematics::angle::turn;

/// Lags that are tried, s: whole seconds and parts of one, and the leap seconds.
const LAGS: [f64; 17] = [0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 18.0];

/// Columns that shots are made of.
pub(super) fn needed(schema: &Schema) -> Vec<Problem> {
    [Role::Point, Role::Session, Role::Time, Role::SigmaEast, Role::SigmaNorth, Role::SigmaUp, Role::Latitude, Role::Longitude]
        .into_iter()
        .filter_map(|role| by_role(schema, role).err())
        .map(|p| p.fix("put this step after `average` and `reproject`"))
        .collect()
}

/// Attitude and range of a session, in the order of time.
#[derive(Default)]
struct Stream {
    /// Seconds since 1970.
    time: Vec<f64>,
    heading: Vec<f64>,
    pitch: Vec<f64>,
    roll: Vec<f64>,
    range: Vec<f64>,
}

fn floats(table: &Table, role: Role) -> Result<Vec<f64>, Problem> {
    match table.schema.role(role) {
        Some(c) => {
            let unit = metres(c.unit);
            Ok(table.floats(&c.name)?.iter().map(|v| v * unit).collect())
        }
        None => Ok(vec![f64::NAN; table.rows()]),
    }
}

#[allow(clippy::cast_precision_loss)]
fn seconds(ns: i64) -> f64 {
    ns as f64 * 1e-9
}

impl Stream {
    /// Streams of the sessions named.
    fn all(epochs: &Table, sessions: &[String]) -> Result<Vec<Self>, Problem> {
        let mut out: Vec<Self> = sessions.iter().map(|_| Self::default()).collect();
        let (Some(session), Some(time)) = (epochs.schema.role(Role::Session), epochs.schema.role(Role::Time)) else { return Ok(out) };
        let (names, times) = (epochs.texts(&session.name)?, epochs.instants(&time.name)?);
        let [heading, pitch, roll, range] = [Role::Heading, Role::Pitch, Role::Roll, Role::Range].map(|r| floats(epochs, r));
        let (heading, pitch, roll, range) = (heading?, pitch?, roll?, range?);
        for row in 0..epochs.rows() {
            let (Some(name), Some(time)) = (names[row], times[row]) else { continue };
            let Some(k) = sessions.iter().position(|s| s == name) else { continue };
            if heading[row].is_finite() && pitch[row].is_finite() && roll[row].is_finite() {
                let s = &mut out[k];
                // Against the last heading, so that a mean or an interpolation does not jump at north.
                let last = s.heading.last().copied().unwrap_or(heading[row]);
                s.time.push(seconds(time));
                s.heading.push(last + turn(last, heading[row]));
                s.pitch.push(pitch[row]);
                s.roll.push(roll[row]);
                s.range.push(range[row]);
            }
        }
        for s in &out {
            if s.time.windows(2).any(|w| w[1] < w[0]) {
                return Err(Problem::broken("the epochs of a session are not in the order of time"));
            }
        }
        Ok(out)
    }

    fn within(&self, from: f64, to: f64) -> std::ops::Range<usize> {
        let first = self.time.partition_point(|t| *t < from - 1e-6);
        let last = self.time.partition_point(|t| *t <= to + 1e-6);
        first..last.max(first)
    }

    /// Samples from one instant to another; for a laser shot those with a range.
    fn samples(&self, from: f64, to: f64, laser: bool) -> Vec<Sample> {
        self.later(from, to, laser, 0.0)
    }

    /// The same with the attitude that is stamped `lag` seconds later.
    fn later(&self, from: f64, to: f64, laser: bool, lag: f64) -> Vec<Sample> {
        self.within(from, to)
            .filter(|i| !laser || self.range[*i].is_finite())
            .filter_map(|i| {
                let [heading_deg, pitch_deg, roll_deg] =
                    if lag == 0.0 { [self.heading[i], self.pitch[i], self.roll[i]] } else { self.at(self.time[i] + lag)? };
                Some(Sample { heading_deg, pitch_deg, roll_deg, range_m: self.range[i] })
            })
            .collect()
    }

    /// Attitude between two epochs that are at most two seconds apart.
    fn at(&self, t: f64) -> Option<[f64; 3]> {
        let j = self.time.partition_point(|x| *x < t);
        let i = j.checked_sub(1)?;
        let (a, b) = (*self.time.get(i)?, *self.time.get(j)?);
        if b - a > 2.0 {
            return None;
        }
        let w = if b > a { (t - a) / (b - a) } else { 0.0 };
        Some([&self.heading, &self.pitch, &self.roll].map(|v| v[i] + w * (v[j] - v[i])))
    }
}

impl FindCause {
    /// Shots and facts.
    pub(super) fn gather(&self, table: &Table, epochs: Option<&Table>) -> Result<(Vec<Shot>, Facts), Problem> {
        let base = self.reference.corrections.base_station.as_deref();
        let differences: Vec<Difference> =
            self.comparison.differences(table)?.into_iter().filter(|d| dependent(&self.comparison.marks[d.mark], base).is_none()).collect();
        let name = |role: Role| by_role(&table.schema, role).map(|c| c.name.clone());
        let (points, names) = (table.texts(&name(Role::Point)?)?, table.texts(&name(Role::Session)?)?);
        let times = table.instants(&name(Role::Time)?)?;
        let mut sessions: Vec<String> = vec![];
        for n in names.iter().flatten() {
            if !sessions.iter().any(|s| s == n) {
                sessions.push((*n).to_owned());
            }
        }
        let streams = match epochs {
            Some(epochs) => Stream::all(epochs, &sessions)?,
            None => vec![],
        };
        let ends = |column: &str| -> Result<Vec<Option<i64>>, Problem> {
            if table.schema.named(column).is_some() { table.instants(column) } else { Ok(times.clone()) }
        };
        let (first, last) = (ends("time_first")?, ends("time_last")?);
        let aims = match table.schema.role(Role::Aim) {
            Some(c) => table.texts(&c.name)?,
            None => vec![None; table.rows()],
        };
        let column = |role: Role| floats(table, role);
        let (east, north, up) = (column(Role::SigmaEast)?, column(Role::SigmaNorth)?, column(Role::SigmaUp)?);
        let correlation = column(Role::CorrelationEastNorth)?;
        let (height, ellipsoidal) = (column(Role::Height)?, column(Role::EllipsoidalHeight)?);
        let (separation, receiver) = (column(Role::GeoidSeparation)?, column(Role::ReceiverSeparation)?);
        let (latitude, longitude) = (column(Role::Latitude)?, column(Role::Longitude)?);
        let only_laser = self.rig.as_ref().is_some_and(|r| r.laser.is_some() && r.pole.is_none());
        let aim_of = |row: usize| match aims[row] {
            Some("laser") => Aim::Laser,
            Some(_) => Aim::Tip,
            None if only_laser => Aim::Laser,
            None => Aim::Tip,
        };
        let window = |row: usize| {
            let t = times[row].map_or(f64::NAN, seconds);
            (first[row].map_or(t, seconds), last[row].map_or(t, seconds))
        };
        let mut shots = vec![];
        for d in &differences {
            let mark = &self.comparison.marks[d.mark];
            let row = d.row;
            let session = sessions.iter().position(|s| Some(s.as_str()) == names[row]).unwrap_or(0);
            let aim = aim_of(row);
            let (from, to) = window(row);
            let mut samples = streams.get(session).map(|s| s.samples(from, to, aim == Aim::Laser)).unwrap_or_default();
            if samples.is_empty() && aim == Aim::Tip && epochs.is_none() {
                // A pole on a mark is held nearly upright; lengths along it then act in height alone.
                samples.push(Sample { heading_deg: 0.0, pitch_deg: 0.0, roll_deg: 0.0, range_m: f64::NAN });
            }
            shots.push(Shot {
                point: points[row].unwrap_or_default().to_owned(),
                mark: d.mark,
                session,
                residual_m: [d.enu_m[0], d.enu_m[1], d.up_m.unwrap_or(f64::NAN)],
                sigma_m: [east[row], north[row], up[row]],
                correlation: if correlation[row].is_finite() { correlation[row] } else { 0.0 },
                mark_sigma_m: [mark.sigma_horizontal_m, mark.height.as_ref().map_or(0.0, |h| h.sigma_m)],
                grid_m: d.at_m,
                convergence_deg: d.convergence_deg,
                scale: d.scale,
                height_m: height[row],
                ellipsoidal_m: ellipsoidal[row],
                separation_m: separation[row],
                receiver_separation_m: receiver[row],
                aim,
                samples,
            });
        }
        let spots: Vec<Spot> = differences
            .iter()
            .map(|d| Spot {
                latitude_deg: latitude[d.row],
                longitude_deg: longitude[d.row],
                height_m: if ellipsoidal[d.row].is_finite() { ellipsoidal[d.row] } else { 0.0 },
                year: times[d.row].map_or(f64::NAN, decimal_year),
            })
            .collect();
        let mut facts = self.facts(table, &shots, &spots, epochs.is_some());
        if let Some(setup) = facts.setup {
            facts.lags = lags(&setup, &shots, &differences, &streams, &window);
        }
        Ok((shots, facts))
    }

    /// What the job adds to a heading here, and its standard deviation, deg.
    fn to_true(&self, rig: &Rig, spot: Option<&Spot>) -> (f64, f64) {
        let Some(attitude) = &rig.attitude else { return (0.0, 0.0) };
        let Ok((to_true, sigma)) = north::settle(attitude, self.locality, &mut vec![]) else { return (0.0, 0.0) };
        let deg = match to_true {
            ToTrue::Everywhere(d) => d,
            ToTrue::Grid(crs) => Projection::plan(&crs)
                .ok()
                .zip(spot)
                .and_then(|(p, s)| p.at(s.latitude_deg, s.longitude_deg).ok())
                .map_or(0.0, |g| g.factors.convergence_deg),
            ToTrue::Model(model) => self.magnetic(model).unwrap_or(0.0),
        };
        (deg, sigma)
    }

    /// Declination of a model here, deg; none outside its years.
    fn magnetic(&self, model: MagneticModel) -> Option<f64> {
        at_locality(model, self.locality?).ok().flatten().map(|d| d.declination_deg)
    }

    fn facts(&self, table: &Table, shots: &[Shot], spots: &[Spot], turned: bool) -> Facts {
        let reference = &self.reference;
        let frame = table.schema.frame.as_ref();
        let vertical_datum = matches!(frame.map(|f| &f.heights), Some(Heights::Vertical { .. }));
        let geoid_sigma = if vertical_datum { reference.delivery.heights.geoid.as_ref().map_or(0.0, |g| g.sigma_m) } else { 0.0 };
        let base = &reference.corrections;
        let mut facts = Facts {
            common_m: [base.base_sigma_horizontal_m, base.base_sigma_up_m.hypot(geoid_sigma)],
            declination_deg: self.options.declination_deg.or_else(|| self.magnetic(MagneticModel::Wmm2025)),
            vertical_datum,
            ..Facts::default()
        };
        if let Some(rig) = &self.rig {
            let (to_true_deg, north_sigma_deg) = self.to_true(rig, spots.first());
            let mut setup = Setup::of(rig, to_true_deg);
            if !turned {
                setup.north = NorthSaid::None;
            }
            if turned {
                facts.declared = declared(&setup, rig, north_sigma_deg, shots);
            }
            facts.setup = Some(setup);
        }
        let to = frame.and_then(|f| Crs::look_up(&f.crs).ok()).and_then(|c| c.geographic_3d);
        let folders = grids::folders(&reference.folder);
        if let (Some(to), Some(locality)) = (to, self.locality) {
            let frames = Frames {
                from: &base.frame,
                from_epoch: base.epoch.map_or(Epoch::Static, Epoch::from),
                to: &to,
                locality,
                folders: &folders,
            };
            if let Some(own) = frames.own() {
                facts.frames = frames.others(&own, spots);
                facts.year = frames.year(&own, spots);
            }
        }
        if let Some(crs) = self.comparison.marks.first().map(|m| m.crs.as_str()) {
            facts.others.extend(places::zones(crs, spots));
        }
        let have: Vec<f64> = shots.iter().map(|s| s.separation_m).collect();
        facts.others.extend(self.geoids.iter().filter_map(|g| places::geoid(&g.name, &g.path, spots, &have)));
        facts
    }
}

fn lags(
    setup: &Setup,
    shots: &[Shot],
    differences: &[Difference],
    streams: &[Stream],
    window: &dyn Fn(usize) -> (f64, f64),
) -> Vec<(f64, Vec<[f64; 3]>)> {
    if streams.is_empty() || setup.north == NorthSaid::None {
        return vec![];
    }
    LAGS.iter()
        .flat_map(|l| [*l, -*l])
        .filter_map(|lag| {
            let enu: Option<Vec<[f64; 3]>> = shots
                .iter()
                .zip(differences)
                .map(|(s, d)| {
                    let (from, to) = window(d.row);
                    let later = streams.get(s.session)?.later(from, to, s.aim == Aim::Laser, lag);
                    let (have, right) = (setup.offset(s.aim, &s.samples)?, setup.offset(s.aim, &later)?);
                    Some([0, 1, 2].map(|k| have[k] - right[k]))
                })
                .collect();
            enu.map(|e| (lag, e))
        })
        .collect()
}
