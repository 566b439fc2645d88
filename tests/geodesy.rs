//! Grids, locks and operations written by hand, through the built program: identical numbers or a block, never a third result.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;

use common::{code, deliveries, find, findings, json, workspace};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The job of a trap put right, with heights through `geoid.gtx`, in a folder of its own.
struct Job {
    _folder: tempfile::TempDir,
    place: PathBuf,
}

type Variables<'a> = &'a [(&'a str, &'a str)];

impl Job {
    fn new() -> Self {
        let folder = workspace();
        let place = folder.path().join("tests/fixtures/traps/T03");
        std::fs::rename(place.join("fixed.yaml"), place.join("job.yaml")).unwrap();
        let job = Self { _folder: folder, place };
        job.edit("job.yaml", "reference-fixed.yaml", "reference.yaml");
        std::fs::rename(job.place.join("reference-fixed.yaml"), job.place.join("reference.yaml")).unwrap();
        job
    }

    fn path(&self, name: &str) -> PathBuf {
        self.place.join(name)
    }

    fn edit(&self, file: &str, from: &str, to: &str) {
        let text = std::fs::read_to_string(self.path(file)).unwrap();
        assert!(text.contains(from), "{file} has no {from}");
        std::fs::write(self.path(file), text.replacen(from, to, 1)).unwrap();
    }

    /// Names the digest of the geoid in the reference.
    fn pin_digest(&self) {
        let answer = json(&self.run(&["check", "job.yaml"], &[]));
        let sha = answer
            .pointer("/plan/steps")
            .and_then(Value::as_array)
            .unwrap()
            .iter()
            .find_map(|s| s.pointer("/decided/geoid/sha256").and_then(Value::as_str))
            .unwrap()
            .to_owned();
        self.edit("reference.yaml", "      sigma_m: 0.01\n", &format!("      sigma_m: 0.01\n      sha256: {sha}\n"));
    }

    fn run(&self, words: &[&str], variables: Variables) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_gunter"));
        command.args(words).args(["--format", "json"]).current_dir(&self.place).env("NO_COLOR", "1").env("GUNTER_GRIDS", "grid-store");
        command.envs(variables.iter().copied()).output().unwrap()
    }

    /// The points as delivered, or the codes that stopped the job.
    fn result(&self, variables: Variables) -> Result<String, Vec<Value>> {
        let _ = std::fs::remove_dir_all(self.path("results"));
        let output = self.run(&["run", "job.yaml"], variables);
        let delivered = deliveries(&self.path("results"));
        if code(&output) == 0 {
            let csv = delivered.iter().find(|f| f.ends_with("points.csv")).unwrap();
            return Ok(std::fs::read_to_string(self.path("results").join(csv)).unwrap());
        }
        assert!(delivered.is_empty(), "a stopped run delivered {delivered:?}");
        let stopping = |f: &Value| matches!(f["verdict"].as_str(), Some("block" | "error"));
        Err(findings(&json(&output)).into_iter().filter(stopping).collect())
    }

    #[track_caller]
    fn stops(&self, code: &str, variables: Variables) -> Value {
        let found = self.result(variables).err().unwrap_or_else(|| panic!("the job ran; {code} was expected"));
        let finding = find(&found, code).unwrap_or_else(|| panic!("no {code} among {found:#?}"));
        for line in ["what", "size", "why", "fix"] {
            assert!(finding[line].as_str().is_some_and(|t| !t.is_empty()), "no {line} in {finding:#}");
        }
        finding
    }
}

fn says(finding: &Value, line: &str, words: &[&str]) {
    let text = finding[line].as_str().unwrap();
    for word in words {
        assert!(text.contains(word), "`{word}` is not in: {text}");
    }
}

fn write_gtx(path: &Path, south: f64, west: f64, step: f64, side: u32, n: f32) {
    let mut bytes = vec![];
    for v in [south, west, step, step] {
        bytes.extend(v.to_be_bytes());
    }
    bytes.extend([side.to_be_bytes(), side.to_be_bytes()].concat());
    for _ in 0..side * side {
        bytes.extend(n.to_be_bytes());
    }
    std::fs::write(path, bytes).unwrap();
}

