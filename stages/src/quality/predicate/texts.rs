//! Instants, dates, times of day and lengths of time from texts, and texts from values.

use pipeline_base::time;

/// Nanoseconds of a second.
pub(super) const SECOND: i64 = 1_000_000_000;
/// Nanoseconds of a day.
pub(super) const DAY: i64 = 86_400 * SECOND;

/// Nanoseconds at the midnight that begins a day `YYYY-MM-DD`.
pub(super) fn date(text: &str) -> Option<i64> {
    time::date(text)?.checked_mul(DAY)
}

/// Nanoseconds since midnight of `hh:mm`, `hh:mm:ss` or `hh:mm:ss.s` (one to nine decimals).
pub(super) fn clock(text: &str) -> Option<i64> {
    let mut parts = text.split(':');
    let (hours, minutes, seconds) = (digits(parts.next()?, 2)?, digits(parts.next()?, 2)?, parts.next().unwrap_or("00"));
    let (whole, decimals) = seconds.split_once('.').map_or((seconds, "0"), |(w, d)| (w, d));
    let whole = digits(whole, 2)?;
    if parts.next().is_some() || hours > 23 || minutes > 59 || whole > 59 || !(1..=9).contains(&decimals.len()) {
        return None;
    }
    let fraction = digits(decimals, decimals.len())? * 10_i64.pow(9 - decimals.len() as u32);
    Some((hours * 3600 + minutes * 60 + whole) * SECOND + fraction)
}

/// Nanoseconds since 1970 UTC of an ISO 8601 text: a date, or a date, `T` or a space, a time of day and at its end nothing,
/// `Z` or an offset `+hh:mm`. Without an offset it is UTC.
pub(super) fn instant(text: &str) -> Option<i64> {
    let day = date(text.get(..10)?)?;
    let Some(rest) = text.get(11..) else { return (text.len() == 10).then_some(day) };
    if !matches!(text.as_bytes()[10], b'T' | b' ') {
        return None;
    }
    let (of_day, offset) = match rest.find(['Z', '+', '-']) {
        None => (rest, 0),
        Some(at) if &rest[at..] == "Z" => (&rest[..at], 0),
        Some(at) => {
            let ahead = clock(&rest[at + 1..])?;
            (&rest[..at], if rest.as_bytes()[at] == b'-' { -ahead } else { ahead })
        }
    };
    day.checked_add(clock(of_day)?)?.checked_sub(offset)
}

/// Nanoseconds of a length of time such as `90 seconds` or `1 hour 30 minutes`. Months and years have no fixed length.
pub(super) fn span(text: &str) -> Option<i64> {
    let text = text.to_ascii_lowercase();
    let mut rest = text.trim_start_matches(' ');
    let mut sum = 0_i64;
    if rest.is_empty() {
        return None;
    }
    while !rest.is_empty() {
        let end = rest.find(|c: char| !c.is_ascii_digit())?;
        let number: i64 = rest[..end].parse().ok()?;
        rest = rest[end..].trim_start_matches([' ', ',']);
        let end = rest.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(rest.len());
        let unit = match &rest[..end] {
            "ns" | "nanosecond" | "nanoseconds" => 1,
            "us" | "microsecond" | "microseconds" => 1_000,
            "ms" | "millisecond" | "milliseconds" => 1_000_000,
            "s" | "sec" | "secs" | "second" | "seconds" => SECOND,
            "m" | "min" | "mins" | "minute" | "minutes" => 60 * SECOND,
            "h" | "hour" | "hours" => 3600 * SECOND,
            "d" | "day" | "days" => DAY,
            "w" | "week" | "weeks" => 7 * DAY,
            _ => return None,
        };
        sum = sum.checked_add(number.checked_mul(unit)?)?;
        rest = rest[end..].trim_start_matches([' ', ',']);
    }
    Some(sum)
}

/// `2026-05-04 14:00:00.000000000+00:00`.
pub(super) fn instant_text(ns: i64) -> String {
    let (day, of_day) = (ns.div_euclid(DAY), ns.rem_euclid(DAY));
    let (s, fraction) = (of_day / SECOND, of_day % SECOND);
    format!("{} {:02}:{:02}:{:02}.{fraction:09}+00:00", time::date_text(day), s / 3600, s / 60 % 60, s % 60)
}

/// `2026-05-04`.
pub(super) fn date_text(ns: i64) -> String {
    time::date_text(ns.div_euclid(DAY))
}

/// A number in as few digits as give it back: `1.5`, `2.0`, `1e+16`, `9.99e-6`.
pub(super) fn real_text(x: f64) -> String {
    let size = x.abs();
    if !x.is_finite() || size == 0.0 || (1e-5..1e16).contains(&size) {
        let text = format!("{x}");
        return if x.is_finite() && !text.contains('.') { text + ".0" } else { text };
    }
    let text = format!("{x:e}");
    if size >= 1.0 { text.replace('e', "e+") } else { text }
}

fn digits(text: &str, length: usize) -> Option<i64> {
    (text.len() == length && text.bytes().all(|b| b.is_ascii_digit())).then(|| text.parse().ok()).flatten()
}
