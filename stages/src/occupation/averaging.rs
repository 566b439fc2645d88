//! What an average is formed with.

use super::estimate::Rules;
use super::schema::Names;
use pipeline_base::reference::Budget;
use pipeline_base::table::schema::Schema;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Options of `average`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Fewest epochs in the mean; a point with fewer is not delivered. Left out: no rule.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1))]
    pub min_epochs: Option<u32>,
    /// Shortest time from the first to the last epoch in the mean, s; a shorter point is not delivered. Left out: no rule.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub min_span_s: Option<f64>,
    /// An epoch further than this many robust sigmas from the mean is set aside as `outlier`. With fewer than four epochs none is.
    #[serde(default = "five")]
    #[schemars(range(min = 3.0))]
    pub outlier_cut: f64,
    /// Smallest distance between two groups of laser ranges that is taken for two surfaces, m (never less than five range sigmas).
    #[serde(default = "five_centimetres")]
    #[schemars(range(min = 0.0))]
    pub two_surface_gap_m: f64,
    /// Smallest empty stretch between two groups of positions that is taken for a changed fix or a moved pole, m (never less than three sigmas).
    #[serde(default = "five_centimetres")]
    #[schemars(range(min = 0.0))]
    pub two_group_gap_m: f64,
}

const fn five() -> f64 {
    5.0
}
const fn five_centimetres() -> f64 {
    0.05
}

/// The stage, bound.
pub(crate) struct Average {
    pub(super) options: Options,
    pub(super) names: Names,
    pub(super) rules: Rules,
    pub(super) range_sigma_m: f64,
    pub(super) base_sigma: [f64; 2],
    pub(super) budget: Option<Budget>,
    pub(super) output: Arc<Schema>,
}
