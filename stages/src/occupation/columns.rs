//! The columns of an epoch table that an average reads, and the covariances of one epoch.

use super::schema::{FOUR, Names, SIX};
use crate::budget::Parts;
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use std::borrow::Cow;
use std::cmp::Ordering;
use survey_mathematics::covariance::{Matrix, ZERO, add, subtract, symmetric, trace};

/// Texts of a column.
type Texts<'a> = Vec<Option<&'a str>>;
/// Whole numbers of a column.
type Ints = Vec<Option<i64>>;

/// Largest height that is a position on the Earth, m.
const HIGHEST_M: f64 = 1e6;
/// Largest variance that says anything about a position on the Earth, m2.
const LARGEST_VARIANCE: f64 = 1e14;

/// The columns of a table that an average needs.
pub(super) struct Columns<'a> {
    pub occupation: Texts<'a>,
    pub point: Texts<'a>,
    pub time: Vec<i64>,
    pub epoch: Option<Ints>,
    pub position: [Cow<'a, [f64]>; 3],
    pub session: Option<Texts<'a>>,
    pub file: Option<Texts<'a>>,
    pub lines: Option<(Ints, Ints)>,
    pub code: Option<Texts<'a>>,
    pub remark: Option<Texts<'a>>,
    pub diameter: Option<Cow<'a, [f64]>>,
    pub surface: Option<Texts<'a>>,
    pub aim: Option<Texts<'a>>,
    pub fix: Option<Texts<'a>>,
    pub base: Option<Texts<'a>>,
    pub pdop: Option<Cow<'a, [f64]>>,
    pub separation: Option<Cow<'a, [f64]>>,
    pub range: Option<Cow<'a, [f64]>>,
    pub tilt: Option<Cow<'a, [f64]>>,
    pub assumed: Option<Vec<Option<bool>>>,
    pub mark: Option<Texts<'a>>,
    pub crew: Option<Texts<'a>>,
    pub receiver: Option<Texts<'a>>,
    pub fix_run: Option<Ints>,
    pub heading: Option<Cow<'a, [f64]>>,
    /// What each contributor adds to the covariance of an epoch, from `tilt-correct`.
    pub parts: Parts<'a>,
    noise: Noise<'a>,
}

