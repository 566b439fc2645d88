//! What the lineup means, as a finding.

use super::{EpochBy, FrameAnswer, FrameCandidate, FrameQuestion, Side};
use pipeline_base::diag::{Diagnostic, Verdict};

/// A finding with the suspects that it names.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameFinding {
    /// `frame/other-frame-fits` or `frame/no-frame-fits`.
    pub finding: Diagnostic,
    /// Suspects within the tolerance, the best first; none for `frame/no-frame-fits`.
    pub suspects: Vec<FrameCandidate>,
}

/// The finding of a lineup; `None` when the numbers agree as they are stated.
#[must_use]
pub fn accuse(lineup: &FrameAnswer, question: &FrameQuestion) -> Option<FrameFinding> {
    if lineup.as_stated.as_ref().is_some_and(|s| s.fits(question.tolerance_m)) {
        return None;
    }
    let fitting = lineup.fitting(question.tolerance_m);
    // Few marks fit a free epoch by chance, so a stated epoch is believed first where it fits.
    let best = fitting.iter().find(|s| s.epoch_by != EpochBy::Fitted).or_else(|| fitting.first()).copied();
    let finding = match best {
        Some(best) => other_frame(lineup, question, best, &fitting),
        None => no_frame(lineup, question),
    };
    let mut suspects: Vec<FrameCandidate> = best.into_iter().cloned().collect();
    suspects.extend(fitting.into_iter().filter(|s| Some(*s) != best).cloned());
    Some(FrameFinding { finding: finding.place(place(question)), suspects })
}

fn place(question: &FrameQuestion) -> String {
    const SHOWN: usize = 6;
    let names: Vec<String> = question.marks.iter().take(SHOWN).map(|m| format!("`{}`", m.name)).collect();
    let more = question.marks.len().saturating_sub(SHOWN);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    let word = if question.marks.len() == 1 { "mark" } else { "marks" };
    format!("{word} {}{more}", names.join(", "))
}

/// `dE +0.906 dN -0.955 dU +1.090 m`.
pub(super) fn offset(s: &FrameCandidate) -> String {
    let up = s.mean_m.2.map_or_else(String::new, |u| format!(" dU {u:+.3}"));
    format!("dE {:+.3} dN {:+.3}{up} m", s.mean_m.0, s.mean_m.1)
}

/// Distances of the marks from their own mean, root mean square, m.
fn spread(s: &FrameCandidate) -> f64 {
    let (e, n, u) = s.mean_m;
    (s.rms_m.powi(2) - e * e - n * n - u.unwrap_or(0.0).powi(2)).max(0.0).sqrt()
}

fn title(s: &FrameCandidate) -> String {
    let epoch = s.epoch.map_or_else(String::new, |e| format!(" at {e:.2}"));
    format!("`{}` ({}){epoch}", s.frame, s.name)
}

fn other_frame(lineup: &FrameAnswer, question: &FrameQuestion, best: &FrameCandidate, fitting: &[&FrameCandidate]) -> Diagnostic {
    let stated = lineup.as_stated.as_ref();
    let (whose, other) = match best.side {
        Side::Measured => ("measured", "published"),
        Side::Published => ("published", "measured"),
    };
    let said = question.measured.as_ref().map_or_else(
        || "nothing is declared".to_owned(),
        |m| format!("`{}`{} is declared", m.frame, m.epoch.map_or_else(String::new, |e| format!(" at {e:.2}"))),
    );
    let said = if best.side == Side::Published {
        format!("`{}`{} is stated", question.published.frame, question.published.epoch.map_or_else(String::new, |e| format!(" at {e:.2}")))
    } else {
        said
    };
    let left =
        stated.map_or_else(String::new, |s| format!("; as stated, measured minus published is {} (spread {:.3} m)", offset(s), spread(s)));
    let what =
        format!("the {whose} coordinates of {} fit {} within {:.3} m, and {said}{left}", count(lineup.marks), title(best), best.rms_m);
    let others: Vec<String> = fitting
        .iter()
        .filter(|s| s.frame != best.frame || s.side != best.side)
        .take(3)
        .map(|s| format!("{} ({} numbers, {:.3} m)", title(s), if s.side == Side::Measured { "measured" } else { "published" }, s.rms_m))
        .collect();
    let others = if others.is_empty() {
        String::new()
    } else {
        format!("; these fit within {:.3} m too: {}", question.tolerance_m, others.join(", "))
    };
    let size = stated.map_or_else(
        || "the shift between the two frames".to_owned(),
        |s| {
            let up = s.mean_m.2.map_or_else(String::new, |u| format!(" and {u:+.3} m in height"));
            format!("{:.3} m horizontally{up}", s.mean_m.0.hypot(s.mean_m.1))
        },
    );
    let fix = match best.side {
        Side::Measured => format!(
            "ask whoever sends the corrections; if it is so, set `corrections.frame: {}`{}",
            best.frame,
            best.epoch.map_or_else(String::new, |e| format!(" and `corrections.epoch: {e:.2}`"))
        ),
        Side::Published => format!(
            "ask for the sheet of the marks again; if it is so, state `{}`{} as the frame of the list",
            best.frame,
            best.epoch.map_or_else(String::new, |e| format!(" at {e:.2}"))
        ),
    };
    Diagnostic::new("frame/other-frame-fits", Verdict::Block, what)
        .size(size)
        .why(format!("the {whose} numbers look as if they were in that frame, where the {other} ones agree with them{others}"))
        .fix(fix)
}

fn no_frame(lineup: &FrameAnswer, question: &FrameQuestion) -> Diagnostic {
    let nearest = lineup.suspects.iter().find(|s| s.epoch_by != EpochBy::Fitted).or_else(|| lineup.suspects.first());
    let near = nearest.map_or_else(String::new, |s| format!("; the nearest is {} with {:.3} m left over", title(s), s.rms_m));
    let what = format!(
        "none of {} frames brings measured and published coordinates of {} together within {:.3} m{near}",
        lineup.looked_at,
        count(lineup.marks),
        question.tolerance_m
    );
    let (size, why) = match &lineup.as_stated {
        Some(s) if lineup.marks > 1 && spread(s) > question.tolerance_m => (
            format!("{:.3} m at `{}`, {:.3} m on average", s.worst_m, s.worst, s.rms_m),
            format!(
                "the marks disagree among themselves by {:.3} m, which no change of frame does; one of them is wrong, or was taken for another",
                spread(s)
            ),
        ),
        Some(s) => (
            format!("{} as stated", offset(s)),
            "the difference is that of no pair of frames: the position typed into the base, its antenna height or the mark may be wrong"
                .to_owned(),
        ),
        None => ("not known".to_owned(), "no official operation joins the two stated frames here".to_owned()),
    };
    Diagnostic::new("frame/no-frame-fits", Verdict::Block, what)
        .size(size)
        .why(why)
        .fix("measure a second mark of another source; check the name of the mark and the position and antenna height of the base")
}

fn count(marks: usize) -> String {
    if marks == 1 { "1 mark".to_owned() } else { format!("{marks} marks") }
}
