//! The heart: a thread that feeds the guardian while the safety loop lives, and answers its loss with a trip.
//!
//! Heartbeats come from the signs of life that the safety loop gives after it has found every reading young enough,
//! never from this thread's own life; none go out in ALARM, so that the guardian then tries OFF by its own way.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use wattproof_guard::{Output, State, TripCause};
use wattproof_guardian::{Guardian, GuardianProgram, Lost, PortOrder, Timing};
use wattproof_instruments::{Source, Supply};

use crate::safety::precedence::go_ahead;
use crate::shared::Shared;
use crate::{BenchError, ContactorLine};

/// How often the guardian hears from the daemon.
const BEAT: Duration = Duration::from_millis(50);

/// How long a trip may take to be noted before it is told all the same: much less than the guardian's patience.
const NOTED_WITHIN: Duration = Duration::from_millis(20);

/// What answers when this process can't.
#[derive(Default)]
pub struct Safeguards {
    /// The guardian's program; without one nobody answers a crash.
    pub guardian: Option<GuardianProgram>,
    /// A contactor in place of the one that the bench file names, as in tests.
    pub contactor: Option<Box<dyn ContactorLine>>,
}

/// Starts a guardian that can switch source and supply off. None when no program is named, or when both live inside
/// this process and die with it.
pub(crate) fn guardian(
    program: Option<&GuardianProgram>,
    source: &Source,
    supply: &Supply,
) -> Result<Option<Guardian>, BenchError> {
    let Some(program) = program else { return Ok(None) };
    let rendered = |off: Result<Vec<u8>, _>| off.map_err(|error| BenchError::Instrument(Box::new(error)));
    let (source_off, supply_off) = (rendered(source.off_bytes())?, rendered(supply.off_bytes())?);
    let links = [source.instrument(), supply.instrument()].map(|one| one.session().link().descriptor());
    let ports: Vec<PortOrder<'_>> = links
        .into_iter()
        .zip([source_off, supply_off])
        .filter_map(|(descriptor, off)| Some(PortOrder { descriptor: descriptor?, off }))
        .collect();
    if ports.is_empty() {
        return Ok(None);
    }
    let guardian = Guardian::start(program, &ports, Timing::default())
        .map_err(|error| BenchError::Setup(error.to_string()))?;
    tracing::info!(process = guardian.process(), notes = ?guardian.notes(), "the guardian watches");
    Ok(Some(guardian))
}

/// Whether somebody outside watches.
#[derive(Debug, Default)]
pub(crate) struct Watched {
    lost: Mutex<Option<Lost>>,
}

impl Watched {
    /// Refuses to arm without the guardian that the bench was opened with.
    pub fn check(&self) -> Result<(), BenchError> {
        match *self.lost.lock().unwrap_or_else(PoisonError::into_inner) {
            Some(lost) => Err(BenchError::Setup(format!("{lost}; start again before anything is armed"))),
            None => Ok(()),
        }
    }

    fn note(&self, lost: Lost) {
        *self.lost.lock().unwrap_or_else(PoisonError::into_inner) = Some(lost);
    }
}

/// The thread; dropping it, after the safety thread has ended, lets the guardian go if everything is off.
pub(crate) struct Heart {
    shared: Arc<Shared>,
    ending: Arc<AtomicBool>,
    thread: Option<JoinHandle<Option<Guardian>>>,
    contactor: Option<JoinHandle<()>>,
}

/// Starts the thread, if there is a guardian to be fed.
pub(crate) fn start(shared: &Arc<Shared>, guardian: Option<Guardian>) -> std::io::Result<Heart> {
    let ending = Arc::new(AtomicBool::new(false));
    let (weak, ends) = (Arc::downgrade(shared), Arc::clone(&ending));
    let thread = guardian.map(|guardian| {
        std::thread::Builder::new().name("heart".into()).spawn(move || {
            go_ahead();
            tend_guardian(guardian, &weak, &ends)
        })
    });
    let contactor = shared.contactor.exists().then(|| {
        let (weak, ends) = (Arc::downgrade(shared), Arc::clone(&ending));
        std::thread::Builder::new().name("contactor".into()).spawn(move || {
            while !ends.load(Ordering::Acquire) {
                std::thread::sleep(BEAT);
                let Some(shared) = weak.upgrade() else { return };
                tend_contactor(&shared);
            }
        })
    });
    let contactor = contactor.transpose()?;
    Ok(Heart { shared: Arc::clone(shared), ending, thread: thread.transpose()?, contactor })
}

