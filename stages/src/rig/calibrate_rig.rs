//! # What it does
//! Calibrates a rig from shots to fixed marks at several attitudes, and writes the rig file anew.
//!
//! # When to use it
//! In a job of its own, when a rig is new, after a knock, and before its calibration expires.
//!
//! # What it promises
//! Nothing is written unless the shots determine what is to be written; what they do not determine is named, with the
//! attitudes to add.
//!
//! # References
//! Baarda 1968 (tests of single observations).

use super::calibration::geometry::{proposals, resting_on_the_rig, undetermined};
use super::calibration::looks::attitudes;
use super::calibration::table::{Cut, Looks, Reader};
use super::calibration::{Chain, Fitted, Kind, Look, Unfit, Unknown, Use, fit};
use super::ledger::Aim;
use super::tilt_correct::{AimOption, SensorsOption};
use crate::export::path;
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Schema;
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::sync::Arc;

pub(super) mod files;
mod findings;
pub(super) mod output;
pub(super) mod setup;
#[cfg(test)]
pub(super) mod tests;

/// A mark whose coordinates are known, in the frame of the corrections.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct KnownMark {
    /// Name in the field notes: the point of every shot at it.
    pub point: String,
    /// Latitude in the frame and epoch of the corrections, deg.
    #[schemars(range(min = -90.0, max = 90.0))]
    pub latitude_deg: f64,
    /// Longitude, east positive, deg.
    #[schemars(range(min = -360.0, max = 360.0))]
    pub longitude_deg: f64,
    /// Height above the ellipsoid, m.
    pub ellipsoidal_height_m: f64,
    /// Sigma of each horizontal axis, m.
    #[schemars(range(min = 0.0))]
    pub sigma_horizontal_m: f64,
    /// Sigma of the height, m.
    #[schemars(range(min = 0.0))]
    pub sigma_up_m: f64,
}

/// Sigmas that are small enough for the work.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Needed {
    /// Of the beam's direction, each axis, deg.
    #[serde(default = "beam")]
    #[schemars(range(min = 0.0001, max = 10.0))]
    pub beam_deg: f64,
    /// Of lever arm, range zero and pole, m.
    #[serde(default = "length")]
    #[schemars(range(min = 0.0001, max = 1.0))]
    pub length_m: f64,
    /// Of the heading bias, where it is free, deg.
    #[serde(default = "heading")]
    #[schemars(range(min = 0.001, max = 10.0))]
    pub heading_deg: f64,
}

impl Default for Needed {
    fn default() -> Self {
        Self { beam_deg: beam(), length_m: length(), heading_deg: heading() }
    }
}

const fn beam() -> f64 {
    0.05
}
const fn length() -> f64 {
    0.005
}
const fn heading() -> f64 {
    0.2
}
const fn two_millimetres() -> f64 {
    0.002
}
const fn five_centimetres() -> f64 {
    0.05
}
const fn three() -> f64 {
    3.0
}
const fn four() -> u32 {
    4
}
const fn half_a_year() -> u32 {
    180
}
const fn free() -> Use {
    Use::Free
}
const fn with_rig_sigma() -> Use {
    Use::WithRigSigma
}
const fn held() -> Use {
    Use::Held
}
fn rig_file() -> String {
    "rig.yaml".to_owned()
}
fn residuals_file() -> String {
    "residuals.csv".to_owned()
}
fn parameters_file() -> String {
    "parameters.csv".to_owned()
}
fn plot_file() -> String {
    "residuals.svg".to_owned()
}

