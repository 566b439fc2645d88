//! # What it does
//! Finds by how much a second stream runs ahead of the log or behind it, from movement.
//!
//! # When to use it
//! Before the first `time-join` with a new sensor, and when `time/stream-lags` stops a job.
//!
//! # What it promises
//! A lag with its 95 % interval, or the word that it cannot be observed. Nothing is changed.
//!
//! # References
//! Variance of the place of a correlation peak (`peak.rs`); IERS Bulletin C for GPS time against UTC.

use super::time_join::{self, MotionCheck, TimeJoin};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::rig::BodyVector;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Role;
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, Spec, Stage};
use raw_logs::delimited::Layout;
use raw_logs::quantity::{AngleColumn, QuaternionColumns};
use raw_logs::time_columns;
use raw_logs::time_columns::TimeColumn;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::json;

mod signals;
#[cfg(test)]
mod tests;

use signals::{Inputs as Movement, Match};

/// Options of `estimate-lag`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Files of the stream, plain or packed with gzip or zstd. `{session}` stands for the name of the session, `*` for any text.
    pub files: Vec<String>,
    /// How the files are laid out.
    #[serde(default)]
    pub layout: Layout,
    /// Where the time stands, and what it is taken to mean.
    pub time: TimeColumn,
    /// Lag that is already taken off, s; the result adds to it.
    #[serde(default)]
    pub lag_s: f64,
    /// Heading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heading: Option<AngleColumn>,
    /// Pitch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pitch: Option<AngleColumn>,
    /// Roll.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub roll: Option<AngleColumn>,
    /// Tilt from plumb, for a rig with `attitude.kind: tilt-azimuth`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tilt: Option<AngleColumn>,
    /// Azimuth of the lean, for a rig with `attitude.kind: tilt-azimuth`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lean_azimuth: Option<AngleColumn>,
    /// Quaternion, for a rig with `attitude.kind: quaternion`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quaternion: Option<QuaternionColumns>,
    /// Longest time between two samples across which is interpolated, s.
    #[serde(default = "one")]
    #[schemars(range(min = 0.001, max = 10.0))]
    pub max_gap_s: f64,
    /// Largest lag that is tried, s.
    #[serde(default = "minute")]
    #[schemars(range(min = 1.0, max = 3600.0))]
    pub reach_s: f64,
    /// A lag that is not zero at 95 % and larger than this is warned of, s.
    #[serde(default = "tenth")]
    #[schemars(range(min = 0.001, max = 60.0))]
    pub warn_above_s: f64,
}

const fn one() -> f64 {
    1.0
}
const fn minute() -> f64 {
    60.0
}
const fn tenth() -> f64 {
    0.1
}

/// The bound stage.
pub(crate) struct EstimateLag {
    join: TimeJoin,
    reach_s: f64,
    warn_above_s: f64,
    lag_s: f64,
    /// Names of latitude, longitude, height, heading, pitch and roll of the log.
    place: [String; 3],
    own: [Option<String>; 3],
    /// From the antenna to the tip.
    pole: Option<BodyVector>,
}

