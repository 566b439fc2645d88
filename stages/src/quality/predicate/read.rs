//! Reads a condition: SQL to typed parts. What is refused is refused here, before any row is seen.

mod calls;
mod casts;
mod kinds;

use super::like::Pattern;
use super::texts;
use super::tree::{Comparison, Node, Typed, not};
use super::{one_row, unreadable};
use crate::quality::nearest::nearest;
use crate::quality::predicate::values::Constant;
use crate::quality::predicate::values::Kind;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Holds, Schema};
use sqlparser::ast::{BinaryOperator, CaseWhen, CeilFloorKind, DateTimeField, Expr, Ident, Interval, UnaryOperator, Value, ValueWithSpan};

/// Deepest nesting that is read. A chain of AND or of OR is one level.
const DEEPEST: usize = 100;
/// Most parts that are read. BETWEEN and CASE read what they compare once for each comparison.
const MOST_PARTS: usize = 10_000;

/// A part that was read, or why it is refused.
pub(super) type Read = Result<Typed, Problem>;

/// Reads one condition.
pub(super) struct Reader<'a> {
    text: &'a str,
    schema: &'a Schema,
    /// The columns that were named, in order.
    pub columns: Vec<(String, Holds)>,
    named: usize,
    depth: usize,
    parts: usize,
}

impl<'a> Reader<'a> {
    /// A reader for the condition `text` over the columns of `schema`.
    pub(super) const fn new(text: &'a str, schema: &'a Schema) -> Self {
        Self { text, schema, columns: vec![], named: 0, depth: 0, parts: 0 }
    }

    /// Reads a part.
    ///
    /// # Errors
    /// When it uses what is not understood, names an unknown column, mixes kinds or is too long or too deep.
    pub(super) fn read(&mut self, part: &Expr) -> Read {
        self.depth += 1;
        self.parts += 1;
        if self.depth > DEEPEST {
            return Err(self.bad(format!("it is nested more than {DEEPEST} levels deep")));
        }
        if self.parts > MOST_PARTS {
            return Err(self.bad(format!("it has more than {MOST_PARTS} parts")));
        }
        let read = self.part(part);
        self.depth -= 1;
        read
    }

