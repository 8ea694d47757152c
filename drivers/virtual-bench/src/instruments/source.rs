use std::sync::Arc;

use wattproof_scpi::{Call, Command, Instrument, ScpiError};

use super::device::Device;
use super::setting::{OPERATION_SETTLING, Span, channel};
use super::{BenchError, Role, Stand, VirtualInstrument};
use crate::world::Drive;

const HZ: Span = Span { unit: "HZ", min: 1.0, max: 100_000.0, default: 1_000.0 };
const VRMS: Span = Span { unit: "V", min: 0.0, max: 5.0, default: 0.0 };
/// Time an output takes to settle, s.
const SETTLE_S: f64 = 5.0e-3;

#[derive(Debug, Clone, Copy)]
struct Output {
    hz: f64,
    vrms: f64,
    on: bool,
}

const RESET: Output = Output { hz: HZ.default, vrms: VRMS.default, on: false };

struct Source {
    stand: Arc<Stand>,
    now_s: f64,
    outputs: [Output; 2],
    settled_s: f64,
}

pub(crate) fn instrument(stand: Arc<Stand>, seed: u64) -> Result<VirtualInstrument, BenchError> {
    let mut source = Source { stand, now_s: 0.0, outputs: [RESET; 2], settled_s: 0.0 };
    source.reset();
    source.settled_s = 0.0;
    let commands = vec![
        Command::new("[SOURce#:]FREQuency[:CW|FIXed]", 1..=1, |d: &mut Source, c| {
            let hz = HZ.take(c)?;
            d.set(c, |output| output.hz = hz)
        }),
        Command::new("[SOURce#:]FREQuency[:CW|FIXed]?", 0..=1, |d: &mut Source, c| {
            let hz = d.output(c)?.hz;
            HZ.answer(c, hz)
        }),
        Command::new("[SOURce#:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", 1..=1, |d: &mut Source, c| {
            let vrms = VRMS.take(c)?;
            d.set(c, |output| output.vrms = vrms)
        }),
        Command::new("[SOURce#:]VOLTage[:LEVel][:IMMediate][:AMPLitude]?", 0..=1, |d: &mut Source, c| {
            let vrms = d.output(c)?.vrms;
            VRMS.answer(c, vrms)
        }),
        Command::new("OUTPut#[:STATe]", 1..=1, |d: &mut Source, c| {
            let on = c.param(0)?.boolean()?;
            d.set(c, |output| output.on = on)
        }),
        Command::new("OUTPut#[:STATe]?", 0..=0, |d: &mut Source, c| {
            let on = d.output(c)?.on;
            c.reply.boolean(on);
            Ok(())
        }),
    ];
    VirtualInstrument::new(Role::Source, seed, source, commands)
}

impl Source {
    fn output(&self, call: &Call<'_>) -> Result<Output, ScpiError> {
        let index = channel(call, 2)?;
        self.outputs.get(index).copied().ok_or_else(|| ScpiError::new(-114))
    }

    fn set(&mut self, call: &Call<'_>, change: impl FnOnce(&mut Output)) -> Result<(), ScpiError> {
        let index = channel(call, 2)?;
        let output = self.outputs.get_mut(index).ok_or_else(|| ScpiError::new(-114))?;
        change(output);
        self.apply(index);
        Ok(())
    }

    fn apply(&mut self, index: usize) {
        if let Some(Output { hz, vrms, on }) = self.outputs.get(index).copied() {
            self.stand.change(self.now_s, |w| w.source_set(index, Drive::Sine { vrms, hz }, on));
            self.settled_s = self.now_s + SETTLE_S;
        }
    }
}

impl Device for Source {
    fn at(&mut self, now_s: f64) {
        self.now_s = now_s;
    }
}

impl Instrument for Source {
    fn reset(&mut self) {
        self.outputs = [RESET; 2];
        (0..2).for_each(|index| self.apply(index));
    }

    fn pending(&self) -> bool {
        self.now_s < self.settled_s
    }

    fn operation(&self) -> u16 {
        if self.pending() { OPERATION_SETTLING } else { 0 }
    }
}
