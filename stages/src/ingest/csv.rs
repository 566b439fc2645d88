//! # What it does
//! Reads epochs from delimited text with declared columns, units, time scale and height surface.
//!
//! # When to use it
//! First step of a job whose epochs come as a table, from a receiver that writes no NMEA or from
//! another program.
//!
//! # What it promises
//! Every line of every file is counted once. Nothing is guessed: units, time scale, height surface
//! and the meaning of fix words are declared.
//!
//! # References
//! GPS time against UTC: IERS Bulletin C; feet: NIST, 1200/3937 m and 0.3048 m.

use super::nmea::{self, SessionRule};
use crate::ingest::schema::epoch_schema;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::input::{unpack, unreadable};
use pipeline_base::place::Extent;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Schema;
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, Session, Spec, Stage};
use raw_logs::delimited::{Layout, Lines};
use raw_logs::quantity::{AngleColumn, LengthColumn, LengthUnit, QuaternionColumns, RateColumn, SpeedColumn};
use raw_logs::time_columns::{TimeColumn, TimeReader};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::sync::Arc;
use survey_geodesy::decimal_year;

mod position;
mod rows;
#[cfg(test)]
mod tests;

use rows::{Plan, Reader};

/// How latitude or longitude is written. A letter N, S, E or W before or behind is the sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum PositionFormat {
    /// Decimal degrees: `-84.5512345`.
    Deg,
    /// Degrees, minutes and seconds: `84 33 04.4420 W`, `84:33:04.442W`, `-84°33'04.442"`; also degrees and decimal minutes.
    Dms,
}

/// A column that holds latitude or longitude.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct PositionColumn {
    /// Column.
    pub column: String,
    /// How it is written.
    pub format: PositionFormat,
}

/// What a height is above.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum HeightKind {
    /// The ellipsoid.
    Ellipsoidal,
    /// The receiver's own geoid; `separation` must be there, and a row without it has no height.
    AboveReceiverGeoid,
}

/// A column that holds the height.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct HeightColumn {
    /// Column.
    pub column: String,
    /// Unit.
    pub unit: LengthUnit,
    /// What it is above.
    pub above: HeightKind,
}

/// Kind of fix.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum FixKind {
    /// No solution.
    None,
    /// Without corrections.
    Autonomous,
    /// Code differential.
    Differential,
    /// Precise positioning service.
    Pps,
    /// Carrier phase, ambiguities fixed.
    RtkFixed,
    /// Carrier phase, ambiguities not fixed.
    RtkFloat,
    /// Dead reckoning.
    Estimated,
    /// Typed in.
    Manual,
    /// Simulator.
    Simulated,
    /// Not known.
    Unknown,
}

/// What one text of the fix column means.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct FixWord {
    /// Text in the file, to the letter.
    pub text: String,
    /// What it means.
    pub fix: FixKind,
}

/// A column that holds the kind of fix.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct FixColumn {
    /// Column.
    pub column: String,
    /// What its texts mean. A text that is not listed is `unknown`, never fixed.
    pub words: Vec<FixWord>,
}

/// Options of `ingest-csv`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Tables: paths or patterns, relative to the job. Packed files (gzip, zstd) are unpacked.
    pub files: Vec<String>,
    /// How files become sessions.
    #[serde(default)]
    pub session: SessionRule,
    /// How the files are laid out.
    #[serde(default)]
    pub layout: Layout,
    /// Time of measurement.
    pub time: TimeColumn,
    /// Latitude.
    pub latitude: PositionColumn,
    /// Longitude, east positive.
    pub longitude: PositionColumn,
    /// Height.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub height: Option<HeightColumn>,
    /// Separation of the receiver's geoid from the ellipsoid.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub separation: Option<LengthColumn>,
    /// Kind of fix. Without it every epoch is `unknown`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fix: Option<FixColumn>,
    /// Column of the number of satellites used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub satellites: Option<String>,
    /// Column of the horizontal dilution.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hdop: Option<String>,
    /// Column of the position dilution.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pdop: Option<String>,
    /// Column of the vertical dilution.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vdop: Option<String>,
    /// Column of the age of corrections, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction_age_s: Option<String>,
    /// Column of the identity of the base station.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub base_station: Option<String>,
    /// Standard deviation to the east, 1 sigma.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sigma_east: Option<LengthColumn>,
    /// Standard deviation to the north, 1 sigma.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sigma_north: Option<LengthColumn>,
    /// Standard deviation upward, 1 sigma.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sigma_up: Option<LengthColumn>,
    /// Column of the correlation of east and north, -1 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correlation_east_north: Option<String>,
    /// Heading, in the sensor's own north: the rig says which.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heading: Option<AngleColumn>,
    /// Pitch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pitch: Option<AngleColumn>,
    /// Roll.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub roll: Option<AngleColumn>,
    /// Tilt from plumb, for a rig with `attitude.kind: tilt-azimuth`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tilt: Option<AngleColumn>,
    /// Azimuth of the lean, for a rig with `attitude.kind: tilt-azimuth`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lean_azimuth: Option<AngleColumn>,
    /// Quaternion, for a rig with `attitude.kind: quaternion`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quaternion: Option<QuaternionColumns>,
    /// Laser range, raw: scale and zero stand in the rig.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range: Option<LengthColumn>,
    /// Rate of turn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turn_rate: Option<RateColumn>,
    /// Speed over ground.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub speed: Option<SpeedColumn>,
    /// Column of the event mark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub event: Option<String>,
}

