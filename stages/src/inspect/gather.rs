//! From logs to the numbers of a report.

use super::{Base, Damage, FileReport, Gap, Kind, Place, Report, Resolution, SensorSeen, Separation, Share};
use crate::inspect::screen::CELLS;
use pipeline_base::input::unpack;
use pipeline_base::time::date_text;
use raw_logs::columns::{EpochColumns, Fix};
use raw_logs::nmea::dating::{Dated, date};
use raw_logs::nmea::findings::rate;
use raw_logs::nmea::line::{Formatter, Line, Reason, classify};
use raw_logs::nmea::log::Log;
use raw_logs::nmea::number::{DAY, clock_text};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::PathBuf;

/// Letter of a fix in the strip.
pub(super) const fn letter(fix: Fix) -> char {
    match fix {
        Fix::RtkFixed => '#',
        Fix::RtkFloat => 'f',
        Fix::Differential => 'd',
        Fix::Pps | Fix::Autonomous => 'a',
        Fix::Estimated | Fix::Manual | Fix::Simulated => 'e',
        Fix::Unknown => '?',
        Fix::None => '.',
    }
}

/// Order of the sentences from one GGA to the next, in the first file that has them.
pub(super) fn order(files: &[(String, PathBuf)], checksum_required: bool) -> Vec<String> {
    for (_, path) in files {
        let Ok(file) = std::fs::File::open(path) else { continue };
        let Ok(from) = unpack(Box::new(file)) else { continue };
        let mut head = vec![];
        if from.take(200_000).read_to_end(&mut head).is_err() {
            continue;
        }
        let mut all: Vec<(&'static str, bool)> = vec![];
        for raw in head.split(|b| *b == b'\n') {
            let sentence = match classify(raw.strip_suffix(b"\r").unwrap_or(raw)) {
                Line::Sentence(s) => Some(s),
                Line::Bare(s) if !checksum_required => Some(s),
                _ => None,
            };
            if let Some(s) = sentence.filter(|s| s.formatter != Formatter::Other) {
                all.push((s.formatter.word(), matches!(s.formatter, Formatter::GGA | Formatter::GNS)));
            }
        }
        let starts: Vec<usize> = all.iter().enumerate().filter(|(_, (_, start))| *start).map(|(i, _)| i).collect();
        // The longest round: sentences of a lower rate stand in some rounds only.
        let Some(round) = starts.windows(2).max_by_key(|w| w[1] - w[0]) else { continue };
        let mut order: Vec<(String, u32)> = vec![];
        for (word, _) in &all[round[0]..round[1]] {
            match order.last_mut() {
                Some((last, n)) if last == word => *n += 1,
                _ => order.push(((*word).to_owned(), 1)),
            }
        }
        return order.into_iter().map(|(word, n)| if n > 1 { format!("{word} x{n}") } else { word }).collect();
    }
    vec![]
}

#[allow(clippy::cast_precision_loss)]
fn ratio(part: u64, whole: u64) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}

/// The report of some logs, one file each.
#[allow(clippy::cast_precision_loss)]
pub(super) fn report(mut logs: Vec<Log>, order: Vec<String>, without_checksums: bool) -> Report {
    let dated: Vec<Dated> = logs.iter_mut().map(|l| date(l, None)).collect();
    let epochs: u64 = logs.iter().map(|l| l.columns.rows() as u64).sum();
    let mut kinds: BTreeMap<String, u64> = BTreeMap::new();
    let mut ignored = BTreeMap::new();
    let mut missing = 0;
    let mut gaps = vec![];
    for log in &logs {
        log.kinds().into_iter().for_each(|(k, n)| *kinds.entry(k).or_insert(0) += n);
        log.tallies.iter().flat_map(|t| t.count().ignored).for_each(|(k, n)| *ignored.entry(k).or_insert(0) += n);
        if let Some((interval, lost)) = rate(&log.columns.time) {
            missing += lost;
            gaps.extend(pauses(log, interval));
        }
    }
    gaps.sort_by(|a, b| b.seconds.total_cmp(&a.seconds));
    gaps.truncate(3);
    let mut sentences: Vec<Kind> =
        kinds.into_iter().map(|(address, count)| Kind { address, count, per_epoch: ratio(count, epochs) }).collect();
    sentences.sort_by(|a, b| b.count.cmp(&a.count).then_with(|| a.address.cmp(&b.address)));
    let fixes = Fix::ALL
        .into_iter()
        .map(|fix| (fix, logs.iter().flat_map(|l| &l.columns.fix).filter(|f| **f == fix).count() as u64))
        .filter(|(_, n)| *n > 0)
        .map(|(fix, n)| Share { fix: fix.word(), epochs: n, percent: 100.0 * ratio(n, epochs) })
        .collect();
    let ranges: Vec<(f64, f64)> = logs.iter().filter_map(|l| l.noticed.separation_range).collect();
    let separation = (!ranges.is_empty()).then(|| Separation {
        lowest_m: ranges.iter().map(|r| r.0).fold(f64::INFINITY, f64::min),
        highest_m: ranges.iter().map(|r| r.1).fold(f64::NEG_INFINITY, f64::max),
        lines: logs.iter().map(|l| l.noticed.separations).sum(),
    });
    let mut report = Report {
        files: logs.iter().zip(&dated).map(|(l, d)| file(l, d)).collect(),
        sentences,
        order,
        damage: damage(&logs),
        ignored,
        epochs,
        missing,
        gaps,
        fixes,
        strip: strip(&logs),
        with_gst: logs.iter().map(|l| l.noticed.gst).sum(),
        sigma_95_of_epochs_m: sigmas(&logs),
        separation,
        separations: separations(&logs),
        without_separation: logs.iter().map(|l| l.noticed.altitudes - l.noticed.separations).sum(),
        sensors: sensors(&logs),
        resolution: resolution(&logs),
        bases: bases(&logs),
        place: place(&logs),
        decimal_year: logs
            .iter()
            .zip(&dated)
            .filter(|(_, d)| matches!(d, Dated::Yes { .. }))
            .find_map(|(l, _)| l.columns.time.first().copied().map(survey_geodesy::decimal_year)),
        without_checksums,
        wrong: vec![],
        ask: vec![],
    };
    super::screen::judge(&mut report, &logs, &dated);
    report
}

