//! What it would take to bring old deliveries to another reference. A report and nothing else: no file is
//! changed, and no coordinate leaves it as a delivery.

mod needs;
mod text;

use super::delivered::{self, Delivered, Point, STATEMENT};
use super::way::{self, Official, Ways};
use needs::Heights;
use pipeline_base::diag::Diagnostic;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::schema::Epoch;
use serde::Serialize;
use serde_json::Value;
use std::path::{Path, PathBuf};
use survey_geodesy::area::Area;
use survey_geodesy::crs::{Crs, define, open};
use survey_geodesy::grids;
use survey_geodesy::ground;
use survey_geodesy::operation::request::shift;
use survey_geodesy::proj_context::{Object, ProjContext};

/// What can be done with a delivery.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// It is in the reference already.
    Nothing,
    /// One official operation brings it there, and all that it needs is here.
    Restate,
    /// One official operation would, and something is missing on this machine.
    Fetch,
    /// It must be computed again from its raw logs.
    Recompute,
    /// No official operation exists yet, neither from the delivery nor from its raw logs.
    Wait,
    /// The record or its files cannot be trusted or read.
    Unreadable,
}

/// How far points move, m.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Range {
    /// Smallest.
    pub smallest: f64,
    /// Mean.
    pub mean: f64,
    /// Largest.
    pub largest: f64,
}

impl Range {
    fn of(values: impl Iterator<Item = f64>) -> Option<Self> {
        let (mut n, mut sum, mut low, mut high) = (0_u32, 0.0, f64::INFINITY, f64::NEG_INFINITY);
        for v in values {
            n += 1;
            sum += v;
            low = low.min(v);
            high = high.max(v);
        }
        (n > 0).then(|| Self { smallest: low, mean: sum / f64::from(n), largest: high })
    }
}

/// How far one point would move.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Move {
    /// Its name.
    pub point: String,
    /// Horizontally, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub horizontal_m: Option<f64>,
    /// Delivered height, up, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub up_m: Option<f64>,
}

/// The report on one record.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Report {
    /// The record, as it was named.
    pub record: String,
    /// Name of the job.
    pub job: String,
    /// What can be done.
    pub verdict: Verdict,
    /// Why, and what it needs, in plain words.
    pub reasons: Vec<String>,
    /// Delivered file that was read.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
    /// Where it is: horizontal system, epoch, heights.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Official operations and chains of the registry from its frame to the frame of the reference.
    pub ways: Ways,
    /// The operation that would be used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub operation: Option<Official>,
    /// How far the points move horizontally.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub horizontal_m: Option<Range>,
    /// How far the delivered heights move.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub up_m: Option<Range>,
    /// Every point.
    pub points: Vec<Move>,
    /// Raw logs with digests: what a computation from the beginning needs.
    pub raw_logs: Vec<String>,
    /// What could not be read.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Diagnostic>,
}

/// All reports.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Restatement {
    /// Version of the format: 1.
    pub restate: u32,
    /// Name of the reference.
    pub to: String,
    /// Where it leads: horizontal system, epoch, heights.
    pub target: String,
    /// Library and registry.
    pub library: String,
    /// One for each record.
    pub records: Vec<Report>,
}

/// Where the deliveries would go.
pub(crate) struct Target<'d> {
    reference: &'d Reference,
    /// Its horizontal system: code or WKT.
    text: String,
    /// The name of it.
    name: String,
    object: Object<'d>,
    /// Its geographic 3D frame.
    crs: Crs,
    title: String,
    epoch: Option<Epoch>,
    folders: Vec<PathBuf>,
}

