//! The grid store: a folder of this machine with grids and an index of what each of them is. Filled by
//! hand with `gunter grids add`; nothing is ever fetched.

use super::area::Area;
use super::crs::block;
use super::gridfile;
use super::pipeline::bad_name;
use crate::withdrawn::{OWN, Withdrawn, withdrawn_of};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::digest;
use pipeline_base::problem::Problem;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Variable that names the folder.
pub const VARIABLE: &str = "GUNTER_GRIDS";
/// The index below the folder.
pub const INDEX: &str = "grids.json";
/// The list of withdrawn digests below the folder.
pub const WITHDRAWN: &str = "withdrawn.csv";

/// Limits of a grid, deg.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GridLimits {
    /// West.
    pub west: f64,
    /// South.
    pub south: f64,
    /// East.
    pub east: f64,
    /// North.
    pub north: f64,
}

impl GridLimits {
    /// As an area.
    #[must_use]
    pub fn area(&self) -> Area {
        Area { west: self.west, south: self.south, east: self.east, north: self.north, name: String::new() }
    }
}

/// What is known of a grid. Model, version, frame, datum and licence are as the person stated who added it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StoredGrid {
    /// File name.
    pub file: String,
    /// SHA-256.
    pub sha256: String,
    /// Bytes.
    pub bytes: u64,
    /// Format.
    pub format: String,
    /// Limits.
    pub area: GridLimits,
    /// Name of the model.
    pub model: String,
    /// Version of the model.
    pub version: String,
    /// Frame that it is made for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frame: Option<String>,
    /// Vertical datum that it leads to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub datum: Option<String>,
    /// Licence.
    pub licence: String,
    /// Where it came from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// What the file says of itself.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub description: String,
}

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Index {
    store: u32,
    grids: Vec<StoredGrid>,
}

/// What a person states about a grid.
#[derive(Clone, Debug, Default)]
pub struct Statement {
    /// Name of the model.
    pub model: String,
    /// Version.
    pub version: String,
    /// Frame.
    pub frame: Option<String>,
    /// Vertical datum.
    pub datum: Option<String>,
    /// Licence, where the file does not state one.
    pub licence: Option<String>,
    /// Where it came from.
    pub source: Option<String>,
}

/// The folder of the store: `GUNTER_GRIDS`, else `gunter/grids` below the user's data folder. `None`
/// when neither is known.
#[must_use]
pub fn folder() -> Option<PathBuf> {
    let set = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    if let Some(folder) = set(VARIABLE) {
        return Some(folder);
    }
    let data = if cfg!(windows) {
        set("APPDATA")
    } else if cfg!(target_os = "macos") {
        set("HOME").map(|h| h.join("Library/Application Support"))
    } else {
        set("XDG_DATA_HOME").or_else(|| set("HOME").map(|h| h.join(".local/share")))
    };
    data.map(|d| d.join("gunter").join("grids"))
}

fn bad_index(file: &Path, why: impl std::fmt::Display) -> Problem {
    block("grids/bad-index", format!("`{}` cannot be read: {why}", file.display()))
        .size("unknown in m; what the grids are, and which of them were withdrawn, cannot be told")
        .why("the index says which bytes are which model")
        .fix("correct the file, or move it away and add the grids again with `gunter grids add`")
}

fn read_text(path: &Path) -> Result<Option<String>, Problem> {
    match std::fs::read_to_string(path) {
        Ok(text) => Ok(Some(text)),
        Err(e) if matches!(e.kind(), std::io::ErrorKind::NotFound | std::io::ErrorKind::NotADirectory) => Ok(None),
        Err(e) => Err(bad_index(path, e)),
    }
}

/// Grids of a store, in the order of their names.
///
/// # Errors
/// `grids/bad-index`.
pub fn entries(folder: &Path) -> Result<Vec<StoredGrid>, Problem> {
    let path = folder.join(INDEX);
    let Some(text) = read_text(&path)? else { return Ok(vec![]) };
    let mut index: Index = serde_json::from_str(&text).map_err(|e| bad_index(&path, e))?;
    if index.store != 1 {
        return Err(bad_index(&path, format!("it has the form {}, and this program knows form 1", index.store)));
    }
    index.grids.sort_by(|a, b| a.file.cmp(&b.file));
    Ok(index.grids)
}

