//! The catalogue of the recorded runs from the command line: kept beside the runs' folders, brought up to date from
//! them, searched, and published for several benches.
//!
//! In come folders of runs and questions; out go tables, JSON and CSV. Called by the commands and at the end of every
//! run. What it keeps can always be made anew from the folders, so nothing here may ever fail a run.

mod after;
mod find;
mod found;
mod fresh;
mod publish;
mod reindex;

pub use after::after_run;
pub use find::{FindOrder, find};
pub use fresh::{Brought, Which, fresh};
pub use publish::{PublishOrder, publish};
pub use reindex::{ReindexOrder, reindex};
