//! From the logged point to the target: offset and covariance of one epoch.
//!
//! offset = R lever + (scale range + zero) R boresight (measurement model, "One epoch"). The
//! covariance is first order, by the analytic Jacobian: a turn by a small angle about an axis moves
//! the end of an arm by axis x arm, so heading, pitch and roll each give one vector, and each
//! contributor adds variance times vector times vector. Random and systematic parts stay apart.
//!
//! Everything is on the stack: one sine and cosine per angle, no allocation.

use crate::budget::{Contributor, Kind, Part};
use pipeline_base::rig::{Attitude, BodyVector, Laser};
use survey_mathematics::rotation::{Rotation, boresight, cross};

/// A symmetric covariance in local east, north, up, m2.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Covariance {
    /// East.
    pub ee: f64,
    /// East with north.
    pub en: f64,
    /// East with up.
    pub eu: f64,
    /// North.
    pub nn: f64,
    /// North with up.
    pub nu: f64,
    /// Up.
    pub uu: f64,
}

impl Covariance {
    /// Adds `variance` times the product of a vector (east, north, up) with itself.
    fn add(&mut self, variance: f64, [e, n, u]: [f64; 3]) {
        let (ve, vn) = (variance * e, variance * n);
        self.ee += ve * e;
        self.en += ve * n;
        self.eu += ve * u;
        self.nn += vn * n;
        self.nu += vn * u;
        self.uu += variance * u * u;
    }

    /// Adds the same variance in every direction, m2.
    fn add_everywhere(&mut self, variance: f64) {
        self.ee += variance;
        self.nn += variance;
        self.uu += variance;
    }

    /// The sum of two independent covariances.
    #[must_use]
    pub(crate) fn plus(&self, other: &Self) -> Self {
        Self {
            ee: self.ee + other.ee,
            en: self.en + other.en,
            eu: self.eu + other.eu,
            nn: self.nn + other.nn,
            nu: self.nu + other.nu,
            uu: self.uu + other.uu,
        }
    }

    /// The GNSS part from 1-sigma values to the east, north and up (m) and their correlation. East
    /// and north are taken as independent of up: no sentence carries more.
    #[must_use]
    pub(crate) fn gnss(sigma_east_m: f64, sigma_north_m: f64, sigma_up_m: f64, correlation_east_north: f64) -> Self {
        Self {
            ee: sigma_east_m * sigma_east_m,
            en: correlation_east_north * sigma_east_m * sigma_north_m,
            nn: sigma_north_m * sigma_north_m,
            uu: sigma_up_m * sigma_up_m,
            ..Self::default()
        }
    }
}

/// Variances of the attitude, rad2 and s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct AttitudeNoise {
    heading_random: f64,
    tilt_random: f64,
    heading_systematic: f64,
    /// Of the correction to true north.
    north: f64,
    tilt_systematic: f64,
    time_tag_s: f64,
}

impl AttitudeNoise {
    /// Sigma of the correction to true north, deg.
    #[must_use]
    pub(crate) fn north_sigma_deg(&self) -> f64 {
        self.north.sqrt().to_degrees()
    }

    /// From the rig, with the standard deviation of the declination (deg) where north is magnetic.
    #[must_use]
    pub(crate) fn new(attitude: &Attitude, declination_sigma_deg: f64) -> Self {
        let square = |deg: f64| deg.to_radians().powi(2);
        Self {
            heading_random: square(attitude.heading_sigma_deg),
            tilt_random: square(attitude.tilt_sigma_deg),
            heading_systematic: square(attitude.heading_bias_sigma_deg) + square(declination_sigma_deg),
            north: square(declination_sigma_deg),
            tilt_systematic: square(attitude.tilt_bias_sigma_deg),
            time_tag_s: attitude.time_tag_sigma_s,
        }
    }
}

/// The laser's beam.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Beam {
    direction: [f64; 3],
    scale: f64,
    zero: f64,
    range_variance: f64,
    zero_variance: f64,
    /// Of the scale, no unit.
    scale_variance: f64,
    /// Of the direction, rad2.
    direction_variance: f64,
}

