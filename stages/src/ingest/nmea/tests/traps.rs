//! The traps of the design that this stage has to see.

use super::*;
use pipeline_base::time::date_text;

fn gga(time: &str, altitude: f64, separation: &str) -> String {
    sentence(&format!("GNGGA,{time},4001.2345678,N,10515.7654321,W,4,18,0.6,{altitude:.3},M,{separation},M,1.2,0231"))
}

fn zda(time: &str) -> String {
    sentence(&format!("GNZDA,{time},14,03,2025,00,00"))
}

#[test]
fn t01_geoid_twice() {
    let mut text = String::new();
    for i in 0..30 {
        let time = format!("1015{i:02}.00");
        text += &gga(&time, 253.412, "-33.600");
        text += &zda(&time);
    }
    let ran = run(text.as_bytes(), json!({"height": "field-is-ellipsoidal"}), None);
    for found in [&ran.survey[0], ran.find("height/geoid-twice")] {
        assert_eq!((found.code.as_str(), found.verdict), ("height/geoid-twice", Verdict::Block));
        assert!(found.size.contains("253.412 m with separation -33.600 m, so ellipsoidal height is 219.812 m"), "{found:?}");
        assert!(found.size.contains("off by +33.600 m"), "{found:?}");
        assert!(found.place.contains("30 of 30 lines"), "{found:?}");
        assert_eq!(found.labels[0].line, Some(1));
    }
    // A blank or zero separation is what the declaration is for.
    let right = text.replace(",-33.600,", ",0.000,");
    let right: String = right.lines().map(|l| sentence(&l[1..l.len() - 3])).collect();
    let ran = run(right.as_bytes(), json!({"height": "field-is-ellipsoidal"}), None);
    assert!(ran.survey.is_empty());
    assert_eq!(ran.table.unwrap().floats("ellipsoidal_height_m").unwrap()[3], 253.412);
}

#[test]
fn t14_midnight_without_a_date() {
    let mut text = String::new();
    for i in 0..541_i64 {
        let s = (23 * 3600 + 58 * 60 + i) % 86_400;
        text += &gga(&format!("{:02}{:02}{:02}.00", s / 3600, s / 60 % 60, s % 60), 253.4, "-33.600");
    }
    let ran = run(text.as_bytes(), json!({}), None);
    let problem = ran.table.unwrap_err();
    for found in [&ran.survey[0], &problem] {
        assert_eq!((found.code.as_str(), found.verdict), ("time/no-date", Verdict::Block));
        assert!(found.what.contains("541 GGA lines from 23:58:00.00 to 00:07:00.00"), "{found:?}");
        assert!(found.what.contains("23:59:59.00 -> 00:00:00.00 at line 121"), "{found:?}");
        assert!(found.size.contains("2 calendar days"), "{found:?}");
        assert!(found.fix.contains("date: YYYY-MM-DD") && found.fix.contains("line 121"), "{found:?}");
    }
    assert_eq!(ran.survey.len(), 1);
    let ran = run(text.as_bytes(), json!({"date": "2025-03-30"}), None);
    let table = ran.table.unwrap();
    let times = table.instants("time").unwrap();
    let day = |row: usize| date_text(times[row].unwrap().div_euclid(number::DAY));
    assert_eq!((day(119), day(120), day(540)), ("2025-03-30".into(), "2025-03-31".into(), "2025-03-31".into()));
    assert!(times.windows(2).all(|w| w[1].unwrap() - w[0].unwrap() == 1_000_000_000));
    assert!(ran.survey.is_empty());
    assert!(ran.facts.iter().any(|(k, v)| k == "date_source" && v == "option"));
}

#[test]
fn t15_torn_line() {
    let mut text = zda("140500.00");
    for i in 0..20 {
        let time = format!("1405{i:02}.00");
        text += &gga(&time, 253.4, "-33.600");
        // Sigma north tells the epoch: 0.1 m and 1 mm for each second.
        if i == 11 {
            text += "$GNGST,140511.00,28,,,\r\n";
        } else {
            text += &sentence(&format!("GNGST,{time},28,,,,{:.3},0.050,0.060", 0.1 + f64::from(i) / 1000.0));
        }
    }
    let mut r = rig();
    r.sensors = Sensors::default();
    r.gnss.sigma_factor = 1.0;
    let ran = run(text.as_bytes(), json!({}), Some(&r));
    let table = ran.table.as_ref().unwrap();
    let north = table.floats("sigma_north_m").unwrap();
    for (i, sigma) in north.iter().enumerate() {
        let want = if i == 11 { 0.02 } else { 0.1 + i as f64 / 1000.0 };
        assert!((sigma - want).abs() < 1e-12, "{i}: {sigma}");
    }
    let assumed: Vec<usize> =
        table.bools("sigma_assumed").unwrap().iter().enumerate().filter(|(_, a)| **a == Some(true)).map(|(i, _)| i).collect();
    assert_eq!(assumed, [11]);
    let found = ran.find("data/torn-line");
    assert_eq!(found.verdict, Verdict::Warn);
    assert!(found.what.contains("1 torn sentence: `$GNGST,140511.00,28,,,`"), "{found:?}");
    assert!(found.place.contains("14:05:11.00"), "{found:?}");
    assert!(found.size.contains("1 epoch without GST") && found.size.contains("0 epochs mis-paired"), "{found:?}");
    assert_eq!(found.labels[0].line, Some(25));
}

