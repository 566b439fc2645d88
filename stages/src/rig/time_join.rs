//! # What it does
//! Brings heading, pitch, roll, range or turn rate from a second stream to the epochs, at each
//! epoch's own time.
//!
//! # When to use it
//! When the attitude sensor or the laser writes its own file.
//!
//! # What it promises
//! Values are interpolated between two samples at most `max_gap_s` apart, never beyond the stream.
//! An epoch without a partner is empty, never filled from a neighbour. Streams whose clocks do not
//! fit stop the run.
//!
//! # References
//! GPS time against UTC: IERS Bulletin C.

use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::rig::AttitudeKind;
use pipeline_base::table::schema::{Role, Schema};
use pipeline_base::table::{Table, TableBuilder, by_role};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, ResourceRole, Spec, Stage};
use raw_logs::attitude::{Converter, between};
use raw_logs::delimited::{Layout, Lines, NotANumber};
use raw_logs::quantity::{AngleColumn, LengthColumn, QuaternionColumns, RateColumn, Turn, full_circle};
use raw_logs::time_columns;
use raw_logs::time_columns::{Days, TimeColumn, TimeReader};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::sync::Arc;

mod motion;
mod overlap;
mod pattern;
pub(super) mod series;
#[cfg(test)]
mod tests;

use series::Series;

/// Whether the movement of the antenna is compared with that of the attitude.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum MotionCheck {
    /// The two streams must move at the same time.
    #[default]
    On,
    /// Not compared: the attitude sensor does not stand on the antenna's pole.
    Off,
}

/// Options of `time-join`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Files of the stream, plain or packed with gzip or zstd. `{session}` stands for the name of the session, `*` for any text.
    /// A pattern without `{session}` is looked at for every session.
    pub files: Vec<String>,
    /// How the files are laid out.
    #[serde(default)]
    pub layout: Layout,
    /// Where the time stands, and what it means.
    pub time: TimeColumn,
    /// Time of the stamp minus time of the measurement, s: positive when the stamp is made later, for example on arrival.
    #[serde(default)]
    pub lag_s: f64,
    /// Longest time between two samples across which is interpolated, s.
    #[schemars(range(min = 0.0))]
    pub max_gap_s: f64,
    /// Whether the movement of the antenna is compared with that of the attitude, to find a lag that is not declared.
    #[serde(default)]
    pub motion_check: MotionCheck,
    /// Heading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heading: Option<AngleColumn>,
    /// Pitch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pitch: Option<AngleColumn>,
    /// Roll.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub roll: Option<AngleColumn>,
    /// Tilt from plumb, for a rig with `attitude.kind: tilt-azimuth`; becomes heading, pitch and roll.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tilt: Option<AngleColumn>,
    /// Azimuth of the lean, for a rig with `attitude.kind: tilt-azimuth`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lean_azimuth: Option<AngleColumn>,
    /// Quaternion, for a rig with `attitude.kind: quaternion`; becomes heading, pitch and roll.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quaternion: Option<QuaternionColumns>,
    /// Laser range, raw: scale and zero stand in the rig.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range: Option<LengthColumn>,
    /// Rate of turn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turn_rate: Option<RateColumn>,
}

/// One quantity that is joined.
struct Quantity {
    /// For people.
    word: &'static str,
    role: Role,
    /// Column of the epochs.
    name: String,
    /// Column of the stream.
    column: String,
    turn: Turn,
}

/// The bound stage.
pub(crate) struct TimeJoin {
    schema: Arc<Schema>,
    layout: Layout,
    clock: TimeReader,
    time: TimeColumn,
    lag_ns: i64,
    max_gap_ns: i64,
    quantities: Vec<Quantity>,
    /// Columns of the stream that become heading, pitch and roll, by their place in the raw attitude.
    raw: Vec<(usize, String, Turn)>,
    converter: Converter,
    motion_check: MotionCheck,
    /// Latitude and longitude.
    place: Option<(String, String)>,
    time_name: String,
    lines: Option<(String, String, String)>,
    /// Pattern and files that it found.
    files: Vec<(String, Vec<Resource>)>,
}

