//! Instants as text.

/// Days since 1970-01-01 to year, month, day (proleptic Gregorian).
#[must_use]
pub fn civil(days: i64) -> (i64, u32, u32) {
    // Era arithmetic after Hinnant, "chrono-Compatible Low-Level Date Algorithms" (public domain).
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let day_of_era = z.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_index = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_index + 2) / 5 + 1;
    let month = if month_index < 10 { month_index + 3 } else { month_index - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    (year, u32::try_from(month).unwrap_or(1), u32::try_from(day).unwrap_or(1))
}

/// Nanoseconds since 1970 UTC as ISO 8601 with `Z`, with as many decimals of a second as needed.
#[must_use]
pub fn iso(nanoseconds: i64) -> String {
    let seconds = nanoseconds.div_euclid(1_000_000_000);
    let fraction = nanoseconds.rem_euclid(1_000_000_000);
    let (year, month, day) = civil(seconds.div_euclid(86_400));
    let of_day = seconds.rem_euclid(86_400);
    let mut text = format!("{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}", of_day / 3600, of_day / 60 % 60, of_day % 60);
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
}
