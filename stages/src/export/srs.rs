//! What a delivered file says about its coordinate reference system.

use super::meaning;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Frame, Heights, Unit};
use survey_geodesy::crs::{define, length_unit, open};
use survey_geodesy::proj_context::{Object, ObjectKind};

/// A CRS as a file format wants it named and defined.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Srs {
    /// Registry and code, when it has one.
    pub code: Option<(String, i64)>,
    /// Its name in the registry, else the text itself.
    pub name: String,
    /// WKT 1 on one line, when it can be written so.
    pub wkt1: Option<String>,
    /// WKT 2:2019 on one line.
    pub wkt2: Option<String>,
}

impl Srs {
    /// `AUTHORITY:CODE`, or the name where there is no code.
    #[must_use]
    pub(crate) fn title(&self) -> String {
        self.code.as_ref().map_or_else(|| self.name.clone(), |(registry, code)| format!("{registry}:{code}"))
    }
}

fn of_object(object: &Object) -> Srs {
    Srs {
        code: object.id().and_then(|(registry, code)| Some((registry, code.parse().ok()?))),
        name: object.name(),
        wkt1: object.wkt(1),
        wkt2: object.wkt(2),
    }
}

/// A CRS that the registry cannot say anything about: only what the table itself says.
fn unknown(text: &str, name: &str) -> Srs {
    let code = text.trim().split_once(':').and_then(|(registry, code)| Some((registry.to_ascii_uppercase(), code.parse().ok()?)));
    Srs { code, name: name.to_owned(), wkt1: None, wkt2: None }
}

/// Looks a CRS up; `name` is used where the registry does not know it.
#[must_use]
pub(crate) fn look_up(text: &str, name: &str) -> Srs {
    open(&[]).ok().and_then(|proj| define(&proj, text).ok().map(|o| of_object(&o))).unwrap_or_else(|| unknown(text, name))
}

/// What the third coordinate of a table is, in words.
#[must_use]
pub(crate) fn third_coordinate(frame: &Frame) -> String {
    match &frame.heights {
        Heights::Ellipsoidal => "third coordinate: height above the ellipsoid of the datum, in m".to_owned(),
        Heights::ReceiverGeoid => "third coordinate: height above the receiver's own coarse geoid".to_owned(),
        Heights::Vertical { datum, unit, .. } => {
            let srs = look_up(datum, datum);
            let code = if srs.name == *datum { String::new() } else { format!(" ({datum})") };
            format!(
                "third coordinate: {}{code} in {} ({}), through {}",
                srs.name,
                unit.symbol(),
                meaning::unit(*unit),
                frame.heights.model_text()
            )
        }
    }
}

/// The CRS of the first two coordinates of a table. A geographic one is three-dimensional only
/// where the heights are ellipsoidal: its third axis is the ellipsoidal height and nothing else.
#[must_use]
pub(crate) fn of_frame(frame: &Frame) -> Srs {
    let found = open(&[]).ok().and_then(|proj| {
        let object = define(&proj, &frame.crs).ok()?;
        let other = match (object.kind(), &frame.heights) {
            (ObjectKind::Geographic3D, Heights::Vertical { .. } | Heights::ReceiverGeoid) => object.to_2d(),
            (ObjectKind::Geographic2D, Heights::Ellipsoidal) => object.to_3d().filter(|o| o.id().is_some()),
            _ => None,
        };
        Some(of_object(other.as_ref().unwrap_or(&object)))
    });
    found.unwrap_or_else(|| unknown(&frame.crs, &frame.name))
}

