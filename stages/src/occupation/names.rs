//! Which point names were used more than once, in one session or in several.
//!
//! Both occupations are kept. Sessions run one by one, so each keeps the fact [`FACT`]: where the
//! antenna stood, on average, at each of its occupations. [`same_names`] compares them at the end.

use super::local;
use crate::occupation::interval::{Occupation, Owner, norm};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_core::stage::{Cx, Facts};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Key of the fact that holds a list of [`Whereabouts`].
pub(crate) const FACT: &str = "antenna_at";

/// Antennas of one point shot from two sides of a trench may stand this far apart, m. Common
/// practice: a pole of 2 m and a laser shot of a few metres on either side.
const ONE_POINT_M: f64 = 10.0;

/// Where the antenna stood at an occupation, on average.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Whereabouts {
    /// Session.
    pub session: String,
    /// Occupation, unique in the session.
    pub occupation: String,
    /// Point name.
    pub point: String,
    /// Latitude, degrees, to about a millimetre.
    pub latitude_deg: f64,
    /// Longitude, degrees.
    pub longitude_deg: f64,
    /// Ellipsoidal height, m.
    pub height_m: f64,
}

/// The fact of one session.
pub(super) fn whereabouts(cx: &Cx, positions: &[Vec<f64>; 3], owners: &[Owner], list: &[Occupation]) -> Result<serde_json::Value, Problem> {
    let mut sums: Vec<Option<local::Mean>> = vec![];
    sums.resize_with(list.len(), || None);
    for (row, owner) in owners.iter().enumerate() {
        let Some(slot) = sums.get_mut(*owner as usize) else { continue };
        let at = [positions[0][row], positions[1][row], positions[2][row]];
        if at.iter().all(|c| c.is_finite()) {
            slot.get_or_insert_with(|| local::Mean::new(at)).add(at);
        }
    }
    let session = cx.session().map_or_else(String::new, |s| s.name.clone());
    let digits = |v: f64, d: f64| (v * d).round() / d;
    let all: Vec<Whereabouts> = list
        .iter()
        .zip(sums)
        .filter_map(|(o, sum)| {
            let [latitude_deg, longitude_deg, height_m] = sum?.position();
            Some(Whereabouts {
                session: session.clone(),
                occupation: o.id.clone(),
                point: o.point.clone(),
                latitude_deg: digits(latitude_deg, 1e8),
                longitude_deg: digits(longitude_deg, 1e8),
                height_m: digits(height_m, 1e3),
            })
        })
        .collect();
    serde_json::to_value(all).map_err(Problem::broken)
}

/// The findings for names that occur more than once, from the facts of all sessions.
#[must_use]
pub(crate) fn same_names(facts: &Facts) -> Vec<Diagnostic> {
    let all = || facts(FACT).flat_map(|fact| serde_json::from_value::<Vec<Whereabouts>>(fact).unwrap_or_default());
    // Most names occur once: those are only counted.
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    all().for_each(|w| *counts.entry(w.point).or_default() += 1);
    counts.retain(|_, count| *count > 1);
    let mut by_name: BTreeMap<String, Vec<Whereabouts>> = BTreeMap::new();
    if !counts.is_empty() {
        for w in all().filter(|w| counts.contains_key(&w.point)) {
            by_name.entry(w.point.clone()).or_default().push(w);
        }
    }
    by_name.into_iter().map(|(name, all)| finding(&name, &all)).collect()
}

fn finding(name: &str, all: &[Whereabouts]) -> Diagnostic {
    let frame = local::at(all[0].latitude_deg, all[0].longitude_deg, all[0].height_m);
    let far = all.iter().map(|w| norm(frame.enu(w.latitude_deg, w.longitude_deg, w.height_m))).fold(0.0, f64::max);
    let apart = far > ONE_POINT_M;
    let shown: Vec<String> = all.iter().take(6).map(|w| format!("`{}` in session `{}`", w.occupation, w.session)).collect();
    let more = if all.len() > shown.len() { format!(" and {} more", all.len() - shown.len()) } else { String::new() };
    Diagnostic::new(
        "points/same-name",
        if apart { Verdict::Warn } else { Verdict::Note },
        format!("{} occupations carry the name `{name}`", all.len()),
    )
    .point(name)
    .place(format!("{}{more}", shown.join(", ")))
    .size(format!("the antenna stood up to {far:.3} m apart"))
    .why(if apart {
        "two points with one name cannot be told apart in the delivery"
    } else {
        "near enough for one point that was shot again; all are delivered side by side"
    })
    .fix(if apart {
        "all are kept and shown side by side; if they are different points, give each its own name in the notes"
    } else {
        "none needed; if they are different points, give each its own name in the notes"
    })
}
