//! What a run tells the daemon that started it: a JSON object a line on its standard output.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use wattproof_bench::Sight;
use wattproof_runs::Outcome;

/// One line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "tell", rename_all = "snake_case")]
pub enum Told {
    /// Everything is off and it waits for the heatsink, °C.
    Cooling {
        /// Now.
        heatsink_c: f64,
        /// The run begins at or below.
        heatsink_c_max: f64,
    },
    /// The run has its folder.
    Opened {
        /// The run's name, which is the folder's.
        run: String,
    },
    /// What it does now, in plain words.
    Doing {
        /// The words.
        what: String,
    },
    /// The self-check has come to its end.
    Checked {
        /// How many checks came out how.
        summary: String,
    },
    /// Steps of the whole run, as far as is known now.
    Planned {
        /// How many.
        steps: u64,
    },
    /// A step is recorded.
    Step {
        /// As in `steps.csv`.
        step: Value,
    },
    /// A rating is judged and recorded.
    Rating {
        /// As in `ratings.json`.
        rating: Value,
    },
    /// A script found something out, and it is recorded.
    Finding {
        /// As in `findings.csv`.
        finding: Value,
    },
    /// A rating is left out.
    LeftOut {
        /// Which, from 1.
        rating: usize,
        /// Why.
        why: String,
    },
    /// The script printed something.
    Printed {
        /// What.
        text: String,
    },
    /// How the bench stands.
    Bench(Sight),
    /// The run is over.
    Ended {
        /// How; absent where it could not be begun.
        outcome: Option<Outcome>,
        /// Whether every output was confirmed off.
        safe: bool,
        /// Why it did not finish.
        error: Option<String>,
        /// Whether the self-check found the bench wrong, so that the script was not begun.
        #[serde(default)]
        bench_wrong: bool,
        /// Whether the bench could not be opened as it stands: its file, its ports or its instruments.
        #[serde(default)]
        bench_lost: bool,
        /// The verdicts of its ratings, and of its findings that have one, `meets`, `short`, `undecided`.
        verdicts: Vec<String>,
    },
}

/// What the daemon tells a run, a JSON object a line on its standard input. When that ends, the run stops as well.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "order", rename_all = "snake_case")]
pub enum Ordered {
    /// Everything off, now.
    Stop {
        /// Who asked.
        by: String,
    },
}
