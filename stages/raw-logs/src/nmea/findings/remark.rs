//! Findings that a job survives.

use super::block::coarse_position;
use super::{Context, all_damaged, count, in_session, label};
use crate::columns::Fix;
use crate::nmea::dating::{Dated, ROLLOVER};
use crate::nmea::draft::SensorValue;
use crate::nmea::line::Reason;
use crate::nmea::log::{Few, Log, Seen, Step};
use crate::nmea::number::{DAY, clock_text};
use crate::nmea::settings::HeightRule;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::rig::Sentence;
use pipeline_base::time::date_text;

/// Findings that a job survives, in a fixed order.
#[must_use]
pub fn remarks(log: &Log, dated: &Dated, context: &Context) -> Vec<Diagnostic> {
    let mut all: Vec<Diagnostic> = Reason::ALL.iter().filter_map(|r| damaged(log, *r)).collect();
    all.extend(heights(log, context));
    all.extend(no_fix(log));
    all.extend(steps(log));
    all.extend(pauses(log, dated, context));
    all.extend(bases(log));
    all.extend(disagreement(log));
    all.extend(step_of_positions(log, context));
    all.extend(sensors(log, context));
    all.into_iter().map(|f| in_session(f, context)).collect()
}

fn warn(code: &str, what: impl Into<String>) -> Diagnostic {
    Diagnostic::new(code, Verdict::Warn, what)
}

/// Damaged lines of one reason.
fn damaged(log: &Log, reason: Reason) -> Option<Diagnostic> {
    let n = all_damaged(log, reason);
    let first = log.tallies.iter().find_map(|t| t.examples[reason as usize].first())?;
    let (code, verdict, kind, why, fix) = match reason {
        Reason::Torn => (
            "data/torn-line",
            Verdict::Warn,
            "torn sentence",
            "sentences are joined by their own time only, and values without a time are dropped after a damaged line",
            "none needed; if it is frequent, lower the output rate or raise the baud rate",
        ),
        Reason::Checksum => (
            "data/bad-checksum",
            Verdict::Warn,
            "sentence with a wrong checksum",
            "characters were lost or changed between the receiver and the file",
            "none needed; if it is frequent, check the cable, the radio and the baud rate",
        ),
        Reason::NoChecksum => (
            "data/no-checksum",
            Verdict::Warn,
            "sentence without a checksum",
            "without a checksum a cut or merged sentence cannot be told from a whole one",
            "let the receiver write checksums; for a log that cannot be had again, set `checksums: optional`",
        ),
        Reason::Malformed => (
            "data/malformed-line",
            Verdict::Warn,
            "sentence with a right checksum and impossible fields",
            "a checksum does not see two equal characters lost, such as two commas, nor a receiver that writes nonsense",
            "none needed; if every line is so, the receiver's dialect is not NMEA 0183",
        ),
        Reason::Binary => (
            "data/binary-lines",
            Verdict::Note,
            "line of binary bytes",
            "the log holds binary frames between the sentences",
            "none needed; sentences behind binary bytes on the same line were found",
        ),
        Reason::NoTime => {
            ("data/no-time", Verdict::Note, "sentence without a time", "the receiver had just been switched on", "none needed")
        }
        Reason::Late => (
            "data/late-sentence",
            Verdict::Warn,
            "sentence for an epoch that was closed already",
            "an epoch is closed when four later times have been seen; nothing is added to it afterwards",
            "let the receiver write all sentences of an epoch together",
        ),
    };
    let rows = log.columns.rows() as u64;
    let what = if n == 1 { format!("1 {kind}: `{}`", first.text) } else { format!("{n} {}; the first is `{}`", plural(kind), first.text) };
    let mut finding = Diagnostic::new(code, verdict, what).why(why).fix(fix);
    if reason.may_hide_time() && reason != Reason::NoTime {
        let mut size = vec![];
        if log.noticed.gst > 0 {
            let without = rows - log.noticed.gst.min(rows);
            let assumed = if without > 0 { " (the rig's sigma used where there is one, marked assumed)" } else { "" };
            size.push(format!("{} without GST{assumed}", count(without, "epoch")));
        }
        if log.noticed.unplaced > 0 {
            size.push(format!("{} not joined", count(log.noticed.unplaced, "value line")));
        }
        size.push("0 epochs mis-paired".to_owned());
        finding = finding.size(size.join("; "));
    }
    let mut times = vec![];
    for tally in &log.tallies {
        for example in &tally.examples[reason as usize] {
            if finding.labels.len() < 5 {
                finding.labels.push(Label::lines(&tally.file, example.line, example.line, format!("`{}`", example.text)));
                times.extend(example.time.map(clock_text));
            }
        }
    }
    if reason != Reason::Binary && !times.is_empty() {
        finding = finding.place(format!("epoch{} {}", if times.len() == 1 { "" } else { "s" }, times.join(", ")));
    }
    Some(finding)
}

