//! Works a condition out column by column.

use super::functions::{LONGEST_TEXT, too_long};
use super::texts;
use super::tree::{Comparison, Conversion, Node, Typed};
use super::values::{Data, Rows, Values, Worked, both_known, of, rows, zip};
use crate::quality::predicate::values::Kind;
use std::borrow::Cow;
use std::cmp::Ordering;
use std::collections::HashSet;

impl Rows<'_> {
    /// The values of several parts.
    pub(super) fn all<'r>(&'r self, parts: &'r [Typed]) -> Worked<Vec<Values<'r>>> {
        parts.iter().map(|part| self.work_out(part)).collect()
    }

    /// The values of a part.
    ///
    /// # Errors
    /// When a strict conversion or a function cannot take a value, in words.
    pub(super) fn work_out<'r>(&'r self, part: &'r Typed) -> Worked<Values<'r>> {
        Ok(match &part.node {
            Node::Column(place) => self.columns.get(*place).ok_or("a column is missing")?.view(),
            Node::Constant(value) => Values::constant(part.kind, value),
            Node::All(parts) => self.several(parts, false)?,
            Node::Any(parts) => self.several(parts, true)?,
            Node::Either(pair) => {
                let (a, b) = (self.work_out(&pair[0])?, self.work_out(&pair[1])?);
                let values = zip(a.as_truths()?, b.as_truths()?, |x, y| x != y);
                Values { data: Data::Truths(values.into()), known: both_known(&a, &b) }
            }
            Node::Not(part) => {
                let values = self.work_out(part)?;
                let data = Data::Truths(values.as_truths()?.iter().map(|v| !v).collect());
                Values { data, known: values.known }
            }
            Node::Compare(how, pair) => compare(*how, &self.work_out(&pair[0])?, &self.work_out(&pair[1])?)?,
            Node::Missing(part) => {
                let values = self.work_out(part)?;
                Values { data: Data::Truths((0..values.len()).map(|row| !values.is_known(row)).collect()), known: None }
            }
            Node::Among(part, list) => among(&self.work_out(part)?, &self.all(list)?)?,
            Node::Like(part, pattern) => {
                let values = self.work_out(part)?;
                let mut buffer = vec![];
                let fits = values.as_texts()?.iter().map(|text| pattern.fits(text, &mut buffer)).collect();
                Values { data: Data::Truths(fits), known: values.known }
            }
            Node::Case(branches, last) => {
                let mut tests = vec![];
                let mut values = vec![];
                for (test, value) in branches {
                    tests.push(self.work_out(test)?);
                    values.push(self.work_out(value)?);
                }
                values.push(self.work_out(last)?);
                let tests = tests.iter().map(|t| Ok((t, t.as_truths()?))).collect::<Worked<Vec<_>>>()?;
                let length = tests.iter().map(|(t, _)| t.len()).chain(values.iter().map(Values::len)).fold(1, rows);
                let which = |row| tests.iter().position(|(t, truths)| t.is_known(row) && *of(truths, row)).unwrap_or(branches.len());
                pick(&values, length, which)?
            }
            Node::FirstKnown(parts) => {
                let values = self.all(parts)?;
                let length = values.iter().map(Values::len).fold(1, rows);
                pick(&values, length, |row| values.iter().position(|v| v.is_known(row)).unwrap_or(0))?
            }
            Node::Extreme(greatest, parts) => {
                let values = self.all(parts)?;
                let length = values.iter().map(Values::len).fold(1, rows);
                pick(&values, length, |row| extreme(&values, *greatest, row))?
            }
            Node::Join { between, parts, leave_out } => {
                let between = between.as_ref().map(|part| self.work_out(part)).transpose()?;
                join(between.as_ref(), &self.all(parts)?, *leave_out)?
            }
            Node::Convert(how, inner) => convert(self.work_out(inner)?, inner.kind, part.kind, *how)?,
            Node::Call(callee, arguments) => callee.work_out(&self.all(arguments)?)?,
        })
    }

    /// AND, or OR when `any`: as soon as one value settles the answer, unknown ones do not matter.
    fn several<'r>(&'r self, parts: &'r [Typed], any: bool) -> Worked<Values<'r>> {
        let mut answer = vec![Some(!any)];
        for part in parts {
            let values = self.work_out(part)?;
            let truths = values.as_truths()?;
            let meet = |a: Option<bool>, b: Option<bool>| match (a, b) {
                (Some(x), _) | (_, Some(x)) if x == any => Some(any),
                (Some(_), Some(_)) => Some(!any),
                _ => None,
            };
            answer = match &values.known {
                None => zip(&answer, truths, |a, b| meet(*a, Some(*b))),
                Some(_) => (0..rows(answer.len(), truths.len()))
                    .map(|row| meet(*of(&answer, row), values.is_known(row).then(|| *of(truths, row))))
                    .collect(),
            };
        }
        Ok(Values::truths(&answer))
    }
}

