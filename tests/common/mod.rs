//! What the integration tests share: a copy of the repository's inputs and the built program.

#![allow(dead_code, clippy::unwrap_used, clippy::panic)]

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The root of the repository.
pub(crate) fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Copies a folder, without results of earlier runs.
pub(crate) fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let (source, target) = (entry.path(), to.join(entry.file_name()));
        if entry.file_name() == "results" || entry.file_name() == "target" {
            continue;
        }
        if source.is_dir() {
            copy(&source, &target);
        } else {
            std::fs::copy(&source, &target).unwrap();
        }
    }
}

/// A temporary folder with `jobs`, `datasets/saltgrass` and `tests/fixtures`.
pub(crate) fn workspace() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for part in ["jobs", "datasets/saltgrass", "tests/fixtures"] {
        copy(&root().join(part), &folder.path().join(part));
    }
    folder
}

/// The program, in a folder.
pub(crate) fn gunter(folder: &Path, words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_gunter"))
        .args(words)
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .env("GUNTER_GRIDS", "grid-store")
        .output()
        .unwrap()
}

/// Exit code.
pub(crate) fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

/// The answer as JSON.
pub(crate) fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e}\n{}\n{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr)))
}

/// All findings of a `check`, a `run` or a refusal.
pub(crate) fn findings(answer: &Value) -> Vec<Value> {
    for place in ["/findings", "/decided/findings"] {
        if let Some(list) = answer.pointer(place).and_then(Value::as_array) {
            return list.clone();
        }
    }
    panic!("no findings in {answer}")
}

/// The first finding with a code.
pub(crate) fn find(found: &[Value], code: &str) -> Option<Value> {
    found.iter().find(|f| f["code"] == code).cloned()
}

/// Files below a folder, relative, sorted; empty when the folder is not there.
pub(crate) fn files(folder: &Path) -> Vec<String> {
    fn walk(folder: &Path, base: &Path, out: &mut Vec<String>) {
        let Ok(entries) = std::fs::read_dir(folder) else { return };
        for entry in entries {
            let path: PathBuf = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, base, out);
            } else {
                out.push(path.strip_prefix(base).unwrap().to_string_lossy().into_owned());
            }
        }
    }
    let mut out = vec![];
    walk(folder, folder, &mut out);
    out.sort();
    out
}

/// Deliveries in a results folder: everything but the records.
pub(crate) fn deliveries(folder: &Path) -> Vec<String> {
    files(folder).into_iter().filter(|f| !f.ends_with("record.json")).collect()
}