impl Stage for EstimateLag {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "estimate-lag",
        version: 1,
        summary: "Finds by how much a second stream runs ahead of the log or behind it, from movement",
        doc: "\
## What it does

Compares the movement in the log with the movement in a second stream (attitude) at every lag up to `reach_s`, in up to four ways, and
takes the one that fixes the lag best:

- turn rate: changes of the log's own heading, pitch and roll against those of the stream;
- course: changes of the direction in which the antenna walks against changes of the stream's heading;
- sway: the antenna's motion, without its slow part, against the motion of the top of the pole that the stream's attitude
  gives about a foot that stands still (needs `pole` in the rig);
- activity: how much the antenna moves against how much the attitude changes, walking and standing in turn.

It gives the lag with its 95 % interval and the correlations there and at zero (`time/lag`), and says when it is the difference
of GPS time and UTC at that date, or a whole number of seconds. A log in which nothing moves gives `time/lag-not-observable`.
The table goes through unchanged.

## When to use it

Right after the log is read, before the first `time-join` with a new sensor: walk, stop, turn and swing the pole for two
minutes. And when `time/stream-lags` stops a job.

## What it promises

- Positive: the stream's stamps are later than the log's. `lag_s` of `time-join` takes the same sign.
- A lag is only given when the correlation is above 0.5, three standard errors (Fisher's z) above all others further than two
  seconds away, and the interval is shorter than a second; otherwise it is not observable.

## References

The lag where what the stream leaves over is unrelated to the stream's change by the lag (least squares). Its variance is that of their
products' sum over the curvature of the peak squared, with the correlation of neighbours under Parzen's window (Parzen 1957; Newey and
West 1987) and Student's t; IERS Bulletin C (GPS time against UTC).
",
        inputs: Inputs::One,
        delivers: false,
        examples: &[Example {
            title: "An attitude file that is thought to be in UTC",
            options: "\
files: [\"attitude/{session}.csv\"]
time: { column: time, format: unix-s, scale: utc }
heading: { column: yaw, unit: deg }
pitch: { column: pitch, unit: deg }
roll: { column: roll, unit: deg }
",
        }],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let input = cx.input()?;
        let mut problems = vec![];
        if !(1.0..=3600.0).contains(&options.reach_s) {
            problems.push(Problem::new("time/bad-options", "`reach_s` lies between 1 s and an hour").option("reach_s"));
        }
        let join = TimeJoin::bind(
            time_join::Options {
                files: options.files,
                layout: options.layout,
                time: options.time,
                lag_s: options.lag_s,
                max_gap_s: options.max_gap_s,
                motion_check: MotionCheck::Off,
                heading: options.heading,
                pitch: options.pitch,
                roll: options.roll,
                tilt: options.tilt,
                lean_azimuth: options.lean_azimuth,
                quaternion: options.quaternion,
                range: None,
                turn_rate: None,
            },
            cx,
        );
        let mut need = |role: Role| {
            let found = pipeline_base::table::by_role(input, role).map(|c| c.name.clone());
            found.map_err(|p| problems.push(p)).unwrap_or_default()
        };
        let place = [need(Role::Latitude), need(Role::Longitude), need(Role::EllipsoidalHeight)];
        let join = match join {
            Ok(join) if problems.is_empty() => join.stage,
            join => {
                problems.extend(join.err().unwrap_or_default());
                return Err(problems);
            }
        };
        let name = |role: Role| input.role(role).map(|c| c.name.clone());
        let stage = Self {
            join,
            reach_s: options.reach_s,
            warn_above_s: options.warn_above_s,
            lag_s: options.lag_s,
            place,
            own: [name(Role::Heading), name(Role::Pitch), name(Role::Roll)],
            pole: cx.rig.and_then(|r| r.pole).map(|p| p.reference_point_to_tip),
        };
        Ok(Bound::new(stage, input.clone(), Grain::Session))
    }

    fn resources(&self) -> Vec<Resource> {
        Stage::resources(&self.join)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let input = inputs.first().ok_or_else(|| Problem::broken("a stage with one input was run without it"))?;
        if input.rows() == 0 {
            return Ok(input.clone());
        }
        let (session, times, series) = self.join.stream(input, cx)?;
        let place = [input.floats(&self.place[0])?, input.floats(&self.place[1])?, input.floats(&self.place[2])?];
        let own = self.own.each_ref().map(|n| n.as_ref().map(|n| input.floats(n)).transpose());
        let [heading, pitch, roll] = own;
        let (heading, pitch, roll) = (heading?, pitch?, roll?);
        let of = |role| self.join.series_of(&series, role);
        let movement = Movement {
            times: &times,
            place: [&place[0], &place[1], &place[2]],
            own: [heading.as_deref(), pitch.as_deref(), roll.as_deref()],
            stream: [of(Role::Heading), of(Role::Pitch), of(Role::Roll)],
            pole: self.pole,
            max_gap_ns: self.join.max_gap_ns(),
        };
        let tried = signals::compare(&movement, self.reach_s);
        let best = tried.iter().filter(|m| m.clear()).min_by(|a, b| a.peak.within_95_s.total_cmp(&b.peak.within_95_s));
        cx.fact(
            "lag",
            json!({"session": session, "tried": tried.iter().map(|m| json!({"by": m.by, "lag_s": m.peak.lag_s + self.lag_s,
                "within_95_s": Some(m.peak.within_95_s).filter(|w| w.is_finite()), "correlation": m.peak.correlation, "at_zero": m.peak.at_zero})).collect::<Vec<_>>()}),
        );
        cx.find(match best {
            Some(best) => self.found(best, &session, time_columns::gps_minus_utc_s(times[0])),
            None => not_observable(&tried, &session),
        });
        Ok(input.clone())
    }
}

