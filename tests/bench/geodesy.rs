//! How fast `reproject` and `height-convert` are beside PROJ alone, in the same run.
//!
//! `cargo bench --bench geodesy -- [--repeats 15] [--points 36000] [--threads 2] [--only WORD]`
//!
//! PROJ alone is one call of `proj_trans_generic` on plain arrays that lie ready, with the objects open and the pipeline that
//! the stage chose; for a grid also `proj_factors` for each point, since the stage delivers convergence and scale. A stage is
//! bound once and timed from table to table, with everything that it says and checks. Both run in turn, and the best time of
//! each counts; with several threads the time of the slowest one. A session is a walk within two kilometres, or points all
//! over the area. National grids come from `../shared`; without them such a line is left out with a loud word, and the geoid
//! is an invented one.
#![allow(missing_docs, clippy::print_stdout)]

use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{BindCx, Cx, DynBound, Files};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::{Arc, Barrier};
use std::time::{Duration, Instant};

use survey_geodesy::proj_context::{CoordinateColumn, Object, ProjContext};

/// As in the program.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

type Answer<T> = Result<T, Box<dyn std::error::Error>>;

/// South, north, west, east.
type Box4 = [f64; 4];

struct Operation {
    title: &'static str,
    stage: &'static str,
    from: &'static str,
    /// Coordinates move, and each row has its own time.
    moving: bool,
    to: &'static str,
    area: Box4,
    geoid: Option<PathBuf>,
    folder: PathBuf,
}

/// How much goes through at a time.
#[derive(Clone, Copy)]
struct Load {
    points: usize,
    /// All over the area, and not in one place of it.
    spread: bool,
    threads: usize,
}

/// Times of one round, of the slowest thread.
#[derive(Clone, Copy)]
struct Times {
    coordinates: Duration,
    factors: Duration,
    stage: Duration,
}

fn main() -> ExitCode {
    match run() {
        Ok(table) => {
            println!("{table}");
            ExitCode::SUCCESS
        }
        Err(problem) => {
            eprintln!("{problem}");
            ExitCode::FAILURE
        }
    }
}

fn run() -> Answer<String> {
    let words: Vec<String> = std::env::args().collect();
    let after = |name: &str| words.iter().position(|w| w == name).and_then(|i| words.get(i + 1));
    let number = |name: &str| after(name).map(|w| w.parse::<usize>()).transpose();
    let repeats = number("--repeats")?.unwrap_or(15);
    let loads = match (number("--points")?, number("--threads")?) {
        (None, None) => vec![(36_000, false, 1), (200_000, true, 1), (36_000, false, 2)],
        (points, threads) => vec![(points.unwrap_or(36_000), false, threads.unwrap_or(1))],
    };
    let folder = tempfile::tempdir()?;
    let mut text = "| operation | points | threads | PROJ, coordinates, points/s | PROJ, all that the stage gives, points/s | stage, points/s | stage of PROJ | first session, ms more |\n"
        .to_owned();
    text.push_str("| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |\n");
    for (points, spread, threads) in loads {
        for operation in operations(folder.path())?.iter().filter(|o| after("--only").is_none_or(|w| o.title.contains(w.as_str()))) {
            let (first, best) = measure(operation, Load { points, spread, threads }, repeats)?;
            #[allow(clippy::cast_precision_loss)]
            let rate = |time: Duration| points as f64 / time.as_secs_f64();
            let all = best.coordinates + best.factors;
            text.push_str(&format!(
                "| {} | {points} {} | {threads} | {:.0} | {:.0} | {:.0} | {:.1} % | {:.1} |\n",
                operation.title,
                if spread { "all over" } else { "in a place" },
                rate(best.coordinates),
                rate(all),
                rate(best.stage),
                100.0 * all.as_secs_f64() / best.stage.as_secs_f64(),
                first.saturating_sub(best.stage).as_secs_f64() * 1e3,
            ));
        }
    }
    Ok(text)
}

