//! The official operation between two frames: one that the registry's authority published, never a chain that
//! a library put together.
//!
//! A library joins published steps into chains, and each step may be right while the chain is what its
//! authority warns of: it brings in a third frame with its own error, and goes another way than the authority's
//! own realisation does. Such a chain is named here and not taken.

use serde::Serialize;
use survey_geodesy::area::Area;
use survey_geodesy::proj_context::{GridNeed, Object, ProjContext};

/// An operation that the authority published as such.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Official {
    /// Name.
    pub name: String,
    /// Stated accuracy, m.
    pub accuracy_m: f64,
    /// Grids that it needs, and whether they are here.
    pub grids: Vec<GridNeed>,
    /// Its area of use.
    #[serde(skip)]
    pub area: Option<Area>,
    /// Pipeline: longitude, latitude (deg), height (m), decimal year in.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub pipeline: String,
}

/// What the registry has between two frames at a place.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Ways {
    /// Both frames are the same.
    pub same: bool,
    /// Official operations, the registry's best first.
    pub official: Vec<Official>,
    /// Chains that a library would make: their steps. Never taken.
    pub chains: Vec<Vec<String>>,
}

/// Looks for operations whose area contains a place (latitude, longitude).
#[must_use]
pub fn ways(proj: &ProjContext, from: &Object, to: &Object, place: (f64, f64)) -> Ways {
    if from.same_as(to) {
        return Ways { same: true, ..Ways::default() };
    }
    let mut ways = Ways::default();
    for found in proj.operations(from, to, Some(place), false) {
        let Some(accuracy_m) = found.accuracy_m() else { continue };
        if found.is_ballpark() || found.area().is_some_and(|a| !a.contains(place.0, place.1)) {
            continue;
        }
        let steps = found.transformations();
        if steps.len() > 1 && found.id().is_none() {
            ways.chains.push(steps);
            continue;
        }
        let pipeline = found.normalized().and_then(|n| n.proj_text()).unwrap_or_default();
        // Conversions between forms of the same frame are no part of what was published.
        let name = if steps.len() == 1 { steps.concat() } else { found.name() };
        ways.official.push(Official { name, accuracy_m, grids: found.grids(), area: found.area(), pipeline });
    }
    ways
}

#[cfg(test)]
mod tests {
    use super::*;
    use survey_geodesy::crs::{define, open};

    fn between(from: &str, to: &str, place: (f64, f64)) -> Ways {
        let proj = open(&[]).unwrap();
        let (a, b) = (define(&proj, from).unwrap(), define(&proj, to).unwrap());
        ways(&proj, &a, &b, place)
    }

    #[test]
    fn published_operations_and_chains_are_told_apart() {
        // EPSG 8048, GDA94 to GDA2020 (1), published by ICSM.
        let gda = between("EPSG:4939", "EPSG:7843", (-33.9, 151.2));
        assert!(gda.official.iter().any(|o| o.name == "GDA94 to GDA2020 (1)" && o.accuracy_m <= 0.05), "{gda:#?}");
        assert!(between("EPSG:7843", "EPSG:7843", (-33.9, 151.2)).same);
        // EPSG 8970, ITRF2014 to NAD83(2011) (1).
        let nad = between("EPSG:7912", "EPSG:6319", (42.7, -84.5));
        assert!(nad.official.iter().any(|o| o.name == "ITRF2014 to NAD83(2011) (1)"), "{nad:#?}");
        // Between continents there is nothing but chains over global frames.
        let across = between("EPSG:4939", "EPSG:6319", (42.7, -84.5));
        assert!(across.official.is_empty(), "{across:#?}");
    }
}
