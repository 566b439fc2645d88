use super::*;
use proptest::prelude::*;
use std::path::Path;

/// One number of a check file of the shared folder, by case and output.
fn certified(case: &str, output: &str) -> Option<f64> {
    let shared = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared/checks/04_accuracy_statistics.csv"));
    let mut reader = csv::Reader::from_path(shared).ok()?;
    reader.records().filter_map(Result::ok).find(|r| &r[0] == case && &r[3] == output)?.get(4)?.parse().ok()
}

#[test]
fn norris_of_nist() {
    // S-NIST-norris of checks/04_accuracy_statistics.csv (NIST StRD, linear regression).
    let data = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared/checks/data/nist_norris.csv"));
    let Ok(mut reader) = csv::Reader::from_path(data) else {
        eprintln!("SKIPPED: the shared check values are not beside the repository");
        return;
    };
    let header: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let (x, y) = (header.iter().position(|h| h == "x").unwrap(), header.iter().position(|h| h == "y").unwrap());
    let rows: Vec<(f64, f64)> = reader.records().map(|r| r.unwrap()).map(|r| (r[x].parse().unwrap(), r[y].parse().unwrap())).collect();
    let design = Matrix::from_rows(&rows.iter().map(|(x, _)| vec![1.0, *x]).collect::<Vec<_>>());
    let fit = solve(&design, &rows.iter().map(|(_, y)| *y).collect::<Vec<_>>(), &[1.0, 1.0]);
    #[allow(clippy::cast_precision_loss)]
    let s = (fit.square_sum / fit.degrees_of_freedom() as f64).sqrt();
    #[allow(clippy::cast_precision_loss)]
    let mean = rows.iter().map(|r| r.1).sum::<f64>() / rows.len() as f64;
    let explained = 1.0 - fit.square_sum / rows.iter().map(|r| (r.1 - mean).powi(2)).sum::<f64>();
    for (have, output, within) in [
        (explained, "R squared", 1e-14),
        (fit.x[0], "B0", 1e-11),
        (fit.x[1], "B1", 1e-13),
        (s, "residual sd", 1e-11),
        (fit.sigma(0) * s, "sd B0", 1e-11),
        (fit.sigma(1) * s, "sd B1", 1e-11),
    ] {
        let want = certified("S-NIST-norris", output).unwrap();
        assert!((have / want - 1.0).abs() < within, "{output}: {have} {want}");
    }
}

#[test]
fn what_the_data_do_not_say() {
    // Only the sum of the first two is seen; the third is seen well.
    let design = Matrix::from_rows(&[vec![1.0, 1.0, 0.0], vec![2.0, 2.0, 0.0], vec![0.0, 0.0, 10.0], vec![0.0, 0.0, 10.0]]);
    let fit = solve(&design, &[4.0, 8.0, 30.0, 30.0], &[1.0, 1.0, 1.0]);
    assert_eq!((fit.rank, fit.degrees_of_freedom()), (2, 2));
    let worst = &fit.directions[0];
    assert!(worst.sigma.is_infinite() && (worst.shares[0] + worst.shares[1]).abs() < 1e-12 && worst.shares[2].abs() < 1e-12);
    // The smallest of all solutions: the sum is shared.
    assert!((fit.x[0] - 2.0).abs() < 1e-12 && (fit.x[1] - 2.0).abs() < 1e-12 && (fit.x[2] - 3.0).abs() < 1e-12);
    assert!(fit.sigma(0).is_infinite() && (fit.sigma(2) - 200_f64.sqrt().recip()).abs() < 1e-12);
    // The last two rows check each other, half and half.
    assert!((fit.redundancy[2] - 0.5).abs() < 1e-12);
    // No rows at all.
    let nothing = solve(&Matrix::zeros(0, 2), &[], &[1.0, 1.0]);
    assert!(nothing.rank == 0 && nothing.x == [0.0, 0.0] && nothing.sigma(1).is_infinite());
}

