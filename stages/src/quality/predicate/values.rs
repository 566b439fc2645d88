//! Values of a part of a condition, one for each row, or one for all rows.

use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Holds;
use polars::prelude::{ChunkedArray, Column, PolarsNumericType};
use std::borrow::Cow;

/// A constant. Instants, dates, times of day and lengths of time are whole numbers.
#[derive(Debug)]
pub(super) enum Constant {
    /// Unknown.
    Null,
    /// True or false.
    Truth(bool),
    /// A whole number.
    Whole(i64),
    /// A number.
    Real(f64),
    /// A text.
    Text(String),
}

/// What a part of a condition gives for each row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Only ever unknown: the word NULL.
    Null,
    /// True or false.
    Truth,
    /// A whole number of 64 bits.
    Whole,
    /// A floating-point number of 64 bits.
    Real,
    /// A text.
    Text,
    /// Nanoseconds since 1970 UTC.
    Instant,
    /// The midnight, UTC, that a day begins with, in nanoseconds since 1970 UTC.
    Date,
    /// Nanoseconds since midnight, UTC.
    Clock,
    /// A length of time in nanoseconds.
    Span,
}

impl Kind {
    /// The kind of a column.
    pub(super) const fn of(holds: Holds) -> Self {
        match holds {
            Holds::Bool => Self::Truth,
            Holds::Int => Self::Whole,
            Holds::Float => Self::Real,
            Holds::Text => Self::Text,
            Holds::Instant => Self::Instant,
        }
    }

    /// The kind in words.
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Null => "nothing but NULL",
            Self::Truth => "true or false",
            Self::Whole => "a whole number",
            Self::Real => "a number",
            Self::Text => "a text",
            Self::Instant => "an instant",
            Self::Date => "a date",
            Self::Clock => "a time of day",
            Self::Span => "a length of time",
        }
    }

    /// Whether it can be reckoned with; true counts as 1 and false as 0.
    pub(super) const fn counts(self) -> bool {
        matches!(self, Self::Null | Self::Truth | Self::Whole | Self::Real)
    }
}

/// Values and which of them are known. A list of one value stands for the same value in every row.
#[derive(Clone, Debug)]
pub(super) struct Values<'a> {
    /// The values; where a value is unknown, anything.
    pub data: Data<'a>,
    /// Whether each is known; none: all are.
    pub known: Option<Cow<'a, [bool]>>,
}

/// The values themselves.
#[derive(Clone, Debug)]
pub(super) enum Data<'a> {
    /// True or false.
    Truths(Cow<'a, [bool]>),
    /// Whole numbers, and all kinds of time.
    Wholes(Cow<'a, [i64]>),
    /// Numbers.
    Reals(Cow<'a, [f64]>),
    /// Texts.
    Texts(Cow<'a, [Cow<'a, str>]>),
}

/// Why a part cannot be worked out, in words.
pub(super) type Worked<T> = Result<T, String>;

impl<'a> Values<'a> {
    /// Truths of which some may be unknown.
    pub(super) fn truths(values: &[Option<bool>]) -> Self {
        let known = values.contains(&None).then(|| values.iter().map(Option::is_some).collect());
        Self { data: Data::Truths(values.iter().map(|v| *v == Some(true)).collect()), known }
    }

    /// Whole numbers of which some may be unknown.
    pub(super) fn wholes(values: &[Option<i64>]) -> Self {
        let known = values.contains(&None).then(|| values.iter().map(Option::is_some).collect());
        Self { data: Data::Wholes(values.iter().map(|v| v.unwrap_or(0)).collect()), known }
    }

    /// Texts of which some may be unknown.
    pub(super) fn texts(values: Vec<Option<Cow<'a, str>>>) -> Self {
        let known = values.contains(&None).then(|| values.iter().map(Option::is_some).collect());
        Self { data: Data::Texts(values.into_iter().map(Option::unwrap_or_default).collect()), known }
    }

    /// One value for all rows.
    pub(super) fn constant(kind: Kind, value: &'a Constant) -> Self {
        let data = match (value, kind) {
            (Constant::Truth(v), _) => Data::Truths(vec![*v].into()),
            (Constant::Whole(v), _) => Data::Wholes(vec![*v].into()),
            (Constant::Real(v), _) => Data::Reals(vec![*v].into()),
            (Constant::Text(v), _) => Data::Texts(vec![Cow::Borrowed(v.as_str())].into()),
            (Constant::Null, Kind::Null | Kind::Truth) => Data::Truths(vec![false].into()),
            (Constant::Null, Kind::Real) => Data::Reals(vec![0.0].into()),
            (Constant::Null, Kind::Text) => Data::Texts(vec![Cow::Borrowed("")].into()),
            (Constant::Null, _) => Data::Wholes(vec![0].into()),
        };
        Self { data, known: matches!(value, Constant::Null).then(|| vec![false].into()) }
    }

    /// The same values, borrowed.
    pub(super) fn view(&self) -> Values<'_> {
        let data = match &self.data {
            Data::Truths(v) => Data::Truths(Cow::Borrowed(v)),
            Data::Wholes(v) => Data::Wholes(Cow::Borrowed(v)),
            Data::Reals(v) => Data::Reals(Cow::Borrowed(v)),
            Data::Texts(v) => Data::Texts(Cow::Borrowed(v)),
        };
        Values { data, known: self.known.as_deref().map(Cow::Borrowed) }
    }

    /// Number of values.
    pub(super) fn len(&self) -> usize {
        match &self.data {
            Data::Truths(v) => v.len(),
            Data::Wholes(v) => v.len(),
            Data::Reals(v) => v.len(),
            Data::Texts(v) => v.len(),
        }
    }

    /// The truths.
    pub(super) fn as_truths(&self) -> Worked<&[bool]> {
        if let Data::Truths(v) = &self.data { Ok(v) } else { Err(mixed()) }
    }

    /// The whole numbers.
    pub(super) fn as_wholes(&self) -> Worked<&[i64]> {
        if let Data::Wholes(v) = &self.data { Ok(v) } else { Err(mixed()) }
    }

    /// The numbers.
    pub(super) fn as_reals(&self) -> Worked<&[f64]> {
        if let Data::Reals(v) = &self.data { Ok(v) } else { Err(mixed()) }
    }

    /// The texts.
    pub(super) fn as_texts(&self) -> Worked<&[Cow<'a, str>]> {
        if let Data::Texts(v) = &self.data { Ok(v) } else { Err(mixed()) }
    }

    /// Whether the value of a row is known.
    pub(super) fn is_known(&self, row: usize) -> bool {
        self.known.as_ref().is_none_or(|known| *of(known, row))
    }
}

