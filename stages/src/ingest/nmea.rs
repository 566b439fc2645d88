//! # What it does
//! Reads NMEA 0183 logs and joins the sentences of one time to one epoch: position, quality, sigmas,
//! dilutions, base station, and the values of the rig's sensors.
//!
//! # When to use it
//! First step of a job whose raw data are text logs of a receiver, also when binary frames stand
//! between the sentences, and also packed with gzip or zstd.
//!
//! # What it promises
//! - Every line of every file is counted once: used, ignored by kind, or damaged by reason.
//! - No value is carried from one epoch to another. Sentences with a time are joined by it;
//!   sentences without one by the declared rule, and not at all where a damaged line may hide the
//!   time that they belong to. A whole line that is missing without a trace cannot be seen.
//! - Ellipsoidal height is altitude plus the receiver's own separation; that separation is kept and
//!   never delivered.
//! - A date comes from RMC, from ZDA or from the job. Without one the job stops.
//! - Decimals are read exactly; the step that positions really have is measured.
//!
//! # References
//! Field lists, quality codes, meaning of GST and GNS letters: `checks/06_nmea_facts.md`.

pub(crate) mod sessions;

use crate::ingest::schema::epoch_schema;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::input::{unpack, unreadable};
use pipeline_base::place::Extent;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::rig::{Rig, Sentence};
use pipeline_base::table::Table;
use pipeline_base::table::schema::Schema;
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, Session, Spec, Stage};
use raw_logs::nmea::dating::{Dated, date};
use raw_logs::nmea::draft::SensorValue;
use raw_logs::nmea::findings::{self, Context};
use raw_logs::nmea::log::Log;
use raw_logs::nmea::scan::Scan;
use raw_logs::nmea::settings::{ChecksumRule, HeightRule, Settings, UntimedRule, listed};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::sync::Arc;

/// How files become sessions.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum SessionRule {
    /// Each file is a session with the name of the file.
    #[default]
    File,
    /// All files of a folder are one session with the name of the folder.
    Folder,
    /// All files are one session.
    All,
}

/// One session, written out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct SessionFiles {
    /// Name of the session.
    pub name: String,
    /// Its files in order: paths or patterns, relative to the job.
    pub files: Vec<String>,
    /// Date of line 1 of its first file, YYYY-MM-DD; takes the place of `date`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
}

/// Options of `ingest-nmea`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Logs: paths or patterns, relative to the job. Packed files (gzip, zstd) are unpacked.
    #[serde(default)]
    pub files: Vec<String>,
    /// How files become sessions.
    #[serde(default)]
    pub session: SessionRule,
    /// Sessions written out, in place of `files`.
    #[serde(default)]
    pub sessions: Vec<SessionFiles>,
    /// Date of line 1 of each session's first file, YYYY-MM-DD. Needed where the log has neither RMC nor ZDA.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// Where sentences without a time (heading, transducers, GSA, VTG) stand. Must be said when the
    /// rig takes sensor values from the log; otherwise `after-time`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub untimed: Option<UntimedRule>,
    /// Whether a sentence must have a checksum.
    #[serde(default)]
    pub checksums: ChecksumRule,
    /// What field 9 of GGA is.
    #[serde(default)]
    pub height: HeightRule,
}

/// Problems of the rig's sensors for this kind of log.
fn check_sensors(rig: &Rig, options: &Options) -> Vec<Problem> {
    let mut problems = vec![];
    for (slot, name, sensor) in listed(&rig.sensors) {
        let Some(sensor) = sensor else { continue };
        let fits = match slot {
            SensorValue::Heading => sensor.sentence != Sentence::ROT,
            SensorValue::TurnRate => sensor.sentence == Sentence::ROT,
            _ => sensor.sentence == Sentence::XDR,
        };
        if !fits {
            problems.push(
                Problem::new("rig/sentence-cannot-carry", format!("a `{:?}` sentence cannot carry `{name}`", sensor.sentence))
                    .rig_key(format!("sensors.{name}.sentence"))
                    .fix(match slot {
                        SensorValue::Heading => "use `HDT`, `HDM` or `XDR`",
                        SensorValue::TurnRate => "use `ROT`",
                        _ => "use `XDR` with the name of the transducer",
                    }),
            );
        } else if sensor.sentence == Sentence::XDR && sensor.transducer.as_deref().unwrap_or("").is_empty() {
            problems.push(
                Problem::new("rig/no-transducer", format!("`{name}` comes from XDR, but no transducer is named"))
                    .rig_key(format!("sensors.{name}"))
                    .fix("give `transducer: NAME`; `gunter inspect` lists the names in a log"),
            );
        }
    }
    let any = listed(&rig.sensors).iter().any(|(_, _, s)| s.is_some());
    if any && options.untimed.is_none() {
        problems.push(
            Problem::new("ingest/untimed-rule-missing", "the rig takes values from sentences without a time, and the job does not say to which epoch they belong")
                .option("untimed")
                .why("HDT, ROT and XDR carry no time; joined to the wrong neighbour, the attitude is one epoch old")
                .fix("look at the log: write `untimed: after-time` when these sentences follow the GGA of their epoch, `untimed: before-time` when they stand before it"),
        );
    }
    problems
}

