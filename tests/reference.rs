//! The reference of coordinates at every hop, and the five jobs of a new user that must stop at `check`.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod common;

use common::{code, find, findings, gunter, json, workspace};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_core::plan;
use pipeline_core::stage::{BindCx, Bound, Cx, Grain, Inputs, Spec, Stage, kind};
use std::path::Path;

fn edit(path: &Path, from: &str, to: &str) {
    let text = std::fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{from} is not in {text}");
    std::fs::write(path, text.replace(from, to)).unwrap();
}

/// A stage that takes several tables and joins them.
struct Together;

type None = std::collections::BTreeMap<String, String>;

impl Stage for Together {
    type Options = None;
    const SPEC: Spec = Spec {
        name: "together",
        version: 1,
        summary: "Joins tables",
        doc: "A stage of a test.",
        inputs: Inputs::Many,
        delivers: false,
        examples: &[],
    };
    fn bind(_: None, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        Ok(Bound::new(Self, cx.input()?.clone(), Grain::Whole))
    }
    fn run(&self, inputs: &[Table], _: &Cx) -> Result<Table, Problem> {
        Ok(inputs[0].clone())
    }
}

#[test]
fn tables_of_two_references_are_not_joined() {
    let folder = workspace();
    let place = folder.path().join("tests/fixtures/traps/T10");
    let mut registry = stages::registry().unwrap();
    registry.add(vec![kind::<Together>()]).unwrap();
    let job = place.join("fixed.yaml");
    let text = std::fs::read_to_string(&job).unwrap();
    let with = |from: &str| {
        std::fs::write(&job, format!("{text}  - id: both\n    stage: together\n    from: [{from}]\n")).unwrap();
        plan::compile(&job, &registry).map(|_| ()).map_err(|r| r.findings)
    };
    // One reference in both: nothing to say.
    with("heights, heights").unwrap();
    // The grid beside latitude and longitude; epochs at the antenna beside targets; the ellipsoid beside a datum.
    for (from, words) in [
        ("grid, heights", &["axes easting and northing in ft and latitude and longitude in deg"][..]),
        ("epochs, targets", &["physical point antenna reference point and target"]),
        (
            "points, heights",
            &["frame ITRF2020 (EPSG:9989) and NAD83(2011) (EPSG:6319)", "height surface above the ellipsoid", "unit of heights m and ft"],
        ),
    ] {
        let found = with(from).unwrap_err();
        let finding = found.iter().find(|f| f.code == "plan/reference-mismatch").unwrap_or_else(|| panic!("{found:#?}"));
        for word in words {
            assert!(finding.what.contains(word), "{word}: {}", finding.what);
        }
        assert!(!finding.size.is_empty() && !finding.fix.is_empty());
        // The step that would join them, and both steps that gave the references.
        assert_eq!(finding.labels.len(), 3, "{finding:#?}");
        for name in from.split(", ") {
            // A reference may come from further up: `targets` has its own, `points` has that of `targets`.
            let origin = if name == "points" { "targets" } else { name };
            assert!(finding.labels[1..].iter().any(|l| l.text.starts_with(&format!("`{origin}` gives "))), "{origin}: {finding:#?}");
        }
    }
    let found = with("points, heights").unwrap_err();
    let size = &found.iter().find(|f| f.code == "plan/reference-mismatch").unwrap().size;
    assert!(size.contains("1.3") && size.contains("m horizontally") && size.contains("N, -34"), "{size}");
}

#[test]
fn the_plan_prints_the_reference_of_every_step() {
    let folder = workspace();
    let said = gunter(folder.path(), &["check", "jobs/demo.yaml", "--plan"]);
    assert_eq!(code(&said), 0);
    let text = String::from_utf8(said.stdout).unwrap();
    let (_, steps) = text.split_once("\n\n").unwrap();
    let mut seen = 0;
    for step in steps.split("\n\n").filter(|s| s.contains("(version ")) {
        for line in ["  reference  ", "  epoch      ", "  axes       ", "  heights    ", "  point      "] {
            assert!(step.contains(line), "{line} is not in\n{step}");
        }
        seen += 1;
    }
    assert!(seen >= 11, "{seen} steps in\n{text}");
    for line in [
        "  reference  ITRF2020 (EPSG:9989)\n  epoch      each row at its own time of measurement\n  axes       longitude_deg (deg), latitude_deg (deg), ellipsoidal_height_m (m)\n  heights    above the ellipsoid in m\n  point      antenna reference point",
        "  reference  NAD83(2011) / UTM zone 16N (EPSG:6345)\n  epoch      no epoch: the frame moves with its plate\n  axes       easting_m (m), northing_m (m), height_m (m)\n  heights    above Saltgrass 2026 by Saltgrass geoid 2026 (sha256 cbd324cbe9fb…) in m\n  point      target",
    ] {
        assert!(text.contains(line), "{line}\nis not in\n{text}");
    }
}

