//! Compares a document with a JSON Schema and says everything that does not fit, at once.
//!
//! The deserialiser stops at its first error; a person wants them all. Only the part of JSON
//! Schema that `schemars` writes for plain structs, unit enums, lists and options is understood;
//! anything else is left to the deserialiser.

use super::near;
use crate::diag::{Diagnostic, Verdict};
use crate::document::{Document, join};
use serde_json::Value;

/// Everything in `value` that the schema does not allow. `path` is where the value stands in the
/// document.
#[must_use]
pub fn conform(document: &Document, path: &str, value: &Value, root: &Value) -> Vec<Diagnostic> {
    let mut found = vec![];
    Walk { document, root, found: &mut found }.check(path, value, root);
    found
}

struct Walk<'a> {
    document: &'a Document,
    root: &'a Value,
    found: &'a mut Vec<Diagnostic>,
}

fn kind_of(value: &Value) -> &'static str {
    match value {
        Value::Null => "nothing",
        Value::Bool(_) => "true or false",
        Value::Number(n) if n.is_f64() => "a number",
        Value::Number(_) => "a whole number",
        Value::String(_) => "text",
        Value::Array(_) => "a list",
        Value::Object(_) => "a map of keys",
    }
}

fn word_of(schema_type: &str) -> &'static str {
    match schema_type {
        "null" => "nothing",
        "boolean" => "true or false",
        "integer" => "a whole number",
        "number" => "a number",
        "string" => "text",
        "array" => "a list",
        _ => "a map of keys",
    }
}

