use super::comparison::{ReadyOperation, candidates};
use super::datum_links::DatumLinks;
use super::*;
use crate::crs::define;
use crate::{GRS80, offset_enu};
use survey_testing::shared;

fn mark(name: &str, published: (f64, f64, f64), measured: (f64, f64, f64)) -> Mark {
    let some = |p: (f64, f64, f64)| (p.0, p.1, Some(p.2));
    Mark { name: name.into(), published: some(published), measured: some(measured) }
}

fn stated(frame: &str, epoch: Option<f64>) -> StatedFrame {
    StatedFrame { frame: frame.into(), epoch }
}

/// Noise of some millimetres that differs from mark to mark.
fn shaken(p: (f64, f64, f64), i: usize) -> (f64, f64, f64) {
    #[allow(clippy::cast_precision_loss)]
    let x = i as f64;
    offset_enu(p.0, p.1, p.2, 0.005 * (2.0 * x).sin(), 0.004 * (3.0 * x).cos(), 0.006 * x.sin(), GRS80)
}

fn around(p: (f64, f64, f64)) -> Vec<(f64, f64, f64)> {
    [(0.0, 0.0), (600.0, 150.0), (-250.0, 800.0), (300.0, -500.0)]
        .iter()
        .map(|(e, n)| offset_enu(p.0, p.1, p.2, *e, *n, 2.0, GRS80))
        .collect()
}

#[test]
fn datum_shift_applied_twice() {
    // Trap T05: the stream is in NAD83(2011), the job says ITRF2020; control in NAD83(2011).
    let known = around((42.73, -84.55, 220.0));
    let marks: Vec<Mark> = known.iter().enumerate().map(|(i, p)| mark(&format!("CP{i}"), *p, shaken(*p, i))).collect();
    let question = FrameQuestion {
        marks: &marks,
        published: stated("EPSG:6319", None),
        measured: Some(stated("EPSG:9989", Some(2025.5))),
        observed: Some(2025.5),
        tolerance_m: 0.03,
        folders: &[],
    };
    let lineup = lineup(&question, Search::Always).unwrap();
    let as_stated = lineup.as_stated.clone().unwrap();
    // traps.md T05: dE +0.906 dN -0.955 dH +1.090 m, 1.317 m horizontally, with the opposite sign of the sum: here
    // nothing was computed yet, and measured minus expected is the shift itself.
    let (e, n, u) = as_stated.mean_m;
    assert!((e.hypot(n) - 1.317).abs() < 0.01, "{as_stated:?}");
    assert!((e.abs() - 0.906).abs() < 0.01 && (n.abs() - 0.955).abs() < 0.01 && (u.unwrap().abs() - 1.090).abs() < 0.01, "{as_stated:?}");
    let accused = accuse(&lineup, &question).unwrap();
    assert_eq!(accused.finding.code, "frame/other-frame-fits");
    let best = &accused.suspects[0];
    assert_eq!((best.frame.as_str(), best.side, best.epoch), ("EPSG:6319", Side::Measured, None), "{:#?}", accused.suspects);
    assert!(best.rms_m < 0.01 && best.accuracy_m == 0.0);
    assert!(accused.finding.fix.contains("EPSG:6319") && accused.finding.size.contains("1.3"), "{:#?}", accused.finding);
    assert!(lineup.looked_at > 30, "{}", lineup.looked_at);
    // Where a search is asked for only when it is needed: it is.
    assert_eq!(super::lineup(&question, Search::WhereOff).unwrap(), lineup);
}

#[test]
fn nothing_is_said_where_the_stated_frame_is_right() {
    // 42.73 N 84.55 W from NAD83(2011) to ITRF2020 at 2025.5 by the registry's own operation.
    let proj = open(&[]).unwrap();
    let (from, to) = (define(&proj, "EPSG:6319").unwrap(), define(&proj, "EPSG:9989").unwrap());
    let way = ReadyOperation::find(&proj, &from, &to, (42.73, -84.55)).unwrap();
    let marks: Vec<Mark> = around((42.73, -84.55, 220.0))
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let out = way.carry([p.1, p.0, p.2], 2025.5).unwrap();
            mark(&format!("CP{i}"), *p, shaken((out[1], out[0], out[2]), i))
        })
        .collect();
    let question = FrameQuestion {
        marks: &marks,
        published: stated("EPSG:6319", None),
        measured: Some(stated("EPSG:9989", Some(2025.5))),
        observed: Some(2025.5),
        tolerance_m: 0.03,
        folders: &[],
    };
    let found = lineup(&question, Search::Always).unwrap();
    assert!(accuse(&found, &question).is_none(), "{:#?}", found.as_stated);
    let quick = lineup(&question, Search::WhereOff).unwrap();
    assert!(quick.suspects.is_empty() && quick.as_stated == found.as_stated && accuse(&quick, &question).is_none());
    // The epoch comes out of the numbers: this place moves by 0.02 m a year in ITRF2020.
    let fitted = found.suspects.iter().find(|s| s.frame == "EPSG:9989" && s.epoch_by == EpochBy::Fitted).unwrap();
    assert!((fitted.epoch.unwrap() - 2025.5).abs() < 0.5, "{fitted:?}");
    // Without a declaration the lineup still names the frame and the epoch of the measurement.
    let undeclared = FrameQuestion { measured: None, ..question };
    let found = lineup(&undeclared, Search::Always).unwrap();
    let accused = accuse(&found, &undeclared).unwrap();
    assert!(accused.suspects.iter().any(|s| s.frame == "EPSG:9989" && s.epoch == Some(2025.5)), "{:#?}", accused.suspects);
}

