//! The columns that `tilt-correct` reads and writes.

use super::{AimOption, TiltCorrect};
use crate::budget::{self, Contributor};
use crate::rig::target::{CONTRIBUTORS, Covariance, Target};
use pipeline_base::problem::Problem;
use pipeline_base::rig::Gnss;
use pipeline_base::table::schema::{Column, Holds, Role, Unit};
use pipeline_base::table::{Table, TableBuilder};
use std::borrow::Cow;

/// Names of the columns, found by role.
pub(crate) struct Names {
    pub time: String,
    pub latitude: String,
    pub longitude: String,
    pub height: String,
    pub heading: Option<String>,
    pub pitch: Option<String>,
    pub roll: Option<String>,
    pub range: Option<String>,
    pub turn_rate: Option<String>,
    pub speed: Option<String>,
    pub heading_sigma: Option<String>,
    pub sigma_east: Option<String>,
    pub sigma_north: Option<String>,
    pub sigma_up: Option<String>,
    pub correlation: Option<String>,
    pub assumed: Option<String>,
    pub aim: Option<String>,
}

/// Covariance columns, in the order of [`Covariance`].
const PARTS: [&str; 6] = ["ee", "en", "eu", "nn", "nu", "uu"];
/// Parts of the GNSS covariance that can differ from zero.
const GNSS_PARTS: [&str; 4] = ["ee", "en", "nn", "uu"];

pub(crate) const fn parts(c: &Covariance) -> [f64; 6] {
    [c.ee, c.en, c.eu, c.nn, c.nu, c.uu]
}

pub(crate) fn added_columns(by: &[Contributor]) -> Vec<Column> {
    let mut columns = vec![
        Column::maybe("tilt_deg", Holds::Float, Unit::Degree, Role::Other),
        Column::always("arm_m", Holds::Float, Unit::Metre, Role::Other),
    ];
    for (kind, parts) in [("random", &PARTS[..]), ("systematic", &PARTS[..]), ("gnss", &GNSS_PARTS[..])] {
        for part in parts {
            columns.push(Column::always(&format!("{kind}_{part}"), Holds::Float, Unit::SquareMetre, Role::Other));
        }
    }
    columns.extend(by.iter().copied().flat_map(budget::columns_of));
    columns
}

