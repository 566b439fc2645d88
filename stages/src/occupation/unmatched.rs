//! Notes that met no epoch.
//!
//! Sessions run one by one, and one file of notes may serve several, so a session alone cannot say
//! that a note was lost. Each session therefore keeps the fact [`FACT`]: one entry per line of the
//! notes, with what became of it here. [`unmatched_notes`] compares the entries of all sessions of a
//! step; it is called once at the end of a run. It also says which notes met epochs of two sessions. A session reports a lost note itself only when the
//! note can be no other session's: it names the session, its file does, or it lies within the log.

use super::notes_time::{HOUR, SECOND, length};
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_core::stage::Facts;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Key of the fact that holds a list of [`Outcome`].
pub(crate) const FACT: &str = "notes";

/// What became of a note in a session.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum State {
    /// It met epochs.
    Matched,
    /// It met none, and the finding is said.
    Reported,
    /// It met none, and may belong to another session.
    Open,
}

/// One line of the notes in one session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Outcome {
    /// Session that this is about.
    pub session: String,
    /// File of the notes.
    pub file: String,
    /// Line, counted from 1.
    pub line: u64,
    /// Point name.
    pub point: String,
    /// What became of it.
    pub state: State,
    /// Epochs that it met.
    pub epochs: u64,
    /// Seconds to the nearest epoch, negative when that epoch is earlier; `None` without epochs.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub nearest_s: Option<f64>,
    /// Whole hours that, added to the note, would let it meet epochs.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub hours: Option<i64>,
    /// How many of this file's unmatched notes the same hours would serve.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub hours_serve: Option<u64>,
}

/// What became of a note in all sessions.
#[derive(Default)]
struct Count {
    /// Sessions in which it met epochs.
    met: usize,
    /// Whether a session met it or said that it is lost.
    settled: bool,
}

/// The findings for notes that no session met, from the facts [`FACT`] of all sessions of a step.
/// Facts of another form are passed over.
#[must_use]
pub(crate) fn unmatched_notes(facts: &Facts) -> Vec<Diagnostic> {
    let outcomes = || facts(FACT).filter_map(|fact| serde_json::from_value::<Vec<Outcome>>(fact).ok()).flatten();
    // Nearly every note meets one session, and nothing is to be said of it: those are only counted.
    let mut states: BTreeMap<String, BTreeMap<u64, Count>> = BTreeMap::new();
    for o in outcomes() {
        let count = states.entry(o.file).or_default().entry(o.line).or_default();
        count.met += usize::from(o.state == State::Matched);
        count.settled |= o.state != State::Open;
    }
    states.values_mut().for_each(|of| of.retain(|_, count| count.met > 1 || !count.settled));
    let mut lines: BTreeMap<(String, u64), Vec<Outcome>> = BTreeMap::new();
    if states.values().any(|of| !of.is_empty()) {
        for o in outcomes().filter(|o| states.get(&o.file).is_some_and(|of| of.contains_key(&o.line))) {
            lines.entry((o.file.clone(), o.line)).or_default().push(o);
        }
    }
    let away = |o: &Outcome| o.nearest_s.map_or(f64::INFINITY, f64::abs);
    lines
        .into_values()
        .filter_map(|all| {
            let met: Vec<&Outcome> = all.iter().filter(|o| o.state == State::Matched).collect();
            if met.len() > 1 {
                return Some(two_sessions(&met));
            }
            if all.iter().any(|o| o.state != State::Open) {
                return None;
            }
            all.iter().min_by(|a, b| away(a).total_cmp(&away(b))).map(finding)
        })
        .collect()
}

/// A note that met epochs of several sessions: a time of day that occurs on two days, or two
/// receivers at the same time.
fn two_sessions(met: &[&Outcome]) -> Diagnostic {
    let list: Vec<String> = met.iter().map(|o| format!("`{}` ({} epochs)", o.session, o.epochs)).collect();
    let (point, file, line) = met.first().map_or(("", "", 0), |o| (o.point.as_str(), o.file.as_str(), o.line));
    Diagnostic::new(
        "notes/two-sessions",
        Verdict::Block,
        format!("the note of `{point}` meets epochs of {} sessions: {}", met.len(), list.join(", ")),
    )
    .point(point)
    .place(format!("{file}, line {line}"))
    .label(Label::lines(file, line, line, "this note"))
    .size("a point of that name would be delivered from each session, wherever the antenna was")
    .why("the note has no date or names no session, and several sessions have epochs at that time")
    .fix("name the notes after their sessions (`notes: [\"notes/{session}.csv\"]`), add a column `session`, or write times with dates")
}

