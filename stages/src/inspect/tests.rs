use super::*;
use std::path::Path;

fn shared() -> Option<PathBuf> {
    let path = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/data/nmea"));
    if path.is_dir() {
        return Some(path.to_owned());
    }
    eprintln!("SKIPPED: no outside data at {}", path.display());
    None
}

fn one(name: &str) -> Option<Report> {
    Some(inspect(&[(name.to_owned(), shared()?.join(name))]).unwrap())
}

fn fits(text: &str) {
    assert!(text.lines().count() <= 40, "{} lines\n{text}", text.lines().count());
    for line in text.lines() {
        assert!(line.chars().count() <= 100 && !line.chars().any(char::is_control), "{line}");
    }
}

#[test]
fn every_log_fits_on_a_screen() {
    let Some(folder) = shared() else { return };
    let mut all = vec![];
    for sub in std::fs::read_dir(&folder).unwrap() {
        let sub = sub.unwrap().path();
        if sub.is_dir() {
            for file in std::fs::read_dir(&sub).unwrap() {
                let path = file.unwrap().path();
                let name = path.strip_prefix(&folder).unwrap().to_string_lossy().into_owned();
                let report = inspect(&[(name.clone(), path.clone())]).unwrap();
                let text = report.text();
                eprintln!("{text}");
                fits(&text);
                assert!(serde_json::to_value(&report).unwrap().is_object());
                let first = first_job(&report, std::slice::from_ref(&name), "first");
                for yaml in [&first.job, &first.rig, &first.reference] {
                    assert!(!yaml.is_empty() && !yaml.contains("\t"), "{yaml}");
                }
                all.push((name, path));
            }
        }
    }
    all.sort();
    fits(&inspect(&all).unwrap().text());
}

#[test]
fn a_report_says_what_is_there() {
    // Numbers: data/nmea/SOURCES.md.
    let Some(rtk) = one("gpsd/nmea-rtk.log") else { return };
    assert_eq!(rtk.bases.iter().map(|b| b.id.as_str()).collect::<Vec<_>>(), ["0133", "0002"]);
    let share: Vec<(&str, u64)> = rtk.fixes.iter().map(|f| (f.fix, f.epochs)).collect();
    assert_eq!(share, [("rtk-fixed", 18), ("differential", 104)]);
    assert_eq!(rtk.resolution.as_ref().unwrap().most, 8);
    assert_eq!(rtk.files[0].date_source.as_deref(), Some("rmc-or-zda"));
    assert_eq!(rtk.with_gst, 0);
    assert!(rtk.text().contains("base station:"), "{}", rtk.text());
    assert_eq!(rtk.order, ["GGA", "RMC"]);

    let bus = one("gpsd/bundg_zeus_9.log").unwrap();
    let names: Vec<&str> = bus.sensors.iter().map(|s| s.name.as_str()).collect();
    assert!(names.contains(&"HEEL") && names.contains(&"TRIM"), "{names:?}");
    let none = one("gpsd/greis-def.log").unwrap();
    assert!(none.wrong[0].contains("no NMEA sentence"), "{:?}", none.wrong);
    let bare = one("gnss_lib_py/nmea_no_checksum.nmea").unwrap();
    assert!(bare.without_checksums && bare.epochs == 2);
    let night = one("signalk/plaka.log").unwrap();
    assert!(night.ask[0].contains("date of line 1"));
    let seam = one("aerorust/nmea1.log").unwrap();
    assert_eq!(seam.strip.chars().count(), 60);
    assert!(inspect(&[]).is_err());
    assert!(inspect(&[("no".into(), "/nowhere/no".into())]).is_err());
}

#[test]
fn a_first_job_leaves_out_what_only_a_person_knows() {
    let text = crate::ingest::nmea::tests::logs::day(300);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("day.nmea");
    std::fs::write(&path, text).unwrap();
    let report = inspect(&[("day.nmea".into(), path)]).unwrap();
    fits(&report.text());
    assert_eq!(report.order, ["GGA", "GST", "RMC", "GSA x4", "GSV x9", "HDT", "XDR"]);
    assert_eq!(report.strip, "#".repeat(60));
    let first = first_job(&report, &["logs/day.nmea".into()], "day");
    assert!(first.rig.contains("heading: { sentence: HDT }"), "{}", first.rig);
    assert!(first.rig.contains("range: { sentence: XDR, transducer: \"RANGE\" }"), "{}", first.rig);
    assert!(first.rig.contains("assumed_sigma_horizontal_m: 0.0105"), "{}", first.rig);
    assert!(first.reference.contains("base_station: \"0231\""), "{}", first.reference);
    for (text, key) in [(&first.job, "untimed"), (&first.job, "notes"), (&first.rig, "receiver_output"), (&first.reference, "frame")] {
        assert!(text.lines().any(|l| l.trim_start().starts_with(&format!("# {key}:"))), "{key}: {text}");
        assert!(!text.lines().any(|l| l.trim_start().starts_with(&format!("{key}:"))), "{key}: {text}");
        assert!(first.unknowns.iter().any(|u| u.contains(key)), "{key}: {:?}", first.unknowns);
    }
    assert!(!first.job.contains("# date:"));
}
