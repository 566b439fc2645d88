//! Finding the files that a job names.

use crate::stage::Files;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use std::path::{Path, PathBuf};

/// Paths relative to the folder of the job file.
pub struct JobFiles {
    /// Folder of the job file.
    pub folder: PathBuf,
    /// Folder of the results.
    pub results: PathBuf,
}

fn missing(what: String, fix: &str) -> Problem {
    Problem::from(Diagnostic::new("job/missing-file", Verdict::Error, what).fix(fix))
}

impl Files for JobFiles {
    fn find(&self, pattern: &str) -> Result<Vec<(String, PathBuf)>, Problem> {
        let plain = self.folder.join(pattern);
        if !pattern.contains(['*', '?', '[']) || plain.is_file() {
            return match std::fs::metadata(&plain) {
                Ok(meta) if meta.is_file() => Ok(vec![(pattern.to_owned(), plain)]),
                Ok(_) => Err(missing(format!("`{pattern}` is a folder, not a file"), "name files, or a pattern such as `logs/*.nmea`")),
                Err(e) => Err(missing(
                    format!("`{pattern}` cannot be read: {e}"),
                    "paths are relative to the job file; check spelling and that the file is there",
                )),
            };
        }
        let whole = Path::new(&glob::Pattern::escape(&self.folder.to_string_lossy())).join(pattern);
        let paths = glob::glob(&whole.to_string_lossy())
            .map_err(|e| missing(format!("`{pattern}` is not a pattern: {e}"), "use `*` for any part of a name"))?;
        let mut found = vec![];
        for path in paths {
            let path =
                path.map_err(|e| missing(format!("a folder of `{pattern}` cannot be read: {e}"), "check that the folder may be read"))?;
            if path.is_file() {
                let name = path.strip_prefix(&self.folder).unwrap_or(&path).to_string_lossy().replace('\\', "/");
                found.push((name, path));
            }
        }
        found.sort();
        if found.is_empty() {
            return Err(missing(
                format!("no file matches `{pattern}`"),
                "paths are relative to the job file; check the pattern and the folder",
            ));
        }
        Ok(found)
    }

    fn resolve(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    fn results(&self) -> PathBuf {
        self.results.clone()
    }
}