/// The plural of a kind of line: `torn sentences`, `lines of binary bytes`.
fn plural(kind: &str) -> String {
    let noun = if kind.contains("sentence") { "sentence" } else { "line" };
    kind.replacen(noun, &format!("{noun}s"), 1)
}

fn heights(log: &Log, context: &Context) -> Option<Diagnostic> {
    let n = &log.noticed;
    if context.settings.height != HeightRule::AltitudePlusSeparation || n.altitudes == 0 {
        return None;
    }
    let at = n.first_gga.first().copied();
    let without = n.altitudes - n.separations;
    let finding = if without > 0 {
        let part = if n.separations == 0 { "all".to_owned() } else { format!("{without} of {}", n.altitudes) };
        warn("height/no-separation", format!("{part} altitudes have no geoid separation, so their ellipsoidal height is unknown"))
            .size(format!("{} without a height", count(without, "epoch")))
            .why("altitude is above the receiver's geoid; without its separation the ellipsoidal height cannot be rebuilt")
            .fix("let the receiver write field 11 of GGA; only if its manual says that field 9 is ellipsoidal, set `height: field-is-ellipsoidal`")
    } else if n.separations_not_zero == 0 {
        warn("height/zero-separation", format!("the geoid separation is 0 in all {} lines with an altitude", n.altitudes))
            .size("if the altitude is above a geoid after all, heights are off by its separation, up to 100 m")
            .why("a receiver that writes 0 gives ellipsoidal heights, or leaves its geoid out of the log")
            .fix("check one height on a known mark")
    } else {
        return None;
    };
    Some(match at {
        Some(at) => finding.label(label(log, at, "first GGA")),
        None => finding,
    })
}

fn no_fix(log: &Log) -> Option<Diagnostic> {
    let rows = log.columns.rows();
    let none = log.columns.fix.iter().all(|f| *f == Fix::None);
    (rows > 0 && none).then(|| {
        // A delivery without one of its sessions would look like a whole one.
        let mut finding = Diagnostic::new("data/no-fix", Verdict::Block, format!("none of {rows} epochs has a position"))
            .size("nothing of this session can be delivered")
            .why("the receiver had no solution during the whole log")
            .fix("leave this log out of `files` and shoot again with a clear sky; check the antenna cable");
        if let Some(at) = log.noticed.first_gga.first() {
            finding = finding.label(label(log, *at, "first GGA"));
        }
        finding
    })
}

fn steps(log: &Log) -> Option<Diagnostic> {
    let steps: &Few<Step> = &log.noticed.backwards;
    let first = steps.first.first()?;
    let mut finding = warn(
        "time/backwards",
        format!(
            "time goes back {} without midnight, first {} -> {}",
            times(steps.count),
            clock_text(first.before),
            clock_text(first.after)
        ),
    )
    .size(format!("largest step shown {:.2} s", steps.first.iter().map(|s| seconds(s.before - s.after)).fold(0.0, f64::max)))
    .why("the receiver set its clock, or parts of the log stand in the wrong order or twice")
    .fix("check that the files of the session are in the order of time and that no part occurs twice");
    for step in &steps.first {
        finding = finding.label(label(log, step.at, format!("{} after {}", clock_text(step.after), clock_text(step.before))));
    }
    Some(finding)
}

fn times(n: u64) -> String {
    if n == 1 { "once".to_owned() } else { format!("{n} times") }
}

#[allow(clippy::cast_precision_loss)]
fn seconds(ns: i64) -> f64 {
    ns as f64 / 1e9
}

