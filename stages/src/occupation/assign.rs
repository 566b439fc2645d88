//! The stage `occupations`; see [`Occupations::SPEC`] for its reference page.

use super::notes::{self, Aim, Columns, Format, Note};
use super::notes_time::{SECOND, clock};
use super::unmatched::{self, Outcome, State};
use super::windows::{self, Run};
use super::local;
use crate::geodesy::local::Tangent;
use pipeline_core::diag::{Diagnostic, Label, Verdict};
use pipeline_core::stage::{Bound, BindCx, Cx, Example, Grain, Inputs, Problem, Resource, ResourceRole, Spec, Stage};
use pipeline_core::table::schema::{Column, Holds, Role, Schema, Unit};
use pipeline_core::table::{Table, TableBuilder};
use polars::prelude::IdxCa;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// What says which epochs belong together.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum By {
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
pub enum NotesTime {
    /// UTC.
    Utc,
    /// Local time; `utc_offset_h` says how far from UTC.
    Local,
}

/// Options of `occupations`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Options {
    /// What says which epochs belong together: `notes`, `event` or `still`.
    #[serde(default)]
    pub by: By,
    /// Files of notes (CSV with a header line), relative to the job; `{session}` stands for the name of the session.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// Names of the columns of the notes, where they are not `point`, `code`, `from`, `to`, `remark`, `diameter_mm`, `surface`, `aim`, `session`.
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

/// One file of notes, and the session that its name belongs to.
struct NotesFile {
    resource: Resource,
    pattern: Option<String>,
}

/// The stage, bound.
pub struct Occupations {
    options: Options,
    format: Format,
    files: Vec<NotesFile>,
    event: Option<String>,
    names: [String; 4],
    output: Arc<Schema>,
}

/// One occupation, before its rows are written.
struct Occupation {
    point: String,
    id: String,
    code: Option<String>,
    remark: Option<String>,
    diameter_mm: Option<f64>,
    surface: Option<String>,
    aim: Aim,
}

/// Who has which row: place in a list of occupations, or one of the two below.
type Owner = u32;
const NOBODY: Owner = Owner::MAX;
const TWO: Owner = Owner::MAX - 1;

impl Stage for Occupations {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "occupations",
        version: 1,
        summary: "says which epochs belong to which point, from notes, event marks or standing still",
        doc: DOC,
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "bursts between pauses in the log", options: "by: event\nmax_gap_s: 20\ndefault_aim: tip\n" },
            Example { title: "standing still for ten seconds", options: "by: still\nradius_m: 0.10\nmin_duration_s: 10\ndefault_aim: tip\n" },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let mut problems = vec![];
        check_options(&options, schema, &mut problems);
        let mut need = |role: Role| match schema.role(role) {
            Some(c) => c.name.clone(),
            None => {
                problems.push(Problem::new("plan/missing-role", format!("`occupations` needs {}, and no column holds it", role.meaning())));
                String::new()
            }
        };
        let names = [need(Role::Time), need(Role::Latitude), need(Role::Longitude), need(Role::EllipsoidalHeight)];
        let offset_h = match options.notes_time {
            Some(NotesTime::Utc) => Some(0.0),
            Some(NotesTime::Local) => options.utc_offset_h,
            None => None,
        };
        #[allow(clippy::cast_possible_truncation)]
        let offset_ns = offset_h.filter(|h| h.is_finite()).map(|h| (h * 3600.0).round() as i64 * SECOND);
        let format = Format { columns: options.columns.clone(), delimiter: delimiter(&options.delimiter).unwrap_or(b','), offset_ns };
        let mut files = vec![];
        if options.by == By::Notes {
            for (i, pattern) in options.notes.iter().enumerate() {
                let key = format!("notes[{i}]");
                let for_session = pattern.contains("{session}");
                match cx.files.find(&pattern.replace("{session}", "*")) {
                    Ok(found) => files.extend(found.into_iter().map(|(name, path)| NotesFile {
                        resource: Resource { name, path, role: ResourceRole::Notes, option: key.clone() },
                        pattern: for_session.then(|| pattern.clone()),
                    })),
                    Err(p) => problems.push(p.option(key)),
                }
            }
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        let output = output_schema(schema);
        let event = schema.role(Role::Event).map(|c| c.name.clone());
        let stage = Self { options, format, files, event, names, output: Arc::new(output.clone()) };
        Ok(Bound::new(stage, output, Grain::Session))
    }

    fn resources(&self) -> Vec<Resource> {
        self.files.iter().map(|f| f.resource.clone()).collect()
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let Some(table) = inputs.first() else { return Err(Problem::broken("`occupations` was run without a table")) };
        let times: Vec<i64> = table.instants(&self.names[0])?.into_iter().map(|t| t.unwrap_or(i64::MIN)).collect();
        // Epochs come in time order from the readers; a hand-made file may not.
        #[allow(clippy::cast_possible_truncation)]
        let mut order: Vec<u32> = (0..times.len() as u32).collect();
        if !times.is_sorted() {
            order.sort_by_key(|i| (times[*i as usize], *i));
        }
        let sorted: Vec<i64> = order.iter().map(|i| times[*i as usize]).collect();
        let mut owners = vec![NOBODY; times.len()];
        let occupations = match self.options.by {
            By::Notes => self.by_notes(table, &order, &sorted, &mut owners, cx)?,
            By::Event | By::Still => self.by_runs(table, &order, &sorted, &mut owners)?,
        };
        self.same_names(table, &owners, &occupations, cx)?;
        self.finish(table, &owners, &occupations, cx)
    }
}

