//! What `calibrate-rig` says.

use crate::rig::calibration::geometry::{Open, Proposal};
use crate::rig::calibration::table::Looks;
use crate::rig::calibration::{Chain, Fitted, Kind, Look, Unfit, Unknown};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::rig::Rig;

/// 97.5 % quantile of the unit normal.
pub(super) const NORMAL_95: f64 = 1.959_963_984_540_054;

/// JSON has no infinity.
pub(super) fn finite(v: f64) -> Option<f64> {
    v.is_finite().then_some(v)
}

/// A number with the digits of its unit.
pub(super) fn number(v: f64, unit: &str) -> String {
    match unit {
        "m" => format!("{v:.4} m"),
        "deg" => format!("{v:.3} deg"),
        unit => format!("{v:.0} {unit}"),
    }
}

/// No look at all.
pub(super) fn nothing() -> Problem {
    Problem::from(
        Diagnostic::new("rig/calibration-no-looks", Verdict::Block, "no epoch of an occupation has position, attitude and range")
            .place("the calibration shots")
            .size("nothing is calibrated")
            .why("each attitude at a mark is one occupation of the field notes, with the name of the mark as its point")
            .fix("check the notes, the gate and `sensors` of the rig; the set-aside table says what was missing"),
    )
}

/// More than one session.
pub(super) fn sessions(count: usize) -> Problem {
    Problem::from(
        Diagnostic::new("rig/calibration-sessions", Verdict::Block, format!("the shots are of {count} sessions"))
            .place("the calibration shots")
            .size("the heading bias of each session is another one; 0.5 deg is 0.022 m at 2.5 m")
            .why("a heading bias stays the same from one initialisation to the next, and one value is estimated")
            .fix("calibrate from one session; name its log alone in `ingest-nmea` or `ingest-csv`"),
    )
}

/// A mark of the options at which nobody aimed.
pub(super) fn mark_without_shots(point: &str, have: &[String]) -> Diagnostic {
    let have: Vec<String> = have.iter().map(|m| format!("`{m}`")).collect();
    Diagnostic::new("rig/no-such-mark", Verdict::Block, format!("no shot is at the mark `{point}`"))
        .place(format!("option `marks`, mark `{point}`"))
        .size("its coordinates would not be used, and a mark under another name would count as not known")
        .why(format!("the shots are at {}", have.join(", ")))
        .fix("write the name of the mark as the field notes do, or remove it")
}

/// The adjustment gives nothing.
pub(super) fn no_fit(why: Unfit, looks: usize) -> Problem {
    let (code, what, why) = match why {
        Unfit::NoNoise => (
            "rig/calibration-no-noise",
            "the declared noise of the shots is zero",
            "without noise no look can be weighed against another; give the rig's sigmas",
        ),
        Unfit::NotConverged(_) => (
            "rig/calibration-contradiction",
            "no values of the rig lead the shots to one place",
            "the rig's start is far from the truth, or shots at several marks carry one name",
        ),
        Unfit::Contradiction => (
            "rig/calibration-contradiction",
            "more than 30 % of the looks contradict the others",
            "a wrong length or sign in the rig, marks mixed up under one name, or a heading that drifted during the shots",
        ),
    };
    Problem::from(
        Diagnostic::new(code, Verdict::Block, what)
            .place(format!("{looks} looks at the marks"))
            .size("a rig made from them would move every point by centimetres or more")
            .why(why)
            .fix("check `receiver_output`, signs and north of the rig and the names of the marks in the notes; then shoot again"),
    )
}

/// One look does not fit.
pub(super) fn look_off(point: &str, look: &Look, off: [f64; 3]) -> Diagnostic {
    let size = (off[0].powi(2) + off[1].powi(2) + off[2].powi(2)).sqrt();
    Diagnostic::new("rig/calibration-look-off", Verdict::Warn, format!("the look {} does not fit the others and is not used", look.name))
        .place(format!("mark `{point}`, {} epochs", look.epochs))
        .size(format!("{size:.3} m off: {:+.3} m east, {:+.3} m north, {:+.3} m up", off[0], off[1], off[2]))
        .why("tested against all other looks it fails at 0.1 %: another thing was hit, the fix was wrong or the pole moved")
        .fix("none needed when it is one; shoot again when there are more")
}

/// Residuals larger than the sigmas say.
pub(super) fn residuals(done: &Fitted) -> Diagnostic {
    let factor = done.inflation();
    Diagnostic::new(
        "rig/calibration-residuals",
        Verdict::Warn,
        format!("the residuals are {factor:.1} times as large as the declared sigmas say ({} degrees of freedom)", done.freedom),
    )
    .place("all looks together")
    .size(format!("all sigmas and intervals of the calibration are made larger by {factor:.2}"))
    .why("chi-square test at 1 %: GNSS, attitude, range or aiming are noisier than the rig and `aiming_sigma_m` say, or a value that is held is wrong")
    .fix("look at the residual table: one direction only points to one contributor")
}

