//! Which values come to which epoch.

use super::*;

fn settings(untimed: UntimedRule) -> Settings {
    Settings { untimed, ..Settings::new(None, ChecksumRule::default(), HeightRule::default(), Some(&rig())) }
}

fn gga(s: i64) -> String {
    sentence(&format!("GNGGA,1015{s:02}.00,4001.{:07},N,10515.7654321,W,4,18,0.6,1580.123,M,-15.432,M,1.2,0231", 1_000_000 + s))
}

fn hdt(v: i64) -> String {
    sentence(&format!("HEHDT,{v}.0,T"))
}

fn headings(text: &str, rule: UntimedRule) -> Vec<f64> {
    read(&settings(rule), text.as_bytes()).columns.heading.iter().map(|h| if h.is_nan() { -1.0 } else { *h }).collect()
}

#[test]
fn untimed_sentences_after_and_before() {
    let after = gga(1) + &hdt(1) + &gga(2) + &hdt(2) + &gga(3) + &hdt(3);
    assert_eq!(headings(&after, UntimedRule::AfterTime), [1.0, 2.0, 3.0]);
    let before = hdt(1) + &gga(1) + &hdt(2) + &gga(2) + &hdt(3) + &gga(3);
    assert_eq!(headings(&before, UntimedRule::BeforeTime), [1.0, 2.0, 3.0]);
    // The nearest of several stays.
    let many = gga(1) + &hdt(1) + &hdt(9) + &gga(2) + &hdt(2);
    assert_eq!(headings(&many, UntimedRule::AfterTime), [1.0, 2.0]);
    let many = hdt(9) + &hdt(1) + &gga(1) + &hdt(8) + &hdt(2) + &gga(2);
    assert_eq!(headings(&many, UntimedRule::BeforeTime), [1.0, 2.0]);
}

#[test]
fn nothing_slides_past_a_damaged_line() {
    let torn = "$GNGGA,101502.00,4001.10\r\n";
    let after = gga(1) + &hdt(1) + torn + &hdt(2) + &gga(3) + &hdt(3);
    assert_eq!(headings(&after, UntimedRule::AfterTime), [1.0, 3.0]);
    let before = hdt(1) + &gga(1) + &hdt(2) + torn + &hdt(3) + &gga(3) + &hdt(4) + &gga(4);
    assert_eq!(headings(&before, UntimedRule::BeforeTime), [1.0, -1.0, 4.0]);
    // A torn line in front of the value of the same epoch costs that value, not the epoch.
    let cost = gga(1) + "$GNGSV,1,1\r\n" + &hdt(1) + &gga(2) + &hdt(2);
    assert_eq!(headings(&cost, UntimedRule::AfterTime), [-1.0, 2.0]);
    let ran = run(cost.as_bytes(), json!({"untimed": "after-time", "date": "2025-03-14"}), Some(&rig()));
    assert_eq!(ran.lines[0].ignored.get("unplaced"), Some(&1));
    assert!(ran.codes().contains(&"data/unplaced-values"));
    // Nor past what is left of sentences on the line of a whole one.
    for left in ["$$GNGST,101502.0$", "GNGGA,1015", "\u{1}\u{2}$GNGGA,1015", "GNG"] {
        let text = gga(1) + left + &hdt(2) + &gga(3) + &hdt(3);
        assert_eq!(headings(&text, UntimedRule::AfterTime), [-1.0, 3.0], "{left:?}");
    }
    for stamp in ["10:15:02,123 ", "\u{1}\u{2}"] {
        let text = stamp.to_owned() + &gga(1) + stamp + &hdt(1) + &gga(3) + &hdt(3);
        assert_eq!(headings(&text, UntimedRule::AfterTime), [1.0, 3.0], "{stamp:?}");
    }
    // Binary frames hide no sentence.
    let mut mixed = gga(1).into_bytes();
    mixed.extend(b"\xb5\x62\x00\x01\n");
    mixed.extend((hdt(1) + &gga(2) + &hdt(2)).as_bytes());
    let log = read(&settings(UntimedRule::AfterTime), &mixed);
    assert_eq!(log.columns.heading, [1.0, 2.0]);
    assert_eq!(log.tallies[0].damaged(line::Reason::Binary), 1);
}

#[test]
fn repeats_late_and_interleaved_sentences() {
    let gst = |s: i64| sentence(&format!("GNGST,1015{s:02}.00,28,,,,0.0{s:02},0.050,0.060"));
    // The GST of an epoch comes after the GGA of the next two.
    let text = gga(1) + &gga(2) + &gst(1) + &gga(3) + &gst(2) + &gst(3);
    let log = plain(&text);
    assert_eq!(log.columns.sigma_north, [0.001, 0.002, 0.003]);
    // After four later epochs it is too late.
    let text = gga(1) + &gga(2) + &gga(3) + &gga(4) + &gga(5) + &gst(1) + &gst(5);
    let log = plain(&text);
    assert!(log.columns.sigma_north[0].is_nan() && log.columns.sigma_north[4] == 0.005);
    assert_eq!(log.tallies[0].damaged(line::Reason::Late), 1);
    assert_eq!(log.columns.rows(), 5);
    // GP and GN for one epoch: GN counts, whatever the order; the first of equals stays.
    let gp = gga(1).replace("GNGGA", "GPGGA").replace("1580.123", "1580.999");
    let gp = sentence(&gp.trim_end()[1..gp.trim_end().len() - 3]);
    for text in [gp.clone() + &gga(1), gga(1) + &gp, gp.clone() + &gga(1) + &gp] {
        let log = plain(&text);
        assert_eq!(log.columns.rows(), 1);
        assert!((log.columns.height[0] - 1564.691).abs() < 1e-9);
        assert!(log.noticed.repeats >= 1);
    }
}

