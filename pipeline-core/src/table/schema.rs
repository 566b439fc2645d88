//! What the columns of a table mean: type, unit, role, and the frame of the coordinates.

use serde::{Deserialize, Serialize};

/// What a column holds. Nothing else crosses a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Holds {
    /// True or false.
    Bool,
    /// 64-bit whole number.
    Int,
    /// 64-bit float. Missing is null, never NaN.
    Float,
    /// UTF-8 text.
    Text,
    /// Nanoseconds since 1970-01-01T00:00:00 UTC.
    Instant,
}

/// The unit of a column. One internal unit for each quantity; other units exist only in files that
/// come in and in deliveries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Unit {
    /// No unit: text, counts, flags, ratios.
    #[serde(rename = "")]
    None,
    /// Metre.
    #[serde(rename = "m")]
    Metre,
    /// Square metre.
    #[serde(rename = "m2")]
    SquareMetre,
    /// International foot, 0.3048 m.
    #[serde(rename = "ft")]
    Foot,
    /// US survey foot, 1200/3937 m.
    #[serde(rename = "ftUS")]
    UsSurveyFoot,
    /// Millimetre (pipe diameters, as crews write them).
    #[serde(rename = "mm")]
    Millimetre,
    /// Degree of arc.
    #[serde(rename = "deg")]
    Degree,
    /// Degree per second.
    #[serde(rename = "deg/s")]
    DegreePerSecond,
    /// Second.
    #[serde(rename = "s")]
    Second,
    /// Metre per second.
    #[serde(rename = "m/s")]
    MetrePerSecond,
    /// Decimal year.
    #[serde(rename = "a")]
    Year,
}

impl Unit {
    /// The symbol, as written in column names, plans and files.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::None => "",
            Self::Metre => "m",
            Self::SquareMetre => "m2",
            Self::Foot => "ft",
            Self::UsSurveyFoot => "ftUS",
            Self::Millimetre => "mm",
            Self::Degree => "deg",
            Self::DegreePerSecond => "deg/s",
            Self::Second => "s",
            Self::MetrePerSecond => "m/s",
            Self::Year => "a",
        }
    }
}

/// What a column *is*, so that stages find it without knowing its name. A role occurs once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Name of the session: one receiver, one day.
    Session,
    /// Raw file of the row.
    File,
    /// First raw line of the row, counted from 1.
    LineFirst,
    /// Last raw line of the row.
    LineLast,
    /// Number of the epoch in its session, counted from 1.
    Epoch,
    /// Instant of measurement, UTC.
    Time,
    /// Geodetic latitude.
    Latitude,
    /// Geodetic longitude, east positive.
    Longitude,
    /// Height above the ellipsoid of the frame.
    EllipsoidalHeight,
    /// Height above the vertical datum that the frame names.
    Height,
    /// Geoid separation as the receiver reported it.
    ReceiverSeparation,
    /// Separation of the geoid model of the delivery.
    GeoidSeparation,
    /// Grid easting.
    Easting,
    /// Grid northing.
    Northing,
    /// Fix kind as a word: `rtk-fixed`, `rtk-float`, …
    Fix,
    /// Satellites used.
    Satellites,
    /// Horizontal dilution of precision.
    Hdop,
    /// Position dilution of precision.
    Pdop,
    /// Vertical dilution of precision.
    Vdop,
    /// Age of the corrections.
    CorrectionAge,
    /// Identity of the base station.
    BaseStation,
    /// Standard deviation (1 sigma) to the east, all contributors.
    SigmaEast,
    /// Standard deviation (1 sigma) to the north, all contributors.
    SigmaNorth,
    /// Standard deviation (1 sigma) upward, all contributors.
    SigmaUp,
    /// Correlation of east and north.
    CorrelationEastNorth,
    /// Whether the sigmas are a declared default and not measured.
    SigmaAssumed,
    /// Heading of the body's forward axis, clockwise from the sensor's own north.
    Heading,
    /// Pitch, nose up positive.
    Pitch,
    /// Roll, right side down positive.
    Roll,
    /// Raw laser range.
    Range,
    /// Turn rate.
    TurnRate,
    /// Speed over ground.
    Speed,
    /// Trigger or event mark.
    Event,
    /// Name that the crew gave the point.
    Point,
    /// Feature code.
    Code,
    /// Remark.
    Remark,
    /// Outside diameter of the asset.
    Diameter,
    /// Surface of the asset that was hit.
    Surface,
    /// What was aimed with: `tip` or `laser`.
    Aim,
    /// Occupation that an epoch belongs to, unique in the session.
    Occupation,
    /// Anything else.
    Other,
}