fn fits(value: &Value, schema_type: &str) -> bool {
    match schema_type {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "integer" => value.is_i64() || value.is_u64(),
        "number" => value.is_number(),
        "string" => value.is_string(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        _ => true,
    }
}

impl Walk<'_> {
    fn resolve<'s>(&'s self, mut schema: &'s Value) -> &'s Value {
        for _ in 0..16 {
            let Some(target) = schema.get("$ref").and_then(Value::as_str) else { break };
            let Some(found) = target.strip_prefix('#').and_then(|pointer| self.root.pointer(pointer)) else { break };
            schema = found;
        }
        schema
    }

    fn say(&mut self, code: &str, what: String, path: &str, label: &str, fix: String) {
        let label = self.document.value_label(path, label);
        self.found.push(Diagnostic::new(code, Verdict::Error, what).label(label).fix(fix));
    }

    fn check(&mut self, path: &str, value: &Value, schema: &Value) {
        let schema = self.resolve(schema).clone();
        // Option<T> of a named type.
        if let Some(any) = schema.get("anyOf").and_then(Value::as_array) {
            let real: Vec<&Value> = any.iter().filter(|s| s.get("type").and_then(Value::as_str) != Some("null")).collect();
            if let ([only], true) = (real.as_slice(), real.len() < any.len())
                && !value.is_null()
            {
                self.check(path, value, only);
            }
            return;
        }
        if let Some(words) = words_of(&schema) {
            self.check_word(path, value, &words);
            return;
        }
        if let Some(values) = schema.get("enum").and_then(Value::as_array) {
            return self.check_value(path, value, values);
        }
        if schema.get("oneOf").is_some() {
            return;
        }
        let types: Vec<&str> = match schema.get("type") {
            Some(Value::String(t)) => vec![t.as_str()],
            Some(Value::Array(ts)) => ts.iter().filter_map(Value::as_str).collect(),
            _ => vec![],
        };
        if !types.is_empty() && !types.iter().any(|t| fits(value, t)) {
            let expected: Vec<&str> = types.iter().filter(|t| **t != "null").map(|t| word_of(t)).collect();
            let raw = self.document.raw(path).unwrap_or_default().to_owned();
            let fix = if types.contains(&"string") && (value.is_number() || value.is_boolean()) {
                format!("put it in quotes: \"{raw}\"")
            } else if types.contains(&"array") {
                format!("write a list: [{raw}]")
            } else {
                format!("write {}", expected.join(" or "))
            };
            let found = if value.is_null() { "it is empty" } else { kind_of(value) };
            let shown = if raw.is_empty() || raw.len() > 60 { String::new() } else { format!("`{raw}` is ") };
            self.say(
                "job/wrong-type",
                format!("`{}` should be {}, {shown}{found}", last_key(path), expected.join(" or ")),
                path,
                &format!("expected {}", expected.join(" or ")),
                fix,
            );
            return;
        }
        match value {
            Value::Object(map) => self.check_object(path, map, &schema),
            Value::Array(items) => {
                if let Some(item) = schema.get("items") {
                    for (i, v) in items.iter().enumerate() {
                        self.check(&format!("{path}[{i}]"), v, item);
                    }
                }
                self.check_count(path, items.len(), &schema, ("minItems", "maxItems"), ("entry", "entries"));
            }
            Value::String(text) => {
                self.check_count(path, text.chars().count(), &schema, ("minLength", "maxLength"), ("character", "characters"));
            }
            Value::Number(n) => self.check_range(path, n.as_f64().unwrap_or(f64::NAN), &schema),
            _ => {}
        }
    }

    /// How many there may be of something.
    fn check_count(&mut self, path: &str, count: usize, schema: &Value, keys: (&str, &str), names: (&str, &str)) {
        let limit = |key: &str| schema.get(key).and_then(Value::as_u64);
        let of = |n: u64| format!("{n} {}", if n == 1 { names.0 } else { names.1 });
        let least = limit(keys.0).filter(|l| (count as u64) < *l).map(|l| ("needs", "at least", "too few", l));
        let most = limit(keys.1).filter(|m| (count as u64) > *m).map(|m| ("takes", "at most", "too many", m));
        for (verb, side, label, n) in least.into_iter().chain(most) {
            let what = format!("`{}` {verb} {side} {}", last_key(path), of(n));
            self.say("job/out-of-range", what, path, label, format!("give {side} {}", of(n)));
        }
    }

    /// One of a list that does not hold words only.
    fn check_value(&mut self, path: &str, value: &Value, values: &[Value]) {
        // 33000 and 33000.0 are one number.
        let same = |v: &&Value| *v == value || v.as_f64().zip(value.as_f64()).is_some_and(|(a, b)| a.total_cmp(&b).is_eq());
        if values.iter().any(|v| same(&v)) {
            return;
        }
        let raw = self.document.raw(path).unwrap_or_default().to_owned();
        let list = values.iter().map(|v| format!("`{v}`")).collect::<Vec<_>>().join(", ");
        let what = format!("`{raw}` is not a value of `{}`", last_key(path));
        self.say("job/unknown-value", what, path, "not one of the known values", format!("use one of {list}"));
    }

    fn check_word(&mut self, path: &str, value: &Value, words: &[String]) {
        let given = value.as_str().map(str::to_owned);
        if given.as_ref().is_some_and(|w| words.contains(w)) {
            return;
        }
        let raw = given.unwrap_or_else(|| self.document.raw(path).unwrap_or_default().to_owned());
        let list = words.iter().map(|w| format!("`{w}`")).collect::<Vec<_>>().join(", ");
        let hint = near::hint(&raw, words.iter().map(String::as_str));
        self.say(
            "job/unknown-value",
            format!("`{raw}` is not a value of `{}`", last_key(path)),
            path,
            &if hint.is_empty() { "not one of the known values".to_owned() } else { hint },
            format!("use one of {list}"),
        );
    }

    fn check_object(&mut self, path: &str, map: &serde_json::Map<String, Value>, schema: &Value) {
        let Some(known) = schema.get("properties").and_then(Value::as_object) else {
            if let Some(each) = schema.get("additionalProperties").filter(|s| s.is_object()) {
                for (key, v) in map {
                    self.check(&join(path, key), v, each);
                }
            }
            return;
        };
        for (key, v) in map {
            let below = join(path, key);
            if let Some(s) = known.get(key) {
                self.check(&below, v, s);
            } else if schema.get("additionalProperties") == Some(&Value::Bool(false)) {
                let hint = near::hint(key, known.keys().map(String::as_str));
                let label = self.document.key_label(&below, if hint.is_empty() { "unknown key" } else { &hint });
                let list = known.keys().map(|k| format!("`{k}`")).collect::<Vec<_>>().join(", ");
                let place = if path.is_empty() { "this file".to_owned() } else { format!("`{path}`") };
                self.found.push(
                    Diagnostic::new("job/unknown-key", Verdict::Error, format!("`{key}` is not a key of {place}"))
                        .label(label)
                        .fix(if list.is_empty() { "remove it".to_owned() } else { format!("known keys here: {list}") }),
                );
            }
        }
        let required = schema.get("required").and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_str);
        for key in required.filter(|k| !map.contains_key(*k)) {
            let meaning = known.get(key).and_then(|s| s.get("description")).and_then(Value::as_str).unwrap_or_default();
            let meaning = meaning.split("\n\n").next().unwrap_or_default().replace('\n', " ");
            let place = if path.is_empty() { "this file".to_owned() } else { format!("`{path}`") };
            let label = self.document.key_label(path, format!("`{key}` is missing here"));
            self.found.push(
                Diagnostic::new("job/missing-key", Verdict::Error, format!("{place} needs the key `{key}`"))
                    .label(label)
                    .why(meaning)
                    .fix(format!("add `{key}:` with a value")),
            );
        }
    }

    fn check_range(&mut self, path: &str, number: f64, schema: &Value) {
        let limit = |key: &str| schema.get(key).and_then(Value::as_f64);
        let (least, most) = (limit("minimum"), limit("maximum"));
        let (above, below) = (limit("exclusiveMinimum"), limit("exclusiveMaximum"));
        let outside = least.is_some_and(|l| number < l) || most.is_some_and(|m| number > m);
        if outside || above.is_some_and(|a| number <= a) || below.is_some_and(|b| number >= b) {
            let range = match (least, most) {
                (Some(l), Some(m)) if (l - m).abs() < f64::EPSILON => format!("must be {l}"),
                (Some(l), Some(m)) => format!("must lie between {l} and {m}"),
                _ => {
                    let words = [("at least", least), ("above", above), ("at most", most), ("below", below)];
                    let words = words.iter().filter_map(|(w, v)| v.map(|v| format!("{w} {v}"))).collect::<Vec<_>>();
                    format!("must be {}", words.join(" and "))
                }
            };
            self.say("job/out-of-range", format!("`{}` is {number} and {range}", last_key(path)), path, &range, format!("it {range}"));
        }
    }
}

