//! Field notes: one line per occupation, as a crew writes them.
//!
//! Everything is text until it has to be a number: `007` and `1.10` stay what they are.

use super::notes_time::{DAY, HOUR, Written, read};
use crate::quality::nearest::nearest;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Longest occupation that is believed when a time of day runs over midnight.
const LONGEST: i64 = 6 * HOUR;
/// How many findings of one kind are spelled out for one file.
const SPELLED_OUT: usize = 5;

/// What a point was aimed with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Aim {
    /// The tip of the pole stood on it.
    Tip,
    /// The laser pointed at it.
    Laser,
}

impl Aim {
    /// The word in tables and notes.
    #[must_use]
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Tip => "tip",
            Self::Laser => "laser",
        }
    }
}

/// Names of the columns of the notes, where they differ from the names of these keys.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Columns {
    /// Column with the point name; `point` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<String>,
    /// Column with the feature code; `code` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
    /// Column with the start of the occupation; `from` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Column with the end of the occupation; `to` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// Column with the remark; `remark` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remark: Option<String>,
    /// Column with the outside diameter in millimetres; `diameter_mm` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter_mm: Option<String>,
    /// Column with the surface that was hit; `surface` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surface: Option<String>,
    /// Column with `tip` or `laser`; `aim` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aim: Option<String>,
    /// Column with the name of the session that the line belongs to; `session` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub session: Option<String>,
    /// Column with the mark that the line measures again under a name of its own; `mark` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark: Option<String>,
    /// Column with the crew; `crew` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// Column with the receiver; `receiver` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub receiver: Option<String>,
}

/// How many columns the notes may have.
const COLUMNS: usize = 12;

impl Columns {
    /// Key, name given by the job, and whether notes must have the column.
    fn all(&self) -> [(&'static str, Option<&str>, bool); COLUMNS] {
        [
            ("point", self.point.as_deref(), true),
            ("from", self.from.as_deref(), true),
            ("to", self.to.as_deref(), true),
            ("code", self.code.as_deref(), false),
            ("remark", self.remark.as_deref(), false),
            ("diameter_mm", self.diameter_mm.as_deref(), false),
            ("surface", self.surface.as_deref(), false),
            ("aim", self.aim.as_deref(), false),
            ("session", self.session.as_deref(), false),
            ("mark", self.mark.as_deref(), false),
            ("crew", self.crew.as_deref(), false),
            ("receiver", self.receiver.as_deref(), false),
        ]
    }
}

/// How a file of notes is read.
#[derive(Clone, Debug)]
pub(crate) struct Format {
    /// Names of the columns.
    pub columns: Columns,
    /// Delimiter.
    pub delimiter: u8,
    /// What is subtracted from times without a zone, ns; `None` when the job does not say.
    pub offset_ns: Option<i64>,
}

/// When a note holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Window {
    /// From and to as instants, ns.
    Instants(i64, i64),
    /// From as UTC time of day (may lie outside one day), and length, ns: the date is the session's.
    Clock(i64, i64),
}

/// One line of the notes.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Note {
    /// File, as the job names it.
    pub file: String,
    /// Line, counted from 1.
    pub line: u64,
    /// Point name, to the letter.
    pub point: String,
    /// Feature code.
    pub code: Option<String>,
    /// Remark.
    pub remark: Option<String>,
    /// Outside diameter, mm.
    pub diameter_mm: Option<f64>,
    /// Surface.
    pub surface: Option<String>,
    /// What was aimed with.
    pub aim: Option<Aim>,
    /// Session that the line names.
    pub session: Option<String>,
    /// Mark that it measures again.
    pub mark: Option<String>,
    /// Crew.
    pub crew: Option<String>,
    /// Receiver.
    pub receiver: Option<String>,
    /// When.
    pub window: Window,
}