/// What an undetermined beam does, in metres.
pub(super) fn harm(unknowns: &[Unknown], done: &Fitted, range_m: f64) -> String {
    let beam = unknowns.iter().position(|u| u.kind == Kind::BeamSide && u.written);
    match beam {
        Some(side) => {
            let up = unknowns.iter().position(|u| u.kind == Kind::BeamUp).map_or(0.0, |up| done.sigma(up));
            let deg = done.sigma(side).hypot(up);
            if deg.is_finite() && range_m > 0.0 {
                let metres = range_m * deg.to_radians().sin();
                format!("the beam is good to {deg:.3} deg (1 sigma, both axes): {metres:.3} m at {range_m:.1} m")
            } else {
                "the beam could point anywhere: up to the whole range, in m".to_owned()
            }
        }
        None => {
            let worst = unknowns.iter().enumerate().filter(|(_, u)| u.written && u.kind.unit() == "m").map(|(i, _)| done.sigma(i));
            let worst = worst.fold(0.0, f64::max);
            if worst.is_finite() { format!("1 sigma up to {worst:.3} m") } else { "a length of some m could be anything".to_owned() }
        }
    }
}

/// The attitudes do not determine what would be written.
pub(super) fn not_determined(
    looks: usize,
    attitudes: usize,
    fewest: Option<u32>,
    open: &[Open],
    more: &[Proposal],
    size: String,
) -> Diagnostic {
    let named: Vec<&str> = open.iter().take(4).map(|o| o.words.as_str()).collect();
    let few = fewest.map_or(String::new(), |n| {
        format!("; {attitudes} attitudes are fewer than {n} (`min_attitudes`): a wrong shot could not be told from a wrong beam")
    });
    let directions = if named.is_empty() { String::new() } else { format!(": {}", named.join("; ")) };
    let fix = if more.is_empty() {
        "no attitude tells these apart: measure one of them otherwise and say `with-rig-sigma` or `held` for it".to_owned()
    } else {
        let list: Vec<String> = more.iter().enumerate().map(|(i, p)| format!("({}) {}", i + 1, p.words())).collect();
        format!("add shots at these attitudes: {}", list.join("; "))
    };
    Diagnostic::new(
        "rig/calibration-not-determined",
        Verdict::Block,
        format!("not determined by {looks} looks at {attitudes} attitudes{directions}"),
    )
    .place("the geometry of the shots")
    .size(size)
    .why(format!("along these directions the shots look the same whatever the rig is{few}"))
    .fix(fix)
}

/// What rests on values that the rig file had before.
pub(super) fn rests(open: &[Open]) -> Diagnostic {
    let named: Vec<&str> = open.iter().take(2).map(|o| o.words.as_str()).collect();
    Diagnostic::new("rig/calibration-rests-on-rig", Verdict::Note, format!("the shots alone leave open: {}", named.join("; ")))
        .place("the geometry of the shots")
        .size("none while the rig's values are as good as their sigmas, in m, say")
        .why("`with-rig-sigma` and `held` values of the rig file decide along these directions")
        .fix("none needed when those lengths were taken with a tape")
}

/// What was found.
pub(super) fn calibrated(rig: &Rig, looks: &Looks, chain: &Chain, unknowns: &[Unknown], done: &Fitted, attitudes: usize) -> Diagnostic {
    let values: Vec<String> = unknowns
        .iter()
        .enumerate()
        .filter(|(_, u)| u.written)
        .map(|(i, u)| {
            format!(
                "{} {} (95 % within {})",
                u.kind.words(chain.steep(), &looks.marks),
                signed(done.x[i] - u.value, u.kind.unit()),
                number(NORMAL_95 * done.sigma(i), u.kind.unit())
            )
        })
        .collect();
    let range = looks.seen.iter().map(|s| s.pose[3]).filter(|r| r.is_finite()).fold(0.0, f64::max);
    let get = |kind| unknowns.iter().position(|u| u.kind == kind).map_or(0.0, |i| done.x[i]);
    let turn = get(Kind::BeamSide).hypot(get(Kind::BeamUp));
    let size = if range > 0.0 {
        format!("the beam turns by {turn:.3} deg: {:.3} m at {range:.1} m", range * turn.to_radians().sin())
    } else {
        let shift = unknowns.iter().enumerate().filter(|(_, u)| u.written && u.kind.unit() == "m");
        format!("{:.4} m at the tip", shift.map(|(i, u)| (done.x[i] - u.value).powi(2)).sum::<f64>().sqrt())
    };
    let mut pairs = vec![];
    for i in 0..unknowns.len() {
        for j in i + 1..unknowns.len() {
            let r = done.adjustment.fit.correlation(i, j);
            if (unknowns[i].written || unknowns[j].written) && r.abs() > 0.9 {
                let name = |k: usize| unknowns[k].kind.words(chain.steep(), &looks.marks);
                pairs.push(format!("{} with {} {r:+.2}", name(i), name(j)));
            }
        }
    }
    let correlated = if pairs.is_empty() { "none above 0.9".to_owned() } else { pairs.join(", ") };
    Diagnostic::new("rig/calibrated", Verdict::Note, format!("changes to the rig `{}`: {}", rig.name, values.join("; ")))
        .place(format!("{} looks at {attitudes} attitudes", done.used.iter().filter(|u| **u).count()))
        .size(size)
        .why(format!("variance factor {:.2} with {} degrees of freedom; correlations: {correlated}", done.variance_factor, done.freedom))
        .fix("copy the new rig file over the one that jobs name, and take a check shot at the start of each day (`daily-check`)")
}

fn signed(v: f64, unit: &str) -> String {
    if v < 0.0 { number(v, unit) } else { format!("+{}", number(v, unit)) }
}
