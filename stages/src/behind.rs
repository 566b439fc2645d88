//! What the conformance kit tries stages on besides made-up tables: what the built-in stages give in the order of a job.

use pipeline_core::stage::StageKind;
use serde_json::{Value, json};
use std::sync::Arc;

/// A stage and its options.
pub type Step = (Arc<dyn StageKind>, Value);

/// Stages of a job from the antenna to points of the delivery, with their options. The tables behind them: epochs with the arm and the
/// budget of each, points, points with heights, points on the grid of the delivery.
///
/// # Errors
/// Which name is no stage.
pub fn chain() -> Result<Vec<Step>, String> {
    let all = super::builtin();
    let chain = [
        ("heading-age", json!({})),
        ("tilt-correct", json!({"aim": "column"})),
        ("average", json!({})),
        ("height-convert", json!({})),
        ("reproject", json!({})),
    ];
    let known = |(name, options)| {
        let kind = all.iter().find(|k| k.spec().name == name).cloned();
        kind.map(|k| (k, options)).ok_or_else(|| format!("no stage is called `{name}`"))
    };
    chain.into_iter().map(known).collect()
}