fn flip(path: &Path) {
    let mut bytes = std::fs::read(path).unwrap();
    // The second byte of a node in the middle: centimetres to metres of that value.
    let at = 40 + 4 * (bytes.len() / 8 - 10) + 1;
    bytes[at] ^= 0x08;
    std::fs::write(path, bytes).unwrap();
}

/// A folder with all that another program's settings may hold: the grid with other values under its own name,
/// and settings of the geodesy library that change results.
fn poison(folder: &Path) {
    for part in ["", "proj"] {
        std::fs::create_dir_all(folder.join(part)).unwrap();
        for name in ["geoid.gtx", "shift.gtx"] {
            write_gtx(&folder.join(part).join(name), 20.0, -100.0, 5.0, 5, -9.0);
        }
        std::fs::write(
            folder.join(part).join("proj.ini"),
            "[general]\nnetwork = on\ntmerc_default_algo = evenden_snyder\nonly_best_default = off\ncdn_endpoint = https://example.invalid\n",
        )
        .unwrap();
    }
}

fn environments(bad: &str) -> Vec<Vec<(&'static str, &str)>> {
    vec![
        vec![],
        vec![("PROJ_NETWORK", "ON")],
        vec![("PROJ_NETWORK", "OFF")],
        vec![("PROJ_DATA", bad)],
        vec![("PROJ_LIB", bad)],
        vec![("XDG_DATA_HOME", bad), ("HOME", bad)],
        vec![("PROJ_USER_WRITABLE_DIRECTORY", bad), ("PROJ_ONLY_BEST_DEFAULT", "OFF"), ("PROJ_NETWORK", "ON"), ("PROJ_DATA", bad)],
    ]
}

/// Puts the geoid into a state and says which finding must stop the job; `None` for none.
const STATES: [(&str, Option<&str>); 5] = [
    ("present", None),
    ("absent", Some("height/geoid-missing")),
    ("renamed", Some("height/geoid-missing")),
    ("changed", Some("height/geoid-digest")),
    ("outside", Some("height/outside-geoid")),
];

fn set(job: &Job, good: &[u8], state: &str) {
    let (path, other) = (job.path("geoid.gtx"), job.path("geoid-2018.gtx"));
    let _ = std::fs::remove_file(&path);
    let _ = std::fs::remove_file(&other);
    match state {
        "absent" => {}
        "renamed" => std::fs::write(&other, good).unwrap(),
        "outside" => write_gtx(&path, 40.0, -88.0, 0.1, 9, -25.0),
        _ => std::fs::write(&path, good).unwrap(),
    }
    if state == "changed" {
        flip(&path);
    }
}

#[test]
fn grid_matrix_with_a_digest_in_the_reference() {
    let job = Job::new();
    job.pin_digest();
    let bad = job.path("poison");
    poison(&bad);
    // Settings of the library lie in the working folder too, where it looks when its resources are built in.
    std::fs::copy(bad.join("proj.ini"), job.path("proj.ini")).unwrap();
    let good = std::fs::read(job.path("geoid.gtx")).unwrap();
    let want = job.result(&[]).unwrap();
    let reference = std::fs::read_to_string(job.path("reference.yaml")).unwrap();
    for (state, stops) in STATES {
        set(&job, &good, state);
        if state == "outside" {
            // Its own digest, so that the coverage is what stops it.
            let text: String = reference.lines().filter(|l| !l.contains("sha256")).map(|l| format!("{l}\n")).collect();
            std::fs::write(job.path("reference.yaml"), text).unwrap();
        }
        for environment in environments(bad.to_str().unwrap()) {
            match stops {
                None => assert_eq!(job.result(&environment).unwrap(), want, "{state} {environment:?}"),
                Some(code) => drop(job.stops(code, &environment)),
            }
        }
    }
}

