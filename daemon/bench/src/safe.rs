//! The safe state: source off first, then supply, load left connected, read back, measured. And the stop that
//! asks for it from any thread.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use serde::Serialize;
use wattproof_guard::{Output, State, TripCause};
use wattproof_link::Canceller;

use crate::Bench;
use crate::acquire::{acquire, acquisition};
use crate::open::{SUPPLY_OUTPUT, Shared};
use crate::operate::outputs;

/// Below this an output counts as dead when measured, V rms: far under the 30 V rms touch limit of IEC 61010-1
/// (from memory) and above any noise or offset.
const DEAD_VRMS: f64 = 1.0;
/// Below this a supply counts as off when measured, A.
const DEAD_A: f64 = 0.1;
/// Samples of the capture that looks whether the outputs are dead.
const DEAD_SAMPLES: usize = 1024;

/// The state the outputs were left in.
#[derive(Debug, Clone, Serialize)]
pub struct SafeReport {
    /// The source answered that it is off.
    pub source_off: bool,
    /// The supply answered that it is off.
    pub supply_off: bool,
    /// Supply current measured afterwards, A.
    pub supply_a: Option<f64>,
    /// Largest output voltage measured afterwards, V rms.
    pub out_vrms: Option<f64>,
    /// The guard's state afterwards.
    pub state: State,
    /// What could not be confirmed, and what a person must do.
    pub warnings: Vec<String>,
}

impl SafeReport {
    /// Whether everything was confirmed off.
    pub fn is_safe(&self) -> bool {
        self.source_off && self.supply_off && self.state != State::Alarm
    }
}

/// Stop flag, wake-up of waiters, and what interrupts blocked links.
pub(crate) struct StopState {
    stopped: AtomicBool,
    by: Mutex<Option<String>>,
    woken: Mutex<u64>,
    wake: Condvar,
    cancellers: Vec<Canceller>,
    report: Mutex<Option<SafeReport>>,
}

impl StopState {
    pub fn new(cancellers: Vec<Canceller>) -> Self {
        StopState {
            stopped: AtomicBool::new(false),
            by: Mutex::new(None),
            woken: Mutex::new(0),
            wake: Condvar::new(),
            cancellers,
            report: Mutex::new(None),
        }
    }

    pub fn stopped_by(&self) -> Option<String> {
        if !self.stopped.load(Ordering::Acquire) {
            return None;
        }
        let by = self.by.lock().unwrap_or_else(PoisonError::into_inner);
        Some(by.clone().unwrap_or_else(|| "an unknown hand".into()))
    }

    /// Wakes everybody who waits, so that they look at guard and stop flag.
    pub fn wake(&self) {
        *self.woken.lock().unwrap_or_else(PoisonError::into_inner) += 1;
        self.wake.notify_all();
    }

    /// For the bench's own threads, which must go on after a stop: waits for a time or until somebody wakes them.
    pub fn doze(&self, length: Duration) {
        let woken = self.woken.lock().unwrap_or_else(PoisonError::into_inner);
        let _woken = self.wake.wait_timeout(woken, length).unwrap_or_else(PoisonError::into_inner);
    }

