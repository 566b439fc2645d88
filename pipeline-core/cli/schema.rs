//! `gunter schema`.

use crate::args::SchemaOf;
use crate::{DONE, print};
use pipeline_core::registry::Registry;
use serde_json::{Value, json};

/// Prints a JSON Schema.
pub(crate) fn run(of: SchemaOf, registry: &Registry) -> u8 {
    let value = match of {
        SchemaOf::Job => job(registry),
        SchemaOf::Rig => schemars::schema_for!(pipeline_base::rig::Rig).to_value(),
        SchemaOf::Reference => schemars::schema_for!(pipeline_base::reference::Reference).to_value(),
    };
    print::json(&value);
    DONE
}

/// The schema of a job: the form of the file, and for each stage the form of its options.
pub(crate) fn job(registry: &Registry) -> Value {
    let mut root = schemars::schema_for!(pipeline_core::job::Job).to_value();
    let mut rules = vec![];
    let mut names = vec![];
    for kind in registry.kinds() {
        let name = kind.spec().name;
        // A slash would be a step of a JSON pointer.
        let key = name.replace('/', ".");
        names.push(json!({"const": name, "description": kind.spec().summary}));
        let mut options = kind.options_schema();
        // Definitions of each stage keep apart under the stage's name.
        if let Some(definitions) = options.as_object_mut().and_then(|o| o.remove("$defs")) {
            let text = options.to_string().replace("#/$defs/", &format!("#/$defs/{key}.definitions/"));
            options = serde_json::from_str(&text).unwrap_or(options);
            let inner = definitions.to_string().replace("#/$defs/", &format!("#/$defs/{key}.definitions/"));
            root["$defs"][format!("{key}.definitions")] = serde_json::from_str(&inner).unwrap_or(definitions);
        }
        if let Some(o) = options.as_object_mut() {
            o.remove("$schema");
            o.remove("title");
        }
        root["$defs"][format!("{key}.options")] = options;
        rules.push(json!({
            "if": {"properties": {"stage": {"const": name}}},
            "then": {"properties": {"options": {"$ref": format!("#/$defs/{key}.options")}}},
        }));
    }
    if registry.kinds().all(|k| !k.spec().name.contains('/')) {
        names.push(json!({"pattern": "^[a-z][a-z0-9-]*/[a-z][a-z0-9-]*$", "description": "A stage of a plug-in; `gunter schema --plugin FILE` knows its options"}));
    }
    root["$defs"]["Step"]["properties"]["stage"]["oneOf"] = Value::Array(names);
    root["$defs"]["Step"]["allOf"] = Value::Array(rules);
    root
}
