//! The rotation from body axes to north, east, down.
//!
//! Body axes: x forward (the direction that the heading names), y right, z down. Heading clockwise
//! from true north, pitch positive nose up, roll positive right side down.

/// A rotation from body axes to north, east, down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rotation {
    /// Rows north, east, down; columns body x, y, z. No unit.
    pub rows: [[f64; 3]; 3],
    sin_heading: f64,
    cos_heading: f64,
}

impl Rotation {
    /// R = Rz(heading) Ry(pitch) Rx(roll), angles in degrees (standard aerospace sequence Z-Y-X;
    /// measurement model, "Axes and angles").
    #[must_use]
    pub fn new(heading_deg: f64, pitch_deg: f64, roll_deg: f64) -> Self {
        let (sh, ch) = heading_deg.to_radians().sin_cos();
        let (sp, cp) = pitch_deg.to_radians().sin_cos();
        let (sr, cr) = roll_deg.to_radians().sin_cos();
        Self {
            rows: [
                [cp * ch, sr * sp * ch - cr * sh, cr * sp * ch + sr * sh],
                [cp * sh, sr * sp * sh + cr * ch, cr * sp * sh - sr * ch],
                [-sp, sr * cp, cr * cp],
            ],
            sin_heading: sh,
            cos_heading: ch,
        }
    }

    /// A vector of body axes in north, east, down, in its own unit.
    #[must_use]
    pub fn apply(&self, [x, y, z]: [f64; 3]) -> [f64; 3] {
        self.rows.map(|[a, b, c]| a * x + b * y + c * z)
    }

    /// A vector of north, east, down in body axes, in its own unit.
    #[must_use]
    pub fn undo(&self, [n, e, d]: [f64; 3]) -> [f64; 3] {
        let [a, b, c] = self.rows;
        [0, 1, 2].map(|i| a[i] * n + b[i] * e + c[i] * d)
    }

    /// Angle of the body's z axis from the vertical, deg: acos(cos pitch cos roll), computed as an
    /// arc tangent so that small angles keep their digits.
    #[must_use]
    pub fn tilt_deg(&self) -> f64 {
        let [[_, _, n], [_, _, e], [_, _, d]] = self.rows;
        n.hypot(e).atan2(d).to_degrees()
    }

    /// The axis about which pitch turns, in north, east, down: the level line to the right.
    #[must_use]
    pub const fn pitch_axis(&self) -> [f64; 3] {
        [-self.sin_heading, self.cos_heading, 0.0]
    }

    /// The axis about which roll turns, in north, east, down: the body's own x.
    #[must_use]
    pub const fn roll_axis(&self) -> [f64; 3] {
        [self.rows[0][0], self.rows[1][0], self.rows[2][0]]
    }
}

/// Direction of a beam in body axes from its azimuth (clockwise from forward) and elevation (up
/// positive; -90 points along the pole), deg. A unit vector.
#[must_use]
pub fn boresight(azimuth_deg: f64, elevation_deg: f64) -> [f64; 3] {
    let (sa, ca) = azimuth_deg.to_radians().sin_cos();
    let (se, ce) = elevation_deg.to_radians().sin_cos();
    [ce * ca, ce * sa, -se]
}

/// The product a x b.
#[must_use]
pub fn cross([a1, a2, a3]: [f64; 3], [b1, b2, b3]: [f64; 3]) -> [f64; 3] {
    [a2 * b3 - a3 * b2, a3 * b1 - a1 * b3, a1 * b2 - a2 * b1]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn roll_pitch_heading_case() {
        // S-RPY-1 of checks/09_intersection_localisation.csv (scipy, intrinsic ZYX).
        let r = Rotation::new(127.4, -3.1, 4.2);
        let [n, e, d] = r.apply([0.0, 0.0, 2.0]);
        assert!((n - 0.181_879).abs() < 1e-6 && (e - 0.003_275).abs() < 1e-6 && (d - 1.991_710).abs() < 1e-6, "{n} {e} {d}");
        assert!((r.tilt_deg() - 5.218_503).abs() < 1e-6);
    }

    #[test]
    fn signs_in_words() {
        // Heading east, level: forward points east, right points south.
        let r = Rotation::new(90.0, 0.0, 0.0);
        assert!((r.apply([1.0, 0.0, 0.0])[1] - 1.0).abs() < 1e-15 && (r.apply([0.0, 1.0, 0.0])[0] + 1.0).abs() < 1e-15);
        // Nose up: forward rises (down is negative), the foot of the pole moves forward.
        let r = Rotation::new(0.0, 10.0, 0.0);
        assert!(r.apply([1.0, 0.0, 0.0])[2] < 0.0 && r.apply([0.0, 0.0, 1.0])[0] > 0.0);
        // Right side down: right sinks, the foot moves to the left.
        let r = Rotation::new(0.0, 0.0, 10.0);
        assert!(r.apply([0.0, 1.0, 0.0])[2] > 0.0 && r.apply([0.0, 0.0, 1.0])[1] < 0.0);
        assert!((boresight(0.0, -90.0)[2] - 1.0).abs() < 1e-15);
        assert!((boresight(90.0, 0.0)[1] - 1.0).abs() < 1e-15);
    }

    proptest! {
        #[test]
        fn turns_without_stretching(h in -720.0..720.0_f64, p in -180.0..180.0_f64, r in -180.0..180.0_f64,
                                    v in prop::array::uniform3(-9.0..9.0_f64)) {
            let rotation = Rotation::new(h, p, r);
            let m = rotation.rows;
            for i in 0..3 {
                for j in 0..3 {
                    let dot: f64 = (0..3).map(|k| m[i][k] * m[j][k]).sum();
                    let want = if i == j { 1.0 } else { 0.0 };
                    prop_assert!((dot - want).abs() < 1e-14);
                }
            }
            // Right-handed: the third row is the product of the first two.
            let third = cross(m[0], m[1]);
            for k in 0..3 {
                prop_assert!((third[k] - m[2][k]).abs() < 1e-14);
            }
            let back = rotation.undo(rotation.apply(v));
            for k in 0..3 {
                prop_assert!((back[k] - v[k]).abs() < 1e-13);
            }
            let direct = (p.to_radians().cos() * r.to_radians().cos()).clamp(-1.0, 1.0).acos().to_degrees();
            prop_assert!((rotation.tilt_deg() - direct).abs() < 1e-5);
        }
    }
}
