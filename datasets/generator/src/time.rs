//! Time as whole milliseconds since 1970 UTC, and its parts. Days by the formula of Fliegel and Van Flandern
//! (1968) in the form for the proleptic Gregorian calendar.

/// Milliseconds since 1970-01-01T00:00:00 UTC.
pub type Ms = i64;

/// A day.
pub const DAY: Ms = 86_400_000;

/// Days since 1970-01-01.
#[must_use]
pub fn days(year: i64, month: i64, day: i64) -> i64 {
    let (y, m) = if month <= 2 { (year - 1, month + 9) } else { (year, month - 3) };
    365 * y + y.div_euclid(4) - y.div_euclid(100) + y.div_euclid(400) + (153 * m + 2) / 5 + day - 1 - 719_468
}

/// A moment.
#[must_use]
pub fn at(year: i64, month: i64, day: i64, hour: i64, minute: i64, second: i64) -> Ms {
    days(year, month, day) * DAY + ((hour * 60 + minute) * 60 + second) * 1000
}

/// Year, month, day.
#[must_use]
pub fn date(t: Ms) -> (i64, i64, i64) {
    let z = t.div_euclid(DAY) + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z.rem_euclid(146_097);
    let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let month = if mp < 10 { mp + 3 } else { mp - 9 };
    (yoe + era * 400 + i64::from(month <= 2), month, doy - (153 * mp + 2) / 5 + 1)
}

/// Decimal year: the share of the year that has passed at this moment.
#[must_use]
pub fn decimal_year(t: Ms) -> f64 {
    let (year, _, _) = date(t);
    let (start, end) = (days(year, 1, 1) * DAY, days(year + 1, 1, 1) * DAY);
    #[allow(clippy::cast_precision_loss)]
    let (gone, whole, base) = ((t - start) as f64, (end - start) as f64, year as f64);
    base + gone / whole
}

/// `hhmmss.ss` as NMEA sentences carry it.
#[must_use]
pub fn nmea(t: Ms) -> String {
    let s = t.rem_euclid(DAY);
    format!("{:02}{:02}{:02}.{:02}", s / 3_600_000, s / 60_000 % 60, s / 1000 % 60, s % 1000 / 10)
}

/// `HH:MM:SS.s` as field notes carry it.
#[must_use]
pub fn notes(t: Ms) -> String {
    let s = t.rem_euclid(DAY);
    format!("{:02}:{:02}:{:02}.{}", s / 3_600_000, s / 60_000 % 60, s / 1000 % 60, s % 1000 / 100)
}

/// `YYYY-MM-DDTHH:MM:SS.sZ`.
#[must_use]
pub fn iso(t: Ms) -> String {
    let (year, month, day) = date(t);
    format!("{year}-{month:02}-{day:02}T{}Z", notes(t))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_days() {
        // 2026-03-17T00:00:00Z is Unix time 1773705600 (`date -u -d`).
        assert_eq!(at(2026, 3, 17, 0, 0, 0), 1_773_705_600_000);
        assert_eq!(date(at(2028, 2, 29, 23, 0, 0)), (2028, 2, 29));
        assert!((decimal_year(at(2025, 7, 2, 12, 0, 0)) - 2025.5).abs() < 1e-9);
        assert_eq!(nmea(at(2026, 3, 17, 23, 59, 59) + 800), "235959.80");
        assert_eq!(notes(at(2026, 3, 18, 0, 0, 1) + 400), "00:00:01.4");
    }
}
