//! Findings: what a script found out that is no rating. A number with its unit, its expanded uncertainty where that can be
//! told, the conditions in words and, where limits are given, a verdict with guard band.

use serde::{Deserialize, Serialize};
use wattproof_method::{Verdict, verdict_within};

use crate::RunError;
use crate::stage::Stage;
use crate::words::Words;

/// Most findings of a run: they are kept in memory until it ends.
const FINDINGS_MAX: usize = 10_000;
/// Longest name, and longest unit, characters.
const NAME_CHARS_MAX: usize = 60;
const UNIT_CHARS_MAX: usize = 20;
/// Longest conditions and longest note, characters.
const WORDS_CHARS_MAX: usize = 400;

/// A finding as a script states it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Stated {
    /// What was found, as "output resistance".
    pub name: String,
    /// The number, in `unit`.
    pub value: f64,
    /// Its unit; empty for a number without one.
    pub unit: String,
    /// Expanded uncertainty (k = 2), in `unit`; absent where it can't be told.
    pub u: Option<f64>,
    /// Amplifier channel, or bridge, from 1; absent where it is of none or of all.
    pub channel: Option<u32>,
    /// The conditions, in words.
    pub at: String,
    /// The lowest that is right, in `unit`.
    pub low: Option<f64>,
    /// The highest that is right, in `unit`.
    pub high: Option<f64>,
    /// What to know beside it.
    pub note: String,
}

/// A recorded finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Which of the run, from 1.
    pub finding: usize,
    /// Bench clock, s.
    pub at_s: f64,
    /// What was found.
    pub name: String,
    /// Amplifier channel, or bridge, from 1; absent where it is of none or of all.
    pub channel: Option<u32>,
    /// The number, in `unit`.
    pub value: f64,
    /// Its unit; empty for a number without one.
    pub unit: String,
    /// Expanded uncertainty (k = 2), in `unit`; absent where it can't be told.
    pub expanded_u: Option<f64>,
    /// The conditions, in words.
    pub at: String,
    /// The lowest that is right, in `unit`.
    pub low: Option<f64>,
    /// The highest that is right, in `unit`.
    pub high: Option<f64>,
    /// Whether it lies within `low` and `high`; absent without them.
    pub verdict: Option<Verdict>,
    /// What to know beside it.
    pub note: String,
}

impl Stated {
    /// What is wrong with it, if anything.
    fn wrong(&self) -> Option<String> {
        let of = format!("finding(#{{ name: \"{}\" }})", self.name);
        let texts = [
            ("name", &self.name, NAME_CHARS_MAX),
            ("unit", &self.unit, UNIT_CHARS_MAX),
            ("at", &self.at, WORDS_CHARS_MAX),
            ("note", &self.note, WORDS_CHARS_MAX),
        ];
        for (key, text, most) in texts {
            if text.chars().count() > most || text.chars().any(char::is_control) {
                return Some(format!("{of}: {key} is one line of at most {most} characters"));
            }
        }
        if self.name.trim().is_empty() {
            return Some("finding() needs a name, as name: \"output resistance\"".into());
        }
        let numbers = [Some(self.value), self.u, self.low, self.high];
        if numbers.into_iter().flatten().any(|number| !number.is_finite()) {
            return Some(format!(
                "{of}: value, u, low and high are finite numbers; what could not be told is no finding"
            ));
        }
        if self.u.is_some_and(|u| u < 0.0) {
            return Some(format!(
                "{of}: u is an expanded uncertainty, 0 or more; leave it out where it can't be told"
            ));
        }
        match (self.low, self.high) {
            (Some(low), Some(high)) if low > high => {
                Some(format!("{of}: low is {low} and high is {high}: exchange them"))
            }
            _ => None,
        }
    }
}

impl Finding {
    /// The number with its uncertainty and its unit, as "0.0412 ± 0.0009 ohm".
    #[must_use]
    pub fn figure(&self) -> String {
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        match self.expanded_u {
            Some(u) => {
                let digits = digits_for(u, self.value);
                format!("{:.digits$} ± {u:.digits$}{unit}", self.value)
            }
            None => {
                let digits = digits_for(1e-3 * self.value.abs(), self.value);
                format!("{:.digits$}{unit}", self.value)
            }
        }
    }

    /// What is right, as "0.5 to 2 V"; empty without limits.
    #[must_use]
    pub fn range(&self) -> String {
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        match (self.low, self.high) {
            (Some(low), Some(high)) => format!("{low} to {high}{unit}"),
            (Some(low), None) => format!("at least {low}{unit}"),
            (None, Some(high)) => format!("at most {high}{unit}"),
            (None, None) => String::new(),
        }
    }

