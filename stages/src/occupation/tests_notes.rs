//! `occupations`: notes, events, standing still.

use super::assign::Occupations;
use super::names::{self, same_names};
use super::notes::{Columns, Format, parse};
use super::test_rows::{Row, S, T0, at, bind, reasons, row, run, run_in, schema, table};
use super::unmatched::{FACT, unmatched_notes};
use pipeline_base::diag::Verdict;
use pipeline_core::stage::Bound;
use pipeline_core::stage::cx::Collect;
use proptest::prelude::*;
use std::path::Path;

const HEAD: &str = "point,code,from,to,remark,diameter_mm,surface,aim\n";

fn notes(folder: &Path, name: &str, text: &str) {
    std::fs::write(folder.join(name), text).unwrap();
}

fn bound(folder: &Path, options: &str) -> Bound<Occupations> {
    bind(options, &schema(false, false), None, None, folder).map_err(|p| format!("{p:?}")).unwrap()
}

const UTC: &str = r#"{"notes":["n.csv"],"notes_time":"utc"}"#;

/// Facts as a run gives them at its end.
fn kept(facts: Vec<serde_json::Value>) -> impl Fn(&str) -> Box<dyn Iterator<Item = serde_json::Value>> {
    move |_| Box::new(facts.clone().into_iter())
}

#[test]
fn names_stay_what_they_are_and_outside_is_set_aside() {
    let dir = tempfile::tempdir().unwrap();
    let text = format!("\u{feff}{HEAD}007,W,14:00:00,14:00:04,\"left, \"\"old\"\" valve\",250,top,laser\n1.10,,14:00:10,14:00:12,,,,TIP\n");
    notes(dir.path(), "n.csv", &text);
    let rows: Vec<Row> = (0..20).map(row).collect();
    let (out, world) = run(&bound(dir.path(), UTC), &table(&rows, false, false), "day1");
    assert_eq!(out.rows(), 8);
    assert_eq!(reasons(&world), "outside-occupation:12");
    let points = out.texts("point").unwrap();
    assert_eq!((points[0], points[7]), (Some("007"), Some("1.10")));
    assert_eq!(out.texts("remark").unwrap()[0], Some("left, \"old\" valve"));
    assert_eq!(out.texts("aim").unwrap()[7], Some("tip"));
    assert_eq!((out.floats("diameter_mm").unwrap()[0], out.texts("code").unwrap()[7]), (250.0, None));
    assert!(world.said().findings.is_empty());
}

