//! Compares the frame of a table with what the reference promises to the client.

use super::srs;
use pipeline_core::reference::{EpochText, HeightSurface, Reference};
use pipeline_core::stage::{Locality, Problem};
use pipeline_core::table::schema::{Epoch, Frame, Heights};

/// Everything in which a table is not what the reference promises. `crs: false` leaves the CRS and
/// the epoch out, for a format that has a rule of its own.
#[must_use]
pub fn check(frame: &Frame, reference: &Reference, locality: Option<Locality>, crs: bool) -> Vec<Problem> {
    let mut problems = heights(frame, reference, locality);
    if crs {
        problems.extend(horizontal(frame, reference));
    }
    problems
}

fn same(a: &str, b: &str) -> bool {
    a.trim().eq_ignore_ascii_case(b.trim())
}

fn horizontal(frame: &Frame, reference: &Reference) -> Vec<Problem> {
    let delivery = &reference.delivery;
    let mut problems = vec![];
    if !srs::same(&frame.crs, &delivery.crs) {
        problems.push(
            Problem::new("export/not-the-promised-crs", format!("the table is in `{}` and the reference promises `{}`", frame.crs, delivery.crs))
                .reference_key("delivery.crs")
                .size("one to two metres where only the datum differs, kilometres where the projection differs")
                .why("a client reads the numbers in the system that was agreed")
                .fix("add a `reproject` step before this one"),
        );
    }
    let differs = match (frame.epoch, delivery.epoch) {
        (Epoch::Fixed(have), Some(EpochText::Year(want))) => (have - want).abs() > 1e-6,
        (Epoch::EachObservation, Some(EpochText::Year(_))) | (Epoch::Fixed(_), Some(EpochText::Observation)) => true,
        _ => false,
    };
    if differs {
        problems.push(
            Problem::new("export/not-the-promised-epoch", format!("the coordinates are at {} and the reference promises another epoch", epoch_words(frame.epoch)))
                .reference_key("delivery.epoch")
                .size("some centimetres for each year between the two")
                .why("in a frame that does not move with the plate, coordinates change with time")
                .fix("add a `reproject` step before this one, or state the epoch that the client agreed to"),
        );
    }
    problems
}

/// An epoch in words.
#[must_use]
pub fn epoch_words(epoch: Epoch) -> String {
    match epoch {
        Epoch::Static => "no epoch (the frame moves with its plate)".to_owned(),
        Epoch::Fixed(year) => format!("epoch {year}"),
        Epoch::EachObservation => "each observation's own time".to_owned(),
    }
}

fn heights(frame: &Frame, reference: &Reference, locality: Option<Locality>) -> Vec<Problem> {
    let want = &reference.delivery.heights;
    let separation = match locality.and_then(|l| l.receiver_separation_m) {
        Some(n) => format!("{:.3} m, the separation that the log shows here", n.abs()),
        None => "the geoid separation here, up to about 100 m; the log does not show it".to_owned(),
    };
    match (&frame.heights, want.surface) {
        (Heights::ReceiverGeoid, _) => vec![
            Problem::new("height/receiver-geoid", "the heights are above the receiver's own coarse geoid")
                .reference_key("delivery.heights")
                .size(separation)
                .why("the model inside a receiver is a coarse global one, and is not the one that the reference names")
                .fix("add a `height-convert` step before this one"),
        ],
        (Heights::Ellipsoidal, HeightSurface::VerticalDatum) => vec![
            Problem::new(
                "height/receiver-geoid",
                format!("the heights are ellipsoidal and the reference promises heights above `{}`", want.datum.as_deref().unwrap_or("a vertical datum")),
            )
            .reference_key("delivery.heights.datum")
            .size(separation)
            .why("no step between the log and this file applies the geoid model of the reference")
            .fix("add a `height-convert` step before this one"),
        ],
        (Heights::Vertical { datum, .. }, HeightSurface::Ellipsoid) => vec![
            Problem::new("export/not-the-promised-heights", format!("the heights are above `{datum}` and the reference promises ellipsoidal heights"))
                .reference_key("delivery.heights.surface")
                .size(separation)
                .why("a client reads the heights above the surface that was agreed")
                .fix("leave the `height-convert` step out of the job, or set `delivery.heights.surface` to `vertical-datum`"),
        ],
        (Heights::Vertical { datum, unit, sha256, .. }, HeightSurface::VerticalDatum) => {
            let mut problems = vec![];
            if want.datum.as_deref().is_some_and(|w| !srs::same(datum, w)) {
                problems.push(
                    Problem::new(
                        "export/not-the-promised-heights",
                        format!("the heights are above `{datum}` and the reference promises `{}`", want.datum.as_deref().unwrap_or_default()),
                    )
                    .reference_key("delivery.heights.datum")
                    .size("up to some metres between vertical datums")
                    .fix("let the `height-convert` step use the reference of the job"),
                );
            }
            if *unit != want.unit.unit() {
                problems.push(
                    Problem::new(
                        "export/not-the-promised-unit",
                        format!("the heights are in `{}` and the reference promises `{}`", unit.symbol(), want.unit.unit().symbol()),
                    )
                    .reference_key("delivery.heights.unit")
                    .size("a factor of 3.28 between feet and metres, 2 parts in a million between the two feet")
                    .fix("let the `height-convert` step use the reference of the job"),
                );
            }
            let promised = want.geoid.as_ref().and_then(|g| g.sha256.as_deref());
            if promised.is_some_and(|p| !same(p, sha256)) {
                problems.push(
                    Problem::new("export/not-the-promised-geoid", "the geoid model behind the heights is not the file that the reference names")
                        .reference_key("delivery.heights.geoid.sha256")
                        .size("centimetres to metres between versions of a model")
                        .fix("install the file with the digest of the reference"),
                );
            }
            problems
        }
        (Heights::Ellipsoidal, HeightSurface::Ellipsoid) => vec![],
    }
}