#[test]
fn s7_four_decimals() {
    let log = |decimals: usize, zeros: usize| {
        let mut text = zda("101500.00");
        for i in 0..60 {
            let minutes = format!("{:.decimals$}", 1.234_567_8 + f64::from(i) * 0.000_312_345_67);
            let lat = format!("40{minutes:0>width$}{}", "0".repeat(zeros), width = decimals + 3);
            text += &sentence(&format!(
                "GNGGA,1015{i:02}.00,{lat},N,10515.{},W,4,18,0.6,1580.123,M,-15.432,M,1.2,0231",
                "7".repeat(decimals) + &"0".repeat(zeros)
            ));
        }
        run(text.as_bytes(), json!({}), None)
    };
    // The budget of the reference is 50 mm. 1 minute of latitude is 1852 m: 4 decimals are 185 mm, 5 are 18.5 mm (what-goes-wrong P25).
    let four = log(4, 0);
    assert_eq!(four.survey_codes(), ["data/coarse-position"]);
    assert!(four.survey[0].what.contains("4 decimals of minutes, steps of 0.185 m"), "{:?}", four.survey[0]);
    let padded = log(4, 3);
    assert!(
        padded.survey[0].what.contains("steps of 0.185 m: 7 decimals of minutes are written and only 4 are used"),
        "{:?}",
        padded.survey[0]
    );
    let five = log(5, 0);
    assert!(five.survey.is_empty());
    assert_eq!(five.find("data/coarse-position").verdict, Verdict::Warn);
    assert!(five.find("data/coarse-position").what.contains("18.52 mm"), "{:?}", five.find("data/coarse-position"));
    let seven = log(7, 0);
    assert!(seven.survey.is_empty() && !seven.codes().contains(&"data/coarse-position"));
}

#[test]
fn single_precision_is_seen_behind_its_digits() {
    // A slow walk, computed in single precision and written with 8 decimals of minutes.
    let mut text = zda("101500.00");
    for i in 0..59 {
        let exact = 42.73 + f64::from(i) * 2.0e-6;
        #[allow(clippy::cast_possible_truncation)]
        let coarse = f64::from(exact as f32);
        let minutes = (coarse - 42.0) * 60.0;
        text += &sentence(&format!("GNGGA,1015{i:02}.00,42{minutes:011.8},N,10515.7654321,W,4,18,0.6,1580.123,M,-15.432,M,1.2,0231"));
    }
    let ran = run(text.as_bytes(), json!({}), None);
    assert_eq!(ran.survey_codes(), ["data/coarse-position"]);
    // 2^-18 degree at 42 degrees: 0.424 m.
    assert!(ran.survey[0].what.contains("move in steps of 0.424 m"), "{:?}", ran.survey[0]);
}

#[test]
fn s6_base_changes() {
    let mut text = zda("101500.00");
    for i in 0..20 {
        let line = gga(&format!("1015{i:02}.00"), 253.4, "-33.6");
        let line = if i >= 12 { line.replace("0231", "0007") } else { line };
        let body = line.trim_end();
        text += &sentence(&body[1..body.len() - 3]);
    }
    let ran = run(text.as_bytes(), json!({}), None);
    let found = ran.find("data/base-changed");
    assert!(found.what.contains("once, first from `0231` to `0007`") && found.labels[0].line == Some(14), "{found:?}");
}

#[test]
fn logs_without_epochs() {
    for (bytes, word) in [
        (b"".to_vec(), "empty"),
        (b"hello\nworld\n".to_vec(), "text that is no sentence"),
        (vec![0xb5, 0x62, 1, 7, 0, 255, 10, 3, 200], "binary"),
        (b"$GPGGA,220134.00,3725.4168121,N,12205.6498009,W,1,14,1.0,2.70,M,-32.64,M,,\r\n".to_vec(), "without a checksum"),
        (sentence("GPGSV,1,1,01,03,45,120,44").into_bytes(), "none that gives a position"),
        (sentence("GPGGA,,,,,,0,00,99.99,,,,,,").into_bytes(), "without a time"),
    ] {
        let ran = run(&bytes, json!({"date": "2025-03-14"}), None);
        assert_eq!(ran.survey_codes(), ["data/no-sentences"]);
        assert!(ran.survey[0].what.contains(word), "{word}: {:?}", ran.survey[0]);
        assert_eq!(ran.table.unwrap().rows(), 0);
    }
    let text = b"$GPGGA,220134.00,3725.4168121,N,12205.6498009,W,1,14,1.0,2.70,M,-32.64,M,,\n$GPZDA,220134.00,14,05,2020,00,00\n";
    let ran = run(text, json!({"checksums": "optional"}), None);
    assert_eq!(ran.table.unwrap().rows(), 1);
    let text = sentence("GPGGA,101500.00,,,,,0,00,99.99,,,,,,") + &zda("101500.00");
    let ran = run(text.as_bytes(), json!({}), None);
    assert_eq!(ran.find("data/no-fix").verdict, Verdict::Block);
    assert_eq!(ran.table.unwrap().texts("fix").unwrap(), [Some("none")]);
}