#[test]
fn grid_matrix_with_a_lock() {
    let job = Job::new();
    let bad = job.path("poison");
    poison(&bad);
    let want = job.result(&[]).unwrap();
    assert_eq!(code(&job.run(&["lock", "job.yaml"], &[])), 0);
    let good = std::fs::read(job.path("geoid.gtx")).unwrap();
    for (state, stops) in STATES {
        set(&job, &good, state);
        for environment in environments(bad.to_str().unwrap()) {
            match (state, stops) {
                (_, None) => assert_eq!(job.result(&environment).unwrap(), want, "{state} {environment:?}"),
                ("changed", _) => {
                    let finding = job.stops("lock/grid-differs", &environment);
                    says(&finding, "size", &["this machine would differ by up to", "probe points agree"]);
                }
                ("outside", _) => drop(job.stops("lock/grid-differs", &environment)),
                (_, Some(code)) => drop(job.stops(code, &environment)),
            }
        }
    }
    // Another edition in front of the right one: the digest decides, not the place.
    set(&job, &good, "changed");
    std::fs::create_dir(job.path("grids")).unwrap();
    std::fs::write(job.path("grids/geoid.gtx"), &good).unwrap();
    assert_eq!(job.result(&[]).unwrap(), want);
    // Without lock and digest no one knows which of the two is meant.
    std::fs::remove_file(job.path("job.lock.json")).unwrap();
    says(&job.stops("grids/two-versions", &[]), "size", &["m in height at"]);
}

/// A projection far from its central meridian, where the two algorithms of the library are metres apart.
const FAR: &str = r#"'PROJCRS["far",BASEGEOGCRS["NAD83(2011)",DATUM["NAD83 (National Spatial Reference System 2011)",ELLIPSOID["GRS 1980",6378137,298.257222101]],ID["EPSG",6318]],CONVERSION["far",METHOD["Transverse Mercator",ID["EPSG",9807]],PARAMETER["Latitude of natural origin",0],PARAMETER["Longitude of natural origin",-117],PARAMETER["Scale factor at natural origin",1],PARAMETER["False easting",0],PARAMETER["False northing",0]],CS[Cartesian,2],AXIS["easting (E)",east],AXIS["northing (N)",north],LENGTHUNIT["metre",1]]'"#;

#[test]
fn settings_of_other_programs_change_no_projection() {
    let job = Job::new();
    job.edit("reference.yaml", "crs: EPSG:6345", &format!("crs: {FAR}"));
    let want = job.result(&[]).unwrap();
    let bad = job.path("poison");
    poison(&bad);
    std::fs::copy(bad.join("proj.ini"), job.path("proj.ini")).unwrap();
    for environment in environments(bad.to_str().unwrap()) {
        assert_eq!(job.result(&environment).unwrap(), want, "{environment:?}");
    }
}