#[test]
fn control_in_an_older_realisation() {
    // Trap S8 with S-GDA94-GDA2020-ALIC (ICSM GDA2020 Technical Manual 3.1.1): the list says GDA2020 and holds GDA94.
    let gda94 = GRS80.geodetic(-4_052_051.764_3, 4_212_836.201_7, -2_545_106.024_5);
    let gda2020 = GRS80.geodetic(-4_052_052.737_9, 4_212_835.989_7, -2_545_104.589_8);
    let marks = [mark("ALIC", gda94, gda2020)];
    let question = FrameQuestion {
        marks: &marks,
        published: stated("EPSG:7843", None),
        measured: Some(stated("EPSG:7843", None)),
        observed: Some(2026.4),
        tolerance_m: 0.02,
        folders: &[],
    };
    let found = lineup(&question, Search::Always).unwrap();
    let accused = accuse(&found, &question).unwrap();
    let best = &accused.suspects[0];
    assert_eq!((best.frame.as_str(), best.side), ("EPSG:4939", Side::Published), "{:#?}", accused.suspects);
    assert!(best.rms_m < 0.001, "{}", best.rms_m);
    // The manual's own shift on the grid: 0.8364 m east, 1.5297 m north.
    assert!(accused.finding.size.starts_with("1.74"), "{}", accused.finding.size);
}

#[test]
fn an_epoch_left_out_over_eight_years() {
    // S-ITRF2014-GDA2020-ALIC (ICSM manual 3.3.1): ITRF2014 at 2018.0. Said to be at 2026.4.
    let measured = GRS80.geodetic(-4_052_052.658_8, 4_212_835.993_8, -2_545_104.694_6);
    let published = GRS80.geodetic(-4_052_052.737_3, 4_212_835.983_5, -2_545_104.586_7);
    let marks = [mark("ALIC", published, measured)];
    let question = FrameQuestion {
        marks: &marks,
        published: stated("EPSG:7843", None),
        measured: Some(stated("EPSG:7912", Some(2026.4))),
        observed: Some(2026.4),
        tolerance_m: 0.02,
        folders: &[],
    };
    let found = lineup(&question, Search::Always).unwrap();
    let as_stated = found.as_stated.clone().unwrap();
    // 8.4 years of about 0.07 m.
    assert!((0.5..0.65).contains(&as_stated.rms_m), "{as_stated:?}");
    let accused = accuse(&found, &question).unwrap();
    let fitted = accused.suspects.iter().find(|s| s.frame == "EPSG:7912").unwrap();
    assert!(fitted.epoch_by == EpochBy::Fitted && (fitted.epoch.unwrap() - 2018.0).abs() < 0.05, "{fitted:?}");
}