/// The value of a row in a list that may hold one value for all rows.
pub(super) fn of<T>(values: &[T], row: usize) -> &T {
    &values[if values.len() == 1 { 0 } else { row }]
}

/// Number of rows of two lists together, each of which may hold one value for all rows.
pub(super) const fn rows(a: usize, b: usize) -> usize {
    if a == 1 { b } else { a }
}

/// Works out each pair.
pub(super) fn zip<A, B, R>(a: &[A], b: &[B], f: impl Fn(&A, &B) -> R) -> Vec<R> {
    match (a, b) {
        ([one], many) => many.iter().map(|y| f(one, y)).collect(),
        (many, [one]) => many.iter().map(|x| f(x, one)).collect(),
        _ => a.iter().zip(b).map(|(x, y)| f(x, y)).collect(),
    }
}

/// Where both are known.
pub(super) fn both_known<'r>(a: &Values, b: &Values) -> Option<Cow<'r, [bool]>> {
    let rows = rows(a.len(), b.len());
    (a.known.is_some() || b.known.is_some()).then(|| (0..rows).map(|row| a.is_known(row) && b.is_known(row)).collect())
}

/// A part of the wrong kind; the reader of conditions does not let it come to this.
fn mixed() -> String {
    "two kinds of value were mixed".to_owned()
}

/// The values of a column of a table.
///
/// # Errors
/// When the column is absent or holds something else.
pub(super) fn column<'t>(table: &'t Table, name: &str, holds: Holds) -> Result<Values<'t>, Problem> {
    let column: &Column = table.data.column(name).map_err(Problem::broken)?;
    let series = column.as_materialized_series();
    Ok(match holds {
        Holds::Float => {
            let (values, known) = numbers(series.f64().map_err(Problem::broken)?);
            Values { data: Data::Reals(values), known }
        }
        Holds::Int => {
            let (values, known) = numbers(series.i64().map_err(Problem::broken)?);
            Values { data: Data::Wholes(values), known }
        }
        Holds::Instant => {
            let (values, known) = numbers(series.datetime().map_err(Problem::broken)?.physical());
            Values { data: Data::Wholes(values), known }
        }
        Holds::Bool => Values::truths(&table.bools(name)?),
        Holds::Text => Values::texts(table.texts(name)?.into_iter().map(|t| t.map(Cow::Borrowed)).collect()),
    })
}

type Numbers<'t, N> = (Cow<'t, [N]>, Option<Cow<'t, [bool]>>);

/// Values without a copy where they lie in one piece.
fn numbers<T: PolarsNumericType>(array: &ChunkedArray<T>) -> Numbers<'_, T::Native> {
    let known = (array.null_count() > 0).then(|| array.iter().map(|v| v.is_some()).collect());
    let mut pieces = array.downcast_iter();
    let values = match (pieces.next(), pieces.next()) {
        (Some(piece), None) => Cow::Borrowed(piece.values().as_slice()),
        _ => array.downcast_iter().flat_map(|piece| piece.values().iter().copied()).collect(),
    };
    (values, known)
}

/// One unknown value of a column, to try a condition with.
pub(super) fn unknown(holds: Holds, rows: usize) -> Values<'static> {
    let data = match holds {
        Holds::Bool => Data::Truths(vec![false; rows].into()),
        Holds::Int | Holds::Instant => Data::Wholes(vec![0; rows].into()),
        Holds::Float => Data::Reals(vec![0.0; rows].into()),
        Holds::Text => Data::Texts(vec![Cow::Borrowed(""); rows].into()),
    };
    Values { data, known: Some(vec![false; rows].into()) }
}

/// A condition and the values of its columns.
pub(super) struct Rows<'v> {
    /// The columns, in the order in which the condition numbers them.
    pub columns: Vec<Values<'v>>,
}
