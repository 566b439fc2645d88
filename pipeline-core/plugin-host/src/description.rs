//! The description of a plug-in: read strictly, since everything later leans on it.

use serde::Deserialize;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Component, Path};

/// What a plug-in says about itself.
#[derive(Debug, Deserialize)]
pub(crate) struct PluginDescription {
    /// First word of its stages.
    pub(crate) plugin: String,
    /// Its own version.
    pub(crate) version: String,
    /// Its licence.
    #[serde(default)]
    pub(crate) license: String,
    /// Its stages.
    pub(crate) stages: Vec<StageDescription>,
}

/// How many tables a stage of a plug-in takes.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum InputCount {
    One,
    Many,
}

/// How many threads may be in it at once.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Threads {
    #[default]
    Many,
    One,
}

/// One stage.
#[derive(Debug, Deserialize)]
pub(crate) struct StageDescription {
    pub(crate) name: String,
    pub(crate) version: u32,
    pub(crate) summary: String,
    #[serde(default)]
    pub(crate) doc: String,
    pub(crate) inputs: InputCount,
    #[serde(default)]
    pub(crate) threads: Threads,
    pub(crate) options: Value,
    #[serde(default)]
    pub(crate) examples: Vec<ExampleDescription>,
    /// Files that the examples name, with their text.
    #[serde(default)]
    pub(crate) files: BTreeMap<String, String>,
}

/// One example.
#[derive(Debug, Deserialize)]
pub(crate) struct ExampleDescription {
    pub(crate) title: String,
    pub(crate) options: String,
}

/// Whether a text is a word of names: lower case, digits, hyphens.
pub(crate) fn is_word(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_lowercase()) && text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
}

/// Reads a description.
pub(crate) fn read(json: &str) -> Result<PluginDescription, String> {
    let reader = &mut serde_json::Deserializer::from_str(json);
    let about: PluginDescription = serde_path_to_error::deserialize(reader).map_err(|e| format!("its description cannot be read: {e}"))?;
    if !is_word(&about.plugin) {
        return Err(format!("it calls itself `{}`; a name has lower-case letters, digits and hyphens", about.plugin));
    }
    if about.stages.is_empty() {
        return Err("it has no stages".into());
    }
    let mut names: Vec<&str> = vec![];
    for stage in &about.stages {
        let own = stage.name.strip_prefix(about.plugin.as_str()).and_then(|rest| rest.strip_prefix('/'));
        if !own.is_some_and(is_word) {
            return Err(format!("its stage `{}` must be called `{}/NAME`", stage.name, about.plugin));
        }
        if names.contains(&stage.name.as_str()) {
            return Err(format!("it has two stages called `{}`", stage.name));
        }
        names.push(&stage.name);
        if stage.version == 0 || stage.summary.trim().is_empty() {
            return Err(format!("its stage `{}` needs a version from 1 and a summary", stage.name));
        }
        options(&stage.name, &stage.options)?;
        // They are written below a folder of the one who tries the stage.
        let below = |name: &str| !name.is_empty() && Path::new(name).components().all(|c| matches!(c, Component::Normal(_)));
        if let Some(name) = stage.files.keys().find(|n| !below(n)) {
            return Err(format!("the example file `{name}` of `{}` has no plain relative path", stage.name));
        }
    }
    Ok(about)
}

/// Options must be a closed map with an explanation for each key: an unknown key would be ignored silently, and a key
/// without a word of help is a riddle.
pub(crate) fn options(stage: &str, schema: &Value) -> Result<(), String> {
    if schema.get("type").and_then(Value::as_str) != Some("object") {
        return Err(format!("the options of `{stage}` are not the schema of an object"));
    }
    closed(stage, schema)?;
    held(stage, schema)
}

/// What a value in a job is held against, and what only explains. `anyOf` and `oneOf` of anything but words are left to `bind`.
const HELD: [&str; 25] = [
    "type",
    "properties",
    "required",
    "additionalProperties",
    "items",
    "minItems",
    "maxItems",
    "minLength",
    "maxLength",
    "minimum",
    "maximum",
    "exclusiveMinimum",
    "exclusiveMaximum",
    "enum",
    "const",
    "oneOf",
    "anyOf",
    "$ref",
    "$defs",
    "$schema",
    "title",
    "description",
    "default",
    "examples",
    "format",
];

