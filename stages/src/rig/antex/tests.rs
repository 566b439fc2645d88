use super::model::head_of;
use super::*;
use pipeline_base::rig::AntexModel;
use proptest::prelude::*;
use std::fmt::Write as _;
use std::io::Read as _;
use std::path::Path;

/// A file with two invented antennas.
pub(super) fn invented() -> String {
    let mut out = String::new();
    let mut line = |text: &str, label: &str| writeln!(out, "{text:<60}{label:<20}").unwrap();
    line("     1.4            M", "ANTEX VERSION / SYST");
    line("A", "PCV TYPE / REFANT");
    line("Invented.", "COMMENT");
    line("", "END OF HEADER");
    for (kind, serial, up) in
        [("SALTGRASS-7     NONE", "", 88.6), ("SALTGRASS-7     NONE", "00042", 89.4), ("SALTGRASS-9     DOME", "", 121.0)]
    {
        line("", "START OF ANTENNA");
        line(&format!("{kind:<20}{serial:<20}"), "TYPE / SERIAL NO");
        line("ROBOT               INVENTED                 1    01-JAN-20", "METH / BY / # / DATE");
        line("     5.0", "DAZI");
        line("     0.0  90.0  30.0", "ZEN1 / ZEN2 / DZEN");
        line("     2", "# OF FREQUENCIES");
        for (code, up) in [("G01", up), ("G02", up - 9.0)] {
            line(&format!("   {code}"), "START OF FREQUENCY");
            line(&format!("{:>10.2}{:>10.2}{up:>10.2}", 1.25, -0.5), "NORTH / EAST / UP");
            line("   NOAZI    0.00   -1.00   -2.00    0.00", "");
            line("     0.0    0.00   -1.10   -2.00    0.10", "");
            line(&format!("   {code}"), "END OF FREQUENCY");
            line(&format!("   {code}"), "START OF FREQ RMS");
            line(&format!("{:>10.2}{:>10.2}{:>10.2}", 0.1, 0.1, 0.2), "NORTH / EAST / UP");
            line(&format!("   {code}"), "END OF FREQ RMS");
        }
        line("", "END OF ANTENNA");
    }
    out
}

#[test]
fn one_antenna_of_several() {
    let found = read(&invented(), "SALTGRASS-7 NONE", None, "G02").unwrap();
    let p = found.pattern.unwrap();
    assert_eq!((p.offset_mm, p.frequency.as_str(), p.method.as_str()), ([1.25, -0.5, 79.6], "G02", "ROBOT"));
    assert_eq!(p.variations_mm, [0.0, -1.0, -2.0, 0.0]);
    assert!((p.variation_mm(45.0).unwrap() + 1.5).abs() < 1e-12 && p.variation_mm(91.0).is_none());
    assert_eq!((found.kinds.len(), found.serials, found.absolute), (2, vec![String::new(), "00042".to_owned()], true));
    // A serial of its own is another antenna.
    let single = read(&invented(), "SALTGRASS-7     NONE", Some("00042"), "G01").unwrap();
    assert!((single.pattern.unwrap().offset_mm[2] - 89.4).abs() < 1e-12);
    // Not there: nothing, and never zeros.
    for (kind, serial, frequency) in
        [("SALTGRASS-8 NONE", None, "G01"), ("SALTGRASS-7 NONE", Some("1"), "G01"), ("SALTGRASS-7 NONE", None, "E01")]
    {
        assert!(read(&invented(), kind, serial, frequency).unwrap().pattern.is_none());
    }
}

#[test]
fn real_file_of_the_service() {
    // A part of igs14.atx (IGS antenna calibrations): EML_REACH_RS2 and JPSLEGANT_E, values as printed there.
    let path = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/data/rinex/antex/igs14_small.atx.gz"));
    let Ok(file) = std::fs::File::open(path) else {
        eprintln!("SKIPPED: the shared data are not beside the repository");
        return;
    };
    let mut bytes = vec![];
    pipeline_base::input::unpack(Box::new(file)).unwrap().read_to_end(&mut bytes).unwrap();
    let text = String::from_utf8_lossy(&bytes);
    let found = read(&text, "JPSLEGANT_E     NONE", None, "G01").unwrap();
    assert!(found.absolute && found.kinds.iter().any(|k| k.starts_with("EML_REACH_RS2")), "{:?}", found.kinds);
    let p = found.pattern.unwrap();
    assert_eq!(p.offset_mm, [1.36, -0.43, 35.44]);
    assert_eq!(p.variations_mm.len(), 17);
    assert_eq!((p.variation_mm(5.0), p.variation_mm(45.0)), (Some(-1.73), Some(-1.74)));
    // This part of the file breaks off inside another antenna: its whole first frequency is kept, and the break is known.
    let cut = read(&text, "EML_REACH_RS2 NONE", None, "G01").unwrap();
    assert!(cut.cut_at.is_some() && cut.pattern.is_some_and(|p| p.offset_mm[2] > 100.0 && p.variations_mm.len() == 19));
    assert!(read(&text, "EML_REACH_RS2 NONE", None, "R02").unwrap().pattern.is_none());
    // Satellites are no receiver antennas.
    assert!(found.kinds.iter().all(|k| !k.starts_with("GALILEO") && !k.starts_with("BLOCK")));
}

