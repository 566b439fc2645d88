//! Options of `occupations`, and its reference page.

use super::notes::{Aim, Columns};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Role, Schema};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What says which epochs belong together.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum By {
    /// Field notes with a start and an end for each point.
    #[default]
    Notes,
    /// Event marks in the log, or pauses in it.
    Event,
    /// Standing still.
    Still,
}

/// Clock of times without a zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum NotesTime {
    /// UTC.
    Utc,
    /// Local time; `utc_offset_h` says how far from UTC.
    Local,
}

/// Options of `occupations`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// What says which epochs belong together: `notes`, `event` or `still`.
    #[serde(default)]
    pub by: By,
    /// Files of notes (CSV with a header line), relative to the job; `{session}` stands for the name of the session.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// Names of the columns of the notes, where they are not `point`, `code`, `from`, `to`, `remark`, `diameter_mm`, `surface`, `aim`, `session`, `mark`, `crew`, `receiver`.
    #[serde(default)]
    pub columns: Columns,
    /// Character between the fields of the notes.
    #[serde(default = "comma")]
    pub delimiter: String,
    /// Clock of the times in the notes that carry no zone of their own. Never guessed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes_time: Option<NotesTime>,
    /// Local time minus UTC, h; needed with `notes_time: local`. Central European summer time is 2, Eastern standard time is -5.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -14.0, max = 14.0))]
    pub utc_offset_h: Option<f64>,
    /// With `by: event`: an occupation lasts this long from its mark, s. Left out: as long as the same event value goes on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub event_length_s: Option<f64>,
    /// With `by: event` and no event column: a pause longer than this starts the next occupation, s. Otherwise: such a pause ends one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub max_gap_s: Option<f64>,
    /// With `by: still`: furthest that the antenna may stray from the mean of the occupation, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub radius_m: Option<f64>,
    /// With `by: still`: shortest occupation, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub min_duration_s: Option<f64>,
    /// What was aimed with where the notes do not say: `tip` or `laser`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub default_aim: Option<Aim>,
}

fn comma() -> String {
    ",".to_owned()
}

/// The byte of a delimiter of one character.
pub(super) fn delimiter(text: &str) -> Option<u8> {
    match text.as_bytes() {
        [b] if b.is_ascii() && !b.is_ascii_alphanumeric() && !matches!(b, b'"' | b'\n' | b'\r') => Some(*b),
        br"\t" => Some(b'\t'),
        _ => None,
    }
}

