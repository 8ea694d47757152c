//! Progress on the terminal: what the run does now, steps done, time left. Plain lines where there is no terminal.

use std::sync::{Mutex, PoisonError};
use std::time::Instant;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use wattproof_runs::{Event, Finding, RatingRecord, Step, Watcher};

use crate::ratings_table::figures;
use crate::terminal::moves_cursor;

/// What is shown of a step: of the driven channels the weakest and the worst, each absent when any has none.
pub struct Seen {
    /// Number within the run, from 1.
    pub step: u64,
    /// Source level, V rms.
    pub level_vrms: f64,
    /// Lowest active power, W.
    pub lowest_w: Option<f64>,
    /// Lowest output voltage, V rms.
    pub lowest_vrms: Option<f64>,
    /// Highest THD+N, %.
    pub worst_thdn_pct: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
}

impl From<&Step> for Seen {
    fn from(step: &Step) -> Self {
        Seen {
            step: step.step,
            level_vrms: step.level_vrms,
            lowest_w: step.lowest_w(),
            lowest_vrms: step.lowest_vrms(),
            worst_thdn_pct: step.worst_thdn_pct(),
            heatsink_c: step.heatsink_c,
        }
    }
}

/// A watcher that draws a bar, or prints lines.
pub struct Progress {
    bar: ProgressBar,
    started: Mutex<Instant>,
    doing: Mutex<String>,
}

impl Progress {
    /// On standard error.
    pub fn new() -> Self {
        let target = if moves_cursor() { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        let bar = ProgressBar::with_draw_target(Some(0), target);
        // A template that did not parse would leave the plain bar, which still counts.
        if let Ok(style) =
            ProgressStyle::with_template("{wide_bar} {pos}/{len} steps, {eta} left\n{wide_msg}")
        {
            bar.set_style(style);
        }
        Progress { bar, started: Mutex::new(Instant::now()), doing: Mutex::new(String::new()) }
    }

    /// The run begins now: what was waited for before does not count for the time left.
    pub fn begins(&self) {
        *self.started.lock().unwrap_or_else(PoisonError::into_inner) = Instant::now();
        self.bar.reset();
    }

    fn elapsed_s(&self) -> f64 {
        self.started.lock().unwrap_or_else(PoisonError::into_inner).elapsed().as_secs_f64()
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }

    /// A line that stays.
    pub fn line(&self, text: &str) {
        if self.bar.is_hidden() {
            aside!("[{:7.1} s] {text}", self.elapsed_s());
        } else {
            self.bar.println(text);
        }
    }

    /// Everything is off, and the heatsink is waited for.
    pub fn cooling(&self, now_c: f64, to_c: f64) {
        self.line(&format!(
            "waiting for the heatsink: {now_c:.1} °C, begins at {to_c:.1} °C; everything is off"
        ));
    }

    /// What it does now.
    pub fn does(&self, what: &str) {
        *self.doing.lock().unwrap_or_else(PoisonError::into_inner) = what.to_string();
    }

    /// Steps of the whole run, as far as is known.
    pub fn planned(&self, steps: u64) {
        self.bar.set_length(steps);
    }

    fn doing(&self) -> String {
        self.doing.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// A step is recorded.
    pub fn stepped(&self, step: &Seen) {
        let number = |value: Option<f64>, unit: &str, digits: usize| {
            value.map_or_else(|| "-".to_string(), |value| format!("{value:.digits$} {unit}"))
        };
        let text = format!(
            "step {}: {:.4} V in, {}, THD+N {}, {}",
            step.step,
            step.level_vrms,
            step.lowest_w
                .map_or_else(|| number(step.lowest_vrms, "V", 4), |lowest_w| number(Some(lowest_w), "W", 2)),
            number(step.worst_thdn_pct, "%", 3),
            number(step.heatsink_c, "°C", 1),
        );
        if self.bar.length().is_some_and(|planned| step.step > planned) {
            self.bar.set_length(step.step);
        }
        self.bar.set_position(step.step);
        if self.bar.is_hidden() {
            let left_s =
                self.left_s(step.step).map_or_else(String::new, |s| format!(", about {s:.0} s left"));
            self.line(&format!("{text} ({}{left_s})", self.doing()));
        } else {
            self.bar.set_message(format!("{text} | {}", self.doing()));
        }
    }

    fn left_s(&self, done: u64) -> Option<f64> {
        let planned = self.bar.length().filter(|planned| *planned > 0)?;
        let each_s = self.elapsed_s() / done.max(1) as f64;
        Some(planned.saturating_sub(done) as f64 * each_s)
    }

    /// A rating is judged.
    pub fn judged(&self, record: &RatingRecord) {
        let (rated, measured, u) = figures(record);
        let (unit, digits) = if record.volts.is_some() { ("V", 4) } else { ("W", 2) };
        self.line(&format!(
            "rating {}: {measured:.digits$} {unit} ± {u:.digits$} {unit} measured, {rated} {unit} rated: {} ({})",
            record.rating, record.verdict, record.cause
        ));
    }
}

impl Progress {
    /// The script found something out.
    pub fn found(&self, finding: &Finding) {
        let verdict = finding.verdict.map_or_else(String::new, |verdict| format!(": {verdict}"));
        let at = if finding.at.is_empty() { String::new() } else { format!(" ({})", finding.at) };
        self.line(&format!("found: {}: {}{verdict}{at}", finding.title(), finding.figure()));
    }
}

impl Watcher for Progress {
    fn tell(&self, event: &Event<'_>) {
        match event {
            // Where it is recorded is said at the end.
            Event::Opened(_) => {}
            Event::Doing(what) => self.does(what),
            Event::Checked(found) => self.line(&format!("self-check: {}", found.summary())),
            Event::Planned(steps) => self.planned(*steps),
            Event::Stepped(step) => self.stepped(&Seen::from(*step)),
            Event::Judged(result) => self.judged(&RatingRecord::from(*result)),
            Event::Found(finding) => self.found(finding),
            Event::LeftOut(one) => self.line(&format!("rating {} is not measured: {}", one.rating, one.why)),
            Event::Printed(text) => self.line(text),
        }
    }
}
