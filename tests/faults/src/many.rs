//! Many schedules at once, each on its own, and what came of them together.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use crate::fault::{CATALOGUE, Kind};
use crate::fired::Fired;
use crate::gaps;
use crate::schedule::{Report, play};

/// In so many schedules every fault of the simulator strikes.
pub const ALL_STRIKE: u64 = 3_000;

/// What came of many schedules.
#[derive(Debug, Default)]
pub struct Summary {
    /// Schedules played.
    pub played: u64,
    /// Schedules in which an invariant was broken, and that no known gap explains.
    pub failed: Vec<Report>,
    /// Known gaps met: how often, and the first seed.
    pub gaps: BTreeMap<&'static str, (u64, u64)>,
    /// Schedules that could not be played, and why.
    pub unplayable: Vec<(u64, String)>,
    /// How often each fault struck, by instrument and state.
    pub fired: BTreeMap<Fired, u64>,
    /// How often each script was played.
    pub scripts: BTreeMap<&'static str, u64>,
    /// Virtual time of all, s.
    pub virtual_s: f64,
    /// Changes of turn in all.
    pub switches: u64,
    /// Wall time.
    pub took: Duration,
}

/// Plays `count` seeds from `first` on `jobs` threads. `progress` is told now and then how many are done and failed.
pub fn play_many(first: u64, count: u64, jobs: usize, progress: &(dyn Fn(u64, usize) + Sync)) -> Summary {
    let began = Instant::now();
    let next = AtomicU64::new(0);
    let summary = Mutex::new(Summary::default());
    std::thread::scope(|scope| {
        for _ in 0..jobs.max(1) {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    if index >= count {
                        return;
                    }
                    let outcome = play(first + index);
                    let mut summary = summary.lock().unwrap_or_else(PoisonError::into_inner);
                    summary.played += 1;
                    match outcome {
                        Ok(report) => summary.add(report),
                        Err(error) => summary.unplayable.push((first + index, error.to_string())),
                    }
                    if summary.played.is_multiple_of(100) {
                        progress(summary.played, summary.failed.len());
                    }
                }
            });
        }
    });
    let mut summary = summary.into_inner().unwrap_or_else(PoisonError::into_inner);
    summary.failed.sort_by_key(|report| report.seed);
    summary.took = began.elapsed();
    summary
}

impl Summary {
    fn add(&mut self, report: Report) {
        self.virtual_s += report.length_s;
        self.switches += report.switches;
        *self.scripts.entry(report.script).or_default() += 1;
        for fired in &report.fired {
            *self.fired.entry(fired.clone()).or_default() += 1;
        }
        let mut unexplained = false;
        for violation in &report.violations {
            match gaps::explains(violation, &report) {
                Some(gap) => {
                    let (count, seed) = self.gaps.entry(gap).or_insert((0, report.seed));
                    *count += 1;
                    *seed = (*seed).min(report.seed);
                }
                None => unexplained = true,
            }
        }
        // The first ones are enough to work on; the rest is counted by its seeds.
        if unexplained {
            let events = if self.failed.len() < 20 { report.events.clone() } else { Vec::new() };
            self.failed.push(Report { events, ..report });
        }
    }

    /// Whether every schedule was played and broke nothing beyond the known gaps.
    pub fn is_clean(&self) -> bool {
        self.failed.is_empty() && self.unplayable.is_empty()
    }

    /// Faults that struck nowhere: in [`ALL_STRIKE`] schedules there are none.
    pub fn never_struck(&self) -> Vec<String> {
        let struck = |kind: Kind| self.fired.keys().any(|fired| fired.kind == kind);
        let missing = CATALOGUE.iter().filter(|(kind, _)| !struck(*kind));
        missing.map(|(kind, number)| format!("[{number}] {kind:?}")).collect()
    }

    /// Schedules a minute.
    pub fn per_minute(&self) -> f64 {
        self.played as f64 / self.took.as_secs_f64().max(1e-9) * 60.0
    }

    /// What a person reads at the end.
    pub fn told(&self) -> String {
        let mut text = format!(
            "{} schedules in {:.1} s ({:.0} a minute), {:.0} s of bench time, {:.0} changes of turn each\n",
            self.played,
            self.took.as_secs_f64(),
            self.per_minute(),
            self.virtual_s,
            self.switches as f64 / self.played.max(1) as f64
        );
        text.push_str(&self.fired_table());
        let scripts: Vec<String> =
            self.scripts.iter().map(|(script, count)| format!("{script} {count}")).collect();
        text.push_str(&format!("scripts: {}\n", scripts.join(", ")));
        for (gap, (count, seed)) in &self.gaps {
            text.push_str(&format!("KNOWN GAP met {count} times (first by seed {seed}): {gap}\n"));
        }
        for (seed, why) in &self.unplayable {
            text.push_str(&format!("seed {seed} could not be played: {why}\n"));
        }
        let failed = self.failed.len();
        text.push_str(&format!("{} of {} schedules broke an invariant\n", failed, self.played));
        text
    }

    /// Faults by catalogue number, and the states they struck in.
    fn fired_table(&self) -> String {
        let mut text = String::from("fault                       struck  in state\n");
        for (kind, number) in CATALOGUE {
            let mut states: BTreeMap<String, u64> = BTreeMap::new();
            for (fired, count) in self.fired.iter().filter(|(fired, _)| fired.kind == kind) {
                *states.entry(format!("{:?}", fired.standing)).or_default() += count;
            }
            let all: u64 = states.values().sum();
            let states: Vec<String> =
                states.iter().map(|(state, count)| format!("{state} {count}")).collect();
            text.push_str(&format!(
                "[{number:2}] {:20} {all:8}  {}\n",
                format!("{kind:?}"),
                states.join(", ")
            ));
        }
        text
    }
}
