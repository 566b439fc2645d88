//! A first job, rig and reference from a log. What only a person can know is left out, with a
//! comment that says what to fill in, so that `check` asks for exactly that.

use super::{Report, SensorSeen};
use std::fmt::Write;

/// Texts of three files.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FirstJob {
    /// The job, `NAME.yaml`.
    pub job: String,
    /// The rig, `NAME.rig.yaml`.
    pub rig: String,
    /// The reference, `NAME.reference.yaml`.
    pub reference: String,
    /// What is left out.
    pub unknowns: Vec<String>,
}

/// What sensors of the log seem to be, by sentence, unit and name.
struct Guess<'a> {
    heading: Option<&'a SensorSeen>,
    pitch: Option<&'a SensorSeen>,
    roll: Option<&'a SensorSeen>,
    range: Option<&'a SensorSeen>,
    turn_rate: Option<&'a SensorSeen>,
    /// Transducers that were not recognised.
    rest: Vec<&'a SensorSeen>,
}

impl<'a> Guess<'a> {
    fn new(report: &'a Report) -> Self {
        let all = &report.sensors;
        let sentence = |word: &str| all.iter().find(|s| s.sentence == word);
        let named = |kind: &str, unit: &str, beginnings: &[&str]| {
            all.iter().find(|s| {
                let name = s.name.to_lowercase();
                s.sentence == "XDR" && s.kind == kind && s.unit == unit && beginnings.iter().any(|b| name.starts_with(b))
            })
        };
        let mut guess = Self {
            heading: sentence("HDT").or_else(|| sentence("HDM")).or_else(|| named("A", "D", &["yaw", "head", "hdg", "azim"])),
            pitch: named("A", "D", &["pitch", "ptch"]),
            roll: named("A", "D", &["roll"]),
            range: named("D", "M", &["rang", "dist", "laser", "rng"]),
            turn_rate: sentence("ROT"),
            rest: vec![],
        };
        let taken = [guess.heading, guess.pitch, guess.roll, guess.range, guess.turn_rate];
        guess.rest = all.iter().filter(|s| s.sentence == "XDR" && !taken.iter().flatten().any(|t| *t == *s)).collect();
        guess
    }

    fn attitude(&self) -> bool {
        self.heading.is_some() || self.pitch.is_some() || self.roll.is_some()
    }

    fn any(&self) -> bool {
        self.attitude() || self.range.is_some() || self.turn_rate.is_some()
    }
}

/// A text in YAML: JSON strings are YAML.
fn quoted(text: &str) -> String {
    serde_json::to_string(text).unwrap_or_else(|_| "\"\"".to_owned())
}

/// Writes a first job for logs.
///
/// `logs` are the paths of the logs relative to the job, `name` is the name of the job's file
/// without its ending; the rig and the reference are named after it.
#[must_use]
pub fn first_job(report: &Report, logs: &[String], name: &str) -> FirstJob {
    let guess = Guess::new(report);
    let mut unknowns = vec![];
    let job = job(report, &guess, logs, name, &mut unknowns);
    let rig = rig(report, &guess, name, &mut unknowns);
    let reference = reference(report, name, &mut unknowns);
    FirstJob { job, rig, reference, unknowns }
}

