//! The console blocks of README.md, run as they stand.
//!
//! A block fenced as `console` holds lines that begin with `$ ` and what they print. `[..]` stands for
//! any part of a line, a line `...` for any lines, and `? N` right after a command for its exit code (0 when
//! left out). Standard error is part of the output. The commands run one after the other in one copy of the inputs.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;

use common::{root, workspace};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

struct Step {
    command: String,
    exit: i32,
    output: Vec<String>,
}

fn steps(text: &str) -> Vec<Step> {
    let mut steps: Vec<Step> = vec![];
    let mut inside = false;
    for line in text.lines() {
        if line.starts_with("```") {
            inside = line == "```console";
        } else if inside {
            if let Some(command) = line.strip_prefix("$ ") {
                steps.push(Step { command: command.to_owned(), exit: 0, output: vec![] });
            } else if let Some(step) = steps.last_mut() {
                match line.strip_prefix("? ") {
                    Some(exit) if step.output.is_empty() => step.exit = exit.parse().unwrap(),
                    _ => step.output.push(line.to_owned()),
                }
            }
        }
    }
    steps
}

/// Whether a line fits a pattern with `[..]`.
fn line_fits(pattern: &str, line: &str) -> bool {
    let mut parts = pattern.split("[..]");
    let Some(mut rest) = line.strip_prefix(parts.next().unwrap_or("")) else { return false };
    let parts: Vec<&str> = parts.collect();
    let Some((last, middle)) = parts.split_last() else { return rest.is_empty() };
    for part in middle {
        let Some(at) = rest.find(part) else { return false };
        rest = &rest[at + part.len()..];
    }
    rest.ends_with(last)
}

fn fits(pattern: &[String], lines: &[&str]) -> bool {
    match pattern.split_first() {
        None => lines.is_empty(),
        Some((first, more)) if first == "..." => (0..=lines.len()).any(|k| fits(more, &lines[k..])),
        Some((first, more)) => lines.split_first().is_some_and(|(line, rest)| line_fits(first, line) && fits(more, rest)),
    }
}

#[test]
fn console_blocks_print_what_they_say() {
    let steps = steps(&std::fs::read_to_string(root().join("README.md")).unwrap());
    assert!(steps.len() >= 4, "only {} commands found", steps.len());
    let folder = workspace();
    let program = Path::new(env!("CARGO_BIN_EXE_gunter")).parent().unwrap();
    let path = format!("{}:{}", program.display(), std::env::var("PATH").unwrap());
    for step in steps {
        let script = format!("set -o pipefail; {{ {} ; }} 2>&1", step.command);
        let run =
            Command::new("bash").args(["-c", &script]).current_dir(folder.path()).env("PATH", &path).env("NO_COLOR", "1").output().unwrap();
        let text = String::from_utf8(run.stdout).unwrap();
        let lines: Vec<&str> = text.trim_end().lines().map(str::trim_end).collect();
        let mut pattern: Vec<String> = step.output;
        while pattern.last().is_some_and(String::is_empty) {
            pattern.pop();
        }
        assert!(fits(&pattern, &lines), "`{}` printed\n{text}\nand README.md says\n{}", step.command, pattern.join("\n"));
        assert_eq!(run.status.code(), Some(step.exit), "exit code of `{}`", step.command);
    }
}

/// Keys below the top of a reference, each with its text: `delivery`, `crs` and so on.
fn sections(text: &str) -> BTreeMap<(String, String), String> {
    let mut all: BTreeMap<(String, String), String> = BTreeMap::new();
    let (mut top, mut second) = (String::new(), String::new());
    for line in text.lines().filter(|l| !l.trim_start().starts_with('#') && !l.trim().is_empty()) {
        let key = || line.trim().split(':').next().unwrap().to_owned();
        match line.len() - line.trim_start().len() {
            0 => (top, second) = (key(), String::new()),
            2 => second = key(),
            _ => {}
        }
        let part = all.entry((top.clone(), second.clone())).or_default();
        part.push_str(line);
        part.push('\n');
    }
    all
}

/// What README.md shows of a reference, put into the reference of a fixture whose job fits.
#[test]
fn parts_of_a_reference_work_as_they_stand() {
    let text = std::fs::read_to_string(root().join("README.md")).unwrap();
    for (holds, fixture) in [("EPSG:6499+8228", "T08"), ("change:", "T03"), ("motion:", "T06")] {
        let block = text.split("```yaml\n").skip(1).map(|b| b.split("```").next().unwrap()).find(|b| b.contains(holds)).unwrap();
        let folder = workspace();
        let place = folder.path().join("tests/fixtures/traps").join(fixture);
        let reference = place.join("reference-fixed.yaml");
        let mut parts = sections(&std::fs::read_to_string(&reference).unwrap());
        parts.extend(sections(block));
        std::fs::write(&reference, parts.into_values().collect::<String>()).unwrap();
        let run = common::gunter(&place, &["run", "fixed.yaml", "--format", "json"]);
        assert_eq!(common::code(&run), 0, "{holds}: {:#?}", common::findings(&common::json(&run)));
    }
}

#[test]
fn patterns() {
    assert!(line_fits("a [..] c", "a b c") && !line_fits("a [..] c", "a b d") && line_fits("[..]", "") && !line_fits("a", "ab"));
    let p = |s: &str| s.lines().map(str::to_owned).collect::<Vec<_>>();
    assert!(fits(&p("a\n...\nd"), &["a", "b", "c", "d"]) && !fits(&p("a\n...\nd"), &["a", "b"]) && fits(&p("..."), &[]));
}
