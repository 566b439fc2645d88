use super::signals::{Inputs as Movement, Match, compare};
use super::*;
use crate::rig::testing::{Row, bind_with, schema, table};
use crate::rig::time_join::series::Series;
use pipeline_base::table::schema::PhysicalPoint;
use pipeline_core::stage::cx::Collect;
use raw_logs::time_columns::{SECOND_NS, to_ns};
use std::path::Path;
use survey_mathematics::rotation::Rotation;

/// Seeded noise between -1 and 1.
fn noise(seed: u64, i: u64) -> f64 {
    let mut z = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(i.wrapping_mul(0xD1B5_4A32_D192_ED03));
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    #[allow(clippy::cast_precision_loss)]
    let unit = ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64;
    unit - 1.0
}

const START: i64 = 1_780_000_000 * SECOND_NS;
const POLE: BodyVector = BodyVector { x_m: 0.0, y_m: 0.0, z_m: 2.0, sigma_m: 0.001 };

/// How the crew moves.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    /// The foot stays, the pole is swung.
    Swings,
    /// It walks in bends without a stop.
    Walks,
    /// It stands and holds still.
    Still,
}

/// Heading, pitch, roll and the walker's place at a time.
fn pose(kind: Kind, seed: u64, t: f64) -> (f64, f64, f64, f64, f64) {
    let wave = |k: u64, period: f64| (t * std::f64::consts::TAU / (period + noise(seed, k)) + 3.0 * noise(seed, k + 50)).sin();
    match kind {
        Kind::Still => (80.0, -1.0, 0.5, 0.0, 0.0),
        Kind::Swings => (80.0 + 20.0 * wave(1, 11.0), 12.0 * wave(2, 5.0) + 4.0 * wave(3, 8.0), 10.0 * wave(4, 6.5), 0.0, 0.0),
        Kind::Walks => (80.0 + 70.0 * wave(5, 23.0) + 30.0 * wave(6, 13.0), 2.0 * wave(7, 1.3), 1.0, 0.0, 0.0),
    }
}

struct Scene {
    times: Vec<i64>,
    place: [Vec<f64>; 3],
    own: [Vec<f64>; 3],
    stream: [Series; 3],
}

fn scene(kind: Kind, seed: u64, minutes: i64, lag_s: f64) -> Scene {
    let mut s = Scene {
        times: vec![],
        place: [vec![], vec![], vec![]],
        own: [vec![], vec![], vec![]],
        stream: [Series::new(true), Series::new(false), Series::new(true)],
    };
    let (mut east, mut north) = (0.0, 0.0);
    for i in 0..minutes * 300 {
        #[allow(clippy::cast_precision_loss)]
        let t = i as f64 * 0.2;
        let (h, p, r, ..) = pose(kind, seed, t);
        if kind == Kind::Walks {
            // The step since the epoch before is walked with the heading of its middle.
            let (middle, ..) = pose(kind, seed, t - 0.1);
            east += 0.2 * 1.1 * middle.to_radians().sin();
            north += 0.2 * 1.1 * middle.to_radians().cos();
        }
        let [n, e, d] = Rotation::new(h, p, r).apply([0.0, 0.0, 2.0]);
        let k = i.unsigned_abs();
        let gnss = |c: u64| 0.006 * noise(seed + c, k);
        s.times.push(START + i * SECOND_NS / 5);
        s.place[0].push(42.0 + (north - n + gnss(7)) / 111_195.0);
        s.place[1].push(-84.0 + (east - e + gnss(8)) / (111_195.0 * 42_f64.to_radians().cos()));
        s.place[2].push(200.0 + d + 2.0 * gnss(9));
        for (c, (own, v)) in s.own.iter_mut().zip([h, p, r]).enumerate() {
            own.push(v + 0.2 * noise(seed + 2000 + 7 * c as u64, k));
        }
    }
    for j in -3000..minutes * 3000 + 3000 {
        #[allow(clippy::cast_precision_loss)]
        let t = j as f64 * 0.02;
        let (h, p, r, ..) = pose(kind, seed, t);
        let k = (j + 5000).unsigned_abs();
        for (c, (series, v)) in s.stream.iter_mut().zip([h, p, r]).enumerate() {
            series.push(START + to_ns(t + lag_s), v + 0.2 * noise(seed + 3000 + 7 * c as u64, k));
        }
    }
    s.stream.iter_mut().for_each(Series::finish);
    s
}

fn tried(s: &Scene, with_own: bool, with_pole: bool, reach_s: f64) -> Vec<Match> {
    let movement = Movement {
        times: &s.times,
        place: [&s.place[0], &s.place[1], &s.place[2]],
        own: if with_own { [0, 1, 2].map(|k| Some(s.own[k].as_slice())) } else { [None; 3] },
        stream: [0, 1, 2].map(|k| Some(&s.stream[k])),
        pole: with_pole.then_some(POLE),
        max_gap_ns: SECOND_NS,
    };
    compare(&movement, reach_s)
}

fn best(list: &[Match]) -> Option<&Match> {
    list.iter().filter(|m| m.clear()).min_by(|a, b| a.peak.within_95_s.total_cmp(&b.peak.within_95_s))
}

#[test]
fn every_way_finds_the_lag() {
    for (kind, with_own, with_pole, by) in [
        (Kind::Swings, true, false, "turn rate"),
        (Kind::Swings, false, true, "sway"),
        (Kind::Walks, false, false, "course"),
        (Kind::Walks, true, true, "turn rate"),
    ] {
        for lag in [18.0, -7.3, 0.0, 0.24] {
            let list = tried(&scene(kind, 5, 4, lag), with_own, with_pole, 60.0);
            let m = best(&list).unwrap_or_else(|| panic!("{by} {lag}: {list:#?}"));
            assert!((m.peak.lag_s - lag).abs() < 0.02, "{by} {lag}: {list:#?}");
            assert_eq!(m.by, by, "{list:#?}");
        }
    }
}

