//! The outcome and its reasons.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::ending::Speaks;
use super::figure::figure;
use crate::Verdict;

/// What came of an intake.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Every check was made, and each lies within its limits by its whole uncertainty.
    NoFaultFound,
    /// A check lies outside its limits by its whole uncertainty, or the amplifier ended the run.
    Faulty,
    /// None lies outside for certain, and one is too near its limit to tell.
    Undecided,
    /// Nothing can be said of the amplifier.
    NotTested,
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Outcome::NoFaultFound => "no fault found",
            Outcome::Faulty => "faulty",
            Outcome::Undecided => "undecided",
            Outcome::NotTested => "not tested",
        })
    }
}

/// One check with what it came to.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Checked {
    /// What was measured.
    pub name: String,
    /// Amplifier channel, from 1; absent where it is of none or of all.
    pub channel: Option<u64>,
    /// The number, in `unit`.
    pub value: f64,
    /// Expanded uncertainty (k = 2), in `unit`.
    pub expanded_u: Option<f64>,
    /// Its unit.
    pub unit: String,
    /// The lowest that is right.
    pub low: Option<f64>,
    /// The highest that is right.
    pub high: Option<f64>,
    /// Absent where it was not judged.
    pub verdict: Option<Verdict>,
}

/// What is odd beside the verdicts. It is told, and decides nothing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hint {
    /// In a sentence.
    pub words: String,
}

/// What came of an intake, with its reasons.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Intake {
    /// The outcome.
    pub outcome: Outcome,
    /// Why, a sentence each.
    pub reasons: Vec<String>,
    /// What is odd beside it; decides nothing.
    pub hints: Vec<Hint>,
}

/// Judges. A check that is out of its limits for certain makes a unit faulty even where the run was cut off later, but not
/// where the bench's own instruments failed: then no number of it is relied on.
#[must_use]
pub fn judge(checks: &[Checked], speaks: &Speaks, hints: Vec<Hint>) -> Intake {
    let of = |verdict: Verdict| checks.iter().filter(move |check| check.verdict == Some(verdict));
    let told = |verdict: Verdict| of(verdict).map(Checked::words);
    let judged = checks.iter().filter(|check| check.verdict.is_some()).count();
    let mut reasons: Vec<String> = Vec::new();
    let outcome = match speaks {
        Speaks::Unreliable(words) => {
            reasons.push(words.clone());
            Outcome::NotTested
        }
        Speaks::Amplifier(words) => {
            reasons.push(words.clone());
            reasons.extend(told(Verdict::Short));
            Outcome::Faulty
        }
        Speaks::Elsewhere(words) => {
            reasons.extend(told(Verdict::Short));
            let is_faulty = !reasons.is_empty();
            reasons.push(words.clone());
            if is_faulty { Outcome::Faulty } else { Outcome::NotTested }
        }
        Speaks::Nothing if judged == 0 => {
            reasons.push("Nothing was judged: the script states no limits.".into());
            Outcome::NotTested
        }
        Speaks::Nothing => {
            reasons.extend(told(Verdict::Short));
            let is_faulty = !reasons.is_empty();
            reasons.extend(told(Verdict::Undecided));
            match (is_faulty, reasons.is_empty()) {
                (true, _) => Outcome::Faulty,
                (false, false) => Outcome::Undecided,
                (false, true) => {
                    reasons.push(format!(
                        "All {judged} checks lie within their limits by their whole uncertainty."
                    ));
                    Outcome::NoFaultFound
                }
            }
        }
    };
    Intake { outcome, reasons, hints }
}

impl Checked {
    /// What it is of, as "A-weighted noise of channel 2".
    #[must_use]
    pub fn title(&self) -> String {
        let mut name = self.name.clone();
        // A sentence begins with it.
        if let Some(first) = name.get(..1).map(str::to_uppercase) {
            name.replace_range(..1, &first);
        }
        match self.channel {
            Some(channel) => format!("{name} of channel {channel}"),
            None => name,
        }
    }

