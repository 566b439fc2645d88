//! `find-cause` on the demo with one setting broken at a time, and on a few simulated surveys.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::panic,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]

mod common;

#[path = "bench/causes_sim.rs"]
mod sim;

use common::{find, findings, gunter, json, workspace};
use serde_json::Value;
use std::fmt::Write as _;
use std::io::Read;
use std::path::Path;

const JOB: &str = r#"job: 1
name: causes
rig: rigs/pole-with-laser.yaml
reference: references/saltgrass-works.yaml
results: results/causes
steps:
  - id: epochs
    stage: ingest-nmea
    options: { files: ["../datasets/saltgrass/logs/*.nmea.gz"], untimed: after-time }
  - id: occupied
    stage: occupations
    options: { notes: ["../datasets/saltgrass/notes/*.csv"], notes_time: utc }
  - id: good
    stage: quality-gate
    options: { fix: [rtk-fixed], max_correction_age_s: 10 }
  - id: targets
    stage: tilt-correct
  - id: points
    stage: average
    options: { min_epochs: 10 }
  - id: heights
    stage: height-convert
  - id: grid
    stage: reproject
  - id: causes
    stage: find-cause
    from: [grid, epochs]
    options:
      control: ["../datasets/saltgrass/control.csv", "../datasets/saltgrass/check-points.csv"]
      geoids: ["../datasets/saltgrass/grids/*.gtx"]
      when_found: warn
  - id: csv
    stage: export-csv
    options: { path: points.csv }
"#;

/// Replaces text in a file; it must be there.
fn edit(path: &Path, from: &str, to: &str) {
    let text = std::fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{}: no `{from}`", path.display());
    std::fs::write(path, text.replace(from, to)).unwrap();
}

/// Runs the job in a copy of the demo that `break_it` has changed; gives what was said of the cause, and the names of
/// the causes that cannot be told apart, the first first.
fn asked(break_it: impl Fn(&Path)) -> (Value, Vec<String>) {
    let folder = workspace();
    let root = folder.path();
    std::fs::write(root.join("jobs/causes.yaml"), JOB).unwrap();
    // Broken settings make points look bad; the limits must not hold them back before they are looked at.
    let reference = root.join("jobs/references/saltgrass-works.yaml");
    edit(&reference, "  horizontal_95_m: 0.05\n  vertical_95_m: 0.05", "  horizontal_95_m: 90\n  vertical_95_m: 90");
    break_it(root);
    let run = gunter(root, &["run", "jobs/causes.yaml", "--format", "json"]);
    let found = findings(&json(&run));
    let said = ["control/cause", "control/clean", "control/no-cause", "control/cause-not-told"].iter().find_map(|c| find(&found, c));
    let said = said.unwrap_or_else(|| panic!("nothing was said of a cause: {found:#?}"));
    let report = std::fs::read_to_string(root.join("jobs/results/causes/find-cause.csv")).unwrap();
    let mut reader = csv::Reader::from_reader(report.as_bytes());
    let alike = reader.records().map(Result::unwrap).filter(|r| &r[2] == "true").map(|r| r[1].to_owned()).collect();
    eprintln!("{said:#}\n{}", report.lines().take(8).collect::<Vec<_>>().join("\n"));
    (said, alike)
}

fn words(said: &Value) -> String {
    ["what", "size", "why", "fix"].iter().map(|k| said[k].as_str().unwrap_or_default()).collect::<Vec<_>>().join("\n")
}

#[test]
fn nothing_is_broken() {
    let (said, _) = asked(|_| {});
    assert_eq!(said["code"], "control/clean", "{said:#}");
}

