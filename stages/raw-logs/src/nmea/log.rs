//! What was read of one session: the epochs, what became of the lines, and what was noticed.

use super::sentence::WrittenPosition;
use super::tally::Tally;
use crate::columns::{EpochColumns, Fix};
use std::collections::BTreeMap;

/// A place in the files of the session.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct At {
    /// Index of the file.
    pub file: u32,
    /// Line, counted from 1.
    pub line: u64,
}

/// A step of the clock between two epochs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// First line of the later epoch.
    pub at: At,
    /// Before, nanoseconds since the first midnight.
    pub before: i64,
    /// After.
    pub after: i64,
}

/// Dates that the log gives, joined while they agree.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DateRun {
    /// 2: with a valid position; 1: with none beside it; 0: the receiver calls itself void.
    pub strength: u8,
    /// Date of day 0 of the session, days since 1970.
    pub base: i64,
    /// Rows that were there when this run began and was last seen.
    pub first_row: usize,
    /// Rows that were there when this run was last seen.
    pub last_row: usize,
    /// Where it began.
    pub at: At,
    /// Day of the session where it began.
    pub day: i64,
}

/// A transducer, or another sensor sentence, as it occurs.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// Sentence.
    pub sentence: &'static str,
    /// Name of the transducer; empty for HDT, HDM, ROT.
    pub name: String,
    /// Type letter.
    pub kind: String,
    /// Unit letter.
    pub unit: String,
    /// Values.
    pub count: u64,
    /// First value.
    pub first: f64,
    /// Smallest.
    pub min: f64,
    /// Largest.
    pub max: f64,
}

/// The first few of many, and how many.
#[derive(Clone, Debug)]
pub struct Few<T> {
    /// All.
    pub count: u64,
    /// The first ones.
    pub first: Vec<T>,
}

impl<T> Default for Few<T> {
    fn default() -> Self {
        Self { count: 0, first: vec![] }
    }
}

impl<T> Few<T> {
    /// Adds one.
    pub fn add(&mut self, one: T) {
        self.count += 1;
        if self.first.len() < 5 {
            self.first.push(one);
        }
    }
}

/// How a step of positions was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lattice {
    /// From the digits that are written.
    Decimals,
    /// From the differences between consecutive positions.
    Differences,
}

/// Decimals of minutes of positions.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Decimals {
    /// Positions by decimals as written; 20 and more together.
    pub written: [u64; 21],
    /// Most decimals without trailing zeros.
    pub effective: u8,
}

impl Decimals {
    /// Adds a position.
    #[inline]
    pub fn add(&mut self, place: WrittenPosition) {
        self.written[usize::from(place.decimals).min(20)] += 1;
        self.effective = self.effective.max(place.effective);
    }

    /// Positions.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.written.iter().sum()
    }

    /// Fewest and most decimals as written.
    #[must_use]
    pub fn range(&self) -> Option<(usize, usize)> {
        let fewest = self.written.iter().position(|n| *n > 0)?;
        Some((fewest, self.written.iter().rposition(|n| *n > 0)?))
    }
}

/// Numbers that were noticed while reading.
#[derive(Clone, Debug, Default)]
pub struct Noticed {
    /// GGA lines, all of them.
    pub gga: u64,
    /// GGA lines by quality 0 to 9, another code, blank.
    pub quality: [u64; 12],
    /// First GGA with altitude and separation: place, both in metres.
    pub first_height: Option<(At, f64, f64)>,
    /// GGA or GNS with an altitude, and those that have a separation too, and one that is not zero.
    pub altitudes: u64,
    /// See `altitudes`.
    pub separations: u64,
    /// See `altitudes`.
    pub separations_not_zero: u64,
    /// Smallest and largest separation, metres.
    pub separation_range: Option<(f64, f64)>,
    /// First lines of GGA.
    pub first_gga: Vec<At>,
    /// Decimals of minutes of GGA and GNS.
    pub decimals: Decimals,
    /// Decimals of minutes of RMC and GLL where they stand alone.
    pub minimum_decimals: Decimals,
    /// Most decimals of altitude without trailing zeros.
    pub altitude_effective: u8,
    /// Rows whose position came from RMC or GLL.
    pub minimum_rows: Vec<usize>,
    /// Rows whose fix GGA and GNS tell differently.
    pub disagree: Few<At>,
    /// Rows with a position that RMC calls void.
    pub void: Few<At>,
    /// Rows with GST, with all three sigmas, and with an ellipse that does not fit them.
    pub gst: u64,
    /// See `gst`.
    pub ellipse_misfit: u64,
    /// Base stations, rows for each index.
    pub base_rows: Vec<u64>,
    /// Changes of the base: place, from, to.
    pub base_changes: Few<(At, u32, u32)>,
    /// Steps back of more than 12 hours: midnights.
    pub midnights: Few<Step>,
    /// Steps back of less.
    pub backwards: Few<Step>,
    /// Repeated sentences.
    pub repeats: u64,
    /// Sentences without a time that were not joined.
    pub unplaced: u64,
    /// Values with another unit than the sensor's, by transducer and unit.
    pub units: BTreeMap<(String, String), u64>,
    /// Sensors.
    pub seen: Vec<Seen>,
    /// Dates.
    pub dates: Vec<DateRun>,
    /// RMC and ZDA lines that gave a date.
    pub dated: [u64; 2],
}