#[test]
fn local_time_midnight_and_instants() {
    let dir = tempfile::tempdir().unwrap();
    // The log runs from 23:58 UTC over midnight; the crew's clock is five hours behind.
    let start = T0 + (9 * 3600 + 58 * 60) * S;
    let rows: Vec<Row> = (0..300)
        .map(|k| {
            let mut r = row(0);
            r.time = start + k * S;
            r
        })
        .collect();
    let t = table(&rows, false, false);
    notes(dir.path(), "n.csv", &format!("{HEAD}A,,18:59:50,19:00:20,,,,tip\nB,,19:01:00,19:01:10,,,,tip\n"));
    let (out, world) = run(&bound(dir.path(), r#"{"notes":["n.csv"],"notes_time":"local","utc_offset_h":-5}"#), &t, "day1");
    assert_eq!(out.rows(), 31 + 11);
    assert!(world.said().findings.is_empty());
    notes(dir.path(), "n.csv", &format!("{HEAD}A,,23:59:50,00:00:20,,,,tip\nB,,2026-05-05T00:01:00Z,2026-05-05T02:01:10+02:00,,,,tip\n"));
    assert_eq!(run(&bound(dir.path(), UTC), &t, "day1").0.rows(), 42);
    // Without a zone the stage stops.
    let b = bound(dir.path(), r#"{"notes":["n.csv"]}"#);
    let p = run_in(&b, &t, "day1", &Collect::default()).unwrap_err();
    assert_eq!((p.finding.code.as_str(), p.option.as_deref()), ("notes/no-zone", Some("notes_time")));
}

#[test]
fn a_note_without_epochs_is_shot_again() {
    let dir = tempfile::tempdir().unwrap();
    notes(dir.path(), "n.csv", &format!("{HEAD}A,,14:00:00,14:00:05,,,,tip\nB,,14:01:00,14:01:10,,,,tip\nC,,16:00:03,16:00:09,,,,tip\n"));
    let mut rows: Vec<Row> = (0..30).map(row).collect();
    rows.extend((100..130).map(row));
    let (_, world) = run(&bound(dir.path(), UTC), &table(&rows, false, false), "x1");
    let said = world.said();
    // B lies inside the log and can be nobody else's; C may belong to another session.
    assert_eq!(said.findings.len(), 1);
    let f = &said.findings[0];
    assert_eq!((f.code.as_str(), f.verdict, f.point.as_deref()), ("notes/no-epochs", Verdict::Reshoot, Some("B")));
    assert!(f.what.contains("30 s after it") || f.what.contains("31 s before it"), "{}", f.what);
    assert_eq!(f.labels[0].line, Some(3));
    let fact = said.facts.iter().find(|f| f.0 == FACT).unwrap().1.clone();
    let late = unmatched_notes(&kept(vec![fact]));
    assert_eq!(late.len(), 1);
    assert_eq!(late[0].point.as_deref(), Some("C"));
    assert!(late[0].what.contains("1 h") || late[0].what.contains("min before it"), "{}", late[0].what);
    assert!(late[0].why.contains("-2 h added"), "{}", late[0].why);
    assert!(late[0].fix.contains("2 h ahead of UTC"), "{}", late[0].fix);
}

#[test]
fn several_sessions_share_notes() {
    let dir = tempfile::tempdir().unwrap();
    notes(dir.path(), "n.csv", &format!("{HEAD}A,,14:00:00,14:00:05,,,,tip\nB,,17:00:00,17:00:05,,,,tip\n"));
    let b = bound(dir.path(), UTC);
    let first = run(&b, &table(&(0..30).map(row).collect::<Vec<_>>(), false, false), "am").1;
    let second = run(&b, &table(&(10_800..10_830).map(row).collect::<Vec<_>>(), false, false), "pm").1;
    let fact = |w: &Collect| w.said().facts.iter().find(|f| f.0 == FACT).unwrap().1.clone();
    assert!(unmatched_notes(&kept(vec![fact(&first), fact(&second)])).is_empty());
    assert!(first.said().findings.is_empty() && second.said().findings.is_empty());
    // The next day at the same hours: the same note meets both, and that stops the delivery.
    let next = run(&b, &table(&(86_400..86_430).map(row).collect::<Vec<_>>(), false, false), "next").1;
    let both = unmatched_notes(&kept(vec![fact(&first), fact(&second), fact(&next)]));
    assert_eq!((both.len(), both[0].code.as_str(), both[0].verdict), (1, "notes/two-sessions", Verdict::Block));
    // With a column `session`, or files named like the sessions, it does not.
    notes(dir.path(), "n.csv", "point,from,to,aim,session\nA,14:00:00,14:00:05,tip,am\n");
    let other = run(&bound(dir.path(), UTC), &table(&(86_400..86_430).map(row).collect::<Vec<_>>(), false, false), "next").0;
    assert_eq!(other.rows(), 0);
    notes(dir.path(), "am.csv", &format!("{HEAD}A,,14:00:00,14:00:05,,,,tip\n"));
    notes(dir.path(), "next.csv", &format!("{HEAD}N,,14:00:07,14:00:08,,,,tip\n"));
    for options in [r#"{"notes":["am.csv","next.csv"],"notes_time":"utc"}"#, r#"{"notes":["{session}.csv"],"notes_time":"utc"}"#] {
        let (out, w) = run(&bound(dir.path(), options), &table(&(86_400..86_430).map(row).collect::<Vec<_>>(), false, false), "next");
        assert_eq!(out.rows(), 2, "{options}");
        assert!(w.said().findings.is_empty());
    }
}

#[test]
fn overlap_is_held_and_shared_instants_are_not() {
    let dir = tempfile::tempdir().unwrap();
    let rows: Vec<Row> = (0..30).map(row).collect();
    let t = table(&rows, false, false);
    notes(dir.path(), "n.csv", &format!("{HEAD}A,,14:00:00,14:00:10,,,,tip\nB,,14:00:10,14:00:20,,,,tip\n"));
    let (out, world) = run(&bound(dir.path(), UTC), &t, "day1");
    assert_eq!((out.rows(), world.said().findings.len()), (21, 0));
    assert_eq!(out.texts("point").unwrap()[10], Some("B"));
    notes(dir.path(), "n.csv", &format!("{HEAD}A,,14:00:00,14:00:10,,,,tip\nB,,14:00:08,14:00:20,,,,tip\n"));
    let b = bound(dir.path(), UTC);
    let (out, world) = run(&b, &t, "day1");
    assert_eq!((out.rows(), reasons(&world).as_str()), (18, "outside-occupation:9 two-notes:3"));
    let f = world.said().findings[0].clone();
    assert_eq!((f.code.as_str(), f.verdict), ("notes/overlap", Verdict::Hold));
    assert!(f.what.contains("3 epochs from 14:00:08 to 14:00:10") && f.place.contains("`A` and `B`"), "{} {}", f.what, f.place);
    let world = Collect::default();
    world.said().waivers.push(("notes/overlap".into(), "B".into(), "who".into()));
    assert_eq!(run_in(&b, &t, "day1", &world).unwrap().rows(), 21);
    assert_eq!(world.said().findings[0].waived.as_deref(), Some("who"));
}

/// Trap S14: one name, two points 30 m apart.
#[test]
fn one_name_twice_is_kept_twice() {
    let dir = tempfile::tempdir().unwrap();
    notes(dir.path(), "n.csv", &format!("{HEAD}H-3,,14:00:00,14:00:05,,,,tip\nH-3,,14:00:10,14:00:15,,,,tip\n"));
    let rows: Vec<Row> = (0..20).map(|k| at(row(k), [if k > 7 { 30.0 } else { 0.0 }, 0.0, 0.0])).collect();
    let (out, world) = run(&bound(dir.path(), UTC), &table(&rows, false, false), "day1");
    let ids = out.texts("occupation").unwrap();
    assert_eq!((ids[0], ids[11]), (Some("H-3"), Some("H-3#2")));
    let facts = world.said().facts.clone();
    let found = same_names(&kept(facts.into_iter().filter(|(k, _)| k == names::FACT).map(|(_, v)| v).collect()));
    let f = &found[0];
    assert_eq!((f.code.as_str(), f.verdict), ("points/same-name", Verdict::Warn));
    assert!(f.size.contains("30.000 m"), "{}", f.size);
}

#[test]
fn bad_notes_are_findings_with_places() {
    let format = |delimiter| Format { columns: Columns::default(), delimiter, offset_ns: Some(0) };
    let bad = |text: &str| {
        let mut f = vec![];
        let r = parse("n.csv", text.as_bytes(), &format(b','), &mut f);
        (r, f)
    };
    for (text, code) in [
        ("", "notes/empty"),
        ("point,from,to\n", "notes/empty"),
        ("pont,from,to\nA,1,2\n", "notes/no-column"),
        ("point;from;to\nA;1;2\n", "notes/no-column"),
    ] {
        assert_eq!(bad(text).0.unwrap_err().finding.code, code, "{text}");
    }
    assert!(bad("pont,from,to\nA,1,2\n").0.unwrap_err().finding.fix.contains("`pont`"));
    assert!(bad("point;from;to\nA;1;2\n").0.unwrap_err().finding.fix.contains("delimiter: \";\""));
    assert_eq!(parse("n.csv", b"point\xff", &format(b','), &mut vec![]).unwrap_err().finding.code, "notes/not-utf8");
    let (notes, found) = bad(
        "point,remark,from,to,diameter_mm,aim\nA,\"x, y\",14:00,25:00:00,,\nB,,14:10:00,14:00:00,,\nC,,14:10:00,14:11:00,big,\nD,,14:10:00,14:11:00,,foot\n,,14:10:00,14:11:00,,\nE,,14:20:00,14:21:00,150,tip\n",
    );
    assert_eq!(notes.unwrap().len(), 1);
    let codes: Vec<&str> = found.iter().map(|f| f.code.as_str()).collect();
    assert_eq!(codes, ["notes/bad-time", "notes/to-before-from", "notes/bad-number", "notes/bad-aim", "notes/no-point"]);
    assert!(found.iter().all(|f| f.verdict == Verdict::Block));
    assert_eq!((found[0].labels[0].line, found[0].labels[0].column), (Some(2), Some(16)));
    assert_eq!((found[1].labels[0].line, found[1].labels[0].column), (Some(3), Some(13)));
}

#[test]
fn options_are_checked_when_planned() {
    let dir = tempfile::tempdir().unwrap();
    notes(dir.path(), "n.csv", HEAD);
    for (options, word) in [
        ("{}", "files of the notes"),
        (r#"{"notes":["none.csv"],"notes_time":"utc"}"#, "does not exist"),
        (r#"{"notes":["n.csv"],"notes_time":"local"}"#, "utc_offset_h"),
        (r#"{"notes":["n.csv"],"notes_time":"utc","utc_offset_h":2}"#, "not `local`"),
        (r#"{"by":"still","radius_m":0.1,"default_aim":"tip"}"#, "min_duration_s"),
        (r#"{"by":"event","max_gap_s":5}"#, "default_aim"),
        (r#"{"by":"event","default_aim":"tip"}"#, "event marks"),
        (r#"{"notes":["n.csv"],"delimiter":"ab"}"#, "delimiter"),
        (r#"{"notes":["n.csv"],"radius_m":1.0}"#, "does nothing"),
    ] {
        let p = bind::<Occupations>(options, &schema(false, false), None, None, dir.path()).err().unwrap();
        assert!(p.iter().any(|p| p.finding.what.contains(word)), "{options}: {p:?}");
    }
    let again = bind::<Occupations>(UTC, &schema(false, true), None, None, dir.path()).err().unwrap();
    assert!(again[0].finding.what.contains("already has"));
}

#[test]
fn events_and_bursts() {
    let dir = tempfile::tempdir().unwrap();
    let mut rows: Vec<Row> = (0..20).map(row).collect();
    rows[3].event = Some("010");
    rows[12].event = Some("011");
    let b: Bound<Occupations> =
        bind(r#"{"by":"event","event_length_s":4,"default_aim":"laser"}"#, &schema(true, false), None, None, dir.path())
            .map_err(|_| ())
            .unwrap();
    let (out, _) = run(&b, &table(&rows, true, false), "d");
    assert_eq!(out.rows(), 10);
    assert_eq!(out.texts("point").unwrap()[9], Some("011"));
    for r in &mut rows[10..] {
        r.time += 60 * S;
    }
    let (out, world) = run(&bound(dir.path(), r#"{"by":"event","max_gap_s":20,"default_aim":"tip"}"#), &table(&rows, false, false), "d");
    assert_eq!((out.rows(), out.texts("point").unwrap()[19], world.said().set_aside.len()), (20, Some("S2"), 0));
    let (out, _) = run(
        &bound(dir.path(), r#"{"by":"still","radius_m":0.1,"min_duration_s":5,"default_aim":"tip"}"#),
        &table(&rows, false, false),
        "d",
    );
    assert_eq!((out.rows(), out.texts("point").unwrap()[0]), (20, Some("P1")));
    assert_eq!(
        run(&bound(dir.path(), r#"{"by":"still","radius_m":0.1,"min_duration_s":5,"default_aim":"tip"}"#), &table(&[], false, false), "d")
            .0
            .rows(),
        0
    );
}

#[test]
fn notes_must_say_what_was_aimed_with() {
    let dir = tempfile::tempdir().unwrap();
    notes(dir.path(), "n.csv", "point,from,to\nA,14:00:00,14:00:05\n");
    let t = table(&(0..9).map(row).collect::<Vec<_>>(), false, false);
    let p = run_in(&bound(dir.path(), UTC), &t, "d", &Collect::default()).unwrap_err();
    assert_eq!(p.finding.code, "notes/no-aim");
    let b = bound(dir.path(), r#"{"notes":["n.csv"],"notes_time":"utc","default_aim":"laser"}"#);
    assert_eq!(run(&b, &t, "d").0.texts("aim").unwrap()[0], Some("laser"));
}

#[test]
fn unsorted_epochs_find_their_notes() {
    let dir = tempfile::tempdir().unwrap();
    notes(dir.path(), "n.csv", &format!("{HEAD}A,,14:00:02,14:00:05,,,,tip\n"));
    let mut rows: Vec<Row> = (0..9).map(row).collect();
    rows.reverse();
    let (out, _) = run(&bound(dir.path(), UTC), &table(&rows, false, false), "d");
    assert_eq!(out.rows(), 4);
    assert_eq!(out.instants("time").unwrap()[0], Some(T0 + 5 * S));
}

proptest! {
    #[test]
    fn any_bytes_of_notes(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = parse("n.csv", &bytes, &Format { columns: Columns::default(), delimiter: b',', offset_ns: Some(0) }, &mut vec![]);
    }
    #[test]
    fn any_text_below_a_header(text in "[0-9A-Za-z,;:\"\n\r.+ TZé-]{0,200}") {
        let all = format!("{HEAD}{text}");
        let mut f = vec![];
        if let Ok(notes) = parse("n.csv", all.as_bytes(), &Format { columns: Columns::default(), delimiter: b',', offset_ns: Some(0) }, &mut f) {
            for n in notes { let _ = n.windows(T0, T0 + 3600 * S); }
        }
    }
}
