//! The calendar, and instants as text. The one place that counts days.

/// Days since 1970-01-01 of a date of the proleptic Gregorian calendar; `None` when there is no such day.
#[must_use]
pub const fn days(year: i64, month: i64, day: i64) -> Option<i64> {
    if month < 1 || month > 12 || day < 1 || day > 31 || year < -1_000_000 || year > 1_000_000 {
        return None;
    }
    // Counted in years that begin on 1 March, so that the leap day is the last (Hinnant, see below).
    let y = if month <= 2 { year - 1 } else { year };
    let era = y.div_euclid(400);
    let of_era = y.rem_euclid(400);
    let of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let days = era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468;
    // A 31 April counts on into May, and then comes back as another date.
    let (_, month_back, day_back) = civil(days);
    if month_back == month && day_back == day { Some(days) } else { None }
}

/// First day of a year, as days since 1970-01-01.
#[must_use]
pub const fn new_year(year: i64) -> i64 {
    match days(year, 1, 1) {
        Some(days) => days,
        None => 0,
    }
}

/// Days since 1970-01-01 of a text `YYYY-MM-DD`; `None` for any other text and for a day that does not exist.
#[must_use]
pub fn date(text: &str) -> Option<i64> {
    let bytes = text.as_bytes();
    if bytes.len() != 10 || bytes[4] != b'-' || bytes[7] != b'-' {
        return None;
    }
    let number = |part: &[u8]| part.iter().try_fold(0_i64, |n, b| b.is_ascii_digit().then(|| n * 10 + i64::from(b - b'0')));
    days(number(&bytes[..4])?, number(&bytes[5..7])?, number(&bytes[8..])?)
}

/// `YYYY-MM-DD` of days since 1970-01-01.
#[must_use]
pub fn date_text(days: i64) -> String {
    let (year, month, day) = civil(days);
    format!("{year:04}-{month:02}-{day:02}")
}

/// Days since 1970-01-01 to year, month, day (proleptic Gregorian).
#[must_use]
pub const fn civil(days: i64) -> (i64, i64, i64) {
    // Era arithmetic after Hinnant, "chrono-Compatible Low-Level Date Algorithms" (public domain).
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let day_of_era = z.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_index = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_index + 2) / 5 + 1;
    let month = if month_index < 10 { month_index + 3 } else { month_index - 9 };
    (year_of_era + era * 400 + if month <= 2 { 1 } else { 0 }, month, day)
}

/// Nanoseconds since 1970 UTC as ISO 8601 with `Z`, with as many decimals of a second as needed.
#[must_use]
pub fn iso(nanoseconds: i64) -> String {
    let seconds = nanoseconds.div_euclid(1_000_000_000);
    let fraction = nanoseconds.rem_euclid(1_000_000_000);
    let of_day = seconds.rem_euclid(86_400);
    let mut text = format!("{}T{:02}:{:02}:{:02}", date_text(seconds.div_euclid(86_400)), of_day / 3600, of_day / 60 % 60, of_day % 60);
    if fraction != 0 {
        let digits = format!("{fraction:09}");
        text.push('.');
        text.push_str(digits.trim_end_matches('0'));
    }
    text.push('Z');
    text
}

#[cfg(test)]
mod tests {
    #[test]
    fn iso_of_known_instants() {
        assert_eq!(super::iso(0), "1970-01-01T00:00:00Z");
        assert_eq!(super::iso(951_782_400_200_000_000), "2000-02-29T00:00:00.2Z");
        assert_eq!(super::iso(-1_000_000_000), "1969-12-31T23:59:59Z");
        assert_eq!(super::iso(1_798_761_599_000_000_000), "2026-12-31T23:59:59Z");
    }

    #[test]
    fn every_day_of_two_centuries_there_and_back() {
        use super::{civil, date, date_text, days};
        let mut next = days(1900, 1, 1).unwrap();
        // 1900-01-01 is 25567 days before 1970 (`date -u -d 1900-01-01 +%s`).
        assert_eq!(next, -25_567);
        for year in 1900..2100 {
            for month in 1..=12 {
                for day in 1..=31 {
                    let Some(number) = days(year, month, day) else {
                        assert!(day > 28, "{year}-{month}-{day}");
                        continue;
                    };
                    assert_eq!((number, civil(number)), (next, (year, month, day)));
                    assert_eq!(date(&date_text(number)), Some(number));
                    next += 1;
                }
            }
        }
        assert_eq!((days(2023, 2, 29), days(2100, 2, 29), days(2000, 2, 29)), (None, None, Some(11_016)));
        for text in ["", "2026-3-01", "2026-13-01", "2026-00-10", "2026-04-31", "26-04-30", "2026-04-3\u{660}", "+026-04-30"] {
            assert_eq!(date(text), None, "{text}");
        }
    }
}
