//! Sentences of `checks/06_nmea.csv`, row by row.

use super::*;
use pipeline_base::time::{date, date_text};
use raw_logs::nmea::line::{Line, Reason, classify};
use raw_logs::nmea::sentence as fields;

fn whole(text: &str) -> line::Sentence<'_> {
    match classify(text.as_bytes()) {
        Line::Sentence(s) => s,
        other => panic!("{text}: {other:?}"),
    }
}

/// The outputs of a sentence under the names that the file of checks uses.
fn outputs(text: &str) -> Vec<(String, String)> {
    let s = whole(text);
    let mut out: Vec<(String, String)> = vec![("checksum valid".into(), "true".into())];
    let mut add = |k: &str, v: String| out.push((k.to_owned(), v));
    let number = |v: f64| if v.is_nan() { "absent".to_owned() } else { format!("{v:.12}") };
    match s.formatter {
        line::Formatter::GGA | line::Formatter::GNS => {
            let p = if s.formatter == line::Formatter::GGA { fields::gga(&s) } else { fields::gns(&s) }.unwrap();
            add("utc", number::clock_text(p.time));
            add("lat", number(p.place.latitude));
            add("lon", number(p.place.longitude));
            add("position", if p.place.known() { "present".into() } else { "absent".into() });
            add("quality", format!("{}", p.quality.unwrap_or(-1)));
            add("satellites", format!("{}", p.satellites.unwrap_or(-1)));
            add("hdop", number(p.hdop));
            add("altitude", number(p.altitude));
            add("separation", number(p.separation));
            add("ellipsoidal height", number(p.altitude + p.separation));
            add("correction age", number(p.age));
            add("station id", if p.station.is_empty() { "absent".into() } else { String::from_utf8_lossy(p.station).into_owned() });
            add("mode", String::from_utf8_lossy(p.modes).into_owned());
            add("mode GPS", p.modes.first().map_or(String::new(), |m| (*m as char).to_string()));
            add("mode GLONASS", p.modes.get(1).map_or(String::new(), |m| (*m as char).to_string()));
        }
        line::Formatter::GST => {
            let n = fields::gst(&s).unwrap();
            add("semi-major", number(n.major));
            add("semi-minor", number(n.minor));
            add("orientation", number(n.orientation));
            add("sigma lat", number(n.north));
            add("sigma lon", number(n.east));
            add("sigma alt", number(n.up));
            add("horizontal 1-sigma sqrt(lat^2+lon^2)", number(n.north.hypot(n.east)));
        }
        line::Formatter::HDT => add("true heading", number(fields::single(&s).unwrap())),
        line::Formatter::XDR => {
            for group in fields::xdr(&s) {
                let group = group.unwrap();
                add(&String::from_utf8_lossy(group.name), number(group.value));
            }
        }
        line::Formatter::GSA => {
            let d = fields::gsa(&s).unwrap();
            add("satellites used", d.satellites.to_string());
            add("pdop", number(d.pdop));
            add("hdop", number(d.hdop));
            add("vdop", number(d.vdop));
        }
        line::Formatter::RMC => {
            let m = fields::rmc(&s).unwrap();
            add("date", date_text(m.date.unwrap()));
            add("utc", number::clock_text(m.time));
            add("status", if m.valid { "A".into() } else { "V".into() });
            add("speed", number(m.speed));
        }
        line::Formatter::ZDA => {
            let (time, date) = fields::zda(&s).unwrap();
            add("date", date_text(date.unwrap()));
            add("utc", number::clock_text(time));
        }
        other => panic!("{other:?}"),
    }
    out
}

