//! Models held against frame and datum, changes of datum, the rim of a grid, and what a model adds to the uncertainty.

use super::convert::HeightConvert;
use crate::fixture::{ELLIPSOID, bind, codes, place, plane, points, reference, run, shared, shown, write_gtx};
use pipeline_base::diag::Verdict;
use pipeline_base::reference::{DatumChange, Reference};
use pipeline_base::table::schema::Epoch;
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{Cx, Stage};
use std::path::Path;
use survey_geodesy::grids::GeoidGrid;

fn heights(datum: &str, grid: &str, model: &str, frame: &str, more: &str) -> String {
    format!(
        r#"{{"surface": "vertical-datum", "datum": "{datum}", "unit": "m",
            "geoid": {{"grid": "{grid}", "model": "{model}", "version": "1", "frame": "{frame}", "sigma_m": 0.01 {more}}}}}"#
    )
}

fn refused(reference: &Reference, frame: &str, at: (f64, f64)) -> (Vec<String>, String) {
    let table = points(frame, Epoch::Static, &[("A", at.0, at.1, 50.0)]);
    match bind::<HeightConvert>("{}", &table.schema, reference, Some(place(at.0, at.1, 50.0, Some(2025.5)))) {
        Ok(_) => (vec![], String::new()),
        Err(p) => (codes(&p).into_iter().map(str::to_owned).collect(), shown(&p)),
    }
}

#[test]
fn a_model_in_another_frame_than_its_own() {
    let Some(folder) = shared("data/grids") else { return };
    // EPSG:9230: NAD83(2011) to PRVD02 height through GEOID18.
    let at = (18.4, -66.1);
    let with = |frame: &str| {
        reference("EPSG:6319", "", "EPSG:6566", &heights("EPSG:6641", "us_noaa_g2018p0.tif", "GEOID18", frame, ""), 0.05, &folder)
    };
    assert_eq!(refused(&with("EPSG:6319"), "EPSG:6319", at).0, Vec::<String>::new());
    let mut itrf = with("EPSG:9989");
    itrf.delivery.epoch = Some(pipeline_base::reference::EpochText::Year(2025.5));
    let (found, text) = refused(&itrf, "EPSG:6319", at);
    assert_eq!(found, ["height/geoid-frame-mismatch"], "{text}");
    assert!(text.contains("EPSG:9230") && text.contains("1.87") && text.contains("`EPSG:6319` (NAD83(2011))"), "{text}");
    // The old frame of another model, under a name that says nothing: the file tells.
    let (found, text) = refused(&with("EPSG:4957"), "EPSG:6319", at);
    assert!(found.contains(&"height/geoid-frame-mismatch".to_owned()), "{text}");
}

#[test]
fn a_model_that_leads_to_another_datum() {
    let Some(folder) = shared("data/grids") else { return };
    let at = (52.0, 5.1);
    // EPSG:5425: NAP height to EVRF2000 height is an offset of -0.005 m, stated 0.1 m; NLGEO2018 leads to NAP (EPSG:9283).
    let with = |more: &str, budget| {
        reference(
            "EPSG:7931",
            "",
            "EPSG:25831",
            &heights("EPSG:5730", "nl_nsgi_nlgeo2018.tif", "NLGEO2018", "EPSG:7931", more),
            budget,
            &folder,
        )
    };
    let (found, text) = refused(&with("", 0.1), "EPSG:7931", at);
    assert_eq!(found, ["height/geoid-datum-mismatch"], "{text}");
    assert!(text.contains("-0.005 m") && text.contains("EPSG:5709"), "{text}");
    let leads = r#", "datum": "EPSG:5709""#;
    let (found, text) = refused(&with(leads, 0.05), "EPSG:7931", at);
    assert_eq!(found, ["frame/accuracy-over-budget"], "{text}");
    let mut wide = with(leads, 0.1);
    wide.budget.vertical_95_m = 0.3;
    let table = points("EPSG:7931", Epoch::Static, &[("A", at.0, at.1, 50.0)]);
    let here = Some(place(at.0, at.1, 50.0, None));
    let (changed, _) = run::<HeightConvert>("{}", &table, &wide, here);
    let nap = reference(
        "EPSG:7931",
        "",
        "EPSG:25831",
        &heights("EPSG:5709", "nl_nsgi_nlgeo2018.tif", "NLGEO2018", "EPSG:7931", ""),
        0.1,
        &folder,
    );
    let (plain, _) = run::<HeightConvert>("{}", &table, &nap, here);
    let (a, b) = (changed.floats("height_m").unwrap()[0], plain.floats("height_m").unwrap()[0]);
    assert!((a - b + 0.005).abs() < 1e-9, "{a} {b}");
    // 0.015 m before, the model 0.01 m, the change 0.1 m; the frames are the same.
    let sigma = changed.floats("sigma_up_m").unwrap()[0];
    assert!((sigma - (0.015_f64.powi(2) + 0.01_f64.powi(2) + 0.1_f64.powi(2)).sqrt()).abs() < 1e-12, "{sigma}");
    assert!((changed.floats("vertical_95_m").unwrap()[0] - 1.959_963_984_540_054 * sigma).abs() < 1e-9);
}

