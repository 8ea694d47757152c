//! The bench as a run sees it, with its record: what may put energy into the bench is on the disk before it is sent, what
//! came of it before anybody sees it or anything follows from it, and a run that was cut off is answered from its record
//! up to where it ended.
//!
//! In come acts (set, switch, wait, capture) and records (step, rating, …) from the stage; out go their outcomes. Only
//! the stage and what acts on it may call this room. It must not know scripts.

mod act;
mod bench;
mod divergence;
mod doing;
mod history;
mod opened;
mod standing;

/// Line in the script, of a call in the journal.
pub const LINE: &str = "line";

pub use act::Act;
pub use bench::RecordedBench;
pub use divergence::Divergence;
pub use history::{Ended, History};
pub use opened::{Facts, Opened};
