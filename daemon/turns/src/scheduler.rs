//! Turns: of all threads of a schedule exactly one runs at any time. Whoever waits hands the turn to a thread that is
//! ready, picked by the seed; when none is, virtual time jumps to the earliest moment somebody waits for. So a
//! schedule depends on its seed only, whatever the operating system does.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, OnceLock, PoisonError};
use std::thread::{JoinHandle, ThreadId};
use std::time::Duration;

use crate::Random;

/// More changes of turn than any schedule has a use for, at once and in each second on average: somebody waits in circles.
const SWITCHES_MAX: u64 = 5_000_000;
const SWITCHES_PER_S_MAX: u64 = 1000;

/// Looks at everything after each event.
pub type Hook = Box<dyn Fn() + Send + Sync>;

/// Tells that no thread can ever go on, with what each of them does; must not return to the schedule.
pub type Stuck = Box<dyn Fn(&str) + Send + Sync>;

/// The turns of one schedule.
pub struct Scheduler {
    inner: Mutex<Inner>,
    now_ns: AtomicU64,
    hook: OnceLock<Hook>,
    stuck: OnceLock<Stuck>,
}

struct Inner {
    random: Random,
    threads: Vec<Turns>,
    running: usize,
    switches: u64,
}

struct Turns {
    name: String,
    os: Option<ThreadId>,
    doing: Doing,
    baton: Arc<Baton>,
}

enum Doing {
    Running,
    Ready,
    Waiting { raised: Option<(Arc<AtomicU64>, u64)>, until_ns: Option<u64> },
    Joining(usize),
    Ended,
}

/// What a thread without the turn waits for.
#[derive(Default)]
struct Baton {
    held: Mutex<bool>,
    passed: Condvar,
}

impl Baton {
    fn pass(&self) {
        *self.held.lock().unwrap_or_else(PoisonError::into_inner) = true;
        self.passed.notify_one();
    }

    fn await_it(&self) {
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        while !*held {
            held = self.passed.wait(held).unwrap_or_else(PoisonError::into_inner);
        }
        *held = false;
    }
}

impl Scheduler {
    /// Turns from a seed; the calling thread has the first one.
    pub fn new(seed: u64, name: &str) -> Arc<Scheduler> {
        let own = Turns { name: name.into(), os: None, doing: Doing::Running, baton: Arc::default() };
        Arc::new(Scheduler {
            inner: Mutex::new(Inner {
                random: Random::new(seed, 1),
                threads: vec![own],
                running: 0,
                switches: 0,
            }),
            now_ns: AtomicU64::new(0),
            hook: OnceLock::new(),
            stuck: OnceLock::new(),
        })
    }