/// Options of `calibrate-rig`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Marks with known coordinates. The point of any other shot is a mark that is not known and is found along the way.
    #[serde(default)]
    pub marks: Vec<KnownMark>,
    /// What the shots were aimed with. Left out: `column` when the input has an `aim` column.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aim: Option<AimOption>,
    /// Where attitude and range come from.
    #[serde(default)]
    pub sensors: SensorsOption,
    /// Boresight: the two angles of the beam.
    #[serde(default = "free")]
    pub beam: Use,
    /// Lever arm from the antenna reference point to the laser, three lengths.
    #[serde(default = "with_rig_sigma")]
    pub lever_arm: Use,
    /// Range zero. It acts as the lever arm along the beam does: shots at marks never tell the two apart, a tape does.
    #[serde(default = "with_rig_sigma")]
    pub range_zero: Use,
    /// Heading bias. `free`: the result is added to `sensors.heading.offset`; only for a constant error of the mount. Anything else acts
    /// as `held`.
    #[serde(default = "held")]
    pub heading_bias: Use,
    /// Foot of the pole across its axis (bubble, bend, mount), from shots with the tip. Left out: `free` without shots of the
    /// laser, else `held`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pole_across: Option<Use>,
    /// Length of the pole, from shots with the tip. Left out: `free` without shots of the laser, else `held`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pole_length: Option<Use>,
    /// How well a mark is hit, 1 sigma in each axis, m. Random from look to look.
    #[serde(default = "two_millimetres")]
    #[schemars(range(min = 0.0001, max = 0.1))]
    pub aiming_sigma_m: f64,
    /// Epochs within this angle of the first of a look belong to it; a pole that is swung gives many looks, deg.
    #[serde(default = "three")]
    #[schemars(range(min = 0.1, max = 30.0))]
    pub look_deg: f64,
    /// A range further than this from the median of its look is set aside as `range-off`, m.
    #[serde(default = "five_centimetres")]
    #[schemars(range(min = 0.001, max = 10.0))]
    pub range_off_m: f64,
    /// Sigmas that are small enough.
    #[serde(default)]
    pub needed: Needed,
    /// Fewest attitudes, more than 8 deg apart, from which a beam is believed: with fewer a wrong shot cannot be told from a
    /// wrong beam.
    #[serde(default = "four")]
    #[schemars(range(min = 2))]
    pub min_attitudes: u32,
    /// How long the calibration holds, days.
    #[serde(default = "half_a_year")]
    #[schemars(range(min = 1, max = 3660))]
    pub valid_days: u32,
    /// Who calibrates, for the rig file.
    pub by: String,
    /// Name of the rig file below the results folder.
    #[serde(default = "rig_file")]
    pub rig_file: String,
    /// Name of the table of the unknowns.
    #[serde(default = "parameters_file")]
    pub parameters_file: String,
    /// Name of the table of the residuals.
    #[serde(default = "residuals_file")]
    pub residuals_file: String,
    /// Name of the plot of the residuals (SVG).
    #[serde(default = "plot_file")]
    pub plot_file: String,
}

/// The bound stage.
pub(crate) struct CalibrateRig {
    options: Options,
    reader: Reader,
    base_sigma: [f64; 2],
    output: Arc<Schema>,
}