impl Occupations {
    fn by_runs(&self, table: &Table, order: &[u32], sorted: &[i64], owners: &mut [Owner]) -> Result<Vec<Occupation>, Problem> {
        let o = &self.options;
        let ns = |s: Option<f64>| s.map(to_ns);
        let runs: Vec<Run> = match (o.by, &self.event) {
            (By::Still, _) => {
                let (lat, lon) = (table.floats(&self.names[1])?, table.floats(&self.names[2])?);
                let in_order = |v: &[f64]| order.iter().map(|i| v[*i as usize]).collect::<Vec<_>>();
                windows::by_standing(
                    sorted,
                    &in_order(&lat),
                    &in_order(&lon),
                    o.radius_m.unwrap_or_default(),
                    ns(o.min_duration_s).unwrap_or_default(),
                    ns(o.max_gap_s).unwrap_or(i64::MAX),
                )
            }
            (_, Some(column)) => {
                let events = table.texts(column)?;
                let events: Vec<Option<&str>> = order.iter().map(|i| events[*i as usize]).collect();
                match o.event_length_s {
                    Some(length) => windows::by_mark(sorted, &events, to_ns(length)),
                    None if o.max_gap_s.is_some() && events.iter().all(|e| e.is_none_or(|e| e.trim().is_empty())) => {
                        windows::by_gap(sorted, ns(o.max_gap_s).unwrap_or(i64::MAX))
                    }
                    None => windows::by_value(sorted, &events, ns(o.max_gap_s)),
                }
            }
            (_, None) => windows::by_gap(sorted, ns(o.max_gap_s).unwrap_or(i64::MAX)),
        };
        let mut list = vec![];
        for run in runs {
            for k in run.rows.clone() {
                #[allow(clippy::cast_possible_truncation)]
                if let Some(owner) = owners.get_mut(order[k] as usize) {
                    *owner = list.len() as Owner;
                }
            }
            list.push(Occupation {
                id: String::new(),
                point: run.name,
                code: None,
                remark: None,
                diameter_mm: None,
                surface: None,
                // Checked when the job was planned.
                aim: o.default_aim.unwrap_or(Aim::Tip),
            });
        }
        name_ids(&mut list);
        Ok(list)
    }

    fn notes_of(&self, session: Option<&str>, cx: &Cx) -> Result<Vec<(Note, bool)>, Problem> {
        let mut all = vec![];
        // A file that bears the session's name is its own, and then the other files are other sessions'.
        let named_alike = |f: &NotesFile| f.pattern.is_none() && session.is_some_and(|s| stem(&f.resource.name) == s);
        let alike = self.files.iter().any(named_alike);
        for file in &self.files {
            if alike && file.pattern.is_none() && !named_alike(file) {
                continue;
            }
            let own = match (&file.pattern, session) {
                (Some(pattern), Some(session)) => {
                    let want = pattern.replace("{session}", session);
                    if want != file.resource.name && !file.resource.name.ends_with(&format!("/{want}")) {
                        continue;
                    }
                    true
                }
                _ => alike,
            };
            let bytes = cx.read(&file.resource)?;
            let mut findings = vec![];
            let notes = notes::parse(&file.resource.name, &bytes, &self.format, &mut findings)?;
            for finding in findings {
                cx.find(finding);
            }
            for note in notes {
                match (&note.session, session) {
                    (Some(named), Some(session)) if named != session => {}
                    (Some(_), _) => all.push((note, true)),
                    (None, _) => all.push((note, own)),
                }
            }
        }
        Ok(all)
    }

