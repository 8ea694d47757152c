use wattproof_scpi::{Call, ScpiError};

use super::setting::Span;

const DELAY: Span = Span { unit: "S", min: 0.0, max: 3_600.0, default: 0.0 };

/// Switches outputs off when the controller has been silent for too long. Only its own command feeds it.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Watchdog {
    /// 0 is never, s.
    delay_s: f64,
    fed_s: f64,
}

impl Watchdog {
    pub fn set(&mut self, call: &Call<'_>, now_s: f64) -> Result<(), ScpiError> {
        *self = Watchdog { delay_s: DELAY.take(call)?, fed_s: now_s };
        Ok(())
    }

    pub fn answer(&self, call: &mut Call<'_>) -> Result<(), ScpiError> {
        DELAY.answer(call, self.delay_s)
    }

    pub fn feed(&mut self, now_s: f64) {
        self.fed_s = now_s;
    }

    /// Whether it bites at `now_s`; it does so once, and has to be set again after that.
    pub fn bites(&mut self, now_s: f64) -> bool {
        let bites = self.delay_s > 0.0 && now_s - self.fed_s > self.delay_s;
        if bites {
            self.delay_s = 0.0;
        }
        bites
    }
}
