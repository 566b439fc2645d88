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
    /// Time since the motion that last made the heading fresh.
    HeadingAge,
    /// Standard deviation (1 sigma) of the heading's bias.
    HeadingSigma,
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
    /// What a column of this role holds and in which units; a unit of several is the one that the frame names.
    #[must_use]
    pub const fn form(self) -> Option<(Holds, &'static [Unit])> {
        const LENGTHS: &[Unit] = &[Unit::Metre, Unit::Foot, Unit::UsSurveyFoot];
        Some(match self {
            Self::Session | Self::File | Self::Fix | Self::BaseStation | Self::Event | Self::Point | Self::Code | Self::Remark => {
                (Holds::Text, &[Unit::None])
            }
            Self::Surface | Self::Aim | Self::Occupation => (Holds::Text, &[Unit::None]),
            Self::LineFirst | Self::LineLast | Self::Epoch | Self::Satellites => (Holds::Int, &[Unit::None]),
            Self::Time => (Holds::Instant, &[Unit::None]),
            Self::SigmaAssumed => (Holds::Bool, &[Unit::None]),
            Self::Latitude | Self::Longitude | Self::Heading | Self::Pitch | Self::Roll | Self::HeadingSigma => {
                (Holds::Float, &[Unit::Degree])
            }
            Self::EllipsoidalHeight | Self::ReceiverSeparation | Self::GeoidSeparation | Self::Range => (Holds::Float, &[Unit::Metre]),
            Self::SigmaEast | Self::SigmaNorth | Self::SigmaUp => (Holds::Float, &[Unit::Metre]),
            Self::Height | Self::Easting | Self::Northing => (Holds::Float, LENGTHS),
            Self::Hdop | Self::Pdop | Self::Vdop | Self::CorrelationEastNorth => (Holds::Float, &[Unit::None]),
            Self::CorrectionAge | Self::HeadingAge => (Holds::Float, &[Unit::Second]),
            Self::TurnRate => (Holds::Float, &[Unit::DegreePerSecond]),
            Self::Speed => (Holds::Float, &[Unit::MetrePerSecond]),
            Self::Diameter => (Holds::Float, &[Unit::Millimetre]),
            Self::Other => return None,
        })
    }

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
            Self::HeadingAge => "the age of the heading",
            Self::HeadingSigma => "the sigma of the heading",
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
        /// Geoid model that led there.
        model: String,
        /// Its version.
        version: String,
        /// SHA-256 of the model's file.
        sha256: String,
        /// Unit of the height column.
        unit: Unit,
    },
}

impl Heights {
    /// Geoid model and version, for messages; empty where there is none.
    #[must_use]
    pub fn model_text(&self) -> String {
        match self {
            Self::Vertical { model, version, .. } => format!("{model} {version}").trim_end().to_owned(),
            Self::Ellipsoidal | Self::ReceiverGeoid => String::new(),
        }
    }

    /// Unit of the heights.
    #[must_use]
    pub const fn unit(&self) -> Unit {
        match self {
            Self::Vertical { unit, .. } => *unit,
            Self::Ellipsoidal | Self::ReceiverGeoid => Unit::Metre,
        }
    }

    /// The surface in words, without the unit.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Ellipsoidal => "above the ellipsoid".to_owned(),
            Self::ReceiverGeoid => "above the receiver's own geoid".to_owned(),
            Self::Vertical { datum, sha256, .. } => {
                let digest: String = sha256.chars().take(12).collect();
                let digest = if digest.is_empty() { "no digest".to_owned() } else { format!("sha256 {digest}…") };
                format!("above {datum} by {} ({digest})", self.model_text())
            }
        }
    }
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

impl Axes {
    /// The axes and their unit in words.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Geographic => "latitude and longitude in deg".to_owned(),
            Self::Projected(unit) => format!("easting and northing in {}", unit.symbol()),
        }
    }
}

