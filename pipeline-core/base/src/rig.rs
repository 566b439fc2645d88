//! The rig: what stands on the pole. Set once, used for months, digested into the record.
//!
//! Body axes: x forward (the direction that the heading names), y right, z down. Angles in degrees,
//! lengths in metres, all sigmas are 1 sigma.

use crate::table::schema::PhysicalPoint;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// A vector in body axes with its standard deviation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BodyVector {
    /// Forward, m.
    pub x_m: f64,
    /// To the right, m.
    pub y_m: f64,
    /// Down, m.
    pub z_m: f64,
    /// Standard deviation of each component, m. Systematic: it does not shrink by averaging.
    #[schemars(range(min = 0.0))]
    pub sigma_m: f64,
}

/// Who already applied a length, or has to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Owner {
    /// `gunter` applies it.
    #[default]
    Gunter,
    /// The receiver has applied it before it wrote the log.
    Receiver,
}

/// The antenna. Its link is given once: as a vector, or as a model from an ANTEX file.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Antenna {
    /// From the phase centre to the antenna reference point. Needed only when the log gives the phase centre.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub phase_centre_to_reference_point: Option<BodyVector>,
    /// The same from an antenna calibration. Needed only when the log gives the phase centre.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub antex: Option<AntexModel>,
    /// Who applies it. Left out: whoever `receiver_output` says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub applied_by: Option<Owner>,
}

/// An antenna calibration in an ANTEX file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AntexModel {
    /// The file, plain or packed with gzip or zstd; its path counts from the folder of the rig file.
    pub file: String,
    /// Antenna and radome as in the file, such as `SALTGRASS-7     NONE`.
    pub antenna: String,
    /// Serial number, for a calibration of this very antenna. Left out: the mean of the type.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Frequency that the logged position is of, as in the file: `G01` is GPS L1, `E01` Galileo E1.
    pub frequency: String,
    /// Where the north mark of the antenna points in body axes, clockwise from forward, deg.
    #[serde(default)]
    #[schemars(range(min = -360.0, max = 360.0))]
    pub north_mark_azimuth_deg: f64,
    /// Standard deviation of each component of the offset, m. Systematic.
    #[schemars(range(min = 0.0))]
    pub sigma_m: f64,
}

/// The pole.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Pole {
    /// From the antenna reference point to the tip: `z_m` is the pole length.
    pub reference_point_to_tip: BodyVector,
    /// Who applies it.
    #[serde(default)]
    pub applied_by: Owner,
}

/// The laser range finder.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Laser {
    /// From the antenna reference point to the origin of the range: the lever arm.
    pub reference_point_to_laser: BodyVector,
    /// Boresight: azimuth of the beam in body axes, clockwise from forward, deg.
    #[schemars(range(min = -360.0, max = 360.0))]
    pub beam_azimuth_deg: f64,
    /// Boresight: elevation of the beam in body axes, up positive; -90 points along the pole, deg.
    #[schemars(range(min = -90.0, max = 90.0))]
    pub beam_elevation_deg: f64,
    /// Standard deviation of the beam's direction across each of its two axes, deg. Systematic.
    #[schemars(range(min = 0.0))]
    pub beam_sigma_deg: f64,
    /// Range zero: added to the scaled range, m.
    pub zero_m: f64,
    /// Standard deviation of the range zero, m. Systematic.
    #[schemars(range(min = 0.0))]
    pub zero_sigma_m: f64,
    /// Range scale, 1 for none.
    #[serde(default = "one")]
    #[schemars(range(min = 0.9, max = 1.1))]
    pub scale: f64,
    /// Standard deviation of the range scale, parts per million. Systematic.
    #[serde(default)]
    #[schemars(range(min = 0.0))]
    pub scale_sigma_ppm: f64,
    /// Standard deviation of one range, m. Random.
    #[schemars(range(min = 0.0))]
    pub range_sigma_m: f64,
    /// Shortest range that the instrument measures, m.
    #[serde(default)]
    #[schemars(range(min = 0.0))]
    pub shortest_m: f64,
    /// Longest range that the instrument measures, m.
    #[serde(default = "far")]
    #[schemars(range(min = 0.0))]
    pub longest_m: f64,
    /// Who applies the lever arm and the range.
    #[serde(default)]
    pub applied_by: Owner,
}