impl Stage for TimeJoin {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "time-join",
        version: 2,
        summary: "Brings attitude or range from a second stream to the epochs, at each epoch's own time",
        doc: "\
## What it does

Reads a second stream (delimited text, plain or packed with gzip or zstd), turns its times into UTC, takes off the declared
lag, and gives every epoch the stream's values at the epoch's own time: range and turn rate on a line, an attitude along
the shortest rotation (so neither 360 degrees nor a pole near the vertical makes a step), only between two samples at most
`max_gap_s` apart. Tilt with azimuth, and quaternions, become heading, pitch and roll as `attitude` of the rig says. A sample at the epoch's very time is taken as it is.
The values replace those of the log.

## When to use it

When the attitude sensor or the laser writes its own file. Right after the log is read, before any gate. Then say
`sensors: joined` in `tilt-correct`.

## What it promises

- Nothing is extrapolated. An epoch without a partner has an empty value, and the count is reported (`time/no-partner`).
- Repeated and unsorted samples are sorted; of samples at one time the first in the file counts; both are counted.
- When more than 90 % of the epochs find no partner, or the stream misses the session altogether, the run stops
  (`time/streams-do-not-overlap`) and names the difference of the clocks, and whether GPS time or a time zone explains it.
- The time scale is declared, never guessed. GPS time is ahead of UTC by 18 s since 2017-01-01.
- The movement of the antenna is compared with that of the attitude at lags up to a minute. When they fit clearly better at
  another lag than the declared one, nothing is delivered (`time/stream-lags`), and the lag is given with its 95 % interval.

A range that is interpolated between two surfaces lies on neither: keep `max_gap_s` at the spacing of the samples.

## References

IERS Bulletin C and leap-seconds.list (TAI minus UTC); IS-GPS-200 (GPS time).
",
        inputs: Inputs::One,
        delivers: false,
        examples: &[Example {
            title: "Attitude at 50 Hz in GPS time, one file for each session",
            options: "\
files: [\"attitude/{session}.csv\"]
time: { column: time, format: unix-s, scale: gps }
max_gap_s: 0.1
heading: { column: yaw, unit: deg }
pitch: { column: pitch, unit: deg }
roll: { column: roll, unit: deg, opposite_sign: true }
",
        }],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let input = cx.input()?;
        let mut problems = options.layout.problems("layout");
        let clock = options.time.clock("time").map_err(|p| problems.extend(p)).ok();
        let raw = raw_attitude(&options, cx, &mut problems);
        let quantities = quantities(&options, input, !raw.is_empty(), &mut problems);
        let mut need = |role| by_role(input, role).map(|c| c.name.clone()).map_err(|p| problems.push(p)).ok();
        let time_name = need(Role::Time);
        if !(options.max_gap_s > 0.0 && options.max_gap_s <= 3600.0) {
            problems.push(
                Problem::new("time/bad-options", format!("`{}` s is no gap between two samples", options.max_gap_s))
                    .option("max_gap_s")
                    .fix("give about two or three times the spacing of the samples, in seconds"),
            );
        }
        if !options.lag_s.is_finite() || options.lag_s.abs() > 86_400.0 {
            problems.push(
                Problem::new("time/bad-options", format!("`{}` s is no lag", options.lag_s))
                    .option("lag_s")
                    .fix("give seconds below one day"),
            );
        }
        let files = find_files(&options.files, cx, &mut problems);
        let (Some(clock), Some(time_name), true) = (clock, time_name, problems.is_empty()) else { return Err(problems) };
        let name = |role| input.role(role).map(|c| c.name.clone());
        let lines = match (name(Role::File), name(Role::LineFirst), name(Role::LineLast)) {
            (Some(file), Some(first), Some(last)) => Some((file, first, last)),
            _ => None,
        };
        let mut output = input.clone();
        for column in &mut output.columns {
            column.nullable |= quantities.iter().any(|q| q.name == column.name);
        }
        let words: Vec<_> = quantities.iter().map(|q| q.word).collect();
        let decided = json!({"quantities": words, "scale": options.time.scale, "lag_s": options.lag_s, "max_gap_s": options.max_gap_s});
        let stage = Self {
            schema: Arc::new(output.clone()),
            layout: options.layout,
            clock,
            lag_ns: time_columns::to_ns(options.lag_s),
            max_gap_ns: time_columns::to_ns(options.max_gap_s),
            time: options.time,
            converter: if raw.is_empty() { Converter::Same } else { Converter::of(cx.rig.and_then(|r| r.attitude.as_ref())) },
            raw,
            quantities,
            motion_check: options.motion_check,
            place: name(Role::Latitude).zip(name(Role::Longitude)),
            time_name,
            lines,
            files,
        };
        Ok(Bound::new(stage, output, Grain::Session).decided("joined", decided))
    }

    fn resources(&self) -> Vec<Resource> {
        let mut all: Vec<Resource> = vec![];
        for resource in self.files.iter().flat_map(|(_, found)| found) {
            if all.iter().all(|r| r.path != resource.path) {
                all.push(resource.clone());
            }
        }
        all
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let input = inputs.first().ok_or_else(|| Problem::broken("a stage with one input was run without it"))?;
        if input.rows() == 0 {
            return Table::empty(self.schema.clone());
        }
        let (session, times, series) = self.stream(input, cx)?;
        overlap::check(&times, &series, self, &session)?;
        self.compare_motion(input, &times, &series, &session, cx)?;
        let mut builder = TableBuilder::from_table(self.schema.clone(), input);
        let mut missing = vec![];
        // A whole attitude is interpolated as a rotation.
        let whole = [Role::Heading, Role::Pitch, Role::Roll].map(|r| self.series_of(&series, r));
        let attitude: Option<Vec<[f64; 3]>> = match whole {
            [Some(h), Some(p), Some(r)] => Some(times.iter().map(|t| attitude_at([h, p, r], *t, self.max_gap_ns)).collect()),
            _ => None,
        };
        for (quantity, series) in self.quantities.iter().zip(&series) {
            let part = match quantity.role {
                Role::Heading => Some(0),
                Role::Pitch => Some(1),
                Role::Roll => Some(2),
                _ => None,
            };
            let values: Vec<f64> = match (part, &attitude) {
                (Some(k), Some(all)) => all.iter().map(|a| a[k]).collect(),
                _ => times.iter().map(|t| series.at(*t, self.max_gap_ns)).collect(),
            };
            missing.push(values.iter().map(|v| v.is_nan()).collect::<Vec<_>>());
            let values = if quantity.role == Role::Heading { values.into_iter().map(full_circle).collect() } else { values };
            builder.floats(&quantity.name, values);
        }
        self.report(input, &session, &missing, cx)?;
        if let Some(found) = times.iter().max().and_then(|t| self.clock.beyond_leap_table(*t, &format!("session `{session}`"))) {
            cx.find(found);
        }
        builder.finish()
    }
}

