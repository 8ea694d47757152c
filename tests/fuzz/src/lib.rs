//! Fuzzing: hostile bytes into everything of this project that reads bytes from outside.
//!
//! In come bytes: kept ones (`corpus/`), shipped files, and what the mutator makes of both. Out goes nothing, or a panic
//! where a reader panicked, contradicted itself, hung or took too much memory. A [`Target`] is a plain function, so that
//! three drivers can call it: the tests of this crate (a fixed count each time), the program `wattproof-fuzz` (minutes or
//! hours) and `guided/` (led by coverage, with a nightly compiler). Nothing of the product may use this crate.

mod campaign;
mod chance;
mod corpus;
mod mutate;
mod panics;
mod target;
pub mod targets;
mod watch;

pub use campaign::{Budget, Campaign, Crash, Tally};
pub use corpus::{Seed, crashes_folder, seeds};
pub use mutate::Mutator;
pub use target::{TARGETS, Target, named};
pub use watch::{MEMORY_BYTES, bound_memory};
