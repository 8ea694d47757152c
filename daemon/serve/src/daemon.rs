//! The daemon's own state: its benches, its queue, what happens. Everything that changes goes through here and is told
//! to whoever listens. The lock is never held across a disk, a process or a socket: a stop gets through at any moment.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use chrono::Utc;
use serde_json::json;
use tokio::sync::Notify;
use tokio::sync::mpsc::UnboundedSender;

use crate::bench::{Bench, GuardState, Latched, OutputsState, latched};
use crate::events::Events;
use crate::job::{End, Hold, Job, JobOutcome, JobState};
use crate::metrics::Metrics;
use crate::queue::{NewJob, Queue, QueueError, Store};
use crate::settings::{BenchPlace, Settings};
use crate::starts::Starts;
use crate::told::Ordered;

/// All of it.
pub struct Daemon {
    /// What it was started with.
    pub settings: Settings,
    /// What happens.
    pub events: Events,
    /// What is counted.
    pub metrics: Metrics,
    /// Keeps starts of runs apart.
    pub starts: Starts,
    store: Store,
    inner: Mutex<Inner>,
    /// Wakes whoever starts runs.
    turn: Notify,
}

struct Inner {
    queue: Queue,
    benches: Vec<Held>,
    closing: bool,
}

/// A bench and the way to the run that holds it.
struct Held {
    place: BenchPlace,
    now: Bench,
    run: Option<UnboundedSender<Ordered>>,
}

/// There is no bench of that name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("there is no bench {0:?} here")]
pub struct NoBench(pub String);

