//! Heights: the demo chain, the matrix of grids, published values.

use super::convert::HeightConvert;
use crate::fixture as f;
use crate::fixture::{bind, codes, navd88, place, plane, points, reference, run, shown, write_gtx};
use crate::reference::reproject::Reproject;
use pipeline_base::diag::Verdict;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Epoch, Heights, Holds, Role};
use pipeline_core::stage::cx::Collect;
use pipeline_core::stage::{Cx, Stage};
use std::path::Path;
use survey_geodesy::grids::GeoidGrid;

const GULF: (f64, f64, f64) = (27.5, -87.0, 12.0);

fn gulf(folder: &Path) -> pipeline_base::reference::Reference {
    write_gtx(&folder.join("invented.gtx"), 26.0, -88.5, 0.25, 13, 13, plane);
    reference("EPSG:9989", f::OBSERVATION, "EPSG:6345", &navd88("invented.gtx", "EPSG:6319", "m"), 0.05, folder)
}

#[test]
fn the_chain_from_itrf_to_grid_and_height() {
    let folder = tempfile::tempdir().unwrap();
    let reference = gulf(folder.path());
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", GULF.0, GULF.1, GULF.2), ("B", 27.501, -87.002, 11.5)]);
    let here = Some(place(GULF.0, GULF.1, GULF.2, Some(2025.5)));
    let (heights, said) = run::<HeightConvert>("{}", &table, &reference, here);
    let (lat, lon) = (heights.floats("latitude_deg").unwrap(), heights.floats("longitude_deg").unwrap());
    let (h, n, up) = (
        heights.floats("ellipsoidal_height_m").unwrap(),
        heights.floats("geoid_separation_m").unwrap(),
        heights.floats("height_m").unwrap(),
    );
    for i in 0..2 {
        assert!((n[i] - plane(lat[i], lon[i])).abs() < 2e-6, "{} {}", n[i], plane(lat[i], lon[i]));
        assert!((up[i] - (h[i] - n[i])).abs() < 1e-12);
        assert!((lat[i] - table.floats("latitude_deg").unwrap()[i]).abs() > 1e-6, "the frame did not change");
    }
    let frame = heights.schema.frame.clone().unwrap();
    assert_eq!((frame.crs.as_str(), frame.epoch), ("EPSG:6319", Epoch::Static));
    assert!(matches!(frame.heights, Heights::Vertical { ref datum, .. } if datum == "EPSG:5703"));
    assert_eq!(heights.schema.role(Role::Height).unwrap().name, "height_m");
    // Geoid 0.02 m joins 0.015 m; the registry states 0 m for this operation.
    assert!((heights.floats("sigma_up_m").unwrap()[0] - 0.025).abs() < 1e-12);
    assert!((heights.floats("systematic_up_m").unwrap()[0] - 0.02_f64.hypot(0.004)).abs() < 1e-12);
    assert!((heights.floats("vertical_95_m").unwrap()[0] - 1.959_964 * 0.025).abs() < 1e-6);
    let findings = &said.said().findings;
    assert_eq!(findings.len(), 1);
    assert_eq!((findings[0].code.as_str(), findings[0].verdict), ("height/receiver-geoid-difference", Verdict::Note));

    let (grid, said) = run::<Reproject>("{}", &heights, &reference, here);
    assert!(said.said().findings.is_empty());
    let (e, north) = (grid.floats("easting_m").unwrap(), grid.floats("northing_m").unwrap());
    // Central meridian of zone 16 is 87 W: about 500 km east of the false origin, scale 0.9996.
    assert!((e[0] - 500_000.0).abs() < 2.0 && e[1] < e[0] && north[1] > north[0]);
    assert!((grid.floats("scale_factor").unwrap()[0] - 0.9996).abs() < 1e-7);
    assert!(grid.floats("grid_convergence_deg").unwrap()[0].abs() < 1e-4);
    assert_eq!(grid.floats("height_m").unwrap(), up, "the grid changes no height");
    assert!(crate::reference::check_delivery(grid.schema.frame.as_ref().unwrap(), &reference, here.as_ref()).is_empty());
}