#[test]
fn all_rows_of_the_checks() {
    let Some(shared) = shared() else { return };
    let mut reader = csv::Reader::from_path(shared.join("checks/06_nmea.csv")).unwrap();
    let (mut compared, mut trap) = (0, 0);
    for row in reader.records() {
        let row = row.unwrap();
        let (case, text, output, expected, tolerance) = (&row[0], &row[2], &row[3], &row[4], &row[6]);
        if case == "S-GGA-TRAP" {
            // The checksum passes, and the sentence is refused for its 12 fields.
            let s = whole(text);
            assert_eq!(s.fields(), 12);
            assert_eq!(fields::gga(&s).err(), Some(Reason::Malformed));
            trap += 1;
            continue;
        }
        let out = outputs(text);
        let Some((_, have)) = out.iter().find(|(k, _)| k == output) else {
            // Not kept by this reader: GST field 2, GSA field 2.
            assert!(["rms range", "fix type"].contains(&output), "{case}: {output}");
            continue;
        };
        compared += 1;
        let want = expected.split(' ').next().unwrap();
        if output == "hdop" && expected.contains("unknown") {
            assert_eq!(have, "absent", "{case}");
        } else if output == "utc" {
            assert_eq!(have[..8], want[..8], "{case}");
        } else if let (Ok(w), Ok(h)) = (want.parse::<f64>(), have.parse::<f64>())
            && output != "station id"
        {
            let tolerance = tolerance.parse::<f64>().unwrap_or(1e-12);
            assert!((w - h).abs() <= tolerance * 1.001, "{case} {output}: {h} and not {w}");
        } else {
            assert_eq!(have, want, "{case} {output}");
        }
    }
    assert!(compared >= 70 && trap == 3, "{compared} {trap}");
}

#[test]
fn one_epoch_of_each_kind() {
    // Sentences of checks/06_nmea.csv: S-GGA-FIX with others of its time made for it.
    let mut text = "$GNGGA,101530.00,4001.2345678,N,10515.7654321,W,4,18,0.6,1580.123,M,-15.432,M,1.2,0231*5D\r\n".to_owned();
    text += &sentence("GNGST,101530.00,0.015,0.02,0.01,90,0.01,0.02,0.03");
    text += &sentence("GNGSA,A,3,01,02,,,,,,,,,,,1.5,0.8,1.2,1");
    text += &sentence("HEHDT,350.0,T");
    text += &sentence("TIROT,60,A");
    text += &sentence("YXXDR,A,3.0,D,PITCH,A,-1.5,D,ROLL,D,1.842,M,RANGE");
    text += &sentence("GNRMC,101530.00,A,4001.2345678,N,10515.7654321,W,1.0,31.66,140325,,,R,V");
    let mut r = rig();
    r.sensors.heading.as_mut().unwrap().offset = 20.0;
    let ran = run(text.as_bytes(), json!({"untimed": "after-time"}), Some(&r));
    let t = ran.table.as_ref().unwrap();
    assert_eq!(t.rows(), 1);
    let f = |name: &str| t.floats(name).unwrap()[0];
    // S-GGA-FIX: lat 40.02057613000, lon -105.26275720167 (1e-11), h 1564.691, station 0231 with its zero.
    assert!((f("latitude_deg") - 40.020_576_13).abs() < 1e-11);
    assert!((f("longitude_deg") + 105.262_757_201_67).abs() < 1e-11);
    assert!((f("ellipsoidal_height_m") - 1564.691).abs() < 1e-9);
    assert_eq!(f("receiver_separation_m"), -15.432);
    assert_eq!(t.texts("base_station").unwrap(), [Some("0231")]);
    assert_eq!(t.texts("fix").unwrap(), [Some("rtk-fixed")]);
    assert_eq!((f("correction_age_s"), f("hdop"), f("pdop"), f("vdop")), (1.2, 0.6, 1.5, 1.2));
    // Sigma factor 2; the ellipse lies east-west, so there is no correlation.
    assert_eq!((f("sigma_east_m"), f("sigma_north_m"), f("sigma_up_m")), (0.04, 0.02, 0.06));
    assert!(f("correlation_east_north").abs() < 1e-12);
    assert_eq!(t.bools("sigma_assumed").unwrap(), [Some(false)]);
    // Sign and offset of the rig; 60 deg/min is 1 deg/s; 1 knot is 0.514444 m/s.
    assert_eq!((f("heading_deg"), f("pitch_deg"), f("roll_deg"), f("range_m"), f("turn_rate_deg_s")), (10.0, -2.5, -1.5, 1.842, 1.0));
    assert!((f("speed_m_s") - 0.514_444).abs() < 1e-6);
    let instant = date("2025-03-14").unwrap() * number::DAY + number::time_of_day(b"101530.00").unwrap();
    assert_eq!(t.instants("time").unwrap(), [Some(instant)]);
    assert_eq!((t.ints("line_first").unwrap(), t.ints("line_last").unwrap()), (vec![Some(1)], vec![Some(7)]));
    assert_eq!(ran.lines[0].used, 7);
    assert_eq!(ran.codes(), Vec::<&str>::new());
    let place = ran.place.unwrap();
    assert!((place.height_m.unwrap() - 1564.691).abs() < 1e-9 && (place.decimal_year.unwrap() - 2025.2).abs() < 0.01);
}