fn pauses(log: &Log, dated: &Dated, context: &Context) -> Vec<Diagnostic> {
    let Dated::Yes { source, pauses, rollover } = dated else { return vec![] };
    let mut all = vec![];
    for pause in pauses {
        let line = log.columns.line_first.get(pause.row).copied().unwrap_or(0).unsigned_abs();
        let file = log.columns.file.get(pause.row).map_or("", |f| log.file(*f));
        all.push(
            warn(
                "time/day-pause",
                format!(
                    "the log pauses {:.1} h and goes on another day: {} {} -> {} {}",
                    seconds(pause.after - pause.before) / 3600.0,
                    date_text(pause.before.div_euclid(DAY)),
                    clock_text(pause.before),
                    date_text(pause.after.div_euclid(DAY)),
                    clock_text(pause.after)
                ),
            )
            .label(Label::lines(file, line, line, "first line after the pause"))
            .why("the date in RMC or ZDA is another, and midnight is not in the log")
            .fix("if these are two days of work, give them as two `sessions`"),
        );
    }
    if let (Some(run), Some(date)) = (rollover, context.date) {
        all.push(
            warn(
                "time/week-rollover",
                format!(
                    "the log says {}, {} weeks from the job's {}; the job's date is used",
                    date_text(run.base),
                    (date - run.base) / 7,
                    date_text(date)
                ),
            )
            .label(label(log, run.at, "first date"))
            .why(format!("the satellites count weeks up to 1024 ({ROLLOVER} days), and an old receiver starts again"))
            .fix("update the receiver; keep `date` in the job until then"),
        );
    }
    if *source == "rmc-or-zda without a fix" {
        all.push(
            warn("time/date-without-fix", "the date comes from sentences that call themselves void")
                .why("no RMC or ZDA of this session stands beside a valid position")
                .fix("state `date: YYYY-MM-DD`, so that the two are compared"),
        );
    }
    all
}

fn bases(log: &Log) -> Option<Diagnostic> {
    let changes = &log.noticed.base_changes;
    let (_, from, to) = changes.first.first()?;
    let name = |i: u32| log.columns.bases.get(i as usize).map_or("", String::as_str);
    let mut finding = warn(
        "data/base-changed",
        format!("the base station changes {}, first from `{}` to `{}`", times(changes.count), name(*from), name(*to)),
    )
    .size("a base with other coordinates moves every point after the change by the difference")
    .why("field 14 of GGA names the base of the corrections")
    .fix("check a known mark after the change; averages do not mix two bases");
    for (at, from, to) in &changes.first {
        finding = finding.label(label(log, *at, format!("`{}` after `{}`", name(*to), name(*from))));
    }
    Some(finding)
}

fn disagreement(log: &Log) -> Vec<Diagnostic> {
    let mut all = vec![];
    let n = &log.noticed;
    if let Some(at) = n.disagree.first.first() {
        all.push(
            Diagnostic::new(
                "data/fix-disagrees",
                Verdict::Note,
                format!("GGA and GNS differ about the fix in {}", count(n.disagree.count, "epoch")),
            )
            .label(label(log, *at, "first of them"))
            .why("the worse of the two is taken")
            .fix("none needed"),
        );
    }
    if let Some(at) = n.void.first.first() {
        all.push(
            warn("data/void-position", format!("RMC calls {} void that GGA or GNS gives", count(n.void.count, "position")))
                .label(label(log, *at, "first of them"))
                .size(format!("{} without a position", count(n.void.count, "epoch")))
                .why("the receiver itself says not to use it")
                .fix("none needed; if every epoch is so, check the receiver's quality limits"),
        );
    }
    all
}

fn step_of_positions(log: &Log, context: &Context) -> Option<Diagnostic> {
    let (step, how) = log.position_step_m()?;
    let blocked = context.budget_m.is_some_and(|b| step > b);
    (step > 0.005 && !blocked).then(|| coarse_position(log, Verdict::Warn, step, how, context.budget_m))
}

