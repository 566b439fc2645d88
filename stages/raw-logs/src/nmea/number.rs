//! Exact decimals, angles and times from the bytes of a field.
//!
//! Digits are gathered in a whole number and divided once by an exact power of ten, so a result of
//! up to 15 digits is the double nearest to the text. Nothing here is single precision.

/// A decimal number and how it was written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decimal {
    /// Value.
    pub value: f64,
    /// Digits after the point.
    pub decimals: u8,
}

/// An angle written as degrees and minutes (`ddmm.mmmm`).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Angle {
    /// Degrees, without sign.
    pub degrees: f64,
    /// Digits of minutes after the point.
    pub decimals: u8,
}

/// Powers of ten that a double holds exactly.
const POWERS: [f64; 23] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22];
const WHOLE_POWERS: [u64; 16] = [
    1,
    10,
    100,
    1_000,
    10_000,
    100_000,
    1_000_000,
    10_000_000,
    100_000_000,
    1_000_000_000,
    10_000_000_000,
    100_000_000_000,
    1_000_000_000_000,
    10_000_000_000_000,
    100_000_000_000_000,
    1_000_000_000_000_000,
];
/// Largest whole number up to which a double holds every whole number.
const EXACT: u64 = 1 << 53;

/// Digits with at most one point: the whole number, the count of digits and of decimals.
/// `None` when there is anything else, no digit, or more digits than fit (19).
#[inline]
fn digits(text: &[u8]) -> Option<(u64, usize, usize)> {
    if text.len() > 19 {
        return None;
    }
    let mut mantissa = 0_u64;
    let mut point = usize::MAX;
    for (i, byte) in text.iter().enumerate() {
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
        } else if *byte == b'.' && point == usize::MAX {
            point = i;
        } else {
            return None;
        }
    }
    let (count, decimals) = if point == usize::MAX { (text.len(), 0) } else { (text.len() - 1, text.len() - 1 - point) };
    (count > 0).then_some((mantissa, count, decimals))
}

/// Reads a decimal number such as `-0.06`. No exponent, no `inf`, no `nan`. `None` is not a number.
#[inline]
#[must_use]
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub fn decimal(text: &[u8]) -> Option<Decimal> {
    let (negative, body) = match text.first()? {
        b'-' => (true, &text[1..]),
        b'+' => (false, &text[1..]),
        _ => (false, text),
    };
    if let Some((mantissa, _, decimals)) = digits(body)
        && mantissa <= EXACT
    {
        let value = mantissa as f64 / POWERS[decimals];
        return Some(Decimal { value: if negative { -value } else { value }, decimals: decimals as u8 });
    }
    long_decimal(negative, body)
}

/// More digits than a double holds: the library's own reader rounds correctly.
#[cold]
fn long_decimal(negative: bool, body: &[u8]) -> Option<Decimal> {
    let plain = body.iter().all(|b| b.is_ascii_digit() || *b == b'.');
    if !plain || body.len() > 60 {
        return None;
    }
    let value: f64 = std::str::from_utf8(body).ok()?.parse().ok()?;
    let decimals = body.iter().position(|b| *b == b'.').map_or(0, |p| body.len() - 1 - p);
    Some(Decimal { value: if negative { -value } else { value }, decimals: u8::try_from(decimals).ok()? })
}

/// Reads `ddmm.mmmm` or `dddmm.mmmm` with degrees up to `limit`. Degrees and minutes are split as
/// whole numbers, and one division gives the nearest double.
#[inline]
#[must_use]
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub fn angle(text: &[u8], limit: u64) -> Option<Angle> {
    let (mantissa, count, decimals) = digits(text)?;
    let before = count - decimals;
    if !(3..=5).contains(&before) {
        return None;
    }
    if decimals > 11 {
        return long_angle(text, before, limit);
    }
    let scale = WHOLE_POWERS[decimals];
    let degrees = mantissa / (100 * scale);
    let minutes = mantissa - degrees * 100 * scale;
    if minutes >= 60 * scale || degrees > limit || (degrees == limit && minutes > 0) {
        return None;
    }
    let value = (degrees * 60 * scale + minutes) as f64 / (60 * scale) as f64;
    Some(Angle { degrees: value, decimals: decimals as u8 })
}

#[cold]
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
fn long_angle(text: &[u8], before: usize, limit: u64) -> Option<Angle> {
    let (degrees, _, _) = digits(&text[..before - 2])?;
    let minutes = decimal(&text[before - 2..])?;
    let value = degrees as f64 + minutes.value / 60.0;
    (minutes.value < 60.0 && value <= limit as f64).then_some(Angle { degrees: value, decimals: minutes.decimals })
}

/// Digits after the point that are not trailing zeros: the step that this text really shows.
#[inline]
#[must_use]
#[allow(clippy::cast_possible_truncation)]
pub fn effective_decimals(text: &[u8], decimals: u8) -> u8 {
    let zeros = text.iter().rev().take(decimals as usize).take_while(|b| **b == b'0').count();
    decimals - zeros as u8
}