    fn by_notes(&self, table: &Table, order: &[u32], sorted: &[i64], owners: &mut [Owner], cx: &Cx) -> Result<Vec<Occupation>, Problem> {
        let session = cx.session().map(|s| s.name.clone());
        let notes = self.notes_of(session.as_deref(), cx)?;
        let (Some(first), Some(last)) = (sorted.first().copied(), sorted.last().copied()) else {
            // Nothing to match; the notes stay open for other sessions.
            let outcomes: Vec<Outcome> = notes.iter().map(|(n, _)| outcome(n, State::Open, 0, session.as_deref())).collect();
            cx.fact(unmatched::FACT, serde_json::to_value(outcomes).map_err(Problem::broken)?);
            return Ok(vec![]);
        };
        let rows_in = |w: (i64, i64)| sorted.partition_point(|t| *t < w.0)..sorted.partition_point(|t| *t <= w.1);
        // Each note's window in this session, by start and then by line.
        let mut placed: Vec<(usize, (i64, i64))> = vec![];
        let mut missed: Vec<(usize, (i64, i64))> = vec![];
        for (k, (note, _)) in notes.iter().enumerate() {
            let candidates = note.windows(first, last);
            let hit: Vec<(i64, i64)> = candidates.iter().copied().filter(|w| !rows_in(*w).is_empty()).collect();
            match (hit.as_slice(), candidates.first()) {
                ([one], _) => placed.push((k, *one)),
                ([], Some(window)) => missed.push((k, *window)),
                ([], None) => {}
                _ => cx.find(ambiguous(note, hit.len())),
            }
        }
        placed.sort_by_key(|(k, w)| (w.0, *k));
        let mut list = vec![];
        let mut lines: Vec<&Note> = vec![];
        let mut counts = vec![0_u64; notes.len()];
        let mut clashes: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
        for (k, window) in &placed {
            let note = &notes[*k].0;
            let Some(aim) = note.aim.or(self.options.default_aim) else { return Err(no_aim(note)) };
            #[allow(clippy::cast_possible_truncation)]
            let me = list.len() as Owner;
            for at in rows_in(*window) {
                let row = order[at] as usize;
                counts[*k] += 1;
                match owners[row] {
                    NOBODY => owners[row] = me,
                    TWO => {}
                    // A note that starts on the very instant at which the one before ends: the instant is the later one's.
                    _ if sorted[at] == window.0 && placed[owners[row] as usize].1.1 == window.0 && window.1 > window.0 => owners[row] = me,
                    other => clashes.entry((other as usize, me as usize)).or_default().push(row),
                }
            }
            lines.push(note);
            list.push(Occupation {
                point: note.point.clone(),
                id: String::new(),
                code: note.code.clone(),
                remark: note.remark.clone(),
                diameter_mm: note.diameter_mm,
                surface: note.surface.clone(),
                aim,
            });
        }
        for ((a, b), rows) in clashes {
            let (finding, waived) = self.overlap(lines[a], lines[b], &rows, table, cx)?;
            cx.find(finding);
            if !waived {
                for row in rows {
                    owners[row] = TWO;
                }
            }
        }
        name_ids(&mut list);
        let mut outcomes: Vec<Outcome> = placed.iter().map(|(k, _)| outcome(&notes[*k].0, State::Matched, counts[*k], session.as_deref())).collect();
        outcomes.extend(self.missed(&notes, &missed, sorted, cx));
        outcomes.sort_by(|a, b| a.file.cmp(&b.file).then(a.line.cmp(&b.line)));
        cx.fact(unmatched::FACT, serde_json::to_value(outcomes).map_err(Problem::broken)?);
        Ok(list)
    }

