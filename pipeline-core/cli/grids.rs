//! `gunter grids`.

use crate::args::{Format, GridsCommand};
use crate::{DATA, DONE, JOB, print};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use serde_json::json;
use std::fmt::Write;
use std::path::{Path, PathBuf};
use survey_geodesy::store;
use survey_geodesy::store::{Statement, StoredGrid};
use survey_geodesy::{grids, packages, published_grids};

/// Lists, fills or checks the grid store.
pub(crate) fn run(command: GridsCommand, format: Format) -> u8 {
    let Some(folder) = store::folder() else {
        let finding = Diagnostic::new("grids/no-folder", Verdict::Error, "there is no folder for a grid store")
            .why("the user's data folder is not known to the program")
            .fix(format!("set the variable `{}` to a folder", store::VARIABLE));
        print::findings(&[finding], &[], format);
        return JOB;
    };
    let done = match command {
        GridsCommand::List => list(&folder, format),
        GridsCommand::Add { file, model, version, frame, datum, licence, source } => {
            let said = Statement { model, version, frame, datum, licence, source };
            add(&folder, &file, &said, format)
        }
        GridsCommand::Check => check(&folder, format),
    };
    done.unwrap_or_else(|problem| {
        print::findings(&[*problem.finding], &[], format);
        JOB
    })
}

fn list(folder: &Path, format: Format) -> Result<u8, Problem> {
    let entries = store::entries(folder)?;
    let withdrawn = store::withdrawn(&[folder.to_owned()])?;
    let system: Vec<(PathBuf, Vec<String>)> =
        grids::SYSTEM.iter().map(PathBuf::from).filter(|f| f.is_dir()).map(|f| (f.clone(), store::files(&f))).collect();
    match format {
        Format::Json => print::json(&json!({
            "store": folder.display().to_string(),
            "grids": entries,
            "withdrawn": withdrawn,
            "packages": system.iter().map(|(f, names)| json!({"folder": f.display().to_string(), "files": names})).collect::<Vec<_>>(),
        })),
        Format::Text => {
            let mut out = format!("grid store {}\n", folder.display());
            if entries.is_empty() {
                let _ = writeln!(out, "  empty; `gunter grids add FILE --model NAME --version VERSION` adds a grid");
            }
            for entry in &entries {
                one(&mut out, entry);
            }
            for (folder, names) in &system {
                let _ = writeln!(
                    out,
                    "from packages, {}\n  {}",
                    folder.display(),
                    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
                );
            }
            if system.iter().all(|(_, names)| names.is_empty()) {
                let _ = writeln!(out, "Debian's package `proj-data` would bring {}", packages::DEBIAN_HOLDS);
            }
            if !withdrawn.is_empty() {
                out.push_str("withdrawn, and refused by every job\n");
                for w in &withdrawn {
                    let _ = writeln!(out, "  {} {}: {}", w.file, w.sha256, w.reason);
                }
            }
            print::answer(&out);
        }
    }
    Ok(DONE)
}

fn one(out: &mut String, entry: &StoredGrid) {
    let a = entry.area;
    let _ = writeln!(out, "  {}", entry.file);
    let _ = writeln!(out, "    model    {} {}", entry.model, entry.version);
    if let Some(frame) = &entry.frame {
        let datum = entry.datum.as_ref().map_or_else(String::new, |d| format!(" to {d}"));
        let _ = writeln!(out, "    frame    {frame}{datum}");
    }
    let _ = writeln!(out, "    area     {:.3} to {:.3} N, {:.3} to {:.3} E", a.south, a.north, a.west, a.east);
    let _ = writeln!(out, "    format   {}, {} bytes", entry.format, entry.bytes);
    let _ = writeln!(out, "    licence  {}", entry.licence);
    if let Some(source) = &entry.source {
        let _ = writeln!(out, "    source   {source}");
    }
    if !entry.description.is_empty() {
        let _ = writeln!(out, "    says     {}", entry.description.lines().next().unwrap_or_default());
    }
    let _ = writeln!(out, "    sha256   {}", entry.sha256);
}

fn add(folder: &Path, file: &Path, said: &Statement, format: Format) -> Result<u8, Problem> {
    let entry = store::add(folder, file, said)?;
    // A person has said what it is; that its name is that of another file is worth a word all the same.
    let picked = grids::ChosenGrid { name: entry.file.clone(), path: folder.join(&entry.file), sha256: entry.sha256.clone() };
    let found: Vec<Diagnostic> =
        published_grids::other_bytes(&picked).into_iter().map(|p| Diagnostic { verdict: Verdict::Warn, ..*p.finding }).collect();
    match format {
        Format::Json => print::json(&json!({"store": folder.display().to_string(), "added": entry, "findings": found})),
        Format::Text => {
            print::findings(&found, &[], format);
            let mut out = format!("added to {}\n", folder.display());
            one(&mut out, &entry);
            let _ = writeln!(out, "name it in a reference with `grid: {}` and `sha256: {}`", entry.file, entry.sha256);
            print::answer(&out);
        }
    }
    Ok(DONE)
}

fn check(folder: &Path, format: Format) -> Result<u8, Problem> {
    let mut found = store::check(folder)?;
    for system in grids::SYSTEM.iter().map(Path::new) {
        for file in store::files(system) {
            let path = system.join(&file);
            let picked = grids::ChosenGrid { sha256: pipeline_base::digest::sha256_of_file(&file, &path)?, name: file, path };
            found.extend(published_grids::other_bytes(&picked).map(|p| *p.finding));
        }
    }
    let entries = store::entries(folder)?;
    let bad = found.iter().any(|d| d.verdict.stops_delivery());
    match format {
        Format::Json => {
            print::json(&json!({"store": folder.display().to_string(), "good": !bad, "grids": entries.len(), "findings": found}))
        }
        Format::Text => {
            print::findings(&found, &[], format);
            let tally = print::tally(&found);
            let tally = if tally.is_empty() { "every file has the bytes that were added".to_owned() } else { tally };
            print::answer(&format!("{}: {} grids, {tally}", folder.display(), entries.len()));
        }
    }
    Ok(if bad { DATA } else { DONE })
}