/// The finding for one note.
#[must_use]
pub(crate) fn finding(o: &Outcome) -> Diagnostic {
    #[allow(clippy::cast_possible_truncation)]
    let nearest = o.nearest_s.map(|s| (s < 0.0, length((s * SECOND as f64) as i64)));
    let what = match &nearest {
        Some((earlier, away)) => format!(
            "no epoch lies in the note of `{}`; the nearest one is {away} {}",
            o.point,
            if *earlier { "before it" } else { "after it" }
        ),
        None => format!("no epoch lies in the note of `{}`; the session has no epochs at all", o.point),
    };
    let mut finding = Diagnostic::new("notes/no-epochs", Verdict::Reshoot, what)
        .point(o.point.clone())
        .place(format!("{}, line {}", o.file, o.line))
        .label(Label::lines(&o.file, o.line, o.line, "this note"))
        .size("the point has no position and is not delivered");
    finding = match (o.hours, o.hours_serve) {
        (Some(hours), Some(serve)) => finding
            .why(format!("the note would meet epochs with {hours:+} h added, as would {serve} of the unmatched notes of this file: the notes may be on another clock than the job says"))
            .fix(format!("check `notes_time` and `utc_offset_h`: a clock {} h {} UTC would fit; if they are right, occupy the point again", hours.abs(), if hours < 0 { "ahead of" } else { "behind" })),
        _ => finding
            .why("the receiver did not log then, the time is written wrong, or an earlier step refused every epoch of it")
            .fix("compare the times of the note with the log and with the set-aside table; if the log has nothing, occupy the point again"),
    };
    finding
}

/// The whole-hour shift within 14 h that lets most of these windows meet epochs, the smallest one
/// when several do equally well, and which windows it serves. `times` ascend.
#[must_use]
pub(crate) fn hour_shift(windows: &[(i64, i64)], times: &[i64]) -> Option<(i64, Vec<bool>)> {
    let meets = |a: i64, b: i64| {
        let at = times.partition_point(|t| *t < a);
        times.get(at).is_some_and(|t| *t <= b)
    };
    let mut best: Option<(usize, i64, Vec<bool>)> = None;
    let mut shifts: Vec<i64> = (-14..=14).filter(|h| *h != 0).collect();
    shifts.sort_by_key(|h| (h.abs(), *h));
    for hours in shifts {
        let shift = hours * HOUR;
        let served: Vec<bool> = windows.iter().map(|(a, b)| meets(a.saturating_add(shift), b.saturating_add(shift))).collect();
        let count = served.iter().filter(|s| **s).count();
        if count > best.as_ref().map_or(0, |(c, _, _)| *c) {
            best = Some((count, hours, served));
        }
    }
    best.map(|(_, hours, served)| (hours, served))
}

/// Seconds from a window to the nearest epoch, negative when that epoch is earlier. `times` ascend.
#[must_use]
pub(crate) fn nearest_s(window: (i64, i64), times: &[i64]) -> Option<f64> {
    let at = times.partition_point(|t| *t < window.0);
    let before = at.checked_sub(1).and_then(|i| times.get(i)).map(|t| t.saturating_sub(window.0));
    let after = times.get(at).map(|t| t.saturating_sub(window.1).max(0));
    #[allow(clippy::cast_precision_loss)]
    let seconds = |ns: i64| ns as f64 / SECOND as f64;
    match (before, after) {
        (Some(b), Some(a)) => Some(seconds(if a < -b { a } else { b })),
        (Some(b), None) => Some(seconds(b)),
        (None, Some(a)) => Some(seconds(a)),
        (None, None) => None,
    }
}