    /// What looks at everything after each event, and what tells of a standstill. Set once.
    pub fn watched_by(&self, hook: Hook, stuck: Stuck) {
        self.hook.get_or_init(|| hook);
        self.stuck.get_or_init(|| stuck);
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Virtual time, ns.
    pub fn now_ns(&self) -> u64 {
        self.now_ns.load(Ordering::Relaxed)
    }

    /// Virtual time.
    pub fn now(&self) -> Duration {
        Duration::from_nanos(self.now_ns())
    }

    /// Virtual time, s.
    pub fn now_s(&self) -> f64 {
        self.now().as_secs_f64()
    }

    /// Lets time jump, as a machine that was suspended sees it.
    pub fn jump(&self, length: Duration) {
        self.now_ns.fetch_add(nanos(length), Ordering::Relaxed);
    }

    /// Changes of turn so far.
    pub fn switches(&self) -> u64 {
        self.inner().switches
    }

    /// The running thread's name.
    pub fn running(&self) -> String {
        let inner = self.inner();
        inner.threads.get(inner.running).map(|turns| turns.name.clone()).unwrap_or_default()
    }

    /// Waits until `raised` is no more what was `seen`, or until a time has passed.
    pub fn wait(&self, raised: Option<(Arc<AtomicU64>, u64)>, length: Option<Duration>) {
        let until_ns = length.map(|length| self.now_ns().saturating_add(nanos(length)));
        self.switch(Doing::Waiting { raised, until_ns });
    }

    /// Lets others go first, once in `of` times.
    pub fn give_way(&self, of: usize) {
        let yields = self.inner().random.once_in(of);
        if yields {
            self.switch(Doing::Ready);
        }
    }

    /// Starts a thread that takes turns with the others.
    pub fn start(
        self: &Arc<Self>,
        name: &str,
        body: Box<dyn FnOnce() + Send>,
    ) -> std::io::Result<JoinHandle<()>> {
        let baton = Arc::new(Baton::default());
        let index = {
            let mut inner = self.inner();
            let turns = Turns { name: name.into(), os: None, doing: Doing::Ready, baton: Arc::clone(&baton) };
            inner.threads.push(turns);
            inner.threads.len() - 1
        };
        let scheduler = Arc::clone(self);
        let spawned = std::thread::Builder::new().name(name.into()).stack_size(512 << 10).spawn(move || {
            baton.await_it();
            let _end = End { scheduler, index };
            body();
        });
        let mut inner = self.inner();
        match (&spawned, inner.threads.get_mut(index)) {
            (Ok(handle), Some(turns)) => turns.os = Some(handle.thread().id()),
            (Err(_), Some(turns)) => turns.doing = Doing::Ended,
            (_, None) => {}
        }
        drop(inner);
        spawned
    }

    /// Waits for the end of a thread started here; false when it had panicked.
    pub fn join(&self, thread: JoinHandle<()>) -> bool {
        let id = thread.thread().id();
        let index = self.inner().threads.iter().position(|turns| turns.os == Some(id));
        if let Some(index) = index {
            self.switch(Doing::Joining(index));
        }
        thread.join().is_ok()
    }

    fn switch(&self, doing: Doing) {
        if let Some(hook) = self.hook.get() {
            hook();
        }
        let mut inner = self.inner();
        // A thread that was not started here does its waiting in the name of the one that waits for it.
        let own = inner.running;
        let Some(turns) = inner.threads.get_mut(own) else { return };
        turns.doing = doing;
        let baton = Arc::clone(&turns.baton);
        let Some(next) = self.next(&mut inner) else {
            let told = inner.table(self.now());
            drop(inner);
            return self.tell_stuck(&told);
        };
        let passed = inner.threads.get(next).map(|turns| Arc::clone(&turns.baton));
        drop(inner);
        if next != own {
            if let Some(passed) = passed {
                passed.pass();
            }
            baton.await_it();
        }
    }

    /// Picks who goes on and marks it running; lets time pass when nobody is ready.
    fn next(&self, inner: &mut Inner) -> Option<usize> {
        inner.switches += 1;
        if inner.goes_in_circles(self.now()) {
            return None;
        }
        let mut ready = inner.ready(self.now_ns());
        if ready.is_empty() {
            let earliest = inner.threads.iter().filter_map(|turns| match turns.doing {
                Doing::Waiting { until_ns, .. } => until_ns,
                _ => None,
            });
            let at_ns = earliest.min()?;
            self.now_ns.fetch_max(at_ns, Ordering::Relaxed);
            ready = inner.ready(self.now_ns());
        }
        let next = *inner.random.pick(&ready)?;
        inner.threads.get_mut(next)?.doing = Doing::Running;
        inner.running = next;
        Some(next)
    }

    fn end(&self, index: usize) {
        if let Some(hook) = self.hook.get() {
            hook();
        }
        let mut inner = self.inner();
        if let Some(turns) = inner.threads.get_mut(index) {
            turns.doing = Doing::Ended;
        }
        match self.next(&mut inner) {
            Some(next) => {
                if let Some(turns) = inner.threads.get(next) {
                    turns.baton.pass();
                }
            }
            None => {
                let told = inner.table(self.now());
                drop(inner);
                self.tell_stuck(&told);
            }
        }
    }

    fn tell_stuck(&self, told: &str) {
        if let Some(stuck) = self.stuck.get() {
            stuck(told);
        }
        // No turn will ever come again.
        loop {
            std::thread::park();
        }
    }
}

impl Inner {
    fn ready(&self, now_ns: u64) -> Vec<usize> {
        let is_ready = |turns: &Turns| match &turns.doing {
            Doing::Ready => true,
            Doing::Waiting { raised, until_ns } => {
                until_ns.is_some_and(|until_ns| until_ns <= now_ns)
                    || raised.as_ref().is_some_and(|(count, seen)| count.load(Ordering::Relaxed) != *seen)
            }
            Doing::Joining(other) => {
                self.threads.get(*other).is_none_or(|other| matches!(other.doing, Doing::Ended))
            }
            Doing::Running | Doing::Ended => false,
        };
        (0..).zip(&self.threads).filter(|(_, turns)| is_ready(turns)).map(|(index, _)| index).collect()
    }

    fn goes_in_circles(&self, now: Duration) -> bool {
        self.switches > SWITCHES_MAX + SWITCHES_PER_S_MAX * now.as_secs()
    }

    fn table(&self, now: Duration) -> String {
        let rows = self.threads.iter().map(|turns| {
            let doing = match &turns.doing {
                Doing::Running => "has the turn".to_string(),
                Doing::Ready => "is ready".to_string(),
                Doing::Waiting { until_ns: None, .. } => "waits for a signal, for ever".to_string(),
                Doing::Waiting { until_ns: Some(until_ns), .. } => {
                    format!("waits until {:.6} s", Duration::from_nanos(*until_ns).as_secs_f64())
                }
                Doing::Joining(other) => format!("waits for the end of thread {other}"),
                Doing::Ended => "has ended".to_string(),
            };
            format!("\n  {} {doing}", turns.name)
        });
        let circles = self.goes_in_circles(now);
        let what = if circles { "goes round in circles" } else { "stands still: nobody can ever go on" };
        format!("at {:.6} s the schedule {what}{}", now.as_secs_f64(), rows.collect::<String>())
    }
}

/// Gives the turn on when a thread ends, also by a panic.
struct End {
    scheduler: Arc<Scheduler>,
    index: usize,
}

impl Drop for End {
    fn drop(&mut self) {
        self.scheduler.end(self.index);
    }
}

/// A flag that several threads look at.
#[derive(Debug, Clone, Default)]
pub struct Flag(Arc<AtomicBool>);

impl Flag {
    /// Sets it.
    pub fn set(&self) {
        self.0.store(true, Ordering::SeqCst);
    }

    /// Whether it is set.
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }
}

fn nanos(length: Duration) -> u64 {
    u64::try_from(length.as_nanos()).unwrap_or(u64::MAX)
}