#[test]
fn rows_without_a_position_stay_without() {
    let folder = tempfile::tempdir().unwrap();
    let reference = gulf(folder.path());
    let nan = f64::NAN;
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", nan, nan, nan), ("B", 27.5, -87.0, 1.0), ("C", 27.5, -87.0, nan)]);
    let (out, said) = run::<HeightConvert>("{}", &table, &reference, Some(place(27.5, -87.0, 1.0, None)));
    let height = out.floats("height_m").unwrap();
    assert!(height[0].is_nan() && height[1].is_finite() && height[2].is_nan());
    assert!(said.said().findings.iter().all(|f| f.verdict == Verdict::Note));
    let empty = points("EPSG:9989", Epoch::EachObservation, &[]);
    assert_eq!(run::<HeightConvert>("{}", &empty, &reference, None).0.rows(), 0);
}

/// All float columns, bit by bit.
fn bits(table: &Table) -> Vec<Vec<u64>> {
    let names = table.schema.columns.iter().filter(|c| c.holds == Holds::Float).map(|c| c.name.clone());
    names.map(|n| table.floats(&n).unwrap().iter().map(|v| v.to_bits()).collect()).collect()
}

#[test]
fn what_is_kept_open_changes_no_number() {
    let folder = tempfile::tempdir().unwrap();
    let reference = gulf(folder.path());
    let here = Some(place(GULF.0, GULF.1, GULF.2, Some(2025.5)));
    let session = |shift: f64, last: f64| {
        points(
            "EPSG:9989",
            Epoch::EachObservation,
            &[("A", 27.5 + shift, -87.0, 12.0), ("B", 27.501, -87.002 + shift, 11.5), ("C", last, -87.0, 3.0)],
        )
    };
    // The second one has a point beyond the geoid, the third one a latitude that does not exist.
    let sessions = [session(0.0, 27.6), session(0.01, 29.9), session(0.02, 95.0), session(0.03, 27.7)];
    let heights = bind::<HeightConvert>("{}", &sessions[0].schema, &reference, here).unwrap();
    let one = |table: &Table| -> (Table, Vec<String>) {
        let world = Collect::new(Path::new("."));
        let out = heights.stage.run(std::slice::from_ref(table), &Cx::new(&world, "step", None)).unwrap();
        let said = world.said().findings.iter().map(|f| format!("{f:?}")).collect();
        (out, said)
    };
    let fresh: Vec<_> = sessions.iter().map(|t| run::<HeightConvert>("{}", t, &reference, here)).collect();
    let grid = bind::<Reproject>("{}", &heights.output, &reference, here).unwrap();
    let projected = |table: &Table| {
        let world = Collect::new(Path::new("."));
        bits(&grid.stage.run(std::slice::from_ref(table), &Cx::new(&world, "step", None)).unwrap())
    };
    let plain: Vec<_> = fresh.iter().map(|(t, _)| bits(&run::<Reproject>("{}", t, &reference, here).0)).collect();
    let check = |i: usize| {
        let (out, said) = one(&sessions[i]);
        assert_eq!(bits(&out), bits(&fresh[i].0), "session {i}");
        assert_eq!(said, fresh[i].1.said().findings.iter().map(|f| format!("{f:?}")).collect::<Vec<_>>(), "session {i}");
        assert_eq!(projected(&out), plain[i], "session {i}");
    };
    // One after another in any order, after good ones and after bad ones; and several at once.
    [0, 1, 0, 2, 3, 2, 1, 1, 0, 3].into_iter().for_each(check);
    std::thread::scope(|scope| {
        for i in 0..4 {
            let check = &check;
            scope.spawn(move || (0..8).for_each(|k| check((i + k) % 4)));
        }
    });
}