/// What the store says about bytes, by digest.
///
/// # Errors
/// `grids/bad-index`.
pub fn about(sha256: &str) -> Result<Option<StoredGrid>, Problem> {
    let Some(folder) = folder() else { return Ok(None) };
    Ok(entries(&folder)?.into_iter().find(|e| e.sha256.eq_ignore_ascii_case(sha256)))
}

/// Withdrawn digests of one folder.
///
/// # Errors
/// `grids/bad-index`.
pub fn withdrawn_in(folder: &Path) -> Result<Vec<Withdrawn>, Problem> {
    let path = folder.join(WITHDRAWN);
    match read_text(&path)? {
        Some(text) => withdrawn_of(&text).map_err(|why| bad_index(&path, why)),
        None => Ok(vec![]),
    }
}

/// All withdrawn digests: the project's own, and those of the lists in these folders (the grid store is one of
/// them; a `grids` folder beside the reference may have one too).
///
/// # Errors
/// `grids/bad-index` when a list cannot be read: a list of bad files that is not read is no list.
pub fn withdrawn(folders: &[PathBuf]) -> Result<Vec<Withdrawn>, Problem> {
    let mut all = withdrawn_of(OWN).map_err(Problem::broken)?;
    for folder in folders {
        all.extend(withdrawn_in(folder)?);
    }
    Ok(all)
}

fn refused(what: String, fix: &str) -> Problem {
    Problem::from(Diagnostic::new("grids/refused", Verdict::Error, what).fix(fix))
}

/// Copies a file into a store and writes down what it is.
///
/// # Errors
/// `grids/refused` when it is no grid, is there already with other bytes, was withdrawn, or something that only a
/// person can know is not said; `export/cannot-write`.
pub fn add(folder: &Path, file: &Path, said: &Statement) -> Result<StoredGrid, Problem> {
    let name = file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    if let Some(why) = bad_name(&name) {
        return Err(refused(format!("`{name}` cannot be the name of a grid: {why}"), "rename the file"));
    }
    let grid = gridfile::read(file)
        .map_err(|why| refused(format!("`{}` is no grid: {why}", file.display()), "give the GeoTIFF, GTX or NTv2 form of the grid"))?;
    let sha256 = digest::sha256_of_file(&name, file)?;
    if let Some(bad) = withdrawn(&[folder.to_owned()])?.into_iter().find(|w| w.sha256 == sha256) {
        return Err(refused(format!("`{name}` was withdrawn: {}", bad.reason), "get the present edition from its publisher"));
    }
    let licence = said
        .licence
        .clone()
        .filter(|l| !l.trim().is_empty())
        .or_else(|| (!grid.licence.is_empty()).then(|| grid.licence.clone()))
        .ok_or_else(|| {
            refused(format!("`{name}` does not state its licence"), "say under which licence it may be used: `--licence TEXT`")
        })?;
    if grid.is_geoid == Some(true) && said.frame.is_none() {
        return Err(refused(
            format!("`{name}` is a geoid, and nothing says which frame it is made for"),
            "say it with `--frame CODE`, for example `--frame EPSG:6319`; a geoid applied in another frame is wrong by up to some metres",
        ));
    }
    for code in said.frame.iter().chain(&said.datum).filter(|c| c.contains(':')) {
        super::crs::Crs::look_up(code)?;
    }
    let mut all = entries(folder)?;
    if let Some(old) = all.iter().find(|e| e.file == name && e.sha256 != sha256) {
        return Err(refused(
            format!("the store has another `{name}`, sha256 `{}`; this one has `{sha256}`", old.sha256),
            "keep both apart: rename the new file so that its name says the edition",
        ));
    }
    let entry = StoredGrid {
        file: name.clone(),
        sha256: sha256.clone(),
        bytes: std::fs::metadata(file).map_or(0, |m| m.len()),
        format: grid.format.to_owned(),
        area: GridLimits { west: grid.area.west, south: grid.area.south, east: grid.area.east, north: grid.area.north },
        model: said.model.clone(),
        version: said.version.clone(),
        frame: said.frame.clone(),
        datum: said.datum.clone(),
        licence,
        source: said.source.clone(),
        description: grid.description,
    };
    let cannot = |path: &Path, e: std::io::Error| {
        Problem::from(
            Diagnostic::new("export/cannot-write", Verdict::Error, format!("`{}` cannot be written: {e}", path.display()))
                .fix(format!("choose a folder that may be written, with the variable `{VARIABLE}`")),
        )
    };
    std::fs::create_dir_all(folder).map_err(|e| cannot(folder, e))?;
    let target = folder.join(&name);
    let partial = folder.join(format!(".{name}.partial"));
    std::fs::copy(file, &partial).map_err(|e| cannot(&partial, e))?;
    // The copy is what will be read: it is hashed, not trusted.
    if digest::sha256_of_file(&name, &partial)? != sha256 {
        let _ = std::fs::remove_file(&partial);
        return Err(refused(format!("the copy of `{name}` differs from the file"), "check the disk and try again"));
    }
    std::fs::rename(&partial, &target).map_err(|e| cannot(&target, e))?;
    all.retain(|e| e.file != name);
    all.push(entry.clone());
    all.sort_by(|a, b| a.file.cmp(&b.file));
    let index = folder.join(INDEX);
    let partial = folder.join(format!(".{INDEX}.partial"));
    let text = serde_json::to_string_pretty(&Index { store: 1, grids: all }).map_err(Problem::broken)?;
    std::fs::write(&partial, text + "\n").and_then(|()| std::fs::rename(&partial, &index)).map_err(|e| cannot(&index, e))?;
    Ok(entry)
}

