//! What an average is formed with.

use super::average::Options;
use super::estimate::Rules;
use super::schema::Names;
use pipeline_base::reference::Budget;
use pipeline_base::table::schema::Schema;
use std::sync::Arc;

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
