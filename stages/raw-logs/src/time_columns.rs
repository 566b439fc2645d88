//! Times in delimited text: formats, time scales and leap seconds.
//!
//! Every instant inside the program is nanoseconds since 1970-01-01T00:00:00 UTC, leap seconds not
//! counted. Texts are read digit by digit, so that `1700000000.123456789` keeps its nanoseconds.

use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
pub use pipeline_base::time::{date, date_text};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One second, ns.
pub const SECOND_NS: i64 = 1_000_000_000;
/// One day, ns.
pub const DAY_NS: i64 = 86_400 * SECOND_NS;
/// 1980-01-06T00:00:00, the start of GPS week 0 (IS-GPS-200), as seconds since 1970.
const GPS_START_S: i64 = 315_964_800;

/// How a time is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TimeFormat {
    /// `2026-05-04T10:11:12.500`, also with a blank for the `T`, and with `Z` or `+02:00` behind.
    Iso8601,
    /// Seconds since 1970-01-01T00:00:00.
    UnixS,
    /// Milliseconds since 1970-01-01T00:00:00.
    UnixMs,
    /// Seconds of the GPS week; `week_column` holds the full week number (2000 and more, not modulo 1024).
    GpsWeekSeconds,
    /// Seconds since midnight, with `date` or `date_column`.
    SecondsOfDay,
    /// `10:11:12.500`, with `date` or `date_column`.
    TimeOfDay,
}

/// Which clock the times are of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TimeScale {
    /// UTC.
    Utc,
    /// GPS time: ahead of UTC by 18 s since 2017-01-01.
    Gps,
    /// International atomic time: ahead of GPS time by 19 s.
    Tai,
}

/// Where the time stands, and what it means.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TimeColumn {
    /// Column.
    pub column: String,
    /// How it is written.
    pub format: TimeFormat,
    /// Which clock it is of. A `Z` in the text does not overrule it.
    pub scale: TimeScale,
    /// Column of the GPS week, for `gps-week-seconds`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub week_column: Option<String>,
    /// Date of the first row, YYYY-MM-DD, for `seconds-of-day` and `time-of-day`. A fall by more than 12 hours is the next day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// Column of the date of each row, YYYY-MM-DD, for `seconds-of-day` and `time-of-day`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date_column: Option<String>,
    /// How far the clock is ahead of its time scale because of a time zone, hours: 2 for UTC+2.
    #[serde(default)]
    #[schemars(range(min = -14.0, max = 14.0))]
    pub ahead_h: f64,
}

/// A checked [`TimeColumn`].
#[derive(Clone, Debug)]
pub struct TimeReader {
    format: TimeFormat,
    scale: TimeScale,
    /// Days since 1970 of the first row.
    date: Option<i64>,
    ahead_ns: i64,
}

/// Remembers the day while a file of times of day is read.
#[derive(Clone, Copy, Debug, Default)]
pub struct Days {
    last_ns: Option<i64>,
    past: i64,
}

impl TimeColumn {
    /// Checks that the options fit together. `option` is the path of this map below `options`.
    ///
    /// # Errors
    /// All contradictions.
    pub fn clock(&self, option: &str) -> Result<TimeReader, Vec<Problem>> {
        let mut problems = vec![];
        let mut wrong = |key: &str, what: String, fix: &str| {
            problems.push(Problem::new("time/bad-options", what).option(format!("{option}.{key}")).fix(fix));
        };
        let of_day = matches!(self.format, TimeFormat::SecondsOfDay | TimeFormat::TimeOfDay);
        let by_week = self.format == TimeFormat::GpsWeekSeconds;
        if by_week && self.scale != TimeScale::Gps {
            wrong("scale", "GPS weeks are counted in GPS time".into(), "set `scale: gps`");
        }
        if by_week && self.week_column.is_none() {
            wrong("format", "seconds of the week without the week".into(), "name `week_column`");
        }
        if !by_week && self.week_column.is_some() {
            wrong("week_column", "this format has no week".into(), "remove `week_column`, or set `format: gps-week-seconds`");
        }
        if of_day && self.date.is_some() == self.date_column.is_some() {
            wrong("format", "a time of day needs its date, once".into(), "give `date` (of the first row) or `date_column`");
        }
        if !of_day && (self.date.is_some() || self.date_column.is_some()) {
            wrong("date", "this format has its own date".into(), "remove `date` and `date_column`");
        }
        let date = self.date.as_deref().and_then(date);
        if let (Some(text), None) = (&self.date, date) {
            wrong("date", format!("`{text}` is not a date"), "write YYYY-MM-DD");
        }
        if !(-14.0..=14.0).contains(&self.ahead_h) {
            wrong("ahead_h", format!("no time zone is `{}` hours ahead", self.ahead_h), "give hours between -14 and 14");
        }
        if problems.is_empty() {
            Ok(TimeReader { format: self.format, scale: self.scale, date, ahead_ns: to_ns(self.ahead_h * 3600.0) })
        } else {
            Err(problems)
        }
    }
}

