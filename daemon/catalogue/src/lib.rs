//! The catalogue: an index over all runs that can always be made anew from their folders.
//!
//! In come entries, each what is told of one run; out go those that a question finds. Called by whoever reads runs'
//! folders (`report`) or asks (`serve`, `app`). It must not know how a run's folder looks, nor how anything was measured.

mod entry;

pub use entry::{CleanPower, Entry, FileEntry, FindingEntry, InstrumentEntry, RatingEntry};
