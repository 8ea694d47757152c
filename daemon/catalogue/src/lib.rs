//! The catalogue: an index over all runs that can always be made anew from their folders.
//!
//! In come entries, each what is told of one run; out go those that a question finds. It lies in a file of SQLite's on
//! each bench, or in a PostgreSQL database that several benches publish to: one code path, one set of tables, the same
//! answers. Called by whoever reads runs' folders (`report`) or asks (`serve`, `app`). It must not know how a run's folder
//! looks, nor how anything was measured.

mod catalogue;
mod entry;
mod error;
mod fit;
mod moment;
mod outbox;
mod place;
mod publish;
mod put;
mod question;
mod rebuild;
mod schema;
mod tables;
mod units;
mod whole;
mod wire;

pub use catalogue::{Catalogue, Limits};
pub use entry::{CleanPower, Entry, FileEntry, FindingEntry, InstrumentEntry, RatingEntry};
pub use error::{Error, Result};
pub use moment::begins_as_a_time;
pub use outbox::Waiting;
pub use place::Place;
pub use publish::Published;
pub use put::{Put, State};
pub use question::{Brief, Question, Sort, Wanted};
pub use units::Measured;
