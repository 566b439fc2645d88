//! Findings about frames and epochs, with their size at the place of the work.

use super::crs::{Crs, block, define};
use super::packages;
use super::proj_context::{Object, ProjContext};
use crate::operation::request::{Candidate, OperationRequest, here, place_of, shift};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::schema::Epoch;

/// The registry's best operation, whatever its accuracy; for sizes of mistakes only, never for a
/// delivery.
fn any_operation<'d>(proj: &'d ProjContext, from: &Object, to: &Object, place: Locality) -> Option<Object<'d>> {
    proj.operations(from, to, Some((place.latitude_deg, place.longitude_deg)), true)
        .into_iter()
        .find(|o| o.grids().iter().all(|g| g.found))
        .and_then(|o| o.normalized())
}

/// A dynamic frame without an epoch (`frame/no-epoch`): how far the result would be off here.
pub(crate) fn no_epoch(wish: &OperationRequest, from: &Crs, proj: &ProjContext) -> Problem {
    let size = wish.locality.and_then(|place| {
        let source = define(proj, wish.from).ok()?;
        let target = define(proj, wish.to).ok()?;
        let operation = any_operation(proj, &source, &target, place)?;
        let at = |year: f64| operation.carry(here(place, &Epoch::Fixed(year))).ok();
        let per_year = shift(at(2021.0)?, at(2020.0)?).0;
        if let Some(year) = place.decimal_year {
            let (horizontal, up) = shift(at(f64::INFINITY)?, at(year)?);
            return Some(format!(
                "{horizontal:.3} m horizontally and {up:+.3} m in height here for a survey at {year:.2}, growing {per_year:.3} m each year"
            ));
        }
        Some(format!("{per_year:.3} m here for each year between the survey and the epoch of the parameters"))
    });
    let dated = match wish.locality.and_then(|l| l.decimal_year) {
        Some(year) => format!("the log is dated {year:.2}"),
        None => "no log of this job is dated".to_owned(),
    };
    block("frame/no-epoch", format!("{} is a frame in which points move, and no coordinate epoch is given; {dated}", from.title()))
        .reference_key(wish.from_epoch_key)
        .size(size.unwrap_or_else(|| "about 0.02 m for each year, more on fast plates".to_owned()))
        .why("without an epoch the shift would be taken at the reference epoch of its parameters")
        .fix("set `corrections.epoch: observation` if the service works at the date of measurement, or the decimal year that it states")
}

/// A change of epoch inside moving frames, which no pinned operation makes.
pub(crate) fn epoch_change(wish: &OperationRequest, from: &Crs, to: &Crs, target: Epoch) -> Problem {
    let word = |epoch: Epoch| match epoch {
        Epoch::Static => "no epoch".to_owned(),
        Epoch::Fixed(year) => format!("epoch {year}"),
        Epoch::EachObservation => "the epoch of observation".to_owned(),
    };
    let years = match (wish.from_epoch, target, wish.locality.and_then(|l| l.decimal_year)) {
        (Epoch::Fixed(a), Epoch::Fixed(b), _)
        | (Epoch::EachObservation, Epoch::Fixed(b), Some(a))
        | (Epoch::Fixed(b), Epoch::EachObservation, Some(a)) => Some((a - b).abs()),
        _ => None,
    };
    block(
        "frame/epoch-change",
        format!("points go from {} at {} to {} at {}", from.title(), word(wish.from_epoch), to.title(), word(target)),
    )
    .reference_key("delivery.epoch")
    .size(years.map_or_else(
        || "the motion of the plate over the time between, 0.02 to 0.08 m a year".to_owned(),
        |years| format!("{years:.2} years of plate motion, about {:.2} to {:.2} m", 0.02 * years, 0.08 * years),
    ))
    .why("moving a point in time needs a velocity of the ground at this place, which neither code gives")
    .fix("deliver at the epoch of the corrections, or in a frame that moves with the plate, or name a published plate motion model or velocity grid in `motion`")
}

/// A group of realisations as the frame of the corrections (`frame/ensemble-source`).
///
/// `None` when the frame is a single realisation, or the group is good enough for the budget.
fn ensemble_source(proj: &ProjContext, frame: &str, target: &str, budget_m: f64, locality: Option<Locality>) -> Option<Problem> {
    let source = define(proj, frame).ok()?;
    let crs = Crs::of(frame, &source);
    let accuracy = crs.ensemble_accuracy_m.filter(|a| *a > budget_m)?;
    // Inside the group of ETRS89 the realisations differ by less than the group's accuracy; a global frame
    // is no member of it, so its shift would say nothing.
    let sizes = locality.filter(|_| !european(&crs)).and_then(|place| sizes(proj, &source, target, place));
    let (what, size) = match sizes {
        Some((what, size)) => (format!("; {what}"), size),
        None => (String::new(), format!("undecided by up to {accuracy} m")),
    };
    Some(
        block(
            "frame/ensemble-source",
            format!("{} names a group of frames good to {accuracy} m; the budget is {budget_m:.3} m{what}", crs.title()),
        )
        .reference_key("corrections.frame")
        .size(size)
        .why("the frame of the corrections is not stated, and nothing in a log can tell it")
        .fix(format!(
            "ask the correction service for the realisation and its epoch, and name it in `corrections.frame`, for example {}",
            examples(&crs)
        )),
    )
}