#[test]
fn another_geoid() {
    let other = |root: &Path| {
        let grids = root.join("datasets/saltgrass/grids");
        let mut bytes = std::fs::read(grids.join("saltgrass-geoid-2026.gtx")).unwrap();
        // GTX: a head of 40 bytes, then big-endian 32-bit floats.
        for value in bytes[40..].chunks_exact_mut(4) {
            let n = f32::from_be_bytes([value[0], value[1], value[2], value[3]]) + 0.31;
            value.copy_from_slice(&n.to_be_bytes());
        }
        std::fs::write(grids.join("other-2019.gtx"), bytes).unwrap();
        let reference = root.join("jobs/references/saltgrass-works.yaml");
        edit(&reference, "saltgrass/grids/saltgrass-geoid-2026.gtx", "saltgrass/grids/other-2019.gtx");
        edit(&reference, "      sha256: cbd324cbe9fb8cd27b59e350b50f352daeb2191f391afe86b7a382335240291f\n", "");
    };
    let (said, alike) = asked(other);
    assert_eq!(said["code"], "control/cause");
    assert!(alike[0].contains("saltgrass-geoid-2026.gtx"), "{alike:?}");
    assert!(words(&said).contains("delivery.heights.geoid"));
    // Without that grid at hand the offset alone is told.
    let (said, alike) = asked(|root| {
        other(root);
        edit(&root.join("jobs/causes.yaml"), "      geoids: [\"../datasets/saltgrass/grids/*.gtx\"]\n", "");
    });
    assert!(alike.contains(&"geoid-model".to_owned()), "{alike:?}");
    // The delivery is too low by the 0.31 m that the other separation is too high, less what noise makes.
    assert!(words(&said).contains("offset -0.3") || words(&said).contains("offset -0.2"), "{said:#}");
}

#[test]
fn another_pole() {
    let (said, alike) = asked(|root| edit(&root.join("jobs/rigs/pole-with-laser.yaml"), "z_m: 2.000", "z_m: 1.800"));
    assert_eq!((said["code"].as_str(), alike[0].as_str()), (Some("control/cause"), "pole-length"));
    assert!(words(&said).contains("pole.reference_point_to_tip.z_m") && words(&said).contains("longer by +0.2"), "{said:#}");
}

#[test]
fn another_frame() {
    let (said, alike) = asked(|root| {
        let reference = root.join("jobs/references/saltgrass-works.yaml");
        edit(&reference, "frame: EPSG:9989              # ITRF2020\n  epoch: observation\n", "frame: EPSG:6319\n");
    });
    assert_eq!(said["code"], "control/cause");
    assert!(alike.contains(&"frame-EPSG:9989".to_owned()), "{alike:?}");
    assert!(words(&said).contains("corrections.frame"), "{said:#}");
}

#[test]
fn the_other_foot() {
    let (said, alike) = asked(|root| {
        for name in ["control.csv", "check-points.csv"] {
            // US survey feet in columns that say international feet.
            let path = root.join("datasets/saltgrass").join(name);
            let text = std::fs::read_to_string(&path).unwrap();
            let mut out = text.lines().next().unwrap().replace("easting_m", "easting_ft").replace("northing_m", "northing_ft") + "\n";
            for line in text.lines().skip(1) {
                let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
                for k in [1, 2] {
                    cells[k] = format!("{:.4}", cells[k].parse::<f64>().unwrap() * 3937.0 / 1200.0);
                }
                let _ = writeln!(out, "{}", cells.join(","));
            }
            std::fs::write(&path, out).unwrap();
        }
    });
    assert_eq!((said["code"].as_str(), alike[0].as_str()), (Some("control/cause"), "foot-survey"), "{alike:?}");
    assert!(words(&said).contains("US survey feet"), "{said:#}");
}

#[test]
fn another_north() {
    let (said, alike) = asked(|root| {
        let rig = root.join("jobs/rigs/pole-with-laser.yaml");
        edit(
            &rig,
            "  north: \"true\"\n",
            "  north: magnetic\n  declination: { declination_deg: -4.0, source: invented model, sigma_deg: 0.3 }\n",
        );
    });
    assert_eq!(said["code"], "control/cause");
    assert!(alike.contains(&"north-true".to_owned()), "{alike:?}");
    assert!(words(&said).contains("attitude.north"), "{said:#}");
}

