//! The epochs of the demo lead back to its truth, by the stated rig, within what the stated sigmas allow.
#![allow(missing_docs, clippy::expect_used)]

use generator::earth::{Local, V3, add, itrf2020_to_nad83, length, sub, times};
use generator::pose::{Pose, reach};
use generator::rig::NOMINAL;
use generator::scene::{SEED, draws, plans, site};
use generator::session::{Aim, Constant, Fault, Session, Stop, run};
use generator::time::decimal_year;

/// Mean of the targets of a burst, less the truth, local east, north, up.
fn miss(s: &Session, stop: &Stop, first: i64, last: i64) -> Option<V3> {
    let site = site();
    let (mut sum, mut count) = ([0.0; 3], 0.0);
    for e in s.epochs.iter().filter(|e| (first..=last).contains(&e.time) && e.quality == 4) {
        let pose = e.pose?;
        let offset = match stop.aim {
            Aim::Tip => pose.enu(NOMINAL.pole),
            Aim::Laser(_) => reach(&NOMINAL, pose, e.range? + NOMINAL.zero),
        };
        let x = itrf2020_to_nad83(Local::at(e.place).xyz(offset), decimal_year(e.time));
        sum = add(sum, sub(site.enu(x), stop.target()));
        count += 1.0;
    }
    (count > 0.0).then(|| times(1.0 / count, sum))
}

#[test]
fn bursts_lead_back_to_the_truth() {
    let d = draws(SEED);
    let mut good = 0;
    for (k, plan) in plans(SEED).iter().enumerate() {
        let s = run(plan, &site(), &Constant { heading: d.heading[k], ..d.constant });
        assert_eq!(s.bursts.len(), plan.stops.len());
        for b in &s.bursts {
            let stop = &plan.stops[b.stop];
            if stop.faults.iter().any(|f| matches!(f, Fault::Nearer(..))) {
                continue;
            }
            let Some(m) = miss(&s, stop, b.first, b.last) else { continue };
            // Three times the 95 % bound of an ordinary shot.
            assert!(length([m[0], m[1], 0.0]) < 0.11 && m[2].abs() < 0.11, "{} {m:?}", stop.point);
            good += 1;
        }
    }
    assert_eq!(good, 48);
}

#[test]
fn the_crew_stands_where_people_stand() {
    for plan in plans(SEED) {
        for stop in &plan.stops {
            let Aim::Laser(target) = stop.aim else { continue };
            let d = sub(target, stop.stand);
            let (away, drop) = (length([d[0], d[1], 0.0]), -d[2]);
            assert!((0.9..4.0).contains(&away) && (1.0..2.6).contains(&drop), "{}: {away:.2} m away, {drop:.2} m down", stop.point);
            let tilt = Pose { heading: 0.0, pitch: stop.pitch, roll: stop.roll }.tilt();
            assert!((4.0..36.0).contains(&tilt), "{}: {tilt}", stop.point);
        }
    }
}

#[test]
fn one_burst_spans_midnight() {
    let [plan, _] = plans(SEED);
    let d = draws(SEED);
    let s = run(&plan, &site(), &Constant { heading: d.heading[0], ..d.constant });
    let midnight = generator::time::at(2026, 3, 18, 0, 0, 0);
    assert_eq!(s.bursts.iter().filter(|b| b.first < midnight && b.last >= midnight).count(), 1);
    assert!(s.epochs.windows(2).all(|w| w[1].time - w[0].time == 200));
}
