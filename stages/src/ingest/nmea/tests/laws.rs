//! Laws that hold for any damage to a log.

use super::*;
use proptest::prelude::*;

/// Epoch `i` of a log in which every value tells the number of its epoch.
fn epoch(i: usize) -> Vec<String> {
    let time = format!("{:02}{:02}{:02}.00", 10 + i / 3600, i / 60 % 60, i % 60);
    vec![
        sentence(&format!("GNGGA,{time},4001.{:07},N,10515.7654321,W,4,18,0.6,{i}.000,M,0.500,M,{i}.0,0231", i * 10)),
        sentence(&format!("GNGST,{time},28,,,,{0}.25,{0}.5,{0}.75", i + 1)),
        sentence(&format!("GNRMC,{time},A,4001.{:07},N,10515.7654321,W,{i}.0,31.66,140325,,,R,V", i * 10)),
        sentence(&format!("GNGSA,A,3,01,02,,,,,,,,,,,{}.5,0.8,1.2,1", i + 1)),
        sentence(&format!("HEHDT,{i}.0,T")),
        sentence(&format!("YXXDR,A,{i}.0,D,PITCH,A,{i}.0,D,ROLL,D,{i}.5,M,RANGE")),
    ]
}

fn settings() -> Settings {
    let mut rig = rig();
    rig.gnss.sigma_factor = 1.0;
    rig.sensors.pitch.as_mut().unwrap().opposite_sign = false;
    rig.sensors.pitch.as_mut().unwrap().offset = 0.0;
    Settings::new(Some(UntimedRule::AfterTime), ChecksumRule::default(), HeightRule::default(), Some(&rig))
}

/// The number of each epoch by its time; every other value must tell the same or be missing.
fn check(columns: &EpochColumns, untimed: bool) -> Result<(), TestCaseError> {
    for row in 0..columns.rows() {
        let i = columns.time[row].rem_euclid(number::DAY) as f64 / 1e9 - 36_000.0;
        let same = |v: f64, want: f64| v.is_nan() || (v - want).abs() < 1e-9;
        prop_assert!(same(columns.height[row], i + 0.5), "height {row}");
        prop_assert!(same(columns.correction_age[row], i), "age {row}");
        prop_assert!(same((columns.latitude[row] - 40.0) * 60.0, 1.0 + i * 1e-6), "latitude {row}");
        if !columns.sigma_assumed[row] {
            prop_assert!(
                same(columns.sigma_north[row], i + 1.25) && same(columns.sigma_east[row], i + 1.5) && same(columns.sigma_up[row], i + 1.75),
                "sigma {row}"
            );
        }
        prop_assert!(same(columns.speed[row], i * sentence::KNOT), "speed {row}");
        if untimed {
            prop_assert!(same(columns.pdop[row], i + 1.5), "pdop {row}");
            prop_assert!(same(columns.heading[row], i), "heading {row}");
            prop_assert!(same(columns.pitch[row], i) && same(columns.roll[row], i) && same(columns.range[row], i + 0.5), "xdr {row}");
        }
    }
    Ok(())
}

use raw_logs::nmea::sentence;
fn sentence(body: &str) -> String {
    super::sentence(body)
}

