//! The console blocks of README.md, run as they stand.
//!
//! A block fenced as `console` holds lines that begin with `$ ` and what they print. `[..]` stands for
//! any part of a line, a line `...` for any lines, and `? N` right after a command for its exit code (0 when
//! left out). Standard error is part of the output. The commands run one after the other in one copy of the inputs.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;

use common::{root, workspace};
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

#[test]
fn patterns() {
    assert!(line_fits("a [..] c", "a b c") && !line_fits("a [..] c", "a b d") && line_fits("[..]", "") && !line_fits("a", "ab"));
    let p = |s: &str| s.lines().map(str::to_owned).collect::<Vec<_>>();
    assert!(fits(&p("a\n...\nd"), &["a", "b", "c", "d"]) && !fits(&p("a\n...\nd"), &["a", "b"]) && fits(&p("..."), &[]));
}