/// Columns of another kind of attitude than heading, pitch and roll.
fn raw_attitude(options: &Options, cx: &BindCx, problems: &mut Vec<Problem>) -> Vec<(usize, String, Turn)> {
    let mut raw = vec![];
    for (at, angle) in [(3, &options.tilt), (4, &options.lean_azimuth)] {
        raw.extend(angle.as_ref().map(|a| (at, a.column.clone(), a.turn())));
    }
    if let Some(q) = &options.quaternion {
        raw.extend([&q.w, &q.x, &q.y, &q.z].into_iter().enumerate().map(|(i, c)| (5 + i, c.clone(), Turn::SAME)));
    }
    if raw.is_empty() {
        return raw;
    }
    let kind = cx.rig.and_then(|r| r.attitude.as_ref()).map(|a| a.kind);
    let leans = matches!(kind, Some(AttitudeKind::TiltAzimuth | AttitudeKind::TiltAzimuthHeading));
    let fits = if options.quaternion.is_some() {
        kind == Some(AttitudeKind::Quaternion) && options.tilt.is_none() && options.lean_azimuth.is_none()
    } else {
        leans && options.tilt.is_some() && options.lean_azimuth.is_some()
    };
    let wanted = kind == Some(AttitudeKind::TiltAzimuthHeading);
    if !fits || wanted != options.heading.is_some() || options.pitch.is_some() || options.roll.is_some() {
        problems.push(
            Problem::new("time/bad-options", "the columns of the attitude are not those of the rig's `attitude.kind`")
                .why("`tilt` and `lean_azimuth` belong to `tilt-azimuth`, with `heading` to `tilt-azimuth-heading`; `quaternion` stands alone")
                .fix("name the columns that the kind needs and no others, or correct `attitude.kind` in the rig"),
        );
    }
    if let Some(heading) = &options.heading {
        raw.push((0, heading.column.clone(), heading.turn()));
    }
    raw
}

