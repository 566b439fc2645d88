//! # What it does
//! Looks at every epoch and keeps the ones that are good enough. Each refused epoch goes to the
//! set-aside table with one reason: the first test that it fails, in this order:
//!
//! `no-fix`, `no-position`, `fix-KIND`, `old-corrections`, `high-pdop`, `high-hdop`,
//! `few-satellites`, `large-sigma`, `large-tilt`, `fast-turn`, `other-base`, `settling`,
//! `position-jump`, `where`. An epoch that lacks a value which a limit needs is refused as
//! `missing-WHAT` in the place of that limit, unless `missing: keep`.
//!
//! Put after `occupations` it also judges each point: when epochs of a point are refused for their
//! kind of fix, the finding `gate/not-all-fixed` says how many of which kind and how far they would
//! have moved the mean, and holds the point when too little is left. A point of which nothing is
//! left is `gate/nothing-left`.
//!
//! # When to use it
//! In every job, right after the epochs are read, or after `occupations` when the report is to speak
//! of points. `settle_s` and `max_jump_m` look at the epochs before: with them, put the gate first.
//!
//! # What it promises
//! Only the fix kinds that the job lists pass; a kind that the receiver's code does not name can
//! not be listed. Rows are kept or set aside, never changed. The result does not depend on threads.
//!
//! # References
//! Limits are the job's: usual values differ by class of work. Tilt is `acos(cos pitch cos roll)`.

use super::fixed_share;
use super::motion;
use super::nearest::nearest;
use super::predicate::Predicate;
use super::reason::{self, KEPT, REASONS};
use pipeline_core::stage::{Bound, BindCx, Cx, Example, Grain, Inputs, Problem, Spec, Stage};
use pipeline_core::table::Table;
use pipeline_core::table::schema::{Role, Schema};
use polars::prelude::IdxCa;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// What becomes of an epoch that lacks a value which a limit needs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Missing {
    /// It is refused, with the reason `missing-WHAT`.
    #[default]
    Refuse,
    /// That limit does not apply to it.
    Keep,
}

/// Options of `quality-gate`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Options {
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
    /// Any condition over the columns, in standard SQL. Epochs for which it is false or unknown are refused.
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
struct Names {
    fix: String,
    time: String,
    position: [String; 3],
    age: String,
    pdop: String,
    hdop: String,
    satellites: String,
    sigma: [String; 3],
    pitch: String,
    roll: String,
    heading: Option<String>,
    turn: Option<String>,
    base: Option<String>,
    occupation: Option<String>,
    point: Option<String>,
    file: Option<String>,
    lines: Option<(String, String)>,
    quality: Option<String>,
}

/// The gate, bound.
pub struct QualityGate {
    options: Options,
    names: Names,
    condition: Option<Predicate>,
}

impl Stage for QualityGate {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "quality-gate",
        version: 1,
        summary: "keeps the epochs that are good enough and says why each other one is not",
        doc: DOC,
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "fixed solutions with fresh corrections", options: "fix: [rtk-fixed]\nmax_correction_age_s: 5\nmax_pdop: 3.0\nmin_satellites: 7\n" },
            Example {
                title: "a free condition, and a hold for points with too few fixed epochs",
                options: "fix: [rtk-fixed]\nwhere: hdop < 1.5 AND satellites BETWEEN 8 AND 40\nhold_if_kept_span_below_s: 60\n",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let mut problems = vec![];
        check_options(&options, &mut problems);
        let names = find_names(&options, schema, &mut problems);
        let condition = match options.condition.as_deref().map(|text| Predicate::bind(text, schema)) {
            None => None,
            Some(Ok(p)) => Some(p),
            Some(Err(p)) => {
                problems.push(p.option("where"));
                None
            }
        };
        if !problems.is_empty() {
            return Err(problems);
        }
        let after_occupations = names.occupation.is_some();
        let looks_back = options.settle_s.is_some();
        let output = schema.clone();
        let mut bound = Bound::new(Self { options, names, condition }, output, Grain::Session);
        if after_occupations && looks_back {
            bound.notes.push(
                Problem::from(pipeline_core::diag::Diagnostic::new(
                    "gate/settle-after-occupations",
                    pipeline_core::diag::Verdict::Warn,
                    "`settle_s` works on epochs of occupations only",
                ))
                .option("settle_s")
                .why("the epochs between the points are gone, so each occupation begins after a gap and a lost fix between two points is not seen")
                .fix("put a gate with `settle_s` before `occupations`"),
            );
        }
        Ok(bound)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let Some(table) = inputs.first() else { return Err(Problem::broken("`quality-gate` was run without a table")) };
        let mut codes = self.codes(table)?;
        if self.names.occupation.is_some() && table.rows() > 0 {
            for finding in self.judge_points(table, &mut codes, cx)? {
                cx.find(finding);
            }
        }
        finish(table, &codes, cx)
    }
}

