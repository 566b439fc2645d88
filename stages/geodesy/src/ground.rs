//! Ground systems: the grid of a projected CRS, scaled about a point and moved, as a derived CRS of its own.
//!
//! Distances on the ground are longer than in most grids, so works are often staked in coordinates that were
//! multiplied by a factor, and often cut. Such numbers look like grid coordinates and are metres off. Here a
//! ground system is a definition with a name: base grid, origin, factor, offsets and who stated them. It becomes a
//! derived projected CRS (ISO 19111) whose deriving conversion is EPSG method 9624, so that every delivered file
//! says exactly what its numbers are and any geodesy library can go back to the grid.

use super::crs::{Crs, block, define, open};
use super::proj_context::ObjectKind;
use super::projection::Projection;
use crate::compound::parts;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::{GridPair, Ground, Reference};

/// The horizontal CRS that the reference promises: `delivery.crs`, or the WKT of the ground system over it.
///
/// # Errors
/// `frame/bad-ground` and what [`Crs::look_up`] says.
pub fn delivery_crs(reference: &Reference) -> Result<String, Problem> {
    let horizontal = parts(&reference.delivery.crs).map_err(|p| p.reference_key("delivery.crs"))?.horizontal;
    match &reference.delivery.ground {
        None => Ok(horizontal),
        Some(ground) => definition(ground, &horizontal),
    }
}

/// Ground over grid.
///
/// # Errors
/// `frame/bad-ground` when neither or both forms are given, or the factor is out of reason.
pub fn factor(ground: &Ground) -> Result<f64, Problem> {
    let (factor, key) = match (ground.factor, ground.combined_factor) {
        (Some(factor), None) => (factor, "factor"),
        (None, Some(combined)) => (1.0 / combined, "combined_factor"),
        (Some(_), Some(_)) => return Err(bad("the ground system names both `factor` and `combined_factor`", "factor")),
        (None, None) => return Err(bad("the ground system names no factor", "factor")),
    };
    if (factor - 1.0).abs() <= 0.0101 {
        return Ok(factor);
    }
    Err(bad(format!("{factor} is no factor between a grid and the ground"), key))
}

fn bad(what: impl Into<String>, key: &str) -> Problem {
    Problem::new("frame/bad-ground", what)
        .reference_key(format!("delivery.ground.{key}"))
        .size("no coordinates; a factor that is off by 100 ppm is 0.1 m for each kilometre, and whole coordinates times it are hundreds of metres")
        .why("a ground system is its base grid, one factor, an origin and what is added; nothing in it can be guessed")
        .fix("give `factor` (ground over grid, for example 1.00012345) or `combined_factor` (its inverse), `origin` and, if coordinates were cut, `add`")
}

