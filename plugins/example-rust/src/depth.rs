//! # What it does
//!
//! Takes points that were shot on the ground above a buried line, and the readings of an electromagnetic locator
//! there, and lowers each point to the line: the target's depth is the reading less the height of the sensor above the
//! ground. Several readings of one point are averaged.
//!
//! # When to use it
//!
//! After `average`, before `height-convert`, for lines that were traced and not uncovered.
//!
//! # What it promises
//!
//! The table that went in, with the heights on the line, the upward sigma (and `systematic_up_m` and `vertical_95_m`,
//! where they are there) with the locator's part in it, and three more columns: `depth_m`, `depth_sigma_m`, `current_ma`.
//! A point without a reading, with too weak a current, or with a line above the ground is set aside.
//!
//! # References
//!
//! The locator's sigma is a fixed part and a share of the depth, sqrt(a² + (k d)²): *common practice*, as data sheets
//! of such instruments state it. Readings of one point share the instrument's error, so the mean is not taken as better.

use crate::readings::{Reading, Readings, read};
use gunter_plugin::schemars::JsonSchema;
use gunter_plugin::serde::{Deserialize, Serialize};
use gunter_plugin::{
    BindCx, Bound, Column, Cx, Example, Grain, Holds, Inputs, Problem, Role, Schema, Spec, Stage, Table, TableBuilder, Threads, Unit,
    Verdict,
};

/// Two-sided 95 % of a normal distribution.
const NORMAL_95: f64 = 1.959_963_984_540_054;

/// Options of `linetrace/depth`.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, crate = "gunter_plugin::serde")]
#[schemars(crate = "gunter_plugin::schemars")]
pub(crate) struct Options {
    /// Tables of readings (paths or patterns), with the columns `point`, `depth_m` and `current_ma`.
    #[schemars(length(min = 1))]
    readings: Vec<String>,
    /// Height of the sensor above the ground while it was read, m.
    #[schemars(range(min = 0.0, max = 3.0))]
    sensor_height_m: f64,
    /// Fixed part of the locator's standard deviation (1 sigma), m.
    #[serde(default = "fixed")]
    #[schemars(range(min = 0.0, max = 1.0))]
    sigma_fixed_m: f64,
    /// Part of the locator's standard deviation (1 sigma) that grows with the depth, as a share of the reading.
    #[serde(default = "share")]
    #[schemars(range(min = 0.0, max = 1.0))]
    sigma_share: f64,
    /// Weakest current at which a reading counts, mA.
    #[serde(default)]
    #[schemars(range(min = 0.0))]
    min_current_ma: f64,
}

const fn fixed() -> f64 {
    0.02
}

const fn share() -> f64 {
    0.05
}

/// Lowers points to a traced line.
pub(crate) struct Depth {
    options: Options,
    point: String,
    height: String,
    sigma_up: Option<String>,
    /// Columns that also carry the upward uncertainty, when they are there.
    systematic: bool,
    bound_95: bool,
    output: Schema,
}