/// Seconds as ns, rounded.
#[must_use]
#[allow(clippy::cast_possible_truncation)]
pub fn to_ns(seconds: f64) -> i64 {
    (seconds * 1e9).round() as i64
}

impl TimeReader {
    /// The instant of a text, in ns since 1970 UTC. `other` is the text of the week or date column.
    #[must_use]
    pub fn instant(&self, text: &str, other: Option<&str>, days: &mut Days, decimal_comma: bool) -> Option<i64> {
        let comma;
        let text = text.trim();
        let text = if decimal_comma && text.contains(',') {
            comma = text.replace(',', ".");
            comma.as_str()
        } else {
            text
        };
        let label = match self.format {
            TimeFormat::Iso8601 => iso(text)?,
            TimeFormat::UnixS => decimal(text, SECOND_NS)?,
            TimeFormat::UnixMs => decimal(text, 1_000_000)?,
            TimeFormat::GpsWeekSeconds => {
                let week: i64 = other?.trim().parse().ok()?;
                // A week below 1024 (before 1999-08-22) is a rolled-over one; which 1024 is unknown.
                if !(1024..10_000).contains(&week) {
                    return None;
                }
                let seconds = decimal(text, SECOND_NS)?;
                (0..=7 * DAY_NS).contains(&seconds).then_some(())?;
                (GPS_START_S + week * 604_800) * SECOND_NS + seconds
            }
            TimeFormat::SecondsOfDay | TimeFormat::TimeOfDay => {
                let of_day = if self.format == TimeFormat::SecondsOfDay { decimal(text, SECOND_NS)? } else { time_of_day(text)? };
                (0..=DAY_NS + SECOND_NS).contains(&of_day).then_some(())?;
                match self.date {
                    Some(first) => {
                        if days.last_ns.is_some_and(|last| last - of_day > DAY_NS / 2) {
                            days.past += 1;
                        }
                        days.last_ns = Some(of_day);
                        (first + days.past) * DAY_NS + of_day
                    }
                    None => date(other?.trim())? * DAY_NS + of_day,
                }
            }
        };
        // Ninety years on both sides of now; anything else is a wrong format or a wrong column.
        (-1_000_000_000 * SECOND_NS..=7_258_118_400 * SECOND_NS).contains(&label).then(|| to_utc(label - self.ahead_ns, self.scale))
    }

    /// A warning when a time counted in GPS or atomic time is younger than the table of leap seconds.
    #[must_use]
    pub fn beyond_leap_table(&self, last_utc_ns: i64, place: &str) -> Option<Diagnostic> {
        if self.scale == TimeScale::Utc || last_utc_ns < LEAP_TABLE_ENDS_S * SECOND_NS {
            return None;
        }
        let end = LEAP_TABLE_ENDS_S / 86_400;
        Some(
            Diagnostic::new(
                "time/leap-seconds-not-known",
                Verdict::Warn,
                format!(
                    "times reach {}, and the built-in leap seconds are announced until {}",
                    date_text(last_utc_ns.div_euclid(DAY_NS)),
                    date_text(end)
                ),
            )
            .place(place)
            .size("1 s if a leap second has been added since; 0.5 m at 0.5 m/s")
            .why(format!("GPS time was taken as {} s ahead of UTC", gps_minus_utc_s(last_utc_ns)))
            .fix("check IERS Bulletin C; a newer version of the program has a newer table"),
        )
    }
}

/// TAI-UTC: first day (seconds since 1970) and seconds, from the IERS file leap-seconds.list, last
/// change 2017-01-01, with the same dates as IERS Bulletin C.
const LEAPS: [(i64, i64); 28] = [
    (63_072_000, 10),
    (78_796_800, 11),
    (94_694_400, 12),
    (126_230_400, 13),
    (157_766_400, 14),
    (189_302_400, 15),
    (220_924_800, 16),
    (252_460_800, 17),
    (283_996_800, 18),
    (315_532_800, 19),
    (362_793_600, 20),
    (394_329_600, 21),
    (425_865_600, 22),
    (489_024_000, 23),
    (567_993_600, 24),
    (631_152_000, 25),
    (662_688_000, 26),
    (709_948_800, 27),
    (741_484_800, 28),
    (773_020_800, 29),
    (820_454_400, 30),
    (867_715_200, 31),
    (915_148_800, 32),
    (1_136_073_600, 33),
    (1_230_768_000, 34),
    (1_341_100_800, 35),
    (1_435_708_800, 36),
    (1_483_228_800, 37),
];
/// Until when that file speaks: 2026-06-28.
const LEAP_TABLE_ENDS_S: i64 = 1_782_604_800;
/// TAI-GPS, constant (IS-GPS-200).
const TAI_MINUS_GPS_S: i64 = 19;

/// GPS time minus UTC at an instant (ns since 1970 UTC), whole seconds.
#[must_use]
pub fn gps_minus_utc_s(utc_ns: i64) -> i64 {
    let seconds = utc_ns.div_euclid(SECOND_NS);
    LEAPS.iter().rev().find(|(start, _)| seconds >= *start).map_or(LEAPS[0].1, |(_, tai)| *tai) - TAI_MINUS_GPS_S
}