/// WKT 2 of the derived CRS.
///
/// # Errors
/// `frame/bad-ground`, also when the base is no grid.
pub fn definition(ground: &Ground, base: &str) -> Result<String, Problem> {
    let proj = open(&[])?;
    let object = define(&proj, base)?;
    let crs = Crs::of(base, &object);
    let first_is_east = crs.axes.first().is_some_and(|a| a.direction == "east");
    if crs.kind != ObjectKind::Projected || crs.axes.len() != 2 || crs.horizontal_unit().is_none() {
        return Err(bad(format!("{} is no grid that a ground system can be based on", crs.title()), "name").reference_key("delivery.crs"));
    }
    let k = factor(ground)?;
    let add = ground.add.unwrap_or(GridPair { easting: 0.0, northing: 0.0 });
    for (value, key) in [(ground.origin, "origin"), (add, "add")] {
        if !(value.easting.abs() < 1e9 && value.northing.abs() < 1e9) {
            return Err(bad(format!("`{key}` is no easting and northing"), key));
        }
    }
    let east = (1.0 - k) * ground.origin.easting + add.easting;
    let north = (1.0 - k) * ground.origin.northing + add.northing;
    let (first, second) = if first_is_east { (east, north) } else { (north, east) };
    let text = object.wkt(2).ok_or_else(|| Problem::broken("a grid has no WKT"))?;
    let parts = children(&text);
    let of = |heads: &[&str]| -> Vec<&str> { parts.iter().copied().filter(|p| heads.iter().any(|h| p.starts_with(h))).collect() };
    let base_parts: Vec<&str> =
        parts.first().copied().into_iter().chain(of(&["BASEGEOGCRS[", "BASEGEODCRS[", "CONVERSION[", "ID["])).collect();
    let unit = crs.axes.first().map(|a| format!("LENGTHUNIT[\"{}\",{:?}]", a.unit, a.factor)).unwrap_or_default();
    let quoted = |s: &str| s.replace('"', "\"\"");
    let wkt = format!(
        "DERIVEDPROJCRS[\"{}\",BASEPROJCRS[{}],DERIVINGCONVERSION[\"ground over grid: scaled about a point and moved\",\
         METHOD[\"Affine parametric transformation\",ID[\"EPSG\",9624]],\
         PARAMETER[\"A0\",{first:?},{unit},ID[\"EPSG\",8623]],PARAMETER[\"A1\",{k:?},SCALEUNIT[\"coefficient\",1],ID[\"EPSG\",8624]],\
         PARAMETER[\"A2\",0,SCALEUNIT[\"coefficient\",1],ID[\"EPSG\",8625]],PARAMETER[\"B0\",{second:?},{unit},ID[\"EPSG\",8639]],\
         PARAMETER[\"B1\",0,SCALEUNIT[\"coefficient\",1],ID[\"EPSG\",8640]],PARAMETER[\"B2\",{k:?},SCALEUNIT[\"coefficient\",1],ID[\"EPSG\",8641]]],\
         {}{},REMARK[\"{}\"]]",
        quoted(&ground.name),
        base_parts.join(","),
        of(&["CS[", "AXIS[", "LENGTHUNIT["]).join(","),
        of(&["USAGE["]).first().map(|u| format!(",{u}")).unwrap_or_default(),
        quoted(&remark(ground, &crs, k, add)),
    );
    // The text stays as it is: written out again by the library it would lose the codes of the systems inside.
    proj.create(&wkt).map_err(|e| bad(format!("the ground system cannot be defined: {e}"), "name"))?;
    proved(&wkt, base, &crs, (k, ground.origin, add))?;
    Ok(wkt)
}

fn remark(ground: &Ground, crs: &Crs, k: f64, add: GridPair) -> String {
    let o = ground.origin;
    let unit = crs.horizontal_unit().map_or("", pipeline_base::table::schema::Unit::symbol);
    format!(
        "{} times {k:?} about E {:?} N {:?} {unit}, then plus E {:?} N {:?} {unit}. Stated by: {}",
        crs.code(),
        o.easting,
        o.northing,
        add.easting,
        add.northing,
        ground.stated_by
    )
}

/// Computes a point by the definition and by plain arithmetic; a definition that another reading of the
/// axes would change cannot pass.
fn proved(wkt: &str, base: &str, crs: &Crs, (k, origin, add): (f64, GridPair, GridPair)) -> Result<(), Problem> {
    let Some(area) = &crs.area else { return Ok(()) };
    let (latitude, longitude) = area.centre();
    let (grid, ground) = (Projection::plan(base)?, Projection::plan(wkt)?);
    let at = |p: &Projection| p.open()?.project(latitude, longitude).map_err(Problem::broken);
    let (a, b) = (at(&grid)?, at(&ground)?);
    let off = |have: f64, grid: f64, origin: f64, add: f64| (have - (origin + k * (grid - origin) + add)).abs();
    if off(b.easting, a.easting, origin.easting, add.easting) < 1e-5 && off(b.northing, a.northing, origin.northing, add.northing) < 1e-5 {
        return Ok(());
    }
    Err(Problem::broken("a ground system does not compute what it says"))
}

