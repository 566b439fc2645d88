//! Joins the sentences of one time to one epoch.
//!
//! Sentences with a time find their epoch by it and by nothing else. A few epochs stay open at
//! once, because receivers interleave; a closed epoch takes nothing more. Sentences without a time
//! are joined by the declared rule, and not at all where a damaged line may hide the one that they
//! belong to. No value is ever carried to another epoch.

use super::draft::{PartialEpoch, Solution, Untimed};
use super::line::{Reason, pack};
use super::log::{At, DateRun, Log, Step};
use super::number::DAY;
use crate::columns::Fix;
use crate::nmea::settings::{HeightRule, Settings, UntimedRule};
use std::collections::{BTreeMap, VecDeque};

/// Epochs that are open at once.
const OPEN: usize = 4;
/// Closed epochs that are remembered, to know a late sentence from a clock that went back.
const CLOSED: usize = 16;
/// A gap that ends all open epochs, ns.
const GAP: i64 = 60_000_000_000;

/// What became of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It gave a value.
    Used,
    /// It gave none, by kind.
    Ignored(u128),
    /// It could not be used.
    Damaged(Reason),
    /// It waits for the time that follows; counted later.
    Waits,
}

impl Outcome {
    /// Ignored under a word.
    #[must_use]
    pub fn ignored(word: &str) -> Self {
        Self::Ignored(pack(word.as_bytes()))
    }
}

struct Waiting {
    said: Untimed,
    at: At,
    /// Whether its line is still to be counted.
    counts: bool,
}

/// The assembler of one session.
pub struct Assembler<'s> {
    settings: &'s Settings,
    /// What was read so far.
    pub log: Log,
    open: VecDeque<PartialEpoch>,
    closed: [i64; CLOSED],
    closed_at: usize,
    /// Time of the epoch that sentences without a time belong to; `None`: they belong nowhere.
    current: Option<i64>,
    /// Whether a sentence without a time may wait for the next time.
    may_wait: bool,
    waiting: Vec<Waiting>,
    last_row: Option<(i64, u32)>,
    last_runs: [Option<usize>; 3],
    bases: BTreeMap<Vec<u8>, u32>,
    last_base: (Vec<u8>, u32),
    previous_base: u32,
}

impl<'s> Assembler<'s> {
    /// An assembler that has seen nothing.
    #[must_use]
    pub fn new(settings: &'s Settings) -> Self {
        Self {
            settings,
            log: Log::default(),
            open: VecDeque::with_capacity(OPEN + 1),
            closed: [i64::MIN; CLOSED],
            closed_at: 0,
            current: None,
            may_wait: true,
            waiting: vec![],
            last_row: None,
            last_runs: [None; 3],
            bases: BTreeMap::new(),
            last_base: (vec![], u32::MAX),
            previous_base: u32::MAX,
        }
    }

    /// The index of a base station, `u32::MAX` for a blank one.
    #[inline]
    pub fn base(&mut self, name: &[u8]) -> u32 {
        if name.is_empty() {
            return u32::MAX;
        }
        if self.last_base.0 == name {
            return self.last_base.1;
        }
        let next = u32::try_from(self.bases.len()).unwrap_or(u32::MAX);
        let index = *self.bases.entry(name.to_vec()).or_insert(next);
        if index == next {
            self.log.columns.bases.push(String::from_utf8_lossy(name).into_owned());
            self.log.noticed.base_rows.push(0);
        }
        self.last_base = (name.to_vec(), index);
        index
    }

    /// A line was damaged in a way that may hide a time: what waits or follows belongs nowhere.
    pub fn lost_time(&mut self) {
        self.drop_waiting();
        self.current = None;
        self.may_wait = false;
    }

    fn drop_waiting(&mut self) {
        for one in self.waiting.drain(..) {
            self.log.noticed.unplaced += 1;
            self.log.tallies[one.at.file as usize].ignored.add(pack(b"unplaced"), u64::from(one.counts));
        }
    }

    /// The epoch of a time of day, opened if need be; what waited is joined to it.
    ///
    /// # Errors
    /// [`Reason::Late`] when that epoch is closed.
    #[inline]
    pub fn at(&mut self, time: i64, at: At) -> Result<&mut PartialEpoch, Reason> {
        let index = match self.open.iter().rposition(|d| d.when.rem_euclid(DAY) == time.rem_euclid(DAY)) {
            Some(index) => index,
            None => match self.open_new(time, at) {
                Some(index) => index,
                None => {
                    self.lost_time();
                    return Err(Reason::Late);
                }
            },
        };
        if !self.waiting.is_empty() {
            self.join_waiting(index);
        }
        self.may_wait = true;
        let draft = &mut self.open[index];
        self.current = Some(draft.when);
        draft.touch(at.file, at.line);
        Ok(draft)
    }

