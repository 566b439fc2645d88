//! The rule of a session: a good check before its first point and after its last.
//!
//! A point that `compare-occupations` combined belongs to every session that it was occupied in: it needs the
//! checks of all of them.

use super::{Rule, Shot};
use crate::repeats::Members;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Role;
use pipeline_base::table::{Table, by_role};
use pipeline_core::stage::Cx;

/// What became of a session.
struct Session<'a> {
    name: &'a str,
    rows: Vec<usize>,
}

/// Which rows go on: all of a session, or none. Says why a session is held.
pub(super) fn judge(table: &Table, shots: &[Shot], rule: Rule, cx: &Cx) -> Result<Vec<bool>, Problem> {
    let names = table.texts(&by_role(&table.schema, Role::Session)?.name)?;
    let members = Members::read(table)?;
    let mut sessions: Vec<Session> = vec![];
    for (row, name) in names.iter().enumerate() {
        let name = name.unwrap_or_default();
        match sessions.iter_mut().find(|s| s.name == name) {
            Some(session) => session.rows.push(row),
            None => sessions.push(Session { name, rows: vec![row] }),
        }
    }
    for session in &mut sessions {
        session
            .rows
            .extend((0..table.rows()).filter(|r| names[*r].unwrap_or_default() != session.name && members.occupied_in(*r, session.name)));
    }
    let mut keep = vec![true; table.rows()];
    for session in &sessions {
        let own: Vec<&Shot> = shots.iter().filter(|s| s.session == session.name && s.dependent.is_none()).collect();
        let on_mark: Vec<usize> = shots.iter().filter(|s| s.session == session.name).map(|s| s.difference.row).collect();
        let points: Vec<usize> = session.rows.iter().copied().filter(|r| !on_mark.contains(r)).collect();
        for finding in [bad(session, &own, points.len()), missing(session, &own, &points, &members, rule)].into_iter().flatten() {
            let waived = cx.waiver(&finding.code, session.name);
            if waived.is_none() {
                for row in &session.rows {
                    keep[*row] = false;
                }
            }
            cx.find(Diagnostic { waived, ..finding });
        }
    }
    Ok(keep)
}

fn bad(session: &Session, own: &[&Shot], points: usize) -> Option<Diagnostic> {
    let bad: Vec<&&Shot> = own.iter().filter(|s| !s.good()).collect();
    if bad.is_empty() {
        return None;
    }
    let worst = bad.iter().map(|s| s.horizontal_m()).fold(0.0, f64::max);
    let worst_up = bad.iter().filter_map(|s| s.difference.up_m).map(f64::abs).fold(0.0, f64::max);
    Some(
        Diagnostic::new(
            "control/session-fails",
            Verdict::Hold,
            format!("{} of {} checks of session `{}` are not good; its {points} points are held", bad.len(), own.len(), session.name),
        )
        .place(format!(
            "session `{}`: {}",
            session.name,
            bad.iter().take(6).map(|s| format!("`{}`", s.point)).collect::<Vec<_>>().join(", ")
        ))
        .size(format!("up to {worst:.3} m horizontally and {worst_up:.3} m in height"))
        .why("what is wrong at the marks is wrong at the points between them too")
        .fix("look at pole, rig, base and frame, and occupy the marks again while the trench is open; `find-cause` names the setting that would explain it; or waive `control/session-fails` for this session with a name and a reason"),
    )
}

fn missing(session: &Session, own: &[&Shot], points: &[usize], members: &Members, rule: Rule) -> Option<Diagnostic> {
    let good: Vec<i64> = own.iter().filter(|s| s.good()).filter_map(|s| s.time).collect();
    let first = points.iter().filter_map(|r| members.time_in(*r, session.name)).min();
    let last = points.iter().filter_map(|r| members.time_in(*r, session.name)).max();
    let (Some(first), Some(last)) = (first, last) else { return None };
    let (before, after) = (good.iter().any(|t| *t <= first), good.iter().any(|t| *t >= last));
    let what = match rule {
        Rule::Nothing => return None,
        Rule::Once if good.is_empty() => "no good check on control",
        Rule::Once => return None,
        Rule::BeforeAndAfter => match (before, after) {
            (true, true) => return None,
            (false, false) => "no good check on control before its first and none after its last point",
            (false, true) => "no good check on control before its first point",
            (true, false) => "no good check on control after its last point",
        },
    };
    Some(
        Diagnostic::new("control/no-check", Verdict::Hold, format!("session `{}` has {what}; its {} points are held", session.name, points.len()))
            .place(format!(
                "session `{}`, points from {} to {}",
                session.name,
                crate::export::instant::iso_ms(first),
                crate::export::instant::iso_ms(last)
            ))
            .size("unknown: a wrong base, pole length or frame moves every point by 0.02 to 2 m and leaves no other trace")
            .why("repeats with the same settings agree with each other however wrong they are; only a mark of known value can tell")
            .fix("occupy a mark at the start and at the end; or waive `control/no-check` for this session with a name and a reason (`rule: once` asks for one check)"),
    )
}