fn quantities(options: &Options, input: &Schema, converted: bool, problems: &mut Vec<Problem>) -> Vec<Quantity> {
    // Converted ones have no column of their own.
    let angle = |a: &Option<AngleColumn>| {
        if converted { Some((String::new(), Turn::SAME, 0.0)) } else { a.as_ref().map(|a| (a.column.clone(), a.turn(), a.offset_deg)) }
    };
    let wanted = [
        ("heading", Role::Heading, angle(&options.heading)),
        ("pitch", Role::Pitch, angle(&options.pitch)),
        ("roll", Role::Roll, angle(&options.roll)),
        ("range", Role::Range, options.range.as_ref().map(|r| (r.column.clone(), r.turn(), 0.0))),
        ("turn_rate", Role::TurnRate, options.turn_rate.as_ref().map(|r| (r.column.clone(), r.turn(), 0.0))),
    ];
    let mut out = vec![];
    for (word, role, given) in wanted {
        let Some((column, turn, offset)) = given else { continue };
        if !offset.is_finite() || offset.abs() > 360.0 {
            problems.push(
                Problem::new("job/bad-value", format!("`{offset}` is no offset of an angle"))
                    .option(format!("{word}.offset_deg"))
                    .fix("give degrees between -360 and 360"),
            );
        }
        match by_role(input, role) {
            Ok(target) => out.push(Quantity { word, role, name: target.name.clone(), column, turn }),
            Err(problem) => problems.push(problem.option(word)),
        }
    }
    if out.is_empty() && problems.is_empty() {
        problems.push(
            Problem::new("time/bad-options", "nothing is joined")
                .fix("name at least one of `heading`, `pitch`, `roll`, `range`, `turn_rate` with its column and unit"),
        );
    }
    out
}

/// Heading, pitch and roll at a time, along the shortest rotation between two samples. Where the three were not sampled together, each on its
/// own.
fn attitude_at(series: [&Series; 3], time: i64, max_gap: i64) -> [f64; 3] {
    let around = series.map(|s| s.around(time, max_gap));
    match around {
        [Some((a, b, h0, h1)), Some((c, d, p0, p1)), Some((e, f, r0, r1))] if a == c && a == e && b == d && b == f => {
            if a == b {
                return [h0, p0, r0];
            }
            #[allow(clippy::cast_precision_loss)]
            let share = (time - a) as f64 / (b - a) as f64;
            between([h0, p0, r0], [h1, p1, r1], share)
        }
        _ => series.map(|s| s.at(time, max_gap)),
    }
}