/// The frame of the corrections written as the everyday name of a group (`WGS 84`, `ETRS89`) and not as a code: the same
/// finding as for the code of the group. `None` for anything else.
#[must_use]
pub fn named_group(reference: &Reference, locality: Option<Locality>) -> Option<Problem> {
    let plain: String = reference.corrections.frame.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase()).collect();
    let code = match plain.as_str() {
        "WGS84" | "WGS1984" | "WORLDGEODETICSYSTEM1984" | "GPS" => "EPSG:4979",
        "ETRS89" | "ETRS1989" => "EPSG:4937",
        _ => return None,
    };
    let proj = super::crs::open(&[]).ok()?;
    let target = super::ground::delivery_crs(reference).ok().and_then(|t| Crs::look_up(&t).ok()).and_then(|c| c.geographic_3d);
    let target = target.unwrap_or_else(|| "EPSG:9989".to_owned());
    let mut problem = ensemble_source(&proj, code, &target, reference.budget.operation_m, locality)?;
    problem.finding.what = format!("`{}` is no frame: {}", reference.corrections.frame, problem.finding.what);
    Some(problem)
}

/// The frame of the corrections, when it is a group and no realisation, by its code or by its everyday name; `target` is where
/// the points go first.
#[must_use]
pub fn undecided_source(reference: &Reference, target: &str, locality: Option<Locality>) -> Option<Problem> {
    let by_code = || {
        let proj = super::crs::open(&super::grids::folders(&reference.folder)).ok()?;
        ensemble_source(&proj, &reference.corrections.frame, target, reference.budget.operation_m, locality)
    };
    named_group(reference, locality).or_else(by_code)
}

/// Whether a problem only follows from a source that is not decided: it would send the reader to the wrong key.
#[must_use]
pub fn follows_from_undecided(problem: &Problem) -> bool {
    matches!(problem.finding.code.as_str(), "frame/no-epoch" | "frame/not-geographic-3d" | "frame/unknown-crs")
}

fn european(crs: &Crs) -> bool {
    crs.datum.starts_with("European Terrestrial Reference")
}

fn examples(crs: &Crs) -> &'static str {
    if european(crs) {
        "`EPSG:7931` (ETRF2000) or `EPSG:8403` (ETRF2014)"
    } else {
        "`EPSG:9989` (ITRF2020), `EPSG:7912` (ITRF2014) or the national frame that the service states"
    }
}

/// What the frames that people mean would give here.
fn sizes(proj: &ProjContext, source: &Object, target: &str, place: Locality) -> Option<(String, String)> {
    let target_object = define(proj, target).ok()?;
    let target_crs = Crs::of(target, &target_object);
    let year = place.decimal_year.unwrap_or(2020.0);
    let start = [place.longitude_deg, place.latitude_deg, place.height_m.unwrap_or(0.0)];
    let at = [start[0], start[1], start[2], year];
    let moved =
        |object: &Object| any_operation(proj, object, &target_object, place).and_then(|o| o.carry(at).ok()).map(|out| shift(start, out));
    let realisation = define(proj, "EPSG:9989").ok()?;
    // Where no realisation has a way to the target, the shift that the code of the group gives says nothing.
    let (by_realisation, up_by_realisation) = moved(&realisation)?;
    let mut said = vec![];
    let mut horizontals = vec![0.0, by_realisation];
    if !source.same_as(&target_object)
        && let Some((horizontal, up)) = moved(source)
    {
        said.push(format!("the code gives a shift of {horizontal:.3} m and {up:+.3} m in height to {}", target_crs.title()));
        horizontals.push(horizontal);
    }
    said.push(format!("ITRF2020 at {year:.2} would give {by_realisation:.3} m and {up_by_realisation:+.3} m"));
    let low = horizontals.iter().copied().fold(f64::INFINITY, f64::min);
    let high = horizontals.iter().copied().fold(0.0, f64::max);
    Some((said.join("; "), format!("undecided between {low:.3} m and {high:.3} m at {}", place_of(place))))
}

