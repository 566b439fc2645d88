//! The fields of the sentences that are read. A blank field is missing, never zero.
//!
//! Field lists: `checks/06_nmea_facts.md` and the sentences of `checks/06_nmea.csv`.

use super::line::{Formatter, Reason, Sentence};
use super::number::{angle, decimal, effective_decimals, time_of_day, whole};
use pipeline_base::time::days;

/// Metres per second of one knot: 1852 m per hour.
pub const KNOT: f64 = 1852.0 / 3600.0;
/// Missing number.
const NONE: f64 = f64::NAN;

type Read<T> = Result<T, Reason>;
const BAD: Reason = Reason::Malformed;

/// The high bit of every byte that is a comma, and no other bit.
#[inline]
const fn commas(word: u64) -> u64 {
    const LOW: u64 = 0x7f7f_7f7f_7f7f_7f7f;
    let d = word ^ (0x0101_0101_0101_0101 * b',' as u64);
    // No carry leaves its byte, so this is exact, unlike the shorter form with a subtraction.
    !(((d & LOW) + LOW) | d | LOW)
}

/// The data fields of one sentence.
pub struct Fields<'a> {
    body: &'a [u8],
    ends: [u16; 20],
    count: usize,
}

impl<'a> Fields<'a> {
    /// Splits a body and checks the count of fields: a checksum cannot see two lost commas
    /// (S-GGA-TRAP).
    ///
    /// # Errors
    /// When the sentence cannot have that many fields.
    #[inline]
    pub fn new(sentence: &Sentence<'a>) -> Read<Self> {
        let body = sentence.body;
        if body.len() > 4_000 {
            return Err(BAD);
        }
        let mut ends = [0_u16; 20];
        let mut count = 0;
        // Fields are short: a search for each comma costs more than eight bytes at a time.
        let (words, rest) = body.as_chunks::<8>();
        let mut last = [0_u8; 8];
        last[..rest.len()].copy_from_slice(rest);
        for (start, word) in (0_u16..).step_by(8).zip(words.iter().chain(std::iter::once(&last))) {
            let mut commas = commas(u64::from_le_bytes(*word));
            while commas != 0 {
                if count >= 19 {
                    return Err(BAD);
                }
                #[allow(clippy::cast_possible_truncation)]
                {
                    ends[count] = start + (commas.trailing_zeros() / 8) as u16;
                }
                count += 1;
                commas &= commas - 1;
            }
        }
        #[allow(clippy::cast_possible_truncation)]
        {
            ends[count] = body.len() as u16;
        }
        count += 1;
        if sentence.formatter.allows(count) { Ok(Self { body, ends, count }) } else { Err(BAD) }
    }

    /// Field `i`, counted from 0; empty when there is none.
    #[inline]
    fn get(&self, i: usize) -> &'a [u8] {
        if i >= self.count {
            return &[];
        }
        let from = if i == 0 { 0 } else { self.ends[i - 1] as usize + 1 };
        &self.body[from..self.ends[i] as usize]
    }

    #[inline]
    fn number(&self, i: usize) -> Read<f64> {
        match self.get(i) {
            [] => Ok(NONE),
            text => decimal(text).map(|d| d.value).ok_or(BAD),
        }
    }

    /// A number that cannot be negative.
    #[inline]
    fn size(&self, i: usize) -> Read<f64> {
        let value = self.number(i)?;
        if value < 0.0 { Err(BAD) } else { Ok(value) }
    }

    /// A dilution: 99.99 and above says "unknown".
    #[inline]
    fn dilution(&self, i: usize) -> Read<f64> {
        let value = self.size(i)?;
        Ok(if value < 99.9 && value > 0.0 { value } else { NONE })
    }

    #[inline]
    fn time(&self, i: usize) -> Read<i64> {
        match self.get(i) {
            [] => Err(Reason::NoTime),
            text => time_of_day(text).ok_or(BAD),
        }
    }

    #[inline]
    fn code(&self, i: usize) -> Read<Option<i64>> {
        match self.get(i) {
            [] => Ok(None),
            text => whole(text).map(Some).ok_or(BAD),
        }
    }

    /// Latitude and longitude from four fields.
    #[inline]
    fn place(&self, i: usize) -> Read<WrittenPosition> {
        let (lat, lon) = (self.get(i), self.get(i + 2));
        if lat.is_empty() && lon.is_empty() {
            return Ok(WrittenPosition::default());
        }
        let north = match self.get(i + 1) {
            b"N" => 1.0,
            b"S" => -1.0,
            _ => return Err(BAD),
        };
        let east = match self.get(i + 3) {
            b"E" => 1.0,
            b"W" => -1.0,
            _ => return Err(BAD),
        };
        let latitude = angle(lat, 90).ok_or(BAD)?;
        let longitude = angle(lon, 180).ok_or(BAD)?;
        Ok(WrittenPosition {
            latitude: north * latitude.degrees,
            longitude: east * longitude.degrees,
            decimals: latitude.decimals.min(longitude.decimals),
            effective: effective_decimals(lat, latitude.decimals).max(effective_decimals(lon, longitude.decimals)),
        })
    }
}