/// Plans the restatement of some records.
///
/// # Errors
/// When the reference itself cannot be used. Records that cannot be read are reported, not errors.
pub fn restate(reference: &Reference, records: &[(String, PathBuf)]) -> Result<Restatement, Problem> {
    let folders = grids::folders(&reference.folder);
    let proj = open(&folders)?;
    let text = survey_geodesy::compound::parts(&ground::delivery_crs(reference)?)?.horizontal;
    let crs = Crs::look_up(&text)?;
    let frame = delivered::frame_below(&text).ok_or_else(|| {
        Problem::new("frame/not-horizontal", format!("{} has no geographic system below it", crs.title())).reference_key("delivery.crs")
    })?;
    let object = define(&proj, &frame)?;
    let base = Crs::of(&frame, &object);
    let epoch = reference.delivery.epoch.map(Epoch::from);
    if base.dynamic && epoch.is_none() {
        return Err(Problem::new(
            "frame/no-epoch",
            format!("{} is a frame in which points move, and the reference gives no epoch for the delivery", base.title()),
        )
        .reference_key("delivery.epoch")
        .fix("set `delivery.epoch`"));
    }
    let heights = &reference.delivery.heights;
    let surface = match (&heights.datum, &heights.geoid) {
        (Some(datum), Some(geoid)) => format!("heights above {datum} by {} {}", geoid.model, geoid.version),
        _ => "ellipsoidal heights".to_owned(),
    };
    let title = format!("{}, {}, {surface}", crs.title(), epoch_words(epoch.filter(|_| base.dynamic)));
    let (library, registry) = proj.versions();
    let target = Target { reference, text, name: crs.name.clone(), object, crs: base, title, epoch, folders };
    let reports = records.iter().map(|(name, path)| one(&proj, &target, name, path)).collect();
    Ok(Restatement {
        restate: 1,
        to: reference.name.clone(),
        target: target.title.clone(),
        library: format!("PROJ {library}, EPSG {registry}"),
        records: reports,
    })
}

fn epoch_words(epoch: Option<Epoch>) -> String {
    match epoch {
        None | Some(Epoch::Static) => "no epoch".to_owned(),
        Some(Epoch::Fixed(year)) => format!("epoch {year}"),
        Some(Epoch::EachObservation) => "each observation's own epoch".to_owned(),
    }
}

fn empty(record: &str) -> Report {
    Report {
        record: record.to_owned(),
        job: String::new(),
        verdict: Verdict::Unreadable,
        reasons: vec![],
        file: None,
        from: None,
        ways: Ways::default(),
        operation: None,
        horizontal_m: None,
        up_m: None,
        points: vec![],
        raw_logs: vec![],
        findings: vec![],
    }
}

fn one(proj: &ProjContext, target: &Target, name: &str, path: &Path) -> Report {
    let mut report = empty(name);
    let old = match open_record(path, name, &mut report) {
        Ok(old) => old,
        Err(problem) => {
            report.reasons.push(problem.finding.what.clone());
            report.findings.push(*problem.finding);
            return report;
        }
    };
    let surface = match &old.delivered.surface.datum {
        None => "ellipsoidal heights".to_owned(),
        Some(datum) => format!("heights above {datum} by {}", old.delivered.surface.model),
    };
    report.from = Some(format!("{}, {}, {surface}", old.delivered.crs_name, epoch_words(Some(old.delivered.epoch))));
    if let Err(problem) = plan(proj, target, &old, &mut report) {
        report.verdict = Verdict::Unreadable;
        report.reasons.push(problem.finding.what.clone());
        report.findings.push(*problem.finding);
    }
    report
}

/// An old delivery with the reference of its job.
pub(crate) struct Old {
    delivered: Delivered,
    reference: Option<Reference>,
}

