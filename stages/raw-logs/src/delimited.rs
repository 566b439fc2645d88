//! Delimited text, line by line: every physical line has a number and one fate.
//!
//! A quoted field may hold delimiters and doubled quotes, but no line break: one line is one row, so
//! that the count of lines can be checked against the file.

use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::input::LineCount;
use pipeline_base::problem::Problem;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read};

/// What stands between two fields.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Delimiter {
    /// `,`
    #[default]
    Comma,
    /// `;`
    Semicolon,
    /// Tab.
    Tab,
    /// `|`
    Bar,
    /// One or more blanks.
    Blanks,
}

impl Delimiter {
    const fn byte(self) -> u8 {
        match self {
            Self::Comma => b',',
            Self::Semicolon => b';',
            Self::Tab => b'\t',
            Self::Bar => b'|',
            Self::Blanks => b' ',
        }
    }
}

/// How the file is laid out.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Layout {
    /// What stands between two fields.
    #[serde(default)]
    pub delimiter: Delimiter,
    /// Numbers are written with a decimal comma.
    #[serde(default)]
    pub decimal_comma: bool,
    /// Lines before the line of column names.
    #[serde(default)]
    pub skip_lines: u32,
    /// Lines that begin with this text are remarks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remark: Option<String>,
    /// Column names in order, for a file without a line of names.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub names: Option<Vec<String>>,
}

impl Layout {
    /// Contradictions in the options.
    #[must_use]
    pub fn problems(&self, option: &str) -> Vec<Problem> {
        let mut problems = vec![];
        if self.decimal_comma && self.delimiter == Delimiter::Comma {
            problems.push(
                Problem::new("data/bad-layout", "a comma cannot both divide fields and mark decimals")
                    .option(format!("{option}.decimal_comma"))
                    .fix("set `delimiter` to what stands between the fields, for example `semicolon`"),
            );
        }
        if self.remark.as_deref() == Some("") {
            problems.push(
                Problem::new("data/bad-layout", "every line begins with an empty text")
                    .option(format!("{option}.remark"))
                    .fix("leave `remark` out"),
            );
        }
        if let Some(names) = &self.names {
            for (i, name) in names.iter().enumerate() {
                if names[..i].contains(name) {
                    problems.push(
                        Problem::new("data/bad-layout", format!("two columns are named `{name}`"))
                            .option(format!("{option}.names[{i}]"))
                            .fix("give each column its own name"),
                    );
                }
            }
        }
        problems
    }
}

/// Longest line that is looked at, bytes; a longer one is no table.
const LONGEST: usize = 1 << 16;
/// Findings of one kind in one file before they are only counted.
const SHOWN: u64 = 5;

/// Reads a file line by line, counts every line, and gives the rows.
pub struct Lines<'a> {
    reader: BufReader<Box<dyn Read + Send>>,
    layout: &'a Layout,
    /// What became of the lines so far.
    pub count: LineCount,
    /// Findings so far, at most five of a kind.
    pub findings: Vec<Diagnostic>,
    wanted: Vec<&'a str>,
    /// Places of the wanted columns, in their order, once known.
    places: Vec<usize>,
    width: usize,
    line: Vec<u8>,
    fields: Vec<String>,
    shown: BTreeMap<String, u64>,
    bytes: u64,
}

/// One row: its line number and the texts of the wanted columns.
pub struct Row<'a> {
    /// Line, counted from 1.
    pub line: u64,
    fields: &'a [String],
    places: &'a [usize],
}

impl Row<'_> {
    /// Text of the wanted column with this number, without blanks around it.
    #[must_use]
    pub fn text(&self, wanted: usize) -> &str {
        self.places.get(wanted).and_then(|p| self.fields.get(*p)).map_or("", |s| s.as_str())
    }

    /// Number of that column in the file, counted from 1.
    #[must_use]
    pub fn column(&self, wanted: usize) -> u64 {
        self.places.get(wanted).map_or(0, |p| *p as u64 + 1)
    }
}