#[test]
fn grid_absent_renamed_changed_outside_or_no_grid() {
    let folder = tempfile::tempdir().unwrap();
    let mut reference = gulf(folder.path());
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", 27.5, -87.0, 12.0)]);
    let here = Some(place(27.5, -87.0, 12.0, Some(2025.5)));
    let try_it = |r: &pipeline_base::reference::Reference, l| {
        bind::<HeightConvert>("{}", &table.schema, r, l).map(|_| ()).map_err(|p| codes(&p).join(" ") + "\n" + &shown(&p))
    };
    let path = folder.path().join("invented.gtx");

    // Present, and the digest agreed on.
    let digest = pipeline_base::digest::sha256_of_file("invented.gtx", &path).unwrap();
    reference.delivery.heights.geoid.as_mut().unwrap().sha256 = Some(digest.to_uppercase());
    try_it(&reference, here).unwrap();
    // One byte changed.
    let good = std::fs::read(&path).unwrap();
    let mut bad = good.clone();
    bad[60] ^= 1;
    std::fs::write(&path, &bad).unwrap();
    let said = try_it(&reference, here).unwrap_err();
    assert!(said.starts_with("height/geoid-digest") && said.contains(&digest.to_uppercase()), "{said}");
    // In `grids` below the reference.
    std::fs::create_dir(folder.path().join("grids")).unwrap();
    std::fs::write(folder.path().join("grids/invented.gtx"), &good).unwrap();
    std::fs::remove_file(&path).unwrap();
    try_it(&reference, here).unwrap();
    // Renamed, so absent.
    std::fs::rename(folder.path().join("grids/invented.gtx"), folder.path().join("grids/invented2.gtx")).unwrap();
    let said = try_it(&reference, here).unwrap_err();
    assert!(said.starts_with("height/geoid-missing") && said.contains("-34.9 m here"), "{said}");
    // No grid at all.
    std::fs::write(&path, b"not a grid").unwrap();
    reference.delivery.heights.geoid.as_mut().unwrap().sha256 = None;
    let said = try_it(&reference, here).unwrap_err();
    assert!(said.starts_with("height/geoid-unreadable"), "{said}");
    // Outside the grid: at planning, and for one point of the run.
    std::fs::write(&path, &good).unwrap();
    let said = try_it(&reference, Some(place(30.0, -87.0, 12.0, Some(2025.5)))).unwrap_err();
    assert!(said.starts_with("height/outside-geoid"), "{said}");
    let two = points("EPSG:9989", Epoch::EachObservation, &[("A", 27.5, -87.0, 12.0), ("FAR", 29.9, -87.0, 12.0)]);
    let (out, said) = run::<HeightConvert>("{}", &two, &reference, here);
    let findings = &said.said().findings;
    let outside = findings.iter().find(|f| f.code == "height/outside-geoid").unwrap();
    assert!(outside.verdict == Verdict::Block && outside.place == "`FAR`", "{outside:?}");
    assert!(out.floats("height_m").unwrap()[1].is_nan());
}

#[test]
fn a_node_without_a_value_gives_no_height() {
    let folder = tempfile::tempdir().unwrap();
    write_gtx(&folder.path().join("hole.gtx"), 27.0, -88.0, 0.5, 3, 5, |la, lo| {
        if (la - 27.5).abs() < 1e-9 && (lo + 87.0).abs() < 1e-9 { f64::NAN } else { plane(la, lo) }
    });
    let grid = GeoidGrid::at(&folder.path().join("hole.gtx")).unwrap();
    assert_eq!(grid.separation_at(27.5, -87.0).unwrap(), None);
    assert_eq!(grid.separation_at(27.4, -87.1).unwrap(), None);
    assert!((grid.separation_at(27.2, -86.2).unwrap().unwrap() - plane(27.2, -86.2)).abs() < 2e-6);
}

