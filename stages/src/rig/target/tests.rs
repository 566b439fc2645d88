use super::*;
use crate::rig::testing::Dice;
use pipeline_base::rig::{AttitudeKind, Declination, North, Owner};
use proptest::prelude::*;
use survey_geodesy::{WGS84, offset_enu};

fn vector(x_m: f64, y_m: f64, z_m: f64, sigma_m: f64) -> BodyVector {
    BodyVector { x_m, y_m, z_m, sigma_m }
}

fn attitude() -> Attitude {
    Attitude {
        kind: AttitudeKind::HeadingPitchRoll,
        lean_azimuth_of: None,
        quaternion: None,
        north: North::True,
        declination: None::<Declination>,
        grid_north_crs: None,
        heading_sigma_deg: 0.0,
        tilt_sigma_deg: 0.0,
        heading_bias_sigma_deg: 0.0,
        heading_drift_deg_per_min: None,
        tilt_bias_sigma_deg: 0.0,
        time_tag_sigma_s: 0.0,
        correlation_time_s: None,
    }
}

fn laser(azimuth: f64, elevation: f64) -> Laser {
    Laser {
        reference_point_to_laser: vector(0.0, 0.0, 0.0, 0.0),
        beam_azimuth_deg: azimuth,
        beam_elevation_deg: elevation,
        beam_sigma_deg: 0.0,
        zero_m: 0.0,
        zero_sigma_m: 0.0,
        scale: 1.0,
        scale_sigma_ppm: 0.0,
        range_sigma_m: 0.0,
        shortest_m: 0.0,
        longest_m: 100.0,
        applied_by: Owner::Gunter,
    }
}

fn shot(heading_deg: f64, pitch_deg: f64, roll_deg: f64, range_m: f64) -> Shot {
    Shot { heading_deg, pitch_deg, roll_deg, range_m, turn_rate_deg_s: f64::NAN, speed_m_s: f64::NAN, heading_sigma_deg: f64::NAN }
}

/// One tilted pole with a laser at its tip, as checks/INDEX.md defines the case: the antenna leans by
/// `tilt` towards `lean`; the ray has a true azimuth and an elevation.
struct Case {
    antenna: (f64, f64, f64),
    pole: f64,
    tilt: f64,
    lean: f64,
    range: f64,
    azimuth: f64,
    elevation: f64,
    tip: [f64; 3],
    tip_h: f64,
    target: Option<([f64; 3], f64, f64, f64)>,
}

