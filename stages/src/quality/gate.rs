//! # What it does
//! Looks at every epoch and keeps the ones that are good enough. Each refused epoch goes to the
//! set-aside table with one reason: the first test that it fails, in this order:
//!
//! `no-fix`, `no-position`, `fix-KIND`, `old-corrections`, `high-pdop`, `high-hdop`,
//! `few-satellites`, `large-sigma`, `large-tilt`, `fast-turn`, `other-base`, `settling`,
//! `position-jump`, `where`. An epoch that lacks a value which a limit needs is refused as
//! `missing-WHAT` in the place of that limit, unless `missing: keep`. `where` is a condition in SQL;
//! the page below names what it may use.
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
use super::options::{Missing, Names, Options, check_options, find_names};
use super::predicate::Predicate;
use super::reason::{self, KEPT, REASONS};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Spec, Stage};
use std::borrow::Cow;

/// The gate, bound.
pub(crate) struct QualityGate {
    options: Options,
    names: Names,
    condition: Option<Predicate>,
}

impl Stage for QualityGate {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "quality-gate",
        version: 1,
        summary: "Keeps the epochs that are good enough and says why each other one is not",
        doc: DOC,
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example {
                title: "Fixed solutions with fresh corrections",
                options: "fix: [rtk-fixed]\nmax_correction_age_s: 5\nmax_pdop: 3.0\nmin_satellites: 7\n",
            },
            Example {
                title: "A free condition, and a hold for points with too few fixed epochs",
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
                Problem::from(pipeline_base::diag::Diagnostic::new(
                    "gate/settle-after-occupations",
                    pipeline_base::diag::Verdict::Warn,
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
                    *code = if square.is_nan() {
                        missing(reason::MISSING_SIGMA)
                    } else if square > max * max {
                        reason::LARGE_SIGMA
                    } else {
                        KEPT
                    };
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

    fn judge_points(&self, table: &Table, codes: &mut [u8], cx: &Cx) -> Result<Vec<pipeline_base::diag::Diagnostic>, Problem> {
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
        cx.set_aside_rows(table, &rows, name, detail)?;
        refused.insert((*name).to_owned(), counts[code].into());
    }
    let kept =
        if counts[0] == codes.len() { table.clone() } else { table.filter(&codes.iter().map(|c| *c == KEPT).collect::<Vec<_>>())? };
    cx.fact("kept", counts[0].into());
    cx.fact("refused", serde_json::Value::Object(refused));
    Ok(kept)
}

const DOC: &str = "\
# What it does
Looks at every epoch and keeps the ones that are good enough. Each refused epoch goes to the set-aside table with one
reason: the first test that it fails, in this order: `no-fix`, `no-position`, `fix-KIND`, `old-corrections`,
`high-pdop`, `high-hdop`, `few-satellites`, `large-sigma`, `large-tilt`, `fast-turn`, `other-base`, `settling`,
`position-jump`, `where`. An epoch that lacks a value which a limit needs is refused as `missing-WHAT` in the place of
that limit, unless `missing: keep`.

`where` is a condition in SQL that looks at the columns of one row. It may use:
- columns by their names (in double quotes where a name is also a word of SQL), numbers, texts in single quotes, TRUE,
  FALSE, NULL;
- `=` `<>` `<` `<=` `>` `>=`, AND, OR, XOR, NOT, BETWEEN, IN with a list of constants, IS NULL, IS TRUE, IS FALSE,
  IS DISTINCT FROM, all with NOT; LIKE, and ILIKE for letters of any case (`%` is any text, `_` one character);
- `+` `-` `*` `/` `//` `%` and `||`, which joins texts. `/` keeps the fraction, `//` rounds down, the result of `%` has
  the sign of the divisor; `&` and `|` bit by bit;
- CASE, IF, COALESCE, IFNULL, NULLIF, GREATEST, LEAST; CAST, and TRY_CAST for NULL where a value cannot be converted, to
  BOOLEAN, SMALLINT, INTEGER, BIGINT, DOUBLE, TEXT, DATE, TIME or TIMESTAMP;
- ABS, SIGN, ROUND (a half to the even neighbour), TRUNC, FLOOR, CEIL, MOD, DIV, SQRT, CBRT, POW, EXP, LN, LOG (number,
  base), LOG2, LOG10, LOG1P, PI; SIN, COS, TAN, COT, ASIN, ACOS, ATAN, ATAN2 in radians, the same with D at the end
  (SIND) in degrees, DEGREES, RADIANS; BIT_AND, BIT_OR, BIT_XOR, BIT_NOT;
- UPPER, LOWER, TRIM, LTRIM, RTRIM, LPAD, RPAD, LEFT, RIGHT, SUBSTR, REPLACE, REVERSE, CONCAT, CONCAT_WS, LENGTH,
  OCTET_LENGTH, BIT_LENGTH, STRPOS, STARTS_WITH, ENDS_WITH;
- instants, all in UTC: compared with a text such as '2026-05-04T14:00:00Z' or '2026-05-04', cast to DATE or TIME
  (`CAST(time AS TIME) >= '06:30'`), taken from each other (`time - other > INTERVAL '90 seconds'`), and EXTRACT or
  DATE_PART of a part from MILLENNIUM to NANOSECOND, WEEK, DOY, DOW or EPOCH.

A missing value makes an answer unknown as SQL has it, and so do a whole number beyond 64 bits and `//` or `%` of whole
numbers by 0. IS TRUE and IS FALSE of an unknown answer are unknown. Whatever looks at other rows is refused when the
job is planned, and so is whatever is not understood.

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
