//! Gives the load time to cool before it gets more than it takes for ever, where the bench file says what that is.

use crate::stage::Stage;
use crate::{Event, RunError};

/// Level at which a source that rested is switched on again, before it rises in the guard's steps, V rms.
const QUIET_VRMS: f64 = 0.02;
/// Time that commands and answers around a capture take, s.
const AROUND_S: f64 = 0.5;

impl Stage {
    /// Sees to it that the load can take `level_vrms` for `seconds` on top of what a capture there takes, or for as much
    /// of it as it takes from cold; gives how long of `seconds` that is. The source is as it was afterwards, but may have
    /// been off meanwhile, and then plays quietly.
    pub fn rest_for(&mut self, level_vrms: f64, share: f64, seconds: f64) -> Result<f64, RunError> {
        if self.bench.file().load.duty().is_none() {
            return Ok(seconds);
        }
        let least_s = self.capture_s();
        let room_s = self.rest_load(level_vrms, share, least_s + seconds)?;
        if room_s >= least_s + seconds {
            return Ok(seconds);
        }
        // A tenth less than from cold, which would take for ever to reach.
        let shorter_s = (0.9 * room_s - least_s).min(seconds);
        if shorter_s >= 0.0 {
            self.rest_load(level_vrms, share, least_s + shorter_s)?;
            return Ok(shorter_s);
        }
        Err(RunError::Call(format!(
            "the load takes the power at {level_vrms:.4} V rms of the source for {room_s:.2} s from cold, and a capture takes {least_s:.2} s: capture fewer samples (digitizer(#{{ samples }})), or use a load that stands more (watts_continuous, seconds_at_max in [load])"
        )))
    }

    /// Sees to it that the load can take `level_vrms` for `seconds`; gives how long it can. The source is as it was
    /// afterwards, but may have been off meanwhile, and then plays quietly.
    pub fn rest_load(&mut self, level_vrms: f64, share: f64, seconds: f64) -> Result<f64, RunError> {
        let was_on = self.now.source_on;
        self.tell(&Event::Doing("giving the load time to cool, if it must"));
        let rested = self.bench.rest_load(level_vrms, share, seconds)?;
        if rested.rested_s > 0.0 {
            self.note_source_off();
            if was_on {
                self.set_level(QUIET_VRMS.min(level_vrms))?;
                self.switch_source(true)?;
            }
        }
        Ok(rested.room_s)
    }

    /// How long a level is on for a capture, s: settling, the record, and its way here.
    fn capture_s(&self) -> f64 {
        let file = self.bench.file();
        let settle_s = file.source.settle_ms as f64 / 1000.0;
        settle_s + self.took_s().unwrap_or_default().max(self.bench.record_s()) + AROUND_S
    }
}
