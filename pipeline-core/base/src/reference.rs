//! The reference: what the coordinates of the corrections mean and what the client is to get.
//! Set once, used for months, digested into the record.

use crate::table::schema::Unit;
use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize};

/// Coordinate epoch as written: a decimal year, or `observation` for each row's own time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum EpochText {
    /// Decimal year.
    Year(f64),
    /// Each row's own time of measurement.
    Observation,
}

impl Serialize for EpochText {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Year(y) => s.serialize_f64(*y),
            Self::Observation => s.serialize_str("observation"),
        }
    }
}

impl From<EpochText> for crate::table::schema::Epoch {
    fn from(text: EpochText) -> Self {
        match text {
            EpochText::Year(year) => Self::Fixed(year),
            EpochText::Observation => Self::EachObservation,
        }
    }
}

impl<'de> Deserialize<'de> for EpochText {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        struct V;
        impl serde::de::Visitor<'_> for V {
            type Value = EpochText;
            fn expecting(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
                f.write_str("a decimal year such as 2010.0, or `observation`")
            }
            fn visit_f64<E: serde::de::Error>(self, v: f64) -> Result<EpochText, E> {
                if (1900.0..2200.0).contains(&v) {
                    Ok(EpochText::Year(v))
                } else {
                    Err(E::custom(format!("`{v}` is not a decimal year between 1900 and 2200")))
                }
            }
            fn visit_i64<E: serde::de::Error>(self, v: i64) -> Result<EpochText, E> {
                #[allow(clippy::cast_precision_loss)]
                self.visit_f64(v as f64)
            }
            fn visit_u64<E: serde::de::Error>(self, v: u64) -> Result<EpochText, E> {
                #[allow(clippy::cast_precision_loss)]
                self.visit_f64(v as f64)
            }
            fn visit_str<E: serde::de::Error>(self, v: &str) -> Result<EpochText, E> {
                if v == "observation" {
                    return Ok(EpochText::Observation);
                }
                v.parse()
                    .map_err(|_| E::custom(format!("`{v}` is neither a decimal year nor `observation`")))
                    .and_then(|y| self.visit_f64(y))
            }
        }
        d.deserialize_any(V)
    }
}

impl JsonSchema for EpochText {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "EpochText".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({"type": ["number", "string"]})
    }
}

/// A geographic position.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GeographicPoint {
    /// Latitude, deg.
    #[schemars(range(min = -90.0, max = 90.0))]
    pub latitude_deg: f64,
    /// Longitude, east positive, deg.
    #[schemars(range(min = -360.0, max = 360.0))]
    pub longitude_deg: f64,
    /// Ellipsoidal height, m.
    pub ellipsoidal_height_m: f64,
}

/// What the positions of the receiver refer to: the frame of the corrections, never "WGS 84".
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Corrections {
    /// Realisation of the frame as a geographic 3D CRS code, for example EPSG:9989 (ITRF2020) or EPSG:6319 (NAD83(2011)).
    pub frame: String,
    /// Coordinate epoch: a decimal year, or `observation`. Must be given for a frame in which coordinates move.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub epoch: Option<EpochText>,
    /// Where this was read: page of the service, date, person.
    pub stated_by: String,
    /// Identity of the base station as the log should show it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub base_station: Option<String>,
    /// Position that was set in the base station, in `frame` at `epoch`. `gunter inspect --stations` compares it with published ones.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub base_position: Option<GeographicPoint>,
    /// Standard deviation of the base coordinates, east and north, m. Systematic.
    #[serde(default)]
    #[schemars(range(min = 0.0))]
    pub base_sigma_horizontal_m: f64,
    /// Standard deviation of the base coordinates, up, m. Systematic.
    #[serde(default)]
    #[schemars(range(min = 0.0))]
    pub base_sigma_up_m: f64,
}

/// A geoid model: name, version and bytes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Geoid {
    /// Grid file: relative to this reference file, or a file name that the geodesy library finds in its own data folder.
    pub grid: String,
    /// Name of the model.
    pub model: String,
    /// Version of the model.
    pub version: String,
    /// SHA-256 of the file; the run stops when the bytes differ.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
    /// Frame that the model is made for, as a geographic 3D CRS code.
    pub frame: String,
    /// Vertical datum that the model leads to, when that is not the datum of the delivery. An official operation then leads on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub datum: Option<String>,
    /// Standard deviation of the model at the site, m. Systematic.
    #[schemars(range(min = 0.0))]
    pub sigma_m: f64,
}

/// Surface of the delivered heights.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum HeightSurface {
    /// Height above the ellipsoid of the delivery frame.
    Ellipsoid,
    /// Height above a vertical datum, through `geoid`.
    VerticalDatum,
}

/// Unit of a length in a delivery. The bare word "feet" does not exist.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum LengthUnit {
    /// Metre.
    #[serde(rename = "m")]
    Metre,
    /// International foot, 0.3048 m.
    #[serde(rename = "ft")]
    Foot,
    /// US survey foot, 1200/3937 m.
    #[serde(rename = "ftUS")]
    UsSurveyFoot,
}

impl LengthUnit {
    /// Length of the unit in metres.
    #[must_use]
    pub fn metres(self) -> f64 {
        match self {
            Self::Metre => 1.0,
            Self::Foot => 0.3048,
            Self::UsSurveyFoot => 1200.0 / 3937.0,
        }
    }

    /// The unit of a column.
    #[must_use]
    pub const fn unit(self) -> Unit {
        match self {
            Self::Metre => Unit::Metre,
            Self::Foot => Unit::Foot,
            Self::UsSurveyFoot => Unit::UsSurveyFoot,
        }
    }
}