fn job(report: &Report, guess: &Guess, logs: &[String], name: &str, unknowns: &mut Vec<String>) -> String {
    let mut t = String::new();
    let files: Vec<String> = logs.iter().map(|l| quoted(l)).collect();
    let _ = write!(
        t,
        "# A first job, written from the log. Lines with `FILL IN` hold what only a person can know.\n\
         job: 1\nname: {0}\nrig: {1}\nreference: {2}\nsteps:\n  - id: epochs\n    stage: ingest-nmea\n    options:\n      files: [{3}]\n",
        quoted(name),
        quoted(&format!("{name}.rig.yaml")),
        quoted(&format!("{name}.reference.yaml")),
        files.join(", ")
    );
    if report.files.iter().any(|f| f.epochs > 0 && f.date_source.is_none()) {
        unknowns.push("job `date`: the date of line 1 of the log, which has neither RMC nor ZDA".to_owned());
        t.push_str("      # FILL IN: the date of line 1; the log has neither RMC nor ZDA.\n      # date: YYYY-MM-DD\n");
    }
    if report.without_checksums {
        t.push_str("      # The sentences have no checksum. Only if the log cannot be had again:\n      # checksums: optional\n");
    }
    if guess.any() {
        unknowns.push("job `untimed`: whether heading, attitude and range stand behind the GGA of their epoch or before it".to_owned());
        let _ = write!(
            t,
            "      # FILL IN: after-time if {} stand behind the GGA of their epoch, before-time if before it.\n      # Order in this log: {}\n      # untimed: after-time\n",
            "HDT, ROT and XDR",
            if report.order.is_empty() { "unknown".to_owned() } else { report.order.join(" > ") }
        );
    }
    unknowns.push("job `notes` and `notes_time`: the crew's notes, a CSV with point, from, to, and the clock of their times".to_owned());
    t.push_str(
        "  - id: occupied\n    stage: occupations\n    options:\n      by: notes\n\
         \x20     # FILL IN: the crew's notes, a CSV with the columns point, code, from, to.\n      # notes: [\"notes.csv\"]\n\
         \x20     # FILL IN: the clock of their times, utc or local.\n      # notes_time: utc\n",
    );
    t.push_str("  - id: good\n    stage: quality-gate\n    options:\n      fix: [rtk-fixed]\n");
    if !report.fixes.iter().any(|f| f.fix == "rtk-fixed") {
        t.push_str("      # This log has no rtk-fixed epoch: nothing will pass.\n");
    }
    t.push_str("  - id: targets\n    stage: tilt-correct\n");
    if !guess.attitude() {
        unknowns.push("job `pole_held_vertical_within_deg`: how upright the pole was held, as no attitude is in the log".to_owned());
        t.push_str("    options:\n      aim: tip\n      # FILL IN: how upright the pole was held (bubble), 1 sigma, deg.\n      # pole_held_vertical_within_deg: 0.3\n");
    }
    t.push_str(
        "  - id: points\n    stage: average\n  - id: heights\n    stage: height-convert\n  - id: grid\n    stage: reproject\n\
         \x20 - id: csv\n    stage: export-csv\n    options: { path: points.csv }\n",
    );
    t
}

fn sensor(t: &mut String, key: &str, seen: Option<&SensorSeen>) {
    let Some(s) = seen else { return };
    let transducer = if s.sentence == "XDR" { format!(", transducer: {}", quoted(&s.name)) } else { String::new() };
    let _ =
        writeln!(t, "  {key}: {{ sentence: {}{transducer} }}   # {} to {} in this log; check the sign", s.sentence, s.lowest, s.highest);
}

fn rig(report: &Report, guess: &Guess, name: &str, unknowns: &mut Vec<String>) -> String {
    let mut t = String::new();
    let _ = write!(
        t,
        "# Body axes: x forward (as the heading), y right, z down. Lengths in metres, angles in degrees, sigmas are 1 sigma.\n\
         rig: 1\nname: {}\n\
         # FILL IN: the point that the logged coordinates mean: antenna-phase-centre, antenna-reference-point or pole-tip.\n# receiver_output: antenna-reference-point\n\
         pole:\n  # FILL IN: from the antenna reference point to the tip; z_m is the pole length.\n  # reference_point_to_tip: {{ x_m: 0, y_m: 0, z_m: 2.000, sigma_m: 0.001 }}\n\
         \x20 # `receiver` if the receiver took the pole length off already.\n  applied_by: gunter\n",
        quoted(&format!("rig of {name}"))
    );
    unknowns.push("rig `receiver_output`: the point that the logged coordinates mean".to_owned());
    unknowns.push("rig `pole.reference_point_to_tip`: the pole length".to_owned());
    if guess.range.is_some() {
        unknowns.push("rig `laser`: lever arm, boresight, range zero and their sigmas".to_owned());
        t.push_str(
            "laser:\n  # FILL IN: from the antenna reference point to the origin of the range.\n\
             \x20 # reference_point_to_laser: { x_m: 0, y_m: 0, z_m: 0, sigma_m: 0.001 }\n\
             \x20 # FILL IN: boresight; -90 points along the pole.\n  # beam_azimuth_deg: 0\n  # beam_elevation_deg: -45\n  # beam_sigma_deg: 0.1\n\
             \x20 # FILL IN: range zero and noise, from the calibration.\n  # zero_m: 0\n  # zero_sigma_m: 0.001\n  # range_sigma_m: 0.002\n  scale: 1\n",
        );
    }
    if guess.any() {
        t.push_str("sensors:\n");
        sensor(&mut t, "heading", guess.heading);
        sensor(&mut t, "pitch", guess.pitch);
        sensor(&mut t, "roll", guess.roll);
        sensor(&mut t, "range", guess.range);
        sensor(&mut t, "turn_rate", guess.turn_rate);
    }
    if !guess.rest.is_empty() {
        let names: Vec<String> = guess.rest.iter().take(12).map(|s| format!("{} ({} {})", quoted(&s.name), s.kind, s.unit)).collect();
        let _ = writeln!(t, "# Transducers that were not recognised: {}", names.join(", "));
    }
    if guess.attitude() {
        unknowns.push("rig `attitude`: which north the heading counts from, and the sensor's sigmas".to_owned());
        t.push_str(
            "attitude:\n  # FILL IN: \"true\", magnetic (with declination) or grid (with grid_north_crs).\n  # north: \"true\"\n\
             \x20 # FILL IN: noise of one value, and bias that stays for a day.\n  # heading_sigma_deg: 0.3\n  # tilt_sigma_deg: 0.1\n  # heading_bias_sigma_deg: 0.5\n  # tilt_bias_sigma_deg: 0.1\n\
             \x20 time_tag_sigma_s: 0\n",
        );
    }
    t.push_str("gnss:\n");
    if let Some((horizontal, up)) = report.sigma_95_of_epochs_m {
        let _ = write!(
            t,
            "  # For epochs without GST: what 95 % of the epochs with GST do not exceed.\n  assumed_sigma_horizontal_m: {horizontal:.4}\n  assumed_sigma_up_m: {up:.4}\n"
        );
    } else {
        unknowns.push("rig `gnss`: the receiver's sigmas, as the log has no GST".to_owned());
        t.push_str(
            "  # FILL IN: sigmas of one epoch; the log has no GST.\n  # assumed_sigma_horizontal_m: 0.02\n  # assumed_sigma_up_m: 0.035\n",
        );
    }
    t.push_str("  correlation_time_s: 115\n");
    t
}

