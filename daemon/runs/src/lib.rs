//! Runs: the script host, the steps, the journal and the records of a run.
//!
//! In come a script, a nameplate and an open bench; out goes a run folder: `journal.jsonl` (the truth, synced
//! before the next output change), `steps.csv`, `ratings.csv`, `ratings.json`, `curve.csv`, `bursts.csv` and `run.json`
//! (all of them can be rebuilt from the journal). Scripts reach the bench only through the host functions here. Only `daemon/app`
//! may call this room. It must not know ports, SCPI or pages.

mod burst;
mod burst_table;
mod ceiling;
mod delivered;
mod drives;
mod error;
mod folder;
mod host;
mod journal;
mod judge;
mod look;
mod nameplate;
mod progress;
mod ratings;
mod run;
mod stage;
mod step;
mod tables;

pub use delivered::Spent;
pub use drives::{TwoToneChannel, TwoToneStep};
pub use error::{RunError, ScriptFault};
pub use folder::RunFolder;
pub use host::{check_script, read as read_script};
pub use journal::{Journal, JournalError, Line, ReadJournal, read_journal};
pub use judge::RatingResult;
pub use nameplate::{Driven, LimitBy, Nameplate, NameplateError, Rating};
pub use progress::{Event, Watcher};
pub use ratings::{BracketRecord, RATINGS_FILE, RatingRecord, RatingsError, RatingsFile};
pub use run::{Outcome, RunOrder, RunSummary, run};
pub use step::{ChannelStep, Step};