#[test]
fn published_values_of_egm96() {
    // S-EGM96-PROJ-1 (PROJ test suite): 55.5 N 12.5 E, N = 36.394. That suite ships a thinned copy of the
    // grid under the full grid's name; its value is 0.37 m from the full grid, so only the sign is held to it.
    // S-EGM96-1, 3, 4, 6 (NGA readme of the 15-minute grid): up to 0.6 m apart by bilinear interpolation.
    let cases = [
        (55.5, 12.5, 36.394, 0.6),
        (38.628_155, 269.779_155, -31.628, 0.6),
        (46.874_319, 102.448_729, -43.575, 0.6),
        (-23.617_446, 133.874_712, 15.871, 0.6),
        (-0.466_744, 0.002_3, 17.329, 0.6),
    ];
    let paths = [Some("/usr/share/proj/egm96_15.gtx".into()), f::shared("data/grids/us_nga_egm96_15.tif")];
    for path in paths.into_iter().flatten().filter(|p: &std::path::PathBuf| p.exists()) {
        let grid = GeoidGrid::at(&path).unwrap();
        let mut worst: f64 = 0.0;
        for (latitude, longitude, n, tolerance) in cases {
            let got = grid.separation_at(latitude, longitude).unwrap().unwrap();
            assert!((got - n).abs() < tolerance, "{} {latitude} {longitude}: {got} {n}", path.display());
            worst = worst.max((got - n).abs());
        }
        eprintln!("CONFORMANCE EGM96 15-minute, {}: 5 points, worst {worst:.3} m", path.display());
    }
}

#[test]
fn names_of_files_that_a_pipeline_cannot_say() {
    for name in ["a b.gtx", "a,b.gtx", "a+b.gtx", "a\"b.gtx"] {
        assert_eq!(GeoidGrid::at(Path::new(name)).unwrap_err().finding.code, "height/geoid-name");
        // (before the file is looked at)
    }
}