impl<'a> Lines<'a> {
    /// Starts a file and finds the wanted columns.
    ///
    /// # Errors
    /// `data/missing-column` and `data/unreadable-file`.
    pub fn new(raw: Box<dyn Read + Send>, file: &str, layout: &'a Layout, wanted: Vec<&'a str>) -> Result<Self, Problem> {
        let mut lines = Self {
            reader: BufReader::with_capacity(1 << 16, raw),
            layout,
            count: LineCount { file: file.to_owned(), ..LineCount::default() },
            findings: vec![],
            wanted,
            places: vec![],
            width: 0,
            line: vec![],
            fields: vec![],
            shown: BTreeMap::new(),
            bytes: 0,
        };
        for _ in 0..layout.skip_lines {
            if lines.next_line()? {
                lines.ignored("before-header");
            }
        }
        if let Some(names) = &layout.names {
            lines.fields.clone_from(names);
            lines.find_columns(0)?;
        } else {
            loop {
                if !lines.next_line()? {
                    if lines.wanted.is_empty() {
                        break;
                    }
                    return Err(Problem::from(
                        Diagnostic::new("data/missing-column", Verdict::Block, format!("`{file}` has no line of column names"))
                            .label(Label::file(file, "this file"))
                            .fix("check `layout.skip_lines`; give `layout.names` for a file without a line of names"),
                    ));
                }
                match lines.split() {
                    LineKind::Ignored(kind) => lines.ignored(kind),
                    LineKind::Row => {
                        lines.ignored("header");
                        let number = lines.count.total;
                        lines.find_columns(number)?;
                        break;
                    }
                    LineKind::Damaged(reason) => {
                        return Err(Problem::from(
                            Diagnostic::new(
                                "data/missing-column",
                                Verdict::Block,
                                format!("the line of column names of `{file}` cannot be read: {reason}"),
                            )
                            .label(Label::lines(file, lines.count.total, lines.count.total, "this line"))
                            .fix("save the table as UTF-8 text; check `layout`"),
                        ));
                    }
                }
            }
        }
        Ok(lines)
    }

    fn find_columns(&mut self, line: u64) -> Result<(), Problem> {
        let names: Vec<&str> = self.fields.iter().map(|f| f.trim_start_matches('\u{feff}').trim()).collect();
        self.width = names.len();
        self.places.clear();
        for wanted in &self.wanted {
            let mut at = names.iter().enumerate().filter(|(_, n)| **n == *wanted).map(|(i, _)| i);
            let file = self.count.file.as_str();
            let label = || if line > 0 { Label::lines(file, line, line, "the column names") } else { Label::file(file, "this file") };
            match (at.next(), at.next()) {
                (Some(i), None) => self.places.push(i),
                (None, _) => {
                    return Err(Problem::from(
                        Diagnostic::new("data/missing-column", Verdict::Block, format!("`{file}` has no column `{wanted}`"))
                            .label(label())
                            .why(format!(
                                "its columns are {}",
                                names.iter().take(40).map(|n| format!("`{n}`")).collect::<Vec<_>>().join(", ")
                            ))
                            .fix("name the column as the file does, to the letter; check `layout.delimiter` and `layout.skip_lines`"),
                    ));
                }
                (Some(_), Some(_)) => {
                    return Err(Problem::from(
                        Diagnostic::new("data/missing-column", Verdict::Block, format!("`{file}` has two columns `{wanted}`"))
                            .label(label())
                            .fix("give each column its own name with `layout.names` and `layout.skip_lines`"),
                    ));
                }
            }
        }
        Ok(())
    }

    /// The next physical line into `self.line`; false at the end.
    fn next_line(&mut self) -> Result<bool, Problem> {
        self.line.clear();
        let mut any = false;
        let mut over = false;
        loop {
            let chunk = self.reader.fill_buf().map_err(|e| pipeline_base::input::unreadable(&self.count.file, &e))?;
            if chunk.is_empty() {
                break;
            }
            any = true;
            let end = memchr::memchr(b'\n', chunk);
            let take = end.map_or(chunk.len(), |e| e + 1);
            let room = LONGEST.saturating_sub(self.line.len());
            over |= take > room;
            self.line.extend_from_slice(&chunk[..take.min(room)]);
            self.reader.consume(take);
            self.bytes += take as u64;
            if end.is_some() {
                break;
            }
        }
        if any {
            self.count.total += 1;
            if over {
                // Leaves more than the longest line, which `split` refuses.
                self.line.resize(LONGEST + 1, b' ');
            }
        }
        Ok(any)
    }

    /// Bytes read since the last call, unpacked.
    pub const fn take_bytes(&mut self) -> u64 {
        let bytes = self.bytes;
        self.bytes = 0;
        bytes
    }

    fn ignored(&mut self, kind: &str) {
        *self.count.ignored.entry(kind.to_owned()).or_default() += 1;
    }

    /// Counts the line just given as damaged. `column`: number of the column in the file, 0 for none.
    pub fn damaged(&mut self, reason: &str, what: &str, column: u64) {
        *self.count.damaged.entry(reason.to_owned()).or_default() += 1;
        let shown = self.shown.entry(reason.to_owned()).or_default();
        *shown += 1;
        if *shown > SHOWN {
            return;
        }
        let place = if column > 0 { format!("column {column} of the row") } else { "the row".to_owned() };
        self.findings.push(
            Diagnostic::new("data/damaged-row", Verdict::Warn, what.to_owned())
                .place(format!("`{}` line {}, {place}", self.count.file, self.count.total))
                .label(Label::lines(&self.count.file, self.count.total, self.count.total, format!("not used: {reason}")))
                .fix("correct the row at its source, or leave it out"),
        );
    }

    /// Counts the line just given as used.
    pub const fn used(&mut self) {
        self.count.used += 1;
    }