/// Reads one file of notes. Lines that cannot be used become findings (verdict `block`: a note
/// that cannot be read is a point that would silently be lost).
///
/// # Errors
/// When the file as a whole cannot be used: empty, not UTF-8, or without a column that it needs.
pub(crate) fn parse(file: &str, bytes: &[u8], format: &Format, findings: &mut Vec<Diagnostic>) -> Result<Vec<Note>, Problem> {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let Ok(text) = std::str::from_utf8(bytes) else {
        return Err(whole(file, "notes/not-utf8", format!("`{file}` is not UTF-8 text")).fix("save the notes as CSV in UTF-8"));
    };
    if text.trim().is_empty() {
        return Err(
            whole(file, "notes/empty", format!("`{file}` holds no notes")).fix("export the notes again, or take the file out of `notes`")
        );
    }
    let mut reader = csv::ReaderBuilder::new().has_headers(true).flexible(true).delimiter(format.delimiter).from_reader(text.as_bytes());
    let header: Vec<String> = match reader.headers() {
        Ok(h) => h.iter().map(|n| n.trim().to_owned()).collect(),
        Err(e) => {
            return Err(
                whole(file, "notes/empty", format!("`{file}` has no header line: {e}")).fix("export the notes again with a header line")
            );
        }
    };
    let places = find_columns(file, &header, format)?;
    let mut notes = vec![];
    let mut bad = Bad { file, text, delimiter: format.delimiter, findings, spelled_out: 0, more: 0 };
    let mut record = csv::StringRecord::new();
    let mut lines = 0_usize;
    loop {
        match reader.read_record(&mut record) {
            Ok(false) => break,
            Ok(true) => {}
            Err(e) => {
                let line = e.position().map_or(0, csv::Position::line);
                bad.say(line, 0, 0, "notes/bad-line", format!("line {line} cannot be read: {e}"), "write the line again");
                break;
            }
        }
        if record.iter().all(|f| f.trim().is_empty()) {
            continue;
        }
        lines += 1;
        if let Some(note) = one(&record, &places, header.len(), format, &mut bad)? {
            notes.push(note);
        }
    }
    bad.finish();
    if lines == 0 {
        return Err(whole(file, "notes/empty", format!("`{file}` has a header line and no notes"))
            .fix("export the notes again, or take the file out of `notes`"));
    }
    Ok(notes)
}

fn whole(file: &str, code: &str, what: String) -> Problem {
    Problem::from(Diagnostic::new(code, Verdict::Block, what).label(Label::file(file, "these notes"))).option("notes")
}

/// Places of the columns, in the order of [`Columns::all`].
fn find_columns(file: &str, header: &[String], format: &Format) -> Result<[Option<usize>; COLUMNS], Problem> {
    let mut places = [None; COLUMNS];
    for (slot, (key, named, needed)) in places.iter_mut().zip(format.columns.all()) {
        let name = named.unwrap_or(key);
        let found: Vec<usize> = (0..header.len()).filter(|i| header[*i] == name).collect();
        *slot = found.first().copied();
        if found.len() > 1 {
            return Err(
                whole(file, "notes/column-twice", format!("`{file}` has {} columns named `{name}`", found.len())).fix("rename one of them")
            );
        }
        if found.is_empty() && (needed || named.is_some()) {
            let delimiter = char::from(format.delimiter);
            let fix = if header.len() == 1 {
                let other = [';', '\t', '|', ','].into_iter().find(|d| *d != delimiter && header[0].contains(*d));
                other.map(|d| format!("the header is one field with `{delimiter}`; set `delimiter: \"{}\"`", d.escape_default()))
            } else {
                None
            };
            let near = nearest(name, header.iter().map(String::as_str));
            let fix = fix.or_else(|| near.map(|n| format!("is it the column `{n}`? then set `columns: {{ {key}: \"{n}\" }}`")));
            let fix = fix.unwrap_or_else(|| format!("the columns are {}; name the right one under `columns`", header.join(", ")));
            return Err(Problem::from(
                Diagnostic::new("notes/no-column", Verdict::Block, format!("`{file}` has no column `{name}`"))
                    .label(Label::lines(file, 1, 1, "this header"))
                    .fix(fix),
            )
            .option(if named.is_some() { format!("columns.{key}") } else { "notes".to_owned() }));
        }
    }
    Ok(places)
}

