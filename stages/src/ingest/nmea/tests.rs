//! Tests of the whole reader, from bytes to rows and findings.

mod assembly;
mod dates;
mod laws;
pub(crate) mod logs;
mod oracle;
mod rows;
mod speed;
mod traps;

use super::*;
use pipeline_base::diag::Diagnostic;
use pipeline_base::reference::Reference;
use pipeline_base::rig::{Rig, Sensors};
use pipeline_core::stage::Files;
use pipeline_core::stage::cx::Collect;
use raw_logs::columns::{EpochColumns, Fix};
use raw_logs::nmea::{line, number};
use std::path::{Path, PathBuf};

/// The folder of outside data, where it is there.
fn shared() -> Option<PathBuf> {
    let path = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared"));
    if path.is_dir() {
        return Some(path.to_owned());
    }
    eprintln!("SKIPPED: no outside data at {}", path.display());
    None
}

/// A sentence with its checksum.
fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |a, b| a ^ b))
}

/// Reads bytes as one file.
fn read(settings: &Settings, bytes: &[u8]) -> Log {
    let mut scan = Scan::new(settings);
    let mut from = bytes;
    assert!(scan.read("log", &mut from, None, &mut |_| true).unwrap());
    let mut log = scan.finish();
    log.settle();
    for t in &log.tallies {
        let c = t.count();
        assert_eq!(c.total, c.used + c.ignored.values().sum::<u64>() + c.damaged.values().sum::<u64>(), "{c:?}");
    }
    log
}

fn plain(text: &str) -> Log {
    read(&Settings::default(), text.as_bytes())
}

/// Ellipsoidal heights of the epochs of a log, for cases of outside lists.
pub(crate) fn ellipsoidal_heights(text: &str) -> Vec<f64> {
    plain(text).columns.height
}

/// A rig with every sensor, as YAML would give it.
fn rig() -> Rig {
    serde_json::from_value(json!({
        "rig": 1, "name": "pole", "receiver_output": "antenna-reference-point",
        "sensors": {
            "heading": {"sentence": "HDT"},
            "pitch": {"sentence": "XDR", "transducer": "PITCH", "opposite_sign": true, "offset": 0.5},
            "roll": {"sentence": "XDR", "transducer": "ROLL"},
            "range": {"sentence": "XDR", "transducer": "RANGE"},
            "turn_rate": {"sentence": "ROT"}
        },
        "gnss": {"assumed_sigma_horizontal_m": 0.02, "assumed_sigma_up_m": 0.04, "sigma_factor": 2.0}
    }))
    .unwrap()
}

fn reference() -> Reference {
    serde_json::from_value(json!({
        "reference": 1, "name": "works",
        "corrections": {"frame": "EPSG:9989", "epoch": "observation", "stated_by": "service page"},
        "delivery": {"crs": "EPSG:6345", "heights": {"surface": "ellipsoid", "unit": "m"}},
        "budget": {"operation_m": 0.02, "horizontal_95_m": 0.05, "vertical_95_m": 0.05}
    }))
    .unwrap()
}

/// A folder as the files of a job.
struct Folder(PathBuf);