impl QualityGate {
    /// One reason per row; 0 is kept.
    fn codes(&self, table: &Table) -> Result<Vec<u8>, Problem> {
        let o = &self.options;
        let n = &self.names;
        let missing = |code: u8| if o.missing == Missing::Refuse { code } else { KEPT };
        let mut codes = vec![KEPT; table.rows()];

        let fix = table.data.column(&n.fix).map_err(Problem::broken)?;
        let fix = fix.as_materialized_series().str().map_err(Problem::broken)?;
        let allowed = |word: Option<&str>| match word {
            Some(word) if o.fix.iter().any(|f| f == word) => KEPT,
            word => reason::fix_reason(word),
        };
        reason::classify(fix, allowed, |row, code| codes[row] = code);
        let fixed: Vec<bool> = if o.settle_s.is_some() { codes.iter().map(|c| *c == KEPT).collect() } else { vec![] };

        let position: Vec<Cow<[f64]>> = n.position.iter().map(|name| table.floats(name)).collect::<Result<_, _>>()?;
        for axis in &position {
            if table.rows() > 0 {
                reason::limit(&mut codes, axis, reason::NO_POSITION, reason::NO_POSITION, |v| !v.is_finite());
            }
        }
        if let Some(max) = o.max_correction_age_s {
            reason::limit(&mut codes, &table.floats(&n.age)?, missing(reason::MISSING_AGE), reason::OLD_CORRECTIONS, |v| v > max);
        }
        if let Some(max) = o.max_pdop {
            reason::limit(&mut codes, &table.floats(&n.pdop)?, missing(reason::MISSING_PDOP), reason::HIGH_PDOP, |v| v > max);
        }
        if let Some(max) = o.max_hdop {
            reason::limit(&mut codes, &table.floats(&n.hdop)?, missing(reason::MISSING_HDOP), reason::HIGH_HDOP, |v| v > max);
        }
        if let Some(min) = o.min_satellites {
            for (code, value) in codes.iter_mut().zip(table.ints(&n.satellites)?) {
                if *code == KEPT {
                    *code = value.map_or(missing(reason::MISSING_SATELLITES), |v| if v < min { reason::FEW_SATELLITES } else { KEPT });
                }
            }
        }
        if let Some(max) = o.max_sigma_horizontal_m {
            let (east, north) = (table.floats(&n.sigma[0])?, table.floats(&n.sigma[1])?);
            for ((code, e), u) in codes.iter_mut().zip(east.iter()).zip(north.iter()) {
                if *code == KEPT {
                    let square = e * e + u * u;
                    *code = if square.is_nan() { missing(reason::MISSING_SIGMA) } else if square > max * max { reason::LARGE_SIGMA } else { KEPT };
                }
            }
        }
        if let Some(max) = o.max_sigma_up_m {
            reason::limit(&mut codes, &table.floats(&n.sigma[2])?, missing(reason::MISSING_SIGMA), reason::LARGE_SIGMA, |v| v > max);
        }
        if let Some(max) = o.max_tilt_deg {
            reason::limit_tilt(&mut codes, &table.floats(&n.pitch)?, &table.floats(&n.roll)?, missing(reason::MISSING_TILT), max);
        }
        if let Some(max) = o.max_turn_rate_deg_s {
            let rates = self.turn_rates(table)?;
            reason::limit(&mut codes, &rates, missing(reason::MISSING_TURN_RATE), reason::FAST_TURN, |v| v > max);
        }
        if let (Some(bases), Some(column)) = (&o.base_station, &n.base) {
            let column = table.data.column(column).map_err(Problem::broken)?;
            let column = column.as_materialized_series().str().map_err(Problem::broken)?;
            let code_of = |text: Option<&str>| match text {
                None => missing(reason::MISSING_BASE),
                Some(text) if bases.iter().any(|b| b == text) => KEPT,
                Some(_) => reason::OTHER_BASE,
            };
            reason::classify(column, code_of, |row, code| {
                if codes[row] == KEPT {
                    codes[row] = code;
                }
            });
        }
        if o.settle_s.is_some() || o.max_jump_m.is_some() {
            let times = times(table, &n.time)?;
            if let Some(settle) = o.settle_s {
                let bases = n.base.as_ref().map(|b| table.texts(b)).transpose()?.unwrap_or_default();
                motion::settling(&mut codes, &times, &fixed, &bases, settle, o.gap_s);
            }
            if let (Some(max), Some(window)) = (o.max_jump_m, o.jump_window_s) {
                motion::jumps(&mut codes, &times, &position[0], &position[1], &position[2], max, window);
            }
        }
        if let Some(condition) = &self.condition {
            for (code, good) in codes.iter_mut().zip(condition.test(table)?) {
                if *code == KEPT && !good {
                    *code = reason::WHERE;
                }
            }
        }
        Ok(codes)
    }