fn tend_guardian(guardian: Guardian, weak: &Weak<Shared>, ends: &AtomicBool) -> Option<Guardian> {
    let mut guardian = Some(guardian);
    let mut next = Instant::now();
    while !ends.load(Ordering::Acquire) {
        let patience = next.saturating_duration_since(Instant::now());
        let heard = match &mut guardian {
            Some(guardian) => guardian.hear(patience),
            None => {
                std::thread::sleep(patience);
                Ok(())
            }
        };
        let Some(shared) = weak.upgrade() else { break };
        if let Err(lost) = heard {
            answer(&shared, &mut guardian, lost);
        }
        if Instant::now() >= next {
            next = Instant::now() + BEAT;
            beat(&shared, guardian.as_mut());
        }
    }
    guardian
}

fn beat(shared: &Shared, guardian: Option<&mut Guardian>) {
    let state = {
        let mut guard = shared.guard();
        guard.tick(shared.clock.now_s());
        guard.state()
    };
    if let Some(guardian) = guardian.filter(|_| state != State::Alarm && shared.pulse.beats()) {
        guardian.beat();
    }
}

/// Lets the contactor go in ALARM, and trips when it opens by itself. A thread of its own: a line behind a USB adapter
/// may keep its caller waiting.
fn tend_contactor(shared: &Shared) {
    if shared.guard().state() == State::Alarm {
        if let Err(why) = shared.contactor.release() {
            tracing::error!("{why}");
        }
    } else if let Err(what) = shared.contactor.look() {
        trip(shared, what);
    }
}

/// A guardian that fired made every belief void; one that is gone leaves nobody to answer a crash.
fn answer(shared: &Shared, guardian: &mut Option<Guardian>, lost: Lost) {
    trip(shared, lost.to_string());
    let mut guard = shared.guard();
    if matches!(guard.state(), State::Tripping | State::Alarm) {
        for output in Output::SAFE_ORDER {
            guard.confirm(shared.clock.now_s(), output, false);
        }
    }
    drop(guard);
    shared.stop.wake();
    match lost {
        Lost::Fired(_) => {
            if let Some(guardian) = guardian {
                guardian.seen();
            }
        }
        Lost::Gone | Lost::Silent => {
            shared.watched.note(lost);
            // Whatever is left of it does the one thing it can.
            if let Some(guardian) = guardian.take() {
                drop(guardian);
            }
        }
    }
}

/// Trips first, then tells, once a restart would know it too: a person who has read of a trip must find it again.
fn trip(shared: &Shared, what: String) {
    shared.guard().fault(shared.clock.now_s(), TripCause::Run { what: what.clone() });
    shared.stop.wake();
    shared.latch.noted(NOTED_WITHIN);
    tracing::error!("{what}");
}

impl Drop for Heart {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::Release);
        let guardian = self.thread.take().and_then(|thread| {
            thread.join().unwrap_or_else(|_| {
                tracing::error!("the heart's thread had panicked");
                None
            })
        });
        if self.contactor.take().is_some_and(|thread| thread.join().is_err()) {
            tracing::error!("the contactor's thread had panicked");
        }
        if let Err(why) = self.shared.contactor.release() {
            tracing::error!("{why}");
        }
        let Some(guardian) = guardian else { return };
        let all_off = matches!(self.shared.guard().state(), State::Safe | State::Tripped);
        if all_off { guardian.dismiss() } else { guardian.leave() }
    }
}
