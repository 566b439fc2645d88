//! Functions, by their names in SQL.

use super::{Read, Reader};
use crate::quality::predicate::functions::{self as f, Callee};
use crate::quality::predicate::parts;
use crate::quality::predicate::tree::{Comparison, Node, Typed, not};
use crate::quality::predicate::values::Constant;
use crate::quality::predicate::values::Kind;
use sqlparser::ast::{
    BinaryOperator as Op, DataType, DateTimeField, Expr, Function, FunctionArg, FunctionArgExpr, FunctionArguments, TimezoneInfo,
    TrimWhereField,
};

/// Functions that look at more than one row.
const MANY_ROWS: &[&str] = &[
    "array_agg",
    "avg",
    "corr",
    "count",
    "covar",
    "covar_pop",
    "covar_samp",
    "group_concat",
    "listagg",
    "max",
    "mean",
    "median",
    "min",
    "quantile_cont",
    "quantile_disc",
    "stddev",
    "stddev_pop",
    "stddev_samp",
    "stdev",
    "stdev_samp",
    "string_agg",
    "sum",
    "total",
    "var",
    "var_pop",
    "var_samp",
    "variance",
];

/// Functions that look at other rows.
const OTHER_ROWS: &[&str] =
    &["dense_rank", "first", "first_value", "lag", "last", "last_value", "lead", "ntile", "rank", "row_number", "unnest"];

