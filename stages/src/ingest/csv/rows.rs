//! From the fields of a row to one epoch.

use super::position::{self, BadPosition};
use super::{FixKind, HeightKind, Options, PositionFormat};
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::rig::Rig;
use raw_logs::attitude::Converter;
use raw_logs::columns::{EpochColumns, Fix};
use raw_logs::delimited::{Lines, NotANumber, Row};
use raw_logs::quantity::{LengthColumn, Turn, full_circle};
use raw_logs::time_columns::{Days, TimeReader};
use std::collections::BTreeMap;

/// Numbers of a row, in this order.
const NUMBERS: usize = 23;
const HDOP: usize = 0;
const PDOP: usize = 1;
const VDOP: usize = 2;
const AGE: usize = 3;
const SIGMA_EAST: usize = 4;
const SIGMA_NORTH: usize = 5;
const SIGMA_UP: usize = 6;
const CORRELATION: usize = 7;
const HEADING: usize = 8;
const PITCH: usize = 9;
const ROLL: usize = 10;
const RANGE: usize = 11;
const TURN_RATE: usize = 12;
const SPEED: usize = 13;
const SATELLITES: usize = 14;
const HEIGHT: usize = 15;
const SEPARATION: usize = 16;
const TILT: usize = 17;
const LEAN_AZIMUTH: usize = 18;
const QUATERNION: [usize; 4] = [19, 20, 21, 22];

/// Which field of a row is what.
pub(super) struct Plan {
    wanted: Vec<String>,
    /// Column of the week or date.
    other: bool,
    latitude: (usize, PositionFormat),
    longitude: (usize, PositionFormat),
    numbers: Vec<(usize, usize, Turn)>,
    above_geoid: bool,
    fix: Option<(usize, Vec<(String, Fix)>)>,
    base: Option<usize>,
    event: Option<usize>,
    converter: Converter,
    sigma_factor: f64,
    assumed: Option<(f64, f64)>,
}

impl Plan {
    /// Settles the columns of the options.
    pub(super) fn new(o: &Options, rig: Option<&Rig>) -> Self {
        let mut wanted = vec![o.time.column.clone()];
        let other = o.time.week_column.as_ref().or(o.time.date_column.as_ref());
        wanted.extend(other.cloned());
        let mut want = |column: &String| {
            wanted.push(column.clone());
            wanted.len() - 1
        };
        let latitude = (want(&o.latitude.column), o.latitude.format);
        let longitude = (want(&o.longitude.column), o.longitude.format);
        let mut numbers = vec![];
        let bare = [
            (HDOP, &o.hdop),
            (PDOP, &o.pdop),
            (VDOP, &o.vdop),
            (AGE, &o.correction_age_s),
            (CORRELATION, &o.correlation_east_north),
            (SATELLITES, &o.satellites),
        ];
        for (slot, column) in bare {
            if let Some(column) = column {
                numbers.push((slot, want(column), Turn::SAME));
            }
        }
        let height = o.height.as_ref().map(|h| LengthColumn { column: h.column.clone(), unit: h.unit });
        let lengths = [
            (SIGMA_EAST, &o.sigma_east),
            (SIGMA_NORTH, &o.sigma_north),
            (SIGMA_UP, &o.sigma_up),
            (RANGE, &o.range),
            (SEPARATION, &o.separation),
            (HEIGHT, &height),
        ];
        for (slot, column) in lengths {
            if let Some(c) = column {
                numbers.push((slot, want(&c.column), c.turn()));
            }
        }
        let angles = [(HEADING, &o.heading), (PITCH, &o.pitch), (ROLL, &o.roll), (TILT, &o.tilt), (LEAN_AZIMUTH, &o.lean_azimuth)];
        for (slot, column) in angles {
            if let Some(c) = column {
                numbers.push((slot, want(&c.column), c.turn()));
            }
        }
        if let Some(q) = &o.quaternion {
            for (slot, column) in QUATERNION.into_iter().zip([&q.w, &q.x, &q.y, &q.z]) {
                numbers.push((slot, want(column), Turn::SAME));
            }
        }
        if let Some(c) = &o.turn_rate {
            numbers.push((TURN_RATE, want(&c.column), c.turn()));
        }
        if let Some(c) = &o.speed {
            numbers.push((SPEED, want(&c.column), c.turn()));
        }
        let fix = o.fix.as_ref().map(|f| (want(&f.column), f.words.iter().map(|w| (w.text.clone(), kind(w.fix))).collect()));
        let base = o.base_station.as_ref().map(&mut want);
        let event = o.event.as_ref().map(&mut want);
        Self {
            other: other.is_some(),
            latitude,
            longitude,
            numbers,
            above_geoid: o.height.as_ref().is_some_and(|h| h.above == HeightKind::AboveReceiverGeoid),
            fix,
            base,
            event,
            converter: Converter::of(rig.and_then(|r| r.attitude.as_ref())),
            sigma_factor: rig.map_or(1.0, |r| r.gnss.sigma_factor),
            assumed: rig.map(|r| (r.gnss.assumed_sigma_horizontal_m, r.gnss.assumed_sigma_up_m)),
            wanted,
        }
    }

