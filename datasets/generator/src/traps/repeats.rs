//! Traps about occupations: repeats that share their errors, a name used twice, the 180th meridian.

use super::{Piece, Step, Still, Trap, chain, ellipsoid, flat, trap};
use crate::files::step;

const PIECE: Piece = Piece { start_s: 0, epochs: 30, quality: 4, base: "0417", shift: [0.0; 3], point: None };

/// Where repeats are compared.
const COMPARE: Step = step("compared", "compare-occupations", "");

fn compared(steps: &mut Vec<Step>) {
    flat(steps);
    let after = steps.iter().position(|s| s.stage == "average").map_or(steps.len(), |k| k + 1);
    steps.insert(after, COMPARE);
}

/// A log of several stretches, one epoch a second.
fn slow(latitude: f64, longitude: f64, height: f64, pieces: &[Piece]) -> Still {
    Still { step: 1000, pieces: pieces.to_vec(), ..Still::at(latitude, longitude, height) }
}

/// The traps of this file.
pub(super) fn traps() -> Vec<Trap> {
    let mark = Some("K-26");
    let mut t12 = trap(
        "T12",
        "repeats/disagree",
        "reshoot",
        "two shots 38 s apart agree, on one fix; a third after the fix was regained differs by 0.29 m",
        slow(
            27.338,
            -86.921,
            -22.4,
            &[
                Piece { point: mark, ..PIECE },
                Piece { start_s: 30, epochs: 38, ..PIECE },
                Piece { start_s: 68, point: mark, shift: [0.003, -0.004, 0.004], ..PIECE },
                Piece { start_s: 98, epochs: 8, ..PIECE },
                Piece { start_s: 2_290, epochs: 6, quality: 5, ..PIECE },
                Piece { start_s: 2_296, epochs: 14, ..PIECE },
                Piece { start_s: 2_310, point: mark, shift: [0.226, -0.183, 0.174], ..PIECE },
            ],
        ),
    );
    t12.point = "K-26";
    t12.steps = chain(compared);

    let mut s14 = trap(
        "S14",
        "repeats/far-apart",
        "warn",
        "the name 207 stands for two valves 31 m apart",
        slow(
            26.874,
            -87.733,
            -21.8,
            &[
                Piece { point: Some("207"), ..PIECE },
                Piece { start_s: 30, epochs: 30, shift: [14.0, 12.0, 0.0], ..PIECE },
                Piece { start_s: 90, point: Some("207"), shift: [24.0, 20.0, 0.3], ..PIECE },
            ],
        ),
    );
    s14.steps = chain(compared);

    // Right as it is: the mean of 179.9999999 and -179.9999999 is 180 and not 0.
    let mut s2 = trap(
        "S2",
        "",
        "",
        "a pole on the 180th meridian: longitudes of both signs in one mean",
        // The noise of this log lies to the west; with the shift it falls on both sides.
        Still { count: 60, ..slow(12.318, 180.0, 21.6, &[Piece { epochs: 60, shift: [0.0072, 0.0, 0.0], ..PIECE }]) },
    );
    s2.reference = ellipsoid("EPSG:9989");
    vec![t12, s14, s2]
}
