use std::sync::Arc;

use wattproof_scpi::{Command, Instrument, ScpiError};

use super::celsius::answer_celsius;
use super::device::Device;
use super::setting::{OPERATION_SETTLING, QUESTIONABLE_CURRENT, QUESTIONABLE_VOLTAGE, Span};
use super::watchdog::Watchdog;
use super::{BenchError, Role, Stand, VirtualInstrument};

const VOLTS: Span = Span { unit: "V", min: 0.0, max: 60.0, default: 0.0 };
const AMPS: Span = Span { unit: "A", min: 0.0, max: 200.0, default: 1.0 };
const PROTECTION_V: Span = Span { unit: "V", min: 1.0, max: 66.0, default: 66.0 };
/// Output counts as settled this close to its setting, V.
const SETTLED_V: f64 = 5.0e-3;
/// Resolution of the meters, V and A.
const METER_STEP: f64 = 1.0e-3;

struct Supply {
    stand: Arc<Stand>,
    now_s: f64,
    set_v: f64,
    limit_a: f64,
    protection_v: f64,
    on: bool,
    /// Over-voltage protection has switched the output off.
    tripped: bool,
    watchdog: Watchdog,
    seen: Seen,
}

/// The output as it was last looked at.
#[derive(Debug, Clone, Copy)]
struct Seen {
    out_v: f64,
    out_a: f64,
    in_limit: bool,
}

pub(crate) fn instrument(stand: Arc<Stand>, seed: u64) -> Result<VirtualInstrument, BenchError> {
    let seen = Seen { out_v: 0.0, out_a: 0.0, in_limit: false };
    let (limit_a, protection_v) = (AMPS.default, PROTECTION_V.default);
    let mut supply = Supply {
        stand,
        now_s: 0.0,
        set_v: 0.0,
        limit_a,
        protection_v,
        on: false,
        tripped: false,
        watchdog: Watchdog::default(),
        seen,
    };
    supply.reset();
    VirtualInstrument::new(Role::Supply, seed, supply, commands())
}

fn commands() -> Vec<Command<Supply>> {
    vec![
        Command::new("MEASure[:SCALar]:TEMPerature?", 0..=1, |d: &mut Supply, c| {
            answer_celsius(c, 1, |_| d.stand.look(d.now_s, crate::World::supply_c))
        }),
        Command::new("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", 1..=1, |d: &mut Supply, c| {
            d.set_v = VOLTS.take(c)?;
            d.apply();
            Ok(())
        }),
        Command::new("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]?", 0..=1, |d: &mut Supply, c| {
            VOLTS.answer(c, d.set_v)
        }),
        Command::new("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", 1..=1, |d: &mut Supply, c| {
            d.limit_a = AMPS.take(c)?;
            d.apply();
            Ok(())
        }),
        Command::new("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]?", 0..=1, |d: &mut Supply, c| {
            AMPS.answer(c, d.limit_a)
        }),
        Command::new("[SOURce:]VOLTage:PROTection[:LEVel]", 1..=1, |d: &mut Supply, c| {
            d.protection_v = PROTECTION_V.take(c)?;
            d.look();
            Ok(())
        }),
        Command::new("[SOURce:]VOLTage:PROTection[:LEVel]?", 0..=1, |d: &mut Supply, c| {
            PROTECTION_V.answer(c, d.protection_v)
        }),
        Command::new("[SOURce:]VOLTage:PROTection:TRIPped?", 0..=0, |d: &mut Supply, c| {
            c.reply.boolean(d.tripped);
            Ok(())
        }),
        Command::new("[SOURce:]VOLTage:PROTection:CLEar", 0..=0, |d: &mut Supply, _| {
            d.tripped = false;
            Ok(())
        }),
        Command::new("OUTPut[:STATe]", 1..=1, |d: &mut Supply, c| {
            let on = c.param(0)?.boolean()?;
            if on && d.tripped {
                let info = "over-voltage protection has tripped, VOLT:PROT:CLE first";
                return Err(ScpiError::settings_conflict(info));
            }
            d.on = on;
            d.apply();
            Ok(())
        }),
        Command::new("OUTPut[:STATe]?", 0..=0, |d: &mut Supply, c| {
            c.reply.boolean(d.on);
            Ok(())
        }),
        Command::new("SYSTem:WATChdog:DELay", 1..=1, |d: &mut Supply, c| {
            let now_s = d.now_s;
            d.watchdog.set(c, now_s)
        }),
        Command::new("SYSTem:WATChdog:DELay?", 0..=1, |d: &mut Supply, c| d.watchdog.answer(c)),
        Command::new("SYSTem:WATChdog:FEED", 0..=0, |d: &mut Supply, _| {
            d.watchdog.feed(d.now_s);
            Ok(())
        }),
        Command::new("MEASure[:SCALar]:VOLTage[:DC]?", 0..=0, |d: &mut Supply, c| {
            c.reply.nr2(metered(d.seen.out_v), 3);
            Ok(())
        }),
        Command::new("MEASure[:SCALar]:CURRent[:DC]?", 0..=0, |d: &mut Supply, c| {
            c.reply.nr2(metered(d.seen.out_a), 3);
            Ok(())
        }),
        Command::new("MEASure[:SCALar]:POWer[:DC]?", 0..=0, |d: &mut Supply, c| {
            c.reply.nr2(metered(d.seen.out_v) * metered(d.seen.out_a), 3);
            Ok(())
        }),
    ]
}

/// What a meter of the supply shows.
fn metered(value: f64) -> f64 {
    (value / METER_STEP).round() * METER_STEP
}

impl Supply {
    fn apply(&mut self) {
        let (set_v, limit_a, on) = (self.set_v, self.limit_a, self.on);
        self.stand.change(self.now_s, |w| w.supply_set(set_v, limit_a, on));
        self.look();
    }

    fn look(&mut self) {
        self.seen = self.stand.look(self.now_s, |w| Seen {
            out_v: w.supply_v(),
            out_a: w.supply_a(),
            in_limit: w.supply_in_current_limit(),
        });
        if self.on && self.seen.out_v > self.protection_v {
            self.tripped = true;
            self.on = false;
            self.apply();
        }
    }

    fn target_v(&self) -> f64 {
        if self.on { self.set_v } else { 0.0 }
    }
}

impl Device for Supply {
    fn at(&mut self, now_s: f64) {
        self.now_s = now_s;
        if self.watchdog.bites(now_s) {
            self.on = false;
            self.apply();
        }
        self.look();
    }
}

impl Instrument for Supply {
    fn reset(&mut self) {
        self.set_v = VOLTS.default;
        self.limit_a = AMPS.default;
        self.protection_v = PROTECTION_V.default;
        self.on = false;
        self.tripped = false;
        self.watchdog = Watchdog::default();
        self.apply();
    }

    /// In current limit the setting is not going to be reached: nothing is waited for then.
    fn pending(&self) -> bool {
        !self.seen.in_limit && (self.seen.out_v - self.target_v()).abs() > SETTLED_V
    }

    fn operation(&self) -> u16 {
        if self.pending() { OPERATION_SETTLING } else { 0 }
    }

    /// VOLTage and CURRent while the limit rules, so that neither setting tells what flows; VOLTage once the
    /// protection has tripped.
    fn questionable(&self) -> u16 {
        let limit = if self.seen.in_limit { QUESTIONABLE_VOLTAGE | QUESTIONABLE_CURRENT } else { 0 };
        limit | if self.tripped { QUESTIONABLE_VOLTAGE } else { 0 }
    }
}