    /// The next row. After each, one of [`Lines::used`] and [`Lines::damaged`] must be called.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn next_row(&mut self) -> Result<bool, Problem> {
        while self.next_line()? {
            match self.split() {
                LineKind::Ignored(kind) => self.ignored(kind),
                LineKind::Damaged(reason) => {
                    let what = format!("a line is not a row of the table: {reason}");
                    self.damaged(reason, &what, 0);
                }
                LineKind::Row if self.fields.len() != self.width => {
                    let what = format!("a row has {} fields and the table {} columns", self.fields.len(), self.width);
                    self.damaged("fields", &what, 0);
                }
                LineKind::Row => return Ok(true),
            }
        }
        for (reason, n) in std::mem::take(&mut self.shown) {
            if n > SHOWN {
                self.findings.push(
                    Diagnostic::new(
                        "data/damaged-row",
                        Verdict::Warn,
                        format!("{n} rows are damaged in this way: {reason}; the first {SHOWN} were shown"),
                    )
                    .place(format!("`{}`", self.count.file))
                    .label(Label::file(&self.count.file, "this file"))
                    .fix("correct the rows at their source, or leave them out"),
                );
            }
        }
        Ok(false)
    }

    /// The row that [`Lines::next_row`] found.
    #[must_use]
    pub fn row(&self) -> Row<'_> {
        Row { line: self.count.total, fields: &self.fields, places: &self.places }
    }

    fn split(&mut self) -> LineKind {
        if self.line.len() > LONGEST {
            return LineKind::Damaged("too-long");
        }
        let mut line = self.line.as_slice();
        while let [rest @ .., b'\n' | b'\r'] = line {
            line = rest;
        }
        if self.count.total == 1 {
            line = line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line);
        }
        if line.iter().all(u8::is_ascii_whitespace) {
            return LineKind::Ignored("blank");
        }
        let Ok(text) = std::str::from_utf8(line) else { return LineKind::Damaged("not-text") };
        if text.contains('\0') {
            return LineKind::Damaged("binary");
        }
        if self.layout.remark.as_deref().is_some_and(|r| text.starts_with(r)) {
            return LineKind::Ignored("remark");
        }
        if split(text, self.layout.delimiter, &mut self.fields) { LineKind::Row } else { LineKind::Damaged("quote") }
    }
}

enum LineKind {
    Row,
    Ignored(&'static str),
    Damaged(&'static str),
}

/// Splits a line into fields without the blanks around them, reusing the texts. False when a quote
/// is not closed.
fn split(text: &str, delimiter: Delimiter, fields: &mut Vec<String>) -> bool {
    let blanks = delimiter == Delimiter::Blanks;
    let divides = |b: u8| b == delimiter.byte() || (blanks && b == b'\t');
    let bytes = text.as_bytes();
    let mut used = 0;
    let mut put = |piece: &str| {
        if let Some(field) = fields.get_mut(used) {
            field.clear();
            field.push_str(piece);
        } else {
            fields.push(piece.to_owned());
        }
        used += 1;
    };
    let mut at = 0;
    loop {
        // Blanks before a field.
        while at < bytes.len() && (bytes[at] == b' ' || (bytes[at] == b'\t' && (blanks || !divides(b'\t')))) {
            at += 1;
        }
        if blanks && at >= bytes.len() {
            break;
        }
        if bytes.get(at) == Some(&b'"') {
            let mut piece = String::new();
            at += 1;
            loop {
                let Some(close) = memchr::memchr(b'"', &bytes[at..]) else { return false };
                piece.push_str(&text[at..at + close]);
                at += close + 1;
                if bytes.get(at) == Some(&b'"') {
                    piece.push('"');
                    at += 1;
                } else {
                    break;
                }
            }
            while at < bytes.len() && bytes[at] == b' ' && !blanks {
                at += 1;
            }
            if at < bytes.len() && !divides(bytes[at]) {
                return false;
            }
            put(piece.trim());
        } else {
            let end = bytes[at..].iter().position(|b| divides(*b)).map_or(bytes.len(), |e| at + e);
            put(text[at..end].trim());
            at = end;
        }
        if at >= bytes.len() {
            break;
        }
        at += 1;
    }
    fields.truncate(used);
    true
}

/// Why a text is not a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotANumber {
    /// It is not a number at all.
    Text,
    /// It is not-a-number or infinite.
    NotFinite,
}

/// The number of a field; an empty one is `None`.
///
/// # Errors
/// When it is no finite number.
pub fn number(text: &str, decimal_comma: bool) -> Result<Option<f64>, NotANumber> {
    if text.is_empty() {
        return Ok(None);
    }
    let text = if decimal_comma && text.contains(',') {
        if text.contains('.') {
            return Err(NotANumber::Text);
        }
        Cow::Owned(text.replacen(',', ".", 1))
    } else {
        Cow::Borrowed(text)
    };
    match text.parse::<f64>() {
        Ok(v) if v.is_finite() => Ok(Some(v)),
        Ok(_) => Err(NotANumber::NotFinite),
        Err(_) => Err(NotANumber::Text),
    }
}

#[cfg(test)]
mod tests;
