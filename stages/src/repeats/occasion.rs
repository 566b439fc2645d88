//! One occupation of a mark, as `average` made it, and what tells two of them apart.

use crate::budget::{self, Budget, Contributor, Parts};
use crate::occupation::{BASES, local};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Holds, Role, Schema};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use survey_mathematics::angle::turn;

/// Length of a sidereal day, s: after it the satellites of GPS stand where they stood. IAU: the mean
/// sidereal day has 86164.0905 s. Other constellations repeat after other times (common practice to use
/// the one of GPS).
const SIDEREAL_DAY_S: f64 = 86_164.090_5;

/// Evidence that two occupations do not share an error.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Evidence {
    /// At least `min_gap_s` between the end of one and the start of the other.
    TimeGap,
    /// The fix was lost and regained between them, or they are of two sessions `min_gap_s` or more apart.
    NewFix,
    /// Another base station.
    OtherBase,
    /// Other satellites: the gap differs from whole sidereal days by `min_gap_s` or more.
    OtherSky,
    /// The pole was turned by at least `turned_deg`.
    PoleTurned,
}

impl Evidence {
    /// All kinds, in the order of the reports.
    pub(crate) const ALL: [Self; 5] = [Self::TimeGap, Self::NewFix, Self::OtherBase, Self::OtherSky, Self::PoleTurned];

    /// In words: when it is there, when it is not, and when the data do not tell.
    #[must_use]
    pub(crate) const fn words(self, seen: Option<bool>) -> &'static str {
        match (self, seen) {
            (Self::TimeGap, Some(true)) => "long gap",
            (Self::TimeGap, _) => "short gap",
            (Self::NewFix, Some(true)) => "fix regained between",
            (Self::NewFix, Some(false)) => "no loss of the fix seen between",
            (Self::NewFix, None) => "not known whether the fix was lost between",
            (Self::OtherBase, Some(true)) => "other base",
            (Self::OtherBase, Some(false)) => "same base",
            (Self::OtherBase, None) => "base not known",
            (Self::OtherSky, Some(true)) => "other satellites",
            (Self::OtherSky, _) => "same satellites",
            (Self::PoleTurned, Some(true)) => "pole turned",
            (Self::PoleTurned, Some(false)) => "pole not turned",
            (Self::PoleTurned, None) => "turn of the pole not known",
        }
    }
}

/// What two occupations share of their bases.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Bases {
    /// One and the same.
    Same,
    /// None of the one is among those of the other.
    Other,
    /// Some of several.
    Mixed,
    /// Not known.
    Unknown,
}

/// One occupation.
#[derive(Clone, Debug, Default)]
pub(crate) struct Occasion {
    /// Its row.
    pub row: usize,
    /// Name that the crew gave.
    pub point: String,
    /// Mark that the notes name.
    pub mark: Option<String>,
    /// Session.
    pub session: String,
    /// Occupation, unique in the session.
    pub occupation: String,
    /// Feature code.
    pub code: Option<String>,
    /// Crew.
    pub crew: Option<String>,
    /// Receiver.
    pub receiver: Option<String>,
    /// First and last epoch, ns.
    pub time: (i64, i64),
    /// Latitude and longitude in degrees, ellipsoidal height in metres.
    pub position: [f64; 3],
    /// Base stations that it used; empty when not known.
    pub bases: Vec<String>,
    /// First and last run of fixed solutions in the session.
    pub fix_runs: Option<(i64, i64)>,
    /// Mean heading of the pole, deg; NaN when not known.
    pub heading: f64,
    /// Variances by contributor.
    pub budget: Budget,
}

impl Occasion {
    /// Middle of the occupation, ns.
    #[must_use]
    pub(crate) const fn middle(&self) -> i64 {
        self.time.0 + (self.time.1 - self.time.0) / 2
    }

    /// East, north, up of `other` seen from here, m.
    #[must_use]
    pub(crate) fn to(&self, other: &Self) -> [f64; 3] {
        local::at(self.position[0], self.position[1], self.position[2]).enu(other.position[0], other.position[1], other.position[2])
    }

    /// Time between the two, s; 0 where they overlap.
    #[must_use]
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn gap_s(&self, other: &Self) -> f64 {
        let (a, b) = if self.time.0 <= other.time.0 { (self, other) } else { (other, self) };
        b.time.0.saturating_sub(a.time.1).max(0) as f64 / 1e9
    }

    /// Angle between the two headings, 0 to 180 deg; `None` when one is not known.
    #[must_use]
    pub(crate) fn turned_deg(&self, other: &Self) -> Option<f64> {
        let d = turn(self.heading, other.heading).abs();
        d.is_finite().then_some(d)
    }

    /// What the two share of their bases.
    #[must_use]
    pub(crate) fn bases(&self, other: &Self) -> Bases {
        let common = self.bases.iter().filter(|b| other.bases.contains(b)).count();
        match (self.bases.len(), other.bases.len(), common) {
            (0, ..) | (_, 0, _) => Bases::Unknown,
            (_, _, 0) => Bases::Other,
            (1, 1, _) => Bases::Same,
            _ => Bases::Mixed,
        }
    }

