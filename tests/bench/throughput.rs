//! How fast the whole chain is, against what the machine can do at all.
//!
//! Writes an archive of talkative logs into a temporary folder, runs the built program on 1, 2, 10 and 50 sessions of it, the
//! whole chain and the reading alone, and prints a Markdown table with the rate and the peak memory. Two baselines stand above it: how fast memory can be
//! copied, and how fast a plain scan finds the line ends of the same logs. Below it: how long the verdict at the trench
//! takes for a log of 10,000 epochs.
//!
//! `cargo bench --bench throughput -- [--sessions 1,2,10,50] [--minutes 150] [--threads 1,2] [--repeats 3]`
//!
//! Peak memory is the high-water mark that Linux keeps for the process; elsewhere the column is empty.
#![allow(missing_docs, clippy::print_stdout)]

mod timed;

use std::fmt::Write as _;
use std::io;
use std::path::Path;
use std::process::ExitCode;
use std::time::Instant;
use timed::{Answer, ended, once, program};

struct Wanted {
    sessions: Vec<u32>,
    minutes: u32,
    threads: Vec<usize>,
    repeats: usize,
}

/// How much of the job is run.
#[derive(Clone, Copy, PartialEq)]
enum Part {
    /// From raw bytes to the delivered files.
    Chain,
    /// The step that reads the logs, and no other.
    Reading,
}

impl Part {
    fn name(self) -> &'static str {
        match self {
            Self::Chain => "whole chain",
            Self::Reading => "reading alone",
        }
    }
}

/// One line of the table.
struct Row {
    part: Part,
    sessions: u32,
    threads: usize,
    bytes: u64,
    epochs: u64,
    shots: u64,
    seconds: f64,
    peak: Option<u64>,
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
    let wanted = wanted()?;
    let program = program()?;
    let folder = tempfile::tempdir()?;
    let largest = wanted.sessions.iter().copied().max().unwrap_or(1);
    eprintln!("writing {largest} sessions of {} minutes", wanted.minutes);
    let started = Instant::now();
    let size = generator::bench::write(folder.path(), largest, wanted.minutes)?;
    eprintln!("{} MB in {:.1} s", size.bytes / 1_000_000, started.elapsed().as_secs_f64());

    let mut text = baselines(folder.path())?;
    text.push_str("\n| what | sessions | threads | logs, MB | epochs | shots | s | MB/s | epochs/s | peak memory, MB |\n");
    text.push_str("| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |\n");
    for part in [Part::Chain, Part::Reading] {
        for &sessions in &wanted.sessions {
            let job = job(folder.path(), sessions, part)?;
            for &threads in &wanted.threads {
                let row = best(&program, folder.path(), &job, (part, sessions, threads), wanted.repeats)?;
                text.push_str(&line(&row)?);
            }
        }
    }
    text.push_str(&verdict(&program, folder.path(), wanted.repeats)?);
    Ok(text)
}

/// Longest time that a verdict may take at the trench, s.
const PATIENCE_S: f64 = 2.0;

