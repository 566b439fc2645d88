//! Writes the demo scenario, the trap fixtures or a benchmark archive.

use std::path::Path;
use std::process::ExitCode;

const USAGE: &str = "usage: generator demo DIR [--seed N]
       generator traps DIR
       generator bench DIR [--sessions N] [--minutes M]";

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match run(&words) {
        Ok(()) => ExitCode::SUCCESS,
        Err(text) => {
            eprintln!("{text}");
            ExitCode::FAILURE
        }
    }
}

fn run(words: &[String]) -> Result<(), String> {
    let (Some(what), Some(folder)) = (words.first(), words.get(1)) else {
        return Err(USAGE.into());
    };
    let number = |name: &str, default: u32| match words.iter().position(|w| w == name) {
        None => Ok(default),
        Some(k) => words.get(k + 1).and_then(|w| w.parse().ok()).ok_or_else(|| format!("`{name}` needs a whole number\n{USAGE}")),
    };
    let folder = Path::new(folder);
    match what.as_str() {
        "demo" => generator::demo::write(folder, u64::from(number("--seed", 20_260_317)?)),
        "traps" => generator::traps::write(folder),
        "bench" => generator::bench::write(folder, number("--sessions", 10)?, number("--minutes", 150)?).map(|size| {
            eprintln!("{} bytes of logs, {} epochs, {} shots", size.bytes, size.epochs, size.shots);
        }),
        other => return Err(format!("`{other}` is not known\n{USAGE}")),
    }
    .map_err(|e| format!("cannot write to `{}`: {e}", folder.display()))
}
