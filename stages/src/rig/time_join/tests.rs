use super::*;
use crate::rig::testing::{Row, bind_with, schema, table, world};
use pipeline_base::table::schema::PhysicalPoint;
use pipeline_core::stage::Session;
use pipeline_core::stage::cx::Collect;
use serde_json::Value;
use std::path::Path;

const START: i64 = 1_780_000_000; // 2026-05-28T20:26:40Z

fn options(more: Value) -> Options {
    let mut all = json!({
        "files": ["{session}.csv"],
        "time": {"column": "t", "format": "unix-s", "scale": "utc"},
        "max_gap_s": 0.5,
        "heading": {"column": "yaw", "unit": "deg"},
        "pitch": {"column": "p", "unit": "rad", "opposite_sign": true},
        "range": {"column": "d", "unit": "mm"}
    });
    all.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    serde_json::from_value(all).unwrap()
}

fn input() -> Schema {
    schema(PhysicalPoint::AntennaReferencePoint, false)
}

fn session(name: &str) -> Session {
    Session { name: name.to_owned(), files: vec![] }
}

fn bind(folder: &Path, options: Options) -> Result<Bound<TimeJoin>, Vec<Problem>> {
    bind_with(&[input()], None, folder, |cx| TimeJoin::bind(options, cx))
}

/// Epochs at whole seconds from START.
fn epochs(n: i64) -> Table {
    let rows: Vec<Row> = (0..n)
        .map(|i| Row { time: (START + i) * time_columns::SECOND_NS, attitude: [1.0, 2.0, 3.0], range: 9.0, ..Row::default() })
        .collect();
    table(&input(), &rows)
}

fn join(files: &[(&str, &[u8])], options: Options, data: Table, name: &str) -> (Result<Table, Problem>, Collect) {
    let folder = tempfile::tempdir().unwrap();
    for (file, text) in files {
        std::fs::write(folder.path().join(file), text).unwrap();
    }
    let bound = bind(folder.path(), options).map_err(|p| format!("{p:?}")).unwrap();
    let (world, session) = (world(), session(name));
    let out = bound.stage.run(&[data], &Cx::new(&world, "join", Some((0, &session))));
    if let Ok(out) = &out {
        assert_eq!(*out.schema, bound.output);
    }
    (out, world)
}

/// A stream at 10 Hz whose heading is 10 deg a second, labelled `shift` seconds late.
fn stream(from: f64, to: f64, shift: f64) -> Vec<u8> {
    let mut text = String::from("t,yaw,p,d\n");
    let mut t = from;
    while t <= to {
        #[allow(clippy::cast_precision_loss)]
        let label = START as f64 + t + shift;
        text.push_str(&format!("{label:.3},{:.4},0.1,1500\n", (t * 10.0).rem_euclid(360.0)));
        t += 0.1;
    }
    text.into_bytes()
}

#[test]
fn values_come_at_the_epochs_time() {
    let text = b"t,yaw,p,d\n1779999999.9,350,0.10,1000\n1780000000.1,10,0.20,2000\n1780000001.0,20,0.1,\n1780000004.0,20,0.1,1\n1780000002.0,30,0.3,3000\n1780000002.0,99,0.9,9\n";
    let (out, world) = join(&[("day.csv", text)], options(json!({})), epochs(6), "day");
    let out = out.unwrap();
    let heading = out.floats("heading_deg").unwrap();
    // Half way on the shorter arc; a sample's own time; no partner across 2 s; a sample; none after the end.
    assert!(heading[0].min(360.0 - heading[0]) < 1e-4, "{}", heading[0]);
    assert_eq!((heading[1], heading[2], heading[4]), (20.0, 30.0, 20.0));
    assert!(heading[3].is_nan() && heading[5].is_nan());
    let pitch = out.floats("pitch_deg").unwrap();
    assert!((pitch[0] + 0.15_f64.to_degrees()).abs() < 1e-5);
    let range = out.floats("range_m").unwrap();
    assert!((range[0] - 1.5).abs() < 1e-6 && range[1].is_nan() && (range[2] - 3.0).abs() < 1e-12);
    // What is not joined stays.
    assert_eq!(out.floats("roll_deg").unwrap()[0], 3.0);
    let said = world.said();
    let codes: Vec<_> = said.findings.iter().map(|f| (f.code.as_str(), f.verdict)).collect();
    assert_eq!(codes, [("time/stream-not-sorted", Verdict::Note), ("time/no-partner", Verdict::Warn)]);
    assert!(said.findings[0].what.contains("1 samples out of order and 1 at a time"), "{}", said.findings[0].what);
    assert!(said.findings[1].what.contains("`heading` in 2, `pitch` in 2, `range` in 3 of 6 epochs"), "{}", said.findings[1].what);
    assert_eq!(said.findings[1].labels.iter().map(|l| l.line).collect::<Vec<_>>(), [Some(4), Some(6)]);
    assert_eq!((said.lines[0].total, said.lines[0].used), (7, 6));
}

