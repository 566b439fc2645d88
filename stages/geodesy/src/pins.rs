//! Pipelines in the lock of a job: written down with their results, and held to them later.

use super::crs::block;
use super::grid_lookup;
use super::proj_context::ProjContext;
use crate::grids::ChosenGrid;
use pipeline_base::pin::{GivesIn, Locked, Pin, PinnedGrid, Probe, ProbeAt, SAME_M};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Epoch;
use std::path::PathBuf;

/// A pipeline to be written down.
pub struct Pipeline<'a> {
    /// Which of the step's pipelines.
    pub part: &'a str,
    /// Name.
    pub name: &'a str,
    /// What it starts from.
    pub from: &'a str,
    /// What it leads to.
    pub to: &'a str,
    /// Text.
    pub text: &'a str,
    /// Stated accuracy, m.
    pub accuracy_m: Option<f64>,
    /// Files that it reads.
    pub files: &'a [ChosenGrid],
    /// Unit of the horizontal numbers that come out.
    pub gives_in: GivesIn,
    /// When it is evaluated.
    pub time: Epoch,
}

/// Opens a context on exactly these files.
///
/// # Errors
/// When the library cannot start.
pub fn proj(files: &[ChosenGrid]) -> Result<ProjContext, Problem> {
    let files: Vec<(String, PathBuf)> = files.iter().map(|f| (f.name.clone(), f.path.clone())).collect();
    ProjContext::exactly(&files).map_err(|e| block("frame/library", e).fix("install the program again; its geodesy library does not work"))
}

impl Pipeline<'_> {
    /// Its pin with results at some points.
    ///
    /// # Errors
    /// `lock/no-result` when it gives nothing at a point.
    pub fn pin(&self, probes: &[ProbeAt]) -> Result<Pin, Problem> {
        let at: Vec<ProbeAt> = probes
            .iter()
            .map(|p| ProbeAt {
                year: match self.time {
                    Epoch::Static => None,
                    Epoch::Fixed(year) => Some(year),
                    Epoch::EachObservation => p.year,
                },
                ..*p
            })
            .collect();
        let probes = results(self.text, self.files, self.gives_in, &at).map_err(|(at, why)| {
            block("lock/no-result", format!("`{}` gives no result at {:.6} {:.6}: {why}", self.name, at.latitude_deg, at.longitude_deg))
                .size("no coordinates there")
                .why("a lock proves itself at the middle and the corners of the area of the job, at least 200 m wide")
                .fix("use an operation and grids that cover the whole area of the job")
        })?;
        Ok(Pin {
            step: String::new(),
            part: self.part.to_owned(),
            name: self.name.to_owned(),
            from: self.from.to_owned(),
            to: self.to.to_owned(),
            pipeline: self.text.to_owned(),
            accuracy_m: self.accuracy_m,
            grids: self.files.iter().map(|f| PinnedGrid { file: f.name.clone(), sha256: f.sha256.clone() }).collect(),
            gives_in: self.gives_in,
            probes,
        })
    }
}

/// What a pipeline gives at some points.
fn results(text: &str, files: &[ChosenGrid], gives_in: GivesIn, at: &[ProbeAt]) -> Result<Vec<Probe>, (ProbeAt, String)> {
    let Some(first) = at.first() else { return Ok(vec![]) };
    let proj = proj(files).map_err(|p| (*first, p.finding.what.clone()))?;
    let object = proj.create(text).map_err(|e| (*first, e))?;
    at.iter()
        .map(|p| {
            let out = object.carry([p.longitude_deg, p.latitude_deg, p.height_m, p.year.unwrap_or(f64::INFINITY)]).map_err(|e| (*p, e))?;
            Ok(Probe { at: *p, gives: gives_in.rounded(out) })
        })
        .collect()
}

/// How results differ from those of a pin: agreeing points, worst horizontal and vertical distance (m), the worst
/// point.
struct Compared<'p> {
    agree: usize,
    horizontal_m: f64,
    up_m: f64,
    worst: Option<(&'p Probe, [f64; 3])>,
}