/// A limit that is written down and kept by nobody is worse than none.
fn held(stage: &str, schema: &Value) -> Result<(), String> {
    let Some(map) = schema.as_object() else { return Ok(()) };
    if let Some(odd) = map.keys().find(|k| !HELD.contains(&k.as_str())) {
        return Err(format!(
            "the options of `{stage}` use `{odd}`, and no value is held against that: check it in `bind`, and leave it out"
        ));
    }
    let each = |key: &str| map.get(key).and_then(Value::as_object).into_iter().flat_map(|m| m.values());
    let list = |key: &str| map.get(key).and_then(Value::as_array).into_iter().flatten();
    let below = each("properties").chain(each("$defs")).chain(list("oneOf")).chain(list("anyOf"));
    below.chain(map.get("items")).chain(map.get("additionalProperties")).try_for_each(|s| held(stage, s))
}

fn closed(stage: &str, schema: &Value) -> Result<(), String> {
    match schema {
        Value::Object(map) => {
            if let Some(properties) = map.get("properties").and_then(Value::as_object) {
                if map.get("additionalProperties") != Some(&Value::Bool(false)) {
                    return Err(format!("the options of `{stage}` would take any key: `\"additionalProperties\": false` is missing"));
                }
                for (key, value) in properties {
                    if value.get("description").and_then(Value::as_str).is_none_or(|d| d.trim().len() < 5) {
                        return Err(format!("the option `{key}` of `{stage}` has no `description` of at least five letters"));
                    }
                }
            } else if map.get("type").and_then(Value::as_str) == Some("object") && !map.contains_key("additionalProperties") {
                return Err(format!("the options of `{stage}` would take any key: `\"additionalProperties\": false` is missing"));
            }
            map.values().try_for_each(|v| closed(stage, v))
        }
        Value::Array(items) => items.iter().try_for_each(|v| closed(stage, v)),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with(stage: &str, options: &str) -> Result<PluginDescription, String> {
        read(&format!(
            r#"{{"plugin":"acme","version":"1","later":1,"stages":[{{"name":"{stage}","version":1,"summary":"S","inputs":"one","options":{options}}}]}}"#
        ))
    }

    #[test]
    fn descriptions_are_read_strictly() {
        let good = r#"{"type":"object","additionalProperties":false,"properties":{"a":{"type":"integer","description":"How many"}}}"#;
        assert_eq!(with("acme/smooth", good).unwrap().stages[0].name, "acme/smooth");
        for name in ["smooth", "other/smooth", "acme/", "acme/Smooth", "acme/a/b"] {
            assert!(with(name, good).unwrap_err().contains("must be called"), "{name}");
        }
        for (bad, word) in [
            (r#"{"type":"string"}"#, "schema of an object"),
            (r#"{"type":"object"}"#, "any key"),
            (r#"{"type":"object","properties":{}}"#, "any key"),
            (r#"{"type":"object","additionalProperties":false,"properties":{"a":{"type":"integer"}}}"#, "no `description`"),
            (
                r#"{"type":"object","additionalProperties":false,"properties":{"a":{"type":"string","pattern":"x+","description":"A word"}}}"#,
                "`pattern`",
            ),
            (
                r#"{"type":"object","additionalProperties":false,"properties":{"a":{"type":"array","items":{"multipleOf":2},"description":"Even ones"}}}"#,
                "`multipleOf`",
            ),
        ] {
            assert!(with("acme/smooth", bad).unwrap_err().contains(word), "{bad}");
        }
        for name in ["../x.csv", "/x.csv", "a/../../x.csv", ""] {
            let files = format!(r#"{{"type":"object","additionalProperties":false}},"files":{{"{name}":"a,b"}}"#);
            assert!(with("acme/smooth", &files).unwrap_err().contains("plain relative path"), "{name}");
        }
        assert!(read("{").unwrap_err().contains("cannot be read"));
        assert!(read(r#"{"plugin":"acme","version":"1","stages":[]}"#).unwrap_err().contains("no stages"));
    }
}