/// Collects findings about lines, at most five in full.
struct Bad<'a> {
    file: &'a str,
    text: &'a str,
    delimiter: u8,
    findings: &'a mut Vec<Diagnostic>,
    spelled_out: usize,
    more: usize,
}

impl Bad<'_> {
    fn say(&mut self, line: u64, byte: u64, field: usize, code: &str, what: String, fix: &str) {
        if self.spelled_out == SPELLED_OUT {
            self.more += 1;
            return;
        }
        self.spelled_out += 1;
        let mut label = Label::lines(self.file, line.max(1), line.max(1), "this note");
        label.column = Some(self.column(byte, field));
        self.findings.push(Diagnostic::new(code, Verdict::Block, what).place(format!("{}, line {line}", self.file)).label(label).fix(fix));
    }

    /// Column in characters, from 1, of a field of the record that starts at a byte.
    fn column(&self, byte: u64, field: usize) -> u64 {
        let start = usize::try_from(byte).unwrap_or(usize::MAX);
        let Some(rest) = self.text.get(start.min(self.text.len())..) else { return 1 };
        let rest = rest.trim_start_matches(['\r', '\n']);
        let (mut column, mut seen, mut quoted) = (1, 0, false);
        for c in rest.chars() {
            if seen == field || (!quoted && matches!(c, '\r' | '\n')) {
                break;
            }
            if c == '"' {
                quoted = !quoted;
            } else if !quoted && c == char::from(self.delimiter) {
                seen += 1;
            }
            column += 1;
        }
        column
    }

    fn finish(&mut self) {
        if self.more > 0 {
            let what = format!("{} more lines of `{}` cannot be used", self.more, self.file);
            self.findings.push(Diagnostic::new("notes/more-bad-lines", Verdict::Block, what).fix("put the first ones right and run again"));
        }
    }
}

fn one(
    record: &csv::StringRecord,
    places: &[Option<usize>; COLUMNS],
    width: usize,
    format: &Format,
    bad: &mut Bad,
) -> Result<Option<Note>, Problem> {
    let (line, byte) = record.position().map_or((0, 0), |p| (p.line(), p.byte()));
    let field = |k: usize| places[k].and_then(|i| record.get(i)).map(str::trim).filter(|t| !t.is_empty());
    let place = |k: usize| places[k].unwrap_or_default();
    if record.len() > width && record.iter().skip(width).any(|f| !f.trim().is_empty()) {
        let what = format!("line {line} has {} fields and the header has {width}", record.len());
        bad.say(line, byte, width, "notes/bad-line", what, "put a text that holds the delimiter in double quotes");
        return Ok(None);
    }
    let Some(point) = field(0) else {
        bad.say(line, byte, place(0), "notes/no-point", format!("line {line} has no point name"), "write the name of the point");
        return Ok(None);
    };
    let mut times = [None; 2];
    for (k, (slot, key)) in times.iter_mut().zip(["from", "to"]).enumerate() {
        let text = field(1 + k).unwrap_or_default();
        *slot = read(text);
        if slot.is_none() {
            let what = if text.is_empty() {
                format!("note of `{point}` has no `{key}`")
            } else {
                format!("note of `{point}`: `{text}` is not a time")
            };
            bad.say(line, byte, place(1 + k), "notes/bad-time", what, "write times as HH:MM:SS or as 2026-05-04T14:22:06Z");
        }
    }
    let [Some(from), Some(to)] = times else { return Ok(None) };
    let Some(window) = window(point, from, to, format, line, byte, place(2), bad)? else { return Ok(None) };
    let diameter_mm = match field(5).map(|t| (t, t.parse::<f64>())) {
        None => None,
        Some((_, Ok(d))) if d.is_finite() && d > 0.0 => Some(d),
        Some((text, _)) => {
            let what = format!("note of `{point}`: `{text}` is not a diameter in millimetres");
            bad.say(
                line,
                byte,
                place(5),
                "notes/bad-number",
                what,
                "write the outside diameter in millimetres with a decimal point, or leave it empty",
            );
            return Ok(None);
        }
    };
    let aim = match field(7).map(str::to_lowercase).as_deref() {
        None => None,
        Some("tip") => Some(Aim::Tip),
        Some("laser") => Some(Aim::Laser),
        Some(other) => {
            let what = format!("note of `{point}`: `{other}` is neither `tip` nor `laser`");
            bad.say(line, byte, place(7), "notes/bad-aim", what, "write `tip` or `laser`");
            return Ok(None);
        }
    };
    let text = |k: usize| field(k).map(str::to_owned);
    Ok(Some(Note {
        file: bad.file.to_owned(),
        line,
        point: point.to_owned(),
        code: text(3),
        remark: text(4),
        diameter_mm,
        surface: text(6),
        aim,
        session: text(8),
        mark: text(9),
        crew: text(10),
        receiver: text(11),
        window,
    }))
}

