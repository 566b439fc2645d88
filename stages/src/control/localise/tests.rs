use super::*;
use crate::control::testing::{EASTING, NORTHING, Point, bind, reference, run, said, schema, table};
use crate::fixture::codes;

const HEAD: &str = "point,easting_m,northing_m,height_m,height_datum,crs,sigma_horizontal_m,sigma_up_m,source,date,use\n";

/// Marks of a site that is turned by 2 degrees and 0.25 m higher: name, offsets, use, added to the height.
fn marks(list: &[(&str, [f64; 2], &str, f64)]) -> String {
    let (s, c) = 2.0_f64.to_radians().sin_cos();
    let mut text = HEAD.to_owned();
    for (name, [x, y], used_as, up) in list {
        text += &format!(
            "{name},{:.4},{:.4},{:.4},Works datum,Works grid,0.005,0.005,traverse,2025-11-02,{used_as}\n",
            1000.0 + c * x - s * y,
            5000.0 + s * x + c * y,
            2.25 + up
        );
    }
    text
}

fn points(list: &[(&'static str, [f64; 2])]) -> Table {
    let rows: Vec<Point> =
        list.iter().enumerate().map(|(k, (name, at))| Point { session: "a", name, minute: k as i64, at: [at[0], at[1], 2.0] }).collect();
    table(&rows)
}

const FIVE: [(&str, [f64; 2]); 5] =
    [("CP1", [0.0, 0.0]), ("CP2", [400.0, 20.0]), ("CP3", [380.0, 300.0]), ("CP4", [10.0, 310.0]), ("CP5", [200.0, 160.0])];

fn folder(text: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("site.csv"), text).unwrap();
    folder
}

const OPTIONS: &str = r#"{"name": "Works grid", "control": ["site.csv"]}"#;

fn all_fit(up: f64) -> String {
    marks(&FIVE.map(|(n, at)| (n, at, "fit", if n == "CP2" { up } else { 0.0 })))
}

#[test]
fn a_turned_site_comes_out_and_a_later_job_uses_it() {
    let place = folder(&all_fit(0.0));
    let mut list = FIVE.to_vec();
    list.push(("V-01", [120.0, 90.0]));
    let (out, world) = run::<Localise>(OPTIONS, &[points(&list)], place.path(), &[]);
    assert_eq!((out.rows(), said(&world)), (6, vec!["control/fit".to_owned()]));
    let (s, c) = 2.0_f64.to_radians().sin_cos();
    let (e, n, h) = (out.floats("site_easting_m").unwrap(), out.floats("site_northing_m").unwrap(), out.floats("site_height_m").unwrap());
    assert!((e[5] - (1000.0 + c * 120.0 - s * 90.0)).abs() < 1e-3 && (n[5] - (5000.0 + s * 120.0 + c * 90.0)).abs() < 1e-3);
    assert!((h[5] - 2.25).abs() < 1e-6, "{}", h[5]);
    // The published coordinates stay.
    assert!((out.floats("easting_m").unwrap()[5] - EASTING - 120.0).abs() < 1e-9);
    let file = std::fs::read_to_string(place.path().join("site-system.json")).unwrap();
    let saved: Saved = serde_json::from_str(&file).unwrap();
    assert_eq!((saved.fitted.len(), saved.domain_m.len(), saved.checked), (5, 4, false));
    assert!(saved.accuracy_m[0].unwrap() < 1e-3);
    // A later job: the same numbers from the file, and no others from another name.
    let (again, _) = run::<Localise>(r#"{"name": "Works grid", "saved": "site-system.json"}"#, &[points(&list)], place.path(), &[]);
    assert_eq!(again.floats("site_easting_m").unwrap(), e);
    let other =
        bind::<Localise>(r#"{"name": "Other", "saved": "site-system.json"}"#, &[schema()], &reference(), place.path()).err().unwrap();
    assert_eq!(codes(&other), ["control/other-frame"]);
}

#[test]
fn the_definition_says_the_same_to_the_geodesy_library() {
    let place = folder(&all_fit(0.0));
    let (out, _) = run::<Localise>(OPTIONS, &[points(&FIVE)], place.path(), &[]);
    let saved = Saved::read("x", &place.path().join("site-system.json")).unwrap();
    let wkt = saved.wkt.unwrap();
    let proj = survey_geodesy::proj_context::ProjContext::new(&[]).unwrap();
    let (base, derived) = (proj.create("EPSG:6345").unwrap(), proj.create(&wkt).unwrap_or_else(|e| panic!("{e}: {wkt}")));
    let operations = proj.operations(&base, &derived, None, false);
    let pipeline = operations[0].normalized().unwrap();
    let (e, n) = (out.floats("site_easting_m").unwrap(), out.floats("site_northing_m").unwrap());
    for (k, (_, at)) in FIVE.iter().enumerate() {
        let got = pipeline.carry([EASTING + at[0], NORTHING + at[1], 0.0, f64::INFINITY]).unwrap();
        assert!((got[0] - e[k]).abs() < 1e-6 && (got[1] - n[k]).abs() < 1e-6, "{got:?} and {} {}", e[k], n[k]);
    }
}

#[test]
fn a_bust_in_one_mark_is_named_by_all_five() {
    let place = folder(&all_fit(-0.381));
    let (out, world) = run::<Localise>(OPTIONS, &[points(&FIVE)], place.path(), &[]);
    assert_eq!(out.rows(), 0);
    let said = world.said();
    let finding = said.findings.iter().find(|f| f.code == "control/fit-suspect").unwrap();
    assert!(finding.what.contains("`CP2`") && finding.size.contains("+0.381 m"), "{finding:#?}");
}

#[test]
fn t19_three_marks_and_a_plane_hold() {
    // CP2 is wrong by 0.381 m; it and CP4 were dropped by hand, and a plane goes through the three that are left.
    let place = folder(&marks(
        &FIVE.map(|(n, at)| (n, at, if n == "CP2" || n == "CP4" { "" } else { "fit" }, if n == "CP2" { -0.381 } else { 0.0 })),
    ));
    let mut list = FIVE.to_vec();
    list.extend([("DRV-1", [-60.0, 20.0]), ("V-1", [200.0, 165.0])]);
    let options = r#"{"name": "Works grid", "control": ["site.csv"], "height": "plane"}"#;
    let (out, world) = run::<Localise>(options, &[points(&list)], place.path(), &[]);
    assert_eq!(out.rows(), 0);
    let said = world.said();
    let blind = said.findings.iter().find(|f| f.code == "control/fit-is-blind" && f.what.contains("height")).unwrap();
    assert_eq!(blind.verdict, Verdict::Hold);
    assert!(
        blind.what.contains("0 redundant") && blind.size.contains("`CP2` against the others is") && blind.size.contains("0.381 m"),
        "{blind:#?}"
    );
    assert!(said.findings.iter().any(|f| f.code == "control/outside-fit" && f.point.as_deref() == Some("DRV-1")));
    assert!(said.findings.iter().any(|f| f.code == "control/fit-check-fails" && f.what.contains("`CP2`")));
    drop(said);
    // A waiver for each finding lets the points within go on, and the waivers are seen.
    let waive = [("control/fit-is-blind", "Works grid"), ("control/fit-check-fails", "Works grid")];
    let (out, _) = run::<Localise>(options, &[points(&list)], place.path(), &waive);
    assert!(out.rows() > 0 && out.rows() < list.len());
}

#[test]
fn scale_and_tilt_ring() {
    // A site that is 200 ppm larger, and a plane that one wrong mark tilts.
    let mut text = HEAD.to_owned();
    for (name, [x, y]) in FIVE {
        text += &format!(
            "{name},{:.4},{:.4},2.0,Works datum,Works grid,0.05,0.05,t,2025-11-02,fit\n",
            1000.0 + x * 1.0002,
            5000.0 + y * 1.0002
        );
    }
    let place = folder(&text);
    let options = r#"{"name": "Works grid", "control": ["site.csv"], "plan": "similarity", "must_find_m": 1}"#;
    let (_, world) = run::<Localise>(options, &[points(&FIVE)], place.path(), &[]);
    assert!(said(&world).contains(&"control/fit-scale".to_owned()), "{:?}", said(&world));
    let place = folder(&all_fit(-0.2).replace("0.005,0.005", "0.005,0.2"));
    let options = r#"{"name": "Works grid", "control": ["site.csv"], "height": "plane", "must_find_m": 9}"#;
    let (_, world) = run::<Localise>(options, &[points(&FIVE)], place.path(), &[]);
    assert!(said(&world).contains(&"control/fit-tilt".to_owned()), "{:?}", said(&world));
}

#[test]
fn ellipsoidal_heights_are_not_fitted() {
    let place = folder(&all_fit(0.0));
    let mut ellipsoidal = schema();
    if let Some(frame) = &mut ellipsoidal.frame {
        frame.heights = Heights::Ellipsoidal;
    }
    let problems = bind::<Localise>(OPTIONS, &[ellipsoidal], &reference(), place.path()).err().unwrap();
    assert_eq!(codes(&problems), ["control/fit-without-geoid"]);
}
