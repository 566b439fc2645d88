//! What is asked of an operation, and what was looked at on the way to it.

use crate::area::place_text;
use crate::proj_context::{GridNeed, Object};
use crate::{ellipsoid::GRS80, local::Tangent};
use pipeline_base::pin::Locked;
use pipeline_base::place::Locality;
use pipeline_base::reference::{Motion, Operation as Written};
use pipeline_base::table::schema::Epoch;
use serde::Serialize;
use std::path::PathBuf;

/// What is wanted.
pub struct OperationRequest<'a> {
    /// Geographic 3D frame of the points.
    pub from: &'a str,
    /// Their coordinate epoch.
    pub from_epoch: Epoch,
    /// Key of the reference that named it.
    pub from_key: &'static str,
    /// Key of the reference that names its epoch.
    pub from_epoch_key: &'static str,
    /// Geographic 3D frame that they go to. A 2D frame whose datum has no 3D system in the registry is
    /// taken as if it had one; its heights then mean nothing and must not be used.
    pub to: &'a str,
    /// Its coordinate epoch, when given.
    pub to_epoch: Option<Epoch>,
    /// Key of the reference that named it.
    pub to_key: &'static str,
    /// Where the work is.
    pub locality: Option<Locality>,
    /// Worst accuracy that an operation may state, m.
    pub budget_m: f64,
    /// An operation written by hand for exactly these two frames.
    pub written: Option<&'a Written>,
    /// How the ground moves, when the points go to another epoch.
    pub motion: Option<&'a Motion>,
    /// Folders of grids.
    pub folders: &'a [PathBuf],
    /// What the lock of the job says about the step, and which part of it is this operation.
    pub locked: Option<(Locked<'a>, &'a str)>,
}

/// One operation of the registry that was looked at.
#[derive(Clone, Debug, Serialize)]
pub struct Candidate {
    /// Name.
    pub name: String,
    /// Stated accuracy, m.
    pub accuracy_m: Option<f64>,
    /// Area of use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub area: Option<String>,
    /// Distance of the work from the edge of the area, km; negative outside.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub margin_km: Option<f64>,
    /// Grids that it needs.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub grids: Vec<GridNeed>,
    /// `taken`, or why not.
    pub verdict: String,
}

impl Candidate {
    /// What the registry says of an operation.
    #[must_use]
    pub fn of(object: &Object, place: Option<Locality>, verdict: impl Into<String>) -> Self {
        let area = object.area();
        let margin = area.as_ref().zip(place).map(|(a, l)| (a.margin(l.latitude_deg, l.longitude_deg).0 * 10.0).round() / 10.0);
        Self {
            name: object.name(),
            accuracy_m: object.accuracy_m(),
            margin_km: margin,
            area: area.map(|a| a.title()),
            grids: object.grids(),
            verdict: verdict.into(),
        }
    }

    /// Looks at the registry's operations in its own order: which one is taken at a place, and why each other is not. The first that
    /// covers the place, pretends nothing and states an accuracy; grids and budget are the caller's to hold against it.
    #[must_use]
    pub fn choose(all: &[Object], place: Option<Locality>) -> (Vec<Self>, Option<usize>) {
        let mut chosen = None;
        let candidates = all.iter().enumerate().map(|(i, object)| {
            let covers = match (object.area(), place) {
                (Some(area), Some(place)) => area.contains(place.latitude_deg, place.longitude_deg),
                _ => true,
            };
            let verdict = if !covers {
                "not taken: its area of use does not contain the place"
            } else if object.is_ballpark() {
                "not taken: a step only pretends to transform (ballpark)"
            } else if object.accuracy_m().is_none() {
                "not taken: states no accuracy"
            } else if chosen.is_some() {
                "not taken: another is better here"
            } else {
                chosen = Some(i);
                "taken: best for this place in the registry's order"
            };
            Self::of(object, place, verdict)
        });
        (candidates.collect(), chosen)
    }
}

/// The place as PROJ takes it.
pub fn here(place: Locality, time: &Epoch) -> [f64; 4] {
    let year = match time {
        Epoch::Static => f64::INFINITY,
        Epoch::Fixed(year) => *year,
        Epoch::EachObservation => place.decimal_year.unwrap_or(f64::INFINITY),
    };
    [place.longitude_deg, place.latitude_deg, place.height_m.unwrap_or(0.0), year]
}

/// A place in words.
#[must_use]
pub fn place_of(place: Locality) -> String {
    place_text(place.latitude_deg, place.longitude_deg)
}

/// Horizontal and vertical distance (m) between two positions of one frame (longitude, latitude,
/// height).
#[must_use]
pub fn shift(a: [f64; 3], b: [f64; 3]) -> (f64, f64) {
    let [e, n, _] = Tangent::new(a[1], a[0], a[2], GRS80).enu(b[1], b[0], b[2]);
    (e.hypot(n), b[2] - a[2])
}