/// 95 % intervals over 500 crews and lags: whether the one that is given covers the truth, by way; `None` where none is given.
fn covered(seeds: std::ops::Range<u64>) -> Vec<Option<(&'static str, bool)>> {
    let one = |seed: u64| {
        let lag = 22.0 * noise(9, seed);
        let kind = if seed.is_multiple_of(2) { Kind::Swings } else { Kind::Walks };
        let list = tried(&scene(kind, seed + 200, 3, lag), seed % 4 < 2, true, 25.0);
        let m = best(&list)?;
        assert!((m.peak.lag_s - lag).abs() < 0.1 && m.peak.within_95_s < 0.1, "{seed} {lag}: {m:?}");
        Some((m.by, (m.peak.lag_s - lag).abs() <= m.peak.within_95_s))
    };
    seeds.map(one).collect()
}

#[test]
fn the_interval_is_honest() {
    let halves = [0..250, 250..500].map(|seeds| std::thread::spawn(move || covered(seeds)));
    let all: Vec<Option<(&str, bool)>> = halves.into_iter().flat_map(|h| h.join().unwrap()).collect();
    for way in ["turn rate", "sway", "course"] {
        let of = || all.iter().flatten().filter(|(by, _)| *by == way);
        eprintln!("{way}: {} of {} intervals cover the lag", of().filter(|(_, inside)| *inside).count(), of().count());
        assert!(of().count() > 50, "{way}");
    }
    let (given, inside) = (all.iter().flatten().count(), all.iter().flatten().filter(|(_, inside)| *inside).count());
    // A crew whose bends repeat themselves fits at two lags; that is said to be not observable, and must be rare.
    assert!(given >= 475, "{given} of 500 lags are observable");
    assert!((93 * given..=97 * given).contains(&(100 * inside)), "{inside} of {given}");
}

#[test]
fn a_still_log_is_not_observable() {
    for seed in 0..10 {
        let list = tried(&scene(Kind::Still, seed, 4, 18.0), true, true, 60.0);
        assert!(best(&list).is_none(), "{list:#?}");
    }
}

fn stage_on(kind: Kind, lag: f64) -> Diagnostic {
    let folder = tempfile::tempdir().unwrap();
    let s = scene(kind, 5, 3, lag);
    let mut text = String::from("time,yaw,pitch,roll\n");
    let (times, h) = s.stream[0].samples();
    for (k, t) in times.iter().enumerate().step_by(5) {
        #[allow(clippy::cast_precision_loss)]
        let seconds = *t as f64 / 1e9;
        text += &format!("{seconds:.3},{:.3},{:.3},{:.3}\n", h[k], s.stream[1].samples().1[k], s.stream[2].samples().1[k]);
    }
    std::fs::write(folder.path().join("imu.csv"), text).unwrap();
    let input = schema(PhysicalPoint::AntennaReferencePoint, false);
    let options: Options = serde_json::from_value(json!({
        "files": ["imu.csv"], "time": {"column": "time", "format": "unix-s", "scale": "utc"},
        "heading": {"column": "yaw", "unit": "deg"}, "pitch": {"column": "pitch", "unit": "deg"}, "roll": {"column": "roll", "unit": "deg"}
    }))
    .unwrap();
    let bound = bind_with(std::slice::from_ref(&input), None, folder.path(), |cx| EstimateLag::bind(options, cx))
        .unwrap_or_else(|p| panic!("{p:?}"));
    let rows: Vec<Row> = (0..s.times.len())
        .map(|k| Row {
            time: s.times[k],
            place: [s.place[0][k], s.place[1][k], s.place[2][k]],
            attitude: [s.own[0][k], s.own[1][k], s.own[2][k]],
            ..Row::default()
        })
        .collect();
    let world = Collect::new(Path::new("."));
    let data = table(&input, &rows);
    let out = bound.stage.run(std::slice::from_ref(&data), &Cx::new(&world, "t", None)).unwrap();
    assert!(out.data.equals_missing(&data.data));
    let said = world.said();
    said.findings.iter().find(|f| f.code.starts_with("time/lag")).unwrap().clone()
}

#[test]
fn gps_time_and_whole_seconds_are_named() {
    // T16 of traps.md: 18.00 s, the present difference of GPS time and UTC.
    let f = stage_on(Kind::Swings, 18.0);
    assert_eq!((f.code.as_str(), f.verdict, f.fix.as_str()), ("time/lag", Verdict::Warn, "set `time.scale: gps`"));
    assert!(f.what.contains("ahead of the log by 18.00") || f.what.contains("ahead of the log by 17.99"), "{f:?}");
    assert!(f.why.contains("18 s"), "{f:?}");
    assert_eq!(stage_on(Kind::Swings, -18.0).fix, "set `time.scale: utc`");
    let f = stage_on(Kind::Swings, 7.0);
    assert!(f.why.contains("whole number of seconds") && f.fix.contains("lag_s: 7.00"), "{f:?}");
    let f = stage_on(Kind::Walks, 0.37);
    assert!(f.verdict == Verdict::Warn && f.why.contains("delay"), "{f:?}");
    assert_eq!(stage_on(Kind::Walks, 0.0).verdict, Verdict::Note);
    let f = stage_on(Kind::Still, 18.0);
    assert_eq!(f.code, "time/lag-not-observable");
}