    fn turn_rates(&self, table: &Table) -> Result<Vec<f64>, Problem> {
        let n = &self.names;
        let nothing = || vec![f64::NAN; table.rows()];
        let column = |name: Option<&String>| -> Result<Vec<f64>, Problem> {
            name.map_or_else(|| Ok(nothing()), |name| table.floats(name).map(Cow::into_owned))
        };
        let maybe = |name: &String| if name.is_empty() { None } else { Some(name.clone()) };
        Ok(motion::turn_rates(
            &times(table, &n.time)?,
            &column(n.turn.as_ref())?,
            &column(n.heading.as_ref())?,
            &column(maybe(&n.pitch).as_ref())?,
            &column(maybe(&n.roll).as_ref())?,
            self.options.gap_s,
        ))
    }

    fn judge_points(&self, table: &Table, codes: &mut [u8], cx: &Cx) -> Result<Vec<pipeline_core::diag::Diagnostic>, Problem> {
        if codes.iter().all(|c| *c == KEPT) {
            return Ok(vec![]);
        }
        let n = &self.names;
        let Some(occupation) = &n.occupation else { return Ok(vec![]) };
        let times = times(table, &n.time)?;
        let position: Vec<Cow<[f64]>> = n.position.iter().map(|name| table.floats(name)).collect::<Result<_, _>>()?;
        let rows = fixed_share::Rows {
            occupation: table.texts(occupation)?,
            point: table.texts(n.point.as_ref().unwrap_or(occupation))?,
            fix: table.texts(&n.fix)?,
            quality: n.quality.as_ref().map(|q| table.ints(q)).transpose()?,
            file: n.file.as_ref().map(|f| table.texts(f)).transpose()?,
            lines: n.lines.as_ref().map(|(a, b)| Ok::<_, Problem>((table.ints(a)?, table.ints(b)?))).transpose()?,
            time: &times,
            position: [&position[0], &position[1], &position[2]],
        };
        let allowed = match self.options.fix.as_slice() {
            [one] if one == "rtk-fixed" => "fixed RTK".to_owned(),
            list => list.join(" or "),
        };
        let rules = fixed_share::Rules {
            refused_share_above: self.options.hold_if_refused_share_above,
            kept_span_below_s: self.options.hold_if_kept_span_below_s,
            allowed,
        };
        let session = cx.session().map(|s| s.name.clone());
        let waiver = |code: &str, scope: &str| cx.waiver(code, scope).or_else(|| session.as_deref().and_then(|s| cx.waiver(code, s)));
        Ok(fixed_share::judge(codes, &rows, &rules, &waiver))
    }
}