#[test]
fn unknowns_of_unlike_size() {
    // Angles in degrees and lengths of a kilometre: neither hides the other.
    let design = Matrix::from_rows(&[vec![1e-5, 1e6], vec![-1e-5, 1e6], vec![2e-5, 0.0]]);
    let fit = solve(&design, &[1.1, 0.9, 0.2], &[1e4, 1e-7]);
    assert_eq!(fit.rank, 2);
    assert!((fit.x[0] - 1e4).abs() < 1e-6 && (fit.x[1] - 1e-6).abs() < 1e-18);
}

#[test]
fn whitening() {
    let covariance = Matrix::from_rows(&[vec![4.0, 2.0], vec![2.0, 5.0]]);
    let factor = Cholesky::of(&covariance).unwrap();
    let mut v = [2.0, 5.0];
    factor.whiten(&mut v);
    // L = [2 0; 1 2].
    assert!((v[0] - 1.0).abs() < 1e-15 && (v[1] - 2.0).abs() < 1e-15);
    assert!(Cholesky::of(&Matrix::from_rows(&[vec![1.0, 2.0], vec![2.0, 1.0]])).is_none());
}

#[test]
fn circle_from_points() {
    // A circle through points with one wrong start: centre and radius.
    let points: Vec<(f64, f64)> = (0..12).map(|k| f64::from(k) * 0.4).map(|a| (3.0 + 2.0 * a.cos(), -1.0 + 2.0 * a.sin())).collect();
    let model = |x: &[f64]| {
        let rows: Vec<(f64, Vec<f64>)> = points
            .iter()
            .map(|(px, py)| {
                let d = (px - x[0]).hypot(py - x[1]);
                (-(d - x[2]), vec![(x[0] - px) / d, (x[1] - py) / d, -1.0])
            })
            .collect();
        Linearised {
            misfit: rows.iter().map(|r| r.0).collect(),
            design: Matrix::from_rows(&rows.into_iter().map(|r| r.1).collect::<Vec<_>>()),
        }
    };
    let done = adjust(&[0.0, 0.5, 0.3], &[1.0; 3], &model).unwrap();
    assert!((done.x[0] - 3.0).abs() < 1e-9 && (done.x[1] + 1.0).abs() < 1e-9 && (done.x[2] - 2.0).abs() < 1e-9, "{:?}", done.x);
    assert_eq!(adjust(&[f64::NAN, 0.0, 0.0], &[1.0; 3], &model).unwrap_err(), NotConverged::NoStart);
    assert!((huber(1.0, 1.345) - 1.0).abs() < 1e-15 && (huber(2.69, 1.345) - 0.5).abs() < 1e-15);
}

proptest! {
    #[test]
    fn normal_equations_hold(values in prop::collection::vec(-5.0..5.0_f64, 21), observed in prop::collection::vec(-9.0..9.0_f64, 7), size in 0.01..100.0_f64) {
        let design = Matrix::from_rows(&values.chunks(3).map(<[f64]>::to_vec).collect::<Vec<_>>());
        let fit = solve(&design, &observed, &[1.0, size, 1.0]);
        for c in 0..3 {
            // Residuals are at right angles to every column.
            let dot: f64 = (0..7).map(|r| design.at(r, c) * fit.residuals[r]).sum();
            prop_assert!(dot.abs() < 1e-9, "{dot}");
        }
        // Redundancy adds up to the degrees of freedom.
        #[allow(clippy::cast_precision_loss)]
        let freedom = fit.degrees_of_freedom() as f64;
        prop_assert!((fit.redundancy.iter().sum::<f64>() - freedom).abs() < 1e-9);
        // The covariance is the inverse of the normal matrix.
        for i in 0..3 {
            for j in 0..3 {
                let product: f64 = (0..3).map(|k| (0..7).map(|r| design.at(r, i) * design.at(r, k)).sum::<f64>() * fit.covariance.at(k, j)).sum();
                prop_assert!((product - f64::from(u8::from(i == j))).abs() < 1e-6, "{product}");
            }
        }
        // Covariance along a direction is the square of its sigma.
        let worst = &fit.directions[0];
        let unit = [1.0, size, 1.0];
        // v' (D^-1 C D^-1) v with D the sizes.
        let scaled: Vec<f64> = worst.shares.iter().zip(unit).map(|(v, s)| v / s).collect();
        prop_assert!((fit.covariance.quadratic(&scaled).sqrt() / worst.sigma - 1.0).abs() < 1e-6);
    }
}
