//! Findings about geoid models.

use crate::geodesy::crs::{block, define, open};
use crate::geodesy::grids;
use pipeline_core::reference::{Geoid, Reference};
use pipeline_core::stage::{Locality, Problem};
use std::path::Path;

/// The registry's best way from a frame to a vertical datum here: name, stated accuracy, grids.
pub(crate) struct Registered {
    /// Name of the operation.
    pub name: String,
    /// Stated accuracy, m.
    pub accuracy_m: Option<f64>,
    /// Grids that it needs.
    pub grids: Vec<String>,
}

/// Asks the registry; `None` when the datum has no code or the registry knows no way.
pub(crate) fn registered(frame: &str, datum: &str, folder: &Path, place: Option<Locality>) -> Option<Registered> {
    let door = open(&grids::folders(folder)).ok()?;
    let three = define(&door, frame).ok()?;
    let (authority, code) = three.to_2d()?.id()?;
    let (vertical_authority, vertical_code) = define(&door, datum).ok()?.id()?;
    if authority != vertical_authority {
        return None;
    }
    let compound = define(&door, &format!("{authority}:{code}+{vertical_code}")).ok()?;
    let place = place.map(|l| (l.latitude_deg, l.longitude_deg));
    let best = door.operations(&three, &compound, place, false).into_iter().find(|o| !o.is_ballpark())?;
    Some(Registered { name: best.name(), accuracy_m: best.accuracy_m(), grids: best.grids().into_iter().map(|g| g.name).collect() })
}

/// The geoid grid is not on this machine (`height/geoid-missing`).
pub(crate) fn missing(geoid: &Geoid, datum: &str, folder: &Path, place: Option<Locality>) -> Problem {
    let planned = registered(&geoid.frame, datum, folder, place).map_or_else(String::new, |r| {
        let accuracy = r.accuracy_m.map_or_else(|| "no stated accuracy".to_owned(), |a| format!("stated {a:.3} m"));
        format!("; the registry's operation here is `{}`, {accuracy}, with `{}`", r.name, r.grids.join("`, `"))
    });
    let size = match place.and_then(|l| l.receiver_separation_m) {
        Some(n) => format!("heights would be wrong by N, {n:.1} m here by the receiver's own separation"),
        None => "heights would be wrong by N, tens of metres at most places".to_owned(),
    };
    let digest = geoid.sha256.as_ref().map_or_else(String::new, |s| format!(" with sha256 {s}"));
    block("height/geoid-missing", format!("the geoid grid `{}` ({} {}) is not on this machine{planned}", geoid.grid, geoid.model, geoid.version))
        .reference_key("delivery.heights.geoid.grid")
        .size(size)
        .why("without the grid the only fallback is a ballpark, which gives the ellipsoidal height back and reports success; it is never taken")
        .fix(format!(
            "put `{}`{digest} beside the reference file or in `grids` below it, and name it in `delivery.heights.geoid.grid`; the Debian package `proj-data` holds EGM96 only, good to some decimetres",
            geoid.grid
        ))
}

/// The bytes of the grid are not those that the reference names (`height/geoid-digest`).
pub(crate) fn digest(geoid: &Geoid, want: &str, have: &str) -> Problem {
    block("height/geoid-digest", format!("the geoid grid `{}` has sha256 `{have}`; the reference names `{want}`", geoid.grid))
        .reference_key("delivery.heights.geoid.sha256")
        .size("unknown; withdrawn editions of a model differ by centimetres to decimetres in places")
        .why(format!("it is not the file that was agreed on for {} {}", geoid.model, geoid.version))
        .fix("get the agreed file, or, if this one is right, change `delivery.heights.geoid.sha256` and `version`")
}

/// What the reference calls its vertical datum, with the model.
pub(crate) fn model(geoid: &Geoid) -> String {
    format!("{} {}", geoid.model, geoid.version)
}

/// Separation (m) of the model of a reference at a place, when its grid is here.
pub(crate) fn separation_here(reference: &Reference, place: Option<Locality>) -> Option<f64> {
    let geoid = reference.delivery.heights.geoid.as_ref()?;
    let place = place?;
    let path = grids::find(&geoid.grid, &grids::folders(&reference.folder))?;
    grids::GeoidGrid::at(&path).ok()?.separation_at(place.latitude_deg, place.longitude_deg).ok()?
}
