//! What the text of a pipeline names: the files that it reads, and what may not stand in one.

/// Parameters whose value is a list of files.
const FILES: [&str; 7] = ["grids", "xy_grids", "z_grids", "nadgrids", "geoidgrids", "file", "model"];

/// Parameters of a text: `+key=value`, `+key`, with or without the plus.
fn parameters(text: &str) -> impl Iterator<Item = (&str, &str)> {
    text.split_whitespace().map(|word| {
        let word = word.strip_prefix('+').unwrap_or(word);
        word.split_once('=').unwrap_or((word, ""))
    })
}

/// Names of the files that a pipeline reads, in order, each once.
///
/// # Errors
/// What makes it depend on more than these files: definitions of the machine (`+init`), grids that may be
/// left out (`@`), places in place of names.
pub fn files(text: &str) -> Result<Vec<String>, String> {
    if forgetful(text) {
        return Err("a `gridshift` step with several grids gives heights that depend on the points before, because the geodesy \
                    library forgets one grid after a point that lies in another; name the one grid that covers the work"
            .to_owned());
    }
    let mut names: Vec<String> = vec![];
    for (key, value) in parameters(text) {
        if key == "init" {
            return Err("`+init` reads definitions from files of the machine; write them out".to_owned());
        }
        if !FILES.contains(&key) {
            continue;
        }
        for name in value.trim_matches('"').split(',') {
            if name.starts_with('@') {
                return Err(format!(
                    "`{name}` may be left out by the library without a word; name the grid without `@`, so that the job stops when it is not there"
                ));
            }
            if name == "null" {
                return Err("the grid `null` only pretends to transform".to_owned());
            }
            if let Some(why) = bad_name(name) {
                return Err(format!("`{name}` is no file name: {why}"));
            }
            if !names.iter().any(|n| n == name) {
                names.push(name.to_owned());
            }
        }
    }
    Ok(names)
}

/// Whether results may depend on the points before: PROJ 9.6.2 keeps, in a `gridshift` with several grids, the type of grid
/// that one point needed, and then leaves out the heights of the others (13 mm between two extracts of NADCON 5; seen in
/// `gridshift.cpp`, and in its regression file when a point is asked for twice).
fn forgetful(text: &str) -> bool {
    text.split("step").any(|step| {
        let several = |(key, value): (&str, &str)| key == "grids" && value.contains(',');
        parameters(step).any(|p| p == ("proj", "gridshift")) && parameters(step).any(several)
    })
}

/// Why a text is not the plain name of a file that a pipeline can say.
#[must_use]
pub fn bad_name(name: &str) -> Option<&'static str> {
    if name.is_empty() {
        Some("it is empty")
    } else if name.contains(['/', '\\', ':']) || name.starts_with(['~', '.']) {
        Some("grids are named without a folder; they are found beside the reference file and in the grid store")
    } else if name.chars().any(|c| c.is_whitespace() || c.is_control() || ",\"'+=".contains(c)) {
        Some("blanks, commas, quotes, `+` and `=` have a meaning in a pipeline")
    } else {
        None
    }
}

/// Files that a model written in JSON names in turn.
///
/// # Errors
/// As [`files`].
pub fn files_of_model(json: &str) -> Result<Vec<String>, String> {
    let value: serde_json::Value = serde_json::from_str(json).map_err(|e| format!("the model cannot be read: {e}"))?;
    let mut names = vec![];
    walk(&value, &mut names);
    match names.iter().find_map(|n| bad_name(n).map(|why| format!("`{n}` is no file name: {why}"))) {
        Some(why) => Err(why),
        None => Ok(names),
    }
}

fn walk(value: &serde_json::Value, names: &mut Vec<String>) {
    match value {
        serde_json::Value::Object(map) => {
            for (key, v) in map {
                match v.as_str() {
                    Some(name) if key == "filename" => {
                        if !names.iter().any(|n| n == name) {
                            names.push(name.to_owned());
                        }
                    }
                    _ => walk(v, names),
                }
            }
        }
        serde_json::Value::Array(items) => items.iter().for_each(|v| walk(v, names)),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn files_of_pipelines() {
        let text = "+proj=pipeline +step +proj=hgridshift +grids=a.tif,b.gsb +step proj=vgridshift grids=\"c.gtx\" multiplier=1 +step +proj=defmodel +model=m.json +step +inv +proj=hgridshift +grids=a.tif";
        assert_eq!(files(text).unwrap(), ["a.tif", "b.gsb", "c.gtx", "m.json"]);
        assert_eq!(files("+proj=noop").unwrap(), Vec::<String>::new());
        for bad in [
            "+proj=vgridshift +grids=@c.gtx",
            "+proj=vgridshift +grids=a.gtx,@c.gtx",
            "+proj=hgridshift +grids=null",
            "+proj=vgridshift +grids=/tmp/c.gtx",
            "+proj=vgridshift +grids=~/c.gtx",
            "+proj=vgridshift +grids=./c.gtx",
            "+proj=vgridshift +grids=https://a.b/c.gtx",
            "+init=epsg:4326",
            "+proj=vgridshift +grids=",
            "+proj=pipeline +step +proj=axisswap +order=2,1 +step +proj=gridshift +grids=a.tif,b.tif +step +inv +proj=cart",
        ] {
            assert!(files(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn files_of_models() {
        let text = r#"{"components": [{"spatial_model": {"filename": "d.tif"}}, {"x": [{"filename": "e.tif"}, {"filename": "d.tif"}]}]}"#;
        assert_eq!(files_of_model(text).unwrap(), ["d.tif", "e.tif"]);
        assert!(files_of_model(r#"{"filename": "/a/b"}"#).is_err() && files_of_model("{").is_err());
    }

    proptest! {
        #[test]
        fn any_text_is_answered(text in ".{0,200}") {
            let _ = files(&text);
            let _ = files_of_model(&text);
        }
    }
}
