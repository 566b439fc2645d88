//! PROJ's regression files and the GIGS files through the context: the library that was built here, with the registry that it
//! carries, gives what its makers published.

use super::gie::{Step, read};
use super::ledger::Line;
use crate::fixture::shared;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use survey_geodesy::proj_context::{Object, ProjContext};

/// Names that the files have for PROJ's error numbers (`proj.h`).
const CODES: [(&str, i32); 17] = [
    ("invalid_op", 1024),
    ("invalid_op_wrong_syntax", 1025),
    ("invalid_op_missing_arg", 1026),
    ("invalid_op_illegal_arg_value", 1027),
    ("invalid_op_mutually_exclusive_args", 1028),
    ("invalid_op_file_not_found_or_invalid", 1029),
    ("coord_transfm", 2048),
    ("coord_transfm_invalid_coord", 2049),
    ("coord_transfm_outside_projection_domain", 2050),
    ("coord_transfm_no_operation", 2051),
    ("coord_transfm_outside_grid", 2052),
    ("coord_transfm_grid_at_nodata", 2053),
    ("coord_transfm_no_convergence", 2054),
    ("coord_transfm_missing_time", 2055),
    ("other", 4096),
    ("other_api_misuse", 4097),
    ("other_no_inverse_op", 4098),
];
const FILE_NOT_FOUND: i32 = 1029;

/// Cases that the library of this build cannot meet: what the operation contains, a number that goes in where only some points
/// are meant, the reason.
const LATER: &str = "the method or its formula is newer than PROJ 9.6.2";
const COARSE: &str = "made with a thinned grid that PROJ calls egm96_15.gtx in its tests";
/// `gridshift.cpp` of 9.6.2 keeps the type of the grid that one point needed for all that follow; see `pipeline::forgetful`.
const FORGETS: &str = "the library forgets a grid of heights after the first point; the product refuses such lists of grids";
const KNOWN: [(&str, Option<f64>, &str); 13] = [
    ("conus_extract.tif,tests/us_noaa_nadcon5", Some(61.5), FORGETS),
    ("+proj=tsea", None, LATER),
    ("+proj=dsea", None, LATER),
    ("+proj=ivea", None, LATER),
    ("+proj=hourglass", None, LATER),
    ("+proj=isea +R=6371007.18091875 +lat_0=49", None, LATER),
    ("+proj=eqc +ellps=WGS84", None, LATER),
    ("+proj=cea +ellps=GRS80", Some(16_697_923.619_0), LATER),
    ("+proj=laea +ellps=GRS80", Some(4_372_597.188_8), LATER),
    ("+proj=tmerc +R=1737400", None, LATER),
    ("geoidgrids=egm96_15.gtx", None, COARSE),
    ("+z_grids=egm96_15.gtx", None, COARSE),
    ("+grids=egm96_15.gtx", None, COARSE),
];

/// What became of the cases of a file.
#[derive(Default, Debug)]
pub(super) struct Tally {
    pub passed: usize,
    /// Largest share of its tolerance that a case used.
    pub worst: f64,
    pub failed: Vec<String>,
    /// Reasons with their counts.
    pub skipped: BTreeMap<String, usize>,
}

struct Player<'d> {
    proj: &'d ProjContext,
    file: &'d str,
    definition: String,
    object: Option<Result<Object<'d>, i32>>,
    tolerance: f64,
    forward: bool,
    accepted: Vec<f64>,
    tally: Tally,
}

fn filled(numbers: &[f64]) -> [f64; 4] {
    std::array::from_fn(|i| numbers.get(i).copied().unwrap_or(0.0))
}

