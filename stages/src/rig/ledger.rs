//! The ledger of lengths: every link from the antenna's phase centre to the target, with exactly
//! one owner.
//!
//! A length that two parties apply, or none, gives coordinates that are wrong by that length on every
//! point and agree perfectly with each other. So the chain is settled from the rig before any data
//! is read, and printed with the plan.

use pipeline_base::problem::Problem;
use pipeline_base::rig::{BodyVector, Owner, Rig};
use pipeline_base::table::schema::PhysicalPoint;
use serde::Serialize;

/// What a chain ends at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Aim {
    /// The tip of the pole.
    Tip,
    /// The surface that the laser hit.
    Laser,
}

/// One length of the chain.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct Link {
    /// Where it starts.
    pub from: &'static str,
    /// Where it ends.
    pub to: &'static str,
    /// The only one who applies it.
    pub owner: Owner,
    /// Key of the rig file that says so.
    pub key: &'static str,
    /// The vector in body axes, where the rig gives one and it is fixed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vector: Option<BodyVector>,
}

/// The chain to one kind of target, each link with one owner.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct Ledger {
    /// What it ends at.
    pub aim: Aim,
    /// The links in order.
    pub links: Vec<Link>,
}

impl Ledger {
    /// The body vectors that `gunter` adds, in order.
    #[must_use]
    pub(crate) fn to_add(&self) -> Vec<BodyVector> {
        self.links.iter().filter(|l| l.owner == Owner::Gunter).filter_map(|l| l.vector).collect()
    }

    /// Standard deviations of the lengths that the receiver added, as variances, m2: they are in the
    /// coordinates all the same.
    #[must_use]
    pub(crate) fn receiver_variance(&self) -> f64 {
        self.links.iter().filter(|l| l.owner == Owner::Receiver).filter_map(|l| l.vector).map(|v| v.sigma_m * v.sigma_m).sum()
    }

    /// Whether anything has to be turned by the attitude.
    #[must_use]
    pub(crate) fn needs_attitude(&self) -> bool {
        self.aim == Aim::Laser || self.links.iter().any(|l| l.owner == Owner::Gunter)
    }

    /// One line for people: `phase centre -(gunter)-> reference point -(receiver)-> tip`.
    #[must_use]
    pub(crate) fn line(&self) -> String {
        let mut line = String::new();
        for link in &self.links {
            if line.is_empty() {
                line.push_str(link.from);
            }
            let owner = match link.owner {
                Owner::Gunter => "gunter",
                Owner::Receiver => "receiver",
            };
            let length = link.vector.map_or(String::new(), |v| format!(" {:.3} m", length(&v)));
            line.push_str(&format!(" --[{owner}{length}, `{}`]--> {}", link.key, link.to));
        }
        line
    }
}

fn length(v: &BodyVector) -> f64 {
    v.x_m.hypot(v.y_m).hypot(v.z_m)
}

const PHASE: &str = "antenna phase centre";
const REFERENCE: &str = "antenna reference point";
const TIP: &str = "pole tip";
const ORIGIN: &str = "laser origin";
const TARGET: &str = "target";

/// The name of a physical point as the rig file writes it.
#[must_use]
pub(crate) const fn point_word(point: PhysicalPoint) -> &'static str {
    match point {
        PhysicalPoint::AntennaPhaseCentre => "antenna-phase-centre",
        PhysicalPoint::AntennaReferencePoint => "antenna-reference-point",
        PhysicalPoint::PoleTip => "pole-tip",
        PhysicalPoint::Target => "target",
        PhysicalPoint::Mark => "mark",
    }
}