impl Stage for Depth {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "linetrace/depth",
        version: 1,
        summary: "Lower points to a buried line by the readings of an electromagnetic locator",
        doc: "# What it does\nTakes points that were shot on the ground above a buried line, and the readings of an electromagnetic locator there, and lowers each point to the line: depth = reading - height of the sensor above the ground. Several readings of one point are averaged.\n\n# When to use it\nAfter `average`, before `height-convert`, for lines that were traced and not uncovered.\n\n# What it promises\nThe table that went in, with the heights on the line, the locator's part in the upward sigma, and the columns `depth_m`, `depth_sigma_m` and `current_ma`. A point without a reading, with too weak a current, or with a line above the ground is set aside.\n\n# References\nSigma = sqrt(fixed^2 + (share x depth)^2): common practice, as data sheets of such instruments state it.",
        inputs: Inputs::One,
        threads: Threads::Many,
        examples: &[Example {
            title: "A locator on a foot of 15 cm",
            options: "readings: [readings.csv]\nsensor_height_m: 0.15\nmin_current_ma: 5\n",
        }],
    };
    const EXAMPLE_FILES: &'static [(&'static str, &'static str)] =
        &[("readings.csv", "point,depth_m,current_ma\nP-00,1.2,30\nP-03,1.4,20\nP-05,0.1,20\nP-07,2.1,1\n")];

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let mut problems = vec![];
        let mut need = |role: Role| match schema.need(role) {
            Ok(column) => column.name.clone(),
            Err(p) => {
                problems.push(p);
                String::new()
            }
        };
        let (point, height) = (need(Role::POINT), need(Role::ELLIPSOIDAL_HEIGHT));
        let mut output = schema.clone();
        for (name, unit) in [("depth_m", Unit::METRE), ("depth_sigma_m", Unit::METRE), ("current_ma", Unit::NONE)] {
            if schema.named(name).is_some() {
                problems.push(
                    Problem::new("column-exists", format!("the table above has a column `{name}` already")).fix("use this stage once"),
                );
            }
            output.columns.push(Column::always(name, Holds::Float, unit, Role::OTHER));
        }
        if schema.frame["heights"] != "ellipsoidal" {
            problems.push(
                Problem::new("other-heights", "the heights of the table above are not above the ellipsoid")
                    .why("a depth is taken off the height that was measured, before a geoid is applied")
                    .fix("put this stage before `height-convert`"),
            );
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        // The coordinates now mean the line and no longer the ground above it.
        output.frame["point"] = "target".into();
        let float = |name: &str| schema.named(name).is_some_and(|c| c.holds == Holds::Float);
        let stage = Self {
            point,
            height,
            sigma_up: schema.role(&Role::SIGMA_UP).map(|c| c.name.clone()),
            systematic: float("systematic_up_m"),
            bound_95: float("vertical_95_m"),
            output: output.clone(),
            options,
        };
        let files = stage.options.readings.clone();
        let mut bound = Bound::new(stage, output, Grain::Rows);
        for (i, file) in files.iter().enumerate() {
            bound = bound.file(file, &format!("readings[{i}]"));
        }
        Ok(bound)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = &inputs[0];
        let mut readings = Readings::new();
        for file in cx.files() {
            read(&file.name, &file.path, &mut readings)?;
        }
        let points = table.texts(&self.point)?;
        let (mut keep, mut found) = (vec![], vec![]);
        let mut refused: [Vec<u32>; 3] = Default::default();
        for (row, point) in (0_u32..).zip(&points) {
            let fate = fate(point.and_then(|p| readings.get(p)).map_or(&[], Vec::as_slice), &self.options);
            keep.push(fate.is_ok());
            match fate {
                Ok(depth) => {
                    if depth.spread_m > 3.0 * depth.sigma_m {
                        cx.find(disagree(row, &depth));
                    }
                    found.push(depth);
                }
                Err(why) => refused[why as usize].push(row),
            }
        }
        for (rows, (reason, detail)) in refused.iter().zip(REASONS) {
            if !rows.is_empty() {
                cx.set_aside_rows(rows, reason, detail);
            }
        }
        let kept = table.filter(&keep)?;
        self.lowered(&kept, &found)
    }
}

/// Why a point is set aside; the order of [`REASONS`].
#[derive(Clone, Copy, Debug, PartialEq)]
enum Refused {
    NoReading,
    WeakSignal,
    AboveGround,
}

const REASONS: [(&str, &str); 3] = [
    ("no-reading", "the tables of readings do not name the point"),
    ("weak-signal", "every reading of the point has a current below the limit"),
    ("above-ground", "the reading is less than the height of the sensor above the ground"),
];

/// What the locator says of one point.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Found {
    depth_m: f64,
    sigma_m: f64,
    current_ma: f64,
    /// Largest distance of a reading from the mean.
    spread_m: f64,
    readings: usize,
}