#[test]
fn tilted_pole_and_laser_cases() {
    // S-TILT-LASER-1, -2, -3 of checks/09_intersection_localisation.csv (PROJ topocentric and cart).
    let boulder = (40.020_576_1, -105.262_757_2, 1_564.691);
    let cases = [
        Case {
            antenna: boulder,
            pole: 2.0,
            tilt: 12.5,
            lean: 140.0,
            range: 3.482,
            azimuth: 231.4,
            elevation: -41.75,
            tip: [-0.278_25, 0.331_60, -1.952_59],
            tip_h: 1_562.738_4,
            target: Some(([-2.308_46, -1.289_09, -4.271_19], 40.020_564_493_1, -105.262_784_234_6, 1_560.419_8)),
        },
        Case {
            antenna: (52.657_570_3, 1.717_921_6, 48.31),
            pole: 1.8,
            tilt: 0.0,
            lean: 0.0,
            range: 5.0,
            azimuth: 90.0,
            elevation: -30.0,
            tip: [0.0, 0.0, -1.8],
            tip_h: 46.51,
            target: Some(([4.330_13, 0.0, -4.3], 52.657_570_300_0, 1.717_985_591_1, 44.01)),
        },
        Case {
            antenna: boulder,
            pole: 2.0,
            tilt: 5.0,
            lean: 0.0,
            range: 0.0,
            azimuth: 0.0,
            elevation: 0.0,
            tip: [0.0, -0.174_31, -1.992_39],
            tip_h: 1_562.698_6,
            target: None,
        },
    ];
    for case in cases {
        // Leaning forward is nose down: heading towards the lean, pitch minus the tilt. A second
        // way to hold the same pole is turned about its own axis; both must agree.
        for spin in [0.0, 77.0] {
            let lean = Rotation::new(case.lean, -case.tilt, 0.0);
            let turned = {
                // R = R_lean Rz(spin); heading, pitch and roll of the product.
                let (s, c) = f64::to_radians(spin).sin_cos();
                let column = |x: f64, y: f64| lean.apply([x, y, 0.0]);
                let (x, y, z) = (column(c, s), column(-s, c), lean.apply([0.0, 0.0, 1.0]));
                (x[1].atan2(x[0]).to_degrees(), (-x[2]).asin().to_degrees(), y[2].atan2(z[2]).to_degrees())
            };
            let (h, p, r) = turned;
            let tip = Model::new(&[vector(0.0, 0.0, case.pole, 0.0)], None, AttitudeNoise::default()).target(&shot(h, p, r, f64::NAN));
            for (have, want) in tip.enu.iter().zip(case.tip) {
                assert!((have - want).abs() < 1e-5, "{have} {want}");
            }
            assert!((tip.tilt_deg - case.tilt).abs() < 1e-9);
            assert!((tip.arm_m - case.tip[0].hypot(case.tip[1])).abs() < 1e-5);
            let (lat, lon, height) = case.antenna;
            let [e, n, u] = tip.enu;
            assert!((offset_enu(lat, lon, height, e, n, u, WGS84).2 - case.tip_h).abs() < 0.0005);
            let Some((want, want_lat, want_lon, want_h)) = case.target else { continue };
            let ray = {
                let b = boresight(case.azimuth, case.elevation);
                Rotation::new(h, p, r).undo(b)
            };
            let (azimuth, elevation) = (ray[1].atan2(ray[0]).to_degrees(), (-ray[2]).asin().to_degrees());
            let model = Model::new(&[vector(0.0, 0.0, case.pole, 0.0)], Some(&laser(azimuth, elevation)), AttitudeNoise::default());
            let target = model.target(&shot(h, p, r, case.range));
            for (have, want) in target.enu.iter().zip(want) {
                assert!((have - want).abs() < 1e-5, "{have} {want}");
            }
            let [e, n, u] = target.enu;
            let (lat, lon, height) = offset_enu(lat, lon, height, e, n, u, WGS84);
            assert!(
                (lat - want_lat).abs() < 5e-10 && (lon - want_lon).abs() < 5e-10 && (height - want_h).abs() < 0.0005,
                "{lat} {lon} {height}"
            );
        }
    }
}

#[test]
fn uncorrected_tilt_of_the_fault_table() {
    // S-POLE-LEVEL-10MIN, S-POLE-1DEG, S-POLE-5DEG of checks/05_fault_magnitudes.csv: how far the tip
    // is from the place straight below the antenna, mm, horizontally and in height.
    let model = Model::new(&[vector(0.0, 0.0, 2.0, 0.0)], None, AttitudeNoise::default());
    for (tilt, horizontal, height) in [(0.166_667, 5.82, 0.01), (1.0, 34.90, 0.30), (5.0, 174.31, 7.61)] {
        let target = model.target(&shot(33.0, tilt, 0.0, f64::NAN));
        assert!((target.arm_m * 1e3 - horizontal).abs() < 0.01, "{tilt}");
        assert!(((target.enu[2] + 2.0) * 1e3 - height).abs() < 0.01, "{tilt}");
    }
}

#[test]
fn sensor_error_of_the_fault_table() {
    // S-TILT-SENSOR of checks/05_fault_magnitudes.csv: pole 2 m, tilt 20 deg, sigma tilt 0.2 deg,
    // sigma heading 0.5 deg: radial 6.56 mm, tangential 5.97 mm, height 2.39 mm. The case has one
    // tilt magnitude and an error of the azimuth of the lean, so only pitch has noise there: the
    // difference of the model with and without roll noise is taken out.
    let noise = AttitudeNoise::new(&Attitude { heading_sigma_deg: 0.5, tilt_sigma_deg: 0.2, ..attitude() }, 0.0);
    let model = Model::new(&[vector(0.0, 0.0, 2.0, 0.0)], None, noise);
    let c = model.target(&shot(0.0, 20.0, 0.0, f64::NAN)).random;
    assert!((c.nn.sqrt() * 1e3 - 6.56).abs() < 0.01 && (c.uu.sqrt() * 1e3 - 2.39).abs() < 0.01);
    // The foot swings about the body's forward axis with the whole length.
    let roll = (2.0 * 0.2_f64.to_radians()).powi(2);
    let heading_only = (c.ee - roll).sqrt() * 1e3;
    assert!((heading_only - 5.97).abs() < 0.01, "{heading_only}");
}

