//! # What it does
//! Carries every epoch from the point that the receiver logged (phase centre, reference point or
//! tip) to the target: the tip of the pole or the surface that the laser hit. The offset is turned
//! by heading, pitch and roll, added in east, north, up on the ellipsoid's normal and carried
//! through geocentric coordinates.
//!
//! # When to use it
//! After `occupations`, before `average`, also for a pole that was always held upright.
//!
//! # What it promises
//! The plan prints the ledger of lengths: each has one owner. Every epoch comes out as a target or
//! is set aside with a reason. Random and systematic covariance are kept apart.
//!
//! # References
//! Measurement model ("The chain of points", "One epoch"); sequence Z-Y-X as in aerospace use.

use super::antex;
use super::ledger::{Aim, Ledger};
use super::north::{Convergence, ToTrue, Turn};
use super::target::{AttitudeNoise, CONTRIBUTORS, Contributions, Model, Shot, Target};
use crate::budget::Contributor;
use pipeline_base::problem::Problem;
use pipeline_base::rig::{AttitudeKind, Gnss};
use pipeline_base::table::Table;
use pipeline_base::table::schema::{PhysicalPoint, Role, Schema};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use survey_geodesy::{Ellipsoid, offset_enu};

pub(super) mod checks;
pub(super) mod columns;
#[cfg(test)]
mod tests;

use columns::{Columns, Done, Names, Out, added_columns, value};

/// What the shots were aimed with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum AimOption {
    /// The tip of the pole, in every epoch.
    Tip,
    /// The laser, in every epoch.
    Laser,
    /// As the `aim` column says (`tip` or `laser`), which `occupations` adds from the field notes.
    Column,
}

/// Where attitude and range come from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum SensorsOption {
    /// From the log: `sensors` of the rig must name every sensor that is needed.
    #[default]
    RigSensors,
    /// Already in the columns, put there by `time-join` or `ingest-csv`, whose options name them.
    Joined,
}

/// Options of `tilt-correct`.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// What the shots were aimed with. Left out: `column` when the input has an `aim` column; otherwise it must be said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aim: Option<AimOption>,
    /// Where attitude and range come from.
    #[serde(default)]
    pub sensors: SensorsOption,
    /// For a rig without attitude sensor: how upright the pole was held (bubble), 1 sigma in each of two directions, deg.
    /// The tip is then taken straight below the antenna. Random.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 10.0))]
    pub pole_held_vertical_within_deg: Option<f64>,
}

/// How one kind of target is reached.
enum Way {
    /// The receiver has done everything; its lengths still have a variance, m2.
    Nothing(f64),
    /// Straight down: the same offset in every epoch.
    Below(Box<Target>),
    /// Turned by the attitude.
    Turned(Box<Model>),
    /// Leaned by pitch and roll, to a side that nobody knows.
    Somewhere(Box<Model>),
}

/// The bound stage.
pub(crate) struct TiltCorrect {
    schema: Arc<Schema>,
    aim: AimOption,
    tip: Option<Way>,
    laser: Option<Way>,
    /// What adds to the uncertainty with this rig.
    contributors: Vec<Contributor>,
    /// Shortest and longest range, m.
    ranges: (f64, f64),
    north: ToTrue,
    convergence: Option<Convergence>,
    ellipsoid: Ellipsoid,
    gnss: Gnss,
    /// Last day of the calibration, as days since 1970, and as written.
    expires: Option<(i64, String)>,
    rig_name: String,
    names: Names,
    /// The antenna file that the plan was made with.
    antenna: Option<Resource>,
}

impl Way {
    /// Which of [`CONTRIBUTORS`] can add something.
    fn contributors(&self, aged: bool) -> [bool; CONTRIBUTORS.len()] {
        match self {
            Self::Nothing(variance) => Contributions::of_lengths(*variance).present(),
            Self::Below(target) => target.by.present(),
            Self::Somewhere(model) => model.side_unknown(20.0, 10.0).by.present(),
            Self::Turned(model) => model.contributors(aged),
        }
    }
}

impl Stage for TiltCorrect {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "tilt-correct",
        version: 1,
        summary: "Carries every epoch from the antenna to the tip of the pole or the surface that the laser hit",
        doc: "\
## What it does

Adds the lengths of the rig, turned by heading, pitch and roll, to every epoch:

