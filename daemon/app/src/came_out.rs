//! What ends a run on the terminal: self-check, ratings, what was left out, and where it all stands.

use std::path::PathBuf;

use serde::Serialize;
use wattproof_runs::{NotMeasured, RatingRecord};

use crate::failure::Failure;
use crate::ratings_table::ratings_table;
use crate::say::{say, say_json};

/// What came out of a run.
#[derive(Serialize)]
pub struct CameOut {
    /// What the self-check found, in words.
    pub selfcheck: String,
    /// The ratings judged.
    pub ratings: Vec<RatingRecord>,
    /// The ratings left out, each with its reason.
    pub left_out: Vec<NotMeasured>,
    /// Steps recorded.
    pub steps: u64,
    /// Where.
    pub folder: PathBuf,
}

impl CameOut {
    /// Says it on standard output.
    pub fn say(&self, as_json: bool) -> Result<(), Failure> {
        if as_json {
            return say_json(self);
        }
        say(&format!("self-check: {}", self.selfcheck))?;
        if !self.ratings.is_empty() {
            say(&format!("{}\n", ratings_table(&self.ratings)))?;
        }
        for NotMeasured { rating, why, .. } in &self.left_out {
            say(&format!("rating {rating} was not measured: {why}\n"))?;
        }
        say(&format!("{} steps recorded:", self.steps))?;
        for name in [
            "steps.csv",
            "ratings.csv",
            "ratings.json",
            "curve.csv",
            "bursts.csv",
            "journal.jsonl",
            "run.json",
        ] {
            let path = self.folder.join(name);
            // There are no ratings.json before the first rating is judged.
            if path.exists() {
                say(&format!("  {}", path.display()))?;
            }
        }
        Ok(())
    }

    /// The verdict of each rating.
    pub fn verdicts(&self) -> Vec<String> {
        self.ratings.iter().map(|record| record.verdict.to_string()).collect()
    }
}
