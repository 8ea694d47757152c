//! A job: one run that was submitted, from the queue to its end. What the API shows of it is what the disk keeps.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

/// One run that was submitted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Job {
    /// Its number, never used again.
    pub job: u64,
    /// The bench it is for.
    pub bench: String,
    /// Name of the script.
    pub script: String,
    /// Maker and model on the nameplate.
    pub amplifier: String,
    /// Whether the amplifier is invented.
    pub invented: bool,
    /// Where it stands.
    pub state: JobState,
    /// Place among those of its bench that have not begun, from 1.
    pub position: Option<usize>,
    /// What it waits for besides its turn.
    pub hold: Option<Hold>,
    /// When it was submitted.
    pub submitted_utc: DateTime<Utc>,
    /// When it began.
    pub started_utc: Option<DateTime<Utc>>,
    /// When it ended.
    pub ended_utc: Option<DateTime<Utc>>,
    /// Name of the run's folder, once there is one.
    pub run: Option<String>,
    /// What the run does now.
    pub doing: Option<String>,
    /// Steps recorded.
    pub steps: u64,
    /// Steps of the whole run, as far as is known.
    pub steps_planned: Option<u64>,
    /// Time left at the pace so far, s.
    pub left_s: Option<f64>,
    /// What the self-check found.
    pub selfcheck: Option<String>,
    /// What came out.
    pub outcome: Option<JobOutcome>,
    /// Why it did not finish.
    pub error: Option<String>,
    /// Whether the self-check found the bench wrong, so that the script was not begun.
    #[serde(default)]
    pub bench_wrong: bool,
    /// Whether the bench is not checked before the script.
    pub without_selfcheck: bool,
    /// Whether the script is not rehearsed on a simulated bench first.
    #[serde(default)]
    pub unrehearsed: bool,
    /// What was set of the script's parameters, by name.
    #[serde(default)]
    pub set: BTreeMap<String, Value>,
}

/// Where a job stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum JobState {
    /// It waits for its turn.
    Waiting,
    /// It waits for something else as well.
    Held,
    /// Its run holds the bench.
    Running,
    /// Its run was told to stop and switches everything off.
    Stopping,
    /// Its run is over.
    Ended,
    /// It was taken off the queue before it began.
    Cancelled,
}

impl JobState {
    /// Every state, in the order of a job's life.
    pub const ALL: [JobState; 6] = [
        JobState::Waiting,
        JobState::Held,
        JobState::Running,
        JobState::Stopping,
        JobState::Ended,
        JobState::Cancelled,
    ];

    /// As in JSON.
    pub fn word(self) -> &'static str {
        match self {
            JobState::Waiting => "waiting",
            JobState::Held => "held",
            JobState::Running => "running",
            JobState::Stopping => "stopping",
            JobState::Ended => "ended",
            JobState::Cancelled => "cancelled",
        }
    }

    /// Whether it has not begun.
    pub fn is_ahead(self) -> bool {
        matches!(self, JobState::Waiting | JobState::Held)
    }

    /// Whether its run holds the bench.
    pub fn is_under_way(self) -> bool {
        matches!(self, JobState::Running | JobState::Stopping)
    }
}

/// What a job waits for besides its turn.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Hold {
    /// A moment.
    UntilUtc(DateTime<Utc>),
    /// The heatsink at or below so many °C, looked at with the bench open and everything off.
    HeatsinkCMax(f64),
    /// A person who lets it go; always true.
    ByPerson(bool),
}

impl Hold {
    /// Why it can't be kept, if it can't.
    pub fn fault(self) -> Option<&'static str> {
        match self {
            Hold::HeatsinkCMax(c) if !(c > 0.0 && c < 150.0) => {
                Some("heatsink_c_max must be above 0 and below 150 °C")
            }
            Hold::ByPerson(false) => Some("by_person is true, or there is no hold (null)"),
            _ => None,
        }
    }

    /// Whether a job with it may begin at a moment. The heatsink is waited for by the run itself.
    pub fn lets_begin(self, now: DateTime<Utc>) -> bool {
        match self {
            Hold::UntilUtc(then) => now >= then,
            Hold::HeatsinkCMax(_) => true,
            Hold::ByPerson(_) => false,
        }
    }
}

/// What came out of a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum JobOutcome {
    /// Every rating is met.
    Meets,
    /// A rating is not met.
    Short,
    /// None is short, and one can't be told within its uncertainty.
    Undecided,
    /// It finished and judged no rating.
    NoRating,
    /// A person stopped it.
    Stopped,
    /// Something failed or tripped.
    Failed,
    /// An output was not confirmed off.
    NotSafe,
}

impl JobOutcome {
    /// Every outcome.
    pub const ALL: [JobOutcome; 7] = [
        JobOutcome::Meets,
        JobOutcome::Short,
        JobOutcome::Undecided,
        JobOutcome::NoRating,
        JobOutcome::Stopped,
        JobOutcome::Failed,
        JobOutcome::NotSafe,
    ];

    /// As in JSON.
    pub fn word(self) -> &'static str {
        match self {
            JobOutcome::Meets => "meets",
            JobOutcome::Short => "short",
            JobOutcome::Undecided => "undecided",
            JobOutcome::NoRating => "no_rating",
            JobOutcome::Stopped => "stopped",
            JobOutcome::Failed => "failed",
            JobOutcome::NotSafe => "not_safe",
        }
    }

    /// Whether the script came to its end with everything off.
    pub fn is_finished(self) -> bool {
        use JobOutcome::{Meets, NoRating, Short, Undecided};
        matches!(self, Meets | Short | Undecided | NoRating)
    }

    /// Of a finished run, from the verdicts of its ratings and findings: the worst of them.
    pub fn of_verdicts(verdicts: &[String]) -> Self {
        let any = |word: &str| verdicts.iter().any(|verdict| verdict == word);
        match verdicts {
            [] => JobOutcome::NoRating,
            _ if any("short") => JobOutcome::Short,
            _ if any("undecided") => JobOutcome::Undecided,
            _ => JobOutcome::Meets,
        }
    }
}

/// How a run ended.
pub struct End {
    /// What came out.
    pub outcome: JobOutcome,
    /// Why it did not finish.
    pub error: Option<String>,
    /// Whether the bench could not be opened as it stands.
    pub bench_lost: bool,
}

impl End {
    /// It could not be started.
    pub fn failed(error: String) -> Self {
        End { outcome: JobOutcome::Failed, error: Some(error), bench_lost: false }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    #[test]
    fn words_are_what_json_says() {
        for state in JobState::ALL {
            assert_eq!(serde_json::to_value(state).unwrap(), state.word());
        }
        for outcome in JobOutcome::ALL {
            assert_eq!(serde_json::to_value(outcome).unwrap(), outcome.word());
        }
    }

    #[test]
    fn the_worst_verdict_is_the_answer() {
        let of = |verdicts: &[&str]| {
            JobOutcome::of_verdicts(&verdicts.iter().map(ToString::to_string).collect::<Vec<_>>())
        };
        assert_eq!(of(&[]), JobOutcome::NoRating);
        assert_eq!(of(&["meets", "meets"]), JobOutcome::Meets);
        assert_eq!(of(&["meets", "undecided"]), JobOutcome::Undecided);
        assert_eq!(of(&["undecided", "short", "meets"]), JobOutcome::Short);
    }
}