    target = antenna + R lever + (scale range + zero) R boresight      (laser)
    target = antenna + R pole                                          (tip)

R = Rz(heading) Ry(pitch) Rx(roll) turns body axes (x forward, y right, z down) to north, east, down. The offset is added in
east, north, up on the ellipsoid's normal at the antenna and carried through geocentric coordinates; nothing is ever added to
grid coordinates or to degrees. A magnetic heading gets the rig's declination, or that of a World Magnetic Model at each epoch's own place and day, a grid heading the convergence of its CRS at
the place.

It adds `tilt_deg` (lean of the pole), `arm_m` (horizontal length of the offset), a random covariance `random_*` (GNSS, noise
of heading, pitch, roll and range, time-tag jitter), a systematic one `systematic_*` (boresight, lever arm, range zero and
scale, bias of heading and tilt, declination) and the GNSS share of the random one `gnss_*`, all in m2 in east, north, up.
`budget_*` says what each contributor adds to the variance of the epoch; `average` carries it to the point.

## When to use it

After `occupations` and before `average`, also for a pole that was held upright: the pole length is applied here and nowhere
else.

## What it promises

- The plan prints the ledger: every length from the phase centre to the target with exactly one owner. Two owners or none is
  an error before any data is read.
- Every epoch comes out as a target, or is set aside as `no-position`, `no-height`, `no-attitude`, `no-range`,
  `range-outside-instrument`, `no-aim` or `aim-not-in-rig`.
- An epoch's result depends on that epoch alone.
- The deflection of the vertical is neglected: 10 arc-seconds over 4 m is 0.2 mm.

## References

Law of propagation of variances, first order, with the analytic Jacobian; checked against simulation at tilts from 0 to 70
degrees.
",
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "As the field notes say for each point", options: "aim: column" },
            Example { title: "A plain pole with a bubble", options: "aim: tip\npole_held_vertical_within_deg: 0.3" },
            Example { title: "Attitude from a second stream, joined before", options: "aim: laser\nsensors: joined" },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let input = cx.input()?;
        let antenna = antex::resolve(cx.need_rig().map_err(|p| vec![p])?)?;
        let rig = &antenna.rig;
        let mut problems = checks::frame(input, rig);
        let names = checks::names(input, &mut problems);
        let aim = checks::aim(&options, input, &mut problems);
        let ellipsoid = checks::ellipsoid(input, cx, &mut problems);
        let (Some(names), Some(aim), Some(ellipsoid)) = (names, aim, ellipsoid) else { return Err(problems) };
        let (tip, laser) = checks::ledgers(rig, aim, &mut problems);
        let needs = [&tip, &laser].into_iter().flatten().any(Ledger::needs_attitude);
        checks::vertical(&options, rig, tip.as_ref(), laser.as_ref(), &mut problems);
        let upright = options.pole_held_vertical_within_deg.filter(|_| rig.attitude.is_none());
        let turned = needs && (upright.is_none() || laser.is_some());
        let mut notes = antenna.notes;
        let (north, noise) = if turned {
            checks::sensors(rig, options.sensors, laser.is_some(), &mut problems);
            if options.sensors == SensorsOption::RigSensors {
                checks::north_of_sentence(rig, cx.locality, &mut problems, &mut notes);
            }
            checks::settled(rig, cx.locality, &mut problems, &mut notes)
        } else {
            (ToTrue::Everywhere(0.0), AttitudeNoise::default())
        };
        let expires = checks::calibration(rig, turned, &mut problems, &mut notes);
        if !problems.is_empty() {
            return Err(problems);
        }

        let kind = rig.attitude.as_ref().map(|a| a.kind).unwrap_or_default();
        let way = |ledger: &Ledger| {
            if !ledger.needs_attitude() {
                return Way::Nothing(ledger.receiver_variance());
            }
            let beam = rig.laser.as_ref().filter(|_| ledger.aim == Aim::Laser);
            let model = Model::new(&ledger.to_add(), beam, noise);
            match (upright, kind) {
                (Some(within), _) if ledger.aim == Aim::Tip => Way::Below(Box::new(model.vertical(within))),
                (_, AttitudeKind::PitchRoll) => Way::Somewhere(Box::new(model)),
                (_, AttitudeKind::TiltAzimuth) => Way::Turned(Box::new(model.spin_unknown())),
                _ => Way::Turned(Box::new(model)),
            }
        };
        let (tip_way, laser_way) = (tip.as_ref().map(way), laser.as_ref().map(way));
        let aged = names.heading_sigma.is_some();
        let present: Vec<[bool; CONTRIBUTORS.len()]> = [&tip_way, &laser_way].into_iter().flatten().map(|w| w.contributors(aged)).collect();
        let contributors: Vec<Contributor> =
            CONTRIBUTORS.into_iter().enumerate().filter(|(k, _)| present.iter().any(|p| p[*k])).map(|(_, c)| c).collect();
        let mut output = input.clone();
        output.columns.extend(added_columns(&contributors));
        if let Some(frame) = &mut output.frame {
            frame.point = PhysicalPoint::Target;
        }
        for column in &mut output.columns {
            if matches!(column.role, Role::Latitude | Role::Longitude | Role::EllipsoidalHeight) {
                column.nullable = false;
            }
        }
        let ledgers: Vec<_> = [&tip, &laser].into_iter().flatten().collect();
        let printed = serde_json::to_value(&ledgers).map_err(|e| vec![Problem::broken(e)])?;
        let lines: Vec<String> = ledgers.iter().map(|l| l.line()).collect();
        let said_north = north.words(cx.locality);
        let stage = Self {
            schema: Arc::new(output.clone()),
            aim,
            tip: tip_way,
            laser: laser_way,
            contributors,
            ranges: rig.laser.map_or((0.0, 0.0), |l| (l.shortest_m, l.longest_m)),
            convergence: match &north {
                ToTrue::Grid(crs) => Some(Convergence::new(crs.clone())),
                ToTrue::Everywhere(_) | ToTrue::Model(_) => None,
            },
            north,
            ellipsoid,
            gnss: rig.gnss,
            expires,
            rig_name: rig.name.clone(),
            names,
            antenna: antenna.resource,
        };
        let mut bound = Bound::new(stage, output, Grain::Rows).decided("ledger", printed).decided("chain", lines);
        if let Some(model) = antenna.decided {
            bound = bound.decided("antenna", model);
        }
        if turned {
            bound = bound.decided("north", said_north);
        }
        bound.notes = notes;
        Ok(bound)
    }

    fn resources(&self) -> Vec<Resource> {
        self.antenna.iter().cloned().collect()
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let input = inputs.first().ok_or_else(|| Problem::broken("a stage with one input was run without it"))?;
        let mut columns = Columns::of(&self.names, self.aim, input)?;
        if matches!(self.north, ToTrue::Model(_)) {
            columns.time = input.instants(&self.names.time)?;
        }
        self.warn_of_expiry(input, cx)?;
        let mut turn = Turn::of(&self.north, self.convergence.as_ref())?;
        let rows = input.rows();
        let mut fate = vec![Fate::Kept; rows];
        let mut out = Out::new(rows, &self.contributors);
        for (row, fate) in fate.iter_mut().enumerate() {
            match self.row(&columns, row, &mut turn)? {
                Ok(done) => out.push(&done),
                Err(reason) => *fate = reason,
            }
        }
        for reason in Fate::REASONS {
            #[allow(clippy::cast_possible_truncation)]
            let aside: Vec<u32> = (0..rows).filter(|r| fate[*r] == reason).map(|r| r as u32).collect();
            if !aside.is_empty() {
                cx.set_aside_rows(input, &aside, reason.code(), &self.detail(reason))?;
            }
        }
        let kept: Vec<bool> = fate.iter().map(|f| *f == Fate::Kept).collect();
        out.table(self, &input.filter(&kept)?)
    }
}