/// A position as it was written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WrittenPosition {
    /// Degrees, NaN when blank.
    pub latitude: f64,
    /// Degrees, NaN when blank.
    pub longitude: f64,
    /// Digits of minutes after the point, the smaller of the two.
    pub decimals: u8,
    /// The same without trailing zeros, the larger of the two.
    pub effective: u8,
}

impl Default for WrittenPosition {
    fn default() -> Self {
        Self { latitude: NONE, longitude: NONE, decimals: 0, effective: 0 }
    }
}

impl WrittenPosition {
    /// Whether there is one.
    #[must_use]
    pub fn known(&self) -> bool {
        !self.latitude.is_nan()
    }
}

/// GGA, and GNS with its mode letters.
#[derive(Clone, Copy, Debug)]
#[allow(missing_docs)]
pub struct Position<'a> {
    pub time: i64,
    pub place: WrittenPosition,
    /// Raw GGA field 6.
    pub quality: Option<i64>,
    /// GNS mode letters.
    pub modes: &'a [u8],
    pub satellites: Option<i64>,
    pub hdop: f64,
    /// Metres above the receiver's geoid.
    pub altitude: f64,
    /// Digits of the altitude after the point, without trailing zeros.
    pub altitude_effective: u8,
    /// Metres.
    pub separation: f64,
    /// Seconds.
    pub age: f64,
    pub station: &'a [u8],
}

/// Reads GGA.
///
/// # Errors
/// When a field is impossible or the time is blank.
#[inline]
pub fn gga<'a>(sentence: &Sentence<'a>) -> Read<Position<'a>> {
    let f = Fields::new(sentence)?;
    let unit = |i: usize| if matches!(f.get(i), b"M" | b"") { Ok(()) } else { Err(BAD) };
    unit(9)?;
    unit(11)?;
    let (altitude, altitude_effective) = altitude(f.get(8))?;
    Ok(Position {
        place: f.place(1)?,
        quality: f.code(5)?,
        modes: &[],
        satellites: f.code(6)?,
        hdop: f.dilution(7)?,
        altitude,
        altitude_effective,
        separation: f.number(10)?,
        age: f.size(12)?,
        station: f.get(13),
        time: f.time(0)?,
    })
}

/// Reads GNS.
///
/// # Errors
/// When a field is impossible or the time is blank.
pub fn gns<'a>(sentence: &Sentence<'a>) -> Read<Position<'a>> {
    let f = Fields::new(sentence)?;
    let modes = f.get(5);
    if !modes.iter().all(u8::is_ascii_uppercase) {
        return Err(BAD);
    }
    let (altitude, altitude_effective) = altitude(f.get(8))?;
    Ok(Position {
        place: f.place(1)?,
        quality: None,
        modes,
        satellites: f.code(6)?,
        hdop: f.dilution(7)?,
        altitude,
        altitude_effective,
        separation: f.number(9)?,
        age: f.size(10)?,
        station: f.get(11),
        time: f.time(0)?,
    })
}

#[inline]
fn altitude(text: &[u8]) -> Read<(f64, u8)> {
    if text.is_empty() {
        return Ok((NONE, 0));
    }
    let d = decimal(text).ok_or(BAD)?;
    Ok((d.value, effective_decimals(text, d.decimals)))
}

/// RMC, and GLL with what it has of the same.
#[derive(Clone, Copy, Debug)]
#[allow(missing_docs)]
pub struct Minimum {
    pub time: i64,
    /// Status A; `false` for V and blank.
    pub valid: bool,
    pub place: WrittenPosition,
    /// Metres per second.
    pub speed: f64,
    /// Days since 1970.
    pub date: Option<i64>,
    /// Mode letter, 0 for none.
    pub mode: u8,
}

fn status(text: &[u8]) -> Read<bool> {
    match text {
        b"A" => Ok(true),
        b"V" | b"" => Ok(false),
        _ => Err(BAD),
    }
}

fn mode(text: &[u8]) -> Read<u8> {
    match text {
        [] => Ok(0),
        [letter] if letter.is_ascii_uppercase() => Ok(*letter),
        _ => Err(BAD),
    }
}

