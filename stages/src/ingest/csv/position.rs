//! Latitude and longitude as text.

use super::PositionFormat;
use raw_logs::delimited::{NotANumber, number};

/// Why a text is no latitude or longitude.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum BadPosition {
    /// Not of the declared format.
    Format,
    /// Not-a-number or infinite.
    NotFinite,
    /// Beyond 90 or 180 degrees.
    Outside,
}

/// Reads a latitude or longitude, deg; an empty text is NaN. `letters`: the positive and the
/// negative direction; `limit`: 90 or 180.
///
/// # Errors
/// When it is not of the format, not finite, or beyond the limit.
pub(super) fn read(text: &str, format: PositionFormat, letters: [char; 2], limit: f64, decimal_comma: bool) -> Result<f64, BadPosition> {
    if text.is_empty() {
        return Ok(f64::NAN);
    }
    // Before the letters: `nan` also begins with that of north.
    if text.trim().parse::<f64>().is_ok_and(|v| !v.is_finite()) {
        return Err(BadPosition::NotFinite);
    }
    let mut rest = text.trim();
    let mut sign = None;
    for (letter, s) in [(letters[0], 1.0), (letters[1], -1.0)] {
        let is = |c: char| c.eq_ignore_ascii_case(&letter);
        if let Some(r) = rest.strip_suffix(is).or_else(|| rest.strip_prefix(is)) {
            sign = Some(s);
            rest = r.trim();
            break;
        }
    }
    let value = match format {
        PositionFormat::Deg => plain(rest.strip_suffix('°').unwrap_or(rest), decimal_comma)?,
        PositionFormat::Dms => dms(rest, decimal_comma)?,
    };
    let value = match sign {
        // A letter and a minus sign contradict each other.
        Some(_) if value < 0.0 || rest.starts_with('-') => return Err(BadPosition::Format),
        Some(s) => s * value,
        None => value,
    };
    if value.abs() > limit { Err(BadPosition::Outside) } else { Ok(value) }
}

fn plain(text: &str, decimal_comma: bool) -> Result<f64, BadPosition> {
    match number(text.trim(), decimal_comma) {
        Ok(Some(v)) => Ok(v),
        Err(NotANumber::NotFinite) => Err(BadPosition::NotFinite),
        Ok(None) | Err(NotANumber::Text) => Err(BadPosition::Format),
    }
}

fn dms(text: &str, decimal_comma: bool) -> Result<f64, BadPosition> {
    let (negative, text) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let divides = |c: char| c.is_whitespace() || matches!(c, ':' | '°' | '\'' | '"' | '′' | '″' | 'd' | 'm' | 's');
    let mut parts = text.split(divides).filter(|p| !p.is_empty());
    let mut value = 0.0;
    let mut unit = 1.0;
    let mut whole_so_far = true;
    let mut any = false;
    for part in parts.by_ref().take(3) {
        // Only the last part may have decimals, and none a sign or an exponent.
        if !whole_so_far || !part.bytes().all(|b| b.is_ascii_digit() || b == b'.' || b == b',') {
            return Err(BadPosition::Format);
        }
        let v = plain(part, decimal_comma)?;
        if any && v >= 60.0 {
            return Err(BadPosition::Format);
        }
        whole_so_far = part.bytes().all(|b| b.is_ascii_digit());
        value += v / unit;
        unit *= 60.0;
        any = true;
    }
    if !any || parts.next().is_some() {
        return Err(BadPosition::Format);
    }
    Ok(if negative { -value } else { value })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn formats() {
        let lon = |text, format| read(text, format, ['E', 'W'], 180.0, false);
        assert_eq!(lon("-84.5512345", PositionFormat::Deg), Ok(-84.551_234_5));
        assert_eq!(lon("84.5512345W", PositionFormat::Deg), Ok(-84.551_234_5));
        assert_eq!(lon("E 7.5", PositionFormat::Deg), Ok(7.5));
        assert_eq!(lon("-7.5 W", PositionFormat::Deg), Err(BadPosition::Format));
        assert_eq!(lon("180.1", PositionFormat::Deg), Err(BadPosition::Outside));
        assert_eq!(lon("inf", PositionFormat::Deg), Err(BadPosition::NotFinite));
        assert_eq!(lon("84 33", PositionFormat::Deg), Err(BadPosition::Format));
        // S-OS-CAISTER-TM of checks/01_epsg_operations.csv: 52d39m27.2531s N, 1d43m04.5177s E.
        let want = 52.0 + 39.0 / 60.0 + 27.2531 / 3600.0;
        for text in ["52d39m27.2531s N", "52 39 27.2531", "52:39:27.2531N", "N52°39'27.2531\"", "52° 39′ 27.2531″ N"] {
            let have = read(text, PositionFormat::Dms, ['N', 'S'], 90.0, false).unwrap();
            assert!((have - want).abs() < 1e-13, "{text}");
        }
        let minutes = read("52 39.454218", PositionFormat::Dms, ['N', 'S'], 90.0, false).unwrap();
        assert!((minutes - want).abs() < 1e-8);
        assert_eq!(lon("-0 30 0", PositionFormat::Dms), Ok(-0.5));
        assert_eq!(read("52 39 27,5", PositionFormat::Dms, ['N', 'S'], 90.0, true), Ok(52.0 + 39.0 / 60.0 + 27.5 / 3600.0));
        for bad in ["52 60 0", "52.5 30", "52 -3 0", "1 2 3 4", "x", "52 39 2e1"] {
            assert_eq!(read(bad, PositionFormat::Dms, ['N', 'S'], 90.0, false), Err(BadPosition::Format), "{bad}");
        }
        assert!(lon("", PositionFormat::Dms).unwrap().is_nan());
    }

    proptest! {
        #[test]
        fn any_text_is_no_panic(text in ".{0,30}") {
            for format in [PositionFormat::Deg, PositionFormat::Dms] {
                if let Ok(v) = read(&text, format, ['N', 'S'], 90.0, true) {
                    prop_assert!(v.is_nan() || v.abs() <= 90.0);
                }
            }
        }

        #[test]
        fn dms_there_and_back(micro in 0_u64..(180 * 3600 * 1_000_000)) {
            #[allow(clippy::cast_precision_loss)]
            let want = micro as f64 / 3.6e9;
            let (s, rest) = (micro % 60_000_000, micro / 60_000_000);
            let text = format!("{}:{:02}:{:02}.{:06}W", rest / 60, rest % 60, s / 1_000_000, s % 1_000_000);
            let have = read(&text, PositionFormat::Dms, ['E', 'W'], 180.0, false).unwrap();
            prop_assert!((have + want).abs() < 1e-12, "{text} {have}");
        }
    }
}
