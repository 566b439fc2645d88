//! The stage `occupations`; see [`Occupations::SPEC`] for its reference page.

use super::fix_runs;
use super::names;
use super::notes::{Aim, Format};
use super::notes_time::SECOND;
use super::options::{By, DOC, NotesTime, Options, check_options, delimiter};
use super::unmatched;
use super::windows::{self, Run};
use crate::occupation::interval::Occupation;
use crate::occupation::interval::Owner;
use pipeline_base::diag::Diagnostic;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Column, Holds, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Facts, Grain, Inputs, Resource, ResourceRole, Spec, Stage};
use std::collections::BTreeSet;
use std::sync::Arc;

/// One file of notes, and the session that its name belongs to.
pub(super) struct NotesFile {
    pub(super) resource: Resource,
    pub(super) pattern: Option<String>,
}

/// The stage, bound.
pub(crate) struct Occupations {
    pub(super) options: Options,
    pub(super) format: Format,
    pub(super) files: Vec<NotesFile>,
    pub(super) event: Option<String>,
    pub(super) names: [String; 4],
    pub(super) output: Arc<Schema>,
}

pub(super) const NOBODY: Owner = Owner::MAX;
pub(super) const TWO: Owner = Owner::MAX - 1;

impl Stage for Occupations {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "occupations",
        version: 1,
        summary: "Says which epochs belong to which point, from notes, event marks or standing still",
        doc: DOC,
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "Field notes with times in UTC", options: "notes: [\"notes/*.csv\"]\nnotes_time: utc\n" },
            Example { title: "Bursts between pauses in the log", options: "by: event\nmax_gap_s: 20\ndefault_aim: tip\n" },
            Example {
                title: "Standing still for ten seconds",
                options: "by: still\nradius_m: 0.10\nmin_duration_s: 10\ndefault_aim: tip\n",
            },
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

    fn concludes_on(&self) -> &'static [&'static str] {
        &[unmatched::FACT, names::FACT]
    }

    fn conclude(&self, facts: &Facts) -> Vec<Diagnostic> {
        let mut found = unmatched::unmatched_notes(facts);
        found.extend(names::same_names(facts));
        found
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
        cx.fact(names::FACT, names::whereabouts(cx, &self.positions(table)?, &owners, &occupations)?);
        let runs = self.fix_runs(table, &order)?;
        self.finish(table, &owners, &occupations, &runs, cx)
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
                mark: None,
                crew: None,
                receiver: None,
                // Checked when the job was planned.
                aim: o.default_aim.unwrap_or(Aim::Tip),
            });
        }
        name_ids(&mut list);
        Ok(list)
    }

    /// Number of the unbroken run of fixed solutions that each row belongs to.
    fn fix_runs(&self, table: &Table, order: &[u32]) -> Result<Vec<Option<i64>>, Problem> {
        let column = |role: Role| table.schema.role(role).map(|c| table.texts(&c.name)).transpose();
        let Some(fix) = column(Role::Fix)? else { return Ok(vec![None; table.rows()]) };
        Ok(fix_runs::number(order, &fix, column(Role::BaseStation)?.as_deref()))
    }

    pub(super) fn positions(&self, table: &Table) -> Result<[Vec<f64>; 3], Problem> {
        Ok([
            table.floats(&self.names[1])?.into_owned(),
            table.floats(&self.names[2])?.into_owned(),
            table.floats(&self.names[3])?.into_owned(),
        ])
    }

    fn finish(&self, table: &Table, owners: &[Owner], list: &[Occupation], runs: &[Option<i64>], cx: &Cx) -> Result<Table, Problem> {
        for (owner, reason, detail) in [
            (NOBODY, "outside-occupation", "the epoch belongs to no occupation"),
            (TWO, "two-notes", "the epoch lies in the notes of two points"),
        ] {
            #[allow(clippy::cast_possible_truncation)]
            let rows: Vec<u32> = (0..owners.len()).filter(|r| owners[*r] == owner).map(|r| r as u32).collect();
            cx.set_aside_rows(table, &rows, reason, detail)?;
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
            .texts("aim", rows.iter().map(|o| Some(o.aim.word())))
            .texts("mark", rows.iter().map(|o| o.mark.as_deref()))
            .texts("crew", rows.iter().map(|o| o.crew.as_deref()))
            .texts("receiver", rows.iter().map(|o| o.receiver.as_deref()))
            .ints_or_none("fix_run", runs.iter().zip(&keep).filter(|(_, keep)| **keep).map(|(run, _)| *run));
        out.finish()
    }
}

#[allow(clippy::cast_possible_truncation)]
fn to_ns(seconds: f64) -> i64 {
    (seconds * 1e9).round() as i64
}

/// Gives each occupation an id that is unique in the session: the name, then the name with #2, #3, ….
pub(super) fn name_ids(list: &mut [Occupation]) {
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
        Column::maybe("mark", Holds::Text, Unit::None, Role::Other),
        Column::maybe("crew", Holds::Text, Unit::None, Role::Other),
        Column::maybe("receiver", Holds::Text, Unit::None, Role::Other),
        Column::maybe("fix_run", Holds::Int, Unit::None, Role::Other),
    ]);
    schema
}