fn reference(report: &Report, name: &str, unknowns: &mut Vec<String>) -> String {
    let mut t = String::new();
    let place =
        report.place.as_ref().map_or(String::new(), |p| format!("# The work is near {:.4}, {:.4} deg.\n", p.latitude_deg, p.longitude_deg));
    let _ = write!(
        t,
        "{place}reference: 1\nname: {}\ncorrections:\n\
         \x20 # FILL IN: frame of the corrections as a geographic 3D code, for example EPSG:9989 (ITRF2020); never WGS 84.\n  # frame: EPSG:9989\n\
         \x20 # FILL IN for a frame in which coordinates move: a decimal year, or observation.\n  # epoch: observation\n\
         \x20 # FILL IN: where this was read: page of the service, date, person.\n  # stated_by: ...\n",
        quoted(&format!("reference of {name}"))
    );
    match report.bases.as_slice() {
        [one] => {
            let _ = writeln!(t, "  base_station: {}   # as the log shows it", quoted(&one.id));
        }
        [] => {}
        several => {
            let ids: Vec<String> = several.iter().map(|b| quoted(&b.id)).collect();
            let _ = writeln!(t, "  # The log shows the base stations {}.", ids.join(", "));
        }
    }
    t.push_str(
        "  # 1 sigma of the base coordinates; 0 leaves them out of the budget.\n  base_sigma_horizontal_m: 0\n  base_sigma_up_m: 0\n\
         delivery:\n  # FILL IN: grid of the delivery as a projected code.\n  # crs: EPSG:...\n  heights:\n\
         \x20   # FILL IN: ellipsoid, or vertical-datum with `datum` and `geoid`.\n    # surface: vertical-datum\n    # datum: EPSG:...\n\
         \x20   # geoid: { grid: FILE, model: NAME, version: \"...\", frame: EPSG:..., sigma_m: 0.01 }\n\
         \x20   # FILL IN: m, ft (international) or ftUS.\n    # unit: m\n\
         budget:\n  # Worst accuracy that a transformation may state.\n  operation_m: 0.05\n\
         \x20 # FILL IN: what a delivered point must keep at 95 %.\n  # horizontal_95_m: 0.05\n  # vertical_95_m: 0.05\n",
    );
    unknowns.push("reference `corrections.frame`, `epoch`, `stated_by`: the frame of the corrections, from the service".to_owned());
    unknowns.push("reference `delivery.crs` and `delivery.heights`: grid, height surface, geoid and unit that the client wants".to_owned());
    unknowns.push("reference `budget`: the uncertainty that a point may have at 95 %".to_owned());
    t
}
