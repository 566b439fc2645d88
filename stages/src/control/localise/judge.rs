//! What a fit can and cannot see, in words; and its report.

use super::fit::{self, AtMark, Fitted, Pair};
use super::{InHeight, Options, Result3};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_core::stage::Cx;

/// A residual this many times its own standard deviation is no chance (0.1 %, two-sided).
const NO_CHANCE: f64 = 3.29;

/// Columns of the report.
pub(super) const HEADER: [&str; 12] = [
    "point",
    "used",
    "residual_easting_m",
    "residual_northing_m",
    "residual_height_m",
    "without_it_easting_m",
    "without_it_northing_m",
    "without_it_height_m",
    "redundancy_plan",
    "redundancy_height",
    "detectable_plan_m",
    "detectable_height_m",
];

fn cell(v: Option<f64>) -> String {
    v.filter(|v| v.is_finite()).map_or_else(String::new, |v| format!("{v:.4}"))
}

/// Lines of the report: fitted marks, then check points.
pub(super) fn rows(result: &Result3) -> Vec<Vec<String>> {
    let find = |name: &str| result.level.as_ref().and_then(|l| l.marks.iter().find(|m| m.name == name));
    let mut out: Vec<Vec<String>> = result
        .plan
        .marks
        .iter()
        .map(|m| {
            let h = find(&m.name);
            let of = |list: &[f64], k: usize| cell(list.get(k).copied());
            vec![
                m.name.clone(),
                "fit".to_owned(),
                of(&m.residual_m, 0),
                of(&m.residual_m, 1),
                cell(h.and_then(|h| h.residual_m.first().copied())),
                of(&m.without_it_m, 0),
                of(&m.without_it_m, 1),
                cell(h.and_then(|h| h.without_it_m.first().copied())),
                cell(Some(m.redundancy)),
                cell(h.map(|h| h.redundancy)),
                cell(m.detectable_m),
                cell(h.and_then(|h| h.detectable_m)),
            ]
        })
        .collect();
    for (pair, d) in &result.checks {
        let mut row = vec![pair.name.clone(), "check".to_owned()];
        row.extend(d.iter().map(|v| cell(Some(*v))));
        row.resize(HEADER.len(), String::new());
        out.push(row);
    }
    out
}

/// Says a hold of all points; whether it holds.
fn hold(finding: Diagnostic, options: &Options, cx: &Cx) -> bool {
    let waived = cx.waiver(&finding.code, &options.name);
    let holds = waived.is_none();
    cx.find(Diagnostic { waived, ..finding });
    holds
}

/// Marks by name.
fn names<'a>(list: impl Iterator<Item = &'a str>) -> String {
    list.map(|n| format!("`{n}`")).collect::<Vec<_>>().join(", ")
}

/// All marks that were occupied, dropped ones too: the one that fits worst against all others through one shift,
/// and how well the others agree without it.
fn worst_of_all(result: &Result3) -> Option<(String, f64, f64)> {
    let all: Vec<Pair> = result.fitted.iter().chain(result.checks.iter().map(|(p, _)| p)).cloned().collect();
    let whole = fit::level(&all, false)?;
    let size = |m: &AtMark| m.without_it_m.first().map_or(0.0, |v| v.abs());
    let worst = whole.marks.iter().max_by(|a, b| size(a).total_cmp(&size(b)))?;
    let rest: Vec<Pair> = all.iter().filter(|p| p.name != worst.name).cloned().collect();
    let others = fit::level(&rest, false)?;
    let agree = others.marks.iter().filter_map(|m| m.residual_m.first()).fold(0.0, |m: f64, v| m.max(v.abs()));
    Some((worst.name.clone(), *worst.without_it_m.first()?, agree))
}

fn blind<T>(fitted: &Fitted<T>, must_find_m: f64) -> Vec<&AtMark> {
    fitted.marks.iter().filter(|m| m.detectable_m.is_none_or(|d| d > must_find_m)).collect()
}

fn detectable(list: &[&AtMark]) -> String {
    if list.iter().any(|m| m.detectable_m.is_none()) {
        "an error of any size".to_owned()
    } else {
        format!("an error of {:.2} m", list.iter().filter_map(|m| m.detectable_m).fold(0.0, f64::max))
    }
}

