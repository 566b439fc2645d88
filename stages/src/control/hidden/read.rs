//! Constructions as a CSV file: one observation a line.

use crate::control::marks::{bytes_of, csv_records};
use crate::control::record::At;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use pipeline_core::stage::Resource;

/// Kind of an observation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Horizontal distance.
    Distance,
    /// Bearing, from grid or true north.
    Bearing {
        /// From grid north.
        grid: bool,
    },
    /// Offset from a line, 0 for a point on it.
    Offset,
    /// Distance along a line.
    Along,
    /// Height above a point.
    Height,
}

impl Line {
    /// A label at its place in its file.
    pub(super) fn label(&self, text: &str) -> Label {
        self.at.label(&self.file, text)
    }
}

/// One observation.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Line {
    /// Kind.
    pub kind: Kind,
    /// Known point.
    pub from: String,
    /// Second known point of a line.
    pub to: Option<String>,
    /// m, or deg for a bearing.
    pub value: f64,
    /// m, or deg for a bearing.
    pub sigma: f64,
    /// File.
    pub file: String,
    /// Place in it.
    pub at: At,
}

/// All observations of one new point.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Construction {
    /// Name.
    pub point: String,
    /// Feature code.
    pub code: Option<String>,
    /// Left of the line from the first known point to the second.
    pub left: Option<bool>,
    /// Observations.
    pub lines: Vec<Line>,
}

const BAD_LINE: &str = "control/hidden-bad-line";

fn wrong(file: &str, at: At, what: impl Into<String>, fix: &str) -> Problem {
    Problem::from(Diagnostic::new(BAD_LINE, Verdict::Error, what)).label(at.label(file, "here")).fix(fix)
}

/// Reads files.
///
/// # Errors
/// `control/hidden-bad-line` for each line that cannot be used; unreadable files.
pub(super) fn read(files: &[Resource]) -> Result<Vec<Construction>, Vec<Problem>> {
    let (mut out, mut problems) = (vec![], vec![]);
    for file in files {
        match bytes_of(&file.name, &file.path) {
            Ok(bytes) => parse(&file.name, &bytes, &mut out, &mut problems),
            Err(problem) => problems.push(problem),
        }
    }
    if problems.is_empty() { Ok(out) } else { Err(problems) }
}

/// Reads one file.
pub(super) fn parse(name: &str, bytes: &[u8], out: &mut Vec<Construction>, problems: &mut Vec<Problem>) {
    let records = match csv_records(name, bytes, &[BAD_LINE; 2], &["point", "kind", "from"]) {
        Ok(records) => records,
        Err(more) => {
            problems.extend(more);
            return;
        }
    };
    for record in &records {
        let word = |key: &str| record.words.get(key).map(String::as_str);
        match line(name, record.at, &word) {
            Ok((point, line)) => {
                let left = match word("side") {
                    None => None,
                    Some("left") => Some(true),
                    Some("right") => Some(false),
                    Some(other) => {
                        problems.push(wrong(name, record.at, format!("the side `{other}` of `{point}`"), "write `left` or `right`"));
                        None
                    }
                };
                let known = out.iter().position(|c| c.point == point).unwrap_or_else(|| {
                    out.push(Construction { point, code: None, left: None, lines: vec![] });
                    out.len() - 1
                });
                let c = &mut out[known];
                c.lines.push(line);
                c.left = c.left.or(left);
                if c.code.is_none() {
                    c.code = word("code").map(str::to_owned);
                }
            }
            Err(problem) => problems.push(*problem),
        }
    }
}

fn line<'a>(file: &str, at: At, word: &dyn Fn(&str) -> Option<&'a str>) -> Result<(String, Line), Box<Problem>> {
    let bad = |what: String, fix: &str| Box::new(wrong(file, at, what, fix));
    let point = word("point").ok_or_else(|| bad("a line without `point`".to_owned(), "name the new point"))?;
    let from = word("from").ok_or_else(|| bad(format!("`{point}` is tied to nothing"), "name a measured point in `from`"))?;
    let number = |key: &str| -> Result<f64, Box<Problem>> {
        let text = word(key).ok_or_else(|| bad(format!("`{point}` has no `{key}`"), "give the value and how good it is"))?;
        text.parse::<f64>().ok().filter(|v| v.is_finite() && v.abs() < 1e5).ok_or_else(|| {
            bad(format!("`{key}` of `{point}` is `{text}`, which is no usable number"), "write numbers with a decimal point")
        })
    };
    let kind = word("kind").unwrap_or_default();
    let (kind, value, sigma) = match kind {
        "distance" => (Kind::Distance, number("value_m")?, number("sigma_m")?),
        "offset" => (Kind::Offset, number("value_m")?, number("sigma_m")?),
        "line" => (Kind::Offset, 0.0, number("sigma_m")?),
        "along" => (Kind::Along, number("value_m")?, number("sigma_m")?),
        "height" => (Kind::Height, number("value_m")?, number("sigma_m")?),
        "bearing" => {
            let grid = match word("north") {
                Some("grid") => true,
                Some("true") => false,
                _ => return Err(bad(format!("the bearing of `{point}` does not say its north"), "write `true` or `grid` in `north`")),
            };
            (Kind::Bearing { grid }, number("value_deg")?, number("sigma_deg")?)
        }
        other => {
            return Err(bad(
                format!("`{point}` has the kind `{other}`"),
                "write `distance`, `bearing`, `line`, `offset`, `along` or `height`",
            ));
        }
    };
    if sigma <= 0.0 || (kind == Kind::Distance && value <= 0.0) {
        return Err(bad(format!("`{point}` has a value or sigma that is not above 0"), "give lengths and sigmas above 0"));
    }
    let to = word("to").map(str::to_owned);
    if matches!(kind, Kind::Offset | Kind::Along) && to.as_deref().is_none_or(|t| t == from) {
        return Err(bad(format!("the line of `{point}` has one end"), "name its second point in `to`"));
    }
    Ok((point.to_owned(), Line { kind, from: from.to_owned(), to, value, sigma, file: file.to_owned(), at }))
}
