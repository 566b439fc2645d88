//! What the registry knows of a coordinate reference system.

use super::area::Area;
use super::ellipsoid::Ellipsoid;
use super::proj_context::{Axis, Object, ObjectKind, ProjContext};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Unit;

/// A finding that stops the delivery.
#[must_use]
pub fn block(code: &str, what: impl Into<String>) -> Problem {
    Problem::from(Diagnostic::new(code, Verdict::Block, what))
}

/// A coordinate reference system, by its definition.
#[derive(Clone, Debug)]
pub struct Crs {
    /// As it was written: `AUTHORITY:CODE`, WKT or PROJ text.
    pub text: String,
    /// Authority and code, when the registry has it.
    pub id: Option<(String, String)>,
    /// Name.
    pub name: String,
    /// Kind.
    pub kind: ObjectKind,
    /// Axes in the order of the definition.
    pub axes: Vec<Axis>,
    /// Area of use.
    pub area: Option<Area>,
    /// Ellipsoid (GRS 80 stands in for a vertical system, which has none).
    pub ellipsoid: Ellipsoid,
    /// Name of the datum or of the datum ensemble.
    pub datum: String,
    /// Accuracy (m) of the ensemble, when the datum is one.
    pub ensemble_accuracy_m: Option<f64>,
    /// Whether points on the ground move in it: a dynamic frame, or an ensemble of such.
    pub dynamic: bool,
    /// `AUTHORITY:CODE` of the geographic 3D system of the same datum.
    pub geographic_3d: Option<String>,
}

impl Crs {
    /// Looks up a code, WKT or PROJ text. Names are not accepted: several systems share words.
    ///
    /// # Errors
    /// `frame/unknown-crs`; the caller names the key.
    pub fn look_up(text: &str) -> Result<Self, Problem> {
        let proj = open(&[])?;
        let object = define(&proj, text)?;
        Ok(Self::of(text, &object))
    }

    /// What an open object says; `text` is how it was named.
    #[must_use]
    pub fn of(text: &str, object: &Object) -> Self {
        let kind = object.kind();
        let geodetic = match kind {
            ObjectKind::Vertical => None,
            _ => object.geodetic(),
        };
        let datum_of = geodetic.as_ref().unwrap_or(object);
        let ensemble = datum_of.ensemble();
        let datum = datum_of.datum();
        // The registry counts the realisations of ETRS89 as dynamic because they have a reference epoch.
        // They turn with the Eurasian plate, and their coordinates are used without an epoch.
        let eurasian = datum.as_ref().or(ensemble.as_ref()).is_some_and(|d| d.name().starts_with("European Terrestrial Reference"));
        let dynamic = !eurasian
            && match (&datum, &ensemble) {
                (Some(d), _) => d.is_dynamic_datum(),
                (None, Some(e)) => e.members().iter().any(Object::is_dynamic_datum),
                (None, None) => false,
            };
        Self {
            text: text.to_owned(),
            id: object.id(),
            name: object.name(),
            kind,
            axes: match kind {
                ObjectKind::Compound => [0, 1].iter().filter_map(|i| object.part(*i)).flat_map(|part| part.axes()).collect(),
                _ => object.axes(),
            },
            area: object.area(),
            ellipsoid: object.ellipsoid().map_or(super::ellipsoid::GRS80, |(a, inverse)| Ellipsoid::new(a, inverse)),
            datum: datum.or_else(|| ensemble.as_ref().and_then(|_| datum_of.ensemble())).map_or(String::new(), |d| d.name()),
            ensemble_accuracy_m: ensemble.map(|e| e.ensemble_accuracy_m()),
            dynamic,
            geographic_3d: geodetic.and_then(|g| g.to_3d()).and_then(|g| g.id()).map(|(authority, code)| format!("{authority}:{code}")),
        }
    }

    /// `AUTHORITY:CODE` where it has one, the text otherwise.
    #[must_use]
    pub fn code(&self) -> String {
        self.id.as_ref().map_or_else(|| self.text.clone(), |(authority, code)| format!("{authority}:{code}"))
    }

    /// Code and name, for messages.
    #[must_use]
    pub fn title(&self) -> String {
        match &self.id {
            Some((authority, code)) => format!("`{authority}:{code}` ({})", self.name),
            None => format!("`{}`", self.name),
        }
    }

    /// Unit of the horizontal axes; `None` when it is none that a table can hold.
    #[must_use]
    pub fn horizontal_unit(&self) -> Option<Unit> {
        let first = self.axes.first()?;
        match self.kind {
            ObjectKind::Geographic2D | ObjectKind::Geographic3D => is_degree(first.factor).then_some(Unit::Degree),
            ObjectKind::Vertical => None,
            _ => length_unit(first.factor),
        }
    }

