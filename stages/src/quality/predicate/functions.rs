//! Functions of one row, and how they are worked out column by column.

use super::values::{Data, Values, Worked, both_known, of, rows, zip};
use std::borrow::Cow;

/// Longest text that a function may make, in bytes: texts that grow in each other must not fill the memory.
pub(super) const LONGEST_TEXT: usize = 65_536;

/// A function, by the kinds of its arguments and of its result.
#[derive(Clone, Copy, Debug)]
pub(super) enum Callee {
    /// Number to number.
    Real(fn(f64) -> f64),
    /// Two numbers to a number.
    Reals(fn(f64, f64) -> f64),
    /// Number to a number with so many decimals, by a way of rounding.
    Rounded(i32, fn(f64) -> f64),
    /// Whole number to whole number; none where there is no such number.
    Whole(fn(i64) -> Option<i64>),
    /// Two whole numbers to a whole number.
    Wholes(fn(i64, i64) -> Worked<Option<i64>>),
    /// Whole number, mostly an instant, to a number.
    WholeToReal(fn(i64) -> f64),
    /// Texts and whole numbers to a text.
    ToText(fn(&[Piece]) -> Worked<String>),
    /// Texts to a whole number.
    ToWhole(fn(&[Piece]) -> i64),
    /// Texts to a truth.
    ToTruth(fn(&[Piece]) -> bool),
}

/// One argument of a function of texts.
#[derive(Clone, Copy, Debug)]
pub(super) enum Piece<'a> {
    /// A text.
    Text(&'a str),
    /// A whole number.
    Whole(i64),
}

impl<'a> Piece<'a> {
    const fn text(&self) -> &'a str {
        if let Self::Text(text) = self { text } else { "" }
    }

    const fn whole(&self) -> i64 {
        if let Self::Whole(n) = self { *n } else { 0 }
    }
}

impl Callee {
    /// Works the function out in every row.
    ///
    /// # Errors
    /// When an argument cannot be taken, in words.
    pub(super) fn work_out<'r>(self, arguments: &[Values]) -> Worked<Values<'r>> {
        let [first, rest @ ..] = arguments else { return Err("a function has no argument".to_owned()) };
        let one = || first.known.as_ref().map(|k| Cow::Owned(k.to_vec()));
        Ok(match self {
            Self::Real(f) => {
                let values: Vec<f64> = first.as_reals()?.iter().map(|x| f(*x)).collect();
                Values { data: Data::Reals(values.into()), known: one() }
            }
            Self::Rounded(digits, way) => {
                let scale = 10_f64.powi(digits);
                let round = |x: f64| {
                    let rounded = way(x * scale) / scale;
                    if rounded.is_finite() { rounded } else { x }
                };
                let values: Vec<f64> = first.as_reals()?.iter().map(|x| if digits == 0 { way(*x) } else { round(*x) }).collect();
                Values { data: Data::Reals(values.into()), known: one() }
            }
            Self::Whole(f) => {
                let values: Vec<Option<i64>> =
                    first.as_wholes()?.iter().enumerate().map(|(row, n)| if first.is_known(row) { f(*n) } else { None }).collect();
                Values::wholes(&values)
            }
            Self::WholeToReal(f) => {
                let values: Vec<f64> = first.as_wholes()?.iter().map(|n| f(*n)).collect();
                Values { data: Data::Reals(values.into()), known: one() }
            }
            Self::Reals(f) => {
                let second = rest.first().ok_or("a function lacks an argument")?;
                let values = zip(first.as_reals()?, second.as_reals()?, |x, y| f(*x, *y));
                Values { data: Data::Reals(values.into()), known: both_known(first, second) }
            }
            Self::Wholes(f) => {
                let second = rest.first().ok_or("a function lacks an argument")?;
                let (a, b) = (first.as_wholes()?, second.as_wholes()?);
                let value = |row| if first.is_known(row) && second.is_known(row) { f(*of(a, row), *of(b, row)) } else { Ok(None) };
                Values::wholes(&(0..rows(a.len(), b.len())).map(value).collect::<Worked<Vec<_>>>()?)
            }
            Self::ToText(f) => {
                let limited = |pieces: &[Piece]| {
                    let text = f(pieces)?;
                    if text.len() > LONGEST_TEXT { Err(too_long()) } else { Ok(Cow::Owned(text)) }
                };
                Values::texts(each(arguments, limited)?)
            }
            Self::ToWhole(f) => Values::wholes(&each(arguments, |pieces| Ok(f(pieces)))?),
            Self::ToTruth(f) => Values::truths(&each(arguments, |pieces| Ok(f(pieces)))?),
        })
    }
}