impl Epoch {
    /// The epoch in words; years to 1e-6.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Static => "no epoch: the frame moves with its plate".to_owned(),
            Self::Fixed(year) => format!("epoch {}", year_text(year)),
            Self::EachObservation => "each row at its own time of measurement".to_owned(),
        }
    }

    /// Whether both are the same epoch, to 1e-6 of a year (0.1 micrometres on the fastest plate).
    #[must_use]
    pub fn same(self, other: Self) -> bool {
        match (self, other) {
            (Self::Fixed(a), Self::Fixed(b)) => (a - b).abs() <= 1e-6,
            (a, b) => a == b,
        }
    }
}

/// A decimal year to 1e-6, without needless zeros: `2010.0`, `2025.5`, `2025.497260`.
#[must_use]
pub fn year_text(year: f64) -> String {
    let text = format!("{year:.6}");
    let short = text.trim_end_matches('0');
    if short.ends_with('.') {
        format!("{short}0")
    } else if short.len() + 3 > text.len() {
        text
    } else {
        short.to_owned()
    }
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

/// One thing in which the references of two tables differ.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// What it is: `frame`, `coordinate epoch`, `axes`, `height surface`, `unit of heights`, `physical point`.
    pub what: &'static str,
    /// In the first table.
    pub first: String,
    /// In the second table.
    pub second: String,
}

impl Frame {
    /// Everything in which two references differ; empty when coordinates may stand in one table. Digest and version of a
    /// geoid model count; so does the point, but a target and a mark are both the point that was meant.
    #[must_use]
    pub fn differences(&self, other: &Self) -> Vec<Difference> {
        let mut found = vec![];
        let mut add = |same: bool, what, first: String, second: String| {
            if !same {
                found.push(Difference { what, first, second });
            }
        };
        add(self.crs == other.crs, "frame", self.title(), other.title());
        add(self.epoch.same(other.epoch), "coordinate epoch", self.epoch.words(), other.epoch.words());
        add(self.axes == other.axes, "axes", self.axes.words(), other.axes.words());
        let (unit, other_unit) = (self.heights.unit(), other.heights.unit());
        let same_surface = match (&self.heights, &other.heights) {
            (
                Heights::Vertical { datum: a, model: b, version: c, sha256: d, .. },
                Heights::Vertical { datum: e, model: f, version: g, sha256: h, .. },
            ) => (a, b, c, d) == (e, f, g, h),
            (a, b) => a == b,
        };
        add(same_surface, "height surface", self.heights.words(), other.heights.words());
        add(unit == other_unit, "unit of heights", unit.symbol().to_owned(), other_unit.symbol().to_owned());
        let meant = |point| matches!(point, PhysicalPoint::Target | PhysicalPoint::Mark);
        let same_point = self.point == other.point || (meant(self.point) && meant(other.point));
        add(same_point, "physical point", self.point.word().to_owned(), other.point.word().to_owned());
        found
    }

    /// Whether two references are the same in every word; epochs as [`Epoch::same`] has it, since one that went through JSON
    /// may have lost its last digit.
    #[must_use]
    pub fn same(&self, other: &Self) -> bool {
        self.epoch.same(other.epoch) && Self { epoch: other.epoch, ..self.clone() } == *other
    }

    /// Name and code of the system.
    #[must_use]
    pub fn title(&self) -> String {
        if self.name == self.crs || self.name.is_empty() {
            return self.crs.clone();
        }
        let code =
            if self.crs.chars().count() > 40 { format!("{}…", self.crs.chars().take(40).collect::<String>()) } else { self.crs.clone() };
        format!("{} ({code})", self.name)
    }
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
    /// What is wrong with the first column whose type or unit is none for its role, in words: every stage takes the latitude
    /// to be in degrees.
    #[must_use]
    pub fn wrong_form(&self) -> Option<String> {
        let of_frame = |role| {
            self.frame.as_ref().and_then(|f| match (role, f.axes) {
                (Role::Height, _) => Some(f.heights.unit()),
                (Role::Easting | Role::Northing, Axes::Projected(unit)) => Some(unit),
                _ => None,
            })
        };
        self.columns.iter().find_map(|c| {
            let (holds, units) = c.role.form()?;
            let (name, meaning) = (&c.name, c.role.meaning());
            if c.holds != holds {
                return Some(format!("column `{name}` is {meaning} and holds {:?} where {holds:?} belongs", c.holds));
            }
            let wanted = of_frame(c.role).unwrap_or(units[0]);
            let good = units.contains(&c.unit) && of_frame(c.role).is_none_or(|u| u == c.unit);
            let shown = |u: Unit| if u == Unit::None { "no unit".to_owned() } else { format!("`{}`", u.symbol()) };
            (!good).then(|| format!("column `{name}` is {meaning} and says {} where {} belongs", shown(c.unit), shown(wanted)))
        })
    }

