//! Options of `quality-gate`, and the columns that they need.

use super::nearest::nearest;
use super::reason;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Holds, Role, Schema};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What becomes of an epoch that lacks a value which a limit needs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Missing {
    /// It is refused, with the reason `missing-WHAT`.
    #[default]
    Refuse,
    /// That limit does not apply to it.
    Keep,
}

/// Options of `quality-gate`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Fix kinds that pass: `rtk-fixed`, `rtk-float`, `differential`, `autonomous`, `pps`, `estimated`, `manual`, `simulated`. `none` and `unknown` cannot be listed.
    pub fix: Vec<String>,
    /// Oldest corrections that pass, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub max_correction_age_s: Option<f64>,
    /// Highest position dilution of precision that passes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub max_pdop: Option<f64>,
    /// Highest horizontal dilution of precision that passes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub max_hdop: Option<f64>,
    /// Fewest satellites that pass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0))]
    pub min_satellites: Option<i64>,
    /// Largest horizontal sigma (1 sigma, root of the sum of both axes' variances) that passes, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub max_sigma_horizontal_m: Option<f64>,
    /// Largest sigma upward (1 sigma) that passes, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub max_sigma_up_m: Option<f64>,
    /// Largest tilt from plumb that passes, from pitch and roll, deg.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 180.0))]
    pub max_tilt_deg: Option<f64>,
    /// Fastest turn that passes, deg/s: the sensor's own rate, else the change of heading, pitch or roll since the epoch before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub max_turn_rate_deg_s: Option<f64>,
    /// Base stations that pass, to the letter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub base_station: Option<Vec<String>>,
    /// Time that must have passed since a regained fix, a gap, a change of base or the start of the log, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub settle_s: Option<f64>,
    /// A pause longer than this between two epochs is a gap, for `settle_s` and for turn rates, s.
    #[serde(default = "ten")]
    #[schemars(range(min = 0.0))]
    pub gap_s: f64,
    /// Furthest that an epoch may lie from the median of the epochs kept in the last `jump_window_s` seconds, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub max_jump_m: Option<f64>,
    /// How far back `max_jump_m` looks, s. Needed with `max_jump_m`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub jump_window_s: Option<f64>,
    /// A condition in SQL over the columns of one row; the page of the stage names what it may use. Epochs for which it is
    /// false or unknown are refused.
    #[serde(default, rename = "where", skip_serializing_if = "Option::is_none")]
    pub condition: Option<String>,
    /// What becomes of an epoch that lacks a value which a limit needs.
    #[serde(default)]
    pub missing: Missing,
    /// After `occupations`: a point is held when a larger share of its epochs than this is refused for the kind of fix.
    #[serde(default = "quarter")]
    #[schemars(range(min = 0.0, max = 1.0))]
    pub hold_if_refused_share_above: f64,
    /// After `occupations`: a point with epochs refused for the kind of fix is held when the kept ones span less than this, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub hold_if_kept_span_below_s: Option<f64>,
}

const fn ten() -> f64 {
    10.0
}
const fn quarter() -> f64 {
    0.25
}

/// Names of the columns that the options need, found by role when the job is planned.
#[derive(Default)]
pub(super) struct Names {
    pub(super) fix: String,
    pub(super) time: String,
    pub(super) position: [String; 3],
    pub(super) age: String,
    pub(super) pdop: String,
    pub(super) hdop: String,
    pub(super) satellites: String,
    pub(super) sigma: [String; 3],
    pub(super) pitch: String,
    pub(super) roll: String,
    pub(super) heading: Option<String>,
    pub(super) turn: Option<String>,
    pub(super) base: Option<String>,
    pub(super) occupation: Option<String>,
    pub(super) point: Option<String>,
    pub(super) file: Option<String>,
    pub(super) lines: Option<(String, String)>,
    pub(super) quality: Option<String>,
}

