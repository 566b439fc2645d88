//! Points moved in time through the stage.

use super::reproject::Reproject;
use crate::fixture::{ELLIPSOID, OBSERVATION, bind, codes, place, points, reference, run, shared, shown};
use pipeline_base::reference::Motion;
use pipeline_base::reference::{EpochText, Reference};
use pipeline_base::table::Table;
use pipeline_base::table::schema::Epoch;
use survey_geodesy::motion::*;
use survey_geodesy::operation::request::shift;

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
        let problems = bind::<Reproject>("{}", &table.schema, &to_year("EPSG:9989", 2020.0, motion, folder.path()), here).err().unwrap();
        assert_eq!(codes(&problems), ["frame/no-motion"], "{}", shown(&problems));
    }
    // Uncertain velocities over many years break the budget.
    let wild = Motion { sigma_m_per_year: 0.02, ..plate("ITRF2020 EURA") };
    let problems = bind::<Reproject>("{}", &table.schema, &to_year("EPSG:9989", 2020.0, wild, folder.path()), here).err().unwrap();
    assert_eq!(codes(&problems), ["frame/accuracy-over-budget"], "{}", shown(&problems));
    let good = bind::<Reproject>("{}", &table.schema, &to_year("EPSG:9989", 2020.0, plate("itrf2020 eura"), folder.path()), here).unwrap();
    assert!(good.notes.iter().any(|p| p.finding.code == "frame/epoch-sensitivity"));
}

#[test]
fn pipelines_one_after_the_other() {
    assert_eq!(joined("+proj=noop", "+step +proj=noop"), "+proj=pipeline +step +proj=noop");
    assert_eq!(joined("+proj=pipeline +step +proj=cart", "+step +inv +proj=cart"), "+proj=pipeline +step +proj=cart +step +inv +proj=cart");
    assert_eq!(joined("+proj=cart", "+step +inv +proj=cart"), "+proj=pipeline +step +proj=cart +step +inv +proj=cart");
    assert!(plates().len() >= 24 && plates().iter().all(|p| p.rates.iter().all(|r| r.abs() < 0.003)));
}
