//! `stages/CONFORMANCE.md`: what is held to what, and how far off it is at worst. Written from the tests of this folder with
//! `GUNTER_RENEW=1 cargo test --release --workspace conformance`; a stale one is a failure.

use super::ledger::{Checked, Line};
use super::{coverage, gie_files, national, parameters, second};
use crate::fixture::shared;
use std::path::Path;

/// One line for each case, unit and tolerance.
fn cases() -> Vec<Line> {
    let mut lines: Vec<(Checked, Line)> = vec![];
    for c in coverage::checked() {
        let off = (c.got - c.want).abs();
        match lines.iter_mut().find(|(first, _)| first.id == c.id && first.unit == c.unit && first.tolerance == c.tolerance) {
            Some((_, line)) => {
                line.points += 1;
                line.worst = line.worst.max(off);
            }
            None => {
                let (source, through) = origin(c.id);
                let line = Line {
                    system: format!("`{}`", c.id),
                    source: source.to_owned(),
                    through: through.to_owned(),
                    points: 1,
                    worst: off,
                    unit: c.unit,
                    tolerance: c.tolerance,
                };
                lines.push((c, line));
            }
        }
    }
    lines.into_iter().map(|(_, line)| line).collect()
}

/// Publisher of a case and the part of the product that it goes through.
fn origin(id: &str) -> (&'static str, &'static str) {
    let source = match id {
        _ if id.starts_with("S-EPSG") => "IOGP Guidance Note 7-2, examples of the EPSG data set",
        _ if id.starts_with("S-GIGS") => "GIGS 5101",
        _ if id.starts_with("S-OS-") => "Ordnance Survey guide, annex C",
        _ if id.starts_with("S-GDA") || id == "S-ITRF2014-GDA2020-ALIC" => "ICSM technical manual of the datum",
        "S-ITRF2014-ETRF2000-EPN5" => "EPN tutorial, example 5",
        _ if id.starts_with("S-MEADES") => "NGS data sheet KG0640",
        _ if id.contains("NAD83") => "NGS parameters, computed apart",
        _ if id.starts_with("S-ITRF") => "IERS parameters, published example",
        _ if id.starts_with("S-EGM96") => "NGA EGM96 test points, 15-minute grid, bilinear",
        _ if id.starts_with("S-AHD") => "Geoscience Australia, N as the case implies it",
        _ if id.starts_with("S-HEIGHT-GGA") => "NMEA sentence, h = altitude + separation",
        _ => "constructed",
    };
    let through = match id {
        "S-EPSG-9836" | "S-MEADES-RANCH-XYZ" => "ellipsoid and local frame",
        "S-EPSG-1046" | "S-EPSG-9621" | "S-EPSG-9624" | "S-EPSG-9616" => "door",
        "S-EPSG-1071" | "S-EPSG-1069" | "S-BILINEAR-A" => "`height-convert`",
        _ if id.starts_with("S-EGM96") || id.starts_with("S-AHD") => "`height-convert`",
        _ if id.starts_with("S-HEIGHT-GGA") => "`ingest-nmea`",
        _ => "`reproject`",
    };
    (source, through)
}

fn text() -> String {
    let mut text = "<!-- Written from the tests; see stages/src/geodesy/conformance/table.rs. -->\n\n# Conformance\n\n\
        What the stages give beside published values, national lists of test points, the regression files of the geodesy\n\
        library and a second engine. Lists of outside values lie beside the repository; every case of them is tested or has a\n\
        reason in `stages/src/geodesy/conformance/coverage.rs`.\n"
        .to_owned();
    let groups = [
        ("National lists of test points", national::LINES.clone()),
        ("A second engine", second::LINES.clone()),
        ("Published parameters", parameters::LINES.clone()),
        ("Published cases", cases()),
        ("The geodesy library as it is built here", gie_files::lines()),
    ];
    for (title, lines) in groups {
        text.push_str(&format!("\n## {title}\n\n| system | source | through | points | worst difference | tolerance |\n"));
        text.push_str("| --- | --- | --- | ---: | ---: | ---: |\n");
        for line in lines {
            text.push_str(&line.markdown());
            text.push('\n');
        }
    }
    text.push_str("\n## Cases that do not count\n\n| cases | reason |\n| --- | --- |\n");
    for (reason, n) in gie_files::not_counted() {
        text.push_str(&format!("| {n} of the regression files | {reason} |\n"));
    }
    for (id, output, reason) in coverage::NOT_APPLICABLE {
        let output = if output.is_empty() { String::new() } else { format!(", {output}").replace('|', "\\|") };
        text.push_str(&format!("| `{id}`{output} | {reason} |\n"));
    }
    text
}

/// Whether two lines say the same: words alike, the worst difference within a fifth or two of the last digit, since
/// machines round differently.
fn same(a: &str, b: &str) -> bool {
    let (a, b): (Vec<&str>, Vec<&str>) = (a.split('|').collect(), b.split('|').collect());
    a.len() == b.len()
        && a.iter().zip(&b).enumerate().all(|(i, (a, b))| {
            let value = |cell: &str| cell.split_whitespace().next().and_then(|n| n.parse::<f64>().ok());
            match (i, value(a), value(b)) {
                (5, Some(x), Some(y)) => {
                    let digits = a.split_whitespace().next().and_then(|n| n.split_once('.')).map_or(0, |(_, d)| d.len());
                    let last = 0.1_f64.powi(i32::try_from(digits).unwrap_or(0));
                    (x - y).abs() <= (2.1 * last).max(0.2 * x.max(y))
                }
                _ => a == b,
            }
        })
}

#[test]
fn table_of_conformance() {
    if shared("checks").is_none() || shared("data").is_none() {
        return;
    }
    let path = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/CONFORMANCE.md"));
    let want = text();
    if std::env::var_os("GUNTER_RENEW").is_some() {
        std::fs::write(path, want).unwrap();
        return;
    }
    let have = std::fs::read_to_string(path).unwrap_or_default();
    let stale = have.lines().count() != want.lines().count() || have.lines().zip(want.lines()).any(|(a, b)| !same(a, b));
    let first = have.lines().zip(want.lines()).find(|(a, b)| !same(a, b));
    assert!(
        !stale,
        "`stages/CONFORMANCE.md` is stale at {first:?}; renew it with\n  GUNTER_RENEW=1 cargo test --release --workspace conformance\nand read the difference"
    );
}
