//! Finds the files of the options and groups them to sessions.

use super::{Options, SessionRule};
use pipeline_base::problem::Problem;
use pipeline_base::time::date;
use pipeline_core::stage::{Files, Resource, ResourceRole, Session};
use std::collections::BTreeMap;
use std::path::Path;

type Found = (Vec<Session>, Vec<Option<i64>>);

/// The sessions of the options, and for each the declared date of its first line.
///
/// # Errors
/// All problems: neither or both of `files` and `sessions`, no such file, a wrong date, two sessions of one name.
pub(crate) fn find(options: &Options, files: &dyn Files) -> Result<Found, Vec<Problem>> {
    let mut problems = vec![];
    let date = options.date.as_deref().and_then(|text| day(text, "date", &mut problems));
    let mut sessions: Vec<Session> = vec![];
    let mut dates = vec![];
    match (options.files.is_empty(), options.sessions.is_empty()) {
        (true, true) => problems
            .push(Problem::new("ingest/no-files", "no log is named").option("files").fix("give `files: [\"logs/*.nmea\"]`, or `sessions`")),
        (false, false) => problems.push(
            Problem::new("ingest/files-twice", "`files` and `sessions` are both given").option("sessions").fix("keep one of the two"),
        ),
        (false, true) => {
            let all = resources(&options.files, "files", files, &mut problems);
            for (name, files) in group(options.session, all) {
                sessions.push(Session { name, files });
                dates.push(date);
            }
        }
        (true, false) => {
            for (i, one) in options.sessions.iter().enumerate() {
                let option = format!("sessions[{i}].files");
                let found = resources(&one.files, &option, files, &mut problems);
                if one.files.is_empty() {
                    problems.push(Problem::new("ingest/no-files", format!("session `{}` names no file", one.name)).option(option));
                }
                let own = one.date.as_deref().and_then(|text| day(text, &format!("sessions[{i}].date"), &mut problems));
                if one.name.trim().is_empty() || sessions.iter().any(|s| s.name == one.name) {
                    problems.push(
                        Problem::new("ingest/session-name", format!("`{}` cannot name a session here", one.name))
                            .option(format!("sessions[{i}].name"))
                            .why("each session needs a name of its own")
                            .fix("choose another name"),
                    );
                }
                sessions.push(Session { name: one.name.clone(), files: found });
                dates.push(own.or(date));
            }
        }
    }
    if problems.is_empty() { Ok((sessions, dates)) } else { Err(problems) }
}

fn day(text: &str, option: &str, problems: &mut Vec<Problem>) -> Option<i64> {
    let days = date(text);
    if days.is_none() {
        problems.push(
            Problem::new("ingest/bad-date", format!("`{text}` is not a date"))
                .option(option)
                .fix("write it as YYYY-MM-DD, for example 2025-03-30"),
        );
    }
    days
}

/// Files of some patterns, each once, in the order of the patterns.
fn resources(patterns: &[String], option: &str, files: &dyn Files, problems: &mut Vec<Problem>) -> Vec<Resource> {
    let mut all: Vec<Resource> = vec![];
    for (i, pattern) in patterns.iter().enumerate() {
        let option = format!("{option}[{i}]");
        match files.find(pattern) {
            Ok(found) => {
                for (name, path) in found {
                    if !all.iter().any(|r| r.path == path) {
                        all.push(Resource { name, path, role: ResourceRole::Log, option: option.clone() });
                    }
                }
            }
            Err(problem) => problems.push(problem.option(option)),
        }
    }
    all
}

/// Name of a file without folders, packing and extension.
fn stem(name: &str) -> String {
    let file = Path::new(name).file_name().map_or_else(|| name.to_owned(), |f| f.to_string_lossy().into_owned());
    let plain = [".gz", ".zst"].iter().find_map(|end| file.strip_suffix(end)).unwrap_or(&file);
    Path::new(plain).file_stem().map_or_else(|| plain.to_owned(), |s| s.to_string_lossy().into_owned())
}

fn group(rule: SessionRule, files: Vec<Resource>) -> Vec<(String, Vec<Resource>)> {
    match rule {
        SessionRule::All => vec![("all".to_owned(), files)],
        SessionRule::File => {
            let mut stems: BTreeMap<String, u32> = BTreeMap::new();
            for file in &files {
                *stems.entry(stem(&file.name)).or_insert(0) += 1;
            }
            files
                .into_iter()
                .map(|file| {
                    let short = stem(&file.name);
                    // Two files of one name in different folders keep their whole name.
                    let name = if stems.get(&short) == Some(&1) { short } else { file.name.clone() };
                    (name, vec![file])
                })
                .collect()
        }
        SessionRule::Folder => {
            let folder = |name: &str| Path::new(name).parent().map(|p| p.to_string_lossy().into_owned()).unwrap_or_default();
            let mut sessions: Vec<(String, Vec<Resource>)> = vec![];
            for file in files {
                let name = folder(&file.name);
                match sessions.iter_mut().find(|(n, _)| *n == name) {
                    Some((_, files)) => files.push(file),
                    None => sessions.push((name, vec![file])),
                }
            }
            let short = |name: &str| Path::new(name).file_name().map_or_else(|| "logs".to_owned(), |f| f.to_string_lossy().into_owned());
            let names: Vec<String> = sessions.iter().map(|(n, _)| short(n)).collect();
            sessions
                .into_iter()
                .map(|(name, files)| {
                    let own = short(&name);
                    (if names.iter().filter(|n| **n == own).count() == 1 { own } else { name }, files)
                })
                .collect()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(names: &[&str]) -> Vec<Resource> {
        names.iter().map(|n| Resource { name: (*n).to_owned(), path: n.into(), role: ResourceRole::Log, option: String::new() }).collect()
    }

    fn names(rule: SessionRule, files: &[&str]) -> Vec<String> {
        group(rule, named(files)).into_iter().map(|(n, f)| format!("{n}:{}", f.len())).collect()
    }

    #[test]
    fn sessions_get_names() {
        assert_eq!(names(SessionRule::File, &["logs/a.nmea", "logs/b.nmea.gz"]), ["a:1", "b:1"]);
        assert_eq!(names(SessionRule::File, &["d1/a.nmea", "d2/a.nmea"]), ["d1/a.nmea:1", "d2/a.nmea:1"]);
        assert_eq!(names(SessionRule::Folder, &["x/d1/a.nmea", "x/d2/a.nmea", "x/d1/b.nmea"]), ["d1:2", "d2:1"]);
        assert_eq!(names(SessionRule::Folder, &["a.nmea"]), ["logs:1"]);
        assert_eq!(names(SessionRule::All, &["d1/a.nmea", "d2/a.nmea"]), ["all:2"]);
    }
}
