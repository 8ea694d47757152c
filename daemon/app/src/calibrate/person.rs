//! The person at the bench: asks, and listens without standing in the way of a stop.

use std::io::{BufRead, Write};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use wattproof_bench::{Bench, BenchError};
use wattproof_guard::State;
use wattproof_runs::RunError;

use crate::failure::Failure;

/// How often a stop or a trip is looked for while a person thinks.
const LOOK: Duration = Duration::from_millis(100);

/// A person who types lines.
pub struct Person {
    lines: Option<Receiver<std::io::Result<String>>>,
}

impl Person {
    /// Listens to standard input from now on if anybody is to be asked.
    pub fn new(listens: bool) -> Self {
        let listen = || {
            let (told, lines) = channel();
            std::thread::spawn(move || {
                for line in std::io::stdin().lock().lines() {
                    if told.send(line).is_err() {
                        return;
                    }
                }
            });
            lines
        };
        Person { lines: listens.then(listen) }
    }

    /// Asks before anything is switched on.
    pub fn ask_before(&mut self, question: &str) -> Result<String, Failure> {
        let Some(lines) = &self.lines else {
            return Err(Failure::Said("without a person to ask, give --meter and --accuracy".into()));
        };
        prompt(question)?;
        heard(lines.recv().ok())
    }

    /// Asks while the bench may be energised: a stop or a trip ends the question.
    pub fn ask(&mut self, bench: &Bench, question: &str) -> Result<String, Failure> {
        let Some(lines) = &self.lines else { return Ok(String::new()) };
        prompt(question)?;
        loop {
            match lines.recv_timeout(LOOK) {
                Ok(line) => return heard(Some(line)),
                Err(RecvTimeoutError::Disconnected) => return heard(None),
                // Waiting for no time tells whether the bench still goes on.
                Err(RecvTimeoutError::Timeout) => bench.wait(Duration::ZERO).map_err(RunError::from)?,
            }
        }
    }
}

fn prompt(question: &str) -> Result<(), Failure> {
    let mut out = std::io::stderr().lock();
    write!(out, "{question}")
        .and_then(|()| out.flush())
        .map_err(|source| Failure::System { what: "asking on standard error", source })
}

fn heard(line: Option<std::io::Result<String>>) -> Result<String, Failure> {
    match line {
        Some(Ok(line)) => Ok(line.trim().to_string()),
        Some(Err(source)) => Err(Failure::System { what: "reading what was typed", source }),
        None => {
            Err(Failure::Said("standard input ended before the last answer: nothing more was written".into()))
        }
    }
}

/// Whether the bench may be left to a person: a tripped one may not.
pub fn goes_on(bench: &Bench) -> Result<(), BenchError> {
    match bench.state() {
        State::Safe | State::Armed | State::Running => Ok(()),
        _ => bench.wait(Duration::ZERO),
    }
}

/// A number as typed, and the worth of its last digit.
pub fn number(text: &str) -> Result<(f64, f64), String> {
    let text = text.trim();
    let plain = text.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | '-' | '+'));
    let value: Option<f64> = text.parse().ok().filter(|value: &f64| value.is_finite() && plain);
    let decimals = text.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    value.map(|value| (value, 10f64.powi(-(i32::try_from(decimals).unwrap_or(0))))).ok_or_else(|| {
        format!("\"{text}\" is no reading: type it as the meter shows it, with a decimal point and no unit, as 12.34")
    })
}

#[cfg(test)]
mod tests {
    use super::number;

    /// Project definition.
    #[test]
    fn a_reading_carries_the_worth_of_its_last_digit() {
        assert_eq!(number("12.340"), Ok((12.34, 0.001)));
        assert_eq!(number(" -7 "), Ok((-7.0, 1.0)));
        for text in ["", "12,3", "1e3", "nan", "12 V", "1.2.3", "--1"] {
            assert!(number(text).is_err(), "{text}");
        }
    }
}
