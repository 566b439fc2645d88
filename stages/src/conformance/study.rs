//! Golden values of the study of what goes wrong, and of the tilt and laser case.

use pipeline_base::place::Locality;
use pipeline_base::table::schema::Epoch;
use std::path::{Path, PathBuf};
use survey_geodesy::ellipsoid::WGS84;
use survey_geodesy::operation::Operation;
use survey_geodesy::operation::request::{OperationRequest, shift};
use survey_geodesy::projection::Projection;

fn near(title: &str, got: &[f64], want: &[f64], tolerance: f64) {
    let worst = got.iter().zip(want).map(|(g, w)| (g - w).abs()).fold(0.0, f64::max);
    assert!(worst <= tolerance, "{title}: {got:?} in place of {want:?}");
}

/// Chooses by the rules of the product and carries one point: latitude, longitude, height, year.
fn choose(from: &str, to: &str, point: (f64, f64, f64), year: Option<f64>, budget: f64, folders: &[PathBuf]) -> Operation {
    let epoch = year.map_or(Epoch::Static, Epoch::Fixed);
    Operation::choose(&OperationRequest {
        from,
        from_epoch: epoch,
        from_key: "corrections.frame",
        from_epoch_key: "corrections.epoch",
        to,
        to_epoch: None,
        to_key: "delivery.crs",
        locality: Some(Locality {
            latitude_deg: point.0,
            longitude_deg: point.1,
            height_m: Some(point.2),
            receiver_separation_m: None,
            decimal_year: year,
        }),
        budget_m: budget,
        written: None,
        motion: None,
        folders,
        locked: None,
    })
    .unwrap_or_else(|p| panic!("{}", crate::fixture::shown(&p)))
}

fn carried(operation: &Operation, point: (f64, f64, f64), year: f64) -> (f64, f64, f64) {
    let proj = operation.proj().unwrap();
    let [lon, lat, h] = proj.create(&operation.pipeline).unwrap().carry([point.1, point.0, point.2, year]).unwrap();
    (lat, lon, h)
}

#[test]
fn convergence_and_scale() {
    // S-TILT-LASER-1 (09_intersection_localisation.csv): UTM zone 13 N west of its central meridian.
    let utm = Projection::plan("EPSG:32613").unwrap().at(40.020_576_1, -105.262_757_2).unwrap();
    near("convergence", &[utm.factors.convergence_deg], &[-0.168_970], 1e-5);
    near("scale", &[utm.factors.meridional], &[0.999_606_19], 1e-7);
    // P18 of the study: 1.66 deg in UTM 16 N at Lansing, east of the central meridian.
    near("Lansing", &[Projection::plan("EPSG:6345").unwrap().at(42.73, -84.55).unwrap().factors.convergence_deg], &[1.66], 0.01);
    // S-TILT-LASER-1: the offset from antenna to target, and both on the grid.
    let (lat, lon, h) = survey_geodesy::offset_enu(40.020_576_1, -105.262_757_2, 1564.691, -2.308_46, -1.289_09, -4.271_19, WGS84);
    near("target", &[lat, lon], &[40.020_564_493_1, -105.262_784_234_6], 5e-10);
    near("target h", &[h], &[1560.4198], 0.0005);
    let target = Projection::plan("EPSG:32613").unwrap().at(lat, lon).unwrap();
    near("target UTM", &[target.easting, target.northing], &[477575.5333, 4430072.7496], 0.0005);
    let (lat, lon, h) = survey_geodesy::offset_enu(40.020_576_1, -105.262_757_2, 1564.691, -0.278_25, 0.331_60, -1.952_59, WGS84);
    let tip = Projection::plan("EPSG:32613").unwrap().at(lat, lon).unwrap();
    near("tip UTM", &[tip.easting, tip.northing, h], &[477577.5670, 4430074.3633, 1562.7384], 0.0005);
}

#[test]
fn golden_shifts_of_the_study() {
    // what-goes-wrong.md section 2, PROJ 9.5.1: Lansing at 2025.5 and Melbourne.
    let lansing = (42.73, -84.55, 220.0);
    let (lat, lon, h) = carried(&choose("EPSG:9989", "EPSG:6319", lansing, Some(2025.5), 0.05, &[]), lansing, 2025.5);
    near("Lansing", &[lat, lon], &[42.729_991_403, -84.549_988_933], 6e-10);
    near("Lansing h", &[h], &[221.0903], 1e-4);
    let melbourne = (-37.8, 145.0, 50.0);
    let size = |from, year: Option<f64>| {
        let (lat, lon, h) = carried(&choose(from, "EPSG:7843", melbourne, year, 0.05, &[]), melbourne, year.unwrap_or(f64::INFINITY));
        shift([145.0, -37.8, 50.0], [lon, lat, h])
    };
    let (horizontal, up) = size("EPSG:4939", None);
    near("GDA94", &[horizontal, up], &[1.551, -0.089], 6e-4);
    near("ITRF2014", &[size("EPSG:7912", Some(2025.5)).0], &[0.328], 6e-4);
}

#[test]
fn without_the_grid_there_is_no_lesser_operation() {
    // Golden: ETRS89 to British National Grid without OSTN15 is a 3.0 m Helmert in the library; here a block.
    let wish = |folders: &[PathBuf]| {
        Operation::choose(&OperationRequest {
            from: "EPSG:4937",
            from_epoch: Epoch::Static,
            from_key: "corrections.frame",
            from_epoch_key: "corrections.epoch",
            to: "EPSG:4277",
            to_epoch: None,
            to_key: "delivery.crs",
            locality: Some(Locality {
                latitude_deg: 52.4,
                longitude_deg: -1.5,
                height_m: Some(100.0),
                receiver_separation_m: None,
                decimal_year: None,
            }),
            budget_m: 5.0,
            written: None,
            motion: None,
            folders,
            locked: None,
        })
    };
    let problems = wish(&[Path::new("/nonexistent").to_owned()]).unwrap_err();
    let text = crate::fixture::shown(&problems);
    eprintln!("{text}");
    assert_eq!(crate::fixture::codes(&problems), ["frame/grid-missing"]);
    assert!(text.contains("uk_os_OSTN15_NTv2_OSGBtoETRS.tif"), "{text}");
}

#[test]
fn golden_grid_of_the_study() {
    // Golden values of the study (PROJ 9.5.1): Lansing in Michigan South, metres and feet.
    let p = Projection::plan("EPSG:6498").unwrap().at(42.73, -84.55).unwrap();
    near("Michigan South m", &[p.easting, p.northing], &[3_984_986.889, 136_641.339], 0.0006);
    let p = Projection::plan("EPSG:6499").unwrap().at(42.73, -84.55).unwrap();
    near("Michigan South ft", &[p.easting, p.northing], &[13_074_103.966, 448_298.356], 0.0006);
}
