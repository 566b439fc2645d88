//! How the pole stands: rotation from body axes to north, east, down, and the pose that puts the beam on a target.

use crate::earth::{V3, add, dot, length, sub, times};
use crate::rig::Rig;
use libm::{acos, atan2, cos, sin, sqrt};

const RAD: f64 = core::f64::consts::PI / 180.0;

/// Heading clockwise from true north, pitch nose up, roll right side down, deg.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pose {
    /// Heading.
    pub heading: f64,
    /// Pitch.
    pub pitch: f64,
    /// Roll.
    pub roll: f64,
}

fn about_x(r: f64, v: V3) -> V3 {
    let (s, c) = (sin(r * RAD), cos(r * RAD));
    [v[0], c * v[1] - s * v[2], s * v[1] + c * v[2]]
}

fn about_y(p: f64, v: V3) -> V3 {
    let (s, c) = (sin(p * RAD), cos(p * RAD));
    [c * v[0] + s * v[2], v[1], -s * v[0] + c * v[2]]
}

fn about_z(h: f64, v: V3) -> V3 {
    let (s, c) = (sin(h * RAD), cos(h * RAD));
    [c * v[0] - s * v[1], s * v[0] + c * v[1], v[2]]
}

impl Pose {
    /// A body vector in north, east, down: roll first, then pitch, then heading.
    #[must_use]
    pub fn turn(&self, v: V3) -> V3 {
        about_z(self.heading, about_y(self.pitch, about_x(self.roll, v)))
    }

    /// A body vector in east, north, up.
    #[must_use]
    pub fn enu(&self, v: V3) -> V3 {
        let [n, e, d] = self.turn(v);
        [e, n, -d]
    }

    /// Angle of the pole from plumb, deg.
    #[must_use]
    pub fn tilt(&self) -> f64 {
        acos(cos(self.pitch * RAD) * cos(self.roll * RAD)) / RAD
    }
}

/// The pose with a given roll, tip on the ground, whose beam hits a target `from_tip` (east, north, up), and the
/// distance along the beam. None when no such pose exists.
///
/// The target in body axes is `c + d b`, with `c` from tip to laser and `b` the beam; its length is known, which
/// gives `d`. The pitch then follows from the vertical component and the heading from the horizontal one.
#[must_use]
pub fn aim(rig: &Rig, roll: f64, from_tip: V3) -> Option<(Pose, f64)> {
    let target = [from_tip[1], from_tip[0], -from_tip[2]];
    let c = sub(rig.lever, rig.pole);
    let b = rig.beam();
    let half = dot(c, b);
    let under = half * half - dot(c, c) + dot(target, target);
    if under <= 0.0 {
        return None;
    }
    let distance = sqrt(under) - half;
    if distance <= 0.0 {
        return None;
    }
    let w = about_x(roll, add(c, times(distance, b)));
    // -sin(p) wx + cos(p) wz = down.
    let size = sqrt(w[0] * w[0] + w[2] * w[2]);
    let share = target[2] / size;
    if share.abs() > 1.0 {
        return None;
    }
    let delta = atan2(w[0], w[2]);
    let pitch = [acos(share) - delta, -acos(share) - delta]
        .map(|p| atan2(sin(p), cos(p)) / RAD)
        .into_iter()
        .min_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    let flat = about_y(pitch, w);
    let heading = (atan2(target[1], target[0]) - atan2(flat[1], flat[0])) / RAD;
    Some((Pose { heading: wrap(heading), pitch, roll }, distance))
}

/// An angle in 0 to 360.
#[must_use]
pub fn wrap(x: f64) -> f64 {
    x - 360.0 * libm::floor(x / 360.0)
}

/// Target less antenna reference point, east, north, up: what the beam really reaches.
#[must_use]
pub fn reach(rig: &Rig, pose: Pose, distance: f64) -> V3 {
    pose.enu(add(rig.lever, times(distance, rig.beam())))
}

/// How far from a target, horizontally, the pole must stand for a given pitch; `drop` is the target below the
/// tip. None when the beam cannot reach it so.
#[must_use]
pub fn standing_distance(rig: &Rig, roll: f64, pitch: f64, drop: f64) -> Option<f64> {
    // Walk along the beam until it is `drop` below the tip.
    let p = Pose { heading: 0.0, pitch, roll };
    let c = p.enu(sub(rig.lever, rig.pole));
    let b = p.enu(rig.beam());
    let along = (-drop - c[2]) / b[2];
    if along <= 0.0 || b[2] >= 0.0 {
        return None;
    }
    let at = add(c, times(along, b));
    Some(length([at[0], at[1], 0.0]))
}

#[cfg(test)]
#[allow(clippy::expect_used)]
mod tests {
    use super::*;
    use crate::rig::NOMINAL;

    #[test]
    fn the_aimed_beam_hits_the_target() {
        for (k, t) in [[1.8, 0.3, -1.6], [-0.9, -1.2, -1.9], [0.2, -2.4, -1.3]].into_iter().enumerate() {
            #[allow(clippy::cast_precision_loss)]
            let roll = 4.0 * k as f64 - 3.0;
            let (pose, d) = aim(&NOMINAL, roll, t).expect("reachable");
            let tip = pose.enu(NOMINAL.pole);
            let hit = sub(reach(&NOMINAL, pose, d), tip);
            assert!(length(sub(hit, t)) < 1e-12, "{pose:?} {hit:?}");
            assert!(pose.pitch.abs() < 40.0, "{pose:?}");
        }
    }

    #[test]
    fn standing_distance_is_the_inverse() {
        let d = standing_distance(&NOMINAL, 5.0, -12.0, 1.7).expect("reachable");
        let (pose, _) = aim(&NOMINAL, 5.0, [d, 0.0, -1.7]).expect("reachable");
        assert!((pose.pitch + 12.0).abs() < 1e-9, "{pose:?} {d}");
    }

    #[test]
    fn a_plumb_pole_leans_by_hand() {
        // Pole of 2 m, pitch -30 deg, heading east: the antenna is 1 m east of the tip and 1.732 m above it.
        let p = Pose { heading: 90.0, pitch: -30.0, roll: 0.0 };
        let tip = p.enu([0.0, 0.0, 2.0]);
        assert!(length(sub(tip, [-1.0, 0.0, -1.732_050_807_568_877])) < 1e-12, "{tip:?}");
    }
}