    /// What was found against what is right, in a sentence.
    #[must_use]
    pub fn words(&self) -> String {
        let found = format!("{} is {}", self.title(), figure(self.value, self.expanded_u, &self.unit));
        let limit = |limit: f64| figure(limit, None, &self.unit);
        let over = self.high.filter(|high| self.value > *high);
        let under = self.low.filter(|low| self.value < *low);
        match (self.verdict, over, under) {
            (Some(Verdict::Short), Some(high), _) => {
                format!("{found}, more than the {} that is right.", limit(high))
            }
            (Some(Verdict::Short), _, Some(low)) => {
                format!("{found}, less than the {} that is right.", limit(low))
            }
            (Some(Verdict::Undecided), ..) if self.expanded_u.is_none() => {
                format!(
                    "{found}, of unknown uncertainty, so that its limit {} decides nothing.",
                    self.nearest()
                )
            }
            (Some(Verdict::Undecided), ..) => {
                format!("{found}, too near its limit of {} to tell.", self.nearest())
            }
            _ => format!("{found}."),
        }
    }

    /// The limit that is nearer.
    fn nearest(&self) -> String {
        let away = |limit: &f64| (self.value - limit).abs();
        let both = [self.low, self.high].into_iter().flatten();
        both.min_by(|a, b| away(a).total_cmp(&away(b)))
            .map_or_else(|| "(none)".into(), |limit| figure(limit, None, &self.unit))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(value: f64, verdict: Verdict) -> Checked {
        Checked {
            name: "A-weighted noise".into(),
            channel: Some(2),
            value,
            expanded_u: Some(0.0001),
            unit: "V rms".into(),
            low: None,
            high: Some(0.001),
            verdict: Some(verdict),
        }
    }

    /// Project definition; the verdicts themselves follow JCGM 106:2012, clause 8.
    #[test]
    fn reasons_are_sentences_with_numbers_units_limits_and_u() {
        let short = noise(0.0031, Verdict::Short);
        let told = judge(&[short.clone(), noise(0.0005, Verdict::Meets)], &Speaks::Nothing, Vec::new());
        assert_eq!(told.outcome, Outcome::Faulty);
        assert_eq!(
            told.reasons,
            [
                "A-weighted noise of channel 2 is 3.10 mV rms ± 0.10 mV rms, more than the 1 mV rms that is right."
            ]
        );
        let low = Checked { value: 0.3, low: Some(1.0), high: None, unit: "A".into(), ..short };
        assert!(low.words().ends_with("less than the 1 A that is right."), "{}", low.words());
        let near = noise(0.00101, Verdict::Undecided);
        assert_eq!(
            judge(&[near], &Speaks::Nothing, Vec::new()).reasons,
            [
                "A-weighted noise of channel 2 is 1.01 mV rms ± 0.10 mV rms, too near its limit of 1 mV rms to tell."
            ]
        );
    }

    #[test]
    fn the_outcome_follows_verdicts_and_end_and_hints_decide_nothing() {
        use Outcome::{Faulty, NoFaultFound, NotTested, Undecided};
        let (good, bad, near) =
            (noise(0.0001, Verdict::Meets), noise(0.01, Verdict::Short), noise(0.001, Verdict::Undecided));
        let hint = || vec![Hint { words: "odd".into() }];
        let outcome = |checks: &[&Checked], speaks: &Speaks| {
            let checks: Vec<Checked> = checks.iter().map(|check| (*check).clone()).collect();
            judge(&checks, speaks, hint()).outcome
        };
        assert_eq!(outcome(&[&good], &Speaks::Nothing), NoFaultFound);
        assert_eq!(outcome(&[&good, &near], &Speaks::Nothing), Undecided);
        assert_eq!(outcome(&[&near, &bad], &Speaks::Nothing), Faulty);
        assert_eq!(outcome(&[], &Speaks::Nothing), NotTested);
        let elsewhere = Speaks::Elsewhere("stopped".into());
        assert_eq!(outcome(&[&good], &elsewhere), NotTested);
        assert_eq!(outcome(&[&bad], &elsewhere), Faulty);
        // What instruments that failed have told condemns nobody.
        assert_eq!(outcome(&[&bad], &Speaks::Unreliable("lost".into())), NotTested);
        assert_eq!(outcome(&[&good], &Speaks::Amplifier("hot".into())), Faulty);
    }
}
