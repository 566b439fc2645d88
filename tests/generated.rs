//! Files that are written from the sources. A stale one is a failure that says how to renew it.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;

use common::{gunter, root};
use pipeline_base::diag::codes::CODES;
use std::fmt::Write;

/// Compares a file with what it should be, or writes it when `GUNTER_RENEW` is set.
fn hold(file: &str, want: &str) {
    let path = root().join(file);
    if std::env::var_os("GUNTER_RENEW").is_some() {
        std::fs::write(path, want).unwrap();
        return;
    }
    let have = std::fs::read_to_string(path).unwrap_or_default();
    assert!(
        have == want,
        "`{file}` is stale; renew it with\n  GUNTER_RENEW=1 cargo test --release --workspace --test generated\nand read the difference"
    );
}

fn answer(words: &[&str]) -> String {
    String::from_utf8(gunter(root(), words).stdout).unwrap()
}

#[test]
fn reference_of_the_stages() {
    let mut text = "<!-- Written from the sources; see tests/generated.rs. -->\n".to_owned();
    for kind in stages::builtin() {
        text.push('\n');
        text.push_str(&answer(&["stages", kind.spec().name]));
    }
    hold("stages/REFERENCE.md", &text);
}

#[test]
fn list_of_findings() {
    let mut text = "<!-- Written from the sources; see tests/generated.rs. -->\n\n# Findings\n\nEvery code that `gunter` can say, and what it means.\n".to_owned();
    let mut area = "";
    for (code, meaning) in CODES {
        let (this, _) = code.split_once('/').unwrap();
        if this != area {
            let _ = write!(text, "\n## {this}\n\n| code | meaning |\n| --- | --- |\n");
            area = this;
        }
        let _ = writeln!(text, "| `{code}` | {meaning} |");
    }
    hold("stages/FINDINGS.md", &text);
}

#[test]
fn schemas() {
    for of in ["job", "rig", "reference"] {
        hold(&format!("jobs/{of}.schema.json"), &answer(&["schema", of]));
    }
}

#[test]
fn stage_table_of_the_readme() {
    let readme = std::fs::read_to_string(root().join("README.md")).unwrap();
    let (start, end) = ("<!-- stages -->\n", "<!-- /stages -->");
    let (before, rest) = readme.split_once(start).unwrap();
    let (_, after) = rest.split_once(end).unwrap();
    let mut table = "\n| stage | what it does |\n| --- | --- |\n".to_owned();
    for kind in stages::builtin() {
        let _ = writeln!(table, "| `{}` | {} |", kind.spec().name, kind.spec().summary);
    }
    hold("README.md", &format!("{before}{start}{table}\n{end}{after}"));
}
