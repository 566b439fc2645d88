//! Every case of the three outside lists is either tested, with its own value and no wider tolerance, or named here with the
//! reason why it is not.

use super::ledger::Checked;
use super::{dms, frames, heights, projections};
use crate::fixture::shared;

/// Cases or single outputs that no stage can be held to: id, output (empty: all of them), reason.
pub(super) const NOT_APPLICABLE: [(&str, &str, &str); 12] = [
    ("S-EGM96-1", HARMONICS, NO_SYNTHESIS),
    ("S-EGM96-3", HARMONICS, NO_SYNTHESIS),
    ("S-EGM96-4", HARMONICS, NO_SYNTHESIS),
    ("S-EGM96-6", HARMONICS, NO_SYNTHESIS),
    ("S-EGM96-PROJ-1", "", COARSE),
    ("S-EGM2008-NPOLE", "", NO_GRID),
    ("S-EGM2008-GREENWICH", "", NO_GRID),
    ("S-EGM2008-INDIAN-LOW", "", NO_GRID),
    ("S-EGM2008-KANGAROO-I", "", NO_GRID),
    ("S-EGM2008-NEW-GUINEA", "", NO_GRID),
    ("S-DIFF-ELLIPSOIDAL", "minimum |N|", OTHER_TOLERANCE),
    ("S-DIFF-ELLIPSOIDAL", "maximum |N|", OTHER_TOLERANCE),
];

const HARMONICS: &str = "N from spherical harmonics (F477)";
const NO_SYNTHESIS: &str = "separations are read from grids, not summed from harmonics; the value of the grid is tested";
const COARSE: &str = "the value is that of a thinned grid with which PROJ tests itself under the name egm96_15.gtx; the node of the \
    15-minute grid there holds 36.021 m; the sign is tested in heights.rs";
const NO_GRID: &str = "no EGM2008 grid lies in ../shared/data/grids, and another model differs by decimetres";
const OTHER_TOLERANCE: &str = "the value is that of the harmonic model; tested with the tolerance of bilinear interpolation in heights.rs";

/// Everything that the cases checked, of all three lists.
pub(super) fn checked() -> Vec<Checked> {
    [&*projections::LEDGER, &*frames::LEDGER, &*heights::LEDGER].into_iter().flat_map(|l| l.checked.clone()).collect()
}

/// A printed value: a number, or degrees, minutes and seconds with a letter.
fn printed(text: &str) -> Option<f64> {
    let parts: Vec<&str> = text.split_whitespace().collect();
    match parts.as_slice() {
        [one] => one.parse().ok(),
        [d, m, s, side @ ("N" | "E" | "S" | "W")] => {
            let value = dms(d.parse().ok()?, m.parse().ok()?, s.parse().ok()?);
            // The ledger holds angles in seconds.
            Some(value * if matches!(*side, "N" | "E") { 3600.0 } else { -3600.0 })
        }
        _ => None,
    }
}

/// The tolerance of a row: its first number, or the one for bilinear interpolation where it depends on the method.
fn tolerance(text: &str) -> Option<f64> {
    let text = text.split("up to ").nth(1).filter(|t| t.contains("bilinear")).unwrap_or(text);
    text.split_whitespace().next()?.parse().ok()
}

#[test]
fn every_case_is_tested_or_has_a_reason() {
    let checked = checked();
    let (mut rows, mut missing) = (0, vec![]);
    for list in ["01_epsg_operations.csv", "02_frames.csv", "03_heights_geoid.csv"] {
        let Some(path) = shared(&format!("checks/{list}")) else { return };
        for record in csv::Reader::from_path(path).unwrap().records() {
            let record = record.unwrap();
            let (id, output, expected, allowed) = (&record[0], &record[3], &record[4], &record[6]);
            rows += 1;
            let (Some(want), Some(allowed)) = (printed(expected), tolerance(allowed)) else {
                missing.push(format!("{id}, {output}: `{expected}` or `{allowed}` cannot be read"));
                continue;
            };
            let same = |c: &&Checked| c.id == id && (c.output == output || (c.output == "N" && list.starts_with("03")));
            let fits = |c: &Checked| (c.want - want).abs() < 1e-6 && c.tolerance <= allowed * 1.000_001;
            let excused = NOT_APPLICABLE.iter().any(|(i, o, _)| *i == id && (o.is_empty() || *o == output));
            match checked.iter().find(same) {
                Some(c) if fits(c) && !excused => {}
                Some(c) if !excused => missing.push(format!("{id}, {output}: tested against {} within {}", c.want, c.tolerance)),
                Some(_) => missing.push(format!("{id}, {output}: tested and excused at once")),
                None if excused => {}
                None => missing.push(format!("{id}, {output}: neither tested nor excused")),
            }
        }
    }
    assert!(missing.is_empty(), "of {rows} rows:\n{}", missing.join("\n"));
    for (id, output, reason) in NOT_APPLICABLE {
        eprintln!("NOT APPLICABLE {id} {output}: {reason}");
    }
}