/// Why a text is not made.
pub(super) fn too_long() -> String {
    format!("a text grows beyond {LONGEST_TEXT} bytes")
}

/// Works out each row of which all arguments are known.
fn each<R>(arguments: &[Values], f: impl Fn(&[Piece]) -> Worked<R>) -> Worked<Vec<Option<R>>> {
    let length = arguments.iter().fold(1, |n, v| rows(n, v.len()));
    let mut out = Vec::with_capacity(length);
    for row in 0..length {
        if arguments.iter().any(|v| !v.is_known(row)) {
            out.push(None);
            continue;
        }
        let mut pieces = [Piece::Whole(0); 3];
        for (piece, values) in pieces.iter_mut().zip(arguments) {
            *piece = match &values.data {
                Data::Texts(texts) => Piece::Text(of::<Cow<str>>(texts, row)),
                _ => Piece::Whole(*of(values.as_wholes()?, row)),
            };
        }
        out.push(Some(f(&pieces[..arguments.len().min(3)])?));
    }
    Ok(out)
}

/// -1, 0 or 1 by the sign; 0 keeps its sign.
pub(super) fn sign(x: f64) -> f64 {
    if x == 0.0 || x.is_nan() { x } else { x.signum() }
}

/// A power; small whole exponents by multiplication, as exact as can be.
pub(super) fn power(base: f64, exponent: f64) -> f64 {
    if exponent == 0.5 {
        base.sqrt()
    } else if exponent.fract() == 0.0 && exponent > 1.0 && exponent < 10.0 {
        (1..exponent as u8).fold(base, |product, _| product * base)
    } else {
        base.powf(exponent)
    }
}

/// A power of whole numbers; none beyond 64 bits.
pub(super) fn whole_power(base: i64, exponent: i64) -> Worked<Option<i64>> {
    if exponent < 0 {
        return Err(format!("a whole number to the power of {exponent} is none; write one of the two with decimals"));
    }
    Ok(match u32::try_from(exponent) {
        Ok(exponent) => base.checked_pow(exponent),
        Err(_) => matches!(base, 0 | 1).then_some(base),
    })
}

/// The remainder that has the sign of the divisor.
pub(super) fn remainder(x: f64, y: f64) -> f64 {
    x - y * (x / y).floor()
}

/// Quotient rounded down; none by 0.
pub(super) fn whole_quotient(x: i64, y: i64) -> Option<i64> {
    let quotient = x.checked_div(y)?;
    Some(if x % y != 0 && (x < 0) != (y < 0) { quotient - 1 } else { quotient })
}

/// The remainder that has the sign of the divisor; none by 0.
pub(super) fn whole_remainder(x: i64, y: i64) -> Option<i64> {
    if y == 0 {
        return None;
    }
    let rest = x.wrapping_rem(y);
    Some(if rest != 0 && (rest < 0) != (y < 0) { rest + y } else { rest })
}

/// Characters from a first one on (1 is the first), at most so many.
pub(super) fn substring(pieces: &[Piece]) -> Worked<String> {
    let (text, start) = (pieces[0].text(), pieces[1].whole());
    let skip = usize::try_from(start.saturating_sub(1)).unwrap_or(0);
    let Some(length) = pieces.get(2).map(Piece::whole) else { return Ok(text.chars().skip(skip).collect()) };
    if length < 0 {
        return Err(format!("SUBSTR takes no negative length such as {length}"));
    }
    // Characters before the first one count, though there are none.
    let taken = length.saturating_add(start.saturating_sub(1).min(0));
    Ok(text.chars().skip(skip).take(usize::try_from(taken).unwrap_or(0)).collect())
}

/// The first characters; of a negative number, all but so many at the end.
pub(super) fn left(pieces: &[Piece]) -> Worked<String> {
    let (text, n) = (pieces[0].text(), pieces[1].whole());
    let taken = if n < 0 { usize_of(text).saturating_add(n) } else { n };
    Ok(text.chars().take(usize::try_from(taken).unwrap_or(0)).collect())
}

