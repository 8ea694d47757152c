//! One thread owns each instrument; callers hand it work through a bounded channel, so that two callers can
//! never interleave a question and its answer.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

type Job<T> = Box<dyn FnOnce(&mut T) + Send>;

/// The handle of an instrument's thread. Dropping it waits for the thread to end, so that the port is free again.
pub struct Actor<T> {
    name: String,
    jobs: Option<SyncSender<Job<T>>>,
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
    answer: Receiver<R>,
}

impl<T: Send + 'static> Actor<T> {
    /// Starts the thread that owns `instrument`.
    ///
    /// # Errors
    /// When the operating system gives no thread.
    pub fn start(name: &str, mut instrument: T) -> std::io::Result<Self> {
        let (jobs, inbox) = sync_channel::<Job<T>>(8);
        let thread = std::thread::Builder::new().name(format!("{name} actor")).spawn(move || {
            while let Ok(job) = inbox.recv() {
                job(&mut instrument);
            }
        })?;
        Ok(Actor { name: name.into(), jobs: Some(jobs), thread: Some(thread) })
    }

    /// Hands over work and returns at once; `wait` on the result for the answer.
    pub fn begin<R: Send + 'static>(&self, work: impl FnOnce(&mut T) -> R + Send + 'static) -> Pending<R> {
        let (reply, answer) = sync_channel(1);
        // A send that fails drops `reply`, which `wait` reports as ActorGone.
        if let Some(jobs) = &self.jobs {
            let _ = jobs.send(Box::new(move |instrument| {
                let _ = reply.send(work(instrument));
            }));
        }
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
        drop(self.jobs.take());
        let Some(thread) = self.thread.take() else { return };
        // A thread can't wait for itself, should its own job hold the last handle.
        if thread.thread().id() != std::thread::current().id() && thread.join().is_err() {
            tracing::error!("the thread of instrument {} had panicked", self.name);
        }
    }
}

impl<R> Pending<R> {
    /// Waits for the answer.
    ///
    /// # Errors
    /// [`ActorGone`] when the thread has ended.
    pub fn wait(self) -> Result<R, ActorGone> {
        self.answer.recv().map_err(|_| ActorGone { name: self.name })
    }
}
