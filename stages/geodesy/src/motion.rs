//! Points moved in time inside one frame: by the rotation of a tectonic plate, or by a grid of velocities.
//!
//! The plates are those of published plate motion models (`plates.csv`). Their rates are relative to ITRF; the realisations
//! since ITRF2000 do not turn against each other, so a plate of one model serves in every one of them.

use super::crs::{Crs, block};
use super::ellipsoid::Ellipsoid;
use super::pipeline::bad_name;
use super::shelf;
use crate::grids::Picked;
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
    pub grid: Option<Picked>,
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
            let Some(file) = shelf::pick(grid, None, folders, place).map_err(|p| p.reference_key("motion.velocity_grid"))? else {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operation::wish::shift;
    use pipeline_base::reference::{EpochText, Reference};
    use pipeline_base::table::Table;
    use pipeline_base::table::schema::Epoch;
    use stages::fixture::{ELLIPSOID, OBSERVATION, bind, codes, place, points, reference, run, shared, shown};
    use stages::reference::reproject::Reproject;

    fn to_year(frame: &str, year: f64, motion: Motion, folder: &std::path::Path) -> Reference {
        let mut r = reference(frame, OBSERVATION, frame, ELLIPSOID, 0.05, folder);
        r.delivery.epoch = Some(EpochText::Year(year));
        r.motion = Some(motion);
        r
    }

    fn plate(name: &str) -> Motion {
        Motion { plate: Some(name.into()), velocity_grid: None, sigma_m_per_year: 0.001, source: "test".into() }
    }

    fn position(table: &Table) -> [f64; 3] {
        let f = |n: &str| table.floats(n).unwrap()[0];
        [f("longitude_deg"), f("latitude_deg"), f("ellipsoidal_height_m")]
    }

    #[test]
    fn a_plate_against_the_official_operation() {
        // GDA2020 is ITRF2014 at 2020.0 on the Australian plate (EPSG:8049): moving there by the plate motion model of ITRF2014
        // must agree with the official parameters within their difference, 0.3 mm a year.
        let folder = tempfile::tempdir().unwrap();
        let at = (-37.81, 144.96, 50.0);
        let here = Some(place(at.0, at.1, at.2, Some(2025.5)));
        let table = points("EPSG:7912", Epoch::EachObservation, &[("A", at.0, at.1, at.2)]);
        let (moved, _) = run::<Reproject>("{}", &table, &to_year("EPSG:7912", 2020.0, plate("ITRF2014 AUST"), folder.path()), here);
        let mut official = reference("EPSG:7912", OBSERVATION, "EPSG:7843", ELLIPSOID, 0.05, folder.path());
        // The registry states 0.03 m for it, which the budget of the test's points would not bear.
        official.budget.horizontal_95_m = 0.3;
        let (gda, _) = run::<Reproject>("{}", &table, &official, here);
        let (apart, up) = shift(position(&moved), position(&gda));
        assert!(apart < 0.003 && up.abs() < 0.003, "{apart} {up}");
        // The golden value of the study is 0.328 m at Melbourne.
        let (whole, _) = shift([at.1, at.0, at.2], position(&moved));
        assert!((whole - 0.328).abs() < 0.003, "{whole}");
        assert_eq!(moved.schema.frame.as_ref().unwrap().epoch, Epoch::Fixed(2020.0));
        // 0.001 m a year over 5.5 years, on each axis half of the variance, on top of 0.01 m.
        let sigma = moved.floats("sigma_east_m").unwrap()[0];
        assert!((sigma - (0.01_f64.powi(2) + 0.0055_f64.powi(2) / 2.0).sqrt()).abs() < 1e-6, "{sigma}");
    }

    #[test]
    fn velocities_of_a_grid() {
        // PROJ's own deformation.gie: at 21.5 E 63 N one year of this grid moves a point by 4.9e-9 deg, -6.3e-9 deg and 8.3 mm.
        let Some(folder) = shared("data/reference_values/proj_test_grids") else { return };
        let grid = Motion {
            plate: None,
            velocity_grid: Some("nkgrf03vel_realigned_extract.tif".into()),
            sigma_m_per_year: 0.001,
            source: "test".into(),
        };
        let table = points("EPSG:9989", Epoch::Fixed(2010.0), &[("A", 63.0, 21.5, 0.0)]);
        let here = Some(place(63.0, 21.5, 0.0, Some(2010.0)));
        let mut r = to_year("EPSG:9989", 2020.0, grid, &folder);
        r.corrections.epoch = Some(EpochText::Year(2010.0));
        let (moved, _) = run::<Reproject>("{}", &table, &r, here);
        let [longitude, latitude, height] = position(&moved);
        assert!((longitude - 21.5 - 4.9e-8).abs() < 2e-9 && (latitude - 63.0 + 6.3e-8).abs() < 2e-9, "{longitude} {latitude}");
        assert!((height - 0.083).abs() < 0.001, "{height}");
    }

    #[test]
    fn a_motion_that_cannot_be_used() {
        let folder = tempfile::tempdir().unwrap();
        let table = points("EPSG:9989", Epoch::EachObservation, &[("A", 52.0, 5.0, 50.0)]);
        let here = Some(place(52.0, 5.0, 50.0, Some(2025.5)));
        let none = Motion { plate: None, velocity_grid: None, ..plate("") };
        let both = Motion { velocity_grid: Some("x.tif".into()), ..plate("ITRF2020 EURA") };
        let absent = Motion { plate: None, velocity_grid: Some("x.tif".into()), ..plate("") };
        for motion in [none, both, absent, plate("ITRF2020 EURO"), plate("EURA")] {
            let problems =
                bind::<Reproject>("{}", &table.schema, &to_year("EPSG:9989", 2020.0, motion, folder.path()), here).err().unwrap();
            assert_eq!(codes(&problems), ["frame/no-motion"], "{}", shown(&problems));
        }
        // Uncertain velocities over many years break the budget.
        let wild = Motion { sigma_m_per_year: 0.02, ..plate("ITRF2020 EURA") };
        let problems = bind::<Reproject>("{}", &table.schema, &to_year("EPSG:9989", 2020.0, wild, folder.path()), here).err().unwrap();
        assert_eq!(codes(&problems), ["frame/accuracy-over-budget"], "{}", shown(&problems));
        let good =
            bind::<Reproject>("{}", &table.schema, &to_year("EPSG:9989", 2020.0, plate("itrf2020 eura"), folder.path()), here).unwrap();
        assert!(good.notes.iter().any(|p| p.finding.code == "frame/epoch-sensitivity"));
    }

    #[test]
    fn pipelines_one_after_the_other() {
        assert_eq!(joined("+proj=noop", "+step +proj=noop"), "+proj=pipeline +step +proj=noop");
        assert_eq!(
            joined("+proj=pipeline +step +proj=cart", "+step +inv +proj=cart"),
            "+proj=pipeline +step +proj=cart +step +inv +proj=cart"
        );
        assert_eq!(joined("+proj=cart", "+step +inv +proj=cart"), "+proj=pipeline +step +proj=cart +step +inv +proj=cart");
        assert!(plates().len() >= 24 && plates().iter().all(|p| p.rates.iter().all(|r| r.abs() < 0.003)));
    }
}
