//! The walls of the house: which crate may use which, no circle of files, `unsafe` only where a README says why, one set of features,
//! and a map in DEVELOPERS.md that cannot lie.

#![allow(clippy::unwrap_used)]

#[path = "house/circles.rs"]
mod circles;
#[path = "house/source.rs"]
mod source;

use source::{Crate, crates, root};
use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

/// What each crate of the product may use of the others; whatever is not listed is a wall.
const WALLS: &[(&str, &[&str])] = &[
    ("pipeline-base", &[]),
    ("survey-mathematics", &[]),
    ("pipeline-core", &["pipeline-base"]),
    ("survey-geodesy", &["pipeline-base", "survey-mathematics"]),
    ("raw-logs", &["pipeline-base", "survey-mathematics"]),
    ("stages", &["pipeline-base", "pipeline-core", "survey-mathematics", "survey-geodesy", "raw-logs"]),
    ("gunter-plugin-abi", &[]),
    ("gunter-plugin", &["gunter-plugin-abi"]),
    ("plugin-host", &["pipeline-base", "pipeline-core", "gunter-plugin-abi"]),
    ("gunter", &["pipeline-base", "pipeline-core", "plugin-host", "stages", "survey-geodesy"]),
    ("generator", &[]),
    ("linetrace", &["gunter-plugin"]),
    ("hostile", &["gunter-plugin-abi"]),
];

/// Crates without code of the product: features, and helpers of tests.
const BESIDE: &[&str] = &["one-feature-set", "survey-testing"];

/// Where `unsafe` may stand. The README of each says why.
const UNSAFE: &[&str] = &["survey-geodesy", "plugin-host", "gunter-plugin", "gunter-plugin-abi", "hostile"];

fn metadata() -> serde_json::Value {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let out = Command::new(cargo).args(["metadata", "--format-version", "1", "--no-deps"]).current_dir(root()).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

/// Name of each package, where it stands, and which packages of the workspace it uses.
fn arrows() -> Vec<(String, String, Vec<String>)> {
    let all = metadata();
    let packages = all["packages"].as_array().unwrap();
    let names: BTreeSet<&str> = packages.iter().map(|p| p["name"].as_str().unwrap()).collect();
    let mut found: Vec<_> = packages
        .iter()
        .map(|p| {
            let uses = p["dependencies"].as_array().unwrap().iter().filter(|d| d["kind"].is_null());
            let uses = uses.map(|d| d["name"].as_str().unwrap()).filter(|n| names.contains(n) && !BESIDE.contains(n));
            let mut uses: Vec<String> = uses.map(str::to_owned).collect();
            uses.sort();
            let place = p["manifest_path"].as_str().unwrap().strip_prefix(root().to_str().unwrap()).unwrap();
            let place = place.trim_start_matches('/').trim_end_matches("Cargo.toml").trim_end_matches('/');
            (p["name"].as_str().unwrap().to_owned(), place.to_owned(), uses)
        })
        .collect();
    found.sort();
    found
}

#[test]
fn arrows_between_crates_stay_within_the_walls() {
    let walls: BTreeMap<&str, &[&str]> = WALLS.iter().copied().collect();
    for (name, _, uses) in arrows() {
        if BESIDE.contains(&name.as_str()) {
            assert!(uses.is_empty(), "`{name}` uses {uses:?}");
            continue;
        }
        let may = walls.get(name.as_str()).unwrap_or_else(|| panic!("`{name}` has no line in WALLS"));
        let beyond: Vec<_> = uses.iter().filter(|u| !may.contains(&u.as_str())).collect();
        assert!(beyond.is_empty(), "`{name}` reaches through a wall to {beyond:?}");
    }
}

#[test]
fn no_circle_of_files() {
    let found = circles::circles(&crates());
    assert!(found.is_empty(), "files that need each other:\n{}", found.join("\n"));
}

#[test]
fn unsafe_code_stands_only_where_a_readme_says_why() {
    for Crate { name, folder, modules, .. } in crates() {
        let with: Vec<_> = modules.iter().filter(|m| m.unsafe_code).map(|m| m.file.clone()).collect();
        if !UNSAFE.contains(&name.as_str()) {
            assert!(with.is_empty(), "unsafe code in `{name}`: {with:?}");
            continue;
        }
        let readme = std::fs::read_to_string(folder.join("README.md")).unwrap_or_default();
        assert!(readme.contains("`unsafe`"), "the README of `{name}` does not say why there is unsafe code");
    }
}

/// The crates by floor: each stands above all that it uses.
fn map() -> String {
    let arrows = arrows();
    let uses: BTreeMap<&str, &[String]> = arrows.iter().map(|(n, _, u)| (n.as_str(), u.as_slice())).collect();
    fn floor(name: &str, uses: &BTreeMap<&str, &[String]>) -> usize {
        uses.get(name).map_or(0, |u| u.iter().map(|n| floor(n, uses) + 1).max().unwrap_or(0))
    }
    let mut rows: Vec<_> = arrows.iter().filter(|(n, ..)| !BESIDE.contains(&n.as_str())).map(|a| (floor(&a.0, &uses), a)).collect();
    rows.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.0.cmp(&b.1.0)));
    let wide = rows.iter().map(|(_, (n, ..))| n.len()).max().unwrap_or(0);
    let place = rows.iter().map(|(_, (_, p, _))| p.len()).max().unwrap_or(0);
    let mut out = String::from("```text\nfloor  crate and its folder, and what it uses below\n");
    for (floor, (name, folder, uses)) in rows {
        let folder = if folder.is_empty() { "." } else { folder };
        let uses = if uses.is_empty() { "-".to_owned() } else { uses.join(", ") };
        out.push_str(&format!("{floor:>5}  {name:wide$}  {folder:place$}  {uses}\n"));
    }
    out.push_str("```\n");
    out
}

