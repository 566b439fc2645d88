//! A plan as text and as canonical JSON.

use super::Plan;
use crate::table::schema::{Axes, Epoch, Frame, Heights, Schema};
use serde_json::{Value, json};
use std::fmt::Write;

/// The plan as JSON with every default filled in; the same for every run of the same job.
#[must_use]
pub fn to_json(plan: &Plan) -> Value {
    json!({
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
        })).collect::<Vec<_>>(),
    })
}

/// One line on a frame.
#[must_use]
pub fn frame(frame: &Frame) -> String {
    let epoch = match frame.epoch {
        Epoch::Static => String::new(),
        Epoch::Fixed(year) => format!(" at epoch {year:.2}"),
        Epoch::EachObservation => " at each observation's own epoch".into(),
    };
    let axes = match frame.axes {
        Axes::Geographic => "latitude and longitude".to_owned(),
        Axes::Projected(unit) => format!("easting and northing in {}", unit.symbol()),
    };
    let heights = match &frame.heights {
        Heights::Ellipsoidal => "heights above the ellipsoid in m".to_owned(),
        Heights::ReceiverGeoid => "heights above the receiver's own geoid in m".to_owned(),
        Heights::Vertical { datum, model, unit, .. } => format!("heights in {} above {datum} by {model}", unit.symbol()),
    };
    let crs = if frame.name == frame.crs || frame.name.is_empty() { frame.crs.clone() } else { format!("{} ({})", frame.name, short(&frame.crs)) };
    format!("{crs}{epoch}; {axes}; {heights}; coordinates of the {:?}", frame.point)
}

fn short(crs: &str) -> String {
    if crs.chars().count() > 40 { format!("{}…", crs.chars().take(40).collect::<String>()) } else { crs.to_owned() }
}

fn columns(schema: &Schema) -> String {
    schema.columns.iter().map(|c| c.name.as_str()).collect::<Vec<_>>().join(" ")
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
        if let Some(f) = &node.bound.output.frame {
            let _ = writeln!(out, "  reference  {}", frame(f));
        }
        let _ = writeln!(out, "  columns    {}", columns(&node.bound.output));
    }
    out
}

fn write_value(out: &mut String, name: &str, value: &Value) {
    match value {
        Value::Array(items) if items.iter().any(|i| i.is_object() || i.is_string()) => {
            let _ = writeln!(out, "  decided    {name}:");
            for item in items {
                let _ = writeln!(out, "             - {}", plain(item));
            }
        }
        _ => {
            let _ = writeln!(out, "  decided    {name}: {}", plain(value));
        }
    }
}

fn plain(value: &Value) -> String {
    match value {
        Value::String(s) => s.clone(),
        Value::Object(map) => map.iter().filter(|(_, v)| !v.is_null()).map(|(k, v)| format!("{}: {}", k.replace('_', " "), plain(v))).collect::<Vec<_>>().join("; "),
        Value::Array(items) => items.iter().map(plain).collect::<Vec<_>>().join(", "),
        other => other.to_string(),
    }
}