#[test]
fn an_export_of_another_reference_names_both_places() {
    let folder = workspace();
    let place = folder.path().join("tests/fixtures/traps/T10");
    edit(&place.join("fixed.yaml"), "from: [grid]", "from: [heights]");
    let said = json(&gunter(&place, &["check", "fixed.yaml", "--format", "json"]));
    let finding = find(&findings(&said), "frame/not-as-promised").unwrap();
    let labels = finding["labels"].as_array().unwrap();
    let has = |file: &str, text: &str| labels.iter().any(|l| l["file"] == file && l["text"].as_str().unwrap().contains(text));
    assert!(has("reference-fixed.yaml", "set here") && has("fixed.yaml", "`heights` gives NAD83(2011) (EPSG:6319)"), "{finding:#}");
}

/// What a new user gets wrong: the finding, with its size in metres, at `check`.
#[test]
fn five_jobs_of_a_new_user_stop_at_check() {
    type Case<'a> = (&'a str, &'a [(&'a str, &'a str)], &'a str, &'a [&'a str]);
    // Job, edits of its reference, code, words of the size.
    let cases: [Case; 9] = [
        ("T06", &[("frame: EPSG:9989", "frame: WGS 84")], "frame/ensemble-source", &["0.000 m", "1.3"]),
        ("T06", &[("frame: EPSG:9989", "frame: EPSG:4326")], "frame/ensemble-source", &["0.000 m", "1.3"]),
        ("T06", &[("frame: EPSG:9989", "frame: EPSG:4979")], "frame/ensemble-source", &["0.000 m", "1.3"]),
        ("T10", &[("grid: geoid.gtx", "grid: not-here.gtx")], "height/geoid-missing", &["-34.2 m here"]),
        ("T08", &[], "frame/mixed-units", &["factor of 3.28"]),
        ("T06", &[], "frame/no-epoch", &["m horizontally", "m each year"]),
        ("T10", &[], "frame/outside-area", &["would come out"]),
        ("T10", &[("crs: EPSG:6494", "crs: EPSG:6494+5703")], "frame/compound", &["the distance of the two datums", "metre"]),
        ("T08", &[("crs: EPSG:6499", "crs: EPSG:6499+8228")], "frame/compound", &["-34.2 m here"]),
    ];
    for (trap, edits, want, words) in cases {
        let folder = workspace();
        let place = folder.path().join("tests/fixtures/traps").join(trap);
        for (from, to) in edits {
            edit(&place.join("reference.yaml"), from, to);
        }
        let said = gunter(&place, &["check", "job.yaml", "--format", "json"]);
        assert_eq!(code(&said), 2, "{trap} {edits:?}");
        let found = findings(&json(&said));
        let finding = find(&found, want).unwrap_or_else(|| panic!("{trap} {edits:?}: no {want} in {found:#?}"));
        for word in words {
            assert!(finding["size"].as_str().unwrap().contains(word), "{trap} {edits:?}: {word} is not in {finding:#}");
        }
        assert!(!place.join("results").exists(), "{trap}: `check` wrote something");
    }
}

#[test]
fn a_bare_foot_is_no_unit() {
    for unit in ["feet", "foot", "us-ft", "FT", "yd", "km"] {
        let folder = workspace();
        let place = folder.path().join("tests/fixtures/traps/T08");
        edit(&place.join("reference.yaml"), "unit: m", &format!("unit: {unit}"));
        let said = gunter(&place, &["check", "job.yaml", "--format", "json"]);
        let finding = find(&findings(&json(&said)), "job/unknown-value").unwrap_or_else(|| panic!("{unit}"));
        let text = finding.to_string();
        assert!(code(&said) == 2 && text.contains("ftUS") && text.contains("`m`"), "{text}");
    }
}
