//! Texts of jobs and references for traps and benchmarks.

/// What differs from one reference to another; the rest is the same everywhere.
#[derive(Clone, Debug)]
pub struct Reference {
    /// Name.
    pub name: String,
    /// Frame of the corrections.
    pub frame: &'static str,
    /// Its epoch, or an empty text for none.
    pub epoch: &'static str,
    /// Delivery.
    pub crs: &'static str,
    /// Unit of heights.
    pub unit: &'static str,
    /// Geoid grid with its model's name, for heights above a datum.
    pub geoid: Option<(String, &'static str)>,
    /// Vertical datum; empty for one with the model's name.
    pub datum: &'static str,
}

impl Reference {
    /// The reference file.
    #[must_use]
    pub fn yaml(&self) -> String {
        let epoch = if self.epoch.is_empty() { String::new() } else { format!("  epoch: {}\n", self.epoch) };
        let heights = match &self.geoid {
            None => "    surface: ellipsoid\n".to_owned(),
            Some((grid, model)) => format!(
                "    surface: vertical-datum
    datum: {}
    geoid:
      grid: {grid}
      model: {model}
      version: \"1\"
      frame: EPSG:6319
      sigma_m: 0.01
",
                if self.datum.is_empty() { format!("{model} datum") } else { self.datum.to_owned() }
            ),
        };
        format!(
            "# Invented.
reference: 1
name: {}
corrections:
  frame: {}
{epoch}  stated_by: data sheet of the correction service (invented)
  base_station: \"0417\"
  base_sigma_horizontal_m: 0.005
  base_sigma_up_m: 0.008
delivery:
  crs: {}
  heights:
{heights}    unit: {}
budget:
  operation_m: 0.05
  horizontal_95_m: 0.10
  vertical_95_m: 0.10
",
            self.name, self.frame, self.crs, self.unit
        )
    }
}

/// A step of a job: id, stage, further lines of YAML (indented by four).
#[derive(Clone, Copy, Debug)]
pub struct Step {
    /// Identity.
    pub id: &'static str,
    /// Stage.
    pub stage: &'static str,
    /// Further keys.
    pub rest: &'static str,
}

/// Shorthand.
#[must_use]
pub const fn step(id: &'static str, stage: &'static str, rest: &'static str) -> Step {
    Step { id, stage, rest }
}

/// From logs to a table on the grid.
pub const CHAIN: [Step; 7] = [
    step("epochs", "ingest-nmea", "    options: { files: [LOGS], untimed: after-time }\n"),
    step("occupied", "occupations", "    options: { notes: [NOTES], notes_time: utc }\n"),
    step("good", "quality-gate", "    options: { fix: [rtk-fixed], max_correction_age_s: 10 }\n"),
    step("targets", "tilt-correct", ""),
    step("points", "average", ""),
    step("heights", "height-convert", ""),
    step("grid", "reproject", ""),
];

/// The points as text.
pub const CSV: Step = step("csv", "export-csv", "    from: [grid]\n    options: { path: points.csv }\n");

/// A job file.
#[must_use]
pub fn job(name: &str, summary: &str, reference: &str, logs: &str, notes: &str, steps: &[Step]) -> String {
    let mut s =
        format!("job: 1\nname: {name}\nsummary: \"{summary}\"\nrig: rig.yaml\nreference: {reference}\nresults: results/{name}\nsteps:\n");
    for step in steps {
        s.push_str(&format!("  - id: {}\n    stage: {}\n", step.id, step.stage));
        s.push_str(&step.rest.replace("LOGS", &format!("\"{logs}\"")).replace("NOTES", &format!("\"{notes}\"")));
    }
    s
}
