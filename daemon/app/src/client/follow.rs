//! Follows a job from the terminal to its end. The first Ctrl-C stops its bench and waits for the end, the second
//! leaves. A daemon that is lost on the way is said loudly: nobody has seen then how the bench was left.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use serde::Deserialize;
use serde_json::json;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::{sleep, timeout};
use wattproof_runs::{Finding, RatingRecord, RatingsFile};
use wattproof_serve::{Job, JobOutcome, JobState};

use super::ask_error::AskError;
use super::event_lines::Event;
use super::shown::Shown;
use super::socket::{Events, QUICK, Socket};
use super::status::Status;
use crate::came_out::CameOut;
use crate::failure::Failure;
use crate::follow::{Wish, judged};
use crate::perform::Ran;

/// Without a beat for so long the daemon hangs (it beats every 2 s).
const SILENT: Duration = Duration::from_secs(5);
/// Longest that a broken connection is tried again.
const TRY_AGAIN: Duration = Duration::from_secs(3);
/// Between two tries.
const PAUSE: Duration = Duration::from_millis(200);

/// Follows a job from `before` on; what came out, printed as wished, decides how it ends.
pub async fn follow(socket: &Socket, before: &Status, job: Job, wish: Wish) -> Result<Ran, Failure> {
    let wrap = |source| Failure::System { what: "listening for signals", source };
    let bench = before.benches.iter().find(|bench| bench.bench == job.bench);
    let mut following = Following {
        socket,
        before,
        after: before.last_event.clone(),
        events: None,
        shown: Shown::new(job, bench),
        asked_to_stop: false,
        wish,
    };
    let mut signals = Signals {
        interrupts: signal(SignalKind::interrupt()).map_err(wrap)?,
        terms: signal(SignalKind::terminate()).map_err(wrap)?,
        hangups: signal(SignalKind::hangup()).map_err(wrap)?,
    };
    let ended = following.until_it_ended(&mut signals).await;
    following.shown.finish();
    ended?;
    let ended = following.came_out().await;
    let run = following.shown.job.run.as_ref();
    Ok(Ran { folder: run.map(|run| before.results.join(run)), ended })
}

struct Signals {
    interrupts: Signal,
    terms: Signal,
    hangups: Signal,
}

/// What a person at the terminal did.
enum Asked {
    Stop,
    /// The terminal is gone, and nobody asked for a stop.
    Leave,
}

impl Signals {
    async fn next(&mut self) -> Asked {
        tokio::select! {
            _ = self.interrupts.recv() => Asked::Stop,
            _ = self.terms.recv() => Asked::Stop,
            _ = self.hangups.recv() => Asked::Leave,
        }
    }
}

struct Following<'a> {
    socket: &'a Socket,
    before: &'a Status,
    /// The last event that was had.
    after: String,
    events: Option<Events>,
    shown: Shown,
    asked_to_stop: bool,
    wish: Wish,
}

