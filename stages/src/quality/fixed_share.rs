//! What a gate after `occupations` says about each point: how many of its epochs were not of an
//! allowed fix kind, what they would have done to the mean, and whether enough is left.

use super::reason::{FIX_UNKNOWN, HELD, KEPT, NO_FIX, REASONS, is_fix};
use crate::occupation::local;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use survey_geodesy::local::Tangent;

/// Whole numbers of a column.
type Ints = Vec<Option<i64>>;

/// The columns that the findings need.
pub(super) struct Rows<'a> {
    /// Occupation of each row.
    pub occupation: Vec<Option<&'a str>>,
    /// Point name of each row.
    pub point: Vec<Option<&'a str>>,
    /// Fix word.
    pub fix: Vec<Option<&'a str>>,
    /// Raw quality code.
    pub quality: Option<Vec<Option<i64>>>,
    /// File.
    pub file: Option<Vec<Option<&'a str>>>,
    /// First and last raw line.
    pub lines: Option<(Ints, Ints)>,
    /// Time, ns.
    pub time: &'a [i64],
    /// Position.
    pub position: [&'a [f64]; 3],
}

/// The rules of the job.
pub(super) struct Rules {
    /// Hold when a larger share than this is refused for its fix.
    pub refused_share_above: f64,
    /// Hold when the kept epochs span less.
    pub kept_span_below_s: Option<f64>,
    /// The allowed words, for the message.
    pub allowed: String,
}

/// Findings, one at most for each occupation, and the code `held` for epochs of held ones.
pub(super) fn judge(codes: &mut [u8], rows: &Rows, rules: &Rules, waiver: &dyn Fn(&str, &str) -> Option<String>) -> Vec<Diagnostic> {
    let mut groups: Vec<(&str, Vec<usize>)> = vec![];
    let mut place: BTreeMap<&str, usize> = BTreeMap::new();
    for (i, occupation) in rows.occupation.iter().enumerate() {
        let Some(name) = occupation else { continue };
        let k = *place.entry(name).or_insert_with(|| {
            groups.push((name, vec![]));
            groups.len() - 1
        });
        groups[k].1.push(i);
    }
    let mut found = vec![];
    for (occupation, members) in &groups {
        let kept: Vec<usize> = members.iter().copied().filter(|i| codes[*i] == KEPT).collect();
        let not_fixed: Vec<usize> = members.iter().copied().filter(|i| is_fix(codes[*i])).collect();
        let point = members.first().and_then(|i| rows.point[*i]).unwrap_or(occupation);
        if kept.is_empty() {
            found.push(nothing_left(codes, rows, rules, point, occupation, members));
            continue;
        }
        if not_fixed.is_empty() {
            continue;
        }
        #[allow(clippy::cast_precision_loss)]
        let share = not_fixed.len() as f64 / members.len() as f64;
        let span = span_s(rows.time, &kept);
        let short = rules.kept_span_below_s.is_some_and(|rule| span < rule);
        let hold = short || share > rules.refused_share_above;
        let mut finding = Diagnostic::new(
            "gate/not-all-fixed",
            if hold { Verdict::Hold } else { Verdict::Warn },
            format!("{} of {} epochs are not {}: {}", not_fixed.len(), members.len(), rules.allowed, kinds(rows, &not_fixed)),
        )
        .point(point)
        .place(place_of(point, occupation, members.len()))
        .why("a float or unknown fix is wrong by decimetres to metres and looks like any other; unknown codes are never taken as fixed");
        for label in labels(rows, members) {
            finding = finding.label(label);
        }
        let mut size = String::new();
        if let Some((shift, horizontal, up)) = shift_of_mean(rows, members, &kept) {
            let _ = write!(
                size,
                "the mean of all {} would differ by {shift:.3} m ({horizontal:.3} m horizontally, {up:+.3} m in height) from the mean of the {} kept",
                members.len(),
                kept.len()
            );
        }
        if let Some(scatter) = scatter_m(rows, &kept) {
            let _ = write!(size, "; the kept epochs scatter by {scatter:.3} m (1 sigma, three axes)");
        }
        finding = finding.size(size.trim_start_matches("; ").to_owned());
        finding = finding.fix(if short {
            format!(
                "occupy the point again for longer; the {} kept epochs span {span:.0} s, less than the {:.0} s of `hold_if_kept_span_below_s`",
                kept.len(),
                rules.kept_span_below_s.unwrap_or_default()
            )
        } else if hold {
            format!(
                "occupy the point again; or waive `gate/not-all-fixed` for `{point}`: {:.0} % refused is more than `hold_if_refused_share_above: {}`, and the {} kept epochs span {span:.0} s",
                share * 100.0,
                rules.refused_share_above,
                kept.len()
            )
        } else {
            format!("none needed: the {} kept epochs span {span:.0} s and only they are used", kept.len())
        });
        if hold {
            match waiver("gate/not-all-fixed", point).or_else(|| waiver("gate/not-all-fixed", occupation)) {
                Some(text) => finding.waived = Some(text),
                None => {
                    for i in &kept {
                        codes[*i] = HELD;
                    }
                }
            }
        }
        found.push(finding);
    }
    found
}