fn find_files(patterns: &[String], cx: &BindCx, problems: &mut Vec<Problem>) -> Vec<(String, Vec<Resource>)> {
    if patterns.is_empty() {
        problems.push(
            Problem::new("time/bad-options", "no file of the second stream is named")
                .option("files")
                .fix("give `files`, for example `[\"attitude/{session}.csv\"]`"),
        );
    }
    let mut files = vec![];
    for (i, text) in patterns.iter().enumerate() {
        let option = format!("files[{i}]");
        if text.contains(pattern::SESSION) && text.contains(['[', ']']) {
            problems.push(
                Problem::new("time/bad-options", "brackets cannot stand beside `{session}`")
                    .option(&option)
                    .fix("use `*` for the part that varies"),
            );
            continue;
        }
        match cx.files.find(&pattern::search(text)) {
            Ok(found) => {
                let found = found
                    .into_iter()
                    .map(|(name, path)| Resource { name, path, role: ResourceRole::Stream, option: option.clone() })
                    .collect();
                files.push((text.clone(), found));
            }
            Err(problem) => problems.push(problem.option(&option)),
        }
    }
    files
}

impl TimeJoin {
    fn session_name(&self, input: &Table, cx: &Cx) -> Result<String, Problem> {
        if let Some(session) = cx.session() {
            return Ok(session.name.clone());
        }
        let column = by_role(&self.schema, Role::Session)?;
        Ok(input.texts(&column.name)?.first().copied().flatten().unwrap_or_default().to_owned())
    }

    /// The session, the times of its epochs and the series of the stream, one for each quantity.
    ///
    /// # Errors
    /// `time/no-stream-file`, or a file that cannot be read.
    pub(super) fn stream(&self, input: &Table, cx: &Cx) -> Result<(String, Vec<i64>, Vec<Series>), Problem> {
        let session = self.session_name(input, cx)?;
        let files = self.files_of(&session);
        if files.is_empty() {
            return Err(Problem::from(
                Diagnostic::new("time/no-stream-file", Verdict::Block, format!("session `{session}` has no file of the second stream"))
                    .place(format!("session `{session}`"))
                    .why("no file fits `files` with this name of the session")
                    .size("every epoch of the session would be without attitude or range")
                    .fix("name the file after the session, or change `files`"),
            )
            .option("files"));
        }
        let series = self.read(&files, &session, cx)?;
        let times: Vec<i64> = input.instants(&self.time_name)?.into_iter().flatten().collect();
        if times.len() != input.rows() {
            return Err(Problem::broken("an epoch without a time"));
        }
        Ok((session, times, series))
    }

