//! Which geoid model belongs to which frame and leads to which vertical datum.
//!
//! The table (`pairs.csv`) has the operations of the registry, with their codes. A model that it knows, by the name of its
//! file or by its own name, must stand with a frame and a datum of the table; a model that it does not know is taken at the
//! word of the reference.

use super::findings;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::{Geoid, Reference};
use pipeline_base::table::schema::Epoch;
use std::sync::LazyLock;
use survey_geodesy::crs::{Crs, block, define, metres, open};
use survey_geodesy::grids;
use survey_geodesy::grids::GeoidGrid;
use survey_geodesy::operation::request::{here, shift};
use survey_geodesy::proj_context::{Object, ObjectKind, ProjContext};

const TABLE: &str = include_str!("pairs.csv");

/// One row: a model with a frame and a datum that belong to it.
#[derive(Clone, Debug)]
pub(crate) struct Pair {
    /// Names of the model.
    models: Vec<String>,
    /// Names of its files, without ending.
    grids: Vec<String>,
    /// Geographic 3D frame.
    pub frame: String,
    /// Vertical datum.
    pub datum: String,
    /// Code of the operation.
    pub source: String,
}

/// Letters and digits in capitals: `us_noaa_g2018u0.tif` and `US-NOAA g2018u0` are one name.
fn plain(text: &str) -> String {
    text.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase()).collect()
}

/// The table, read once.
pub(crate) fn all() -> &'static [Pair] {
    static ALL: LazyLock<Vec<Pair>> = LazyLock::new(read);
    &ALL
}

fn read() -> Vec<Pair> {
    let names = |text: &str| text.split('|').map(plain).filter(|n| !n.is_empty()).collect();
    csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(TABLE.as_bytes())
        .records()
        .filter_map(Result::ok)
        .filter_map(|r| {
            let cell = |i: usize| r.get(i).map(str::to_owned);
            Some(Pair { models: names(r.get(0)?), grids: names(r.get(1)?), frame: cell(2)?, datum: cell(3)?, source: cell(5)? })
        })
        .collect()
}

/// The rows of a model: by the name of its file, or else by its own name with or without the version.
pub(crate) fn of(geoid: &Geoid) -> Vec<&'static Pair> {
    let file = std::path::Path::new(&geoid.grid).file_stem().map(|f| plain(&f.to_string_lossy())).unwrap_or_default();
    let all = all();
    let by_file: Vec<&Pair> = all.iter().filter(|p| p.grids.contains(&file)).collect();
    if !by_file.is_empty() {
        return by_file;
    }
    let names = [plain(&geoid.model), plain(&format!("{}{}", geoid.model, geoid.version))];
    all.iter().filter(|p| p.models.iter().any(|m| names.contains(m))).collect()
}

/// Whether two systems have one datum, or one is a group of realisations to which the other belongs.
pub(crate) fn belongs(proj: &ProjContext, a: &str, b: &str) -> bool {
    let (Ok(x), Ok(y)) = (define(proj, a), define(proj, b)) else { return false };
    let parts = |o: &Object| -> (String, Vec<String>) {
        let geodetic = if o.kind() == ObjectKind::Vertical { None } else { o.geodetic() };
        let of = geodetic.as_ref().unwrap_or(o);
        let ensemble = of.ensemble();
        let name = of.datum().or(of.ensemble()).map(|d| d.name()).unwrap_or_default();
        (name, ensemble.map(|e| e.members().iter().map(Object::name).collect()).unwrap_or_default())
    };
    let ((name_a, members_a), (name_b, members_b)) = (parts(&x), parts(&y));
    if name_a.is_empty() || name_b.is_empty() {
        return false;
    }
    // Realisations of ITRF and IGS and the recent ones of WGS 84 are made to agree within centimetres (from memory: NGA.STND.0036);
    // the models made for WGS 84 are good to decimetres.
    let global = |n: &str| n.starts_with("International Terrestrial Reference Frame") || n.starts_with("IGS");
    let wgs = |n: &str| n.starts_with("World Geodetic System 1984");
    name_a == name_b
        || members_a.contains(&name_b)
        || members_b.contains(&name_a)
        || (wgs(&name_a) && global(&name_b))
        || (global(&name_a) && wgs(&name_b))
}

