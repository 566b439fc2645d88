//! Published grids whose bytes this program knows.
//!
//! A file under the name of one of them, with other bytes, is damaged, edited or another edition; nothing in it can tell
//! which.

use super::crs::block;
use super::packages;
use crate::grids::ChosenGrid;
use pipeline_base::problem::Problem;

const TABLE: &str = include_str!("known.csv");

/// A published file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PublishedGrid {
    /// SHA-256.
    pub sha256: String,
    /// Name under which it is published.
    pub file: String,
    /// Where.
    pub source: String,
}

/// Every row of the table.
#[must_use]
pub fn all() -> Vec<PublishedGrid> {
    csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(TABLE.as_bytes())
        .records()
        .filter_map(Result::ok)
        .filter_map(|r| Some(PublishedGrid { sha256: r.get(0)?.to_owned(), file: r.get(1)?.to_owned(), source: r.get(2)?.to_owned() }))
        .collect()
}

/// What is published with these bytes.
#[must_use]
pub fn bytes(sha256: &str) -> Option<PublishedGrid> {
    all().into_iter().find(|k| k.sha256.eq_ignore_ascii_case(sha256))
}

/// A file with the name of a published one and other bytes (`grids/other-bytes`).
#[must_use]
pub fn other_bytes(grid: &ChosenGrid) -> Option<Problem> {
    let file = grid.path.file_name()?.to_string_lossy().into_owned();
    let published: Vec<PublishedGrid> = all().into_iter().filter(|k| k.file.eq_ignore_ascii_case(&file)).collect();
    if published.is_empty() || bytes(&grid.sha256).is_some() {
        return None;
    }
    let editions: Vec<String> = published.iter().map(|k| format!("`{}` ({})", k.sha256, k.source)).collect();
    Some(
        block("grids/other-bytes", format!("the grid `{file}` has sha256 `{}`; published under this name is {}", grid.sha256, editions.join(", ")))
            .size("unknown in m; one changed byte moves points by millimetres to kilometres, another edition by centimetres to decimetres")
            .why("the file is damaged, was edited or is another edition, and nothing in it can tell which")
            .fix(format!(
                "{}; if it is another edition on purpose, say so: `gunter grids add {file} --model NAME --version VERSION`, or name its digest in `delivery.heights.geoid.sha256`",
                packages::how_to_get(&file)
            )),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use pipeline_base::digest;
    use survey_testing::shared;

    #[test]
    fn rows_are_digests_of_files() {
        let rows = all();
        assert_eq!(rows.len(), TABLE.lines().filter(|l| !l.starts_with('#')).count() - 1);
        for k in &rows {
            assert!(k.sha256.len() == 64 && k.sha256.bytes().all(|b| b.is_ascii_hexdigit()) && !k.source.is_empty(), "{k:?}");
        }
        // Where the files are at hand, they have these bytes.
        for folder in [shared("data/grids"), Some("/usr/share/proj".into())].into_iter().flatten() {
            for k in rows.iter().filter(|k| folder.join(&k.file).is_file()) {
                assert!(
                    rows.iter().any(|r| r.file == k.file && r.sha256 == digest::sha256_of_file(&k.file, &folder.join(&k.file)).unwrap()),
                    "{k:?}"
                );
            }
        }
    }

    #[test]
    fn other_bytes_under_a_known_name() {
        let picked = |name: &str, sha256: &str| ChosenGrid { name: "x".into(), path: name.into(), sha256: sha256.into() };
        let known = &all()[0];
        assert!(other_bytes(&picked(&known.file, &known.sha256)).is_none());
        assert!(other_bytes(&picked("of-our-own.gtx", &"ab".repeat(32))).is_none());
        let said = other_bytes(&picked(&known.file, &"ab".repeat(32))).unwrap();
        assert!(said.finding.code == "grids/other-bytes" && said.finding.what.contains(&known.sha256), "{said:?}");
    }
}
