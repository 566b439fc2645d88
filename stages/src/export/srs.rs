//! What a delivered file says about its coordinate reference system.

use super::meaning;
use pipeline_core::table::schema::{Frame, Heights};

/// A CRS as a file format wants it named and defined.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Srs {
    /// Registry and code, when it has one.
    pub code: Option<(String, i64)>,
    /// Its name in the registry, else the text itself.
    pub name: String,
    /// WKT 1, when it can be written so.
    pub wkt1: Option<String>,
    /// WKT 2:2019.
    pub wkt2: Option<String>,
}

/// Registry and code of a text such as `EPSG:6345`.
#[must_use]
pub fn code_of(crs: &str) -> Option<(String, i64)> {
    let (registry, code) = crs.trim().split_once(':')?;
    let plain = !registry.is_empty() && registry.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
    Some((registry.to_ascii_uppercase(), code.parse().ok()?)).filter(|_| plain)
}

/// Looks a CRS up.
#[must_use]
pub fn look_up(crs: &str, name: &str) -> Srs {
    Srs { code: code_of(crs), name: name.to_owned(), wkt1: None, wkt2: None }
}

/// The CRS of the first two coordinates of a table, and what the third one is, in words.
#[must_use]
pub fn of_frame(frame: &Frame) -> (Srs, String) {
    let height = match &frame.heights {
        Heights::Ellipsoidal => "height above the ellipsoid of the datum, in metres".to_owned(),
        Heights::ReceiverGeoid => "height above the receiver's own coarse geoid".to_owned(),
        Heights::Vertical { datum, model, unit, .. } => {
            format!("height above {} in {} ({}), through {model}", look_up(datum, datum).name, unit.symbol(), meaning::unit(*unit))
        }
    };
    (look_up(&frame.crs, &frame.name), format!("third coordinate: {height}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes() {
        assert_eq!(code_of("EPSG:6345"), Some(("EPSG".into(), 6345)));
        assert_eq!(code_of(" epsg:6345"), Some(("EPSG".into(), 6345)));
        assert_eq!(code_of("EPSG:6345+5703"), None);
        assert_eq!(code_of("+proj=utm +zone=16"), None);
        assert_eq!(code_of("GEOGCRS[\"a:1"), None);
    }
}
