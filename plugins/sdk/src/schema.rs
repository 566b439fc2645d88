//! What the columns of a table mean. Units, roles and frames are words that the host knows; new ones may come.

use crate::Problem;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// What a column holds. Nothing else crosses.
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

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$each:meta])* $constant:ident = $word:literal,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub Cow<'static, str>);

        impl $name {
            $($(#[$each])* pub const $constant: Self = Self(Cow::Borrowed($word));)*
        }
    };
}

words! {
    /// The unit of a column, as the host writes it.
    Unit {
        /// No unit: text, counts, flags, ratios.
        NONE = "",
        /// Metre.
        METRE = "m",
        /// Square metre.
        SQUARE_METRE = "m2",
        /// Millimetre.
        MILLIMETRE = "mm",
        /// International foot, 0.3048 m; only on heights and coordinates of a delivery in feet.
        FOOT = "ft",
        /// US survey foot, 1200/3937 m; only on heights and coordinates of a delivery in feet.
        US_SURVEY_FOOT = "ftUS",
        /// Degree of arc.
        DEGREE = "deg",
        /// Degree per second.
        DEGREE_PER_SECOND = "deg/s",
        /// Second.
        SECOND = "s",
        /// Metre per second.
        METRE_PER_SECOND = "m/s",
        /// Decimal year.
        YEAR = "a",
    }
}

words! {
    /// What a column *is*, so that stages find it without knowing its name. A role occurs once, but for `OTHER`.
    Role {
        /// Name of the session.
        SESSION = "session",
        /// Raw file of the row.
        FILE = "file",
        /// First raw line of the row.
        LINE_FIRST = "line-first",
        /// Last raw line of the row.
        LINE_LAST = "line-last",
        /// Number of the epoch in its session.
        EPOCH = "epoch",
        /// Instant of measurement.
        TIME = "time",
        /// Geodetic latitude.
        LATITUDE = "latitude",
        /// Geodetic longitude.
        LONGITUDE = "longitude",
        /// Height above the ellipsoid.
        ELLIPSOIDAL_HEIGHT = "ellipsoidal-height",
        /// Height above the vertical datum of the frame.
        HEIGHT = "height",
        /// Geoid separation as the receiver reported it.
        RECEIVER_SEPARATION = "receiver-separation",
        /// Separation of the geoid model of the delivery.
        GEOID_SEPARATION = "geoid-separation",
        /// Grid easting.
        EASTING = "easting",
        /// Grid northing.
        NORTHING = "northing",
        /// Fix kind as a word.
        FIX = "fix",
        /// Satellites used.
        SATELLITES = "satellites",
        /// Horizontal dilution of precision.
        HDOP = "hdop",
        /// Position dilution of precision.
        PDOP = "pdop",
        /// Vertical dilution of precision.
        VDOP = "vdop",
        /// Age of the corrections.
        CORRECTION_AGE = "correction-age",
        /// Identity of the base station.
        BASE_STATION = "base-station",
        /// Standard deviation to the east.
        SIGMA_EAST = "sigma-east",
        /// Standard deviation to the north.
        SIGMA_NORTH = "sigma-north",
        /// Standard deviation upward.
        SIGMA_UP = "sigma-up",
        /// Correlation of east and north.
        CORRELATION_EAST_NORTH = "correlation-east-north",
        /// Whether the sigmas are a declared default and not measured.
        SIGMA_ASSUMED = "sigma-assumed",
        /// Heading.
        HEADING = "heading",
        /// Pitch.
        PITCH = "pitch",
        /// Roll.
        ROLL = "roll",
        /// Time since the motion that last made the heading fresh.
        HEADING_AGE = "heading-age",
        /// Standard deviation of the heading's bias.
        HEADING_SIGMA = "heading-sigma",
        /// Raw laser range.
        RANGE = "range",
        /// Turn rate.
        TURN_RATE = "turn-rate",
        /// Speed over ground.
        SPEED = "speed",
        /// Trigger or event mark.
        EVENT = "event",
        /// Name of the point.
        POINT = "point",
        /// Feature code.
        CODE = "code",
        /// Remark.
        REMARK = "remark",
        /// Outside diameter of the asset.
        DIAMETER = "diameter",
        /// Surface that was hit.
        SURFACE = "surface",
        /// What was aimed with.
        AIM = "aim",
        /// Occupation of an epoch.
        OCCUPATION = "occupation",
        /// Anything else.
        OTHER = "other",
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

/// Columns in order, and the frame of the coordinates.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Schema {
    /// The columns.
    pub columns: Vec<Column>,
    /// The frame as the host writes it; `null`: no coordinates here. Hand it on unless you change the coordinates.
    pub frame: serde_json::Value,
}

impl Schema {
    /// The column with a role.
    #[must_use]
    pub fn role(&self, role: &Role) -> Option<&Column> {
        self.columns.iter().find(|c| c.role == *role)
    }

    /// The column with a name.
    #[must_use]
    pub fn named(&self, name: &str) -> Option<&Column> {
        self.columns.iter().find(|c| c.name == name)
    }

    /// The column with a role, or a problem that says that there is none.
    ///
    /// # Errors
    /// When no column has the role.
    pub fn need(&self, role: Role) -> Result<&Column, Problem> {
        self.role(&role).ok_or_else(|| {
            Problem::new("missing-role", format!("no column of the table above is `{}`", role.0))
                .fix("put a step that makes it before this one")
        })
    }

    /// The column that an option names, which must hold a type.
    ///
    /// # Errors
    /// When there is none, or when it holds something else.
    pub fn need_named(&self, name: &str, holds: Holds, option: &str) -> Result<&Column, Problem> {
        let names = self.columns.iter().filter(|c| c.holds == holds).map(|c| format!("`{}`", c.name)).collect::<Vec<_>>().join(", ");
        match self.named(name) {
            Some(column) if column.holds == holds => Ok(column),
            Some(column) => Err(Problem::new("wrong-column", format!("column `{name}` holds {:?} and must hold {holds:?}", column.holds))
                .option(option)
                .fix(format!("name one of {names}"))),
            None => Err(Problem::new("no-column", format!("the table above has no column `{name}`"))
                .option(option)
                .fix(format!("name one of {names}"))),
        }
    }
}