/// Finds limits that make no sense.
pub(super) fn check_options(o: &Options, problems: &mut Vec<Problem>) {
    if o.fix.is_empty() {
        problems.push(
            Problem::new("gate/no-fix-kind", "`fix` lists no fix kind, so nothing could pass")
                .option("fix")
                .fix("list what may pass, such as `fix: [rtk-fixed]`"),
        );
    }
    for (i, word) in o.fix.iter().enumerate() {
        if reason::FIX_WORDS.contains(&word.as_str()) {
            continue;
        }
        let problem = match word.as_str() {
            "unknown" => Problem::new("gate/unknown-fix-listed", "`unknown` cannot be an allowed fix kind")
                .why("a code that the tool does not know says nothing about the position")
                .fix("list the kinds that are good enough, such as `rtk-fixed`"),
            "none" => Problem::new("gate/unknown-fix-listed", "`none` cannot be an allowed fix kind").why("such an epoch has no position"),
            other => {
                let p = Problem::new("gate/no-such-fix-kind", format!("`{other}` is not a fix kind"));
                match nearest(other, reason::FIX_WORDS.iter().copied()) {
                    Some(n) => p.fix(format!("did you mean `{n}`?")),
                    None => p.fix(format!("the fix kinds are {}", reason::FIX_WORDS.join(", "))),
                }
            }
        };
        problems.push(problem.option(format!("fix[{i}]")));
    }
    let limits = [
        ("max_correction_age_s", o.max_correction_age_s),
        ("max_pdop", o.max_pdop),
        ("max_hdop", o.max_hdop),
        ("max_sigma_horizontal_m", o.max_sigma_horizontal_m),
        ("max_sigma_up_m", o.max_sigma_up_m),
        ("max_tilt_deg", o.max_tilt_deg),
        ("max_turn_rate_deg_s", o.max_turn_rate_deg_s),
        ("settle_s", o.settle_s),
        ("gap_s", Some(o.gap_s)),
        ("max_jump_m", o.max_jump_m),
        ("jump_window_s", o.jump_window_s),
        ("hold_if_kept_span_below_s", o.hold_if_kept_span_below_s),
        ("hold_if_refused_share_above", Some(o.hold_if_refused_share_above)),
    ];
    for (key, value) in limits {
        if value.is_some_and(|v| !v.is_finite() || v < 0.0) {
            problems.push(Problem::new("job/bad-value", format!("`{key}` must be a number of at least 0")).option(key));
        }
    }
    if o.hold_if_refused_share_above > 1.0 {
        problems.push(
            Problem::new("job/bad-value", format!("`hold_if_refused_share_above: {}` is more than all", o.hold_if_refused_share_above))
                .option("hold_if_refused_share_above")
                .fix("write a share between 0 and 1: 0.25 is a quarter of the epochs"),
        );
    }
    match (o.max_jump_m, o.jump_window_s) {
        (Some(_), None) => problems.push(
            Problem::new("job/missing-value", "`max_jump_m` needs `jump_window_s`")
                .option("max_jump_m")
                .fix("add how far back a jump is looked for, such as `jump_window_s: 2`"),
        ),
        (None, Some(_)) => {
            problems.push(Problem::new("job/missing-value", "`jump_window_s` does nothing without `max_jump_m`").option("jump_window_s"))
        }
        _ => {}
    }
    if o.base_station.as_ref().is_some_and(Vec::is_empty) {
        problems.push(Problem::new("job/bad-value", "`base_station` lists no base, so nothing could pass").option("base_station"));
    }
}

/// Finds the columns, and says which limits have none.
pub(super) fn find_names(o: &Options, schema: &Schema, problems: &mut Vec<Problem>) -> Names {
    let mut need = |role: Role, option: &str| match schema.role(role) {
        Some(c) => c.name.clone(),
        None => {
            problems.push(
                Problem::new("plan/missing-role", format!("`{option}` needs {}, and no column holds it", role.meaning()))
                    .option(option)
                    .fix(format!("leave `{option}` out, or read a log that has it")),
            );
            String::new()
        }
    };
    let maybe = |role: Role| schema.role(role).map(|c| c.name.clone());
    let mut n = Names {
        fix: need(Role::Fix, "fix"),
        time: need(Role::Time, "fix"),
        position: [need(Role::Latitude, "fix"), need(Role::Longitude, "fix"), need(Role::EllipsoidalHeight, "fix")],
        heading: maybe(Role::Heading),
        turn: maybe(Role::TurnRate),
        base: maybe(Role::BaseStation),
        occupation: maybe(Role::Occupation),
        point: maybe(Role::Point),
        file: maybe(Role::File),
        lines: maybe(Role::LineFirst).zip(maybe(Role::LineLast)),
        quality: schema.named("quality_code").filter(|c| c.holds == Holds::Int).map(|c| c.name.clone()),
        ..Names::default()
    };
    if o.max_correction_age_s.is_some() {
        n.age = need(Role::CorrectionAge, "max_correction_age_s");
    }
    if o.max_pdop.is_some() {
        n.pdop = need(Role::Pdop, "max_pdop");
    }
    if o.max_hdop.is_some() {
        n.hdop = need(Role::Hdop, "max_hdop");
    }
    if o.min_satellites.is_some() {
        n.satellites = need(Role::Satellites, "min_satellites");
    }
    if o.max_sigma_horizontal_m.is_some() {
        n.sigma[0] = need(Role::SigmaEast, "max_sigma_horizontal_m");
        n.sigma[1] = need(Role::SigmaNorth, "max_sigma_horizontal_m");
    }
    if o.max_sigma_up_m.is_some() {
        n.sigma[2] = need(Role::SigmaUp, "max_sigma_up_m");
    }
    if o.max_tilt_deg.is_some() {
        n.pitch = need(Role::Pitch, "max_tilt_deg");
        n.roll = need(Role::Roll, "max_tilt_deg");
    }
    if o.base_station.is_some() {
        n.base = Some(need(Role::BaseStation, "base_station"));
    }
    if o.max_turn_rate_deg_s.is_some() {
        if n.turn.is_none() && n.heading.is_none() && schema.role(Role::Pitch).is_none() {
            need(Role::TurnRate, "max_turn_rate_deg_s");
        }
        n.pitch = maybe(Role::Pitch).unwrap_or_default();
        n.roll = maybe(Role::Roll).unwrap_or_default();
    }
    n
}