fn lines(epochs: usize) -> Vec<String> {
    (0..epochs).flat_map(epoch).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Cut and merged lines, also many: timed and untimed values stay with their epoch.
    #[test]
    fn cuts_move_no_value(cuts in proptest::collection::vec((0_usize..180, 1_usize..40), 0..12)) {
        let mut lines = lines(30);
        for (line, keep) in &cuts {
            let text = &mut lines[*line];
            // Half keep the line end, half lose it, so that the next line is swallowed.
            let end = if keep % 2 == 0 { "\r\n" } else { "" };
            let kept = (*keep).min(text.len());
            *text = format!("{}{end}", &text[..kept].trim_end());
        }
        let log = read(&settings(), lines.concat().as_bytes());
        check(&log.columns, true)?;
    }

    /// Changed characters, at most one in every third line: two in one sentence can keep its checksum.
    #[test]
    fn changed_bytes_move_no_value(changes in proptest::collection::btree_map(0_usize..60, (0_usize..200, any::<u8>()), 0..30)) {
        let mut lines: Vec<Vec<u8>> = lines(30).into_iter().map(String::into_bytes).collect();
        for (third, (at, byte)) in &changes {
            let line = &mut lines[third * 3];
            let at = at % line.len();
            line[at] = *byte;
        }
        let bytes = lines.concat();
        let log = read(&settings(), &bytes);
        check(&log.columns, true)?;
    }

    /// Whole lines that are gone, doubled or out of place: timed values stay with their epoch.
    #[test]
    fn lost_and_doubled_lines_move_no_timed_value(
        gone in proptest::collection::vec(0_usize..180, 0..40),
        doubled in proptest::collection::vec(0_usize..180, 0..20),
        moved in proptest::collection::vec((0_usize..180, 1_usize..30), 0..20),
    ) {
        let mut lines = lines(30);
        for line in doubled { let text = lines[line].clone(); lines[line] = text.repeat(2); }
        for line in gone { lines[line].clear(); }
        for (line, by) in moved { let text = std::mem::take(&mut lines[line]); let to = (line + by).min(179); lines[to] += &text; }
        let log = read(&settings(), lines.concat().as_bytes());
        check(&log.columns, false)?;
    }

    /// The order of the sentences of an epoch does not matter.
    #[test]
    fn order_within_an_epoch_does_not_matter(orders in proptest::collection::vec(Just((0_usize..6).collect::<Vec<_>>()).prop_shuffle(), 12)) {
        // With the timed sentences anywhere, the untimed ones keep the rule: one timed stands first.
        let plain = read(&settings(), lines(12).concat().as_bytes());
        let mut text = String::new();
        for (i, order) in orders.iter().enumerate() {
            let all = epoch(i);
            let first = order.iter().find(|k| **k < 3).copied().unwrap_or(0);
            text += &all[first];
            order.iter().filter(|k| **k != first).for_each(|k| text += &all[*k]);
        }
        let shuffled = read(&settings(), text.as_bytes());
        prop_assert_eq!(format!("{:?}", plain.columns), format!("{:?}", shuffled.columns));
    }

    /// Two epochs at a time, mixed: the same rows.
    #[test]
    fn interleaved_epochs_are_told_apart(mix in proptest::collection::vec(any::<bool>(), 90)) {
        let timed: Vec<Vec<String>> = (0..30).map(|i| epoch(i)[..3].to_vec()).collect();
        let plain = read(&settings(), timed.concat().concat().as_bytes());
        let mut text = String::new();
        for pair in timed.chunks(2) {
            let (mut a, mut b) = (pair[0].iter(), pair[1].iter());
            text += a.next().unwrap();
            for first in &mix[..5] {
                let next = if *first { a.next().or_else(|| b.next()) } else { b.next().or_else(|| a.next()) };
                text += next.unwrap();
            }
        }
        let mixed = read(&settings(), text.as_bytes());
        let bare = |c: &EpochColumns| { let mut c = c.clone(); c.line_first.clear(); c.line_last.clear(); format!("{c:?}") };
        prop_assert_eq!(bare(&plain.columns), bare(&mixed.columns));
    }

    /// Any bytes: no panic, every line counted (in `read`), and findings can be made.
    #[test]
    fn any_bytes_do_no_harm(bytes in proptest::collection::vec(any::<u8>(), 0..3000), pieces in proptest::collection::vec((0_usize..60, 0_usize..60), 0..10)) {
        let mut all = bytes;
        let good = lines(10);
        for (at, line) in pieces {
            let at = at.min(all.len());
            all.splice(at..at, good[line].bytes());
        }
        let mut log = read(&settings(), &all);
        let dated = date(&mut log, None);
        let s = settings();
        let context = Context { session: "s", settings: &s, budget_m: Some(0.05), date: None };
        let _ = (findings::blocks(&log, &dated, &context), findings::remarks(&log, &dated, &context), findings::facts(&log, &dated));
    }

    /// The size of the pieces that a file comes in does not matter.
    #[test]
    fn pieces_do_not_matter(size in 1_usize..700) {
        struct Slow<'a>(&'a [u8], usize);
        impl std::io::Read for Slow<'_> {
            fn read(&mut self, to: &mut [u8]) -> std::io::Result<usize> {
                let n = self.1.min(to.len()).min(self.0.len());
                to[..n].copy_from_slice(&self.0[..n]);
                self.0 = &self.0[n..];
                Ok(n)
            }
        }
        let text = lines(8).concat();
        let s = settings();
        let mut scan = Scan::new(&s);
        scan.read("log", &mut Slow(text.as_bytes(), size), None, &mut |_| true).unwrap();
        prop_assert_eq!(format!("{:?}", scan.finish().columns), format!("{:?}", read(&s, text.as_bytes()).columns));
    }
}