impl Role {
    /// The role in words, for messages.
    #[must_use]
    pub const fn meaning(self) -> &'static str {
        match self {
            Self::Session => "the session",
            Self::File => "the raw file",
            Self::LineFirst => "the first raw line",
            Self::LineLast => "the last raw line",
            Self::Epoch => "the epoch number",
            Self::Time => "the time of measurement",
            Self::Latitude => "the latitude",
            Self::Longitude => "the longitude",
            Self::EllipsoidalHeight => "the ellipsoidal height",
            Self::Height => "the height above the vertical datum",
            Self::ReceiverSeparation => "the receiver's geoid separation",
            Self::GeoidSeparation => "the model's geoid separation",
            Self::Easting => "the easting",
            Self::Northing => "the northing",
            Self::Fix => "the fix kind",
            Self::Satellites => "the number of satellites",
            Self::Hdop => "the horizontal dilution",
            Self::Pdop => "the position dilution",
            Self::Vdop => "the vertical dilution",
            Self::CorrectionAge => "the age of corrections",
            Self::BaseStation => "the base station",
            Self::SigmaEast => "the sigma to the east",
            Self::SigmaNorth => "the sigma to the north",
            Self::SigmaUp => "the sigma upward",
            Self::CorrelationEastNorth => "the east-north correlation",
            Self::SigmaAssumed => "whether sigmas are assumed",
            Self::Heading => "the heading",
            Self::Pitch => "the pitch",
            Self::Roll => "the roll",
            Self::Range => "the laser range",
            Self::TurnRate => "the turn rate",
            Self::Speed => "the speed",
            Self::Event => "the event mark",
            Self::Point => "the point name",
            Self::Code => "the feature code",
            Self::Remark => "the remark",
            Self::Diameter => "the diameter",
            Self::Surface => "the surface hit",
            Self::Aim => "what was aimed with",
            Self::Occupation => "the occupation",
            Self::Other => "something else",
        }
    }
}

/// One column.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Column {
    /// Name, unique in the schema; ends in its unit where it has one.
    pub name: String,
    /// Type.
    pub holds: Holds,
    /// Unit.
    pub unit: Unit,
    /// Role.
    pub role: Role,
    /// Whether a row may leave it empty.
    pub nullable: bool,
}

impl Column {
    /// A column that may be empty.
    #[must_use]
    pub fn maybe(name: &str, holds: Holds, unit: Unit, role: Role) -> Self {
        Self { name: name.to_owned(), holds, unit, role, nullable: true }
    }

    /// A column that is never empty.
    #[must_use]
    pub fn always(name: &str, holds: Holds, unit: Unit, role: Role) -> Self {
        Self { nullable: false, ..Self::maybe(name, holds, unit, role) }
    }
}

/// Coordinate epoch of a table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Epoch {
    /// The frame moves with its plate; coordinates do not change with time.
    Static,
    /// All rows are at this decimal year.
    Fixed(f64),
    /// Each row is at its own time of measurement.
    EachObservation,
}

/// The surface that the heights of a table are above.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Heights {
    /// The ellipsoid of the frame.
    Ellipsoidal,
    /// The receiver's own coarse geoid; never delivered.
    ReceiverGeoid,
    /// A named vertical datum.
    Vertical {
        /// CRS code or name of the vertical datum.
        datum: String,
        /// Geoid model and version that led there.
        model: String,
        /// SHA-256 of the model's file.
        sha256: String,
        /// Unit of the height column.
        unit: Unit,
    },
}

/// The physical point that coordinates mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PhysicalPoint {
    /// Phase centre of the antenna.
    AntennaPhaseCentre,
    /// Antenna reference point (bottom of the mount).
    AntennaReferencePoint,
    /// Tip of the pole.
    PoleTip,
    /// Target: the pole tip or the surface that the laser hit, as each row says.
    Target,
    /// Mark in the ground.
    Mark,
}

impl PhysicalPoint {
    /// The point in words.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::AntennaPhaseCentre => "antenna phase centre",
            Self::AntennaReferencePoint => "antenna reference point",
            Self::PoleTip => "pole tip",
            Self::Target => "target",
            Self::Mark => "mark",
        }
    }
}

/// Which kind of axes the horizontal coordinates have.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Axes {
    /// Latitude and longitude in degrees.
    Geographic,
    /// Easting and northing in this unit.
    Projected(Unit),
}

/// Reference of the coordinates of a table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Frame {
    /// CRS as `AUTHORITY:CODE` or WKT/PROJ text.
    pub crs: String,
    /// Its name.
    pub name: String,
    /// Its horizontal axes.
    pub axes: Axes,
    /// Coordinate epoch.
    pub epoch: Epoch,
    /// Height surface.
    pub heights: Heights,
    /// Physical point.
    pub point: PhysicalPoint,
}

/// Columns in order, and the frame of the coordinates (`None`: no coordinates here).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Schema {
    /// The columns.
    pub columns: Vec<Column>,
    /// The frame.
    pub frame: Option<Frame>,
}

impl Schema {
    /// The column with a role.
    #[must_use]
    pub fn role(&self, role: Role) -> Option<&Column> {
        self.columns.iter().find(|c| c.role == role)
    }

    /// The column with a name.
    #[must_use]
    pub fn named(&self, name: &str) -> Option<&Column> {
        self.columns.iter().find(|c| c.name == name)
    }
}
