//! Every log of the outside collection, and logs made here.

use super::*;
use pipeline_base::time::date_text;
use std::fmt::Write;

/// A good log of 5 Hz from 10:00:00: GGA, GST, RMC, GSA, GSV, HDT, XDR.
pub(crate) fn day(epochs: usize) -> String {
    let mut text = String::new();
    for i in 0..epochs {
        let (s, f) = (i / 5, i % 5 * 20);
        let time = format!("{:02}{:02}{:02}.{f:02}", 10 + s / 3600, s / 60 % 60, s % 60);
        let lat = 2_345_678 + i % 97;
        text += &sentence(&format!("GNGGA,{time},4001.{lat:07},N,10515.7654321,W,4,18,0.6,1580.123,M,-15.432,M,1.2,0231"));
        text += &sentence(&format!("GNGST,{time},0.015,0.011,0.008,35.2,0.0105,0.0085,0.017"));
        text += &sentence(&format!("GNRMC,{time},A,4001.{lat:07},N,10515.7654321,W,0.02,31.66,140325,,,R,V"));
        for (system, satellites) in
            [(1, "03,06,11,12,19,24,28,32,,,,"), (2, "66,67,76,77,82,,,,,,,"), (3, "02,05,09,15,25,36,,,,,,"), (4, "11,12,22,34,,,,,,,,")]
        {
            text += &sentence(&format!("GNGSA,A,3,{satellites},1.12,0.60,0.95,{system}"));
        }
        for (talker, n) in [("GP", 3), ("GL", 2), ("GA", 2), ("GB", 2)] {
            for k in 1..=n {
                text += &sentence(&format!("{talker}GSV,{n},{k},{:02},03,45,120,44,06,31,250,41,11,67,033,47,12,22,310,39,1", n * 4));
            }
        }
        text += &sentence(&format!("GNHDT,{:.2},T", 120.0 + (i % 50) as f64 * 0.01));
        let _ = write!(text, "{}", sentence(&format!("YXXDR,A,{:.2},D,PITCH,A,-1.20,D,ROLL,D,1.842,M,RANGE", (i % 70) as f64 * 0.01)));
    }
    text
}

fn all(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            all(&path, into);
        } else if path.extension().is_some_and(|e| e != "md") {
            into.push(path);
        }
    }
    into.sort();
}

/// What `data/nmea/SOURCES.md` counts in each log, by a plain checksum scan.
fn counted(sources: &str) -> Vec<(String, u64, u64, Option<String>)> {
    let mut found = vec![];
    let mut name = String::new();
    for line in sources.lines() {
        if let Some(title) = line.strip_prefix("## ") {
            name = title.to_owned();
        } else if let Some((before, after)) = line.split_once(" sentences with a right checksum, ") {
            let right = before.rsplit(' ').next().unwrap().parse().unwrap();
            let wrong = after.split(' ').next().unwrap().parse().unwrap();
            let quality = after.split_once("GGA by quality ").map(|(_, q)| q.split(';').next().unwrap().to_owned());
            found.push((name.clone(), right, wrong, quality));
        }
    }
    found
}

