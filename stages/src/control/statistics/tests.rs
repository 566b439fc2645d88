use super::*;
use proptest::prelude::*;

fn close(got: f64, want: f64, relative: f64) {
    assert!((got - want).abs() <= relative * want.abs().max(f64::MIN_POSITIVE), "{got} and not {want}");
}

#[test]
fn nist_made_lists() {
    // S-NIST-numacc1 to 4 of checks/04_accuracy_statistics.csv: NIST Statistical Reference Datasets.
    let a = [10_000_001.0, 10_000_003.0, 10_000_002.0];
    let s = spread(&a).unwrap();
    assert_eq!((s.mean, s.sd), (10_000_002.0, 1.0));
    for (base, tolerance) in [(1.0, 1e-12), (1_000_000.0, 1e-9), (10_000_000.0, 1e-8)] {
        let mut list = vec![base + 0.2];
        for _ in 0..500 {
            list.extend([base + 0.1, base + 0.3]);
        }
        let s = spread(&list).unwrap();
        close(s.mean, base + 0.2, 1e-13);
        close(s.sd, 0.1, tolerance);
    }
}

/// The first numbers of the lines of a file in `../shared/checks/data`; `None` where it is not there.
fn data(file: &str) -> Option<Vec<f64>> {
    let path = crate::fixture::shared(&format!("checks/data/{file}"))?;
    let text = std::fs::read_to_string(path).unwrap();
    Some(text.lines().skip(1).filter_map(|l| l.split(',').next()?.trim().parse().ok()).collect())
}

#[test]
fn nist_measured_lists() {
    // S-NIST-michelso and S-NIST-lew of checks/04_accuracy_statistics.csv.
    for (file, count, mean, sd) in
        [("nist_michelso.csv", 100, 299.852_4, 0.079_010_547_819_051_8), ("nist_lew.csv", 200, -177.435, 277.332_168_044_316)]
    {
        let Some(list) = data(file) else { continue };
        assert_eq!(list.len(), count);
        let s = spread(&list).unwrap();
        close(s.mean, mean, 1e-14);
        close(s.sd, sd, 1e-13);
    }
}

#[test]
fn nssda() {
    // S-NSSDA-V-USGS of checks/04_accuracy_statistics.csv (USGS lidar vertical accuracy report, 2013).
    let (mean, sd, n) = (-0.005_333_333_495_35_f64, 0.057_720_591_353_4_f64, 51.0);
    let rmse = (mean * mean + sd * sd * (n - 1.0) / n).sqrt();
    assert!((rmse - 0.057_400_211_958_5).abs() < 1e-9);
    assert!((nssda_vertical(rmse) - 0.112_504_415_439).abs() < 1e-9);
    // S-NSSDA-H1 and H2.
    let (r, good) = nssda_horizontal(0.03, 0.03);
    assert!((r - 0.073_432).abs() < 1e-6 && good);
    let (r, good) = nssda_horizontal(0.03, 0.022);
    assert!((r - 0.063_640).abs() < 1e-6 && good && (0.03_f64.hypot(0.022) - 0.037_202).abs() < 1e-6);
    assert!(!nssda_horizontal(0.03, 0.01).1);
    // S-NSSDA-N.
    assert_eq!(NSSDA_POINTS, 20);
}

#[test]
fn asprs_edition_2() {
    // S-ASPRS2-N and S-ASPRS2-COMBINE of checks/04_accuracy_statistics.csv.
    assert_eq!(ASPRS_POINTS, 30);
    assert!((with_survey(0.020, 0.012) - 0.023_324).abs() < 1e-6);
}

#[test]
fn one_bias_is_told_from_noise() {
    let check = |e: f64, u: f64| Check { horizontal_m: [e, 0.0], up_m: Some(u), mark_sigma_m: 0.004, mark_sigma_up_m: 0.005 };
    let s = statistics(&[check(0.01, 0.030), check(-0.01, 0.032), check(0.001, 0.029)], 3);
    assert_eq!(s.biased, ["up"]);
    assert!(!s.nssda_enough_points && !s.asprs_enough_points && s.checks == 3);
    assert!((s.asprs_vertical_m.unwrap() - s.up.unwrap().rmse.hypot(0.005)).abs() < 1e-12);
    assert_eq!(statistics(&[], 0).rmse_horizontal_m, None);
}

proptest! {
    #[test]
    fn root_mean_square_is_mean_and_spread(list in prop::collection::vec(-1.0..1.0_f64, 2..60)) {
        let s = spread(&list).unwrap();
        #[allow(clippy::cast_precision_loss)]
        let n = s.count as f64;
        let sum = s.mean * s.mean + s.sd * s.sd * (n - 1.0) / n;
        prop_assert!((s.rmse * s.rmse - sum).abs() < 1e-12);
        // A shift of all moves the mean and nothing else.
        let moved = spread(&list.iter().map(|v| v + 1e6).collect::<Vec<_>>()).unwrap();
        prop_assert!((moved.sd - s.sd).abs() < 1e-9 && (moved.mean - 1e6 - s.mean).abs() < 1e-9);
    }
}