#[test]
fn units_datums_and_surfaces_that_do_not_fit() {
    let folder = tempfile::tempdir().unwrap();
    let mut reference = gulf(folder.path());
    let table = points("EPSG:9989", Epoch::EachObservation, &[("A", 27.5, -87.0, 12.0)]);
    let here = Some(place(27.5, -87.0, 12.0, Some(2025.5)));
    let said = bind::<HeightConvert>(r#"{"unit": "ft"}"#, &table.schema, &reference, here).err().unwrap();
    assert_eq!(codes(&said), ["frame/mixed-units"], "{}", shown(&said));
    let (out, _) = run::<HeightConvert>(r#"{"unit": "ftUS", "datum": "EPSG:6360"}"#, &table, &reference, here);
    let (metre, _) = run::<HeightConvert>("{}", &table, &reference, here);
    assert!((out.floats("height_ftUS").unwrap()[0] * 1200.0 / 3937.0 - metre.floats("height_m").unwrap()[0]).abs() < 1e-9);
    let said = bind::<HeightConvert>("{}", &metre.schema, &reference, here).err().unwrap();
    assert_eq!(codes(&said), ["height/already-converted"]);
    let said = bind::<HeightConvert>(r#"{"datum": "EPSG:6319"}"#, &table.schema, &reference, here).err().unwrap();
    assert_eq!(codes(&said), ["height/not-vertical"]);
    reference.delivery.heights.surface = pipeline_base::reference::HeightSurface::Ellipsoid;
    let said = bind::<HeightConvert>("{}", &table.schema, &reference, here).err().unwrap();
    assert_eq!(codes(&said), ["height/not-needed"]);
}

#[test]
fn an_old_national_datum_after_the_heights() {
    // Ordnance Survey test file, TP04: heights by OSGM15 in ETRS89, then OSTN15 to the National Grid. The old
    // datum has no ellipsoidal heights, so that column is left empty and the height stays.
    let Some(folder) = f::shared("data/grids") else { return };
    let heights = r#"{"surface": "vertical-datum", "datum": "EPSG:5701", "unit": "m",
        "geoid": {"grid": "uk_os_OSGM15_GB.tif", "model": "OSGM15", "version": "2015", "frame": "EPSG:4937", "sigma_m": 0.008}}"#;
    let mut reference = reference("EPSG:4937", "", "EPSG:27700", heights, 0.1, &folder);
    // The registry states 0.1 m for OSTN15, which a budget of 0.05 m would not bear.
    reference.budget.horizontal_95_m = 0.3;
    let table = points("EPSG:4937", Epoch::Static, &[("TP04", 50.575_636_65, -1.297_822_772_4, 94.688)]);
    let here = Some(place(50.5756, -1.2978, 94.688, None));
    let (with_heights, _) = run::<HeightConvert>("{}", &table, &reference, here);
    let (grid, said) = run::<Reproject>("{}", &with_heights, &reference, here);
    assert!(said.said().findings.is_empty());
    let at = |name: &str| grid.floats(name).unwrap()[0];
    assert!((at("easting_m") - 449_816.371).abs() < 0.01 && (at("northing_m") - 75_335.861).abs() < 0.01);
    assert!((at("height_m") - 48.589).abs() < 0.01 && at("ellipsoidal_height_m").is_nan());
    assert!(crate::reference::check_delivery(grid.schema.frame.as_ref().unwrap(), &reference, here.as_ref()).is_empty());
    // Ellipsoidal heights cannot go there.
    let plain = f::reference("EPSG:4937", "", "EPSG:27700", f::ELLIPSOID, 0.1, &folder);
    let said = bind::<Reproject>("{}", &table.schema, &plain, here).err().unwrap();
    assert_eq!(codes(&said), ["frame/no-third-dimension"], "{}", shown(&said));
    // The same group of frames as a source of a tighter job.
    let tight = f::reference("EPSG:4937", "", "EPSG:27700", heights, 0.05, &folder);
    let said = bind::<HeightConvert>("{}", &table.schema, &tight, here).err().unwrap();
    assert_eq!(codes(&said), ["frame/ensemble-source"], "{}", shown(&said));
    eprintln!("{}", shown(&said));
}

#[test]
#[ignore = "a measurement, not a check"]
fn speed() {
    let t = std::time::Instant::now();
    let mut sum = 0.0;
    for i in 0..1_000_000 {
        let (a, b, c) = survey_geodesy::offset_enu(42.73 + f64::from(i) * 1e-7, -84.55, 220.0, 0.3, -0.2, -2.0, survey_geodesy::GRS80);
        sum += a + b + c;
    }
    eprintln!("offset_enu {} ns ({sum})", t.elapsed().as_nanos() / 1_000_000);
    let folder = tempfile::tempdir().unwrap();
    let reference = gulf(folder.path());
    let names: Vec<String> = (0..10_000).map(|i| format!("P{i}")).collect();
    let rows: Vec<_> = names.iter().map(|n| (n.as_str(), 27.5, -87.0, 12.0)).collect();
    let table = points("EPSG:9989", Epoch::EachObservation, &rows);
    let here = Some(place(27.5, -87.0, 12.0, Some(2025.5)));
    let t = std::time::Instant::now();
    let one = bind::<HeightConvert>("{}", &table.schema, &reference, here).unwrap();
    eprintln!("bind height-convert {:?}", t.elapsed());
    let t = std::time::Instant::now();
    let (out, _) = run::<HeightConvert>("{}", &table, &reference, here);
    eprintln!("bind and run 10 000 rows of height-convert {:?}", t.elapsed());
    let t = std::time::Instant::now();
    run::<Reproject>("{}", &out, &reference, here);
    eprintln!("bind and run 10 000 rows of reproject {:?}; {}", t.elapsed(), one.decided.len());
}