/// Where the covariances of an epoch come from.
enum Noise<'a> {
    /// Six random and six systematic elements of `tilt-correct`, and four of the GNSS part.
    Target { random: Vec<Cow<'a, [f64]>>, systematic: Vec<Cow<'a, [f64]>>, gnss: Option<Vec<Cow<'a, [f64]>>> },
    /// East, north, up sigmas and their correlation.
    Receiver { sigma: [Cow<'a, [f64]>; 3], correlation: Option<Cow<'a, [f64]>> },
}

impl<'a> Columns<'a> {
    /// Reads the columns.
    ///
    /// # Errors
    /// When a column that was found at planning is not there.
    pub(super) fn read(table: &'a Table, n: &Names) -> Result<Self, Problem> {
        let text = |name: &Option<String>| name.as_ref().map(|c| table.texts(c)).transpose();
        let floats = |name: &Option<String>| name.as_ref().map(|c| table.floats(c)).transpose();
        let many = |prefix: &str, elements: &[&str]| {
            elements.iter().map(|e| table.floats(&format!("{prefix}_{e}"))).collect::<Result<Vec<_>, _>>()
        };
        let noise = match &n.sigma {
            _ if n.covariances => Noise::Target {
                random: many("random", &SIX)?,
                systematic: many("systematic", &SIX)?,
                gnss: if n.gnss_part { Some(many("gnss", &FOUR)?) } else { None },
            },
            Some(([e, north, u], correlation)) => {
                Noise::Receiver { sigma: [table.floats(e)?, table.floats(north)?, table.floats(u)?], correlation: floats(correlation)? }
            }
            None => return Err(Problem::broken("`average` was planned without an uncertainty")),
        };
        Ok(Self {
            occupation: table.texts(&n.occupation)?,
            point: table.texts(&n.point)?,
            time: table.instants(&n.time)?.into_iter().map(|t| t.unwrap_or(i64::MIN)).collect(),
            epoch: n.epoch.as_ref().map(|c| table.ints(c)).transpose()?,
            position: [table.floats(&n.position[0])?, table.floats(&n.position[1])?, table.floats(&n.position[2])?],
            session: text(&n.session)?,
            file: text(&n.file)?,
            lines: n.lines.as_ref().map(|(a, b)| Ok::<_, Problem>((table.ints(a)?, table.ints(b)?))).transpose()?,
            code: text(&n.code)?,
            remark: text(&n.remark)?,
            diameter: floats(&n.diameter)?,
            surface: text(&n.surface)?,
            aim: text(&n.aim)?,
            fix: text(&n.fix)?,
            base: text(&n.base)?,
            pdop: floats(&n.pdop)?,
            separation: floats(&n.separation)?,
            range: floats(&n.range)?,
            tilt: floats(&n.tilt)?,
            assumed: n.assumed.as_ref().map(|c| table.bools(c)).transpose()?,
            mark: text(&n.mark)?,
            crew: text(&n.crew)?,
            receiver: text(&n.receiver)?,
            fix_run: n.fix_run.as_ref().map(|c| table.ints(c)).transpose()?,
            heading: floats(&n.heading)?,
            parts: Parts::read(table)?,
            noise,
        })
    }

    /// Order of two rows: time, epoch number, raw line, position.
    pub(super) fn order(&self, a: usize, b: usize) -> Ordering {
        let epoch = |r: usize| self.epoch.as_ref().and_then(|e| e[r]);
        let line = |r: usize| self.lines.as_ref().and_then(|l| l.0[r]);
        (self.time[a], epoch(a), line(a)).cmp(&(self.time[b], epoch(b), line(b))).then_with(|| {
            (0..3).map(|k| self.position[k][a].total_cmp(&self.position[k][b])).find(|o| o.is_ne()).unwrap_or(Ordering::Equal)
        })
    }

    /// Whether the row has a position on the Earth.
    pub(super) fn has_position(&self, r: usize) -> bool {
        // A comparison with NaN is false, so a missing value fails too.
        self.position[0][r].abs() <= 90.0 && self.position[1][r].abs() <= 360.0 && self.position[2][r].abs() <= HIGHEST_M
    }

    /// Random GNSS, other random and systematic covariance of a row; `None` when any is missing.
    pub(super) fn covariances(&self, r: usize) -> Option<(Matrix, Matrix, Matrix)> {
        let six = |c: &[Cow<[f64]>]| symmetric(c[0][r], c[1][r], c[2][r], c[3][r], c[4][r], c[5][r]);
        let (gnss, rest, systematic) = match &self.noise {
            Noise::Target { random, systematic, gnss } => {
                let all = six(random);
                let gnss = gnss.as_ref().map_or(ZERO, |g| symmetric(g[0][r], g[1][r], 0.0, g[2][r], 0.0, g[3][r]));
                let mut rest = subtract(&all, &gnss);
                for (k, row) in rest.iter_mut().enumerate() {
                    // The difference of two equal numbers may come out a hair below zero.
                    if row[k] < 0.0 {
                        row[k] = 0.0;
                    }
                }
                if trace(&gnss) == 0.0 && trace(&rest) > 0.0 { (rest, ZERO, six(systematic)) } else { (gnss, rest, six(systematic)) }
            }
            Noise::Receiver { sigma, correlation } => {
                let [e, n, u] = [sigma[0][r], sigma[1][r], sigma[2][r]];
                let rho = correlation.as_ref().map_or(0.0, |c| c[r]);
                let rho = if rho.is_nan() { 0.0 } else { rho.clamp(-0.999, 0.999) };
                (symmetric(e * e, rho * e * n, 0.0, n * n, 0.0, u * u), ZERO, ZERO)
            }
        };
        let good = |m: &Matrix| m.iter().flatten().all(|v| v.is_finite()) && (0..3).all(|k| m[k][k] >= 0.0);
        let random = add(&gnss, &rest);
        (good(&gnss) && good(&rest) && good(&systematic) && trace(&random) > 0.0 && trace(&add(&random, &systematic)) < LARGEST_VARIANCE)
            .then_some((gnss, rest, systematic))
    }
}