/// A factor that does not bring distances to the ground at the work (`frame/ground-factor`): upside down, or far from
/// the inverse of the combined factor.
#[must_use]
pub fn beside_the_place(ground: &Ground, base: &str, place: Locality) -> Option<Problem> {
    let k = factor(ground).ok()?;
    let projection = Projection::plan(base).ok()?;
    let at = projection.at(place.latitude_deg, place.longitude_deg).ok()?;
    let combined = at.factors.meridional * elevation_factor(&projection.crs, place.latitude_deg, place.height_m?);
    let ppm = |a: f64, b: f64| (a / b - 1.0) * 1e6;
    let (right, upside_down) = (ppm(k, 1.0 / combined), ppm(k, combined));
    let numbers = format!(
        "the combined factor at the work is {combined:.8} and its inverse {:.8}; the ground system multiplies by {k:.8}",
        1.0 / combined
    );
    let size = format!("{:.3} m on 100 m, {right:+.1} ppm", right.abs() * 1e-4);
    if upside_down.abs() < 10.0 && right.abs() > 20.0 {
        return Some(
            block("frame/ground-factor", format!("the factor of the ground system is upside down: {numbers}"))
                .reference_key("delivery.ground")
                .size(size)
                .why("grid over ground and ground over grid are both in use, and the difference shows in no single point")
                .fix("give the same number as `combined_factor` in place of `factor`, or the other way round"),
        );
    }
    (right.abs() > 50.0).then(|| {
        Problem::from(Diagnostic::new("frame/ground-factor", Verdict::Warn, numbers).size(size))
            .reference_key("delivery.ground")
            .why("a ground system is made for one height and one place; away from them its distances are no longer those on the ground")
            .fix("check the factor against the control report; nothing is changed")
    })
}

/// Distance on the ellipsoid over distance on the ground at a height above it, by the mean radius of curvature
/// at the latitude.
#[must_use]
pub fn elevation_factor(crs: &Crs, latitude_deg: f64, height_m: f64) -> f64 {
    let radius = crs.ellipsoid.gaussian_radius(latitude_deg);
    radius / (radius + height_m)
}

