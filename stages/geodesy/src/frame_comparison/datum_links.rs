//! Which datums the registry joins at a place, and how well at best.
//!
//! The library looks for an operation between two frames in many ways, and longest where there is none. Its search goes from
//! datum to datum by one operation or by two, so a look at the registry's own list of operations tells beforehand between
//! which frames there is none, or none that is good enough.

use crate::proj_context::ProjContext;
use rusqlite::{Connection, OpenFlags, params};
use std::collections::BTreeMap;

/// Operations that apply at a place, by the datums of their frames. An accuracy that is not stated counts as the best.
const OPERATIONS: &str = "
    SELECT s.datum_auth_name || ':' || s.datum_code, t.datum_auth_name || ':' || t.datum_code, MIN(COALESCE(CAST(o.accuracy AS REAL), 0))
    FROM coordinate_operation_view o
    JOIN geodetic_crs s ON s.auth_name = o.source_crs_auth_name AND s.code = o.source_crs_code
    JOIN geodetic_crs t ON t.auth_name = o.target_crs_auth_name AND t.code = o.target_crs_code
    WHERE o.deprecated = 0 AND EXISTS (
        SELECT 1 FROM usage u JOIN extent e ON e.auth_name = u.extent_auth_name AND e.code = u.extent_code
        WHERE u.object_table_name = o.table_name AND u.object_auth_name = o.auth_name AND u.object_code = o.code
        AND e.south_lat <= ?1 + 0.01 AND e.north_lat >= ?1 - 0.01
        AND CASE WHEN e.west_lon <= e.east_lon THEN e.west_lon <= ?2 + 0.01 AND e.east_lon >= ?2 - 0.01
            ELSE e.west_lon <= ?2 + 0.01 OR e.east_lon >= ?2 - 0.01 END)
    GROUP BY 1, 2";

/// Groups of datums: a member stands for its group and the other way round.
const GROUPS: &str = "
    SELECT ensemble_auth_name || ':' || ensemble_code, member_auth_name || ':' || member_code, 0.0
    FROM geodetic_datum_ensemble_member";

/// Best accuracy (m) of an operation between two datums, by the codes of both.
type Best = BTreeMap<String, BTreeMap<String, f64>>;

/// See the module. Without a list everything may be joined.
#[derive(Debug, Default)]
pub(super) struct DatumLinks(Option<Best>);

impl DatumLinks {
    /// Reads the list of the registry that a context has open.
    pub(super) fn read(proj: &ProjContext, place: (f64, f64)) -> Self {
        // A registry that cannot be read a second time costs time and changes no answer.
        Self(read(proj, place).ok())
    }

    /// The least that the accuracies (m) of one operation, or of two after one another, can add up to; infinite where there are none.
    /// The best where nothing is known of a datum.
    pub(super) fn best_m(&self, from: Option<&str>, to: Option<&str>) -> f64 {
        let (Some(best), Some(from), Some(to)) = (&self.0, from, to) else { return 0.0 };
        if from == to {
            return 0.0;
        }
        let Some(first) = best.get(from) else { return f64::INFINITY };
        let two = first.iter().filter_map(|(by, a)| Some(a + best.get(by)?.get(to)?));
        two.chain(first.get(to).copied()).fold(f64::INFINITY, f64::min)
    }
}

fn read(proj: &ProjContext, place: (f64, f64)) -> rusqlite::Result<Best> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let registry = Connection::open_with_flags(proj.registry(), flags)?;
    let mut best = Best::new();
    let mut keep = |a: String, b: String, accuracy_m: f64| {
        for (from, to) in [(&a, &b), (&b, &a)] {
            let known = best.entry(from.clone()).or_default().entry(to.clone()).or_insert(f64::INFINITY);
            *known = known.min(accuracy_m);
        }
    };
    for (text, at) in [(OPERATIONS, params![place.0, place.1]), (GROUPS, params![])] {
        let mut statement = registry.prepare(text)?;
        let mut rows = statement.query(at)?;
        while let Some(row) = rows.next()? {
            keep(row.get(0)?, row.get(1)?, row.get(2)?);
        }
    }
    Ok(best)
}