impl Stage for CalibrateRig {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "calibrate-rig",
        version: 1,
        summary: "Finds boresight, lever arm, range zero and pole from shots to fixed marks, and writes the rig file anew",
        doc: include_str!("calibrate_rig/page.md"),
        inputs: Inputs::One,
        delivers: true,
        examples: &[
            Example {
                title: "Shots to a nail that is not known otherwise",
                options: "by: bench crew, shots to a nail at eight attitudes\n",
            },
            Example {
                title: "Shots to a known mark, valid for 90 days",
                options: "\
marks:
  - { point: NAIL, latitude_deg: 26.7, longitude_deg: -88.2, ellipsoidal_height_m: -21.4, sigma_horizontal_m: 0.003, sigma_up_m: 0.005 }
by: bench crew
valid_days: 90
",
            },
            Example {
                title: "A pole that was swung about its tip (field notes say `tip`)",
                options: "by: bench crew, tip in a dimple\nlook_deg: 3\naiming_sigma_m: 0.0005\n",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let (mut problems, mut notes) = (vec![], vec![]);
        let reader = Reader::bind(options.aim, options.sensors, cx, &mut problems, &mut notes);
        setup::check(&options, &mut problems);
        let names = [
            (&options.rig_file, ".yaml", "rig_file"),
            (&options.parameters_file, ".csv", "parameters_file"),
            (&options.residuals_file, ".csv", "residuals_file"),
            (&options.plot_file, ".svg", "plot_file"),
        ];
        for (i, (name, ending, option)) in names.iter().enumerate() {
            problems.extend(path::check(name, Some(ending)).err().map(|p| p.option(*option)));
            if names[..i].iter().any(|(other, ..)| other == name) {
                problems.push(Problem::new("export/same-file", format!("two files are called `{name}`")).option(*option));
            }
        }
        let (Some(reader), true) = (reader, problems.is_empty()) else { return Err(problems) };
        let corrections = cx.reference.map(|r| &r.corrections);
        let chains: Vec<String> = [&reader.tip, &reader.laser].into_iter().flatten().map(super::ledger::Ledger::line).collect();
        let output = output::schema();
        let stage = Self {
            base_sigma: corrections.map_or([0.0; 2], |c| [c.base_sigma_horizontal_m, c.base_sigma_up_m]),
            output: Arc::new(output.clone()),
            reader,
            options,
        };
        let mut bound = Bound::new(stage, output, Grain::Whole).decided("chain", chains);
        bound.notes = notes;
        Ok(bound)
    }

    fn resources(&self) -> Vec<Resource> {
        self.reader.antenna.iter().cloned().collect()
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let input = inputs.first().ok_or_else(|| Problem::broken("a stage with one input was run without it"))?;
        let looks = self.reader.looks(
            input,
            &Cut { look_deg: self.options.look_deg, aiming_sigma_m: self.options.aiming_sigma_m, range_off_m: self.options.range_off_m },
        )?;
        output::account(&looks, input, cx)?;
        if looks.seen.is_empty() {
            return Err(findings::nothing());
        }
        if looks.sessions > 1 {
            return Err(findings::sessions(looks.sessions));
        }
        for mark in self.options.marks.iter().filter(|m| !looks.marks.contains(&m.point)) {
            cx.find(findings::mark_without_shots(&mark.point, &looks.marks));
        }
        let chain = setup::chain(&self.reader);
        let unknowns = setup::unknowns(&self.reader, &looks, &self.options, self.base_sigma);
        let list: Vec<Look> = looks.seen.iter().map(|s| s.look.clone()).collect();
        let tau = self.reader.rig.gnss.correlation_time_s;
        let done = match fit(&list, &chain, &unknowns, tau) {
            Ok(done) => done,
            Err(why) => return Err(findings::no_fit(why, list.len())),
        };
        self.say(&looks, &list, &chain, &unknowns, &done, cx)?;
        let table = output::table(&looks, &done, &chain, self.output.clone())?;
        let calibrated = setup::Result { looks: &looks, chain: &chain, unknowns: &unknowns, done: &done, options: &self.options };
        files::write(&self.reader.rig, &calibrated, cx)?;
        Ok(table)
    }
}

impl CalibrateRig {
    /// Says what was found, what is wrong and what is not determined.
    fn say(&self, looks: &Looks, list: &[Look], chain: &Chain, unknowns: &[Unknown], done: &Fitted, cx: &Cx) -> Result<(), Problem> {
        let tau = self.reader.rig.gnss.correlation_time_s;
        let used: Vec<Look> = list.iter().zip(&done.used).filter(|(_, u)| **u).map(|(l, _)| l.clone()).collect();
        for (i, look) in list.iter().enumerate().filter(|(i, _)| !done.used[*i]) {
            cx.find(findings::look_off(&looks.seen[i].point, look, done.misclosure[i]));
        }
        if !done.sigmas_fit {
            cx.find(findings::residuals(done));
        }
        let geometry = |e: Unfit| findings::no_fit(e, list.len());
        let open = undetermined(&used, chain, unknowns, tau, &done.x, &looks.marks).map_err(geometry)?;
        let laser = used.iter().any(|l| l.aim == Aim::Laser);
        let seen = attitudes(used.iter().filter(|l| (l.aim == Aim::Laser) == laser));
        let beam_written = unknowns.iter().any(|u| u.kind == Kind::BeamSide && u.written);
        let few = beam_written && seen < self.options.min_attitudes as usize;
        let missing = if few { (self.options.min_attitudes as usize).saturating_sub(seen) } else { 0 };
        let resting = resting_on_the_rig(&used, chain, unknowns, tau, &done.x, &looks.marks).map_err(geometry)?;
        if !open.is_empty() || few {
            let more = proposals(&used, chain, unknowns, tau, &done.x, missing).map_err(geometry)?;
            let named = if open.is_empty() { &resting } else { &open };
            let range = looks.seen.iter().map(|s| s.pose[3]).filter(|r| r.is_finite()).fold(0.0, f64::max);
            cx.find(findings::not_determined(
                used.len(),
                seen,
                few.then_some(self.options.min_attitudes),
                named,
                &more,
                findings::harm(unknowns, done, range),
            ));
        } else {
            if !resting.is_empty() {
                cx.find(findings::rests(&resting));
            }
            cx.find(findings::calibrated(&self.reader.rig, looks, chain, unknowns, done, seen));
        }
        cx.fact("calibration", json!({
            "looks": used.len(), "attitudes": seen, "degrees_of_freedom": done.freedom, "variance_factor": done.variance_factor,
            "unknowns": unknowns.iter().enumerate().map(|(i, u)| json!({
                "name": u.kind.words(chain.steep(), &looks.marks), "unit": u.kind.unit(), "value": done.x[i], "sigma": findings::finite(done.sigma(i)),
                "needed": u.needed, "written": u.written,
                "correlations": (0..unknowns.len()).map(|j| done.adjustment.fit.correlation(i, j)).collect::<Vec<_>>(),
            })).collect::<Vec<_>>(),
        }));
        Ok(())
    }
}