impl Player<'_> {
    /// Degrees to radians on the axes that are angles; `axis=` may order them otherwise.
    fn turned(&self, mut v: [f64; 4], radians: bool, other_order: bool) -> [f64; 4] {
        let named = self.definition.split(['+', ' ']).find_map(|w| w.strip_prefix("axis=")).filter(|_| other_order);
        for (i, letter) in named.unwrap_or("enut").chars().take(4).enumerate() {
            if radians && "news".contains(letter) {
                v[i] = v[i].to_radians();
            }
        }
        v
    }

    fn skip(&mut self, reason: String) {
        *self.tally.skipped.entry(reason).or_default() += 1;
    }

    fn fail(&mut self, at: usize, what: &str) {
        let known = |k: &(&str, Option<f64>, &str)| self.definition.contains(k.0) && k.1.is_none_or(|n| self.accepted.contains(&n));
        if let Some((_, _, reason)) = KNOWN.iter().find(|k| known(k)) {
            self.skip((*reason).to_owned());
            return;
        }
        self.tally.failed.push(format!("{}:{at} `{}`: {what}", self.file, self.definition));
    }

    /// The operation, unless it cannot be made.
    fn ready(&mut self, at: usize) -> bool {
        match &self.object {
            Some(Ok(_)) => true,
            Some(Err(FILE_NOT_FOUND)) => {
                self.skip("needs a grid that ../shared does not hold".to_owned());
                false
            }
            Some(Err(code)) => {
                let text = self.proj.says(*code);
                self.fail(at, &format!("cannot be made: {text}"));
                false
            }
            None => false,
        }
    }

    fn expect(&mut self, at: usize, want: &[f64]) {
        if !self.ready(at) {
            return;
        }
        let Some(Ok(object)) = &self.object else { return };
        let (radians_in, radians_out) = object.radians(self.forward);
        let start = self.turned(filled(&self.accepted), radians_in, !self.forward);
        let (mut got, _) = object.trans(self.forward, start);
        let carried = [got[0], got[1], got[2]];
        let by_the_door = if self.forward && got[..3].iter().all(|v| v.is_finite()) {
            // What the product itself calls must be the same to the last bit.
            Some(object.carry(start))
        } else {
            None
        };
        if !got[0].is_finite() && !want.is_empty() && object.grids().iter().any(|g| !g.found) {
            self.skip("needs a grid that ../shared does not hold".to_owned());
            return;
        }
        got.iter_mut().skip(want.len()).for_each(|v| *v = 0.0);
        let want = self.turned(filled(want), radians_out, self.forward);
        let off = if got[0].is_nan() && want[0].is_nan() {
            0.0
        } else if radians_out {
            object.distance(want, got)
        } else {
            (0..3).map(|i| (got[i] - want[i]).powi(2)).sum::<f64>().sqrt()
        };
        if by_the_door.as_ref().is_some_and(|d| *d != Ok(carried)) {
            self.fail(at, &format!("the door gives {by_the_door:?} in place of {carried:?}"));
        } else if off <= self.tolerance || got == want {
            self.tally.passed += 1;
            if off.is_finite() && self.tolerance > 0.0 {
                self.tally.worst = self.tally.worst.max(off / self.tolerance);
            }
        } else {
            let tolerance = self.tolerance;
            self.fail(at, &format!("{got:?} in place of {want:?}, {off} m, tolerance {tolerance} m"));
        }
    }

    fn failure(&mut self, at: usize, name: Option<&str>) {
        let code = match &self.object {
            Some(Err(code)) => Some(*code),
            Some(Ok(object)) => {
                let start = self.turned(filled(&self.accepted), object.radians(self.forward).0, !self.forward);
                let (out, code) = object.trans(self.forward, start);
                // The product refuses what is no number, whatever PROJ calls it.
                (!out[0].is_finite()).then_some(code)
            }
            None => None,
        };
        let wanted = name.and_then(|n| CODES.iter().find(|c| c.0 == n)).map(|c| c.1);
        match (code, wanted) {
            (None, _) => self.fail(at, "a result where none may come out"),
            (Some(got), Some(want)) if got != want => {
                let text = self.proj.says(got);
                self.fail(at, &format!("refused for another reason: {text}"));
            }
            _ => self.tally.passed += 1,
        }
    }

    fn round_trip(&mut self, at: usize, times: i32, tolerance: Option<f64>) {
        if !self.ready(at) {
            return;
        }
        let Some(Ok(object)) = &self.object else { return };
        let start = self.turned(filled(&self.accepted), object.radians(self.forward).0, !self.forward);
        let off = object.there_and_back(self.forward, times, start);
        let tolerance = tolerance.unwrap_or(self.tolerance);
        if off <= tolerance || (off.is_nan() && tolerance.is_nan()) {
            self.tally.passed += 1;
            self.tally.worst = self.tally.worst.max(off / tolerance);
        } else {
            self.fail(at, &format!("{off} m after {times} times there and back, tolerance {tolerance} m"));
        }
    }
}

