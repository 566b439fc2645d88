//! `gunter inspect`.

use crate::args::Format;
use crate::{print, DATA, DONE};
use pipeline_core::diag::{Diagnostic, Verdict};
use pipeline_core::plan;
use pipeline_core::registry::Registry;
use pipeline_core::stage::Problem;
use std::path::{Path, PathBuf};

/// Shows what logs hold.
pub fn run(logs: &[PathBuf], write_job: Option<&Path>, format: Format, registry: &Registry) -> u8 {
    let files: Vec<(String, PathBuf)> = logs.iter().map(|p| (p.to_string_lossy().into_owned(), p.clone())).collect();
    let report = match stages::inspect::inspect(&files) {
        Ok(report) => report,
        Err(problem) => return refuse(problem, format),
    };
    match format {
        Format::Json => print::json(&serde_json::to_value(&report).unwrap_or_default()),
        Format::Text => print::answer(&report.text()),
    }
    let Some(job_path) = write_job else { return DONE };
    match write_first_job(&report, logs, job_path, registry) {
        Ok(text) => {
            if format == Format::Text {
                print::answer(&text);
            }
            DONE
        }
        Err(problem) => refuse(problem, format),
    }
}

fn refuse(problem: Problem, format: Format) -> u8 {
    print::findings(&[*problem.finding], &[], format);
    DATA
}

fn relative(target: &Path, folder: &Path) -> String {
    let absolute = |p: &Path| std::path::absolute(p).unwrap_or_else(|_| p.to_owned());
    let (target, folder) = (absolute(target), absolute(folder));
    let shared = target.components().zip(folder.components()).take_while(|(a, b)| a == b).count();
    let up = folder.components().count() - shared;
    let down: PathBuf = target.components().skip(shared).collect();
    format!("{}{}", "../".repeat(up), down.to_string_lossy().replace('\\', "/"))
}

fn write_first_job(report: &stages::inspect::Report, logs: &[PathBuf], job_path: &Path, registry: &Registry) -> Result<String, Problem> {
    let folder = job_path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let stem = job_path.file_stem().map_or_else(|| "job".into(), |s| s.to_string_lossy().into_owned());
    let names: Vec<String> = logs.iter().map(|l| relative(l, folder)).collect();
    let first = stages::inspect::first_job(report, &names, &stem);
    let files = [
        (job_path.to_owned(), &first.job),
        (folder.join(format!("{stem}.rig.yaml")), &first.rig),
        (folder.join(format!("{stem}.reference.yaml")), &first.reference),
    ];
    for (path, _) in &files {
        if path.exists() {
            return Err(Problem::from(
                Diagnostic::new("export/exists", Verdict::Error, format!("`{}` exists already", path.display()))
                    .fix("choose another name for the job"),
            ));
        }
    }
    std::fs::create_dir_all(folder).map_err(|e| cannot_write(folder, &e))?;
    for (path, text) in &files {
        std::fs::write(path, text).map_err(|e| cannot_write(path, &e))?;
    }
    let mut out = String::from("\nwrote");
    for (path, _) in &files {
        out.push_str(&format!(" {}", path.display()));
    }
    match plan::compile(job_path, registry) {
        Ok(_) => out.push_str("\nthe job is ready: `gunter check` accepts it\n"),
        Err(_) => {
            out.push_str("\nonly a person can know what is still missing:\n");
            for unknown in &first.unknowns {
                out.push_str(&format!("  - {unknown}\n"));
            }
            out.push_str(&format!("fill these in, then run `gunter check {}`\n", job_path.display()));
        }
    }
    Ok(out)
}

fn cannot_write(path: &Path, error: &std::io::Error) -> Problem {
    Problem::from(
        Diagnostic::new("export/cannot-write", Verdict::Error, format!("`{}` cannot be written: {error}", path.display()))
            .fix("choose a folder that may be written"),
    )
}