fn compare<'p>(pin: &'p Pin, now: &[Probe]) -> Compared<'p> {
    let mut all = Compared { agree: 0, horizontal_m: 0.0, up_m: 0.0, worst: None };
    let mut most = 0.0;
    for (then, now) in pin.probes.iter().zip(now) {
        let (h, v) = pin.gives_in.distance(then.gives, now.gives);
        if h < SAME_M && v < SAME_M {
            all.agree += 1;
        }
        all.horizontal_m = all.horizontal_m.max(h);
        all.up_m = all.up_m.max(v);
        if h.max(v) > most {
            most = h.max(v);
            all.worst = Some((then, now.gives));
        }
    }
    all
}

impl Compared<'_> {
    fn size(&self, of: usize) -> String {
        format!(
            "this machine would differ by up to {:.3} m horizontally and {:.3} m in height; {} of {of} probe points agree",
            self.horizontal_m, self.up_m, self.agree
        )
    }
}

/// Versions of the geodesy library and of its registry, in words.
#[must_use]
pub fn versions() -> (String, String) {
    ProjContext::new(&[]).map(|d| d.versions()).map_or_else(|_| Default::default(), |(l, r)| (format!("PROJ {l}"), format!("EPSG {r}")))
}

const FIX: &str = "use the program and the grids of the lock (they are named in it); or, if the change is meant, accept it with `gunter lock JOB --accept`, which prints the difference, and deliver again";

/// Holds a pinned pipeline to the step (what it leads from and to) and to this machine: every grid by its digest, every
/// probe point by its result. Gives the files that it must be opened with.
///
/// # Errors
/// `lock/stale`, `lock/grid-differs`, `lock/differs`.
pub fn hold(
    locked: Locked,
    pin: &Pin,
    (from, to): (&str, &str),
    folders: &[PathBuf],
    place: Option<Locality>,
) -> Result<Vec<ChosenGrid>, Problem> {
    if pin.from != from || pin.to != to {
        return Err(block(
            "lock/stale",
            format!("the lock leads from `{}` to `{}`; this step leads from `{from}` to `{to}`", pin.from, pin.to),
        )
        .size("the difference between the two systems, centimetres to metres")
        .why("the lock was made for other systems")
        .fix("make the lock again: `gunter lock JOB`"));
    }
    let mut files = vec![];
    let mut wrong = vec![];
    for grid in &pin.grids {
        match grid_lookup::pick(&grid.file, Some(&grid.sha256), folders, place)? {
            None => wrong.push(format!("the grid `{}` is not on this machine", grid.file)),
            Some(found) => {
                if found.sha256 != grid.sha256 {
                    wrong.push(format!("the grid `{}` has sha256 `{}`", grid.file, found.sha256));
                }
                files.push(found);
            }
        }
    }
    let at: Vec<ProbeAt> = pin.probes.iter().map(|p| p.at).collect();
    let now = results(&pin.pipeline, &files, pin.gives_in, &at);
    if !wrong.is_empty() {
        let wanted: Vec<String> = pin.grids.iter().map(|g| format!("`{}` with sha256 `{}`", g.file, g.sha256)).collect();
        let size = match &now {
            Ok(now) if files.len() == pin.grids.len() => compare(pin, now).size(pin.probes.len()),
            _ => "no result at all on this machine; another operation in its place would be wrong by an unknown amount".to_owned(),
        };
        let how: Vec<String> =
            pin.grids.iter().filter(|g| !files.iter().any(|f| f.name == g.file)).map(|g| super::packages::how_to_get(&g.file)).collect();
        let how = if how.is_empty() { String::new() } else { format!("; {}", how.join("; ")) };
        return Err(block("lock/grid-differs", format!("{}; the lock was made with {}", wrong.join("; "), wanted.join(", ")))
            .size(size)
            .why(format!("`{}` of the lock reads these grids, and their bytes decide the coordinates", pin.name))
            .fix(format!("{FIX}{how}")));
    }
    let (library, registry) = versions();
    let differs = |what: String| {
        block("lock/differs", what)
            .why(format!(
                "the lock was made with {}, {}, {}; this is {library}, {registry}: the same text means something else now",
                locked.made_with.program, locked.made_with.library, locked.made_with.registry
            ))
            .fix(FIX)
    };
    let now = now.map_err(|(_, why)| {
        differs(format!("the locked pipeline of `{}` cannot be used on this machine: {why}", pin.name))
            .size("no result at all on this machine; another operation in its place would be wrong by an unknown amount")
    })?;
    let compared = compare(pin, &now);
    if compared.agree < pin.probes.len() || pin.probes.is_empty() {
        let what = compared.worst.map_or_else(
            || "the lock has no probe points".to_owned(),
            |(then, now)| {
                format!(
                    "replay does not match the locked result: at {:.6} {:.6} the lock has `{}`, this machine gives `{}`",
                    then.at.latitude_deg,
                    then.at.longitude_deg,
                    pin.gives_in.shown(then.gives),
                    pin.gives_in.shown(now)
                )
            },
        );
        return Err(differs(format!("{what} (`{}` from `{}` to `{}`)", pin.name, pin.from, pin.to)).size(compared.size(pin.probes.len())));
    }
    Ok(files)
}