impl Files for Folder {
    fn find(&self, pattern: &str) -> Result<Vec<(String, PathBuf)>, Problem> {
        let path = self.0.join(pattern);
        if path.is_file() { Ok(vec![(pattern.to_owned(), path)]) } else { Err(Problem::new("job/no-file", format!("no `{pattern}`"))) }
    }
    fn resolve(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
    fn results(&self) -> PathBuf {
        self.0.clone()
    }
}

/// What a whole step gives: what the survey says, what the run says, and the table or its problem.
struct Ran {
    survey: Vec<Diagnostic>,
    said: Vec<Diagnostic>,
    lines: Vec<pipeline_base::input::LineCount>,
    facts: Vec<(String, serde_json::Value)>,
    table: Result<Table, Box<Diagnostic>>,
    place: Option<Locality>,
}

impl Ran {
    fn survey_codes(&self) -> Vec<&str> {
        self.survey.iter().map(|f| f.code.as_str()).collect()
    }
    fn find(&self, code: &str) -> &Diagnostic {
        self.said.iter().find(|f| f.code == code).unwrap_or_else(|| panic!("no {code} in {:#?}", self.said))
    }
    fn codes(&self) -> Vec<&str> {
        self.said.iter().map(|f| f.code.as_str()).collect()
    }
}

fn bind(options: serde_json::Value, rig: Option<&Rig>, folder: &Path) -> Result<Bound<IngestNmea>, Vec<Problem>> {
    let files = Folder(folder.to_owned());
    let reference = reference();
    let cx = BindCx { inputs: &[], rig, reference: Some(&reference), locality: None, files: &files, locked: None };
    IngestNmea::bind(serde_json::from_value(options).unwrap(), &cx)
}

/// Runs the stage on one file `log.nmea`.
fn run(bytes: &[u8], mut options: serde_json::Value, rig: Option<&Rig>) -> Ran {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("log.nmea"), bytes).unwrap();
    options["files"] = json!(["log.nmea"]);
    let bound = bind(options, rig, folder.path()).map_err(|p| format!("{p:?}")).unwrap();
    let world = Collect::new(folder.path());
    let sessions = bound.stage.sessions();
    let cx = Cx::new(&world, "epochs", Some((0, &sessions[0])));
    let table = Stage::run(&bound.stage, &[], &cx).map_err(|p| p.finding);
    let survey = bound.stage.survey();
    let place = bound.stage.locate();
    let mut said = world.said();
    Ran {
        survey,
        said: std::mem::take(&mut said.findings),
        lines: std::mem::take(&mut said.lines),
        facts: std::mem::take(&mut said.facts),
        table,
        place,
    }
}

#[test]
fn the_stage_binds_or_says_why() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("a.nmea"), b"").unwrap();
    let codes = |options, rig: Option<&Rig>| -> Vec<String> {
        match bind(options, rig, folder.path()) {
            Ok(_) => vec![],
            Err(problems) => problems.into_iter().map(|p| p.finding.code).collect(),
        }
    };
    let r = rig();
    assert!(codes(json!({"files": ["a.nmea"]}), None).is_empty());
    assert_eq!(codes(json!({"files": ["a.nmea"]}), Some(&r)), ["ingest/untimed-rule-missing"]);
    assert!(codes(json!({"files": ["a.nmea"], "untimed": "after-time"}), Some(&r)).is_empty());
    assert_eq!(codes(json!({}), None), ["ingest/no-files"]);
    assert_eq!(codes(json!({"files": ["b.nmea"]}), None), ["job/no-file"]);
    assert_eq!(codes(json!({"files": ["a.nmea"], "date": "2025-02-30"}), None), ["ingest/bad-date"]);
    let twice = json!({"sessions": [{"name": "m", "files": ["a.nmea"]}, {"name": "m", "files": ["a.nmea"]}]});
    assert_eq!(codes(twice, None), ["ingest/session-name"]);
    let mut wrong = rig();
    wrong.sensors.pitch.as_mut().unwrap().sentence = Sentence::HDT;
    wrong.sensors.roll.as_mut().unwrap().transducer = None;
    assert_eq!(
        codes(json!({"files": ["a.nmea"], "untimed": "after-time"}), Some(&wrong)),
        ["rig/sentence-cannot-carry", "rig/no-transducer"]
    );
}

#[test]
fn examples_are_options() {
    for example in IngestNmea::SPEC.examples {
        // The examples are small enough to be read as JSON after this change of form.
        assert!(example.options.contains("files:"), "{}", example.title);
    }
}

#[test]
fn packed_files_give_the_same_table() {
    use std::io::Write;
    let text = logs::day(40);
    let tables: Vec<Table> = {
        let mut gzip = flate2_like(&text);
        gzip.insert(0, text.clone().into_bytes());
        gzip.into_iter().map(|bytes| run(&bytes, json!({}), None).table.unwrap()).collect()
    };
    assert!(tables.len() >= 2);
    for other in &tables[1..] {
        assert!(tables[0].data.equals_missing(&other.data));
    }
    fn flate2_like(text: &str) -> Vec<Vec<u8>> {
        // The packers of the system, where they are there.
        [("gzip", vec!["-c"]), ("zstd", vec!["-c"])]
            .into_iter()
            .filter_map(|(program, args)| {
                let mut child = std::process::Command::new(program)
                    .args(args)
                    .stdin(std::process::Stdio::piped())
                    .stdout(std::process::Stdio::piped())
                    .spawn()
                    .map_err(|_| eprintln!("SKIPPED: no `{program}`"))
                    .ok()?;
                child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
                Some(child.wait_with_output().unwrap().stdout)
            })
            .collect()
    }
}
