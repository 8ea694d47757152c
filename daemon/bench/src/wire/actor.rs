//! One thread owns each instrument; callers hand it work through a bounded inbox, so that two callers can
//! never interleave a question and its answer.

use std::collections::VecDeque;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use crate::clock::{Clock, Signal};
use crate::safety::lent::{Lent, LentGuard};

type Job<T> = Box<dyn FnOnce(&mut T) + Send>;

/// Most jobs that wait for one instrument; who brings more waits with them.
const WAITING_MAX: usize = 8;

/// The handle of an instrument's thread. Dropping it waits for the thread to end, so that the port is free again.
pub struct Actor<T> {
    name: String,
    inbox: Arc<Inbox<T>>,
    clock: Arc<dyn Clock>,
    thread: Option<JoinHandle<()>>,
}

/// The instrument's thread is gone (it panicked): its answer will never come.
#[derive(Debug, Clone, thiserror::Error)]
#[error("the thread of instrument {name} has ended unexpectedly")]
pub struct ActorGone {
    /// The instrument.
    pub name: String,
}

/// An answer that is on its way.
pub struct Pending<R> {
    name: String,
    answer: Arc<Answer<R>>,
}

struct Inbox<T> {
    jobs: Lent<Jobs<T>>,
    changed: Arc<dyn Signal>,
}

struct Jobs<T> {
    waiting: VecDeque<Job<T>>,
    /// No more jobs are taken: the handle was dropped or the thread has ended.
    closed: bool,
}

impl<T> Inbox<T> {
    fn jobs(&self) -> LentGuard<'_, Jobs<T>> {
        self.jobs.lock()
    }

    /// The next job; None once the inbox is closed and empty.
    fn next(&self) -> Option<Job<T>> {
        loop {
            let seen = self.changed.seen();
            let (job, closed) = {
                let mut jobs = self.jobs();
                (jobs.waiting.pop_front(), jobs.closed)
            };
            match job {
                Some(job) => {
                    self.changed.raise();
                    return Some(job);
                }
                None if closed => return None,
                None => self.changed.wait(seen, None),
            }
        }
    }

    /// Puts a job in, or drops it when nobody will do it.
    fn put(&self, job: Job<T>) {
        loop {
            let seen = self.changed.seen();
            {
                let mut jobs = self.jobs();
                if jobs.closed {
                    return;
                }
                if jobs.waiting.len() < WAITING_MAX {
                    jobs.waiting.push_back(job);
                    break;
                }
            }
            self.changed.wait(seen, None);
        }
        self.changed.raise();
    }

    fn close(&self) {
        self.jobs().closed = true;
        self.changed.raise();
    }
}

/// Closes the inbox when the thread ends, also by a panic: what waits there is dropped and so reported as gone.
struct Ending<T>(Arc<Inbox<T>>);

impl<T> Drop for Ending<T> {
    fn drop(&mut self) {
        let left = {
            let mut jobs = self.0.jobs();
            jobs.closed = true;
            std::mem::take(&mut jobs.waiting)
        };
        drop(left);
        self.0.changed.raise();
    }
}

enum Answered<R> {
    NotYet,
    Here(R),
    Never,
}

struct Answer<R> {
    state: Lent<Answered<R>>,
    changed: Arc<dyn Signal>,
}

impl<R> Answer<R> {
    fn state(&self) -> LentGuard<'_, Answered<R>> {
        self.state.lock()
    }
}

/// The instrument's end of an answer. Dropped without one, it says so.
struct Owed<R>(Arc<Answer<R>>);

impl<R> Owed<R> {
    fn give(self, answer: R) {
        *self.0.state() = Answered::Here(answer);
    }
}

impl<R> Drop for Owed<R> {
    fn drop(&mut self) {
        {
            let mut state = self.0.state();
            if matches!(*state, Answered::NotYet) {
                *state = Answered::Never;
            }
        }
        self.0.changed.raise();
    }
}