/// Heading, pitch and roll of a log as a file of its own, stamped in GPS time.
fn stream(log: &[u8], first_day: &str, next_day: &str) -> String {
    let mut text = String::new();
    flate2::read::GzDecoder::new(log).read_to_string(&mut text).unwrap();
    let mut out = String::from("t,heading,pitch,roll\n");
    let (mut time, mut heading, mut last, mut later): (Option<f64>, Option<String>, f64, bool) = (None, None, 0.0, false);
    for line in text.lines() {
        let body = line.split('*').next().unwrap_or("");
        let fields: Vec<&str> = body.split(',').collect();
        match fields.first().copied() {
            Some("$GNGGA") if fields.len() == 15 && fields[1].len() == 9 => {
                let number = |r: std::ops::Range<usize>| fields[1][r].parse::<f64>().unwrap_or(f64::NAN);
                let t = number(0..2) * 3600.0 + number(2..4) * 60.0 + number(4..9);
                later |= t < last - 43_200.0;
                (time, heading, last) = (Some(t), None, t);
            }
            Some("$GNHDT") if fields.len() == 3 => heading = fields.get(1).map(|h| (*h).to_owned()),
            Some("$IIXDR") if fields.len() >= 9 => {
                if let (Some(t), Some(h)) = (time, &heading) {
                    let gps = t + 18.0;
                    let tomorrow = later || gps >= 86_400.0;
                    let (day, s) = (if tomorrow { next_day } else { first_day }, gps.rem_euclid(86_400.0));
                    let clock = format!("{:02}:{:02}:{:05.2}", (s / 3600.0) as u32, (s / 60.0) as u32 % 60, s % 60.0);
                    let _ = writeln!(out, "{day}T{clock},{h},{},{}", fields[2], fields[6]);
                }
            }
            _ => {}
        }
    }
    out
}

#[test]
fn leap_seconds_between_the_streams() {
    let broken = |scale: &'static str| {
        move |root: &Path| {
            let logs = root.join("datasets/saltgrass/logs");
            for (name, first, next) in [("2026-03-17", "2026-03-17", "2026-03-18"), ("2026-03-18", "2026-03-18", "2026-03-19")] {
                let log = std::fs::read(logs.join(format!("{name}.nmea.gz"))).unwrap();
                std::fs::write(root.join(format!("jobs/{name}.csv")), stream(&log, first, next)).unwrap();
            }
            let job = root.join("jobs/causes.yaml");
            let angle = |name: &str| format!("      {name}: {{ column: {name}, unit: deg }}\n");
            let join = format!(
                "  - id: joined\n    stage: time-join\n    options:\n      files: [\"{{session}}.csv\"]\n      time: {{ column: t, format: iso8601, scale: {scale} }}\n      max_gap_s: 1\n      motion_check: off\n{}{}{}",
                angle("heading"),
                angle("pitch"),
                angle("roll")
            );
            edit(&job, "  - id: occupied\n", &format!("{join}  - id: occupied\n"));
            edit(&job, "    stage: tilt-correct\n", "    stage: tilt-correct\n    options: { sensors: joined }\n");
            edit(&job, "from: [grid, epochs]", "from: [grid, joined]");
        }
    };
    let (said, _) = asked(broken("gps"));
    assert_eq!(said["code"], "control/clean", "{said:#}");
    let (said, alike) = asked(broken("utc"));
    assert_eq!((said["code"].as_str(), alike[0].as_str()), (Some("control/cause"), "lag +18.00 s"), "{alike:?}");
    assert!(words(&said).contains("GPS time is taken for UTC"), "{said:#}");
}

#[test]
fn simulated_surveys_with_known_blunders() {
    let sites: Vec<_> = (0..6).map(|k| sim::site(400 + k)).collect();
    let (mut tried, mut right, mut kinds) = (0, 0, 0);
    for what in sim::ALL {
        let l = sim::line(&sites, what);
        (tried, right) = (tried + l.tried, right + l.right);
        kinds += usize::from(l.right > 0 || l.tried == 0);
        if l.right < l.tried {
            eprintln!("{what:?}: {} of {}, else {:?}", l.right, l.tried, l.instead);
        }
    }
    assert!(right * 100 >= tried * 95 && tried > 150, "{right} of {tried}");
    assert_eq!(kinds, sim::ALL.len(), "a cause is never named");
    let clean = sim::line(&sites, sim::Blunder::Nothing);
    assert!(clean.right + 1 >= clean.tried, "{clean:?}");
    let unknown = sim::line(&sites, sim::Blunder::Unknown);
    assert_eq!(unknown.right, unknown.tried, "{unknown:?}");
}