/// Time of `run --verdict` for a session of 10,000 epochs, repeats compared, on two threads.
fn verdict(program: &Path, folder: &Path, repeats: usize) -> Answer<String> {
    let folder = folder.join("verdict");
    // 10,000 epochs at 5 Hz are 33 minutes; stops and walks fill them a little unevenly.
    let size = generator::bench::write(&folder, 1, 38)?;
    if size.epochs < 10_000 {
        return Err(format!("the session has {} epochs only", size.epochs).into());
    }
    let job = std::fs::read_to_string(folder.join("job.yaml"))?;
    let compared = job.replace("  - id: heights\n", "  - id: compared\n    stage: compare-occupations\n  - id: heights\n");
    std::fs::write(folder.join("field.yaml"), &compared)?;
    let words = ["run", "field.yaml", "--verdict", "--threads", "2"];
    let mut best = f64::INFINITY;
    for _ in 0..repeats.max(1) {
        best = best.min(once(program, &folder, &words)?.0);
    }
    let said = std::fs::read_to_string(folder.join("said.txt"))?;
    let lines = said.lines().filter(|l| l.starts_with("  ")).count() as u64;
    if lines != size.shots {
        return Err(format!("the verdict has {lines} lines for {} points", size.shots).into());
    }
    // The slowest answer: control that is off by more than its limits, so that the frame which would explain it is searched for.
    std::fs::write(folder.join("off.yaml"), compared_with_control(&compared))?;
    once(program, &folder, &["run", "field.yaml", "--overwrite"])?;
    std::fs::write(folder.join("control.csv"), control_off(&std::fs::read_to_string(folder.join("results/bench/points.csv"))?)?)?;
    let words = ["run", "off.yaml", "--verdict", "--threads", "2"];
    let mut off = f64::INFINITY;
    for _ in 0..repeats.max(1) {
        off = off.min(ended(program, &folder, &words, 1)?.0);
    }
    let said = std::fs::read_to_string(folder.join("said.txt"))?;
    if !said.contains("control/session-fails") {
        return Err(format!("the control was not found to be off:\n{said}").into());
    }
    if best.max(off) > PATIENCE_S {
        return Err(format!("the verdict took {best:.2} s, and {off:.2} s with control off; a crew waits {PATIENCE_S} s").into());
    }
    Ok(format!(
        "\nVerdict at the trench: {} epochs, {} points, two threads: {best:.2} s; {off:.2} s when control is off by more than its limits \
         (goal {PATIENCE_S:.0} s).\n",
        size.epochs, size.shots
    ))
}

fn compared_with_control(job: &str) -> String {
    job.replace(
        "  - id: csv\n",
        "  - id: control\n    stage: control-check\n    options: { control: [control.csv], rule: nothing }\n  - id: csv\n",
    )
    .replace("from: [grid]", "from: [control]")
}

/// Four delivered points as control that is off by what lies between NAD83(2011) and ITRF2020 in that part of the world.
fn control_off(points: &str) -> Answer<String> {
    let mut lines = points.lines();
    let header: Vec<&str> = lines.next().unwrap_or_default().split(',').collect();
    let column = |name: &str| header.iter().position(|h| *h == name).ok_or_else(|| format!("the delivery has no column `{name}`"));
    let (name, east, north) = (column("point")?, column("easting_m")?, column("northing_m")?);
    let mut text = "point,easting_m,northing_m,crs,sigma_horizontal_m,source,date\n".to_owned();
    for line in lines.take(4) {
        let cells: Vec<&str> = line.split(',').collect();
        let (east, north) = (cells[east].parse::<f64>()? + 0.8, cells[north].parse::<f64>()? - 1.0);
        writeln!(text, "{},{east:.4},{north:.4},EPSG:6345,0.005,invented,2026-02-11", cells[name])?;
    }
    Ok(text)
}

#[allow(clippy::cast_precision_loss)]
fn line(r: &Row) -> Answer<String> {
    let mut s = String::new();
    writeln!(
        s,
        "| {} | {} | {} | {:.1} | {} | {} | {:.2} | {:.1} | {:.0} | {} |",
        r.part.name(),
        r.sessions,
        r.threads,
        r.bytes as f64 / 1e6,
        r.epochs,
        if r.part == Part::Chain { r.shots.to_string() } else { String::new() },
        r.seconds,
        r.bytes as f64 / 1e6 / r.seconds,
        r.epochs as f64 / r.seconds,
        r.peak.map_or(String::new(), |p| format!("{:.0}", p as f64 / 1e6)),
    )?;
    Ok(s)
}

