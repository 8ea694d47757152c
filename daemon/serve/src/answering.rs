//! Who answers over TCP: threads of their own that stand behind everything else on the machine. However many look on, the
//! runs, which are other processes, and whoever starts and stops them come first.

use tokio::runtime::{Builder, Handle, Runtime};

use crate::settings::ServeError;

/// Threads that answer.
const THREADS: usize = 2;
/// Most threads that draw and read files.
const DRAWING: usize = 4;
/// Their niceness, of 0 for everybody and 19 for those who come last (setpriority(2)).
const NICENESS: i32 = 10;

/// A runtime of its own, so that no run is started by one of its threads: a process takes its niceness from there.
pub struct Answering(Runtime);

impl Answering {
    /// For what is answered over TCP.
    ///
    /// # Errors
    /// Its threads can't be started.
    pub fn start() -> Result<Self, ServeError> {
        Self::start_threads("answers", THREADS)
    }

    /// For the catalogue alone: however long it takes, nobody else waits for its thread.
    ///
    /// # Errors
    /// Its threads can't be started.
    pub fn start_catalogue() -> Result<Self, ServeError> {
        Self::start_threads("catalogue", 1)
    }

    fn start_threads(name: &str, threads: usize) -> Result<Self, ServeError> {
        let runtime = Builder::new_multi_thread()
            .worker_threads(threads)
            .max_blocking_threads(DRAWING)
            .thread_name(name)
            .on_thread_start(stand_back)
            .enable_all()
            .build();
        let failed =
            |error| ServeError::Said(format!("starting the threads that answer: {error}; try again"));
        runtime.map(Answering).map_err(failed)
    }

    /// Where answers are given.
    pub fn runtime(&self) -> &Handle {
        self.0.handle()
    }

    /// Ends without waiting for who still draws.
    pub fn end(self) {
        self.0.shutdown_background();
    }
}

/// Of this thread alone, as Linux has it.
fn stand_back() {
    if let Err(error) = rustix::process::setpriority_process(None, NICENESS) {
        tracing::debug!(%error, "the threads that answer do not stand back");
    }
}