fn file(log: &Log, dated: &Dated) -> FileReport {
    let t = &log.columns.time;
    let with_date = matches!(dated, Dated::Yes { .. });
    let text = |ns: i64| {
        let clock = clock_text(ns);
        if with_date { format!("{} {clock}", date_text(ns.div_euclid(DAY))) } else { clock }
    };
    let tally = log.tallies.first();
    FileReport {
        name: tally.map(|t| t.file.clone()).unwrap_or_default(),
        bytes: tally.map_or(0, |t| t.bytes),
        lines: tally.map_or(0, |t| t.total),
        binary_bytes: tally.map_or(0, |t| t.binary_bytes),
        epochs: log.columns.rows() as u64,
        first: t.first().copied().map(text),
        last: t.last().copied().map(text),
        date_source: match dated {
            Dated::Yes { source, .. } if log.columns.rows() > 0 => Some((*source).to_owned()),
            _ => None,
        },
        interval_s: rate(t).map(|r| r.0),
    }
}

#[allow(clippy::cast_precision_loss)]
fn pauses(log: &Log, interval_s: f64) -> Vec<Gap> {
    let c = &log.columns;
    (1..c.rows())
        .map(|row| (row, (c.time[row] - c.time[row - 1]) as f64 / 1e9))
        .filter(|(_, s)| *s > 1.5 * interval_s)
        .map(|(row, seconds)| Gap {
            file: log.file(c.file[row]).to_owned(),
            line: c.line_first[row].unsigned_abs(),
            after: clock_text(c.time[row - 1]),
            seconds,
        })
        .collect()
}

fn damage(logs: &[Log]) -> Vec<Damage> {
    let mut all = vec![];
    for reason in Reason::ALL {
        let count: u64 = logs.iter().flat_map(|l| &l.tallies).map(|t| t.damaged(reason)).sum();
        let first = logs.iter().flat_map(|l| &l.tallies).find_map(|t| t.examples[reason as usize].first().map(|e| (&t.file, e)));
        if let Some((file, example)) = first {
            all.push(Damage { reason: reason.word(), count, file: file.clone(), line: example.line, text: example.text.clone() });
        }
    }
    all
}

/// The most frequent fix in equal parts of time; a blank where there is no epoch. Files stand one
/// after another.
fn strip(logs: &[Log]) -> String {
    let span = |c: &EpochColumns| c.time.first().zip(c.time.last()).map_or(0, |(a, b)| (b - a).max(0) + 1);
    let total: i128 = logs.iter().map(|l| i128::from(span(&l.columns))).sum();
    if total == 0 {
        return String::new();
    }
    let mut counts = vec![[0_u32; 10]; CELLS];
    let mut before: i128 = 0;
    for log in logs {
        let c = &log.columns;
        let start = c.time.first().copied().unwrap_or(0);
        for (time, fix) in c.time.iter().zip(&c.fix) {
            let at = before + i128::from((time - start).clamp(0, span(c) - 1));
            let cell = usize::try_from(at * CELLS as i128 / total).unwrap_or(0).min(CELLS - 1);
            counts[cell][*fix as usize] += 1;
        }
        before += i128::from(span(c));
    }
    // With fewer epochs than parts, blanks would look like gaps.
    if logs.iter().map(|l| l.columns.rows()).sum::<usize>() < 2 * CELLS {
        return logs.iter().flat_map(|l| &l.columns.fix).take(2 * CELLS).map(|f| letter(*f)).take(CELLS).collect();
    }
    counts
        .iter()
        .map(|c| {
            Fix::ALL.into_iter().filter(|f| c[*f as usize] > 0).max_by_key(|f| (c[*f as usize], std::cmp::Reverse(*f))).map_or(' ', letter)
        })
        .collect()
}

