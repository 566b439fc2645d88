//! Reason codes of refused epochs, and the tests that look at one epoch at a time.
//!
//! One byte per epoch: 0 is kept, anything else is a place in [`REASONS`]. Each test runs over a
//! whole column and only touches epochs that no earlier test refused, so the first test in the
//! documented order gives the reason.

use polars::prelude::StringChunked;

/// Kept.
pub(super) const KEPT: u8 = 0;
/// Place of `no-fix` in [`REASONS`].
pub(super) const NO_FIX: u8 = 1;
/// Place of `no-position`.
pub(super) const NO_POSITION: u8 = 2;
/// Place of `fix-unknown`, the last of the fix kinds.
pub(super) const FIX_UNKNOWN: u8 = 11;
/// Place of `missing-correction-age`.
pub(super) const MISSING_AGE: u8 = 12;
/// Place of `old-corrections`.
pub(super) const OLD_CORRECTIONS: u8 = 13;
/// Place of `missing-pdop`.
pub(super) const MISSING_PDOP: u8 = 14;
/// Place of `high-pdop`.
pub(super) const HIGH_PDOP: u8 = 15;
/// Place of `missing-hdop`.
pub(super) const MISSING_HDOP: u8 = 16;
/// Place of `high-hdop`.
pub(super) const HIGH_HDOP: u8 = 17;
/// Place of `missing-satellites`.
pub(super) const MISSING_SATELLITES: u8 = 18;
/// Place of `few-satellites`.
pub(super) const FEW_SATELLITES: u8 = 19;
/// Place of `missing-sigma`.
pub(super) const MISSING_SIGMA: u8 = 20;
/// Place of `large-sigma`.
pub(super) const LARGE_SIGMA: u8 = 21;
/// Place of `missing-tilt`.
pub(super) const MISSING_TILT: u8 = 22;
/// Place of `large-tilt`.
pub(super) const LARGE_TILT: u8 = 23;
/// Place of `missing-turn-rate`.
pub(super) const MISSING_TURN_RATE: u8 = 24;
/// Place of `fast-turn`.
pub(super) const FAST_TURN: u8 = 25;
/// Place of `missing-base-station`.
pub(super) const MISSING_BASE: u8 = 26;
/// Place of `other-base`.
pub(super) const OTHER_BASE: u8 = 27;
/// Place of `settling`.
pub(super) const SETTLING: u8 = 28;
/// Place of `position-jump`.
pub(super) const POSITION_JUMP: u8 = 29;
/// Place of `where`.
pub(super) const WHERE: u8 = 30;
/// Place of `held`.
pub(super) const HELD: u8 = 31;

/// Every reason in the order of the tests: code, and what it means for people.
pub(super) const REASONS: &[(&str, &str)] = &[
    ("kept", ""),
    ("no-fix", "the receiver had no position"),
    ("no-position", "the fix kind is allowed but latitude, longitude or height is empty"),
    ("fix-autonomous", "not an allowed fix kind"),
    ("fix-differential", "not an allowed fix kind"),
    ("fix-pps", "not an allowed fix kind"),
    ("fix-rtk-fixed", "not an allowed fix kind"),
    ("fix-rtk-float", "not an allowed fix kind"),
    ("fix-estimated", "not an allowed fix kind"),
    ("fix-manual", "not an allowed fix kind"),
    ("fix-simulated", "not an allowed fix kind"),
    ("fix-unknown", "an unknown fix kind is never taken as a good one"),
    ("missing-correction-age", "`max_correction_age_s` needs the age of corrections"),
    ("old-corrections", "corrections older than `max_correction_age_s`"),
    ("missing-pdop", "`max_pdop` needs the position dilution"),
    ("high-pdop", "position dilution above `max_pdop`"),
    ("missing-hdop", "`max_hdop` needs the horizontal dilution"),
    ("high-hdop", "horizontal dilution above `max_hdop`"),
    ("missing-satellites", "`min_satellites` needs the number of satellites"),
    ("few-satellites", "fewer satellites than `min_satellites`"),
    ("missing-sigma", "a sigma limit needs the sigmas"),
    ("large-sigma", "sigma above `max_sigma_horizontal_m` or `max_sigma_up_m`"),
    ("missing-tilt", "`max_tilt_deg` needs pitch and roll"),
    ("large-tilt", "tilt above `max_tilt_deg`"),
    ("missing-turn-rate", "`max_turn_rate_deg_s` needs a turn rate or two attitudes in a row"),
    ("fast-turn", "turning faster than `max_turn_rate_deg_s`"),
    ("missing-base-station", "`base_station` needs the identity of the base"),
    ("other-base", "a base that is not in `base_station`"),
    ("settling", "within `settle_s` of a regained fix, a gap or a change of base"),
    ("position-jump", "further than `max_jump_m` from the epochs kept just before"),
    ("where", "the condition `where` is false or unknown"),
    ("held", "the point is held; see the finding"),
];