/// What this machine would choose by itself, when that is another pipeline than the locked one
/// (`lock/other-choice`).
#[must_use]
pub fn other_choice(pin: &Pin, name: &str, text: &str, files: &[ChosenGrid]) -> Option<Problem> {
    if text == pin.pipeline {
        return None;
    }
    let at: Vec<ProbeAt> = pin.probes.iter().map(|p| p.at).collect();
    let size = match results(text, files, pin.gives_in, &at) {
        Ok(now) => compare(pin, &now).size(pin.probes.len()),
        Err((_, why)) => format!("unknown in m: it gives no result at a probe point ({why})"),
    };
    let (library, registry) = versions();
    let mut problem = Problem::from(pipeline_base::diag::Diagnostic::new(
        "lock/other-choice",
        pipeline_base::diag::Verdict::Warn,
        format!(
            "this machine ({library}, {registry}) would choose `{name}` from `{}` to `{}`; the locked `{}` is used",
            pin.from, pin.to, pin.name
        ),
    ));
    problem = problem
        .size(size)
        .why("registry and library change from year to year; a lock keeps the answer of its day")
        .fix("nothing, to deliver as before; to take the new choice, `gunter lock JOB --accept` prints the difference");
    Some(problem)
}

#[cfg(test)]
mod tests {
    use super::*;
    use pipeline_base::pin::MadeWith;
    use pipeline_base::place::Extent;

    fn helmert(dx: f64) -> String {
        format!(
            "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=push +v_3 +step +proj=cart +ellps=GRS80 +step +proj=helmert +x={dx} +step +inv +proj=cart +ellps=GRS80 +step +proj=pop +v_3 +step +proj=unitconvert +xy_in=rad +xy_out=deg"
        )
    }

    #[test]
    fn a_pipeline_is_held_to_its_results() {
        let text = helmert(100.0);
        let pipeline = Pipeline {
            part: "operation",
            name: "x",
            from: "EPSG:4283",
            to: "EPSG:4326",
            text: &text,
            accuracy_m: Some(1.0),
            files: &[],
            gives_in: GivesIn::Degree,
            time: Epoch::Static,
        };
        let pin = pipeline.pin(&Extent::at(-22.592_59, 119.140_005, Some(10.0), Some(2020.0)).probes()).unwrap();
        let made_with = MadeWith { program: "p".into(), library: "PROJ 9.0".into(), registry: "EPSG v10.008".into() };
        let pins = [pin.clone()];
        let locked = Locked { made_with: &made_with, pins: &pins };
        let ways = ("EPSG:4283", "EPSG:4326");
        assert!(hold(locked, &pin, ways, &[], None).unwrap().is_empty());
        assert_eq!(hold(locked, &pin, ("EPSG:4283", "EPSG:7844"), &[], None).unwrap_err().finding.code, "lock/stale");
        assert!(other_choice(&pin, "x", &text, &[]).is_none());
        // Another year, another meaning: 2 m along X is 2 sin(longitude) east.
        let later = Pin { pipeline: helmert(102.0), ..pin.clone() };
        let said = hold(locked, &later, ways, &[], None).unwrap_err();
        assert_eq!(said.finding.code, "lock/differs");
        assert!(said.finding.size.contains("0 of 5 probe points agree") && said.finding.why.contains("v10.008"), "{:?}", said.finding);
        let said = other_choice(&pin, "y", &later.pipeline, &[]).unwrap();
        assert!(said.finding.size.contains("1.7") || said.finding.size.contains("1.8"), "{}", said.finding.size);
        let said = hold(locked, &Pin { pipeline: "+proj=nonsense".into(), ..pin }, ways, &[], None).unwrap_err();
        assert_eq!(said.finding.code, "lock/differs");
    }
}
