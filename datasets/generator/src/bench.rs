//! A large archive for benchmarks: many sessions of a talkative receiver, with notes, so that the whole chain runs.

use crate::demo::{notes, put};
use crate::earth::V3;
use crate::files::{self, CHAIN, CSV, Reference, step};
use crate::nmea;
use crate::noise::Noise;
use crate::scene;
use crate::session::{self, Constant, Plan, Stop};
use crate::time;
use std::io;
use std::path::Path;

/// Size of an archive.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Size {
    /// Bytes of the logs.
    pub bytes: u64,
    /// Epochs.
    pub epochs: u64,
    /// Shots.
    pub shots: u64,
}

/// Writes `sessions` logs of `minutes` each, their notes, grid, rig, reference and `job.yaml`.
///
/// # Errors
/// When a file cannot be written.
pub fn write(folder: &Path, sessions: u32, minutes: u32) -> io::Result<Size> {
    let mut size = Size::default();
    for number in 1..=sessions {
        let plan = plan(number, minutes);
        let draws = scene::draws(scene::SEED + u64::from(number));
        let constant = Constant { heading: draws.heading[0], ..draws.constant };
        let s = session::run(&plan, &scene::site(), &constant);
        let mut lines = Vec::with_capacity(s.epochs.len() * 12);
        for e in &s.epochs {
            nmea::write(e, &nmea::TALKATIVE, &mut lines);
        }
        let log = nmea::bytes(&lines, &[]);
        size.bytes += log.len() as u64;
        size.epochs += s.epochs.len() as u64;
        size.shots += s.bursts.len() as u64;
        put(&folder.join(format!("logs/{}.nmea", plan.name)), &log)?;
        put(&folder.join(format!("notes/{}.csv", plan.name)), notes(&plan, &s, time::iso).as_bytes())?;
    }
    put(&folder.join("grids/geoid.gtx"), &scene::grid().bytes())?;
    put(&folder.join("rig.yaml"), crate::rig::NOMINAL.yaml("benchmark pole", "antenna-reference-point", "gunter").as_bytes())?;
    let reference = Reference {
        name: "benchmark".into(),
        frame: "EPSG:9989",
        epoch: "observation",
        crs: "EPSG:6345",
        unit: "m",
        geoid: Some(("grids/geoid.gtx".into(), "Benchmark geoid")),
        datum: "",
    };
    put(&folder.join("reference.yaml"), reference.yaml().as_bytes())?;
    let parquet = step("parquet", "export-parquet", "    from: [grid]\n    options: { path: points.parquet }\n");
    let steps: Vec<_> = CHAIN.into_iter().chain([CSV, parquet]).collect();
    let job = files::job("bench", "Many sessions, for the clock", "reference.yaml", "logs/*.nmea", "notes/*.csv", &steps);
    put(&folder.join("job.yaml"), job.as_bytes())?;
    Ok(size)
}

fn plan(number: u32, minutes: u32) -> Plan {
    let name = format!("s{number:03}");
    let mut n = Noise::new(scene::SEED, &name);
    // A stop takes about 30 s with the walk to it.
    let stops = (1..=minutes * 2).map(|k| stop(number, k, &mut n)).collect();
    Plan {
        start: time::at(2026, 4, 1, 12, 0, 0) + i64::from(number - 1) * time::DAY,
        stops,
        seed: scene::SEED,
        name,
        base: scene::BASE,
        receiver_geoid: (scene::SITE, scene::SEPARATION, scene::RECEIVER_BIAS),
        pause: (4.0, 10.0),
    }
}

fn stop(session: u32, number: u32, n: &mut Noise) -> Stop {
    // Rows of twenty fittings, 8 m apart, up one row and down the next.
    let (row, column) = (f64::from(number / 20), f64::from(number % 20));
    let column = if (number / 20).is_multiple_of(2) { column } else { 19.0 - column };
    let (east, north) = (8.0 * column, 6.0 * row);
    let target: V3 = [east, north, scene::ground(east, north) - n.between(1.3, 2.1)];
    let (roll, pitch) = (n.between(-6.0, 6.0), n.between(-17.0, -5.0));
    let (stand, aim) = scene::laser_stop(target, [1.0, 0.0], 1.0, roll, pitch);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let epochs = n.between(25.0, 75.0) as usize;
    Stop {
        point: format!("F{session:03}-{number:04}"),
        code: "W-COUP",
        remark: String::new(),
        diameter: Some(200),
        surface: "top",
        aim,
        stand,
        roll,
        pitch,
        epochs,
        faults: vec![],
        expected: String::new(),
    }
}