impl<T: Send + 'static> Actor<T> {
    /// Starts the thread that owns `instrument`; all waiting is done by `clock`.
    ///
    /// # Errors
    /// When the operating system gives no thread.
    pub fn start(clock: &Arc<dyn Clock>, name: &str, instrument: T) -> std::io::Result<Self> {
        Self::started(clock, name, instrument, |body| clock.start(&format!("{name} actor"), body))
    }

    /// The same for an instrument on the way from a fault to OFF: its thread goes ahead of everything ordinary.
    ///
    /// # Errors
    /// As [`Actor::start`].
    pub fn start_ahead(clock: &Arc<dyn Clock>, name: &str, instrument: T) -> std::io::Result<Self> {
        Self::started(clock, name, instrument, |body| clock.start_ahead(&format!("{name} actor"), body))
    }

    fn started(
        clock: &Arc<dyn Clock>,
        name: &str,
        mut instrument: T,
        start: impl FnOnce(Box<dyn FnOnce() + Send>) -> std::io::Result<JoinHandle<()>>,
    ) -> std::io::Result<Self> {
        let jobs = Lent::new(Jobs { waiting: VecDeque::new(), closed: false });
        let inbox = Arc::new(Inbox { jobs, changed: clock.signal() });
        let ending = Ending(Arc::clone(&inbox));
        let body = move || {
            while let Some(job) = ending.0.next() {
                job(&mut instrument);
            }
        };
        let thread = start(Box::new(body))?;
        Ok(Actor { name: name.into(), inbox, clock: Arc::clone(clock), thread: Some(thread) })
    }

    /// Hands over work and returns at once; `wait` on the result for the answer.
    pub fn begin<R: Send + 'static>(&self, work: impl FnOnce(&mut T) -> R + Send + 'static) -> Pending<R> {
        let answer = Arc::new(Answer { state: Lent::new(Answered::NotYet), changed: self.clock.signal() });
        let owed = Owed(Arc::clone(&answer));
        self.inbox.put(Box::new(move |instrument| owed.give(work(instrument))));
        Pending { name: self.name.clone(), answer }
    }

    /// Hands over work and waits for its answer.
    ///
    /// # Errors
    /// [`ActorGone`] when the thread has ended.
    pub fn ask<R: Send + 'static>(
        &self,
        work: impl FnOnce(&mut T) -> R + Send + 'static,
    ) -> Result<R, ActorGone> {
        self.begin(work).wait()
    }
}

impl<T> Drop for Actor<T> {
    fn drop(&mut self) {
        self.inbox.close();
        let Some(thread) = self.thread.take() else { return };
        // A thread can't wait for itself, should its own job hold the last handle.
        if thread.thread().id() != std::thread::current().id() && !self.clock.join(thread) {
            tracing::error!("the thread of instrument {} had panicked", self.name);
        }
    }
}

impl<R> Pending<R> {
    /// Whether there is something to take.
    pub fn is_here(&self) -> bool {
        !matches!(*self.answer.state(), Answered::NotYet)
    }

    /// Waits until there is something to take, at most so long; whether there is.
    pub fn comes_within(&self, length: Duration) -> bool {
        let seen = self.answer.changed.seen();
        if !self.is_here() {
            self.answer.changed.wait(seen, Some(length));
        }
        self.is_here()
    }

    /// Waits for the answer.
    ///
    /// # Errors
    /// [`ActorGone`] when the thread has ended.
    pub fn wait(self) -> Result<R, ActorGone> {
        loop {
            let seen = self.answer.changed.seen();
            {
                let mut state = self.answer.state();
                match std::mem::replace(&mut *state, Answered::Never) {
                    Answered::Here(answer) => return Ok(answer),
                    Answered::Never => return Err(ActorGone { name: self.name }),
                    Answered::NotYet => *state = Answered::NotYet,
                }
            }
            self.answer.changed.wait(seen, None);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::WallClock;

    fn clock() -> Arc<dyn Clock> {
        Arc::new(WallClock::default())
    }

    #[test]
    fn jobs_are_done_in_order_by_one_thread() {
        let actor = Actor::start(&clock(), "list", Vec::new()).unwrap();
        let pending: Vec<_> = (0..100)
            .map(|n| {
                actor.begin(move |list: &mut Vec<usize>| {
                    list.push(n);
                    list.len()
                })
            })
            .collect();
        let lengths: Vec<usize> = pending.into_iter().map(|pending| pending.wait().unwrap()).collect();
        assert_eq!(lengths, (1..=100).collect::<Vec<_>>());
        assert_eq!(actor.ask(|list| list.clone()).unwrap(), (0..100).collect::<Vec<_>>());
    }

    #[test]
    fn an_answer_is_waited_for_no_longer_than_wanted() {
        let actor = Actor::start(&clock(), "number", 1).unwrap();
        let (go, gone) = std::sync::mpsc::channel::<()>();
        let pending = actor.begin(move |n| gone.recv().is_ok().then_some(*n));
        assert!(!pending.comes_within(Duration::from_millis(5)));
        go.send(()).unwrap();
        while !pending.comes_within(Duration::from_secs(1)) {}
        assert!(pending.comes_within(Duration::ZERO), "it stays until it is taken");
        assert_eq!(pending.wait().unwrap(), Some(1));
        let lost = actor.begin(|_| -> i32 { panic!("as planned by the test") });
        while !lost.comes_within(Duration::from_secs(1)) {}
        assert!(lost.wait().is_err());
    }

    #[test]
    fn after_a_panic_every_answer_is_known_to_be_lost() {
        let actor = Actor::start(&clock(), "number", 1).unwrap();
        let first = actor.begin(|_| -> i32 { panic!("as planned by the test") });
        let second = actor.begin(|n| *n);
        assert!(first.wait().is_err());
        assert!(second.wait().is_err());
        assert!(actor.ask(|n| *n).is_err());
    }
}
