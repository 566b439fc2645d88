//! Compound systems taken apart.

use crate::crs::{Crs, define, open};
use crate::proj_context::{Object, ObjectKind};
use pipeline_base::problem::Problem;

/// The horizontal part of a system, and the vertical one of a compound.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Parts {
    /// Horizontal system: a code or a definition.
    pub horizontal: String,
    /// Vertical system of a compound.
    pub vertical: Option<String>,
}

fn named_code(object: &Object) -> Option<String> {
    object.id().map(|(authority, code)| format!("{authority}:{code}"))
}

fn named(object: &Object) -> Option<String> {
    named_code(object).or_else(|| object.wkt(2))
}

fn no_compound(text: &str, why: &str) -> Problem {
    Problem::new("frame/compound", format!("`{text}` is not a horizontal system with a vertical one: {why}"))
        .size(
            "a third coordinate with two meanings; an ellipsoidal height and one above a datum differ by N, tens of metres at most places",
        )
        .why("a compound has eastings and northings, or latitude and longitude, and one height above a vertical datum")
        .fix("write for example `EPSG:7415`, or `EPSG:6499+8228`; ellipsoidal heights need no compound")
}

/// Takes a system apart: `EPSG:7415`, `EPSG:6499+8228`, `EPSG:6499+EPSG:8228`, a compound in WKT, or a plain one.
///
/// # Errors
/// `frame/unknown-crs`; `frame/compound` for two parts that are no horizontal and vertical system.
pub fn parts(text: &str) -> Result<Parts, Problem> {
    let text = text.trim();
    let joined = text.split_once('+').filter(|(a, b)| {
        let code = |t: &str| t.chars().all(|c| c.is_ascii_alphanumeric() || ":_.".contains(c)) && !t.is_empty();
        a.contains(':') && code(a.trim()) && code(b.trim())
    });
    let found = match joined {
        Some((horizontal, vertical)) => {
            let (horizontal, vertical) = (horizontal.trim(), vertical.trim());
            let authority = horizontal.split(':').next().unwrap_or_default();
            let vertical = if vertical.contains(':') { vertical.to_owned() } else { format!("{authority}:{vertical}") };
            Parts { horizontal: horizontal.to_owned(), vertical: Some(vertical) }
        }
        None => {
            let proj = open(&[])?;
            let object = define(&proj, text)?;
            if object.kind() != ObjectKind::Compound {
                return Ok(Parts { horizontal: text.to_owned(), vertical: None });
            }
            // Well-known text carries the code of the whole; its parts have none of their own there.
            if let Some(code) = named_code(&object).filter(|code| code != text) {
                return parts(&code);
            }
            let part = |i| object.part(i).and_then(|o| named(&o));
            let (Some(horizontal), Some(vertical)) = (part(0), part(1)) else {
                return Err(no_compound(&object.name(), "a part of it has neither a code nor a definition"));
            };
            Parts { horizontal, vertical: Some(vertical) }
        }
    };
    let vertical = found.vertical.as_deref().unwrap_or_default();
    let (a, b) = (Crs::look_up(&found.horizontal)?, Crs::look_up(vertical)?);
    if matches!(a.kind, ObjectKind::Projected | ObjectKind::Geographic2D) && b.kind == ObjectKind::Vertical {
        return Ok(found);
    }
    Err(no_compound(text, &format!("its parts are {} and {}", a.title(), b.title())))
}
