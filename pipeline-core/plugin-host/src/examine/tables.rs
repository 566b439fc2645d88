//! Tables made up to try a stage on: epochs and points of an invented place, with gaps.

use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder, dtype};
use polars::prelude::{Column as Values, DataFrame, IntoColumn};
use std::sync::Arc;

/// Rows of a made-up table: more than a byte of bits, and no multiple of eight.
const ROWS: usize = 203;

/// Latitude and longitude in degrees and ellipsoidal height in metres of the invented place.
pub(super) const PLACE: (f64, f64, f64) = (41.2, -86.4, 190.0);

/// The same place on the grid of the made-up delivery, UTM zone 16 north, m, and its height above the made-up datum, m.
pub(super) const ON_GRID: (f64, f64, f64) = (550_308.201, 4_561_132.856, 223.6);

/// Name of the made-up vertical datum.
pub(super) const DATUM: &str = "made up";

/// Name of a point.
pub(super) fn point(number: usize) -> String {
    format!("P-{number:02}")
}

/// Epochs of one point, where there are several.
const EPOCHS_OF_A_POINT: usize = 20;

/// What a made-up table holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum MadeUpTable {
    /// Epochs of a target, without points.
    Epochs,
    /// Epochs of a target that belong to points.
    PointedEpochs,
    /// Epochs of the antenna that belong to points.
    AntennaEpochs,
    /// Points, one a row, by latitude and longitude.
    Points,
    /// Points, one a row, by easting and northing.
    GridPoints,
}

impl MadeUpTable {
    /// In words.
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Epochs => "epochs",
            Self::PointedEpochs => "epochs of points",
            Self::AntennaEpochs => "epochs of the antenna",
            Self::Points => "points",
            Self::GridPoints => "points on a grid",
        }
    }

    const fn each_row_a_point(self) -> bool {
        matches!(self, Self::Points | Self::GridPoints)
    }

    fn frame(self) -> Frame {
        let (crs, name, axes) = match self {
            Self::GridPoints => ("EPSG:6345", "NAD83(2011) / UTM zone 16N", Axes::Projected(Unit::Metre)),
            _ => ("EPSG:9989", "ITRF2020", Axes::Geographic),
        };
        let (epoch, heights) = match self {
            Self::GridPoints => {
                let (datum, model, version) = (DATUM.to_owned(), "made up".to_owned(), "1".to_owned());
                (Epoch::Static, Heights::Vertical { datum, model, version, sha256: String::new(), unit: Unit::Metre })
            }
            Self::Points => (Epoch::Fixed(2026.2), Heights::Ellipsoidal),
            _ => (Epoch::EachObservation, Heights::Ellipsoidal),
        };
        let point = if self == Self::AntennaEpochs { PhysicalPoint::AntennaReferencePoint } else { PhysicalPoint::Target };
        Frame { crs: crs.into(), name: name.into(), axes, epoch, heights, point }
    }
}

fn columns(made: MadeUpTable) -> Vec<Column> {
    use Holds::{Bool, Float, Instant, Int, Text};
    use Unit::{Degree, Metre, None as No, Second};
    let mut all = vec![
        Column::always("session", Text, No, Role::Session),
        Column::always("file", Text, No, Role::File),
        Column::always("line_first", Int, No, Role::LineFirst),
        Column::always("line_last", Int, No, Role::LineLast),
        Column::always("epoch", Int, No, Role::Epoch),
        Column::always("time", Instant, No, Role::Time),
    ];
    all.extend(match made {
        MadeUpTable::GridPoints => [
            Column::maybe("easting_m", Float, Metre, Role::Easting),
            Column::maybe("northing_m", Float, Metre, Role::Northing),
            Column::maybe("height_m", Float, Metre, Role::Height),
        ],
        _ => [
            Column::maybe("latitude_deg", Float, Degree, Role::Latitude),
            Column::maybe("longitude_deg", Float, Degree, Role::Longitude),
            Column::maybe("ellipsoidal_height_m", Float, Metre, Role::EllipsoidalHeight),
        ],
    });
    if !made.each_row_a_point() {
        all.extend([
            Column::maybe("receiver_separation_m", Float, Metre, Role::ReceiverSeparation),
            Column::always("fix", Text, No, Role::Fix),
            Column::maybe("satellites", Int, No, Role::Satellites),
            Column::maybe("hdop", Float, No, Role::Hdop),
            Column::maybe("pdop", Float, No, Role::Pdop),
            Column::maybe("vdop", Float, No, Role::Vdop),
            Column::maybe("correction_age_s", Float, Second, Role::CorrectionAge),
        ]);
    }
    all.extend([
        Column::maybe("base_station", Text, No, Role::BaseStation),
        Column::maybe("sigma_east_m", Float, Metre, Role::SigmaEast),
        Column::maybe("sigma_north_m", Float, Metre, Role::SigmaNorth),
        Column::maybe("sigma_up_m", Float, Metre, Role::SigmaUp),
        Column::maybe("correlation_east_north", Float, No, Role::CorrelationEastNorth),
        Column::always("sigma_assumed", Bool, No, Role::SigmaAssumed),
        Column::maybe("heading_deg", Float, Degree, Role::Heading),
        Column::maybe("pitch_deg", Float, Degree, Role::Pitch),
        Column::maybe("roll_deg", Float, Degree, Role::Roll),
        Column::maybe("range_m", Float, Metre, Role::Range),
    ]);
    if made == MadeUpTable::AntennaEpochs {
        all.push(Column::always("aim", Text, No, Role::Aim));
    }
    if made != MadeUpTable::Epochs {
        all.push(Column::always("point", Text, No, Role::Point));
        all.push(Column::always("occupation", Text, No, Role::Occupation));
        all.push(Column::maybe("code", Text, No, Role::Code));
    }
    if made.each_row_a_point() {
        all.push(Column::maybe("diameter_mm", Float, Unit::Millimetre, Role::Diameter));
        all.push(Column::maybe("surface", Text, No, Role::Surface));
    }
    all
}