fn sensors(log: &Log, context: &Context) -> Vec<Diagnostic> {
    let n = &log.noticed;
    let mut all = vec![];
    for sensor in &context.settings.sensors {
        let word = match sensor.slot {
            SensorValue::Heading => "heading",
            SensorValue::Pitch => "pitch",
            SensorValue::Roll => "roll",
            SensorValue::Range => "range",
            SensorValue::TurnRate => "turn_rate",
            SensorValue::Tilt => "tilt",
            SensorValue::LeanAzimuth => "lean_azimuth",
            SensorValue::QuaternionW => "quaternion.w",
            SensorValue::QuaternionX => "quaternion.x",
            SensorValue::QuaternionY => "quaternion.y",
            SensorValue::QuaternionZ => "quaternion.z",
        };
        let sentence = format!("{:?}", sensor.carrier);
        let name = String::from_utf8_lossy(&sensor.transducer).into_owned();
        let there = |s: &Seen| s.sentence == sentence && (sensor.carrier != Sentence::XDR || s.name == name);
        if log.columns.rows() == 0 || n.seen.iter().any(there) {
            continue;
        }
        if sensor.carrier == Sentence::XDR {
            let names: Vec<&str> = n.seen.iter().filter(|s| s.sentence == "XDR").map(|s| s.name.as_str()).collect();
            let found = if names.is_empty() {
                "the log has no XDR value at all".to_owned()
            } else {
                format!("names in the log: `{}`", names.join("`, `"))
            };
            let fix = match nearest(&name, &names) {
                Some(near) => format!("set `sensors.{word}.transducer: {near}` in the rig, if that is the sensor"),
                None => format!("correct `sensors.{word}` in the rig, or let the sensor write into the log"),
            };
            all.push(
                warn("rig/transducer-not-in-log", format!("transducer `{name}` never occurs; {found}"))
                    .place(format!("rig key `sensors.{word}`"))
                    .size(format!("no epoch has a value of `{word}`"))
                    .why("names of transducers are free text and are compared to the letter")
                    .fix(fix),
            );
        } else {
            all.push(
                warn("rig/sentence-not-in-log", format!("the rig takes `{word}` from {sentence}, which never occurs in the log"))
                    .place(format!("rig key `sensors.{word}`"))
                    .size(format!("no epoch has a value of `{word}`"))
                    .why("the sentence is not switched on, or the sensor was not connected")
                    .fix(format!("let the receiver write {sentence}, or correct `sensors.{word}` in the rig")),
            );
        }
    }
    for ((name, unit), lines) in &n.units {
        all.push(
            warn("data/unit-not-read", format!("transducer `{name}` has {} in unit `{unit}`, which is not read", count(*lines, "value")))
                .why("angles are read in degrees (type A, unit D) and ranges in metres (type D, unit M)")
                .fix("set the unit of the sensor"),
        );
    }
    if n.unplaced > 0 && !context.settings.sensors.is_empty() {
        all.push(
            warn("data/unplaced-values", format!("{} without a time could not be given to an epoch", count(n.unplaced, "sentence")))
                .size("their epochs have no attitude or range, rather than that of a neighbour")
                .why("they stand next to a damaged line, which may have held the time that they belong to, or outside all epochs")
                .fix("check that `untimed` fits the log; `gunter inspect` shows the order of the sentences"),
        );
    }
    all
}

/// The name that differs least: in capitals only, or by less than half of its letters.
fn nearest<'a>(name: &str, names: &[&'a str]) -> Option<&'a str> {
    let plain = name.to_lowercase();
    names
        .iter()
        .map(|n| (distance(&plain, &n.to_lowercase()), *n))
        .filter(|(d, n)| d * 2 <= n.len().max(name.len()))
        .min_by_key(|(d, _)| *d)
        .map(|(_, n)| n)
}

/// Letters to insert, remove or change to make one word of the other.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut corner = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let change = corner + usize::from(x != *y);
            corner = row[j + 1];
            row[j + 1] = change.min(corner + 1).min(row[j] + 1);
        }
    }
    row.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_plurals() {
        assert_eq!(nearest("PITCH", &["Roll", "PTCH"]), Some("PTCH"));
        assert_eq!(nearest("PITCH", &["RUDDER"]), None);
        assert_eq!(plural("sentence without a time"), "sentences without a time");
        assert_eq!(plural("torn sentence"), "torn sentences");
        assert_eq!(plural("line of binary bytes"), "lines of binary bytes");
    }
}