#[test]
fn the_life_of_a_lock() {
    let job = Job::new();
    let free = job.result(&[]).unwrap();
    let answer = json(&job.run(&["lock", "job.yaml"], &[]));
    let pins = answer.pointer("/written/operations").and_then(Value::as_array).unwrap();
    let parts: Vec<&str> = pins.iter().map(|p| p["part"].as_str().unwrap()).collect();
    assert_eq!(parts, ["operation", "geoid", "operation", "conversion"]);
    for pin in pins {
        assert!(pin["pipeline"].as_str().unwrap().starts_with("+proj=") && pin["probes"].as_array().unwrap().len() == 5, "{pin:#}");
    }
    // The lock is read, used and digested; the numbers are the same.
    assert_eq!(job.result(&[]).unwrap(), free);
    let record: Value = serde_json::from_slice(&std::fs::read(job.path("results/T03/record.json")).unwrap()).unwrap();
    let materials = record.pointer("/decided/materials").and_then(Value::as_array).unwrap();
    assert!(materials.iter().any(|m| m["role"] == "lock" && m["name"] == "job.lock.json"), "{materials:#?}");
    // The same again is no change.
    assert_eq!(code(&job.run(&["lock", "job.yaml"], &[])), 0);
    // A remark in the job: stale, and the size says that nothing would move.
    job.edit("job.yaml", "job: 1\n", "job: 1\n# a remark\n");
    let finding = job.stops("lock/stale", &[]);
    says(&finding, "size", &["0.000 m"]);
    says(&finding, "fix", &["gunter lock JOB"]);
    assert_eq!(code(&job.run(&["check", "job.yaml"], &[])), 2);
    // Nothing that the lock holds has changed, so it is renewed without more.
    assert_eq!(code(&job.run(&["lock", "job.yaml"], &[])), 0);
    assert_eq!(job.result(&[]).unwrap(), free);
    // Another epoch of the corrections moves points: said in metres, and replaced only when asked for.
    job.edit("reference.yaml", "epoch: observation", "epoch: 2016.0");
    let finding = job.stops("lock/stale", &[]);
    let metres: f64 = finding["size"].as_str().unwrap().split("up to ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    assert!((0.05..0.5).contains(&metres), "ten years of plate motion: {finding:#}");
    let refused = job.run(&["lock", "job.yaml"], &[]);
    assert_eq!(code(&refused), 2);
    assert!(find(&findings(&json(&refused)), "lock/exists").is_some());
    let accepted = job.run(&["lock", "job.yaml", "--accept"], &[]);
    assert_eq!(code(&accepted), 0);
    assert!(json(&accepted)["differences"].as_array().is_some_and(|d| !d.is_empty()));
    assert_ne!(job.result(&[]).unwrap(), free);
    // What is no lock is no licence to go on.
    std::fs::write(job.path("job.lock.json"), "{\"lock\": 1}").unwrap();
    assert_eq!(code(&job.run(&["run", "job.yaml"], &[])), 2);
}

/// A lock of another year: its pipeline is used exactly, and the other choice is said in metres.
#[test]
fn a_locked_pipeline_is_used_as_it_is() {
    let job = Job::new();
    let free = job.result(&[]).unwrap();
    job.run(&["lock", "job.yaml"], &[]);
    let path = job.path("job.lock.json");
    let text = std::fs::read_to_string(&path).unwrap();
    // The same shift with another translation, and the results that it has.
    let mut lock: Value = serde_json::from_str(&text.replacen("+x=1.0039 ", "+x=2.8339 ", 1)).unwrap();
    std::fs::write(&path, lock.to_string()).unwrap();
    let finding = job.stops("lock/differs", &[]);
    says(&finding, "size", &["0 of 5 probe points agree"]);
    says(&finding, "what", &["replay does not match the locked result"]);
    // 1.83 m along X, seen in the horizontal plane and in height: east of 87 W it is nearly all east.
    let shown = finding["what"].as_str().unwrap().split('`').collect::<Vec<_>>();
    let gives = |text: &str| -> Vec<f64> { text.split(' ').map(|v| v.parse().unwrap()).collect() };
    let (then, now) = (gives(shown[1]), gives(shown[3]));
    for probe in lock.pointer_mut("/operations/0/probes").and_then(Value::as_array_mut).unwrap() {
        for (k, d) in [(1, now[0] - then[0]), (0, now[1] - then[1]), (2, now[2] - then[2])] {
            let v = probe["gives"][k].as_f64().unwrap();
            probe["gives"][k] = (v + d).into();
        }
    }
    std::fs::write(&path, lock.to_string()).unwrap();
    let output = job.run(&["run", "job.yaml", "--overwrite"], &[]);
    let answer = json(&output);
    let finding = find(&findings(&answer), "lock/other-choice").unwrap_or_else(|| panic!("{:#?}", findings(&answer)));
    assert_eq!((finding["verdict"].as_str(), code(&output)), (Some("warn"), 0));
    says(&finding, "size", &["this machine would differ by up to 1.8"]);
    assert_ne!(job.result(&[]).unwrap(), free, "the locked pipeline was not used");
}

#[test]
fn the_grid_store() {
    let job = Job::new();
    let want = job.result(&[]).unwrap();
    std::fs::create_dir(job.path("elsewhere")).unwrap();
    std::fs::rename(job.path("geoid.gtx"), job.path("elsewhere/geoid.gtx")).unwrap();
    let finding = job.stops("height/geoid-missing", &[]);
    says(&finding, "fix", &["gunter grids add geoid.gtx", "proj-data", "EGM96"]);
    assert!(json(&job.run(&["grids", "list"], &[]))["grids"].as_array().unwrap().is_empty());
    // What only a person can know is asked for.
    let add = ["grids", "add", "elsewhere/geoid.gtx", "--model", "Trapshoal geoid", "--version", "1", "--licence", "invented"];
    assert_eq!(code(&job.run(&add, &[])), 2);
    assert!(!job.path("grid-store").exists());
    let added = job.run(&[&add[..], &["--frame", "EPSG:6319"]].concat(), &[]);
    assert_eq!(code(&added), 0);
    let listed = json(&job.run(&["grids", "list"], &[]));
    let grid = &listed["grids"][0];
    assert_eq!(
        (grid["file"].as_str(), grid["format"].as_str(), grid["frame"].as_str()),
        (Some("geoid.gtx"), Some("GTX"), Some("EPSG:6319"))
    );
    assert!(grid["area"]["south"].as_f64().unwrap() < 28.407 && grid["sha256"].as_str().unwrap().len() == 64);
    assert_eq!(job.result(&[]).unwrap(), want);
    assert_eq!(code(&job.run(&["grids", "check"], &[])), 0);
    // The store says another frame than the reference.
    job.edit("reference.yaml", "frame: EPSG:6319", "frame: EPSG:7912");
    says(&job.stops("height/geoid-mismatch", &[]), "what", &["EPSG:6319", "EPSG:7912"]);
    job.edit("reference.yaml", "frame: EPSG:7912", "frame: EPSG:6319");
    // Withdrawn: refused by the job and by the check.
    std::fs::write(
        job.path("grid-store/withdrawn.csv"),
        format!("sha256,file,reason,source\n{},geoid.gtx,one cell in 500 is wrong,notice (invented)\n", grid["sha256"].as_str().unwrap()),
    )
    .unwrap();
    says(&job.stops("grids/withdrawn", &[]), "why", &["one cell in 500"]);
    let checked = job.run(&["grids", "check"], &[]);
    assert!(code(&checked) == 1 && find(&findings(&json(&checked)), "grids/withdrawn").is_some());
    // A list that cannot be read is no list.
    std::fs::write(job.path("grid-store/withdrawn.csv"), "nonsense\n").unwrap();
    job.stops("grids/bad-index", &[]);
    std::fs::remove_file(job.path("grid-store/withdrawn.csv")).unwrap();
    // One byte.
    flip(&job.path("grid-store/geoid.gtx"));
    let checked = job.run(&["grids", "check"], &[]);
    assert!(code(&checked) == 1 && find(&findings(&json(&checked)), "grids/changed").is_some());
}

#[test]
fn a_global_model_is_not_taken_for_a_national_one() {
    let job = Job::new();
    std::fs::rename(job.path("geoid.gtx"), job.path("local-egm96.gtx")).unwrap();
    job.edit("reference.yaml", "grid: geoid.gtx", "grid: local-egm96.gtx");
    let finding = job.stops("height/coarse-geoid", &[]);
    says(&finding, "what", &["good to decimetres", "0.010 m"]);
    job.edit("reference.yaml", "sigma_m: 0.01", "sigma_m: 0.6");
    // Said honestly it is a matter of the budget.
    let found = job.result(&[]).err().unwrap_or_default();
    assert!(find(&found, "height/coarse-geoid").is_none(), "{found:#?}");
}

fn by_hand(job: &Job, pipeline: &str, more: &str) {
    let path = job.path("reference.yaml");
    let text = std::fs::read_to_string(&path).unwrap();
    let text = text.split("operation:\n").next().unwrap().to_owned();
    let text = format!("{text}operation:\n  pipeline: {pipeline}\n  accuracy_m: 0.02\n  source: invented authority\n{more}");
    std::fs::write(path, text).unwrap();
}

#[test]
fn operations_written_by_hand_are_checked_like_others() {
    let job = Job::new();
    let steps = |grid: &str| {
        format!(
            "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=vgridshift +grids={grid} +multiplier=1 +step +proj=unitconvert +xy_in=rad +xy_out=deg"
        )
    };
    let area = "  area: { west: -89, south: 27, east: -86, north: 30 }\n";
    let checks = "  checks:\n    - { at: [28.4, -87.7, 10.0], gives: [28.4, -87.7, 10.25], tolerance_m: 0.002 }\n";
    by_hand(&job, &steps("shift.gtx"), &format!("{area}{checks}"));
    says(&job.stops("frame/grid-missing", &[]), "fix", &["gunter grids add shift.gtx"]);
    write_gtx(&job.path("shift.gtx"), 27.0, -89.0, 0.5, 7, 0.25);
    let want = job.result(&[]).unwrap();
    // No lock and no store: said, since nothing fixes the bytes.
    let answer = json(&job.run(&["check", "job.yaml"], &[]));
    assert!(find(&findings(&answer), "grids/unpinned").is_some());
    let plan = answer["plan"].to_string();
    assert!(plan.contains("grid `shift.gtx`") && plan.contains("inside the"), "no margin of the grid in the plan");
    for (pipeline, more, code) in [
        (steps("@shift.gtx"), format!("{area}{checks}"), "frame/bad-pipeline"),
        (steps("https://example.invalid/shift.gtx"), format!("{area}{checks}"), "frame/bad-pipeline"),
        (steps("shift.gtx"), format!("{}{checks}", area.replace("27", "29")), "frame/outside-area"),
        (steps("shift.gtx"), format!("{area}{}", checks.replace("10.25", "10.26")), "frame/pipeline-check"),
        ("+proj=axisswap +order=2,1".to_owned(), area.to_owned(), "frame/bad-pipeline"),
    ] {
        by_hand(&job, &pipeline, &more);
        job.stops(code, &[]);
    }
    by_hand(&job, &steps("shift.gtx"), "");
    let answer = json(&job.run(&["check", "job.yaml"], &[]));
    assert!(find(&findings(&answer), "frame/pipeline-unproved").is_some());
    // The matrix again, with a lock: the grid of an operation in place of a geoid.
    by_hand(&job, &steps("shift.gtx"), &format!("{area}{checks}"));
    assert_eq!(code(&job.run(&["lock", "job.yaml"], &[])), 0);
    let bad = job.path("poison");
    poison(&bad);
    let good = std::fs::read(job.path("shift.gtx")).unwrap();
    for state in ["present", "absent", "changed", "outside"] {
        match state {
            "absent" => std::fs::remove_file(job.path("shift.gtx")).unwrap(),
            "outside" => write_gtx(&job.path("shift.gtx"), 40.0, -89.0, 0.5, 7, 0.25),
            "changed" => write_gtx(&job.path("shift.gtx"), 27.0, -89.0, 0.5, 7, 0.26),
            _ => std::fs::write(job.path("shift.gtx"), &good).unwrap(),
        }
        for environment in environments(bad.to_str().unwrap()) {
            if state == "present" {
                assert_eq!(job.result(&environment).unwrap(), want, "{environment:?}");
            } else {
                let finding = job.stops("lock/grid-differs", &environment);
                if state == "changed" {
                    says(&finding, "size", &["0.010 m in height", "0 of 5 probe points agree"]);
                }
            }
        }
    }
}

/// An NTv2 grid of 7 by 7 nodes that moves everything by one shift (seconds north and west), as its format asks for it.
fn write_ntv2(path: &Path, south: f64, west: f64, step: f64, shift: (f32, f32)) {
    let mut bytes = vec![];
    let mut record = |key: &str, value: &[u8]| {
        bytes.extend(format!("{key:<8}").bytes());
        bytes.extend(value);
        bytes.extend(vec![0; 8 - value.len()]);
    };
    let seconds = |deg: f64| (deg * 3600.0).to_le_bytes();
    for (key, n) in [("NUM_OREC", 11_i32), ("NUM_SREC", 11), ("NUM_FILE", 1)] {
        record(key, &n.to_le_bytes());
    }
    for (key, text) in [("GS_TYPE", "SECONDS "), ("VERSION", "1       "), ("SYSTEM_F", "OLD     "), ("SYSTEM_T", "NEW     ")] {
        record(key, text.as_bytes());
    }
    for key in ["MAJOR_F", "MINOR_F", "MAJOR_T", "MINOR_T"] {
        record(key, &6_378_137.0_f64.to_le_bytes());
    }
    for (key, text) in [("SUB_NAME", "ALL     "), ("PARENT", "NONE    "), ("CREATED", "        "), ("UPDATED", "        ")] {
        record(key, text.as_bytes());
    }
    // Longitudes count to the west.
    let limits = [south, south + 6.0 * step, -(west + 6.0 * step), -west, step, step];
    for (key, v) in ["S_LAT", "N_LAT", "E_LONG", "W_LONG", "LAT_INC", "LONG_INC"].into_iter().zip(limits) {
        record(key, &seconds(v));
    }
    record("GS_COUNT", &49_i32.to_le_bytes());
    for _ in 0..49 {
        for v in [shift.0, shift.1, 0.0, 0.0] {
            bytes.extend(v.to_le_bytes());
        }
    }
    bytes.extend(b"END     \0\0\0\0\0\0\0\0");
    std::fs::write(path, bytes).unwrap();
}

/// One grid of a job in every state, with and without a lock, beside settings of other programs.
struct Matrix<'a> {
    /// The name that the operation gives.
    name: &'a str,
    /// The older name under which the registry takes it too.
    older: &'a str,
    /// Whether the format of the test's file is read under the new name too.
    both: bool,
    /// Writes it with the right values (0), with others (1), or elsewhere (2).
    write: &'a dyn Fn(&Path, u8),
    /// What stops the job when no file has either name, without a lock.
    missing: &'a str,
    /// What stops it when the grid does not reach the work, without a lock.
    outside: &'a str,
}

impl Matrix<'_> {
    fn hold(&self, job: &Job) {
        let bad = job.path("poison");
        poison(&bad);
        for name in [self.name, self.older] {
            (self.write)(&bad.join(name), 1);
            (self.write)(&bad.join("proj").join(name), 1);
        }
        std::fs::copy(bad.join("proj.ini"), job.path("proj.ini")).unwrap();
        let set = |name: &str, what: Option<u8>| {
            for name in [self.name, self.older] {
                let _ = std::fs::remove_file(job.path(name));
            }
            if let Some(what) = what {
                (self.write)(&job.path(name), what);
            }
        };
        let names = if self.both { vec![self.name, self.older] } else { vec![self.older] };
        set(names[0], Some(0));
        let want = job.result(&[]).unwrap();
        let answer = json(&job.run(&["check", "job.yaml"], &[]));
        let unpinned = find(&findings(&answer), "grids/unpinned").unwrap_or_else(|| panic!("nothing is said of an unpinned grid"));
        says(&unpinned, "fix", &["gunter lock JOB"]);
        for environment in environments(bad.to_str().unwrap()) {
            for name in &names {
                set(name, Some(0));
                assert_eq!(job.result(&environment).unwrap(), want, "{name} {environment:?}");
            }
            set(self.name, None);
            job.stops(self.missing, &environment);
            set(names[0], Some(2));
            job.stops(self.outside, &environment);
        }
        // A lock made with the file under its older name serves both names.
        set(self.older, Some(0));
        assert_eq!(code(&job.run(&["lock", "job.yaml"], &[])), 0);
        let lock = std::fs::read_to_string(job.path("job.lock.json")).unwrap();
        assert!(lock.contains(&format!("\"file\": \"{}\"", self.name)), "the lock has another name than the pipeline: {lock}");
        for environment in environments(bad.to_str().unwrap()) {
            for name in &names {
                set(name, Some(0));
                assert_eq!(job.result(&environment).unwrap(), want, "locked, {name} {environment:?}");
                for what in [1, 2] {
                    set(name, Some(what));
                    job.stops("lock/grid-differs", &environment);
                }
            }
            set(self.name, None);
            says(&job.stops("lock/grid-differs", &environment), "fix", &[self.older]);
        }
        // Another edition under the new name, the right one under the older: the digest decides.
        set(self.older, Some(0));
        (self.write)(&job.path(self.name), 1);
        assert_eq!(job.result(&[]).unwrap(), want);
    }
}

