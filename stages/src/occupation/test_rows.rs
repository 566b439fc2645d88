//! Epoch tables for tests, by the column contract.

use crate::occupation::local;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{BindCx, Bound, Cx, Files, Session, Stage};
use std::path::PathBuf;
use std::sync::Arc;
use survey_geodesy::local::Tangent;

pub(crate) const S: i64 = 1_000_000_000;
/// 2026-05-04T14:00:00Z.
pub(crate) const T0: i64 = 1_777_903_200 * S;

/// One epoch.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    pub time: i64,
    pub line: i64,
    pub position: [f64; 3],
    pub fix: &'static str,
    pub quality: i64,
    pub satellites: Option<i64>,
    pub pdop: f64,
    pub age: f64,
    pub base: Option<&'static str>,
    pub sigma: [f64; 3],
    pub attitude: [f64; 3],
    pub range: f64,
    pub event: Option<&'static str>,
    pub occupation: Option<&'static str>,
    pub aim: &'static str,
    pub mark: Option<&'static str>,
    pub crew: Option<&'static str>,
    pub fix_run: Option<i64>,
}

pub(crate) fn row(k: i64) -> Row {
    Row {
        time: T0 + k * S,
        line: 100 + 3 * k,
        position: [51.5, 7.25, 120.0],
        fix: "rtk-fixed",
        quality: 4,
        satellites: Some(14),
        pdop: 1.6,
        age: 1.0,
        base: Some("0417"),
        sigma: [0.010, 0.010, 0.020],
        attitude: [30.0, 2.0, 1.0],
        range: f64::NAN,
        event: None,
        occupation: Some("P1"),
        aim: "tip",
        mark: None,
        crew: None,
        fix_run: Some(1),
    }
}

/// Moves a row by east, north, up from the standard place.
pub(crate) fn at(mut r: Row, enu: [f64; 3]) -> Row {
    let frame: Tangent = local::at(51.5, 7.25, 120.0);
    let p = frame.geodetic(enu);
    r.position = [p.0, p.1, p.2];
    r
}

pub(crate) fn schema(with_event: bool, with_occupation: bool) -> Schema {
    use Holds::{Bool, Float, Instant, Int, Text};
    let n = Unit::None;
    let mut columns = vec![
        Column::always("session", Text, n, Role::Session),
        Column::always("file", Text, n, Role::File),
        Column::always("line_first", Int, n, Role::LineFirst),
        Column::always("line_last", Int, n, Role::LineLast),
        Column::always("epoch", Int, n, Role::Epoch),
        Column::always("time", Instant, n, Role::Time),
        Column::maybe("latitude_deg", Float, Unit::Degree, Role::Latitude),
        Column::maybe("longitude_deg", Float, Unit::Degree, Role::Longitude),
        Column::maybe("ellipsoidal_height_m", Float, Unit::Metre, Role::EllipsoidalHeight),
        Column::maybe("receiver_separation_m", Float, Unit::Metre, Role::ReceiverSeparation),
        Column::always("fix", Text, n, Role::Fix),
        Column::maybe("quality_code", Int, n, Role::Other),
        Column::maybe("satellites", Int, n, Role::Satellites),
        Column::maybe("hdop", Float, n, Role::Hdop),
        Column::maybe("pdop", Float, n, Role::Pdop),
        Column::maybe("vdop", Float, n, Role::Vdop),
        Column::maybe("correction_age_s", Float, Unit::Second, Role::CorrectionAge),
        Column::maybe("base_station", Text, n, Role::BaseStation),
        Column::maybe("sigma_east_m", Float, Unit::Metre, Role::SigmaEast),
        Column::maybe("sigma_north_m", Float, Unit::Metre, Role::SigmaNorth),
        Column::maybe("sigma_up_m", Float, Unit::Metre, Role::SigmaUp),
        Column::maybe("correlation_east_north", Float, n, Role::CorrelationEastNorth),
        Column::always("sigma_assumed", Bool, n, Role::SigmaAssumed),
        Column::maybe("heading_deg", Float, Unit::Degree, Role::Heading),
        Column::maybe("pitch_deg", Float, Unit::Degree, Role::Pitch),
        Column::maybe("roll_deg", Float, Unit::Degree, Role::Roll),
        Column::maybe("range_m", Float, Unit::Metre, Role::Range),
        Column::maybe("turn_rate_deg_s", Float, Unit::DegreePerSecond, Role::TurnRate),
        Column::maybe("speed_m_s", Float, Unit::MetrePerSecond, Role::Speed),
    ];
    if with_event {
        columns.push(Column::maybe("event", Text, n, Role::Event));
    }
    if with_occupation {
        columns.extend([
            Column::always("occupation", Text, n, Role::Occupation),
            Column::always("point", Text, n, Role::Point),
            Column::maybe("code", Text, n, Role::Code),
            Column::maybe("remark", Text, n, Role::Remark),
            Column::maybe("diameter_mm", Float, Unit::Millimetre, Role::Diameter),
            Column::maybe("surface", Text, n, Role::Surface),
            Column::maybe("aim", Text, n, Role::Aim),
            Column::maybe("mark", Text, n, Role::Other),
            Column::maybe("crew", Text, n, Role::Other),
            Column::maybe("receiver", Text, n, Role::Other),
            Column::maybe("fix_run", Int, n, Role::Other),
        ]);
    }
    let frame = Frame {
        crs: "EPSG:9989".into(),
        name: "ITRF2020".into(),
        axes: Axes::Geographic,
        epoch: Epoch::EachObservation,
        heights: Heights::Ellipsoidal,
        point: PhysicalPoint::AntennaReferencePoint,
    };
    Schema { columns, frame: Some(frame) }
}

