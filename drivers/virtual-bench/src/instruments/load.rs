use std::sync::Arc;

use wattproof_scpi::{Call, Command, Instrument, ScpiError};

use super::celsius::answer_celsius;
use super::device::Device;
use super::setting::{OPERATION_SETTLING, Span, channel};
use super::{BenchError, Role, Stand, VirtualInstrument};
use crate::load::Load;

const OHM: Span = Span { unit: "OHM", min: 1.0, max: 1_000.0, default: 8.0 };
/// Step of the resistance, Ω.
const STEP_OHM: f64 = 0.01;
/// Time a relay takes, bounce included, s.
const RELAY_S: f64 = 15.0e-3;

#[derive(Debug, Clone, Copy)]
struct Input {
    ohm: f64,
    connected: bool,
}

const RESET: Input = Input { ohm: OHM.default, connected: false };

struct LoadBank {
    stand: Arc<Stand>,
    now_s: f64,
    inputs: Vec<Input>,
    settled_s: f64,
}

pub(crate) fn instrument(stand: Arc<Stand>, seed: u64) -> Result<VirtualInstrument, BenchError> {
    let mut load =
        LoadBank { inputs: vec![RESET; stand.channels() as usize], stand, now_s: 0.0, settled_s: 0.0 };
    load.reset();
    load.settled_s = 0.0;
    let commands = vec![
        Command::new("[SOURce#:]RESistance[:LEVel][:IMMediate][:AMPLitude]", 1..=1, |d: &mut LoadBank, c| {
            let ohm = (OHM.take(c)? / STEP_OHM).round() * STEP_OHM;
            d.set(c, |input| input.ohm = ohm)
        }),
        Command::new(
            "[SOURce#:]RESistance[:LEVel][:IMMediate][:AMPLitude]?",
            0..=1,
            |d: &mut LoadBank, c| {
                let ohm = d.input(c)?.ohm;
                OHM.answer(c, ohm)
            },
        ),
        Command::new("INPut#[:STATe]", 1..=1, |d: &mut LoadBank, c| {
            let connected = c.param(0)?.boolean()?;
            d.set(c, |input| input.connected = connected)
        }),
        Command::new("INPut#[:STATe]?", 0..=0, |d: &mut LoadBank, c| {
            let connected = d.input(c)?.connected;
            c.reply.boolean(connected);
            Ok(())
        }),
        Command::new("MEASure[:SCALar]:TEMPerature?", 0..=1, |d: &mut LoadBank, c| {
            let load_c =
                |input: u32| d.stand.look(d.now_s, |w| w.load_c(input as usize - 1).unwrap_or(f64::NAN));
            answer_celsius(c, d.stand.channels(), load_c)
        }),
    ];
    VirtualInstrument::new(Role::Load, seed, load, commands)
}

impl LoadBank {
    fn input(&self, call: &Call<'_>) -> Result<Input, ScpiError> {
        let index = channel(call, self.stand.channels())?;
        self.inputs.get(index).copied().ok_or_else(|| ScpiError::new(-114))
    }

    fn set(&mut self, call: &Call<'_>, change: impl FnOnce(&mut Input)) -> Result<(), ScpiError> {
        let index = channel(call, self.stand.channels())?;
        let input = self.inputs.get_mut(index).ok_or_else(|| ScpiError::new(-114))?;
        change(input);
        self.apply(index);
        Ok(())
    }

    fn apply(&mut self, index: usize) {
        if let Some(Input { ohm, connected }) = self.inputs.get(index).copied() {
            self.stand.change(self.now_s, |w| w.load_set(index, Load::Resistive { ohm }, connected));
            self.settled_s = self.now_s + RELAY_S;
        }
    }
}

impl Device for LoadBank {
    fn at(&mut self, now_s: f64) {
        self.now_s = now_s;
    }

    fn due_s(&self) -> Option<f64> {
        Some(self.settled_s)
    }
}

impl Instrument for LoadBank {
    fn reset(&mut self) {
        self.inputs.fill(RESET);
        (0..self.inputs.len()).for_each(|index| self.apply(index));
    }

    fn pending(&self) -> bool {
        self.now_s < self.settled_s
    }

    fn operation(&self) -> u16 {
        if self.pending() { OPERATION_SETTLING } else { 0 }
    }
}
