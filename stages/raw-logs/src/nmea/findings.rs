//! What reading has to say, with numbers from the log.

mod block;
mod remark;

pub use block::blocks;
pub use remark::remarks;

use super::dating::Dated;
use super::line::Reason;
use super::log::{At, Lattice, Log};
use crate::nmea::settings::Settings;
use pipeline_base::diag::{Diagnostic, Label};
use serde_json::{Value, json};

/// What the findings depend on besides the log.
#[derive(Clone, Copy, Debug)]
pub struct Context<'a> {
    /// Name of the session.
    pub session: &'a str,
    /// How it was read.
    pub settings: &'a Settings,
    /// Horizontal budget of a point, 95 %, m.
    pub budget_m: Option<f64>,
    /// Declared date of line 1, days since 1970.
    pub date: Option<i64>,
}

/// A label at a place of the log.
fn label(log: &Log, at: At, text: impl Into<String>) -> Label {
    Label::lines(log.file(at.file), at.line, at.line, text)
}

/// A finding about a session, labelled with its files.
fn in_session(finding: Diagnostic, context: &Context) -> Diagnostic {
    let place = if finding.place.is_empty() {
        format!("session `{}`", context.session)
    } else {
        format!("session `{}`, {}", context.session, finding.place)
    };
    finding.place(place)
}

/// `1 line`, `2 lines`.
fn count(n: u64, word: &str) -> String {
    format!("{n} {word}{}", if n == 1 { "" } else { "s" })
}

/// A length in the unit that reads best.
fn length(metres: f64) -> String {
    if metres < 0.1 {
        let text = format!("{:.2}", metres * 1000.0);
        format!("{} mm", text.trim_end_matches('0').trim_end_matches('.'))
    } else {
        format!("{metres:.3} m")
    }
}

fn all_damaged(log: &Log, reason: Reason) -> u64 {
    log.tallies.iter().map(|t| t.damaged(reason)).sum()
}

/// Seconds between epochs that occur most, and how many epochs are missing by it in gaps of up to
/// one minute; longer ones are pauses.
#[must_use]
pub fn rate(times: &[i64]) -> Option<(f64, u64)> {
    let mut steps: Vec<i64> = times.windows(2).map(|w| w[1] - w[0]).filter(|s| *s > 0).collect();
    if steps.is_empty() {
        return None;
    }
    let middle = steps.len() / 2;
    let (_, typical, _) = steps.select_nth_unstable(middle);
    let typical = *typical;
    let missing: i64 = times
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|s| *s > typical + typical / 2 && *s <= 60_000_000_000)
        .map(|s| (s + typical / 2) / typical - 1)
        .sum();
    #[allow(clippy::cast_precision_loss)]
    Some((typical as f64 / 1e9, u64::try_from(missing).unwrap_or(0)))
}

/// Facts for the record.
#[must_use]
pub fn facts(log: &Log, dated: &Dated) -> Vec<(&'static str, Value)> {
    let n = &log.noticed;
    let c = &log.columns;
    let mut facts = vec![("sentences", json!(log.kinds())), ("epochs", json!(c.rows())), ("gga_lines", json!(n.gga))];
    let quality: serde_json::Map<String, Value> = n
        .quality
        .iter()
        .enumerate()
        .filter(|(_, k)| **k > 0)
        .map(|(i, k)| (["0", "1", "2", "3", "4", "5", "6", "7", "8", "9", "other", "blank"][i].to_owned(), json!(k)))
        .collect();
    facts.push(("gga_by_quality", Value::Object(quality)));
    if let Some((seconds, missing)) = rate(&c.time) {
        facts.push(("epoch_interval_s", json!(seconds)));
        facts.push(("epochs_missing", json!(missing)));
    }
    if let Dated::Yes { source, .. } = dated {
        facts.push(("date_source", json!(source)));
    }
    if let Some((low, high)) = n.separation_range {
        facts.push(("receiver_separation_m", json!({ "lowest": low, "highest": high, "lines": n.separations, "of": n.altitudes })));
    }
    if let Some((fewest, most)) = n.decimals.range() {
        facts.push(("decimals_of_minutes", json!({ "fewest": fewest, "most": most, "without_trailing_zeros": n.decimals.effective })));
    }
    if let Some((step, how)) = log.position_step_m() {
        let how = if how == Lattice::Decimals { "decimals" } else { "differences" };
        facts.push(("position_step_m", json!({ "step": step, "from": how })));
    }
    if n.altitudes > 0 {
        facts.push(("height_step_m", json!(10_f64.powi(-i32::from(n.altitude_effective)))));
    }
    facts.push(("epochs_with_gst", json!(n.gst)));
    if !c.bases.is_empty() {
        let bases: Vec<Value> = c.bases.iter().zip(&n.base_rows).map(|(b, rows)| json!({ "id": b, "epochs": rows })).collect();
        facts.push(("base_stations", json!(bases)));
    }
    if !n.seen.is_empty() {
        let seen: Vec<Value> = n
            .seen
            .iter()
            .map(
                |s| json!({ "sentence": s.sentence, "name": s.name, "unit": s.unit, "values": s.count, "lowest": s.min, "highest": s.max }),
            )
            .collect();
        facts.push(("sensors", json!(seen)));
    }
    let behind: u64 = log.tallies.iter().map(|t| t.behind).sum();
    if behind > 0 {
        facts.push(("sentences_behind_other_bytes", json!(behind)));
    }
    for (key, number) in [("repeats", n.repeats), ("unplaced_values", n.unplaced), ("midnights", n.midnights.count)] {
        if number > 0 {
            facts.push((key, json!(number)));
        }
    }
    facts
}
