//! The queue of jobs: who is next on a bench. Values in, values out: no clock, no disk, no thread.
//!
//! Jobs of one bench keep the order in which they were submitted or put. One that is held lets those behind it pass.
//! After a stop, and after a restart of the daemon, whatever has not begun waits for a person: what a person stopped,
//! or what went down with the machine, must not be energised again by itself.

mod store;

pub use store::Store;

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::job::{Hold, Job, JobOutcome, JobState};

/// Jobs kept after their end.
const ENDED_KEPT: usize = 50;
/// Most jobs that wait at once.
pub const AHEAD_MAX: usize = 1000;

/// All jobs of a daemon.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Queue {
    last: u64,
    /// Those that have not ended, in order.
    jobs: Vec<Job>,
    /// Those that have, newest first.
    ended: Vec<Job>,
}

/// Why a job can't be changed so.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum QueueError {
    /// There is none of that number.
    #[error("there is no job {0}; it may have been let go of long ago")]
    NoJob(u64),
    /// It has begun.
    #[error("job {0} has begun already; stop its bench instead")]
    Begun(u64),
    /// It is over.
    #[error("job {0} is over; submit it anew")]
    Over(u64),
    /// It can't be put before a job of another bench.
    #[error("job {0} waits for another bench: a job is put before one of its own bench")]
    OtherBench(u64),
    /// Too many wait.
    #[error("{AHEAD_MAX} jobs are waiting already; cancel some, or wait")]
    Full,
}

/// What a job is made from.
#[derive(Debug, Clone)]
pub struct NewJob {
    /// The bench it is for.
    pub bench: String,
    /// Name of the script.
    pub script: String,
    /// Maker and model.
    pub amplifier: String,
    /// Whether the amplifier is invented.
    pub invented: bool,
    /// What it waits for.
    pub hold: Option<Hold>,
    /// Whether the bench is not checked before the script.
    pub without_selfcheck: bool,
    /// What was set of the script's parameters, by name.
    pub set: BTreeMap<String, Value>,
}

impl Queue {
    /// The number that the next job gets.
    ///
    /// # Errors
    /// [`QueueError::Full`].
    pub fn room(&self) -> Result<u64, QueueError> {
        if self.jobs.len() >= AHEAD_MAX { Err(QueueError::Full) } else { Ok(self.last + 1) }
    }

    /// Puts a job at the end.
    ///
    /// # Errors
    /// [`QueueError::Full`].
    pub fn submit(&mut self, new: NewJob, now: DateTime<Utc>) -> Result<u64, QueueError> {
        self.last = self.room()?;
        self.jobs.push(Job {
            job: self.last,
            bench: new.bench,
            script: new.script,
            amplifier: new.amplifier,
            invented: new.invented,
            state: JobState::Waiting,
            position: None,
            hold: new.hold,
            submitted_utc: now,
            started_utc: None,
            ended_utc: None,
            run: None,
            doing: None,
            steps: 0,
            steps_planned: None,
            left_s: None,
            selfcheck: None,
            outcome: None,
            error: None,
            bench_wrong: false,
            without_selfcheck: new.without_selfcheck,
            set: new.set,
        });
        self.number(now);
        Ok(self.last)
    }

    /// Every job: those that have not ended in order, then the others, newest first.
    pub fn all(&self) -> impl Iterator<Item = &Job> {
        self.jobs.iter().chain(&self.ended)
    }

    /// One job.
    ///
    /// # Errors
    /// [`QueueError::NoJob`].
    pub fn get(&self, job: u64) -> Result<&Job, QueueError> {
        self.all().find(|one| one.job == job).ok_or(QueueError::NoJob(job))
    }

    /// The job whose run holds a bench.
    pub fn under_way(&self, bench: &str) -> Option<&Job> {
        self.jobs.iter().find(|job| job.bench == bench && job.state.is_under_way())
    }

    /// Begins the first job of a bench that may, unless one is under way there.
    pub fn begin(&mut self, bench: &str, now: DateTime<Utc>) -> Option<Job> {
        if self.under_way(bench).is_some() {
            return None;
        }
        let may = |job: &&mut Job| {
            job.bench == bench && job.state.is_ahead() && job.hold.is_none_or(|hold| hold.lets_begin(now))
        };
        let job = self.jobs.iter_mut().find(may)?;
        (job.state, job.started_utc) = (JobState::Running, Some(now));
        let begun = job.job;
        self.number(now);
        self.get(begun).ok().cloned()
    }

    /// The job under way of that number, to note how it goes.
    pub fn note(&mut self, job: u64) -> Option<&mut Job> {
        self.jobs.iter_mut().find(|one| one.job == job && one.state.is_under_way())
    }