/// Compares every file of a store with its index, byte for byte.
///
/// # Errors
/// `grids/bad-index`.
pub fn check(folder: &Path) -> Result<Vec<Diagnostic>, Problem> {
    let all = entries(folder)?;
    let bad: Vec<Withdrawn> = withdrawn(&[folder.to_owned()])?;
    let mut found = vec![];
    let say =
        |code: &str, what: String, file: &str| Diagnostic::new(code, Verdict::Block, what).place(format!("`{file}` in the grid store"));
    for entry in &all {
        let path = folder.join(&entry.file);
        if !path.is_file() {
            found.push(
                say(
                    "grids/missing",
                    format!("the index lists `{}` ({} {}), and the file is gone", entry.file, entry.model, entry.version),
                    &entry.file,
                )
                .size("jobs that need it stop; 0 m")
                .why("the file was removed by hand")
                .fix(super::packages::how_to_get(&entry.file)),
            );
            continue;
        }
        let sha256 = digest::sha256_of_file(&entry.file, &path)?;
        if !sha256.eq_ignore_ascii_case(&entry.sha256) {
            found.push(
                say("grids/changed", format!("`{}` has sha256 `{sha256}`; it was added with `{}`", entry.file, entry.sha256), &entry.file)
                    .size("unknown in m; one changed byte can be metres at a node")
                    .why("the bytes are not those of the grid that was added: a damaged disk, or another edition under the same name")
                    .fix("remove the file and add the right one again"),
            );
        }
        if let Some(w) = bad.iter().find(|w| w.sha256 == sha256) {
            found.push(
                say("grids/withdrawn", format!("`{}` was withdrawn: {}", entry.file, w.reason), &entry.file)
                    .size("unknown in m; a withdrawn edition is wrong by centimetres to decimetres in places")
                    .why(if w.source.is_empty() { "the list of withdrawn digests has it".to_owned() } else { w.source.clone() })
                    .fix("get the present edition from its publisher, and deliver again what was made with this one"),
            );
        }
        if let Err(why) = gridfile::read(&path) {
            found.push(
                say("grids/changed", format!("`{}` cannot be read as a grid: {why}", entry.file), &entry.file)
                    .size("no coordinates")
                    .why("the file is damaged")
                    .fix("remove the file and add the right one again"),
            );
        }
    }
    for file in files(folder) {
        if !all.iter().any(|e| e.file == file) {
            found.push(
                Diagnostic::new(
                    "grids/not-listed",
                    Verdict::Warn,
                    format!("`{file}` lies in the grid store and its index does not list it"),
                )
                .place(format!("`{file}` in the grid store"))
                .size("unknown in m; nobody stated what it is")
                .why("it was copied there by hand; jobs find it by its name all the same")
                .fix(format!("add it properly: `gunter grids add {file} --model NAME --version VERSION`")),
            );
        }
    }
    Ok(found)
}

