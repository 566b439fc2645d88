//! Decimal years.

use pipeline_base::time::{civil, new_year};

/// Decimal year of an instant in nanoseconds since 1970-01-01T00:00:00 UTC: the year plus the part
/// of it that has gone by, exact in leap years.
///
/// Proleptic Gregorian calendar; leap seconds are not counted (they move 3 cm a year by 1 nm).
#[must_use]
pub fn decimal_year(nanoseconds: i64) -> f64 {
    const DAY: i64 = 86_400_000_000_000;
    let day = nanoseconds.div_euclid(DAY);
    let (year, _, _) = civil(day);
    let start = new_year(year);
    let length = new_year(year + 1) - start;
    #[allow(clippy::cast_precision_loss)]
    let part = ((day - start) * DAY + nanoseconds.rem_euclid(DAY)) as f64 / (length * DAY) as f64;
    #[allow(clippy::cast_precision_loss)]
    let year = year as f64;
    year + part
}

/// As [`decimal_year`], row by row. A survey lies in one year or two, whose ends are looked up once.
#[must_use]
pub fn decimal_years(instants: &[i64]) -> Vec<f64> {
    let mut years = Vec::with_capacity(instants.len());
    let mut rest = instants;
    while let Some(first) = rest.first() {
        let Some(year) = Year::of(*first) else {
            years.push(decimal_year(*first));
            rest = rest.get(1..).unwrap_or_default();
            continue;
        };
        // As many rows as lie in the same year, in one go.
        let here = rest.iter().position(|at| !(year.start..year.end).contains(at)).unwrap_or(rest.len());
        let (same, others) = rest.split_at(here);
        years.extend(same.iter().map(|at| year.decimal(*at)));
        rest = others;
    }
    years
}

/// A calendar year: its number, its first instant and that of the next one.
struct Year {
    number: f64,
    start: i64,
    end: i64,
}

impl Year {
    /// The year of an instant; `None` at the ends of time, where its own ends cannot be written.
    fn of(instant: i64) -> Option<Self> {
        const DAY: i64 = 86_400_000_000_000;
        let (year, _, _) = civil(instant.div_euclid(DAY));
        #[allow(clippy::cast_precision_loss)]
        let number = year as f64;
        Some(Self { number, start: new_year(year).checked_mul(DAY)?, end: new_year(year + 1).checked_mul(DAY)? })
    }

    fn decimal(&self, instant: i64) -> f64 {
        #[allow(clippy::cast_precision_loss)]
        let part = (instant - self.start) as f64 / (self.end - self.start) as f64;
        self.number + part
    }
}

/// Instant, in nanoseconds since 1970 UTC, of a decimal year; to about 1 microsecond, which is what a
/// double of this size holds. `None` outside the years 1700 to 2250.
#[must_use]
pub fn instant(decimal_year: f64) -> Option<i64> {
    const DAY: i64 = 86_400_000_000_000;
    if !(1700.0..2250.0).contains(&decimal_year) {
        return None;
    }
    #[allow(clippy::cast_possible_truncation)]
    let year = decimal_year.floor() as i64;
    let start = new_year(year);
    let length = new_year(year + 1) - start;
    #[allow(clippy::cast_possible_truncation, clippy::cast_precision_loss)]
    let part = (decimal_year.fract() * (length * DAY) as f64).round() as i64;
    Some(start * DAY + part)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn leap_years_to_a_microyear() {
        // 2024-07-02T00:00Z is day 183 of 366, the exact middle; 2025-07-02T12:00Z is the middle of 365 days.
        assert!((decimal_year(1_719_878_400_000_000_000) - 2024.5).abs() < 1e-9);
        assert!((decimal_year(1_751_457_600_000_000_000) - 2025.5).abs() < 1e-9);
        assert!((decimal_year(0) - 1970.0).abs() < 1e-12);
        // 2024-02-29T12:00Z: 59.5 days of 366.
        assert!((decimal_year(1_709_208_000_000_000_000) - (2024.0 + 59.5 / 366.0)).abs() < 1e-9);
        // 2000 is a leap year, 1900 is not: 1900-12-31T00:00Z is day 364 of 365.
        assert!((decimal_year(-2_177_539_200_000_000_000) - (1900.0 + 364.0 / 365.0)).abs() < 1e-9);
        // The last nanosecond of a year stays in it.
        assert!(decimal_year(1_735_689_599_999_999_999) <= 2025.0);
    }

    proptest! {
        #[test]
        fn by_the_column_or_alone(rows in prop::collection::vec(prop_oneof![any::<i64>(), 1_735_000_000_000_000_000..1_768_000_000_000_000_000_i64], 0..20)) {
            for (year, instant) in decimal_years(&rows).into_iter().zip(&rows) {
                prop_assert_eq!(year.to_bits(), decimal_year(*instant).to_bits());
            }
        }

        #[test]
        fn there_and_back(ns in -8_000_000_000_000_000_000_i64..8_000_000_000_000_000_000) {
            let back = instant(decimal_year(ns)).unwrap();
            prop_assert!((back - ns).abs() < 20_000, "{}", back - ns);
        }
    }
}
