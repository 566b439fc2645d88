//! Quantities in delimited text: column, unit and how the sensor counts.

use super::delimited::{NotANumber, number};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Unit of an angle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AngleUnit {
    /// Degrees.
    Deg,
    /// Radians.
    Rad,
}

/// Unit of a length.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum LengthUnit {
    /// Metre.
    #[serde(rename = "m")]
    Metre,
    /// Millimetre.
    #[serde(rename = "mm")]
    Millimetre,
    /// International foot, 0.3048 m.
    #[serde(rename = "ft")]
    Foot,
    /// US survey foot, 1200/3937 m.
    #[serde(rename = "ftUS")]
    UsSurveyFoot,
}

impl LengthUnit {
    /// A length in this unit, in metres.
    #[must_use]
    pub fn metres(self, value: f64) -> f64 {
        match self {
            Self::Metre => value,
            Self::Millimetre => value / 1000.0,
            Self::Foot => value * 0.3048,
            Self::UsSurveyFoot => value * 1200.0 / 3937.0,
        }
    }
}

/// Unit of a rate of turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RateUnit {
    /// Degrees per second.
    DegPerS,
    /// Degrees per minute.
    DegPerMin,
    /// Radians per second.
    RadPerS,
}

/// Unit of a speed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SpeedUnit {
    /// Metres per second.
    MPerS,
    /// Kilometres per hour.
    KmPerH,
    /// Knots, 1852 m per hour.
    Knots,
}

/// A column that holds an angle of the attitude.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AngleColumn {
    /// Column.
    pub column: String,
    /// Unit.
    pub unit: AngleUnit,
    /// The sensor counts the other way round than the model (heading clockwise, pitch nose up, roll right side down).
    #[serde(default)]
    pub opposite_sign: bool,
    /// Added after the sign, deg.
    #[serde(default)]
    pub offset_deg: f64,
}

/// The four columns of a quaternion; how it counts stands in `attitude.quaternion` of the rig.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct QuaternionColumns {
    /// Scalar part.
    pub w: String,
    /// First part of the vector.
    pub x: String,
    /// Second part of the vector.
    pub y: String,
    /// Third part of the vector.
    pub z: String,
}

/// A column that holds a length.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LengthColumn {
    /// Column.
    pub column: String,
    /// Unit.
    pub unit: LengthUnit,
}

/// A column that holds a rate of turn.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RateColumn {
    /// Column.
    pub column: String,
    /// Unit.
    pub unit: RateUnit,
    /// The sensor counts the other way round than the model (clockwise positive).
    #[serde(default)]
    pub opposite_sign: bool,
}

/// A column that holds a speed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SpeedColumn {
    /// Column.
    pub column: String,
    /// Unit.
    pub unit: SpeedUnit,
}

/// What a number is turned into.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Turn {
    factor: f64,
    offset: f64,
}

impl Turn {
    /// Nothing changes.
    pub const SAME: Self = Self { factor: 1.0, offset: 0.0 };

    /// Reads a field; an empty one is NaN.
    ///
    /// # Errors
    /// When it is no finite number.
    pub fn read(&self, text: &str, decimal_comma: bool) -> Result<f64, NotANumber> {
        Ok(number(text, decimal_comma)?.map_or(f64::NAN, |v| v * self.factor + self.offset))
    }
}

impl AngleColumn {
    /// To degrees as the model counts.
    #[must_use]
    pub fn turn(&self) -> Turn {
        let unit = match self.unit {
            AngleUnit::Deg => 1.0,
            AngleUnit::Rad => 1.0_f64.to_degrees(),
        };
        Turn { factor: if self.opposite_sign { -unit } else { unit }, offset: self.offset_deg }
    }
}

impl LengthColumn {
    /// To metres.
    #[must_use]
    pub fn turn(&self) -> Turn {
        Turn { factor: self.unit.metres(1.0), offset: 0.0 }
    }
}

impl RateColumn {
    /// To degrees per second.
    #[must_use]
    pub fn turn(&self) -> Turn {
        let unit = match self.unit {
            RateUnit::DegPerS => 1.0,
            RateUnit::DegPerMin => 1.0 / 60.0,
            RateUnit::RadPerS => 1.0_f64.to_degrees(),
        };
        Turn { factor: if self.opposite_sign { -unit } else { unit }, offset: 0.0 }
    }
}

impl SpeedColumn {
    /// To metres per second.
    #[must_use]
    pub fn turn(&self) -> Turn {
        let unit = match self.unit {
            SpeedUnit::MPerS => 1.0,
            SpeedUnit::KmPerH => 1.0 / 3.6,
            SpeedUnit::Knots => 1852.0 / 3600.0,
        };
        Turn { factor: unit, offset: 0.0 }
    }
}

/// An angle between 0 and 360 degrees; NaN stays NaN.
#[must_use]
pub fn full_circle(deg: f64) -> f64 {
    let turned = deg.rem_euclid(360.0);
    // The remainder of a tiny negative number rounds up to 360 itself.
    if turned >= 360.0 { 0.0 } else { turned }
}