/// The first link: phase centre to reference point.
fn first(rig: &Rig, problems: &mut Vec<Problem>) -> Link {
    let antenna = rig.antenna.as_ref();
    let vector = antenna.and_then(|a| a.phase_centre_to_reference_point);
    let owner = antenna.and_then(|a| a.applied_by);
    let modelled = antenna.is_some_and(|a| a.antex.is_some());
    let key = if modelled { "antenna.antex" } else { "antenna.phase_centre_to_reference_point" };
    if rig.receiver_output != PhysicalPoint::AntennaPhaseCentre {
        if owner == Some(Owner::Gunter) {
            let size = vector.map_or_else(
                || {
                    "the phase centre lies some 0.05 m to 0.15 m above the reference point; every height would be too low by that length"
                        .to_owned()
                },
                |v| format!("{:+.4} m in the height of every point", -v.z_m),
            );
            problems.push(
                Problem::blocks("rig/length-twice", "the length from the antenna phase centre to the reference point has two owners")
                    .rig_key("antenna.applied_by")
                    .why(format!(
                        "`receiver_output` is `{}`, a point below the phase centre, so the receiver has applied it; `antenna.applied_by: gunter` says that it still has to be",
                        point_word(rig.receiver_output)
                    ))
                    .size(size)
                    .fix("set `antenna.applied_by: receiver`, or `receiver_output: antenna-phase-centre` when the receiver knows no antenna"),
            );
        }
        // The vector is not used, so it is not shown either.
        return Link { from: PHASE, to: REFERENCE, owner: Owner::Receiver, key: "receiver_output", vector: None };
    }
    let nobody = |why: &str, key: &str| {
        Problem::new("rig/length-missing", "nobody applies the length from the antenna phase centre to the antenna reference point")
            .rig_key(key)
            .why(why)
            .size("the phase centre lies some 0.05 m to 0.15 m above the reference point; every height would be too high by that length")
            .fix("give `antenna.phase_centre_to_reference_point` or `antenna.antex` from the antenna's calibration, or set `receiver_output` to what the receiver really writes")
    };
    if owner == Some(Owner::Receiver) {
        problems.push(nobody(
            "`antenna.applied_by` says that the receiver does, but `receiver_output` is `antenna-phase-centre`, where nothing is applied yet",
            "antenna.applied_by",
        ));
    } else if vector.is_none() && !modelled {
        problems.push(nobody("`receiver_output` is `antenna-phase-centre` and the rig has no length of the `antenna`", "antenna"));
    }
    Link { from: PHASE, to: REFERENCE, owner: Owner::Gunter, key, vector }
}

/// The chain from the phase centre to the tip of the pole.
///
/// # Errors
/// `rig/length-twice` and `rig/length-missing`, with the key of the rig file.
pub(crate) fn to_tip(rig: &Rig) -> Result<Ledger, Vec<Problem>> {
    let mut problems = output_means_a_point(rig);
    let head = first(rig, &mut problems);
    let vector = rig.pole.map(|p| p.reference_point_to_tip);
    let owner = rig.pole.map(|p| p.applied_by);
    let by_receiver = rig.receiver_output == PhysicalPoint::PoleTip;
    let pole = match (by_receiver, owner, vector) {
        (true, Some(Owner::Gunter), Some(v)) => {
            problems.push(twice(
                "pole length",
                "pole.applied_by",
                &v,
                format!("{:+.3} m in the height of every point, and {:.3} m along the pole when it leans", -v.z_m, length(&v)),
                "set `pole.applied_by: receiver`; or let the receiver write the antenna and set `receiver_output: antenna-reference-point`",
            ));
            Link { from: REFERENCE, to: TIP, owner: Owner::Gunter, key: "pole", vector }
        }
        (true, ..) => Link { from: REFERENCE, to: TIP, owner: Owner::Receiver, key: "receiver_output", vector },
        (false, None, _) | (false, _, None) => {
            problems.push(
                Problem::new("rig/length-missing", "nobody applies the length of the pole")
                    .rig_key("pole")
                    .why(format!("`receiver_output` is `{}` and the rig has no `pole`", point_word(rig.receiver_output)))
                    .size("every height would be too high by the pole length, commonly about 2 m")
                    .fix("give `pole.reference_point_to_tip`; or set `receiver_output: pole-tip` when the receiver writes the tip"),
            );
            Link { from: REFERENCE, to: TIP, owner: Owner::Gunter, key: "pole", vector }
        }
        (false, Some(Owner::Receiver), Some(v)) => {
            problems.push(
                Problem::new("rig/length-missing", format!("nobody applies the pole length of {:.3} m", length(&v)))
                    .rig_key("pole.applied_by")
                    .why(format!(
                        "`pole.applied_by` says that the receiver does, but `receiver_output` is `{}`, a point above the pole",
                        point_word(rig.receiver_output)
                    ))
                    .size(format!("{:+.3} m in the height of every point", v.z_m))
                    .fix("set `receiver_output: pole-tip` when the receiver writes the tip, or `pole.applied_by: gunter` when it writes the antenna"),
            );
            Link { from: REFERENCE, to: TIP, owner: Owner::Receiver, key: "pole.applied_by", vector }
        }
        (false, Some(Owner::Gunter), Some(_)) => {
            Link { from: REFERENCE, to: TIP, owner: Owner::Gunter, key: "pole.reference_point_to_tip", vector }
        }
    };
    finish(Aim::Tip, vec![head, pole], problems)
}