/// Whether a model, its frame and the datum that it leads to belong together: one problem for the frame, one for the datum.
pub(crate) fn judge(geoid: &Geoid, datum: &str, reference: &Reference, grid: Option<&GeoidGrid>, place: Option<Locality>) -> Vec<Problem> {
    let rows = of(geoid);
    let Some(first) = rows.first().copied() else { return vec![] };
    let Ok(proj) = open(&grids::folders(&reference.folder)) else { return vec![] };
    let coded = Crs::look_up(datum).is_ok_and(|c| c.kind == ObjectKind::Vertical);
    let mut found = vec![];
    let frames: Vec<&Pair> = rows.iter().copied().filter(|p| belongs(&proj, &p.frame, &geoid.frame)).collect();
    if frames.is_empty() {
        // Of several frames the one whose datum is meant, else the first.
        let best = rows.iter().copied().find(|p| coded && belongs(&proj, &p.datum, datum)).unwrap_or(first);
        found.push(other_frame(&proj, geoid, best, place));
    }
    if coded && !rows.iter().any(|p| belongs(&proj, &p.datum, datum)) {
        found.push(other_datum(&proj, geoid, datum, frames.first().copied().unwrap_or(first), reference, grid, place));
    }
    found
}

fn title(code: &str) -> String {
    Crs::look_up(code).map_or_else(|_| format!("`{code}`"), |c| c.title())
}

fn other_frame(proj: &ProjContext, geoid: &Geoid, pair: &Pair, place: Option<Locality>) -> Problem {
    let moved = place.and_then(|place| {
        // The shift to a group of frames says nothing; ITRF2020 stands in for that of WGS 84.
        let target = if Crs::look_up(&pair.frame).ok()?.ensemble_accuracy_m.is_some_and(|a| a >= 1.0) { "EPSG:9989" } else { &pair.frame };
        let (from, to) = (define(proj, &geoid.frame).ok()?, define(proj, target).ok()?);
        let time = place.decimal_year.map_or(Epoch::Static, Epoch::Fixed);
        let start = here(place, &time);
        let operation =
            proj.operations(&from, &to, Some((place.latitude_deg, place.longitude_deg)), true).into_iter().find(|o| !o.is_ballpark())?;
        let out = operation.normalized()?.carry(start).ok()?;
        Some(shift([start[0], start[1], start[2]], out))
    });
    block(
        "height/geoid-frame-mismatch",
        format!("{} is made for {}, and the reference gives it {}", findings::model(geoid), title(&pair.frame), title(&geoid.frame)),
    )
    .reference_key("delivery.heights.geoid.frame")
    .size(match moved {
        Some((_, up)) => format!("heights would be off by {up:+.3} m here, the height part of the shift between the two frames"),
        None => "the height part of the shift between the two frames, centimetres to more than a metre".to_owned(),
    })
    .why(format!("a model gives the separation from the ellipsoid of one frame ({})", pair.source))
    .fix(format!("set `delivery.heights.geoid.frame: {}`; points are then moved into it before the model is applied", pair.frame))
}

