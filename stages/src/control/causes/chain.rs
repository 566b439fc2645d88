//! From the antenna to the target with other settings than the job has.

use super::Aim;
use pipeline_base::rig::{North, Owner, Rig};
use pipeline_base::table::schema::PhysicalPoint;
use survey_mathematics::rotation::{Rotation, boresight};

/// Attitude and range of one epoch, as the sensor counts (angles in the signs of the model), deg and m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Heading of the sensor, from its own north.
    pub heading_deg: f64,
    /// Pitch.
    pub pitch_deg: f64,
    /// Roll.
    pub roll_deg: f64,
    /// Raw range, m; NaN for a shot with the tip.
    pub range_m: f64,
}

/// Settings of the chain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Vector to the tip that the job adds, body axes, m; zero when the receiver does.
    pub pole_m: [f64; 3],
    /// The pole as the rig knows it, whoever applies it, body axes, m.
    pub whole_pole_m: [f64; 3],
    /// Vector to the laser, body axes, m.
    pub lever_m: [f64; 3],
    /// Azimuth and elevation of the beam, deg.
    pub beam_deg: [f64; 2],
    /// Range zero, m.
    pub zero_m: f64,
    /// Range scale.
    pub scale: f64,
    /// Added to the heading to count it from true north, deg.
    pub to_true_deg: f64,
    /// Which north the rig says.
    pub north: NorthSaid,
    /// Factors on pitch and roll.
    pub signs: [f64; 2],
    /// Pitch and roll exchanged.
    pub exchanged: bool,
    /// Added to pitch and roll, deg.
    pub tilt_deg: [f64; 2],
}

/// The north of a rig.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NorthSaid {
    /// True.
    True,
    /// Magnetic.
    Magnetic,
    /// Grid.
    Grid,
    /// The pole has no attitude sensor.
    None,
}