/// Judges a fit; whether all points are held.
pub(super) fn fit(result: &Result3, options: &Options, cx: &Cx) -> bool {
    let mut holds = false;
    let marks = names(result.fitted.iter().map(|p| p.name.as_str()));
    let dropped = names(result.checks.iter().map(|(p, _)| p.name.as_str()));
    let place = if dropped.is_empty() { format!("fitted: {marks}") } else { format!("fitted: {marks}; kept out: {dropped}") };
    let in_height = result.level.as_ref().map(|l| blind(l, options.must_find_m)).unwrap_or_default();
    let in_plan = blind(&result.plan, options.must_find_m);
    for (list, axis, freedom, unknowns) in [
        (&in_plan, "plan", result.plan.freedom, result.plan.marks.len() * 2 - result.plan.freedom),
        (
            &in_height,
            "height",
            result.level.as_ref().map_or(0, |l| l.freedom),
            result.level.as_ref().map_or(0, |l| l.marks.len() - l.freedom),
        ),
    ] {
        if list.is_empty() {
            continue;
        }
        let mut size = format!("{} in {axis} of {} would not be found", detectable(list), names(list.iter().map(|m| m.name.as_str())));
        if let Some((worst, against, agree)) = worst_of_all(result).filter(|_| axis == "height") {
            size += &format!(
                "; of all marks that were occupied, `{worst}` against the others is {against:+.3} m, and the others agree to {agree:.3} m"
            );
        }
        holds |= hold(
            Diagnostic::new(
                "control/fit-is-blind",
                Verdict::Hold,
                format!(
                    "the fit in {axis} cannot find an error of {:.2} m: {freedom} redundant observations for {unknowns} unknowns",
                    options.must_find_m
                ),
            )
            .place(place.clone())
            .size(size)
            .why("residuals of a fit without redundancy are zero whatever is wrong; dropping the largest removes the check, not the error")
            .fix(if options.height == InHeight::Plane && axis == "height" {
                "fit more marks; use `height: shift` in place of a plane"
            } else {
                "fit more marks, and marks around the work"
            }),
            options,
            cx,
        );
    }
    holds |= suspects(result, &place, options, cx);
    holds |= alarms(result, &place, options, cx);
    cx.find(
        Diagnostic::new(
            "control/fit",
            Verdict::Note,
            format!(
                "`{}`: turn {:+.4} deg, scale {:+.1} ppm{}",
                options.name,
                result.plan.model.turn_deg(),
                (result.plan.model.scale() - 1.0) * 1e6,
                result.level.as_ref().map_or_else(String::new, |l| format!(", height {:+.3} m", l.model.shift_m))
            ),
        )
        .place(place)
        .size(format!(
            "residuals up to {:.3} m in plan{}",
            largest(&result.plan),
            result.level.as_ref().map_or_else(String::new, |l| format!(" and {:.3} m in height", largest(l)))
        ))
        .why("a site system holds only within the marks that it was fitted to")
        .fix("nothing to do"),
    );
    holds
}

fn largest<T>(fitted: &Fitted<T>) -> f64 {
    fitted.marks.iter().map(|m| m.residual_m.iter().map(|v| v * v).sum::<f64>().sqrt()).fold(0.0, f64::max)
}