#[test]
fn a_second_official_change_and_one_by_hand() {
    let Some(folder) = shared("data/grids") else { return };
    let at = (51.5, -1.5);
    // EPSG:9562: ODN height to EVRF2019 mean-tide height is an offset of -0.17 m, stated 0.02 m.
    let with = |datum: &str, more: &str| {
        let mut r =
            reference("EPSG:7931", "", "EPSG:25830", &heights(datum, "uk_os_OSGM15_GB.tif", "OSGM15", "EPSG:7931", more), 0.05, &folder);
        r.budget.vertical_95_m = 0.2;
        r
    };
    let table = points("EPSG:7931", Epoch::Static, &[("A", at.0, at.1, 120.0)]);
    let here = Some(place(at.0, at.1, 120.0, None));
    let height = |r: &Reference| run::<HeightConvert>("{}", &table, r, here).0.floats("height_m").unwrap()[0];
    let odn = height(&with("EPSG:5701", ""));
    assert!((height(&with("EPSG:9390", r#", "datum": "EPSG:5701""#)) - odn + 0.17).abs() < 1e-9);
    let mut own = with("works datum", r#", "datum": "EPSG:5701""#);
    let change = DatumChange { offset_m: 12.345, accuracy_m: 0.01, source: "levelling of the works (invented)".into() };
    own.delivery.heights.change = Some(change.clone());
    assert!((height(&own) - odn - 12.345).abs() < 1e-9);
    // No number and no operation: it stops.
    own.delivery.heights.change = None;
    assert_eq!(refused(&own, "EPSG:7931", at).0, ["frame/unknown-crs"]);
    let none = with("EPSG:5703", r#", "datum": "EPSG:5701""#);
    let (found, text) = refused(&none, "EPSG:7931", at);
    assert_eq!(found, ["height/no-datum-change"], "{text}");
    // A number that nothing asks for.
    let mut idle = with("EPSG:5701", "");
    idle.delivery.heights.change = Some(change);
    assert_eq!(refused(&idle, "EPSG:7931", at).0, ["height/change-without-need"]);
}

#[test]
fn the_rim_of_a_grid_and_holes_beside_the_work() {
    let folder = tempfile::tempdir().unwrap();
    write_gtx(&folder.path().join("rim.gtx"), 26.0, -88.0, 0.1, 21, 21, |la, lo| {
        if (la - 27.0).abs() < 1e-9 && (lo + 87.0).abs() < 1e-9 { f64::NAN } else { plane(la, lo) }
    });
    let grid = GeoidGrid::at(&folder.path().join("rim.gtx")).unwrap();
    let around = |la, lo| grid.open().unwrap().surroundings(la, lo);
    // A plane of 0.5 m a degree to the north and -0.25 m to the east; a degree of latitude is 110.8 km here.
    let a = around(27.52, -87.45);
    assert!((a.slope_north_mm_per_km.unwrap() - 500.0 / 110.8).abs() < 0.02, "{a:?}");
    assert!((a.slope_east_mm_per_km.unwrap() + 250.0 / (111.32 * 27.52_f64.to_radians().cos())).abs() < 0.02, "{a:?}");
    assert!(!a.hole_beside && (a.edge_km.unwrap() - 0.48 * 110.8).abs() < 0.3, "{a:?}");
    assert!(around(27.15, -87.15).hole_beside);
    assert!(grid.separation_at(27.05, -87.05).unwrap().is_none());
    // At the very rim the slope is taken on one side.
    let rim = around(28.0, -87.5);
    assert!(rim.edge_km.unwrap() < 0.001 && (rim.slope_north_mm_per_km.unwrap() - 500.0 / 110.8).abs() < 0.02);
    let text = heights("works datum", "rim.gtx", "INVENTED", "EPSG:6319", "");
    let reference = reference("EPSG:6319", "", "EPSG:6345", &text, 0.05, folder.path());
    let table = points("EPSG:6319", Epoch::Static, &[("A", 27.9, -87.5, 1.0)]);
    let notes = |la, lo| bind::<HeightConvert>("{}", &table.schema, &reference, Some(place(la, lo, 1.0, None))).unwrap().notes;
    for (la, lo, said) in [(27.9, -87.5, true), (27.15, -87.15, true), (27.52, -87.45, false)] {
        let warns = notes(la, lo).iter().any(|p| p.finding.code == "height/near-geoid-edge" && p.finding.verdict == Verdict::Warn);
        assert_eq!(warns, said, "{la} {lo}");
    }
}

#[test]
fn a_model_that_breaks_the_budget() {
    let folder = tempfile::tempdir().unwrap();
    write_gtx(&folder.path().join("g.gtx"), 26.0, -88.5, 0.25, 13, 13, plane);
    let text = heights("works datum", "g.gtx", "INVENTED", "EPSG:6319", "");
    let mut reference = reference("EPSG:6319", "", "EPSG:6345", &text, 0.05, folder.path());
    let mut sigma = |s: f64| {
        reference.delivery.heights.geoid.as_mut().unwrap().sigma_m = s;
        reference.clone()
    };
    let at = (27.5, -87.0);
    // 1.96 times 0.05 m is more than the 0.08 m of the budget: no point can pass.
    let (found, text) = refused(&sigma(0.05), "EPSG:6319", at);
    assert_eq!(found, ["height/over-budget"], "{text}");
    assert!(text.contains("0.098 m at 95 %") && text.contains("0.018 m above"), "{text}");
    // 0.04 m alone passes; with the 0.015 m of the points it is 0.0837 m and they are held.
    let reference = sigma(0.04);
    let table = points("EPSG:6319", Epoch::Static, &[("A", at.0, at.1, 1.0), ("B", at.0, at.1, 1.0)]);
    let bound = bind::<HeightConvert>("{}", &table.schema, &reference, Some(place(at.0, at.1, 1.0, None))).unwrap();
    let world = Collect::new(Path::new("."));
    world.said().waivers.push(("height/over-budget".into(), "B".into(), "the surveyor: accepted".into()));
    let out = bound.stage.run(std::slice::from_ref(&table), &Cx::new(&world, "heights", None)).unwrap();
    assert_eq!(out.texts("point").unwrap(), [Some("B")]);
    let said = world.said();
    let held: Vec<_> = said.findings.iter().filter(|f| f.code == "height/over-budget").collect();
    assert_eq!(held.len(), 2);
    assert!(
        held[0].verdict == Verdict::Hold && held[0].point.as_deref() == Some("A") && held[0].what.contains("0.084 m in height"),
        "{held:?}"
    );
    assert!(held[1].waived.is_some());
    assert_eq!((said.set_aside.len(), said.set_aside[0].3.rows()), (1, 1));
}

#[test]
fn a_compound_and_the_heights_contradict_each_other() {
    let Some(folder) = shared("data/grids") else { return };
    let nap = heights("EPSG:5709", "nl_nsgi_nlgeo2018.tif", "NLGEO2018", "EPSG:7931", "");
    let with = |crs: &str, text: &str| reference("EPSG:7931", "", crs, text, 0.1, &folder);
    let at = (52.0, 5.1);
    for crs in ["EPSG:7415", "EPSG:28992+5709", "EPSG:28992+EPSG:5709", "EPSG:28992"] {
        assert_eq!(refused(&with(crs, &nap), "EPSG:7931", at).0, Vec::<String>::new(), "{crs}");
    }
    // The datum of the compound serves when `datum` is left out.
    let open = nap.replace(r#""datum": "EPSG:5709","#, "");
    assert_eq!(refused(&with("EPSG:7415", &open), "EPSG:7931", at).0, Vec::<String>::new());
    assert_eq!(refused(&with("EPSG:28992", &open), "EPSG:7931", at).0, ["height/no-datum"]);
    // EPSG:9286 is Amersfoort / RD New with NAP height too (`EPSG:28992+5730` says EVRF2000).
    let (found, text) = refused(&with("EPSG:28992+5730", &nap), "EPSG:7931", at);
    assert_eq!(found, ["frame/compound"], "{text}");
    assert!(text.contains("-0.005 m here"), "{text}");
    let problems = crate::reference::promised::contradictions(&with("EPSG:7415", ELLIPSOID), Some(place(at.0, at.1, 50.0, None)));
    assert!(codes(&problems) == ["frame/compound"] && problems[0].second_reference_key.as_deref() == Some("delivery.heights.surface"));
    let feet = nap.replace(r#""unit": "m""#, r#""unit": "ft""#);
    let problems = crate::reference::promised::contradictions(&with("EPSG:7415", &feet), None);
    assert!(codes(&problems) == ["frame/compound"] && shown(&problems).contains("3.28"), "{}", shown(&problems));
}