/// The heights that the client gets.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DeliveryHeights {
    /// Surface.
    pub surface: HeightSurface,
    /// Vertical CRS, for example EPSG:5703; or a name, when it has no code.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub datum: Option<String>,
    /// Unit.
    pub unit: LengthUnit,
    /// Geoid model that leads to the datum.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub geoid: Option<Geoid>,
    /// From the datum of the geoid model to the datum of the delivery, where the registry has no operation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change: Option<DatumChange>,
}

/// A change of vertical datum written by hand: one published number for the site.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DatumChange {
    /// Height in the datum of the delivery minus height in the datum of the geoid model, m.
    pub offset_m: f64,
    /// Accuracy that its source states, m.
    #[schemars(range(min = 0.0))]
    pub accuracy_m: f64,
    /// Who published it.
    pub source: String,
}

/// How the ground moves, for a delivery at another epoch than that of the corrections. Give `plate` or `velocity_grid`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Motion {
    /// Plate of a published plate motion model, such as `ITRF2020 EURA` or `ITRF2014 AUST`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plate: Option<String>,
    /// Grid of velocities (east, north, up in m a year) that PROJ reads, beside the reference file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub velocity_grid: Option<String>,
    /// Standard deviation of the velocity, horizontal and up, m a year. It grows with the years between the epochs and is systematic.
    #[schemars(range(min = 0.0))]
    pub sigma_m_per_year: f64,
    /// Who published it.
    pub source: String,
}

/// Easting and northing, in the unit of the base grid.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GridPair {
    /// Easting.
    pub easting: f64,
    /// Northing.
    pub northing: f64,
}

/// A ground system: the grid of `delivery.crs`, scaled about an origin and moved. It becomes a derived CRS of its own, with
/// its definition in every delivered file; a free multiplier does not exist.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Ground {
    /// Name of the system, as the client knows it.
    pub name: String,
    /// Where its definition was read: control report, plan set, person.
    pub stated_by: String,
    /// Ground over grid, for example 1.00012345. This or `combined_factor`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.99, max = 1.01))]
    pub factor: Option<f64>,
    /// Grid over ground, for example 0.99987656: the inverse of `factor`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.99, max = 1.01))]
    pub combined_factor: Option<f64>,
    /// Point of the base grid that the factor leaves where it is.
    pub origin: GridPair,
    /// Added to scaled coordinates: a truncation such as -500000, or an offset.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub add: Option<GridPair>,
}

/// What the client gets.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Delivery {
    /// CRS of the delivery: a horizontal code such as EPSG:6345, or WKT or PROJ text. A compound code (EPSG:7415,
    /// EPSG:6499+8228) names the vertical datum too, which must then agree with `heights`.
    /// With `ground`, the grid that it is based on.
    pub crs: String,
    /// Ground system over the grid of `crs`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ground: Option<Ground>,
    /// Coordinate epoch of the delivery, for a frame in which coordinates move.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub epoch: Option<EpochText>,
    /// Heights.
    pub heights: DeliveryHeights,
}

/// Where an operation may be used, deg. `west` above `east` crosses the 180th meridian.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OperationArea {
    /// Western limit.
    #[schemars(range(min = -180.0, max = 180.0))]
    pub west: f64,
    /// Southern limit.
    #[schemars(range(min = -90.0, max = 90.0))]
    pub south: f64,
    /// Eastern limit.
    #[schemars(range(min = -180.0, max = 180.0))]
    pub east: f64,
    /// Northern limit.
    #[schemars(range(min = -90.0, max = 90.0))]
    pub north: f64,
}

/// A point with its published result.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CheckPoint {
    /// Latitude, longitude (deg), ellipsoidal height (m) that go in.
    pub at: [f64; 3],
    /// Decimal year, for an operation that depends on time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub year: Option<f64>,
    /// Latitude, longitude (deg), ellipsoidal height (m) that must come out.
    pub gives: [f64; 3],
    /// Largest difference, horizontally and in height, m.
    #[schemars(range(min = 0.0))]
    pub tolerance_m: f64,
}

/// An operation written by hand, where the registry has none or the wrong one. Chains of several steps are one
/// pipeline. It is held to the same checks as one of the registry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Operation {
    /// PROJ pipeline from the frame of the corrections (longitude, latitude in degrees, ellipsoidal height in m, decimal year)
    /// to the geographic 3D frame of the delivery, in the same order and units.
    pub pipeline: String,
    /// Accuracy that its source states, m.
    #[schemars(range(min = 0.0))]
    pub accuracy_m: f64,
    /// Who published it.
    pub source: String,
    /// Area of use that its source states.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub area: Option<OperationArea>,
    /// Points with their published results; the job stops when one does not come out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub checks: Vec<CheckPoint>,
}

/// How good the delivery must be.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Budget {
    /// Worst accuracy that an operation may state, m.
    #[schemars(range(min = 0.0))]
    pub operation_m: f64,
    /// Horizontal uncertainty of a point at 95 %, radial, m.
    #[schemars(range(min = 0.0))]
    pub horizontal_95_m: f64,
    /// Vertical uncertainty of a point at 95 %, m.
    #[schemars(range(min = 0.0))]
    pub vertical_95_m: f64,
}

/// The reference of a job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Reference {
    /// Version of the file format: 1.
    #[schemars(range(min = 1, max = 1))]
    pub reference: u32,
    /// Name.
    pub name: String,
    /// Frame of the corrections.
    pub corrections: Corrections,
    /// What the client gets.
    pub delivery: Delivery,
    /// Operation written by hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operation: Option<Operation>,
    /// How the ground moves, for a delivery at another epoch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub motion: Option<Motion>,
    /// How good it must be.
    pub budget: Budget,
    /// Folder of this file, so that grids are found beside it. Set by core.
    #[serde(skip)]
    #[schemars(skip)]
    pub folder: std::path::PathBuf,
}