#[test]
fn grid_matrix_of_a_horizontal_shift_under_both_of_its_names() {
    let job = Job::new();
    let (name, older) = ("at_bev_AT_GIS_GRID.tif", "AT_GIS_GRID.gsb");
    let pipeline = format!(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=hgridshift +grids={name} +step +proj=unitconvert +xy_in=rad +xy_out=deg"
    );
    by_hand(&job, &pipeline, "  area: { west: -89, south: 27, east: -86, north: 30 }\n");
    let write = |path: &Path, what: u8| match what {
        0 => write_ntv2(path, 27.0, -89.0, 0.5, (0.01, -0.02)),
        1 => write_ntv2(path, 27.0, -89.0, 0.5, (0.01, -0.021)),
        _ => write_ntv2(path, 40.0, -89.0, 0.5, (0.01, -0.02)),
    };
    Matrix { name, older, both: true, write: &write, missing: "frame/grid-missing", outside: "frame/operation-fails" }.hold(&job);
}

/// The geoid leads to one datum, the delivery is in another, and the registry's operation between them reads a grid.
#[test]
fn grid_matrix_of_a_change_of_vertical_datum_under_both_of_its_names() {
    let job = Job::new();
    job.edit("reference.yaml", "datum: Trapshoal geoid datum", "datum: EPSG:5703");
    job.edit("reference.yaml", "      sigma_m: 0.01\n", "      sigma_m: 0.01\n      datum: EPSG:7968\n");
    let (name, older) = ("us_noaa_vertcone.tif", "vertcone.gtx");
    // The grid holds millimetres.
    let write = |path: &Path, what: u8| match what {
        0 => write_gtx(path, 27.0, -89.0, 0.5, 7, 250.0),
        1 => write_gtx(path, 27.0, -89.0, 0.5, 7, 260.0),
        _ => write_gtx(path, 40.0, -89.0, 0.5, 7, 250.0),
    };
    Matrix { name, older, both: false, write: &write, missing: "frame/grid-missing", outside: "height/no-datum-change" }.hold(&job);
}

