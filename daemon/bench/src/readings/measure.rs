//! Supply and heatsink, measured and judged on their instruments' own threads: what is beyond a limit trips the moment it
//! is read, before the instrument is asked whether it has errors to report, and whatever the thread that asked for the value
//! waits for meanwhile.

use std::sync::{Arc, Weak};

use wattproof_guard::SafetyReading;
use wattproof_instruments::InstrumentError;

use crate::clock::Clock;
use crate::shared::{SUPPLY_OUTPUT, Shared};
use crate::wire::actor::Pending;
use crate::wire::taken::Timed;

/// A value that the guard has judged, or its instrument's failure, which it has not.
pub(crate) type Measured<T = Timed<f64>> = Result<T, InstrumentError>;

impl Shared {
    /// Measures the heatsink, °C.
    pub fn begin_heatsink_c(&self) -> Pending<Measured> {
        let (judge, channel) = (self.judge(heatsink), self.file.thermometer.channel);
        self.actors
            .thermometer
            .begin(move |meter| judge.measured(|told| meter.measure_c_telling(channel, told)))
    }

    /// Measures the supply's current, A.
    pub fn begin_supply_a(&self) -> Pending<Measured> {
        let judge = self.judge(current);
        self.actors
            .supply
            .begin(move |supply| judge.measured(|told| supply.measure_a_telling(SUPPLY_OUTPUT, told)))
    }

    /// Measures the supply's voltage, V, then its current, A.
    pub fn begin_supply_va(&self) -> Pending<Measured<(Timed<f64>, Timed<f64>)>> {
        let (volts, amps) = (self.judge(voltage), self.judge(current));
        self.actors.supply.begin(move |supply| {
            Ok((
                volts.measured(|told| supply.measure_v_telling(SUPPLY_OUTPUT, told))?,
                amps.measured(|told| supply.measure_a_telling(SUPPLY_OUTPUT, told))?,
            ))
        })
    }

    fn judge(&self, quantity: fn(f64) -> SafetyReading) -> Judge {
        Judge { shared: self.me.clone(), clock: Arc::clone(&self.clock), quantity }
    }
}

fn heatsink(heatsink_c: f64) -> SafetyReading {
    SafetyReading { heatsink_c: Some(heatsink_c), ..SafetyReading::default() }
}

fn voltage(supply_v: f64) -> SafetyReading {
    SafetyReading { supply_v: Some(supply_v), ..SafetyReading::default() }
}

fn current(supply_a: f64) -> SafetyReading {
    SafetyReading { supply_a: Some(supply_a), ..SafetyReading::default() }
}

/// What hears a value the moment it is read.
type Told = Box<dyn FnOnce(f64)>;

/// Has the guard judge a value where it is read. A bench that is closed has no guard left to ask.
struct Judge {
    shared: Weak<Shared>,
    clock: Arc<dyn Clock>,
    quantity: fn(f64) -> SafetyReading,
}

impl Judge {
    fn measured(self, measure: impl FnOnce(Told) -> Result<f64, InstrumentError>) -> Measured {
        let Judge { shared, clock, quantity } = self;
        let (at, from_s) = (Arc::clone(&clock), clock.now_s());
        let told = move |value| {
            let Some(shared) = shared.upgrade() else { return };
            let reading = SafetyReading { asked_s: Some(from_s), ..quantity(value) };
            if shared.guard().observe(clock.now_s(), &reading).is_some() {
                shared.stop.wake();
            }
        };
        Timed::by(&*at, || measure(Box::new(told)))
    }
}