/// The chain from the phase centre over the laser's origin to the surface that it hit.
///
/// # Errors
/// `rig/length-twice`, `rig/length-missing` and `rig/laser-from-tip`, with the key of the rig file.
pub(crate) fn to_laser(rig: &Rig) -> Result<Ledger, Vec<Problem>> {
    let mut problems = output_means_a_point(rig);
    let Some(laser) = rig.laser else {
        problems.push(
            Problem::new("rig/length-missing", "nothing leads from the antenna reference point to the laser")
                .rig_key("laser")
                .why("the shots are aimed with the laser and the rig has no `laser`")
                .size("the lever arm and the whole range would be left out of every point")
                .fix("give `laser` in the rig, or `aim: tip` in `tilt-correct`"),
        );
        return Err(problems);
    };
    let lever = laser.reference_point_to_laser;
    if rig.receiver_output == PhysicalPoint::PoleTip {
        let pole = rig.pole.map_or(f64::NAN, |p| length(&p.reference_point_to_tip));
        let size = if pole.is_finite() {
            format!("{pole:.3} m along the pole on every laser shot")
        } else {
            "the pole length, commonly about 2 m, along the pole on every laser shot".to_owned()
        };
        problems.push(
            Problem::new("rig/laser-from-tip", "the log gives the pole tip, and the laser's lever arm starts at the antenna reference point")
                .rig_key("receiver_output")
                .why("the receiver's own way from the antenna to the tip, with its tilt, is not in the log and cannot be undone")
                .size(size)
                .fix("let the receiver write the antenna and set `receiver_output: antenna-reference-point` (then `pole.applied_by: gunter`); tips alone can be computed with `aim: tip`"),
        );
    } else if laser.applied_by == Owner::Receiver {
        problems.push(
            Problem::new("rig/length-missing", format!("nobody applies the lever arm of {:.3} m and the range", length(&lever)))
                .rig_key("laser.applied_by")
                .why(format!(
                    "`laser.applied_by` says that the receiver does, but `receiver_output` is `{}`, a point at the antenna",
                    point_word(rig.receiver_output)
                ))
                .size(format!("{:.3} m and the range, on every laser shot", length(&lever)))
                .fix("set `laser.applied_by: gunter`"),
        );
    }
    let head = first(rig, &mut problems);
    let arm = Link { from: REFERENCE, to: ORIGIN, owner: laser.applied_by, key: "laser.reference_point_to_laser", vector: Some(lever) };
    let beam = Link { from: ORIGIN, to: TARGET, owner: laser.applied_by, key: "laser", vector: None };
    finish(Aim::Laser, vec![head, arm, beam], problems)
}

fn finish(aim: Aim, links: Vec<Link>, problems: Vec<Problem>) -> Result<Ledger, Vec<Problem>> {
    if problems.is_empty() { Ok(Ledger { aim, links }) } else { Err(problems) }
}

fn twice(name: &str, key: &str, v: &BodyVector, size: String, fix: &str) -> Problem {
    Problem::blocks("rig/length-twice", format!("the {name} of {:.3} m is in the chain twice", length(v)))
        .rig_key(key)
        .why(format!("`receiver_output: pole-tip` says that the receiver has applied it, and `{key}: gunter` (also when left out) says that it still has to be"))
        .size(size)
        .fix(fix)
}