fn fate(all: &[Reading], options: &Options) -> Result<Found, Refused> {
    if all.is_empty() {
        return Err(Refused::NoReading);
    }
    let good: Vec<&Reading> = all.iter().filter(|r| r.current_ma >= options.min_current_ma).collect();
    if good.is_empty() {
        return Err(Refused::WeakSignal);
    }
    let n = good.len() as f64;
    let reading = good.iter().map(|r| r.depth_m).sum::<f64>() / n;
    let depth_m = reading - options.sensor_height_m;
    if depth_m < 0.0 {
        return Err(Refused::AboveGround);
    }
    Ok(Found {
        depth_m,
        // The locator's field spreads below the ground and above it: its error grows with the whole distance.
        sigma_m: options.sigma_fixed_m.hypot(options.sigma_share * reading),
        current_ma: good.iter().map(|r| r.current_ma).sum::<f64>() / n,
        spread_m: good.iter().map(|r| (r.depth_m - reading).abs()).fold(0.0, f64::max),
        readings: good.len(),
    })
}

fn disagree(row: u32, depth: &Found) -> Problem {
    Problem::new("readings-disagree", format!("{} readings of a point lie up to {:.2} m from their mean", depth.readings, depth.spread_m))
        .verdict(Verdict::Warn)
        .row(row as usize)
        .size(format!("{:.2} m in height", depth.spread_m))
        .why("their stated sigma does not explain it; a second line nearby bends the field")
        .fix("look at the readings, and uncover the line there when it matters")
}

impl Depth {
    fn lowered(&self, kept: &Table, found: &[Found]) -> Result<Table, Problem> {
        let mut out = TableBuilder::from(kept, &self.output);
        let heights = kept.floats(&self.height)?;
        out.floats(&self.height, heights.iter().zip(found).map(|(h, f)| h - f.depth_m).collect());
        let with = |name: &str| -> Result<Vec<f64>, Problem> {
            Ok(kept.floats(name)?.iter().zip(found).map(|(s, f)| s.hypot(f.sigma_m)).collect())
        };
        if let Some(sigma_up) = &self.sigma_up {
            let sigmas = with(sigma_up)?;
            if self.bound_95 {
                out.floats("vertical_95_m", sigmas.iter().map(|s| NORMAL_95 * s).collect());
            }
            out.floats(sigma_up, sigmas);
        }
        if self.systematic {
            out.floats("systematic_up_m", with("systematic_up_m")?);
        }
        out.floats("depth_m", found.iter().map(|f| f.depth_m).collect());
        out.floats("depth_sigma_m", found.iter().map(|f| f.sigma_m).collect());
        out.floats("current_ma", found.iter().map(|f| f.current_ma).collect());
        out.finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn options() -> Options {
        Options { readings: vec![], sensor_height_m: 0.15, sigma_fixed_m: 0.02, sigma_share: 0.05, min_current_ma: 5.0 }
    }

    #[test]
    fn depth_is_the_reading_less_the_height_of_the_sensor() {
        let all = [
            Reading { depth_m: 1.30, current_ma: 20.0 },
            Reading { depth_m: 1.34, current_ma: 30.0 },
            Reading { depth_m: 9.0, current_ma: 1.0 },
        ];
        let found = fate(&all, &options()).unwrap();
        assert!((found.depth_m - 1.17).abs() < 1e-12);
        // sqrt(0.02² + (0.05 · 1.32)²) = sqrt(0.0004 + 0.004356)
        assert!((found.sigma_m - 0.068_963_759).abs() < 1e-8);
        assert!((found.current_ma - 25.0).abs() < 1e-12);
        assert!((found.spread_m - 0.02).abs() < 1e-12);
    }

    #[test]
    fn sigma_grows_with_the_depth() {
        let sigma = |d: f64| fate(&[Reading { depth_m: d, current_ma: 9.0 }], &options()).unwrap().sigma_m;
        let all: Vec<f64> = (1..50).map(|i| sigma(f64::from(i) * 0.2)).collect();
        assert!(all.windows(2).all(|w| w[0] < w[1]));
    }

    #[test]
    fn a_point_without_a_good_reading_is_refused() {
        assert_eq!(fate(&[], &options()), Err(Refused::NoReading));
        assert_eq!(fate(&[Reading { depth_m: 1.0, current_ma: 4.9 }], &options()), Err(Refused::WeakSignal));
        assert_eq!(fate(&[Reading { depth_m: 0.1, current_ma: 9.0 }], &options()), Err(Refused::AboveGround));
    }
}