#[test]
fn every_log_is_read_and_counted() {
    let Some(shared) = shared() else { return };
    let folder = shared.join("data/nmea");
    let mut paths = vec![];
    all(&folder, &mut paths);
    assert!(paths.len() > 40, "{}", paths.len());
    let sources = std::fs::read_to_string(folder.join("SOURCES.md")).unwrap();
    let counted = counted(&sources);
    assert_eq!(counted.len(), paths.len());
    for (name, right, wrong, quality) in counted {
        let bytes = std::fs::read(folder.join(&name)).unwrap();
        let settings = Settings::default();
        let mut scan = Scan::new(&settings);
        assert!(scan.read(&name, &mut bytes.as_slice(), None, &mut |_| true).unwrap());
        let mut log = scan.finish();
        log.settle();
        let c = log.tallies[0].count();
        assert_eq!(c.total, c.used + c.ignored.values().sum::<u64>() + c.damaged.values().sum::<u64>(), "{name} {c:?}");
        let breaks = bytes.iter().filter(|b| **b == b'\n').count() as u64;
        assert_eq!(c.total, breaks + u64::from(bytes.last().is_some_and(|b| *b != b'\n')), "{name}");
        eprintln!("{name}: {right}/{} right, {wrong}/{:?} wrong, GGA {quality:?}/{:?}", log.sentences(), c.damaged, log.noticed.quality);
        // In this log 11 sentences stand behind a cut one on the same line: merged lines are not used.
        // A comment quotes 2 in the other.
        let merged = match name.as_str() {
            "gpsd/gp-320fw-2019-04-07-coldboot.log" => 11,
            "gpsd/quectelLC79D.log" => 2,
            _ => 0,
        };
        assert_eq!(log.sentences() + merged, right, "{name}: sentences with a right checksum");
        // These have impossible GGA: 15 and 13 fields, pipes inside numbers, quality `23`.
        let odd = ["gpsd/beidou-bd.log", "gpsd/tcp-torture.log", "gpsd/saab-r4.log", "gpsd/gp-320fw-2019-04-07-coldboot.log"];
        if let (Some(quality), false) = (quality, odd.contains(&name.as_str())) {
            for part in quality.split(", ") {
                let (code, n) = part.split_once(':').unwrap();
                let slot = if code == "empty" { 11 } else { code.parse().unwrap() };
                let without_time = log.tallies[0].damaged(line::Reason::NoTime);
                let (have, want): (u64, u64) = (log.noticed.quality[slot], n.parse().unwrap());
                assert!(have <= want && have + without_time >= want, "{name}: {have} GGA of quality {code}, not {want}");
            }
        }
        let dated = date(&mut log, None);
        let context = Context { session: "s", settings: &Settings::default(), budget_m: Some(0.05), date: None };
        let findings: Vec<_> =
            findings::blocks(&log, &dated, &context).into_iter().chain(findings::remarks(&log, &dated, &context)).collect();
        for f in &findings {
            eprintln!("   {} {}: {} | {} | {} | {}", f.verdict.word(), f.code, f.what, f.place, f.size, f.fix);
            assert!(!f.what.ends_with('.') && !f.fix.is_empty() && !f.why.is_empty(), "{f:?}");
        }
        for (key, value) in findings::facts(&log, &dated) {
            assert!(!key.is_empty() && !value.is_null());
        }
    }
}

fn of(name: &str) -> Option<Log> {
    let bytes = std::fs::read(shared()?.join("data/nmea").join(name)).unwrap();
    Some(read(&Settings::default(), &bytes))
}

fn fixes(log: &Log, fix: Fix) -> usize {
    log.columns.fix.iter().filter(|f| **f == fix).count()
}

#[test]
fn known_logs_give_known_epochs() {
    // Numbers: data/nmea/SOURCES.md, and `grep` on the logs.
    let Some(rtk) = of("gpsd/nmea-rtk.log") else { return };
    assert_eq!(rtk.noticed.quality[2], 104);
    assert_eq!(rtk.noticed.quality[4], 18);
    assert_eq!(rtk.columns.bases[0], "0133");
    assert_eq!(rtk.noticed.decimals.range(), Some((8, 8)));
    // First line: 4134.49795459 N, 09345.03431408 W, altitude 278.161, separation -31.442.
    assert!((rtk.columns.latitude[0] - (41.0 + 34.497_954_59 / 60.0)).abs() < 1e-13);
    assert!((rtk.columns.longitude[0] + 93.0 + 45.034_314_08 / 60.0).abs() < 1e-13);
    assert!((rtk.columns.height[0] - 246.719).abs() < 1e-9);

    let f9r = of("gpsd/ublox-zed-f9r.log").unwrap();
    assert_eq!((f9r.columns.rows(), fixes(&f9r, Fix::RtkFloat)), (30, 30));
    assert_eq!(f9r.noticed.gst, 30);
    let gps = of("signalk/gps.log").unwrap();
    assert_eq!((gps.columns.rows(), fixes(&gps, Fix::Autonomous)), (1202, 1202));
    let telit = of("gpsd/telit-pls83-w.log").unwrap();
    assert_eq!(telit.columns.rows(), 10, "20 GGA of two talkers are 10 epochs");
    let plaka = of("signalk/plaka.log").unwrap();
    assert!(plaka.columns.rows() > 0 && plaka.noticed.gga == 0);
    for name in ["gpsd/greis-def.log", "gpsd/ublox-zed-f9p-rtk.log"] {
        let mut log = of(name).unwrap();
        let dated = date(&mut log, None);
        let context = Context { session: "s", settings: &Settings::default(), budget_m: None, date: None };
        let found = findings::blocks(&log, &dated, &context);
        assert_eq!(found[0].code, "data/no-sentences");
        assert!(found[0].what.contains("binary"), "{}", found[0].what);
    }
    let mut start = of("gpsd/rgm3800.log").unwrap();
    assert!(matches!(date(&mut start, None), Dated::Yes { source: "rmc-or-zda", .. }));
    // The last epoch is 2008-08-21T10:25:24.342; the void 1980 of the first is no evidence.
    let last = *start.columns.time.last().unwrap();
    assert_eq!(date_text(last.div_euclid(number::DAY)), "2008-08-21");
}
