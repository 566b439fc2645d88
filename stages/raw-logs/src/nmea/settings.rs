//! What reading needs to know.

use super::draft::SensorValue;
use crate::attitude::Converter;
use pipeline_base::rig::Sentence;
use pipeline_base::rig::{Rig, Sensor, Sensors};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Whether a checksum must be there.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ChecksumRule {
    /// A sentence without a checksum is damaged.
    #[default]
    Required,
    /// A sentence without a checksum is read when it has all its fields. A wrong checksum is still damage.
    Optional,
}

/// Where sentences without a time of their own stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum UntimedRule {
    /// After a timed sentence of their epoch.
    AfterTime,
    /// Before the first timed sentence of their epoch.
    BeforeTime,
}

/// What field 9 of GGA is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum HeightRule {
    /// Altitude above the receiver's geoid, as the standard says: ellipsoidal height is altitude plus separation.
    #[default]
    AltitudePlusSeparation,
    /// Ellipsoidal height already. Only for receivers that leave the separation blank or zero.
    FieldIsEllipsoidal,
}

/// A sensor of the rig, ready for reading.
#[derive(Clone, Debug)]
pub struct SensorUse {
    /// Where its value goes.
    pub slot: SensorValue,
    /// Sentence that carries it.
    pub carrier: Sentence,
    /// Name of the transducer, for XDR.
    pub transducer: Vec<u8>,
    /// 1 or -1.
    pub sign: f64,
    /// Added after the sign, deg or m.
    pub offset: f64,
}

impl SensorUse {
    /// The value in the model's sense; headings lie in 0 to 360.
    #[must_use]
    pub fn value(&self, raw: f64) -> f64 {
        let raw = if self.slot == SensorValue::TurnRate { raw / 60.0 } else { raw };
        let value = self.sign * raw + self.offset;
        if self.slot == SensorValue::Heading { value.rem_euclid(360.0) } else { value }
    }
}

/// What reading needs to know.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Where sentences without a time stand.
    pub untimed: UntimedRule,
    /// Whether a sentence must have a checksum.
    pub checksum_required: bool,
    /// What field 9 of GGA is.
    pub height: HeightRule,
    /// Sensors of the rig.
    pub sensors: Vec<SensorUse>,
    /// How they become heading, pitch and roll.
    pub converter: Converter,
    /// Factor on the sigmas of GST.
    pub sigma_factor: f64,
    /// Sigmas without GST: horizontal and up, m.
    pub assumed: Option<(f64, f64)>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            untimed: UntimedRule::AfterTime,
            checksum_required: true,
            height: HeightRule::AltitudePlusSeparation,
            sensors: vec![],
            converter: Converter::Same,
            sigma_factor: 1.0,
            assumed: None,
        }
    }
}

impl Settings {
    /// Settings of a rig; how the log is written is what the caller says, or else what most receivers do.
    #[must_use]
    pub fn new(untimed: Option<UntimedRule>, checksums: ChecksumRule, height: HeightRule, rig: Option<&Rig>) -> Self {
        Self {
            untimed: untimed.unwrap_or(UntimedRule::AfterTime),
            checksum_required: checksums == ChecksumRule::Required,
            height,
            sensors: rig.map(|r| sensors(&r.sensors)).unwrap_or_default(),
            converter: Converter::of(rig.and_then(|r| r.attitude.as_ref())),
            sigma_factor: rig.map_or(1.0, |r| r.gnss.sigma_factor),
            assumed: rig.map(|r| (r.gnss.assumed_sigma_horizontal_m, r.gnss.assumed_sigma_up_m)),
        }
    }
}

/// The sensors that a rig may take from a log: where the value goes, its key in the rig, and what the rig says.
#[must_use]
pub fn listed(s: &Sensors) -> [(SensorValue, &'static str, Option<&Sensor>); 11] {
    let q = s.quaternion.as_ref();
    [
        (SensorValue::Heading, "heading", s.heading.as_ref()),
        (SensorValue::Pitch, "pitch", s.pitch.as_ref()),
        (SensorValue::Roll, "roll", s.roll.as_ref()),
        (SensorValue::Range, "range", s.range.as_ref()),
        (SensorValue::TurnRate, "turn_rate", s.turn_rate.as_ref()),
        (SensorValue::Tilt, "tilt", s.tilt.as_ref()),
        (SensorValue::LeanAzimuth, "lean_azimuth", s.lean_azimuth.as_ref()),
        (SensorValue::QuaternionW, "quaternion.w", q.map(|q| &q.w)),
        (SensorValue::QuaternionX, "quaternion.x", q.map(|q| &q.x)),
        (SensorValue::QuaternionY, "quaternion.y", q.map(|q| &q.y)),
        (SensorValue::QuaternionZ, "quaternion.z", q.map(|q| &q.z)),
    ]
}

fn sensors(all: &Sensors) -> Vec<SensorUse> {
    listed(all)
        .into_iter()
        .filter_map(|(slot, _, sensor)| {
            let sensor = sensor?;
            Some(SensorUse {
                slot,
                carrier: sensor.sentence,
                transducer: sensor.transducer.clone().unwrap_or_default().into_bytes(),
                sign: if sensor.opposite_sign { -1.0 } else { 1.0 },
                offset: sensor.offset,
            })
        })
        .collect()
}