/// Reads a record, and its first delivered table whose bytes are still those of the record.
fn open_record(path: &Path, name: &str, report: &mut Report) -> Result<Old, Problem> {
    let wrong = |what: String| {
        Problem::from(
            Diagnostic::new("archive/unreadable", pipeline_base::diag::Verdict::Block, what)
                .label(pipeline_base::diag::Label::file(name, "this record"))
                .fix("name the `record.json` of a run"),
        )
    };
    let path = if path.is_dir() { path.join("record.json") } else { path.to_owned() };
    let text = std::fs::read_to_string(&path).map_err(|e| pipeline_base::input::unreadable(name, &e))?;
    let record: Value = serde_json::from_str(&text).map_err(|e| wrong(format!("`{name}` is no record: {e}")))?;
    let decided = record.get("decided").filter(|_| record.get("record").and_then(Value::as_u64) == Some(1));
    let decided = decided.ok_or_else(|| wrong(format!("`{name}` is no record that this program reads")))?;
    let said = |pointer: &str| decided.pointer(pointer).and_then(Value::as_str).unwrap_or_default().to_owned();
    report.job = said("/plan/job");
    for material in decided.get("materials").and_then(Value::as_array).into_iter().flatten() {
        let field = |key: &str| material.get(key).and_then(Value::as_str).unwrap_or_default();
        if matches!(field("role"), "log" | "stream" | "notes") {
            report.raw_logs.push(format!("{} (sha256 {})", field("name"), field("sha256")));
        }
    }
    if said("/result") != "done" {
        return Err(wrong(format!("the run of `{name}` failed and delivered nothing")));
    }
    let products: Vec<(&str, &str)> = decided
        .get("products")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .filter_map(|p| Some((p.get("name")?.as_str()?, p.get("sha256")?.as_str()?)))
        .collect();
    let folder = path.parent().unwrap_or(Path::new("."));
    let mut last = None;
    for (file, digest) in &products {
        let statement = format!("{file}{STATEMENT}");
        let Some((_, statement_digest)) = products.iter().find(|(n, _)| *n == statement) else { continue };
        if !Path::new(file).extension().is_some_and(|e| e.eq_ignore_ascii_case("csv"))
            || Path::new(file).is_absolute()
            || file.contains("..")
        {
            continue;
        }
        match delivered::read(&folder.join(file), file, Some((digest, statement_digest))) {
            Ok(delivered) => {
                report.file = Some((*file).to_owned());
                let reference = decided.pointer("/plan/reference").cloned().and_then(|v| serde_json::from_value(v).ok());
                return Ok(Old { delivered, reference });
            }
            Err(problem) => last = Some(problem),
        }
    }
    Err(last.unwrap_or_else(|| {
        wrong(format!("`{name}` delivered no CSV file with a statement of reference"))
            .fix("add `export-csv` to the job and run it again; the other formats cannot be restated from")
    }))
}

/// Decides what can be done, and fills in the moves.
fn plan(proj: &ProjContext, target: &Target, old: &Old, report: &mut Report) -> Result<(), Problem> {
    let delivered = &old.delivered;
    if delivered.without_position > 0 {
        report.reasons.push(format!("{} delivered rows have no position; they need their raw logs", delivered.without_position));
    }
    let Some(place) = needs::middle(&delivered.points) else {
        report.verdict = Verdict::Recompute;
        return Ok(());
    };
    let grid = Crs::look_up(&target.text)?;
    if let Some(area) = grid.area.as_ref().filter(|a| !a.contains(place.0, place.1)) {
        report.verdict = Verdict::Wait;
        report.reasons.push(survey_geodesy::outside::outside(&grid, area, at(place)).finding.what.clone());
        return Ok(());
    }
    let source = define(proj, &delivered.frame)?;
    let source_crs = Crs::of(&delivered.frame, &source);
    report.ways = way::ways(proj, &source, &target.object, place);
    let time = needs::time(&source_crs, delivered.epoch, target);
    let heights = Heights::plan(proj, target, delivered, (&source_crs, &source), place)?;
    match needs::choose(target, &source_crs, report, &heights, &time) {
        needs::Choice::Stuck(reasons) => {
            report.reasons.extend(reasons);
            let (verdict, why) = needs::from_raw_logs(proj, old, target, place);
            report.verdict = verdict;
            report.reasons.push(why);
        }
        needs::Choice::Go { missing } => {
            report.verdict = if missing.is_empty() { Verdict::Restate } else { Verdict::Fetch };
            report.reasons.extend(missing);
            moves(target, delivered, &heights, time.unwrap_or(needs::Time::Never), report)?;
            if !target.is_grid_of(delivered)? {
                report.reasons.push(format!(
                    "coordinates are computed anew: {} is another horizontal system than {}; the moves above are on the ground",
                    target.name, delivered.crs_name
                ));
            }
            let still = |range: Option<Range>| range.is_some_and(|r| r.largest.abs() < 2e-4 && r.smallest.abs() < 2e-4);
            if report.verdict == Verdict::Restate && target.is_grid_of(delivered)? && still(report.horizontal_m) && still(report.up_m) {
                report.verdict = Verdict::Nothing;
                report
                    .reasons
                    .push("the delivery is in this reference already; no point moves by more than its last written digit".to_owned());
            }
        }
    }
    Ok(())
}

