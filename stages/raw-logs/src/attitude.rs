//! Attitude as sensors give it, and as the model counts it: heading, pitch and roll.
//!
//! * tilt and the azimuth of the lean, with or without a heading of the body;
//! * a quaternion, in any of the usual pairs of axes;
//! * pitch and roll alone.
//!
//! Interpolation goes along the shortest rotation (Shoemake 1985), so that neither 360 degrees nor a pitch near the vertical makes a step.

use pipeline_base::rig::{Attitude, AttitudeKind, Body, LeaningEnd, QuaternionAxes, Turns, World};
use survey_mathematics::rotation::Rotation;

/// A unit quaternion: scalar, then vector.
pub type Quaternion = [f64; 4];

/// What a sensor gives, in the order heading, pitch, roll, tilt, azimuth of the lean (deg), quaternion w, x, y, z.
pub type Raw = [f64; 9];

/// A quaternion further from length 1 than this is damaged.
const UNIT_WITHIN: f64 = 0.01;

/// Turns what the sensor gives into heading, pitch and roll, deg.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Converter {
    /// Heading, pitch, roll as they are.
    Same,
    /// Tilt and azimuth of the lean; the body's own heading is not known.
    Lean(LeaningEnd),
    /// Tilt and azimuth of the lean, and the body's own heading.
    LeanAndHeading(LeaningEnd),
    /// Quaternion.
    Quaternion(QuaternionAxes),
}

impl Converter {
    /// For the attitude of a rig.
    #[must_use]
    pub fn of(attitude: Option<&Attitude>) -> Self {
        let Some(a) = attitude else { return Self::Same };
        match a.kind {
            AttitudeKind::HeadingPitchRoll | AttitudeKind::PitchRoll => Self::Same,
            AttitudeKind::TiltAzimuth => Self::Lean(a.lean_azimuth_of.unwrap_or_default()),
            AttitudeKind::TiltAzimuthHeading => Self::LeanAndHeading(a.lean_azimuth_of.unwrap_or_default()),
            AttitudeKind::Quaternion => a.quaternion.map_or(Self::Same, Self::Quaternion),
        }
    }

    /// Heading, pitch and roll, deg; NaN where the sensor says nothing or says something impossible.
    #[must_use]
    pub fn turn(&self, raw: &Raw) -> [f64; 3] {
        let [heading, pitch, roll, tilt, azimuth, w, x, y, z] = *raw;
        let top = |end: LeaningEnd| if end == LeaningEnd::Top { azimuth } else { azimuth + 180.0 };
        match self {
            Self::Same => [heading, pitch, roll],
            Self::Lean(end) => angles(lean(tilt, top(*end))),
            Self::LeanAndHeading(end) => lean_with_heading(tilt, top(*end), heading),
            Self::Quaternion(axes) => from_quaternion([w, x, y, z], *axes).map_or([f64::NAN; 3], angles),
        }
    }
}

/// The rotation that only leans: the body does not turn about its own axis. The top goes towards `azimuth_deg`.
fn lean(tilt_deg: f64, azimuth_deg: f64) -> Quaternion {
    // About the level axis to the left of the lean, in north, east, down: forward goes down, the top forward.
    let (s, c) = (tilt_deg.to_radians() / 2.0).sin_cos();
    let (sa, ca) = azimuth_deg.to_radians().sin_cos();
    [c, s * sa, -s * ca, 0.0]
}

/// Pitch and roll of a body with a heading whose top leans by `tilt` towards `azimuth`.
fn lean_with_heading(tilt_deg: f64, azimuth_deg: f64, heading_deg: f64) -> [f64; 3] {
    let (st, ct) = tilt_deg.to_radians().sin_cos();
    let (sb, cb) = (azimuth_deg - heading_deg).to_radians().sin_cos();
    [heading_deg, (-st * cb).atan2(ct).to_degrees(), (st * sb).clamp(-1.0, 1.0).asin().to_degrees()]
}

fn product([a, b, c, d]: Quaternion, [e, f, g, h]: Quaternion) -> Quaternion {
    [a * e - b * f - c * g - d * h, a * f + b * e + c * h - d * g, a * g - b * h + c * e + d * f, a * h + b * g - c * f + d * e]
}

/// The rotation from body (forward, right, down) to north, east, down of a quaternion as declared; `None` when it is not of length 1.
#[must_use]
pub fn from_quaternion(q: Quaternion, axes: QuaternionAxes) -> Option<Quaternion> {
    let length = q.iter().map(|v| v * v).sum::<f64>().sqrt();
    if length.is_nan() || (length - 1.0).abs() > UNIT_WITHIN {
        return None;
    }
    let [w, x, y, z] = q.map(|v| v / length);
    let q = if axes.turns == Turns::BodyToWorld { [w, x, y, z] } else { [w, -x, -y, -z] };
    let half = std::f64::consts::FRAC_1_SQRT_2;
    // East, north, up to north, east, down: half a turn about the axis between north and east.
    let q = if axes.world == World::EastNorthUp { product([0.0, half, half, 0.0], q) } else { q };
    // Forward, right, down to forward, left, up: half a turn about forward.
    Some(if axes.body == Body::ForwardLeftUp { product(q, [0.0, 1.0, 0.0, 0.0]) } else { q })
}

