use std::fmt;

use serde::{Deserialize, Serialize};

/// What came of a check.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Told {
    /// As it should be.
    Ok,
    /// Not as it should be.
    Wrong,
    /// The numbers at hand don't tell.
    NotTold,
}

impl fmt::Display for Told {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Told::Ok => "ok",
            Told::Wrong => "wrong",
            Told::NotTold => "not told",
        })
    }
}

/// What is allowed, in the unit of the check, and why so much.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Allowed {
    /// The least allowed.
    pub low: Option<f64>,
    /// The most allowed.
    pub high: Option<f64>,
    /// Why so much and no more.
    pub reason: String,
}

impl Allowed {
    /// From `low` to `high`.
    #[must_use]
    pub fn between(low: f64, high: f64, reason: impl Into<String>) -> Self {
        Self { low: Some(low), high: Some(high), reason: reason.into() }
    }

    /// `high` at most.
    #[must_use]
    pub fn at_most(high: f64, reason: impl Into<String>) -> Self {
        Self { low: None, high: Some(high), reason: reason.into() }
    }

    /// Whether a value is within; what is no number is not.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        value.is_finite()
            && self.low.is_none_or(|low| value >= low)
            && self.high.is_none_or(|high| value <= high)
    }
}

/// One check of a bench.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// Its name.
    pub check: String,
    /// Amplifier channel, from 1; absent where it concerns the whole bench.
    pub channel: Option<u32>,
    /// What came of it.
    pub result: Told,
    /// Whether a run refuses to start when it is wrong.
    pub refuses: bool,
    /// The number found, if there is one.
    pub value: Option<f64>,
    /// Its unit.
    pub unit: String,
    /// What is allowed.
    pub allowed: Allowed,
    /// What was found, in words.
    pub found: String,
    /// What to do next; empty when all is well.
    pub next: String,
}

impl Check {
    /// A check that can't be told.
    #[must_use]
    pub fn not_told(check: &str, channel: Option<u32>, why: impl Into<String>, next: &str) -> Self {
        Self {
            check: check.into(),
            channel,
            result: Told::NotTold,
            refuses: false,
            value: None,
            unit: String::new(),
            allowed: Allowed::default(),
            found: why.into(),
            next: next.into(),
        }
    }

    /// A number against what is allowed: `ok` or `wrong`. `next` is what to do when it is wrong.
    #[must_use]
    pub fn number(check: &str, channel: Option<u32>, value: f64, unit: &str, allowed: Allowed) -> Self {
        let result = if allowed.holds(value) { Told::Ok } else { Told::Wrong };
        Self {
            check: check.into(),
            channel,
            result,
            refuses: false,
            value: Some(value).filter(|value| value.is_finite()),
            unit: unit.into(),
            found: format!("{} {unit}", plain(value)),
            allowed,
            next: String::new(),
        }
    }

    /// The same, `wrong` by more than its number says.
    #[must_use]
    pub fn wrong(mut self, found: impl Into<String>) -> Self {
        self.result = Told::Wrong;
        self.found = found.into();
        self
    }

    /// A run refuses to start when this is wrong.
    #[must_use]
    pub fn refusing(mut self) -> Self {
        self.refuses = true;
        self
    }

    /// What to do when it is wrong.
    #[must_use]
    pub fn or_else(mut self, next: &str) -> Self {
        if self.result == Told::Wrong {
            self.next = next.into();
        }
        self
    }

    /// Its name with its channel.
    #[must_use]
    pub fn title(&self) -> String {
        self.channel
            .map_or_else(|| self.check.clone(), |channel| format!("{}, channel {channel}", self.check))
    }

    /// Name, what was found, what was allowed and why, what to do: a line.
    #[must_use]
    pub fn line(&self) -> String {
        let allowed = self.allowed_words();
        let allowed = if allowed.is_empty() { allowed } else { format!(" (allowed: {allowed})") };
        let next = if self.next.is_empty() { String::new() } else { format!("; {}", self.next) };
        format!("{}: {}: {}{allowed}{next}", self.title(), self.result, self.found)
    }

    /// What is allowed, and why, in words.
    #[must_use]
    pub fn allowed_words(&self) -> String {
        let Allowed { low, high, reason } = &self.allowed;
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        match (low, high) {
            (Some(low), Some(high)) => format!("{} to {}{unit}; {reason}", plain(*low), plain(*high)),
            (None, Some(high)) => format!("at most {}{unit}; {reason}", plain(*high)),
            (Some(low), None) => format!("at least {}{unit}; {reason}", plain(*low)),
            (None, None) => reason.clone(),
        }
    }
}

/// A number with four significant digits, without an exponent or needless zeros.
pub(super) fn plain(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let digits = (3.0 - value.abs().log10().floor()).clamp(0.0, 9.0) as usize;
    let text = format!("{value:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// All checks of a bench.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SelfCheck {
    /// The largest power that any output gave meanwhile, W; absent when nothing was driven.
    pub out_w_max: Option<f64>,
    /// The checks, in the order in which they were made.
    pub checks: Vec<Check>,
}

impl SelfCheck {
    /// The checks for which a run refuses to start.
    pub fn refusing(&self) -> impl Iterator<Item = &Check> {
        self.checks.iter().filter(|check| check.refuses && check.result == Told::Wrong)
    }

    /// Whether a run may start.
    #[must_use]
    pub fn may_start(&self) -> bool {
        self.refusing().next().is_none()
    }

    /// How many checks came out so.
    #[must_use]
    pub fn count(&self, told: Told) -> usize {
        self.checks.iter().filter(|check| check.result == told).count()
    }

    /// One line: how many checks are ok, and the names of the others.
    #[must_use]
    pub fn summary(&self) -> String {
        let named = |told: Told| {
            let names: Vec<String> =
                self.checks.iter().filter(|check| check.result == told).map(Check::title).collect();
            (!names.is_empty()).then(|| format!("{} {told} ({})", names.len(), names.join("; ")))
        };
        let mut parts = vec![format!("{} ok", self.count(Told::Ok))];
        parts.extend(named(Told::Wrong));
        parts.extend(named(Told::NotTold));
        parts.join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEEE 754: every comparison with NaN is false, so a NaN must not pass for being "not above".
    #[test]
    fn what_is_no_number_is_wrong() {
        let allowed = Allowed::at_most(1.0, "test");
        assert_eq!(Check::number("a", None, f64::NAN, "V", allowed.clone()).result, Told::Wrong);
        assert_eq!(Check::number("a", None, f64::NEG_INFINITY, "V", allowed.clone()).result, Told::Wrong);
        assert_eq!(Check::number("a", None, 1.0, "V", allowed).result, Told::Ok);
    }

    #[test]
    fn a_run_is_refused_by_what_refuses_and_is_wrong_alone() {
        let allowed = || Allowed::at_most(1.0, "test");
        let good = Check::number("a", None, 0.5, "V", allowed()).refusing();
        let noisy = Check::number("b", Some(2), 2.0, "V", allowed());
        let mut all = SelfCheck { out_w_max: None, checks: vec![good, noisy] };
        assert!(all.may_start());
        assert_eq!(all.summary(), "1 ok, 1 wrong (b, channel 2)");
        all.checks.push(Check::number("c", None, 2.0, "V", allowed()).refusing().or_else("look"));
        assert!(!all.may_start());
        assert_eq!(all.refusing().next().unwrap().line(), "c: wrong: 2 V (allowed: at most 1 V; test); look");
    }
}
