//! Waits for the load to cool before it gets more than it can take for ever: what can be foreseen is no trip.

use std::time::Duration;

use crate::{Bench, BenchError};

/// Longest wait at once, s; the guard is asked again after it.
const WAIT_S: f64 = 5.0;

/// What a rest came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rested {
    /// How long was waited with the source off, s; 0 when the load needed no rest.
    pub rested_s: f64,
    /// How long the level may be held from now on, s; less than was asked for when even a cold load can't take it.
    pub room_s: f64,
}

impl Bench {
    /// Sees to it that a level may be held for `seconds` for the load's sake: switches the source off and waits, if it
    /// must. `share` is the mean power of bursts over that of their loud part, 1 for a steady tone. Where even a cold
    /// load can't take it, nothing is waited for.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn rest_load(&self, level_vrms: f64, share: f64, seconds: f64) -> Result<Rested, BenchError> {
        let room_s = |bench: &Bench| bench.shared.guard().load_room_s(bench.now_s(), level_vrms, share);
        let begun_s = self.now_s();
        let mut off = false;
        loop {
            self.check_stop()?;
            let now_s = self.now_s();
            let cool_s = self.shared.guard().load_cool_s(now_s, level_vrms, share, seconds);
            let Some(cool_s) = cool_s else {
                let room_s = self.shared.guard().load_room_cold_s(level_vrms, share);
                return Ok(Rested { rested_s: 0.0, room_s });
            };
            if cool_s == 0.0 {
                let rested_s = if off { now_s - begun_s } else { 0.0 };
                // JSON knows no infinity.
                return Ok(Rested { rested_s, room_s: room_s(self).min(f64::MAX) });
            }
            if !off {
                self.source_off()?;
                off = true;
            }
            // A little more, so that the time it takes to go on is not missing.
            self.wait(Duration::from_secs_f64((cool_s + 0.05).min(WAIT_S)))?;
        }
    }
}
