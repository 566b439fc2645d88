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
    let projection = survey_geodesy::projection::Projection::plan("EPSG:6345").unwrap();
    let at = projection.at(out.floats("latitude_deg").unwrap()[3], out.floats("longitude_deg").unwrap()[3]).unwrap();
    assert!((at.easting - e[3]).abs() < 1e-3 && (at.northing - n[3]).abs() < 1e-3, "{} {}", at.easting - e[3], at.northing - n[3]);
    assert!(out.floats("horizontal_95_m").is_err() || out.floats("sigma_east_m").unwrap()[3] > 0.01);
}

#[test]
fn radiation_with_swing_and_scale() {
    // S-RADIATION-1 of checks/09 (GeodePy, Geoscience Australia): from (500, 500), bearing 290 13' and 44.620 m, swung by 2 18' 35" and
    // scaled by 1.002515: (458.681, 517.137). Here the swing is the convergence and the scale that of the grid at the ground.
    let swing = 2.0 + 18.0 / 60.0 + 35.0 / 3600.0;
    let site = ground();
    let h = site.floats("ellipsoidal_height_m").unwrap()[0];
    let mut b = TableBuilder::from_table(site.schema.clone(), &site);
    b.floats("grid_convergence_deg", vec![-swing; 3]).floats("scale_factor", vec![1.002_515 * (6_371_000.0 + h) / 6_371_000.0; 3]);
    let site = b.finish().unwrap();
    let bearing = 290.0 + 13.0 / 60.0;
    let place = folder(&format!("X,bearing,A,,,{bearing},,0.002,true,,\nX,distance,A,,44.620,,0.002,,,,\nX,height,A,,0,,0.002,,,,\n"));
    let (out, _) = run::<HiddenPoints>(OPTIONS, &[site], place.path(), &[]);
    let (e, n) = (out.floats("easting_m").unwrap()[3] - EASTING, out.floats("northing_m").unwrap()[3] - NORTHING);
    assert!((e - (458.681 - 500.0)).abs() < 5e-4 && (n - (517.137 - 500.0)).abs() < 5e-4, "{e} {n}");
}

/// The site with a budget: points that differ in their own noise and share base and geoid.
fn budgeted() -> Table {
    let site = ground();
    let mut schema = (*site.schema).clone();
    schema.columns.extend(budget::columns());
    let budgets: Vec<Budget> = [0.006, 0.009, 0.012]
        .into_iter()
        .map(|own: f64| {
            let mut b = Budget::default();
            b.add(Contributor::GnssNoise, &Part::new([own * own, 0.1 * own * own, own * own, 2.0 * own * own]));
            b.add(Contributor::HeadingBias, &Part::new([1e-5, 0.0, 2e-5, 0.0]));
            b.add(Contributor::Base, &Part::new([2.5e-5, 0.0, 2.5e-5, 6.4e-5]));
            b.add(Contributor::GeoidModel, &Part::new([0.0, 0.0, 0.0, 6.4e-5]));
            b
        })
        .collect();
    let root = |f: fn(Part) -> f64| budgets.iter().map(|b| f(b.total()).sqrt()).collect::<Vec<_>>();
    let mut b = TableBuilder::from_table(Arc::new(schema), &site);
    b.floats("sigma_east_m", root(|t| t.ee)).floats("sigma_north_m", root(|t| t.nn)).floats("sigma_up_m", root(|t| t.uu));
    budget::fill(&mut b, &budgets);
    b.finish().unwrap()
}

#[test]
fn the_budget_of_a_construction_adds_up_and_is_shared() {
    let lines = format!(
        "X,distance,A,,{:.4},,0.004,,,left,\nX,distance,B,,{:.4},,0.004,,,,\nX,height,A,,-1.25,,0.003,,,,\nX,height,B,,-1.25,,0.003,,,,\n",
        taped(8.412),
        taped(6.905)
    );
    let place = folder(&lines);
    let (out, _) = run::<HiddenPoints>(OPTIONS, &[budgeted()], place.path(), &[]);
    assert_eq!(out.rows(), 4);
    let budget = Parts::read(&out).unwrap().row(3);
    let (t, of) = (budget.total(), |name: &str| out.floats(name).unwrap()[3]);
    for (column, variance) in [("sigma_east_m", t.ee), ("sigma_north_m", t.nn), ("sigma_up_m", t.uu)] {
        assert!((of(column).powi(2) - variance).abs() < 1e-15, "{column}");
    }
    assert!((of("correlation_east_north") - t.en / (t.ee * t.nn).sqrt()).abs() < 1e-12);
    for c in [Contributor::GnssNoise, Contributor::HeadingBias, Contributor::TapedDistance] {
        assert!(budget.part(c).horizontal() > 0.0, "{c:?}");
    }
    assert!(budget.part(Contributor::TapedHeight).uu > 0.0 && budget.part(Contributor::TapedDistance).uu == 0.0);
    // What the points share is not made smaller; a mean of two heights makes the tapes' half.
    assert_eq!(*budget.part(Contributor::Base), Part::new([2.5e-5, 0.0, 2.5e-5, 6.4e-5]));
    assert!((budget.part(Contributor::GeoidModel).uu - 6.4e-5).abs() < 1e-18);
    assert!(budget.part(Contributor::TapedHeight).uu < 0.6 * 9e-6);
    // By the rules of a whole adjustment: own noise of the points and tapes together, worked out with numbers alone.
    let numbers = |shift: [f64; 4]| -> [f64; 2] {
        let (a, b) = ([shift[0], 0.0], [9.35 + shift[1], 3.12]);
        let d = [b[0] - a[0], b[1] - a[1]];
        let (l, r, s) = (d[0].hypot(d[1]), 8.412 + shift[2], 6.905 + shift[3]);
        let x = (r * r - s * s + l * l) / (2.0 * l);
        let y = (r * r - x * x).sqrt();
        [a[0] + (x * d[0] - y * d[1]) / l, a[1] + (x * d[1] + y * d[0]) / l]
    };
    let step = |k: usize| {
        let mut up = [0.0; 4];
        up[k] = 1e-6;
        let (p, q) = (numbers(up), numbers([0.0; 4]));
        [0, 1].map(|c| (p[c] - q[c]) / 1e-6)
    };
    let tapes = (2..4).map(|k| step(k).map(|v| (v * 0.004).powi(2)).iter().sum::<f64>()).sum::<f64>();
    assert!((budget.part(Contributor::TapedDistance).horizontal() / tapes - 1.0).abs() < 1e-3);
    // Measured points carry nothing of it.
    assert!(Parts::read(&out).unwrap().row(0).part(Contributor::TapedDistance) == &Part::default());
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
