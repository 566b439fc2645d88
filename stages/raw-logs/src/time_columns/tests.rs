use super::*;
use proptest::prelude::*;

fn clock(format: TimeFormat, scale: TimeScale) -> TimeColumn {
    TimeColumn { column: "t".into(), format, scale, week_column: None, date: None, date_column: None, ahead_h: 0.0 }
}

fn read(column: &TimeColumn, text: &str, other: Option<&str>) -> Option<String> {
    column.clock("time").unwrap().instant(text, other, &mut Days::default(), false).map(|t| {
        let part = t.rem_euclid(SECOND_NS);
        format!("{}.{part:09}", &instant_text(t)[..19])
    })
}

#[test]
fn formats() {
    let c = clock(TimeFormat::Iso8601, TimeScale::Utc);
    for (text, want) in [
        ("2026-05-04T10:11:12.5", "2026-05-04T10:11:12.500000000"),
        ("2026-05-04 10:11:12Z", "2026-05-04T10:11:12.000000000"),
        ("2026-05-04T01:11:12+02:00", "2026-05-03T23:11:12.000000000"),
        ("2026-05-04T10:11:12.25-0530", "2026-05-04T15:41:12.250000000"),
        ("2016-12-31T23:59:60.5Z", "2017-01-01T00:00:00.500000000"),
        ("2024-02-29T00:00", "2024-02-29T00:00:00.000000000"),
    ] {
        assert_eq!(read(&c, text, None).as_deref(), Some(want), "{text}");
    }
    for bad in [
        "2025-02-29T00:00:00",
        "2026-13-01T00:00:00",
        "2026-05-04",
        "2026-05-04T25:00:00",
        "2026-05-04T10:60:00",
        "x",
        "",
        "2026-05-04T10:11:12+99:00",
        "2026-05-04T1é:11:12",
    ] {
        assert_eq!(read(&c, bad, None), None, "{bad}");
    }
    let c = clock(TimeFormat::UnixS, TimeScale::Utc);
    assert_eq!(read(&c, "1700000000.123456789", None).unwrap(), "2023-11-14T22:13:20.123456789");
    assert_eq!(read(&c, "1.7e9", None).unwrap(), "2023-11-14T22:13:20.000000000");
    assert_eq!(read(&c, "NaN", None), None);
    assert_eq!(read(&c, "1e99", None), None);
    let c = clock(TimeFormat::UnixMs, TimeScale::Utc);
    assert_eq!(read(&c, "1700000000123.5", None).unwrap(), "2023-11-14T22:13:20.123500000");
}

#[test]
fn gps_time() {
    // 18 s since 2017-01-01, 17 s before (IERS Bulletin C 52).
    let c = clock(TimeFormat::Iso8601, TimeScale::Gps);
    assert_eq!(read(&c, "2026-05-04T10:11:30", None).unwrap(), "2026-05-04T10:11:12.000000000");
    assert_eq!(read(&c, "2017-01-01T00:00:18", None).unwrap(), "2017-01-01T00:00:00.000000000");
    assert_eq!(read(&c, "2017-01-01T00:00:16", None).unwrap(), "2016-12-31T23:59:59.000000000");
    assert_eq!(gps_minus_utc_s(date("2016-12-31").unwrap() * DAY_NS), 17);
    assert_eq!(gps_minus_utc_s(date("1980-01-06").unwrap() * DAY_NS), 0);
    let c = clock(TimeFormat::Iso8601, TimeScale::Tai);
    assert_eq!(read(&c, "2026-05-04T10:11:49", None).unwrap(), "2026-05-04T10:11:12.000000000");
    // GPS week 0 began on 1980-01-06 (checks/07_constants.csv); 2417 weeks later it is 2026-05-03.
    let c = TimeColumn { week_column: Some("w".into()), ..clock(TimeFormat::GpsWeekSeconds, TimeScale::Gps) };
    assert_eq!(read(&c, "18", Some("2417")).unwrap(), "2026-05-03T00:00:00.000000000");
    assert_eq!(read(&c, "18", Some("369")), None);
    assert_eq!(date("1980-01-06").unwrap() * 86_400, GPS_START_S);
    assert_eq!(date("2026-06-28").unwrap() * 86_400, LEAP_TABLE_ENDS_S);
}

