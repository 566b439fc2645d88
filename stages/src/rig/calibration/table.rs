//! From a table of epochs to looks.

use super::looks::{Look, Three, enu_rows, times};
use crate::rig::antex;
use crate::rig::ledger::{Aim, Ledger};
use crate::rig::north::{Convergence, ToTrue, Turn};
use crate::rig::target::{AttitudeNoise, Covariance, Model, Shot};
use crate::rig::tilt_correct::columns::{Columns, Names, value};
use crate::rig::tilt_correct::{AimOption, SensorsOption, checks};
use pipeline_base::problem::Problem;
use pipeline_base::rig::{AttitudeKind, Rig};
use pipeline_base::table::schema::Role;
use pipeline_base::table::{Table, by_role};
use pipeline_core::stage::{BindCx, Resource};
use std::collections::BTreeMap;
use survey_geodesy::{Ellipsoid, Tangent};
use survey_mathematics::correlation::{effective_epochs, tau_of_rest};
use survey_mathematics::rotation::Rotation;

/// What stays the same for every table: the rig with its chains, and where the columns are.
pub(crate) struct Reader {
    pub names: Names,
    /// Columns of occupation, point and session.
    occupation: String,
    point: String,
    session: String,
    pub aim: AimOption,
    pub rig: Rig,
    /// The antenna file, when the chain needs one.
    pub antenna: Option<Resource>,
    pub tip: Option<Ledger>,
    pub laser: Option<Ledger>,
    north: ToTrue,
    /// Sigma of the correction to true north, deg.
    pub north_sigma_deg: f64,
    noise: AttitudeNoise,
    pub ellipsoid: Ellipsoid,
}

/// How looks are cut and weighted.
pub(crate) struct Cut {
    /// Epochs within this angle of the first of a look belong to it, deg.
    pub look_deg: f64,
    /// Sigma of aiming at the mark, each axis, m.
    pub aiming_sigma_m: f64,
    /// Ranges further than this from the median of a look are left out, m.
    pub range_off_m: f64,
}

/// One look with what people want to see of it.
pub(crate) struct Seen {
    pub look: Look,
    pub point: String,
    /// First epoch, ns since 1970 UTC.
    pub start: i64,
    /// Heading from true north, pitch, roll of the first epoch, deg, and mean range, m.
    pub pose: [f64; 4],
}

/// All looks of a table.
pub(crate) struct Looks {
    pub seen: Vec<Seen>,
    /// Names of the marks, in the order of their numbers.
    pub marks: Vec<String>,
    pub frame: Tangent,
    /// Rows that are in a look.
    pub used: usize,
    /// Rows that are in none, by reason.
    pub aside: BTreeMap<&'static str, Vec<u32>>,
    pub sessions: usize,
    /// Last instant, ns.
    pub last: i64,
}

/// One epoch that can be used.
struct Epoch {
    row: usize,
    time: i64,
    place: [f64; 3],
    rotation: Rotation,
    shot: Shot,
    gnss: Covariance,
}

const fn three(c: &Covariance) -> Three {
    [[c.ee, c.en, c.eu], [c.en, c.nn, c.nu], [c.eu, c.nu, c.uu]]
}

fn scaled(m: Three, k: f64) -> Three {
    m.map(|r| r.map(|v| v * k))
}

fn plus(a: &Three, b: &Three) -> Three {
    [0, 1, 2].map(|i| [0, 1, 2].map(|j| a[i][j] + b[i][j]))
}

