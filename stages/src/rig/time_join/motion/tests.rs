use super::*;
use proptest::prelude::*;

/// Seeded noise between -1 and 1.
fn noise(seed: u64, i: u64) -> f64 {
    let mut z = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(i.wrapping_mul(0xD1B5_4A32_D192_ED03));
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    #[allow(clippy::cast_precision_loss)]
    let unit = ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64;
    unit - 1.0
}

/// A crew that walks and stops: epochs at 1 Hz, attitude at 20 Hz stamped `lag` seconds late.
fn crew(seed: u64, minutes: i64, lag: f64, linked: bool) -> (Vec<i64>, Vec<f64>, Vec<f64>, Series, Series) {
    let start = 1_780_000_000 * SECOND_NS;
    // Walks of 6 to 20 s, stops of 8 to 30 s.
    let (mut walks, mut t, mut k) = (vec![], 5.0, 0);
    let end = 60.0 * f64::from(u32::try_from(minutes).unwrap());
    while t < end {
        let (walk, stop) = (13.0 + 7.0 * noise(seed, k), 19.0 + 11.0 * noise(seed, k + 1));
        walks.push((t, t + walk));
        t += walk + stop;
        k += 2;
    }
    let walking = |t: f64| walks.iter().any(|(a, b)| (*a..*b).contains(&t));
    let (mut times, mut lat, mut lon, mut x) = (vec![], vec![], vec![], 0.0);
    for i in 0..minutes * 60 {
        times.push(start + i * SECOND_NS);
        #[allow(clippy::cast_precision_loss)]
        let t = i as f64;
        lat.push(42.0 + (x + 0.008 * noise(seed + 9, i.unsigned_abs())) / 111_000.0);
        lon.push(-84.0);
        for s in 0..100 {
            x += if walking(t + (f64::from(s) + 0.5) / 100.0) { 0.012 } else { 0.0 };
        }
    }
    let (mut heading, mut pitch) = (Series::new(true), Series::new(false));
    let (mut h, mut j) = (80.0, 0_u64);
    for i in -1200..minutes * 1200 + 1200 {
        #[allow(clippy::cast_precision_loss)]
        let t = i as f64 / 20.0;
        // Not linked: another crew's pole.
        // What changed since the sample before changed about the middle of the two.
        let moving = if linked { walking(t - 0.025) } else { noise(seed + 77, (t / 11.0).floor().to_bits()) > 0.0 };
        j += 1;
        h += if moving { 3.0 * noise(seed + 1, j) } else { 0.05 * noise(seed + 1, j) };
        let p = if moving { 8.0 * (t * 5.0).sin() } else { 0.1 * noise(seed + 2, j) };
        let stamp = start + raw_logs::time_columns::to_ns(t + lag);
        heading.push(stamp, h);
        pitch.push(stamp, p);
    }
    heading.finish();
    pitch.finish();
    (times, lat, lon, heading, pitch)
}

fn lag_of(seed: u64, minutes: i64, lag: f64, linked: bool) -> Option<Lag> {
    let (times, lat, lon, heading, pitch) = crew(seed, minutes, lag, linked);
    compare(&times, &lat, &lon, &[&heading, &pitch])
}

#[test]
fn gps_time_declared_as_utc() {
    // T16 of traps.md: 18.00 s, and the finding names the scale.
    let found = lag_of(3, 10, 18.0, true).unwrap();
    assert!((found.lag_s - 18.0).abs() < 0.2, "{found:?}");
    let finding = found.finding("day", 18).unwrap();
    assert_eq!(
        (finding.code.as_str(), finding.verdict, finding.fix.as_str()),
        ("time/stream-lags", Verdict::Block, "set `time.scale: gps`")
    );
    assert!(finding.what.contains("is ahead of the log by 1") && finding.why.contains("18 s"), "{}", finding.what);
}

#[test]
fn interval_covers_the_lag() {
    // 95 % intervals over 300 crews and lags; the steps of path and intervals make them a little long.
    let mut covered = 0;
    for seed in 0..300 {
        let lag = 20.0 * noise(5, seed);
        let found = lag_of(seed + 100, 8, lag, true).unwrap();
        covered += usize::from((found.lag_s - lag).abs() <= found.within_95_s);
        assert!((found.lag_s - lag).abs() < 0.2 && found.within_95_s < 0.2, "{lag} {found:?}");
    }
    assert!((279..=294).contains(&covered), "{covered} of 300");
}

#[test]
fn right_clocks_are_left_alone() {
    for seed in 0..40 {
        let found = lag_of(seed + 300, 8, 0.0, true).unwrap();
        assert!(found.finding("day", 18).is_none(), "{found:?}");
        // A pole that moves at its own times says nothing.
        if let Some(other) = lag_of(seed + 300, 8, 0.0, false) {
            assert!(other.finding("day", 18).is_none(), "{other:?}");
        }
    }
}

#[test]
fn too_little_to_compare() {
    assert!(lag_of(1, 1, 18.0, true).is_none_or(|l| l.finding("d", 18).is_none()));
    let still: Vec<i64> = (0..600).map(|i| (1_780_000_000 + i) * SECOND_NS).collect();
    let (_, _, _, heading, _) = crew(1, 10, 0.0, true);
    assert!(compare(&still, &vec![42.0; 600], &vec![-84.0; 600], &[&heading]).is_none());
    assert!(compare(&[], &[], &[], &[]).is_none());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn any_numbers_are_no_panic(times in prop::collection::vec(any::<i32>(), 0..200), lat in -1e9..1e9_f64, samples in prop::collection::vec((any::<i32>(), -1e9..1e9_f64), 0..100)) {
        let t: Vec<i64> = times.iter().map(|t| i64::from(*t) * 1_000_000_000).collect();
        let mut s = Series::new(true);
        for (t, v) in samples {
            s.push(i64::from(t) * 100_000_000, v);
        }
        s.finish();
        let places: Vec<f64> = (0..t.len()).map(|i| if i % 7 == 0 { f64::NAN } else { lat }).collect();
        let _ = compare(&t, &places, &places, &[&s]);
    }
}
