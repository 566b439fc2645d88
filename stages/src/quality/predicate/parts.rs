//! Parts of instants, dates and times of day: EXTRACT and DATE_PART.

use super::functions::Callee;
use super::texts::{DAY, SECOND};
use pipeline_base::time;

/// What a part of an instant asks for: of the date or of the time of day.
#[derive(Clone, Copy, Debug)]
pub(super) struct Part {
    /// Of the date, not of the time of day.
    pub of_date: bool,
    /// How it is worked out from nanoseconds.
    pub callee: Callee,
}

/// A part of an instant by its name in small letters; none when it is not known.
pub(super) fn part(name: &str) -> Option<Part> {
    let date = |f| Some(Part { of_date: true, callee: Callee::Whole(f) });
    let clock = |callee| Some(Part { of_date: false, callee });
    match name {
        "millennium" | "millennia" => date(|t| Some((year(t) - 1).div_euclid(1000) + 1)),
        "century" | "centuries" | "c" => date(|t| Some((year(t) - 1).div_euclid(100) + 1)),
        "decade" | "decades" => date(|t| Some(year(t).div_euclid(10))),
        "isoyear" => date(|t| Some(iso_week(t).0)),
        "year" | "years" | "y" => date(|t| Some(year(t))),
        "quarter" | "quarters" => date(|t| Some((civil(t).1 + 2) / 3)),
        "month" | "months" | "mon" | "mons" => date(|t| Some(civil(t).1)),
        "isoweek" | "week" | "weeks" => date(|t| Some(iso_week(t).1)),
        "dayofyear" | "doy" => date(|t| Some(day(t) - time::new_year(year(t)) + 1)),
        "dayofweek" | "dow" => date(|t| Some((day(t) + 4).rem_euclid(7))),
        "isodow" => date(|t| Some(weekday(t))),
        "day" | "days" | "dayofmonth" | "d" => date(|t| Some(civil(t).2)),
        "hour" | "hours" | "h" => clock(Callee::Whole(|t| Some(t.rem_euclid(DAY) / (3600 * SECOND)))),
        "minute" | "minutes" | "mins" | "min" | "m" => clock(Callee::Whole(|t| Some(t.rem_euclid(DAY) / (60 * SECOND) % 60))),
        "second" | "seconds" | "sec" | "secs" | "s" => clock(Callee::Whole(|t| Some(t.rem_euclid(60 * SECOND) / SECOND))),
        "millisecond" | "milliseconds" | "ms" => clock(Callee::WholeToReal(|t| seconds(t) * 1e3 + fraction(t) / 1e6)),
        "microsecond" | "microseconds" | "us" => clock(Callee::WholeToReal(|t| seconds(t) * 1e6 + fraction(t) / 1e3)),
        "nanosecond" | "nanoseconds" | "ns" => clock(Callee::WholeToReal(|t| seconds(t) * 1e9 + fraction(t))),
        "epoch" => clock(Callee::WholeToReal(|t| t.div_euclid(SECOND) as f64 + fraction(t) / 1e9)),
        _ => None,
    }
}

const fn day(ns: i64) -> i64 {
    ns.div_euclid(DAY)
}

const fn civil(ns: i64) -> (i64, i64, i64) {
    time::civil(day(ns))
}

const fn year(ns: i64) -> i64 {
    civil(ns).0
}

/// Monday is 1, Sunday 7.
const fn weekday(ns: i64) -> i64 {
    (day(ns) + 3).rem_euclid(7) + 1
}

/// Year and week of ISO 8601: the week belongs to the year that its Thursday is in.
const fn iso_week(ns: i64) -> (i64, i64) {
    let thursday = day(ns) + 4 - weekday(ns);
    let year = time::civil(thursday).0;
    (year, (thursday - time::new_year(year)) / 7 + 1)
}

const fn seconds(ns: i64) -> f64 {
    (ns.rem_euclid(60 * SECOND) / SECOND) as f64
}

const fn fraction(ns: i64) -> f64 {
    ns.rem_euclid(SECOND) as f64
}
