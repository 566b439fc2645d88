//! Findings about geoid models.

use crate::uncertainty::Z95;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::{Geoid, Reference};
use pipeline_base::table::schema::Frame;
use std::path::Path;
use survey_geodesy::crs::{Crs, block, define, open};
use survey_geodesy::grids::ChosenGrid;
use survey_geodesy::grids::GridMargin;
use survey_geodesy::operation::request::Candidate;
use survey_geodesy::proj_context::Object;
use survey_geodesy::store::StoredGrid;
use survey_geodesy::{grids, packages, published_grids};

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
    best(frame, frame, datum, folder, place)
}

fn best(from: &str, base: &str, datum: &str, folder: &Path, place: Option<Locality>) -> Option<Registered> {
    asked(from, base, datum, folder, place, |object| {
        (!object.is_ballpark()).then(|| Registered {
            name: object.name(),
            accuracy_m: object.accuracy_m(),
            grids: object.grids().into_iter().map(|g| g.name).collect(),
        })
    })
    .into_iter()
    .next()
}

/// The registry's operations from a frame to a datum, each with a verdict.
pub(crate) fn ways(
    frame: &str,
    datum: &str,
    folder: &Path,
    place: Option<Locality>,
    verdict: impl Fn(&Object) -> &'static str,
) -> Vec<Candidate> {
    asked(frame, frame, datum, folder, place, |object| Some(Candidate::of(object, place, verdict(object))))
}

/// Asks for operations from a frame to the compound of the horizontal part of a base and a vertical datum.
fn asked<T>(from: &str, base: &str, datum: &str, folder: &Path, place: Option<Locality>, each: impl Fn(&Object) -> Option<T>) -> Vec<T> {
    let ask = || {
        let proj = open(&grids::folders(folder)).ok()?;
        let three = define(&proj, from).ok()?;
        let (authority, code) = define(&proj, base).ok()?.to_2d()?.id()?;
        let (vertical_authority, vertical_code) = define(&proj, datum).ok()?.id()?;
        if authority != vertical_authority {
            return None;
        }
        let compound = define(&proj, &format!("{authority}:{code}+{vertical_code}")).ok()?;
        let place = place.map(|l| (l.latitude_deg, l.longitude_deg));
        Some(proj.operations(&three, &compound, place, false).iter().filter_map(&each).collect())
    };
    ask().unwrap_or_default()
}

/// The path that a library takes by itself from a group of frames to a national height
/// (`height/path-over-budget`): an old model through old frames, far above the budget.
pub(crate) fn path_over_budget(
    source: &str,
    geoid: &Geoid,
    datum: &str,
    reference: &Reference,
    place: Option<Locality>,
) -> Option<Problem> {
    let budget = reference.budget.operation_m;
    let long = best(source, &geoid.frame, datum, &reference.folder, place)?;
    let accuracy = long.accuracy_m.filter(|a| *a > budget)?;
    let short = registered(&geoid.frame, datum, &reference.folder, place);
    let right = short.as_ref().and_then(|s| s.accuracy_m.filter(|a| *a > 0.0).map(|a| (s, a)));
    let size = right.map_or_else(
        || format!("up to {accuracy:.3} m, {:.0} times the budget", accuracy / budget.max(1e-6)),
        |(s, a)| {
            format!(
                "up to {accuracy:.3} m, about {:.0} times the path from `{}` ({a:.3} m, `{}`)",
                accuracy / a,
                geoid.frame,
                s.grids.join("`, `")
            )
        },
    );
    Some(
        block(
            "height/path-over-budget",
            format!(
                "the best path from `{source}` to `{datum}` is `{}` with `{}`, stated {accuracy:.3} m; the budget is {budget:.3} m",
                long.name,
                long.grids.join("`, `")
            ),
        )
        .reference_key("corrections.frame")
        .size(size)
        .why("a group of frames as the source leads the registry to an older chain of operations, and a library takes it as its best without a word")
        .fix(format!("name the realisation in `corrections.frame`, not the group; heights then go through `{}`", geoid.frame)),
    )
}

