//! Places outside the area of use of a system.

use crate::area::Area;
use crate::crs::{Crs, block};
use crate::operation::request::place_of;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;

/// A place outside the area of use of a system: how far and where. Size and mend are the caller's.
pub fn beyond(crs: &Crs, area: &Area, place: Locality) -> Problem {
    let (km, side) = area.margin(place.latitude_deg, place.longitude_deg);
    block(
        "frame/outside-area",
        format!(
            "{} covers {}; the work at {} is {:.0} km {} of its {}ern limit ({})",
            crs.title(),
            area.title(),
            place_of(place),
            -km,
            side.word(),
            side.word(),
            area.limit(side)
        ),
    )
    .why("the geodesy library computes outside an area of use without a word")
}

/// The same, with what is known of its size and the usual mend.
#[must_use]
pub fn outside(crs: &Crs, area: &Area, place: Locality) -> Problem {
    beyond(crs, area, place)
        .size("unknown in m; outside its area a frame and the operations to it may be off by decimetres to hundreds of metres")
        .fix("name the frame that is used at this place")
}
