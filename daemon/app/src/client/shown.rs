//! What a person who follows a job sees of its events.

use serde::Deserialize;
use serde_json::Value;
use wattproof_runs::{Finding, RatingRecord};
use wattproof_serve::{Bench, GuardState, Hold, Job, JobState};

use super::event_lines::Event;
use crate::progress::{Progress, Seen};

/// An event that tells of a job.
#[derive(Deserialize)]
struct OfJob {
    job: Option<u64>,
    #[serde(default)]
    step: Option<StepRow>,
    #[serde(default)]
    rating: Option<Value>,
    #[serde(default)]
    finding: Option<Value>,
    #[serde(default)]
    level: String,
    #[serde(default)]
    text: String,
}

/// What is shown of a step, under the names of `steps.csv`.
#[derive(Deserialize)]
struct StepRow {
    step: u64,
    level_vrms: f64,
    heatsink_c: Option<f64>,
    channels: Vec<ChannelRow>,
}

#[derive(Deserialize)]
struct ChannelRow {
    driven: bool,
    out_vrms: Option<f64>,
    active_w: Option<f64>,
    thdn_pct: Option<f64>,
}

impl StepRow {
    /// One figure of the driven channels; absent when any has none.
    fn of(&self, figure: fn(&ChannelRow) -> Option<f64>, pick: fn(f64, f64) -> f64) -> Option<f64> {
        let figures: Option<Vec<f64>> =
            self.channels.iter().filter(|channel| channel.driven).map(figure).collect();
        figures?.into_iter().reduce(pick)
    }
}

impl From<&StepRow> for Seen {
    fn from(step: &StepRow) -> Self {
        Seen {
            step: step.step,
            level_vrms: step.level_vrms,
            lowest_w: step.of(|channel| channel.active_w, f64::min),
            lowest_vrms: step.of(|channel| channel.out_vrms, f64::min),
            worst_thdn_pct: step.of(|channel| channel.thdn_pct, f64::max),
            heatsink_c: step.heatsink_c,
        }
    }
}

/// One job as it is followed.
pub struct Shown {
    /// The job as last told.
    pub job: Job,
    in_alarm: bool,
    is_latched: bool,
    progress: Progress,
}

impl Shown {
    /// From how it and its bench stand now.
    pub fn new(job: Job, bench: Option<&Bench>) -> Self {
        let progress = Progress::new();
        let mut shown = Shown { job, in_alarm: false, is_latched: false, progress };
        shown.place();
        if let Some(bench) = bench {
            shown.bench_is(bench);
        }
        shown
    }

    /// Takes in an event and shows what it says of the job.
    pub fn take(&mut self, event: &Event) {
        let told = match event.kind.as_str() {
            "job" => serde_json::from_str::<Job>(&event.data).map(|job| self.job_is(job)),
            "bench" => serde_json::from_str::<Bench>(&event.data).map(|bench| self.bench_is(&bench)),
            "step" | "rating" | "finding" | "log" => {
                serde_json::from_str::<OfJob>(&event.data).and_then(|told| self.told(told))
            }
            _ => Ok(()),
        };
        if let Err(error) = told {
            tracing::error!(kind = event.kind, %error, "an event of the daemon is not understood");
        }
    }

    /// The job stands otherwise.
    pub fn job_is(&mut self, job: Job) {
        if job.job != self.job.job {
            return;
        }
        let before = std::mem::replace(&mut self.job, job);
        let now = &self.job;
        if now.state == JobState::Running && !before.state.is_under_way() {
            self.progress.begins();
            self.place();
        }
        if let Some(steps) = now.steps_planned.filter(|_| now.steps_planned != before.steps_planned) {
            self.progress.planned(steps);
        }
        if let Some(found) = now.selfcheck.as_ref().filter(|_| now.selfcheck != before.selfcheck) {
            self.progress.line(&format!("self-check: {found}"));
        }
        if let Some(doing) = now.doing.as_ref().filter(|_| now.doing != before.doing) {
            self.progress.does(doing);
            if doing.starts_with("waiting for the heatsink") {
                self.progress.line(doing);
            }
        }
        if now.state.is_ahead() && (now.position, now.hold) != (before.position, before.hold) {
            self.place();
        }
    }

    fn bench_is(&mut self, bench: &Bench) {
        if bench.bench != self.job.bench {
            return;
        }
        if let Some(latched) =
            bench.latched.as_ref().filter(|_| !self.is_latched && self.job.state.is_ahead())
        {
            self.progress.line(&format!(
                "nothing begins on this bench, it tripped: {}; look at it, then `wattproof reset --bench {}`",
                latched.cause, bench.file
            ));
        }
        self.is_latched = bench.latched.is_some();
        let alarm = bench.guard == GuardState::Alarm;
        if alarm && !self.in_alarm {
            self.progress.line("ALARM: an output was not confirmed off: go and look");
        }
        self.in_alarm = alarm;
    }

    fn told(&mut self, told: OfJob) -> serde_json::Result<()> {
        if told.job != Some(self.job.job) {
            return Ok(());
        }
        if let Some(step) = &told.step {
            self.progress.stepped(&Seen::from(step));
        }
        if let Some(rating) = told.rating {
            self.progress.judged(&serde_json::from_value::<RatingRecord>(rating)?);
        }
        if let Some(finding) = told.finding {
            self.progress.found(&serde_json::from_value::<Finding>(finding)?);
        }
        // What it failed of stands in the job as well, and is said at its end.
        if !told.text.is_empty() && told.level != "error" {
            self.progress.line(&told.text);
        }
        Ok(())
    }

    /// A line beside the bar.
    pub fn line(&self, text: &str) {
        self.progress.line(text);
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        self.progress.finish();
    }

    fn place(&self) {
        let job = &self.job;
        if !job.state.is_ahead() {
            return self.progress.line(&format!("job {} begins", job.job));
        }
        let place = job.position.map_or(String::new(), |place| format!(", place {place} in the queue"));
        let waits = hold_words(job.hold).map_or(String::new(), |words| format!("; it waits {words}"));
        self.progress.line(&format!("job {} is at the daemon{place}{waits}", job.job));
    }
}

/// What a job waits for, in words.
pub fn hold_words(hold: Option<Hold>) -> Option<String> {
    hold.map(|hold| match hold {
        Hold::UntilUtc(then) => {
            format!("until {}", then.with_timezone(&chrono::Local).format("%Y-%m-%d %H:%M"))
        }
        Hold::HeatsinkCMax(c) => format!("until the heatsink is at {c} °C or below"),
        Hold::ByPerson(_) => "for a person to release it".into(),
    })
}