/// What was read of one session.
#[derive(Clone, Debug, Default)]
pub struct Log {
    /// Rows; `time` counts from midnight of day 0 until the log is dated.
    pub columns: EpochColumns,
    /// Lines, by file.
    pub tallies: Vec<Tally>,
    /// The rest.
    pub noticed: Noticed,
    /// Reading stopped before the end of a file.
    pub partial: bool,
}

/// How many values differ from all before them, beyond the first; counted up to eight.
fn distinct(values: &[f64]) -> usize {
    let mut seen: Vec<f64> = vec![];
    for v in values.iter().filter(|v| !v.is_nan()) {
        if seen.len() > 8 {
            break;
        }
        if !seen.contains(v) {
            seen.push(*v);
        }
    }
    seen.len().saturating_sub(1)
}

impl Log {
    /// Takes back the positions of RMC and GLL where other epochs have GGA or GNS: their decimals
    /// are often fewer, and they have no height and no quality. Call once, after reading.
    pub fn settle(&mut self) {
        if self.noticed.minimum_rows.len() < self.columns.rows() {
            for row in &self.noticed.minimum_rows {
                self.columns.latitude[*row] = f64::NAN;
                self.columns.longitude[*row] = f64::NAN;
                // The line with the position is lost: the log says nothing of this epoch's fix.
                self.columns.fix[*row] = Fix::None;
            }
        } else if !self.noticed.minimum_rows.is_empty() {
            self.noticed.decimals = self.noticed.minimum_decimals.clone();
        }
    }

    /// The step of positions that the log really shows, in metres, and why: decimals of minutes
    /// without trailing zeros (one minute of latitude is 1,852 m), or a coarser lattice that the
    /// differences of consecutive positions lie on (a receiver that computes in single precision).
    #[must_use]
    #[allow(clippy::cast_possible_truncation)]
    pub fn position_step_m(&self) -> Option<(f64, Lattice)> {
        let (_, written) = self.noticed.decimals.range()?;
        let effective = usize::from(self.noticed.decimals.effective);
        // Trailing zeros of a log that hardly moves are chance: each moved value ends in a zero one time
        // in ten, so four zeros' worth of evidence is asked for before decimals are called padding.
        let moved = distinct(&self.columns.latitude) + distinct(&self.columns.longitude);
        let padded = moved * written.saturating_sub(effective) >= 4;
        let step = 1852.0 * 10_f64.powi(-(if padded { effective } else { written } as i32));
        let metres = 1852.0 * 60.0;
        let all: Vec<f64> = self.columns.latitude.windows(2).map(|w| (w[1] - w[0]).abs() * metres).filter(|d| !d.is_nan()).collect();
        let least = all.iter().copied().filter(|d| *d > step / 2.0).fold(f64::INFINITY, f64::min);
        if all.len() >= 30 && least > 5.0 * step && least > 0.005 && least.is_finite() {
            // Every difference is a small whole multiple, and not always the same one: a lattice,
            // and not a walk at one speed.
            let near = |d: &f64| (d - (d / least).round() * least).abs() <= 0.02 * least + step && *d < 20.0 * least;
            let others = all.iter().filter(|d| (*d / least).round() as i64 != 1).count();
            if all.iter().all(near) && others * 10 >= all.len() && others < all.len() {
                return Some((least, Lattice::Differences));
            }
        }
        Some((step, Lattice::Decimals))
    }

    /// Name of a file.
    #[must_use]
    pub fn file(&self, index: u32) -> &str {
        self.tallies.get(index as usize).map_or("", |t| &t.file)
    }

    /// Whole sentences in all files.
    #[must_use]
    pub fn sentences(&self) -> u64 {
        self.tallies.iter().map(|t| t.sentences.sum()).sum()
    }

    /// Sentences by address in all files.
    #[must_use]
    pub fn kinds(&self) -> BTreeMap<String, u64> {
        let mut all = BTreeMap::new();
        for tally in &self.tallies {
            for (name, n) in tally.sentences.by_name() {
                *all.entry(name).or_insert(0) += n;
            }
        }
        all
    }
}