/// Numbers in order, NaN equal to itself and above every other.
fn order(x: f64, y: f64) -> Ordering {
    x.partial_cmp(&y).unwrap_or_else(|| x.is_nan().cmp(&y.is_nan()))
}

fn compare<'r>(how: Comparison, a: &Values, b: &Values) -> Worked<Values<'r>> {
    let values = match (&a.data, &b.data) {
        (Data::Reals(a), Data::Reals(b)) => match how {
            Comparison::Equal | Comparison::Same => zip(a, b, |x, y| x == y || (x.is_nan() && y.is_nan())),
            Comparison::Below => zip(a, b, |x, y| x < y || (y.is_nan() && !x.is_nan())),
            Comparison::AtMost => zip(a, b, |x, y| x <= y || y.is_nan()),
            Comparison::Above => zip(a, b, |x, y| x > y || (x.is_nan() && !y.is_nan())),
            Comparison::AtLeast => zip(a, b, |x, y| x >= y || x.is_nan()),
        },
        (Data::Wholes(a), Data::Wholes(b)) => pairs(how, a, b),
        (Data::Texts(a), Data::Texts(b)) => pairs(how, a, b),
        _ => pairs(how, a.as_truths()?, b.as_truths()?),
    };
    if how == Comparison::Same {
        let same = values.into_iter().enumerate().map(|(row, same)| match (a.is_known(row), b.is_known(row)) {
            (true, true) => same,
            (first, second) => first == second,
        });
        return Ok(Values { data: Data::Truths(same.collect()), known: None });
    }
    Ok(Values { data: Data::Truths(values.into()), known: both_known(a, b) })
}

fn pairs<T: Ord>(how: Comparison, a: &[T], b: &[T]) -> Vec<bool> {
    match how {
        Comparison::Equal | Comparison::Same => zip(a, b, |x, y| x == y),
        Comparison::Below => zip(a, b, |x, y| x < y),
        Comparison::AtMost => zip(a, b, |x, y| x <= y),
        Comparison::Above => zip(a, b, |x, y| x > y),
        Comparison::AtLeast => zip(a, b, |x, y| x >= y),
    }
}

/// Unknown where the value is, and where it is not in a list that holds an unknown value.
fn among<'r>(values: &Values, list: &[Values]) -> Worked<Values<'r>> {
    let open = list.iter().any(|item| !item.is_known(0));
    let known = || list.iter().filter(|item| item.is_known(0));
    let found: Vec<bool> = match &values.data {
        Data::Reals(v) => {
            // One pattern of bits for each number: -0 is 0, and NaN is one value.
            let bits = |x: f64| if x.is_nan() { f64::NAN.to_bits() } else { (x + 0.0).to_bits() };
            let set = known().map(|item| Ok(bits(*of(item.as_reals()?, 0)))).collect::<Worked<HashSet<_>>>()?;
            v.iter().map(|x| set.contains(&bits(*x))).collect()
        }
        Data::Wholes(v) => {
            let set = known().map(|item| Ok(*of(item.as_wholes()?, 0))).collect::<Worked<HashSet<_>>>()?;
            v.iter().map(|x| set.contains(x)).collect()
        }
        Data::Texts(v) => {
            let set = known().map(|item| Ok(of(item.as_texts()?, 0).as_ref())).collect::<Worked<HashSet<_>>>()?;
            v.iter().map(|x| set.contains(x.as_ref())).collect()
        }
        Data::Truths(v) => {
            let set = known().map(|item| Ok(*of(item.as_truths()?, 0))).collect::<Worked<HashSet<_>>>()?;
            v.iter().map(|x| set.contains(x)).collect()
        }
    };
    let answer: Vec<Option<bool>> =
        found.iter().enumerate().map(|(row, found)| (values.is_known(row) && (*found || !open)).then_some(*found)).collect();
    Ok(Values::truths(&answer))
}