/// Nanoseconds of one day.
pub const DAY: i64 = 86_400_000_000_000;

/// Reads `hhmmss` or `hhmmss.sss` as nanoseconds of the day. A leap second
/// (second 60) has no instant of its own and is not read.
#[inline]
#[must_use]
pub fn time_of_day(text: &[u8]) -> Option<i64> {
    let (whole, rest) = text.split_first_chunk::<6>()?;
    let mut d = [0_i64; 6];
    for (to, byte) in d.iter_mut().zip(whole) {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            return None;
        }
        *to = i64::from(digit);
    }
    let (h, m, s) = (d[0] * 10 + d[1], d[2] * 10 + d[3], d[4] * 10 + d[5]);
    if h > 23 || m > 59 || s > 59 {
        return None;
    }
    let mut ns = ((h * 60 + m) * 60 + s) * 1_000_000_000;
    if let Some((point, fraction)) = rest.split_first() {
        if *point != b'.' {
            return None;
        }
        let mut unit = 100_000_000_i64;
        for byte in fraction {
            let digit = byte.wrapping_sub(b'0');
            if digit > 9 {
                return None;
            }
            ns += i64::from(digit) * unit;
            unit /= 10;
        }
    }
    Some(ns)
}

/// Reads a whole number without sign of up to nine digits.
#[inline]
#[must_use]
pub fn whole(text: &[u8]) -> Option<i64> {
    if text.is_empty() || text.len() > 9 {
        return None;
    }
    text.iter().try_fold(0_i64, |n, b| b.is_ascii_digit().then(|| n * 10 + i64::from(b - b'0')))
}

/// `hh:mm:ss.ss` of nanoseconds of a day.
#[must_use]
pub fn clock_text(ns: i64) -> String {
    let ns = ns.rem_euclid(DAY);
    let hundredths = ns / 10_000_000;
    let s = hundredths / 100;
    format!("{:02}:{:02}:{:02}.{:02}", s / 3600, s / 60 % 60, s % 60, hundredths % 100)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn decimals_are_nearest() {
        for (text, value, decimals) in [("545.4", 545.4, 1), ("-33.600", -33.6, 3), ("+.5", 0.5, 1), ("7.", 7.0, 0), ("-0", -0.0, 0)] {
            let d = decimal(text.as_bytes()).unwrap();
            assert_eq!((d.value.to_bits(), d.decimals), (f64::to_bits(value), decimals), "{text}");
        }
        for text in ["", "-", ".", "1e3", "nan", "inf", "1.2.3", "1,2", "0x1", " 1", "1 "] {
            assert_eq!(decimal(text.as_bytes()), None, "{text}");
        }
        let long = "0.1234567890123456789012345";
        assert_eq!(decimal(long.as_bytes()).unwrap().value, long.parse::<f64>().unwrap());
    }

    #[test]
    fn angles() {
        // S-GGA-FIX, S-GGA-1 (checks/06_nmea.csv).
        assert!((angle(b"4001.2345678", 90).unwrap().degrees - 40.020_576_13).abs() < 1e-11);
        assert!((angle(b"10515.7654321", 180).unwrap().degrees - 105.262_757_201_67).abs() < 1e-11);
        assert!((angle(b"01131.000", 180).unwrap().degrees - 11.516_666_667).abs() < 1e-9);
        assert_eq!(angle(b"9000.0", 90).unwrap().degrees, 90.0);
        for bad in ["9000.1", "4860.000", "18000.1", "48", "", "|2037.|72792", "-4807.0", "48.07", "360000.0"] {
            assert_eq!(angle(bad.as_bytes(), 90), None, "{bad}");
        }
        assert_eq!(effective_decimals(b"4807.0380", 4), 3);
        assert_eq!(effective_decimals(b"4800.000", 3), 0);
    }

    #[test]
    fn times() {
        assert_eq!(time_of_day(b"092750.000"), Some(34_070_000_000_000));
        assert_eq!(time_of_day(b"000000.1234567891"), Some(123_456_789));
        for bad in ["", "12345", "240000", "126000", "123461", "123456,1", "12345a", "235960", "|19322|1.00"] {
            assert_eq!(time_of_day(bad.as_bytes()), None, "{bad}");
        }
    }

    proptest! {
        #[test]
        fn decimal_equals_the_library(whole in 0_u64..10_000_000, fraction in "[0-9]{0,12}", negative: bool) {
            let text = format!("{}{whole}.{fraction}", if negative { "-" } else { "" });
            let ours = decimal(text.as_bytes()).unwrap().value;
            prop_assert_eq!(ours.to_bits(), text.parse::<f64>().unwrap().to_bits());
        }

        #[test]
        fn any_bytes_do_no_harm(bytes in proptest::collection::vec(any::<u8>(), 0..40)) {
            let _ = (decimal(&bytes), angle(&bytes, 90), time_of_day(&bytes), whole(&bytes));
        }
    }
}
