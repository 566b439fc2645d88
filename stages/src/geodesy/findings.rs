//! Findings about frames and epochs, with their size at the place of the work.

use super::crs::{Crs, block, define};
use super::door::{Door, Object};
use super::operation::{Wish, here, place_of, shift};
use pipeline_core::stage::{Locality, Problem};
use pipeline_core::table::schema::Epoch;

/// The registry's best operation, whatever its accuracy; for sizes of mistakes only, never for a
/// delivery.
fn any_operation<'d>(door: &'d Door, from: &Object, to: &Object, place: Locality) -> Option<Object<'d>> {
    door.operations(from, to, Some((place.latitude_deg, place.longitude_deg)), true)
        .into_iter()
        .find(|o| o.grids().iter().all(|g| g.found))
        .and_then(|o| o.normalized())
}

/// A dynamic frame without an epoch (`frame/no-epoch`): how far the result would be off here.
pub(crate) fn no_epoch(wish: &Wish, from: &Crs, door: &Door) -> Problem {
    let size = wish.locality.and_then(|place| {
        let source = define(door, wish.from).ok()?;
        let target = define(door, wish.to).ok()?;
        let operation = any_operation(door, &source, &target, place)?;
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
pub(crate) fn epoch_change(wish: &Wish, from: &Crs, to: &Crs, target: Epoch) -> Problem {
    let word = |epoch: Epoch| match epoch {
        Epoch::Static => "no epoch".to_owned(),
        Epoch::Fixed(year) => format!("epoch {year}"),
        Epoch::EachObservation => "the epoch of observation".to_owned(),
    };
    let years = match (wish.from_epoch, target, wish.locality.and_then(|l| l.decimal_year)) {
        (Epoch::Fixed(a), Epoch::Fixed(b), _) | (Epoch::EachObservation, Epoch::Fixed(b), Some(a)) | (Epoch::Fixed(b), Epoch::EachObservation, Some(a)) => Some((a - b).abs()),
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
    .fix("deliver at the epoch of the corrections, or in a frame that moves with the plate, or write an `operation` with a published velocity model")
}

/// A group of realisations as the frame of the corrections (`frame/ensemble-source`).
///
/// `None` when the frame is a single realisation, or the group is good enough for the budget.
#[must_use]
pub fn ensemble_source(door: &Door, frame: &str, target: &str, budget_m: f64, locality: Option<Locality>) -> Option<Problem> {
    let source = define(door, frame).ok()?;
    let crs = Crs::of(frame, &source);
    let accuracy = crs.ensemble_accuracy_m.filter(|a| *a > budget_m)?;
    let sizes = locality.and_then(|place| sizes(door, &crs, &source, target, place));
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

fn examples(crs: &Crs) -> &'static str {
    if crs.datum.contains("European") || crs.name.contains("ETRS") {
        "`EPSG:7931` (ETRF2000) or `EPSG:9068` (ETRF2014)"
    } else {
        "`EPSG:9989` (ITRF2020), `EPSG:7912` (ITRF2014) or the national frame that the service states"
    }
}

/// What the frames that people mean would give here.
fn sizes(door: &Door, crs: &Crs, source: &Object, target: &str, place: Locality) -> Option<(String, String)> {
    let target_object = define(door, target).ok()?;
    let target_crs = Crs::of(target, &target_object);
    let year = place.decimal_year.unwrap_or(2020.0);
    let start = [place.longitude_deg, place.latitude_deg, place.height_m.unwrap_or(0.0)];
    let at = [start[0], start[1], start[2], year];
    let moved = |object: &Object| any_operation(door, object, &target_object, place).and_then(|o| o.carry(at).ok()).map(|out| shift(start, out));
    let mut said = vec![];
    let mut horizontals = vec![0.0];
    if !source.same_as(&target_object)
        && let Some((horizontal, up)) = moved(source)
    {
        said.push(format!("the code gives a shift of {horizontal:.3} m and {up:+.3} m in height to {}", target_crs.title()));
        horizontals.push(horizontal);
    }
    for code in ["EPSG:9989", "EPSG:7931"] {
        let realisation = define(door, code).ok()?;
        let other = Crs::of(code, &realisation);
        let here = other.area.as_ref().is_none_or(|a| a.contains(place.latitude_deg, place.longitude_deg));
        if here && let Some((horizontal, up)) = moved(&realisation) {
            said.push(format!("{} at {year:.2} would give {horizontal:.3} m and {up:+.3} m", other.name));
            horizontals.push(horizontal);
            break;
        }
    }
    let low = horizontals.iter().copied().fold(f64::INFINITY, f64::min);
    let high = horizontals.iter().copied().fold(0.0, f64::max);
    let _ = crs;
    (!said.is_empty()).then(|| (said.join("; "), format!("undecided between {low:.3} m and {high:.3} m at {}", place_of(place))))
}