#[test]
fn scale_lag_and_zone() {
    // Stamps in GPS time (18 s ahead), made 0.3 s after the measurement, on a clock two hours ahead.
    let more = json!({"time": {"column": "t", "format": "unix-s", "scale": "gps", "ahead_h": 2.0}, "lag_s": 0.3});
    let (out, _) = join(&[("day.csv", &stream(-5.0, 30.0, 18.0 + 7200.0 + 0.3))], options(more), epochs(20), "day");
    let out = out.unwrap();
    for (i, heading) in out.floats("heading_deg").unwrap().iter().enumerate() {
        #[allow(clippy::cast_precision_loss)]
        let want = i as f64 * 10.0;
        assert!((heading - want).abs() < 0.02, "{heading} {want}");
    }
}

#[test]
fn clocks_that_do_not_fit_stop_the_run() {
    let block = |text: Vec<u8>, more: Value| {
        let problem = join(&[("day.csv", &text)], options(more), epochs(10), "day").0.unwrap_err();
        assert_eq!((problem.finding.code.as_str(), problem.finding.verdict), ("time/streams-do-not-overlap", Verdict::Block));
        *problem.finding
    };
    // GPS labels read as UTC, the whole session shorter than 18 s.
    let found = block(stream(0.0, 9.0, 18.0), json!({}));
    assert!(found.what.contains("begins 9.00 s after the log ends"), "{}", found.what);
    assert!(found.why.contains("+18.00 s is 18 s, the difference of GPS time and UTC"), "{}", found.why);
    assert_eq!(found.fix, "set `time.scale: gps`");
    // Local time of UTC+2, the stream longer than the session at both ends by odd amounts.
    let found = block(stream(-7.3, 31.0, 7200.0), json!({}));
    assert!(found.why.contains("2 whole hours, as of a time zone") && found.why.contains("10 of 10 epochs"), "{}", found.why);
    assert_eq!(found.fix, "add 2 to `time.ahead_h`");
    // The other way round: UTC labels declared as GPS.
    let found = block(stream(0.0, 9.0, 0.0), json!({"time": {"column": "t", "format": "unix-s", "scale": "gps"}}));
    assert_eq!(found.fix, "set `time.scale: utc`");
    // Another day.
    let found = block(stream(0.0, 9.0, 200_000.0), json!({}));
    assert!(found.fix.contains("this session"), "{}", found.fix);
    // Gaps too long for the option: nine of ten and more without a partner.
    let found = block(b"t,yaw,p,d\n1779999990.5,1,1,1\n1780000000.5,1,1,1\n1780000010.5,1,1,1\n".to_vec(), json!({}));
    assert!(found.fix.contains("raise `max_gap_s`") && found.what.starts_with("10 of 10 epochs"), "{} {}", found.what, found.fix);
    let found = block(b"t,yaw,p,d\n".to_vec(), json!({}));
    assert!(found.what.contains("no usable sample"));
}

