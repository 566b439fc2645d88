//! Compares the frame of a table with what the reference promises to the client.

use crate::reference::check_delivery;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::{EpochText, Reference};
use pipeline_base::table::schema::{Epoch, Frame, Heights};
use survey_geodesy::Crs;

/// Everything in which a table is not what the reference promises. `crs: false` leaves the CRS and
/// the epoch out, for a format that has a rule of its own.
#[must_use]
pub(crate) fn check(frame: &Frame, reference: &Reference, locality: Option<Locality>, crs: bool) -> Vec<Problem> {
    let mut problems = check_delivery(frame, reference, locality.as_ref());
    if crs {
        problems.extend(unknown(frame));
        problems.extend(epoch(frame, reference));
    } else {
        problems.retain(|p| p.finding.code != "frame/not-as-promised");
    }
    problems.extend(geoid(frame, reference));
    problems
}

/// A frame that the registry cannot read cannot be compared with anything.
fn unknown(frame: &Frame) -> Option<Problem> {
    Crs::look_up(&frame.crs).err().map(|p| {
        Problem::new(
            "export/not-the-promised-crs",
            format!("the table is in `{}`, which cannot be compared with what the reference promises", frame.crs),
        )
        .reference_key("delivery.crs")
        .size("unknown: one to two metres where only the datum differs, kilometres where the projection differs")
        .why(p.finding.why)
        .fix("add a `reproject` step before this one")
    })
}

fn epoch(frame: &Frame, reference: &Reference) -> Option<Problem> {
    let promised = reference.delivery.epoch?;
    let (differs, words) = match (frame.epoch, promised) {
        (Epoch::Fixed(have), EpochText::Year(want)) => ((have - want).abs() > 1e-6, format!("epoch {want}")),
        (_, EpochText::Year(want)) => (frame.epoch == Epoch::EachObservation, format!("epoch {want}")),
        (_, EpochText::Observation) => (matches!(frame.epoch, Epoch::Fixed(_)), epoch_words(Epoch::EachObservation)),
    };
    let years = match (frame.epoch, promised, reference) {
        (Epoch::Fixed(have), EpochText::Year(want), _) => {
            format!("{:.1} years of plate motion, commonly 0.02 m a year", (have - want).abs())
        }
        _ => "commonly 0.02 m for each year between the two".to_owned(),
    };
    differs.then(|| {
        Problem::new(
            "export/not-the-promised-epoch",
            format!("the coordinates are at {} and the reference promises {words}", epoch_words(frame.epoch)),
        )
        .reference_key("delivery.epoch")
        .size(years)
        .why("in a frame that does not move with the plate, coordinates change with time")
        .fix("add a `reproject` step before this one, or set `delivery.epoch` to the epoch that the client agreed to")
    })
}

/// An epoch in words.
#[must_use]
pub(crate) fn epoch_words(epoch: Epoch) -> String {
    match epoch {
        Epoch::Static => "no epoch (the frame moves with its plate)".to_owned(),
        Epoch::Fixed(year) => format!("epoch {year}"),
        Epoch::EachObservation => "each observation's own time".to_owned(),
    }
}

fn geoid(frame: &Frame, reference: &Reference) -> Option<Problem> {
    let Heights::Vertical { sha256, .. } = &frame.heights else { return None };
    let geoid = reference.delivery.heights.geoid.as_ref()?;
    let promised = geoid.sha256.as_deref()?;
    (!promised.trim().eq_ignore_ascii_case(sha256.trim())).then(|| {
        Problem::new(
            "export/not-the-promised-geoid",
            format!(
                "the heights come from `{}` (digest `{}`) and the reference promises `{}` (digest `{}`)",
                frame.heights.model_text(),
                short(sha256),
                geoid.grid,
                short(promised)
            ),
        )
        .reference_key("delivery.heights.geoid.sha256")
        .size("centimetres to metres between versions of a model")
        .why("a file of the same name can hold another version")
        .fix("install the file with the digest of the reference")
    })
}

/// The first characters of a digest, for messages.
fn short(digest: &str) -> String {
    digest.chars().take(12).collect()
}