/// Files of a folder that look like grids.
#[must_use]
pub fn files(folder: &Path) -> Vec<String> {
    let mut all: Vec<String> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .filter_map(|e| Some(e.ok()?.file_name().to_string_lossy().into_owned()))
        .filter(|n| {
            let ending = Path::new(n).extension().map(|e| e.to_string_lossy().to_lowercase());
            !n.starts_with('.') && matches!(ending.as_deref(), Some("tif" | "tiff" | "gtx" | "gsb"))
        })
        .collect();
    all.sort();
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use survey_testing::{plane, write_gtx};

    fn statement() -> Statement {
        Statement {
            model: "INVENTED".into(),
            version: "1".into(),
            frame: Some("EPSG:6319".into()),
            licence: Some("none, invented".into()),
            ..Statement::default()
        }
    }

    #[test]
    fn add_list_check() {
        let folder = tempfile::tempdir().unwrap();
        let (store, file) = (folder.path().join("store"), folder.path().join("g.gtx"));
        write_gtx(&file, 26.0, -88.5, 0.25, 13, 13, plane);
        assert!(entries(&store).unwrap().is_empty() && check(&store).unwrap().is_empty());
        let entry = add(&store, &file, &statement()).unwrap();
        assert_eq!((entry.format.as_str(), entry.area.north, entry.bytes), ("GTX", 29.0, 40 + 4 * 169));
        assert_eq!(entries(&store).unwrap(), std::slice::from_ref(&entry));
        assert!(check(&store).unwrap().is_empty());
        // Again is no matter; other bytes under the name are refused.
        add(&store, &file, &statement()).unwrap();
        assert_eq!(entries(&store).unwrap().len(), 1);
        write_gtx(&file, 26.0, -88.5, 0.25, 13, 13, |la, lo| plane(la, lo) + 0.01);
        let said = add(&store, &file, &statement()).unwrap_err();
        assert!(said.finding.code == "grids/refused" && said.finding.what.contains("has another"), "{:?}", said.finding);
        // One byte changed, a stranger, one gone.
        let mut bytes = std::fs::read(store.join("g.gtx")).unwrap();
        bytes[100] ^= 1;
        std::fs::write(store.join("g.gtx"), &bytes).unwrap();
        std::fs::copy(&file, store.join("h.gtx")).unwrap();
        let codes = |f: Vec<Diagnostic>| f.into_iter().map(|d| d.code).collect::<Vec<_>>();
        assert_eq!(codes(check(&store).unwrap()), ["grids/changed", "grids/not-listed"]);
        std::fs::remove_file(store.join("g.gtx")).unwrap();
        assert_eq!(codes(check(&store).unwrap()), ["grids/missing", "grids/not-listed"]);
        std::fs::write(
            store.join(WITHDRAWN),
            format!("sha256,file,reason,source\n{},h.gtx,errors,notice\n", digest::sha256_of_file("h", &file).unwrap()),
        )
        .unwrap();
        let said = add(&store, &file, &statement()).unwrap_err();
        assert!(said.finding.what.contains("withdrawn"), "{:?}", said.finding);
        std::fs::write(store.join(INDEX), "{").unwrap();
        assert_eq!(check(&store).unwrap_err().finding.code, "grids/bad-index");
    }

    #[test]
    fn what_only_a_person_can_know_is_asked_for() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("g.gtx");
        write_gtx(&file, 26.0, -88.5, 0.25, 13, 13, plane);
        for (change, word) in [
            (Statement { licence: None, ..statement() }, "licence"),
            (Statement { frame: None, ..statement() }, "frame"),
            (Statement { frame: Some("EPSG:0".into()), ..statement() }, "EPSG:0"),
        ] {
            let said = add(folder.path(), &file, &change).unwrap_err();
            assert!(said.finding.what.contains(word), "{:?}", said.finding);
        }
        std::fs::write(&file, b"no grid").unwrap();
        assert_eq!(add(folder.path(), &file, &statement()).unwrap_err().finding.code, "grids/refused");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing half-written");
    }
}