#[allow(clippy::too_many_arguments)]
fn window(
    point: &str,
    from: Written,
    to: Written,
    format: &Format,
    line: u64,
    byte: u64,
    place: usize,
    bad: &mut Bad,
) -> Result<Option<Window>, Problem> {
    let zoned = |w: Written| -> Result<Written, Problem> {
        match (w, format.offset_ns) {
            (Written::Instant(_), _) => Ok(w),
            (Written::Local(t), Some(offset)) => Ok(Written::Instant(t.saturating_sub(offset))),
            (Written::Clock(t), Some(offset)) => Ok(Written::Clock(t - offset)),
            (_, None) => Err(Problem::from(
                Diagnostic::new(
                    "notes/no-zone",
                    Verdict::Block,
                    format!("`{}` has times without a zone, and the job does not say which clock they are on", bad.file),
                )
                .label(Label::lines(bad.file, line.max(1), line.max(1), "the first such time"))
                .why("a wrong guess moves every occupation by whole hours, onto other points")
                .fix("set `notes_time: utc`, or `notes_time: local` with `utc_offset_h`"),
            )
            .option("notes_time")),
        }
    };
    let backwards = |bad: &mut Bad| {
        let what = format!("note of `{point}` ends before it begins");
        bad.say(
            line,
            byte,
            place,
            "notes/to-before-from",
            what,
            "put `from` and `to` right; a note over midnight may last 6 h at most, or write dates",
        );
    };
    match (zoned(from)?, zoned(to)?) {
        (Written::Instant(a), Written::Instant(b)) if b >= a => Ok(Some(Window::Instants(a, b))),
        (Written::Clock(a), Written::Clock(b)) => {
            let length = (b - a).rem_euclid(DAY);
            if b < a && length > LONGEST {
                backwards(bad);
                return Ok(None);
            }
            Ok(Some(Window::Clock(a, length)))
        }
        (Written::Instant(_), Written::Instant(_)) => {
            backwards(bad);
            Ok(None)
        }
        _ => {
            let what = format!("note of `{point}`: one of its times has a date and the other has none");
            bad.say(line, byte, place, "notes/bad-time", what, "write both times in the same form");
            Ok(None)
        }
    }
}

impl Note {
    /// The windows as instants that can lie in a session from `first` to `last`, or the nearest one.
    #[must_use]
    pub(crate) fn windows(&self, first: i64, last: i64) -> Vec<(i64, i64)> {
        match self.window {
            Window::Instants(a, b) => vec![(a, b)],
            Window::Clock(of_day, length) => {
                let day = first.div_euclid(DAY);
                let last_day = last.div_euclid(DAY).min(day + 40);
                let all: Vec<(i64, i64)> = (day - 2..=last_day + 2)
                    .map(|d| d.saturating_mul(DAY).saturating_add(of_day))
                    .map(|a| (a, a.saturating_add(length)))
                    .collect();
                let inside: Vec<(i64, i64)> = all.iter().copied().filter(|(a, b)| *a <= last && *b >= first).collect();
                if !inside.is_empty() {
                    return inside;
                }
                let away = |w: &(i64, i64)| (w.0.saturating_sub(last)).max(first.saturating_sub(w.1));
                all.into_iter().min_by_key(away).into_iter().collect()
            }
        }
    }
}