    /// The columns that are needed, in order.
    pub(super) fn wanted(&self) -> Vec<&str> {
        self.wanted.iter().map(String::as_str).collect()
    }
}

const fn kind(fix: FixKind) -> Fix {
    match fix {
        FixKind::None => Fix::None,
        FixKind::Autonomous => Fix::Autonomous,
        FixKind::Differential => Fix::Differential,
        FixKind::Pps => Fix::Pps,
        FixKind::RtkFixed => Fix::RtkFixed,
        FixKind::RtkFloat => Fix::RtkFloat,
        FixKind::Estimated => Fix::Estimated,
        FixKind::Manual => Fix::Manual,
        FixKind::Simulated => Fix::Simulated,
        FixKind::Unknown => Fix::Unknown,
    }
}

/// Why a row is not used: reason, words, wanted column.
type Bad = (&'static str, String, usize);

/// Something that happened in several rows: how often, and the first place.
#[derive(Default)]
struct Seen {
    rows: u64,
    first: Option<(String, u64)>,
}

impl Seen {
    fn add(&mut self, file: &str, line: u64) {
        self.rows += 1;
        self.first.get_or_insert_with(|| (file.to_owned(), line));
    }
}

/// Builds the epochs of a session, row by row.
pub(super) struct Reader<'a> {
    plan: &'a Plan,
    clock: &'a TimeReader,
    comma: bool,
    /// The epochs so far.
    pub columns: EpochColumns,
    days: Days,
    back: Seen,
    repeated: Seen,
    no_separation: Seen,
    unknown_fix: BTreeMap<String, u64>,
}

impl<'a> Reader<'a> {
    /// A reader without rows.
    pub(super) fn new(plan: &'a Plan, clock: &'a TimeReader, comma: bool) -> Self {
        Self {
            plan,
            clock,
            comma,
            columns: EpochColumns::default(),
            days: Days::default(),
            back: Seen::default(),
            repeated: Seen::default(),
            no_separation: Seen::default(),
            unknown_fix: BTreeMap::new(),
        }
    }

    /// Starts the next file. A date of the options is that of the first row of the session: times of
    /// day run on over the files of a session.
    pub(super) fn begin(&mut self, file: &str) {
        self.columns.files.push(file.to_owned());
    }

    /// Takes the row that the lines stand at: an epoch, or a damaged line.
    pub(super) fn take(&mut self, lines: &mut Lines) {
        let row = lines.row();
        match self.epoch(&row) {
            Ok(()) => lines.used(),
            Err((reason, what, column)) => {
                let column = row.column(column);
                lines.damaged(reason, &what, column);
            }
        }
    }