/// Runs one file.
pub(super) fn play(file: &str, text: &str, folders: &[PathBuf]) -> Tally {
    let proj = ProjContext::new(folders).unwrap();
    let mut p = Player {
        proj: &proj,
        file,
        definition: String::new(),
        object: None,
        tolerance: 5e-4,
        forward: true,
        accepted: vec![],
        tally: Tally::default(),
    };
    for (at, step) in read(text) {
        match step {
            Step::Operation(definition) => {
                p.object = Some(proj.create_or_code(&definition));
                (p.definition, p.tolerance, p.forward) = (definition, 5e-4, true);
            }
            Step::Accept(numbers) => p.accepted = numbers,
            Step::Expect(numbers) => p.expect(at, &numbers),
            Step::Failure(name) => p.failure(at, name.as_deref()),
            Step::RoundTrip(times, tolerance) => p.round_trip(at, times, tolerance),
            Step::Tolerance(metres) => p.tolerance = metres,
            Step::Forward(forward) => p.forward = forward,
            Step::Init(yes) => proj.expand_init(yes),
            Step::Unknown(line) => p.skip(format!("a command that the reader does not know: {line}")),
        }
    }
    p.tally
}

/// Folders in which the files look for grids; some say `tests/` before the name.
fn folders() -> Option<(tempfile::TempDir, Vec<PathBuf>)> {
    let (small, large) = (shared("data/reference_values/proj_test_grids")?, shared("data/grids")?);
    let home = tempfile::tempdir().unwrap();
    let tests = home.path().join("tests");
    std::fs::create_dir(&tests).unwrap();
    for entry in std::fs::read_dir(&small).unwrap() {
        let path = entry.unwrap().path();
        if path.is_file() {
            std::fs::copy(&path, tests.join(path.file_name().unwrap())).unwrap();
        }
    }
    let all = vec![home.path().to_owned(), tests, small, large];
    Some((home, all))
}

fn tallies(folder: &str, ending: &str) -> Vec<(String, Tally)> {
    let (Some(path), Some((_home, folders))) = (shared(&format!("data/reference_values/{folder}")), folders()) else { return vec![] };
    let mut files: Vec<PathBuf> = std::fs::read_dir(path).unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    let name = |p: &Path| p.file_name().unwrap().to_string_lossy().into_owned();
    files
        .iter()
        .filter(|p| name(p).ends_with(ending))
        .map(|p| (name(p), play(&name(p), &std::fs::read_to_string(p).unwrap(), &folders)))
        .collect()
}

pub(super) static FILES: LazyLock<Vec<(String, Tally)>> = LazyLock::new(|| {
    let mut all = tallies("gie", ".gie");
    all.extend(tallies("gigs", ".gie").into_iter().map(|(name, t)| (format!("GIGS {name}"), t)));
    all
});

pub(super) fn lines() -> Vec<Line> {
    let line = |(name, t): &(String, Tally)| {
        let skipped: usize = t.skipped.values().sum();
        Line {
            system: format!("library: `{name}`"),
            source: if skipped == 0 {
                "PROJ regression file".to_owned()
            } else {
                format!("PROJ regression file; {skipped} cases not counted")
            },
            through: "door".to_owned(),
            points: t.passed,
            worst: t.worst,
            unit: "of each tolerance",
            tolerance: 1.0,
        }
    };
    FILES.iter().filter(|f| f.1.passed > 0).map(line).collect()
}

/// Cases that do not count, reason by reason.
pub(super) fn not_counted() -> BTreeMap<String, usize> {
    let mut all = BTreeMap::new();
    for (reason, n) in FILES.iter().flat_map(|f| &f.1.skipped) {
        *all.entry(reason.clone()).or_default() += n;
    }
    all
}

#[test]
fn regression_files_of_the_library() {
    let mut failed = vec![];
    for (name, tally) in FILES.iter() {
        eprintln!("{name}: {} passed, worst {:.2} of its tolerance, skipped {:?}", tally.passed, tally.worst, tally.skipped);
        failed.extend(tally.failed.iter().cloned());
    }
    assert!(failed.is_empty(), "{}:\n{}", failed.len(), failed.join("\n"));
    let passed: usize = FILES.iter().map(|f| f.1.passed).sum();
    assert!(FILES.is_empty() || passed > 4000, "{passed}");
    let reasons = not_counted();
    eprintln!("{passed} passed, not counted: {reasons:#?}");
}

#[test]
fn excuses_are_needed() {
    if FILES.is_empty() {
        return;
    }
    let excused = |k: &(&str, Option<f64>, &str)| FILES.iter().any(|f| f.1.skipped.contains_key(k.2));
    assert!(KNOWN.iter().all(excused));
}

#[test]
fn published_values_that_the_library_does_not_meet_are_known() {
    // The makers of PROJ keep these files apart; how many cases of each are met is held here, so that a change is seen.
    for (name, tally) in tallies("gigs", ".failing") {
        eprintln!("{name}: {} passed, {} not met, skipped {:?}", tally.passed, tally.failed.len(), tally.skipped);
        assert!(!tally.failed.is_empty(), "{name} passes now; count it with the others");
    }
}