#[test]
fn packed_files_and_files_of_other_sessions() {
    use std::io::Write;
    let plain = stream(-1.0, 12.0, 0.0);
    let mut gz = flate2_writer();
    gz.write_all(&plain).unwrap();
    let packed = gz.finish().unwrap();
    let more = json!({"files": ["{session}*.csv.gz"]});
    let files: [(&str, &[u8]); 2] = [("day1.csv.gz", &packed), ("other.csv.gz", b"broken")];
    let (out, _) = join(&files, options(more.clone()), epochs(5), "day1");
    assert!((out.unwrap().floats("heading_deg").unwrap()[3] - 30.0).abs() < 0.02);
    let (out, _) = join(&files, options(more), epochs(5), "day2");
    assert_eq!(out.unwrap_err().finding.code, "time/no-stream-file");
}

/// Gzip without another dependency of this crate: stored blocks.
struct Stored(Vec<u8>);
fn flate2_writer() -> Stored {
    Stored(vec![])
}
impl std::io::Write for Stored {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.extend(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}
impl Stored {
    #[allow(clippy::unnecessary_wraps, clippy::cast_possible_truncation)]
    fn finish(self) -> std::io::Result<Vec<u8>> {
        let mut out = vec![0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255];
        let chunks: Vec<_> = self.0.chunks(60_000).collect();
        for (i, chunk) in chunks.iter().enumerate() {
            let n = chunk.len() as u16;
            out.push(u8::from(i + 1 == chunks.len()));
            out.extend(n.to_le_bytes());
            out.extend((!n).to_le_bytes());
            out.extend(*chunk);
        }
        let mut crc = 0xffff_ffff_u32;
        for byte in &self.0 {
            crc ^= u32::from(*byte);
            for _ in 0..8 {
                crc = (crc >> 1) ^ (0xedb8_8320 & (crc & 1).wrapping_neg());
            }
        }
        out.extend((!crc).to_le_bytes());
        out.extend((self.0.len() as u32).to_le_bytes());
        Ok(out)
    }
}

#[test]
fn plan_problems() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("a.csv"), "t\n").unwrap();
    let codes = |o: Options| -> Vec<(String, Option<String>)> {
        bind(folder.path(), o).err().unwrap().into_iter().map(|p| (p.finding.code.clone(), p.option)).collect()
    };
    let bad = |option: &str| vec![("time/bad-options".to_owned(), Some(option.to_owned()))];
    assert_eq!(codes(options(json!({"max_gap_s": 0.0}))), bad("max_gap_s"));
    assert_eq!(codes(options(json!({"lag_s": 1e9}))), bad("lag_s"));
    assert_eq!(codes(options(json!({"files": []}))), bad("files"));
    assert_eq!(codes(options(json!({"files": ["[ab]{session}.csv"]}))), bad("files[0]"));
    assert_eq!(codes(options(json!({"files": ["none-{session}.csv"]})))[0].1.as_deref(), Some("files[0]"));
    let nothing: Options =
        serde_json::from_value(json!({"files": ["a.csv"], "time": {"column": "t", "format": "unix-s", "scale": "utc"}, "max_gap_s": 1.0}))
            .unwrap();
    assert_eq!(codes(nothing)[0].0, "time/bad-options");
    let bound = bind(folder.path(), options(json!({}))).ok().unwrap();
    assert_eq!(bound.stage.resources().len(), 1);
    assert!(bound.stage.run(&[epochs(0)], &Cx::new(&world(), "t", None)).unwrap().rows() == 0);
}

/// A rig whose attitude is of another kind.
fn rig(attitude: Value) -> pipeline_base::rig::Rig {
    let mut all = json!({"north": "true", "heading_sigma_deg": 0.3, "tilt_sigma_deg": 0.1, "heading_bias_sigma_deg": 0.4, "tilt_bias_sigma_deg": 0.1});
    all.as_object_mut().unwrap().extend(attitude.as_object().unwrap().clone());
    serde_json::from_value(json!({
        "rig": 1, "name": "pole", "receiver_output": "antenna-reference-point", "attitude": all,
        "gnss": {"assumed_sigma_horizontal_m": 0.02, "assumed_sigma_up_m": 0.03}
    }))
    .unwrap()
}

