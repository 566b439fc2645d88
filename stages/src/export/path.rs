//! Names of delivered files, layers and columns as a job writes them.

use pipeline_base::problem::Problem;

/// Tests the `path` option: a plain path below the results folder, the same on every system.
///
/// # Errors
/// `export/bad-path`, with what is wrong.
pub(crate) fn check(path: &str, extension: Option<&str>) -> Result<(), Problem> {
    let drive = path.len() > 1 && path.as_bytes().get(1) == Some(&b':') && path.as_bytes().first().is_some_and(u8::is_ascii_alphabetic);
    let what = if path.is_empty() {
        "is empty"
    } else if path.starts_with('/') || drive {
        "is an absolute path"
    } else if path.contains('\\') {
        "holds a backslash"
    } else if path.chars().any(char::is_control) {
        "holds a control character"
    } else if path.split('/').any(|p| p == "..") {
        "leads out of the results folder with `..`"
    } else if path.split('/').any(|p| p.is_empty() || p == ".") {
        "is a folder or holds an empty or `.` part"
    } else if extension.is_some_and(|e| !path.to_ascii_lowercase().ends_with(e)) {
        return Err(Problem::new(
            "export/bad-path",
            format!("`{path}` does not end in `{}`, which this format asks for", extension.unwrap_or_default()),
        )
        .option("path")
        .fix(format!("set `path` to `{path}{}`", extension.unwrap_or_default())));
    } else {
        return Ok(());
    };
    Err(Problem::new("export/bad-path", format!("`path` `{path}` {what}"))
        .option("path")
        .why("deliveries are written below the results folder of the job, so that a job gives the same files on every machine")
        .fix("set `path` to a name such as `points.csv` or `client/points.csv`; the job's `results` says where the folder is"))
}

/// The name nearest to `wanted`, when one is near enough to be a slip of the pen.
#[must_use]
pub(crate) fn nearest<'a>(wanted: &str, names: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let wanted = wanted.to_lowercase();
    names
        .into_iter()
        .map(|n| (edits(&wanted, &n.to_lowercase()), n))
        .min_by_key(|(d, _)| *d)
        .filter(|(d, n)| *d <= 2.max(n.len().min(wanted.len()) / 3))
        .map(|(_, n)| n)
}

/// Number of single-character edits between two words (Levenshtein distance).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = i;
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let here = (diagonal + usize::from(ca != *cb)).min(row[j] + 1).min(row[j + 1] + 1);
            diagonal = std::mem::replace(&mut row[j + 1], here);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn good_and_bad_paths() {
        for good in ["points.csv", "client/points 2.csv", "Ø/ポイント.csv", "a..b.csv"] {
            assert!(check(good, None).is_ok(), "{good}");
        }
        for bad in [
            "",
            "/points.csv",
            "../points.csv",
            "a/../b.csv",
            "a//b.csv",
            "./a.csv",
            "a/",
            "C:/a.csv",
            "c:a.csv",
            "a\\b.csv",
            "a\nb.csv",
            "a\0",
        ] {
            assert!(check(bad, None).is_err(), "{bad:?}");
        }
        assert!(check("a.csv", Some(".gpkg")).is_err());
        assert!(check("a.GPKG", Some(".gpkg")).is_ok());
    }

    #[test]
    fn slips_are_found() {
        let names = ["easting_m", "northing_m", "height_m"];
        assert_eq!(nearest("eastng_m", names), Some("easting_m"));
        assert_eq!(nearest("Height_M", names), Some("height_m"));
        assert_eq!(nearest("colour", names), None);
    }
}
