//! From options and rig to the unknowns of the adjustment.

use super::{KnownMark, Options};
use crate::rig::calibration::table::{Looks, Reader};
use crate::rig::calibration::{Chain, Fitted, Kind, Unknown, Use};
use crate::rig::ledger::Aim;
use pipeline_base::problem::Problem;
use pipeline_base::rig::BodyVector;

/// A sigma of zero means exactly known; this small it acts so (m or deg).
const EXACT: f64 = 1e-6;
/// A sigma of a mark that is small enough for the work, m.
const MARK_NEEDED_M: f64 = 0.005;

/// Everything that a calibration found.
pub(crate) struct Result<'a> {
    pub looks: &'a Looks,
    pub chain: &'a Chain,
    pub unknowns: &'a [Unknown],
    pub done: &'a Fitted,
    pub options: &'a Options,
}

/// Marks that make no sense.
pub(crate) fn check_marks(marks: &[KnownMark], problems: &mut Vec<Problem>) {
    for (i, mark) in marks.iter().enumerate() {
        let numbers = [mark.latitude_deg, mark.longitude_deg, mark.ellipsoidal_height_m, mark.sigma_horizontal_m, mark.sigma_up_m];
        if !numbers.iter().all(|v| v.is_finite()) || mark.latitude_deg.abs() > 90.0 || mark.longitude_deg.abs() > 360.0 {
            problems.push(Problem::new("job/bad-value", format!("mark `{}` has no place", mark.point)).option(format!("marks[{i}]")));
        }
        if marks[..i].iter().any(|m| m.point == mark.point) {
            problems
                .push(Problem::new("job/bad-value", format!("mark `{}` is named twice", mark.point)).option(format!("marks[{i}].point")));
        }
    }
}

/// Options that make no sense.
pub(crate) fn check(o: &Options, problems: &mut Vec<Problem>) {
    check_marks(&o.marks, problems);
    if o.by.trim().is_empty() {
        problems.push(
            Problem::new("job/bad-value", "`by` does not say who calibrates").option("by").fix("name the person or the bench, and how"),
        );
    }
    let positive = [
        ("aiming_sigma_m", o.aiming_sigma_m),
        ("look_deg", o.look_deg),
        ("range_off_m", o.range_off_m),
        ("needed.beam_deg", o.needed.beam_deg),
        ("needed.length_m", o.needed.length_m),
        ("needed.heading_deg", o.needed.heading_deg),
    ];
    for (key, v) in positive {
        if !(v.is_finite() && v > 0.0) {
            problems.push(Problem::new("job/bad-value", format!("`{key}` must be a number above 0")).option(key));
        }
    }
}

/// The chain's fixed parts.
pub(crate) fn chain(reader: &Reader) -> Chain {
    let laser = reader.rig.laser;
    Chain {
        head: reader.head(),
        azimuth_deg: laser.map_or(0.0, |l| l.beam_azimuth_deg),
        elevation_deg: laser.map_or(-90.0, |l| l.beam_elevation_deg),
    }
}

fn unknown(kind: Kind, value: f64, sigma: f64, needed: f64, how: Use) -> Unknown {
    let sigma = if how == Use::Free { f64::INFINITY } else { sigma.max(EXACT) };
    Unknown { kind, value, sigma, needed, written: how != Use::Held }
}

fn vector(out: &mut Vec<Unknown>, kind: fn(usize) -> Kind, v: &BodyVector, mount_rad: f64, needed: f64, how: [Use; 3]) {
    // The tape measures in the pole's axes, the sensor reads in its own.
    let length = v.x_m.hypot(v.y_m).hypot(v.z_m);
    let sigma = v.sigma_m.hypot(length * mount_rad);
    let along = |k: usize| [v.x_m, v.y_m, v.z_m][k];
    out.extend((0..3).map(|k| unknown(kind(k), along(k), sigma, needed, how[k])));
}

/// The unknowns: what the job calibrates and everything else that is not exactly known.
pub(crate) fn unknowns(reader: &Reader, looks: &Looks, o: &Options, base_sigma: [f64; 2]) -> Vec<Unknown> {
    let laser_shots = looks.seen.iter().any(|s| s.look.aim == Aim::Laser);
    let tip_shots = looks.seen.iter().any(|s| s.look.aim == Aim::Tip);
    let attitude = reader.rig.attitude.as_ref();
    let mount = attitude.map_or(0.0, |a| a.tilt_bias_sigma_deg.to_radians());
    let length = o.needed.length_m;
    let mut all = vec![];
    if let Some(l) = reader.rig.laser.filter(|_| laser_shots) {
        all.push(unknown(Kind::BeamSide, 0.0, l.beam_sigma_deg, o.needed.beam_deg, o.beam));
        all.push(unknown(Kind::BeamUp, 0.0, l.beam_sigma_deg, o.needed.beam_deg, o.beam));
        vector(&mut all, Kind::Lever, &l.reference_point_to_laser, mount, length, [o.lever_arm; 3]);
        all.push(unknown(Kind::Zero, l.zero_m, l.zero_sigma_m, length, o.range_zero));
        all.push(unknown(Kind::Scale, 0.0, l.scale_sigma_ppm, 1000.0, Use::Held));
    }
    let heading = attitude.map_or(0.0, |a| a.heading_bias_sigma_deg).hypot(reader.north_sigma_deg);
    let heading_how = if o.heading_bias == Use::Free { Use::Free } else { Use::Held };
    all.push(unknown(Kind::Heading, 0.0, heading, o.needed.heading_deg, heading_how));
    let by_gunter = reader.tip.as_ref().is_some_and(super::super::ledger::Ledger::needs_attitude);
    if let Some(p) = reader.rig.pole.filter(|_| tip_shots && by_gunter) {
        let left_out = if laser_shots { Use::Held } else { Use::Free };
        let (across, along) = (o.pole_across.unwrap_or(left_out), o.pole_length.unwrap_or(left_out));
        vector(&mut all, Kind::Pole, &p.reference_point_to_tip, mount, length, [across, across, along]);
    }
    for (i, name) in looks.marks.iter().enumerate() {
        let known = o.marks.iter().find(|m| m.point == *name);
        let start = looks.seen.iter().find(|s| s.look.mark == i).map_or([0.0; 3], |s| reader.mark_by_rig(&s.look));
        let place = known.map_or(start, |m| looks.frame.enu(m.latitude_deg, m.longitude_deg, m.ellipsoidal_height_m));
        for (k, value) in place.into_iter().enumerate() {
            // An error of the base is in every position alike, and so is an error of the mark.
            let sigma = known.map_or(f64::INFINITY, |m| {
                let (own, base) = if k == 2 { (m.sigma_up_m, base_sigma[1]) } else { (m.sigma_horizontal_m, base_sigma[0]) };
                own.hypot(base).max(EXACT)
            });
            all.push(Unknown { kind: Kind::Mark(i, k), value, sigma, needed: MARK_NEEDED_M, written: false });
        }
    }
    all
}