    /// Waits for a time, or until something happens.
    pub fn wait(&self, length: Duration) {
        let until = Instant::now() + length;
        let mut woken = self.woken.lock().unwrap_or_else(PoisonError::into_inner);
        let seen = *woken;
        while *woken == seen && !self.stopped.load(Ordering::Acquire) {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            woken = self.wake.wait_timeout(woken, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }
}

/// Switches everything off from any thread, at once, whatever the script or the disk is doing.
#[derive(Clone)]
pub struct Stopper {
    state: Arc<StopState>,
}

impl Stopper {
    pub(crate) fn new(state: Arc<StopState>) -> Self {
        Stopper { state }
    }

    /// Asks for the safe state. Blocked exchanges are interrupted; the bench's safety thread does the rest.
    pub fn stop(&self, by: &str) {
        self.state.by.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert_with(|| by.to_string());
        if !self.state.stopped.swap(true, Ordering::AcqRel) {
            self.state.cancellers.iter().for_each(Canceller::cancel);
        }
        self.state.wake();
    }

    /// Whether somebody asked for the safe state.
    pub fn is_stopped(&self) -> bool {
        self.state.stopped.load(Ordering::Acquire)
    }
}

impl Bench {
    /// Trips the guard for `cause` (a stop wins over it) and makes everything safe; returns when that is done or
    /// can't be done.
    pub fn make_safe(&self, cause: TripCause) -> SafeReport {
        let cause = match self.shared.stop.stopped_by() {
            Some(by) => TripCause::Stop { by },
            None => cause,
        };
        self.shared.guard().fault(self.now_s(), cause);
        let mut report = safe_once(&self.shared);
        self.measure_dead(&mut report);
        report
    }

    /// Ends a healthy run: everything off, confirmed, measured, guard back to its safe state.
    pub fn finish(&self) -> SafeReport {
        if self.shared.guard().trip().is_some() || self.shared.stop.stopped_by().is_some() {
            return self.make_safe(TripCause::Run { what: "the run ended while tripping".into() });
        }
        let mut report = switch_off(&self.shared);
        self.measure_dead(&mut report);
        if let Err(refusal) = self.shared.guard().disarm(self.now_s()) {
            report.warnings.push(refusal.to_string());
        }
        report.state = self.state();
        report
    }

    /// Beyond what instruments say of themselves: is the output really dead, is the supply really drained?
    fn measure_dead(&self, report: &mut SafeReport) {
        let _turn = self.shared.capturing.lock().unwrap_or_else(PoisonError::into_inner);
        let actors = &self.shared.actors;
        match actors.supply.ask(|supply| supply.measure_a(SUPPLY_OUTPUT)) {
            Ok(Ok(amps_a)) => {
                report.supply_a = Some(amps_a);
                if !(amps_a < DEAD_A) {
                    report.warnings.push(format!(
                        "the supply still delivers {amps_a:.2} A after it was switched off: cut its mains"
                    ));
                }
            }
            Ok(Err(error)) => report.warnings.push(format!("supply current not measured after off: {error}")),
            Err(gone) => report.warnings.push(gone.to_string()),
        }
        let wanted = acquisition(&self.shared.file, DEAD_SAMPLES);
        match actors.digitizer.ask(move |digitizer| {
            digitizer.canceller().clear();
            acquire(digitizer, &wanted)
        }) {
            Ok(Ok(acquired)) => {
                let channels = self.to_amplifier(acquired);
                let readings = vec![wattproof_signal::Reading::default(); channels.len()];
                report.out_vrms = outputs(&channels, &readings).out_vrms;
                if report.out_vrms.is_some_and(|vrms| !(vrms < DEAD_VRMS)) {
                    report.warnings.push(format!(
                        "an amplifier output still carries {:.2} V rms after everything was switched off: do not touch it, cut the mains",
                        report.out_vrms.unwrap_or(f64::NAN)
                    ));
                }
            }
            Ok(Err(error)) => report.warnings.push(format!("outputs not measured after off: {error}")),
            Err(gone) => report.warnings.push(gone.to_string()),
        }
    }
}

/// Carries out a trip once; later callers get the same report.
pub(crate) fn safe_once(shared: &Shared) -> SafeReport {
    let mut kept = shared.stop.report.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(report) = kept.as_ref().filter(|report| report.is_safe()) {
        return report.clone();
    }
    let report = switch_off(shared);
    for warning in &report.warnings {
        tracing::error!("{warning}");
    }
    *kept = Some(report.clone());
    report
}

/// Source, then supply; each tried twice; load left connected.
fn switch_off(shared: &Shared) -> SafeReport {
    let mut report = SafeReport {
        source_off: false,
        supply_off: false,
        supply_a: None,
        out_vrms: None,
        state: State::Tripping,
        warnings: Vec::new(),
    };
    for output in Output::SAFE_ORDER {
        let outcome = off(shared, output).or_else(|_| off(shared, output));
        shared.guard().confirm(shared.clock.now_s(), output, outcome.is_ok());
        match output {
            Output::Source => report.source_off = outcome.is_ok(),
            Output::Supply => report.supply_off = outcome.is_ok(),
        }
        if let Err(error) = outcome {
            report.warnings.push(format!(
                "ALARM: the {output} was not confirmed off ({error}): switch it off by hand, at its mains"
            ));
        }
    }
    *shared.level_vrms.lock().unwrap_or_else(PoisonError::into_inner) = 0.0;
    let mut guard = shared.guard();
    guard.tick(shared.clock.now_s());
    report.state = guard.state();
    report
}

fn off(shared: &Shared, output: Output) -> Result<(), String> {
    // A link is released on the instrument's own thread, after whatever was interrupted there has ended.
    let asked = match output {
        Output::Source => shared.actors.source.ask(|source| {
            source.canceller().clear();
            source.safe_off()
        }),
        Output::Supply => shared.actors.supply.ask(|supply| {
            supply.canceller().clear();
            supply.safe_off()
        }),
    };
    asked.map_err(|gone| gone.to_string())?.map_err(|error| error.to_string())
}
