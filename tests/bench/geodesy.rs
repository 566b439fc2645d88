//! How fast `reproject` and `height-convert` are beside PROJ alone, in the same run, on one core.
//!
//! `cargo bench --bench geodesy -- [--points 200000] [--repeats 5]`
//!
//! PROJ alone is one call of `proj_trans_generic` on plain arrays that lie ready, with the pipeline that the stage chose; for
//! a grid also `proj_factors` for each point, since the stage delivers convergence and scale. A stage is timed from table to
//! table, with everything that it says and checks. National grids come from `../shared`; without them such a line is left out
//! with a loud word, and the geoid is an invented one.
#![allow(missing_docs, clippy::print_stdout)]

use pipeline_core::reference::Reference;
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{BindCx, Cx, DynBound, Files, Locality, Problem};
use pipeline_core::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Role, Schema, Unit};
use pipeline_core::table::{Table, TableBuilder};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::time::{Duration, Instant};

use stages::geodesy::door::{Door, Numbers};

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

/// One line of the table, in points a second.
struct Row {
    title: &'static str,
    coordinates: f64,
    with_factors: Option<f64>,
    stage: f64,
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
    let (points, repeats) = wanted()?;
    let folder = tempfile::tempdir()?;
    let mut text = "| operation | points | PROJ, coordinates, points/s | PROJ, convergence and scale too, points/s | stage, points/s | stage of PROJ |\n"
        .to_owned();
    text.push_str("| --- | ---: | ---: | ---: | ---: | ---: |\n");
    for operation in operations(folder.path())? {
        let row = measure(&operation, points, repeats)?;
        let base = row.with_factors.unwrap_or(row.coordinates);
        let factors = row.with_factors.map_or_else(|| "–".to_owned(), |f| format!("{f:.0}"));
        text.push_str(&format!(
            "| {} | {points} | {:.0} | {factors} | {:.0} | {:.1} % |\n",
            row.title,
            row.coordinates,
            row.stage,
            100.0 * row.stage / base
        ));
    }
    Ok(text)
}

fn wanted() -> Answer<(usize, usize)> {
    let words: Vec<String> = std::env::args().collect();
    let after = |name: &str| words.iter().position(|w| w == name).and_then(|i| words.get(i + 1));
    let number = |name: &str, otherwise: usize| after(name).map_or(Ok(otherwise), |w| w.parse());
    Ok((number("--points", 200_000)?, number("--repeats", 5)?))
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

fn measure(operation: &Operation, points: usize, repeats: usize) -> Answer<Row> {
    let table = table(operation, points)?;
    let bound = bind(operation, &table.schema)?;
    let world = Collect::new(&operation.folder);
    let cx = Cx::new(&world, "bench", None);
    let mut stage = Duration::MAX;
    for _ in 0..repeats {
        let started = Instant::now();
        let out = bound.stage.run(std::slice::from_ref(&table), &cx).map_err(said)?;
        stage = stage.min(started.elapsed());
        assert_eq!(out.rows(), points);
    }
    let stops = world.said().findings.iter().filter(|f| f.verdict.word() == "block").count();
    assert_eq!(stops, 0, "{:?}", world.said().findings.first());
    let (alone, factors) = alone(operation, &bound, &table, repeats)?;
    #[allow(clippy::cast_precision_loss)]
    let rate = |time: Duration| points as f64 / time.as_secs_f64();
    Ok(Row { title: operation.title, coordinates: rate(alone), with_factors: factors.map(|f| rate(alone + f)), stage: rate(stage) })
}

/// PROJ alone, with what the stage decided: coordinates, and factors where the stage gives them.
fn alone(operation: &Operation, bound: &DynBound, table: &Table, repeats: usize) -> Answer<(Duration, Option<Duration>)> {
    let decided = |key: &str| bound.decided.iter().find(|(k, _)| k == key).map(|(_, v)| v.clone());
    let pipeline = |key: &str| decided(key).and_then(|v| v.get("pipeline").and_then(|p| p.as_str()).map(str::to_owned));
    let change = pipeline("operation").filter(|p| p != "+proj=noop");
    let conversion = decided("conversion").and_then(|v| v.as_str().map(str::to_owned));
    let geoid = pipeline("geoid");
    let door = Door::new(std::slice::from_ref(&operation.folder))?;
    let make = |text: &Option<String>| text.as_ref().map(|t| door.create(t)).transpose();
    let (change, conversion_object, geoid) = (make(&change)?, make(&conversion)?, make(&geoid)?);
    let projected = conversion.as_ref().map(|_| door.create(operation.to)).transpose()?;
    let column = |name: &str| table.floats(name).map(|c| c.to_vec()).map_err(said);
    let (longitude, latitude, height) = (column("longitude_deg")?, column("latitude_deg")?, column("ellipsoidal_height_m")?);
    let years: Vec<f64> = table.instants("time").map_err(said)?.iter().map(|t| t.map_or(f64::NAN, stages::geodesy::decimal_year)).collect();
    let (mut best, mut best_factors) = (Duration::MAX, projected.as_ref().map(|_| Duration::MAX));
    for _ in 0..repeats {
        let (mut x, mut y, mut z, mut t) = (longitude.clone(), latitude.clone(), height.clone(), years.clone());
        let mut n = vec![0.0; x.len()];
        let started = Instant::now();
        if let Some(change) = &change {
            let year = if operation.moving { Numbers::Each(&mut t) } else { Numbers::All(f64::INFINITY) };
            assert!(change.carry_columns(&mut x, &mut y, Numbers::Each(&mut z), year));
        }
        if let Some(geoid) = &geoid {
            assert!(geoid.carry_columns(&mut x, &mut y, Numbers::Each(&mut n), Numbers::All(f64::INFINITY)));
        }
        let (degrees_x, degrees_y) = (x.clone(), y.clone());
        if let Some(conversion) = &conversion_object {
            assert!(conversion.carry_columns(&mut x, &mut y, Numbers::All(0.0), Numbers::All(f64::INFINITY)));
        }
        best = best.min(started.elapsed());
        if let (Some(projected), Some(best)) = (&projected, &mut best_factors) {
            let (mut convergence, mut scale) = (vec![0.0; x.len()], vec![0.0; x.len()]);
            let started = Instant::now();
            for i in 0..x.len() {
                let f = projected.factors(degrees_y[i], degrees_x[i])?;
                (convergence[i], scale[i]) = (f.convergence_deg, f.meridional);
            }
            *best = (*best).min(started.elapsed());
        }
    }
    Ok((best, best_factors))
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

/// Points spread over the area like a grid turned a little, so that neighbours in the table are not neighbours in a cell.
fn table(operation: &Operation, points: usize) -> Answer<Table> {
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
    let [south, north, west, east] = operation.area;
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