#[test]
fn offset_propagation_case() {
    // S-OFFSET-PROP-1 of checks/09_intersection_localisation.csv: slope 3.482 m (2 mm), elevation
    // -41.75 deg (0.3 deg), azimuth 1.0 deg, start (10, 10, 18) mm. Along 12.232 mm, across
    // 45.340 mm, up 13.667 mm for the offset; 15.799, 46.429, 22.601 mm in total.
    let noise = AttitudeNoise::new(&Attitude { heading_sigma_deg: 1.0, tilt_sigma_deg: 0.3, ..attitude() }, 0.0);
    let beam = Laser { range_sigma_m: 0.002, ..laser(0.0, -41.75) };
    // Facing north with a level body, the beam straight ahead: pitch is the elevation, and roll noise
    // is the only contributor that the case does not have; it acts across.
    let c = Model::new(&[], Some(&beam), noise).target(&shot(0.0, 0.0, 0.0, 3.482)).random;
    assert!((c.nn.sqrt() - 0.012_232).abs() < 1e-6 && (c.uu.sqrt() - 0.013_667).abs() < 1e-6);
    let roll = (3.482 * 41.75_f64.to_radians().sin() * 0.3_f64.to_radians()).powi(2);
    assert!(((c.ee - roll).sqrt() - 0.045_340).abs() < 1e-6);
    let total = c.plus(&Covariance::gnss(0.01, 0.01, 0.018, 0.0));
    assert!((total.nn.sqrt() - 0.015_799).abs() < 1e-6 && (total.uu.sqrt() - 0.022_601).abs() < 1e-6);
    assert!(((total.ee - roll).sqrt() - 0.046_429).abs() < 1e-6);
}

#[test]
fn slope_distance_between_two_heights() {
    // S-SLOPE-1 of checks/09_intersection_localisation.csv (GeodePy, Geoscience Australia): zenith angle 83.187 deg, slope 145.145 m from an
    // instrument 1.62 m above the ground to a target 0.05 m above it: 144.12006 m level, 18.78858 m up, 145.33961 m from ground to ground.
    let beam = laser(0.0, 90.0 - 83.186_944_444_444_45);
    let model = Model::new(&[vector(0.0, 0.0, -1.57, 0.0)], Some(&beam), AttitudeNoise::default());
    let [e, n, u] = model.target(&shot(60.0, 0.0, 0.0, 145.145)).enu;
    assert!((e.hypot(n) - 144.120_06).abs() < 1e-5 && (u - 18.788_58).abs() < 1e-5, "{u}");
    assert!((e.hypot(n).hypot(u) - 145.339_61).abs() < 1e-5);
}