/// What leads from the logged point to one kind of target, with everything that does not change
/// from epoch to epoch worked out once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Model {
    lever: [f64; 3],
    lever_variance: f64,
    beam: Option<Beam>,
    noise: AttitudeNoise,
}

/// Attitude and range of one epoch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Shot {
    /// Heading from true north, deg.
    pub heading_deg: f64,
    /// Pitch, deg.
    pub pitch_deg: f64,
    /// Roll, deg.
    pub roll_deg: f64,
    /// Raw range, m; not looked at without a beam.
    pub range_m: f64,
    /// Turn rate, deg/s; NaN counts as standing still.
    pub turn_rate_deg_s: f64,
    /// Speed of the antenna, m/s; NaN counts as standing still.
    pub speed_m_s: f64,
    /// Sigma of the heading's bias at this epoch, deg; NaN: the sensor's constant one.
    pub heading_sigma_deg: f64,
}

/// The contributors of a rig, without GNSS.
pub(crate) const CONTRIBUTORS: [Contributor; 10] = [
    Contributor::HeadingNoise,
    Contributor::TiltNoise,
    Contributor::RangeNoise,
    Contributor::TimeTag,
    Contributor::BeamDirection,
    Contributor::Lengths,
    Contributor::RangeZero,
    Contributor::RangeScale,
    Contributor::HeadingBias,
    Contributor::TiltBias,
];

/// Covariance of one epoch by contributor, in the order of [`CONTRIBUTORS`].
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Contributions([Covariance; CONTRIBUTORS.len()]);

impl Contributions {
    /// Only lengths, the same in every direction, m2.
    #[must_use]
    pub(crate) fn of_lengths(variance: f64) -> Self {
        let mut all = Self::default();
        all.of(Contributor::Lengths).add_everywhere(variance);
        all
    }

    /// The covariance of one contributor of a rig.
    const fn of(&mut self, c: Contributor) -> &mut Covariance {
        let mut k = 0;
        while k + 1 < CONTRIBUTORS.len() && CONTRIBUTORS[k] as usize != c as usize {
            k += 1;
        }
        &mut self.0[k]
    }

    /// Every part changed in the same way.
    fn each(&self, f: impl Fn(Covariance) -> Covariance) -> Self {
        Self(self.0.map(f))
    }

    fn sum(&self, kind: Kind) -> Covariance {
        let of_kind = CONTRIBUTORS.iter().zip(&self.0).filter(|(c, _)| c.kind() == kind);
        of_kind.fold(Covariance::default(), |sum, (_, part)| sum.plus(part))
    }

    /// What changes from epoch to epoch, together.
    #[must_use]
    pub(crate) fn random(&self) -> Covariance {
        self.sum(Kind::Random)
    }

    /// What is the same for every epoch, together.
    #[must_use]
    pub(crate) fn systematic(&self) -> Covariance {
        self.sum(Kind::Systematic)
    }

    /// The part of each of [`CONTRIBUTORS`].
    #[must_use]
    pub(crate) fn parts(&self) -> [Part; CONTRIBUTORS.len()] {
        self.0.map(|c| Part { ee: c.ee, en: c.en, nn: c.nn, uu: c.uu })
    }

    /// Which of [`CONTRIBUTORS`] add something.
    #[must_use]
    pub(crate) fn present(&self) -> [bool; CONTRIBUTORS.len()] {
        self.0.map(|c| c != Covariance::default())
    }
}

/// Where the target is, seen from the logged point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Target {
    /// East, north, up, m.
    pub enu: [f64; 3],
    /// Both covariances by contributor.
    pub by: Contributions,
    /// What changes from epoch to epoch, without GNSS.
    pub random: Covariance,
    /// What is the same for every epoch.
    pub systematic: Covariance,
    /// Angle of the pole from the vertical, deg.
    pub tilt_deg: f64,
    /// Horizontal length of the offset, m.
    pub arm_m: f64,
}

/// North, east, down to east, north, up.
const fn enu([n, e, d]: [f64; 3]) -> [f64; 3] {
    [e, n, -d]
}

