//! Dates: midnight, year end, leap day, and logs whose dates do not fit.

use super::*;
use pipeline_base::time::date_text;

fn gga(s: i64) -> String {
    sentence(&format!("GNGGA,{},4001.2345678,N,10515.7654321,W,4,18,0.6,1580.123,M,-15.432,M,1.2,0231", clock(s)))
}

fn clock(s: i64) -> String {
    let s = s.rem_euclid(86_400);
    format!("{:02}{:02}{:02}.00", s / 3600, s / 60 % 60, s % 60)
}

fn rmc(s: i64, date: &str, status: &str) -> String {
    sentence(&format!("GNRMC,{},{status},4001.2345678,N,10515.7654321,W,0.02,31.66,{date},,,R,V", clock(s)))
}

/// Dates and times of all rows, or the code of the block.
fn dates(text: &str, option: Option<&str>) -> Result<Vec<String>, String> {
    let ran = run(text.as_bytes(), option.map_or(json!({}), |d| json!({"date": d})), None);
    match ran.table {
        Ok(table) => {
            assert!(ran.survey.is_empty(), "{:?}", ran.survey);
            Ok(table
                .instants("time")
                .unwrap()
                .iter()
                .map(|t| format!("{} {}", date_text(t.unwrap().div_euclid(number::DAY)), number::clock_text(t.unwrap())))
                .collect())
        }
        Err(found) => {
            assert_eq!(ran.survey[0].code, found.code);
            Err(found.code)
        }
    }
}

#[test]
fn midnight_year_end_and_leap_day() {
    for (date, next) in [("311224", "2025-01-01"), ("280224", "2024-02-29"), ("290224", "2024-03-01"), ("280223", "2023-03-01")] {
        // RMC stands after GGA, and only before midnight.
        let text = gga(86_398) + &rmc(86_398, date, "A") + &gga(86_399) + &gga(86_400) + &gga(86_401);
        let all = dates(&text, None).unwrap();
        assert_eq!(all[2], format!("{next} 00:00:00.00"), "{date}");
        assert_eq!(all.len(), 4);
        // RMC only after midnight: the date is carried back.
        let after: String = next.split('-').rev().map(|p| &p[p.len() - 2..]).collect();
        let text = gga(86_398) + &gga(86_399) + &gga(86_400) + &rmc(86_400, &after, "A");
        assert_eq!(dates(&text, None).unwrap(), all[..3], "{date}");
    }
}

#[test]
fn two_midnights_with_gga_alone() {
    let text: String = (0..60).map(|i| gga(80_000 + i * 3_600)).collect();
    let all = dates(&text, Some("2025-03-30")).unwrap();
    assert_eq!(all[0], "2025-03-30 22:13:20.00");
    assert_eq!(all[59], "2025-04-02 09:13:20.00");
    assert!(all.windows(2).all(|w| w[0] < w[1]));
    assert_eq!(dates(&text, None), Err("time/no-date".into()));
}

#[test]
fn dates_that_do_not_fit() {
    // The date jumps while time runs on.
    let jump = rmc(36_000, "140325", "A") + &gga(36_000) + &gga(36_001) + &rmc(36_001, "150325", "A") + &gga(36_002);
    assert_eq!(dates(&jump, None), Err("time/two-dates".into()));
    // The job contradicts the log.
    let log = rmc(36_000, "140325", "A") + &gga(36_000) + &gga(36_001);
    assert_eq!(dates(&log, Some("2025-03-15")), Err("time/two-dates".into()));
    assert_eq!(dates(&log, Some("2025-03-14")).unwrap()[0], "2025-03-14 10:00:00.00");
    // 1024 weeks are an old receiver's mistake, and the job's date is taken: 2005-07-29 and 7168 days are 2025-03-14.
    let old = rmc(36_000, "290705", "A") + &gga(36_000);
    assert_eq!(dates(&old, Some("2025-03-14")).unwrap(), ["2025-03-14 10:00:00.00"]);
    let ran = run(old.as_bytes(), json!({"date": "2025-03-14"}), None);
    assert!(ran.find("time/week-rollover").what.contains("1024 weeks"));
    // A void date beside valid ones is no evidence.
    let start = rmc(36_000, "060180", "V") + &gga(36_000) + &gga(36_001) + &rmc(36_001, "140325", "A");
    assert_eq!(dates(&start, None).unwrap()[0], "2025-03-14 10:00:00.00");
    // Alone it is taken, and said.
    let ran = run((rmc(36_000, "140325", "V") + &gga(36_000)).as_bytes(), json!({}), None);
    assert_eq!(ran.codes(), ["data/no-fix", "time/date-without-fix", "data/void-position"]);
    // Two days in one file, with a pause between.
    let two = rmc(57_600, "140325", "A") + &gga(57_600) + &gga(57_601) + &rmc(28_800, "150325", "A") + &gga(28_800);
    assert_eq!(dates(&two, None).unwrap().last().unwrap(), "2025-03-15 08:00:00.00");
    let ran = run(two.as_bytes(), json!({}), None);
    assert!(ran.find("time/day-pause").what.contains("16.0 h"));
}

#[test]
fn clocks_that_go_back() {
    let text = rmc(36_000, "140325", "A") + &(0..40).map(|i| gga(36_000 + i)).collect::<String>() + &gga(35_000) + &gga(35_001);
    let ran = run(text.as_bytes(), json!({}), None);
    let found = ran.find("time/backwards");
    assert!(found.what.contains("once") && found.what.contains("10:00:39.00 -> 09:43:20.00"), "{found:?}");
    assert_eq!(ran.table.unwrap().rows(), 42);
}

#[test]
fn a_date_far_into_a_long_log_is_found() {
    // The only date stands behind the part that the survey looks at first.
    let mut text: String = (0..20_000).map(gga).collect();
    text += &rmc(20_000, "140325", "A");
    assert!(text.len() > 1_500_000);
    assert_eq!(dates(&text, None).unwrap()[0], "2025-03-14 00:00:00.00");
}