    fn part(&mut self, part: &Expr) -> Read {
        match part {
            Expr::Nested(inner) => self.read(inner),
            Expr::Value(value) => self.value(&value.value, false),
            Expr::Identifier(name) => self.column(name),
            Expr::BinaryOp { left, op, right } => self.binary(part, left, op, right),
            Expr::UnaryOp { op, expr } => self.unary(*op, expr),
            Expr::IsNull(inner) => self.missing(inner),
            Expr::IsNotNull(inner) => Ok(not(self.missing(inner)?)),
            Expr::IsTrue(inner) => self.is(inner, true),
            Expr::IsFalse(inner) => self.is(inner, false),
            Expr::IsNotTrue(inner) => Ok(not(self.is(inner, true)?)),
            Expr::IsNotFalse(inner) => Ok(not(self.is(inner, false)?)),
            Expr::IsNotDistinctFrom(left, right) => self.comparison(left, Comparison::Same, right),
            Expr::IsDistinctFrom(left, right) => Ok(not(self.comparison(left, Comparison::Same, right)?)),
            Expr::Between { expr, negated, low, high } => {
                let below = if *negated { Comparison::Below } else { Comparison::AtLeast };
                let above = if *negated { Comparison::Above } else { Comparison::AtMost };
                let pair = vec![self.comparison(expr, below, low)?, self.comparison(expr, above, high)?];
                Ok(Typed::new(Kind::Truth, if *negated { Node::Any(pair) } else { Node::All(pair) }))
            }
            Expr::InList { expr, list, negated } => {
                let among = self.among(expr, list)?;
                Ok(if *negated { not(among) } else { among })
            }
            Expr::Like { negated, any, expr, pattern, escape_char } => {
                self.like(*negated, expr, pattern, *any || escape_char.is_some(), false)
            }
            Expr::ILike { negated, any, expr, pattern, escape_char } => {
                self.like(*negated, expr, pattern, *any || escape_char.is_some(), true)
            }
            Expr::Case { operand, conditions, else_result, .. } => self.case(operand.as_deref(), conditions, else_result.as_deref()),
            Expr::Cast { kind, expr, data_type, array: false, format: None } => self.cast(kind, expr, data_type),
            Expr::TypedString(literal) => self.typed_text(literal),
            Expr::Interval(interval) => self.interval(interval),
            Expr::Extract { field, expr, .. } => self.extract(field, expr),
            Expr::Ceil { expr, field: CeilFloorKind::DateTimeField(DateTimeField::NoDateTime) } => self.call("ceil", &[expr]),
            Expr::Floor { expr, field: CeilFloorKind::DateTimeField(DateTimeField::NoDateTime) } => self.call("floor", &[expr]),
            Expr::Position { expr, r#in } => self.call("strpos", &[r#in, expr]),
            Expr::Substring { expr, substring_from: Some(from), substring_for: None, .. } => self.call("substr", &[expr, from]),
            Expr::Substring { expr, substring_from: Some(from), substring_for: Some(length), .. } => {
                self.call("substr", &[expr, from, length])
            }
            Expr::Trim { expr, trim_where, trim_what, trim_characters: None } => self.trim(expr, *trim_where, trim_what.as_deref()),
            Expr::Function(function) => self.function(function),
            Expr::CompoundIdentifier(names) => {
                let names: Vec<&str> = names.iter().map(|n| n.value.as_str()).collect();
                Err(self.bad(format!("columns have plain names; `{}` has a dot", names.join("."))))
            }
            Expr::Wildcard(_) | Expr::QualifiedWildcard(..) => Err(self.one_row("all columns at once")),
            Expr::Subquery(_) | Expr::Exists { .. } | Expr::InSubquery { .. } => Err(self.one_row("a query inside a condition")),
            // Not shown as text: what hangs below may be too deep to be written out.
            Expr::RLike { .. } | Expr::SimilarTo { .. } => Err(self.bad("patterns are written with LIKE and ILIKE")),
            Expr::IsUnknown(_) | Expr::IsNotUnknown(_) => Err(self.bad("IS UNKNOWN is written as IS NULL")),
            Expr::AnyOp { .. } | Expr::AllOp { .. } | Expr::Array(_) | Expr::InUnnest { .. } | Expr::Tuple(_) => {
                Err(self.bad("lists stand after IN only"))
            }
            _ => Err(self.bad("it has a part that is not understood")),
        }
    }

    /// The condition cannot be read.
    fn bad(&self, why: impl AsRef<str>) -> Problem {
        unreadable(self.text, why.as_ref())
    }

    /// The condition looks at more than one row.
    fn one_row(&self, what: &str) -> Problem {
        one_row(self.text, what)
    }

    fn value(&self, value: &Value, negative: bool) -> Read {
        Ok(match value {
            Value::Number(digits, _) => self.number(digits, negative)?,
            Value::SingleQuotedString(text) => Typed::new(Kind::Text, Node::Constant(Constant::Text(text.clone()))),
            Value::DollarQuotedString(text) => Typed::new(Kind::Text, Node::Constant(Constant::Text(text.value.clone()))),
            Value::Boolean(truth) => Typed::truth(*truth),
            Value::Null => Typed::null(Kind::Null),
            other => return Err(self.bad(format!("`{other}` is no number and no text in single quotes"))),
        })
    }

    fn number(&self, digits: &str, negative: bool) -> Read {
        let text = if negative { format!("-{digits}") } else { digits.to_owned() };
        if digits.contains(['.', 'e', 'E']) {
            return match text.parse::<f64>() {
                Ok(x) if x.is_finite() => Ok(Typed::new(Kind::Real, Node::Constant(Constant::Real(x)))),
                _ => Err(self.bad(format!("`{digits}` is no number of 64 bits"))),
            };
        }
        let whole = text.parse().map_err(|_| self.bad(format!("`{digits}` is no whole number of 64 bits")))?;
        Ok(Typed::whole(Kind::Whole, whole))
    }

    fn column(&mut self, name: &Ident) -> Read {
        let name = name.value.as_str();
        let Some(column) = self.schema.named(name) else {
            let names: Vec<&str> = self.schema.columns.iter().map(|c| c.name.as_str()).collect();
            let fix = nearest(name, names.iter().copied())
                .map_or_else(|| format!("the columns are {}", names.join(", ")), |n| format!("did you mean `{n}`?"));
            let what = format!("the condition names the column `{name}`, which does not exist");
            return Err(Problem::new("gate/unknown-column", what).fix(fix));
        };
        self.named += 1;
        let place = self.columns.iter().position(|(n, _)| n == name).unwrap_or_else(|| {
            self.columns.push((name.to_owned(), column.holds));
            self.columns.len() - 1
        });
        Ok(Typed::new(Kind::of(column.holds), Node::Column(place)))
    }

    fn binary(&mut self, part: &Expr, left: &Expr, op: &BinaryOperator, right: &Expr) -> Read {
        use BinaryOperator as Op;
        match op {
            Op::And | Op::Or => self.chain(part, op),
            Op::Eq => self.comparison(left, Comparison::Equal, right),
            Op::NotEq => Ok(not(self.comparison(left, Comparison::Equal, right)?)),
            Op::Lt => self.comparison(left, Comparison::Below, right),
            Op::LtEq => self.comparison(left, Comparison::AtMost, right),
            Op::Gt => self.comparison(left, Comparison::Above, right),
            Op::GtEq => self.comparison(left, Comparison::AtLeast, right),
            Op::Spaceship => self.comparison(left, Comparison::Same, right),
            Op::Plus | Op::Minus | Op::Multiply | Op::Divide | Op::DuckIntegerDivide | Op::Modulo => {
                let (left, right) = (self.read(left)?, self.read(right)?);
                self.arithmetic(left, op, right)
            }
            Op::BitwiseAnd | Op::BitwiseOr | Op::Xor => {
                let (left, right) = (self.read(left)?, self.read(right)?);
                self.bits(left, op, right)
            }
            Op::StringConcat => {
                let parts = vec![self.as_text(left)?, self.as_text(right)?];
                Ok(Typed::new(Kind::Text, Node::Join { between: None, parts, leave_out: false }))
            }
            Op::PGStartsWith => self.call("starts_with", &[left, right]),
            Op::PGLikeMatch | Op::PGNotLikeMatch => self.like(*op == Op::PGNotLikeMatch, left, right, false, false),
            Op::PGILikeMatch | Op::PGNotILikeMatch => self.like(*op == Op::PGNotILikeMatch, left, right, false, true),
            other => Err(self.bad(format!("the operator `{other}` is not understood"))),
        }
    }

    /// A chain of AND or of OR is one level, however long: the parser hangs each link below the next.
    fn chain(&mut self, part: &Expr, op: &BinaryOperator) -> Read {
        let mut links = vec![];
        let mut part = part;
        while let Expr::BinaryOp { left, op: next, right } = part {
            if next != op {
                break;
            }
            links.push(right.as_ref());
            part = left;
        }
        links.push(part);
        let links = links.into_iter().rev().map(|link| self.truth(link)).collect::<Result<Vec<_>, _>>()?;
        Ok(Typed::new(Kind::Truth, if *op == BinaryOperator::And { Node::All(links) } else { Node::Any(links) }))
    }

    fn unary(&mut self, op: UnaryOperator, inner: &Expr) -> Read {
        if let (UnaryOperator::Minus, Expr::Value(ValueWithSpan { value: Value::Number(digits, _), .. })) = (op, inner) {
            return self.number(digits, true);
        }
        let part = self.read(inner)?;
        match op {
            UnaryOperator::Not => Ok(not(self.as_truth(part)?)),
            UnaryOperator::Minus => self.negative(part),
            UnaryOperator::Plus if part.kind.counts() => Ok(part.into_number()),
            UnaryOperator::Plus => Err(self.bad(format!("`+` cannot stand before {}", part.kind.words()))),
            other => Err(self.bad(format!("the operator `{other}` is not understood"))),
        }
    }

    /// A part that is true or false.
    fn truth(&mut self, part: &Expr) -> Read {
        let part = self.read(part)?;
        match part.kind {
            Kind::Truth | Kind::Null => Ok(part.into_kind(Kind::Truth)),
            other => Err(self.bad(format!("AND, OR and WHEN need true or false and not {}", other.words()))),
        }
    }

    fn missing(&mut self, part: &Expr) -> Read {
        Ok(Typed::new(Kind::Truth, Node::Missing(Box::new(self.read(part)?))))
    }

    /// IS TRUE and IS FALSE are comparisons: unknown stays unknown.
    fn is(&mut self, part: &Expr, truth: bool) -> Read {
        let part = self.read(part)?;
        self.compared(part, Comparison::Equal, Typed::truth(truth))
    }

    fn comparison(&mut self, left: &Expr, how: Comparison, right: &Expr) -> Read {
        let (left, right) = (self.read(left)?, self.read(right)?);
        self.compared(left, how, right)
    }

    fn among(&mut self, part: &Expr, list: &[Expr]) -> Read {
        let mut part = self.read(part)?;
        let mut items = vec![];
        for item in list {
            let named = self.named;
            let item = self.read(item)?;
            if self.named > named {
                return Err(self.bad("IN takes numbers and texts, no columns"));
            }
            items.push(item);
        }
        let first = |items: &[Typed]| items.iter().map(|i| i.kind).find(|k| *k != Kind::Null);
        let kind = match part.kind {
            Kind::Null => first(&items).unwrap_or(Kind::Truth),
            Kind::Whole if items.iter().any(|i| i.kind == Kind::Real) => Kind::Real,
            Kind::Date if items.iter().any(|i| i.kind != Kind::Date) => Kind::Instant,
            kind => kind,
        };
        let mut same = vec![];
        for item in items {
            same.push(match (kind, item.kind) {
                (_, Kind::Null) => item.into_kind(kind),
                (a, b) if a == b => item,
                (Kind::Real, Kind::Whole) | (Kind::Instant, Kind::Date) => item.into_kind(kind),
                (Kind::Instant | Kind::Date | Kind::Clock, Kind::Text) => self.time(item, kind)?,
                (_, other) => return Err(self.bad(format!("{} cannot be in a list with {}", kind.words(), other.words()))),
            });
        }
        part = part.into_kind(kind);
        Ok(Typed::new(Kind::Truth, Node::Among(Box::new(part), same)))
    }

    fn like(&mut self, negated: bool, part: &Expr, pattern: &Expr, extra: bool, any_case: bool) -> Read {
        if extra {
            return Err(self.bad("LIKE takes one pattern and no ESCAPE"));
        }
        let part = self.read(part)?;
        let pattern = self.read(pattern)?;
        let Some(pattern) = pattern.constant_text() else { return Err(self.bad("the pattern of LIKE is a text in single quotes")) };
        if !matches!(part.kind, Kind::Text | Kind::Null) {
            return Err(self.bad(format!("LIKE needs a text and not {}", part.kind.words())));
        }
        let like = Typed::new(Kind::Truth, Node::Like(Box::new(part.into_kind(Kind::Text)), Pattern::new(pattern, any_case)));
        Ok(if negated { not(like) } else { like })
    }

    fn case(&mut self, operand: Option<&Expr>, conditions: &[CaseWhen], last: Option<&Expr>) -> Read {
        let mut tests = vec![];
        let mut values = vec![];
        for when in conditions {
            tests.push(match operand {
                Some(operand) => self.comparison(operand, Comparison::Equal, &when.condition)?,
                None => self.truth(&when.condition)?,
            });
            values.push(self.read(&when.result)?);
        }
        values.push(last.map_or(Ok(Typed::null(Kind::Null)), |last| self.read(last))?);
        self.choice(tests, values)
    }

    fn interval(&self, interval: &Interval) -> Read {
        let plain = interval.leading_field.is_none()
            && interval.last_field.is_none()
            && interval.leading_precision.is_none()
            && interval.fractional_seconds_precision.is_none();
        let ns = match interval.value.as_ref() {
            Expr::Value(ValueWithSpan { value: Value::SingleQuotedString(text), .. }) if plain => texts::span(text),
            _ => None,
        };
        ns.map(|ns| Typed::whole(Kind::Span, ns)).ok_or_else(|| {
            self.bad("a length of time is written as INTERVAL '90 seconds' or INTERVAL '1 hour 30 minutes', in weeks or shorter")
        })
    }
}