impl Model {
    /// From body vectors that are added one to the other (phase centre to reference point, reference
    /// point to tip or to laser), a laser and the attitude sensor.
    #[must_use]
    pub(crate) fn new(links: &[BodyVector], laser: Option<&Laser>, noise: AttitudeNoise) -> Self {
        let mut lever = [0.0; 3];
        let mut lever_variance = 0.0;
        for link in links {
            lever = [lever[0] + link.x_m, lever[1] + link.y_m, lever[2] + link.z_m];
            lever_variance += link.sigma_m * link.sigma_m;
        }
        let beam = laser.map(|l| Beam {
            direction: boresight(l.beam_azimuth_deg, l.beam_elevation_deg),
            scale: l.scale,
            zero: l.zero_m,
            range_variance: (l.scale * l.range_sigma_m).powi(2),
            zero_variance: l.zero_sigma_m.powi(2),
            scale_variance: (l.scale_sigma_ppm * 1e-6).powi(2),
            direction_variance: l.beam_sigma_deg.to_radians().powi(2),
        });
        Self { lever, lever_variance, beam, noise }
    }

    /// Offset and covariance of one epoch.
    ///
    /// The time tag's jitter acts in two ways. Turning: jitter times turn rate is a heading error.
    /// Moving: an antenna that moves at a speed over a foot that stands still leans at that speed,
    /// so jitter times speed is a displacement; its direction is not known, so its variance is
    /// shared by east and north.
    #[must_use]
    pub(crate) fn target(&self, shot: &Shot) -> Target {
        let rotation = Rotation::new(shot.heading_deg, shot.pitch_deg, shot.roll_deg);
        let mut arm = rotation.apply(self.lever);
        let mut by = Contributions::of_lengths(self.lever_variance);
        if let Some(beam) = &self.beam {
            let along = rotation.apply(beam.direction);
            let length = beam.scale * shot.range_m + beam.zero;
            arm = [arm[0] + length * along[0], arm[1] + length * along[1], arm[2] + length * along[2]];
            let along = enu(along);
            by.of(Contributor::RangeNoise).add(beam.range_variance, along);
            // The beam's direction, across its two axes: everything but along the beam.
            let across = length * length * beam.direction_variance;
            by.of(Contributor::BeamDirection).add_everywhere(across);
            by.of(Contributor::BeamDirection).add(-across, along);
            by.of(Contributor::RangeZero).add(beam.zero_variance, along);
            by.of(Contributor::RangeScale).add(shot.range_m * shot.range_m * beam.scale_variance, along);
        }

        let jitter = self.noise.time_tag_s;
        // d(target)/d(angle) = axis x arm; heading turns about down.
        let by_heading = [arm[0], -arm[1], 0.0];
        if jitter > 0.0 {
            if shot.turn_rate_deg_s.is_finite() {
                by.of(Contributor::TimeTag).add((jitter * shot.turn_rate_deg_s.to_radians()).powi(2), by_heading);
            }
            if shot.speed_m_s.is_finite() {
                let share = (jitter * shot.speed_m_s).powi(2) / 2.0;
                by.of(Contributor::TimeTag).ee += share;
                by.of(Contributor::TimeTag).nn += share;
            }
        }
        let by_pitch = enu(cross(rotation.pitch_axis(), arm));
        let by_roll = enu(cross(rotation.roll_axis(), arm));
        let aged = shot.heading_sigma_deg;
        let heading_systematic =
            if aged.is_finite() { aged.to_radians().powi(2) + self.noise.north } else { self.noise.heading_systematic };
        by.of(Contributor::HeadingNoise).add(self.noise.heading_random, by_heading);
        by.of(Contributor::TiltNoise).add(self.noise.tilt_random, by_pitch);
        by.of(Contributor::TiltNoise).add(self.noise.tilt_random, by_roll);
        by.of(Contributor::HeadingBias).add(heading_systematic, by_heading);
        by.of(Contributor::TiltBias).add(self.noise.tilt_systematic, by_pitch);
        by.of(Contributor::TiltBias).add(self.noise.tilt_systematic, by_roll);
        let arm_m = arm[0].hypot(arm[1]);
        Target { enu: enu(arm), random: by.random(), systematic: by.systematic(), by, tilt_deg: rotation.tilt_deg(), arm_m }
    }