fn bare(more: Value) -> Options {
    let mut all = json!({"files": ["{session}.csv"], "time": {"column": "t", "format": "unix-s", "scale": "utc"}, "max_gap_s": 1.0, "motion_check": "off"});
    all.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    serde_json::from_value(all).unwrap()
}

#[test]
fn quaternions_and_leans_become_heading_pitch_and_roll() {
    let folder = tempfile::tempdir().unwrap();
    let run = |text: &str, rig: &pipeline_base::rig::Rig, options: Options| {
        std::fs::write(folder.path().join("s.csv"), text).unwrap();
        let bound =
            bind_with(&[input()], Some(rig), folder.path(), |cx| TimeJoin::bind(options, cx)).map_err(|p| format!("{p:?}")).unwrap();
        let (world, session) = (world(), session("s"));
        bound.stage.run(&[epochs(3)], &Cx::new(&world, "join", Some((0, &session)))).unwrap()
    };
    // Samples half a second beside the epochs; the heading goes from 350 over north to 30 deg, the pole leans to all sides.
    let quaternion = rig(
        json!({"kind": "quaternion", "quaternion": {"turns": "body-to-world", "world": "north-east-down", "body": "forward-right-down"}}),
    );
    let mut text = String::from("t,w,x,y,z\n");
    for k in 0..4 {
        let [w, x, y, z] = raw_logs::attitude::quaternion([350.0 + 20.0 * f64::from(k) - 10.0, 10.0, 5.0]);
        // A quaternion and its negative are the same attitude.
        let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
        text += &format!("{:.1},{:.9},{:.9},{:.9},{:.9}\n", START as f64 - 0.5 + f64::from(k), sign * w, sign * x, sign * y, sign * z);
    }
    let out = run(&text, &quaternion, bare(json!({"quaternion": {"w": "w", "x": "x", "y": "y", "z": "z"}})));
    let (h, p, r) = (out.floats("heading_deg").unwrap(), out.floats("pitch_deg").unwrap(), out.floats("roll_deg").unwrap());
    for (k, want) in [350.0, 10.0, 30.0].into_iter().enumerate() {
        assert!(
            ((h[k] - want + 180.0_f64).rem_euclid(360.0) - 180.0).abs() < 0.3 && (p[k] - 10.0).abs() < 0.3 && (r[k] - 5.0).abs() < 0.3,
            "{k}: {} {} {}",
            h[k],
            p[k],
            r[k]
        );
    }
    // A pole swung through the vertical: halfway between 4 deg east and 4 deg west it is upright.
    let lean = rig(json!({"kind": "tilt-azimuth", "lean_azimuth_of": "top"}));
    let text: String =
        (0..4).map(|k| format!("{:.1},4.0,{}\n", START as f64 - 0.5 + f64::from(k), if k % 2 == 0 { 90 } else { 270 })).collect();
    let columns = json!({"tilt": {"column": "tilt", "unit": "deg"}, "lean_azimuth": {"column": "az", "unit": "deg"}});
    let out = run(&format!("t,tilt,az\n{text}"), &lean, bare(columns.clone()));
    let (p, r) = (out.floats("pitch_deg").unwrap(), out.floats("roll_deg").unwrap());
    assert!((0..3).all(|k| p[k].hypot(r[k]) < 1e-6), "{p:?} {r:?}");
    // Columns of another kind than the rig's.
    let wrong = bind_with(&[input()], Some(&quaternion), folder.path(), |cx| TimeJoin::bind(bare(columns), cx)).err().unwrap();
    assert_eq!(wrong[0].finding.code, "time/bad-options");
}
