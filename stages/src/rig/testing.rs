//! Small tables and doors for the tests of this family.

use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{BindCx, Files};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Finds files below a folder; enough of patterns for tests.
pub(crate) struct Folder(pub PathBuf);

impl Files for Folder {
    fn find(&self, pattern: &str) -> Result<Vec<(String, PathBuf)>, Problem> {
        let mut names: Vec<String> = std::fs::read_dir(&self.0)
            .map(|d| d.filter_map(|e| Some(e.ok()?.file_name().to_string_lossy().into_owned())).collect())
            .unwrap_or_default();
        names.sort();
        let (head, tail) = pattern.split_once('*').unwrap_or((pattern, ""));
        let fits = |n: &String| if pattern.contains('*') { n.starts_with(head) && n.ends_with(tail) } else { n == pattern };
        let found: Vec<_> = names.into_iter().filter(fits).map(|n| (n.clone(), self.0.join(&n))).collect();
        if found.is_empty() { Err(Problem::new("job/no-such-file", format!("nothing fits `{pattern}`"))) } else { Ok(found) }
    }
    fn resolve(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
    fn results(&self) -> PathBuf {
        self.0.clone()
    }
}

/// The columns of an epoch that this family looks at.
pub(crate) fn schema(point: PhysicalPoint, with_aim: bool) -> Schema {
    let f = |name, unit, role| Column::maybe(name, Holds::Float, unit, role);
    let mut columns = vec![
        Column::always("session", Holds::Text, Unit::None, Role::Session),
        Column::always("file", Holds::Text, Unit::None, Role::File),
        Column::always("line_first", Holds::Int, Unit::None, Role::LineFirst),
        Column::always("line_last", Holds::Int, Unit::None, Role::LineLast),
        Column::always("time", Holds::Instant, Unit::None, Role::Time),
        f("latitude_deg", Unit::Degree, Role::Latitude),
        f("longitude_deg", Unit::Degree, Role::Longitude),
        f("ellipsoidal_height_m", Unit::Metre, Role::EllipsoidalHeight),
        f("sigma_east_m", Unit::Metre, Role::SigmaEast),
        f("sigma_north_m", Unit::Metre, Role::SigmaNorth),
        f("sigma_up_m", Unit::Metre, Role::SigmaUp),
        f("correlation_east_north", Unit::None, Role::CorrelationEastNorth),
        Column::always("sigma_assumed", Holds::Bool, Unit::None, Role::SigmaAssumed),
        f("heading_deg", Unit::Degree, Role::Heading),
        f("pitch_deg", Unit::Degree, Role::Pitch),
        f("roll_deg", Unit::Degree, Role::Roll),
        f("range_m", Unit::Metre, Role::Range),
        f("turn_rate_deg_s", Unit::DegreePerSecond, Role::TurnRate),
        f("speed_m_s", Unit::MetrePerSecond, Role::Speed),
    ];
    if with_aim {
        columns.push(Column::maybe("aim", Holds::Text, Unit::None, Role::Aim));
    }
    let frame = Frame {
        crs: "EPSG:7912".into(),
        name: "ITRF2014".into(),
        axes: Axes::Geographic,
        epoch: Epoch::EachObservation,
        heights: Heights::Ellipsoidal,
        point,
    };
    Schema { columns, frame: Some(frame) }
}

/// One epoch; NaN is missing.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    pub time: i64,
    pub place: [f64; 3],
    pub attitude: [f64; 3],
    pub range: f64,
    pub sigma: [f64; 4],
    pub aim: Option<&'static str>,
}

impl Default for Row {
    fn default() -> Self {
        let time = 1_780_000_000 * 1_000_000_000;
        Self { time, place: [40.0, -105.0, 1500.0], attitude: [0.0; 3], range: 3.0, sigma: [0.01, 0.01, 0.02, 0.0], aim: Some("tip") }
    }
}

pub(crate) fn table(schema: &Schema, rows: &[Row]) -> Table {
    let mut b = TableBuilder::new(Arc::new(schema.clone()), rows.len());
    b.text_everywhere("session", "s").text_everywhere("file", "s.nmea");
    let lines: Vec<i64> = (1..).take(rows.len()).collect();
    b.ints("line_first", lines.clone()).ints("line_last", lines);
    b.instants("time", rows.iter().map(|r| r.time).collect());
    for (i, name) in ["latitude_deg", "longitude_deg", "ellipsoidal_height_m"].iter().enumerate() {
        b.floats(name, rows.iter().map(|r| r.place[i]).collect());
    }
    for (i, name) in ["heading_deg", "pitch_deg", "roll_deg"].iter().enumerate() {
        b.floats(name, rows.iter().map(|r| r.attitude[i]).collect());
    }
    for (i, name) in ["sigma_east_m", "sigma_north_m", "sigma_up_m", "correlation_east_north"].iter().enumerate() {
        b.floats(name, rows.iter().map(|r| r.sigma[i]).collect());
    }
    b.bools("sigma_assumed", &vec![false; rows.len()]);
    b.floats("range_m", rows.iter().map(|r| r.range).collect());
    b.texts("aim", rows.iter().map(|r| r.aim));
    b.finish().unwrap()
}

/// Gives a closure a bind context.
pub(crate) fn bind_with<T>(inputs: &[Schema], rig: Option<&pipeline_base::rig::Rig>, folder: &Path, f: impl FnOnce(&BindCx) -> T) -> T {
    let files = Folder(folder.to_owned());
    f(&BindCx { inputs, rig, reference: None, locality: None, files: &files, locked: None })
}

/// A world that remembers.
pub(crate) fn world() -> Collect {
    Collect::new(Path::new("."))
}

/// SplitMix64 with the polar form of Box and Muller: small, seeded, and good enough to check a
/// covariance.
pub(crate) struct Dice(pub u64);
impl Dice {
    pub(crate) fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        #[allow(clippy::cast_precision_loss)]
        let unit = ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64;
        unit
    }
    pub(crate) fn normal(&mut self) -> f64 {
        loop {
            let (a, b) = (2.0 * self.unit() - 1.0, 2.0 * self.unit() - 1.0);
            let s = a * a + b * b;
            if s > 0.0 && s < 1.0 {
                return a * (-2.0 * s.ln() / s).sqrt();
            }
        }
    }
}