/// Reads RMC. Position fields of a void sentence are not looked at.
///
/// # Errors
/// When a field is impossible or the time is blank.
#[inline]
pub fn rmc(sentence: &Sentence<'_>) -> Read<Minimum> {
    let f = Fields::new(sentence)?;
    let valid = status(f.get(1))?;
    // Some receivers leave out the field of the variation's direction and put the mode there.
    let letter = match (f.count, f.get(10)) {
        (11, b"E" | b"W" | b"") => 0,
        (11, other) => mode(other)?,
        _ => mode(f.get(11))?,
    };
    Ok(Minimum {
        valid,
        place: if valid { f.place(2)? } else { WrittenPosition::default() },
        speed: if valid { f.size(6)? * KNOT } else { NONE },
        date: short_date(f.get(8))?,
        mode: letter,
        time: f.time(0)?,
    })
}

/// `ddmmyy`; the two-digit year stands for 1994 to 2093.
#[inline]
fn short_date(text: &[u8]) -> Read<Option<i64>> {
    if text.is_empty() {
        return Ok(None);
    }
    if text.len() != 6 {
        return Err(BAD);
    }
    let all = whole(text).ok_or(BAD)?;
    let (day, month, short) = (all / 10_000, all / 100 % 100, all % 100);
    let year = if short >= 94 { 1900 + short } else { 2000 + short };
    days(year, month, day).map(Some).ok_or(BAD)
}

/// Reads GLL.
///
/// # Errors
/// When a field is impossible or the time is blank.
pub fn gll(sentence: &Sentence<'_>) -> Read<Minimum> {
    let f = Fields::new(sentence)?;
    let valid = f.count < 6 || status(f.get(5))?;
    Ok(Minimum {
        valid,
        place: if valid { f.place(0)? } else { WrittenPosition::default() },
        speed: NONE,
        date: None,
        mode: mode(f.get(6))?,
        time: f.time(4)?,
    })
}

/// Reads ZDA: time and days since 1970, when the date is given and lies in 1994 to 2093.
///
/// # Errors
/// When a field is impossible or the time is blank.
pub fn zda(sentence: &Sentence<'_>) -> Read<(i64, Option<i64>)> {
    let f = Fields::new(sentence)?;
    let date = match (f.code(1)?, f.code(2)?, f.code(3)?) {
        (Some(day), Some(month), Some(year)) => {
            let number = days(year, month, day).ok_or(BAD)?;
            (1994..=2093).contains(&year).then_some(number)
        }
        _ => None,
    };
    Ok((f.time(0)?, date))
}

/// Time of GBS, whose other fields are not needed.
///
/// # Errors
/// When the count of fields or the time is wrong.
pub fn gbs(sentence: &Sentence<'_>) -> Read<i64> {
    Fields::new(sentence)?.time(0)
}

/// GST: 1 sigma, metres; NaN when blank. A sigma of zero says nothing and counts as blank.
#[derive(Clone, Copy, Debug)]
#[allow(missing_docs)]
pub struct Noise {
    pub time: i64,
    pub major: f64,
    pub minor: f64,
    /// Orientation of the major axis, degrees from true north.
    pub orientation: f64,
    pub north: f64,
    pub east: f64,
    pub up: f64,
}

/// Reads GST.
///
/// # Errors
/// When a field is impossible or the time is blank.
#[inline]
pub fn gst(sentence: &Sentence<'_>) -> Read<Noise> {
    let f = Fields::new(sentence)?;
    let sigma = |i| f.size(i).map(|v| if v > 0.0 { v } else { NONE });
    f.size(1)?;
    Ok(Noise {
        major: sigma(2)?,
        minor: sigma(3)?,
        orientation: f.number(4)?,
        north: sigma(5)?,
        east: sigma(6)?,
        up: sigma(7)?,
        time: f.time(0)?,
    })
}

impl Noise {
    /// Correlation of east and north from the error ellipse, when it agrees with the two sigmas.
    ///
    /// With the major axis `a` at angle `t` from north and the minor axis `b`: variance north
    /// `a² cos² t + b² sin² t`, east `a² sin² t + b² cos² t`, covariance `(a² - b²) sin t cos t`.
    /// The sigmas of the ellipse may differ from fields 6 and 7 by a tenth and by their rounding;
    /// when they differ by more, the receiver means something else by the ellipse, and the answer
    /// is NaN.
    #[must_use]
    pub fn correlation(&self) -> f64 {
        let (sin, cos) = self.orientation.to_radians().sin_cos();
        let (a2, b2) = (self.major * self.major, self.minor * self.minor);
        let north = (a2 * cos * cos + b2 * sin * sin).sqrt();
        let east = (a2 * sin * sin + b2 * cos * cos).sqrt();
        let near = |a: f64, b: f64| (a - b).abs() <= 0.1 * b + 0.0015;
        if near(north, self.north) && near(east, self.east) { ((a2 - b2) * sin * cos / (north * east)).clamp(-1.0, 1.0) } else { NONE }
    }
}