    /// Outcomes of notes without epochs; the ones that can be no other session's are reported.
    fn missed(&self, notes: &[(Note, bool)], missed: &[(usize, (i64, i64))], sorted: &[i64], cx: &Cx) -> Vec<Outcome> {
        let (Some(first), Some(last)) = (sorted.first(), sorted.last()) else { return vec![] };
        let windows: Vec<(i64, i64)> = missed.iter().map(|(_, w)| *w).collect();
        let shift = unmatched::hour_shift(&windows, sorted);
        let mut outcomes = vec![];
        for (at, (k, window)) in missed.iter().enumerate() {
            let (note, own) = &notes[*k];
            let within = window.0 >= *first && window.1 <= *last;
            let mut o = outcome(note, if *own || within { State::Reported } else { State::Open }, 0, cx.session().map(|s| s.name.as_str()));
            o.nearest_s = unmatched::nearest_s(*window, sorted);
            // Inside the log every hour of a long day would fit; only a note outside it hints at a clock.
            if let Some((hours, served)) = shift.as_ref().filter(|(_, s)| s[at] && !within) {
                o.hours = Some(*hours);
                o.hours_serve = Some(served.iter().filter(|s| **s).count() as u64);
            }
            if o.state == State::Reported {
                cx.find(unmatched::finding(&o));
            }
            outcomes.push(o);
        }
        outcomes
    }

    fn overlap(&self, a: &Note, b: &Note, rows: &[usize], table: &Table, cx: &Cx) -> Result<(Diagnostic, bool), Problem> {
        let times = table.instants(&self.names[0])?;
        let at = |r: Option<&usize>| r.and_then(|r| times[*r]).map_or_else(|| "?".to_owned(), clock);
        let waived = cx
            .waiver("notes/overlap", &a.point)
            .or_else(|| cx.waiver("notes/overlap", &b.point))
            .or_else(|| cx.session().and_then(|s| cx.waiver("notes/overlap", &s.name)));
        let mut finding = Diagnostic::new(
            "notes/overlap",
            Verdict::Hold,
            format!("{} epochs from {} to {} UTC belong to the notes of both `{}` and `{}`", rows.len(), at(rows.first()), at(rows.last()), a.point, b.point),
        )
        .point(b.point.clone())
        .place(format!("points `{}` and `{}`", a.point, b.point))
        .label(Label::lines(&a.file, a.line, a.line, format!("the note of `{}`", a.point)))
        .label(Label::lines(&b.file, b.line, b.line, format!("the note of `{}`", b.point)))
        .why("one antenna cannot stand on two points, and the epochs of the one would be averaged into the other")
        .fix("put the times of the two notes right; a waiver for `notes/overlap` gives the epochs to the note that begins first");
        if let Some(d) = self.distance(table, rows)? {
            finding = finding.size(format!("the {} epochs themselves spread over {d:.3} m", rows.len()));
        }
        let is_waived = waived.is_some();
        finding.waived = waived;
        Ok((finding, is_waived))
    }

    /// Largest distance of the rows from the first of them, m.
    fn distance(&self, table: &Table, rows: &[usize]) -> Result<Option<f64>, Problem> {
        let p = self.positions(table)?;
        let Some(first) = rows.iter().find(|r| p.iter().all(|c| c[**r].is_finite())) else { return Ok(None) };
        let local = local::at(p[0][*first], p[1][*first], p[2][*first]);
        let far = rows.iter().map(|r| norm(local.enu(p[0][*r], p[1][*r], p[2][*r]))).filter(|d| d.is_finite()).fold(0.0, f64::max);
        Ok(Some(far))
    }

    fn positions(&self, table: &Table) -> Result<[Vec<f64>; 3], Problem> {
        Ok([table.floats(&self.names[1])?.into_owned(), table.floats(&self.names[2])?.into_owned(), table.floats(&self.names[3])?.into_owned()])
    }

    /// Says which names occur more than once, and how far apart those occupations are.
    fn same_names(&self, table: &Table, owners: &[Owner], list: &[Occupation], cx: &Cx) -> Result<(), Problem> {
        let mut by_name: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (k, o) in list.iter().enumerate() {
            by_name.entry(&o.point).or_default().push(k);
        }
        by_name.retain(|_, v| v.len() > 1);
        if by_name.is_empty() {
            return Ok(());
        }
        let p = self.positions(table)?;
        for (name, places) in by_name {
            let mut means: Vec<(usize, [f64; 3])> = vec![];
            let mut local: Option<Tangent> = None;
            for k in &places {
                let (mut sum, mut n) = ([0.0; 3], 0.0);
                for row in (0..owners.len()).filter(|r| owners[*r] as usize == *k && p.iter().all(|c| c[*r].is_finite())) {
                    let frame = local.get_or_insert_with(|| local::at(p[0][row], p[1][row], p[2][row]));
                    let e = frame.enu(p[0][row], p[1][row], p[2][row]);
                    sum = [0, 1, 2].map(|i| sum[i] + e[i]);
                    n += 1.0;
                }
                if n > 0.0 {
                    means.push((*k, sum.map(|s| s / n)));
                }
            }
            let far = means.iter().skip(1).map(|(_, m)| norm([0, 1, 2].map(|i| m[i] - means[0].1[i]))).fold(0.0, f64::max);
            let ids: Vec<&str> = places.iter().map(|k| list[*k].id.as_str()).collect();
            cx.find(
                Diagnostic::new("points/same-name", Verdict::Warn, format!("{} occupations carry the name `{name}`: {}", places.len(), ids.join(", ")))
                    .point(name)
                    .place(format!("point `{name}`"))
                    .size(format!("their mean antenna positions are up to {far:.3} m apart"))
                    .why("a repeat of one point and two points with one name look alike in the notes")
                    .fix("all are kept and shown side by side; if they are different points, give each its own name in the notes"),
            );
        }
        Ok(())
    }