impl Following<'_> {
    async fn until_it_ended(&mut self, signals: &mut Signals) -> Result<(), Failure> {
        while !matches!(self.shown.job.state, JobState::Ended | JobState::Cancelled) {
            let asked = tokio::select! {
                event = self.next() => {
                    self.take(&event?).await?;
                    continue;
                }
                asked = signals.next() => asked,
            };
            match asked {
                Asked::Stop if !self.asked_to_stop => {
                    self.asked_to_stop = true;
                    self.stop().await;
                }
                _ => return Err(self.left()),
            }
        }
        Ok(())
    }

    /// The next event; over a connection that broke, from where it broke.
    async fn next(&mut self) -> Result<Event, Failure> {
        loop {
            if self.events.is_none() {
                self.events = Some(self.connect().await?);
            }
            let Some(events) = self.events.as_mut() else { continue };
            match timeout(SILENT, events.next()).await {
                Ok(Some(event)) => {
                    self.after.clone_from(&event.id);
                    return Ok(event);
                }
                Ok(None) => self.events = None,
                // A machine that is busy may be late; a daemon that is there answers when it is asked.
                Err(_) => self.events = None,
            }
        }
    }

    async fn connect(&self) -> Result<Events, Failure> {
        let until = Instant::now() + TRY_AGAIN;
        loop {
            let error = match self.try_to_connect().await {
                Ok(events) => return Ok(events),
                Err(error) => error,
            };
            if Instant::now() > until {
                return Err(self.lost(&error));
            }
            sleep(PAUSE).await;
        }
    }

    async fn try_to_connect(&self) -> Result<Events, String> {
        let socket = self.socket.within(QUICK);
        let status = Status::ask(&socket).await.map_err(|error| error.to_string())?;
        if status.boot != self.before.boot {
            return Err("it ended and was started again".into());
        }
        let events = socket.events(&self.shown.job.bench, &self.after).await;
        events.map_err(|error| error.to_string())
    }

    async fn take(&mut self, event: &Event) -> Result<(), Failure> {
        if event.kind == "gap" {
            let job = self.socket.get(&format!("/jobs/{}", self.shown.job.job)).await;
            self.shown.job_is(job.map_err(|error: AskError| self.lost(&error.to_string()))?);
        } else {
            self.shown.take(event);
        }
        Ok(())
    }

    /// Everything off on the job's bench; or, of a job that has not begun, that alone goes off the queue.
    async fn stop(&mut self) {
        let (job, bench) = (self.shown.job.job, self.shown.job.bench.clone());
        let socket = self.socket.within(QUICK);
        if self.shown.job.state.is_ahead() {
            match socket.post::<Job>(&format!("/jobs/{job}/cancel"), &json!(null)).await {
                Ok(job) => return self.shown.job_is(job),
                // It has begun meanwhile.
                Err(error) if error.status() == Some(409) => {}
                Err(error) => return self.not_stopped(&error),
            }
        }
        let stopped: Result<serde_json::Value, _> =
            socket.post(&format!("/benches/{bench}/stop"), &json!(null)).await;
        match stopped {
            Ok(_) => self.shown.line(
                "stopping: every output is being switched off; waiting for the end (Ctrl-C again leaves)",
            ),
            Err(error) => self.not_stopped(&error),
        }
    }

    fn not_stopped(&self, error: &AskError) {
        self.shown.line(&format!(
            "NOT STOPPED: {error}\n`wattproof stop` sends the run itself a signal; Ctrl-C again leaves"
        ));
    }

    fn left(&self) -> Failure {
        let job = &self.shown.job;
        let what = match (self.asked_to_stop, job.state.is_ahead()) {
            (true, _) => "it was told to stop, and nobody has seen its outputs off from here",
            (false, true) => "it has not begun and goes on waiting at the daemon",
            (false, false) => "it goes on at the daemon",
        };
        self.shown.line(&format!(
            "left job {}: {what}; `wattproof status` tells how the bench stands, `wattproof stop` switches everything off",
            job.job
        ));
        Failure::Left
    }

    /// The daemon is gone, or does not answer.
    fn lost(&self, how: &str) -> Failure {
        let job = &self.shown.job;
        self.shown.finish();
        if job.state == JobState::Held {
            return Failure::Said(format!(
                "the daemon is lost: {how}\njob {} had not begun and was held; the daemon keeps it in its queue",
                job.job
            ));
        }
        Failure::Unknown(format!(
            "ALARM: THE DAEMON IS LOST while job {} was {}: {how}\n\
             NOBODY KNOWS HOW THE BENCH STANDS. A run whose daemon is gone stops by itself, and its guardian switches off \
             when it can't; nobody has seen that. Go and look; cut the mains of what is still on.",
            job.job,
            job.state.word()
        ))
    }

    /// Says what came out, as a run in this process does.
    async fn came_out(&self) -> Result<(), Failure> {
        let job = &self.shown.job;
        let error = job.error.as_deref().unwrap_or("it says no reason; see the daemon's log");
        let Some(outcome) = job.outcome else {
            self.shown.line(&format!("job {} was taken off the queue before it began", job.job));
            return Err(Failure::Cancelled);
        };
        match outcome {
            JobOutcome::NotSafe => {
                aside!("wattproof: {error}");
                Err(Failure::NotSafe)
            }
            JobOutcome::Stopped => Err(Failure::Stopped),
            JobOutcome::Failed if job.bench_wrong => {
                Err(Failure::WrongBench(format!("{error}\nevery output is off")))
            }
            JobOutcome::Failed => Err(Failure::Said(self.failed(error))),
            finished => match self.table().await {
                Ok(()) | Err(Failure::NobodyReads) => judged(finished),
                Err(failure) => Err(failure),
            },
        }
    }

    fn failed(&self, error: &str) -> String {
        let job = &self.shown.job;
        // A run that never began has seen no output.
        if job.run.is_none() {
            return error.to_string();
        }
        let goes_on = job.run.as_ref().filter(|_| job.steps > 0).map_or_else(String::new, |run| {
            format!(
                "; the record is complete up to step {}; once the cause is mended, `wattproof resume {}` goes on from there",
                job.steps,
                self.before.results.join(run).display()
            )
        });
        format!("{error}\nevery output is off{goes_on}")
    }

    async fn table(&self) -> Result<(), Failure> {
        if self.wish.untold {
            return Ok(());
        }
        let job = &self.shown.job;
        let run = job.run.as_deref().unwrap_or_default();
        let told: Recorded = self.socket.get(&format!("/runs/{run}")).await?;
        let file = told.ratings_file;
        // A rating may have been judged twice: the last counts.
        let ratings: BTreeMap<usize, RatingRecord> =
            file.iter().flat_map(|file| &file.ratings).map(|one| (one.rating, one.clone())).collect();
        let left_out = file.iter().flat_map(|file| &file.not_measured);
        CameOut {
            selfcheck: match (&job.selfcheck, job.without_selfcheck) {
                (Some(found), _) => found.clone(),
                (None, true) => "left out (--without-selfcheck)".into(),
                (None, false) => "did not come to its end".into(),
            },
            ratings: ratings.into_values().collect(),
            findings: told.findings.clone(),
            left_out: left_out.cloned().collect(),
            steps: job.steps,
            folder: self.before.results.join(run),
        }
        .say(self.wish.json)
    }
}

/// What is read of a recorded run.
#[derive(Deserialize)]
struct Recorded {
    ratings_file: Option<RatingsFile>,
    #[serde(default)]
    findings: Vec<Finding>,
}
