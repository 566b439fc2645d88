//! What the file of a stage needs, in one line: `use crate::prelude::*;`.
//!
//! From the engine: the trait and what it is given. From the ground floor: tables with their schema, and findings. Everything else
//! is named where it is used, so that a file still shows what is special in it.

pub use crate::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Spec, Stage, StageKind, kind};
pub use pipeline_base::diag::{Diagnostic, Label, Verdict};
pub use pipeline_base::place::Locality;
pub use pipeline_base::problem::Problem;
pub use pipeline_base::table::schema::{Column, Holds, Role, Schema, Unit};
pub use pipeline_base::table::{Table, TableBuilder, by_role};
