//! `gunter lock`.

use crate::args::Format;
use crate::{DATA, DONE, JOB, print};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::pin::MadeWith;
use pipeline_core::lock;
use pipeline_core::lock::{Lock, LockDifference};
use pipeline_core::plan;
use pipeline_core::registry::Registry;
use std::fmt::Write;
use std::path::Path;

/// Writes the lock of a job, or compares it with the one that is there.
pub(crate) fn run(job: &Path, accept: bool, format: Format, registry: &Registry) -> u8 {
    let plan = match plan::compile_unlocked(job, registry) {
        Ok(plan) => plan,
        Err(refused) => {
            print::findings(&refused.findings, &refused.documents, format);
            if format == Format::Text {
                eprintln!("\n{}: {}; no lock was written", job.display(), print::tally(&refused.findings));
            }
            return JOB;
        }
    };
    let (library, registry_version) = survey_geodesy::pins::versions();
    let made_with = MadeWith { program: format!("gunter {}", env!("CARGO_PKG_VERSION")), library, registry: registry_version };
    let new = match lock::make::make(&plan, made_with) {
        Ok(new) => new,
        Err(found) => {
            print::findings(&found, &plan.documents, format);
            return JOB;
        }
    };
    let path = lock::path_of(job);
    let old = match read(&path) {
        Ok(old) => old,
        Err(_) if accept => None,
        Err(found) => {
            print::findings(&[*found], &[], format);
            return JOB;
        }
    };
    let differences = old.as_ref().map(|old| lock::differences(old, &plan.steps()));
    if let (Some(differences), false) = (&differences, accept)
        && !differences.is_empty()
    {
        return refuse(&path, differences, format);
    }
    if let Err(e) = new.write(&path) {
        let finding = Diagnostic::new("export/cannot-write", Verdict::Error, format!("`{}` cannot be written: {e}", path.display()))
            .fix("choose a folder that may be written for the job");
        print::findings(&[finding], &[], format);
        return DATA;
    }
    match format {
        Format::Json => print::json(&serde_json::json!({
            "lock": path.display().to_string(),
            "differences": differences.unwrap_or_default(),
            "written": new,
        })),
        Format::Text => print::answer(&text(&path, &new, differences.as_deref())),
    }
    DONE
}

fn read(path: &Path) -> Result<Option<Lock>, Box<Diagnostic>> {
    let bad = |why: String| {
        Box::new(
            Diagnostic::new("lock/exists", Verdict::Error, format!("`{}` is no lock that can be read: {why}", path.display()))
                .fix("move it away, or replace it with `--accept`"),
        )
    };
    if !path.exists() {
        return Ok(None);
    }
    let text = std::fs::read_to_string(path).map_err(|e| bad(e.to_string()))?;
    serde_json::from_str(&text).map(Some).map_err(|e| bad(e.to_string()))
}

fn refuse(path: &Path, differences: &[LockDifference], format: Format) -> u8 {
    let finding = Diagnostic::new(
        "lock/exists",
        Verdict::Block,
        format!("the lock `{}` would say something else now: {}", path.display(), lines(differences).join("; ")),
    )
    .place(format!("`{}`", path.display()))
    .size(lock::size_of(differences))
    .why("a lock is never replaced unasked: what was delivered with it would then differ from what is delivered next")
    .fix("keep it, with the program and grids that it names; or accept the difference with `--accept` and deliver again");
    match format {
        Format::Json => print::json(&serde_json::json!({ "findings": [finding], "differences": differences })),
        Format::Text => print::findings(&[finding], &[], format),
    }
    JOB
}

/// One phrase for each difference.
fn lines(differences: &[LockDifference]) -> Vec<String> {
    differences
        .iter()
        .map(|d| {
            let metres = match (d.horizontal_m, d.up_m) {
                (Some(h), Some(v)) => format!("{h:.3} m horizontally, {v:.3} m in height"),
                _ => "cannot be compared".to_owned(),
            };
            let changed = if d.changed.is_empty() { String::new() } else { format!(" ({})", d.changed.join(", ")) };
            format!("`{}` {}: {metres}{changed}", d.step, d.part)
        })
        .collect()
}

fn text(path: &Path, lock: &Lock, differences: Option<&[LockDifference]>) -> String {
    let mut out = String::new();
    let a = &lock.area;
    let _ = writeln!(out, "{}: written with {}, {}", path.display(), lock.made_with.library, lock.made_with.registry);
    let _ = writeln!(out, "area       {:.4} to {:.4} N, {:.4} to {:.4} E", a.south, a.north, a.west, a.east);
    for pin in &lock.operations {
        let accuracy = pin.accuracy_m.map_or_else(String::new, |a| format!(", {a:.3} m"));
        let _ = writeln!(out, "{:<10} {}: {} ({} to {}{accuracy})", pin.step, pin.part, pin.name, pin.from, pin.to);
        for grid in &pin.grids {
            let _ = writeln!(out, "           grid {} sha256 {}", grid.file, grid.sha256);
        }
        let _ = writeln!(out, "           {} probe points", pin.probes.len());
    }
    match differences {
        None => {}
        Some([]) => out.push_str("nothing changed since the lock before\n"),
        Some(differences) => {
            out.push_str("changed since the lock before:\n");
            for line in lines(differences) {
                let _ = writeln!(out, "  {line}");
            }
        }
    }
    out
}
