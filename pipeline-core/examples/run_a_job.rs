//! The engine in a program of your own: a job from memory is planned, run and read back, without the command line and without
//! plug-ins. `cargo run --release --example run_a_job`
//!
//! All data here are invented: two points of half a minute each, with a pole that stands upright.
#![allow(missing_docs)]

use pipeline_base::diag::{Diagnostic, render};
use pipeline_base::document::Document;
use pipeline_core::plan;
use pipeline_core::run::{self, Settings};
use std::error::Error;
use std::fmt::Write as _;
use std::io::{self, Write};
use std::path::Path;

const JOB: &str = "\
job: 1
name: two-points
rig: rig.yaml
reference: reference.yaml
results: results
steps:
  - id: epochs
    stage: ingest-nmea
    options: { files: [day.nmea], untimed: after-time }
  - id: occupied
    stage: occupations
    options: { notes: [notes.csv], notes_time: utc }
  - id: good
    stage: quality-gate
    options: { fix: [rtk-fixed], max_correction_age_s: 10 }
  - id: targets
    stage: tilt-correct
  - id: points
    stage: average
    options: { min_epochs: 10 }
  - id: grid
    stage: reproject
  - id: csv
    stage: export-csv
    options: { path: points.csv }
";

const RIG: &str = "\
rig: 1
name: upright pole
receiver_output: antenna-reference-point
pole:
  reference_point_to_tip: { x_m: 0, y_m: 0, z_m: 2, sigma_m: 0.001 }
  applied_by: gunter
sensors:
  heading: { sentence: HDT }
  pitch: { sentence: XDR, transducer: PTCH }
  roll: { sentence: XDR, transducer: ROLL }
attitude:
  north: 'true'
  heading_sigma_deg: 0.3
  tilt_sigma_deg: 0.1
  heading_bias_sigma_deg: 0.4
  tilt_bias_sigma_deg: 0.08
gnss: { assumed_sigma_horizontal_m: 0.02, assumed_sigma_up_m: 0.035, correlation_time_s: 115 }
calibration: { date: 2026-02-20, expires: 2026-08-20, by: invented }
";

const REFERENCE: &str = "\
reference: 1
name: invented works
corrections:
  frame: EPSG:9989
  epoch: observation
  stated_by: invented
  base_sigma_horizontal_m: 0.005
  base_sigma_up_m: 0.008
delivery:
  crs: EPSG:6345
  heights: { surface: ellipsoid, unit: m }
budget: { operation_m: 0.05, horizontal_95_m: 0.1, vertical_95_m: 0.1 }
";

const NOTES: &str = "\
point,code,from,to,aim
A,W-VALVE,14:05:00,14:05:29,tip
B,W-VALVE,14:06:00,14:06:29,tip
";

/// A sentence with its checksum: the exclusive or of all characters between `$` and `*`.
fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |sum, byte| sum ^ byte))
}

/// Two minutes of a receiver at one epoch a second; the second point lies eleven metres north of the first.
fn log() -> String {
    (0..120).fold(String::new(), |mut log, second| {
        let time = format!("14{:02}{:02}.00", 5 + second / 60, second % 60);
        // Eighth decimals of a minute: a few millimetres of wander, since a position that never moves is refused as too coarse.
        let (north, west) = (second * 37 % 401 + if second < 60 { 0 } else { 600_000 }, second * 53 % 503);
        let place = format!("4242.60{north:06},N,08428.80{west:06},W");
        for body in [
            format!("GNGGA,{time},{place},4,24,0.71,265.598,M,-34.200,M,1.2,0417"),
            format!("GNGST,{time},0.012,0.008,0.007,24.0,0.007,0.007,0.013"),
            format!("GNRMC,{time},A,{place},0.010,0.00,110626,,,R,V"),
            "GNHDT,63.20,T".to_owned(),
            "IIXDR,A,0.00,D,PTCH,A,0.00,D,ROLL".to_owned(),
        ] {
            let _ = write!(log, "{}", sentence(&body));
        }
        log
    })
}

fn show(found: &[Diagnostic], documents: &[Document], out: &mut dyn Write) -> io::Result<()> {
    write!(out, "{}", render::text(found, &documents.iter().collect::<Vec<_>>(), false))
}

/// Plans and runs a job whose files are in a folder, and says what became of it.
fn job(text: &str, folder: &Path, out: &mut dyn Write) -> Result<(), Box<dyn Error>> {
    // All stages that are built in. Your own are added with `Registry::add`.
    let registry = stages::registry()?;
    let plan = match plan::compile_text("two-points", text, folder, &registry) {
        Ok(plan) => plan,
        Err(refused) => {
            show(&refused.findings, &refused.documents, out)?;
            writeln!(out, "refused, nothing was run")?;
            return Ok(());
        }
    };
    // What stops a job before its data are read as a whole; `gunter check` is this.
    let found = run::survey(&plan);
    if found.iter().any(|d| d.verdict.stops_delivery()) {
        show(&found, &plan.documents, out)?;
        return Ok(());
    }
    let settings = Settings { threads: 2, overwrite: false, deliver: true, standings: true };
    let outcome = run::execute(&plan, &settings, &|_, _| {});
    let decided = &outcome.record.decided;
    show(&decided.findings, &plan.documents, out)?;
    writeln!(out, "{}", decided.result)?;
    for step in &decided.steps {
        writeln!(out, "step {}: {} rows in, {} out", step.id, step.rows.r#in, step.rows.out)?;
    }
    for point in &outcome.standings {
        let (plan, up) = (point.horizontal_95_m.unwrap_or(f64::NAN), point.vertical_95_m.unwrap_or(f64::NAN));
        writeln!(out, "point {}: {plan:.3} m horizontal, {up:.3} m vertical at 95 %", point.point)?;
    }
    for product in &decided.products {
        writeln!(out, "delivered {} ({} rows)", product.name, product.rows)?;
    }
    Ok(())
}

/// A wrong job and a good one.
pub(crate) fn example(folder: &Path, out: &mut dyn Write) -> Result<(), Box<dyn Error>> {
    for (name, text) in [("day.nmea", log().as_str()), ("rig.yaml", RIG), ("reference.yaml", REFERENCE), ("notes.csv", NOTES)] {
        std::fs::write(folder.join(name), text)?;
    }
    job(&JOB.replace("stage: average", "stage: avrage"), folder, out)?;
    job(JOB, folder, out)
}

#[allow(dead_code)]
fn main() -> Result<(), Box<dyn Error>> {
    example(tempfile::tempdir()?.path(), &mut io::stdout().lock())
}
