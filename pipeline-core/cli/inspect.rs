//! `gunter inspect`.

use crate::args::{Format, Marks};
use crate::{DATA, DONE, JOB, print};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::document::Document;
use pipeline_base::problem::Problem;
use pipeline_core::plan;
use pipeline_core::registry::Registry;
use stages::archive::delivered;
use stages::inspect::frames::{self, Frames, GeoidFit, How, Measured};
use stages::inspect::stations;
use std::path::{Path, PathBuf};
use survey_geodesy::frame_comparison::Search;

/// Shows what logs hold.
pub(crate) fn run(logs: &[PathBuf], write_job: Option<&Path>, marks: &Marks, format: Format, registry: &Registry) -> u8 {
    let files: Vec<(String, PathBuf)> = logs.iter().map(|p| (p.to_string_lossy().into_owned(), p.clone())).collect();
    let report = match stages::inspect::inspect(&files) {
        Ok(report) => report,
        Err(problem) => return refuse(problem, format),
    };
    let compared = match compare(&report, marks, registry) {
        Ok(compared) => compared,
        Err((found, documents)) => {
            print::findings(&found, &documents, format);
            return JOB;
        }
    };
    let findings = compared.frames.iter().flat_map(|f| f.findings.iter().cloned()).collect::<Vec<_>>();
    match format {
        Format::Json => {
            let mut value = serde_json::to_value(&report).unwrap_or_default();
            value["geoids"] = serde_json::json!(compared.geoids);
            if let Some(frames) = &compared.frames {
                value["frames"] = serde_json::json!(frames);
                value["findings"] = serde_json::json!(findings);
            }
            print::json(&value);
        }
        Format::Text => {
            print::answer(&format!("{}{}", report.text(), compared.text()));
            print::findings(&findings, &[], format);
        }
    }
    if findings.iter().any(|f| f.verdict.stops_delivery()) {
        return DATA;
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

/// What published marks and geoids say.
struct Compared {
    frames: Option<Frames>,
    geoids: Vec<GeoidFit>,
}

impl Compared {
    fn text(&self) -> String {
        frames::text(self.frames.as_ref(), &self.geoids)
    }
}

type Said = (Vec<Diagnostic>, Vec<Document>);

fn compare(report: &stages::inspect::Report, marks: &Marks, registry: &Registry) -> Result<Compared, Said> {
    let alone = |p: Problem| (vec![*p.finding], vec![]);
    let reference = match &marks.reference {
        Some(path) => Some(plan::reference(path, registry).map_err(|r| (r.findings, r.documents))?),
        None => None,
    };
    let folders = frames::geoid_folders(reference.as_ref());
    let geoids = frames::geoids(&report.separations, &folders);
    let Some(stations) = &marks.stations else { return Ok(Compared { frames: None, geoids }) };
    let list = stations::read(&stations.to_string_lossy(), stations).map_err(alone)?;
    let measured = if let Some(path) = &marks.measured {
        Measured::of_delivery(&delivered::read(path, &path.to_string_lossy(), None).map_err(alone)?, reference.as_ref()).map_err(alone)?
    } else {
        let set = reference.as_ref().and_then(|r| r.corrections.base_position);
        let position = match &marks.base {
            Some(text) => Some(position(text).map_err(alone)?),
            None => set.map(|p| (p.latitude_deg, p.longitude_deg, Some(p.ellipsoidal_height_m))),
        };
        let Some(position) = position else {
            return Err(alone(
                Problem::new("frame/no-marks", "nothing was named that the published marks could be compared with")
                    .why("a log holds the name of the base station and not its position")
                    .fix("give `--measured points.csv`, or `--base \"LAT LON H\"`, or `--reference` with `corrections.base_position`"),
            ));
        };
        let name = reference.as_ref().and_then(|r| r.corrections.base_station.clone());
        let name = name.or_else(|| report.bases.first().map(|b| b.id.clone())).unwrap_or_else(|| "base".to_owned());
        Measured::of_base(&name, position, reference.as_ref(), report.decimal_year)
    };
    let how = How { tolerance_m: marks.tolerance_m, folders: &folders, search: Search::Always };
    let frames = frames::compare(&list, &measured, &how).map_err(alone)?;
    Ok(Compared { frames: Some(frames), geoids })
}

/// `LAT LON H`, with blanks or commas between.
fn position(text: &str) -> Result<(f64, f64, Option<f64>), Problem> {
    let words: Vec<f64> =
        text.split([' ', ',']).filter(|w| !w.is_empty()).map_while(|w| w.parse().ok().filter(|v: &f64| v.is_finite())).collect();
    match words.as_slice() {
        [la, lo, h] if la.abs() <= 90.0 && lo.abs() <= 360.0 => Ok((*la, *lo, Some(*h))),
        _ => Err(Problem::new("frame/no-marks", format!("`{text}` is no latitude, longitude and ellipsoidal height"))
            .fix("write three numbers in degrees and metres, for example `--base \"42.71 -84.48 231.4\"`")),
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