#[test]
fn sigmas_and_ellipses() {
    let gst = |body: &str| {
        let text = sentence(body);
        fields::gst(&whole(text.trim_end())).unwrap()
    };
    // S-GST-2 (checks/06_nmea.csv): the ellipse lies east-west and fields 6 and 7 say north-south: no correlation is made up.
    assert!(gst("GPGST,172814.0,0.006,0.023,0.020,273.6,0.023,0.020,0.031").correlation().abs() < 0.05);
    // An ellipse at 45 degrees: variances equal (a²+b²)/2, correlation (a²-b²)/(a²+b²).
    let n = gst("GPGST,172814.0,0.006,0.400,0.300,45,0.3536,0.3536,0.6");
    assert!((n.correlation() - 0.07 / 0.25).abs() < 1e-9);
    assert!(gst("GPGST,172814.0,0.006,0.400,0.100,45,0.1,0.4,0.6").correlation().is_nan());
    // Blank is missing and not zero; the facts file says that blank ellipse fields are legal.
    let n = gst("GPGST,172814.0,,,,,0.02,,0.03");
    assert!(n.major.is_nan() && n.east.is_nan() && n.north == 0.02 && n.correlation().is_nan());

    let mut text = sentence("GNGGA,101530.00,4001.2345678,N,10515.7654321,W,4,18,99.99,1580.123,M,,M,,");
    text += &sentence("GNGST,101530.00,,,,,0.02,,0.03");
    text += &sentence("GNGSA,A,3,01,02,,,,,,,,,,,99.99,0.8,99.99,1");
    text += &sentence("GNZDA,101530.00,14,03,2025,00,00");
    let mut r = rig();
    r.sensors = pipeline_base::rig::Sensors::default();
    let ran = run(text.as_bytes(), json!({}), Some(&r));
    let t = ran.table.as_ref().unwrap();
    let f = |name: &str| t.floats(name).unwrap()[0];
    assert_eq!((f("sigma_north_m"), f("sigma_east_m"), f("sigma_up_m")), (0.04, 0.02, 0.06));
    assert_eq!(t.bools("sigma_assumed").unwrap(), [Some(true)]);
    for name in ["hdop", "pdop", "vdop", "ellipsoidal_height_m", "receiver_separation_m", "correction_age_s"] {
        assert!(f(name).is_nan(), "{name}");
    }
    assert_eq!(ran.find("height/no-separation").verdict, Verdict::Warn);
}

#[test]
fn other_units_are_not_used() {
    let mut text = sentence("GNGGA,101530.00,4001.2345678,N,10515.7654321,W,4,18,0.6,1580.123,M,-15.432,M,1.2,0231");
    text += &sentence("YXXDR,D,184.2,C,RANGE,A,1.5,R,ROLL,A,2.0,D,Pitch");
    text += &sentence("GNZDA,101530.00,14,03,2025,00,00");
    let ran = run(text.as_bytes(), json!({"untimed": "after-time"}), Some(&rig()));
    let t = ran.table.as_ref().unwrap();
    for name in ["pitch_deg", "roll_deg", "range_m", "heading_deg"] {
        assert!(t.floats(name).unwrap()[0].is_nan(), "{name}");
    }
    assert_eq!(ran.codes().iter().filter(|c| **c == "data/unit-not-read").count(), 2);
    let missing = ran.find("rig/transducer-not-in-log");
    assert!(missing.fix.contains("transducer: Pitch"), "{missing:?}");
    assert_eq!(ran.codes().iter().filter(|c| **c == "rig/sentence-not-in-log").count(), 2);
    assert_eq!(ran.lines[0].ignored.get("unit"), Some(&1));
}

