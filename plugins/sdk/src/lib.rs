//! Stages for `gunter` in a library of their own, in safe Rust.
//!
//! A plug-in's stage looks like a built-in one: a struct of documented [`Options`](Stage::Options), a [`Spec`], a `bind` that
//! decides everything before data are read and promises a schema, and a `run` that turns tables into a table.
//!
//! ```
//! use gunter_plugin::{Bound, BindCx, Cx, Grain, Inputs, Problem, Role, Spec, Stage, Table, TableBuilder, Threads};
//! use gunter_plugin::{schemars, schemars::JsonSchema, serde::{self, Deserialize, Serialize}};
//!
//! /// Options of `acme/raise`.
//! #[derive(Serialize, Deserialize, JsonSchema)]
//! #[serde(deny_unknown_fields, crate = "gunter_plugin::serde")]
//! #[schemars(crate = "gunter_plugin::schemars")]
//! struct Options {
//!     /// How far every height is raised, m.
//!     by_m: f64,
//! }
//!
//! struct Raise { by_m: f64, height: String }
//!
//! impl Stage for Raise {
//!     type Options = Options;
//!     const SPEC: Spec = Spec {
//!         name: "acme/raise",
//!         version: 1,
//!         summary: "Raise every height by one number",
//!         doc: "# What it does\nAdds a number to the ellipsoidal heights.",
//!         inputs: Inputs::One,
//!         threads: Threads::Many,
//!         examples: &[],
//!     };
//!
//!     fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
//!         let schema = cx.input()?;
//!         let height = schema.need(Role::ELLIPSOIDAL_HEIGHT).map_err(|p| vec![p])?.name.clone();
//!         Ok(Bound::new(Self { by_m: options.by_m, height }, schema.clone(), Grain::Rows))
//!     }
//!
//!     fn run(&self, inputs: &[Table], _: &Cx) -> Result<Table, Problem> {
//!         let heights = inputs[0].floats(&self.height)?.iter().map(|h| h + self.by_m).collect();
//!         let mut table = TableBuilder::from(&inputs[0], inputs[0].schema());
//!         table.floats(&self.height, heights);
//!         table.finish()
//!     }
//! }
//!
//! gunter_plugin::export_plugin!(name: "acme", stages: [Raise]);
//! # fn main() {}
//! ```
//!
//! # Manners
//!
//! The host runs a stage for many sessions at once and expects the same output for the same input: no clock, no
//! chance, no environment, no state between calls, no thread pool, nothing on standard output. A panic is caught and
//! reported, but the plug-in is then not called again in that process; give a [`Problem`] instead.

mod arrow;
mod column;
mod cx;
pub mod export;
mod problem;
mod schema;
mod stage;
mod table;

pub use cx::{Cx, File};
pub use problem::{Problem, Verdict};
pub use schema::{Column, Holds, Role, Schema, Unit};
pub use stage::{BindCx, Bound, Example, Grain, Inputs, Spec, Stage, Threads};
pub use table::{Table, TableBuilder};
pub use {schemars, serde, serde_json};