#[test]
fn leap_table_against_the_published_file() {
    // The system's copy of the IERS file, where there is one.
    let Ok(text) = std::fs::read_to_string("/usr/share/zoneinfo/leap-seconds.list") else {
        eprintln!("SKIPPED: no leap-seconds.list on this machine");
        return;
    };
    let mut lines = text.lines().filter(|l| !l.starts_with('#') && !l.trim().is_empty());
    for (start, tai) in LEAPS {
        let mut words = lines.next().unwrap().split_whitespace();
        // NTP counts from 1900: 2 208 988 800 s before 1970.
        assert_eq!(words.next().unwrap().parse::<i64>().unwrap() - 2_208_988_800, start);
        assert_eq!(words.next().unwrap().parse::<i64>().unwrap(), tai);
    }
}

#[test]
fn midnight_and_zones() {
    let c =
        TimeColumn { date: Some("2026-12-31".into()), ahead_h: 1.0, ..clock(TimeFormat::TimeOfDay, TimeScale::Utc) }.clock("time").unwrap();
    let mut state = Days::default();
    let mut at = |text| instant_text(c.instant(text, None, &mut state, false).unwrap());
    assert_eq!(at("23:59:59"), "2026-12-31T22:59:59.00Z");
    assert_eq!(at("00:00:00"), "2026-12-31T23:00:00.00Z");
    assert_eq!(at("01:00:00.25"), "2027-01-01T00:00:00.25Z");
    let c = TimeColumn { date_column: Some("d".into()), ..clock(TimeFormat::SecondsOfDay, TimeScale::Utc) }.clock("time").unwrap();
    assert_eq!(instant_text(c.instant("3661,5", Some("2026-01-02"), &mut Days::default(), true).unwrap()), "2026-01-02T01:01:01.50Z");
}

#[test]
fn contradictions_are_refused() {
    let keys = |c: TimeColumn| -> Vec<String> { c.clock("time").unwrap_err().into_iter().filter_map(|p| p.option).collect() };
    assert_eq!(keys(clock(TimeFormat::GpsWeekSeconds, TimeScale::Utc)), ["time.scale", "time.format"]);
    assert_eq!(keys(clock(TimeFormat::TimeOfDay, TimeScale::Utc)), ["time.format"]);
    assert_eq!(keys(TimeColumn { date: Some("2026-02-30".into()), ..clock(TimeFormat::TimeOfDay, TimeScale::Utc) }), ["time.date"]);
    assert_eq!(keys(TimeColumn { date: Some("2026-02-20".into()), ..clock(TimeFormat::UnixS, TimeScale::Utc) }), ["time.date"]);
    assert_eq!(keys(TimeColumn { ahead_h: f64::NAN, ..clock(TimeFormat::UnixS, TimeScale::Utc) }), ["time.ahead_h"]);
    let gps = clock(TimeFormat::UnixS, TimeScale::Gps).clock("time").unwrap();
    assert!(gps.beyond_leap_table(date("2026-05-01").unwrap() * DAY_NS, "s").is_none());
    assert!(gps.beyond_leap_table(date("2027-05-01").unwrap() * DAY_NS, "s").is_some());
}

proptest! {
    #[test]
    fn utc_to_gps_and_back(seconds in 400_000_000..4_000_000_000_i64) {
        let utc = seconds * SECOND_NS;
        prop_assert_eq!(to_utc(utc + gps_minus_utc_s(utc) * SECOND_NS, TimeScale::Gps), utc);
    }

    #[test]
    fn any_text_is_no_panic(text in ".{0,40}", other in ".{0,12}") {
        for format in [TimeFormat::Iso8601, TimeFormat::UnixS, TimeFormat::UnixMs, TimeFormat::GpsWeekSeconds, TimeFormat::SecondsOfDay, TimeFormat::TimeOfDay] {
            let column = TimeColumn {
                week_column: (format == TimeFormat::GpsWeekSeconds).then(|| "w".into()),
                date_column: matches!(format, TimeFormat::SecondsOfDay | TimeFormat::TimeOfDay).then(|| "d".into()),
                ..clock(format, TimeScale::Gps)
            };
            let _ = column.clock("time").unwrap().instant(&text, Some(&other), &mut Days::default(), true);
        }
    }
}