/// The value of each row from one of several lists.
fn pick<'r>(lists: &[Values<'r>], length: usize, which: impl Fn(usize) -> usize) -> Worked<Values<'r>> {
    let which: Vec<usize> = (0..length).map(which).collect();
    fn chosen<T: Clone>(lists: Vec<&[T]>, which: &[usize]) -> Vec<T> {
        which.iter().enumerate().map(|(row, list)| of(lists[*list], row).clone()).collect()
    }
    let data = match lists.first().map(|l| &l.data) {
        Some(Data::Reals(_)) => Data::Reals(chosen(lists.iter().map(Values::as_reals).collect::<Worked<_>>()?, &which).into()),
        Some(Data::Wholes(_)) => Data::Wholes(chosen(lists.iter().map(Values::as_wholes).collect::<Worked<_>>()?, &which).into()),
        Some(Data::Texts(_)) => Data::Texts(chosen(lists.iter().map(Values::as_texts).collect::<Worked<_>>()?, &which).into()),
        _ => Data::Truths(chosen(lists.iter().map(Values::as_truths).collect::<Worked<_>>()?, &which).into()),
    };
    let known = lists.iter().any(|l| l.known.is_some());
    let known = known.then(|| which.iter().enumerate().map(|(row, list)| lists[*list].is_known(row)).collect());
    Ok(Values { data, known })
}

/// Which list has the greatest or least value of a row; the first of all when none is known.
fn extreme(lists: &[Values], greatest: bool, row: usize) -> usize {
    let mut best: Option<usize> = None;
    for (place, list) in lists.iter().enumerate().filter(|(_, list)| list.is_known(row)) {
        let stays = best.is_some_and(|best| {
            let order = match (&lists[best].data, &list.data) {
                (Data::Reals(a), Data::Reals(b)) => order(*of(a, row), *of(b, row)),
                (Data::Wholes(a), Data::Wholes(b)) => of(a, row).cmp(of(b, row)),
                (Data::Texts(a), Data::Texts(b)) => of(a, row).cmp(of(b, row)),
                (Data::Truths(a), Data::Truths(b)) => of(a, row).cmp(of(b, row)),
                _ => Ordering::Equal,
            };
            order != if greatest { Ordering::Less } else { Ordering::Greater }
        });
        if !stays {
            best = Some(place);
        }
    }
    best.unwrap_or(0)
}

fn join<'r>(between: Option<&Values>, lists: &[Values], leave_out: bool) -> Worked<Values<'r>> {
    let length = lists.iter().map(Values::len).chain(between.map(Values::len)).fold(1, rows);
    let texts = lists.iter().map(|list| Ok((list, list.as_texts()?))).collect::<Worked<Vec<_>>>()?;
    let mut out: Vec<Option<Cow<str>>> = Vec::with_capacity(length);
    for row in 0..length {
        let between = match between {
            Some(values) if !values.is_known(row) => {
                out.push(None);
                continue;
            }
            Some(values) => of(values.as_texts()?, row).as_ref(),
            None => "",
        };
        if !leave_out && texts.iter().any(|(list, _)| !list.is_known(row)) {
            out.push(None);
            continue;
        }
        let mut text = String::new();
        for (k, (_, values)) in texts.iter().filter(|(list, _)| list.is_known(row)).enumerate() {
            if k > 0 {
                text.push_str(between);
            }
            text.push_str(of::<Cow<str>>(values, row));
            if text.len() > LONGEST_TEXT {
                return Err(too_long());
            }
        }
        out.push(Some(Cow::Owned(text)));
    }
    Ok(Values::texts(out))
}

