//! Runs: the script host, the steps, the journal and the records of a run.
//!
//! In come a script, a nameplate and an open bench; out goes a run folder: `journal.jsonl` (the truth, synced before the
//! next output change), `captures/` (every sample), and what can be rebuilt from those: `steps.csv`, `ratings.csv`,
//! `ratings.json`, `curve.csv`, `bursts.csv`, `findings.csv` and `run.json`. A run that was cut off goes on from its journal. Scripts reach
//! the bench only through the host functions here. Only `daemon/app`, `daemon/report` and `daemon/serve` may call this room. It must not know ports, SCPI or
//! pages.

mod burst;
mod burst_table;
mod calibrating;
mod captures;
mod ceiling;
mod chance;
mod clips;
mod columns;
mod delivered;
mod disk;
mod drives;
mod ended;
mod error;
mod expanded;
mod finding;
mod folder;
mod host;
mod idle;
mod inputs;
mod journal;
mod judge;
mod load_rest;
mod look;
mod nameplate;
mod open_tables;
mod price;
mod progress;
mod ratings;
mod rebuild;
mod recompute;
mod record;
mod resume;
mod run;
mod run_file;
mod selfcheck;
mod served;
mod stage;
mod step;
mod sweep;
mod tables;
mod trace;
mod typist;
mod volts;
mod words;

pub use calibrating::{Applied, Looks, look_outside};
pub use captures::{CaptureError, CaptureRef, capture_from_bytes, capture_to_bytes, load as load_capture};
pub use columns::{ColumnKind, columns_of};
pub use delivered::Spent;
pub use disk::{Disk, Growing, MachineDisk};
pub use drives::{NoiseChannel, NoiseStep, TwoToneChannel, TwoToneStep};
pub use error::{RunError, ScriptFault};
pub use expanded::step_answer;
pub use finding::Finding;
pub use folder::{CAPTURES_FOLDER, FINDINGS_FILE, JOURNAL_FILE, RunFolder};
pub use host::{
    Layout, Limits, LinesReached, Parameter, ParameterKind, ParameterValue, Script, Set, WorkerProgram,
    all_usages as script_usages, check_source, definitions as script_definitions,
    examples as script_examples, from_json, parameters_of, read as read_script,
    reference as script_reference, register_arithmetic, rehearse_script, script_fault, set_of, to_json,
    work as work_for_daemon,
};
pub use journal::{Journal, JournalError, Line, ReadJournal, read_journal, walk_journal};
pub use judge::RatingResult;
pub use nameplate::{Driven, LimitBy, Nameplate, NameplateError, PlateKind, Rating};
pub use progress::{Event, Watcher};
pub use ratings::{BracketRecord, RATINGS_FILE, RatingRecord, RatingsError, RatingsFile};
pub use rebuild::rebuild;
pub use recompute::{Recomputed, recompute};
pub use record::Divergence;
pub use resume::{ResumeOrder, bench_of, resume, resume_in};
pub use run::{Outcome, RunOrder, RunSummary, ScriptIn, run};
pub use served::{NotMeasured, unserved};
pub use step::{ChannelStep, Step, TemperatureStep};
pub use tables::{TableError, step_lines};
pub use trace::{TracedCall, trace};
pub use typist::Typist;
pub use volts::{VoltsPart, VoltsResult};
pub use words::Words;