    /// Unit of the height axis, when it has one.
    #[must_use]
    pub fn vertical_unit(&self) -> Option<Unit> {
        self.axes.iter().find(|a| a.direction == "up").and_then(|a| length_unit(a.factor))
    }
}

fn is_degree(factor: f64) -> bool {
    (factor - 1_f64.to_radians()).abs() < 1e-12
}

/// The unit of a length of this many metres. The two feet differ by 2 ppm, so the comparison is
/// a hundred times finer.
#[must_use]
pub fn length_unit(factor: f64) -> Option<Unit> {
    [(1.0, Unit::Metre), (0.3048, Unit::Foot), (1200.0 / 3937.0, Unit::UsSurveyFoot)]
        .into_iter()
        .find(|(metres, _)| (factor / metres - 1.0).abs() < 1e-8)
        .map(|(_, unit)| unit)
}

/// Length of a unit in metres; 1 for a unit that is no length.
#[must_use]
pub fn metres(unit: Unit) -> f64 {
    match unit {
        Unit::Foot => 0.3048,
        Unit::UsSurveyFoot => 1200.0 / 3937.0,
        _ => 1.0,
    }
}

/// A context with these grid folders.
///
/// # Errors
/// When the library cannot start.
pub fn open(folders: &[std::path::PathBuf]) -> Result<ProjContext, Problem> {
    ProjContext::new(folders).map_err(|e| block("frame/library", e).fix("install the program again; its geodesy library does not work"))
}

/// Makes a CRS of a text.
pub fn define<'d>(proj: &'d ProjContext, text: &str) -> Result<Object<'d>, Problem> {
    let trimmed = text.trim();
    let unknown = |why: String| {
        Problem::new("frame/unknown-crs", format!("`{trimmed}` is not a coordinate reference system"))
            .size("no coordinates; a system that were guessed in its place would be off by metres to hundreds of metres")
            .why(why)
            .fix("write a code such as `EPSG:6319`, or WKT, or PROJ text with `+type=crs`")
    };
    let as_proj = trimmed.starts_with('+') || trimmed.starts_with("proj=");
    let as_code = trimmed.split_once(':').is_some_and(|(authority, code)| {
        !code.is_empty()
            && authority.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
            && code.chars().all(|c| c.is_ascii_alphanumeric() || "+_:.".contains(c))
    });
    if !(as_proj || as_code || trimmed.contains('[') || trimmed.starts_with('{')) {
        return Err(unknown("it is neither a code nor a definition, and a name alone fits several systems".to_owned()));
    }
    let full = if as_proj && !trimmed.contains("type=crs") { format!("{trimmed} +type=crs") } else { trimmed.to_owned() };
    let object = proj.create(&full).map_err(|e| unknown(format!("the registry {} has no such entry ({e})", proj.versions().1)))?;
    if object.kind() == ObjectKind::NotCrs {
        return Err(unknown(format!("it defines `{}`, which is something else", object.name())));
    }
    Ok(object)
}

/// The reference system of a delivery, as file formats want it.
#[derive(Clone, Debug, PartialEq)]
pub struct SrsInfo {
    /// Organisation that defined it, `NONE` for a system without a code.
    pub organization: String,
    /// Code in that organisation, when it is a number.
    pub code: Option<i32>,
    /// Name.
    pub name: String,
    /// WKT 1 on one line. WKT 1 has no 3D geographic system; such a one is written as its 2D part.
    pub wkt1: String,
    /// WKT 2:2019 on one line.
    pub wkt2: String,
    /// Whether the axes are latitude and longitude.
    pub is_geographic: bool,
}

/// The reference system of a code, WKT or PROJ text, for file formats. `HORIZONTAL+VERTICAL` codes
/// (`EPSG:6345+5703`) give the compound system.
///
/// # Errors
/// `frame/unknown-crs`.
pub fn srs_of(crs: &str) -> Result<SrsInfo, Problem> {
    let proj = open(&[])?;
    let object = define(&proj, crs)?;
    let (organization, code) = object.id().unwrap_or_else(|| ("NONE".to_owned(), String::new()));
    let wkt1 = object.wkt(1).or_else(|| object.to_2d().and_then(|flat| flat.wkt(1))).unwrap_or_default();
    Ok(SrsInfo {
        organization,
        code: code.parse().ok(),
        name: object.name(),
        wkt1,
        wkt2: object.wkt(2).unwrap_or_default(),
        is_geographic: matches!(object.kind(), ObjectKind::Geographic2D | ObjectKind::Geographic3D),
    })
}