fn times(table: &Table, name: &str) -> Result<Vec<i64>, Problem> {
    Ok(table.instants(name)?.into_iter().map(|t| t.unwrap_or(i64::MIN)).collect())
}

/// Splits the table by its codes: kept rows come out, the others are set aside reason by reason.
fn finish(table: &Table, codes: &[u8], cx: &Cx) -> Result<Table, Problem> {
    let mut counts = [0_usize; 64];
    for code in codes {
        counts[usize::from(*code) & 63] += 1;
    }
    let mut refused = serde_json::Map::new();
    for (code, (name, detail)) in REASONS.iter().enumerate().skip(1) {
        if counts[code] == 0 {
            continue;
        }
        // The few refused rows are fetched by number; a mask for each reason would walk all rows each time.
        #[allow(clippy::cast_possible_truncation)]
        let rows: Vec<u32> = codes.iter().enumerate().filter(|(_, c)| usize::from(**c) == code).map(|(i, _)| i as u32).collect();
        let rows = table.data.take(&IdxCa::from_vec("row".into(), rows)).map_err(Problem::broken)?;
        cx.set_aside(&Table { data: rows, schema: table.schema.clone() }, name, detail)?;
        refused.insert((*name).to_owned(), counts[code].into());
    }
    let kept = if counts[0] == codes.len() { table.clone() } else { table.filter(&codes.iter().map(|c| *c == KEPT).collect::<Vec<_>>())? };
    cx.fact("kept", counts[0].into());
    cx.fact("refused", serde_json::Value::Object(refused));
    Ok(kept)
}

fn check_options(o: &Options, problems: &mut Vec<Problem>) {
    if o.fix.is_empty() {
        problems.push(Problem::new("gate/no-fix-kind", "`fix` lists no fix kind, so nothing could pass").option("fix").fix("list what may pass, such as `fix: [rtk-fixed]`"));
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
        (None, Some(_)) => problems.push(Problem::new("job/missing-value", "`jump_window_s` does nothing without `max_jump_m`").option("jump_window_s")),
        _ => {}
    }
    if o.base_station.as_ref().is_some_and(Vec::is_empty) {
        problems.push(Problem::new("job/bad-value", "`base_station` lists no base, so nothing could pass").option("base_station"));
    }
}

fn find_names(o: &Options, schema: &Schema, problems: &mut Vec<Problem>) -> Names {
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
        quality: schema.named("quality_code").filter(|c| c.holds == pipeline_core::table::schema::Holds::Int).map(|c| c.name.clone()),
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

const DOC: &str = "\
# What it does
Looks at every epoch and keeps the ones that are good enough. Each refused epoch goes to the set-aside table with one
reason: the first test that it fails, in this order: `no-fix`, `no-position`, `fix-KIND`, `old-corrections`,
`high-pdop`, `high-hdop`, `few-satellites`, `large-sigma`, `large-tilt`, `fast-turn`, `other-base`, `settling`,
`position-jump`, `where`. An epoch that lacks a value which a limit needs is refused as `missing-WHAT` in the place of
that limit, unless `missing: keep`.

Put after `occupations` it also judges each point: when epochs of a point are refused for their kind of fix, the finding
`gate/not-all-fixed` says how many of which kind, how far they would have moved the mean, and holds the point when too
little is left. A point of which nothing is left is `gate/nothing-left`.

# When to use it
In every job, right after the epochs are read, or after `occupations` when the report is to speak of points. `settle_s`
looks at the epochs before: with it, put the gate before `occupations`.

# What it promises
Only the fix kinds that the job lists pass; a kind that the receiver's code does not name cannot be listed. Rows are
kept or set aside, never changed.

# References
Limits are the job's own: usual values differ by class of work. Tilt is acos(cos pitch cos roll).
";