#[test]
fn fix_of_two_sentences() {
    let gns = |modes: &str| sentence(&format!("GNGNS,101501.00,4001.1000001,N,10515.7654321,W,{modes},13,0.9,1580.123,-15.432,1.2,0231,S"));
    let fix = |text: String| plain(&text).columns.fix[0];
    assert_eq!(fix(gns("RR")), Fix::RtkFixed);
    assert_eq!(fix(gns("RF")), Fix::RtkFloat);
    assert_eq!(fix(gns("NN")), Fix::None);
    assert_eq!(fix(gns("RF") + &gga(1)), Fix::RtkFloat);
    assert_eq!(plain(&(gns("RF") + &gga(1))).noticed.disagree.count, 1);
    let void = sentence("GNRMC,101501.00,V,,,,,,,140325,,,N,V");
    let log = plain(&(gga(1) + &void));
    assert_eq!(log.columns.fix[0], Fix::None);
    assert!(log.columns.latitude[0].is_nan() && log.columns.height[0].is_nan());
    // Position `0000.0000` of a receiver without a fix is no position.
    let zero = sentence("GPGGA,101501.00,0000.0000,N,00000.0000,E,0,00,50.0,0.0,M,0.0,M,0.0,0000");
    assert!(plain(&zero).columns.latitude[0].is_nan());
    let nine = gga(1).replace(",W,4,", ",W,9,");
    let nine = sentence(&nine.trim_end()[1..nine.trim_end().len() - 3]);
    let log = plain(&nine);
    assert_eq!((log.columns.fix[0], log.columns.quality_code[0]), (Fix::Unknown, 9));
}

#[test]
fn positions_of_rmc_only_where_there_is_no_better() {
    let rmc = |s: i64| sentence(&format!("GNRMC,1015{s:02}.00,A,4001.1,N,10515.7,W,0.02,31.66,140325,,,R,V"));
    let alone = plain(&(rmc(1) + &rmc(2)));
    assert_eq!(alone.columns.fix, [Fix::RtkFixed, Fix::RtkFixed]);
    assert!(!alone.columns.latitude[0].is_nan() && alone.columns.height[0].is_nan());
    assert_eq!(alone.noticed.decimals.range(), Some((1, 1)));
    // The GGA of second 2 was lost.
    let beside = plain(&(gga(1) + &rmc(1) + &rmc(2) + &gga(3) + &rmc(3)));
    assert_eq!(beside.columns.fix, [Fix::RtkFixed, Fix::None, Fix::RtkFixed]);
    assert!(beside.columns.latitude[1].is_nan());
    assert_eq!(beside.noticed.decimals.range(), Some((7, 7)));
}

#[test]
fn an_epoch_may_go_on_in_the_next_file() {
    let settings = settings(UntimedRule::AfterTime);
    let mut scan = Scan::new(&settings);
    let (a, b) = (gga(1) + &gga(2), sentence("GNGST,101502.00,28,,,,0.011,0.050,0.060") + &hdt(2) + &gga(3));
    for (name, text) in [("a", &a), ("b", &b)] {
        scan.read(name, &mut text.as_bytes(), None, &mut |_| true).unwrap();
    }
    let log = scan.finish();
    assert_eq!(log.columns.rows(), 3);
    assert_eq!(log.columns.sigma_north[1], 0.022);
    assert_eq!((log.columns.file.clone(), log.columns.line_last.clone()), (vec![0, 0, 1], vec![1, 2, 3]));
    for t in &log.tallies {
        let c = t.count();
        assert_eq!(c.total, c.used + c.ignored.values().sum::<u64>() + c.damaged.values().sum::<u64>(), "{c:?}");
    }
}

#[test]
fn a_missing_checksum_is_a_cut_where_others_have_one() {
    let relaxed = Settings { checksum_required: false, ..Settings::default() };
    // Cut inside the base station's name: all 14 fields are there, and the name is another.
    let cut = "$GNGGA,101502.00,4001.1000002,N,10515.7654321,W,4,18,0.6,1580.123,M,-15.432,M,1.2,02\r\n";
    let log = read(&relaxed, (gga(1) + cut + &gga(3)).as_bytes());
    assert_eq!(log.columns.rows(), 2);
    assert_eq!(log.columns.bases, ["0231"]);
    assert_eq!(log.tallies[0].damaged(line::Reason::Torn), 1);
    let log = read(&relaxed, cut.as_bytes());
    assert_eq!(log.columns.bases, ["02"]);
    assert_eq!(plain(cut).tallies[0].damaged(line::Reason::NoChecksum), 1);
}