impl Reader {
    /// Finds columns and chains; all that is wrong is added to `problems`.
    pub(crate) fn bind(
        aim: Option<AimOption>,
        sensors: SensorsOption,
        cx: &BindCx,
        problems: &mut Vec<Problem>,
        notes: &mut Vec<Problem>,
    ) -> Option<Self> {
        let input = cx.input().map_err(|p| problems.extend(p)).ok()?;
        let antenna = antex::resolve(cx.need_rig().map_err(|p| problems.push(p)).ok()?).map_err(|p| problems.extend(p)).ok()?;
        notes.extend(antenna.notes);
        let rig = &antenna.rig;
        problems.extend(checks::frame(input, rig));
        let mut need = |role: Role| {
            by_role(input, role)
                .map(|c| c.name.clone())
                .map_err(|p| {
                    problems.push(p.fix("put `occupations` before: each attitude at a mark is one occupation, named after the mark"))
                })
                .ok()
        };
        let (occupation, point, session) = (need(Role::Occupation), need(Role::Point), need(Role::Session));
        let names = checks::names(input, problems);
        let options = crate::rig::tilt_correct::Options { aim, sensors, ..Default::default() };
        let aim = checks::aim(&options, input, problems);
        let ellipsoid = checks::ellipsoid(input, cx, problems)?;
        let (names, aim, occupation, point, session) = (names?, aim?, occupation?, point?, session?);
        let (tip, laser) = checks::ledgers(rig, aim, problems);
        if rig.attitude.is_none() {
            problems.push(
                Problem::new("rig/no-attitude", "a rig without an attitude sensor has nothing to calibrate")
                    .rig_key("attitude")
                    .size("a beam without a direction can miss by its whole range")
                    .fix("give `attitude` in the rig, with the north that its heading counts from"),
            );
        }
        let kind = rig.attitude.as_ref().map(|a| a.kind).unwrap_or_default();
        if matches!(kind, AttitudeKind::PitchRoll | AttitudeKind::TiltAzimuth) {
            problems.push(
                Problem::new("rig/no-heading", "a rig without a heading of the body cannot be calibrated")
                    .rig_key("attitude.kind")
                    .size("lever arm and beam could point anywhere: up to twice their length, in m")
                    .why("what is fixed in the body can only be found when the body's heading is known")
                    .fix("calibrate with a sensor that has a heading"),
            );
        }
        checks::sensors(rig, sensors, laser.is_some(), problems);
        if sensors == SensorsOption::RigSensors {
            checks::north_of_sentence(rig, cx.locality, problems, notes);
        }
        let (north, noise) = checks::settled(rig, cx.locality, problems, notes);
        let north_sigma_deg = noise.north_sigma_deg();
        Some(Self {
            names,
            antenna: antenna.resource,
            occupation,
            point,
            session,
            aim,
            rig: antenna.rig.clone(),
            tip,
            laser,
            north,
            north_sigma_deg,
            noise,
            ellipsoid,
        })
    }

    /// The fixed length before the lever arm or the pole, body axes, m.
    pub(crate) fn head(&self) -> [f64; 3] {
        let vectors = self.laser.as_ref().or(self.tip.as_ref()).map(Ledger::to_add).unwrap_or_default();
        if vectors.len() < 2 { [0.0; 3] } else { [vectors[0].x_m, vectors[0].y_m, vectors[0].z_m] }
    }