#[test]
fn turned_into_the_body() {
    let pattern = read(&invented(), "SALTGRASS-7 NONE", None, "G01").unwrap().pattern.unwrap();
    let model = |azimuth| AntexModel {
        file: "a.atx".into(),
        antenna: "SALTGRASS-7 NONE".into(),
        serial: None,
        frequency: "G01".into(),
        north_mark_azimuth_deg: azimuth,
        sigma_m: 0.001,
    };
    // S-ARP-PCO of checks/05_fault_magnitudes.csv: offset up 0.0886 m.
    let v = head_of(&pattern, &model(0.0));
    assert!((v.z_m - 0.0886).abs() < 1e-12 && (v.x_m + 0.00125).abs() < 1e-12 && (v.y_m - 0.0005).abs() < 1e-12, "{v:?}");
    // North mark to the right: north of the antenna is right, east of it is back.
    let v = head_of(&pattern, &model(90.0));
    assert!((v.y_m + 0.00125).abs() < 1e-12 && (v.x_m + 0.0005).abs() < 1e-12, "{v:?}");
    assert!(v.sigma_m > 0.001);
}

#[test]
fn variations_as_a_height() {
    // A path longer by 2 mm times cos(zenith), and any constant, is a height of -2 mm.
    let variations_mm = (0..=18).map(|k| 5.0 + 2.0 * (f64::from(k) * 5.0).to_radians().cos()).collect();
    let pattern =
        Pattern { zenith_deg: (0.0, 5.0), variations_mm, ..read(&invented(), "SALTGRASS-7 NONE", None, "G01").unwrap().pattern.unwrap() };
    assert!((pattern.height_of_variations_mm() + 2.0).abs() < 0.01, "{}", pattern.height_of_variations_mm());
}

#[test]
fn broken_files_have_a_line() {
    let good = invented();
    let at = |text: &str| read(text, "X", None, "G01").unwrap_err();
    assert_eq!(at("").line, 0);
    assert!(at("hello\n").what.contains("no ANTEX file"));
    assert!(at(&good.replace("     1.4 ", "     2.0 ")).what.contains("1.3 and 1.4"));
    assert!(at(&good[..good.len() / 2]).what.contains("ends inside"));
    let torn = good.replacen("   NOAZI    0.00   -1.00", "   NOAZI    0.00   -x.00", 1);
    assert!(at(&torn).what.contains("variation is no number") && at(&torn).line == 13, "{:?}", at(&torn));
    let short = good.replacen("   NOAZI    0.00   -1.00   -2.00    0.00", "   NOAZI    0.00   -1.00", 1);
    assert!(at(&short).what.contains("has 2 variations and should have 4"), "{:?}", at(&short));
    assert!(at(&good.replacen("START OF FREQUENCY  ", "START OF FREQUENZ   ", 1)).what.contains("without a known label"));
}

proptest! {
    #[test]
    fn never_panics(bytes in prop::collection::vec(prop::num::u8::ANY, 0..400)) {
        let _ = read(&String::from_utf8_lossy(&bytes), "X", None, "G01");
    }

    #[test]
    fn damaged_files_never_panic(cut in 0_usize..6000, with in "[ -~é]{0,12}", drop in 0_usize..200) {
        let mut text = invented();
        let at = cut.min(text.len());
        let end = (at + drop).min(text.len());
        text.replace_range(at..end, &with);
        if let Ok(found) = read(&text, "SALTGRASS-7 NONE", None, "G01") && let Some(p) = found.pattern {
            prop_assert!(p.offset_mm.iter().all(|v| v.is_finite()));
            prop_assert!(p.height_of_variations_mm().is_finite());
        }
    }
}
