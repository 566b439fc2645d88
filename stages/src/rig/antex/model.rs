//! From the rig's `antenna` to the length between phase centre and reference point.

use super::{Found, Pattern, read};
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::input::{unpack, unreadable};
use pipeline_base::problem::Problem;
use pipeline_base::rig::{AntexModel, BodyVector, Owner, Rig};
use pipeline_base::table::schema::PhysicalPoint;
use pipeline_core::stage::{Resource, ResourceRole};
use serde_json::{Value, json};
use std::io::Read;

/// A file of antennas is never this large, bytes.
const LARGEST: u64 = 256 << 20;

/// The length from the phase centre to the reference point in body axes: the offset of the file turned by the north mark, the other way
/// round. The height that the variations make stays out of it, and goes into its sigma.
#[must_use]
pub(crate) fn head_of(pattern: &Pattern, model: &AntexModel) -> BodyVector {
    let [north, east, up] = pattern.offset_mm.map(|v| v / 1000.0);
    let (s, c) = model.north_mark_azimuth_deg.to_radians().sin_cos();
    let (forward, right) = (north * c - east * s, north * s + east * c);
    let sigma_m = model.sigma_m.hypot(pattern.height_of_variations_mm() / 1000.0);
    BodyVector { x_m: -forward, y_m: -right, z_m: up, sigma_m }
}

/// What resolving gave.
pub(crate) struct Resolved {
    /// The rig, with the length of the antenna filled in.
    pub rig: Rig,
    /// The file, when one was read.
    pub resource: Option<Resource>,
    /// What the plan prints.
    pub decided: Option<Value>,
    /// Notes for the plan.
    pub notes: Vec<Problem>,
}

/// Fills the antenna's length from its ANTEX file, where the rig names one and `gunter` has to apply it.
///
/// # Errors
/// `rig/length-twice` when the length is given in two ways, `rig/antenna-file` for a file that cannot be read, `rig/antenna-not-in-file` and
/// `rig/frequency-not-in-file` for what it does not hold.
pub(crate) fn resolve(rig: &Rig) -> Result<Resolved, Vec<Problem>> {
    let plain = Resolved { rig: rig.clone(), resource: None, decided: None, notes: vec![] };
    let Some(antenna) = &rig.antenna else { return Ok(plain) };
    let Some(model) = &antenna.antex else { return Ok(plain) };
    if let Some(v) = &antenna.phase_centre_to_reference_point {
        let length = v.x_m.hypot(v.y_m).hypot(v.z_m);
        return Err(vec![
            Problem::blocks(
                "rig/length-twice",
                format!(
                    "the length from phase centre to reference point has two owners: {length:.4} m in the rig and the model in `{}`",
                    model.file
                ),
            )
            .rig_key("antenna")
            .size(format!("{length:.3} m in height if both were applied"))
            .why("`antenna.phase_centre_to_reference_point` and `antenna.antex` give the same link of the chain")
            .fix("keep one of the two"),
        ]);
    }
    if rig.receiver_output != PhysicalPoint::AntennaPhaseCentre || antenna.applied_by == Some(Owner::Receiver) {
        // The receiver has applied it; the ledger says so, and the file is not needed.
        return Ok(plain);
    }
    let path = rig.folder.join(&model.file);
    let text = text(&path, model).map_err(|p| vec![p])?;
    let found = read(&text, &model.antenna, model.serial.as_deref(), &model.frequency).map_err(|b| vec![broken(model, &b)])?;
    let Some(pattern) = &found.pattern else { return Err(vec![missing(model, &found, &text)]) };
    let vector = head_of(pattern, model);
    let height = pattern.height_of_variations_mm();
    let decided = json!({
        "file": model.file, "antenna": pattern.kind, "serial": pattern.serial, "frequency": pattern.frequency, "method": pattern.method,
        "north_east_up_mm": pattern.offset_mm, "variations_act_as_height_mm": (height * 100.0).round() / 100.0,
        "variations_from_zenith_mm": pattern.variations_mm.iter().map(|v| v.to_string()).collect::<Vec<_>>().join(" "),
    });
    let mut notes = vec![];
    if let Some(line) = found.cut_at {
        notes.push(
            Problem::from(
                Diagnostic::new(
                    "rig/antenna-cut",
                    Verdict::Warn,
                    format!("`{}` breaks off inside the antenna `{}`", model.file, pattern.kind),
                )
                .label(Label::lines(&model.file, line, line, "the next antenna begins here"))
                .size(format!(
                    "none on `{}`, {:.3} m up, which is whole; other frequencies are missing",
                    pattern.frequency,
                    pattern.offset_mm[2] / 1000.0
                ))
                .why("the section has no `END OF ANTENNA`, as in a file that was cut by hand")
                .fix("get the whole file from its source"),
            )
            .rig_key("antenna.antex.file"),
        );
    }
    if !found.absolute {
        notes.push(
            Problem::from(
                Diagnostic::new(
                    "rig/antenna-relative",
                    Verdict::Warn,
                    format!("`{}` holds phase centres relative to another antenna", model.file),
                )
                .size("up to some 0.02 m in height against absolute ones")
                .why("corrections and base antennas of today are absolute")
                .fix("use an absolute file (type A) of the frame of the corrections"),
            )
            .rig_key("antenna.antex.file"),
        );
    }
    let mut rig = rig.clone();
    if let Some(antenna) = &mut rig.antenna {
        antenna.phase_centre_to_reference_point = Some(vector);
    }
    let resource = Resource { name: model.file.clone(), path, role: ResourceRole::Table, option: String::new() };
    Ok(Resolved { rig, resource: Some(resource), decided: Some(decided), notes })
}