impl EstimateLag {
    fn found(&self, Match { by, peak: m }: &Match, session: &str, gps_s: i64) -> Diagnostic {
        // Rounded as it is printed, and never minus zero.
        let total = ((m.lag_s + self.lag_s) * 1000.0).round() / 1000.0 + 0.0;
        let (low, high) = (total - m.within_95_s, total + m.within_95_s);
        #[allow(clippy::cast_precision_loss)]
        let gps = gps_s as f64;
        let differs = m.lag_s.abs() > m.within_95_s && m.lag_s.abs() > self.warn_above_s;
        let side = if total > 0.0 {
            format!("ahead of the log by {total:.3} s")
        } else if total < 0.0 {
            format!("behind the log by {:.3} s", -total)
        } else {
            "in step with the log".to_owned()
        };
        let near = |v: f64| (m.lag_s - v).abs() <= m.within_95_s.max(0.1);
        let (why, fix) = if !differs {
            ("the clocks fit as they are declared".to_owned(), format!("none needed; `lag_s: {total:.3}` is right"))
        } else if near(gps) {
            (
                format!(
                    "{gps_s} s is the difference of GPS time and UTC on this date: the stream is stamped in GPS time and declared as UTC"
                ),
                "set `time.scale: gps`".to_owned(),
            )
        } else if near(-gps) {
            (
                format!(
                    "{gps_s} s is the difference of GPS time and UTC on this date: the stream is stamped in UTC and declared as GPS time"
                ),
                "set `time.scale: utc`".to_owned(),
            )
        } else if m.lag_s.abs() > 0.5 && near(m.lag_s.round()) {
            (
                format!(
                    "{:.0} s is a whole number of seconds: a clock that was set by hand or counts another leap second, not a delay",
                    m.lag_s.round()
                ),
                format!("find the cause; then `lag_s: {:.2}`", self.lag_s + m.lag_s.round()),
            )
        } else {
            (
                "neither a time scale nor a whole number of seconds: a delay on the way, or a clock that runs free".to_owned(),
                format!("`lag_s: {total:.3}` once the cause is known; a clock that runs free needs it for every session"),
            )
        };
        Diagnostic::new(
            "time/lag",
            if differs { Verdict::Warn } else { Verdict::Note },
            format!(
                "the second stream is {side} (95 %: {low:.3} s to {high:.3} s) by {by}: correlation {:.2}, at the declared lag {}",
                m.correlation,
                m.at_zero.map_or_else(|| "nothing to compare".to_owned(), |r| format!("{r:.2}"))
            ),
        )
        .place(format!("session `{session}`"))
        .size(format!("{:.3} m at 0.5 m/s; {:.3} m at 20 deg/s and 3 m", m.lag_s.abs() * 0.5, m.lag_s.abs() * 20_f64.to_radians() * 3.0))
        .why(why)
        .fix(fix)
    }
}

fn not_observable(tried: &[Match], session: &str) -> Diagnostic {
    let list: Vec<String> = tried
        .iter()
        .map(|Match { by, peak: m }| {
            let width = if m.within_95_s.is_finite() { format!("within {:.1} s", m.within_95_s) } else { "no peak".to_owned() };
            format!("{by}: correlation {:.2} at best, {width}", m.correlation)
        })
        .collect();
    let why = if list.is_empty() { "too little moves in the log or in the stream to compare anything".to_owned() } else { list.join("; ") };
    Diagnostic::new("time/lag-not-observable", Verdict::Warn, "the lag of the second stream is not observable in this log")
        .place(format!("session `{session}`"))
        .size("not known: 0.1 s is 0.05 m at 0.5 m/s")
        .why(why)
        .fix("record two minutes in which the pole is walked, stopped, turned and swung, with both streams on")
}