#[test]
fn the_map_of_crates_is_the_one_of_cargo() {
    const FROM: &str = "<!-- crates: made from cargo metadata by tests/house.rs -->\n";
    const TO: &str = "<!-- end of crates -->";
    let path = root().join("DEVELOPERS.md");
    let text = std::fs::read_to_string(&path).unwrap();
    let from = text.find(FROM).unwrap() + FROM.len();
    let to = text.find(TO).unwrap();
    let map = map();
    if std::env::var_os("GUNTER_RENEW").is_some() {
        std::fs::write(&path, [&text[..from], &map, &text[to..]].concat()).unwrap();
        return;
    }
    assert_eq!(&text[from..to], map, "GUNTER_RENEW=1 cargo test --release --workspace --test house writes it");
}

/// Features of each dependency for a choice of packages.
fn features(choice: &[&str]) -> BTreeMap<String, BTreeSet<String>> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let form = ["tree", "--edges", "normal,build,dev", "--format", "{p}|{f}", "--prefix", "none"];
    let out = Command::new(cargo).args(form).args(choice).current_dir(root()).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let mut found: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for line in String::from_utf8_lossy(&out.stdout).lines() {
        let line = line.replace(" (*)", "").replace(" (proc-macro)", "");
        // Packages of the workspace carry their path.
        if let Some((package, features)) = line.split_once('|').filter(|(p, _)| !p.contains("(/")) {
            found.entry(package.trim().to_owned()).or_default().insert(features.to_owned());
        }
    }
    found
}

#[test]
fn every_choice_of_packages_has_the_same_features() {
    let whole = features(&["--workspace"]);
    for (name, ..) in arrows() {
        for (package, chosen) in features(&["--package", &name]) {
            let known = &whole[&package];
            let other: Vec<_> = chosen.difference(known).collect();
            assert!(
                other.is_empty(),
                "`-p {name}` builds {package} anew with {other:?}, the workspace has {known:?}: see pipeline-core/one-feature-set"
            );
        }
    }
}