fn text(path: &std::path::Path, model: &AntexModel) -> Result<String, Problem> {
    let file = std::fs::File::open(path).map_err(|e| {
        let mut p = unreadable(&model.file, &e).rig_key("antenna.antex.file");
        p.finding.code = "rig/antenna-file".to_owned();
        p.finding.size =
            "the phase centre lies some 0.05 m to 0.15 m above the reference point; every height would be too high by that length"
                .to_owned();
        p.finding.fix = "put the antenna file beside the rig file; the path counts from there".to_owned();
        p
    })?;
    let bad = |e: std::io::Error| unreadable(&model.file, &e).rig_key("antenna.antex.file");
    let mut bytes = vec![];
    unpack(Box::new(file)).map_err(bad)?.take(LARGEST).read_to_end(&mut bytes).map_err(bad)?;
    // Names of people in comments are not always UTF-8; the reader allows that in comments only.
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

fn broken(model: &AntexModel, broken: &super::Broken) -> Problem {
    Problem::blocks("rig/antenna-file", format!("`{}` cannot be used: {}", model.file, broken.what))
        .rig_key("antenna.antex.file")
        .label(Label::lines(&model.file, broken.line, broken.line, "this line"))
        .size("the phase centre lies some 0.05 m to 0.15 m above the reference point; every height would be too high by that length")
        .why("the file does not follow ANTEX 1.4, so no value of it is trusted")
        .fix("get the file again from its source")
}

/// Typical height of the phase centre in this file, m, to give the finding its size.
fn typical(found: &Found, text: &str, frequency: &str) -> Option<f64> {
    let mut heights: Vec<f64> =
        found.kinds.iter().take(20).filter_map(|k| read(text, k, None, frequency).ok()?.pattern).map(|p| p.offset_mm[2] / 1000.0).collect();
    heights.sort_by(f64::total_cmp);
    heights.get(heights.len() / 2).copied()
}

fn missing(model: &AntexModel, found: &Found, text: &str) -> Problem {
    let size = typical(found, text, &model.frequency).map_or_else(
        || "some 0.05 m to 0.15 m in every height".to_owned(),
        |h| format!("the phase centre of antennas in this file is typically {h:.3} m above the reference point; with a model of zeros every height would be too high by such a length"),
    );
    let near = crate::export::path::nearest(model.antenna.trim_end(), found.kinds.iter().map(String::as_str));
    let (code, what, why, fix, key) = if !found.frequencies.is_empty() {
        (
            "rig/frequency-not-in-file",
            format!("`{}` has no frequency `{}` for `{}`", model.file, model.frequency, model.antenna),
            format!("it has {}", found.frequencies.join(", ")),
            "name the frequency that the receiver's solution is of".to_owned(),
            "antenna.antex.frequency",
        )
    } else if !found.serials.is_empty() {
        let list: Vec<String> =
            found.serials.iter().map(|s| if s.is_empty() { "the mean of the type".to_owned() } else { format!("`{s}`") }).collect();
        (
            "rig/antenna-not-in-file",
            format!("`{}` has no antenna `{}` with serial `{}`", model.file, model.antenna, model.serial.as_deref().unwrap_or("(none)")),
            format!("of this type it has {}", list.join(", ")),
            "correct `antenna.antex.serial`, or leave it out for the mean of the type".to_owned(),
            "antenna.antex.serial",
        )
    } else {
        (
            "rig/antenna-not-in-file",
            format!("`{}` has no antenna `{}`", model.file, model.antenna),
            "an antenna that is not in the file has no known phase centre; a model of zeros would look as good as a real one".to_owned(),
            near.map_or_else(
                || {
                    format!(
                        "write antenna and radome as the file does, 20 characters wide, such as `{}`",
                        found.kinds.first().map_or("", String::as_str)
                    )
                },
                |n| format!("did you mean `{n}`? antenna and radome stand in 20 columns, the radome from column 17"),
            ),
            "antenna.antex.antenna",
        )
    };
    Problem::blocks(code, what).rig_key(key).size(size).why(why).fix(fix)
}