/// The bound stage.
pub(crate) struct IngestCsv {
    sessions: Vec<Session>,
    layout: Layout,
    clock: TimeReader,
    plan: Plan,
    schema: Arc<Schema>,
}

/// Rows of a file that are looked at before a run.
const FIRST_ROWS: usize = 500;

impl Stage for IngestCsv {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "ingest-csv",
        version: 1,
        summary: "Reads delimited text with declared columns into one row per epoch",
        doc: "\
## What it does

Reads delimited text, plain or packed with gzip or zstd, into the epoch table: one row is one epoch. Every column is named
with its unit, its format and, for times and heights, what it counts from. Units of the file become degrees, metres and
seconds; times become UTC.

## When to use it

First step of a job whose epochs come as a table, from a receiver that writes no NMEA or from another program.

## What it promises

- Every line of every file is counted once: used, ignored (`header`, `blank`, `remark`, `before-header`) or damaged by reason
  (`fields`, `time`, `number`, `not-a-number`, `position`, `outside-range`, `quote`, `not-text`, `binary`, `too-long`), with
  file, line and column.
- Nothing is guessed. A height above the receiver's geoid needs the separation; where that is blank, the epoch has no height.
  A fix text that is not listed is `unknown`.
- An empty field is an empty value. NaN and infinite values damage their row.
- Decimals are read exactly, in double precision.
- Rows stay in the order of the file. Time that goes back, and two rows at one time, are reported.

Sigmas of the file are 1 sigma; they are multiplied by `gnss.sigma_factor` of the rig. Where a row has none, the rig's assumed
sigmas stand in and are marked.

## References

IERS Bulletin C (GPS time and UTC); NIST (US survey foot 1200/3937 m, international foot 0.3048 m).
",
        inputs: Inputs::None,
        delivers: false,
        examples: &[
            Example {
                title: "Positions in decimal degrees, ellipsoidal heights in metres, UTC",
                options: "\
files: [\"logs/*.csv\"]
time: { column: utc, format: iso8601, scale: utc }
latitude: { column: lat, format: deg }
longitude: { column: lon, format: deg }
height: { column: h, unit: m, above: ellipsoidal }
fix:
  column: q
  words:
    - { text: \"4\", fix: rtk-fixed }
    - { text: \"5\", fix: rtk-float }
",
            },
            Example {
                title: "Semicolons and decimal commas, heights above the receiver's geoid in feet, GPS weeks",
                options: "\
files: [\"logs/a.txt\"]
layout: { delimiter: semicolon, decimal_comma: true }
time: { column: tow, format: gps-week-seconds, week_column: week, scale: gps }
latitude: { column: lat, format: dms }
longitude: { column: lon, format: dms }
height: { column: alt, unit: ft, above: above-receiver-geoid }
separation: { column: sep, unit: ft }
",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let mut problems = options.layout.problems("layout");
        let clock = options.time.clock("time").map_err(|p| problems.extend(p)).ok();
        let height_above_geoid = options.height.as_ref().is_some_and(|h| h.above == HeightKind::AboveReceiverGeoid);
        if height_above_geoid && options.separation.is_none() {
            problems.push(
                Problem::new("height/no-separation", "heights above the receiver's geoid cannot be used without its separation")
                    .option("height.above")
                    .why("the receiver's geoid is a coarse model of its own; without the separation the ellipsoidal height is lost")
                    .size("the separation itself: tens of metres in most places")
                    .fix("name the `separation` column; or `above: ellipsoidal` when the heights are above the ellipsoid"),
            );
        }
        if let Some(fix) = &options.fix {
            for (i, word) in fix.words.iter().enumerate() {
                if fix.words[..i].iter().any(|w| w.text == word.text) {
                    problems.push(
                        Problem::new("data/bad-layout", format!("`{}` has two meanings", word.text))
                            .option(format!("fix.words[{i}].text"))
                            .fix("keep one of the two"),
                    );
                }
            }
        }
        let sought = nmea::Options { files: options.files.clone(), session: options.session, ..nmea::Options::default() };
        let sessions = nmea::sessions::find(&sought, cx.files).map(|(s, _)| s).map_err(|p| problems.extend(p)).unwrap_or_default();
        let reference = cx.need_reference().map_err(|p| problems.push(p)).ok();
        let (Some(clock), Some(reference), true) = (clock, reference, problems.is_empty()) else { return Err(problems) };
        let schema = epoch_schema(reference, cx.rig, true);
        let plan = Plan::new(&options, cx.rig);
        let names: Vec<&str> = sessions.iter().map(|s| s.name.as_str()).collect();
        let decided = json!({"sessions": names, "scale": options.time.scale, "height": options.height.as_ref().map(|h| h.above)});
        let stage = Self { sessions, layout: options.layout, clock, plan, schema: Arc::new(schema.clone()) };
        let mut bound = Bound::new(stage, schema, Grain::Session).decided("log", decided);
        let mut note = |code: &str, verdict, what: &str, fix: &str| {
            bound.notes.push(Problem::from(Diagnostic::new(code, verdict, what.to_owned()).fix(fix)));
        };
        if cx.rig.is_none() {
            note(
                "ingest/no-rig",
                Verdict::Note,
                "the job names no rig: coordinates are taken to mean the antenna's phase centre",
                "add `rig: rigs/NAME.yaml` to the job if the pole, the laser or sigmas matter",
            );
        }
        if options.fix.is_none() {
            note(
                "ingest/no-fix-column",
                Verdict::Warn,
                "no column says the kind of fix: every epoch is `unknown`",
                "name the `fix` column and what its texts mean",
            );
        }
        Ok(bound)
    }

    fn sessions(&self) -> Vec<Session> {
        self.sessions.clone()
    }

    fn locate(&self) -> Option<Locality> {
        self.sessions.iter().flat_map(|s| &s.files).find_map(|file| {
            let (reader, _) = self.look(file, FIRST_ROWS, true).ok()?;
            let c = reader.columns;
            let row = c.latitude.iter().position(|v| !v.is_nan())?;
            let known = |v: f64| (!v.is_nan()).then_some(v);
            Some(Locality {
                latitude_deg: c.latitude[row],
                longitude_deg: c.longitude[row],
                height_m: known(c.height[row]),
                receiver_separation_m: known(c.separation[row]),
                decimal_year: Some(decimal_year(c.time[row])),
            })
        })
    }

    fn extent(&self) -> Option<Extent> {
        let all = self.sessions.iter().flat_map(|s| &s.files).filter_map(|file| {
            let c = self.look(file, usize::MAX, false).ok()?.0.columns;
            super::extent(&c.latitude, &c.longitude, &c.height, Some(c.time.as_slice()))
        });
        all.reduce(|a, b| a.with(&b))
    }

    fn survey(&self) -> Vec<Diagnostic> {
        let mut found = vec![];
        for file in self.sessions.iter().flat_map(|s| &s.files) {
            match self.look(file, FIRST_ROWS, false) {
                Err(problem) => found.push(*problem.finding),
                Ok((reader, findings)) if reader.columns.rows() == 0 => {
                    if let Some(first) = findings.first() {
                        found.push(
                            Diagnostic::new(
                                "data/no-epoch",
                                Verdict::Block,
                                format!("no row of `{}` can be used: {}", file.name, first.what),
                            )
                            .place(first.place.clone())
                            .label(first.labels.first().cloned().unwrap_or_else(|| Label::file(&file.name, "this file")))
                            .why(format!("the first {FIRST_ROWS} rows were looked at"))
                            .fix("check `layout`, the names of the columns, `time.format` and the formats of the position"),
                        );
                    }
                }
                Ok(_) => {}
            }
        }
        found
    }

    fn run(&self, _: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let session = cx.session().ok_or_else(|| Problem::broken("a reader of sessions was run without a session"))?;
        let mut reader = Reader::new(&self.plan, &self.clock, self.layout.decimal_comma);
        for file in &session.files {
            let mut lines = Lines::new(cx.open(file)?, &file.name, &self.layout, self.plan.wanted())?;
            reader.begin(&file.name);
            while lines.next_row()? {
                if lines.count.total % 16_384 == 0 {
                    cx.progress(lines.take_bytes());
                    if cx.cancelled() {
                        return Err(Problem::new("run/cancelled", format!("reading `{}` was cancelled", file.name)));
                    }
                }
                reader.take(&mut lines);
            }
            cx.progress(lines.take_bytes());
            std::mem::take(&mut lines.findings).into_iter().for_each(|f| cx.find(f));
            cx.lines(lines.count);
        }
        reader.findings(&session.name).into_iter().for_each(|f| cx.find(f));
        reader.columns.into_table(self.schema.clone(), &session.name)
    }
}

impl IngestCsv {
    /// Reads the first rows of a file outside a run. With `until_position` it stops at the first
    /// position. Gives also what was wrong with damaged rows.
    fn look(&self, file: &Resource, rows: usize, until_position: bool) -> Result<(Reader<'_>, Vec<Diagnostic>), Problem> {
        let raw = std::fs::File::open(&file.path).map_err(|e| unreadable(&file.name, &e))?;
        let raw = unpack(Box::new(raw)).map_err(|e| unreadable(&file.name, &e))?;
        let mut lines = Lines::new(raw, &file.name, &self.layout, self.plan.wanted())?;
        let mut reader = Reader::new(&self.plan, &self.clock, self.layout.decimal_comma);
        reader.begin(&file.name);
        for _ in 0..rows {
            if !lines.next_row()? {
                break;
            }
            reader.take(&mut lines);
            if until_position && reader.columns.latitude.last().is_some_and(|v| !v.is_nan()) {
                break;
            }
        }
        Ok((reader, lines.findings))
    }
}