impl Target<'_> {
    /// Whether a delivery is in the same horizontal system.
    fn is_grid_of(&self, delivered: &Delivered) -> Result<bool, Problem> {
        let proj = open(&[])?;
        Ok(define(&proj, &delivered.crs)?.same_as(&define(&proj, &self.text)?))
    }
}

/// Moves of every point, as far as they can be computed here.
fn moves(target: &Target, delivered: &Delivered, heights: &Heights, time: needs::Time, report: &mut Report) -> Result<(), Problem> {
    let proj = open(&target.folders)?;
    let Some(position) = Pinned::of(&proj, report.operation.as_ref()) else { return Ok(()) };
    let height = if heights.with_positions() { None } else { Pinned::of(&proj, heights.operation.as_ref()) };
    for p in &delivered.points {
        let moved = position.carry(p, time);
        let up = match &height {
            None if heights.with_positions() => moved,
            None => None,
            Some(height) => height.carry(p, heights.time.unwrap_or(needs::Time::Never)),
        };
        let horizontal_m = moved.map(|new| shift([p.longitude_deg, p.latitude_deg, 0.0], [new[0], new[1], 0.0]).0);
        let up_m = up.and_then(|up| heights.height(p, up)).zip(p.height_m).map(|(new, old)| new - old);
        report.points.push(Move { point: p.name.clone(), horizontal_m, up_m });
    }
    report.horizontal_m = Range::of(report.points.iter().filter_map(|m| m.horizontal_m));
    report.up_m = Range::of(report.points.iter().filter_map(|m| m.up_m));
    let all = report.points.len();
    let lost = report.points.iter().filter(|m| m.horizontal_m.is_none()).count();
    if lost > 0 {
        report
            .reasons
            .push(format!("{lost} of {all} points lie outside the area of the operation or where it gives no result, or have no time; they need their raw logs"));
    }
    let without = report.points.iter().filter(|m| m.up_m.is_none()).count();
    if without > 0 && report.verdict == Verdict::Restate {
        report.reasons.push(format!("{without} of {all} points get no new height: none was delivered, or the geoid has no value there"));
    }
    Ok(())
}

/// A place of which nothing more is known.
fn at(place: (f64, f64)) -> Locality {
    Locality { latitude_deg: place.0, longitude_deg: place.1, height_m: None, receiver_separation_m: None, decimal_year: None }
}

/// An operation ready to compute where it may be used, or none to be made.
struct Pinned<'d>(Option<(Object<'d>, Option<Area>)>);

impl<'d> Pinned<'d> {
    /// `None` when a grid is missing.
    fn of(proj: &'d ProjContext, operation: Option<&Official>) -> Option<Self> {
        let Some(operation) = operation else { return Some(Self(None)) };
        if operation.grids.iter().any(|g| !g.found) {
            return None;
        }
        proj.create(&operation.pipeline).ok().filter(|p| !p.uses_radians()).map(|p| Self(Some((p, operation.area.clone()))))
    }

    fn carry(&self, p: &Point, time: needs::Time) -> Option<[f64; 3]> {
        let at = [p.longitude_deg, p.latitude_deg, p.ellipsoidal_m.unwrap_or(0.0)];
        match &self.0 {
            None => Some(at),
            Some((_, Some(area))) if !area.contains(p.latitude_deg, p.longitude_deg) => None,
            Some((object, _)) => object.carry([at[0], at[1], at[2], time.year(p.year)?]).ok(),
        }
    }
}

#[cfg(test)]
mod tests;
