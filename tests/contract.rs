//! What every stage of the registry must keep, and what every finding must have.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

use pipeline_core::diag::codes;
use pipeline_core::job::{conform, parse};
use pipeline_core::stage::Inputs;
use serde_json::Value;
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

/// Every property of a schema and of its definitions.
fn properties(schema: &Value, out: &mut Vec<(String, Value)>) {
    match schema {
        Value::Object(map) => {
            if let Some(Value::Object(own)) = map.get("properties") {
                out.extend(own.iter().map(|(k, v)| (k.clone(), v.clone())));
            }
            map.values().for_each(|v| properties(v, out));
        }
        Value::Array(items) => items.iter().for_each(|v| properties(v, out)),
        _ => {}
    }
}

#[test]
fn every_option_is_explained_and_no_other_is_taken() {
    for kind in stages::builtin() {
        let (name, schema) = (kind.spec().name, kind.options_schema());
        let mut all = vec![];
        properties(&schema, &mut all);
        for (key, value) in all {
            assert!(value["description"].as_str().is_some_and(|d| d.len() >= 5), "{name}: option `{key}` is not explained");
        }
        assert_eq!(schema["additionalProperties"], false, "{name} would take any key");
        let document = parse::read("job", b"options: {no_such_option: 1}").unwrap();
        let found = conform::conform(&document, "options", &document.value["options"], &schema);
        assert!(found.iter().any(|d| d.code == "job/unknown-key"), "{name}");
    }
}

#[test]
fn examples_fit_their_own_options() {
    for kind in stages::builtin() {
        for example in kind.spec().examples {
            if example.options.trim() == "{}" {
                assert!(
                    kind.options_schema()["required"].as_array().is_none_or(Vec::is_empty),
                    "{}: `{}`",
                    kind.spec().name,
                    example.title
                );
                continue;
            }
            let document = parse::read("example", example.options.as_bytes())
                .unwrap_or_else(|e| panic!("{}: {}: {}", kind.spec().name, example.title, e.what));
            let found = conform::conform(&document, "", &document.value, &kind.options_schema());
            assert!(found.is_empty(), "{}, `{}`: {found:#?}", kind.spec().name, example.title);
        }
    }
}

#[test]
fn built_in_stages_pass_the_suite_of_plug_ins() {
    let folder = tempfile::tempdir().unwrap();
    let mut wrong = vec![];
    let mut ran = 0;
    for kind in stages::builtin() {
        let tried = pipeline_core::plugin::examine::examine(kind.as_ref(), folder.path());
        ran += usize::from(tried.iter().any(|t| t.what == "every row is accounted for"));
        wrong.extend(tried.into_iter().filter(|t| t.kept == Some(false)));
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    // Stages that need a rig, a reference or files are held by their own tests.
    assert!(ran >= 1, "no stage took a made-up table");
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
    "archive", "average", "classes", "control", "data", "export", "frame", "gate", "grids", "height", "ingest", "job", "laser", "lock",
    "notes", "plan", "plugin", "points", "repeats", "rig", "run", "stage", "time",
];

#[test]
fn every_code_is_listed_with_its_meaning() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut used = BTreeSet::new();
    for part in ["pipeline-core/src", "pipeline-core/cli", "stages/src"] {
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
