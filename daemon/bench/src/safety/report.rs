//! The state the outputs were left in, as far as it could be confirmed.

use serde::Serialize;
use wattproof_guard::State;

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
    /// A measurement contradicts the instruments: current or voltage is still there.
    pub measured_live: bool,
    /// The contactor did not open.
    pub contactor_closed: bool,
    /// The guard's state afterwards.
    pub state: State,
    /// What could not be confirmed, and what a person must do.
    pub warnings: Vec<String>,
}

impl SafeReport {
    /// Nothing confirmed yet.
    pub(crate) fn unknown() -> Self {
        SafeReport {
            source_off: false,
            supply_off: false,
            supply_a: None,
            out_vrms: None,
            measured_live: false,
            contactor_closed: false,
            state: State::Tripping,
            warnings: Vec::new(),
        }
    }

    /// Whether everything was confirmed off, and nothing measured contradicts it.
    pub fn is_safe(&self) -> bool {
        self.source_off
            && self.supply_off
            && !self.measured_live
            && !self.contactor_closed
            && self.state != State::Alarm
    }
}
