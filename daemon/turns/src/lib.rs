//! Virtual time for a bench: its real threads take turns, one at a time, and time jumps when all of them wait.
//!
//! In comes a seed, which decides who goes first; out come a [`VirtualTime`] to open a bench on, and the time it has come to.
//! An hour of a bench passes in seconds, the same way each time. Who may call it: `daemon/rehearsal`, and the fault simulator of
//! `tests/faults`. It must not know what the threads do.

mod clock;
mod random;
mod scheduler;

pub use clock::{VirtualSignal, VirtualTime};
pub use random::Random;
pub use scheduler::{Flag, Hook, Scheduler, Stuck};