const fn one() -> f64 {
    1.0
}
const fn far() -> f64 {
    1000.0
}

/// Kind of sentence that carries a sensor value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Sentence {
    /// True heading.
    HDT,
    /// Magnetic heading.
    HDM,
    /// Rate of turn, degrees per minute.
    ROT,
    /// Transducer groups; `transducer` names the one.
    XDR,
}

/// Where in the log a value comes from, and how the sensor counts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Sensor {
    /// Sentence that carries it.
    pub sentence: Sentence,
    /// Name of the transducer in an XDR sentence, to the letter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transducer: Option<String>,
    /// The sensor counts the other way round than the model (heading clockwise, pitch nose up, roll right side down).
    #[serde(default)]
    pub opposite_sign: bool,
    /// Added after the sign, in the unit of the quantity (deg, m).
    #[serde(default)]
    pub offset: f64,
}

/// The four parts of a quaternion in a log: transducers without a unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct QuaternionSensors {
    /// Scalar part.
    pub w: Sensor,
    /// First part of the vector.
    pub x: Sensor,
    /// Second part of the vector.
    pub y: Sensor,
    /// Third part of the vector.
    pub z: Sensor,
}

/// Sensors of the log.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Sensors {
    /// Heading of the forward axis.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heading: Option<Sensor>,
    /// Pitch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pitch: Option<Sensor>,
    /// Roll.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub roll: Option<Sensor>,
    /// Tilt from plumb, for `attitude.kind: tilt-azimuth`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tilt: Option<Sensor>,
    /// Azimuth of the lean, for `attitude.kind: tilt-azimuth`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lean_azimuth: Option<Sensor>,
    /// Quaternion, for `attitude.kind: quaternion`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quaternion: Option<QuaternionSensors>,
    /// Laser range.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range: Option<Sensor>,
    /// Rate of turn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turn_rate: Option<Sensor>,
}

/// Which north the heading counts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum North {
    /// True north.
    True,
    /// Magnetic north; needs `declination`.
    Magnetic,
    /// Grid north; needs `grid_north_crs`.
    Grid,
}

/// An edition of the World Magnetic Model (NCEI and British Geological Survey).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum MagneticModel {
    /// 2020-01-01 to 2024-12-31.
    #[serde(rename = "WMM2020")]
    Wmm2020,
    /// 2025-01-01 to 2029-12-31.
    #[serde(rename = "WMM2025")]
    Wmm2025,
}

impl MagneticModel {
    /// The name, as written in a rig.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Wmm2020 => "WMM2020",
            Self::Wmm2025 => "WMM2025",
        }
    }
}

/// Magnetic declination: either a model, which gives it for each place and day, or a number with its source.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Declination {
    /// Model that gives the declination at each epoch's own place and day. Outside its years the job stops.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<MagneticModel>,
    /// Declination, east positive, deg; when no model is named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -180.0, max = 180.0))]
    pub declination_deg: Option<f64>,
    /// Where the number was read: model and date, or a comparison on a known line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Standard deviation, deg. Systematic. Needed with a number; with a model its own error model is used when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub sigma_deg: Option<f64>,
}

/// What the attitude sensor gives.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AttitudeKind {
    /// Heading, pitch and roll.
    #[default]
    HeadingPitchRoll,
    /// Tilt from plumb and the azimuth towards which the pole leans. Enough for a tip; not for a laser, whose direction needs a
    /// heading of the body.
    TiltAzimuth,
    /// Tilt, azimuth of the lean, and the heading of the body.
    TiltAzimuthHeading,
    /// A quaternion; needs `quaternion`.
    Quaternion,
    /// Pitch and roll without a heading: heights of a tip are right, and horizontally the tip is anywhere on the circle of its arm.
    PitchRoll,
}

/// Which end of the pole the azimuth of a lean is of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LeaningEnd {
    /// The azimuth towards which the top (antenna) leans.
    #[default]
    Top,
    /// The azimuth from the antenna to the foot.
    Foot,
}

/// Which way a quaternion turns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Turns {
    /// Vectors of the body into the world.
    BodyToWorld,
    /// Vectors of the world into the body.
    WorldToBody,
}

/// World axes of a quaternion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum World {
    /// x north, y east, z down.
    NorthEastDown,
    /// x east, y north, z up.
    EastNorthUp,
}

