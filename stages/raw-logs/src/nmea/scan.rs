//! Reads the files of a session line by line into a [`Log`].

use super::assemble::{Assembler, Outcome};
use super::draft::{NO_SLOT, PartialEpoch, SensorValue, Solution, Untimed, fix_of_modes};
use super::line::{Formatter, Line, Reason, Sentence, Within, classify, classify_without_sentence, pack};
use super::log::{At, Log, Seen};
use super::sentence;
use super::tally::Tally;
use crate::columns::Fix;
use crate::nmea::settings::Settings;
use memchr::memchr_iter;
use pipeline_base::rig::Sentence as Carrier;
use std::io::{ErrorKind, Read};

/// Bytes read at once, and the longest line that is looked at.
const BUFFER: usize = 1 << 20;
/// Bytes that tell how many rows a log makes.
const FIRST_PIECE: u64 = 1 << 19;
/// Most rows that room is made for beforehand: ten days at 5 Hz.
const MOST_EXPECTED: u64 = 1 << 22;
/// Names of transducers that are remembered.
const MOST_SEEN: usize = 64;

/// Reads the files of one session, one after another.
pub struct Scan<'s> {
    settings: &'s Settings,
    assembler: Assembler<'s>,
    file: u32,
    line: u64,
    overlong: bool,
    /// The line is counted for another sentence on it already.
    shared: bool,
    /// Where to look first among the transducers seen.
    seen_next: usize,
    /// Bytes that all files together have, until the first piece has told how many rows that makes.
    expected: Option<u64>,
}

impl<'s> Scan<'s> {
    /// A scan that has read nothing.
    #[must_use]
    pub fn new(settings: &'s Settings) -> Self {
        Self {
            settings,
            assembler: Assembler::new(settings),
            file: 0,
            line: 0,
            overlong: false,
            shared: false,
            seen_next: 0,
            expected: None,
        }
    }

    /// Says how many bytes will come, so that room is made for their rows at once.
    #[must_use]
    pub fn expecting(mut self, bytes: u64) -> Self {
        self.expected = Some(bytes);
        self
    }