fn other_datum(
    proj: &ProjContext,
    geoid: &Geoid,
    datum: &str,
    pair: &Pair,
    reference: &Reference,
    grid: Option<&GeoidGrid>,
    place: Option<Locality>,
) -> Problem {
    let size = place.and_then(|place| {
        if let Some(offset) = super::change::offset_here(proj, &geoid.frame, &pair.datum, datum, place) {
            return Some(format!("{offset:+.3} m here between the two datums, by the registry's operation"));
        }
        // The registry's own model for that datum, when its grid is here.
        let registered = findings::registered(&geoid.frame, datum, &reference.folder, Some(place))?;
        let path = grids::find(registered.grids.first()?, &grids::folders(&reference.folder))?;
        let at = |g: &GeoidGrid| g.separation_at(place.latitude_deg, place.longitude_deg).ok().flatten();
        Some(format!("{:+.3} m here, by the registry's model for that datum", at(grid?)? - at(&GeoidGrid::at(&path).ok()?)?))
    });
    let feet = Crs::look_up(datum).ok().and_then(|c| c.vertical_unit()).filter(|u| metres(*u) < 1.0);
    let lead = match feet {
        Some(unit) => format!("{} (or its system in {})", title(&pair.datum), unit.symbol()),
        None => title(&pair.datum),
    };
    block(
        "height/geoid-datum-mismatch",
        format!("{} leads to {lead}, and the reference promises heights above {}", findings::model(geoid), title(datum)),
    )
    .reference_key("delivery.heights.datum")
    .size(size.unwrap_or_else(|| "the distance of the two datums, centimetres to more than a metre".to_owned()))
    .why(format!("each model leads to the datum that it was fitted to ({})", pair.source))
    .fix(format!(
        "name the model that leads to {}; or set `delivery.heights.geoid.datum: {}`, and an official operation leads on from there",
        title(datum),
        pair.datum
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn geoid(grid: &str, model: &str, version: &str, frame: &str) -> Geoid {
        Geoid {
            grid: grid.into(),
            model: model.into(),
            version: version.into(),
            sha256: None,
            frame: frame.into(),
            datum: None,
            sigma_m: 0.02,
        }
    }

    #[test]
    fn every_row_names_systems_that_the_registry_knows() {
        let rows = all();
        assert!(rows.len() > 200, "{}", rows.len());
        for p in rows {
            let frame = Crs::look_up(&p.frame).unwrap();
            assert_eq!(frame.kind, ObjectKind::Geographic3D, "{p:?}");
            assert_eq!(Crs::look_up(&p.datum).unwrap().kind, ObjectKind::Vertical, "{p:?}");
            assert!(!p.grids.is_empty() && p.source.contains(':'), "{p:?}");
        }
    }

    #[test]
    fn the_registry_agrees_with_the_table() {
        // The code of a row is an operation of the registry built into this program, between just these systems.
        let proj = open(&[]).unwrap();
        let mut seen = 0;
        for p in all().iter().filter(|p| p.source.starts_with("EPSG:")) {
            let code = p.source.trim_start_matches("EPSG:");
            let Ok(operation) = proj.create(&format!("urn:ogc:def:coordinateOperation:EPSG::{code}")) else { panic!("{p:?}") };
            let grids: Vec<String> = operation
                .grids()
                .iter()
                .filter_map(|g| std::path::Path::new(&g.name).file_stem().map(|s| plain(&s.to_string_lossy())))
                .collect();
            assert!(grids.iter().all(|g| p.grids.iter().any(|k| k == g || g.contains(k.as_str()))), "{p:?} {grids:?}");
            seen += 1;
        }
        assert!(seen > 180, "{seen}");
    }

    #[test]
    fn models_by_file_and_by_name() {
        let frames = |g: &Geoid| of(g).iter().map(|p| p.frame.clone()).collect::<std::collections::BTreeSet<_>>();
        assert!(frames(&geoid("us_noaa_g2018u0.tif", "whatever", "1", "")).contains("EPSG:6319"));
        assert!(frames(&geoid("sub/g2018u0.gtx", "x", "1", "")).contains("EPSG:6319"));
        assert!(frames(&geoid("geoid.gtx", "Geoid 18", "2019-12", "")).contains("EPSG:6319"));
        assert!(frames(&geoid("geoid.tif", "AUSGeoid", "2020", "")).contains("EPSG:7843"));
        assert!(frames(&geoid("geoid.tif", "AUSGeoid", "09", "")).contains("EPSG:4939"));
        assert!(frames(&geoid("geoid.gtx", "Saltgrass geoid", "2026", "")).is_empty());
    }

    #[test]
    fn realisations_of_a_group_belong_to_it() {
        let proj = open(&[]).unwrap();
        for (a, b, yes) in [
            ("EPSG:4937", "EPSG:7931", true),
            ("EPSG:4937", "EPSG:4937", true),
            ("EPSG:6319", "EPSG:9989", false),
            ("EPSG:6319", "EPSG:4957", false),
            ("EPSG:4979", "EPSG:9989", true),
            ("EPSG:4979", "EPSG:6319", false),
            ("EPSG:7843", "EPSG:4939", false),
            ("EPSG:5703", "EPSG:8228", true),
            ("EPSG:5703", "EPSG:6360", true),
            ("EPSG:5703", "EPSG:5773", false),
        ] {
            assert_eq!(belongs(&proj, a, b), yes, "{a} {b}");
        }
    }
}