impl Setup {
    /// Settings of a rig. `to_true_deg`: what the job adds to a heading here.
    #[must_use]
    pub fn of(rig: &Rig, to_true_deg: f64) -> Self {
        let vector = |v: &pipeline_base::rig::BodyVector| [v.x_m, v.y_m, v.z_m];
        let centre = match (rig.receiver_output, &rig.antenna) {
            (PhysicalPoint::AntennaPhaseCentre, Some(a)) => a.phase_centre_to_reference_point.as_ref().map_or([0.0; 3], vector),
            _ => [0.0; 3],
        };
        let plus = |a: [f64; 3], b: [f64; 3]| [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
        let whole = rig.pole.as_ref().map_or([0.0; 3], |p| vector(&p.reference_point_to_tip));
        let ours = rig.pole.as_ref().is_some_and(|p| p.applied_by == Owner::Gunter) && rig.receiver_output != PhysicalPoint::PoleTip;
        let laser = rig.laser.as_ref().filter(|l| l.applied_by == Owner::Gunter);
        let north = match &rig.attitude {
            None => NorthSaid::None,
            Some(a) => match a.north {
                North::True => NorthSaid::True,
                North::Magnetic => NorthSaid::Magnetic,
                North::Grid => NorthSaid::Grid,
            },
        };
        Self {
            pole_m: if ours { plus(centre, whole) } else { [0.0; 3] },
            whole_pole_m: whole,
            lever_m: laser.map_or([0.0; 3], |l| plus(centre, vector(&l.reference_point_to_laser))),
            beam_deg: laser.map_or([0.0, -90.0], |l| [l.beam_azimuth_deg, l.beam_elevation_deg]),
            zero_m: laser.map_or(0.0, |l| l.zero_m),
            scale: laser.map_or(1.0, |l| l.scale),
            to_true_deg,
            north,
            signs: [1.0; 2],
            exchanged: false,
            tilt_deg: [0.0; 2],
        }
    }

    fn rotation(&self, s: &Sample) -> Rotation {
        let (p, r) = if self.exchanged { (s.roll_deg, s.pitch_deg) } else { (s.pitch_deg, s.roll_deg) };
        Rotation::new(s.heading_deg + self.to_true_deg, self.signs[0] * p + self.tilt_deg[0], self.signs[1] * r + self.tilt_deg[1])
    }

    /// Mean of something over the samples: east, north, up.
    fn mean(samples: &[Sample], f: impl Fn(&Sample) -> [f64; 3]) -> Option<[f64; 3]> {
        if samples.is_empty() {
            return None;
        }
        let mut sum = [0.0; 3];
        for s in samples {
            let [n, e, d] = f(s);
            sum = [sum[0] + e, sum[1] + n, sum[2] - d];
        }
        #[allow(clippy::cast_precision_loss)]
        let count = samples.len() as f64;
        let mean = sum.map(|v| v / count);
        mean.iter().all(|v| v.is_finite()).then_some(mean)
    }

    /// Mean offset from the logged point to the target: east, north, up, m.
    #[must_use]
    pub fn offset(&self, aim: Aim, samples: &[Sample]) -> Option<[f64; 3]> {
        Self::mean(samples, |s| {
            let rotation = self.rotation(s);
            match aim {
                Aim::Tip => rotation.apply(self.pole_m),
                Aim::Laser => {
                    let beam = boresight(self.beam_deg[0], self.beam_deg[1]);
                    let length = self.scale * s.range_m + self.zero_m;
                    rotation.apply([0, 1, 2].map(|k| self.lever_m[k] + length * beam[k]))
                }
            }
        })
    }

    /// A body vector turned by the attitude: east, north, up.
    #[must_use]
    pub fn turned(&self, samples: &[Sample], vector: [f64; 3]) -> Option<[f64; 3]> {
        Self::mean(samples, |s| self.rotation(s).apply(vector))
    }

    /// Direction of the beam: east, north, up.
    #[must_use]
    pub fn beam(&self, samples: &[Sample]) -> Option<[f64; 3]> {
        self.turned(samples, boresight(self.beam_deg[0], self.beam_deg[1]))
    }

    /// What another setting would have made of a shot: this offset minus the other, east, north, up, m.
    #[must_use]
    pub fn against(&self, other: &Self, aim: Aim, samples: &[Sample]) -> Option<[f64; 3]> {
        let (have, right) = (self.offset(aim, samples)?, other.offset(aim, samples)?);
        Some([0, 1, 2].map(|k| have[k] - right[k]))
    }
}

/// Displacements of all shots by each declared bias of the rig, one sigma each: heading in each session, north, mount of
/// the tilt sensor, beam, range zero. A shot without attitude is not moved.
#[must_use]
pub fn declared(setup: &Setup, rig: &Rig, north_sigma_deg: f64, shots: &[super::Shot]) -> Vec<Vec<[f64; 3]>> {
    let mut out = vec![];
    // The difference for a small angle, scaled: settings act on sines and cosines.
    let mut add = |sigma: f64, small: f64, change: &dyn Fn(&mut Setup), here: &dyn Fn(&super::Shot) -> bool| {
        if sigma > 0.0 {
            let mut other = *setup;
            change(&mut other);
            let one = |s: &super::Shot| {
                let d = if here(s) { setup.against(&other, s.aim, &s.samples) } else { None };
                d.unwrap_or([0.0; 3]).map(|v| v * sigma / small)
            };
            out.push(shots.iter().map(one).collect());
        }
    };
    if let Some(attitude) = &rig.attitude {
        for k in 0..=shots.iter().map(|s| s.session).max().unwrap_or(0) {
            add(attitude.heading_bias_sigma_deg, 0.1, &|s| s.to_true_deg += 0.1, &|s| s.session == k);
        }
        add(north_sigma_deg, 0.1, &|s| s.to_true_deg += 0.1, &|_| true);
        for k in 0..2 {
            add(attitude.tilt_bias_sigma_deg, 0.1, &|s| s.tilt_deg[k] += 0.1, &|_| true);
        }
    }
    if let Some(laser) = &rig.laser {
        for k in 0..2 {
            add(laser.beam_sigma_deg, 0.1, &|s| s.beam_deg[k] += 0.1, &|s| s.aim == Aim::Laser);
        }
        add(laser.zero_sigma_m, 0.01, &|s| s.zero_m += 0.01, &|s| s.aim == Aim::Laser);
    }
    out
}
