//! A condition that was read: every part has its kind, and every conversion stands in it.

use super::functions::Callee;
use super::like::Pattern;
use super::values::{Constant, Kind};

/// A part of a condition and its kind.
#[derive(Debug)]
pub(super) struct Typed {
    /// What it gives.
    pub kind: Kind,
    /// How it is worked out.
    pub node: Node,
}

/// How a part is worked out. The kinds of the parts below are what the node needs; the reader sees to it.
#[derive(Debug)]
pub(super) enum Node {
    /// A column, by its place among the columns of the condition.
    Column(usize),
    /// The same value in every row.
    Constant(Constant),
    /// AND over truths.
    All(Vec<Typed>),
    /// OR over truths.
    Any(Vec<Typed>),
    /// XOR of two truths.
    Either(Box<[Typed; 2]>),
    /// NOT of a truth.
    Not(Box<Typed>),
    /// A comparison of two parts of one kind.
    Compare(Comparison, Box<[Typed; 2]>),
    /// IS NULL.
    Missing(Box<Typed>),
    /// IN a list of constants of the same kind.
    Among(Box<Typed>, Vec<Typed>),
    /// LIKE or ILIKE.
    Like(Box<Typed>, Pattern),
    /// CASE: the value beside the first truth, else the last value.
    Case(Vec<(Typed, Typed)>, Box<Typed>),
    /// The first that is known.
    FirstKnown(Vec<Typed>),
    /// The greatest or the least of those that are known.
    Extreme(bool, Vec<Typed>),
    /// Texts one after another, with a text between them; unknown ones are left out or make the whole unknown.
    Join { between: Option<Box<Typed>>, parts: Vec<Typed>, leave_out: bool },
    /// Another kind.
    Convert(Conversion, Box<Typed>),
    /// A function; unknown where an argument is.
    Call(Callee, Vec<Typed>),
}

/// How two values are compared. NaN is equal to itself and above every number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Comparison {
    /// `=`
    Equal,
    /// `<`
    Below,
    /// `<=`
    AtMost,
    /// `>`
    Above,
    /// `>=`
    AtLeast,
    /// `IS NOT DISTINCT FROM`: never unknown, NULL is the same as NULL.
    Same,
}

/// A change of kind.
#[derive(Clone, Copy, Debug)]
pub(super) struct Conversion {
    /// Whether a value that cannot be converted is an error; else it is unknown.
    pub strict: bool,
    /// Least whole number.
    pub least: i64,
    /// Greatest whole number.
    pub most: i64,
    /// Instants are cut to whole steps of so many nanoseconds.
    pub step: i64,
}

impl Conversion {
    /// A conversion that cannot fail, or gives NULL where it does.
    pub(super) const PLAIN: Self = Self { strict: false, least: i64::MIN, most: i64::MAX, step: 1 };
}

impl Typed {
    /// A part.
    pub(super) const fn new(kind: Kind, node: Node) -> Self {
        Self { kind, node }
    }

    /// NULL of a kind.
    pub(super) const fn null(kind: Kind) -> Self {
        Self::new(kind, Node::Constant(Constant::Null))
    }

    /// True or false in every row.
    pub(super) const fn truth(value: bool) -> Self {
        Self::new(Kind::Truth, Node::Constant(Constant::Truth(value)))
    }

    /// A whole number, or what is kept as one.
    pub(super) const fn whole(kind: Kind, value: i64) -> Self {
        Self::new(kind, Node::Constant(Constant::Whole(value)))
    }

    /// The text, when it is the same in every row.
    pub(super) fn constant_text(&self) -> Option<&str> {
        match &self.node {
            Node::Constant(Constant::Text(text)) => Some(text),
            _ => None,
        }
    }

    /// The same as a value of another kind. A part that is of that kind stays what it is.
    pub(super) fn into_kind(self, kind: Kind) -> Self {
        if self.kind == kind {
            return self;
        }
        match self.node {
            Node::Constant(Constant::Null) => Self::null(kind),
            _ if self.kind == Kind::Null => Self::null(kind),
            _ => Self::new(kind, Node::Convert(Conversion::PLAIN, Box::new(self))),
        }
    }
}

/// NOT.
pub(super) fn not(part: Typed) -> Typed {
    Typed::new(Kind::Truth, Node::Not(Box::new(part)))
}
