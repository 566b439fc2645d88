//! The answer for the trench: what to do about each point, in one line, the worst first.
//!
//! It is made from the findings and the delivered points of a run, and from nothing else, so that it says
//! the same in the field and in the office.

use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Holds, Role};
use serde::Serialize;
use std::collections::BTreeMap;

/// A point that a run delivers.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct DeliveredPoint {
    /// Its name.
    pub point: String,
    /// Session.
    pub session: Option<String>,
    /// Occupation, unique in the session.
    pub occupation: Option<String>,
    /// Horizontal uncertainty at 95 %, radial, m.
    pub horizontal_95_m: Option<f64>,
    /// Vertical uncertainty at 95 %, m.
    pub vertical_95_m: Option<f64>,
    /// How it is checked; `None` when no step compares occupations.
    pub check: Option<String>,
    /// Instant from which a second occupation is useful, ns.
    pub second_after: Option<i64>,
    /// Quality class.
    pub class: Option<String>,
}

/// Reads the points of a table that is delivered; nothing when it holds no points.
///
/// # Errors
/// When a column does not hold what its schema says.
pub fn standings(table: &Table) -> Result<Vec<DeliveredPoint>, Problem> {
    let role = |r: Role| table.schema.role(r).map(|c| c.name.as_str());
    let named = |n: &'static str, holds: Holds| table.schema.named(n).filter(|c| c.holds == holds).map(|_| n);
    let Some(point) = role(Role::Point) else { return Ok(vec![]) };
    let texts = |name: Option<&str>| -> Result<Vec<Option<String>>, Problem> {
        let Some(name) = name else { return Ok(vec![None; table.rows()]) };
        Ok(table.texts(name)?.into_iter().map(|t| t.map(str::to_owned)).collect())
    };
    let floats = |name: Option<&str>| -> Result<Vec<Option<f64>>, Problem> {
        let Some(name) = name else { return Ok(vec![None; table.rows()]) };
        Ok(table.floats(name)?.iter().map(|v| v.is_finite().then_some(*v)).collect())
    };
    let (session, occupation) = (texts(role(Role::Session))?, texts(role(Role::Occupation))?);
    let (check, class) = (texts(named("check", Holds::Text))?, texts(named("quality_class", Holds::Text))?);
    let (plan, up) = (floats(named("horizontal_95_m", Holds::Float))?, floats(named("vertical_95_m", Holds::Float))?);
    let after = match named("second_after", Holds::Instant) {
        Some(name) => table.instants(name)?,
        None => vec![None; table.rows()],
    };
    let names = texts(Some(point))?;
    Ok((0..table.rows())
        .map(|r| DeliveredPoint {
            point: names[r].clone().unwrap_or_default(),
            session: session[r].clone(),
            occupation: occupation[r].clone(),
            horizontal_95_m: plan[r],
            vertical_95_m: up[r],
            check: check[r].clone(),
            second_after: after[r],
            class: class[r].clone(),
        })
        .collect())
}

/// A point that is good by itself and goes no further, because of something that it shares with others.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HeldPoint {
    /// Its name.
    pub point: String,
    /// Step of the job that set it aside.
    pub step: String,
    /// Why.
    pub why: String,
}

/// What to do about a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// It is not delivered: shoot it again while the trench is open.
    ShootAgain,
    /// It is not delivered, for a reason that it shares with others: mend that, and it is.
    Held,
    /// It is delivered and nothing checks it.
    SecondOccupation,
    /// It is good.
    Keep,
}

/// The line of a point.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PointVerdict {
    /// What to do.
    pub action: Action,
    /// The point.
    pub point: String,
    /// Session, where the point is delivered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session: Option<String>,
    /// Code of the finding that decided.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
    /// Why, in one phrase.
    pub why: String,
    /// What to do, in one phrase.
    #[serde(rename = "do", skip_serializing_if = "String::is_empty")]
    pub fix: String,
    /// When a second occupation is useful from, UTC, ISO 8601.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<String>,
    /// The delivered point.
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    pub standing: Option<Numbers>,
}