/// Places with their separation, at most 64, spread over the logs.
fn separations(logs: &[Log]) -> Vec<(f64, f64, f64)> {
    const MOST: usize = 64;
    let good = |c: &EpochColumns, row: usize| {
        let v = (c.latitude[row], c.longitude[row], c.separation[row]);
        (v.0.is_finite() && v.1.is_finite() && v.2.is_finite()).then_some(v)
    };
    let all: Vec<_> = logs.iter().flat_map(|l| (0..l.columns.rows()).filter_map(|row| good(&l.columns, row))).collect();
    let step = all.len().div_ceil(MOST).max(1);
    all.into_iter().step_by(step).collect()
}

fn sigmas(logs: &[Log]) -> Option<(f64, f64)> {
    let mut both = [vec![], vec![]];
    for c in logs.iter().map(|l| &l.columns) {
        for row in 0..c.rows() {
            let (e, n, u) = (c.sigma_east[row], c.sigma_north[row], c.sigma_up[row]);
            if !(e.is_nan() || n.is_nan() || u.is_nan()) && c.fix[row] > Fix::None {
                both[0].push(e.max(n));
                both[1].push(u);
            }
        }
    }
    let at = |values: &mut Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get((values.len().max(1) - 1) * 95 / 100).copied()
    };
    let [mut horizontal, mut up] = both;
    at(&mut horizontal).zip(at(&mut up))
}

fn sensors(logs: &[Log]) -> Vec<SensorSeen> {
    let mut all: Vec<SensorSeen> = vec![];
    for s in logs.iter().flat_map(|l| &l.noticed.seen) {
        match all.iter_mut().find(|a| a.sentence == s.sentence && a.name == s.name && a.unit == s.unit) {
            Some(one) => {
                one.count += s.count;
                one.lowest = one.lowest.min(s.min);
                one.highest = one.highest.max(s.max);
            }
            None => all.push(SensorSeen {
                sentence: s.sentence,
                name: s.name.clone(),
                kind: s.kind.clone(),
                unit: s.unit.clone(),
                count: s.count,
                first: s.first,
                lowest: s.min,
                highest: s.max,
            }),
        }
    }
    all
}

fn resolution(logs: &[Log]) -> Option<Resolution> {
    let ranges: Vec<_> = logs.iter().filter_map(|l| l.noticed.decimals.range()).collect();
    let step = logs.iter().filter_map(|l| l.position_step_m().map(|s| s.0)).fold(0.0, f64::max);
    let heights: Vec<f64> =
        logs.iter().filter(|l| l.noticed.altitudes > 0).map(|l| 10_f64.powi(-i32::from(l.noticed.altitude_effective))).collect();
    Some(Resolution {
        fewest: ranges.iter().map(|r| r.0).min()? as u64,
        most: ranges.iter().map(|r| r.1).max()? as u64,
        position_step_m: step,
        height_step_m: heights.into_iter().reduce(f64::max),
    })
}

fn bases(logs: &[Log]) -> Vec<Base> {
    let mut all: Vec<Base> = vec![];
    for log in logs {
        for (id, epochs) in log.columns.bases.iter().zip(&log.noticed.base_rows) {
            match all.iter_mut().find(|b| b.id == *id) {
                Some(base) => base.epochs += epochs,
                None => all.push(Base { id: id.clone(), epochs: *epochs }),
            }
        }
    }
    all
}

/// Middle and extent of the positions; longitudes are counted from the first, so that the 180th
/// meridian is no edge.
fn place(logs: &[Log]) -> Option<Place> {
    let columns = || logs.iter().map(|l| &l.columns);
    let mut first = None;
    let (mut lat, mut lon, mut height) =
        ((f64::INFINITY, f64::NEG_INFINITY), (f64::INFINITY, f64::NEG_INFINITY), (f64::INFINITY, f64::NEG_INFINITY));
    let widen = |range: &mut (f64, f64), v: f64| *range = (range.0.min(v), range.1.max(v));
    for c in columns() {
        for row in 0..c.rows() {
            let (la, lo) = (c.latitude[row], c.longitude[row]);
            if la.is_nan() {
                continue;
            }
            let origin = *first.get_or_insert(lo);
            widen(&mut lat, la);
            widen(&mut lon, (lo - origin + 540.0).rem_euclid(360.0) - 180.0);
            if !c.height[row].is_nan() {
                widen(&mut height, c.height[row]);
            }
        }
    }
    let origin = first?;
    let middle = (lat.0 + lat.1) / 2.0;
    // A sphere of 6,371 km is enough for an extent.
    let north = (lat.1 - lat.0).to_radians() * 6_371_000.0;
    let east = (lon.1 - lon.0).to_radians() * 6_371_000.0 * middle.to_radians().cos();
    Some(Place {
        latitude_deg: middle,
        longitude_deg: (origin + (lon.0 + lon.1) / 2.0 + 540.0).rem_euclid(360.0) - 180.0,
        heights_m: (height.0 <= height.1).then_some(height),
        extent_m: north.hypot(east),
    })
}
