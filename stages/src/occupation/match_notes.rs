//! Which epochs the notes of a session name.

use super::assign::{NOBODY, NotesFile, Occupations, TWO, name_ids};
use super::local;
use super::notes::{self, Note};
use super::notes_time::clock;
use super::unmatched::{self, Outcome, State};
use crate::occupation::interval::{Occupation, Owner, norm};
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_core::stage::Cx;
use std::collections::BTreeMap;

impl Occupations {
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

    /// Occupations by the notes; `owners` says afterwards who has which row.
    pub(super) fn by_notes(
        &self,
        table: &Table,
        order: &[u32],
        sorted: &[i64],
        owners: &mut [Owner],
        cx: &Cx,
    ) -> Result<Vec<Occupation>, Problem> {
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
                mark: note.mark.clone(),
                crew: note.crew.clone(),
                receiver: note.receiver.clone(),
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
        let mut outcomes: Vec<Outcome> =
            placed.iter().map(|(k, _)| outcome(&notes[*k].0, State::Matched, counts[*k], session.as_deref())).collect();
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
            format!(
                "{} epochs from {} to {} UTC belong to the notes of both `{}` and `{}`",
                rows.len(),
                at(rows.first()),
                at(rows.last()),
                a.point,
                b.point
            ),
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
}

/// File name without folders and without `.csv` or `.txt`.
fn stem(name: &str) -> &str {
    let file = name.rsplit(['/', '\\']).next().unwrap_or(name);
    file.strip_suffix(".csv").or_else(|| file.strip_suffix(".txt")).unwrap_or(file)
}

fn outcome(note: &Note, state: State, epochs: u64, session: Option<&str>) -> Outcome {
    Outcome {
        session: session.unwrap_or_default().to_owned(),
        file: note.file.clone(),
        line: note.line,
        point: note.point.clone(),
        state,
        epochs,
        nearest_s: None,
        hours: None,
        hours_serve: None,
    }
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
