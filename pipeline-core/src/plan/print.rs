//! A plan as text and as canonical JSON.

use super::Plan;
use pipeline_base::table::schema::{Frame, Schema};
use serde_json::{Value, json};
use std::fmt::Write;

/// The plan as JSON with every default filled in; the same for every run of the same job.
#[must_use]
pub fn to_json(plan: &Plan) -> Value {
    let mut all = json!({
        "job": plan.job.name,
        "rig": plan.rig,
        "reference": plan.reference,
        "results": plan.results_name,
        "waivers": plan.job.waivers,
        "steps": plan.nodes.iter().map(|n| json!({
            "id": n.id,
            "stage": n.spec.name,
            "stage_version": n.spec.version,
            "from": n.inputs.iter().map(|i| plan.nodes[*i].id.as_str()).collect::<Vec<_>>(),
            "grain": n.bound.grain,
            "options": n.bound.options,
            "decided": n.bound.decided.iter().cloned().collect::<serde_json::Map<_, _>>(),
            "sessions": n.bound.stage.sessions(),
            "output": *n.bound.output,
            "axes": n.bound.output.axes().iter().map(|c| c.name.as_str()).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
    });
    if !plan.plugins.is_empty() {
        all["plugins"] = json!(plan.plugins);
    }
    all
}

/// One line on a frame.
#[must_use]
pub fn frame(frame: &Frame) -> String {
    format!(
        "{}, {}; {}; heights {} in {}; coordinates of the {}",
        frame.title(),
        frame.epoch.words(),
        frame.axes.words(),
        frame.heights.words(),
        frame.heights.unit().symbol(),
        frame.point.word()
    )
}

/// The reference of the coordinates that a step gives, one line for each part of it.
fn write_reference(out: &mut String, schema: &Schema) {
    let Some(frame) = &schema.frame else {
        let _ = writeln!(out, "  reference  none: this table has no coordinates");
        return;
    };
    let axes: Vec<String> = schema.axes().iter().map(|c| format!("{} ({})", c.name, c.unit.symbol())).collect();
    let _ = writeln!(out, "  reference  {}", frame.title());
    let _ = writeln!(out, "  epoch      {}", frame.epoch.words());
    let _ = writeln!(out, "  axes       {}", axes.join(", "));
    let _ = writeln!(out, "  heights    {} in {}", frame.heights.words(), frame.heights.unit().symbol());
    let _ = writeln!(out, "  point      {}", frame.point.word());
}

/// Columns that a step adds; all of them for the first.
fn new_columns(schema: &Schema, before: Option<&Schema>) -> Vec<String> {
    schema
        .columns
        .iter()
        .filter(|c| before.is_none_or(|b| b.named(&c.name).is_none_or(|old| old.unit != c.unit)))
        .map(|c| c.name.clone())
        .collect()
}

/// The plan for people: each step, what it was told, what it decided and what comes out.
#[must_use]
pub fn to_text(plan: &Plan) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "job        {}", plan.job.name);
    if let Some(rig) = &plan.rig {
        let _ = writeln!(out, "rig        {}", rig.name);
    }
    if let Some(reference) = &plan.reference {
        let _ = writeln!(out, "reference  {}", reference.name);
    }
    if let Some(at) = &plan.locality {
        let _ = writeln!(out, "near       {:.4}, {:.4}", at.latitude_deg, at.longitude_deg);
    }
    for plugin in &plan.plugins {
        let place = if plugin.isolated { "in a process of its own" } else { "in this process" };
        let _ = writeln!(out, "plug-in    {} {} ({}, {place}, sha256 {})", plugin.name, plugin.version, plugin.path, plugin.sha256);
    }
    let _ = writeln!(out, "results    {}", plan.results_name);
    for node in &plan.nodes {
        let from = node.inputs.iter().map(|i| plan.nodes[*i].id.as_str()).collect::<Vec<_>>().join(", ");
        let from = if from.is_empty() { String::new() } else { format!(", from {from}") };
        let _ = writeln!(out, "\n{}: {} (version {}{from})", node.id, node.spec.name, node.spec.version);
        let sessions = node.bound.stage.sessions();
        for session in &sessions {
            let files = session.files.iter().map(|f| f.name.as_str()).collect::<Vec<_>>().join(", ");
            let _ = writeln!(out, "  session    {}: {files}", session.name);
        }
        if let Value::Object(options) = &node.bound.options {
            for (key, value) in options.iter().filter(|(_, v)| !v.is_null()) {
                let _ = writeln!(out, "  option     {key}: {value}");
            }
        }
        for (key, value) in &node.bound.decided {
            let name = key.replace('_', " ");
            write_value(&mut out, &name, value);
        }
        for resource in node.bound.stage.resources() {
            let _ = writeln!(out, "  file       {}", resource.name);
        }
        write_reference(&mut out, &node.bound.output);
        let before = node.inputs.first().map(|i| &*plan.nodes[*i].bound.output);
        let added = new_columns(&node.bound.output, before);
        if !added.is_empty() {
            folded(&mut out, if before.is_some() { "adds" } else { "columns" }, &added);
        }
    }
    out
}

/// Words under a name, folded to the width of a terminal.
fn folded(out: &mut String, name: &str, words: &[String]) {
    let mut line = format!("  {name:<10}");
    for word in words {
        if line.chars().count() + 1 + word.chars().count() > 100 && line.trim() != name {
            let _ = writeln!(out, "{line}");
            line = " ".repeat(12);
        }
        line.push(' ');
        line.push_str(word);
    }
    let _ = writeln!(out, "{line}");
}

fn write_value(out: &mut String, name: &str, value: &Value) {
    let _ = writeln!(out, "  decided    {name}{}", if nested(value) { ":".to_owned() } else { format!(": {}", plain(value)) });
    if nested(value) {
        write_nested(out, value, 13);
    }
}

/// Whether a value needs lines of its own.
fn nested(value: &Value) -> bool {
    match value {
        Value::Object(_) => true,
        Value::Array(items) => items.iter().any(|i| i.is_object() || i.as_str().is_some_and(|s| s.len() > 24)),
        _ => false,
    }
}

fn write_nested(out: &mut String, value: &Value, indent: usize) {
    let pad = " ".repeat(indent);
    match value {
        Value::Object(map) => {
            for (key, v) in map.iter().filter(|(_, v)| !v.is_null()) {
                let key = key.replace('_', " ");
                if nested(v) {
                    let _ = writeln!(out, "{pad}{key}:");
                    write_nested(out, v, indent + 2);
                } else {
                    let _ = writeln!(out, "{pad}{key}: {}", plain(v));
                }
            }
        }
        Value::Array(items) => {
            for item in items {
                if item.is_object() {
                    let mut inner = String::new();
                    write_nested(&mut inner, item, indent + 2);
                    // The first line of an entry carries its dash.
                    out.push_str(&pad);
                    out.push_str("- ");
                    out.push_str(inner.trim_start());
                } else {
                    let _ = writeln!(out, "{pad}- {}", plain(item));
                }
            }
        }
        other => {
            let _ = writeln!(out, "{pad}{}", plain(other));
        }
    }
}

fn plain(value: &Value) -> String {
    match value {
        Value::String(s) => s.clone(),
        Value::Array(items) if items.is_empty() => "none".to_owned(),
        Value::Array(items) => items.iter().map(plain).collect::<Vec<_>>().join(", "),
        Value::Number(n) => n.as_f64().filter(|_| n.is_f64()).map_or_else(
            || n.to_string(),
            |f| {
                let text = format!("{f:.4}");
                if text.parse::<f64>().is_ok_and(|t| (t - f).abs() <= f.abs() * 1e-9) { f.to_string() } else { text }
            },
        ),
        other => other.to_string(),
    }
}