    fn finish(&self, table: &Table, owners: &[Owner], list: &[Occupation], cx: &Cx) -> Result<Table, Problem> {
        for (owner, reason, detail) in
            [(NOBODY, "outside-occupation", "the epoch belongs to no occupation"), (TWO, "two-notes", "the epoch lies in the notes of two points")]
        {
            #[allow(clippy::cast_possible_truncation)]
            let rows: Vec<u32> = (0..owners.len()).filter(|r| owners[*r] == owner).map(|r| r as u32).collect();
            if !rows.is_empty() {
                let data = if rows.len() == owners.len() { table.data.clone() } else { table.data.take(&IdxCa::from_vec("row".into(), rows)).map_err(Problem::broken)? };
                cx.set_aside(&Table { data, schema: table.schema.clone() }, reason, detail)?;
            }
        }
        let keep: Vec<bool> = owners.iter().map(|o| *o < TWO).collect();
        let kept = table.filter(&keep)?;
        let rows: Vec<&Occupation> = owners.iter().filter(|o| **o < TWO).filter_map(|o| list.get(*o as usize)).collect();
        cx.fact("kept", kept.rows().into());
        let met: BTreeSet<Owner> = owners.iter().copied().filter(|o| *o < TWO).collect();
        cx.fact("occupations", met.len().into());
        let mut out = TableBuilder::from_table(self.output.clone(), &kept);
        out.texts("occupation", rows.iter().map(|o| Some(o.id.as_str())))
            .texts("point", rows.iter().map(|o| Some(o.point.as_str())))
            .texts("code", rows.iter().map(|o| o.code.as_deref()))
            .texts("remark", rows.iter().map(|o| o.remark.as_deref()))
            .floats("diameter_mm", rows.iter().map(|o| o.diameter_mm.unwrap_or(f64::NAN)).collect())
            .texts("surface", rows.iter().map(|o| o.surface.as_deref()))
            .texts("aim", rows.iter().map(|o| Some(o.aim.word())));
        out.finish()
    }
}

/// File name without folders and without `.csv` or `.txt`.
fn stem(name: &str) -> &str {
    let file = name.rsplit(['/', '\\']).next().unwrap_or(name);
    file.strip_suffix(".csv").or_else(|| file.strip_suffix(".txt")).unwrap_or(file)
}