/// The UTC instant of a clock reading of another scale, both in ns since 1970. The leap second itself
/// has no number of its own in UTC and falls on the second after it.
#[must_use]
pub fn to_utc(label_ns: i64, scale: TimeScale) -> i64 {
    let constant = match scale {
        TimeScale::Utc => return label_ns,
        TimeScale::Gps => TAI_MINUS_GPS_S,
        TimeScale::Tai => 0,
    };
    for (start, tai) in LEAPS.iter().rev() {
        let utc = label_ns - (tai - constant) * SECOND_NS;
        if utc >= start * SECOND_NS {
            return utc;
        }
        if utc >= (start - 1) * SECOND_NS {
            // During the leap second: the earlier offset would also be possible and lands on :60.
            return start * SECOND_NS;
        }
    }
    label_ns - (LEAPS[0].1 - constant) * SECOND_NS
}

/// A decimal number times `unit`, exactly, digit by digit; also with an exponent, then as a double.
fn decimal(text: &str, unit: i64) -> Option<i64> {
    let (negative, digits) = match text.as_bytes().first()? {
        b'-' => (true, &text[1..]),
        b'+' => (false, &text[1..]),
        _ => (false, text),
    };
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let plain = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() && part.is_empty() {
        return None;
    }
    if !plain(whole) || !plain(part) {
        let value: f64 = text.parse().ok()?;
        #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
        return (text.contains(['e', 'E']) && value.is_finite() && value.abs() < 9e18 / unit as f64)
            .then(|| (value * unit as f64).round() as i64);
    }
    let whole: i128 = if whole.is_empty() { 0 } else { whole.parse().ok()? };
    let mut value = whole.checked_mul(i128::from(unit))?;
    let mut scale = i128::from(unit);
    let mut rest = 0;
    for byte in part.bytes() {
        scale /= 10;
        if scale == 0 {
            rest = rest.max(i32::from(byte - b'0' >= 5 && rest == 0));
            break;
        }
        value += i128::from(byte - b'0') * scale;
    }
    value += i128::from(rest);
    i64::try_from(if negative { -value } else { value }).ok()
}

/// An instant as YYYY-MM-DDThh:mm:ss.ssZ, cut to hundredths.
#[must_use]
pub fn instant_text(utc_ns: i64) -> String {
    let of_day = utc_ns.rem_euclid(DAY_NS) / 10_000_000;
    let (s, hundredths) = (of_day / 100, of_day % 100);
    format!("{}T{:02}:{:02}:{:02}.{hundredths:02}Z", date_text(utc_ns.div_euclid(DAY_NS)), s / 3600, s / 60 % 60, s % 60)
}

/// `hh:mm:ss` with decimals, in ns. A leap second (`:60`) is the second after it.
fn time_of_day(text: &str) -> Option<i64> {
    let mut parts = text.split(':');
    let (h, m, s) = (parts.next()?, parts.next()?, parts.next().unwrap_or("0"));
    if parts.next().is_some() || h.len() > 2 || m.len() != 2 || !s.as_bytes().first()?.is_ascii_digit() {
        return None;
    }
    let whole = |s: &str| s.bytes().all(|b| b.is_ascii_digit()).then(|| s.parse::<i64>().ok()).flatten();
    let (h, m, s) = (whole(h)?, whole(m)?, decimal(s, SECOND_NS)?);
    (h < 24 && m < 60 && (0..61 * SECOND_NS).contains(&s)).then(|| (h * 3600 + m * 60) * SECOND_NS + s)
}

/// ISO 8601, with or without zone, as ns since 1970 of the label with the zone taken off.
fn iso(text: &str) -> Option<i64> {
    if !text.is_ascii() || text.len() < 16 {
        return None;
    }
    let day = date(text.get(..10)?)?;
    if !matches!(text.as_bytes()[10], b'T' | b't' | b' ') {
        return None;
    }
    let rest = text[11..].trim_end();
    let (clock, zone_ns) = match rest.rfind(['+', '-', 'Z', 'z']) {
        None => (rest, 0),
        Some(at) if rest[at..].eq_ignore_ascii_case("z") => (&rest[..at], 0),
        Some(at) => {
            let zone = rest[at + 1..].replace(':', "");
            if !(zone.len() == 2 || zone.len() == 4) || !zone.bytes().all(|b| b.is_ascii_digit()) {
                return None;
            }
            let hours: i64 = zone[..2].parse().ok()?;
            let minutes: i64 = if zone.len() == 4 { zone[2..].parse().ok()? } else { 0 };
            if hours > 14 || minutes > 59 {
                return None;
            }
            let ns = (hours * 3600 + minutes * 60) * SECOND_NS;
            (&rest[..at], if rest.as_bytes()[at] == b'-' { -ns } else { ns })
        }
    };
    Some(day * DAY_NS + time_of_day(clock.trim_end())? - zone_ns)
}

#[cfg(test)]
mod tests;