/// Models that are good to decimetres only, by a part of their names, with the least standard deviation (m) that may
/// be claimed for them anywhere. EGM96: reading its 15-minute grid bilinearly is off by up to 0.6 m from the model at
/// the points of its readme (cases S-EGM96-1 to 6); half a metre is common practice. EGM84 is older and coarser, a metre
/// (from memory).
const COARSE: [(&str, f64); 2] = [("egm96", 0.5), ("egm84", 1.0)];
/// A coarse model with a standard deviation that it cannot have (`height/coarse-geoid`).
pub(super) fn coarse(geoid: &Geoid, file: &ChosenGrid) -> Option<Problem> {
    let plain = |s: &str| s.to_lowercase().replace(['-', '_', ' '], "");
    let named = |name: &str| plain(&geoid.grid).contains(name) || plain(&geoid.model).contains(name);
    let published = published_grids::bytes(&file.sha256).map(|k| plain(&k.file)).unwrap_or_default();
    let (name, least) = COARSE.into_iter().find(|(name, _)| named(name) || published.contains(name))?;
    (geoid.sigma_m < least).then(|| {
        block(
            "height/coarse-geoid",
            format!("`{}` is {}, a global model good to decimetres only, and `sigma_m` claims {:.3} m", geoid.grid, name.to_uppercase(), geoid.sigma_m),
        )
        .reference_key("delivery.heights.geoid.sigma_m")
        .size(format!("{least:.1} m and more in height (1 sigma)"))
        .why("it was made from gravity of the 1990s on a mesh of 28 km; no national height is meant by it")
        .fix(format!("use the national geoid that the client names ({}), or set `sigma_m` to {least:.1} or more and open `budget.vertical_95_m` for it", "`gunter grids add` takes it in"))
    })
}

/// What the grid store states about these bytes against what the reference says: a frame that differs stops
/// (`height/geoid-mismatch`), another name of model or version is a warning.
pub(super) fn store_says(geoid: &Geoid, stated: &StoredGrid) -> (Option<Problem>, Option<Problem>) {
    let same = |a: &str, b: &str| a.trim().eq_ignore_ascii_case(b.trim());
    let text = format!("{} {} for `{}`", stated.model, stated.version, stated.frame.as_deref().unwrap_or("no frame"));
    let what = format!(
        "the grid store says that `{}` is {text}; the reference says {} {} for `{}`",
        geoid.grid, geoid.model, geoid.version, geoid.frame
    );
    if stated.frame.as_ref().is_some_and(|f| !same(f, &geoid.frame)) {
        let problem = block("height/geoid-mismatch", what)
            .reference_key("delivery.heights.geoid.frame")
            .size("the shift between the two frames in height, up to some metres")
            .why("a geoid applied in a frame that it is not made for is wrong by the height part of the frame change")
            .fix("correct `delivery.heights.geoid.frame`; or, if the store is wrong, add the grid again with the right `--frame`");
        return (Some(problem), None);
    }
    let warns = !same(&stated.model, &geoid.model) || !same(&stated.version, &geoid.version);
    let warn = warns.then(|| {
        Problem::from(pipeline_base::diag::Diagnostic::new("height/geoid-mismatch", pipeline_base::diag::Verdict::Warn, what))
            .reference_key("delivery.heights.geoid.model")
            .size("0 m if only the names differ; editions of a model differ by centimetres to decimetres")
            .why("both were written by a person, and one of them may mean another edition")
            .fix("write model and version in the same way in both places")
    });
    (None, warn)
}

/// How wrong heights are without any model.
pub(crate) fn size_of_n(place: Option<Locality>) -> String {
    match place.and_then(|l| l.receiver_separation_m) {
        Some(n) => format!("heights would be wrong by N, {n:.1} m here by the receiver's own separation"),
        None => "heights would be wrong by N, tens of metres at most places".to_owned(),
    }
}

/// What the registry uses for a datum here, for the end of a sentence.
pub(crate) fn registered_words(reference: &Reference, frame: &Frame, datum: &str, place: Option<Locality>) -> String {
    let base = Crs::look_up(&reference.delivery.crs).ok().and_then(|c| c.geographic_3d).unwrap_or_else(|| frame.crs.clone());
    registered(&base, datum, &reference.folder, place).map_or_else(String::new, |r| {
        let accuracy = r.accuracy_m.map_or_else(|| "no stated accuracy".to_owned(), |a| format!("stated {a:.3} m"));
        format!("; the registry's operation from `{base}` here is `{}`, {accuracy}, with `{}`", r.name, r.grids.join("`, `"))
    })
}