pub(crate) fn table(rows: &[Row], with_event: bool, with_occupation: bool) -> Table {
    let mut b = TableBuilder::new(Arc::new(schema(with_event, with_occupation)), rows.len());
    let f = |get: &dyn Fn(&Row) -> f64| rows.iter().map(get).collect::<Vec<_>>();
    b.text_everywhere("session", "day1")
        .text_everywhere("file", "day1.nmea")
        .ints("line_first", rows.iter().map(|r| r.line).collect())
        .ints("line_last", rows.iter().map(|r| r.line + 2).collect())
        .ints("epoch", rows.iter().map(|r| (r.time - T0) / (S / 10)).collect())
        .instants("time", rows.iter().map(|r| r.time).collect())
        .floats("latitude_deg", f(&|r| r.position[0]))
        .floats("longitude_deg", f(&|r| r.position[1]))
        .floats("ellipsoidal_height_m", f(&|r| r.position[2]))
        .floats("receiver_separation_m", f(&|_| 46.5))
        .texts("fix", rows.iter().map(|r| Some(r.fix)))
        .ints("quality_code", rows.iter().map(|r| r.quality).collect())
        .ints_or_none("satellites", rows.iter().map(|r| r.satellites))
        .floats("hdop", f(&|_| 0.8))
        .floats("pdop", f(&|r| r.pdop))
        .floats("correction_age_s", f(&|r| r.age))
        .texts("base_station", rows.iter().map(|r| r.base))
        .floats("sigma_east_m", f(&|r| r.sigma[0]))
        .floats("sigma_north_m", f(&|r| r.sigma[1]))
        .floats("sigma_up_m", f(&|r| r.sigma[2]))
        .bools("sigma_assumed", &vec![false; rows.len()])
        .floats("heading_deg", f(&|r| r.attitude[0]))
        .floats("pitch_deg", f(&|r| r.attitude[1]))
        .floats("roll_deg", f(&|r| r.attitude[2]))
        .floats("range_m", f(&|r| r.range))
        .texts("event", rows.iter().map(|r| r.event))
        .texts("occupation", rows.iter().map(|r| r.occupation))
        .texts("point", rows.iter().map(|r| r.occupation.map(|o| o.split('#').next().unwrap_or(o))))
        .texts("aim", rows.iter().map(|r| Some(r.aim)))
        .texts("mark", rows.iter().map(|r| r.mark))
        .texts("crew", rows.iter().map(|r| r.crew))
        .ints_or_none("fix_run", rows.iter().map(|r| r.fix_run));
    b.finish().unwrap()
}