    /// Joins what waited, the last first: it stands next to the time.
    fn join_waiting(&mut self, index: usize) {
        let waiting = std::mem::take(&mut self.waiting);
        for Waiting { said, at, counts } in waiting.iter().rev() {
            let tally = &mut self.log.tallies[at.file as usize];
            let draft = &mut self.open[index];
            if draft.untimed(said) {
                tally.used = tally.used.wrapping_add(u64::from(*counts));
                draft.touch(at.file, at.line);
                draft.lines += u64::from(*counts && draft.file == at.file);
            } else {
                tally.ignored.add(pack(b"repeat"), u64::from(*counts));
                self.log.noticed.repeats += 1;
            }
        }
        self.waiting = waiting;
        self.waiting.clear();
    }

    /// Opens an epoch; `None` when it was closed a short while ago.
    fn open_new(&mut self, time: i64, at: At) -> Option<usize> {
        let newest = self.open.back().map(|d| d.when).or_else(|| self.last_row.map(|(w, _)| w));
        let Some(newest) = newest else {
            self.open.push_back(PartialEpoch::new(time, at.file, at.line));
            return Some(0);
        };
        let day = newest.div_euclid(DAY);
        let same_day = day * DAY + time;
        let last_closed = self.closed[(self.closed_at + CLOSED - 1) % CLOSED];
        // A step back of more than 12 h is midnight. A step forward of more than 12 h is a late
        // sentence from before midnight if it lies close before, and a long gap otherwise.
        let when = if newest - same_day > DAY / 2 {
            same_day + DAY
        } else if same_day - newest > DAY / 2 && newest - (same_day - DAY) <= GAP {
            same_day - DAY
        } else {
            same_day
        };
        if when > newest {
            if when - newest > GAP {
                self.close_all();
            }
            self.open.push_back(PartialEpoch::new(when, at.file, at.line));
            if self.open.len() > OPEN {
                self.close_first();
            }
            return Some(self.open.len() - 1);
        }
        if self.closed.contains(&when) {
            return None;
        }
        let oldest_open = self.open.front().map_or(i64::MAX, |d| d.when);
        if when > last_closed && when > oldest_open.saturating_sub(GAP) {
            // An older time that was not seen yet, in between.
            if self.open.len() == OPEN {
                if when < oldest_open {
                    return None;
                }
                self.close_first();
            }
            let index = self.open.partition_point(|d| d.when < when);
            self.open.insert(index, PartialEpoch::new(when, at.file, at.line));
            return Some(index);
        }
        if last_closed != i64::MIN && when > last_closed - GAP / 12 && when < last_closed {
            // Between epochs that are closed already: it would have to be put before them.
            return None;
        }
        self.close_all();
        self.open.push_back(PartialEpoch::new(when, at.file, at.line));
        Some(0)
    }

    /// Something without a time of its own. `counts`: its line is not counted for another sentence.
    #[inline]
    pub fn untimed(&mut self, said: Untimed, at: At, counts: bool) -> Outcome {
        match self.settings.untimed {
            UntimedRule::AfterTime => {
                let current = self.current;
                let found = current.and_then(|when| self.open.iter_mut().rfind(|d| d.when == when));
                let Some(draft) = found else {
                    self.log.noticed.unplaced += 1;
                    return Outcome::ignored("unplaced");
                };
                if draft.untimed(&said) {
                    draft.touch(at.file, at.line);
                    draft.lines += u64::from(counts && draft.file == at.file);
                    Outcome::Used
                } else {
                    self.log.noticed.repeats += 1;
                    Outcome::ignored("repeat")
                }
            }
            UntimedRule::BeforeTime => {
                if self.may_wait && self.waiting.len() < 256 {
                    self.waiting.push(Waiting { said, at, counts });
                    Outcome::Waits
                } else {
                    self.log.noticed.unplaced += 1;
                    Outcome::ignored("unplaced")
                }
            }
        }
    }

    fn close_first(&mut self) {
        if let Some(draft) = self.open.pop_front() {
            self.close(&draft);
        }
    }

