//! One look: an attitude that was held at a mark.

use super::unknowns::{Chain, Kind, Unknown};
use crate::rig::ledger::Aim;
use survey_mathematics::rotation::Rotation;

/// Three by three values.
pub(crate) type Three = [[f64; 3]; 3];

/// Epochs of one attitude at one mark. The chain is linear in the rotation, so the means below give exactly the mean
/// of the epochs' targets.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Look {
    /// Name for people: point and time.
    pub name: String,
    /// Tip or laser.
    pub aim: Aim,
    /// Number of the mark.
    pub mark: usize,
    /// Middle of the look, s from any start.
    pub time_s: f64,
    /// Mean of the logged point, east, north, up, m.
    pub antenna: [f64; 3],
    /// Mean rotation from body axes to east, north, up.
    pub turn: Three,
    /// Mean of range times rotation, m.
    pub ranged: Three,
    /// Covariance of the mean from attitude, range and aiming, m2: each look has its own.
    pub noise: Three,
    /// Covariance of the mean from GNSS, m2: correlated with the looks near in time.
    pub gnss: Three,
    /// Number of epochs.
    pub epochs: usize,
}

/// The rows of a rotation in east, north, up.
#[must_use]
pub(crate) const fn enu_rows(rotation: &Rotation) -> Three {
    let [n, e, [a, b, c]] = rotation.rows;
    [e, n, [-a, -b, -c]]
}

/// A matrix times a vector.
#[must_use]
pub(crate) fn times(m: &Three, v: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|i| m[i][0] * v[0] + m[i][1] * v[1] + m[i][2] * v[2])
}

/// The value of an unknown in a vector of all, 0 when it is none of them.
fn value(unknowns: &[Unknown], x: &[f64], kind: Kind) -> f64 {
    unknowns.iter().position(|u| u.kind == kind).map_or(0.0, |i| x[i])
}

/// Turns a vector of east, north, up clockwise by an angle, deg.
fn clockwise([e, n, u]: [f64; 3], deg: f64) -> [f64; 3] {
    let (s, c) = deg.to_radians().sin_cos();
    [e * c + n * s, n * c - e * s, u]
}

impl Look {
    /// Where the chain ends minus where the mark is, east, north, up, m, and its derivative by every unknown.
    #[must_use]
    pub(crate) fn misclosure(&self, chain: &Chain, unknowns: &[Unknown], x: &[f64]) -> ([f64; 3], Vec<[f64; 3]>) {
        let get = |kind| value(unknowns, x, kind);
        let heading = get(Kind::Heading);
        let mut length = chain.head;
        let mut arm = [0.0; 3];
        let [beam, by_side, by_up] = chain.beam(get(Kind::BeamSide), get(Kind::BeamUp));
        let (scale, zero) = (1.0 + get(Kind::Scale) * 1e-6, get(Kind::Zero));
        let laser = self.aim == Aim::Laser;
        // Range and rotation together act on a direction as one matrix.
        let reach = [0, 1, 2].map(|i| [0, 1, 2].map(|j| scale * self.ranged[i][j] + zero * self.turn[i][j]));
        for (k, l) in length.iter_mut().enumerate() {
            *l += if laser { get(Kind::Lever(k)) } else { get(Kind::Pole(k)) };
        }
        for (a, b) in arm.iter_mut().zip(times(&self.turn, length)) {
            *a += b;
        }
        if laser {
            for (a, b) in arm.iter_mut().zip(times(&reach, beam)) {
                *a += b;
            }
        }
        let arm = clockwise(arm, heading);
        let column = |k: usize| clockwise([self.turn[0][k], self.turn[1][k], self.turn[2][k]], heading);
        let rows = unknowns
            .iter()
            .map(|u| match u.kind {
                Kind::BeamSide if laser => clockwise(times(&reach, by_side), heading),
                Kind::BeamUp if laser => clockwise(times(&reach, by_up), heading),
                Kind::Lever(k) if laser => column(k),
                Kind::Pole(k) if !laser => column(k),
                Kind::Zero if laser => clockwise(times(&self.turn, beam), heading),
                Kind::Scale if laser => clockwise(times(&self.ranged, beam), heading).map(|v| v * 1e-6),
                Kind::Heading => [arm[1].to_radians(), -arm[0].to_radians(), 0.0],
                Kind::Mark(mark, axis) if mark == self.mark => {
                    let mut row = [0.0; 3];
                    row[axis] = -1.0;
                    row
                }
                _ => [0.0; 3],
            })
            .collect();
        let end = [0, 1, 2].map(|k| self.antenna[k] + arm[k] - get(Kind::Mark(self.mark, k)));
        (end, rows)
    }

    /// Angle between the attitudes of two looks, deg.
    #[must_use]
    pub(crate) fn turned_from(&self, other: &Self) -> f64 {
        let trace: f64 = (0..3).map(|i| (0..3).map(|j| self.turn[i][j] * other.turn[i][j]).sum::<f64>()).sum();
        ((trace - 1.0) / 2.0).clamp(-1.0, 1.0).acos().to_degrees()
    }
}

/// Attitudes closer than this are one, deg.
pub(super) const SAME_ATTITUDE_DEG: f64 = 8.0;

/// How many attitudes differ from each other by more than 8 degrees, counted one after the other.
#[must_use]
pub(crate) fn attitudes<'a>(looks: impl Iterator<Item = &'a Look>) -> usize {
    let mut kept: Vec<&Look> = vec![];
    for look in looks {
        if kept.iter().all(|k| k.turned_from(look) > SAME_ATTITUDE_DEG) {
            kept.push(look);
        }
    }
    kept.len()
}