/// The stage, bound.
pub(crate) struct IngestNmea {
    sessions: Vec<Session>,
    /// Date of line 1 of each session, days since 1970.
    dates: Vec<Option<i64>>,
    settings: Settings,
    schema: Arc<Schema>,
    /// Horizontal budget of a point, 95 %, m.
    budget_m: f64,
}

/// Bytes of a log that are looked at before a run, if they are enough.
const FIRST_PART: u64 = 1 << 20;

impl Stage for IngestNmea {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "ingest-nmea",
        version: 1,
        summary: "Reads NMEA 0183 logs into one row per epoch",
        doc: include_str!("nmea/reference.md"),
        inputs: Inputs::None,
        delivers: false,
        examples: &[
            Example { title: "Each log of a folder is a session", options: "files: [\"logs/*.nmea\"]" },
            Example {
                title: "A log of GGA alone, with attitude and range behind each GGA",
                options: "files: [\"logs/night.nmea\"]\ndate: 2025-03-30\nuntimed: after-time",
            },
            Example {
                title: "Two files of one morning as one session",
                options: "sessions:\n  - name: morning\n    files: [\"logs/a.nmea\", \"logs/b.nmea\"]",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let mut problems = vec![];
        if let Some(rig) = cx.rig {
            problems.extend(check_sensors(rig, &options));
        }
        let (sessions, dates) = match sessions::find(&options, cx.files) {
            Ok(found) => found,
            Err(more) => {
                problems.extend(more);
                (vec![], vec![])
            }
        };
        let reference = match cx.need_reference() {
            Ok(reference) => Some(reference),
            Err(problem) => {
                problems.push(problem);
                None
            }
        };
        let (Some(reference), true) = (reference, problems.is_empty()) else { return Err(problems) };
        let settings = Settings::new(options.untimed, options.checksums, options.height, cx.rig);
        let schema = epoch_schema(reference, cx.rig, false);
        let names: Vec<&str> = sessions.iter().map(|s| s.name.as_str()).collect();
        let decided = json!({ "sessions": names, "untimed": settings.untimed, "height": settings.height });
        let budget_m = reference.budget.horizontal_95_m;
        let stage = Self { sessions, dates, settings, schema: Arc::new(schema.clone()), budget_m };
        let mut bound = Bound::new(stage, schema, Grain::Session).decided("log", decided);
        if cx.rig.is_none() {
            bound.notes.push(Problem::from(
                Diagnostic::new(
                    "ingest/no-rig",
                    Verdict::Note,
                    "the job names no rig: coordinates are taken to mean the antenna's phase centre",
                )
                .why("without a rig there are no sensor values, and epochs without GST have no sigma")
                .fix("add `rig: rigs/NAME.yaml` to the job if the pole, the laser or sigmas matter"),
            ));
        }
        Ok(bound)
    }

    fn sessions(&self) -> Vec<Session> {
        self.sessions.clone()
    }

    fn locate(&self) -> Option<Locality> {
        self.sessions.iter().zip(&self.dates).find_map(|(session, date)| {
            let first = look(&self.settings, session, Some(FIRST_PART)).ok()?;
            locality(first, *date).or_else(|| locality(look(&self.settings, session, None).ok()?, *date))
        })
    }

    fn extent(&self) -> Option<Extent> {
        let all = self.sessions.iter().zip(&self.dates).filter_map(|(session, date_of_line_1)| {
            let mut log = look(&self.settings, session, None).ok()?;
            let dated = matches!(date(&mut log, *date_of_line_1), Dated::Yes { .. });
            let c = &log.columns;
            super::extent(&c.latitude, &c.longitude, &c.height, dated.then_some(c.time.as_slice()))
        });
        all.reduce(|a, b| a.with(&b))
    }

    fn survey(&self) -> Vec<Diagnostic> {
        let mut found = vec![];
        for (session, date_of_line_1) in self.sessions.iter().zip(&self.dates) {
            let blocks = |limit| match look(&self.settings, session, limit) {
                Ok(mut log) => {
                    let dated = date(&mut log, *date_of_line_1);
                    findings::blocks(&log, &dated, &self.context(session, *date_of_line_1))
                }
                Err(problem) => vec![*problem.finding],
            };
            // The first part is enough for a good log; numbers of a finding come from all of it.
            if !blocks(Some(FIRST_PART)).is_empty() {
                found.extend(blocks(None));
            }
        }
        found
    }

    fn run(&self, _: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let session = cx.session().ok_or_else(|| Problem::broken("a reader of sessions was run without a session"))?;
        let number = self.sessions.iter().position(|s| s.name == session.name);
        let date_of_line_1 = number.and_then(|n| self.dates.get(n).copied().flatten());
        let bytes = session.files.iter().filter_map(|f| std::fs::metadata(&f.path).ok()).map(|m| m.len()).sum();
        let mut scan = Scan::new(&self.settings).expecting(bytes);
        for file in &session.files {
            let mut from = cx.open(file)?;
            let mut tick = |bytes| {
                cx.progress(bytes);
                !cx.cancelled()
            };
            if !scan.read(&file.name, &mut from, None, &mut tick).map_err(|e| unreadable(&file.name, &e))? {
                return Err(Problem::new("run/cancelled", format!("reading `{}` was cancelled", file.name)));
            }
        }
        let mut log = scan.finish();
        log.settle();
        let dated = date(&mut log, date_of_line_1);
        for tally in &log.tallies {
            cx.lines(tally.count());
        }
        for (key, value) in findings::facts(&log, &dated) {
            cx.fact(key, value);
        }
        let context = self.context(session, date_of_line_1);
        let mut blocks = findings::blocks(&log, &dated, &context);
        if !matches!(dated, Dated::Yes { .. }) && !blocks.is_empty() {
            // Without a date there is no table; what else is wrong is said first.
            let last = blocks.remove(blocks.iter().position(|b| b.code.starts_with("time/")).unwrap_or(0));
            blocks.into_iter().for_each(|b| cx.find(b));
            return Err(Problem::from(last));
        }
        blocks.into_iter().chain(findings::remarks(&log, &dated, &context)).for_each(|f| cx.find(f));
        log.columns.files = log.tallies.iter().map(|t| t.file.clone()).collect();
        log.columns.into_table(self.schema.clone(), &session.name)
    }
}

impl IngestNmea {
    fn context<'a>(&'a self, session: &'a Session, date: Option<i64>) -> Context<'a> {
        Context { session: &session.name, settings: &self.settings, budget_m: Some(self.budget_m), date }
    }
}

/// Reads a session outside a run: nothing is hashed or recorded.
///
/// # Errors
/// When a file cannot be read.
pub(crate) fn look(settings: &Settings, session: &Session, limit: Option<u64>) -> Result<Log, Problem> {
    let mut scan = Scan::new(settings);
    for Resource { name, path, .. } in &session.files {
        let file = std::fs::File::open(path).map_err(|e| unreadable(name, &e))?;
        let mut from = unpack(Box::new(file)).map_err(|e| unreadable(name, &e))?;
        scan.read(name, &mut from, limit, &mut |_| true).map_err(|e| unreadable(name, &e))?;
    }
    let mut log = scan.finish();
    log.settle();
    Ok(log)
}

/// The first position of a log.
fn locality(mut log: Log, date_of_line_1: Option<i64>) -> Option<Locality> {
    let dated = matches!(date(&mut log, date_of_line_1), Dated::Yes { .. });
    let c = &log.columns;
    let row = c.latitude.iter().position(|v| !v.is_nan())?;
    let known = |v: f64| (!v.is_nan()).then_some(v);
    Some(Locality {
        latitude_deg: c.latitude[row],
        longitude_deg: c.longitude[row],
        height_m: known(c.height[row]),
        receiver_separation_m: known(c.separation[row]),
        decimal_year: dated.then(|| survey_geodesy::decimal_year(c.time[row])),
    })
}

#[cfg(test)]
pub(crate) mod tests;