/// Marks that do not fit, and check points that do not either.
fn suspects(result: &Result3, place: &str, options: &Options, cx: &Cx) -> bool {
    let mut holds = false;
    let plan = result.plan.marks.iter().map(|m| (m, "plan"));
    let level = result.level.iter().flat_map(|l| &l.marks).map(|m| (m, "height"));
    let worst = plan.chain(level).filter(|(m, _)| m.test > NO_CHANCE).max_by(|a, b| a.0.test.total_cmp(&b.0.test));
    if let Some((m, axis)) = worst {
        let against: Vec<String> = m.without_it_m.iter().map(|v| format!("{v:+.3} m")).collect();
        holds |= hold(
            Diagnostic::new("control/fit-suspect", Verdict::Hold, format!("`{}` does not fit the others in {axis}", m.name))
                .place(place.to_owned())
                .size(format!("{} against the others ({:.1} times what its sigma allows)", against.join(", "), m.test))
                .why("one wrong value pulls the whole system to itself")
                .fix(format!(
                    "look at `{}` and its value; if it is wrong, give it `use: check` and say so, when enough others are left",
                    m.name
                )),
            options,
            cx,
        );
    }
    for (pair, d) in &result.checks {
        let flat = d[0].hypot(d[1]) / pair.sigma_m[0];
        let up = if d[2].is_finite() { d[2].abs() / pair.sigma_m[1] } else { 0.0 };
        if flat > NO_CHANCE || up > NO_CHANCE {
            let height = if d[2].is_finite() { format!(" {:+.3} m in height", d[2]) } else { String::new() };
            holds |= hold(
                Diagnostic::new(
                    "control/fit-check-fails",
                    Verdict::Hold,
                    format!("the check point `{}` does not fit the site system", pair.name),
                )
                .place(format!("`{}`; {place}", pair.name))
                .size(format!("{:+.3} m east {:+.3} m north{height}", d[0], d[1]))
                .why("it was kept out of the fit, so it tells what the fit itself cannot")
                .fix("re-measure it; if it is right, one of the fitted marks is wrong"),
                options,
                cx,
            );
        }
    }
    holds
}

/// Scale and tilt beyond what instruments and ground can explain.
fn alarms(result: &Result3, place: &str, options: &Options, cx: &Cx) -> bool {
    let mut holds = false;
    let ppm = (result.plan.model.scale() - 1.0) * 1e6;
    let extent = result.fitted.iter().map(|p| {
        let o = result.plan.model.origin_m;
        (p.measured_m[0] - o[0]).hypot(p.measured_m[1] - o[1])
    });
    let extent = extent.fold(0.0, f64::max);
    if ppm.abs() > options.scale_limit_ppm {
        holds |= hold(
            Diagnostic::new(
                "control/fit-scale",
                Verdict::Hold,
                format!("the fit needs a scale of {ppm:+.1} ppm; {:.1} ppm is the limit", options.scale_limit_ppm),
            )
            .place(place.to_owned())
            .size(format!("{:.3} m at the farthest mark", ppm.abs() * 1e-6 * extent))
            .why("a mark is wrong, or the site system is on the ground and the points are in a grid")
            .fix("use `plan: rigid`, or raise `scale_limit_ppm` if the site system is on the ground"),
            options,
            cx,
        );
    }
    let tilt = result.level.as_ref().map_or(0.0, |l| l.model.slope[0].hypot(l.model.slope[1]) * 1e6);
    if tilt > options.tilt_limit_ppm {
        holds |= hold(
            Diagnostic::new(
                "control/fit-tilt",
                Verdict::Hold,
                format!("the fit tilts heights by {tilt:.0} ppm; {:.0} ppm is the limit", options.tilt_limit_ppm),
            )
            .place(place.to_owned())
            .size(format!("{:.3} m at the farthest mark, and more outside", tilt * 1e-6 * extent))
            .why("after a geoid little tilt is left; a plane takes up the error of one mark and spreads it")
            .fix("use `height: shift`, and level the marks again"),
            options,
            cx,
        );
    }
    holds
}

/// A point outside the marks; whether it goes on.
pub(super) fn outside(point: &str, distance: f64, options: &Options, cx: &Cx) -> bool {
    let waived = cx.waiver("control/outside-fit", point);
    let goes = waived.is_some();
    let finding = Diagnostic::new(
        "control/outside-fit",
        Verdict::Hold,
        format!("`{point}` lies {distance:.1} m outside the marks of `{}`", options.name),
    )
    .place(format!("point `{point}`"))
    .size(format!("not known: nothing holds the site system {distance:.1} m outside its marks"))
    .why("a fit interpolates between marks; outside, every error of it grows")
    .fix("occupy a mark beyond it, raise `outside_limit_m`, or waive `control/outside-fit` for the point")
    .point(point);
    cx.find(Diagnostic { waived, ..finding });
    goes
}