fn output_means_a_point(rig: &Rig) -> Vec<Problem> {
    match rig.receiver_output {
        PhysicalPoint::AntennaPhaseCentre | PhysicalPoint::AntennaReferencePoint | PhysicalPoint::PoleTip => vec![],
        other => vec![
            Problem::new("rig/receiver-output", format!("a receiver does not write `{}`", point_word(other)))
                .rig_key("receiver_output")
                .why("the chain of lengths starts at the point that the logged coordinates mean")
                .fix("use `antenna-phase-centre`, `antenna-reference-point` or `pole-tip`, as the receiver is set"),
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    pub(crate) fn rig(change: impl FnOnce(&mut Value)) -> Rig {
        let mut value = json!({
            "rig": 1, "name": "test", "receiver_output": "antenna-reference-point",
            "antenna": {"phase_centre_to_reference_point": {"x_m": 0.0, "y_m": 0.0, "z_m": 0.0886, "sigma_m": 0.001}},
            "pole": {"reference_point_to_tip": {"x_m": 0.0, "y_m": 0.0, "z_m": 2.0, "sigma_m": 0.001}},
            "laser": {"reference_point_to_laser": {"x_m": 0.05, "y_m": 0.0, "z_m": 1.2, "sigma_m": 0.002},
                      "beam_azimuth_deg": 0.0, "beam_elevation_deg": -45.0, "beam_sigma_deg": 0.1,
                      "zero_m": 0.0, "zero_sigma_m": 0.001, "range_sigma_m": 0.002},
            "gnss": {"assumed_sigma_horizontal_m": 0.02, "assumed_sigma_up_m": 0.03}
        });
        change(&mut value);
        serde_json::from_value(value).unwrap()
    }

    fn codes(result: Result<Ledger, Vec<Problem>>) -> Vec<(String, String)> {
        result.unwrap_err().into_iter().map(|p| (p.finding.code.clone(), p.rig_key.unwrap())).collect()
    }

    #[test]
    fn one_owner_each() {
        let ledger = to_tip(&rig(|_| {})).unwrap();
        assert_eq!(ledger.to_add().len(), 1);
        assert!((ledger.to_add()[0].z_m - 2.0).abs() < 1e-15 && ledger.needs_attitude());
        let ledger = to_tip(&rig(|r| r["receiver_output"] = json!("antenna-phase-centre"))).unwrap();
        assert_eq!(ledger.to_add().len(), 2);
        assert!(ledger.line().starts_with("antenna phase centre --[gunter 0.089 m"));
        let ledger = to_tip(&rig(|r| {
            r["receiver_output"] = json!("pole-tip");
            r["pole"]["applied_by"] = json!("receiver");
        }))
        .unwrap();
        assert!(ledger.to_add().is_empty() && !ledger.needs_attitude() && (ledger.receiver_variance() - 1e-6).abs() < 1e-18);
        let ledger = to_laser(&rig(|_| {})).unwrap();
        assert!(ledger.needs_attitude() && ledger.to_add().len() == 1 && ledger.links.len() == 3);
    }

    #[test]
    fn antenna_with_two_owners_or_none() {
        let applied = |output: &'static str, by: &'static str| {
            move |r: &mut Value| {
                r["receiver_output"] = json!(output);
                r["antenna"]["applied_by"] = json!(by);
            }
        };
        let twice = codes(to_tip(&rig(applied("antenna-reference-point", "gunter"))));
        assert_eq!(twice, [("rig/length-twice".into(), "antenna.applied_by".into())]);
        let nobody = codes(to_tip(&rig(applied("antenna-phase-centre", "receiver"))));
        assert_eq!(nobody, [("rig/length-missing".into(), "antenna.applied_by".into())]);
        assert!(to_tip(&rig(applied("antenna-reference-point", "receiver"))).is_ok());
        assert!(to_tip(&rig(applied("antenna-phase-centre", "gunter"))).is_ok());
        let empty = |r: &mut Value| {
            r["receiver_output"] = json!("antenna-phase-centre");
            r["antenna"] = json!({});
        };
        assert_eq!(codes(to_tip(&rig(empty))), [("rig/length-missing".into(), "antenna".into())]);
    }

    #[test]
    fn pole_length_twice() {
        // T11 and S-HI-TWICE of checks/05_fault_magnitudes.csv: pole 2.000 m, height error -2.000 m.
        let problems = to_tip(&rig(|r| r["receiver_output"] = json!("pole-tip"))).unwrap_err();
        assert_eq!(problems[0].finding.code, "rig/length-twice");
        assert_eq!(problems[0].rig_key.as_deref(), Some("pole.applied_by"));
        assert!(problems[0].finding.size.starts_with("-2.000 m in the height"), "{}", problems[0].finding.size);
        assert!(problems[0].finding.fix.contains("pole.applied_by: receiver"));
    }

    #[test]
    fn no_owner() {
        let gone = |key: &'static str| move |r: &mut Value| drop(r.as_object_mut().unwrap().remove(key));
        assert_eq!(codes(to_tip(&rig(gone("pole")))), [("rig/length-missing".into(), "pole".into())]);
        assert_eq!(codes(to_laser(&rig(gone("laser")))), [("rig/length-missing".into(), "laser".into())]);
        let receiver = |r: &mut Value| r["pole"]["applied_by"] = json!("receiver");
        assert_eq!(codes(to_tip(&rig(receiver))), [("rig/length-missing".into(), "pole.applied_by".into())]);
        let both = |r: &mut Value| {
            r["receiver_output"] = json!("antenna-phase-centre");
            r.as_object_mut().unwrap().remove("antenna");
            r.as_object_mut().unwrap().remove("pole");
        };
        // All problems that can be seen, not only the first.
        assert_eq!(codes(to_tip(&rig(both))).len(), 2);
        let laser = |r: &mut Value| r["laser"]["applied_by"] = json!("receiver");
        assert_eq!(codes(to_laser(&rig(laser))), [("rig/length-missing".into(), "laser.applied_by".into())]);
    }

    #[test]
    fn laser_does_not_start_at_the_tip() {
        let tip = |r: &mut Value| r["receiver_output"] = json!("pole-tip");
        assert_eq!(codes(to_laser(&rig(tip))), [("rig/laser-from-tip".into(), "receiver_output".into())]);
        let mark = |r: &mut Value| r["receiver_output"] = json!("mark");
        assert_eq!(codes(to_tip(&rig(mark)))[0].0, "rig/receiver-output");
    }
}
