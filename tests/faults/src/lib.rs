//! The fault simulator: the daemon's core (bench, guard, runs with their scripts) and a virtual bench in one process,
//! in virtual time, with faults at every boundary, all from one seed.
//!
//! What it is for: to break the invariants of the safety design where a test bench can be broken without harm. In
//! comes a seed; out come everything that happened and every broken invariant, the same each time. Nobody builds
//! on it; `wattproof-faults` and the tests of this crate run it.
//!
//! The daemon's threads are real, but one runs at a time ([`scheduler`]); its links end in simulated instruments
//! ([`wire`], [`port`]) that faults spoil ([`fault`], [`spoil`], [`surroundings`]); a checker that shares no code with
//! the guard ([`check`]) watches the wire, the physics and the disk.

pub mod check;
pub mod clock;
pub mod disk;
pub mod durable;
pub mod fault;
pub mod fired;
pub mod gaps;
pub mod healthy;
pub mod hours;
pub mod log;
pub mod many;
pub mod operator;
pub mod port;
pub mod random;
pub mod sabotage;
pub mod schedule;
pub mod scheduler;
pub mod setup;
pub mod site;
pub mod spoil;
pub mod surroundings;
pub mod wire;