pub(crate) fn no_operation(wish: &OperationRequest, from: &Crs, to: &Crs, candidates: &[Candidate]) -> Problem {
    let seen = match candidates.len() {
        0 => "the registry has none".to_owned(),
        n => format!("none of {n} can be used"),
    };
    block("frame/no-operation", format!("no operation leads from {} to {}: {seen}", from.title(), to.title()))
        .reference_key(wish.to_key)
        .size("unknown; between national frames usually 0.3 m to 2 m, and to old datums 100 m or more")
        .why(format!("the library would only relabel the coordinates (ballpark){}", considered(candidates)))
        .fix("check both codes; if an authority has published an operation, write it into `operation` with its accuracy and source")
}

pub(crate) fn grid_missing(
    wish: &OperationRequest,
    (from, from_object): (&Crs, &Object),
    (to, to_object): (&Crs, &Object),
    candidates: &[Candidate],
    best: usize,
    missing: &[String],
    proj: &ProjContext,
) -> Problem {
    let (name, accuracy) = candidates.get(best).map_or(("", None), |c| (c.name.as_str(), c.accuracy_m));
    let place = wish.locality.map(|l| (l.latitude_deg, l.longitude_deg));
    let fallback = proj
        .operations(from_object, to_object, place, true)
        .into_iter()
        .find(|o| !o.is_ballpark())
        .map(|o| format!("`{}`, stated {}", o.name(), o.accuracy_m().map_or_else(|| "nothing".to_owned(), |a| format!("{a:.3} m"))));
    block(
        "frame/grid-missing",
        format!("the operation from {} to {} needs the grid `{}`, which is not on this machine", from.title(), to.title(), missing.join("`, `")),
    )
    .reference_key(wish.to_key)
    .size(match &fallback {
        Some(fallback) => format!("the next best here is {fallback}; the planned one states {:.3} m", accuracy.unwrap_or(f64::NAN)),
        None => "no other operation is known here; without the grid the coordinates would only be relabelled (ballpark), 100 m or more for an old datum".to_owned(),
    })
    .why(format!(
        "`{name}` is the registry's best here, the network is never used, and a lesser operation is never taken in its place{}",
        considered(candidates)
    ))
    .fix(missing.iter().map(|m| packages::how_to_get(m)).collect::<Vec<_>>().join("; "))
}

/// The first operations that were looked at, in one phrase, for a job whose plan is refused.
fn considered(candidates: &[Candidate]) -> String {
    const SHOWN: usize = 4;
    if candidates.is_empty() {
        return String::new();
    }
    let one = |c: &Candidate| {
        let accuracy = c.accuracy_m.map_or_else(|| "no stated accuracy".to_owned(), |a| format!("{a:.3} m"));
        let grids: String = c.grids.iter().map(|g| format!(", `{}` {}", g.name, if g.found { "present" } else { "absent" })).collect();
        let margin = c
            .margin_km
            .map_or_else(String::new, |km| if km < 0.0 { format!(", {:.0} km outside", -km) } else { format!(", {km:.0} km inside") });
        format!("`{}` ({accuracy}{grids}{margin}): {}", c.name, c.verdict.trim_start_matches("taken: "))
    };
    let more = if candidates.len() > SHOWN { format!("; and {} others", candidates.len() - SHOWN) } else { String::new() };
    format!("; looked at: {}{more}", candidates.iter().take(SHOWN).map(one).collect::<Vec<_>>().join("; "))
}

pub(crate) fn over_budget(wish: &OperationRequest, from: &Crs, to: &Crs, name: &str, accuracy: f64, candidates: &[Candidate]) -> Problem {
    let group = [from, to].into_iter().find(|c| c.ensemble_accuracy_m.is_some());
    let why = match group {
        Some(crs) => format!(
            "{} is a group of realisations, good to {} m, and no operation to a group can be better",
            crs.title(),
            crs.ensemble_accuracy_m.unwrap_or(0.0)
        ),
        None => "the registry knows no better operation for this place".to_owned(),
    };
    let fix = match group {
        Some(crs) if crs.code() == to.code() => {
            "name the realisation of the delivery, not the group; or write into `operation` what the mapping authority states (for example `+proj=noop` with its accuracy and source); or raise `budget.operation_m` if the client accepts it"
        }
        Some(_) => "name the realisation in `corrections.frame`, not the group",
        None => {
            "name other frames, or write an `operation` with its source into the reference, or raise `budget.operation_m` if the client accepts it"
        }
    };
    block(
        "frame/accuracy-over-budget",
        format!("the best operation from {} to {} states {accuracy:.3} m; the budget is {:.3} m", from.title(), to.title(), wish.budget_m),
    )
    .reference_key("budget.operation_m")
    .size(format!("up to {accuracy:.3} m, {:.0} times the budget, through `{name}`", accuracy / wish.budget_m.max(1e-6)))
    .why(format!("{why}{}", considered(candidates)))
    .fix(fix)
}