    /// The series of a role, where the stream has one.
    pub(super) fn series_of<'a>(&self, series: &'a [Series], role: Role) -> Option<&'a Series> {
        self.quantities.iter().position(|q| q.role == role).and_then(|i| series.get(i))
    }

    /// Longest gap across which is interpolated, ns.
    pub(super) const fn max_gap_ns(&self) -> i64 {
        self.max_gap_ns
    }

    fn files_of(&self, session: &str) -> Vec<&Resource> {
        let mut files: Vec<&Resource> = vec![];
        for (text, found) in &self.files {
            for resource in found {
                let fits = !text.contains(pattern::SESSION) || pattern::matches(text, session, &resource.name);
                if fits && files.iter().all(|f| f.path != resource.path) {
                    files.push(resource);
                }
            }
        }
        files
    }

    /// Reads the files of a session into one series for each quantity.
    fn read(&self, files: &[&Resource], session: &str, cx: &Cx) -> Result<Vec<Series>, Problem> {
        let mut series: Vec<Series> = self.quantities.iter().map(|q| Series::new(matches!(q.role, Role::Heading | Role::Roll))).collect();
        // Wanted columns: time, the week or date if any, then the quantities.
        let other = self.time.week_column.as_deref().or(self.time.date_column.as_deref());
        let mut wanted = vec![self.time.column.as_str()];
        wanted.extend(other);
        let first = wanted.len();
        let own: Vec<usize> = (0..self.quantities.len()).filter(|i| !self.quantities[*i].column.is_empty()).collect();
        wanted.extend(own.iter().map(|i| self.quantities[*i].column.as_str()));
        let raw_first = wanted.len();
        wanted.extend(self.raw.iter().map(|(_, column, _)| column.as_str()));
        let comma = self.layout.decimal_comma;
        let mut values = vec![f64::NAN; self.quantities.len()];
        for file in files {
            let mut days = Days::default();
            let mut lines = Lines::new(cx.open(file)?, &file.name, &self.layout, wanted.clone())?;
            while lines.next_row()? {
                if lines.count.total % 65_536 == 0 {
                    cx.progress(lines.take_bytes());
                    if cx.cancelled() {
                        return Err(Problem::from(Diagnostic::new("run/cancelled", Verdict::Block, "the run was cancelled")));
                    }
                }
                let row = lines.row();
                let mut bad = None;
                let mut attitude = [f64::NAN; 9];
                let plain = own.iter().enumerate().map(|(i, q)| (first + i, &self.quantities[*q].column, &self.quantities[*q].turn));
                let other_kinds = self.raw.iter().enumerate().map(|(i, (_, column, turn))| (raw_first + i, column, turn));
                for (i, (at, column, turn)) in plain.chain(other_kinds).enumerate() {
                    match turn.read(row.text(at), comma) {
                        Ok(v) if i < own.len() => values[own[i]] = v,
                        Ok(v) => attitude[self.raw[i - own.len()].0] = v,
                        Err(e) => {
                            let reason = if e == NotANumber::NotFinite { "not-a-number" } else { "number" };
                            let what = format!("`{}` in column `{column}` is not a number", row.text(at));
                            bad = Some((reason, what, row.column(at)));
                            break;
                        }
                    }
                }
                if !self.raw.is_empty() {
                    let turned = self.converter.turn(&attitude);
                    for (value, quantity) in values.iter_mut().zip(&self.quantities) {
                        match quantity.role {
                            Role::Heading => *value = turned[0],
                            Role::Pitch => *value = turned[1],
                            Role::Roll => *value = turned[2],
                            _ => {}
                        }
                    }
                }
                let stamp = self.clock.instant(row.text(0), other.map(|_| row.text(1)), &mut days, comma);
                let (stamp, reason) = match (stamp, bad) {
                    (_, Some(bad)) => (0, Some(bad)),
                    (None, None) => {
                        (0, Some(("time", format!("`{}` in column `{}` is not a time", row.text(0), self.time.column), row.column(0))))
                    }
                    (Some(t), None) => (t, None),
                };
                if let Some((reason, what, column)) = reason {
                    lines.damaged(reason, &what, column);
                    continue;
                }
                if values.iter().all(|v| v.is_nan()) {
                    *lines.count.ignored.entry("no-value".to_owned()).or_default() += 1;
                    continue;
                }
                for (series, value) in series.iter_mut().zip(&values) {
                    if !value.is_nan() {
                        series.push(stamp - self.lag_ns, *value);
                    }
                }
                lines.used();
            }
            cx.progress(lines.take_bytes());
            for finding in std::mem::take(&mut lines.findings) {
                cx.find(finding);
            }
            cx.lines(lines.count);
        }
        for one in &mut series {
            one.finish();
        }
        let (unsorted, repeats) = series.iter().fold((0, 0), |(u, r), s| (u.max(s.out_of_order), r.max(s.repeats)));
        if unsorted > 0 || repeats > 0 {
            cx.find(
                Diagnostic::new(
                    "time/stream-not-sorted",
                    Verdict::Note,
                    format!("the second stream has {unsorted} samples out of order and {repeats} at a time that another one has"),
                )
                .place(format!("session `{session}`"))
                .why("they were sorted; of samples at one time the first in the file counts")
                .fix("check `time.format` when these are many"),
            );
        }
        for (quantity, series) in self.quantities.iter().zip(&series) {
            let (first, last) = series.span().unwrap_or((0, 0));
            let fact = json!({"session": session, "samples": series.count(), "repeats": series.repeats, "out_of_order": series.out_of_order,
                "first": time_columns::instant_text(first), "last": time_columns::instant_text(last)});
            cx.fact(&format!("stream_{}", quantity.word), fact);
        }
        Ok(series)
    }

    /// Compares the movement of the two streams, and stops the delivery when one lags.
    fn compare_motion(&self, input: &Table, times: &[i64], series: &[Series], session: &str, cx: &Cx) -> Result<(), Problem> {
        let (MotionCheck::On, Some((latitude, longitude))) = (self.motion_check, &self.place) else { return Ok(()) };
        let turning: Vec<&Series> = self
            .quantities
            .iter()
            .zip(series)
            .filter(|(q, _)| matches!(q.role, Role::Heading | Role::Pitch | Role::Roll))
            .map(|(_, s)| s)
            .collect();
        let Some(found) = motion::compare(times, &input.floats(latitude)?, &input.floats(longitude)?, &turning) else { return Ok(()) };
        cx.fact(
            "stream_motion",
            json!({"session": session, "lag_s": found.lag_s, "within_95_s": found.within_95_s,
            "correlation": found.correlation, "correlation_at_zero": found.at_zero}),
        );
        if let Some(finding) = found.finding(session, time_columns::gps_minus_utc_s(times[0])) {
            cx.find(finding);
        }
        Ok(())
    }

    /// Says how many epochs found no partner, and where.
    fn report(&self, input: &Table, session: &str, missing: &[Vec<bool>], cx: &Cx) -> Result<(), Problem> {
        let counts: Vec<(&str, usize)> =
            self.quantities.iter().map(|q| q.word).zip(missing.iter().map(|m| m.iter().filter(|x| **x).count())).collect();
        let most = counts.iter().map(|(_, n)| *n).max().unwrap_or(0);
        if most == 0 {
            return Ok(());
        }
        let rows = input.rows();
        let none_at_all = (0..rows).filter(|i| missing.iter().all(|m| m[*i])).count();
        let words: Vec<String> = counts.iter().filter(|(_, n)| *n > 0).map(|(w, n)| format!("`{w}` in {n}")).collect();
        let mut finding = Diagnostic::new(
            "time/no-partner",
            if none_at_all > 0 { Verdict::Warn } else { Verdict::Note },
            format!("the second stream has no value for {} of {rows} epochs", words.join(", ")),
        )
        .place(format!("session `{session}`; {none_at_all} epochs found no partner at all"))
        .size("no coordinate is wrong: an epoch that needs the value and lacks it is set aside by `tilt-correct`")
        .why("no two samples around the epoch's time are at most `max_gap_s` apart")
        .fix("check for breaks in the stream; raise `max_gap_s` only when the pole cannot have moved in between");
        if let Some((file, first, last)) = &self.lines {
            let (file, first, last) = (input.texts(file)?, input.ints(first)?, input.ints(last)?);
            let mut row = 0;
            while row < rows && finding.labels.len() < 5 {
                if missing.iter().all(|m| m[row]) || (none_at_all == 0 && missing.iter().any(|m| m[row])) {
                    let start = row;
                    while row + 1 < rows && missing.iter().all(|m| m[row + 1] == m[start]) && file[row + 1] == file[start] {
                        row += 1;
                    }
                    if let (Some(name), Some(a), Some(b)) = (file[start], first[start], last[row]) {
                        finding = finding.label(Label::lines(name, a.unsigned_abs(), b.unsigned_abs(), "no partner in the second stream"));
                    }
                }
                row += 1;
            }
        }
        cx.find(finding);
        Ok(())
    }
}