    /// Reads a file, or its first `limit` bytes up to a line end. `tick` is told the bytes of every
    /// piece and answers whether to go on.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn read(
        &mut self,
        name: &str,
        from: &mut dyn Read,
        limit: Option<u64>,
        tick: &mut dyn FnMut(u64) -> bool,
    ) -> std::io::Result<bool> {
        self.file = u32::try_from(self.assembler.log.tallies.len()).unwrap_or(u32::MAX);
        self.assembler.log.tallies.push(Tally::new(name));
        self.line = 0;
        self.overlong = false;
        let mut buffer = vec![0_u8; BUFFER];
        let mut held = 0;
        let mut total = 0_u64;
        loop {
            if held == buffer.len() {
                // A line as long as the whole buffer is no sentence.
                self.overlong = true;
                held = 0;
            }
            let got = match from.read(&mut buffer[held..]) {
                Ok(n) => n,
                Err(e) if e.kind() == ErrorKind::Interrupted => continue,
                Err(e) => return Err(e),
            };
            if got == 0 {
                break;
            }
            let end = held + got;
            total += got as u64;
            let mut start = 0;
            for offset in memchr_iter(b'\n', &buffer[held..end]) {
                let stop = held + offset;
                self.line(&buffer[start..stop]);
                start = stop + 1;
            }
            buffer.copy_within(start..end, 0);
            held = end - start;
            if let Some(expected) = self.expected.take_if(|_| total >= FIRST_PIECE) {
                let columns = &mut self.assembler.log.columns;
                let rows = columns.rows() as u64;
                // A fiftieth more, since no log is quite even; memory that is not used is never touched.
                let more = rows.saturating_mul(expected.saturating_sub(total)) / total;
                columns.expect(usize::try_from((more + more / 50).min(MOST_EXPECTED)).unwrap_or(0));
            }
            if !tick(got as u64) {
                return Ok(false);
            }
            if limit.is_some_and(|l| total >= l) {
                self.assembler.log.partial = true;
                self.tally().bytes = total;
                return Ok(true);
            }
        }
        if held > 0 || self.overlong {
            let rest = std::mem::take(&mut buffer);
            self.line(&rest[..held]);
        }
        self.tally().bytes = total;
        Ok(true)
    }

    /// Ends the session.
    #[must_use]
    pub fn finish(self) -> Log {
        self.assembler.finish()
    }

    fn tally(&mut self) -> &mut Tally {
        &mut self.assembler.log.tallies[self.file as usize]
    }

    #[inline]
    fn line(&mut self, raw: &[u8]) {
        self.line += 1;
        let mut line = raw.strip_suffix(b"\r").unwrap_or(raw);
        if self.line == 1 {
            line = line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line);
        }
        if std::mem::take(&mut self.overlong) {
            line = b"\0";
        }
        let (outcome, text) = match classify(line) {
            Line::Sentence(sentence) => (self.sentence(&sentence), line),
            Line::Bare(sentence) => (self.bare(&sentence), line),
            Line::Ignored(word) => (Outcome::ignored(word), line),
            Line::Damaged(reason) => (Outcome::Damaged(reason), line),
            Line::Mixed => (self.mixed(line), line),
        };
        let at = self.line;
        let tally = self.tally();
        tally.total += 1;
        match outcome {
            Outcome::Used => tally.used = tally.used.wrapping_add(1),
            Outcome::Ignored(word) => tally.ignored.add(word, 1),
            Outcome::Waits => {}
            Outcome::Damaged(reason) => {
                tally.damage(reason, at, text);
                if reason == Reason::Binary {
                    tally.binary_bytes += raw.len() as u64 + 1;
                }
                if reason.may_hide_time() {
                    self.assembler.lost_time();
                }
            }
        }
    }

    /// A sentence without a checksum. Where others of its address have one, it was cut: the last
    /// field may be half of what it was.
    #[cold]
    fn bare(&mut self, s: &Sentence<'_>) -> Outcome {
        let required = self.settings.checksum_required;
        let tally = self.tally();
        if tally.sentences.of(s.key()) > tally.bare.of(s.key()) {
            return Outcome::Damaged(Reason::Torn);
        }
        if required {
            return Outcome::Damaged(Reason::NoChecksum);
        }
        tally.bare.add(s.key(), 1);
        self.sentence(s)
    }

    /// A line with other bytes before or between sentences: used if one of them is.
    #[cold]
    fn mixed(&mut self, line: &[u8]) -> Outcome {
        let mut all: Option<Outcome> = None;
        let mut within = Within::new(line);
        while let Some(found) = within.next() {
            if within.beside_a_cut() {
                self.assembler.lost_time();
            }
            let outcome = self.sentence(&found);
            self.tally().behind += 1;
            self.shared = true;
            all = Some(match (all, outcome) {
                (None, first) => first,
                // The first sentence will be counted later, and the line with it.
                (Some(Outcome::Waits), _) => Outcome::Waits,
                (Some(_), Outcome::Used) => Outcome::Used,
                (Some(first), _) => first,
            });
        }
        self.shared = false;
        if all.is_some() && within.beside_a_cut() {
            self.assembler.lost_time();
        }
        all.unwrap_or_else(|| match classify_without_sentence(line) {
            Line::Damaged(reason) => Outcome::Damaged(reason),
            Line::Ignored(word) => Outcome::ignored(word),
            _ => Outcome::Damaged(Reason::Binary),
        })
    }

    #[inline]
    fn sentence(&mut self, s: &Sentence<'_>) -> Outcome {
        self.tally().sentences.add(s.key(), 1);
        let done = match s.formatter {
            Formatter::GSV => return Outcome::ignored("GSV"),
            Formatter::GGA => self.gga(s),
            Formatter::GNS => self.gns(s),
            Formatter::RMC => self.rmc(s),
            Formatter::GST => self.gst(s),
            Formatter::ZDA => self.zda(s),
            Formatter::GLL => self.gll(s),
            Formatter::GBS => self.gbs(s),
            Formatter::GSA => {
                sentence::gsa(s).map(|d| if d.pdop.is_nan() { Outcome::ignored("GSA") } else { self.untimed(Untimed::Dilution(d)) })
            }
            Formatter::VTG => sentence::vtg(s).map(|v| if v.is_nan() { Outcome::ignored("VTG") } else { self.untimed(Untimed::Speed(v)) }),
            Formatter::HDT => self.single(s, Carrier::HDT, "HDT"),
            Formatter::HDM => self.single(s, Carrier::HDM, "HDM"),
            Formatter::ROT => self.single(s, Carrier::ROT, "ROT"),
            Formatter::XDR => self.xdr(s),
            Formatter::Other => return Outcome::Ignored(other_word(s.address)),
        };
        done.unwrap_or_else(Outcome::Damaged)
    }

    fn at(&self) -> At {
        At { file: self.file, line: self.line }
    }

    fn untimed(&mut self, said: Untimed) -> Outcome {
        let at = self.at();
        self.assembler.untimed(said, at, !self.shared)
    }

    /// Joins a timed sentence; `take` answers whether it gave something new.
    #[inline]
    fn timed(&mut self, time: i64, take: impl FnOnce(&mut PartialEpoch) -> bool) -> Result<Outcome, Reason> {
        let at = self.at();
        let counts = !self.shared;
        let draft = self.assembler.at(time, at)?;
        if take(draft) {
            draft.lines += u64::from(counts && draft.file == at.file);
            Ok(Outcome::Used)
        } else {
            self.assembler.log.noticed.repeats += 1;
            Ok(Outcome::ignored("repeat"))
        }
    }

    fn gga(&mut self, s: &Sentence<'_>) -> Result<Outcome, Reason> {
        let at = self.at();
        let said = sentence::gga(s);
        let noticed = &mut self.assembler.log.noticed;
        let said = match said {
            Ok(said) => said,
            Err(reason) => {
                // A GGA without a time still counts as one.
                if reason == Reason::NoTime {
                    noticed.gga += 1;
                }
                return Err(reason);
            }
        };
        noticed.gga += 1;
        let code = said.quality.map_or(11, |q| usize::try_from(q).map_or(10, |q| q.min(10)));
        noticed.quality[code] += 1;
        if noticed.first_gga.len() < 5 {
            noticed.first_gga.push(at);
        }
        self.heights(said.altitude, said.separation, at);
        let base = self.assembler.base(said.station);
        let new = Solution::new(s, &said, Fix::from_quality(said.quality), base);
        self.timed(said.time, |d| PartialEpoch::solution(&mut d.gga, new))
    }

    fn heights(&mut self, altitude: f64, separation: f64, at: At) {
        if altitude.is_nan() {
            return;
        }
        let noticed = &mut self.assembler.log.noticed;
        noticed.altitudes += 1;
        if separation.is_nan() {
            return;
        }
        noticed.separations += 1;
        if separation.abs() > 1e-9 {
            noticed.separations_not_zero += 1;
            if noticed.first_height.is_none() {
                noticed.first_height = Some((at, altitude, separation));
            }
        }
        let (low, high) = noticed.separation_range.unwrap_or((separation, separation));
        noticed.separation_range = Some((low.min(separation), high.max(separation)));
    }

    fn gns(&mut self, s: &Sentence<'_>) -> Result<Outcome, Reason> {
        let said = sentence::gns(s)?;
        let at = self.at();
        self.heights(said.altitude, said.separation, at);
        let base = self.assembler.base(said.station);
        let new = Solution::new(s, &said, fix_of_modes(said.modes), base);
        self.timed(said.time, |d| PartialEpoch::solution(&mut d.gns, new))
    }

    fn rmc(&mut self, s: &Sentence<'_>) -> Result<Outcome, Reason> {
        let said = sentence::rmc(s)?;
        self.assembler.log.noticed.dated[0] += u64::from(said.date.is_some());
        self.timed(said.time, |d| PartialEpoch::minimum(&mut d.rmc, said))
    }

    fn gll(&mut self, s: &Sentence<'_>) -> Result<Outcome, Reason> {
        let said = sentence::gll(s)?;
        let at = self.at();
        let draft = self.assembler.at(said.time, at)?;
        PartialEpoch::minimum(&mut draft.gll, said);
        if draft.file == at.file && !self.shared {
            draft.gll_lines += 1;
            Ok(Outcome::Waits)
        } else {
            Ok(Outcome::ignored("GLL"))
        }
    }

    fn gst(&mut self, s: &Sentence<'_>) -> Result<Outcome, Reason> {
        let said = sentence::gst(s)?;
        if said.east.is_nan() && said.north.is_nan() && said.up.is_nan() {
            self.assembler.at(said.time, At { file: self.file, line: self.line })?;
            return Ok(Outcome::ignored("GST"));
        }
        self.timed(said.time, |d| PartialEpoch::noise(&mut d.gst, said))
    }

    fn zda(&mut self, s: &Sentence<'_>) -> Result<Outcome, Reason> {
        let (time, date) = sentence::zda(s)?;
        let at = self.at();
        let draft = self.assembler.at(time, at)?;
        let fresh = date.is_some() && draft.zda.is_none();
        if fresh {
            draft.zda = date;
        }
        self.assembler.log.noticed.dated[1] += u64::from(date.is_some());
        Ok(if fresh { Outcome::Used } else { Outcome::ignored(if date.is_some() { "repeat" } else { "ZDA" }) })
    }

    fn gbs(&mut self, s: &Sentence<'_>) -> Result<Outcome, Reason> {
        let time = sentence::gbs(s)?;
        let at = self.at();
        self.assembler.at(time, at)?;
        Ok(Outcome::ignored("GBS"))
    }

    fn see(&mut self, sentence: &'static str, name: &[u8], kind: &[u8], unit: &[u8], value: f64) {
        let seen = &mut self.assembler.log.noticed.seen;
        let same = |s: &Seen| s.sentence == sentence && alike(s.name.as_bytes(), name) && alike(s.unit.as_bytes(), unit);
        // Transducers come round in the same order: the one after the last is most likely the next.
        let next = if self.seen_next < seen.len() { self.seen_next } else { 0 };
        let found = if seen.get(next).is_some_and(same) { Some(next) } else { seen.iter().position(same) };
        self.seen_next = found.map_or(0, |i| i + 1);
        if let Some(one) = found.and_then(|i| seen.get_mut(i)) {
            one.count += 1;
            one.min = one.min.min(value);
            one.max = one.max.max(value);
        } else if seen.len() < MOST_SEEN {
            let text = |b: &[u8]| String::from_utf8_lossy(b).into_owned();
            seen.push(Seen {
                sentence,
                name: text(name),
                kind: text(kind),
                unit: text(unit),
                count: 1,
                first: value,
                min: value,
                max: value,
            });
        }
    }

    fn single(&mut self, s: &Sentence<'_>, carrier: Carrier, word: &'static str) -> Result<Outcome, Reason> {
        let raw = sentence::single(s)?;
        if raw.is_nan() {
            return Ok(Outcome::ignored(word));
        }
        self.see(word, b"", b"", b"", raw);
        let mut values = NO_SLOT;
        let settings = self.settings;
        for sensor in settings.sensors.iter().filter(|u| u.carrier == carrier) {
            values[sensor.slot as usize] = sensor.value(raw);
        }
        Ok(if values.iter().all(|v| v.is_nan()) { Outcome::ignored(word) } else { self.untimed(Untimed::Sensors(values)) })
    }

    fn xdr(&mut self, s: &Sentence<'_>) -> Result<Outcome, Reason> {
        let mut values = NO_SLOT;
        let mut other_unit = false;
        let settings = self.settings;
        if !s.formatter.allows(s.fields()) {
            return Err(Reason::Malformed);
        }
        for group in sentence::xdr(s) {
            let group = group?;
            if group.value.is_nan() {
                continue;
            }
            self.see("XDR", group.name, group.kind, group.unit, group.value);
            for sensor in settings.sensors.iter().filter(|u| u.carrier == Carrier::XDR && alike(&u.transducer, group.name)) {
                let right = match sensor.slot {
                    SensorValue::Range => group.kind == b"D" && group.unit == b"M",
                    // A generic transducer has no unit.
                    SensorValue::QuaternionW | SensorValue::QuaternionX | SensorValue::QuaternionY | SensorValue::QuaternionZ => {
                        group.kind == b"G" && group.unit.is_empty()
                    }
                    _ => group.kind == b"A" && group.unit == b"D",
                };
                if right {
                    values[sensor.slot as usize] = sensor.value(group.value);
                } else {
                    other_unit = true;
                    let text = |b: &[u8]| String::from_utf8_lossy(b).into_owned();
                    let units = &mut self.assembler.log.noticed.units;
                    if units.len() < MOST_SEEN {
                        *units.entry((text(group.name), text(group.unit))).or_insert(0) += 1;
                    }
                }
            }
        }
        Ok(if values.iter().any(|v| !v.is_nan()) {
            self.untimed(Untimed::Sensors(values))
        } else {
            Outcome::ignored(if other_unit { "unit" } else { "XDR" })
        })
    }
}

/// Whether two short texts are the same; without a call into the library, which costs more than the bytes.
#[inline]
fn alike(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a == b)
}

/// The word for a sentence that is not read: its formatter, or the maker's whole address.
fn other_word(address: &[u8]) -> u128 {
    let plain = !address.is_empty() && address.len() <= 12 && address.iter().all(u8::is_ascii_alphanumeric);
    match address {
        _ if !plain => pack(b"other"),
        [first, _, rest @ ..] if rest.len() == 3 && *first != b'P' => pack(rest),
        [_, _, _, _, b'Q'] => pack(b"query"),
        _ => pack(address),
    }
}