    fn epoch(&mut self, row: &Row) -> Result<(), Bad> {
        let plan = self.plan;
        let name = |i: usize| plan.wanted.get(i).map_or("", String::as_str);
        let mut n = [f64::NAN; NUMBERS];
        for (slot, column, turn) in &plan.numbers {
            n[*slot] = turn.read(row.text(*column), self.comma).map_err(|e| {
                let reason = if e == NotANumber::NotFinite { "not-a-number" } else { "number" };
                (reason, format!("`{}` in column `{}` is not a number", row.text(*column), name(*column)), *column)
            })?;
        }
        let place = |(column, format): (usize, PositionFormat), letters, limit| {
            position::read(row.text(column), format, letters, limit, self.comma).map_err(|e| {
                let (reason, why) = match e {
                    BadPosition::Format => ("position", "is not written as declared"),
                    BadPosition::NotFinite => ("not-a-number", "is not a number"),
                    BadPosition::Outside => ("outside-range", "is beyond the range of the globe"),
                };
                (reason, format!("`{}` in column `{}` {why}", row.text(column), name(column)), column)
            })
        };
        let latitude = place(plan.latitude, ['N', 'S'], 90.0)?;
        let longitude = place(plan.longitude, ['E', 'W'], 180.0)?;
        if latitude.is_nan() != longitude.is_nan() {
            return Err(("position", "a row has only one of latitude and longitude".to_owned(), plan.latitude.0));
        }
        let column_of = |slot: usize| plan.numbers.iter().find(|(s, ..)| *s == slot).map_or(0, |(_, c, _)| *c);
        for slot in [HDOP, PDOP, VDOP, SIGMA_EAST, SIGMA_NORTH, SIGMA_UP, SATELLITES] {
            if n[slot] < 0.0 {
                let c = column_of(slot);
                return Err(("outside-range", format!("`{}` in column `{}` is negative", row.text(c), name(c)), c));
            }
        }
        if n[CORRELATION].abs() > 1.0 {
            let c = column_of(CORRELATION);
            return Err(("outside-range", format!("`{}` in column `{}` is no correlation", row.text(c), name(c)), c));
        }
        if n[SATELLITES].fract() != 0.0 && !n[SATELLITES].is_nan() {
            let c = column_of(SATELLITES);
            return Err(("number", format!("`{}` in column `{}` is no count", row.text(c), name(c)), c));
        }
        // Last, since it moves the day on.
        let other = plan.other.then(|| row.text(1));
        let time = self
            .clock
            .instant(row.text(0), other, &mut self.days, self.comma)
            .ok_or_else(|| ("time", format!("`{}` in column `{}` is not a time as declared", row.text(0), name(0)), 0))?;
        self.push(row, time, [latitude, longitude], &n);
        Ok(())
    }

    fn push(&mut self, row: &Row, time: i64, [latitude, longitude]: [f64; 2], n: &[f64; NUMBERS]) {
        let plan = self.plan;
        let c = &mut self.columns;
        let file = c.files.len().saturating_sub(1);
        let file_name = c.files.last().map_or("", String::as_str);
        match c.time.last() {
            Some(last) if time < *last => self.back.add(file_name, row.line),
            Some(last) if time == *last => self.repeated.add(file_name, row.line),
            _ => {}
        }
        let mut height = n[HEIGHT];
        if plan.above_geoid && !height.is_nan() {
            if n[SEPARATION].is_nan() {
                self.no_separation.add(file_name, row.line);
            }
            height += n[SEPARATION];
        }
        let (fix, code) = match &plan.fix {
            None => (Fix::Unknown, -1),
            Some((column, words)) => {
                let text = row.text(*column);
                let found = words.iter().find(|(word, _)| word == text).map(|(_, fix)| *fix);
                if found.is_none() {
                    *self.unknown_fix.entry(text.to_owned()).or_default() += 1;
                }
                (found.unwrap_or(Fix::Unknown), text.parse::<u8>().map_or(-1, i64::from))
            }
        };
        let mut sigma = [n[SIGMA_EAST], n[SIGMA_NORTH], n[SIGMA_UP]].map(|s| s * plan.sigma_factor);
        let mut assumed = false;
        if let Some((horizontal, up)) = plan.assumed {
            for (s, stand_in) in sigma.iter_mut().zip([horizontal, horizontal, up]) {
                if s.is_nan() {
                    *s = stand_in;
                    assumed = true;
                }
            }
        }
        let base = plan.base.map(|column| row.text(column)).filter(|t| !t.is_empty()).map(|text| {
            c.bases.iter().position(|b| b == text).unwrap_or_else(|| {
                c.bases.push(text.to_owned());
                c.bases.len() - 1
            })
        });
        let index = |i: usize| u32::try_from(i).unwrap_or(u32::MAX);
        let line = i64::try_from(row.line).unwrap_or(i64::MAX);
        c.file.push(index(file));
        c.line_first.push(line);
        c.line_last.push(line);
        c.time.push(time);
        c.latitude.push(latitude);
        c.longitude.push(longitude);
        c.height.push(height);
        c.separation.push(n[SEPARATION]);
        c.fix.push(fix);
        c.quality_code.push(code);
        #[allow(clippy::cast_possible_truncation)]
        c.satellites.push(if n[SATELLITES].is_nan() { -1 } else { n[SATELLITES].min(9999.0) as i64 });
        c.hdop.push(n[HDOP]);
        c.pdop.push(n[PDOP]);
        c.vdop.push(n[VDOP]);
        c.correction_age.push(n[AGE]);
        c.base_station.push(base.map_or(u32::MAX, index));
        c.sigma_east.push(sigma[0]);
        c.sigma_north.push(sigma[1]);
        c.sigma_up.push(sigma[2]);
        c.correlation.push(n[CORRELATION]);
        c.sigma_assumed.push(assumed);
        let [w, x, y, z] = QUATERNION.map(|i| n[i]);
        let raw = [n[HEADING], n[PITCH], n[ROLL], n[TILT], n[LEAN_AZIMUTH], w, x, y, z];
        let [heading, pitch, roll] = plan.converter.turn(&raw);
        c.heading.push(full_circle(heading));
        c.pitch.push(pitch);
        c.roll.push(roll);
        c.range.push(n[RANGE]);
        c.turn_rate.push(n[TURN_RATE]);
        c.speed.push(n[SPEED]);
        c.event.push(plan.event.map(|column| row.text(column)).filter(|t| !t.is_empty()).map(str::to_owned));
    }