/// The geoid grid is not on this machine (`height/geoid-missing`).
pub(crate) fn missing(geoid: &Geoid, want: Option<&str>, datum: &str, folder: &Path, place: Option<Locality>) -> Problem {
    let planned = registered(&geoid.frame, datum, folder, place).map_or_else(String::new, |r| {
        let accuracy = r.accuracy_m.map_or_else(|| "no stated accuracy".to_owned(), |a| format!("stated {a:.3} m"));
        format!("; the registry's operation here is `{}`, {accuracy}, with `{}`", r.name, r.grids.join("`, `"))
    });
    let size = size_of_n(place);
    let digest = want.map_or_else(String::new, |s| format!(" with sha256 {s}"));
    block(
        "height/geoid-missing",
        format!("the geoid grid `{}` ({} {}) is not on this machine{planned}", geoid.grid, geoid.model, geoid.version),
    )
    .reference_key("delivery.heights.geoid.grid")
    .size(size)
    .why("without the grid the only fallback is a ballpark, which gives the ellipsoidal height back and reports success; it is never taken")
    .fix(format!("{}; the file{digest} is named in `delivery.heights.geoid.grid`", packages::how_to_get(&geoid.grid)))
}

/// The bytes of the grid are not those that the reference names (`height/geoid-digest`).
pub(crate) fn digest(geoid: &Geoid, want: &str, have: &str) -> Problem {
    block("height/geoid-digest", format!("the geoid grid `{}` has sha256 `{have}`; the reference names `{want}`", geoid.grid))
        .reference_key("delivery.heights.geoid.sha256")
        .size("unknown; withdrawn editions of a model differ by centimetres to decimetres in places")
        .why(format!("it is not the file that was agreed on for {} {}", geoid.model, geoid.version))
        .fix("get the agreed file, or, if this one is right, change `delivery.heights.geoid.sha256` and `version`")
}

/// A model whose own uncertainty is more than the whole budget (`height/over-budget`): no point could be delivered.
pub(crate) fn too_coarse(geoid: &Geoid, reference: &Reference) -> Option<Problem> {
    let bound = Z95 * geoid.sigma_m;
    let budget = reference.budget.vertical_95_m;
    (bound > budget).then(|| {
        block(
            "height/over-budget",
            format!(
                "{} alone is uncertain by {bound:.3} m at 95 % (sigma {:.3} m); the budget for heights is {budget:.3} m",
                model(geoid),
                geoid.sigma_m
            ),
        )
        .reference_key("delivery.heights.geoid.sigma_m")
        .size(format!("{:.3} m above the budget in every height", bound - budget))
        .why("the uncertainty of a model is the same for every point and does not shrink by averaging")
        .fix("name a better model of this place, or raise `budget.vertical_95_m` if the client accepts it")
    })
}

/// The work lies near the rim of a grid or of a hole in it (`height/near-geoid-edge`).
pub(crate) fn near_edge(geoid: &Geoid, around: &GridMargin) -> Option<Problem> {
    let (edge, cell) = (around.edge_km?, around.cell_km?);
    let what = if edge < 2.0 * cell {
        format!(
            "the work is {edge:.1} km from the {}ern edge of the geoid grid `{}`, whose cells are {cell:.1} km wide",
            around.edge?, geoid.grid
        )
    } else if around.hole_beside {
        format!("the geoid grid `{}` has nodes without a value within two cells ({:.1} km) of the work", geoid.grid, 2.0 * cell)
    } else {
        return None;
    };
    let slope = around.slope_east_mm_per_km.unwrap_or(0.0).hypot(around.slope_north_mm_per_km.unwrap_or(0.0));
    Some(
        Problem::from(
            Diagnostic::new("height/near-geoid-edge", Verdict::Warn, what)
                .size(format!("N changes by {:.3} m over a cell here; points further out get no height", slope * cell / 1000.0))
                .why("at the rim a model rests on data from one side only, and beyond it there is nothing to interpolate")
                .fix("check a height against a levelled mark, or name a grid that reaches further"),
        )
        .reference_key("delivery.heights.geoid.grid"),
    )
}

/// The slope of N in words, for the end of a sentence.
pub(crate) fn slope_words(around: Option<&GridMargin>) -> String {
    match around.map(|a| (a.slope_east_mm_per_km, a.slope_north_mm_per_km)) {
        Some((Some(east), Some(north))) => format!("; N changes by {east:+.1} mm a km to the east and {north:+.1} mm a km to the north"),
        _ => String::new(),
    }
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