/// The parts of a WKT node, split at its own commas; a quoted text is one part, whatever is in it.
fn children(wkt: &str) -> Vec<&str> {
    let Some(open) = wkt.find('[') else { return vec![] };
    let (mut parts, mut depth, mut quoted, mut start) = (vec![], 0_u32, false, open + 1);
    for (i, c) in wkt.char_indices().skip_while(|(i, _)| *i <= open) {
        match c {
            '"' => quoted = !quoted,
            _ if quoted => {}
            '[' => depth += 1,
            ']' if depth == 0 => {
                parts.push(&wkt[start..i]);
                return parts;
            }
            ']' => depth -= 1,
            ',' if depth == 0 => {
                parts.push(&wkt[start..i]);
                start = i + 1;
            }
            _ => {}
        }
    }
    vec![]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn ground(factor: f64) -> Ground {
        Ground {
            name: "works \"ground\" 2026".into(),
            stated_by: "control report (invented)".into(),
            factor: Some(factor),
            combined_factor: None,
            origin: GridPair { easting: 1000.0, northing: 2000.0 },
            add: Some(GridPair { easting: -10.0, northing: -20.0 }),
        }
    }

    #[test]
    fn the_same_as_plain_arithmetic_in_every_unit_and_axis_order() {
        // Metres, feet of both kinds, and a grid that lists northing first.
        for (base, latitude, longitude) in
            [("EPSG:6345", 42.71, -84.48), ("EPSG:6499", 42.71, -84.48), ("EPSG:2225", 40.0, -122.0), ("EPSG:2193", -41.2, 173.3)]
        {
            let k = 1.000_123_45;
            let wkt = definition(&ground(k), base).unwrap();
            assert!(wkt.starts_with("DERIVEDPROJCRS[\"works \"\"ground\"\" 2026\"") && !wkt.contains('\n'), "{wkt}");
            let grid = Projection::plan(base).unwrap().at(latitude, longitude).unwrap();
            let plan = Projection::plan(&wkt).unwrap();
            let have = plan.at(latitude, longitude).unwrap();
            let (east, north) = (1000.0 + k * (grid.easting - 1000.0) - 10.0, 2000.0 + k * (grid.northing - 2000.0) - 20.0);
            assert!((have.easting - east).abs() < 1e-5 && (have.northing - north).abs() < 1e-5, "{base}: {have:?} {east} {north}");
            // Scale times the factor, the same convergence, the same area and datum.
            assert!((have.factors.meridional / grid.factors.meridional - k).abs() < 1e-9, "{base} {:?} {:?}", have.factors, grid.factors);
            assert!((have.factors.parallel / grid.factors.parallel - k).abs() < 1e-9);
            assert!((have.factors.convergence_deg - grid.factors.convergence_deg).abs() < 1e-7, "{base}");
            let (a, b) = (Crs::look_up(base).unwrap(), Crs::look_up(&wkt).unwrap());
            assert_eq!((&a.datum, a.horizontal_unit(), &a.geographic_3d), (&b.datum, b.horizontal_unit(), &b.geographic_3d));
            assert_eq!((b.kind, b.area.map(|a| a.north)), (ObjectKind::Projected, a.area.map(|a| a.north)));
            assert!(b.id.is_none() && wkt.contains("control report (invented)"));
        }
    }

    #[test]
    fn half_said_definitions_are_refused() {
        let code = |g: &Ground, base: &str| definition(g, base).unwrap_err().finding.code;
        assert_eq!(code(&Ground { factor: None, ..ground(1.0) }, "EPSG:6345"), "frame/bad-ground");
        assert_eq!(code(&Ground { combined_factor: Some(0.9999), ..ground(1.0001) }, "EPSG:6345"), "frame/bad-ground");
        assert_eq!(code(&ground(3.28), "EPSG:6345"), "frame/bad-ground");
        assert_eq!(code(&ground(f64::NAN), "EPSG:6345"), "frame/bad-ground");
        assert_eq!(code(&ground(1.0001), "EPSG:6319"), "frame/bad-ground");
        assert_eq!(code(&ground(1.0001), "EPSG:5703"), "frame/bad-ground");
        let combined = Ground { factor: None, combined_factor: Some(1.0 / 1.000_123_45), ..ground(1.0) };
        assert!((factor(&combined).unwrap() - 1.000_123_45).abs() < 1e-15);
        // A ground system over a ground system is a free multiplier by another name.
        let wkt = definition(&ground(1.0001), "EPSG:6345").unwrap();
        assert_eq!(code(&ground(1.0001), &wkt), "frame/bad-ground");
    }

    #[test]
    fn a_factor_upside_down_is_seen() {
        let place =
            Locality { latitude_deg: 42.71, longitude_deg: -84.48, height_m: Some(231.4), receiver_separation_m: None, decimal_year: None };
        let projection = Projection::plan("EPSG:6345").unwrap();
        let combined = projection.at(42.71, -84.48).unwrap().factors.meridional * elevation_factor(&projection.crs, 42.71, 231.4);
        // 36 ppm for 231 m: the height over the radius of the Earth.
        assert!((elevation_factor(&projection.crs, 42.71, 231.4) - (1.0 - 36.3e-6)).abs() < 0.2e-6);
        assert!(beside_the_place(&ground(1.0 / combined), "EPSG:6345", place).is_none());
        let upside_down = beside_the_place(&ground(combined), "EPSG:6345", place).unwrap();
        assert_eq!((upside_down.finding.code.as_str(), upside_down.finding.verdict), ("frame/ground-factor", Verdict::Block));
        let other = beside_the_place(&ground(1.0 / combined + 80e-6), "EPSG:6345", place).unwrap();
        assert_eq!((other.finding.verdict, other.finding.size.contains("0.008 m on 100 m")), (Verdict::Warn, true));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(300))]
        #[test]
        fn any_text_is_split_without_a_panic(text in "[A-Z\\[\\]\",a-z0-9é ]{0,60}") {
            let _ = children(&text);
        }
    }
}