/// The last characters; of a negative number, all but so many at the start.
pub(super) fn right(pieces: &[Piece]) -> Worked<String> {
    let (text, n) = (pieces[0].text(), pieces[1].whole());
    let skipped = if n < 0 { n.saturating_neg() } else { usize_of(text) - n };
    Ok(text.chars().skip(usize::try_from(skipped).unwrap_or(0)).collect())
}

/// Filled up at the start to so many characters, or cut.
pub(super) fn pad_start(pieces: &[Piece]) -> Worked<String> {
    let (text, fill, length) = padding(pieces)?;
    let missing = length.saturating_sub(text.chars().count());
    Ok(std::iter::repeat_n(fill, missing).chain(text.chars()).take(length).collect())
}

/// Filled up at the end to so many characters, or cut.
pub(super) fn pad_end(pieces: &[Piece]) -> Worked<String> {
    let (text, fill, length) = padding(pieces)?;
    Ok(text.chars().chain(std::iter::repeat(fill)).take(length).collect())
}

fn padding<'a>(pieces: &[Piece<'a>]) -> Worked<(&'a str, char, usize)> {
    let fill = pieces.get(2).map_or(Some(' '), |p| p.text().chars().next()).ok_or("the character to fill up with is missing")?;
    match usize::try_from(pieces[1].whole()) {
        Ok(length) if length <= LONGEST_TEXT => Ok((pieces[0].text(), fill, length)),
        _ => Err(format!("a text cannot be filled up to {} characters", pieces[1].whole())),
    }
}

/// Every occurrence of a text replaced by another.
pub(super) fn replace(pieces: &[Piece]) -> Worked<String> {
    let (text, old, new) = (pieces[0].text(), pieces[1].text(), pieces[2].text());
    if text.len().saturating_add(text.matches(old).count().saturating_mul(new.len())) > LONGEST_TEXT {
        return Err(too_long());
    }
    Ok(text.replace(old, new))
}

/// Characters up to a text, the first of it counted; 0 when it does not occur.
pub(super) fn position(pieces: &[Piece]) -> i64 {
    let (text, part) = (pieces[0].text(), pieces[1].text());
    text.find(part).map_or(0, |at| usize_of(&text[..at]) + 1)
}

/// White space taken off, or the characters of a second text.
pub(super) fn trim(pieces: &[Piece]) -> Worked<String> {
    let text = pieces[0].text();
    Ok(pieces.get(1).map_or_else(|| text.trim(), |set| text.trim_matches(|c| set.text().contains(c))).to_owned())
}

/// The same at the start.
pub(super) fn trim_start(pieces: &[Piece]) -> Worked<String> {
    let text = pieces[0].text();
    Ok(pieces.get(1).map_or_else(|| text.trim_start(), |set| text.trim_start_matches(|c| set.text().contains(c))).to_owned())
}

/// The same at the end.
pub(super) fn trim_end(pieces: &[Piece]) -> Worked<String> {
    let text = pieces[0].text();
    Ok(pieces.get(1).map_or_else(|| text.trim_end(), |set| text.trim_end_matches(|c| set.text().contains(c))).to_owned())
}

/// The characters from the last to the first.
pub(super) fn reverse(pieces: &[Piece]) -> Worked<String> {
    Ok(pieces[0].text().chars().rev().collect())
}

/// Capital letters.
pub(super) fn upper(pieces: &[Piece]) -> Worked<String> {
    Ok(pieces[0].text().to_uppercase())
}

/// Small letters.
pub(super) fn lower(pieces: &[Piece]) -> Worked<String> {
    Ok(pieces[0].text().to_lowercase())
}

/// Characters.
pub(super) fn length(pieces: &[Piece]) -> i64 {
    usize_of(pieces[0].text())
}

/// Bytes of UTF-8.
pub(super) fn octets(pieces: &[Piece]) -> i64 {
    i64::try_from(pieces[0].text().len()).unwrap_or(i64::MAX)
}

/// Whether a text begins with another.
pub(super) fn starts_with(pieces: &[Piece]) -> bool {
    pieces[0].text().starts_with(pieces[1].text())
}

/// Whether a text ends with another.
pub(super) fn ends_with(pieces: &[Piece]) -> bool {
    pieces[0].text().ends_with(pieces[1].text())
}

fn usize_of(text: &str) -> i64 {
    i64::try_from(text.chars().count()).unwrap_or(i64::MAX)
}
