//! Exactly one file for the name of a grid, or a finding.
//!
//! A name is looked for in all folders, not only until the first hit: two editions under one name are
//! told apart by the digest that the reference or the lock gives, and without a digest the job stops.

use super::area::{Area, place_text};
use super::crs::block;
use super::grids::GeoidGrid;
use super::proj_context::GridNeed;
use super::{packages, published_grids, store};
use crate::grids::ChosenGrid;
use crate::withdrawn::Withdrawn;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::digest;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use std::path::{Path, PathBuf};

/// All files of a name, each place once, in the order of the folders.
fn copies(name: &str, folders: &[PathBuf]) -> Vec<PathBuf> {
    let path = Path::new(name);
    if path.is_absolute() {
        return path.is_file().then(|| path.to_owned()).into_iter().collect();
    }
    let mut seen = vec![];
    let mut found = vec![];
    for path in folders.iter().map(|f| f.join(path)).filter(|p| p.is_file()) {
        let real = path.canonicalize().unwrap_or_else(|_| path.clone());
        if !seen.contains(&real) {
            seen.push(real);
            found.push(path);
        }
    }
    found
}

/// Names of grids for which there is no file under either name. What the library says of a grid is not asked: it may have
/// looked in the working folder.
#[must_use]
pub fn absent(needs: &[GridNeed], folders: &[PathBuf]) -> Vec<String> {
    let here = |name: &str| !copies(name, folders).is_empty() || packages::older(name).is_some_and(|o| !copies(o, folders).is_empty());
    needs.iter().map(|g| &g.name).filter(|name| !here(name)).cloned().collect()
}

/// All files of a name with their digests.
fn hashed(name: &str, file: &str, folders: &[PathBuf]) -> Result<Vec<ChosenGrid>, Problem> {
    let one = |path: PathBuf| Ok(ChosenGrid { name: name.to_owned(), sha256: digest::sha256_of_file(file, &path)?, path });
    copies(file, folders).into_iter().map(one).collect()
}

/// The file of a name, or, where none has it, of the older name that the registry knows for the grid. With a digest, that
/// one among all copies, and the first copy when none has it: the caller compares. Without, all copies must be the
/// same. `None` when there is no copy.
///
/// # Errors
/// `grids/two-versions`, `grids/withdrawn`, `grids/other-bytes`, `data/unreadable-file`.
pub fn pick(name: &str, want: Option<&str>, folders: &[PathBuf], place: Option<Locality>) -> Result<Option<ChosenGrid>, Problem> {
    let wanted = |p: &&ChosenGrid| want.is_some_and(|want| p.sha256.eq_ignore_ascii_case(want));
    let mut all = hashed(name, name, folders)?;
    if (all.is_empty() || want.is_some() && !all.iter().any(|p| wanted(&p)))
        && let Some(older) = packages::older(name)
    {
        all.extend(hashed(name, older, folders)?);
    }
    let Some(first) = all.first() else { return Ok(None) };
    let chosen = match want {
        Some(_) => all.iter().find(wanted).unwrap_or(first),
        None => match all.iter().find(|p| p.sha256 != first.sha256) {
            Some(other) => return Err(two_versions(first, other, place)),
            None => first,
        },
    };
    if let Some(bad) = store::withdrawn(folders)?.into_iter().find(|w| w.sha256 == chosen.sha256) {
        return Err(is_withdrawn(chosen, &bad));
    }
    if want.is_none()
        && store::about(&chosen.sha256)?.is_none()
        && let Some(problem) = published_grids::other_bytes(chosen)
    {
        return Err(problem);
    }
    Ok(Some(chosen.clone()))
}

/// Nothing says which bytes a grid must have, neither reference, lock and grid store nor the list of published files
/// (`grids/unpinned`): the job runs, and another machine may give other coordinates without a word.
///
/// # Errors
/// `grids/bad-index`.
pub fn unpinned(grid: &ChosenGrid) -> Result<Option<Problem>, Problem> {
    if store::about(&grid.sha256)?.is_some() || published_grids::bytes(&grid.sha256).is_some() {
        return Ok(None);
    }
    let finding = Diagnostic::new(
        "grids/unpinned",
        Verdict::Warn,
        format!("nothing says which bytes the grid `{}` must have; here it has sha256 `{}`", grid.name, grid.sha256),
    )
    .size("unknown in m; editions of a grid under one name differ by centimetres to decimetres")
    .why("another machine may have another edition under this name, and one changed byte changes coordinates")
    .fix("write the digest into the reference where it can hold one (`delivery.heights.geoid.sha256`), or lock the job: `gunter lock JOB`");
    Ok(Some(Problem::from(finding)))
}