    /// Cuts a table into looks.
    ///
    /// # Errors
    /// When a column is not as promised.
    pub(crate) fn looks(&self, table: &Table, cut: &Cut) -> Result<Looks, Problem> {
        let columns = Columns::of(&self.names, self.aim, table)?;
        let (occupation, point, session) = (table.texts(&self.occupation)?, table.texts(&self.point)?, table.texts(&self.session)?);
        let time = table.instants(&self.names.time)?;
        let convergence = match &self.north {
            ToTrue::Grid(crs) => Some(Convergence::new(crs.clone())),
            ToTrue::Everywhere(_) | ToTrue::Model(_) => None,
        };
        let mut turn = Turn::of(&self.north, convergence.as_ref())?;
        let mut aside: BTreeMap<&'static str, Vec<u32>> = BTreeMap::new();
        // By session and occupation, since the name of an occupation is its session's own.
        let mut groups: BTreeMap<(&str, &str), (Aim, &str, Vec<Epoch>)> = BTreeMap::new();
        for row in 0..table.rows() {
            let laser = match self.aim {
                AimOption::Tip => Some(false),
                AimOption::Laser => Some(true),
                AimOption::Column => columns.aim.get(row).copied().flatten().and_then(|a| match a {
                    "tip" => Some(false),
                    "laser" => Some(true),
                    _ => None,
                }),
            };
            let place = [value(&columns.latitude, row), value(&columns.longitude, row), value(&columns.height, row)];
            let [heading, pitch, roll, range, turn_rate, speed] = [0, 1, 2, 3, 4, 5].map(|i| value(&columns.sensors[i], row));
            let ranges = self.rig.laser.map_or((0.0, 0.0), |l| (l.shortest_m, l.longest_m));
            #[allow(clippy::cast_possible_truncation)]
            let reason = match (laser, occupation[row], point[row], time[row]) {
                (None, ..) => "no-aim",
                (Some(true), ..) if self.laser.is_none() => "aim-not-in-rig",
                (Some(false), ..) if self.tip.is_none() => "aim-not-in-rig",
                _ if !(place[0].abs() <= 90.0 && place[1].abs() <= 360.0) => "no-position",
                _ if !place[2].is_finite() => "no-height",
                _ if !(heading.is_finite() && pitch.is_finite() && roll.is_finite()) => "no-attitude",
                (Some(true), ..) if !range.is_finite() => "no-range",
                (Some(true), ..) if !(ranges.0..=ranges.1).contains(&range) => "range-outside-instrument",
                (Some(laser), Some(occupation), Some(point), Some(time)) => {
                    let to_true = turn.at(place[0], place[1], place[2], Some(time))?;
                    let shot = Shot {
                        heading_deg: heading + to_true,
                        pitch_deg: pitch,
                        roll_deg: roll,
                        range_m: if laser { range } else { 0.0 },
                        turn_rate_deg_s: turn_rate,
                        speed_m_s: speed,
                        // The heading bias is an unknown of its own here.
                        heading_sigma_deg: f64::NAN,
                    };
                    let (gnss, _) = columns.gnss_of(&self.rig.gnss, row);
                    let rotation = Rotation::new(shot.heading_deg, pitch, roll);
                    let key = (session[row].unwrap_or_default(), occupation);
                    let group = groups.entry(key).or_insert_with(|| (if laser { Aim::Laser } else { Aim::Tip }, point, vec![]));
                    group.2.push(Epoch { row, time, place, rotation, shot, gnss });
                    continue;
                }
                _ => "no-occupation",
            };
            #[allow(clippy::cast_possible_truncation)]
            aside.entry(reason).or_default().push(row as u32);
        }
        let epochs = || groups.values().flat_map(|(.., epochs)| epochs);
        let first = epochs().min_by_key(|e| (e.time, e.row)).map_or([0.0; 3], |e| e.place);
        let last = epochs().map(|e| e.time).max().unwrap_or_default();
        let origin = epochs().map(|e| e.time).min().unwrap_or_default();
        let sessions: std::collections::BTreeSet<&str> = groups.keys().map(|(s, _)| *s).collect();
        let mut out = Looks {
            seen: vec![],
            marks: vec![],
            frame: Tangent::new(first[0], first[1], first[2], self.ellipsoid),
            used: 0,
            aside,
            sessions: sessions.len(),
            last,
        };
        let mut ordered: Vec<_> = groups.into_iter().map(|((_, name), (aim, point, epochs))| (name, aim, point, epochs)).collect();
        for (.., epochs) in &mut ordered {
            epochs.sort_by_key(|e| (e.time, e.row));
        }
        ordered.sort_by_key(|(name, .., epochs)| (epochs.first().map(|e| e.time), *name));
        for (_, aim, point, epochs) in ordered {
            let mark = out.marks.iter().position(|m| m == point).unwrap_or_else(|| {
                out.marks.push(point.to_owned());
                out.marks.len() - 1
            });
            let mut rest = epochs;
            while !rest.is_empty() {
                let length = rest.iter().position(|e| turned(&rest[0].rotation, &e.rotation) > cut.look_deg).unwrap_or(rest.len());
                let later = rest.split_off(length);
                self.add(&rest, aim, mark, point, origin, cut, &mut out);
                rest = later;
            }
        }
        for rows in out.aside.values_mut() {
            rows.sort_unstable();
        }
        Ok(out)
    }