    /// Whether a kind of evidence is there that the two do not share an error; `None` when the data do not tell.
    #[must_use]
    pub(crate) fn seen(&self, other: &Self, evidence: Evidence, min_gap_s: f64, turned_deg: f64) -> Option<bool> {
        let gap = self.gap_s(other);
        match evidence {
            Evidence::TimeGap => Some(gap >= min_gap_s),
            Evidence::NewFix if self.session == other.session => {
                let (a, b) = if self.time.0 <= other.time.0 { (self, other) } else { (other, self) };
                a.fix_runs.zip(b.fix_runs).map(|((_, last), (first, _))| first > last)
            }
            // A receiver may go on from one file to the next.
            Evidence::NewFix => (gap >= min_gap_s).then_some(true),
            Evidence::OtherBase => match self.bases(other) {
                Bases::Unknown => None,
                bases => Some(bases == Bases::Other),
            },
            Evidence::OtherSky => {
                let sky = gap.rem_euclid(SIDEREAL_DAY_S);
                Some(sky.min(SIDEREAL_DAY_S - sky) >= min_gap_s)
            }
            Evidence::PoleTurned => self.turned_deg(other).map(|d| d >= turned_deg),
        }
    }

    /// Name for messages.
    #[must_use]
    pub(crate) fn title(&self) -> String {
        let name = if self.session.is_empty() { self.occupation.clone() } else { format!("{}/{}", self.session, self.occupation) };
        format!("`{name}`")
    }
}

/// Instant (ns) after which a second occupation is useful: `min_gap_s` after the end of the first.
#[must_use]
#[allow(clippy::cast_possible_truncation)]
pub(crate) fn useful_after(last: i64, min_gap_s: f64) -> i64 {
    last.saturating_add((min_gap_s * 1e9).round() as i64)
}

/// What a table needs for its rows to be compared.
///
/// # Errors
/// Every column that is missing, and coordinates that are grid coordinates or heights already.
pub(crate) fn check(schema: &Schema) -> Result<(), Vec<Problem>> {
    let mut problems = vec![];
    for role in [Role::Point, Role::Occupation, Role::Time, Role::Latitude, Role::Longitude, Role::EllipsoidalHeight] {
        if schema.role(role).is_none() {
            problems.push(
                Problem::new("plan/missing-role", format!("`compare-occupations` needs {}, and no column holds it", role.meaning()))
                    .fix("put it right after `average`"),
            );
        }
    }
    if !budget::has(schema, Contributor::GnssNoise) {
        problems.push(
            Problem::new("plan/missing-role", "`compare-occupations` needs the error budget of each point, and no column holds it")
                .fix("put it after `average`, which makes the columns `budget_…`"),
        );
    }
    if [Role::Easting, Role::Northing, Role::Height].iter().any(|r| schema.role(*r).is_some()) {
        problems.push(
            Problem::new("plan/frame-mismatch", "`compare-occupations` gets grid coordinates or heights above a datum")
                .why("occupations of one mark become one position, and what was computed from the old ones would stay behind; geoid and change of frame are the same for all of them and say nothing about a repeat")
                .fix("put it between `average` and `height-convert`"),
        );
    }
    if problems.is_empty() { Ok(()) } else { Err(problems) }
}

/// The rows of a table as occasions, in the order of the table.
///
/// # Errors
/// When a column does not hold what its name says.
pub(crate) fn read(table: &Table) -> Result<Vec<Occasion>, Problem> {
    let schema = &table.schema;
    let role = |r: Role| schema.role(r).map(|c| c.name.as_str());
    let named = |n: &'static str, holds: Holds| schema.named(n).filter(|c| c.holds == holds).map(|_| n);
    let texts = |name: Option<&str>| -> Result<Vec<Option<String>>, Problem> {
        let Some(name) = name else { return Ok(vec![None; table.rows()]) };
        Ok(table.texts(name)?.into_iter().map(|t| t.map(str::to_owned)).collect())
    };
    let floats =
        |name: Option<&str>| name.map_or_else(|| Ok(vec![f64::NAN; table.rows()]), |n| table.floats(n).map(std::borrow::Cow::into_owned));
    let ints = |name: Option<&str>| name.map_or_else(|| Ok(vec![None; table.rows()]), |n| table.ints(n));
    let instants = |name: Option<&str>| name.map_or_else(|| Ok(vec![None; table.rows()]), |n| table.instants(n));
    let (point, session, occupation) = (texts(role(Role::Point))?, texts(role(Role::Session))?, texts(role(Role::Occupation))?);
    let (mark, code) = (texts(named("mark", Holds::Text))?, texts(role(Role::Code))?);
    let (crew, receiver) = (texts(named("crew", Holds::Text))?, texts(named("receiver", Holds::Text))?);
    let base = texts(role(Role::BaseStation))?;
    let time = instants(role(Role::Time))?;
    let (first, last) = (instants(named("time_first", Holds::Instant))?, instants(named("time_last", Holds::Instant))?);
    let runs = (ints(named("fix_run_first", Holds::Int))?, ints(named("fix_run_last", Holds::Int))?);
    let heading = floats(role(Role::Heading))?;
    let position = [floats(role(Role::Latitude))?, floats(role(Role::Longitude))?, floats(role(Role::EllipsoidalHeight))?];
    let parts = Parts::read(table)?;
    let text = |list: &[Option<String>], row: usize| list[row].clone().unwrap_or_default();
    Ok((0..table.rows())
        .map(|row| {
            let middle = time[row].unwrap_or_default();
            Occasion {
                row,
                point: text(&point, row),
                mark: mark[row].clone(),
                session: text(&session, row),
                occupation: text(&occupation, row),
                code: code[row].clone(),
                crew: crew[row].clone(),
                receiver: receiver[row].clone(),
                time: (first[row].unwrap_or(middle), last[row].unwrap_or(middle)),
                position: [position[0][row], position[1][row], position[2][row]],
                bases: base[row].as_deref().map_or_else(Vec::new, |b| b.split(BASES).map(str::to_owned).collect()),
                fix_runs: runs.0[row].zip(runs.1[row]),
                heading: heading[row],
                budget: parts.row(row),
            }
        })
        .collect())
}