    /// The column with a role.
    #[must_use]
    pub fn role(&self, role: Role) -> Option<&Column> {
        self.columns.iter().find(|c| c.role == role)
    }

    /// The columns of the position in the order east, north, up of the frame: longitude, latitude or easting, northing, then
    /// the height of the frame's surface. Found by role, never by place; those that are absent are left out.
    #[must_use]
    pub fn axes(&self) -> Vec<&Column> {
        let Some(frame) = &self.frame else { return vec![] };
        let [first, second] = match frame.axes {
            Axes::Geographic => [Role::Longitude, Role::Latitude],
            Axes::Projected(_) => [Role::Easting, Role::Northing],
        };
        let up = if matches!(frame.heights, Heights::Vertical { .. }) { Role::Height } else { Role::EllipsoidalHeight };
        [first, second, up].into_iter().filter_map(|role| self.role(role)).collect()
    }

    /// The column with a name.
    #[must_use]
    pub fn named(&self, name: &str) -> Option<&Column> {
        self.columns.iter().find(|c| c.name == name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame() -> Frame {
        Frame {
            crs: "EPSG:9989".into(),
            name: "ITRF2020".into(),
            axes: Axes::Geographic,
            epoch: Epoch::Fixed(2010.0),
            heights: Heights::Ellipsoidal,
            point: PhysicalPoint::Target,
        }
    }

    #[test]
    fn every_part_of_a_reference_counts() {
        let a = frame();
        let of = |b: Frame| a.differences(&b).iter().map(|d| d.what).collect::<Vec<_>>();
        assert!(of(frame()).is_empty());
        assert_eq!(of(Frame { crs: "EPSG:7912".into(), ..frame() }), ["frame"]);
        assert_eq!(of(Frame { epoch: Epoch::Fixed(2010.000002), ..frame() }), ["coordinate epoch"]);
        assert!(of(Frame { epoch: Epoch::Fixed(2010.0000005), ..frame() }).is_empty());
        assert_eq!(of(Frame { axes: Axes::Projected(Unit::Foot), ..frame() }), ["axes"]);
        assert_eq!(of(Frame { heights: Heights::ReceiverGeoid, ..frame() }), ["height surface"]);
        assert_eq!(of(Frame { point: PhysicalPoint::PoleTip, ..frame() }), ["physical point"]);
        assert!(of(Frame { point: PhysicalPoint::Mark, ..frame() }).is_empty());
        let vertical = |version: &str, sha256: &str, unit| Frame {
            heights: Heights::Vertical {
                datum: "EPSG:5703".into(),
                model: "M".into(),
                version: version.into(),
                sha256: sha256.into(),
                unit,
            },
            ..frame()
        };
        let b = vertical("1", "aa", Unit::Metre);
        for (other, what) in [
            (vertical("2", "aa", Unit::Metre), "height surface"),
            (vertical("1", "ab", Unit::Metre), "height surface"),
            (vertical("1", "aa", Unit::UsSurveyFoot), "unit of heights"),
        ] {
            assert_eq!(b.differences(&other).iter().map(|d| d.what).collect::<Vec<_>>(), [what]);
        }
    }

    #[test]
    fn years_to_a_millionth() {
        for (year, text) in
            [(2010.0, "2010.0"), (2025.5, "2025.5"), (2025.497260274, "2025.497260"), (2020.25, "2020.25"), (1994.000001, "1994.000001")]
        {
            assert_eq!(year_text(year), text);
        }
    }
}
