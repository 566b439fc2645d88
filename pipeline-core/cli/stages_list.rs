//! `gunter stages`.

use crate::args::Format;
use crate::{DONE, JOB, print};
use pipeline_core::registry::Registry;
use pipeline_core::stage::StageKind;
use serde_json::{Value, json};
use std::fmt::Write;

/// Lists the stages or explains one.
pub(crate) fn run(name: Option<&str>, format: Format, registry: &Registry) -> u8 {
    let Some(name) = name else {
        match format {
            Format::Json => print::json(&Value::Array(registry.kinds().map(|k| page_json(k.as_ref())).collect())),
            Format::Text => {
                let text: String = registry.kinds().map(|k| format!("{:<18} {}\n", k.spec().name, k.spec().summary)).collect();
                print::answer(&format!("{text}\n`gunter stages NAME` explains one and its options."));
            }
        }
        return DONE;
    };
    let Some(kind) = registry.get(name) else {
        let hint = registry.hint(name);
        eprintln!("error: no stage is called `{name}` {hint}");
        return JOB;
    };
    match format {
        Format::Json => print::json(&page_json(kind.as_ref())),
        Format::Text => print::answer(&page(kind.as_ref())),
    }
    DONE
}

fn page_json(kind: &dyn StageKind) -> Value {
    json!({"spec": kind.spec(), "options": kind.options_schema()})
}

/// The reference page of a stage, in Markdown.
pub(crate) fn page(kind: &dyn StageKind) -> String {
    let spec = kind.spec();
    let mut out = format!("# {}\n\n{}\n\n{}\n", spec.name, spec.summary, format!("\n{}", spec.doc.trim()).replace("\n# ", "\n## ").trim());
    let schema = kind.options_schema();
    out.push_str("\n## Options\n\n");
    options(&mut out, &schema, &schema, "");
    for example in spec.examples {
        let _ = write!(out, "\n## Example: {}\n\n```yaml\nstage: {}\noptions:\n", example.title, spec.name);
        for line in example.options.trim().lines() {
            let _ = writeln!(out, "  {line}");
        }
        out.push_str("```\n");
    }
    out
}

fn resolve<'a>(root: &'a Value, schema: &'a Value) -> &'a Value {
    let schema = schema
        .get("anyOf")
        .and_then(Value::as_array)
        .and_then(|any| any.iter().find(|s| s.get("type").and_then(Value::as_str) != Some("null")))
        .unwrap_or(schema);
    schema.get("$ref").and_then(Value::as_str).and_then(|r| root.pointer(r.trim_start_matches('#'))).unwrap_or(schema)
}

fn type_word(root: &Value, schema: &Value) -> String {
    let schema = resolve(root, schema);
    if let Some(words) = words(schema) {
        return words.iter().map(|w| format!("`{w}`")).collect::<Vec<_>>().join(" \\| ");
    }
    let types = match schema.get("type") {
        Some(Value::String(t)) => vec![t.as_str()],
        Some(Value::Array(ts)) => ts.iter().filter_map(Value::as_str).filter(|t| *t != "null").collect(),
        _ => vec!["value"],
    };
    if types == ["array"] {
        return format!("list of {}", schema.get("items").map_or_else(|| "values".into(), |i| type_word(root, i)));
    }
    types
        .iter()
        .map(|t| match *t {
            "string" => "text",
            "integer" => "whole number",
            "object" => "keys",
            "boolean" => "true or false",
            t => t,
        })
        .collect::<Vec<_>>()
        .join(" or ")
}

fn words(schema: &Value) -> Option<Vec<String>> {
    if let Some(list) = schema.get("enum").and_then(Value::as_array) {
        return Some(list.iter().map(|v| v.as_str().map_or_else(|| v.to_string(), str::to_owned)).collect());
    }
    let list = schema.get("oneOf")?.as_array()?;
    let mut all = vec![];
    for s in list {
        match s.get("const").and_then(Value::as_str) {
            Some(w) => all.push(w.to_owned()),
            None => all.extend(words(s)?),
        }
    }
    Some(all)
}

fn options(out: &mut String, root: &Value, schema: &Value, prefix: &str) {
    let Some(properties) = schema.get("properties").and_then(Value::as_object) else {
        out.push_str("None.\n");
        return;
    };
    if properties.is_empty() {
        out.push_str("None.\n");
        return;
    }
    let required: Vec<&str> = schema.get("required").and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_str).collect();
    for (key, value) in properties {
        let text = value.get("description").and_then(Value::as_str).unwrap_or_default().replace('\n', " ");
        let need = if required.contains(&key.as_str()) {
            ", required".to_owned()
        } else {
            value.get("default").filter(|d| !d.is_null()).map_or_else(String::new, |d| format!(", default `{d}`"))
        };
        let _ = writeln!(out, "- `{prefix}{key}` ({}{need}): {text}", type_word(root, value));
        let inner = resolve(root, value);
        let item = inner.get("items").map(|i| resolve(root, i));
        if inner.get("properties").is_some() {
            options(out, root, inner, &format!("{prefix}{key}."));
        } else if let Some(item) = item.filter(|i| i.get("properties").is_some()) {
            options(out, root, item, &format!("{prefix}{key}[]."));
        }
    }
}