/// GSA.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)]
pub struct Dilution {
    pub pdop: f64,
    pub hdop: f64,
    pub vdop: f64,
    pub satellites: u8,
    /// Talker GN.
    pub combined: bool,
}

/// Reads GSA.
///
/// # Errors
/// When a field is impossible.
#[inline]
pub fn gsa(sentence: &Sentence<'_>) -> Read<Dilution> {
    let f = Fields::new(sentence)?;
    #[allow(clippy::cast_possible_truncation)]
    Ok(Dilution {
        pdop: f.dilution(14)?,
        hdop: f.dilution(15)?,
        vdop: f.dilution(16)?,
        satellites: (2..14).filter(|i| !f.get(*i).is_empty()).count() as u8,
        combined: sentence.address.starts_with(b"GN"),
    })
}

/// Reads VTG: speed over ground, m/s.
///
/// # Errors
/// When a field is impossible.
pub fn vtg(sentence: &Sentence<'_>) -> Read<f64> {
    let f = Fields::new(sentence)?;
    match f.count {
        4 => Ok(f.size(2)? * KNOT),
        _ if !f.get(4).is_empty() => Ok(f.size(4)? * KNOT),
        _ => Ok(f.size(6)? / 3.6),
    }
}

/// Reads HDT, HDM or ROT: the number, deg or deg/min.
///
/// # Errors
/// When a field is impossible.
pub fn single(sentence: &Sentence<'_>) -> Read<f64> {
    let f = Fields::new(sentence)?;
    let value = f.number(0)?;
    let usable = match (sentence.formatter, f.get(1)) {
        (Formatter::HDT, b"T" | b"") | (Formatter::HDM, b"M" | b"") => return in_circle(value),
        (Formatter::ROT, b"A" | b"") => true,
        (Formatter::ROT, b"V") => false,
        _ => return Err(BAD),
    };
    Ok(if usable { value } else { NONE })
}

fn in_circle(value: f64) -> Read<f64> {
    if value.is_nan() || (-360.0..=360.0).contains(&value) { Ok(value) } else { Err(BAD) }
}

/// One transducer group of XDR.
#[derive(Clone, Copy, Debug)]
#[allow(missing_docs)]
pub struct Transducer<'a> {
    pub kind: &'a [u8],
    /// NaN when blank.
    pub value: f64,
    pub unit: &'a [u8],
    pub name: &'a [u8],
}

/// Reads the groups of XDR, one after another.
pub fn xdr<'a>(sentence: &Sentence<'a>) -> impl Iterator<Item = Read<Transducer<'a>>> + use<'a> {
    let mut rest = Some(sentence.body);
    std::iter::from_fn(move || {
        let mut part = || {
            let text = rest?;
            let end = text.iter().position(|b| *b == b',');
            rest = end.map(|e| &text[e + 1..]);
            Some(end.map_or(text, |e| &text[..e]))
        };
        let kind = part()?;
        let Some(value) = part() else { return if kind.is_empty() { None } else { Some(Err(BAD)) } };
        let (Some(unit), Some(name)) = (part(), part()) else { return Some(Err(BAD)) };
        let value = if value.is_empty() {
            NONE
        } else if let Some(d) = decimal(value) {
            d.value
        } else {
            return Some(Err(BAD));
        };
        Some(Ok(Transducer { kind, value, unit, name }))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn fields_are_what_stands_between_commas(parts in prop::collection::vec("[ -+\\--~\u{80}-\u{ff}]{0,11}", 14)) {
            let body = parts.join(",");
            let sentence = Sentence { address: b"GNGGA", formatter: Formatter::GGA, body: body.as_bytes() };
            let Ok(fields) = Fields::new(&sentence) else { return Err(TestCaseError::fail("fourteen fields")) };
            for (i, part) in parts.iter().enumerate() {
                prop_assert_eq!(fields.get(i), part.as_bytes());
            }
        }

        #[test]
        fn commas_of_any_word(word: [u8; 8]) {
            let marks = commas(u64::from_le_bytes(word)).to_le_bytes();
            let right = word.iter().zip(marks).all(|(b, m)| m == if *b == b',' { 0x80 } else { 0 });
            prop_assert!(right);
        }
    }
}