/// The CRS of all three coordinates: the horizontal and the vertical system together.
///
/// # Errors
/// `export/no-compound`: the heights have no vertical CRS code, or the unit of that system is not
/// the unit of the heights.
pub(crate) fn compound(frame: &Frame) -> Result<Srs, Problem> {
    let no = |what: String| {
        Problem::new("export/no-compound", what)
            .why("a system that says other heights than the file holds is worse than none")
            .fix("leave `vertical_in_crs` out; the description of the layer says what the heights are")
    };
    let Heights::Vertical { datum, unit, .. } = &frame.heights else {
        return Err(no("the heights are not above a vertical datum".to_owned()));
    };
    let proj = open(&[])?;
    let vertical = define(&proj, datum).ok().filter(|v| v.kind() == ObjectKind::Vertical);
    let vertical = vertical.ok_or_else(|| no(format!("the vertical datum `{datum}` has no vertical system in the registry")))?;
    let own: Option<Unit> = vertical.axes().first().and_then(|a| length_unit(a.factor));
    if own != Some(*unit) {
        let own = own.map_or("another unit", Unit::symbol);
        return Err(no(format!("`{datum}` is in `{own}` and the heights are in `{}`", unit.symbol())));
    }
    let (horizontal, vertical) = (of_frame(frame), of_object(&vertical));
    let (Some((a, c)), Some((b, d))) = (&horizontal.code, &vertical.code) else {
        return Err(no(format!("`{}` or `{datum}` has no code, and only codes can be joined", horizontal.name)));
    };
    let text = if a == b { format!("{a}:{c}+{d}") } else { format!("{a}:{c}+{b}:{d}") };
    let object = define(&proj, &text).map_err(|p| no(p.finding.what))?;
    Ok(of_object(&object))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::export::sample::frame;
    use pipeline_base::table::schema::Axes;

    #[test]
    fn codes_and_definitions() {
        let utm = look_up("epsg:6345", "x");
        assert_eq!((utm.code, utm.name.as_str()), (Some(("EPSG".into(), 6345)), "NAD83(2011) / UTM zone 16N"));
        assert!(utm.wkt1.unwrap().starts_with("PROJCS[") && utm.wkt2.unwrap().starts_with("PROJCRS["));
        assert_eq!(look_up("EPSG:5703", "x").name, "NAVD88 height");
        let own = look_up("+proj=tmerc +lat_0=42 +lon_0=-86 +ellps=GRS80 +units=m +type=crs", "site grid");
        assert!(own.code.is_none() && own.wkt2.is_some());
        assert_eq!(look_up("nonsense", "site grid"), Srs { code: None, name: "site grid".into(), wkt1: None, wkt2: None });
    }

    #[test]
    fn a_third_axis_only_for_ellipsoidal_heights() {
        let mut f = Frame { crs: "EPSG:6319".into(), axes: Axes::Geographic, ..frame() };
        assert_eq!(of_frame(&f).title(), "EPSG:6318");
        f.heights = Heights::Ellipsoidal;
        assert_eq!(of_frame(&f).title(), "EPSG:6319");
        f.crs = "EPSG:6318".into();
        assert_eq!(of_frame(&f).title(), "EPSG:6319");
        assert_eq!(of_frame(&frame()).title(), "EPSG:6345");
    }

    #[test]
    fn both_systems_together() {
        let both = compound(&frame()).unwrap();
        assert!(both.code.is_none() && both.wkt2.unwrap().starts_with("COMPOUNDCRS["));
        let mut feet = frame();
        feet.heights = Heights::Vertical {
            datum: "EPSG:5703".into(),
            model: "m".into(),
            version: "1".into(),
            sha256: String::new(),
            unit: Unit::Foot,
        };
        assert!(compound(&feet).is_err(), "EPSG:5703 is in metres");
        // EPSG:8228 is NAVD88 height in international feet.
        feet.heights = Heights::Vertical {
            datum: "EPSG:8228".into(),
            model: "m".into(),
            version: "1".into(),
            sha256: String::new(),
            unit: Unit::Foot,
        };
        assert!(compound(&feet).is_ok());
        feet.heights = Heights::Vertical {
            datum: "city datum".into(),
            model: "m".into(),
            version: "1".into(),
            sha256: String::new(),
            unit: Unit::Metre,
        };
        assert!(compound(&feet).is_err());
        feet.heights = Heights::Ellipsoidal;
        assert!(compound(&feet).is_err());
    }
}