    fn close_all(&mut self) {
        let mut open = std::mem::take(&mut self.open);
        for draft in &open {
            self.close(draft);
        }
        open.clear();
        self.open = open;
    }

    /// Ends the session.
    #[must_use]
    pub fn finish(mut self) -> Log {
        self.drop_waiting();
        self.close_all();
        self.log
    }

    /// Keeps a date for the session.
    fn date(&mut self, draft: &PartialEpoch, days: i64, strength: u8) {
        let day = draft.when.div_euclid(DAY);
        let base = days - day;
        let row = self.log.columns.rows();
        let runs = &mut self.log.noticed.dates;
        let last = &mut self.last_runs[strength as usize];
        if let Some(run) = last.and_then(|i| runs.get_mut(i)).filter(|run| run.base == base) {
            run.last_row = row;
        } else if runs.len() < 1_000 {
            *last = Some(runs.len());
            let at = At { file: draft.file, line: draft.line_first };
            runs.push(DateRun { strength, base, first_row: row, last_row: row, at, day });
        }
    }

    /// Makes the row of an epoch.
    fn close(&mut self, draft: &PartialEpoch) {
        self.closed[self.closed_at] = draft.when;
        self.closed_at = (self.closed_at + 1) % CLOSED;
        let at = At { file: draft.file, line: draft.line_first };
        if let Some((before, _)) = self.last_row {
            let step = Step { at, before, after: draft.when };
            if draft.when < before {
                self.log.noticed.backwards.add(step);
            } else if draft.when.div_euclid(DAY) > before.div_euclid(DAY) {
                self.log.noticed.midnights.add(step);
            }
        }
        self.last_row = Some((draft.when, draft.file));
        let solution = draft.gga.is_some() || draft.gns.is_some();
        let tally = &mut self.log.tallies[draft.file as usize];
        if draft.gll_lines > 0 {
            if solution || draft.rmc.is_some() {
                tally.ignored.add(pack(b"GLL"), draft.gll_lines);
            } else {
                tally.used = tally.used.wrapping_add(1);
                tally.ignored.add(pack(b"repeat"), draft.gll_lines - 1);
            }
        }
        if !solution && draft.rmc.is_none() && draft.gll.is_none() {
            // The line that is being read is counted after this.
            tally.used = tally.used.wrapping_sub(draft.lines);
            tally.ignored.add(pack(b"unplaced"), draft.lines);
            self.log.noticed.unplaced += draft.lines;
            if let Some(days) = draft.zda {
                self.date(draft, days, 1);
            }
            return;
        }
        let (fix, minimum) = self.fix(draft, at);
        if let Some(days) = draft.rmc.and_then(|r| r.date) {
            self.date(draft, days, if draft.rmc.is_some_and(|r| r.valid) { 2 } else { 0 });
        }
        if let Some(days) = draft.zda {
            self.date(draft, days, if fix > Fix::None { 2 } else { 0 });
        }
        self.row(draft, at, fix, minimum);
    }

    /// The fix of an epoch, the worse where two sentences differ, and whether only RMC or GLL tell it.
    fn fix(&mut self, draft: &PartialEpoch, at: At) -> (Fix, bool) {
        let noticed = &mut self.log.noticed;
        let mut fix = match (draft.gga, draft.gns) {
            (Some(gga), Some(gns)) => {
                if gga.fix != gns.fix {
                    noticed.disagree.add(at);
                }
                gga.fix.min(gns.fix)
            }
            (Some(one), None) | (None, Some(one)) => one.fix,
            (None, None) => {
                let Some(m) = draft.rmc.or(draft.gll) else { return (Fix::None, true) };
                let fix = match (m.valid, m.mode) {
                    (false, _) => Fix::None,
                    (true, 0) => Fix::Unknown,
                    (true, letter) => Fix::from_letter(letter),
                };
                return (fix, true);
            }
        };
        if draft.rmc.is_some_and(|r| !r.valid) && fix > Fix::None {
            noticed.void.add(at);
            fix = Fix::None;
        }
        (fix, false)
    }

