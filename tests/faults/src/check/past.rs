//! What was true a moment ago: whatever is recorded as measured must have been so within an exchange or two.

use std::collections::VecDeque;

use super::{Checker, Excuse, Truth};

/// Longest time from an instrument's look to the end of the capture it belongs to, s.
const WITHIN_S: f64 = 4.0;
/// Longest time from the end of a capture until it is told, s: a disk may take that long over each of several writes.
const KEPT_S: f64 = 60.0;

/// Longest from a question to its answer where nothing is wrong, s.
const ANSWER_S: f64 = 0.005;

/// Looks of one instrument that may still be on their way into a record.
const LOOKS: usize = 4;

/// The last few seconds.
#[derive(Debug, Clone, Default)]
pub struct Past {
    truths: VecDeque<(f64, Truth)>,
    /// What instruments were asked to measure, and what was true then.
    looks: VecDeque<(f64, &'static str, Truth)>,
}

/// What was recorded as measured, and how far it may be from the truth.
#[derive(Debug, Clone, Copy)]
pub struct Recorded {
    /// What, in a word.
    pub what: &'static str,
    /// The value; None counts as not recorded.
    pub value: Option<f64>,
    /// What an instrument is asked for it; None for a capture, which takes a while.
    pub asked: Option<&'static str>,
    /// The true value.
    pub of: fn(&Truth) -> f64,
    /// Allowed deviation, absolute.
    pub within: f64,
}

impl Past {
    /// Notes what is true now.
    pub fn note(&mut self, at_s: f64, truth: &Truth) {
        if self.truths.back().is_some_and(|(_, last)| last == truth) {
            return;
        }
        self.truths.push_back((at_s, *truth));
        // The last one before the window still holds at its beginning.
        while self.truths.get(1).is_some_and(|(second_s, _)| at_s - second_s > KEPT_S) {
            self.truths.pop_front();
        }
    }

    /// An instrument is asked to measure.
    pub fn asked(&mut self, at_s: f64, question: &'static str) {
        let Some((_, truth)) = self.truths.back().copied() else { return };
        self.looks.push_back((at_s, question, truth));
        while self.looks.front().is_some_and(|(first_s, ..)| at_s - first_s > KEPT_S) {
            self.looks.pop_front();
        }
    }

    /// True values that may have been recorded.
    fn candidates(&self, at_s: f64, recorded: &Recorded) -> Vec<f64> {
        match recorded.asked {
            None => {
                let so_far = self.truths.iter().filter(|(true_s, _)| *true_s <= at_s);
                let mut values: Vec<(f64, f64)> =
                    so_far.map(|(true_s, truth)| (*true_s, (recorded.of)(truth))).collect();
                // The last one before the window holds at its beginning.
                while values.get(1).is_some_and(|(second_s, _)| at_s - second_s > WITHIN_S) {
                    values.remove(0);
                }
                values.into_iter().map(|(_, value)| value).collect()
            }
            Some(question) => {
                let looks = self
                    .looks
                    .iter()
                    .rev()
                    .filter(|(asked_s, asked, _)| *asked == question && *asked_s <= at_s)
                    .take(LOOKS);
                // What an instrument's own watchdog has just done is seen only with what is true next.
                let next = |asked_s: f64| {
                    let soon = move |true_s: f64| (asked_s..=asked_s + ANSWER_S).contains(&true_s);
                    self.truths.iter().filter(move |(true_s, _)| soon(*true_s)).map(|(_, truth)| truth)
                };
                let each = looks.flat_map(|(asked_s, _, truth)| std::iter::once(truth).chain(next(*asked_s)));
                each.map(recorded.of).collect()
            }
        }
    }
}

/// What safety and steps ask instruments to measure.
pub const QUESTIONS: [&str; 3] = ["MEAS:VOLT?", "MEAS:CURR?", "MEAS:TEMP?"];

impl Checker {
    /// Invariant 10: what is recorded valid was so when its capture ended, at `at_s`.
    pub fn recorded(&mut self, at_s: f64, step: u64, values: &[Recorded], excuse: Excuse) {
        if excuse.lied {
            return;
        }
        for recorded in values {
            let Some(value) = recorded.value else { continue };
            let true_values = self.past.candidates(at_s, recorded);
            let low = true_values.iter().copied().fold(f64::INFINITY, f64::min);
            let high = true_values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let so = match recorded.asked {
                None => value >= low - recorded.within && value <= high + recorded.within,
                Some(_) => true_values.iter().any(|so| (value - so).abs() <= recorded.within),
            };
            if !so {
                let what = format!(
                    "step {step} holds a {} of {value}, but the {} true values of late are {low:.3} to {high:.3}",
                    recorded.what,
                    true_values.len()
                );
                self.broken(10, at_s, recorded.what, what);
            }
        }
    }
}
