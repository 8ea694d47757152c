//! The guard: what stands between scripts and instruments.
//!
//! In come commands about to be sent, readings, doubts, faults and ticks, each with its time; out come permissions,
//! refusals and trips. Nothing here does I/O, owns a clock or starts a thread, so that every rule can be
//! tested at a million cases a second. Only `daemon/bench` may drive it; everybody may read its limits.
//!
//! Vocabulary (safe state, trip, latch, reset) as ISO 13849-1 and IEC 60204-1 use it. No safety integrity
//! level is claimed: hardware protection comes first, this is one layer.

mod arming;
mod belief;
mod command;
mod further;
mod gate;
mod heat;
mod judge;
mod latch;
mod limits;
mod machine;
mod plausible;
mod reading;
mod send;
mod trip;

pub use belief::{Belief, Doubt, Output};
pub use command::Command;
pub use further::{FURTHER_MAX, FurtherTemperature};
pub use heat::LoadDuty;
pub use latch::{EVIDENCE_MAX, Evidence, LatchRecord, Trip};
pub use limits::{Limits, LimitsError, Ratings};
pub use machine::{Guard, State};
pub use reading::{DEAD_A, DEAD_VRMS, SafetyReading};
pub use send::MessageKind;
pub use trip::{Refusal, TripCause};