    /// Ends the run of a job.
    pub fn end(&mut self, job: u64, outcome: JobOutcome, error: Option<String>, now: DateTime<Utc>) {
        let Some(at) = self.jobs.iter().position(|one| one.job == job) else { return };
        let mut ended = self.jobs.remove(at);
        (ended.state, ended.outcome, ended.ended_utc) = (JobState::Ended, Some(outcome), Some(now));
        (ended.error, ended.doing, ended.left_s, ended.hold) = (error, None, None, None);
        if outcome.is_finished() {
            // What was planned more was not needed.
            ended.steps_planned = Some(ended.steps);
        }
        self.keep(ended, now);
    }

    /// Takes a job that has not begun off the queue.
    ///
    /// # Errors
    /// [`QueueError`].
    pub fn cancel(&mut self, job: u64, now: DateTime<Utc>) -> Result<(), QueueError> {
        let at = self.ahead(job)?;
        let mut cancelled = self.jobs.remove(at);
        (cancelled.state, cancelled.ended_utc) = (JobState::Cancelled, Some(now));
        self.keep(cancelled, now);
        Ok(())
    }

    /// Holds a job that has not begun, or lets it go.
    ///
    /// # Errors
    /// [`QueueError`].
    pub fn hold(&mut self, job: u64, hold: Option<Hold>, now: DateTime<Utc>) -> Result<(), QueueError> {
        let at = self.ahead(job)?;
        self.jobs[at].hold = hold;
        self.number(now);
        Ok(())
    }

    /// Puts a job that has not begun before another of its bench, or at the end.
    ///
    /// # Errors
    /// [`QueueError`].
    pub fn put(&mut self, job: u64, before: Option<u64>, now: DateTime<Utc>) -> Result<(), QueueError> {
        let from = self.ahead(job)?;
        let bench = self.jobs[from].bench.clone();
        if before == Some(job) {
            return Ok(());
        }
        if let Some(before) = before {
            let to = self.ahead(before)?;
            if self.jobs[to].bench != bench {
                return Err(QueueError::OtherBench(before));
            }
        }
        let moved = self.jobs.remove(from);
        let to = before.and_then(|before| self.jobs.iter().position(|one| one.job == before));
        self.jobs.insert(to.unwrap_or(self.jobs.len()), moved);
        self.number(now);
        Ok(())
    }

    /// Whatever has not begun on a bench waits for a person.
    pub fn hold_all(&mut self, bench: &str, now: DateTime<Utc>) {
        for job in self.jobs.iter_mut().filter(|job| job.bench == bench && job.state.is_ahead()) {
            job.hold = Some(Hold::ByPerson(true));
        }
        self.number(now);
    }

    /// After a restart of the daemon: what was under way was cut off, and nothing begins by itself.
    pub fn restart(&mut self, now: DateTime<Utc>) {
        let cut: Vec<(u64, Option<String>)> = self
            .jobs
            .iter()
            .filter(|job| job.state.is_under_way())
            .map(|job| (job.job, job.run.clone()))
            .collect();
        for (job, run) in cut {
            let what = match run {
                Some(run) => format!(
                    "the daemon ended while this run was under way; its record is kept: `wattproof resume {run}` goes on from its last step"
                ),
                None => "the daemon ended before this run had a record; submit it anew".into(),
            };
            self.end(job, JobOutcome::Failed, Some(what), now);
        }
        let benches: Vec<String> = self.jobs.iter().map(|job| job.bench.clone()).collect();
        benches.iter().for_each(|bench| self.hold_all(bench, now));
    }

    /// Tells held from waiting again, as time passes. True when anything changed.
    pub fn number(&mut self, now: DateTime<Utc>) -> bool {
        let mut changed = false;
        let mut places: Vec<(String, usize)> = Vec::new();
        for job in &mut self.jobs {
            if !job.state.is_ahead() {
                job.position = None;
                continue;
            }
            let place = match places.iter_mut().find(|(bench, _)| *bench == job.bench) {
                Some((_, place)) => {
                    *place += 1;
                    *place
                }
                None => {
                    places.push((job.bench.clone(), 1));
                    1
                }
            };
            let holds = |hold: Hold| !hold.lets_begin(now) || matches!(hold, Hold::HeatsinkCMax(_));
            let state = if job.hold.is_some_and(holds) { JobState::Held } else { JobState::Waiting };
            changed |= (job.state, job.position) != (state, Some(place));
            (job.state, job.position) = (state, Some(place));
        }
        changed
    }

    fn ahead(&self, job: u64) -> Result<usize, QueueError> {
        match self.jobs.iter().position(|one| one.job == job) {
            Some(at) if self.jobs[at].state.is_ahead() => Ok(at),
            Some(_) => Err(QueueError::Begun(job)),
            None if self.ended.iter().any(|one| one.job == job) => Err(QueueError::Over(job)),
            None => Err(QueueError::NoJob(job)),
        }
    }

    fn keep(&mut self, mut ended: Job, now: DateTime<Utc>) {
        ended.position = None;
        self.ended.insert(0, ended);
        self.ended.truncate(ENDED_KEPT);
        self.number(now);
    }
}

#[cfg(test)]
mod tests;