/// The numbers of a delivered point.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Numbers {
    /// Horizontal uncertainty at 95 %, radial, m.
    pub horizontal_95_m: Option<f64>,
    /// Vertical uncertainty at 95 %, m.
    pub vertical_95_m: Option<f64>,
    /// How it is checked.
    pub check: Option<String>,
    /// Quality class.
    pub class: Option<String>,
}

/// The lines of all points, the worst first: to be shot again (what a crew must do before what an office
/// could waive), then held for a reason that they share, then without a check (the largest uncertainty first), then kept (the same).
///
/// A point of which one occupation failed and another is delivered stands with the one that is delivered,
/// and its line says so: that is how a repeated shot clears its own finding.
#[must_use]
pub fn lines(findings: &[Diagnostic], delivered: &[DeliveredPoint], held: &[HeldPoint]) -> Vec<PointVerdict> {
    let mut failed: BTreeMap<&str, Vec<&Diagnostic>> = BTreeMap::new();
    let mut order: Vec<&str> = vec![];
    for f in findings.iter().filter(|f| matches!(f.verdict, Verdict::Hold | Verdict::Reshoot) && f.waived.is_none()) {
        if let Some(point) = f.point.as_deref() {
            let list = failed.entry(point).or_default();
            if list.is_empty() {
                order.push(point);
            }
            list.push(f);
        }
    }
    let mut out: Vec<(Action, u8, f64, usize, PointVerdict)> = vec![];
    for (place, point) in order.into_iter().enumerate() {
        if delivered.iter().any(|s| s.point == point) {
            continue;
        }
        let mut list = failed.get(point).cloned().unwrap_or_default();
        list.sort_by_key(|f| grade(f));
        let Some(first) = list.first() else { continue };
        let more = if list.len() > 1 {
            format!(" (and {})", list[1..].iter().map(|f| f.code.as_str()).collect::<Vec<_>>().join(", "))
        } else {
            String::new()
        };
        let line = PointVerdict {
            action: Action::ShootAgain,
            point: point.to_owned(),
            session: None,
            code: Some(first.code.clone()),
            why: format!("{}{more}", first.what),
            fix: first.fix.clone(),
            after: None,
            standing: None,
        };
        out.push((Action::ShootAgain, grade(first), 0.0, place, line));
    }
    for (place, h) in held.iter().enumerate() {
        let known = delivered.iter().any(|s| s.point == h.point) || failed.contains_key(h.point.as_str());
        if known || held[..place].iter().any(|before| before.point == h.point) {
            continue;
        }
        let shared: Vec<&Diagnostic> = shared_holds(findings).filter(|f| f.step.as_ref() == Some(&h.step)).collect();
        let mut codes: Vec<&str> = vec![];
        for f in &shared {
            if !codes.contains(&f.code.as_str()) {
                codes.push(&f.code);
            }
        }
        let line = PointVerdict {
            action: Action::Held,
            point: h.point.clone(),
            session: None,
            code: codes.first().map(|code| (*code).to_owned()),
            why: if codes.is_empty() { h.why.clone() } else { format!("{} ({})", h.why, codes.join(", ")) },
            fix: shared.first().map_or_else(String::new, |f| f.fix.clone()),
            after: None,
            standing: None,
        };
        out.push((Action::Held, 0, 0.0, place, line));
    }
    for (place, s) in delivered.iter().enumerate() {
        let action = match s.check.as_deref() {
            Some("checked") | None => Action::Keep,
            Some(_) => Action::SecondOccupation,
        };
        let mut why = match s.check.as_deref() {
            None => "not compared with a second occupation".to_owned(),
            Some(word) => word.replace('-', " "),
        };
        if let Some(list) = failed.get(s.point.as_str()) {
            why.push_str("; another occupation was refused: ");
            why.push_str(&list.iter().map(|f| f.code.as_str()).collect::<Vec<_>>().join(", "));
        }
        let worst = s.horizontal_95_m.unwrap_or(0.0).max(s.vertical_95_m.unwrap_or(0.0));
        let line = PointVerdict {
            action,
            point: s.point.clone(),
            session: s.session.clone(),
            code: None,
            why,
            fix: if action == Action::SecondOccupation { "occupy it again with a fresh fix".to_owned() } else { String::new() },
            after: s.second_after.filter(|_| action == Action::SecondOccupation).map(pipeline_base::time::iso),
            standing: Some(Numbers {
                horizontal_95_m: s.horizontal_95_m,
                vertical_95_m: s.vertical_95_m,
                check: s.check.clone(),
                class: s.class.clone(),
            }),
        };
        out.push((action, 0, -worst, place, line));
    }
    out.sort_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)).then(a.2.total_cmp(&b.2)).then(a.3.cmp(&b.3)));
    out.into_iter().map(|l| l.4).collect()
}

