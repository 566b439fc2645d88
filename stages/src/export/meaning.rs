//! What a column means in words, and which confidence its number carries: what a client needs to
//! read the file without asking.

use pipeline_base::table::schema::{Column, Role, Unit};

/// The confidence level of a column that holds an uncertainty; `None` for any other column.
#[must_use]
pub(crate) fn confidence(column: &Column) -> Option<&'static str> {
    match column.role {
        Role::SigmaEast | Role::SigmaNorth | Role::SigmaUp => return Some("1 sigma (68 %), one axis, all contributors"),
        Role::Other => {}
        _ => return None,
    }
    let name = column.name.as_str();
    Some(match name {
        _ if name.contains("_95") && name.contains("horizontal") => "95 %, radial (horizontal, both axes together)",
        _ if name.contains("_95") => "95 %, one axis",
        _ if column.unit == Unit::SquareMetre => "variance or covariance, local east-north-up axes",
        "random_horizontal_m" | "systematic_horizontal_m" | "formal_horizontal_m" | "scatter_horizontal_m" => {
            "1 sigma, horizontal: root of the sum of the variances of the two axes"
        }
        "random_up_m" | "systematic_up_m" | "formal_up_m" | "scatter_up_m" => "1 sigma, one axis",
        _ if name.contains("sigma") && column.unit != Unit::None => "1 sigma",
        _ => return None,
    })
}

/// What a column means, in words.
#[must_use]
pub(crate) fn of(column: &Column) -> &'static str {
    match column.role {
        Role::Other => match column.name.as_str() {
            name if name.starts_with("budget_") => {
                "what one contributor adds to the variance of the point; `export-budget` says it in words"
            }
            "time_first" => "time of the first epoch used",
            "time_last" => "time of the last epoch used",
            "random_horizontal_m" => "random part of the horizontal uncertainty; shrinks with more independent epochs",
            "random_up_m" => "random part of the vertical uncertainty; shrinks with more independent epochs",
            "systematic_horizontal_m" => "systematic part of the horizontal uncertainty; does not shrink by averaging",
            "systematic_up_m" => "systematic part of the vertical uncertainty; does not shrink by averaging",
            "horizontal_95_m" => "horizontal uncertainty",
            "vertical_95_m" => "vertical uncertainty",
            "epochs_used" => "epochs in the mean",
            "epochs_set_aside" => "epochs of the occupation that were set aside",
            "effective_epochs" => "number of independent epochs that the mean is worth",
            "span_s" => "time from the first to the last epoch used",
            "scatter_horizontal_m" => "scatter of the epochs about their mean, horizontal",
            "scatter_up_m" => "scatter of the epochs about their mean, up",
            "formal_horizontal_m" => "horizontal uncertainty of one epoch as the receiver states it",
            "formal_up_m" => "vertical uncertainty of one epoch as the receiver states it",
            "scatter_ratio" => "scatter divided by the stated uncertainty of one epoch",
            "pdop_max" => "largest position dilution of the epochs used",
            "tilt_max_deg" => "largest tilt of the pole",
            "grid_convergence_deg" => "angle from grid north to true north at the point",
            "scale_factor" => "grid distance divided by ellipsoidal distance at the point",
            "combined_factor" => "grid distance divided by ground distance at the point and its ellipsoidal height",
            "height_of" => "the surface of the pipe that the height means",
            "moved_up_m" => "by how much the height was moved up from the surface that was shot, by the noted diameter",
            _ => "",
        },
        Role::Time => "time of measurement, UTC",
        Role::Latitude => "geodetic latitude in the datum of the delivery, north positive",
        Role::Longitude => "geodetic longitude in the datum of the delivery, east positive",
        Role::EllipsoidalHeight => "height above the ellipsoid of the datum",
        Role::ReceiverSeparation => "geoid separation of the receiver's own model; not used for the delivered height",
        Role::GeoidSeparation => "ellipsoidal height minus delivered height, from the geoid model",
        Role::Diameter => "outside diameter as the crew wrote it",
        role => role.meaning(),
    }
}

/// A unit in words.
#[must_use]
pub(crate) const fn unit(unit: Unit) -> &'static str {
    match unit {
        Unit::None => "",
        Unit::Metre => "metre",
        Unit::SquareMetre => "square metre",
        Unit::Foot => "international foot, 0.3048 m",
        Unit::UsSurveyFoot => "US survey foot, 1200/3937 m",
        Unit::Millimetre => "millimetre",
        Unit::Degree => "degree",
        Unit::DegreePerSecond => "degree per second",
        Unit::Second => "second",
        Unit::MetrePerSecond => "metre per second",
        Unit::Year => "decimal year",
    }
}