/// What became of an epoch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fate {
    Kept,
    NoAim,
    AimNotInRig,
    NoPosition,
    NoHeight,
    NoAttitude,
    NoRange,
    RangeOutside,
}

impl Fate {
    const REASONS: [Self; 7] =
        [Self::NoAim, Self::AimNotInRig, Self::NoPosition, Self::NoHeight, Self::NoAttitude, Self::NoRange, Self::RangeOutside];

    const fn code(self) -> &'static str {
        match self {
            Self::Kept => "kept",
            Self::NoAim => "no-aim",
            Self::AimNotInRig => "aim-not-in-rig",
            Self::NoPosition => "no-position",
            Self::NoHeight => "no-height",
            Self::NoAttitude => "no-attitude",
            Self::NoRange => "no-range",
            Self::RangeOutside => "range-outside-instrument",
        }
    }
}

impl TiltCorrect {
    fn row(&self, columns: &Columns, row: usize, turn: &mut Turn) -> Result<Result<Done, Fate>, Problem> {
        let laser = match self.aim {
            AimOption::Tip => false,
            AimOption::Laser => true,
            AimOption::Column => match columns.aim.get(row).copied().flatten() {
                Some("tip") => false,
                Some("laser") => true,
                _ => return Ok(Err(Fate::NoAim)),
            },
        };
        let Some(way) = (if laser { &self.laser } else { &self.tip }) else { return Ok(Err(Fate::AimNotInRig)) };
        let (latitude, longitude, height) = (value(&columns.latitude, row), value(&columns.longitude, row), value(&columns.height, row));
        if !(latitude.abs() <= 90.0 && longitude.abs() <= 360.0) {
            return Ok(Err(Fate::NoPosition));
        }
        if !height.is_finite() {
            return Ok(Err(Fate::NoHeight));
        }
        let target = match way {
            Way::Nothing(variance) => {
                let by = Contributions::of_lengths(*variance);
                Target { enu: [0.0; 3], random: by.random(), systematic: by.systematic(), by, tilt_deg: f64::NAN, arm_m: 0.0 }
            }
            Way::Below(target) => **target,
            Way::Somewhere(model) => {
                let [pitch, roll] = [1, 2].map(|i| value(&columns.sensors[i], row));
                if !(pitch.is_finite() && roll.is_finite()) {
                    return Ok(Err(Fate::NoAttitude));
                }
                model.side_unknown(pitch, roll)
            }
            Way::Turned(model) => {
                let [heading, pitch, roll, range, turn_rate, speed, heading_sigma_deg] =
                    [0, 1, 2, 3, 4, 5, 6].map(|i| value(&columns.sensors[i], row));
                if !(heading.is_finite() && pitch.is_finite() && roll.is_finite()) {
                    return Ok(Err(Fate::NoAttitude));
                }
                if laser {
                    if !range.is_finite() {
                        return Ok(Err(Fate::NoRange));
                    }
                    if !(self.ranges.0..=self.ranges.1).contains(&range) {
                        return Ok(Err(Fate::RangeOutside));
                    }
                }
                let to_true = turn.at(latitude, longitude, height, columns.time.get(row).copied().flatten())?;
                let shot = Shot {
                    heading_deg: heading + to_true,
                    pitch_deg: pitch,
                    roll_deg: roll,
                    range_m: range,
                    turn_rate_deg_s: turn_rate,
                    speed_m_s: speed,
                    heading_sigma_deg,
                };
                model.target(&shot)
            }
        };
        let [e, n, u] = target.enu;
        let place = if e == 0.0 && n == 0.0 {
            (latitude, longitude, height + u)
        } else {
            offset_enu(latitude, longitude, height, e, n, u, self.ellipsoid)
        };
        let (gnss, assumed) = columns.gnss_of(&self.gnss, row);
        Ok(Ok(Done { place, target, gnss, assumed }))
    }