/// What holds several points at once, such as a session whose control is not good.
pub fn shared_holds(findings: &[Diagnostic]) -> impl Iterator<Item = &Diagnostic> {
    findings.iter().filter(|f| matches!(f.verdict, Verdict::Hold | Verdict::Reshoot) && f.waived.is_none() && f.point.is_none())
}

/// What a crew must do comes before what an office could waive.
fn grade(f: &Diagnostic) -> u8 {
    u8::from(f.verdict != Verdict::Reshoot)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn standing(point: &str, check: Option<&str>, v95: f64) -> DeliveredPoint {
        DeliveredPoint {
            point: point.to_owned(),
            check: check.map(str::to_owned),
            horizontal_95_m: Some(0.02),
            vertical_95_m: Some(v95),
            second_after: Some(1_777_903_200_000_000_000),
            ..DeliveredPoint::default()
        }
    }

    #[test]
    fn the_worst_stands_first_and_a_good_repeat_clears_a_bad_shot() {
        let findings = [
            Diagnostic::new("average/over-budget", Verdict::Hold, "too uncertain").point("H").fix("closer"),
            Diagnostic::new("laser/two-surfaces", Verdict::Reshoot, "two surfaces").point("R").fix("aim again"),
            Diagnostic::new("average/too-short", Verdict::Reshoot, "three epochs").point("H").fix("stay"),
            Diagnostic::new("average/too-short", Verdict::Reshoot, "two epochs").point("A").fix("stay"),
            Diagnostic { waived: Some("x".into()), ..Diagnostic::new("average/over-budget", Verdict::Hold, "w").point("W") },
            Diagnostic::new("points/same-name", Verdict::Warn, "w").point("A"),
            Diagnostic { step: Some("control".into()), ..Diagnostic::new("control/no-check", Verdict::Hold, "c").fix("occupy a mark") },
            Diagnostic { step: Some("site".into()), ..Diagnostic::new("control/fit-scale", Verdict::Hold, "f").fix("fit anew") },
        ];
        let delivered = [
            standing("A", Some("unchecked"), 0.03),
            standing("B", Some("checked"), 0.05),
            standing("C", Some("checked-in-name-only"), 0.04),
            standing("D", Some("checked"), 0.06),
            standing("W", None, 0.01),
        ];
        let held = |point: &str| HeldPoint { point: point.into(), step: "control".into(), why: "the session is not good".into() };
        let lines = lines(&findings, &delivered, &[held("S"), held("D"), held("H"), held("S")]);
        let short: Vec<String> = lines.iter().map(|l| format!("{:?} {}", l.action, l.point)).collect();
        assert_eq!(
            short,
            ["ShootAgain H", "ShootAgain R", "Held S", "SecondOccupation C", "SecondOccupation A", "Keep D", "Keep B", "Keep W"]
        );
        assert!(lines[0].why == "three epochs (and average/over-budget)" && lines[0].fix == "stay");
        assert!(lines[4].why.ends_with("another occupation was refused: average/too-short"));
        assert_eq!(lines[3].after.as_deref(), Some("2026-05-04T14:00:00Z"));
        assert!(lines[2].why == "the session is not good (control/no-check)" && lines[2].fix == "occupy a mark", "{:?}", lines[2]);
        let json = serde_json::to_value(&lines[3]).unwrap();
        assert_eq!((json["action"].as_str(), json["vertical_95_m"].as_f64()), (Some("second-occupation"), Some(0.04)));
    }
}
