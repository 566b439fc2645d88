//! The built program on the clock; what the benchmarks share.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

pub(crate) type Answer<T> = Result<T, Box<dyn std::error::Error>>;

/// The program built for this run, or the one in the folder above the benchmark.
pub(crate) fn program() -> Answer<PathBuf> {
    if let Some(path) = option_env!("CARGO_BIN_EXE_gunter") {
        return Ok(PathBuf::from(path));
    }
    let here = std::env::current_exe()?;
    let path = here.parent().and_then(Path::parent).map(|p| p.join("gunter")).filter(|p| p.exists());
    path.ok_or_else(|| "the program was not found; build it with `cargo build --release`".into())
}

/// Runs once: seconds and peak memory in bytes.
pub(crate) fn once(program: &Path, folder: &Path, words: &[&str]) -> Answer<(f64, Option<u64>)> {
    ended(program, folder, words, 0)
}

/// As [`once`], for a run that is to end with this code.
pub(crate) fn ended(program: &Path, folder: &Path, words: &[&str], code: i32) -> Answer<(f64, Option<u64>)> {
    let said = std::fs::File::create(folder.join("said.txt"))?;
    let started = Instant::now();
    let mut child =
        Command::new(program).args(words).current_dir(folder).stdin(Stdio::null()).stdout(said.try_clone()?).stderr(said).spawn()?;
    let mut peak = None;
    let status = loop {
        peak = high_water(child.id()).or(peak);
        match child.try_wait()? {
            Some(status) => break status,
            None => std::thread::sleep(Duration::from_millis(4)),
        }
    };
    let seconds = started.elapsed().as_secs_f64();
    if status.code() != Some(code) {
        let said = std::fs::read_to_string(folder.join("said.txt")).unwrap_or_default();
        return Err(format!("`{}` ended with {status}:\n{}", words.join(" "), said.chars().take(4000).collect::<String>()).into());
    }
    Ok((seconds, peak))
}

fn high_water(process: u32) -> Option<u64> {
    let text = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    line.split_whitespace().next()?.parse::<u64>().ok().map(|kib| kib * 1024)
}