#[test]
fn other_kinds_of_attitude() {
    let gga = sentence("GNGGA,101530.00,4001.2345678,N,10515.7654321,W,4,18,0.6,1580.123,M,-15.432,M,1.2,0231");
    let zda = sentence("GNZDA,101530.00,14,03,2025,00,00");
    let xdr = |name: &str| json!({"sentence": "XDR", "transducer": name});
    let of_kind = |attitude: serde_json::Value, sensors: serde_json::Value| -> Rig {
        let mut all = json!({"north": "true", "heading_sigma_deg": 0.3, "tilt_sigma_deg": 0.1, "heading_bias_sigma_deg": 0.4, "tilt_bias_sigma_deg": 0.1});
        all.as_object_mut().unwrap().extend(attitude.as_object().unwrap().clone());
        let mut r = serde_json::to_value(rig()).unwrap();
        (r["attitude"], r["sensors"]) = (all, sensors);
        serde_json::from_value(r).unwrap()
    };
    let attitude = |text: String, rig: &Rig| -> [f64; 3] {
        let ran = run((gga.clone() + &text + &zda).as_bytes(), json!({"untimed": "after-time"}), Some(rig));
        let t = ran.table.as_ref().unwrap();
        ["heading_deg", "pitch_deg", "roll_deg"].map(|n| t.floats(n).unwrap()[0])
    };
    // S-RPY-1: heading 127.4, pitch -3.1, roll 4.2, as a quaternion.
    let [w, x, y, z] = raw_logs::attitude::quaternion([127.4, -3.1, 4.2]);
    let axes =
        json!({"kind": "quaternion", "quaternion": {"turns": "body-to-world", "world": "north-east-down", "body": "forward-right-down"}});
    let q = of_kind(axes, json!({"quaternion": {"w": xdr("QW"), "x": xdr("QX"), "y": xdr("QY"), "z": xdr("QZ")}}));
    let [h, p, r] = attitude(sentence(&format!("IIXDR,G,{w:.9},,QW,G,{x:.9},,QX,G,{y:.9},,QY,G,{z:.9},,QZ")), &q);
    assert!((h - 127.4).abs() < 1e-5 && (p + 3.1).abs() < 1e-5 && (r - 4.2).abs() < 1e-5, "{h} {p} {r}");
    // A quaternion in two sentences of one epoch is whole; three parts of it are none.
    let half = sentence(&format!("IIXDR,G,{w:.9},,QW,G,{x:.9},,QX")) + &sentence(&format!("IIXDR,G,{y:.9},,QY,G,{z:.9},,QZ"));
    assert!((attitude(half, &q)[0] - 127.4).abs() < 1e-5);
    assert!(attitude(sentence(&format!("IIXDR,G,{w:.9},,QW,G,{x:.9},,QX,G,{y:.9},,QY")), &q).iter().all(|v| v.is_nan()));
    // Tilt and azimuth of the lean with a heading: the top leans 10 deg to the east of a body that faces east.
    let leans = json!({"kind": "tilt-azimuth-heading", "lean_azimuth_of": "top"});
    let t = of_kind(leans, json!({"heading": {"sentence": "HDT"}, "tilt": xdr("TILT"), "lean_azimuth": xdr("TAZ")}));
    let [h, p, r] = attitude(sentence("HEHDT,90.0,T") + &sentence("IIXDR,A,10.0,D,TILT,A,90.0,D,TAZ"), &t);
    assert!((h - 90.0).abs() < 1e-12 && (p + 10.0).abs() < 1e-9 && r.abs() < 1e-9, "{h} {p} {r}");
}
