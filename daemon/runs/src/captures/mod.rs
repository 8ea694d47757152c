//! Raw captures, kept losslessly beside the journal, which holds the hash of each file.
//!
//! In come the samples of a capture, as the readings were computed from; out goes a small file that gives every one of
//! them back bit for bit, so that any reading can be computed again. The format is told in daemon/runs/README.md.

mod blocks;
mod pack;
mod store;

pub use store::{CaptureError, CaptureRef, capture_from_bytes, capture_to_bytes, load, store};
