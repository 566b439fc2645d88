//! Points moved in time inside one frame: by the rotation of a tectonic plate, or by a grid of velocities.
//!
//! The plates are those of published plate motion models (`plates.csv`). Their rates are relative to ITRF; the realisations
//! since ITRF2000 do not turn against each other, so a plate of one model serves in every one of them.

use super::crs::{Crs, block};
use super::ellipsoid::Ellipsoid;
use super::grid_lookup;
use super::pipeline::bad_name;
use crate::grids::ChosenGrid;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Motion;
use pipeline_base::table::schema::year_text;
use std::path::PathBuf;

const TABLE: &str = include_str!("plates.csv");

/// Rotation of a plate, arcseconds a year about X, Y and Z, position-vector convention.
#[derive(Clone, Debug, PartialEq)]
pub struct Plate {
    /// Model and plate, such as `ITRF2020 EURA`.
    pub name: String,
    /// Rates.
    pub rates: [f64; 3],
}

/// Every plate of the table.
#[must_use]
pub fn plates() -> Vec<Plate> {
    csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(TABLE.as_bytes())
        .records()
        .filter_map(Result::ok)
        .filter_map(|r| {
            let number = |i: usize| r.get(i)?.parse::<f64>().ok().map(|v| v / 1000.0);
            Some(Plate { name: format!("{} {}", r.get(0)?, r.get(1)?), rates: [number(2)?, number(3)?, number(4)?] })
        })
        .collect()
}

/// Steps of a pipeline that moves points of a frame to an epoch; longitude, latitude (deg), height (m), decimal year in.
#[derive(Clone, Debug)]
pub struct Steps {
    /// Text, beginning with `+step`.
    pub text: String,
    /// Grid that it reads.
    pub grid: Option<ChosenGrid>,
    /// What it is, in words.
    pub name: String,
}

/// The steps of a declared motion.
///
/// # Errors
/// `frame/no-motion`: neither or both of plate and grid, a plate that is not in the table, a grid that is not here, a frame
/// in which the rates do not hold.
pub fn steps(motion: &Motion, frame: &Crs, to_year: f64, folders: &[PathBuf], place: Option<Locality>) -> Result<Steps, Problem> {
    let refused = |what: String, key: &str| {
        block("frame/no-motion", what)
            .reference_key(key)
            .size("the motion of the ground between the two epochs, 0.01 to 0.10 m a year on most plates")
            .fix("give `motion.plate` from a published model, or `motion.velocity_grid` with its file beside the reference; each with `source` and `sigma_m_per_year`")
    };
    let year = year_text(to_year);
    let ellipsoid = ellipsoid(&frame.ellipsoid);
    let wrap = |step: &str| {
        format!(
            "+step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart {ellipsoid} {step} +step +inv +proj=cart {ellipsoid} +step +proj=unitconvert +xy_in=rad +xy_out=deg"
        )
    };
    match (&motion.plate, &motion.velocity_grid) {
        (Some(name), None) => {
            let wanted = |p: &Plate| p.name.eq_ignore_ascii_case(name.trim());
            let Some(plate) = plates().into_iter().find(wanted) else {
                let near = pipeline_base::near::hint(name, plates().iter().map(|p| p.name.as_str()));
                let near = if near.is_empty() { String::new() } else { format!("; {near}") };
                let all: Vec<String> = plates().into_iter().map(|p| p.name).collect();
                return Err(refused(format!("no plate is called `{name}`{near}"), "motion.plate").why(format!("known: {}", all.join(", "))));
            };
            if !frame.datum.contains("International Terrestrial Reference Frame")
                && !frame.datum.starts_with("World Geodetic System 1984")
                && !frame.datum.starts_with("IGS")
            {
                return Err(refused(format!("the rates of {} are not those of {}", plate.name, frame.title()), "motion.plate")
                    .why("plate motion models are made for ITRF; other frames turn with respect to it"));
            }
            let [x, y, z] = plate.rates;
            Ok(Steps {
                text: wrap(&format!(
                    "+step +inv +proj=helmert +drx={x:.6} +dry={y:.6} +drz={z:.6} +t_epoch={year} +convention=position_vector"
                )),
                grid: None,
                name: format!("plate {}", plate.name),
            })
        }
        (None, Some(grid)) => {
            if let Some(why) = bad_name(grid) {
                return Err(refused(format!("the name of the velocity grid `{grid}` cannot be used"), "motion.velocity_grid").why(why));
            }
            let Some(file) = grid_lookup::pick(grid, None, folders, place).map_err(|p| p.reference_key("motion.velocity_grid"))? else {
                return Err(refused(format!("the velocity grid `{grid}` is not on this machine"), "motion.velocity_grid")
                    .why("the network is never used, and a delivery is not left at another epoch than it says"));
            };
            Ok(Steps {
                text: wrap(&format!("+step +inv +proj=deformation +grids={grid} +t_epoch={year} {ellipsoid}")),
                grid: Some(file),
                name: format!("velocities of {grid}"),
            })
        }
        _ => Err(refused("`motion` needs either `plate` or `velocity_grid`, and not both".to_owned(), "motion")
            .why("two motions would be added, or none")),
    }
}

fn ellipsoid(e: &Ellipsoid) -> String {
    format!("+a={} +rf={}", e.a, 1.0 / e.f)
}

/// Two pipelines one after the other.
#[must_use]
pub fn joined(first: &str, then: &str) -> String {
    let first = first.trim();
    match first.strip_prefix("+proj=pipeline") {
        _ if first == "+proj=noop" => format!("+proj=pipeline {then}"),
        Some(steps) => format!("+proj=pipeline {} {then}", steps.trim()),
        None => format!("+proj=pipeline +step {first} {then}"),
    }
}
