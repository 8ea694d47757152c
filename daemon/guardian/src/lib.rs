//! The guardian: a tiny child process that switches everything off when the daemon dies or hangs.
//!
//! What the room is for: an answer to the faults that the daemon can't answer itself, as it is killed, stopped or
//! stuck. Comes in, once: duplicates of the instruments' port descriptors over a unix socket, and for each port the
//! exact bytes that switch it off. Then heartbeats. Goes out: nothing at all while heartbeats come; the OFF bytes,
//! after a newline, to every port when they stop or the socket ends. It never sends anything else, so it can't
//! energise.
//!
//! Both ends live here: [`Guardian`] is the daemon's (called by `daemon/bench`), [`become_guardian`] the child's
//! (called by the command line's hidden word). The child allocates nothing after it has said that it is ready; each
//! port has a thread of its own, so that one that blocks does not delay another. It must not know instruments,
//! dialects or limits of the bench. Locks stand here too: of the guardian that still holds a port, and of the daemon
//! that does ([`hold`]); and real-time precedence, which guardian and daemon take in turn ([`go_ahead`]).

mod child;
mod claim;
mod daemon;
mod error;
mod hold;
mod off;
mod orders;
mod precedence;
mod serve;
mod watch;
mod wire;

pub use child::become_guardian;
pub use claim::{LOCKS, Planted, wait_until_free};
pub use daemon::{Guardian, GuardianProgram, Lost};
pub use error::GuardianError;
pub use hold::{Held, Holding, NotHeld, all_holding, held_by, hold};
pub use orders::{PORTS_MAX, PortOrder, Timing};
pub use precedence::{NoPrecedence, Precedence, RUNAWAY_MAX, go_ahead};
pub use serve::{Ended, serve};
pub use watch::{Reason, Watch};
pub use wire::Notes;