fn two_versions(a: &ChosenGrid, b: &ChosenGrid, place: Option<Locality>) -> Problem {
    let here = place.and_then(|l| {
        let n = |p: &ChosenGrid| GeoidGrid::at(&p.path).ok()?.separation_at(l.latitude_deg, l.longitude_deg).ok()?;
        Some(format!("{:.3} m in height at {}", (n(a)? - n(b)?).abs(), place_text(l.latitude_deg, l.longitude_deg)))
    });
    let folder = |p: &ChosenGrid| p.path.parent().map_or_else(String::new, |f| f.display().to_string());
    block("grids/two-versions", format!("two different files are called `{}`: sha256 `{}` and `{}`", a.name, a.sha256, b.sha256))
        .size(here.unwrap_or_else(|| "unknown in m; editions of a grid differ by centimetres to decimetres in places".to_owned()))
        .why(format!("they lie in `{}` and `{}`, and nothing says which one is meant", folder(a), folder(b)))
        .fix("remove the wrong one, or name the right one by its digest (`delivery.heights.geoid.sha256`; `gunter lock` for others)")
}

fn is_withdrawn(grid: &ChosenGrid, bad: &Withdrawn) -> Problem {
    let source = if bad.source.is_empty() { String::new() } else { format!(" ({})", bad.source) };
    block("grids/withdrawn", format!("the grid `{}` has sha256 `{}`, which was withdrawn", grid.name, grid.sha256))
        .size("unknown in m; a withdrawn edition is wrong by centimetres to decimetres in places")
        .why(format!("{}{source}", bad.reason))
        .fix(format!("{}; the present edition has another digest", packages::how_to_get(&grid.name)))
}

/// Distance (km) from a place to the edge of a grid's coverage, in words; positive inside.
#[must_use]
pub fn coverage(name: &str, area: &Area, place: Locality) -> String {
    margin_text(&format!("grid `{name}`"), area, place, "coverage")
}

/// `WHAT: 12 km inside the southern limit of its AREA`.
#[must_use]
pub fn margin_text(what: &str, area: &Area, place: Locality, of: &str) -> String {
    let (km, side) = area.margin(place.latitude_deg, place.longitude_deg);
    let number = if km.abs() < 10.0 { format!("{:.1}", km.abs()) } else { format!("{:.0}", km.abs()) };
    format!("{what}: {number} km {} the {}ern limit of its {of}", if km < 0.0 { "OUTSIDE" } else { "inside" }, side.word())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::withdrawn::{OWN, withdrawn_of};
    use survey_testing::{plane, write_gtx};

    #[test]
    fn one_file_or_a_finding() {
        let folder = tempfile::tempdir().unwrap();
        let (a, b) = (folder.path().join("a"), folder.path().join("b"));
        std::fs::create_dir_all(&a).unwrap();
        std::fs::create_dir_all(&b).unwrap();
        let folders = [a.clone(), b.clone()];
        assert_eq!(pick("g.gtx", None, &folders, None).unwrap(), None);
        write_gtx(&b.join("g.gtx"), 26.0, -88.5, 0.25, 13, 13, plane);
        let second = pick("g.gtx", None, &folders, None).unwrap().unwrap();
        assert_eq!(second.path, b.join("g.gtx"));
        // Another edition in front: without a digest no one knows, with one the place does not matter.
        write_gtx(&a.join("g.gtx"), 26.0, -88.5, 0.25, 13, 13, |la, lo| plane(la, lo) + 0.25);
        let place = Locality {
            latitude_deg: 27.5,
            longitude_deg: -87.0,
            height_m: Some(0.0),
            receiver_separation_m: Some(-34.9),
            decimal_year: None,
        };
        let said = pick("g.gtx", None, &folders, Some(place)).unwrap_err();
        assert_eq!(said.finding.code, "grids/two-versions");
        assert!(said.finding.size.contains("0.250 m in height"), "{}", said.finding.size);
        assert_eq!(pick("g.gtx", Some(&second.sha256.to_uppercase()), &folders, None).unwrap().unwrap(), second);
        // The same bytes twice are no matter.
        std::fs::copy(b.join("g.gtx"), a.join("g.gtx")).unwrap();
        assert_eq!(pick("g.gtx", None, &folders, None).unwrap().unwrap().sha256, second.sha256);
    }

    #[test]
    fn lists_of_withdrawn_files() {
        let sha = "ab".repeat(32);
        let good = format!("# c\nsha256,file,reason,source\n{},g.tif,\"errors, in places\",notice\n", sha.to_uppercase());
        assert_eq!(
            withdrawn_of(&good).unwrap()[0],
            Withdrawn { sha256: sha, file: "g.tif".into(), reason: "errors, in places".into(), source: "notice".into() }
        );
        for bad in ["", "sha,file\n", "sha256,file,reason,source\n12,g,r,s\n", &good.replace("\"errors, in places\"", "")] {
            assert!(withdrawn_of(bad).is_err(), "{bad}");
        }
        assert!(withdrawn_of(OWN).is_ok());
    }
}