/// Whether a reason is about the kind of fix.
#[must_use]
pub(super) fn is_fix(code: u8) -> bool {
    code == NO_FIX || (code > NO_POSITION && code <= FIX_UNKNOWN)
}

/// Words that `fix:` may list.
pub(super) const FIX_WORDS: &[&str] = &["autonomous", "differential", "pps", "rtk-fixed", "rtk-float", "estimated", "manual", "simulated"];

/// The reason that a fix word gives when it is not allowed.
#[must_use]
pub(super) fn fix_reason(word: Option<&str>) -> u8 {
    match word {
        None => FIX_UNKNOWN,
        Some("none") => NO_FIX,
        #[allow(clippy::cast_possible_truncation)]
        Some(word) => FIX_WORDS.iter().position(|w| *w == word).map_or(FIX_UNKNOWN, |i| 3 + i as u8),
    }
}

/// Gives each text of a column a code, and remembers the last short text by its 16-byte view: fix
/// words and base numbers repeat for hours, so nearly every row costs one comparison.
pub(super) fn classify(column: &StringChunked, mut code_of: impl FnMut(Option<&str>) -> u8, mut put: impl FnMut(usize, u8)) {
    if column.null_count() > 0 {
        for (row, text) in column.iter().enumerate() {
            put(row, code_of(text));
        }
        return;
    }
    let mut row = 0;
    let mut last: Option<(u128, u8)> = None;
    for array in column.downcast_iter() {
        for (k, view) in array.views().iter().enumerate() {
            let code = match last {
                Some((bits, code)) if bits == view.as_u128() => code,
                _ => {
                    let code = code_of(Some(array.value(k)));
                    // A long text's view holds a place in a buffer, which another array may use for another text.
                    last = view.is_inline().then(|| (view.as_u128(), code));
                    code
                }
            };
            put(row, code);
            row += 1;
        }
    }
}

/// Refuses values for which `bad` is true; a missing value gives `missing`, or nothing when `missing` is 0.
pub(super) fn limit(codes: &mut [u8], values: &[f64], missing: u8, refused: u8, bad: impl Fn(f64) -> bool) {
    for (code, value) in codes.iter_mut().zip(values) {
        if *code == KEPT {
            *code = if value.is_nan() {
                missing
            } else if bad(*value) {
                refused
            } else {
                KEPT
            };
        }
    }
}

/// Tilt from plumb of a body with this pitch and roll, degrees: `acos(cos pitch cos roll)`, the
/// angle between the body's down axis and the local down of Rz(heading) Ry(pitch) Rx(roll).
#[must_use]
pub(super) fn tilt_deg(pitch_deg: f64, roll_deg: f64) -> f64 {
    let (p, r) = (pitch_deg.to_radians(), roll_deg.to_radians());
    // The same angle by its sine near plumb, where acos loses half of the digits.
    let sine = (p.sin().powi(2) + (p.cos() * r.sin()).powi(2)).sqrt();
    let cosine = p.cos() * r.cos();
    sine.atan2(cosine).to_degrees()
}

/// Refuses tilts above `max_deg`.
pub(super) fn limit_tilt(codes: &mut [u8], pitch: &[f64], roll: &[f64], missing: u8, max_deg: f64) {
    let square = max_deg * max_deg;
    for ((code, p), r) in codes.iter_mut().zip(pitch).zip(roll) {
        if *code == KEPT {
            // The tilt is never above sqrt(pitch^2 + roll^2), which spares most epochs the trigonometry.
            *code = if p.is_nan() || r.is_nan() {
                missing
            } else if p * p + r * r <= square || tilt_deg(*p, *r) <= max_deg {
                KEPT
            } else {
                LARGE_TILT
            };
        }
    }
}