/// Files below one folder.
pub(crate) struct Folder(pub PathBuf);

impl Files for Folder {
    fn find(&self, pattern: &str) -> Result<Vec<(String, PathBuf)>, Problem> {
        if let Some((before, after)) = pattern.split_once('*') {
            let mut all: Vec<String> = std::fs::read_dir(&self.0).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
            all.retain(|n| n.starts_with(before) && n.ends_with(after));
            all.sort();
            return Ok(all.into_iter().map(|n| (n.clone(), self.0.join(n))).collect());
        }
        let path = self.0.join(pattern);
        if path.exists() {
            Ok(vec![(pattern.to_owned(), path)])
        } else {
            Err(Problem::new("data/no-file", format!("`{pattern}` does not exist")))
        }
    }
    fn resolve(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
    fn results(&self) -> PathBuf {
        self.0.clone()
    }
}

pub(crate) fn bind<St: Stage>(
    options: &str,
    schema: &Schema,
    rig: Option<&str>,
    reference: Option<&str>,
    folder: &std::path::Path,
) -> Result<Bound<St>, Vec<Problem>> {
    let options: serde_json::Value = serde_json::from_str(options).unwrap();
    let options: St::Options = serde_json::from_value(options).unwrap();
    let rig = rig.map(|r| serde_json::from_str(r).unwrap());
    let reference = reference.map(|r| serde_json::from_str(r).unwrap());
    let files = Folder(folder.to_owned());
    St::bind(
        options,
        &BindCx {
            inputs: std::slice::from_ref(schema),
            rig: rig.as_ref(),
            reference: reference.as_ref(),
            locality: None,
            files: &files,
            locked: None,
        },
    )
}

pub(crate) fn run<St: Stage>(bound: &Bound<St>, input: &Table, session: &str) -> (Table, Collect) {
    let world = Collect::default();
    let out = run_in(bound, input, session, &world).unwrap();
    (out, world)
}

/// Runs and checks that every row came out, was set aside or used up.
pub(crate) fn run_in<St: Stage>(bound: &Bound<St>, input: &Table, session: &str, world: &Collect) -> Result<Table, Problem> {
    let session = Session { name: session.to_owned(), files: vec![] };
    let before: usize = world.said().set_aside.iter().map(|s| s.3.rows()).sum();
    let used_before = world.said().used;
    let out = bound.stage.run(std::slice::from_ref(input), &Cx::new(world, "step", Some((0, &session))))?;
    out.check()?;
    assert_eq!(*out.schema, bound.output);
    let said = world.said();
    let aside: usize = said.set_aside.iter().map(|s| s.3.rows()).sum::<usize>() - before;
    let used = (said.used - used_before) as usize;
    let through = if used > 0 { used } else { out.rows() };
    assert_eq!(through + aside, input.rows(), "rows are conserved");
    Ok(out)
}

pub(crate) fn reasons(world: &Collect) -> String {
    world.said().set_aside.iter().map(|s| format!("{}:{}", s.1, s.3.rows())).collect::<Vec<_>>().join(" ")
}

/// Uniform in (0, 1) and unit normal numbers for tests: a 64-bit linear congruential generator with
/// a xorshift output (constants of Knuth's MMIX), and Box-Muller.
pub(crate) struct Dice(pub u64);

impl Dice {
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let mut x = self.0;
        x ^= x >> 33;
        x = x.wrapping_mul(0xff51_afd7_ed55_8ccd);
        x ^= x >> 33;
        ((x >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }
    pub(crate) fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}