fn norm(v: [f64; 3]) -> f64 {
    (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt()
}

#[allow(clippy::cast_possible_truncation)]
fn to_ns(seconds: f64) -> i64 {
    (seconds * 1e9).round() as i64
}

fn outcome(note: &Note, state: State, epochs: u64, session: Option<&str>) -> Outcome {
    Outcome { session: session.unwrap_or_default().to_owned(), file: note.file.clone(), line: note.line, point: note.point.clone(), state, epochs, nearest_s: None, hours: None, hours_serve: None }
}

fn ambiguous(note: &Note, days: usize) -> Diagnostic {
    Diagnostic::new("notes/ambiguous-date", Verdict::Block, format!("the note of `{}` fits {days} days of the log", note.point))
        .point(note.point.clone())
        .place(format!("{}, line {}", note.file, note.line))
        .label(Label::lines(&note.file, note.line, note.line, "this note"))
        .why("the session lasts longer than a day and the note has no date")
        .fix("write the times of this note with a date, as 2026-05-04T14:22:06Z")
}

fn no_aim(note: &Note) -> Problem {
    Problem::from(
        Diagnostic::new("notes/no-aim", Verdict::Block, format!("the note of `{}` does not say what was aimed with", note.point))
            .label(Label::lines(&note.file, note.line, note.line, "this note"))
            .why("the tip of the pole and the spot of the laser can be metres apart")
            .fix("fill the column `aim` with `tip` or `laser`, or set `default_aim`"),
    )
    .option("default_aim")
}

/// Gives each occupation an id that is unique in the session: the name, then the name with #2, #3, ….
fn name_ids(list: &mut [Occupation]) {
    let mut taken: BTreeSet<String> = BTreeSet::new();
    let plain: BTreeSet<String> = list.iter().map(|o| o.point.clone()).collect();
    for o in list {
        let mut id = o.point.clone();
        let mut k = 1;
        while taken.contains(&id) || (k > 1 && plain.contains(&id)) {
            k += 1;
            id = format!("{}#{k}", o.point);
        }
        taken.insert(id.clone());
        o.id = id;
    }
}

fn delimiter(text: &str) -> Option<u8> {
    match text.as_bytes() {
        [b] if b.is_ascii() && !b.is_ascii_alphanumeric() && !matches!(b, b'"' | b'\n' | b'\r') => Some(*b),
        br"\t" => Some(b'\t'),
        _ => None,
    }
}

fn output_schema(input: &Schema) -> Schema {
    let mut schema = input.clone();
    schema.columns.extend([
        Column::always("occupation", Holds::Text, Unit::None, Role::Occupation),
        Column::always("point", Holds::Text, Unit::None, Role::Point),
        Column::maybe("code", Holds::Text, Unit::None, Role::Code),
        Column::maybe("remark", Holds::Text, Unit::None, Role::Remark),
        Column::maybe("diameter_mm", Holds::Float, Unit::Millimetre, Role::Diameter),
        Column::maybe("surface", Holds::Text, Unit::None, Role::Surface),
        Column::maybe("aim", Holds::Text, Unit::None, Role::Aim),
    ]);
    schema
}

fn check_options(o: &Options, schema: &Schema, problems: &mut Vec<Problem>) {
    for name in ["occupation", "point", "code", "remark", "diameter_mm", "surface", "aim"] {
        if schema.named(name).is_some() {
            problems.push(Problem::new("plan/column-exists", format!("the input already has the column `{name}`, which `occupations` makes")).fix("use `occupations` once"));
        }
    }
    if delimiter(&o.delimiter).is_none() {
        problems.push(Problem::new("job/bad-value", format!("`{}` is not a delimiter of one character", o.delimiter)).option("delimiter").fix("write one character such as \",\" or \";\", or \"\\t\""));
    }
    for (key, value) in [
        ("event_length_s", o.event_length_s),
        ("max_gap_s", o.max_gap_s),
        ("radius_m", o.radius_m),
        ("min_duration_s", o.min_duration_s),
    ] {
        if value.is_some_and(|v| !v.is_finite() || v < 0.0 || v > 1e9) {
            problems.push(Problem::new("job/bad-value", format!("`{key}` must be a number of at least 0")).option(key));
        }
    }
    if o.utc_offset_h.is_some_and(|h| !h.is_finite() || h.abs() > 14.0) {
        problems.push(Problem::new("job/bad-value", "`utc_offset_h` must lie between -14 and 14").option("utc_offset_h"));
    }
    let useless = |key: &str, problems: &mut Vec<Problem>| {
        problems.push(Problem::new("job/useless-key", format!("`{key}` does nothing with this `by`")).option(key).fix(format!("leave `{key}` out")));
    };
    if o.by == By::Notes {
        if o.notes.is_empty() {
            problems.push(Problem::new("job/missing-value", "`by: notes` needs the files of the notes").option("notes").fix("add `notes: [notes/day1.csv]`"));
        }
        match (o.notes_time, o.utc_offset_h) {
            (Some(NotesTime::Local), None) => problems.push(
                Problem::new("job/missing-value", "`notes_time: local` needs `utc_offset_h`")
                    .option("notes_time")
                    .why("a place has several offsets in a year; the tool does not guess one")
                    .fix("add the local time minus UTC in hours, such as `utc_offset_h: -5`"),
            ),
            (Some(NotesTime::Utc) | None, Some(h)) if h != 0.0 => problems.push(
                Problem::new("job/bad-value", "`utc_offset_h` is given and `notes_time` is not `local`").option("utc_offset_h").fix("set `notes_time: local`, or leave `utc_offset_h` out"),
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
                    problems.push(Problem::new("job/missing-value", format!("`by: still` needs `{key}`")).option("by").fix("add `radius_m: 0.10` and `min_duration_s: 10`"));
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

const DOC: &str = "\
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