#[test]
fn golden_sizes_of_typical_errors() {
    // what-goes-wrong.md, section 2: tilt 30 deg (45 deg), 2 m arm, 1 deg of heading: 17.5 mm
    // (24.7 mm); boresight 0.5 deg at 1.5, 2.5, 4, 6, 10 m: 13, 22, 35, 52, 87 mm.
    let noise = AttitudeNoise::new(&Attitude { heading_bias_sigma_deg: 1.0, ..attitude() }, 0.0);
    let model = Model::new(&[vector(0.0, 0.0, 2.0, 0.0)], None, noise);
    for (tilt, want) in [(30.0, 17.5), (45.0, 24.7)] {
        let c = model.target(&shot(250.0, -tilt, 0.0, f64::NAN)).systematic;
        assert!(((c.ee + c.nn).sqrt() * 1e3 - want).abs() < 0.05 && c.uu == 0.0);
    }
    for (range, want) in [(1.5, 13.0), (2.5, 22.0), (4.0, 35.0), (6.0, 52.0), (10.0, 87.0)] {
        let model = Model::new(&[], Some(&Laser { beam_sigma_deg: 0.5, ..laser(0.0, -90.0) }), AttitudeNoise::default());
        let c = model.target(&shot(10.0, 0.0, 0.0, range)).systematic;
        assert!((c.ee.sqrt() * 1e3 - want).abs() < 0.5 && (c.nn.sqrt() * 1e3 - want).abs() < 0.5 && c.uu.abs() < 1e-18);
    }
    // The sigma of an epoch takes the place of the constant one; the declination stays.
    let noise = AttitudeNoise::new(&Attitude { heading_bias_sigma_deg: 1.0, ..attitude() }, 0.5);
    let model = Model::new(&[vector(0.0, 0.0, 2.0, 0.0)], None, noise);
    let aged = model.target(&Shot { heading_sigma_deg: 4.8, ..shot(0.0, 35.0, 0.0, f64::NAN) });
    let want = aged.arm_m * 4.8_f64.hypot(0.5).to_radians();
    assert!((aged.systematic.ee.sqrt() - want).abs() < 1e-9);
    // T17 of traps.md: 35 deg, 2.000 m, sigma heading 4.8 deg: arm 1.147 m, 0.096 m across the lean.
    let noise = AttitudeNoise::new(&Attitude { heading_sigma_deg: 4.8, ..attitude() }, 0.0);
    let target = Model::new(&[vector(0.0, 0.0, 2.0, 0.0)], None, noise).target(&shot(0.0, 35.0, 0.0, f64::NAN));
    assert!((target.arm_m - 1.147).abs() < 5e-4 && (target.random.ee.sqrt() - 0.096).abs() < 5e-4);
}

#[test]
fn time_tag_jitter_sizes() {
    // what-goes-wrong.md, P08: 0.11 s at 0.5 m/s is 55 mm; at 20 deg/s and 3 m it is 115 mm.
    let noise = AttitudeNoise::new(&Attitude { time_tag_sigma_s: 0.11, ..attitude() }, 0.0);
    let level = Laser { ..laser(0.0, 0.0) };
    let model = Model::new(&[], Some(&level), noise);
    let moving = model.target(&Shot { speed_m_s: 0.5, ..shot(0.0, 0.0, 0.0, 3.0) }).random;
    assert!(((moving.ee + moving.nn).sqrt() * 1e3 - 55.0).abs() < 0.1);
    let turning = model.target(&Shot { turn_rate_deg_s: 20.0, ..shot(0.0, 0.0, 0.0, 3.0) }).random;
    assert!((turning.ee.sqrt() * 1e3 - 115.2).abs() < 0.1);
}

const DRAWS: usize = 100_000;

fn sampled(mut draw: impl FnMut() -> [f64; 3]) -> Covariance {
    #[allow(clippy::cast_precision_loss)]
    let n = DRAWS as f64;
    let points: Vec<_> = (0..DRAWS).map(|_| draw()).collect();
    let mean = [0, 1, 2].map(|k| points.iter().map(|p| p[k]).sum::<f64>() / n);
    let mut c = Covariance::default();
    for p in points {
        c.add(1.0 / (n - 1.0), [p[0] - mean[0], p[1] - mean[1], p[2] - mean[2]]);
    }
    c
}

/// The standard error of a sample covariance is sqrt((c_ii c_jj + c_ij^2) / n); five of them, plus
/// `second` for the second-order part that the analytic form leaves out.
fn assert_close(have: &Covariance, want: &Covariance, second: f64, what: &str) {
    #[allow(clippy::cast_precision_loss)]
    let n = DRAWS as f64;
    for (h, w, vi, vj, name) in [
        (have.ee, want.ee, want.ee, want.ee, "ee"),
        (have.en, want.en, want.ee, want.nn, "en"),
        (have.eu, want.eu, want.ee, want.uu, "eu"),
        (have.nn, want.nn, want.nn, want.nn, "nn"),
        (have.nu, want.nu, want.nn, want.uu, "nu"),
        (have.uu, want.uu, want.uu, want.uu, "uu"),
    ] {
        let bound = 5.0 * ((vi * vj + w * w) / n).sqrt() + second;
        assert!((h - w).abs() < bound, "{what} {name}: sampled {h:e}, analytic {w:e}, bound {bound:e}");
    }
}

