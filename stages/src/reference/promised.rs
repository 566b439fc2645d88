//! What a reference promises, with a compound system taken apart and held against `delivery.heights`.

use crate::height::change::offset_here;
use crate::height::pairs::belongs;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::{HeightSurface, Reference};
use survey_geodesy::compound::parts;
use survey_geodesy::crs::{Crs, block, metres, open};

/// The vertical datum of a delivery: `delivery.heights.datum`, or that of the compound.
#[must_use]
pub(crate) fn datum(reference: &Reference) -> Option<String> {
    reference.delivery.heights.datum.clone().or_else(|| parts(&reference.delivery.crs).ok()?.vertical)
}

/// Holds the vertical part of a compound against `delivery.heights`: surface, datum and unit. Both places are named.
#[must_use]
pub(crate) fn contradictions(reference: &Reference, place: Option<Locality>) -> Vec<Problem> {
    let promised = &reference.delivery.heights;
    let Some(vertical) = parts(&reference.delivery.crs).ok().and_then(|p| p.vertical) else { return vec![] };
    let Ok(crs) = Crs::look_up(&vertical) else { return vec![] };
    let said = |what: String, key: &str, size: String, fix: String| {
        block("frame/compound", what)
            .reference_key("delivery.crs")
            .and_reference_key(key)
            .size(size)
            .why("the two places say two things about one number, and a reader of the file sees only one of them")
            .fix(fix)
    };
    if promised.surface == HeightSurface::Ellipsoid {
        let n = place.and_then(|l| l.receiver_separation_m);
        return vec![said(
            format!("`delivery.crs` names heights above {}, and `delivery.heights.surface` says ellipsoid", crs.title()),
            "delivery.heights.surface",
            n.map_or_else(
                || "N in every height, tens of metres at most places".to_owned(),
                |n| format!("N in every height, {n:.1} m here by the receiver's own separation"),
            ),
            format!("set `surface: vertical-datum` with the geoid that leads to {}, or name only the horizontal code", crs.title()),
        )];
    }
    let mut found = vec![];
    if let Some(datum) = &promised.datum
        && datum.trim() != vertical
    {
        let proj = open(&[]).ok();
        let same = proj.as_ref().is_some_and(|d| belongs(d, datum, &vertical));
        let frame = promised.geoid.as_ref().map(|g| g.frame.as_str());
        let apart = match (&proj, frame, place) {
            (Some(proj), Some(frame), Some(place)) if !same => offset_here(proj, frame, datum, &vertical, place),
            _ => None,
        };
        let size = match apart {
            Some(by) => format!("{by:+.3} m here, by the registry's operation between the two datums"),
            None if same => format!(
                "one datum in two units: {}",
                factor(
                    metres(crs.vertical_unit().unwrap_or(promised.unit.unit())),
                    Crs::look_up(datum).ok().and_then(|c| c.vertical_unit()).map_or(1.0, metres)
                )
            ),
            None => "the distance of the two datums, centimetres to more than a metre".to_owned(),
        };
        found.push(said(
            format!("`delivery.crs` names heights above {}, and `delivery.heights.datum` says `{datum}`", crs.title()),
            "delivery.heights.datum",
            size,
            "make both the same, or leave `delivery.heights.datum` out".to_owned(),
        ));
    } else if let Some(unit) = crs.vertical_unit().filter(|u| *u != promised.unit.unit()) {
        found.push(said(
            format!(
                "{} of `delivery.crs` is in {}, and `delivery.heights.unit` says {}",
                crs.title(),
                unit.symbol(),
                promised.unit.unit().symbol()
            ),
            "delivery.heights.unit",
            factor(metres(unit), promised.unit.metres()),
            format!("set `delivery.heights.unit: {}`, or name the vertical system in {}", unit.symbol(), promised.unit.unit().symbol()),
        ));
    }
    found
}

/// What a mix of two units does to a height.
fn factor(a: f64, b: f64) -> String {
    let ratio = if a > b { a / b } else { b / a };
    if ratio < 1.001 {
        format!("{:.1} ppm of every height, {:.4} m at 500 m", (ratio - 1.0) * 1e6, (ratio - 1.0) * 500.0)
    } else {
        format!("a factor of {ratio:.2} in every height, {:.1} m at 10 m", (ratio - 1.0) * 10.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn compounds_in_every_spelling() {
        let of = |t: &str| parts(t).map(|p| (p.horizontal, p.vertical.unwrap_or_default())).map_err(|p| p.finding.code);
        let feet = Ok(("EPSG:6499".to_owned(), "EPSG:8228".to_owned()));
        assert_eq!(of("EPSG:6499+8228"), feet);
        assert_eq!(of("EPSG:6499+EPSG:8228"), feet);
        assert_eq!(of(" EPSG:6499 + EPSG:8228 "), feet);
        // EPSG: Amersfoort / RD New + NAP height.
        assert_eq!(of("EPSG:7415"), Ok(("EPSG:28992".to_owned(), "EPSG:5709".to_owned())));
        assert_eq!(of("EPSG:6345"), Ok(("EPSG:6345".to_owned(), String::new())));
        let wkt = survey_geodesy::wkt("EPSG:7415", 2).unwrap();
        assert_eq!(of(&wkt), Ok(("EPSG:28992".to_owned(), "EPSG:5709".to_owned())));
        assert_eq!(of("+proj=utm +zone=16 +ellps=GRS80").unwrap().1, "");
        for (bad, code) in [
            ("EPSG:8228+6499", "frame/compound"),
            ("EPSG:6319+5703", "frame/compound"),
            ("EPSG:6499+6345", "frame/compound"),
            ("EPSG:6499+0", "frame/unknown-crs"),
            ("EPSG:6499+", "frame/unknown-crs"),
            ("RD New + NAP", "frame/unknown-crs"),
        ] {
            assert_eq!(of(bad), Err(code.to_owned()), "{bad}");
        }
    }
}
