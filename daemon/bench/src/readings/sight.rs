//! What a person who watches is told of an open bench: the guard's state, whether an output may be live, and the last
//! values of supply and heatsink. Looking changes nothing, asks no instrument and holds the guard for a moment only.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Weak};

use serde::{Deserialize, Serialize};
use wattproof_guard::{Belief, Output, SafetyReading, State};

use crate::shared::Shared;

/// Whether an output of source or supply may be live.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outputs {
    /// Both were read back off.
    Off,
    /// At least one was switched on.
    Live,
    /// At least one is not known: it counts as live.
    Unknown,
}

/// A bench at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sight {
    /// State of the guard.
    pub guard: State,
    /// Whether an output may be live.
    pub outputs: Outputs,
    /// Supply voltage as last measured, V.
    pub supply_v: Option<f64>,
    /// Supply current as last measured, A.
    pub supply_a: Option<f64>,
    /// Heatsink as last measured, °C.
    pub heatsink_c: Option<f64>,
}

/// Looks at a bench for as long as it is open, and keeps nothing open itself.
#[derive(Clone)]
pub struct Sights(Weak<Shared>);

impl Sights {
    pub(crate) fn of(shared: &Arc<Shared>) -> Self {
        Sights(Arc::downgrade(shared))
    }

    /// The bench now; None once it is closed.
    pub fn look(&self) -> Option<Sight> {
        let shared = self.0.upgrade()?;
        let guard = shared.guard();
        let beliefs = [guard.belief(Output::Source), guard.belief(Output::Supply)];
        let (state, latest) = (guard.state(), &shared.latest);
        let outputs = if beliefs.contains(&Belief::Unknown) {
            Outputs::Unknown
        } else if beliefs.iter().any(|belief| belief.may_be_live()) {
            Outputs::Live
        } else {
            Outputs::Off
        };
        Some(Sight {
            guard: state,
            outputs,
            supply_v: latest.supply_v.get(),
            supply_a: latest.supply_a.get(),
            heatsink_c: latest.heatsink_c.get(),
        })
    }
}

/// The last values that the guard was told.
#[derive(Default)]
pub(crate) struct Latest {
    supply_v: Value,
    supply_a: Value,
    heatsink_c: Value,
}

impl Latest {
    /// Keeps what a reading says.
    pub fn keep(&self, reading: &SafetyReading) {
        self.supply_v.set(reading.supply_v);
        self.supply_a.set(reading.supply_a);
        self.heatsink_c.set(reading.heatsink_c);
    }
}

/// A finite number, or none yet, that is read and written without waiting.
struct Value(AtomicU64);

impl Default for Value {
    fn default() -> Self {
        Value(AtomicU64::new(f64::NAN.to_bits()))
    }
}

impl Value {
    /// What a reading does not hold stays as it was.
    fn set(&self, value: Option<f64>) {
        if let Some(value) = value {
            self.0.store(value.to_bits(), Ordering::Relaxed);
        }
    }

    fn get(&self) -> Option<f64> {
        Some(f64::from_bits(self.0.load(Ordering::Relaxed))).filter(|value| value.is_finite())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_stay_until_a_reading_holds_another() {
        let latest = Latest::default();
        assert_eq!(latest.supply_v.get(), None, "nothing was measured yet");
        latest.keep(&SafetyReading { supply_v: Some(14.4), ..SafetyReading::default() });
        latest.keep(&SafetyReading { heatsink_c: Some(31.5), ..SafetyReading::default() });
        assert_eq!((latest.supply_v.get(), latest.heatsink_c.get()), (Some(14.4), Some(31.5)));
        latest.keep(&SafetyReading { supply_v: Some(f64::NAN), ..SafetyReading::default() });
        assert_eq!(latest.supply_v.get(), None, "what is no number is not shown as one");
    }
}
