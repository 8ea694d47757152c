//! Judges whether a bench is wired as its file says, from what was measured at idle and at a small level.
//!
//! **In:** numbers of one capture each ([`Idle`], [`Driven`], [`Seen`]) with what was commanded.
//! **Out:** named [`Check`]s, each `ok`, `wrong` or `not told`, with the number found, what was allowed and why, and what
//! to do next. **Called by:** whoever drives the bench. The same numbers always give the same checks.

mod bridge;
mod check;
mod driven;
mod idle;
mod order;
mod small;

pub use bridge::judge_bridge;
pub use check::{Allowed, Check, SelfCheck, Told};
pub use driven::{Driven, EachLoad, Seen, Tone, judge_driven, judge_gains, judge_kinds};
pub use idle::{Idle, Supplied, judge_idle, judge_supply, judge_thermometer};
pub use order::judge_order;
pub use small::SmallLevel;