/// The words of a unit enum.
fn words_of(schema: &Value) -> Option<Vec<String>> {
    if let Some(words) = schema.get("enum").and_then(Value::as_array) {
        return words.iter().map(|w| w.as_str().map(str::to_owned)).collect();
    }
    let one_of = schema.get("oneOf")?.as_array()?;
    let mut words = vec![];
    for s in one_of {
        if let Some(w) = s.get("const").and_then(Value::as_str) {
            words.push(w.to_owned());
        } else {
            words.extend(words_of(s)?);
        }
    }
    Some(words)
}

fn last_key(path: &str) -> &str {
    path.rsplit('.').next().unwrap_or(path)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document as parse;
    use schemars::JsonSchema;
    use serde::Deserialize;

    #[derive(Deserialize, JsonSchema)]
    #[serde(rename_all = "kebab-case")]
    #[allow(dead_code)]
    enum Kind {
        /// Fixed.
        RtkFixed,
        /// Float.
        RtkFloat,
    }

    #[derive(Deserialize, JsonSchema)]
    #[serde(deny_unknown_fields)]
    #[allow(dead_code)]
    struct Options {
        /// Name.
        name: String,
        #[serde(default)]
        fix: Vec<Kind>,
        #[schemars(range(min = 0.0))]
        max_pdop: Option<f64>,
        files: Vec<String>,
    }

    fn say(text: &str) -> Vec<(String, String, String)> {
        let schema = schemars::SchemaGenerator::default().into_root_schema_for::<Options>().to_value();
        let document = parse::read("o.yaml", text.as_bytes()).unwrap();
        conform(&document, "", &document.value, &schema).into_iter().map(|d| (d.code, d.labels[0].text.clone(), d.fix)).collect()
    }

    #[test]
    fn says_everything_at_once() {
        let found = say("name: 12\nfix: [rtk-fixd]\nmax_pdopp: 3\nfiles: a.nmea\n");
        let codes: Vec<&str> = found.iter().map(|f| f.0.as_str()).collect();
        assert_eq!(codes, ["job/wrong-type", "job/unknown-value", "job/unknown-key", "job/wrong-type"], "{found:?}");
        assert_eq!(found[0].2, "put it in quotes: \"12\"");
        assert!(found[1].1.contains("`rtk-fixed`"));
        assert!(found[2].1.contains("`max_pdop`"));
        assert_eq!(found[3].2, "write a list: [a.nmea]");
    }

    #[test]
    fn ranges_and_missing_keys() {
        let found = say("name: x\nmax_pdop: -1\n");
        let codes: Vec<&str> = found.iter().map(|f| f.0.as_str()).collect();
        assert_eq!(codes, ["job/out-of-range", "job/missing-key"]);
        assert!(say("name: x\nmax_pdop: null\nfiles: []\n").is_empty());
    }

    #[test]
    fn text_keeps_its_raw_form() {
        let found = say("name: 1.10\nfiles: []\n");
        assert_eq!(found[0].2, "put it in quotes: \"1.10\"");
    }

    #[test]
    fn limits_of_a_schema_that_a_plug_in_writes_are_kept() {
        let schema = serde_json::json!({"type": "object", "additionalProperties": false, "properties": {
            "hz": {"type": "integer", "enum": [512, 8192, 33000]},
            "gain": {"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1},
            "share": {"type": "number", "exclusiveMinimum": 0, "maximum": 1},
            "tones": {"type": "array", "minItems": 1, "maxItems": 2, "items": {"type": "number"}},
            "mark": {"type": "string", "minLength": 2, "maxLength": 4},
        }});
        let said = |yaml: &str| -> Vec<String> {
            let document = parse::read("job", yaml.as_bytes()).unwrap();
            conform(&document, "", &document.value, &schema).into_iter().map(|d| d.what).collect()
        };
        for good in ["hz: 512", "hz: 33000.0", "gain: 0.5", "share: 1", "tones: [1, 2]", "mark: Ø2", "mark: abcd"] {
            assert!(said(good).is_empty(), "{good}: {:?}", said(good));
        }
        for (bad, words) in [
            ("hz: 500", "`500` is not a value of `hz`"),
            ("hz: \"512\"", "is not a value of `hz`"),
            ("gain: 0", "`gain` is 0 and must be above 0 and below 1"),
            ("gain: 1", "must be above 0 and below 1"),
            ("share: 0", "must be above 0 and at most 1"),
            ("tones: []", "at least 1 entry"),
            ("tones: [1, 2, 3]", "at most 2 entries"),
            ("mark: a", "at least 2 characters"),
            ("mark: abcde", "at most 4 characters"),
        ] {
            assert!(said(bad).len() == 1 && said(bad)[0].contains(words), "{bad}: {:?}", said(bad));
        }
    }
}
