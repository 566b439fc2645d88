//! The traps of frames, epochs, units and areas: each must stop, with its size from the data.

use super::check_delivery;
use super::reproject::Reproject;
use crate::fixture as f;
use crate::fixture::{ELLIPSOID, OBSERVATION, bind, codes, navd88, place, plane, points, reference, run, shown, write_gtx};
use crate::height::convert::HeightConvert;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Epoch;

const LANSING: (f64, f64, f64) = (42.73, -84.55, 220.0);

fn lansing() -> Option<pipeline_base::place::Locality> {
    Some(place(LANSING.0, LANSING.1, LANSING.2, Some(2025.5)))
}

fn refused<S: pipeline_core::stage::Stage>(
    table: &pipeline_base::table::Table,
    reference: &pipeline_base::reference::Reference,
) -> Vec<Problem> {
    match bind::<S>("{}", &table.schema, reference, lansing()) {
        Ok(_) => panic!("it was accepted"),
        Err(problems) => {
            eprintln!("{}", shown(&problems));
            problems
        }
    }
}

#[test]
fn t02_ellipsoidal_heights_delivered_as_national() {
    let folder = tempfile::tempdir().unwrap();
    write_gtx(&folder.path().join("g.gtx"), 42.0, -86.0, 0.5, 5, 5, |_, _| -33.58);
    let reference = reference("EPSG:9989", OBSERVATION, "EPSG:6498", &navd88("g.gtx", "EPSG:6319", "m"), 0.05, folder.path());
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let (grid, _) = run::<Reproject>("{}", &table, &reference, lansing());
    let problems = check_delivery(grid.schema.frame.as_ref().unwrap(), &reference, lansing().as_ref());
    eprintln!("{}", shown(&problems));
    assert_eq!(codes(&problems), ["height/receiver-geoid"]);
    let text = shown(&problems);
    assert!(text.contains("-34.900 m") && text.contains("-33.580 m") && text.contains("1.320 m"), "{text}");
}

