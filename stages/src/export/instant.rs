//! Instants as ISO 8601 text in UTC. No time zone other than UTC is ever written or accepted.

use pipeline_base::time::{date_text, days};

const DAY_NS: i64 = 86_400_000_000_000;

fn parts(ns: i64) -> (String, i64) {
    let of_day = ns.rem_euclid(DAY_NS);
    let (s, fraction) = (of_day / 1_000_000_000, of_day % 1_000_000_000);
    (format!("{}T{:02}:{:02}:{:02}", date_text(ns.div_euclid(DAY_NS)), s / 3600, s / 60 % 60, s % 60), fraction)
}

/// ISO 8601 in UTC with `Z`: milliseconds, or nanoseconds where milliseconds would lose something.
#[must_use]
pub(crate) fn iso(ns: i64) -> String {
    let (head, fraction) = parts(ns);
    if fraction % 1_000_000 == 0 { format!("{head}.{:03}Z", fraction / 1_000_000) } else { format!("{head}.{fraction:09}Z") }
}

/// ISO 8601 in UTC with exactly three decimals of a second, rounded to the nearest.
#[must_use]
pub(crate) fn iso_ms(ns: i64) -> String {
    let rounded = ns.saturating_add(500_000).div_euclid(1_000_000).saturating_mul(1_000_000);
    let (head, fraction) = parts(rounded);
    format!("{head}.{:03}Z", fraction / 1_000_000)
}

/// Nanoseconds since 1970 UTC of a text as [`iso`] and [`iso_ms`] write it; `None` for any other text.
#[must_use]
pub(crate) fn parse(text: &str) -> Option<i64> {
    let text = text.strip_suffix('Z')?;
    let (date, time) = text.split_once('T')?;
    let number = |s: &str| if !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit()) { s.parse::<i64>().ok() } else { None };
    let mut date = date.splitn(3, '-').map(number);
    let (year, month, day) = (date.next()??, date.next()??, date.next()??);
    let (clock, fraction) = time.split_once('.').unwrap_or((time, "0"));
    let mut clock = clock.splitn(3, ':').map(number);
    let (h, m, s) = (clock.next()??, clock.next()??, clock.next()??);
    if !(1600..=2300).contains(&year) || h > 23 || m > 59 || s > 59 || fraction.len() > 9 {
        return None;
    }
    let ns = number(fraction)? * 10_i64.pow(9 - u32::try_from(fraction.len()).ok()?);
    let seconds = days(year, month, day)? * 86_400 + h * 3600 + m * 60 + s;
    seconds.checked_mul(1_000_000_000)?.checked_add(ns)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn known_instants() {
        assert_eq!(iso(0), "1970-01-01T00:00:00.000Z");
        // 1234567890 s is 2009-02-13T23:31:30Z (`date -u -d @1234567890`).
        assert_eq!(iso(1_234_567_890_250_000_000), "2009-02-13T23:31:30.250Z");
        assert_eq!(iso(1_234_567_890_250_000_001), "2009-02-13T23:31:30.250000001Z");
        assert_eq!(iso(-1_000_000), "1969-12-31T23:59:59.999Z");
        assert_eq!(iso_ms(1_234_567_890_999_600_000), "2009-02-13T23:31:31.000Z");
        // Leap day: 1709164800 s is 2024-02-29T00:00:00Z (`date -u -d @1709164800`).
        assert_eq!(iso(1_709_164_800_000_000_000), "2024-02-29T00:00:00.000Z");
        for bad in
            ["", "Z", "2024-02-29", "2024-02-29T00:00:00", "2024-02-29T00:00:00+01:00", "2024-13-01T00:00:00Z", "2024-02-29T00:00:00.Z"]
        {
            assert_eq!(parse(bad), None, "{bad}");
        }
    }

    proptest! {
        #[test]
        fn text_and_back(ns in -2_000_000_000_000_000_000_i64..9_000_000_000_000_000_000) {
            prop_assert_eq!(parse(&iso(ns)), Some(ns));
            let ms = parse(&iso_ms(ns)).unwrap();
            prop_assert!((ms - ns).abs() <= 500_000);
        }
        #[test]
        fn never_panics(text in "\\PC{0,40}") {
            let _ = parse(&text);
        }
        #[test]
        fn extreme_instants_never_panic(ns in any::<i64>()) {
            let _ = (iso(ns), iso_ms(ns));
        }
    }
}
