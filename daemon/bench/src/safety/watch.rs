//! The bench's own threads: one carries out every trip whatever the script does, one keeps safety readings fresh, one
//! for each further temperature does the same for that, and one, which never waits for an instrument, keeps the guard's
//! time.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Weak};
use std::thread::JoinHandle;
use std::time::Duration;

use wattproof_guard::{State, TripCause};

use crate::readings::temperatures::keep_fresh;
use crate::safety::off::safe_once;
use crate::safety::unasked::{feed, look};
use crate::shared::Shared;
use crate::wire::failed::{failed, gone};

/// How often time is judged while nothing wakes the safety thread.
const TICK: Duration = Duration::from_millis(50);

/// The threads; dropping them ends them, after making everything safe.
pub(crate) struct Threads {
    shared: Arc<Shared>,
    ending: Arc<AtomicBool>,
    handles: Vec<JoinHandle<()>>,
}

/// Starts all of them.
pub(crate) fn start(shared: &Arc<Shared>) -> std::io::Result<Threads> {
    let ending = Arc::new(AtomicBool::new(false));
    let spawn = |name: &str, body: Box<dyn Fn(&Shared) + Send>| {
        let (weak, ending): (Weak<Shared>, _) = (Arc::downgrade(shared), Arc::clone(&ending));
        let body = move || {
            while !ending.load(Ordering::Acquire) {
                let Some(shared) = weak.upgrade() else { return };
                body(&shared);
            }
        };
        shared.clock.start_ahead(name, Box::new(body))
    };
    let mut handles = vec![
        spawn("safety", Box::new(guard_over))?,
        spawn("freshness", Box::new(refresh))?,
        spawn("deadlines", Box::new(keep_time))?,
    ];
    // One each: an instrument that is busy holds up its own alone.
    for index in 0..shared.file.temperature.len() {
        handles.push(spawn("temperature", Box::new(move |shared| keep_fresh(shared, index)))?);
    }
    Ok(Threads { shared: Arc::clone(shared), ending, handles })
}

fn guard_over(shared: &Shared) {
    let seen = shared.stop.seen();
    let now_s = shared.clock.now_s();
    let needs_off = {
        let mut guard = shared.guard();
        if let Some(by) = shared.stop.stopped_by() {
            guard.fault(now_s, TripCause::Stop { by });
        }
        guard.tick(now_s);
        guard.needs_off()
    };
    shared.pulse.turn();
    if needs_off {
        let report = safe_once(shared);
        if !report.is_safe() {
            // An unconfirmed OFF is tried again, with silence between for instruments that have a watchdog.
            shared.clock.sleep(shared.silence());
        }
    }
    shared.stop.doze(seen, TICK);
}

/// An instrument that dribbles its answer to an OFF may hold both other threads up for longer than the alarm can wait.
fn keep_time(shared: &Shared) {
    shared.clock.sleep(TICK);
    if shared.guard().tick(shared.clock.now_s()).is_some() {
        shared.stop.wake();
    }
}

/// A third of the age the guard tolerates, so that one slow answer is no trip.
fn refresh(shared: &Shared) {
    let age_s = shared.guard().limits().reading_age_s_max;
    shared.stop.doze(shared.stop.seen(), Duration::from_secs_f64((age_s / 3.0).clamp(0.02, 10.0)));
    if shared.guard().state() != State::Running {
        return;
    }
    let (heatsink, supply) = (shared.begin_heatsink_c(), shared.begin_supply_a());
    let (supply, heatsink) = match (supply.wait(), heatsink.wait()) {
        (Ok(supply), Ok(heatsink)) => (supply, heatsink),
        (Err(error), _) | (_, Err(error)) => return gone(shared, &error),
    };
    match (supply, heatsink) {
        (Ok(_), Ok(_)) => {
            if shared.guard().trip().is_some() {
                return;
            }
            look(shared);
            feed(shared);
        }
        (Err(error), _) | (_, Err(error)) => failed(shared, &error),
    }
}

impl Drop for Threads {
    fn drop(&mut self) {
        let live = matches!(self.shared.guard().state(), State::Armed | State::Running);
        if live {
            let what = "the bench was closed while it was armed".to_string();
            self.shared.guard().fault(self.shared.clock.now_s(), TripCause::Run { what });
            safe_once(&self.shared);
        }
        // Nobody is left to try again once the bench is closed: it ends off, or with an alarm.
        while self.shared.guard().state() == State::Tripping {
            if !safe_once(&self.shared).is_safe() {
                self.shared.clock.sleep(self.shared.silence());
            }
        }
        self.ending.store(true, Ordering::Release);
        self.shared.stop.wake();
        for handle in self.handles.drain(..) {
            if !self.shared.clock.join(handle) {
                tracing::error!("a bench thread had panicked");
            }
        }
    }
}