fn operations(folder: &Path) -> Answer<Vec<Operation>> {
    let grids = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../shared/data/grids"));
    let invented = folder.join("invented.gtx");
    gtx(&invented)?;
    let michigan = [41.8, 43.4, -86.0, -83.2];
    let here = |title, from, to| Operation {
        title,
        stage: "reproject",
        from,
        moving: false,
        to,
        area: michigan,
        geoid: None,
        folder: folder.to_owned(),
    };
    let mut all = vec![
        Operation { area: [31.0, 48.0, -89.5, -84.5], ..here("UTM zone 16 north", "EPSG:6319", "EPSG:6345") },
        here("Lambert conformal conic, Michigan South", "EPSG:6319", "EPSG:6498"),
        Operation { moving: true, ..here("fourteen parameters, ITRF2020 to NAD 83(2011), each row's own time", "EPSG:9989", "EPSG:6319") },
        Operation { stage: "height-convert", geoid: Some(invented), ..here("invented geoid, GTX, 1 minute", "EPSG:6319", "EPSG:6498") },
    ];
    if grids.is_dir() {
        let britain = [50.5, 57.0, -4.5, 0.0];
        let of = |title, to| Operation { area: britain, folder: grids.clone(), ..here(title, "EPSG:4937", to) };
        all.push(of("grid shift OSTN15, ETRS89 to OSGB36", "EPSG:4277"));
        all.push(of("the same and the British National Grid", "EPSG:27700"));
        all.push(Operation {
            stage: "height-convert",
            geoid: Some(grids.join("uk_os_OSGM15_GB.tif")),
            ..of("geoid OSGM15, GeoTIFF", "EPSG:27700")
        });
    } else {
        eprintln!("SKIPPED: {} is absent; no national grid was measured", grids.display());
    }
    Ok(all)
}

/// Time of the first session of a stage, and the best times, for each thread's share: every thread has as many points.
fn measure(operation: &Operation, load: Load, repeats: usize) -> Answer<(Duration, Times)> {
    let bound = bind(operation, &table(operation, load)?.schema)?;
    let start = Barrier::new(load.threads);
    let work = || -> Answer<Vec<Times>> {
        let table = table(operation, load)?;
        let ready = Alone::of(operation, &bound)?;
        let world = Collect::new(&operation.folder);
        let cx = Cx::new(&world, "bench", None);
        let mut rounds = vec![];
        for _ in 0..=repeats {
            let arrays = Arrays::of(&table)?;
            start.wait();
            let started = Instant::now();
            let out = bound.stage.run(std::slice::from_ref(&table), &cx).map_err(said)?;
            let stage = started.elapsed();
            assert_eq!(out.rows(), load.points);
            drop(out);
            start.wait();
            let (coordinates, factors) = ready.run(operation, arrays)?;
            rounds.push(Times { coordinates, factors, stage });
        }
        let stops = world.said().findings.iter().filter(|f| f.verdict.word() == "block").count();
        assert_eq!(stops, 0, "{:?}", world.said().findings.first());
        Ok(rounds)
    };
    let threads: Vec<Vec<Times>> = std::thread::scope(|scope| {
        let all: Vec<_> = (0..load.threads).map(|_| scope.spawn(|| work().map_err(|e| e.to_string()))).collect();
        all.into_iter().map(|t| t.join().unwrap_or_else(|_| Err("a thread failed".to_owned()))).collect::<Result<_, _>>()
    })?;
    let slowest = |round: usize, time: fn(&Times) -> Duration| threads.iter().map(|t| time(&t[round])).max().unwrap_or_default();
    let best = |time: fn(&Times) -> Duration| (1..=repeats).map(|round| slowest(round, time)).min().unwrap_or_default();
    Ok((slowest(0, |t| t.stage), Times { coordinates: best(|t| t.coordinates), factors: best(|t| t.factors), stage: best(|t| t.stage) }))
}

/// Plain arrays that lie ready.
struct Arrays {
    longitude: Vec<f64>,
    latitude: Vec<f64>,
    height: Vec<f64>,
    years: Vec<f64>,
    n: Vec<f64>,
    degrees: (Vec<f64>, Vec<f64>),
    convergence: Vec<f64>,
    scale: Vec<f64>,
}

impl Arrays {
    fn of(table: &Table) -> Answer<Self> {
        let column = |name: &str| table.floats(name).map(|c| c.to_vec()).map_err(said);
        let (longitude, latitude) = (column("longitude_deg")?, column("latitude_deg")?);
        let zeros = vec![0.0; table.rows()];
        Ok(Self {
            height: column("ellipsoidal_height_m")?,
            years: table.instants("time").map_err(said)?.iter().map(|t| t.map_or(f64::NAN, survey_geodesy::decimal_year)).collect(),
            n: zeros.clone(),
            degrees: (longitude.clone(), latitude.clone()),
            convergence: zeros.clone(),
            scale: zeros,
            longitude,
            latitude,
        })
    }
}

