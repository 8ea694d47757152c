use std::sync::{Mutex, MutexGuard, PoisonError};

use super::mix;
use super::record::{Plan, Record, RecordError, Running};
use crate::world::World;

/// Where a record is simulated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Compute {
    /// At once, on the caller's thread: for virtual time.
    Inline,
    /// On a thread of its own, while the time it covers passes: for wall time.
    Thread,
}

/// The amplifier and its surroundings as the instruments share them.
///
/// The lock is held for the slow physics only. A record is simulated on a copy of the world, so that the world
/// itself stays at the present: readings in the midst of a record are those of that moment, and a change in
/// the midst of a record shows in it from that moment on.
pub struct Stand {
    seed: u64,
    compute: Compute,
    channels: u32,
    state: Mutex<State>,
}

struct State {
    world: World,
    running: Option<Running>,
    records: u64,
}

impl Stand {
    /// Shares `world`.
    pub fn new(world: World, seed: u64, compute: Compute) -> Self {
        let channels = u32::try_from(world.spec().channels()).unwrap_or(u32::MAX);
        Self { seed, compute, channels, state: Mutex::new(State { world, running: None, records: 0 }) }
    }

    /// Channels of the amplifier.
    pub(crate) fn channels(&self) -> u32 {
        self.channels
    }

    /// Looks at the world as it is at `now_s`.
    pub fn look<R>(&self, now_s: f64, look: impl FnOnce(&World) -> R) -> R {
        let mut state = self.lock();
        state.world.advance(now_s);
        look(&state.world)
    }

    /// Changes the world at `now_s`.
    pub fn change<R>(&self, now_s: f64, change: impl FnOnce(&mut World) -> R) -> R {
        let mut state = self.lock();
        let State { world, running, .. } = &mut *state;
        world.advance(now_s);
        let result = change(world);
        if let Some(running) = running {
            running.changed(world);
        }
        result
    }

    /// Starts a record at `now_s`; one under way is given up. `plan.seed` is decided here.
    pub(crate) fn begin(&self, now_s: f64, mut plan: Plan) {
        let mut state = self.lock();
        state.world.advance(now_s);
        state.records += 1;
        plan.seed = mix(self.seed, 1_000 + state.records);
        state.running = Some(Running::start(&state.world, plan, self.compute));
    }

    /// Gives up the record under way.
    pub(crate) fn abort(&self) {
        self.lock().running = None;
    }

    /// When the record under way ends, s.
    pub(crate) fn ends_s(&self) -> Option<f64> {
        self.lock().running.as_ref().map(Running::end_s)
    }

    /// The record begun, once it is complete.
    pub(crate) fn collect(&self, now_s: f64) -> Option<Result<Record, RecordError>> {
        let mut state = self.lock();
        let done = state.running.take_if(|running| running.finished(now_s));
        drop(state);
        done.map(Running::assemble)
    }

    /// A panic elsewhere leaves at worst a half-made step of the slow states, which the next one mends.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl std::fmt::Debug for Stand {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Stand").field("seed", &self.seed).finish_non_exhaustive()
    }
}
