//! The columns of the points table, and where `average` finds what it needs.

use crate::budget;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Column, Holds, Role, Schema, Unit};

/// Names of the input columns, found by role when the job is planned.
#[derive(Clone, Debug, Default)]
pub(super) struct Names {
    pub occupation: String,
    pub point: String,
    pub time: String,
    pub position: [String; 3],
    pub epoch: Option<String>,
    pub session: Option<String>,
    pub file: Option<String>,
    pub lines: Option<(String, String)>,
    pub code: Option<String>,
    pub remark: Option<String>,
    pub diameter: Option<String>,
    pub surface: Option<String>,
    pub aim: Option<String>,
    pub fix: Option<String>,
    pub base: Option<String>,
    pub pdop: Option<String>,
    pub separation: Option<String>,
    pub range: Option<String>,
    pub tilt: Option<String>,
    pub assumed: Option<String>,
    pub mark: Option<String>,
    pub crew: Option<String>,
    pub receiver: Option<String>,
    pub fix_run: Option<String>,
    pub heading: Option<String>,
    /// East, north, up sigma and their correlation.
    pub sigma: Option<([String; 3], Option<String>)>,
    /// Whether `tilt-correct` gave covariances.
    pub covariances: bool,
    /// Whether it also gave the GNSS part of the noise.
    pub gnss_part: bool,
}

/// The six elements of a covariance, in the order of [`survey_mathematics::covariance::symmetric`].
pub(super) const SIX: [&str; 6] = ["ee", "en", "eu", "nn", "nu", "uu"];
/// The four elements of the GNSS part.
pub(super) const FOUR: [&str; 4] = ["ee", "en", "nn", "uu"];

fn floats(schema: &Schema, prefix: &str, elements: &[&str]) -> bool {
    elements.iter().all(|e| schema.named(&format!("{prefix}_{e}")).is_some_and(|c| c.holds == Holds::Float))
}

/// Finds the input columns.
pub(super) fn names(schema: &Schema, problems: &mut Vec<Problem>) -> Names {
    let maybe = |role: Role| schema.role(role).map(|c| c.name.clone());
    let named = |name: &str, holds: Holds| schema.named(name).filter(|c| c.holds == holds).map(|c| c.name.clone());
    let mut need = |role: Role| {
        maybe(role).unwrap_or_else(|| {
            let p = Problem::new("plan/missing-role", format!("`average` needs {}, and no column holds it", role.meaning()));
            problems.push(if matches!(role, Role::Occupation | Role::Point) {
                p.fix("put the stage `occupations` before `average`")
            } else {
                p
            });
            String::new()
        })
    };
    let mut n = Names {
        occupation: need(Role::Occupation),
        point: need(Role::Point),
        time: need(Role::Time),
        position: [need(Role::Latitude), need(Role::Longitude), need(Role::EllipsoidalHeight)],
        epoch: maybe(Role::Epoch),
        session: maybe(Role::Session),
        file: maybe(Role::File),
        lines: maybe(Role::LineFirst).zip(maybe(Role::LineLast)),
        code: maybe(Role::Code),
        remark: maybe(Role::Remark),
        diameter: maybe(Role::Diameter),
        surface: maybe(Role::Surface),
        aim: maybe(Role::Aim),
        fix: maybe(Role::Fix),
        base: maybe(Role::BaseStation),
        pdop: maybe(Role::Pdop),
        separation: maybe(Role::ReceiverSeparation),
        range: maybe(Role::Range),
        tilt: named("tilt_deg", Holds::Float),
        assumed: maybe(Role::SigmaAssumed),
        mark: named("mark", Holds::Text),
        crew: named("crew", Holds::Text),
        receiver: named("receiver", Holds::Text),
        fix_run: named("fix_run", Holds::Int),
        heading: maybe(Role::Heading),
        sigma: None,
        covariances: floats(schema, "random", &SIX) && floats(schema, "systematic", &SIX),
        gnss_part: floats(schema, "gnss", &FOUR),
    };
    n.sigma = match (maybe(Role::SigmaEast), maybe(Role::SigmaNorth), maybe(Role::SigmaUp)) {
        (Some(e), Some(north), Some(u)) => Some(([e, north, u], maybe(Role::CorrelationEastNorth))),
        _ => None,
    };
    if !n.covariances && n.sigma.is_none() {
        problems.push(
            Problem::new("plan/missing-role", "`average` needs the uncertainty of each epoch, and no column holds it")
                .why("a mean without an uncertainty cannot be judged against the budget")
                .fix("read a log with GST sentences, or give the job a rig with `gnss.assumed_sigma_horizontal_m` and `gnss.assumed_sigma_up_m`"),
        );
    }
    n
}