#[test]
fn jacobian_against_monte_carlo() {
    // Every contributor is drawn through the full, non-linear model at tilts from 0 to 70 degrees.
    let noise = Attitude {
        heading_sigma_deg: 0.6,
        tilt_sigma_deg: 0.25,
        heading_bias_sigma_deg: 0.5,
        tilt_bias_sigma_deg: 0.2,
        time_tag_sigma_s: 0.02,
        ..attitude()
    };
    let declination = 0.3;
    let lever = vector(0.08, -0.05, 1.35, 0.002);
    let phase = vector(0.001, 0.0, 0.09, 0.001);
    let beam = Laser {
        beam_sigma_deg: 0.15,
        zero_m: 0.012,
        zero_sigma_m: 0.002,
        scale: 1.0001,
        scale_sigma_ppm: 300.0,
        range_sigma_m: 0.003,
        ..laser(20.0, -55.0)
    };
    let turn = 9.0;
    let mut dice = Dice(20_261_125);
    for tilt in [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0] {
        for with_laser in [false, true] {
            let links = [phase, lever];
            let used = with_laser.then_some(&beam);
            let exact =
                |links: &[BodyVector], laser: Option<&Laser>, s: &Shot| Model::new(links, laser, AttitudeNoise::default()).target(s).enu;
            let base = Shot { turn_rate_deg_s: turn, ..shot(127.0, -0.8 * tilt, 0.6 * tilt, 3.4) };
            let got = Model::new(&links, used, AttitudeNoise::new(&noise, declination)).target(&base);
            let random = sampled(|| {
                let jitter = noise.time_tag_sigma_s * dice.normal();
                let s = Shot {
                    heading_deg: base.heading_deg + noise.heading_sigma_deg * dice.normal() + jitter * turn,
                    pitch_deg: base.pitch_deg + noise.tilt_sigma_deg * dice.normal(),
                    roll_deg: base.roll_deg + noise.tilt_sigma_deg * dice.normal(),
                    range_m: base.range_m + beam.range_sigma_m * dice.normal(),
                    ..base
                };
                exact(&links, used, &s)
            });
            // Second order: the variance of arm * angle^2 / 2, about arm^2 sigma^4.
            let second = 25.0 * 2.0 * 0.011_f64.powi(4);
            assert_close(&random, &got.random, second, &format!("random, tilt {tilt}, laser {with_laser}"));
            let systematic = sampled(|| {
                let mut shaken = links;
                for link in &mut shaken {
                    link.x_m += link.sigma_m * dice.normal();
                    link.y_m += link.sigma_m * dice.normal();
                    link.z_m += link.sigma_m * dice.normal();
                }
                // The beam moves across its two axes: elevation, and azimuth over cos(elevation).
                let bent = Laser {
                    beam_elevation_deg: beam.beam_elevation_deg + beam.beam_sigma_deg * dice.normal(),
                    beam_azimuth_deg: beam.beam_azimuth_deg
                        + beam.beam_sigma_deg * dice.normal() / beam.beam_elevation_deg.to_radians().cos(),
                    zero_m: beam.zero_m + beam.zero_sigma_m * dice.normal(),
                    scale: beam.scale + beam.scale_sigma_ppm * 1e-6 * dice.normal(),
                    ..beam
                };
                let s = Shot {
                    heading_deg: base.heading_deg + noise.heading_bias_sigma_deg * dice.normal() + declination * dice.normal(),
                    pitch_deg: base.pitch_deg + noise.tilt_bias_sigma_deg * dice.normal(),
                    roll_deg: base.roll_deg + noise.tilt_bias_sigma_deg * dice.normal(),
                    ..base
                };
                exact(&shaken, with_laser.then_some(&bent), &s)
            });
            assert_close(&systematic, &got.systematic, second, &format!("systematic, tilt {tilt}, laser {with_laser}"));
        }
    }
}

