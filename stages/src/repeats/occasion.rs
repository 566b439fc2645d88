//! One occupation of a mark, as `average` made it, and what tells two of them apart.

use crate::budget::{self, Budget, Contributor, Parts};
use crate::occupation::local;
use pipeline_core::stage::Problem;
use pipeline_core::table::Table;
use pipeline_core::table::schema::{Holds, Role, Schema};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Length of a sidereal day, s: after it the satellites of GPS stand where they stood. IAU: the mean
/// sidereal day has 86164.0905 s. Other constellations repeat after other times (common practice to use
/// the one of GPS).
const SIDEREAL_DAY_S: f64 = 86_164.090_5;

/// Evidence that two occupations do not share an error.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Evidence {
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
    pub const ALL: [Self; 5] = [Self::TimeGap, Self::NewFix, Self::OtherBase, Self::OtherSky, Self::PoleTurned];

    /// In words, when it is there and when it is not.
    #[must_use]
    pub const fn words(self, there: bool) -> &'static str {
        match (self, there) {
            (Self::TimeGap, true) => "long gap",
            (Self::TimeGap, false) => "short gap",
            (Self::NewFix, true) => "fix regained between",
            (Self::NewFix, false) => "same fix",
            (Self::OtherBase, true) => "other base",
            (Self::OtherBase, false) => "same base",
            (Self::OtherSky, true) => "other satellites",
            (Self::OtherSky, false) => "same satellites",
            (Self::PoleTurned, true) => "pole turned",
            (Self::PoleTurned, false) => "pole not turned",
        }
    }
}

/// One occupation.
#[derive(Clone, Debug, Default)]
pub struct Occasion {
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
    /// Base stations, as `average` lists them.
    pub base: Option<String>,
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
    pub const fn middle(&self) -> i64 {
        self.time.0 + (self.time.1 - self.time.0) / 2
    }

    /// East, north, up of `other` seen from here, m.
    #[must_use]
    pub fn to(&self, other: &Self) -> [f64; 3] {
        local::at(self.position[0], self.position[1], self.position[2]).enu(other.position[0], other.position[1], other.position[2])
    }

    /// Time between the two, s; 0 where they overlap.
    #[must_use]
    #[allow(clippy::cast_precision_loss)]
    pub fn gap_s(&self, other: &Self) -> f64 {
        let (a, b) = if self.time.0 <= other.time.0 { (self, other) } else { (other, self) };
        b.time.0.saturating_sub(a.time.1).max(0) as f64 / 1e9
    }

    /// Angle between the two headings, 0 to 180 deg; `None` when one is not known.
    #[must_use]
    pub fn turned_deg(&self, other: &Self) -> Option<f64> {
        let d = (self.heading - other.heading).rem_euclid(360.0);
        d.is_finite().then(|| d.min(360.0 - d))
    }

    /// Evidence that the two do not share an error.
    #[must_use]
    pub fn evidence(&self, other: &Self, min_gap_s: f64, turned_deg: f64) -> Vec<Evidence> {
        let gap = self.gap_s(other);
        let sky = gap.rem_euclid(SIDEREAL_DAY_S);
        let new_fix = if self.session == other.session {
            let (a, b) = if self.time.0 <= other.time.0 { (self, other) } else { (other, self) };
            matches!((a.fix_runs, b.fix_runs), (Some((_, last)), Some((first, _))) if first > last)
        } else {
            gap >= min_gap_s
        };
        Evidence::ALL
            .into_iter()
            .filter(|e| match e {
                Evidence::TimeGap => gap >= min_gap_s,
                Evidence::NewFix => new_fix,
                Evidence::OtherBase => matches!((&self.base, &other.base), (Some(a), Some(b)) if a != b),
                Evidence::OtherSky => sky.min(SIDEREAL_DAY_S - sky) >= min_gap_s,
                Evidence::PoleTurned => self.turned_deg(other).is_some_and(|d| d >= turned_deg),
            })
            .collect()
    }

    /// Name for messages.
    #[must_use]
    pub fn title(&self) -> String {
        let name = if self.session.is_empty() { self.occupation.clone() } else { format!("{}/{}", self.session, self.occupation) };
        format!("`{name}`")
    }
}

/// Instant (ns) after which a second occupation is useful: `min_gap_s` after the end of the first.
#[must_use]
#[allow(clippy::cast_possible_truncation)]
pub fn useful_after(last: i64, min_gap_s: f64) -> i64 {
    last.saturating_add((min_gap_s * 1e9).round() as i64)
}

/// What a table needs for its rows to be compared.
///
/// # Errors
/// Every column that is missing, and coordinates that are grid coordinates or heights already.
pub fn check(schema: &Schema) -> Result<(), Vec<Problem>> {
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
pub fn read(table: &Table) -> Result<Vec<Occasion>, Problem> {
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
                base: base[row].clone(),
                fix_runs: runs.0[row].zip(runs.1[row]),
                heading: heading[row],
                budget: parts.row(row),
            }
        })
        .collect())
}