/// PROJ alone, with what the stage decided, opened.
struct Alone {
    change: Option<&'static Object<'static>>,
    geoid: Option<&'static Object<'static>>,
    conversion: Option<&'static Object<'static>>,
    grid: Option<&'static Object<'static>>,
}

impl Alone {
    fn of(operation: &Operation, bound: &DynBound) -> Answer<Self> {
        let decided = |key: &str| bound.decided.iter().find(|(k, _)| k == key).map(|(_, v)| v.clone());
        let pipeline = |key: &str| decided(key).and_then(|v| v.get("pipeline").and_then(|p| p.as_str()).map(str::to_owned));
        let change = pipeline("operation").filter(|p| p != "+proj=noop");
        let conversion = decided("conversion").and_then(|v| v.as_str().map(str::to_owned));
        let geoid = pipeline("geoid");
        // Open until the benchmark ends.
        let proj: &'static ProjContext = Box::leak(Box::new(ProjContext::new(std::slice::from_ref(&operation.folder))?));
        let make = |text: &str| proj.create(text).map(|o| &*Box::leak(Box::new(o)));
        Ok(Self {
            change: change.as_deref().map(make).transpose()?,
            geoid: geoid.as_deref().map(make).transpose()?,
            grid: conversion.as_ref().map(|_| make(operation.to)).transpose()?,
            conversion: conversion.as_deref().map(make).transpose()?,
        })
    }

    /// Times of the coordinates, and of convergence and scale.
    fn run(&self, operation: &Operation, mut a: Arrays) -> Answer<(Duration, Duration)> {
        let started = Instant::now();
        if let Some(change) = self.change {
            let year = if operation.moving { CoordinateColumn::Each(&mut a.years) } else { CoordinateColumn::All(f64::INFINITY) };
            assert!(change.carry_columns(&mut a.longitude, &mut a.latitude, CoordinateColumn::Each(&mut a.height), year));
        }
        if let Some(geoid) = self.geoid {
            assert!(geoid.carry_columns(
                &mut a.longitude,
                &mut a.latitude,
                CoordinateColumn::Each(&mut a.n),
                CoordinateColumn::All(f64::INFINITY)
            ));
        }
        if let Some(conversion) = self.conversion {
            assert!(conversion.carry_columns(
                &mut a.longitude,
                &mut a.latitude,
                CoordinateColumn::All(0.0),
                CoordinateColumn::All(f64::INFINITY)
            ));
        }
        let coordinates = started.elapsed();
        let Some(grid) = self.grid else { return Ok((coordinates, Duration::ZERO)) };
        // Degrees before the change: a hundred metres off, which costs the same.
        let started = Instant::now();
        for i in 0..a.n.len() {
            let f = grid.factors(a.degrees.1[i], a.degrees.0[i])?;
            (a.convergence[i], a.scale[i]) = (f.convergence_deg, f.meridional);
        }
        Ok((coordinates, started.elapsed()))
    }
}

fn said(problem: Problem) -> Box<dyn std::error::Error> {
    format!("{} {}", problem.finding.code, problem.finding.what).into()
}

struct NoFiles;

impl Files for NoFiles {
    fn find(&self, pattern: &str) -> Result<Vec<(String, PathBuf)>, Problem> {
        Err(Problem::new("data/no-file", pattern))
    }
    fn resolve(&self, name: &str) -> PathBuf {
        PathBuf::from(name)
    }
    fn results(&self) -> PathBuf {
        PathBuf::from("results")
    }
}

