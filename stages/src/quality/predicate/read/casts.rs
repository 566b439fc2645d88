//! CAST and what else names a type: DATE '...', TIME '...', TIMESTAMP '...'.

use super::{Read, Reader};
use crate::quality::predicate::texts;
use crate::quality::predicate::tree::{Conversion, Node, Typed};
use crate::quality::predicate::values::Kind;
use sqlparser::ast::{CastKind, DataType, ExactNumberInfo, Expr, TimezoneInfo, TypedString, Value};

impl Reader<'_> {
    /// CAST fails where a value has no such kind; TRY_CAST and SAFE_CAST give NULL.
    pub(crate) fn cast(&mut self, kind: &CastKind, part: &Expr, to: &DataType) -> Read {
        let part = self.read(part)?;
        self.converted(part, to, matches!(kind, CastKind::Cast | CastKind::DoubleColon))
    }

    /// A part as a type of SQL.
    pub(crate) fn converted(&self, part: Typed, to: &DataType, strict: bool) -> Read {
        let (kind, mut how) = self.type_of(to)?;
        how.strict = strict;
        let from = part.kind;
        if from == Kind::Null {
            return Ok(part.into_kind(kind));
        }
        let possible = match kind {
            Kind::Truth => matches!(from, Kind::Truth | Kind::Whole | Kind::Real),
            Kind::Whole | Kind::Real => !matches!(from, Kind::Date),
            Kind::Text => !matches!(from, Kind::Clock | Kind::Span),
            Kind::Clock => matches!(from, Kind::Text | Kind::Instant | Kind::Clock),
            _ => matches!(from, Kind::Text | Kind::Instant | Kind::Date),
        };
        if !possible {
            return Err(self.bad(format!("CAST cannot make {} of {}", kind.words(), from.words())));
        }
        let same = from == kind && how.step == 1 && how.least == i64::MIN && how.most == i64::MAX;
        Ok(if same { part } else { Typed::new(kind, Node::Convert(how, Box::new(part))) })
    }

    fn type_of(&self, to: &DataType) -> Result<(Kind, Conversion), pipeline_base::problem::Problem> {
        let whole = |least: i64, most: i64| Ok((Kind::Whole, Conversion { least, most, ..Conversion::PLAIN }));
        let plain = |kind| Ok((kind, Conversion::PLAIN));
        match to {
            DataType::Boolean | DataType::Bool => plain(Kind::Truth),
            DataType::TinyInt(None) => whole(i8::MIN.into(), i8::MAX.into()),
            DataType::SmallInt(None) | DataType::Int2(None) | DataType::Int16 => whole(i16::MIN.into(), i16::MAX.into()),
            DataType::Int(None) | DataType::Integer(None) | DataType::MediumInt(None) | DataType::Int4(None) | DataType::Int32 => {
                whole(i32::MIN.into(), i32::MAX.into())
            }
            DataType::BigInt(None) | DataType::Int8(None) | DataType::Int64 => plain(Kind::Whole),
            DataType::Double(_) | DataType::DoublePrecision | DataType::Float8 | DataType::Float(ExactNumberInfo::None) => {
                plain(Kind::Real)
            }
            DataType::Float(ExactNumberInfo::Precision(25..=53)) => plain(Kind::Real),
            DataType::Text | DataType::String(None) | DataType::Varchar(None) | DataType::CharVarying(None) => plain(Kind::Text),
            DataType::Date => Ok((Kind::Date, Conversion { step: texts::DAY, ..Conversion::PLAIN })),
            DataType::Time(_, TimezoneInfo::None) => plain(Kind::Clock),
            DataType::Timestamp(digits, TimezoneInfo::None) | DataType::Datetime(digits) => {
                let step = match digits {
                    None | Some(4..=6) => 1_000,
                    Some(1..=3) => 1_000_000,
                    Some(7..=9) => 1,
                    _ => return Err(self.bad("TIMESTAMP takes 1 to 9 decimals of a second")),
                };
                Ok((Kind::Instant, Conversion { step, ..Conversion::PLAIN }))
            }
            other => Err(self.bad(format!(
                "the type `{other}` is not understood; there are BOOLEAN, SMALLINT, INTEGER, BIGINT, DOUBLE, TEXT, DATE, TIME and TIMESTAMP"
            ))),
        }
    }

    /// DATE '2026-05-04', TIME '06:30', TIMESTAMP '2026-05-04 06:30:00'.
    pub(crate) fn typed_text(&self, literal: &TypedString) -> Read {
        let kind = match literal.data_type {
            DataType::Date => Kind::Date,
            DataType::Time(None, TimezoneInfo::None) => Kind::Clock,
            DataType::Timestamp(_, TimezoneInfo::None) | DataType::Datetime(_) => Kind::Instant,
            _ => Kind::Null,
        };
        let part = match &literal.value.value {
            text @ Value::SingleQuotedString(_) if kind != Kind::Null => self.value(text, false)?,
            _ => return Err(self.bad("before a text there is DATE, TIME or TIMESTAMP")),
        };
        let time = self.time(part, kind)?;
        if time.kind == kind { Ok(time) } else { Err(self.bad("a DATE has no time of day")) }
    }
}