/// Finds options that contradict each other, the input or good sense.
pub(super) fn check_options(o: &Options, schema: &Schema, problems: &mut Vec<Problem>) {
    for name in ["occupation", "point", "code", "remark", "diameter_mm", "surface", "aim", "mark", "crew", "receiver", "fix_run"] {
        if schema.named(name).is_some() {
            problems.push(
                Problem::new("plan/column-exists", format!("the input already has the column `{name}`, which `occupations` makes"))
                    .fix("use `occupations` once"),
            );
        }
    }
    if delimiter(&o.delimiter).is_none() {
        problems.push(
            Problem::new("job/bad-value", format!("`{}` is not a delimiter of one character", o.delimiter))
                .option("delimiter")
                .fix("write one character such as \",\" or \";\", or \"\\t\""),
        );
    }
    for (key, value) in
        [("event_length_s", o.event_length_s), ("max_gap_s", o.max_gap_s), ("radius_m", o.radius_m), ("min_duration_s", o.min_duration_s)]
    {
        if value.is_some_and(|v| !v.is_finite() || !(0.0..=1e9).contains(&v)) {
            problems.push(Problem::new("job/bad-value", format!("`{key}` must be a number of at least 0")).option(key));
        }
    }
    if o.utc_offset_h.is_some_and(|h| !h.is_finite() || h.abs() > 14.0) {
        problems.push(Problem::new("job/bad-value", "`utc_offset_h` must lie between -14 and 14").option("utc_offset_h"));
    }
    let useless = |key: &str, problems: &mut Vec<Problem>| {
        problems.push(
            Problem::new("job/useless-key", format!("`{key}` does nothing with this `by`")).option(key).fix(format!("leave `{key}` out")),
        );
    };
    if o.by == By::Notes {
        if o.notes.is_empty() {
            problems.push(
                Problem::new("job/missing-value", "`by: notes` needs the files of the notes")
                    .option("notes")
                    .fix("add `notes: [notes/day1.csv]`"),
            );
        }
        match (o.notes_time, o.utc_offset_h) {
            (Some(NotesTime::Local), None) => problems.push(
                Problem::new("job/missing-value", "`notes_time: local` needs `utc_offset_h`")
                    .option("notes_time")
                    .why("a place has several offsets in a year; the tool does not guess one")
                    .fix("add the local time minus UTC in hours, such as `utc_offset_h: -5`"),
            ),
            (Some(NotesTime::Utc) | None, Some(h)) if h != 0.0 => problems.push(
                Problem::new("job/bad-value", "`utc_offset_h` is given and `notes_time` is not `local`")
                    .option("utc_offset_h")
                    .fix("set `notes_time: local`, or leave `utc_offset_h` out"),
            ),
            _ => {}
        }
    } else {
        if !o.notes.is_empty() {
            useless("notes", problems);
        }
        if o.notes_time.is_some() {
            useless("notes_time", problems);
        }
        if o.default_aim.is_none() {
            problems.push(
                Problem::new("job/missing-value", "without notes, `default_aim` must say what was aimed with")
                    .option("by")
                    .why("the tip of the pole and the spot of the laser can be metres apart")
                    .fix("add `default_aim: tip` or `default_aim: laser`"),
            );
        }
    }
    match o.by {
        By::Event if schema.role(Role::Event).is_none() && o.max_gap_s.is_none() => problems.push(
            Problem::new("plan/missing-role", "`by: event` needs a column with event marks, or `max_gap_s`")
                .option("by")
                .fix("add `max_gap_s: 20` to take each burst between pauses as one point, or use notes"),
        ),
        By::Event if schema.role(Role::Event).is_none() && o.event_length_s.is_some() => useless("event_length_s", problems),
        By::Still => {
            for (key, value) in [("radius_m", o.radius_m), ("min_duration_s", o.min_duration_s)] {
                if value.is_none() {
                    problems.push(
                        Problem::new("job/missing-value", format!("`by: still` needs `{key}`"))
                            .option("by")
                            .fix("add `radius_m: 0.10` and `min_duration_s: 10`"),
                    );
                }
            }
        }
        _ => {}
    }
    if o.by != By::Event && o.event_length_s.is_some() {
        useless("event_length_s", problems);
    }
    if o.by == By::Notes && o.max_gap_s.is_some() {
        useless("max_gap_s", problems);
    }
    if o.by != By::Still {
        for (key, value) in [("radius_m", o.radius_m), ("min_duration_s", o.min_duration_s)] {
            if value.is_some() {
                useless(key, problems);
            }
        }
    }
}

/// The reference page.
pub(super) const DOC: &str = "\
# What it does
Gives every epoch the point that it belongs to, with the code, remark, diameter, surface and aim of that point. Epochs
that belong to no point are set aside as `outside-occupation`.

`by: notes`: a CSV file with a header line and one line per occupation: `point`, `from`, `to`, and where the crew wrote
them `code`, `remark`, `diameter_mm`, `surface`, `aim`, `session`. Both ends of a note belong to it; where the next note
begins on the very instant at which one ends, that instant is the later one's. Times are `HH:MM:SS` on the clock that
`notes_time` names, with the date of the session (also over midnight), or full instants with `Z` or an offset.
`by: event`: each run of one event value, or `event_length_s` from each mark, or each burst between pauses longer than
`max_gap_s` (named S1, S2, ...).
`by: still`: each stretch within `radius_m` for at least `min_duration_s` (named P1, P2, ...).

# When to use it
Before `average`. Before `quality-gate`, so that the gate can speak of points; or after it.

# What it promises
Point names are text, to the letter: `007` and `1.10` stay so. Two occupations with one name are both kept, as `P` and
`P#2`, with the warning `points/same-name`. Epochs in the notes of two points are set aside as `two-notes`, with the
finding `notes/overlap`. A note that meets no epoch is `notes/no-epochs`, with the distance in time to the nearest one
and whether a whole-hour offset would fit. A note that cannot be read stops the delivery.

With several sessions: `{session}` in the name of the file, a file named like the session, a column `session`, or times
with dates say which notes are whose. A note that meets epochs of two sessions is `notes/two-sessions`.

# References
None: the form of the notes is the job's own.
";
