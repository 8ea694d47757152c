//! The way from a fault to OFF, and what watches over it: safe state and its read-back, stop, latch and reset, freshness,
//! heartbeat, contactor, threads that go ahead of ordinary ones. Whatever operates the bench must be able to end here.

pub(crate) mod attempt;
pub(crate) mod contactor;
pub(crate) mod heart;
pub(crate) mod latch;
pub(crate) mod lent;
pub(crate) mod may_send;
pub(crate) mod off;
pub(crate) mod precedence;
pub(crate) mod pulse;
pub(crate) mod report;
pub(crate) mod reset;
pub(crate) mod safe;
pub(crate) mod stop;
pub(crate) mod turn;
pub(crate) mod unasked;
pub(crate) mod watch;