impl Daemon {
    /// From what the disk holds; nothing begins by itself.
    pub fn new(
        settings: Settings,
        benches: Vec<Bench>,
        (mut queue, store): (Queue, Store),
        boot: String,
    ) -> Self {
        queue.restart(Utc::now());
        store.keep(queue.clone());
        let metrics = Metrics::new(&benches);
        let held = settings.benches.iter().cloned().zip(benches);
        let benches = held.map(|(place, now)| Held { place, now, run: None }).collect();
        Daemon {
            settings,
            events: Events::new(boot),
            metrics,
            starts: Starts::default(),
            store,
            inner: Mutex::new(Inner { queue, benches, closing: false }),
            turn: Notify::new(),
        }
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Folder of what was submitted with a job.
    pub fn job_folder(&self, job: u64) -> PathBuf {
        self.settings.state.join("jobs").join(job.to_string())
    }

    /// Every bench.
    pub fn benches(&self) -> Vec<Bench> {
        self.inner().benches.iter().map(|held| held.now.clone()).collect()
    }

    /// One bench.
    ///
    /// # Errors
    /// [`NoBench`].
    pub fn bench(&self, bench: &str) -> Result<Bench, NoBench> {
        self.inner().held(bench).map(|held| held.now.clone())
    }

    /// Where a bench is kept.
    ///
    /// # Errors
    /// [`NoBench`].
    pub fn place(&self, bench: &str) -> Result<BenchPlace, NoBench> {
        self.inner().held(bench).map(|held| held.place.clone())
    }

    /// Every job.
    pub fn jobs(&self) -> Vec<Job> {
        self.inner().queue.all().cloned().collect()
    }

    /// One job.
    ///
    /// # Errors
    /// [`QueueError::NoJob`].
    pub fn job(&self, job: u64) -> Result<Job, QueueError> {
        self.inner().queue.get(job).cloned()
    }

    /// Changes the queue, keeps it, tells what changed and looks who is next.
    fn change<T>(&self, change: impl FnOnce(&mut Queue) -> Result<T, QueueError>) -> Result<T, QueueError> {
        let mut inner = self.inner();
        let before: Vec<Job> = inner.queue.all().cloned().collect();
        let done = change(&mut inner.queue)?;
        self.tell_changes(&before, &inner.queue);
        self.store.keep(inner.queue.clone());
        drop(inner);
        self.turn.notify_waiters();
        Ok(done)
    }

    fn tell_changes(&self, before: &[Job], queue: &Queue) {
        for job in queue.all().filter(|job| !before.contains(job)) {
            self.events.tell("job", Some(&job.bench), job);
        }
        for gone in before.iter().filter(|old| queue.get(old.job).is_err()) {
            self.events.tell("removed", Some(&gone.bench), &json!({ "job": gone.job, "bench": gone.bench }));
        }
    }

    /// The number that the next job gets: its files are written before it is in the queue.
    ///
    /// # Errors
    /// [`QueueError::Full`].
    pub fn submit(
        &self,
        new: NewJob,
        write: impl FnOnce(u64) -> std::io::Result<()>,
    ) -> Result<Job, SubmitError> {
        // Under a number of its own, which nobody else gets; the files are small and not synced under the lock.
        let job = self.change(|queue| {
            queue.submit(NewJob { hold: Some(Hold::ByPerson(true)), ..new.clone() }, Utc::now())
        })?;
        if let Err(source) = write(job) {
            // Nobody could perform it: it goes again.
            self.change(|queue| queue.cancel(job, Utc::now()))?;
            return Err(SubmitError::Io { path: self.job_folder(job), source });
        }
        self.hold(job, new.hold)?;
        Ok(self.job(job)?)
    }

    /// Holds a job or lets it go.
    ///
    /// # Errors
    /// [`QueueError`].
    pub fn hold(&self, job: u64, hold: Option<Hold>) -> Result<Job, QueueError> {
        self.change(|queue| queue.hold(job, hold, Utc::now()))?;
        self.job(job)
    }

    /// Puts a job before another.
    ///
    /// # Errors
    /// [`QueueError`].
    pub fn put(&self, job: u64, before: Option<u64>) -> Result<Job, QueueError> {
        self.change(|queue| queue.put(job, before, Utc::now()))?;
        self.job(job)
    }

    /// Takes a job off the queue.
    ///
    /// # Errors
    /// [`QueueError`].
    pub fn cancel(&self, job: u64) -> Result<Job, QueueError> {
        self.change(|queue| queue.cancel(job, Utc::now()))?;
        self.job(job)
    }

    /// Everything off on a bench, now. Whatever waits there waits for a person from now on.
    ///
    /// # Errors
    /// [`NoBench`].
    pub fn stop(&self, bench: &str, by: &str) -> Result<Bench, NoBench> {
        {
            // The order first, before anything else is looked at.
            let inner = self.inner();
            let held = inner.held(bench)?;
            if let Some(run) = &held.run
                && run.send(Ordered::Stop { by: by.to_string() }).is_err()
            {
                tracing::warn!(bench, "the run is ending already");
            }
        }
        self.log(Some(bench), None, "warn", &format!("stopped by {by}"));
        let changed = self.change(|queue| {
            let running = queue.under_way(bench).map(|job| job.job);
            if let Some(job) = running.and_then(|job| queue.note(job)) {
                job.state = JobState::Stopping;
            }
            queue.hold_all(bench, Utc::now());
            Ok(())
        });
        if let Err(error) = changed {
            tracing::error!(%error, "after a stop the queue was not held");
        }
        self.bench(bench)
    }

    /// Begins the next job of a bench whose state allows it.
    pub fn begin(&self, bench: &str, orders: UnboundedSender<Ordered>) -> Option<(Job, BenchPlace)> {
        let mut inner = self.inner();
        if inner.closing {
            return None;
        }
        let before: Vec<Job> = inner.queue.all().cloned().collect();
        let inner = &mut *inner;
        let held = inner.benches.iter_mut().find(|held| held.now.bench == bench)?;
        // A trip waits for a person; so does an output that nobody saw off.
        if held.now.latched.is_some() || held.now.guard != GuardState::Closed {
            return None;
        }
        let passed = inner.queue.number(Utc::now());
        let job = inner.queue.begin(bench, Utc::now());
        if let Some(job) = &job {
            (held.now.job, held.now.guard, held.run) = (Some(job.job), GuardState::Boot, Some(orders));
            held.now.lost = None;
            self.events.tell("bench", Some(bench), &held.now);
        }
        let place = held.place.clone();
        if passed || job.is_some() {
            self.tell_changes(&before, &inner.queue);
            self.store.keep(inner.queue.clone());
        }
        job.map(|job| (job, place))
    }

    /// Notes how the run of a job goes, and tells it. Kept on disk only when `keep` says so.
    pub fn note(&self, job: u64, keep: bool, note: impl FnOnce(&mut Job)) {
        let mut inner = self.inner();
        let Some(under_way) = inner.queue.note(job) else { return };
        note(under_way);
        let told = under_way.clone();
        self.events.tell("job", Some(&told.bench), &told);
        if keep {
            self.store.keep(inner.queue.clone());
        }
    }

    /// Changes how a bench is seen, and tells it if that is news.
    pub fn see(&self, bench: &str, see: impl FnOnce(&mut Bench)) {
        let mut inner = self.inner();
        let Ok(held) = inner.held_mut(bench) else { return };
        let before = held.now.clone();
        see(&mut held.now);
        if held.now != before {
            self.events.tell("bench", Some(bench), &held.now);
        }
    }

    /// The run of a job is over and its process gone.
    ///
    /// Reads the disk: on a thread that may wait.
    pub fn end(&self, place: &BenchPlace, job: u64, end: End) {
        let End { outcome, error, bench_lost } = end;
        // Before the lock is taken.
        let latched = latched(place);
        let trip_stands = latched.is_some();
        if let Ok(held) = self.inner().held_mut(&place.id) {
            held.run = None;
        }
        self.see(&place.id, |bench| {
            bench.close(outcome != JobOutcome::NotSafe, latched);
            bench.lost = error.clone().filter(|_| bench_lost);
        });
        self.metrics.ended(&place.id, outcome);
        let ended = self.change(|queue| {
            let bench_wrong = queue.get(job).is_ok_and(|job| job.bench_wrong);
            queue.end(job, outcome, error, Utc::now());
            // A person wanted everything off, or must look first: nothing else begins by itself, and not by a reset. A
            // bench that is not there, or wired wrong, would fail whatever waits for it, one after the other.
            let person_first = matches!(outcome, JobOutcome::Stopped | JobOutcome::NotSafe);
            if trip_stands || person_first || bench_lost || bench_wrong {
                queue.hold_all(&place.id, Utc::now());
            }
            Ok(())
        });
        if let Err(error) = ended {
            tracing::error!(%error, "a job was not ended in the queue");
        }
    }

    /// Takes a bench for work that is no run, such as a reset; false while anything else holds it.
    ///
    /// # Errors
    /// [`NoBench`].
    pub fn take(&self, bench: &str) -> Result<bool, NoBench> {
        let mut inner = self.inner();
        let held = inner.held_mut(bench)?;
        let free = held.now.job.is_none() && held.now.guard != GuardState::Boot;
        if free {
            held.now.guard = GuardState::Boot;
            self.events.tell("bench", Some(bench), &held.now);
        }
        Ok(free)
    }

    /// Gives it back, with the trip that stands now. Only what succeeded has seen every output off.
    pub fn give_back(&self, bench: &str, latched: Option<Latched>, seen_off: bool) {
        self.see(bench, |bench| {
            let alarm = latched.as_ref().is_some_and(|latched| latched.alarm);
            bench.outputs = if seen_off { OutputsState::Off } else { OutputsState::Unknown };
            bench.close(!alarm, latched);
        });
    }

    /// Something to be said, here and to whoever listens.
    pub fn log(&self, bench: Option<&str>, job: Option<u64>, level: &str, text: &str) {
        match level {
            "error" => tracing::error!(bench, job, "{text}"),
            "warn" => tracing::warn!(bench, job, "{text}"),
            _ => tracing::info!(bench, job, "{text}"),
        }
        let line = json!({ "job": job, "bench": bench, "at_utc": Utc::now(), "level": level, "text": text });
        self.events.tell("log", bench, &line);
    }

    /// No run begins any more; every run is told to stop.
    pub fn close(&self, by: &str) {
        self.inner().closing = true;
        for bench in self.benches() {
            if bench.job.is_some()
                && let Err(error) = self.stop(&bench.bench, by)
            {
                tracing::error!(%error, "a run was not told to stop");
            }
        }
        self.turn.notify_waiters();
    }

    /// Waits until the disk knows how the last jobs ended. Blocks.
    pub fn settle(&self, wait: Duration) {
        self.store.settle(wait);
    }

    /// Whether no run begins any more.
    pub fn is_closing(&self) -> bool {
        self.inner().closing
    }

    /// Waits until something may have changed who is next.
    pub async fn turn(&self) {
        self.turn.notified().await;
    }

    /// Everybody looks again who is next.
    pub fn look_again(self: &Arc<Self>) {
        self.turn.notify_waiters();
    }
}

impl Inner {
    fn held(&self, bench: &str) -> Result<&Held, NoBench> {
        self.benches.iter().find(|held| held.now.bench == bench).ok_or_else(|| NoBench(bench.into()))
    }

    fn held_mut(&mut self, bench: &str) -> Result<&mut Held, NoBench> {
        self.benches.iter_mut().find(|held| held.now.bench == bench).ok_or_else(|| NoBench(bench.into()))
    }
}

/// A job can't be taken.
#[derive(Debug, thiserror::Error)]
pub enum SubmitError {
    /// The queue refuses it.
    #[error("{0}")]
    Queue(#[from] QueueError),
    /// What came with it can't be written.
    #[error("{path}: {source}; free disk space, or name another folder with --state")]
    Io {
        /// Where.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
}
