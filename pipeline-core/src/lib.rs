#![doc = include_str!("../README.md")]

pub mod compact;
pub mod job;
pub mod lock;
pub mod plan;
pub mod plugin;
pub mod prelude;
pub mod record;
pub mod registry;
pub mod run;
pub mod stage;
pub mod verdict;
