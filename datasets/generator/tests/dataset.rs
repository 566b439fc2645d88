//! The committed data set is what the generator writes, and its README and rig file say so.
#![allow(missing_docs, clippy::expect_used)]

use std::io::Read;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn read(path: &Path) -> Vec<u8> {
    std::fs::read(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Uncompressed bytes: those of the compressed file may differ from one compressor to the next.
fn unzipped(path: &Path) -> Vec<u8> {
    let mut out = vec![];
    flate2::read::GzDecoder::new(read(path).as_slice()).read_to_end(&mut out).expect("gzip");
    out
}

fn digest(bytes: &[u8]) -> String {
    use sha2::Digest;
    sha2::Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

#[test]
fn demo_is_what_the_generator_writes() {
    let folder = root().join("datasets/saltgrass");
    let readme = String::from_utf8(read(&folder.join("README.md"))).expect("text");
    for (name, content) in generator::demo::files(generator::scene::SEED) {
        let committed = if name.ends_with(".nmea") { unzipped(&folder.join(format!("{name}.gz"))) } else { read(&folder.join(&name)) };
        assert!(committed == content, "{name} differs: run `cargo run -p generator -- demo datasets/saltgrass`");
        assert!(readme.contains(&digest(&content)), "README.md has not the digest of {name}: {}", digest(&content));
    }
}

#[test]
fn fixtures_are_what_the_generator_writes() {
    for (name, content) in generator::traps::files() {
        let committed = read(&root().join("tests/fixtures").join(&name));
        assert!(committed == content, "{name} differs: run `cargo run -p generator -- traps tests/fixtures`");
    }
}

#[test]
fn an_archive_has_the_size_it_states() {
    let folder = tempfile::tempdir().expect("folder");
    let size = generator::bench::write(folder.path(), 2, 3).expect("written");
    let bytes: u64 = ["s001", "s002"].iter().map(|s| read(&folder.path().join(format!("logs/{s}.nmea"))).len() as u64).sum();
    assert_eq!(size.bytes, bytes);
    assert_eq!(size.shots, 12);
    // A stop takes about half a minute.
    assert!((1200..2600).contains(&size.epochs), "{size:?}");
}

#[test]
fn rig_file_states_what_the_generator_used() {
    let file = |name: &str| String::from_utf8(read(&root().join(name))).expect("text");
    let stated: serde_yaml::Value = serde_yaml::from_str(&file("jobs/rigs/pole-with-laser.yaml")).expect("yaml");
    let used: serde_yaml::Value =
        serde_yaml::from_str(&generator::rig::NOMINAL.yaml("x", "antenna-reference-point", "gunter")).expect("yaml");
    for part in ["receiver_output", "pole", "laser", "sensors"] {
        assert_eq!(stated[part], used[part], "{part}");
    }
    for (key, value) in used["attitude"].as_mapping().expect("attitude") {
        assert_eq!(&stated["attitude"][key], value, "{key:?}");
    }
    let reference: serde_yaml::Value = serde_yaml::from_str(&file("jobs/references/saltgrass-works.yaml")).expect("yaml");
    let geoid = &reference["delivery"]["heights"]["geoid"];
    assert_eq!(geoid["sigma_m"].as_f64(), Some(generator::scene::GEOID_SIGMA));
    assert_eq!(geoid["sha256"].as_str(), Some(digest(&generator::scene::grid().bytes()).as_str()));
    assert_eq!(reference["corrections"]["base_sigma_horizontal_m"].as_f64(), Some(generator::scene::BASE_SIGMA));
    assert_eq!(reference["corrections"]["base_sigma_up_m"].as_f64(), Some(generator::scene::BASE_SIGMA_UP));
}