fn bind(operation: &Operation, schema: &Schema) -> Answer<DynBound> {
    let heights = operation.geoid.as_ref().map_or_else(
        || serde_json::json!({"surface": "ellipsoid", "unit": "m"}),
        |grid| {
            serde_json::json!({"surface": "vertical-datum", "datum": "invented", "unit": "m", "geoid": {
                "grid": grid.file_name().map(|n| n.to_string_lossy()), "model": "invented", "version": "1",
                "frame": operation.from, "sigma_m": 0.02}})
        },
    );
    let mut reference: Reference = serde_json::from_value(serde_json::json!({
        "reference": 1, "name": "bench",
        "corrections": {"frame": operation.from, "stated_by": "bench"},
        "delivery": {"crs": operation.to, "heights": heights},
        "budget": {"operation_m": 0.1, "horizontal_95_m": 0.05, "vertical_95_m": 0.08}
    }))?;
    reference.folder.clone_from(&operation.folder);
    let [south, north, west, east] = operation.area;
    let locality = Locality {
        latitude_deg: f64::midpoint(south, north),
        longitude_deg: f64::midpoint(west, east),
        height_m: Some(100.0),
        receiver_separation_m: None,
        decimal_year: Some(2025.5),
    };
    let schemas = [schema.clone()];
    let cx = BindCx { inputs: &schemas, rig: None, reference: Some(&reference), locality: Some(locality), files: &NoFiles, locked: None };
    let kind = stages::builtin().into_iter().find(|k| k.spec().name == operation.stage).ok_or("no such stage")?;
    kind.bind(serde_json::json!({}), &cx).map_err(|p| p.into_iter().next().map_or_else(|| "refused".into(), said))
}

/// Points spread like a grid turned a little, so that neighbours in the table are not neighbours in a cell: over the area, or over
/// two kilometres in its middle.
fn table(operation: &Operation, load: Load) -> Answer<Table> {
    let points = load.points;
    let maybe = |name: &str, unit, role| Column::maybe(name, Holds::Float, unit, role);
    let heights = if operation.stage == "reproject" && operation.folder.ends_with("grids") {
        // OSGB36 has no ellipsoidal heights: the points come with heights of a vertical datum.
        Heights::Vertical {
            datum: "invented".to_owned(),
            model: "invented".to_owned(),
            version: "1".to_owned(),
            sha256: String::new(),
            unit: Unit::Metre,
        }
    } else {
        Heights::Ellipsoidal
    };
    let schema = Schema {
        columns: vec![
            Column::always("point", Holds::Text, Unit::None, Role::Point),
            Column::always("time", Holds::Instant, Unit::None, Role::Time),
            maybe("latitude_deg", Unit::Degree, Role::Latitude),
            maybe("longitude_deg", Unit::Degree, Role::Longitude),
            maybe("ellipsoidal_height_m", Unit::Metre, Role::EllipsoidalHeight),
        ],
        frame: Some(Frame {
            crs: operation.from.to_owned(),
            name: operation.from.to_owned(),
            axes: Axes::Geographic,
            epoch: if operation.moving { Epoch::EachObservation } else { Epoch::Static },
            heights,
            point: PhysicalPoint::Target,
        }),
    };
    let [mut south, mut north, mut west, mut east] = operation.area;
    if !load.spread {
        let (latitude, longitude) = (f64::midpoint(south, north), f64::midpoint(west, east));
        (south, north, west, east) = (latitude - 0.01, latitude + 0.01, longitude - 0.015, longitude + 0.015);
    }
    #[allow(clippy::cast_precision_loss)]
    let share = |i: usize, step: f64| (i as f64 * step).fract();
    let mut builder = TableBuilder::new(Arc::new(schema), points);
    builder
        .text_everywhere("point", "P")
        .instants("time", (0..points).map(|i| 1_751_457_600_000_000_000 + i64::try_from(i).unwrap_or(0) * 200_000_000).collect())
        .floats("latitude_deg", (0..points).map(|i| south + (north - south) * share(i, 0.618_033_988_75)).collect())
        .floats("longitude_deg", (0..points).map(|i| west + (east - west) * share(i, 0.414_213_562_37)).collect())
        .floats("ellipsoidal_height_m", (0..points).map(|i| 50.0 + 200.0 * share(i, 0.732_050_807_57)).collect());
    builder.finish().map_err(said)
}

/// An invented geoid of one minute over Michigan.
fn gtx(path: &Path) -> Answer<()> {
    let (south, west, step, rows, columns) = (41.0_f64, -87.0_f64, 1.0 / 60.0, 180_u32, 300_u32);
    let mut bytes = vec![];
    for v in [south, west, step, step] {
        bytes.extend(v.to_be_bytes());
    }
    bytes.extend(rows.to_be_bytes());
    bytes.extend(columns.to_be_bytes());
    for i in 0..rows {
        for j in 0..columns {
            #[allow(clippy::cast_possible_truncation)]
            let n = (-34.0 + (f64::from(i) * 0.07).sin() + (f64::from(j) * 0.05).cos()) as f32;
            bytes.extend(n.to_be_bytes());
        }
    }
    std::fs::write(path, bytes)?;
    Ok(())
}