fn wanted() -> Answer<Wanted> {
    let words: Vec<String> = std::env::args().collect();
    let value = |name: &str| words.iter().position(|w| w == name).and_then(|k| words.get(k + 1));
    let list = |name: &str, default: &str| -> Answer<Vec<u32>> {
        let text = value(name).map_or(default, String::as_str);
        text.split(',').map(|x| x.parse().map_err(|_| format!("`{name}` needs whole numbers, found `{text}`").into())).collect()
    };
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let both = if cores > 1 { format!("1,{cores}") } else { "1".to_owned() };
    let one = |name: &str, default: &str| -> Answer<u32> { Ok(list(name, default)?.first().copied().unwrap_or(1)) };
    Ok(Wanted {
        sessions: list("--sessions", "1,2,10,50")?,
        minutes: one("--minutes", "150")?,
        threads: list("--threads", &both)?.into_iter().map(|t| t as usize).collect(),
        repeats: one("--repeats", "2")? as usize,
    })
}

/// The archive's job, for its first sessions only, and for its first step only.
fn job(folder: &Path, sessions: u32, part: Part) -> Answer<String> {
    let text = std::fs::read_to_string(folder.join("job.yaml"))?;
    let names = |kind: &str, end: &str| (1..=sessions).map(|k| format!("{kind}/s{k:03}.{end}")).collect::<Vec<_>>();
    let quoted = |all: &[String]| format!("[{}]", all.iter().map(|n| format!("\"{n}\"")).collect::<Vec<_>>().join(", "));
    let text = text
        .replace("[\"logs/*.nmea\"]", &quoted(&names("logs", "nmea")))
        .replace("[\"notes/*.csv\"]", &quoted(&names("notes", "csv")))
        .replace("results/bench", &format!("results/bench-{sessions}"));
    let text = match part {
        Part::Chain => text.as_str(),
        Part::Reading => {
            let second = text.match_indices("\n  - id:").nth(1).map_or(text.len(), |(at, _)| at + 1);
            &text[..second]
        }
    };
    let name = format!("job-{sessions}-{}.yaml", if part == Part::Chain { "chain" } else { "reading" });
    std::fs::write(folder.join(&name), text)?;
    Ok(name)
}

fn best(program: &Path, folder: &Path, job: &str, (part, sessions, threads): (Part, u32, usize), repeats: usize) -> Answer<Row> {
    let mut row = Row { part, sessions, threads, bytes: 0, epochs: 0, shots: 0, seconds: f64::INFINITY, peak: None };
    for k in 1..=sessions {
        let log = std::fs::read(folder.join(format!("logs/s{k:03}.nmea")))?;
        row.bytes += log.len() as u64;
        row.epochs += memchr::memmem::find_iter(&log, b"GGA,").count() as u64;
        row.shots += std::fs::read_to_string(folder.join(format!("notes/s{k:03}.csv")))?.lines().count() as u64 - 1;
    }
    for _ in 0..repeats.max(1) {
        let (seconds, peak) = once(program, folder, &["run", job, "--overwrite", "--threads", &threads.to_string()])?;
        if seconds < row.seconds {
            (row.seconds, row.peak) = (seconds, peak);
        }
    }
    eprintln!("{}, {sessions} sessions, {threads} threads: {:.2} s", part.name(), row.seconds);
    Ok(row)
}

/// What the machine can do at all.
#[allow(clippy::cast_precision_loss)]
fn baselines(folder: &Path) -> io::Result<String> {
    let log = std::fs::read(folder.join("logs/s001.nmea"))?;
    let from: Vec<u8> = log.iter().copied().cycle().take(256 << 20).collect();
    let mut to = vec![0_u8; from.len()];
    let fastest = |work: &mut dyn FnMut()| {
        (0..5)
            .map(|_| {
                let started = Instant::now();
                work();
                started.elapsed().as_secs_f64()
            })
            .fold(f64::INFINITY, f64::min)
    };
    let copy = fastest(&mut || {
        to.copy_from_slice(&from);
        std::hint::black_box(&to);
    });
    let scan = fastest(&mut || {
        std::hint::black_box(memchr::memchr_iter(b'\n', &from).count());
    });
    let size = from.len() as f64;
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    Ok(format!(
        "Baselines on one of {cores} cores: copying memory {:.1} GB/s, finding line ends {:.0} MB/s.\n",
        size / copy / 1e9,
        size / scan / 1e6
    ))
}