/// The quaternion of a heading, pitch and roll, deg.
#[must_use]
pub fn quaternion([heading, pitch, roll]: [f64; 3]) -> Quaternion {
    let [(sh, ch), (sp, cp), (sr, cr)] = [heading, pitch, roll].map(|a| (a.to_radians() / 2.0).sin_cos());
    product(product([ch, 0.0, 0.0, sh], [cp, 0.0, sp, 0.0]), [cr, sr, 0.0, 0.0])
}

/// Heading (0 to 360), pitch and roll of a quaternion, deg.
#[must_use]
pub fn angles([w, x, y, z]: Quaternion) -> [f64; 3] {
    if !(w.is_finite() && x.is_finite() && y.is_finite() && z.is_finite()) {
        return [f64::NAN; 3];
    }
    let down_forward = 2.0 * (x * z - w * y);
    let pitch = (-down_forward).clamp(-1.0, 1.0).asin();
    let heading = (2.0 * (x * y + w * z)).atan2(1.0 - 2.0 * (y * y + z * z));
    let roll = (2.0 * (y * z + w * x)).atan2(1.0 - 2.0 * (x * x + y * y));
    [super::quantity::full_circle(heading.to_degrees()), pitch.to_degrees(), roll.to_degrees()]
}

/// Between two attitudes (heading, pitch, roll, deg) along the shortest rotation; NaN when they are half a turn apart, where both ways
/// are the same length.
#[must_use]
pub fn between(a: [f64; 3], b: [f64; 3], share: f64) -> [f64; 3] {
    let (p, mut q) = (quaternion(a), quaternion(b));
    let mut dot: f64 = p.iter().zip(&q).map(|(x, y)| x * y).sum();
    if dot < 0.0 {
        q = q.map(|v| -v);
        dot = -dot;
    }
    if dot.is_nan() || dot <= 1e-6 {
        return [f64::NAN; 3];
    }
    let angle = dot.min(1.0).acos();
    // Below a millionth of a radian the sines are their angles.
    let (u, v) = if angle < 1e-6 {
        (1.0 - share, share)
    } else {
        (((1.0 - share) * angle).sin() / angle.sin(), (share * angle).sin() / angle.sin())
    };
    let mixed = [0, 1, 2, 3].map(|i| u * p[i] + v * q[i]);
    let length = mixed.iter().map(|v| v * v).sum::<f64>().sqrt();
    angles(mixed.map(|v| v / length))
}

