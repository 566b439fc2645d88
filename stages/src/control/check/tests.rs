use super::*;
use crate::control::testing::{EASTING, NORTHING, Point, bind, reference, run, said, schema, table};
use crate::fixture::{codes, shown};

const HEAD: &str = "point,easting_m,northing_m,height_m,height_datum,crs,epoch,sigma_horizontal_m,sigma_up_m,source,date,use\n";

fn control(folder: &tempfile::TempDir, marks: &[(&str, [f64; 3], &str)]) {
    let mut text = HEAD.to_owned();
    for (name, at, used_as) in marks {
        text += &format!(
            "{name},{:.3},{:.3},{:.3},Saltgrass 2026,EPSG:6345,,0.004,0.005,static survey,2026-02-11,{used_as}\n",
            EASTING + at[0],
            NORTHING + at[1],
            at[2]
        );
    }
    std::fs::write(folder.path().join("control.csv"), text).unwrap();
}

fn point(session: &'static str, name: &'static str, minute: i64, at: [f64; 3]) -> Point {
    Point { session, name, minute, at }
}

/// A session with checks before and after two points.
fn session(name: &'static str, start: i64, first: [f64; 3], last: [f64; 3]) -> Vec<Point> {
    vec![
        point(name, "CP1", start, first),
        point(name, "V-01", start + 5, [20.0, 30.0, 0.5]),
        point(name, "V-02", start + 9, [25.0, 33.0, 0.4]),
        point(name, "CP2", start + 15, last),
    ]
}

const OPTIONS: &str = r#"{"control": ["control.csv"], "horizontal_limit_m": 0.05, "vertical_limit_m": 0.05}"#;

fn two_marks() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    control(&folder, &[("CP1", [2.0, 0.7, 2.2], ""), ("CP2", [89.0, 22.9, 2.4], "check")]);
    folder
}

#[test]
fn good_before_and_after() {
    let folder = two_marks();
    let rows = session("a", 0, [2.008, 0.704, 2.21], [88.99, 22.905, 2.391]);
    let (out, world) = run::<ControlCheck>(OPTIONS, &[table(&rows)], folder.path(), &[]);
    assert_eq!(out.rows(), 4);
    assert_eq!(said(&world), ["control/statistics"]);
    let text = std::fs::read_to_string(folder.path().join("control-check.csv")).unwrap();
    assert!(text.contains("a,CP1,") && text.contains(",good,0.0080,0.0040,0.0100,"), "{text}");
    let json: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(folder.path().join("control-check.json")).unwrap()).unwrap();
    assert_eq!(json["statistics"]["checks"], 2);
    assert_eq!(world.said().delivered.len(), 2);
}