fn nothing_left(codes: &[u8], rows: &Rows, rules: &Rules, point: &str, occupation: &str, members: &[usize]) -> Diagnostic {
    let mut by_reason: BTreeMap<u8, usize> = BTreeMap::new();
    for i in members {
        *by_reason.entry(codes[*i]).or_default() += 1;
    }
    let reasons: Vec<String> =
        by_reason.iter().map(|(code, n)| format!("{n} {}", REASONS.get(usize::from(*code)).map_or("?", |r| r.0))).collect();
    let mut finding = Diagnostic::new(
        "gate/nothing-left",
        Verdict::Reshoot,
        format!("none of {} epochs passed the gate: {}", members.len(), reasons.join(", ")),
    )
    .point(point)
    .place(place_of(point, occupation, members.len()))
    .size("the point has no position and is not delivered")
    .why(format!("only {} epochs within the limits of the gate become points", rules.allowed))
    .fix("occupy the point again; wait for the fix and stay until it has held");
    for label in labels(rows, members) {
        finding = finding.label(label);
    }
    finding
}

fn place_of(point: &str, occupation: &str, epochs: usize) -> String {
    if point == occupation {
        format!("point `{point}`, {epochs} epochs")
    } else {
        format!("point `{point}`, occupation `{occupation}`, {epochs} epochs")
    }
}

/// Kinds with their counts and raw codes, such as `12 rtk-float (quality 5), 7 unknown (quality 9)`.
fn kinds(rows: &Rows, members: &[usize]) -> String {
    let mut counts: BTreeMap<(&str, Option<i64>), usize> = BTreeMap::new();
    for i in members {
        let code = rows.quality.as_ref().and_then(|q| q[*i]);
        *counts.entry((rows.fix[*i].unwrap_or("unknown"), code)).or_default() += 1;
    }
    let mut list: Vec<_> = counts.into_iter().collect();
    list.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    let words: Vec<String> = list
        .iter()
        .map(|((word, code), n)| match code {
            Some(9) if super::reason::fix_reason(Some(word)) == FIX_UNKNOWN => {
                format!("{n} {word} (quality 9, not in NMEA 0183; some receivers use it for satellite augmentation)")
            }
            Some(code) => format!("{n} {word} (quality {code})"),
            None if super::reason::fix_reason(Some(word)) == NO_FIX => format!("{n} with no position in the log"),
            None => format!("{n} {word}"),
        })
        .collect();
    words.join(", ")
}

/// One label for each file of the members.
pub(super) fn labels(rows: &Rows, members: &[usize]) -> Vec<Label> {
    let (Some(files), Some((first, last))) = (&rows.file, &rows.lines) else { return vec![] };
    let mut spans: BTreeMap<&str, (i64, i64)> = BTreeMap::new();
    for i in members {
        if let (Some(file), Some(a), Some(b)) = (files[*i], first[*i], last[*i]) {
            let span = spans.entry(file).or_insert((a, b));
            *span = (span.0.min(a), span.1.max(b));
        }
    }
    spans.into_iter().map(|(file, (a, b))| Label::lines(file, a.max(0).unsigned_abs(), b.max(0).unsigned_abs(), "these epochs")).collect()
}

#[allow(clippy::cast_precision_loss)]
fn span_s(time: &[i64], members: &[usize]) -> f64 {
    let first = members.iter().map(|i| time[*i]).min().unwrap_or_default();
    let last = members.iter().map(|i| time[*i]).max().unwrap_or_default();
    last.saturating_sub(first) as f64 / 1e9
}

/// Means in one local frame at the first kept epoch.
fn mean(rows: &Rows, local: &Tangent, members: &[usize]) -> Option<[f64; 3]> {
    let mut sum = [0.0; 3];
    let mut n = 0.0;
    for i in members {
        let p = local.enu(rows.position[0][*i], rows.position[1][*i], rows.position[2][*i]);
        if p.iter().all(|v| v.is_finite()) {
            for (s, v) in sum.iter_mut().zip(p) {
                *s += v;
            }
            n += 1.0;
        }
    }
    (n > 0.0).then(|| sum.map(|s| s / n))
}

fn origin(rows: &Rows, kept: &[usize]) -> Option<Tangent> {
    kept.first().map(|i| local::at(rows.position[0][*i], rows.position[1][*i], rows.position[2][*i]))
}

/// Total, horizontal and vertical distance of the plain mean of all members from that of the kept.
fn shift_of_mean(rows: &Rows, members: &[usize], kept: &[usize]) -> Option<(f64, f64, f64)> {
    let local = origin(rows, kept)?;
    let (all, good) = (mean(rows, &local, members)?, mean(rows, &local, kept)?);
    let d = [all[0] - good[0], all[1] - good[1], all[2] - good[2]];
    Some(((d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt(), d[0].hypot(d[1]), d[2]))
}

/// Standard deviation of one kept epoch about their mean, all axes together.
fn scatter_m(rows: &Rows, kept: &[usize]) -> Option<f64> {
    if kept.len() < 2 {
        return None;
    }
    let local = origin(rows, kept)?;
    let centre = mean(rows, &local, kept)?;
    let mut square = 0.0;
    for i in kept {
        let p = local.enu(rows.position[0][*i], rows.position[1][*i], rows.position[2][*i]);
        square += (0..3).map(|k| (p[k] - centre[k]).powi(2)).sum::<f64>();
    }
    #[allow(clippy::cast_precision_loss)]
    Some((square / (kept.len() - 1) as f64).sqrt())
}
