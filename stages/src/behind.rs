//! What the conformance kit tries stages on besides made-up tables: what the built-in stages give in the order of a job.

use pipeline_core::plugin::examine::Given;
use serde_json::{Value, json};

/// Stages of a job from the antenna to points of the delivery, with their options.
fn chain() -> Vec<(&'static str, Value)> {
    vec![
        ("heading-age", json!({})),
        ("tilt-correct", json!({"aim": "column"})),
        ("average", json!({})),
        ("height-convert", json!({})),
        ("reproject", json!({})),
    ]
}

/// Tables behind these stages: epochs with the arm and the budget of each, points, points with heights, points on the grid of the delivery.
///
/// # Errors
/// Why one of the stages does not run, in words.
pub fn given() -> Result<Given, String> {
    let all = super::builtin();
    let chain = chain().into_iter().map(|(name, options)| {
        let kind = all.iter().find(|k| k.spec().name == name).cloned();
        kind.map(|k| (k, options)).ok_or_else(|| format!("no stage is called `{name}`"))
    });
    Given::by(&chain.collect::<Result<Vec<_>, _>>()?)
}