#[test]
fn a_session_without_a_check_after_is_held_and_can_be_waived() {
    let folder = two_marks();
    let mut rows = session("a", 0, [2.008, 0.704, 2.21], [88.99, 22.905, 2.391]);
    rows.extend(session("b", 60, [2.003, 0.703, 2.20], [89.003, 22.9, 2.4]).into_iter().take(3));
    let (out, world) = run::<ControlCheck>(OPTIONS, &[table(&rows)], folder.path(), &[]);
    assert_eq!((out.rows(), world.said().set_aside.len()), (4, 1));
    let finding = world.said().findings.iter().find(|f| f.code == "control/no-check").cloned().unwrap();
    assert!(finding.what.contains("`b`") && finding.what.contains("after its last point") && finding.waived.is_none());
    let (out, world) = run::<ControlCheck>(OPTIONS, &[table(&rows)], folder.path(), &[("control/no-check", "b")]);
    assert_eq!(out.rows(), 7);
    assert!(world.said().findings.iter().any(|f| f.waived.is_some()));
    // One check is enough where the job says so.
    let once = OPTIONS.replace('}', r#", "rule": "once"}"#);
    let (out, _) = run::<ControlCheck>(&once, &[table(&rows)], folder.path(), &[]);
    assert_eq!(out.rows(), 7);
}

#[test]
fn a_wrong_height_is_told_with_both_limits() {
    let folder = two_marks();
    let rows = session("a", 0, [2.0, 0.7, 4.2], [89.0, 22.9, 4.4]);
    let (out, world) = run::<ControlCheck>(OPTIONS, &[table(&rows)], folder.path(), &[]);
    assert_eq!(out.rows(), 0);
    let said = world.said();
    let finding = said.findings.iter().find(|f| f.code == "control/difference").unwrap();
    assert!(finding.what.contains("dH +2.000 m") && finding.size.contains("limit of 0.050 m") && finding.size.contains("99 %"));
    assert!(said.findings.iter().any(|f| f.code == "control/session-fails" && f.verdict == Verdict::Hold));
}

#[test]
fn small_and_certain_against_large_and_uncertain() {
    // 0.045 m passes a flat limit of 0.05 m, and not an uncertainty of 0.011 m.
    let folder = two_marks();
    let rows = session("a", 0, [2.045, 0.7, 2.2], [89.0, 22.9, 2.4]);
    let (_, world) = run::<ControlCheck>(OPTIONS, &[table(&rows)], folder.path(), &[]);
    let said = world.said();
    let finding = said.findings.iter().find(|f| f.code == "control/difference").unwrap();
    assert!(finding.size.contains("combined uncertainty") && !finding.size.contains("over the limit"), "{}", finding.size);
}

#[test]
fn the_base_and_fitted_marks_are_no_checks() {
    // S9: a check point that was also used in the fit.
    let folder = tempfile::tempdir().unwrap();
    control(&folder, &[("CP1", [2.0, 0.7, 2.2], "base"), ("CP2", [89.0, 22.9, 2.4], "fit")]);
    let rows = session("a", 0, [2.001, 0.7, 2.2], [89.0, 22.901, 2.4]);
    let (out, world) = run::<ControlCheck>(OPTIONS, &[table(&rows)], folder.path(), &[]);
    assert_eq!(out.rows(), 0, "nothing checked the session");
    let codes = said(&world);
    assert_eq!(codes.iter().filter(|c| *c == "control/not-independent").count(), 2, "{codes:?}");
    assert!(codes.contains(&"control/no-check".to_owned()));
}

#[test]
fn control_taken_from_the_delivery_is_circular() {
    let folder = two_marks();
    let rows = session("a", 0, [2.0, 0.7, 2.2], [89.0, 22.9, 2.4]);
    let (_, world) = run::<ControlCheck>(OPTIONS, &[table(&rows)], folder.path(), &[]);
    assert!(said(&world).contains(&"control/circular".to_owned()));
}

fn refused(line: &str) -> Vec<Problem> {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("control.csv"), line).unwrap();
    let problems = bind::<ControlCheck>(OPTIONS, &[schema()], &reference(), folder.path()).err().unwrap();
    eprintln!("{}", shown(&problems));
    problems
}

#[test]
fn another_frame_or_height_system_is_refused_with_its_size() {
    let geographic = "point,latitude_deg,longitude_deg,ellipsoidal_height_m,crs,epoch,sigma_horizontal_m,sigma_up_m,source,date\n";
    let problems = refused(&format!("{geographic}CP1,27.52,-86.61,-22.4,EPSG:9989,2026.2,0.01,0.01,x,2026-02-11\n"));
    assert_eq!(codes(&problems), ["control/other-frame"]);
    // ITRF2020 against NAD83(2011) is 1 to 2 m apart here (S-NAD83-WGS84 of checks/05_fault_magnitudes.csv).
    let size = &problems[0].finding.size;
    let metres: f64 = size.split(' ').next().unwrap().parse().unwrap();
    assert!((0.5..2.0).contains(&metres), "{size}");
    let problems = refused(&format!("{HEAD}CP1,1,2,3,Other datum,EPSG:6345,,0.01,0.01,x,2026-02-11,\n"));
    assert_eq!(codes(&problems), ["control/other-heights"]);
}