fn convert<'r>(values: Values<'r>, from: Kind, to: Kind, how: Conversion) -> Worked<Values<'r>> {
    let cut = |ns: i64| ns.saturating_sub(ns.rem_euclid(how.step));
    let fits = |n: i64| (how.least..=how.most).contains(&n).then_some(n);
    Ok(match (from, to) {
        (Kind::Truth, Kind::Whole) => kept(&values, Data::Wholes(values.as_truths()?.iter().map(|v| i64::from(*v)).collect())),
        (Kind::Truth, Kind::Real) => kept(&values, Data::Reals(values.as_truths()?.iter().map(|v| f64::from(u8::from(*v))).collect())),
        (Kind::Truth, Kind::Text) => {
            let word = |v: &bool| Cow::Borrowed(if *v { "true" } else { "false" });
            kept(&values, Data::Texts(values.as_truths()?.iter().map(word).collect()))
        }
        (Kind::Real, Kind::Truth) => kept(&values, Data::Truths(values.as_reals()?.iter().map(|v| *v != 0.0).collect())),
        (Kind::Real, Kind::Text) => {
            kept(&values, Data::Texts(values.as_reals()?.iter().map(|v| Cow::Owned(texts::real_text(*v))).collect()))
        }
        (Kind::Real, Kind::Whole) => {
            // 2^63 is the first number beyond; NaN is in no range.
            let whole = |x: &f64| (i64::MIN as f64..-(i64::MIN as f64)).contains(&x.trunc()).then(|| x.trunc() as i64);
            tried(&values, values.as_reals()?, |x| whole(x).and_then(fits), |x| texts::real_text(*x), to, how)?
        }
        (Kind::Whole, Kind::Truth) => kept(&values, Data::Truths(values.as_wholes()?.iter().map(|v| *v != 0).collect())),
        (Kind::Whole, Kind::Text) => kept(&values, Data::Texts(values.as_wholes()?.iter().map(|v| Cow::Owned(v.to_string())).collect())),
        (Kind::Whole | Kind::Instant | Kind::Clock | Kind::Span, Kind::Real) => {
            kept(&values, Data::Reals(values.as_wholes()?.iter().map(|v| *v as f64).collect()))
        }
        (Kind::Whole | Kind::Instant | Kind::Clock | Kind::Span, Kind::Whole) => {
            tried(&values, values.as_wholes()?, |n| fits(*n), ToString::to_string, to, how)?
        }
        (Kind::Instant, Kind::Text) => {
            kept(&values, Data::Texts(values.as_wholes()?.iter().map(|v| Cow::Owned(texts::instant_text(*v))).collect()))
        }
        (Kind::Date, Kind::Text) => {
            kept(&values, Data::Texts(values.as_wholes()?.iter().map(|v| Cow::Owned(texts::date_text(*v))).collect()))
        }
        (Kind::Instant | Kind::Date, Kind::Instant | Kind::Date) => {
            kept(&values, Data::Wholes(values.as_wholes()?.iter().map(|v| cut(*v)).collect()))
        }
        (Kind::Instant, Kind::Clock) => kept(&values, Data::Wholes(values.as_wholes()?.iter().map(|v| v.rem_euclid(texts::DAY)).collect())),
        (Kind::Text, Kind::Real) => {
            let read: Vec<Option<f64>> = values.as_texts()?.iter().map(|text| text.parse().ok()).collect();
            let failed = |row: usize| values.is_known(row) && read[row].is_none();
            if how.strict
                && let Some(row) = (0..read.len()).find(|row| failed(*row))
            {
                return Err(none_of(&values.as_texts()?[row], to));
            }
            let known = (0..read.len()).map(|row| values.is_known(row) && read[row].is_some()).collect();
            Values { data: Data::Reals(read.iter().map(|x| x.unwrap_or(0.0)).collect()), known: Some(known) }
        }
        (Kind::Text, _) => {
            let read = |text: &Cow<str>| match to {
                Kind::Whole => text.parse().ok().and_then(fits),
                Kind::Instant => texts::instant(text).map(cut),
                Kind::Date => texts::date(text),
                Kind::Clock => texts::clock(text),
                _ => None,
            };
            tried(&values, values.as_texts()?, read, ToString::to_string, to, how)?
        }
        _ => return Err(format!("{} cannot be made {}", from.words(), to.words())),
    })
}

/// New values, known where the old ones were.
fn kept<'r>(old: &Values<'r>, data: Data<'r>) -> Values<'r> {
    Values { data, known: old.known.clone() }
}

/// Whole numbers from values that need not have one.
fn tried<'r, T>(
    values: &Values,
    list: &[T],
    read: impl Fn(&T) -> Option<i64>,
    text: impl Fn(&T) -> String,
    to: Kind,
    how: Conversion,
) -> Worked<Values<'r>> {
    let mut out = Vec::with_capacity(list.len());
    for (row, value) in list.iter().enumerate() {
        let whole = if values.is_known(row) { read(value) } else { None };
        if how.strict && whole.is_none() && values.is_known(row) {
            return Err(none_of(&text(value), to));
        }
        out.push(whole);
    }
    Ok(Values::wholes(&out))
}

fn none_of(value: &str, to: Kind) -> String {
    let value: String = value.chars().take(40).collect();
    format!("`{value}` cannot be made {}", to.words())
}
