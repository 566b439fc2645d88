//! What the plug-in boundary costs: a stage that hands its table on as it came, in this process and in one of its own.
//!
//! First a table of ten million rows with the columns that the reading step of the chain gives, beside a copy of the same
//! table in memory and one through a file. Then the whole chain from raw bytes to deliveries without such a stage and with it behind the
//! reading step, where every epoch goes through.
//!
//! `cargo bench --bench boundary -- [--rows 10000000] [--sessions 25] [--minutes 150] [--repeats 3]`
//!
//! Ten million rows need about 8 GB of memory.
#![allow(missing_docs, clippy::print_stdout)]

mod timed;

use pipeline_base::reference::Reference;
use pipeline_base::table::schema::{Holds, Role};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::job;
use pipeline_core::plan::files::JobFiles;
use pipeline_core::plugin::PluginHost;
use pipeline_core::plugin::{Loaded, Policy};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{BindCx, Cx};
use plugin_host::NativeHost;
use stages::epoch_schema;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Instant;
use timed::{Answer, once, program};

// The allocator of the program.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// The stage that hands on, and its options.
const STAGE: &str = "hostile/pass";
const MODE: &str = "pass";

fn main() -> ExitCode {
    match run() {
        Ok(text) => {
            println!("{text}");
            ExitCode::SUCCESS
        }
        Err(problem) => {
            eprintln!("{problem}");
            ExitCode::FAILURE
        }
    }
}

fn wanted(name: &str, default: usize) -> Answer<usize> {
    let words: Vec<String> = std::env::args().collect();
    let value = words.iter().position(|w| w == name).and_then(|k| words.get(k + 1));
    value.map_or(Ok(default), |v| v.parse().map_err(|_| format!("`{name}` needs a whole number, found `{v}`").into()))
}

fn run() -> Answer<String> {
    let (rows, repeats) = (wanted("--rows", 10_000_000)?, wanted("--repeats", 3)?);
    let (sessions, minutes) = (wanted("--sessions", 25)?, wanted("--minutes", 150)?);
    let program = program()?;
    let folder = tempfile::tempdir()?;
    let library = library()?;
    let mut text = one_table(rows, repeats, &library, &program, folder.path())?;
    text.push_str(&chain((u32::try_from(sessions)?, u32::try_from(minutes)?), repeats, &library, &program, folder.path())?);
    Ok(text)
}