    /// Warns when the data is younger than the calibration's last day.
    fn warn_of_expiry(&self, input: &Table, cx: &Cx) -> Result<(), Problem> {
        let Some((last_day, written)) = &self.expires else { return Ok(()) };
        let late = input.instants(&self.names.time)?.into_iter().flatten().max().map(|t| t.div_euclid(raw_logs::time_columns::DAY_NS));
        if let Some(day) = late.filter(|d| d > last_day) {
            cx.find(checks::expired(&self.rig_name, day, *last_day, written, cx.session().map(|s| s.name.as_str())));
        }
        Ok(())
    }

    fn detail(&self, reason: Fate) -> String {
        match reason {
            Fate::Kept => String::new(),
            Fate::NoAim => "the `aim` column says neither `tip` nor `laser`".to_owned(),
            Fate::AimNotInRig => {
                format!("the rig `{}` declares no {} for this aim", self.rig_name, if self.laser.is_none() { "`laser`" } else { "`pole`" })
            }
            Fate::NoPosition => "the epoch has no latitude and longitude".to_owned(),
            Fate::NoHeight => "the epoch has no ellipsoidal height".to_owned(),
            Fate::NoAttitude => "the epoch has no complete heading, pitch and roll".to_owned(),
            Fate::NoRange => "the epoch has no laser range".to_owned(),
            Fate::RangeOutside => {
                format!("the range is outside {} m to {} m (`laser.shortest_m`, `laser.longest_m`)", self.ranges.0, self.ranges.1)
            }
        }
    }
}
