//! Which kinds go together, and what comes of them.

use super::{Read, Reader};
use crate::quality::predicate::functions::{self, Callee};
use crate::quality::predicate::texts;
use crate::quality::predicate::tree::{Comparison, Node, Typed};
use crate::quality::predicate::values::Kind;
use sqlparser::ast::{BinaryOperator as Op, Expr};

impl Typed {
    /// A number; true counts as 1, false as 0.
    pub(crate) fn into_number(self) -> Self {
        let kind = if self.kind == Kind::Real { Kind::Real } else { Kind::Whole };
        self.into_kind(kind)
    }

    fn call(callee: Callee, kind: Kind, arguments: Vec<Self>) -> Self {
        Self::new(kind, Node::Call(callee, arguments))
    }
}

impl Reader<'_> {
    /// Compares two parts once they are of one kind.
    pub(crate) fn compared(&self, left: Typed, how: Comparison, right: Typed) -> Read {
        let (left, right) = self.alike(left, right)?;
        Ok(Typed::new(Kind::Truth, Node::Compare(how, Box::new([left, right]))))
    }

    /// Two parts as one kind in which they can be compared.
    fn alike(&self, left: Typed, right: Typed) -> Result<(Typed, Typed), pipeline_base::problem::Problem> {
        use Kind::{Clock, Date, Instant, Null, Real, Text, Truth, Whole};
        let (a, b) = (left.kind, right.kind);
        let kind = match (a, b) {
            (Null, Null) => Truth,
            (Null, k) | (k, Null) => k,
            _ if a == b => a,
            (Real, Truth | Whole) | (Truth | Whole, Real) => Real,
            (Truth, Whole) | (Whole, Truth) => Whole,
            (Truth, Text) | (Text, Truth) => Text,
            (Instant, Date) | (Date, Instant) => Instant,
            (Text, Instant | Date | Clock) => return self.alike(self.time(left, b)?, right),
            (Instant | Date | Clock, Text) => {
                let right = self.time(right, a)?;
                return self.alike(left, right);
            }
            _ => return Err(self.bad(format!("{} cannot be compared with {}", a.words(), b.words()))),
        };
        Ok((left.into_kind(kind), right.into_kind(kind)))
    }

    /// A text in single quotes as an instant, a date or a time of day. A text with a time of day is an instant.
    pub(crate) fn time(&self, text: Typed, kind: Kind) -> Read {
        let Some(text) = text.constant_text() else {
            return Err(self.bad(format!("{} is compared with a text in single quotes, not with another text", kind.words())));
        };
        let (date, instant) = (texts::date(text), texts::instant(text));
        match (kind, date, instant) {
            (Kind::Clock, ..) => match texts::clock(text) {
                Some(ns) => Ok(Typed::whole(Kind::Clock, ns)),
                None => Err(self.bad(format!("`{text}` is no time of day such as '06:30' or '06:30:15.5'"))),
            },
            (Kind::Date, Some(ns), _) => Ok(Typed::whole(Kind::Date, ns)),
            (_, _, Some(ns)) => Ok(Typed::whole(Kind::Instant, ns)),
            _ => Err(self.bad(format!("`{text}` is no date and time such as '2026-05-04' or '2026-05-04T14:00:00Z'"))),
        }
    }

    /// A part as a text.
    pub(crate) fn as_text(&mut self, part: &Expr) -> Read {
        let part = self.read(part)?;
        match part.kind {
            Kind::Clock | Kind::Span => Err(self.bad(format!("{} cannot be made a text", part.kind.words()))),
            _ => Ok(part.into_kind(Kind::Text)),
        }
    }

    /// A part as true or false: a number is true unless it is 0.
    pub(crate) fn as_truth(&self, part: Typed) -> Read {
        match part.kind {
            kind if kind.counts() => Ok(part.into_kind(Kind::Truth)),
            other => Err(self.bad(format!("NOT needs true or false and not {}", other.words()))),
        }
    }

    /// Minus.
    pub(crate) fn negative(&self, part: Typed) -> Read {
        Ok(match part.kind {
            Kind::Real => Typed::call(Callee::Real(|x| -x), Kind::Real, vec![part]),
            Kind::Span => Typed::call(Callee::Whole(i64::checked_neg), Kind::Span, vec![part]),
            kind if kind.counts() => Typed::call(Callee::Whole(i64::checked_neg), Kind::Whole, vec![part.into_number()]),
            other => return Err(self.bad(format!("`-` cannot stand before {}", other.words()))),
        })
    }

    /// `+ - * / // %`.
    pub(crate) fn arithmetic(&self, left: Typed, op: &Op, right: Typed) -> Read {
        use Kind::{Clock, Date, Instant, Real, Span, Text, Truth, Whole};
        let (a, b) = (left.kind, right.kind);
        let refused = || self.bad(format!("`{op}` cannot stand between {} and {}", a.words(), b.words()));
        let pair = |kind: Kind, f| Ok(Typed::call(Callee::Wholes(f), kind, vec![]));
        let mut call = match (a, op, b) {
            (Text, Op::Plus, Text | Truth | Kind::Null) | (Truth | Kind::Null, Op::Plus, Text) => {
                let parts = vec![left.into_kind(Text), right.into_kind(Text)];
                return Ok(Typed::new(Text, Node::Join { between: None, parts, leave_out: false }));
            }
            (Instant | Date, Op::Plus, Span) | (Span, Op::Plus, Instant | Date) => pair(Instant, |x, y| Ok(x.checked_add(y))),
            (Instant | Date, Op::Minus, Span) => pair(Instant, |x, y| Ok(x.checked_sub(y))),
            (Instant | Date, Op::Minus, Instant | Date) | (Clock, Op::Minus, Clock) | (Span, Op::Minus, Span) => {
                pair(Span, |x, y| Ok(x.checked_sub(y)))
            }
            (Span, Op::Plus, Span) => pair(Span, |x, y| Ok(x.checked_add(y))),
            (Span, Op::Multiply, Whole) | (Whole, Op::Multiply, Span) => pair(Span, |x, y| Ok(x.checked_mul(y))),
            (Span, Op::Divide, Span) => {
                return Ok(Typed::call(Callee::Reals(|x, y| x / y), Real, vec![left.into_kind(Real), right.into_kind(Real)]));
            }
            // Truths can be counted, but not taken from or multiplied by each other.
            (Truth | Kind::Null, Op::Minus | Op::Multiply | Op::Modulo | Op::DuckIntegerDivide, Truth)
            | (Truth, Op::Minus | Op::Multiply | Op::Modulo | Op::DuckIntegerDivide, Kind::Null) => Err(refused()),
            _ if a.counts() && b.counts() => return self.numbers(left, op, right),
            _ => Err(refused()),
        }?;
        if let Node::Call(_, arguments) = &mut call.node {
            arguments.extend([left, right]);
        }
        Ok(call)
    }

    fn numbers(&self, left: Typed, op: &Op, right: Typed) -> Read {
        let real = left.kind == Kind::Real || right.kind == Kind::Real;
        if real || *op == Op::Divide {
            let f: fn(f64, f64) -> f64 = match op {
                Op::Plus => |x, y| x + y,
                Op::Minus => |x, y| x - y,
                Op::Multiply => |x, y| x * y,
                Op::Divide => |x, y| x / y,
                Op::DuckIntegerDivide => |x, y| (x / y).floor(),
                _ => functions::remainder,
            };
            let call = Typed::call(Callee::Reals(f), Kind::Real, vec![left.into_kind(Kind::Real), right.into_kind(Kind::Real)]);
            return Ok(if *op == Op::DuckIntegerDivide { call.into_kind(Kind::Whole) } else { call });
        }
        let f: fn(i64, i64) -> Result<Option<i64>, String> = match op {
            Op::Plus => |x, y| Ok(x.checked_add(y)),
            Op::Minus => |x, y| Ok(x.checked_sub(y)),
            Op::Multiply => |x, y| Ok(x.checked_mul(y)),
            Op::DuckIntegerDivide => |x, y| Ok(functions::whole_quotient(x, y)),
            _ => |x, y| Ok(functions::whole_remainder(x, y)),
        };
        Ok(Typed::call(Callee::Wholes(f), Kind::Whole, vec![left.into_number(), right.into_number()]))
    }

    /// `&`, `|` and XOR: of truths, or of whole numbers bit by bit.
    pub(crate) fn bits(&self, left: Typed, op: &Op, right: Typed) -> Read {
        use Kind::{Null, Truth, Whole};
        match (left.kind, right.kind) {
            (Truth | Null, Truth | Null) => {
                let (left, right) = (left.into_kind(Truth), right.into_kind(Truth));
                Ok(Typed::new(
                    Truth,
                    match op {
                        Op::BitwiseAnd => Node::All(vec![left, right]),
                        Op::BitwiseOr => Node::Any(vec![left, right]),
                        _ => Node::Either(Box::new([left, right])),
                    },
                ))
            }
            (Truth | Whole | Null, Truth | Whole | Null) => {
                let f: fn(i64, i64) -> Result<Option<i64>, String> = match op {
                    Op::BitwiseAnd => |x, y| Ok(Some(x & y)),
                    Op::BitwiseOr => |x, y| Ok(Some(x | y)),
                    _ => |x, y| Ok(Some(x ^ y)),
                };
                Ok(Typed::call(Callee::Wholes(f), Whole, vec![left.into_number(), right.into_number()]))
            }
            (a, b) => Err(self.bad(format!("`{op}` cannot stand between {} and {}", a.words(), b.words()))),
        }
    }

    /// CASE over tests and one more value than tests.
    pub(crate) fn choice(&self, tests: Vec<Typed>, values: Vec<Typed>) -> Read {
        let (kind, mut values) = self.one_kind(values, true)?;
        let last = values.pop().unwrap_or(Typed::null(kind));
        Ok(Typed::new(kind, Node::Case(tests.into_iter().zip(values).collect(), Box::new(last))))
    }

    /// Several parts as one kind that can hold them all; `as_text`: a text when one of them is a text.
    pub(crate) fn one_kind(&self, parts: Vec<Typed>, as_text: bool) -> Result<(Kind, Vec<Typed>), pipeline_base::problem::Problem> {
        use Kind::{Date, Instant, Null, Real, Text, Truth, Whole};
        let mut kind = Null;
        for part in &parts {
            kind = match (kind, part.kind) {
                (Null, k) | (k, Null) => k,
                (a, b) if a == b => a,
                (Real, Truth | Whole) | (Truth | Whole, Real) => Real,
                (Whole, Truth) | (Truth, Whole) => Whole,
                (Text, Truth | Whole | Real) | (Truth | Whole | Real, Text) if as_text => Text,
                (Instant, Date) | (Date, Instant) => Instant,
                (a, b) => return Err(self.bad(format!("one value cannot be both {} and {}", a.words(), b.words()))),
            };
        }
        let kind = if kind == Null { Truth } else { kind };
        Ok((kind, parts.into_iter().map(|part| part.into_kind(kind)).collect()))
    }
}
