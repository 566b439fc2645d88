//! What a calibration estimates.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use survey_mathematics::rotation::boresight;

/// How a part of the rig takes part in the calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Use {
    /// Found from the shots alone; the rig's value is only the start.
    Free,
    /// The rig's value with its sigma counts as one more observation, for example a length taken with a tape. The result is
    /// written.
    WithRigSigma,
    /// As `with-rig-sigma`, but the rig's value stays as it is.
    Held,
}

/// One unknown.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Kind {
    /// The beam across its azimuth, clockwise seen from above, deg.
    BeamSide,
    /// The beam in elevation, up positive, deg.
    BeamUp,
    /// Lever arm from the reference point to the laser, forward, right, down (0, 1, 2), m.
    Lever(usize),
    /// Range zero, m.
    Zero,
    /// Range scale minus 1, parts per million.
    Scale,
    /// Heading minus what the sensor reads, deg.
    Heading,
    /// From the reference point to the tip, forward, right, down, m.
    Pole(usize),
    /// Mark of this number, east, north, up in the local frame, m.
    Mark(usize, usize),
}

/// An unknown with what is known of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Unknown {
    /// Which.
    pub kind: Kind,
    /// Value of the rig, in its own unit; 0 for the beam's two angles.
    pub value: f64,
    /// Sigma of that value; infinite when the value is only a start.
    pub sigma: f64,
    /// A sigma that is small enough for the work, in its own unit.
    pub needed: f64,
    /// Whether the result replaces the rig's value.
    pub written: bool,
}

impl Kind {
    /// In words, for messages. `steep`: the beam points nearly along the pole, where an azimuth means nothing.
    #[must_use]
    pub(crate) fn words(self, steep: bool, marks: &[String]) -> String {
        let axis = |i: usize| ["forward", "to the right", "along the pole"].get(i).copied().unwrap_or_default();
        match self {
            Self::BeamSide if steep => "the beam to the right".to_owned(),
            Self::BeamUp if steep => "the beam forward".to_owned(),
            Self::BeamSide => "the beam sideways".to_owned(),
            Self::BeamUp => "the beam up and down".to_owned(),
            Self::Lever(i) => format!("the lever arm {}", axis(i)),
            Self::Zero => "the range zero".to_owned(),
            Self::Scale => "the range scale".to_owned(),
            Self::Heading => "the heading bias".to_owned(),
            Self::Pole(2) => "the length of the pole".to_owned(),
            Self::Pole(i) => format!("the foot of the pole {}", axis(i)),
            Self::Mark(mark, i) => {
                let name = marks.get(mark).map_or("?", String::as_str);
                format!("mark `{name}` {}", ["to the east", "to the north", "in height"].get(i).copied().unwrap_or_default())
            }
        }
    }

    /// Unit of the value.
    #[must_use]
    pub(crate) const fn unit(self) -> &'static str {
        match self {
            Self::BeamSide | Self::BeamUp | Self::Heading => "deg",
            Self::Scale => "ppm",
            _ => "m",
        }
    }
}

/// The fixed lengths of the chains and the direction that the beam is counted from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Chain {
    /// From the logged point to the antenna reference point, body axes, m; zero when the log gives that point.
    pub head: [f64; 3],
    /// Azimuth of the rig's beam, deg.
    pub azimuth_deg: f64,
    /// Elevation of the rig's beam, deg.
    pub elevation_deg: f64,
}

impl Chain {
    /// The beam and its two directions across, body axes.
    #[must_use]
    pub(crate) fn beam_axes(&self) -> [[f64; 3]; 3] {
        let (sa, ca) = self.azimuth_deg.to_radians().sin_cos();
        let (se, ce) = self.elevation_deg.to_radians().sin_cos();
        [boresight(self.azimuth_deg, self.elevation_deg), [-sa, ca, 0.0], [-se * ca, -se * sa, -ce]]
    }

    /// Whether the beam points nearly along the pole.
    #[must_use]
    pub(crate) fn steep(&self) -> bool {
        self.elevation_deg.abs() > 80.0
    }

    /// The beam turned by two small angles (deg), and its derivatives by them (per deg).
    #[must_use]
    pub(crate) fn beam(&self, side_deg: f64, up_deg: f64) -> [[f64; 3]; 3] {
        let [along, side, up] = self.beam_axes();
        let (a, c) = (side_deg.to_radians(), up_deg.to_radians());
        let length = (1.0 + a * a + c * c).sqrt();
        let beam = [0, 1, 2].map(|k| (along[k] + a * side[k] + c * up[k]) / length);
        let turned = |axis: [f64; 3]| {
            let part: f64 = (0..3).map(|k| beam[k] * axis[k]).sum();
            [0, 1, 2].map(|k| (axis[k] - part * beam[k]) / length * 1_f64.to_radians())
        };
        [beam, turned(side), turned(up)]
    }

    /// Azimuth and elevation of the beam turned by two small angles, deg. A beam along the pole keeps the
    /// rig's azimuth.
    #[must_use]
    pub(crate) fn angles(&self, side_deg: f64, up_deg: f64) -> (f64, f64) {
        let [[x, y, z], ..] = self.beam(side_deg, up_deg);
        let flat = x.hypot(y);
        let azimuth = if flat < 1e-9 { self.azimuth_deg } else { y.atan2(x).to_degrees() };
        (azimuth, (-z).atan2(flat).to_degrees())
    }
}