impl Reader<'_> {
    /// A function call.
    pub(crate) fn function(&mut self, call: &Function) -> Read {
        let name = call.name.to_string().trim_matches(['"', '`']).to_ascii_lowercase();
        if MANY_ROWS.contains(&name.as_str()) {
            return Err(self.one_row("a sum, mean, count or extreme over rows"));
        }
        if OTHER_ROWS.contains(&name.as_str()) {
            return Err(self.one_row("a look at other rows"));
        }
        if call.over.is_some() || call.filter.is_some() || !call.within_group.is_empty() || call.null_treatment.is_some() {
            return Err(self.one_row("OVER, FILTER or another look at several rows"));
        }
        let list = match &call.args {
            FunctionArguments::None => &[][..],
            FunctionArguments::List(list) if list.duplicate_treatment.is_none() && list.clauses.is_empty() => &list.args[..],
            _ => return Err(self.bad(format!("{} takes values only", name.to_uppercase()))),
        };
        let mut arguments = vec![];
        for argument in list {
            match argument {
                FunctionArg::Unnamed(FunctionArgExpr::Expr(part)) => arguments.push(part),
                _ => return Err(self.bad(format!("{} takes values only", name.to_uppercase()))),
            }
        }
        self.call(&name, &arguments)
    }

    /// A function by its name in small letters.
    pub(crate) fn call(&mut self, name: &str, arguments: &[&Expr]) -> Read {
        match (name, arguments) {
            ("abs", [x]) => self.kept(name, x, f64::abs, i64::checked_abs),
            ("sign", [x]) => self.kept(name, x, f::sign, |n| Some(n.signum())),
            ("floor", [x]) => self.kept(name, x, f64::floor, Some),
            ("ceil" | "ceiling", [x]) => self.kept(name, x, f64::ceil, Some),
            ("round", [x, digits @ ..]) if digits.len() < 2 => self.rounded(name, x, digits, f64::round_ties_even),
            ("trunc" | "truncate", [x, digits @ ..]) if digits.len() < 2 => self.rounded(name, x, digits, f64::trunc),
            ("sqrt", [x]) => self.real(name, x, f64::sqrt),
            ("cbrt", [x]) => self.real(name, x, f64::cbrt),
            ("exp", [x]) => self.real(name, x, f64::exp),
            ("ln", [x]) => self.real(name, x, f64::ln),
            ("log10", [x]) => self.real(name, x, |x| x.log(10.0)),
            ("log2", [x]) => self.real(name, x, |x| x.log(2.0)),
            ("log1p", [x]) => self.real(name, x, f64::ln_1p),
            ("log", [x, base]) => self.reals(name, x, base, f64::log),
            ("pow" | "power", [x, y]) => self.power(name, x, y),
            ("pi", []) => Ok(Typed::new(Kind::Real, Node::Constant(Constant::Real(std::f64::consts::PI)))),
            ("mod", [x, y]) => self.operator(x, &Op::Modulo, y),
            ("div", [x, y]) => self.operator(x, &Op::DuckIntegerDivide, y),
            ("sin", [x]) => self.real(name, x, f64::sin),
            ("cos", [x]) => self.real(name, x, f64::cos),
            ("tan", [x]) => self.real(name, x, f64::tan),
            ("cot", [x]) => self.real(name, x, |x| x.tan().recip()),
            ("sind", [x]) => self.real(name, x, |x| x.to_radians().sin()),
            ("cosd", [x]) => self.real(name, x, |x| x.to_radians().cos()),
            ("tand", [x]) => self.real(name, x, |x| x.to_radians().tan()),
            ("cotd", [x]) => self.real(name, x, |x| x.to_radians().tan().recip()),
            ("asin", [x]) => self.real(name, x, f64::asin),
            ("acos", [x]) => self.real(name, x, f64::acos),
            ("atan", [x]) => self.real(name, x, f64::atan),
            ("asind", [x]) => self.real(name, x, |x| x.asin().to_degrees()),
            ("acosd", [x]) => self.real(name, x, |x| x.acos().to_degrees()),
            ("atand", [x]) => self.real(name, x, |x| x.atan().to_degrees()),
            ("atan2", [y, x]) => self.reals(name, y, x, f64::atan2),
            ("atan2d", [y, x]) => self.reals(name, y, x, |y, x| y.atan2(x).to_degrees()),
            ("degrees", [x]) => self.real(name, x, f64::to_degrees),
            ("radians", [x]) => self.real(name, x, f64::to_radians),
            ("bit_and" | "bitand", [x, y]) => self.operator(x, &Op::BitwiseAnd, y),
            ("bit_or" | "bitor", [x, y]) => self.operator(x, &Op::BitwiseOr, y),
            ("bit_xor" | "bitxor" | "xor", [x, y]) => self.operator(x, &Op::Xor, y),
            ("bit_not" | "bitnot", [x]) => self.flipped(name, x),
            ("coalesce", [_, ..]) | ("ifnull", [_, _]) => {
                let (kind, parts) = self.same_kind(arguments, true)?;
                Ok(Typed::new(kind, Node::FirstKnown(parts)))
            }
            ("greatest" | "least", [_, ..]) => {
                let (kind, parts) = self.same_kind(arguments, false)?;
                Ok(Typed::new(kind, Node::Extreme(name == "greatest", parts)))
            }
            ("nullif", [x, y]) => {
                let same = self.comparison(x, Comparison::Equal, y)?;
                let value = self.read(x)?;
                self.choice(vec![same], vec![Typed::null(Kind::Null), value])
            }
            ("if", [test, x, y]) => {
                let test = self.truth(test)?;
                let values = vec![self.read(x)?, self.read(y)?];
                self.choice(vec![test], values)
            }
            ("date_part", [part, x]) => {
                let part = self.read(part)?;
                let Some(part) = part.constant_text() else { return Err(self.bad("DATE_PART needs a part such as 'hour'")) };
                self.time_part(part, x)
            }
            ("date", [x]) => self.converted_call(x, &DataType::Date),
            ("time", [x]) => self.converted_call(x, &DataType::Time(None, TimezoneInfo::None)),
            ("timestamp" | "datetime", [x]) => self.converted_call(x, &DataType::Timestamp(None, TimezoneInfo::None)),
            _ => self.text_call(name, arguments),
        }
    }

    fn text_call(&mut self, name: &str, arguments: &[&Expr]) -> Read {
        use Kind::{Text, Whole};
        let text = |f| Callee::ToText(f);
        match (name, arguments.len()) {
            ("upper", 1) => self.texts(name, text(f::upper), arguments, &[Text]),
            ("lower", 1) => self.texts(name, text(f::lower), arguments, &[Text]),
            ("reverse", 1) => self.texts(name, text(f::reverse), arguments, &[Text]),
            ("trim", 1 | 2) => self.texts(name, text(f::trim), arguments, &[Text, Text]),
            ("ltrim", 1 | 2) => self.texts(name, text(f::trim_start), arguments, &[Text, Text]),
            ("rtrim", 1 | 2) => self.texts(name, text(f::trim_end), arguments, &[Text, Text]),
            ("replace", 3) => self.texts(name, text(f::replace), arguments, &[Text, Text, Text]),
            ("substr" | "substring", 2 | 3) => self.texts(name, text(f::substring), arguments, &[Text, Whole, Whole]),
            ("left", 2) => self.texts(name, text(f::left), arguments, &[Text, Whole]),
            ("right", 2) => self.texts(name, text(f::right), arguments, &[Text, Whole]),
            ("lpad", 2 | 3) => self.texts(name, text(f::pad_start), arguments, &[Text, Whole, Text]),
            ("rpad", 2 | 3) => self.texts(name, text(f::pad_end), arguments, &[Text, Whole, Text]),
            ("length" | "char_length" | "character_length", 1) => self.texts(name, Callee::ToWhole(f::length), arguments, &[Text]),
            ("octet_length", 1) => self.texts(name, Callee::ToWhole(f::octets), arguments, &[Text]),
            ("bit_length", 1) => self.texts(name, Callee::ToWhole(|pieces| 8 * f::octets(pieces)), arguments, &[Text]),
            ("strpos", 2) => self.texts(name, Callee::ToWhole(f::position), arguments, &[Text, Text]),
            ("starts_with", 2) => self.texts(name, Callee::ToTruth(f::starts_with), arguments, &[Text, Text]),
            ("ends_with", 2) => self.texts(name, Callee::ToTruth(f::ends_with), arguments, &[Text, Text]),
            ("concat", 1..) => {
                let parts = arguments.iter().map(|part| self.as_text(part)).collect::<Result<_, _>>()?;
                Ok(Typed::new(Text, Node::Join { between: None, parts, leave_out: true }))
            }
            ("concat_ws", 2..) => {
                let between = self.read(arguments[0])?;
                if between.constant_text().is_none() {
                    return Err(self.bad("the text between the parts of CONCAT_WS stands in single quotes"));
                }
                let parts = arguments[1..].iter().map(|part| self.as_text(part)).collect::<Result<_, _>>()?;
                Ok(Typed::new(Text, Node::Join { between: Some(Box::new(between)), parts, leave_out: true }))
            }
            (_, count) => {
                let with = if count == 1 { "one value".to_owned() } else { format!("{count} values") };
                Err(self.bad(format!("there is no function `{name}` of {with}")))
            }
        }
    }

    fn texts(&mut self, name: &str, callee: Callee, arguments: &[&Expr], kinds: &[Kind]) -> Read {
        let mut parts = vec![];
        for (argument, kind) in arguments.iter().zip(kinds) {
            let part = self.read(argument)?;
            if part.kind != *kind && part.kind != Kind::Null {
                let (want, have) = (kind.words(), part.kind.words());
                return Err(self.bad(format!("{} needs {want} where {have} stands", name.to_uppercase())));
            }
            parts.push(part.into_kind(*kind));
        }
        let kind = match callee {
            Callee::ToWhole(_) => Kind::Whole,
            Callee::ToTruth(_) => Kind::Truth,
            _ => Kind::Text,
        };
        Ok(Typed::new(kind, Node::Call(callee, parts)))
    }

    /// TRIM(LEADING 'x' FROM y).
    pub(crate) fn trim(&mut self, part: &Expr, side: Option<TrimWhereField>, what: Option<&Expr>) -> Read {
        let name = match side {
            None | Some(TrimWhereField::Both) => "trim",
            Some(TrimWhereField::Leading) => "ltrim",
            Some(TrimWhereField::Trailing) => "rtrim",
        };
        match what {
            Some(what) => self.call(name, &[part, what]),
            None => self.call(name, &[part]),
        }
    }

    /// EXTRACT(part FROM instant).
    pub(crate) fn extract(&mut self, field: &DateTimeField, part: &Expr) -> Read {
        match field {
            DateTimeField::Time => self.converted_call(part, &DataType::Time(None, TimezoneInfo::None)),
            _ => self.time_part(&field.to_string().to_ascii_lowercase(), part),
        }
    }

    fn time_part(&mut self, name: &str, part: &Expr) -> Read {
        let part = self.read(part)?;
        let Some(found) = parts::part(&name.to_ascii_lowercase()) else {
            return Err(self.bad(format!("an instant has no part `{name}`")));
        };
        let fits = match part.kind {
            Kind::Instant | Kind::Null => true,
            Kind::Date => found.of_date,
            Kind::Clock => !found.of_date && name != "epoch",
            _ => false,
        };
        if !fits {
            return Err(self.bad(format!("{} has no part `{name}`", part.kind.words())));
        }
        let kind = if matches!(found.callee, Callee::WholeToReal(_)) { Kind::Real } else { Kind::Whole };
        let part = if part.kind == Kind::Null { part.into_kind(Kind::Instant) } else { part };
        Ok(Typed::new(kind, Node::Call(found.callee, vec![part])))
    }

    fn converted_call(&mut self, part: &Expr, to: &DataType) -> Read {
        let part = self.read(part)?;
        self.converted(part, to, true)
    }

    fn operator(&mut self, left: &Expr, op: &Op, right: &Expr) -> Read {
        let (left, right) = (self.read(left)?, self.read(right)?);
        if matches!(op, Op::Modulo | Op::DuckIntegerDivide) { self.arithmetic(left, op, right) } else { self.bits(left, op, right) }
    }

    fn same_kind(&mut self, arguments: &[&Expr], as_text: bool) -> Result<(Kind, Vec<Typed>), pipeline_base::problem::Problem> {
        let parts = arguments.iter().map(|part| self.read(part)).collect::<Result<_, _>>()?;
        self.one_kind(parts, as_text)
    }

    /// A number, true or false not counted.
    fn number_of(&mut self, name: &str, part: &Expr) -> Read {
        let part = self.read(part)?;
        match part.kind {
            Kind::Whole | Kind::Real | Kind::Null => Ok(part),
            other => Err(self.bad(format!("{} needs a number and not {}", name.to_uppercase(), other.words()))),
        }
    }

    fn real(&mut self, name: &str, x: &Expr, f: fn(f64) -> f64) -> Read {
        let x = self.number_of(name, x)?.into_kind(Kind::Real);
        Ok(Typed::new(Kind::Real, Node::Call(Callee::Real(f), vec![x])))
    }

    fn reals(&mut self, name: &str, x: &Expr, y: &Expr, f: fn(f64, f64) -> f64) -> Read {
        let arguments = vec![self.number_of(name, x)?.into_kind(Kind::Real), self.number_of(name, y)?.into_kind(Kind::Real)];
        Ok(Typed::new(Kind::Real, Node::Call(Callee::Reals(f), arguments)))
    }

    /// Of a number a number, of a whole number a whole number, of a length of time a length of time.
    fn kept(&mut self, name: &str, x: &Expr, real: fn(f64) -> f64, whole: fn(i64) -> Option<i64>) -> Read {
        let x = self.read(x)?;
        let (kind, callee) = match x.kind {
            Kind::Real => (Kind::Real, Callee::Real(real)),
            Kind::Whole | Kind::Null => (Kind::Whole, Callee::Whole(whole)),
            Kind::Span if name == "abs" => (Kind::Span, Callee::Whole(whole)),
            other => return Err(self.bad(format!("{} needs a number and not {}", name.to_uppercase(), other.words()))),
        };
        Ok(Typed::new(kind, Node::Call(callee, vec![x.into_kind(kind)])))
    }

    fn rounded(&mut self, name: &str, x: &Expr, digits: &[&Expr], way: fn(f64) -> f64) -> Read {
        let x = self.number_of(name, x)?;
        let digits = match digits.first() {
            None => 0,
            Some(digits) => match self.read(digits)?.node {
                Node::Constant(Constant::Whole(digits @ 0..)) => i32::try_from(digits.min(400)).unwrap_or(400),
                _ => return Err(self.bad(format!("{} takes a whole number of decimals, 0 or more", name.to_uppercase()))),
            },
        };
        if x.kind != Kind::Real {
            return Ok(x.into_kind(Kind::Whole));
        }
        Ok(Typed::new(Kind::Real, Node::Call(Callee::Rounded(digits, way), vec![x])))
    }

    fn power(&mut self, name: &str, x: &Expr, y: &Expr) -> Read {
        let (x, y) = (self.number_of(name, x)?, self.number_of(name, y)?);
        let (kind, callee) = if x.kind == Kind::Real || y.kind == Kind::Real {
            (Kind::Real, Callee::Reals(f::power))
        } else {
            (Kind::Whole, Callee::Wholes(f::whole_power))
        };
        Ok(Typed::new(kind, Node::Call(callee, vec![x.into_kind(kind), y.into_kind(kind)])))
    }

    fn flipped(&mut self, name: &str, x: &Expr) -> Read {
        let x = self.read(x)?;
        match x.kind {
            Kind::Truth | Kind::Null => Ok(not(x.into_kind(Kind::Truth))),
            Kind::Whole => Ok(Typed::new(Kind::Whole, Node::Call(Callee::Whole(|n| Some(!n)), vec![x]))),
            other => Err(self.bad(format!("{} needs a whole number and not {}", name.to_uppercase(), other.words()))),
        }
    }
}