/// From NAD83(2011) to ITRF2020 at 2026.2 by the operation of the registry.
fn to_itrf2020() -> survey_geodesy::operation::Operation {
    survey_geodesy::operation::Operation::choose(&survey_geodesy::operation::request::OperationRequest {
        from: "EPSG:6319",
        from_epoch: pipeline_base::table::schema::Epoch::Static,
        from_key: "x",
        from_epoch_key: "x",
        to: "EPSG:9989",
        to_epoch: Some(pipeline_base::table::schema::Epoch::Fixed(2026.2)),
        to_key: "x",
        locality: Some(crate::fixture::place(27.52, -86.61, 0.0, Some(2026.2))),
        budget_m: 0.1,
        written: None,
        motion: None,
        folders: &[],
        locked: None,
    })
    .unwrap()
}

#[test]
fn the_official_operation_only_on_demand() {
    let folder = tempfile::tempdir().unwrap();
    let rows = session("a", 0, [2.0, 0.7, 2.2], [89.0, 22.9, 2.4]);
    let points = table(&rows);
    // The same places in ITRF2020 at 2026.2, by the operation of the registry, as an agency would publish them.
    let operation = to_itrf2020();
    let proj = survey_geodesy::proj_context::ProjContext::new(&[]).unwrap();
    let object = proj.create(&operation.pipeline).unwrap();
    let (lat, lon, h) =
        (points.floats("latitude_deg").unwrap(), points.floats("longitude_deg").unwrap(), points.floats("ellipsoidal_height_m").unwrap());
    let mut text = "point,latitude_deg,longitude_deg,ellipsoidal_height_m,crs,epoch,sigma_horizontal_m,sigma_up_m,source,date\n".to_owned();
    for (row, name) in [(0, "CP1"), (3, "CP2")] {
        let [x, y, z] = object.carry([lon[row], lat[row], h[row], 2026.2]).unwrap();
        text += &format!("{name},{y:.10},{x:.10},{z:.4},EPSG:9989,2026.2,0.01,0.01,agency,2026-02-11\n");
    }
    std::fs::write(folder.path().join("control.csv"), text).unwrap();
    let problems = bind::<ControlCheck>(OPTIONS, &[schema()], &reference(), folder.path()).err().unwrap();
    assert_eq!(codes(&problems), ["control/other-frame"]);
    let official = OPTIONS.replace('}', r#", "operation": "official"}"#);
    let bound = bind::<ControlCheck>(&official, &[schema()], &reference(), folder.path()).unwrap_or_else(|p| panic!("{}", shown(&p)));
    assert!(bound.decided.iter().any(|(k, _)| k == "operations"));
    let differences = bound.stage.comparison.differences(&points).unwrap();
    assert_eq!(differences.len(), 2);
    for d in &differences {
        assert!(d.enu_m[0].hypot(d.enu_m[1]) < 0.001 && d.up_m.unwrap().abs() < 0.001, "{d:?}");
    }
    // Ellipsoidal control leaves the geoid unchecked, and that is said.
    assert!(bound.notes.iter().any(|n| n.finding.code == "control/geoid-unchecked"));
}

#[test]
fn another_grid_of_the_same_datum_is_exact_and_noticed() {
    let folder = tempfile::tempdir().unwrap();
    let rows = session("a", 0, [2.0, 0.7, 2.2], [89.0, 22.9, 2.4]);
    let points = table(&rows);
    let (lat, lon) = (points.floats("latitude_deg").unwrap(), points.floats("longitude_deg").unwrap());
    let zone = survey_geodesy::projection::Projection::plan("EPSG:6346").unwrap();
    let mut text = HEAD.to_owned();
    for (row, name) in [(0, "CP1"), (3, "CP2")] {
        let at = zone.at(lat[row], lon[row]).unwrap();
        text += &format!("{name},{:.4},{:.4},,,EPSG:6346,,0.004,,deed,2026-02-11,\n", at.easting - 0.1, at.northing);
    }
    std::fs::write(folder.path().join("control.csv"), text).unwrap();
    let bound = bind::<ControlCheck>(OPTIONS, &[schema()], &reference(), folder.path()).unwrap_or_else(|p| panic!("{}", shown(&p)));
    assert!(bound.notes.iter().any(|n| n.finding.code == "control/other-grid"));
    for d in bound.stage.comparison.differences(&points).unwrap() {
        assert!((d.grid_m[0] - 0.1).abs() < 2e-4 && d.grid_m[1].abs() < 2e-4, "{d:?}");
        assert_eq!(d.up_m, None);
    }
}

const GEOGRAPHIC: &str = "point,latitude_deg,longitude_deg,ellipsoidal_height_m,crs,epoch,sigma_horizontal_m,sigma_up_m,source,date,use\n";

/// Marks whose list says NAD83(2011) and holds these places (latitude, longitude, ellipsoidal height).
fn listed(folder: &tempfile::TempDir, marks: &[(&str, [f64; 3])]) {
    let mut text = GEOGRAPHIC.to_owned();
    for (name, [la, lo, h]) in marks {
        text += &format!("{name},{la:.10},{lo:.10},{h:.4},EPSG:6319,,0.004,0.006,static survey,2026-02-11,\n");
    }
    std::fs::write(folder.path().join("control.csv"), text).unwrap();
}

/// The places of the delivered points at the marks (rows 0 and 3).
fn places(points: &Table) -> [[f64; 3]; 2] {
    let column = |name: &str| points.floats(name).unwrap().into_owned();
    let (la, lo, h) = (column("latitude_deg"), column("longitude_deg"), column("ellipsoidal_height_m"));
    [0, 3].map(|row| [la[row], lo[row], h[row]])
}

fn finding(world: &pipeline_core::stage::cx::Collect, code: &str) -> Option<Diagnostic> {
    world.said().findings.iter().find(|f| f.code == code).cloned()
}

#[test]
fn a_stream_in_the_frame_of_the_list_is_named() {
    // T05: the stream is in NAD83(2011), the reference says ITRF2020, so the shift is applied once too often.
    let folder = tempfile::tempdir().unwrap();
    let rows = session("a", 0, [2.0, 0.7, 2.2], [89.0, 22.9, 2.4]);
    let points = table(&rows);
    let reference = reference();
    let delivered: Vec<crate::archive::delivered::Point> = places(&points)
        .iter()
        .map(|[la, lo, h]| crate::archive::delivered::Point {
            name: String::new(),
            latitude_deg: *la,
            longitude_deg: *lo,
            ellipsoidal_m: Some(*h),
            height_m: None,
            year: Some(2026.2),
        })
        .collect();
    // What the stream said: the numbers that the job took for ITRF2020. The list has the same numbers in NAD83(2011).
    let stream =
        crate::inspect::frames::Measured::of_points(&delivered, "EPSG:6319", pipeline_base::table::schema::Epoch::Static, Some(&reference))
            .unwrap();
    let marks: Vec<(&str, [f64; 3])> =
        ["CP1", "CP2"].into_iter().zip(stream.marks.iter().map(|(_, la, lo, h)| [la + 2e-8, lo - 1e-8, h.unwrap() + 0.004])).collect();
    listed(&folder, &marks);
    let (out, world) = run::<ControlCheck>(OPTIONS, std::slice::from_ref(&points), folder.path(), &[]);
    assert_eq!(out.rows(), 0);
    let said = finding(&world, "frame/other-frame-fits").unwrap_or_else(|| panic!("{:#?}", world.said().findings));
    assert!(
        said.verdict == Verdict::Block && said.what.contains("EPSG:6319") && said.fix.contains("corrections.frame: EPSG:6319"),
        "{said:#?}"
    );
    // ITRF2020 against NAD83(2011) is 1 to 2 m here (S-NAD83-WGS84 of checks/05_fault_magnitudes.csv).
    let metres: f64 = said.size.split(' ').next().unwrap().parse().unwrap();
    assert!((0.5..2.0).contains(&metres), "{}", said.size);
    let json: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(folder.path().join("control-check.json")).unwrap()).unwrap();
    assert!(json["frames"]["declared_fits"] == false && json["frames"]["declared"].as_str().unwrap().contains("EPSG:9989"), "{json:#}");
    // One mark alone proves nothing: it is named, and the session is held as before.
    listed(&folder, &marks[..1]);
    let once = OPTIONS.replace('}', r#", "rule": "once"}"#);
    let (_, world) = run::<ControlCheck>(&once, std::slice::from_ref(&points), folder.path(), &[]);
    assert_eq!(finding(&world, "frame/other-frame-fits").unwrap().verdict, Verdict::Warn);
    // Right as declared: nothing is accused, and the declared frame is named with the statistics.
    let right: Vec<(&str, [f64; 3])> =
        ["CP1", "CP2"].into_iter().zip(places(&points).map(|[la, lo, h]| [la + 2e-8, lo, h + 0.004])).collect();
    listed(&folder, &right);
    let (out, world) = run::<ControlCheck>(OPTIONS, &[points], folder.path(), &[]);
    assert_eq!(out.rows(), 4);
    assert!(finding(&world, "frame/other-frame-fits").is_none());
    assert!(finding(&world, "control/statistics").unwrap().why.contains("fit the declared `EPSG:9989`"));
}

#[test]
fn a_list_on_the_ground_is_named_and_a_small_factor_too() {
    // S13, P29: the list is the grid times 1.00012, 65 m in easting here.
    let folder = tempfile::tempdir().unwrap();
    let scaled = |k: f64, at: [f64; 3]| [(EASTING + at[0]) * k - EASTING, (NORTHING + at[1]) * k - NORTHING, at[2]];
    let (first, last) = ([2.0, 0.7, 2.2], [1489.0, 922.9, 2.4]);
    let rows = session("a", 0, first, last);
    control(&folder, &[("CP1", scaled(1.000_12, first), ""), ("CP2", scaled(1.000_12, last), "")]);
    let (out, world) = run::<ControlCheck>(OPTIONS, &[table(&rows)], folder.path(), &[]);
    assert_eq!(out.rows(), 0);
    let said = finding(&world, "frame/ground-scale").unwrap_or_else(|| panic!("{:#?}", world.said().findings));
    assert!(said.verdict == Verdict::Block && said.what.contains("+120.0 ppm"), "{said:#?}");
    // 45 ppm (of coordinates to the millimetre) about the middle of the work: 0.04 m at each mark pass the limit, and over 1.75 km they are 0.08 m.
    let about = |at: [f64; 3]| [(at[0] - 745.5) * 1.000_045 + 745.5, (at[1] - 461.8) * 1.000_045 + 461.8, at[2]];
    let wide = OPTIONS.replace("\"horizontal_limit_m\": 0.05", "\"horizontal_limit_m\": 0.1, \"confidence_pct\": 99.99");
    control(&folder, &[("CP1", about(first), ""), ("CP2", about(last), "")]);
    let (out, world) = run::<ControlCheck>(&wide, &[table(&rows)], folder.path(), &[]);
    assert_eq!(out.rows(), 4);
    let said = finding(&world, "frame/ground-scale").unwrap_or_else(|| panic!("{:#?}", world.said().findings));
    assert!(said.verdict == Verdict::Warn && said.what.contains("+44."), "{said:#?}");
}

#[test]
fn the_position_of_the_base_is_compared_when_the_job_is_planned() {
    let folder = tempfile::tempdir().unwrap();
    listed(&folder, &[("0417", [27.52, -86.61, -22.4])]);
    let mut reference = reference();
    reference.corrections.base_station = Some("0417".to_owned());
    reference.corrections.frame = "EPSG:6319".to_owned();
    reference.corrections.epoch = None;
    let mut with = |la: f64, lo: f64, h: f64| {
        reference.corrections.base_position =
            Some(pipeline_base::reference::GeographicPoint { latitude_deg: la, longitude_deg: lo, ellipsoidal_height_m: h });
        bind::<ControlCheck>(OPTIONS, &[schema()], &reference, folder.path())
    };
    assert!(with(27.52, -86.61, -22.4).is_ok());
    // Set with its ITRF2020 numbers, as a positioning service gives them.
    let operation = to_itrf2020();
    let proj = survey_geodesy::proj_context::ProjContext::new(&[]).unwrap();
    let [lo, la, h] = proj.create(&operation.pipeline).unwrap().carry([-86.61, 27.52, -22.4, 2026.2]).unwrap();
    let problems = with(la, lo, h).err().unwrap();
    assert_eq!(codes(&problems), ["frame/other-frame-fits"], "{}", shown(&problems));
    assert_eq!(problems[0].reference_key.as_deref(), Some("corrections.base_position"));
    // ITRF2014 and ITRF2020 differ by millimetres: either may be named.
    assert!(problems[0].finding.what.contains("ITRF20"), "{}", problems[0].finding.what);
    // No frame: a wrong antenna height.
    assert_eq!(codes(&with(27.52, -86.61, -20.9).err().unwrap()), ["frame/no-frame-fits"]);
}

#[test]
fn its_own_operation_is_in_the_lock() {
    let folder = tempfile::tempdir().unwrap();
    let text = GEOGRAPHIC.to_owned() + "CP1,27.52,-86.61,-22.4,EPSG:9989,2026.2,0.01,0.01,agency,2026-02-11,\n";
    std::fs::write(folder.path().join("control.csv"), text).unwrap();
    let official = OPTIONS.replace('}', r#", "operation": "official"}"#);
    let bound = bind::<ControlCheck>(&official, &[schema()], &reference(), folder.path()).unwrap_or_else(|p| panic!("{}", shown(&p)));
    let probes = pipeline_base::place::Extent::at(27.52, -86.61, Some(-22.4), Some(2026.2)).probes();
    let pins = bound.stage.pins(&probes).unwrap();
    assert_eq!(pins.len(), 1);
    assert_eq!((pins[0].part.as_str(), pins[0].to.as_str()), ("operation to EPSG:9989 at 2026.2", "EPSG:9989"));
    let made_with = pipeline_base::pin::MadeWith { program: "p".into(), library: "PROJ 9.0".into(), registry: "EPSG v1".into() };
    let files = crate::control::testing::Folder(folder.path().to_owned());
    let reference = reference();
    let again = |pins: &[pipeline_base::pin::Pin]| {
        let cx = BindCx {
            inputs: &[schema()],
            rig: None,
            reference: Some(&reference),
            locality: Some(crate::fixture::place(27.52, -86.61, -22.4, Some(2026.2))),
            files: &files,
            locked: Some(pipeline_base::pin::Locked { made_with: &made_with, pins }),
        };
        ControlCheck::bind(serde_json::from_str(&official).unwrap(), &cx)
    };
    let held = again(&pins).unwrap_or_else(|p| panic!("{}", shown(&p)));
    assert!(held.decided.iter().any(|(_, v)| v.to_string().contains("as locked: 5 of 5")), "{:?}", held.decided);
    // Another year's parameters, and a lock that knows nothing of it.
    let mut other = pins[0].clone();
    other.pipeline = other.pipeline.replacen("+x=", "+x=-1", 1);
    assert_eq!(codes(&again(&[other]).err().unwrap()), ["lock/differs"]);
    assert_eq!(codes(&again(&[]).err().unwrap()), ["lock/stale"]);
}
