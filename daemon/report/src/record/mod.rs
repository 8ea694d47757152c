//! Reading a run's folder. In comes its path, out go what was run, steps, curves, ratings and captures, as far as they are
//! written yet. The folder may come from another person: no link in it is followed, no file is read beyond what a run
//! leaves, and what can't be understood is an error that says what, where and what to do. Called by the rooms beside it;
//! it knows no page and no figure.

mod brief;
mod captured;
mod clean;
mod curve;
mod entry;
mod folder;
mod parameters;
mod run_file;
mod steps;
mod story;
mod tables;

pub use brief::{RatingBrief, RunBrief, brief, findings};
pub(crate) use brief::{brief_of, file_name};
pub(crate) use captured::{Shot, shot};
pub(crate) use clean::{CLEAN_LIMITS_PCT, clean_output_at};
pub(crate) use curve::{CurvePoint, LeftOut, Point, curve, efficiencies, left_out};
pub use entry::entry;
pub(crate) use folder::Recorded;
pub(crate) use parameters::{parameters_words, set_words};
pub(crate) use run_file::{Checked, Instrument, RunFile, is_simulated, run_file};
pub(crate) use steps::steps_of;
pub use steps::{ChannelRow, StepRow, step_row, steps};
pub(crate) use story::{Story, story};
pub use tables::{RunTables, joined, tables};