#[test]
fn real_stations_agree_with_themselves_and_with_no_wrong_frame() {
    // Reference stations of the Australian national adjustment (../shared/data/control_points): geographic
    // coordinates against their own geocentric ones, all GDA2020, PROJ agreed to 0.2 mm when the list was gathered.
    let Some(path) = shared("data/control_points/australia_reference_stations_even.txt") else { return };
    let text = std::fs::read_to_string(path).unwrap();
    let packed = |v: f64| {
        let sign = v.signum();
        let v = v.abs();
        let degrees = v.trunc();
        let minutes = ((v - degrees) * 100.0 + 1e-9).trunc();
        let seconds = (v - degrees - minutes / 100.0) * 10_000.0;
        sign * (degrees + minutes / 60.0 + seconds / 3600.0)
    };
    let marks: Vec<Mark> = text
        .lines()
        .map(|line| {
            let t: Vec<&str> = line.split_whitespace().collect();
            let v = |i: usize| t[i].parse::<f64>().unwrap();
            mark(t[0], (packed(v(5)), packed(v(6)), v(8)), GRS80.geodetic(v(9), v(10), v(11)))
        })
        .collect();
    assert_eq!(marks.len(), 55);
    let question = FrameQuestion {
        marks: &marks,
        published: stated("EPSG:7843", None),
        measured: Some(stated("EPSG:7843", None)),
        observed: Some(2020.0),
        tolerance_m: 0.001,
        folders: &[],
    };
    let found = lineup(&question, Search::Always).unwrap();
    assert!(found.as_stated.as_ref().unwrap().rms_m < 0.000_5, "{:?}", found.as_stated);
    assert!(accuse(&found, &question).is_none());
    // The same numbers said to be GDA94: only GDA2020 and what is the same at 2020.0 fit.
    let question = FrameQuestion { measured: Some(stated("EPSG:4939", None)), ..question };
    let found = lineup(&question, Search::Always).unwrap();
    let accused = accuse(&found, &question).unwrap();
    assert!(accused.suspects.iter().any(|s| s.frame == "EPSG:7843" && s.side == Side::Measured), "{:#?}", accused.suspects);
    assert!(accused.suspects.iter().all(|s| s.frame != "EPSG:4939" || s.side == Side::Published));
}

#[test]
fn a_blunder_is_no_frame() {
    let known = around((42.73, -84.55, 220.0));
    let marks: Vec<Mark> = known
        .iter()
        .enumerate()
        .map(|(i, p)| mark(&format!("CP{i}"), *p, offset_enu(p.0, p.1, p.2, 0.0, if i == 2 { 0.381 } else { 0.0 }, 0.0, GRS80)))
        .collect();
    let question = FrameQuestion {
        marks: &marks,
        published: stated("EPSG:6319", None),
        measured: Some(stated("EPSG:6319", None)),
        observed: Some(2026.4),
        tolerance_m: 0.03,
        folders: &[],
    };
    let accused = accuse(&lineup(&question, Search::Always).unwrap(), &question).unwrap();
    assert!(accused.finding.code == "frame/no-frame-fits" && accused.suspects.is_empty(), "{accused:#?}");
    assert!(accused.finding.size.contains("CP2"), "{}", accused.finding.size);
    // A moving frame without an epoch, and no mark at all.
    let code = |q: &FrameQuestion| lineup(q, Search::Always).unwrap_err().finding.code;
    assert_eq!(
        code(&FrameQuestion {
            measured: Some(stated("EPSG:9989", None)),
            folders: &[],
            marks: &marks,
            published: stated("EPSG:6319", None),
            observed: None,
            tolerance_m: 0.03
        }),
        "frame/no-epoch"
    );
    assert_eq!(
        code(&FrameQuestion {
            measured: None,
            folders: &[],
            marks: &[],
            published: stated("EPSG:6319", None),
            observed: None,
            tolerance_m: 0.03
        }),
        "frame/no-marks"
    );
}

#[test]
fn no_operation_is_passed_over_that_can_tell_frames_apart() {
    // Places with many frames: the Gulf of Mexico, the Netherlands, Alice Springs, Tokyo, Quito, Fiji beyond 180 degrees.
    let places = [(27.52, -86.61), (52.1, 5.2), (-23.67, 133.89), (35.7, 139.7), (-0.2, -78.5), (-17.0, -179.9)];
    let mut found = (0, 0);
    for place in places {
        let proj = open(&[]).unwrap();
        let joins = DatumLinks::read(&proj, place);
        let frames = candidates(&proj, place);
        // One plate-fixed frame and one moving frame against all others, both ways.
        let fixed = frames.iter().find(|f| !f.crs.dynamic && f.datum.is_some()).unwrap();
        let moving = frames.iter().find(|f| f.crs.code() == "EPSG:9989").unwrap();
        for (a, b) in frames.iter().flat_map(|f| [(fixed, f), (f, moving)]) {
            let best_m = joins.best_m(a.datum.as_deref(), b.datum.as_deref());
            let Some(way) = ReadyOperation::find(&proj, &a.object, &b.object, place) else {
                found.1 += 1;
                continue;
            };
            found.0 += 1;
            if way.accuracy_m <= 0.5 {
                assert!(
                    best_m <= way.accuracy_m + 1e-9,
                    "{} -> {}: {} with {} m, {best_m}",
                    a.crs.title(),
                    b.crs.title(),
                    way.name,
                    way.accuracy_m
                );
            }
        }
    }
    // The test has seen pairs of both kinds.
    assert!(found.0 > 100 && found.1 > 50, "{found:?}");
}