    /// What is to be said of the session as a whole.
    pub(super) fn findings(&self, session: &str) -> Vec<Diagnostic> {
        let mut found = vec![];
        let rows = self.columns.rows();
        let place = format!("session `{session}`");
        let mut say = |code: &str, verdict, seen: &Seen, what: String, why: &str, fix: &str| {
            if seen.rows == 0 {
                return;
            }
            let mut finding = Diagnostic::new(code, verdict, what).place(place.clone()).why(why).fix(fix);
            if let Some((file, line)) = &seen.first {
                finding = finding.label(Label::lines(file, *line, *line, "the first such row"));
            }
            found.push(finding);
        };
        say(
            "data/time-goes-back",
            Verdict::Warn,
            &self.back,
            format!("time goes back in {} of {rows} rows", self.back.rows),
            "rows stay in the order of the file",
            "check `time.format` and `time.date`; sort the table at its source",
        );
        say(
            "data/time-repeated",
            Verdict::Warn,
            &self.repeated,
            format!("{} of {rows} rows have the time of the row before", self.repeated.rows),
            "an epoch that is written twice counts twice in an average",
            "check `time.format` for a cut-off decimal; remove repeated rows at their source",
        );
        say(
            "height/no-separation",
            Verdict::Warn,
            &self.no_separation,
            format!("{} of {rows} rows have a height above the receiver's geoid and no separation", self.no_separation.rows),
            "without the separation the ellipsoidal height is not known; these epochs have no height",
            "let the receiver write the separation",
        );
        if !self.unknown_fix.is_empty() && self.plan.fix.is_some() {
            let words: Vec<String> = self.unknown_fix.iter().take(5).map(|(w, n)| format!("`{w}` in {n}")).collect();
            let total: u64 = self.unknown_fix.values().sum();
            found.push(
                Diagnostic::new(
                    "data/unknown-fix",
                    Verdict::Warn,
                    format!("{total} of {rows} rows have a fix text that is not listed: {}", words.join(", ")),
                )
                .place(place.clone())
                .why("they are `unknown`, never taken as fixed")
                .fix("add the text to `fix.words` with its meaning"),
            );
        }
        if rows == 0 {
            found.push(
                Diagnostic::new("data/no-epoch", Verdict::Block, "no row of the session can be used")
                    .place(place.clone())
                    .fix("check `layout`, the names of the columns and `time.format`"),
            );
        }
        found.extend(self.columns.time.iter().max().and_then(|t| self.clock.beyond_leap_table(*t, &place)));
        found
    }
}
