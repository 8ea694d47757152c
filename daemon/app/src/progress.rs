//! Progress on the terminal: what the run does now, steps done, time left. Plain lines where there is no terminal.

use std::sync::Mutex;
use std::time::Instant;

use indicatif::{ProgressBar, ProgressStyle};
use wattproof_runs::{Event, RatingResult, Step, Watcher};

/// A watcher that draws a bar, or prints lines.
pub struct Progress {
    bar: ProgressBar,
    started: Instant,
    doing: Mutex<String>,
}

impl Progress {
    /// On standard error.
    pub fn new() -> Self {
        let bar = ProgressBar::new(0);
        // A template that did not parse would leave the plain bar, which still counts.
        if let Ok(style) =
            ProgressStyle::with_template("{wide_bar} {pos}/{len} steps, {eta} left\n{wide_msg}")
        {
            bar.set_style(style);
        }
        Progress { bar, started: Instant::now(), doing: Mutex::new(String::new()) }
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }

    fn line(&self, text: &str) {
        if self.bar.is_hidden() {
            aside!("[{:7.1} s] {text}", self.started.elapsed().as_secs_f64());
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

    fn doing(&self) -> String {
        self.doing.lock().map(|doing| doing.clone()).unwrap_or_default()
    }

    fn stepped(&self, step: &Step) {
        let number = |value: Option<f64>, unit: &str, digits: usize| {
            value.map_or_else(|| "-".to_string(), |value| format!("{value:.digits$} {unit}"))
        };
        let text = format!(
            "step {}: {:.4} V in, {}, THD+N {}, {}",
            step.step,
            step.level_vrms,
            step.lowest_w().map_or_else(
                || number(step.lowest_vrms(), "V", 4),
                |lowest_w| number(Some(lowest_w), "W", 2)
            ),
            number(step.worst_thdn_pct(), "%", 3),
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
        let each_s = self.started.elapsed().as_secs_f64() / done.max(1) as f64;
        Some(planned.saturating_sub(done) as f64 * each_s)
    }

    fn judged(&self, result: &RatingResult) {
        let (rated, measured, u) = result.figures();
        let (unit, digits) = if result.volts.is_some() { ("V", 4) } else { ("W", 2) };
        self.line(&format!(
            "rating {}: {measured:.digits$} {unit} ± {u:.digits$} {unit} measured, {rated} {unit} rated: {} ({})",
            result.rating,
            result.verdict,
            result.ceiling.cause
        ));
    }
}

impl Watcher for Progress {
    fn tell(&self, event: &Event<'_>) {
        match event {
            // Where it is recorded is said at the end.
            Event::Opened(_) => {}
            Event::Doing(what) => {
                if let Ok(mut doing) = self.doing.lock() {
                    *doing = (*what).to_string();
                }
            }
            Event::Checked(found) => self.line(&format!("self-check: {}", found.summary())),
            Event::Planned(steps) => self.bar.set_length(*steps),
            Event::Stepped(step) => self.stepped(step),
            Event::Judged(result) => self.judged(result),
            Event::LeftOut(one) => self.line(&format!("rating {} is not measured: {}", one.rating, one.why)),
            Event::Printed(text) => self.line(text),
        }
    }
}
