//! Times as crews write them: `14:22:06`, `14:22:06.4`, `2026-05-04T14:22:06Z`, `2026-05-04 14:22:06+02:00`.

/// Nanoseconds in a second, an hour and a day.
pub(crate) const SECOND: i64 = 1_000_000_000;
/// Nanoseconds in an hour.
pub(crate) const HOUR: i64 = 3600 * SECOND;
/// Nanoseconds in a day.
pub(crate) const DAY: i64 = 24 * HOUR;

/// A time as it was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Written {
    /// A full instant, ns since 1970 UTC.
    Instant(i64),
    /// A date and a time of day without a zone, ns since 1970 on the writer's clock.
    Local(i64),
    /// A time of day without a date, ns since midnight on the writer's clock.
    Clock(i64),
}

/// Reads a time. `None` when it is none.
#[must_use]
pub(crate) fn read(text: &str) -> Option<Written> {
    let text = text.trim();
    if !text.is_ascii() {
        return None;
    }
    if text.len() > 10 && text.as_bytes()[4] == b'-' {
        let (date, rest) = text.split_at(10);
        let rest = rest.strip_prefix(['T', 't', ' '])?;
        let days = days_since_1970(date)?;
        let zone_at = rest.find(['Z', 'z', '+', '-']);
        let (clock, zone) = zone_at.map_or((rest, ""), |i| rest.split_at(i));
        let local = days.checked_mul(DAY)?.checked_add(clock_ns(clock.trim_end())?)?;
        return match zone.trim() {
            "" => Some(Written::Local(local)),
            "Z" | "z" => Some(Written::Instant(local)),
            zone => Some(Written::Instant(local.checked_sub(offset_ns(zone)?)?)),
        };
    }
    clock_ns(text).map(Written::Clock)
}

fn digits(text: &str, least: usize, most: usize) -> Option<i64> {
    if text.len() < least || text.len() > most || !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    text.parse().ok()
}

/// `HH:MM`, `HH:MM:SS` or `HH:MM:SS.sss`.
fn clock_ns(text: &str) -> Option<i64> {
    let mut parts = text.split(':');
    let hour = digits(parts.next()?, 1, 2)?;
    let minute = digits(parts.next()?, 2, 2)?;
    let (mut second, mut fraction) = (0, 0);
    if let Some(last) = parts.next() {
        let (whole, part) = last.split_once('.').unwrap_or((last, ""));
        second = digits(whole, 2, 2)?;
        if last.contains('.') {
            let n = digits(part, 1, 9)?;
            fraction = n * 10_i64.pow(9 - u32::try_from(part.len()).ok()?);
        }
    }
    if parts.next().is_some() || hour > 23 || minute > 59 || second > 59 {
        return None;
    }
    Some(hour * HOUR + minute * 60 * SECOND + second * SECOND + fraction)
}

/// `+HH:MM`, `+HHMM` or `+HH`.
fn offset_ns(text: &str) -> Option<i64> {
    let (sign, rest) = match text.as_bytes().first()? {
        b'+' => (1, &text[1..]),
        b'-' => (-1, &text[1..]),
        _ => return None,
    };
    let rest = rest.replace(':', "");
    let (hours, minutes) = match rest.len() {
        2 => (digits(&rest, 2, 2)?, 0),
        4 => (digits(&rest[..2], 2, 2)?, digits(&rest[2..], 2, 2)?),
        _ => return None,
    };
    (hours <= 14 && minutes <= 59).then_some(sign * (hours * HOUR + minutes * 60 * SECOND))
}

/// Days from 1970-01-01 of a text YYYY-MM-DD from 1900 to 2199.
fn days_since_1970(text: &str) -> Option<i64> {
    pipeline_base::time::date(text).filter(|d| (-25_567..84_006).contains(d))
}

/// Time of day of an instant as `HH:MM:SS` or, where it has a part of a second, `HH:MM:SS.s`.
#[must_use]
pub(crate) fn clock(instant: i64) -> String {
    let tenths = instant.rem_euclid(DAY) / (SECOND / 10);
    let (seconds, tenth) = (tenths / 10, tenths % 10);
    let base = format!("{:02}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60);
    if tenth == 0 { base } else { format!("{base}.{tenth}") }
}

/// A length of time for people: `45 s`, `12 min`, `7 h 2 min`, `3 days`.
#[must_use]
pub(crate) fn length(ns: i64) -> String {
    let tenths = ns.unsigned_abs() / 100_000_000;
    let seconds = tenths / 10;
    match seconds {
        0..=99 if !tenths.is_multiple_of(10) => format!("{seconds}.{} s", tenths % 10),
        0..=299 => format!("{seconds} s"),
        300..=7199 => format!("{} min", (seconds + 30) / 60),
        7200..=172_799 => format!("{} h {} min", seconds / 3600, seconds % 3600 / 60),
        _ => format!("{} days", seconds / 86_400),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn forms_that_crews_write() {
        assert_eq!(read("14:22:06"), Some(Written::Clock(51_726 * SECOND)));
        assert_eq!(read(" 4:05 "), Some(Written::Clock(14_700 * SECOND)));
        assert_eq!(read("14:22:06.25"), Some(Written::Clock(51_726_250_000_000)));
        assert_eq!(read("1970-01-02T00:00:01Z"), Some(Written::Instant(DAY + SECOND)));
        assert_eq!(read("1970-01-02 01:00:00+02:00"), Some(Written::Instant(DAY - HOUR)));
        assert_eq!(read("1970-01-02T01:00:00-0130"), Some(Written::Instant(DAY + HOUR + HOUR + HOUR / 2)));
        assert_eq!(read("2024-02-29T00:00:00"), Some(Written::Local(19_782 * DAY)));
        for bad in [
            "",
            "14",
            "25:00:00",
            "14:60",
            "14:22:61",
            "14.22.06",
            "2023-02-29T00:00:00",
            "2024-01-01",
            "14:22:06Z",
            "14:2:06",
            "１４:22",
            "2024-01-01T10:00:00+99",
        ] {
            assert_eq!(read(bad), None, "{bad}");
        }
    }

    #[test]
    fn words() {
        assert_eq!(clock(51_726 * SECOND + DAY), "14:22:06");
        assert_eq!(clock(51_726_400_000_000), "14:22:06.4");
        assert_eq!(length(25_300_000_000), "25.3 s");
        assert_eq!(length(-7 * HOUR - 120 * SECOND), "7 h 2 min");
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "\\PC{0,40}") { let _ = read(&text); }
        #[test]
        fn near_times_do_not_panic(text in "[0-9:T.+Z -]{0,30}") { let _ = read(&text); }
    }
}