/// Body axes of a quaternion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Body {
    /// x forward, y right, z down.
    ForwardRightDown,
    /// x forward, y left, z up.
    ForwardLeftUp,
}

/// How a quaternion counts. North is `attitude.north`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct QuaternionAxes {
    /// Which way it turns.
    pub turns: Turns,
    /// World axes.
    pub world: World,
    /// Body axes.
    pub body: Body,
}

/// The attitude sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Attitude {
    /// What it gives.
    #[serde(default)]
    pub kind: AttitudeKind,
    /// Which end the azimuth of the lean is of, for `tilt-azimuth` and `tilt-azimuth-heading`: must be said there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lean_azimuth_of: Option<LeaningEnd>,
    /// How the quaternion counts, for `quaternion`: must be said there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quaternion: Option<QuaternionAxes>,
    /// Which north the heading counts from.
    pub north: North,
    /// Declination, or the model that gives it, for magnetic north.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub declination: Option<Declination>,
    /// Projected CRS whose grid north the heading counts from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grid_north_crs: Option<String>,
    /// Noise of one heading, deg. Random.
    #[schemars(range(min = 0.0))]
    pub heading_sigma_deg: f64,
    /// Noise of one pitch or roll, deg. Random.
    #[schemars(range(min = 0.0))]
    pub tilt_sigma_deg: f64,
    /// Bias of the heading since initialisation, deg. Systematic.
    #[schemars(range(min = 0.0))]
    pub heading_bias_sigma_deg: f64,
    /// How much that bias grows while the antenna stands still (inertial heading), deg/min. Left out: it does not age, as with two
    /// antennas.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 1000.0))]
    pub heading_drift_deg_per_min: Option<f64>,
    /// Bias of pitch and roll (mount), deg. Systematic.
    #[schemars(range(min = 0.0))]
    pub tilt_bias_sigma_deg: f64,
    /// Jitter of the time tag of attitude against position, s. Random.
    #[serde(default)]
    #[schemars(range(min = 0.0))]
    pub time_tag_sigma_s: f64,
    /// Correlation time of attitude noise, s. Estimated from the data when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correlation_time_s: Option<f64>,
}

/// Noise of the receiver.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gnss {
    /// Used where an epoch has no GST, and marked as assumed: east and north, m.
    #[schemars(range(min = 0.0))]
    pub assumed_sigma_horizontal_m: f64,
    /// Used where an epoch has no GST, and marked as assumed: up, m.
    #[schemars(range(min = 0.0))]
    pub assumed_sigma_up_m: f64,
    /// Correlation time of positions, s. 115 s: Miller, O'Keefe and Gao 2012 (L1 residuals on short baselines).
    #[serde(default = "miller")]
    #[schemars(range(min = 0.0))]
    pub correlation_time_s: f64,
    /// Factor on the sigmas of GST, learned from repeats; 1 believes the receiver.
    #[serde(default = "one")]
    #[schemars(range(min = 0.1, max = 100.0))]
    pub sigma_factor: f64,
}

const fn miller() -> f64 {
    115.0
}

/// When and by whom the rig was calibrated.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Date, YYYY-MM-DD.
    pub date: String,
    /// Last day on which it may be used, YYYY-MM-DD.
    pub expires: String,
    /// Who did it and how.
    pub by: String,
    /// Values that the calibration replaced, by their keys in this file.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub replaced: BTreeMap<String, f64>,
}

/// What stands on the pole.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Rig {
    /// Version of the file format: 1.
    #[schemars(range(min = 1, max = 1))]
    pub rig: u32,
    /// Name.
    pub name: String,
    /// Physical point that the logged coordinates mean: `antenna-phase-centre`, `antenna-reference-point` or `pole-tip`.
    pub receiver_output: PhysicalPoint,
    /// The antenna.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub antenna: Option<Antenna>,
    /// The pole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pole: Option<Pole>,
    /// The laser.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub laser: Option<Laser>,
    /// Where values of the sensors stand in the log.
    #[serde(default)]
    pub sensors: Sensors,
    /// The attitude sensor.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub attitude: Option<Attitude>,
    /// Noise of the receiver.
    pub gnss: Gnss,
    /// Calibration.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibration: Option<Calibration>,
    /// Folder of the file; set when it is read, since paths in it count from there.
    #[serde(skip)]
    pub folder: PathBuf,
}
