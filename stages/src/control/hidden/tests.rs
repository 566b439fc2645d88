use super::*;
use crate::control::testing::{EASTING, NORTHING, Point, bind, reference, run, said, schema, table};
use proptest::prelude::*;

fn ground() -> Table {
    let at = |name: &'static str, e: f64, n: f64, minute: i64| Point { session: "a", name, minute, at: [e, n, 2.0] };
    table(&[at("A", 0.0, 0.0, 0), at("B", 9.35, 3.12, 1), at("C", 3.0, 12.0, 2)])
}

const HEAD: &str = "point,kind,from,to,value_m,value_deg,sigma_m,sigma_deg,north,side,code\n";

fn folder(lines: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("hidden.csv"), format!("{HEAD}{lines}")).unwrap();
    folder
}

const OPTIONS: &str = r#"{"constructions": ["hidden.csv"]}"#;

/// A distance of the grid as a tape on the ground would show it.
fn taped(grid: f64) -> f64 {
    let points = ground();
    let scale = points.floats("scale_factor").unwrap()[0];
    let h = points.floats("ellipsoidal_height_m").unwrap()[0];
    grid / (scale * 6_371_000.0 / (6_371_000.0 + h))
}

#[test]
fn two_distances_are_held_until_the_side_is_known() {
    let lines = |side: &str| {
        format!(
            "X,distance,A,,{:.4},,0.005,,,{side},W-VALVE\nX,distance,B,,{:.4},,0.005,,,,\nX,height,A,,-1.25,,0.004,,,,\n",
            taped(8.412),
            taped(6.905)
        )
    };
    let place = folder(&lines(""));
    let (out, world) = run::<HiddenPoints>(OPTIONS, &[ground()], place.path(), &[]);
    assert_eq!((out.rows(), said(&world)), (3, vec!["control/hidden-ambiguous".to_owned()]));
    let what = world.said().findings[0].what.clone();
    assert!(what.contains("left") && what.contains("right"), "{what}");
    assert_eq!(world.said().used, 3);
    let place = folder(&lines("left"));
    let (out, world) = run::<HiddenPoints>(OPTIONS, &[ground()], place.path(), &[]);
    assert_eq!((out.rows(), said(&world)), (4, vec!["control/hidden".to_owned()]));
    // S-DIST-DIST-1 of checks/09, moved to the site.
    let (e, n, h) = (out.floats("easting_m").unwrap(), out.floats("northing_m").unwrap(), out.floats("height_m").unwrap());
    assert!((e[3] - EASTING - 3.9520).abs() < 2e-4 && (n[3] - NORTHING - 7.4259).abs() < 2e-4, "{} {}", e[3], n[3]);
    assert!((h[3] - 0.75).abs() < 1e-9 && (out.floats("ellipsoidal_height_m").unwrap()[3] - (0.75 - 24.6)).abs() < 1e-6);
    // Latitude and longitude lie where the grid says.
    let projection = crate::geodesy::projection::Projection::plan("EPSG:6345").unwrap();
    let at = projection.at(out.floats("latitude_deg").unwrap()[3], out.floats("longitude_deg").unwrap()[3]).unwrap();
    assert!((at.easting - e[3]).abs() < 1e-3 && (at.northing - n[3]).abs() < 1e-3, "{} {}", at.easting - e[3], at.northing - n[3]);
    assert!(out.floats("horizontal_95_m").is_err() || out.floats("sigma_east_m").unwrap()[3] > 0.01);
}

#[test]
fn what_does_not_fit_is_held() {
    let three = |last: f64| {
        folder(&format!(
            "X,distance,A,,{:.4},,0.005,,,,\nX,distance,B,,{:.4},,0.005,,,,\nX,distance,C,,{last:.4},,0.005,,,,\nX,height,A,,-1,,0.004,,,,\n",
            taped(8.412),
            taped(6.905)
        ))
    };
    // From C to the left solution: (3.952 - 3, 7.4259 - 12).
    let good = three(taped(0.952_f64.hypot(4.5741)));
    let (out, _) = run::<HiddenPoints>(OPTIONS, &[ground()], good.path(), &[]);
    assert_eq!(out.rows(), 4);
    let bad = three(taped(0.952_f64.hypot(4.5741)) + 0.3);
    let (out, world) = run::<HiddenPoints>(OPTIONS, &[ground()], bad.path(), &[]);
    assert_eq!((out.rows(), said(&world)), (3, vec!["control/hidden-misfit".to_owned()]));
    let no_height = folder("X,bearing,A,,,45,,0.1,grid,,\nX,distance,A,,5,,0.005,,,,\n");
    let (_, world) = run::<HiddenPoints>(OPTIONS, &[ground()], no_height.path(), &[]);
    assert_eq!(said(&world), ["control/hidden-no-height"]);
    let unknown = folder("X,distance,Z,,5,,0.005,,,,\nX,distance,A,,5,,0.005,,,,\n");
    let (_, world) = run::<HiddenPoints>(OPTIONS, &[ground()], unknown.path(), &[]);
    assert_eq!(said(&world), ["control/hidden-known"]);
}

#[test]
fn lines_that_cannot_be_used_stop_the_job() {
    for line in [
        "X,distance,A,,x,,0.005,,,,",
        "X,bearing,A,,,45,,0.1,,,",
        "X,jump,A,,1,,1,,,,",
        "X,offset,A,A,1,,0.01,,,,",
        "X,distance,A,,5,,0,,,,",
        ",distance,A,,5,,1,,,,",
    ] {
        let place = folder(&format!("{line}\n"));
        let problems = bind::<HiddenPoints>(OPTIONS, &[schema()], &reference(), place.path()).err().unwrap();
        assert_eq!(problems[0].finding.code, "control/hidden-bad-line", "{line}");
    }
}

proptest! {
    #[test]
    fn no_bytes_break_it(bytes in prop::collection::vec(any::<u8>(), 0..300), cells in "[-0-9a-z.,\n]{0,120}") {
        read::parse("x", &bytes, &mut vec![], &mut vec![]);
        read::parse("x", format!("{HEAD}{cells}").as_bytes(), &mut vec![], &mut vec![]);
    }
}