#[test]
fn vertical_pole_against_monte_carlo() {
    let mut dice = Dice(7);
    let model = Model::new(&[vector(0.0, 0.0, 2.0, 0.0)], None, AttitudeNoise::default());
    let said = model.vertical(1.0);
    let mut up = 0.0;
    let c = sampled(|| {
        let [e, n, u] = model.target(&shot(0.0, dice.normal(), dice.normal(), f64::NAN)).enu;
        up += (u + 2.0) * (u + 2.0);
        [e, n, u]
    });
    assert!((c.ee / said.random.ee - 1.0).abs() < 0.03 && (c.nn / said.random.nn - 1.0).abs() < 0.03);
    #[allow(clippy::cast_precision_loss)]
    let second_moment = up / DRAWS as f64;
    assert!((second_moment / said.random.uu - 1.0).abs() < 0.05, "{second_moment} {}", said.random.uu);
    assert!(said.enu == [0.0, 0.0, -2.0] && said.tilt_deg.is_nan());
}

#[test]
#[ignore = "measures speed; run by hand with --nocapture"]
fn speed_of_one_epoch() {
    let noise = AttitudeNoise::new(&Attitude { heading_sigma_deg: 0.6, tilt_sigma_deg: 0.25, time_tag_sigma_s: 0.02, ..attitude() }, 0.0);
    let beam = Laser { beam_sigma_deg: 0.15, zero_m: 0.012, ..laser(20.0, -55.0) };
    let model = Model::new(&[vector(0.08, -0.05, 1.35, 0.002)], Some(&beam), noise);
    let shots: Vec<_> = (0..1_000_000)
        .map(|i| f64::from(i) * 1e-4)
        .map(|x| Shot { turn_rate_deg_s: 1.0, speed_m_s: 0.1, ..shot(x, x * 0.1, -x * 0.2, 2.0) })
        .collect();
    for carry in [false, true] {
        let start = std::time::Instant::now();
        let mut sum = 0.0;
        for s in &shots {
            let t = std::hint::black_box(&model).target(s);
            sum += t.random.ee + t.systematic.uu + t.tilt_deg;
            if carry {
                let [e, n, u] = t.enu;
                sum += offset_enu(40.0, -105.0, 1500.0, e, n, u, WGS84).0;
            }
        }
        #[allow(clippy::cast_precision_loss)]
        let ns = start.elapsed().as_nanos() as f64 / shots.len() as f64;
        eprintln!("carried to latitude and longitude: {carry}; {ns:.0} ns per epoch ({sum:.3})");
    }
}

proptest! {
    #[test]
    fn covariance_is_never_negative(h in 0.0..360.0_f64, p in -90.0..90.0_f64, r in -180.0..180.0_f64, range in 0.0..50.0_f64,
                                    az in 0.0..360.0_f64, el in -90.0..90.0_f64, v in prop::array::uniform3(-1.0..1.0_f64)) {
        let noise = AttitudeNoise::new(&Attitude { heading_sigma_deg: 1.0, tilt_sigma_deg: 0.3, heading_bias_sigma_deg: 2.0, tilt_bias_sigma_deg: 0.1, ..attitude() }, 0.4);
        let beam = Laser { beam_sigma_deg: 0.5, zero_sigma_m: 0.001, range_sigma_m: 0.002, ..laser(az, el) };
        let t = Model::new(&[vector(0.1, 0.2, 1.5, 0.003)], Some(&beam), noise).target(&shot(h, p, r, range));
        for c in [t.random, t.systematic] {
            let [e, n, u] = v;
            let q = c.ee * e * e + c.nn * n * n + c.uu * u * u + 2.0 * (c.en * e * n + c.eu * e * u + c.nu * n * u);
            prop_assert!(q >= -1e-15, "{q}");
        }
        prop_assert!((t.arm_m - t.enu[0].hypot(t.enu[1])).abs() < 1e-12);
        // Turning the body by a whole turn, or the world by any angle, changes nothing but the azimuth.
        let turned = Model::new(&[vector(0.1, 0.2, 1.5, 0.003)], Some(&beam), noise).target(&shot(h + 41.0, p, r, range));
        let (s, co) = 41.0_f64.to_radians().sin_cos();
        prop_assert!((turned.enu[0] - (t.enu[0] * co + t.enu[1] * s)).abs() < 1e-11);
        prop_assert!((turned.enu[1] - (t.enu[1] * co - t.enu[0] * s)).abs() < 1e-11);
    }
}