#[test]
fn t03_grid_missing() {
    let folder = tempfile::tempdir().unwrap();
    let reference = reference("EPSG:6319", "", "EPSG:6498", &navd88("us_noaa_g2018u0.tif", "EPSG:6319", "m"), 0.05, folder.path());
    let table = points("EPSG:6319", Epoch::Static, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let problems = refused::<HeightConvert>(&table, &reference);
    assert_eq!(codes(&problems), ["height/geoid-missing"]);
    let text = shown(&problems);
    // Golden: the registry's path with GEOID18 is stated at 0.015 m.
    assert!(
        text.contains("0.015 m") && text.contains("us_noaa_g2018u0.tif") && text.contains("-34.9 m here") && text.contains("proj-data"),
        "{text}"
    );
}

#[test]
fn t04_wgs_84_as_the_source() {
    let folder = tempfile::tempdir().unwrap();
    let reference = reference("EPSG:4979", OBSERVATION, "EPSG:6498", ELLIPSOID, 0.05, folder.path());
    let table = points("EPSG:4979", Epoch::EachObservation, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let problems = refused::<Reproject>(&table, &reference);
    // T07 comes with it: the best operation from the group states 2 m.
    assert_eq!(codes(&problems), ["frame/ensemble-source", "frame/accuracy-over-budget"]);
    let text = shown(&problems);
    // Golden: 0.000 m by the code, 1.317 m and +1.090 m by ITRF2020 at 2025.5.
    assert!(
        text.contains("shift of 0.000 m") && text.contains("1.317 m and +1.090 m") && text.contains("between 0.000 m and 1.317 m"),
        "{text}"
    );
    // A budget as wide as the group lets it pass.
    let mut wide = reference.clone();
    wide.budget.operation_m = 2.0;
    assert!(bind::<Reproject>("{}", &table.schema, &wide, lansing()).is_ok());
}

#[test]
fn t06_no_epoch() {
    let folder = tempfile::tempdir().unwrap();
    let reference = reference("EPSG:9989", "", "EPSG:6498", ELLIPSOID, 0.05, folder.path());
    let table = points("EPSG:9989", Epoch::Static, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let problems = refused::<Reproject>(&table, &reference);
    assert_eq!(codes(&problems), ["frame/no-epoch"]);
    // Golden: 0.276 m without an epoch, 0.018 m a year.
    assert!(shown(&problems).contains("0.276 m horizontally") && shown(&problems).contains("0.018 m each year"), "{}", shown(&problems));
    // Without a date in the log: the growth alone.
    let undated = bind::<Reproject>("{}", &table.schema, &reference, Some(place(LANSING.0, LANSING.1, LANSING.2, None))).err().unwrap();
    assert!(shown(&undated).contains("0.018 m here for each year"), "{}", shown(&undated));
}

#[test]
fn t07_accuracy_over_budget() {
    let folder = tempfile::tempdir().unwrap();
    // ITRF2014 to GDA2020 is stated at 0.03 m.
    let reference = reference("EPSG:7912", OBSERVATION, "EPSG:7855", ELLIPSOID, 0.01, folder.path());
    let table = points("EPSG:7912", Epoch::EachObservation, &[("A", -37.8, 145.0, 50.0)]);
    let problems = bind::<Reproject>("{}", &table.schema, &reference, Some(place(-37.8, 145.0, 50.0, Some(2025.5)))).err().unwrap();
    eprintln!("{}", shown(&problems));
    assert_eq!(codes(&problems), ["frame/accuracy-over-budget"]);
    assert!(shown(&problems).contains("0.030 m"));
    let mut wide = reference.clone();
    wide.budget.operation_m = 0.03;
    assert!(bind::<Reproject>("{}", &table.schema, &wide, Some(place(-37.8, 145.0, 50.0, Some(2025.5)))).is_ok());
}

#[test]
fn t08_feet_feet_metres() {
    let folder = tempfile::tempdir().unwrap();
    let reference = reference("EPSG:6319", "", "EPSG:6499", ELLIPSOID, 0.05, folder.path());
    let table = points("EPSG:6319", Epoch::Static, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let problems = refused::<Reproject>(&table, &reference);
    assert_eq!(codes(&problems), ["frame/mixed-units"]);
    let text = shown(&problems);
    // Golden: E 13074103.966 ft, N 448298.356 ft, Z 220.000 m.
    assert!(text.contains("E 13074103.966 ft N 448298.356 ft Z 220.000 m") && text.contains("3.28"), "{text}");
    // With heights in the same foot it passes.
    write_gtx(&folder.path().join("g.gtx"), 42.0, -86.0, 0.5, 5, 5, |_, _| -33.58);
    let feet = f::reference("EPSG:6319", "", "EPSG:6499", &navd88("g.gtx", "EPSG:6319", "ft"), 0.05, folder.path());
    let (heights, _) = run::<HeightConvert>("{}", &table, &feet, lansing());
    let (grid, _) = run::<Reproject>("{}", &heights, &feet, lansing());
    assert!((grid.floats("easting_ft").unwrap()[0] - 13_074_103.966).abs() < 1e-3);
    assert!((grid.floats("height_ft").unwrap()[0] - 253.58 / 0.3048).abs() < 1e-4);
    // The survey foot beside the foot does not.
    let two = f::reference("EPSG:6319", "", "EPSG:6499", &navd88("g.gtx", "EPSG:6319", "ftUS"), 0.05, folder.path());
    let (heights, _) = run::<HeightConvert>("{}", &table, &two, lansing());
    assert_eq!(codes(&bind::<Reproject>("{}", &heights.schema, &two, lansing()).err().unwrap()), ["frame/mixed-units"]);
}

#[test]
fn t10_wrong_zone() {
    let folder = tempfile::tempdir().unwrap();
    write_gtx(&folder.path().join("g.gtx"), 42.0, -86.0, 0.5, 5, 5, |_, _| -33.58);
    let reference = reference("EPSG:6319", "", "EPSG:6494", &navd88("g.gtx", "EPSG:6319", "ft"), 0.05, folder.path());
    let table = points("EPSG:6319", Epoch::Static, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let (heights, _) = run::<HeightConvert>("{}", &table, &reference, lansing());
    let problems = refused::<Reproject>(&heights, &reference);
    assert_eq!(codes(&problems), ["frame/outside-area"]);
    let text = shown(&problems);
    // Golden: 119 km south of 43.80 N; E 19635747.464 ft, N -213872.576 ft; EPSG:6499 contains the job.
    assert!(
        text.contains("119 km south")
            && text.contains("43.800 N")
            && text.contains("N -213872.576 ft")
            && text.contains("E 19635747.464 ft"),
        "{text}"
    );
    assert!(text.contains("`EPSG:6499`"), "{text}");
}

#[test]
fn one_point_outside_the_area_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let reference = reference("EPSG:6319", "", "EPSG:6498", ELLIPSOID, 0.05, folder.path());
    let table = points("EPSG:6319", Epoch::Static, &[("A", LANSING.0, LANSING.1, LANSING.2), ("FAR", 47.0, -84.55, 200.0)]);
    let (_, said) = run::<Reproject>("{}", &table, &reference, lansing());
    let findings = &said.said().findings;
    assert!(findings.len() == 1 && findings[0].code == "frame/outside-area" && findings[0].place == "`FAR`", "{findings:?}");
}

#[test]
fn heights_first_then_another_datum() {
    let folder = tempfile::tempdir().unwrap();
    write_gtx(&folder.path().join("g.gtx"), 42.0, -86.0, 0.5, 5, 5, plane);
    let reference = reference("EPSG:9989", OBSERVATION, "EPSG:6498", &navd88("g.gtx", "EPSG:7912", "m"), 0.05, folder.path());
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let (heights, _) = run::<HeightConvert>("{}", &table, &reference, lansing());
    let problems = refused::<Reproject>(&heights, &reference);
    assert_eq!(codes(&problems), ["frame/heights-already-converted"]);
}

#[test]
fn not_a_horizontal_system() {
    let folder = tempfile::tempdir().unwrap();
    let table = points("EPSG:6319", Epoch::Static, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    for (crs, code) in [
        ("EPSG:6499+8228", "frame/compound"),
        ("EPSG:5703", "frame/not-horizontal"),
        ("EPSG:0", "frame/unknown-crs"),
        ("Michigan South", "frame/unknown-crs"),
        ("EPSG:2048", "frame/axes"),
        ("EPSG:4087", "frame/spherical-formula"),
    ] {
        let reference = reference("EPSG:6319", "", crs, ELLIPSOID, 0.05, folder.path());
        let problems = refused::<Reproject>(&table, &reference);
        assert_eq!(codes(&problems), [code], "{crs}");
        assert_eq!(problems[0].reference_key.as_deref(), Some("delivery.crs"));
    }
}

#[test]
fn an_operation_written_by_hand() {
    let folder = tempfile::tempdir().unwrap();
    let mut reference = reference("EPSG:4979", OBSERVATION, "EPSG:6498", ELLIPSOID, 0.05, folder.path());
    reference.corrections.frame = "EPSG:9989".to_owned();
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let (registry, _) = run::<Reproject>("{}", &table, &reference, lansing());
    let text = bind::<Reproject>("{}", &table.schema, &reference, lansing()).unwrap().decided[0].1["pipeline"].as_str().unwrap().to_owned();
    reference.operation = Some(pipeline_base::reference::Operation {
        pipeline: text,
        accuracy_m: 0.02,
        source: "test".to_owned(),
        area: None,
        checks: vec![],
    });
    let (by_hand, _) = run::<Reproject>("{}", &table, &reference, lansing());
    assert_eq!(registry.floats("easting_m").unwrap(), by_hand.floats("easting_m").unwrap());
    assert!(by_hand.floats("sigma_up_m").unwrap()[0] > registry.floats("sigma_up_m").unwrap()[0]);
    for (pipeline, accuracy, code) in [
        ("+proj=nonsense", 0.02, "frame/bad-pipeline"),
        ("+proj=utm +zone=16", 0.02, "frame/bad-pipeline"),
        ("EPSG:6498", 0.02, "frame/bad-pipeline"),
        ("+proj=noop", 0.06, "frame/accuracy-over-budget"),
    ] {
        reference.operation = Some(pipeline_base::reference::Operation {
            pipeline: pipeline.to_owned(),
            accuracy_m: accuracy,
            source: "test".to_owned(),
            area: None,
            checks: vec![],
        });
        assert_eq!(codes(&refused::<Reproject>(&table, &reference)), [code], "{pipeline}");
    }
}

#[test]
fn grid_matrix_of_an_operation_of_the_registry() {
    // Ordnance Survey test file, TP04 (50.57563665 N, 1.29782277 W): E 449816.371, N 75335.861 by OSTN15.
    use crate::fixture::{bind_locked, shared};
    use pipeline_base::pin::{Locked, MadeWith};
    use pipeline_base::place::Extent;
    const GRID: &str = "uk_os_OSTN15_NTv2_OSGBtoETRS.tif";
    let Some(source) = shared("data/grids").map(|f| f.join(GRID)) else { return };
    let good = std::fs::read(source).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join(GRID);
    let reference = reference("EPSG:4937", "", "EPSG:27700", &navd88("g.gtx", "EPSG:4937", "m"), 0.1, folder.path());
    let mut table = points("EPSG:4937", Epoch::Static, &[("TP04", 50.575_636_65, -1.297_822_772_4, 94.688)]);
    let mut schema = (*table.schema).clone();
    schema.frame.as_mut().unwrap().heights = pipeline_base::table::schema::Heights::Vertical {
        datum: "EPSG:5701".into(),
        model: "OSGM15".into(),
        version: "2015".into(),
        sha256: String::new(),
        unit: pipeline_base::table::schema::Unit::Metre,
    };
    table.schema = std::sync::Arc::new(schema);
    let here = Some(place(50.575_6, -1.297_8, 94.688, None));
    let bound = |locked| bind_locked::<Reproject>("{}", &table.schema, &reference, here, locked);

    let absent = bound(None).err().unwrap();
    assert_eq!(codes(&absent), ["frame/grid-missing"]);
    assert!(shown(&absent).contains(GRID) && shown(&absent).contains("gunter grids add"), "{}", shown(&absent));
    std::fs::write(&file, &good).unwrap();
    let present = bound(None).unwrap();
    // A published file with its published bytes needs no word.
    assert!(present.notes.is_empty(), "{}", shown(&present.notes));
    let decided = serde_json::to_string(&present.decided).unwrap();
    assert!(decided.contains("inside the") && decided.contains("coverage") && decided.contains("\"present\":true"), "{decided}");
    let probes = Extent::at(50.575_6, -1.297_8, Some(94.7), None).probes();
    let pins = pipeline_core::stage::Stage::pins(&present.stage, &probes).unwrap();
    assert_eq!(pins[0].grids.len(), 1);
    let made_with = MadeWith { program: "p".into(), library: "l".into(), registry: "r".into() };
    let locked = Some(Locked { made_with: &made_with, pins: &pins });
    let held = bound(locked).unwrap();
    assert!(held.notes.is_empty(), "{}", shown(&held.notes));

    // One byte, far from the work: the probes agree, the bytes do not, and the job stops all the same.
    let mut bad = good.clone();
    *bad.last_mut().unwrap() ^= 1;
    std::fs::write(&file, &bad).unwrap();
    let changed = bound(locked).err().unwrap();
    assert_eq!(codes(&changed), ["lock/grid-differs"]);
    assert!(shown(&changed).contains("0.000 m horizontally"), "{}", shown(&changed));
    assert_eq!(codes(&bound(None).err().unwrap()), ["grids/other-bytes"]);
    // Renamed, and gone.
    std::fs::rename(&file, folder.path().join("ostn15.tif")).unwrap();
    assert_eq!(codes(&bound(locked).err().unwrap()), ["lock/grid-differs"]);
    assert_eq!(codes(&bound(None).err().unwrap()), ["frame/grid-missing"]);
    // Outside: a place where the frame may be used and the grid ends.
    std::fs::write(&file, &good).unwrap();
    let outside = bind::<Reproject>("{}", &table.schema, &reference, Some(place(40.4, -3.7, 700.0, None))).err().unwrap();
    assert!(codes(&outside).iter().all(|c| c.starts_with("frame/")), "{}", shown(&outside));
}

#[test]
fn a_change_of_epoch_is_not_made_silently() {
    let folder = tempfile::tempdir().unwrap();
    let mut reference = reference("EPSG:9989", OBSERVATION, "EPSG:9989", ELLIPSOID, 0.05, folder.path());
    reference.delivery.epoch = Some(pipeline_base::reference::EpochText::Year(2020.0));
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    assert_eq!(codes(&refused::<Reproject>(&table, &reference)), ["frame/epoch-change"]);
}

#[test]
fn a_delivery_that_is_not_as_promised() {
    let folder = tempfile::tempdir().unwrap();
    let reference = reference("EPSG:9989", OBSERVATION, "EPSG:6498", ELLIPSOID, 0.05, folder.path());
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let mut frame = table.schema.frame.clone().unwrap();
    frame.point = pipeline_base::table::schema::PhysicalPoint::AntennaReferencePoint;
    let problems = check_delivery(&frame, &reference, lansing().as_ref());
    assert_eq!(codes(&problems), ["frame/not-as-promised", "frame/not-the-target"]);
    assert!(shown(&problems).contains("1.317 m horizontally"), "{}", shown(&problems));
}

#[test]
fn a_european_job_states_what_its_authority_states() {
    // The registry cannot say better than 0.1 m from a realisation to the group ETRS89; the reference can.
    let folder = tempfile::tempdir().unwrap();
    let here = Some(place(52.0, 13.0, 80.0, Some(2025.5)));
    let mut reference = reference("EPSG:7931", OBSERVATION, "EPSG:25833", ELLIPSOID, 0.05, folder.path());
    let table = points("EPSG:7931", Epoch::EachObservation, &[("A", 52.0, 13.0, 80.0)]);
    let said = bind::<Reproject>("{}", &table.schema, &reference, here).err().unwrap();
    assert_eq!(codes(&said), ["frame/accuracy-over-budget"], "{}", shown(&said));
    reference.operation = Some(pipeline_base::reference::Operation {
        pipeline: "+proj=noop".to_owned(),
        accuracy_m: 0.01,
        source: "test".to_owned(),
        area: None,
        checks: vec![],
    });
    let (grid, _) = run::<Reproject>("{}", &table, &reference, here);
    assert!((grid.floats("easting_m").unwrap()[0] - 362_705.0).abs() < 500.0);
}

#[test]
fn t09_the_other_foot_is_told_at_planning() {
    let folder = tempfile::tempdir().unwrap();
    write_gtx(&folder.path().join("g.gtx"), 42.0, -86.0, 0.5, 5, 5, |_, _| -33.58);
    let reference = reference("EPSG:6319", "", "EPSG:6499+8228", &navd88("g.gtx", "EPSG:6319", "ft"), 0.05, folder.path());
    let table = points("EPSG:6319", Epoch::Static, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let (heights, _) = run::<HeightConvert>("{}", &table, &reference, lansing());
    let bound = bind::<Reproject>("{}", &heights.schema, &reference, lansing()).unwrap();
    let note = bound.notes.iter().find(|p| p.finding.code == "frame/two-feet").unwrap();
    // Golden value of the study: 7.970 m in easting and 0.273 m in northing at Lansing.
    assert!(note.finding.what.contains("+7.970 m in easting and +0.273 m in northing"), "{}", note.finding.what);
    let feet = bound.decided.iter().find(|(k, _)| k == "both_feet").unwrap();
    assert!(feet.1["ft"].as_str().unwrap().contains("13074103.96") && feet.1["ftUS"].as_str().unwrap().contains("13074077.81"), "{feet:?}");
}

#[test]
fn what_another_epoch_would_do() {
    let folder = tempfile::tempdir().unwrap();
    let mut reference = reference("EPSG:9989", OBSERVATION, "EPSG:6498", ELLIPSOID, 0.05, folder.path());
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let said = |table: &pipeline_base::table::Table, r: &pipeline_base::reference::Reference| {
        let notes = bind::<Reproject>("{}", &table.schema, r, lansing()).unwrap().notes;
        notes.iter().find(|p| p.finding.code == "frame/epoch-sensitivity").map(|p| p.finding.what.clone())
    };
    // Golden: 0.276 m between 2010.0 and 2025.5, 0.018 m a year.
    let text = said(&table, &reference).unwrap();
    assert!(text.contains("0.276 m horizontally") && text.contains("2010.0") && text.contains("0.0178 m"), "{text}");
    // A stated epoch beside a log of another year.
    reference.corrections.epoch = Some(pipeline_base::reference::EpochText::Year(2010.0));
    let table = points("EPSG:9989", Epoch::Fixed(2010.0), &[("A", LANSING.0, LANSING.1, LANSING.2)]);
    let text = said(&table, &reference).unwrap();
    assert!(text.contains("0.276 m horizontally") && text.contains("2025.5 (the date of the log)"), "{text}");
    // Frames that stand still have no epoch to be wrong about.
    let still = f::reference("EPSG:6319", "", "EPSG:6498", ELLIPSOID, 0.05, folder.path());
    assert!(said(&points("EPSG:6319", Epoch::Static, &[("A", LANSING.0, LANSING.1, LANSING.2)]), &still).is_none());
}
