//! What ends a run on the terminal: self-check, ratings, findings, what was left out, and where it all stands.

use std::path::PathBuf;

use serde::Serialize;
use wattproof_runs::{Finding, NotMeasured, RatingRecord};

use crate::failure::Failure;
use crate::findings_table::findings_table;
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
    /// What the script found out that is no rating.
    pub findings: Vec<Finding>,
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
        if !self.findings.is_empty() {
            say(&format!("{}\n", findings_table(&self.findings)))?;
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
            "findings.csv",
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

    /// The verdict of each rating, and of each finding that has one.
    pub fn verdicts(&self) -> Vec<String> {
        let ratings = self.ratings.iter().map(|record| record.verdict);
        let findings = self.findings.iter().filter_map(|finding| finding.verdict);
        ratings.chain(findings).map(|verdict| verdict.to_string()).collect()
    }
}
