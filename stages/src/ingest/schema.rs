//! The columns of epochs that readers promise.

use pipeline_base::reference::Reference;
use pipeline_base::rig::Rig;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Role, Schema, Unit};

/// The schema of the epoch table.
///
/// The frame is the frame of the corrections, never "WGS 84". Without a rig the coordinates are
/// taken to mean the antenna's phase centre, the point that a receiver computes when it knows no
/// antenna.
#[must_use]
pub fn epoch_schema(reference: &Reference, rig: Option<&Rig>, with_event: bool) -> Schema {
    use Holds::{Bool, Float, Instant, Int, Text};
    use Unit::{Degree, DegreePerSecond, Metre, MetrePerSecond, None as No, Second};
    let mut columns = vec![
        Column::always("session", Text, No, Role::Session),
        Column::always("file", Text, No, Role::File),
        Column::always("line_first", Int, No, Role::LineFirst),
        Column::always("line_last", Int, No, Role::LineLast),
        Column::always("epoch", Int, No, Role::Epoch),
        Column::always("time", Instant, No, Role::Time),
        Column::maybe("latitude_deg", Float, Degree, Role::Latitude),
        Column::maybe("longitude_deg", Float, Degree, Role::Longitude),
        Column::maybe("ellipsoidal_height_m", Float, Metre, Role::EllipsoidalHeight),
        Column::maybe("receiver_separation_m", Float, Metre, Role::ReceiverSeparation),
        Column::always("fix", Text, No, Role::Fix),
        Column::maybe("quality_code", Int, No, Role::Other),
        Column::maybe("satellites", Int, No, Role::Satellites),
        Column::maybe("hdop", Float, No, Role::Hdop),
        Column::maybe("pdop", Float, No, Role::Pdop),
        Column::maybe("vdop", Float, No, Role::Vdop),
        Column::maybe("correction_age_s", Float, Second, Role::CorrectionAge),
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
        Column::maybe("turn_rate_deg_s", Float, DegreePerSecond, Role::TurnRate),
        Column::maybe("speed_m_s", Float, MetrePerSecond, Role::Speed),
    ];
    if with_event {
        columns.push(Column::maybe("event", Text, No, Role::Event));
    }
    let crs = reference.corrections.frame.clone();
    let name = survey_geodesy::Crs::look_up(&crs).map_or_else(|_| crs.clone(), |known| known.name);
    let frame = Frame {
        name,
        crs,
        axes: Axes::Geographic,
        epoch: reference.corrections.epoch.map_or(Epoch::Static, Epoch::from),
        heights: Heights::Ellipsoidal,
        point: rig.map_or(PhysicalPoint::AntennaPhaseCentre, |r| r.receiver_output),
    };
    Schema { columns, frame: Some(frame) }
}
