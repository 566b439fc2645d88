//! What every stage of the registry must keep, and what every finding must have.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

use pipeline_base::diag::codes;
use pipeline_core::stage::Inputs;
use plugin_host::examine::{StageTables, examine, examine_options};
use std::collections::BTreeSet;
use std::path::Path;

#[test]
fn names_and_pages_have_their_form() {
    for kind in stages::builtin() {
        let spec = kind.spec();
        assert!(spec.name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-'), "{}", spec.name);
        assert!(spec.version >= 1);
        assert!(spec.summary.starts_with(char::is_uppercase) && !spec.summary.ends_with('.'), "{}: {}", spec.name, spec.summary);
        let mut at = 0;
        for heading in ["# What it does", "# When to use it", "# What it promises", "# References"] {
            at = spec.doc[at..].find(heading).unwrap_or_else(|| panic!("{}: no `{heading}` in its place", spec.name)) + at;
        }
        // Points leave by an export; these two deliver what they find out about the rig.
        let report = matches!(spec.name, "calibrate-rig" | "daily-check");
        assert_eq!(spec.name.starts_with("export-") || report, spec.delivers, "{}", spec.name);
        assert_eq!(spec.name.starts_with("ingest-"), spec.inputs == Inputs::None, "{}", spec.name);
        assert!(
            !spec.examples.is_empty() || kind.options_schema()["properties"].as_object().is_none_or(serde_json::Map::is_empty),
            "{}: no example",
            spec.name
        );
    }
}

/// Files that examples of built-in stages name, for the made-up tables: 40 s from 2026-03-08 20:00 UTC on.
fn side_files(folder: &Path) {
    let put = |name: &str, text: &str| {
        let path = folder.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    };
    put(
        "notes/day.csv",
        "point,code,from,to,aim\nA,W-COUP,2026-03-08 20:00:02,2026-03-08 20:00:12,tip\nB,W-COUP,2026-03-08 20:00:20,2026-03-08 20:00:35,laser\n",
    );
    // GPS runs 18 s ahead of UTC.
    let rows = (0..2400).map(|i| format!("{:.2},{:.3},1.5,-2.25\n", 1_773_000_018.0 + 0.02 * f64::from(i), 10.0 + 0.001 * f64::from(i)));
    put(
        "hidden.csv",
        "point,kind,from,to,value_m,sigma_m,side\nH,distance,P-00,,12.5,0.01,left\nH,distance,P-01,,12.4,0.01,left\nH,height,P-00,,-1.2,0.01,\n",
    );
    put("grids/other.gtx", "no geoid");
    put(
        "site-marks.csv",
        "point,easting_m,northing_m,height_m,crs,height_datum,sigma_horizontal_m,sigma_up_m,source,date,use\n\
         P-00,1000.00,5000.00,50.00,Works grid,Works grid,0.01,0.01,made up,2026-02-11,fit\n\
         P-01,1000.10,5000.05,50.02,Works grid,Works grid,0.01,0.01,made up,2026-02-11,fit\n\
         P-02,1000.05,5000.10,50.04,Works grid,Works grid,0.01,0.01,made up,2026-02-11,fit\n",
    );
    put(
        "classes/client.yaml",
        "quality_classes: 1\nname: made up\nsource: made up\nmeasure: 95-percent\nclasses:\n  - { class: A, horizontal_m: 0.5, vertical_m: 0.5 }\n",
    );
    put("classes/national.csv", "class,horizontal_m,vertical_m\nA,0.3,0.4\nB,0.9,0.9\n");
    put("attitude/made-up.csv", &format!("time,yaw,pitch,roll\n{}", rows.collect::<String>()));
}

#[test]
fn built_in_stages_pass_the_suite_of_plug_ins() {
    let folder = tempfile::tempdir().unwrap();
    side_files(folder.path());
    let mut wrong = vec![];
    let mut not_run = vec![];
    let given = StageTables::by(&stages::behind::chain().unwrap()).unwrap();
    for kind in stages::builtin() {
        let name = kind.spec().name;
        // These two search long for the looks at one nail, which no made-up table holds: their own tests hold them.
        let of_looks = ["calibrate-rig", "daily-check"].contains(&name);
        let tried = if of_looks { examine_options(kind.as_ref()) } else { examine(kind.as_ref(), folder.path(), &given) };
        for what in ["every option is explained", "an unknown option is refused", "fits the options"] {
            assert!(tried.iter().any(|t| t.what.contains(what) && t.kept == Some(true)), "{name}: {what}: {tried:#?}");
        }
        let ran = tried.iter().any(|t| t.what == "every row is accounted for");
        // Readers take no table, and a plug-in cannot be one.
        assert!(ran || of_looks || kind.spec().inputs == Inputs::None, "`{name}` took none of the tables: {tried:#?}");
        let titles = tried.iter().filter(|t| t.kept.is_none()).filter_map(|t| t.what.strip_prefix("example `")?.strip_suffix("` runs"));
        not_run.extend(titles.map(|title| format!("{name}: {title}")));
        wrong.extend(tried.iter().filter(|t| t.kept == Some(false)).cloned());
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    // The first needs a file that only a run of the other example writes, the second a vertical datum of the registry with a geoid for it.
    assert_eq!(not_run, ["localise: The fit of an earlier job", "export-geopackage: Horizontal and vertical system in one definition"]);
}

/// Every `"area/what-is-wrong"` literal of the sources, without tests.
fn codes_in(folder: &Path, out: &mut BTreeSet<String>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() {
            if name != "tests" {
                codes_in(&path, out);
            }
        } else if name.ends_with(".rs")
            && !name.starts_with("tests")
            && !matches!(name.as_str(), "codes.rs" | "test_rows.rs" | "traps.rs" | "conformance.rs" | "testing.rs" | "fixture.rs")
        {
            let text = std::fs::read_to_string(&path).unwrap();
            let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap();
            let pieces: Vec<&str> = text.split('"').collect();
            for (before, literal) in pieces.iter().zip(&pieces[1..]) {
                // A path below the folder of outside values is no code.
                if before.ends_with("shared(") {
                    continue;
                }
                let Some((area, what)) = literal.split_once('/') else { continue };
                let word = |s: &str| !s.is_empty() && s.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-');
                if word(area) && word(what) && AREAS.contains(&area) {
                    out.insert((*literal).to_owned());
                }
            }
        }
    }
}

/// The areas of findings.
const AREAS: &[&str] = &[
    "archive", "asset", "average", "classes", "control", "data", "export", "frame", "gate", "grids", "height", "ingest", "job", "laser",
    "lock", "notes", "plan", "plugin", "points", "repeats", "rig", "run", "stage", "time",
];

#[test]
fn every_code_is_listed_with_its_meaning() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut used = BTreeSet::new();
    for part in [
        "pipeline-core/base/src",
        "pipeline-core/src",
        "pipeline-core/plugin-host/src",
        "pipeline-core/cli",
        "stages/geodesy/src",
        "stages/raw-logs/src",
        "stages/src",
    ] {
        codes_in(&root.join(part), &mut used);
    }
    let listed: BTreeSet<String> = codes::CODES.iter().map(|(code, _)| (*code).to_owned()).collect();
    let missing: Vec<&String> = used.difference(&listed).collect();
    let dead: Vec<&String> = listed.difference(&used).collect();
    assert!(missing.is_empty() && dead.is_empty(), "not in diag/codes.rs: {missing:#?}\nused nowhere: {dead:#?}");
    for pair in codes::CODES.windows(2) {
        assert!(pair[0].0 < pair[1].0, "`{}` stands before `{}`", pair[0].0, pair[1].0);
    }
    for (code, meaning) in codes::CODES {
        assert!(meaning.len() > 12 && !meaning.ends_with('.'), "{code}: {meaning}");
        assert_eq!(codes::meaning(code), Some(*meaning));
    }
}