/// The library that stands beside this program.
fn library() -> Answer<PathBuf> {
    let here = std::env::current_exe()?;
    let name = format!("{}hostile{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
    let path = here.parent().map(|p| p.join(name)).filter(|p| p.exists());
    path.ok_or_else(|| "the plug-in of the tests was not built".into())
}

fn fastest(repeats: usize, mut work: impl FnMut() -> Answer<()>) -> Answer<f64> {
    let mut best = f64::INFINITY;
    for _ in 0..repeats.max(1) {
        let begun = Instant::now();
        work()?;
        best = best.min(begun.elapsed().as_secs_f64());
    }
    Ok(best)
}

/// A table as the reading step gives it.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_wrap)]
fn table(rows: usize) -> Answer<Table> {
    let reference: Reference = serde_json::from_value(serde_json::json!({
        "reference": 1,
        "name": "made up",
        "corrections": { "frame": "EPSG:9989", "epoch": "observation", "stated_by": "made up" },
        "delivery": { "crs": "EPSG:9989", "heights": { "surface": "ellipsoid", "unit": "m" } },
        "budget": { "operation_m": 0.1, "horizontal_95_m": 5, "vertical_95_m": 5 },
    }))?;
    let schema = Arc::new(epoch_schema(&reference, None, false));
    let mut builder = TableBuilder::new(schema.clone(), rows);
    for (k, column) in schema.columns.iter().enumerate() {
        match column.holds {
            Holds::Float => {
                let value = |i: usize| if (i + k).is_multiple_of(50) { f64::NAN } else { i as f64 * 1e-7 + k as f64 };
                builder.floats(&column.name, (0..rows).map(value).collect());
            }
            Holds::Int => {
                builder.ints(&column.name, (0..rows as i64).collect());
            }
            Holds::Instant => {
                builder.instants(&column.name, (0..rows as i64).map(|i| i * 200_000_000).collect());
            }
            Holds::Bool => {
                builder.bools(&column.name, &(0..rows).map(|i| i % 40_000 == 0).collect::<Vec<_>>());
            }
            Holds::Text => {
                let word = match column.role {
                    Role::File => "../logs/2026-03-17.nmea.gz",
                    Role::Fix => "rtk-fixed",
                    Role::BaseStation => "0417",
                    _ => "2026-03-17",
                };
                builder.text_everywhere(&column.name, word);
            }
        }
    }
    builder.finish().map_err(|p| p.finding.what.into())
}

fn opened(library: &Path, isolate: bool, program: &Path) -> Answer<Loaded> {
    let path = library.to_string_lossy().into_owned();
    let entry = job::Plugin { path, sha256: None, isolate, time_limit_s: None, memory_limit_mb: None };
    let policy = Policy { only_pinned: false, program: Some(program.to_owned()) };
    NativeHost.load(&entry, Path::new(""), &policy).map_err(|refused| refused.0.what.into())
}

#[allow(clippy::cast_precision_loss)]
fn one_table(rows: usize, repeats: usize, library: &Path, program: &Path, folder: &Path) -> Answer<String> {
    eprintln!("a table of {rows} rows");
    let table = table(rows)?;
    let bytes = table.data.estimated_size();
    let source = vec![1_u8; bytes];
    let in_memory = fastest(repeats, || {
        std::hint::black_box(source.clone());
        Ok(())
    })?;
    let file = folder.join("copy");
    let through_file = fastest(repeats, || {
        std::fs::write(&file, &source)?;
        std::hint::black_box(std::fs::read(&file)?);
        Ok(())
    })?;
    drop(source);
    std::fs::remove_file(&file)?;
    let mut text = format!("{rows} rows, {} columns, {} MB:\n\n", table.schema.columns.len(), bytes / 1_000_000);
    text.push_str("| what | s | copies in memory | copies through a file |\n| --- | ---: | ---: | ---: |\n");
    let mut row = |what: &str, seconds: f64| {
        eprintln!("{what}: {seconds:.3} s");
        writeln!(text, "| {what} | {seconds:.3} | {:.2} | {:.2} |", seconds / in_memory, seconds / through_file)
    };
    row("a copy in memory", in_memory)?;
    row("a copy through a file", through_file)?;
    for (what, isolate) in [("the stage in this process", false), ("the stage in a process of its own", true)] {
        let plugin = opened(library, isolate, program)?;
        let files = JobFiles { folder: folder.to_owned(), results: folder.to_owned() };
        let inputs = [(*table.schema).clone()];
        let cx = BindCx { inputs: &inputs, rig: None, reference: None, locality: None, files: &files, locked: None };
        let bound = plugin.kinds[0].bind(serde_json::json!({ "mode": MODE }), &cx).map_err(|p| p[0].finding.what.clone())?;
        let world = Collect::new(folder);
        let inputs = [table.clone()];
        let mut once = || {
            let out = bound.stage.run(&inputs, &Cx::new(&world, "step", None)).map_err(|p| p.finding.what.clone())?;
            if out.rows() == rows { Ok(()) } else { Err("rows were lost".into()) }
        };
        // The first call of a process makes its memory; the second has that memory mapped here; later ones write over it.
        row(&format!("{what}, first call"), fastest(1, &mut once)?)?;
        row(&format!("{what}, second call"), fastest(1, &mut once)?)?;
        row(&format!("{what}, later calls"), fastest(repeats, &mut once)?)?;
    }
    Ok(text)
}

#[allow(clippy::cast_precision_loss)]
fn chain((sessions, minutes): (u32, u32), repeats: usize, library: &Path, program: &Path, folder: &Path) -> Answer<String> {
    eprintln!("writing {sessions} sessions of {minutes} minutes");
    let size = generator::bench::write(folder, sessions, minutes)?;
    let job = std::fs::read_to_string(folder.join("job.yaml"))?;
    let second = job.match_indices("\n  - id:").nth(1).map(|(at, _)| at + 1).ok_or("the job of the archive has one step")?;
    let ways = [("without the stage", None), ("in this process", Some(false)), ("in a process of its own", Some(true))];
    for (k, (_, isolate)) in ways.iter().enumerate() {
        let mut text = job.clone();
        if let Some(isolate) = isolate {
            text.insert_str(second, &format!("  - id: handed-on\n    stage: {STAGE}\n    options: {{ mode: {MODE} }}\n"));
            let entry = format!("plugins:\n  - path: {}\n    isolate: {isolate}\nsteps:\n", library.display());
            text = text.replacen("steps:\n", &entry, 1);
        }
        std::fs::write(folder.join(format!("job-{k}.yaml")), text)?;
    }
    let mut text = format!("\nThe chain, {} epochs in {sessions} sessions, {} MB of logs:\n\n", size.epochs, size.bytes / 1_000_000);
    text.push_str("| the stage behind the reading step | threads | s | more, % |\n| --- | ---: | ---: | ---: |\n");
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    for threads in if cores > 1 { vec![1, cores] } else { vec![1] } {
        let mut best = [f64::INFINITY; 3];
        // Taken in turns, so that a slow minute of the machine does not fall on one of them.
        for _ in 0..repeats.max(1) {
            for (k, best) in best.iter_mut().enumerate() {
                let words = ["run", &format!("job-{k}.yaml"), "--overwrite", "--threads", &threads.to_string()];
                *best = best.min(once(program, folder, &words)?.0);
            }
        }
        for ((what, _), seconds) in ways.iter().zip(best) {
            eprintln!("{what}, {threads} threads: {seconds:.2} s");
            writeln!(text, "| {what} | {threads} | {seconds:.2} | {:+.1} |", 100.0 * (seconds / best[0] - 1.0))?;
        }
    }
    Ok(text)
}