    /// Which of [`CONTRIBUTORS`] can add something to a target. `aged`: epochs have a sigma of their heading.
    #[must_use]
    pub(crate) fn contributors(&self, aged: bool) -> [bool; CONTRIBUTORS.len()] {
        // A shot at which everything acts; along a skew arm nothing cancels.
        let shot = Shot {
            heading_deg: 30.0,
            pitch_deg: 20.0,
            roll_deg: 10.0,
            range_m: 5.0,
            turn_rate_deg_s: 1.0,
            speed_m_s: 1.0,
            heading_sigma_deg: if aged { 1.0 } else { f64::NAN },
        };
        self.target(&shot).by.present()
    }

    /// The same pole when nothing tells how the body is turned about its own axis, as with tilt and the azimuth of the lean: a
    /// sideways part of the lever points nowhere known and is systematic, shared by both axes.
    #[must_use]
    pub(crate) fn spin_unknown(&self) -> Self {
        let [x, y, z] = self.lever;
        Self { lever: [0.0, 0.0, z], lever_variance: self.lever_variance + (x * x + y * y) / 2.0, ..*self }
    }

    /// Target of a leaned pole without a heading: its height is known, and horizontally the foot is anywhere on the circle of its
    /// arm. That is systematic within a shot: variance arm2 / 2 in east and in north about the place straight below.
    #[must_use]
    pub(crate) fn side_unknown(&self, pitch_deg: f64, roll_deg: f64) -> Target {
        let shot = Shot {
            heading_deg: 0.0,
            pitch_deg,
            roll_deg,
            range_m: f64::NAN,
            turn_rate_deg_s: f64::NAN,
            speed_m_s: f64::NAN,
            heading_sigma_deg: 0.0,
        };
        let leaned = Self { noise: AttitudeNoise { heading_random: 0.0, north: 0.0, ..self.noise }, ..self.spin_unknown() }.target(&shot);
        // No direction is better known than another.
        let round = |c: Covariance| Covariance { ee: (c.ee + c.nn) / 2.0, nn: (c.ee + c.nn) / 2.0, uu: c.uu, ..Covariance::default() };
        let mut by = leaned.by.each(round);
        by.of(Contributor::HeadingBias).ee += leaned.arm_m * leaned.arm_m / 2.0;
        by.of(Contributor::HeadingBias).nn += leaned.arm_m * leaned.arm_m / 2.0;
        Target { enu: [0.0, 0.0, leaned.enu[2]], random: by.random(), systematic: by.systematic(), by, ..leaned }
    }

    /// Target of a pole that was held vertical without a sensor: straight below, with a random lean
    /// of `within_deg` (1 sigma) in each of two directions.
    ///
    /// A lean of t about each axis moves the foot by L t in each direction and lifts it by L t2 / 2
    /// for each, so the height has the second moment 2 L2 t4 and no better statement can be made
    /// without knowing the lean. A sideways part of the lever points nowhere known and is
    /// systematic, shared by east and north.
    #[must_use]
    pub(crate) fn vertical(&self, within_deg: f64) -> Target {
        let [x, y, z] = self.lever;
        let lean = within_deg.to_radians().powi(2);
        let mut by = Contributions::of_lengths(self.lever_variance);
        *by.of(Contributor::TiltNoise) =
            Covariance { ee: z * z * lean, nn: z * z * lean, uu: 2.0 * z * z * lean * lean, ..Covariance::default() };
        let aside = (x * x + y * y) / 2.0;
        by.of(Contributor::Lengths).ee += aside;
        by.of(Contributor::Lengths).nn += aside;
        Target { enu: [0.0, 0.0, -z], random: by.random(), systematic: by.systematic(), by, tilt_deg: f64::NAN, arm_m: 0.0 }
    }
}

#[cfg(test)]
mod tests;