    fn row(&mut self, draft: &PartialEpoch, at: At, fix: Fix, minimum: bool) {
        let s = self.settings;
        let noticed = &mut self.log.noticed;
        let c = &mut self.log.columns;
        let blank = |v: Option<Solution>| v.filter(|s| s.place.known());
        let main = blank(draft.gga).or(blank(draft.gns)).or(draft.gga).or(draft.gns);
        let other = draft.gns;
        let place = match main {
            Some(m) => Some(m.place),
            None => draft.rmc.or(draft.gll).map(|m| m.place),
        }
        .filter(|p| p.known() && fix > Fix::None);
        let (mut height, mut separation) = (f64::NAN, f64::NAN);
        if let (Some(p), Some(m)) = (place, main) {
            separation = m.separation;
            height = match s.height {
                HeightRule::AltitudePlusSeparation => m.altitude + m.separation,
                HeightRule::FieldIsEllipsoidal => m.altitude,
            };
            noticed.decimals.add(p);
            noticed.altitude_effective = noticed.altitude_effective.max(m.altitude_effective);
        } else if let Some(p) = place {
            noticed.minimum_decimals.add(p);
        }
        if minimum {
            noticed.minimum_rows.push(c.rows());
        }
        let pick = |get: fn(&Solution) -> f64| {
            let first = main.map_or(f64::NAN, |m| get(&m));
            if first.is_nan() { other.map_or(f64::NAN, |m| get(&m)) } else { first }
        };
        let d = draft.dilution;
        let hdop = pick(|m| m.hdop);
        let base = main.map(|m| m.base).filter(|b| *b != u32::MAX).or(other.map(|m| m.base)).unwrap_or(u32::MAX);
        if base != u32::MAX {
            if self.previous_base != u32::MAX && self.previous_base != base {
                noticed.base_changes.add((at, self.previous_base, base));
            }
            self.previous_base = base;
            if let Some(rows) = noticed.base_rows.get_mut(base as usize) {
                *rows += 1;
            }
        }
        let mut sigma = [f64::NAN; 3];
        let mut correlation = f64::NAN;
        if let Some(n) = draft.gst {
            sigma = [n.east * s.sigma_factor, n.north * s.sigma_factor, n.up * s.sigma_factor];
            correlation = n.correlation();
            let whole = sigma.iter().all(|v| !v.is_nan());
            noticed.gst += u64::from(whole);
            noticed.ellipse_misfit +=
                u64::from(whole && correlation.is_nan() && !n.major.is_nan() && !n.minor.is_nan() && !n.orientation.is_nan());
        }
        let mut assumed = false;
        if let Some((horizontal, up)) = s.assumed {
            for (value, default) in sigma.iter_mut().zip([horizontal, horizontal, up]) {
                if value.is_nan() {
                    *value = default;
                    assumed = true;
                }
            }
        }
        c.file.push(draft.file);
        c.line_first.push(signed(draft.line_first));
        c.line_last.push(signed(draft.line_last));
        c.time.push(draft.when);
        c.latitude.push(place.map_or(f64::NAN, |p| p.latitude));
        c.longitude.push(place.map_or(f64::NAN, |p| p.longitude));
        c.height.push(height);
        c.separation.push(separation);
        c.fix.push(fix);
        c.quality_code.push(draft.gga.map_or(-1, |g| g.quality));
        c.satellites.push(main.map_or(-1, |m| m.satellites));
        c.hdop.push(if hdop.is_nan() { d.map_or(f64::NAN, |d| d.hdop) } else { hdop });
        c.pdop.push(d.map_or(f64::NAN, |d| d.pdop));
        c.vdop.push(d.map_or(f64::NAN, |d| d.vdop));
        c.correction_age.push(pick(|m| m.age));
        c.base_station.push(base);
        c.sigma_east.push(sigma[0]);
        c.sigma_north.push(sigma[1]);
        c.sigma_up.push(sigma[2]);
        c.correlation.push(correlation);
        c.sigma_assumed.push(assumed);
        let [heading, pitch, roll, _, _, tilt, azimuth, qw, qx, qy, qz] = draft.sensors;
        let [heading, pitch, roll] = self.settings.converter.turn(&[heading, pitch, roll, tilt, azimuth, qw, qx, qy, qz]);
        c.heading.push(heading);
        c.pitch.push(pitch);
        c.roll.push(roll);
        c.range.push(draft.sensors[3]);
        c.turn_rate.push(draft.sensors[4]);
        let speed = draft.rmc.map_or(f64::NAN, |r| r.speed);
        c.speed.push(if speed.is_nan() { draft.speed } else { speed });
    }
}

fn signed(line: u64) -> i64 {
    i64::try_from(line).unwrap_or(i64::MAX)
}