/// Well-known text of a CRS on one line, version 1 or 2 (2019).
///
/// # Errors
/// `frame/unknown-crs`, also when the version cannot say it.
pub fn wkt(crs: &str, version: u8) -> Result<String, Problem> {
    let proj = open(&[])?;
    let object = define(&proj, crs)?;
    object.wkt(version).ok_or_else(|| Problem::new("frame/unknown-crs", format!("`{crs}` cannot be said in WKT {version}")))
}

/// The ellipsoid of a CRS.
///
/// # Errors
/// `frame/unknown-crs`.
pub fn ellipsoid_of(crs: &str) -> Result<Ellipsoid, Problem> {
    Ok(Crs::look_up(crs)?.ellipsoid)
}

#[cfg(test)]
mod tests {
    use super::super::ellipsoid::{GRS80, WGS84};
    use super::*;

    #[test]
    fn kinds_units_and_datums() {
        let itrf = Crs::look_up("EPSG:9989").unwrap();
        assert!(itrf.kind == ObjectKind::Geographic3D && itrf.dynamic && itrf.ensemble_accuracy_m.is_none());
        assert_eq!(itrf.horizontal_unit(), Some(Unit::Degree));
        assert_eq!(itrf.vertical_unit(), Some(Unit::Metre));
        let nad = Crs::look_up("EPSG:6319").unwrap();
        assert!(!nad.dynamic && nad.ellipsoid == GRS80);
        let wgs = Crs::look_up("EPSG:4979").unwrap();
        // EPSG: the WGS 84 ensemble is good to 2 m.
        assert_eq!(wgs.ensemble_accuracy_m, Some(2.0));
        assert!(wgs.dynamic && wgs.ellipsoid == WGS84);
        let utm = Crs::look_up("EPSG:6345").unwrap();
        assert_eq!(
            (utm.kind, utm.horizontal_unit(), utm.geographic_3d.as_deref()),
            (ObjectKind::Projected, Some(Unit::Metre), Some("EPSG:6319"))
        );
        assert_eq!(Crs::look_up("EPSG:6499").unwrap().horizontal_unit(), Some(Unit::Foot));
        assert_eq!(Crs::look_up("EPSG:2253").unwrap().horizontal_unit(), Some(Unit::Foot));
        assert_eq!(Crs::look_up("EPSG:2225").unwrap().horizontal_unit(), Some(Unit::UsSurveyFoot));
        let height = Crs::look_up("EPSG:8228").unwrap();
        assert_eq!((height.kind, height.vertical_unit()), (ObjectKind::Vertical, Some(Unit::Foot)));
        let compound = Crs::look_up("EPSG:6345+5703").unwrap();
        assert_eq!((compound.kind, compound.vertical_unit()), (ObjectKind::Compound, Some(Unit::Metre)));
        assert_eq!(Crs::look_up("EPSG:27700").unwrap().geographic_3d, None);
        for code in ["EPSG:4937", "EPSG:7931", "EPSG:7843", "EPSG:4939"] {
            assert!(!Crs::look_up(code).unwrap().dynamic, "{code}");
        }
        // Codes that findings name as examples.
        for (code, name) in [("EPSG:7931", "ETRF2000"), ("EPSG:8403", "ETRF2014"), ("EPSG:9989", "ITRF2020"), ("EPSG:7912", "ITRF2014")] {
            let crs = Crs::look_up(code).unwrap();
            assert_eq!((crs.name.as_str(), crs.kind), (name, ObjectKind::Geographic3D));
        }
        for code in ["EPSG:7912", "EPSG:7789", "EPSG:9990"] {
            assert!(Crs::look_up(code).unwrap().dynamic, "{code}");
        }
    }

    #[test]
    fn names_are_not_guessed_at() {
        for text in ["WGS 84", "NAD83", "", "EPSG:999999", "ITRF2020", "EPSG:9989 x", "EPSG:1078"] {
            let problem = Crs::look_up(text).unwrap_err();
            assert_eq!(problem.finding.code, "frame/unknown-crs", "{text}");
        }
        assert!(Crs::look_up("+proj=utm +zone=16 +ellps=GRS80").is_ok());
    }

    #[test]
    fn reference_systems_for_files() {
        let utm = srs_of("EPSG:6345").unwrap();
        assert_eq!((utm.organization.as_str(), utm.code, utm.is_geographic), ("EPSG", Some(6345), false));
        assert!(utm.wkt1.starts_with("PROJCS[") && utm.wkt2.starts_with("PROJCRS[") && !utm.wkt2.contains('\n'));
        let three = srs_of("EPSG:6319").unwrap();
        assert!(three.wkt1.starts_with("GEOGCS[") && three.wkt2.contains("CS[ellipsoidal,3]") && three.is_geographic);
        assert_eq!(srs_of("EPSG:6345+5703").unwrap().organization, "NONE");
        assert!(wkt("EPSG:6345", 2).is_ok());
    }
}