#[test]
fn a_published_grid_with_other_bytes_is_stopped_without_any_pin() {
    let job = Job::new();
    // The name of a file whose digest this program knows, with values of our own.
    std::fs::rename(job.path("geoid.gtx"), job.path("us_noaa_g2018p0.tif")).unwrap();
    job.edit("reference.yaml", "grid: geoid.gtx", "grid: us_noaa_g2018p0.tif");
    let finding = job.stops("grids/other-bytes", &[]);
    says(&finding, "what", &["us_noaa_g2018p0.tif", "a654a89cfc0d220620cad4e41fc076f9b4ed6e46edbf2ce373f6a0e75746cee8"]);
    says(&finding, "fix", &["gunter grids add"]);
}

#[test]
fn a_geoid_under_its_older_name() {
    let job = Job::new();
    job.edit("reference.yaml", "datum: Trapshoal geoid datum", "datum: EPSG:5703");
    let want = job.result(&[]).unwrap();
    let good = std::fs::read(job.path("geoid.gtx")).unwrap();
    job.edit("reference.yaml", "grid: geoid.gtx", "grid: us_noaa_g2018u0.tif");
    says(&job.stops("height/geoid-missing", &[]), "fix", &["`g2018u0.gtx`, its older name"]);
    std::fs::rename(job.path("geoid.gtx"), job.path("g2018u0.gtx")).unwrap();
    let bad = job.path("poison");
    poison(&bad);
    std::fs::copy(bad.join("geoid.gtx"), bad.join("g2018u0.gtx")).unwrap();
    for locked in [false, true] {
        for environment in environments(bad.to_str().unwrap()) {
            assert_eq!(job.result(&environment).unwrap(), want, "locked: {locked}, {environment:?}");
        }
        assert_eq!(code(&job.run(&["lock", "job.yaml"], &[])), 0);
    }
    flip(&job.path("g2018u0.gtx"));
    job.stops("lock/grid-differs", &[]);
    std::fs::remove_file(job.path("g2018u0.gtx")).unwrap();
    job.stops("height/geoid-missing", &[]);
    // The right bytes in another folder, wrong ones beside the reference: the lock decides.
    std::fs::create_dir(job.path("grids")).unwrap();
    std::fs::write(job.path("grids/g2018u0.gtx"), &good).unwrap();
    write_gtx(&job.path("g2018u0.gtx"), 27.0, -89.0, 0.5, 7, -25.0);
    assert_eq!(job.result(&[]).unwrap(), want);
}