/// The rotation of a heading, pitch and roll, for tests of conventions.
#[must_use]
pub fn rotation([heading, pitch, roll]: [f64; 3]) -> Rotation {
    Rotation::new(heading, pitch, roll)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const NAN: f64 = f64::NAN;
    const TOP: LeaningEnd = LeaningEnd::Top;

    fn close(a: &Rotation, b: &Rotation) -> f64 {
        (0..3).flat_map(|i| (0..3).map(move |j| (i, j))).map(|(i, j)| (a.rows[i][j] - b.rows[i][j]).abs()).fold(0.0, f64::max)
    }

    #[test]
    fn tilt_case_of_the_checks() {
        // S-TILT-LASER-1 of checks/09_intersection_localisation.csv: 2 m, 12.5 deg towards 140 deg; tip (-0.27825, 0.33160, -1.95259).
        let raw = [77.0, NAN, NAN, 12.5, 140.0, NAN, NAN, NAN, NAN];
        let foot = [77.0, NAN, NAN, 12.5, 320.0, NAN, NAN, NAN, NAN];
        for (converter, raw) in [
            (Converter::Lean(TOP), raw),
            (Converter::LeanAndHeading(TOP), raw),
            (Converter::Lean(LeaningEnd::Foot), foot),
            (Converter::LeanAndHeading(LeaningEnd::Foot), foot),
        ] {
            let [n, e, d] = rotation(converter.turn(&raw)).apply([0.0, 0.0, 2.0]);
            assert!(
                (e + 0.278_25).abs() < 1e-5 && (n - 0.331_60).abs() < 1e-5 && (d - 1.952_59).abs() < 1e-5,
                "{converter:?}: {e} {n} {d}"
            );
        }
        assert!((Converter::LeanAndHeading(TOP).turn(&raw)[0] - 77.0).abs() < 1e-12);
        assert!(Converter::Lean(TOP).turn(&[NAN; 9]).iter().all(|v| v.is_nan()));
    }

    #[test]
    fn quaternions_of_all_conventions() {
        // S-RPY-1: heading 127.4, pitch -3.1, roll 4.2.
        let want = [127.4, -3.1, 4.2];
        let ned = quaternion(want);
        let conjugate = |[w, x, y, z]: Quaternion| [w, -x, -y, -z];
        let half = std::f64::consts::FRAC_1_SQRT_2;
        let to_enu = [0.0, half, half, 0.0];
        for turns in [Turns::BodyToWorld, Turns::WorldToBody] {
            for world in [World::NorthEastDown, World::EastNorthUp] {
                for body in [Body::ForwardRightDown, Body::ForwardLeftUp] {
                    let mut q = ned;
                    if world == World::EastNorthUp {
                        q = product(to_enu, q);
                    }
                    if body == Body::ForwardLeftUp {
                        q = product(q, [0.0, 1.0, 0.0, 0.0]);
                    }
                    if turns == Turns::WorldToBody {
                        q = conjugate(q);
                    }
                    let raw = [NAN, NAN, NAN, NAN, NAN, q[0], q[1], q[2], q[3]];
                    let have = Converter::Quaternion(QuaternionAxes { turns, world, body }).turn(&raw);
                    for (h, w) in have.iter().zip(want) {
                        assert!((h - w).abs() < 1e-9, "{turns:?} {world:?} {body:?}: {have:?}");
                    }
                }
            }
        }
        // A body that lies level and faces east: in east, north, up and forward, left, up it is not turned at all.
        let axes = QuaternionAxes { turns: Turns::BodyToWorld, world: World::EastNorthUp, body: Body::ForwardLeftUp };
        let raw = [NAN, NAN, NAN, NAN, NAN, 1.0, 0.0, 0.0, 0.0];
        let [h, p, r] = Converter::Quaternion(axes).turn(&raw);
        assert!((h - 90.0).abs() < 1e-9 && p.abs() < 1e-9 && r.abs() < 1e-9);
        // Damaged.
        assert!(Converter::Quaternion(axes).turn(&[NAN, NAN, NAN, NAN, NAN, 0.5, 0.0, 0.0, 0.0])[0].is_nan());
    }

    #[test]
    fn across_the_north_and_over_the_top() {
        let [h, p, r] = between([350.0, 0.0, 0.0], [20.0, 0.0, 0.0], 0.5);
        assert!((h - 5.0).abs() < 1e-9 && p.abs() < 1e-9 && r.abs() < 1e-9);
        let [h, _, _] = between([359.999, 0.0, 0.0], [0.001, 0.0, 0.0], 0.25);
        assert!((h - 359.9995).abs() < 1e-6, "{h}");
        // A pole swung through the vertical: halfway it is upright, whatever the two headings are.
        let through = between(
            Converter::Lean(TOP).turn(&[NAN, NAN, NAN, 2.0, 90.0, NAN, NAN, NAN, NAN]),
            Converter::Lean(TOP).turn(&[NAN, NAN, NAN, 2.0, 270.0, NAN, NAN, NAN, NAN]),
            0.5,
        );
        assert!(rotation(through).tilt_deg() < 1e-6, "{through:?}");
        // Half a turn: no way is shorter.
        assert!(between([0.0, 0.0, 0.0], [180.0, 0.0, 0.0], 0.3)[0].is_nan());
    }

    proptest! {
        #[test]
        fn there_and_back(h in 0.0..360.0_f64, p in -89.0..89.0_f64, r in -179.0..179.0_f64) {
            let back = angles(quaternion([h, p, r]));
            prop_assert!(close(&rotation([h, p, r]), &rotation(back)) < 1e-9);
        }

        #[test]
        fn the_way_is_even(a in prop::array::uniform3(-80.0..80.0_f64), b in prop::array::uniform3(-80.0..80.0_f64), share in 0.0..1.0_f64) {
            let angle = |x: [f64; 3], y: [f64; 3]| {
                let dot: f64 = quaternion(x).iter().zip(quaternion(y)).map(|(u, v)| u * v).sum();
                2.0 * dot.abs().min(1.0).acos().to_degrees()
            };
            let m = between(a, b, share);
            prop_assume!(m[0].is_finite() && angle(a, b) > 0.1);
            prop_assert!((angle(a, m) - share * angle(a, b)).abs() < 1e-4);
            prop_assert!((angle(m, b) - (1.0 - share) * angle(a, b)).abs() < 1e-4);
        }

        #[test]
        fn lean_has_its_tilt_and_azimuth(tilt in 0.1..89.0_f64, azimuth in 0.0..360.0_f64, heading in 0.0..360.0_f64) {
            let raw = [heading, NAN, NAN, tilt, azimuth, NAN, NAN, NAN, NAN];
            for c in [Converter::Lean(TOP), Converter::LeanAndHeading(TOP)] {
                let r = rotation(c.turn(&raw));
                prop_assert!((r.tilt_deg() - tilt).abs() < 1e-6);
                // The top is opposite to the foot.
                let [n, e, _] = r.apply([0.0, 0.0, -1.0]);
                let have = e.atan2(n).to_degrees();
                prop_assert!(((have - azimuth + 180.0).rem_euclid(360.0) - 180.0).abs() < 1e-6);
            }
        }
    }
}