/// The columns of one partition.
pub(crate) struct Columns<'a> {
    pub latitude: Cow<'a, [f64]>,
    pub longitude: Cow<'a, [f64]>,
    pub height: Cow<'a, [f64]>,
    /// Heading, pitch, roll, range, turn rate, speed, sigma of the heading; empty when the input has no such column.
    pub sensors: [Cow<'a, [f64]>; 7],
    /// Sigma east, north, up, correlation; empty when the input has no such column.
    pub gnss: [Cow<'a, [f64]>; 4],
    /// Only where a model of the magnetic field asks for the day; empty otherwise.
    pub time: Vec<Option<i64>>,
    pub assumed: Vec<bool>,
    pub aim: Vec<Option<&'a str>>,
}

pub(crate) fn value(column: &[f64], row: usize) -> f64 {
    column.get(row).copied().unwrap_or(f64::NAN)
}

/// One epoch, done.
pub(crate) struct Done {
    pub place: (f64, f64, f64),
    pub target: Target,
    pub gnss: Covariance,
    pub assumed: bool,
}

impl<'a> Columns<'a> {
    /// The columns of a partition.
    ///
    /// # Errors
    /// When one is not as promised.
    pub(crate) fn of(n: &Names, aim: AimOption, input: &'a Table) -> Result<Self, Problem> {
        let optional = |name: &Option<String>| match name {
            Some(name) => input.floats(name),
            None => Ok(Cow::Borrowed(&[][..])),
        };
        Ok(Self {
            latitude: input.floats(&n.latitude)?,
            longitude: input.floats(&n.longitude)?,
            height: input.floats(&n.height)?,
            sensors: [
                optional(&n.heading)?,
                optional(&n.pitch)?,
                optional(&n.roll)?,
                optional(&n.range)?,
                optional(&n.turn_rate)?,
                optional(&n.speed)?,
                optional(&n.heading_sigma)?,
            ],
            gnss: [optional(&n.sigma_east)?, optional(&n.sigma_north)?, optional(&n.sigma_up)?, optional(&n.correlation)?],
            time: vec![],
            assumed: match &n.assumed {
                Some(name) => input.bools(name)?.into_iter().map(|v| v.unwrap_or(true)).collect(),
                None => vec![],
            },
            aim: match (&n.aim, aim) {
                (Some(name), AimOption::Column) => input.texts(name)?,
                _ => vec![],
            },
        })
    }

    /// GNSS covariance of a row, and whether it is the rig's assumption.
    pub(crate) fn gnss_of(&self, rig: &Gnss, row: usize) -> (Covariance, bool) {
        let [east, north, up, correlation] = [0, 1, 2, 3].map(|i| value(&self.gnss[i], row));
        let said = self.assumed.get(row).copied().unwrap_or(false);
        if east.is_finite() && north.is_finite() && up.is_finite() {
            let correlation = if correlation.is_finite() { correlation.clamp(-1.0, 1.0) } else { 0.0 };
            return (Covariance::gnss(east, north, up, correlation), said);
        }
        let horizontal = rig.assumed_sigma_horizontal_m;
        (Covariance::gnss(horizontal, horizontal, rig.assumed_sigma_up_m, 0.0), true)
    }
}

/// The output columns, as they grow.
pub(crate) struct Out {
    pub latitude: Vec<f64>,
    pub longitude: Vec<f64>,
    pub height: Vec<f64>,
    pub tilt: Vec<f64>,
    pub arm: Vec<f64>,
    random: [Vec<f64>; 6],
    systematic: [Vec<f64>; 6],
    gnss: [Vec<f64>; 4],
    /// Of each contributor that the rig has: its place in [`CONTRIBUTORS`], its columns.
    by: Vec<(usize, [Vec<f64>; 4])>,
    pub assumed: Vec<bool>,
}

impl Out {
    pub(crate) fn new(rows: usize, by: &[Contributor]) -> Self {
        let column = || Vec::with_capacity(rows);
        let present = (0..CONTRIBUTORS.len()).filter(|k| by.contains(&CONTRIBUTORS[*k]));
        Self {
            latitude: column(),
            longitude: column(),
            height: column(),
            tilt: column(),
            arm: column(),
            random: std::array::from_fn(|_| column()),
            systematic: std::array::from_fn(|_| column()),
            gnss: std::array::from_fn(|_| column()),
            by: present.map(|k| (k, std::array::from_fn(|_| column()))).collect(),
            assumed: Vec::with_capacity(rows),
        }
    }

    pub(crate) fn push(&mut self, done: &Done) {
        self.latitude.push(done.place.0);
        self.longitude.push(done.place.1);
        self.height.push(done.place.2);
        self.tilt.push(done.target.tilt_deg);
        self.arm.push(done.target.arm_m);
        for (column, v) in self.random.iter_mut().zip(parts(&done.target.random.plus(&done.gnss))) {
            column.push(v);
        }
        for (column, v) in self.systematic.iter_mut().zip(parts(&done.target.systematic)) {
            column.push(v);
        }
        for (column, v) in self.gnss.iter_mut().zip([done.gnss.ee, done.gnss.en, done.gnss.nn, done.gnss.uu]) {
            column.push(v);
        }
        let parts = done.target.by.parts();
        for (k, columns) in &mut self.by {
            for (column, v) in columns.iter_mut().zip(parts[*k].elements()) {
                column.push(v);
            }
        }
        self.assumed.push(done.assumed);
    }

    pub(crate) fn table(self, stage: &TiltCorrect, kept: &Table) -> Result<Table, Problem> {
        let mut builder = TableBuilder::from_table(stage.schema.clone(), kept);
        builder.floats(&stage.names.latitude, self.latitude);
        builder.floats(&stage.names.longitude, self.longitude);
        builder.floats(&stage.names.height, self.height);
        builder.floats("tilt_deg", self.tilt);
        builder.floats("arm_m", self.arm);
        for (kind, columns) in [("random", self.random), ("systematic", self.systematic)] {
            for (part, column) in PARTS.iter().zip(columns) {
                builder.floats(&format!("{kind}_{part}"), column);
            }
        }
        for (part, column) in GNSS_PARTS.iter().zip(self.gnss) {
            builder.floats(&format!("gnss_{part}"), column);
        }
        for (place, columns) in self.by {
            for (k, column) in columns.into_iter().enumerate() {
                builder.floats(&CONTRIBUTORS[place].column(k), column);
            }
        }
        if let Some(name) = &stage.names.assumed {
            builder.bools(name, &self.assumed);
        }
        builder.finish()
    }
}