/// The points table.
#[must_use]
pub(super) fn output(input: &Schema, n: &Names) -> Schema {
    use Holds::{Bool, Float, Instant, Int, Text};
    let text = |name: &str, role: Role, known: bool| {
        let column = Column::maybe(name, Text, Unit::None, role);
        if known { Column { nullable: false, ..column } } else { column }
    };
    let metre = |name: &str, role: Role| Column::always(name, Float, Unit::Metre, role);
    let metre_or_none = |name: &str, role: Role| Column::maybe(name, Float, Unit::Metre, role);
    let whole = |name: &str, role: Role, known: bool| Column { nullable: !known, ..Column::maybe(name, Int, Unit::None, role) };
    let other = Role::Other;
    let always = |role: Role| input.role(role).is_some_and(|c| !c.nullable);
    let columns = vec![
        text("point", Role::Point, true),
        text("code", Role::Code, false),
        text("remark", Role::Remark, false),
        Column::maybe("diameter_mm", Float, Unit::Millimetre, Role::Diameter),
        text("surface", Role::Surface, false),
        text("aim", Role::Aim, false),
        text("session", Role::Session, always(Role::Session)),
        text("occupation", Role::Occupation, true),
        text("file", Role::File, always(Role::File)),
        whole("line_first", Role::LineFirst, n.lines.is_some() && always(Role::LineFirst)),
        whole("line_last", Role::LineLast, n.lines.is_some() && always(Role::LineLast)),
        Column::always("time_first", Instant, Unit::None, other),
        Column::always("time", Instant, Unit::None, Role::Time),
        Column::always("time_last", Instant, Unit::None, other),
        Column::always("latitude_deg", Float, Unit::Degree, Role::Latitude),
        Column::always("longitude_deg", Float, Unit::Degree, Role::Longitude),
        metre("ellipsoidal_height_m", Role::EllipsoidalHeight),
        metre("sigma_east_m", Role::SigmaEast),
        metre("sigma_north_m", Role::SigmaNorth),
        metre("sigma_up_m", Role::SigmaUp),
        Column::always("correlation_east_north", Float, Unit::None, Role::CorrelationEastNorth),
        metre("random_horizontal_m", other),
        metre("random_up_m", other),
        metre("systematic_horizontal_m", other),
        metre("systematic_up_m", other),
        metre("horizontal_95_m", other),
        metre("vertical_95_m", other),
        whole("epochs_used", other, true),
        whole("epochs_set_aside", other, true),
        Column::always("effective_epochs", Float, Unit::None, other),
        Column::always("span_s", Float, Unit::Second, other),
        metre_or_none("scatter_horizontal_m", other),
        metre_or_none("scatter_up_m", other),
        metre("formal_horizontal_m", other),
        metre("formal_up_m", other),
        Column::maybe("scatter_ratio", Float, Unit::None, other),
        text("fix", Role::Fix, false),
        text("base_station", Role::BaseStation, false),
        Column::maybe("pdop_max", Float, Unit::None, other),
        metre_or_none("receiver_separation_m", Role::ReceiverSeparation),
        metre_or_none("range_m", Role::Range),
        Column::maybe("tilt_max_deg", Float, Unit::Degree, other),
        Column::always("sigma_assumed", Bool, Unit::None, Role::SigmaAssumed),
        text("mark", other, false),
        text("crew", other, false),
        text("receiver", other, false),
        whole("fix_run_first", other, false),
        whole("fix_run_last", other, false),
        Column::maybe("heading_deg", Float, Unit::Degree, Role::Heading),
    ]
    .into_iter()
    .chain(budget::columns())
    .collect();
    Schema { columns, frame: input.frame.clone() }
}