/// A table with values in the range of its roles; with `gaps` every eleventh optional value is missing.
fn table(made: MadeUpTable, gaps: bool) -> Option<Table> {
    let schema = Arc::new(Schema { columns: columns(made), frame: Some(made.frame()) });
    let mut builder = TableBuilder::new(schema.clone(), ROWS);
    for (k, column) in schema.columns.iter().enumerate() {
        let missing = |i: usize| gaps && column.nullable && (i + k).is_multiple_of(11);
        let wave = |i: usize| ((i * (k + 3)) as f64 * 0.37).sin();
        match column.holds {
            Holds::Float => {
                let value = |i: usize| match column.role {
                    Role::Latitude => PLACE.0 + 1e-6 * wave(i),
                    Role::Longitude => PLACE.1 + 1e-6 * wave(i),
                    Role::EllipsoidalHeight => PLACE.2 + 0.05 * wave(i),
                    Role::Easting => ON_GRID.0 + 0.1 * wave(i),
                    Role::Northing => ON_GRID.1 + 0.1 * wave(i),
                    Role::Height => ON_GRID.2 + 0.05 * wave(i),
                    Role::Heading => 180.0 + 179.0 * wave(i),
                    Role::Pitch | Role::Roll => 8.0 * wave(i),
                    Role::Diameter => 110.0 + 50.0 * (i % 3) as f64,
                    Role::CorrelationEastNorth => 0.4 * wave(i),
                    _ => 0.02 + 0.9 * wave(i).abs(),
                };
                builder.floats(&column.name, (0..ROWS).map(|i| if missing(i) { f64::NAN } else { value(i) }).collect());
            }
            Holds::Int => {
                let value = |i: usize| if column.role == Role::Satellites { 12 + (i % 9) as i64 } else { 7 * i as i64 + 1 };
                builder.ints_or_none(&column.name, (0..ROWS).map(|i| (!missing(i)).then(|| value(i))));
            }
            Holds::Instant => {
                builder.instants(&column.name, (0..ROWS as i64).map(|i| 1_773_000_000_000_000_000 + i * 200_000_000).collect());
            }
            Holds::Bool => {
                builder.bools(&column.name, &(0..ROWS).map(|i| i % 3 == 0).collect::<Vec<_>>());
            }
            Holds::Text => {
                let texts: Vec<String> = (0..ROWS)
                    .map(|i| match column.role {
                        Role::Fix => ["rtk-fixed", "rtk-float", "autonomous"][i % 3].to_owned(),
                        Role::Session => "made-up".into(),
                        Role::Aim => ["tip", "laser"][i / EPOCHS_OF_A_POINT % 2].to_owned(),
                        Role::Surface => ["top", "invert", "centre"][i % 3].to_owned(),
                        Role::Point | Role::Occupation => point(if made.each_row_a_point() { i } else { i / EPOCHS_OF_A_POINT }),
                        _ => format!("text {} Ø", i % 5),
                    })
                    .collect();
                builder.texts(&column.name, texts.iter().enumerate().map(|(i, t)| (!missing(i)).then_some(t.as_str())));
            }
        }
    }
    builder.finish().ok()
}

/// The table that a chain of stages begins with.
pub(super) fn of_the_antenna() -> Option<Table> {
    table(MadeUpTable::AntennaEpochs, true)
}

/// The tables that a stage is tried on, until it takes one: made-up ones with gaps, those that other stages gave, and made-up ones
/// without gaps, for a stage that refuses a table in which its own values are missing. A stage of several inputs also gets two; one that
/// delivers gets the last ones first.
pub(super) fn all(given: &[(String, Table)], many: bool, delivers: bool) -> Vec<(String, Vec<Table>)> {
    const ALL: [MadeUpTable; 5] =
        [MadeUpTable::Epochs, MadeUpTable::PointedEpochs, MadeUpTable::AntennaEpochs, MadeUpTable::Points, MadeUpTable::GridPoints];
    let made = |gaps: bool, behind: &'static str| {
        ALL.into_iter().filter_map(move |made| Some((format!("{}{behind}", made.words()), table(made, gaps)?)))
    };
    let singles: Vec<(String, Table)> = made(true, "").chain(given.iter().cloned()).collect();
    let whole: Vec<(String, Table)> = made(false, " without gaps").collect();
    let order = if delivers { [&whole, &singles] } else { [&singles, &whole] };
    let mut sets: Vec<_> = order.into_iter().flatten().map(|(words, table)| (words.clone(), vec![table.clone()])).collect();
    if many {
        for (a, first) in &singles {
            sets.extend(singles.iter().map(|(b, second)| (format!("{a} and {b}"), vec![first.clone(), second.clone()])));
        }
    }
    sets
}

/// The same table without any of its optional values.
pub(super) fn bare(table: &Table) -> Table {
    let columns: Vec<Values> = table
        .schema
        .columns
        .iter()
        .zip(table.data.columns())
        .map(|(spec, values)| {
            if spec.nullable {
                polars::prelude::Series::full_null(spec.name.as_str().into(), table.rows(), &dtype(spec.holds)).into_column()
            } else {
                values.clone()
            }
        })
        .collect();
    let data = DataFrame::new(table.rows(), columns).unwrap_or_else(|_| table.data.clone());
    Table { data, schema: table.schema.clone() }
}