    /// Adds the look that some epochs form.
    #[allow(clippy::too_many_arguments, clippy::cast_precision_loss, clippy::cast_possible_truncation)]
    fn add(&self, epochs: &[Epoch], aim: Aim, mark: usize, point: &str, origin: i64, cut: &Cut, out: &mut Looks) {
        let median = crate::occupation::estimate::median(epochs.iter().map(|e| e.shot.range_m).collect());
        let (good, off): (Vec<&Epoch>, Vec<&Epoch>) = epochs.iter().partition(|e| (e.shot.range_m - median).abs() <= cut.range_off_m);
        if !off.is_empty() {
            out.aside.entry("range-off").or_default().extend(off.iter().map(|e| e.row as u32));
        }
        let Some(start) = good.first() else { return };
        let ledger = if aim == Aim::Laser { &self.laser } else { &self.tip };
        let Some(ledger) = ledger else { return };
        let beam = self.rig.laser.as_ref().filter(|_| aim == Aim::Laser);
        let turned = ledger.needs_attitude();
        let model = Model::new(&ledger.to_add(), beam, self.noise);
        let scale = beam.map_or(1.0, |l| l.scale);
        let n = good.len() as f64;
        let seconds = |e: &Epoch| (e.time - origin) as f64 / 1e9;
        let (mut antenna, mut turn, mut ranged) = ([0.0; 3], [[0.0; 3]; 3], [[0.0; 3]; 3]);
        let (mut gnss, mut own) = ([[0.0; 3]; 3], [[0.0; 3]; 3]);
        let mut targets = vec![];
        for e in &good {
            let place = out.frame.enu(e.place[0], e.place[1], e.place[2]);
            let rows = if turned { enu_rows(&e.rotation) } else { [[0.0; 3]; 3] };
            antenna = [0, 1, 2].map(|k| antenna[k] + place[k] / n);
            turn = plus(&turn, &scaled(rows, 1.0 / n));
            ranged = plus(&ranged, &scaled(rows, scale * e.shot.range_m / n));
            gnss = plus(&gnss, &scaled(three(&e.gnss), 1.0 / n));
            if turned {
                let target = model.target(&e.shot);
                own = plus(&own, &scaled(three(&target.random), 1.0 / n));
                targets.push([0, 1, 2].map(|k| place[k] + target.enu[k]));
            } else {
                targets.push(place);
            }
        }
        let stamps: Vec<f64> = good.iter().map(|e| seconds(e)).collect();
        let trace = |m: &Three| m[0][0] + m[1][1] + m[2][2];
        let tau = self.rig.gnss.correlation_time_s;
        let declared = self.rig.attitude.as_ref().and_then(|a| a.correlation_time_s);
        let tau_own = declared.unwrap_or_else(|| tau_of_rest(&stamps, &targets, trace(&gnss), trace(&own), tau));
        gnss = scaled(gnss, 1.0 / effective_epochs(&stamps, tau).max(1.0));
        own = scaled(own, 1.0 / effective_epochs(&stamps, tau_own).max(1.0));
        for (k, row) in own.iter_mut().enumerate() {
            row[k] += cut.aiming_sigma_m.powi(2);
        }
        out.used += good.len();
        let range = good.iter().map(|e| e.shot.range_m).sum::<f64>() / n;
        let time_s = stamps.iter().sum::<f64>() / n;
        let pose = [start.shot.heading_deg, start.shot.pitch_deg, start.shot.roll_deg, if aim == Aim::Laser { range } else { f64::NAN }];
        let name = format!("`{point}` at {}", raw_logs::time_columns::instant_text(start.time));
        let look = Look { name, aim, mark, time_s, antenna, turn, ranged, noise: own, gnss, epochs: good.len() };
        out.seen.push(Seen { look, point: point.to_owned(), start: start.time, pose });
    }

    /// Covariance of what is the same for every epoch of a look, by the rig's own sigmas, m2.
    pub(crate) fn systematic(&self, seen: &Seen) -> Covariance {
        let laser = seen.look.aim == Aim::Laser;
        let Some(ledger) = (if laser { &self.laser } else { &self.tip }) else { return Covariance::default() };
        if !ledger.needs_attitude() {
            let v = ledger.receiver_variance();
            return Covariance { ee: v, nn: v, uu: v, ..Covariance::default() };
        }
        let [heading_deg, pitch_deg, roll_deg, range] = seen.pose;
        let range_m = if laser { range } else { 0.0 };
        let shot =
            Shot { heading_deg, pitch_deg, roll_deg, range_m, turn_rate_deg_s: f64::NAN, speed_m_s: f64::NAN, heading_sigma_deg: f64::NAN };
        Model::new(&ledger.to_add(), self.rig.laser.as_ref().filter(|_| laser), self.noise).target(&shot).systematic
    }

    /// Where the mark of a look is by the rig's own values, east, north, up, m.
    pub(crate) fn mark_by_rig(&self, look: &Look) -> [f64; 3] {
        let ledger = if look.aim == Aim::Laser { &self.laser } else { &self.tip };
        let mut body = [0.0; 3];
        for v in ledger.as_ref().map(Ledger::to_add).unwrap_or_default() {
            body = [body[0] + v.x_m, body[1] + v.y_m, body[2] + v.z_m];
        }
        let mut end = [0, 1, 2].map(|k| look.antenna[k] + times(&look.turn, body)[k]);
        if let Some(l) = self.rig.laser.filter(|_| look.aim == Aim::Laser) {
            let beam = survey_mathematics::rotation::boresight(l.beam_azimuth_deg, l.beam_elevation_deg);
            let (far, near) = (times(&look.ranged, beam), times(&look.turn, beam));
            end = [0, 1, 2].map(|k| end[k] + far[k] + l.zero_m * near[k]);
        }
        end
    }
}

fn turned(a: &Rotation, b: &Rotation) -> f64 {
    let trace: f64 = (0..3).map(|i| (0..3).map(|j| a.rows[i][j] * b.rows[i][j]).sum::<f64>()).sum();
    ((trace - 1.0) / 2.0).clamp(-1.0, 1.0).acos().to_degrees()
}
