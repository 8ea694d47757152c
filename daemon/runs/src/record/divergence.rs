//! A script that does something else than its journal says it did.

/// Where and how the two differ.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "this run's journal and what the script does now differ at journal line {line}: recorded was {recorded}, now it is {now}; go on with the script as it was recorded, or begin a new run"
)]
pub struct Divergence {
    /// The journal's line, from 1.
    pub line: u64,
    /// What the journal holds.
    pub recorded: String,
    /// What came now.
    pub now: String,
}