    /// What it is of, as "gain, channel 2".
    #[must_use]
    pub fn title(&self) -> String {
        match self.channel {
            Some(channel) => format!("{}, channel {channel}", self.name),
            None => self.name.clone(),
        }
    }
}

/// Decimals that show two significant digits of the uncertainty (JCGM 100:2008, 7.2.6); those of an exact value by itself.
fn digits_for(u: f64, value: f64) -> usize {
    let least = if u > 0.0 { u } else { 1e-4 * value.abs() };
    if least > 0.0 && least.is_finite() { (1.0 - least.log10().floor()).clamp(0.0, 9.0) as usize } else { 0 }
}

impl Stage {
    /// Records a finding, with its verdict where it has limits.
    ///
    /// # Errors
    /// [`RunError::Call`] for what is no finding; the journal's.
    pub fn record_finding(&mut self, stated: &Stated) -> Result<Finding, RunError> {
        if let Some(wrong) = stated.wrong() {
            return Err(RunError::Call(wrong));
        }
        if self.findings.len() >= FINDINGS_MAX {
            return Err(RunError::Call(format!(
                "a run has at most {FINDINGS_MAX} findings: state what came out, record() keeps the rest"
            )));
        }
        let limited = stated.low.is_some() || stated.high.is_some();
        // Without an uncertainty nobody can tell on which side of a limit the value lies (JCGM 106:2012, 8.2).
        let judge = |u: Option<f64>| match u {
            Some(u) => verdict_within(stated.value, u, stated.low, stated.high),
            None => Verdict::Undecided,
        };
        let finding = Finding {
            finding: self.findings.len() + 1,
            at_s: self.bench.now_s(),
            name: stated.name.clone(),
            channel: stated.channel,
            value: stated.value,
            unit: stated.unit.clone(),
            expanded_u: stated.u,
            at: stated.at.clone(),
            low: stated.low,
            high: stated.high,
            verdict: limited.then(|| judge(stated.u)),
            note: stated.note.clone(),
        };
        self.keep_finding(&finding)?;
        Ok(finding)
    }
}

/// A row of `findings.csv`.
#[derive(Debug, Default, Serialize)]
pub struct FindingRow {
    finding: usize,
    at_s: f64,
    name: Words,
    channel: Option<u32>,
    value: f64,
    unit: Words,
    expanded_u: Option<f64>,
    at: Words,
    low: Option<f64>,
    high: Option<f64>,
    verdict: Words,
    note: Words,
}

/// The row of a finding.
pub fn finding_row(finding: &Finding) -> FindingRow {
    FindingRow {
        finding: finding.finding,
        at_s: finding.at_s,
        name: finding.name.clone().into(),
        channel: finding.channel,
        value: finding.value,
        unit: finding.unit.clone().into(),
        expanded_u: finding.expanded_u,
        at: finding.at.clone().into(),
        low: finding.low,
        high: finding.high,
        verdict: finding.verdict.map(|verdict| verdict.to_string()).unwrap_or_default().into(),
        note: finding.note.clone().into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stated() -> Stated {
        Stated { name: "gain".into(), value: 30.0, unit: "dB".into(), u: Some(0.1), ..Stated::default() }
    }

    #[test]
    fn what_is_no_finding_is_told_with_what_to_do() {
        assert_eq!(stated().wrong(), None);
        let cases = [
            (Stated { name: " ".into(), ..stated() }, "needs a name"),
            (Stated { name: "two\nlines".into(), ..stated() }, "one line"),
            (Stated { note: "x".repeat(401), ..stated() }, "400 characters"),
            (Stated { value: f64::NAN, ..stated() }, "finite"),
            (Stated { u: Some(-0.1), ..stated() }, "0 or more"),
            (Stated { low: Some(2.0), high: Some(1.0), ..stated() }, "exchange"),
        ];
        for (stated, words) in cases {
            let wrong = stated.wrong().unwrap();
            assert!(wrong.contains(words), "{wrong}");
        }
    }

    /// JCGM 100:2008, 7.2.6: an uncertainty is stated to at most two significant digits, and the number to the same place.
    #[test]
    fn the_figure_shows_what_its_uncertainty_leaves() {
        let figure = |value, expanded_u, unit: &str| {
            let finding = Finding {
                finding: 1,
                at_s: 0.0,
                name: "x".into(),
                channel: None,
                value,
                unit: unit.into(),
                expanded_u,
                at: String::new(),
                low: None,
                high: None,
                verdict: None,
                note: String::new(),
            };
            finding.figure()
        };
        assert_eq!(figure(0.041234, Some(0.00087), "ohm"), "0.04123 ± 0.00087 ohm");
        assert_eq!(figure(100.26, Some(1.2), "W"), "100.3 ± 1.2 W");
        assert_eq!(figure(98.0, None, ""), "98.000");
        assert_eq!(figure(0.0, None, "V"), "0 V");
    }
}
