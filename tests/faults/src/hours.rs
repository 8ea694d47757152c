//! Many hours of one healthy run in one daemon: does what it holds of the machine stay level?
//!
//! The run's files go to the real disk, as in life, so that what the process holds is the daemon's and the simulated
//! bench's alone.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use wattproof_runs::{Event, Watcher};

use crate::healthy::{ending, order};
use crate::schedule::{Unplayable, open, stand_up};
use crate::setup;
use crate::site::Site;

/// From one capture to the next, s.
const PAUSE_S: f64 = 20.0;
/// Seconds of an hour.
const HOUR_S: f64 = 3600.0;

/// What the process held at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Held {
    /// Bench time, s.
    pub at_s: f64,
    /// Steps recorded so far.
    pub steps: u64,
    /// Resident memory, KiB.
    pub resident_kib: u64,
    /// Open descriptors.
    pub descriptors: usize,
}

/// What came of it.
#[derive(Debug)]
pub struct Hours {
    /// After the first step, then once in every `every_h`.
    pub held: Vec<Held>,
    /// How the run ended.
    pub ended: String,
    /// Whether it finished by itself, with everything off.
    pub finished: bool,
    /// Broken invariants.
    pub violations: Vec<String>,
}

/// Lives through so many hours of one run; looks at the process every `every_h` of them. `results`: an empty folder.
///
/// # Errors
/// [`Unplayable`].
pub fn live_through(hours: f64, every_h: f64, results: PathBuf) -> Result<Hours, Unplayable> {
    let site = stand_up(1, &[])?;
    site.log().forget();
    let daemon = site.boots();
    let bench = Arc::new(open(&site, daemon, None).map_err(|error| Unplayable(error.to_string()))?);
    site.opened(&bench);
    let count = (hours * HOUR_S / PAUSE_S).ceil() as u64;
    let text = format!("for n in 0..{count} {{ sleep({PAUSE_S:.1}); capture(); }}");
    let order = order("hours", setup::whole_script(&text), results);
    let looking = Arc::new(Looking { site: Arc::clone(&site), every_h, held: Mutex::default() });
    let summary = wattproof_runs::run(&bench, &order, Arc::clone(&looking) as Arc<dyn Watcher>);
    let (ended, finished) = ending(&summary);
    drop(summary);
    drop(bench);
    site.closed();
    site.end();
    // Whether an intent was on the disk in time (13) is judged on the simulated disk alone.
    let violations = site.checker().violations().to_vec().into_iter().filter(|one| one.invariant != 13);
    let violations = violations.map(|one| one.to_string()).collect();
    let held = looking.held.lock().unwrap_or_else(PoisonError::into_inner).clone();
    Ok(Hours { held, ended, finished, violations })
}

struct Looking {
    site: Arc<Site>,
    every_h: f64,
    held: Mutex<Vec<Held>>,
}

impl Watcher for Looking {
    fn tell(&self, event: &Event<'_>) {
        let Event::Stepped(step) = event else { return };
        let at_s = self.site.scheduler.now_s();
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        let due = held.last().is_none_or(|last| at_s - last.at_s >= self.every_h * HOUR_S);
        if let Some((resident_kib, descriptors)) = process().filter(|_| due) {
            held.push(Held { at_s, steps: step.step, resident_kib, descriptors });
        }
    }
}

/// Resident memory of this process, KiB, and its open descriptors (proc(5)).
fn process() -> Option<(u64, usize)> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kib = line.trim().trim_end_matches("kB").trim().parse().ok()?;
    // The listing itself holds one.
    Some((kib, std::fs::read_dir("/proc/self/fd").ok()?.count().saturating_sub(1)))
}
