//! The engine of `gunter`: a job becomes a plan, a plan becomes a run, a run leaves a record.
//!
//! Seven nouns carry everything:
//!
//! * [`job::Job`]: the YAML file as it was written, with the place of every key.
//! * [`stage::Stage`]: one kind of step. Core knows none by name.
//! * [`table::Table`]: columns (a Polars data frame) beside a typed [`table::schema::Schema`].
//! * [`plan::Plan`]: the job, proved to fit together before any data is read.
//! * [`run`]: the only part that reads, writes and uses threads.
//! * [`record::Record`]: what an auditor gets, also of a failed run.
//! * [`diag::Diagnostic`]: the one form in which anything is said to a person; [`verdict`] makes one line a
//!   point of it.
//!
//! Two more files stand beside a job and are used for months: a [`rig::Rig`] and a
//! [`reference::Reference`].

pub mod diag;
pub mod job;
pub mod lock;
pub mod packed;
pub mod plan;
pub mod plugin;
pub mod record;
pub mod reference;
pub mod registry;
pub mod rig;
pub mod run;
pub mod stage;
pub mod table;
pub mod verdict;
