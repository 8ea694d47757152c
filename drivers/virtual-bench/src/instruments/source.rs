use std::sync::Arc;

use wattproof_scpi::{Call, Command, Instrument, ScpiError};

use super::celsius::answer_celsius;
use super::device::Device;
use super::setting::{OPERATION_SETTLING, Span, channel};
use super::watchdog::Watchdog;
use super::{BenchError, Role, Stand, VirtualInstrument, mix};
use crate::world::{Drive, Shape};

const HZ: Span = Span { unit: "HZ", min: 1.0, max: 100_000.0, default: 1_000.0 };
const VRMS: Span = Span { unit: "V", min: 0.0, max: 5.0, default: 0.0 };
/// Time an output takes to settle, s.
const SETTLE_S: f64 = 5.0e-3;

const CYCLES: Span = Span { unit: "", min: 1.0, max: 1.0e6, default: 20.0 };
const REST_CYCLES: Span = Span { unit: "", min: 1.0, max: 1.0e6, default: 480.0 };
/// Peak over rms of noise; below 1.2 it would hardly be noise.
const CREST: Span = Span { unit: "", min: 1.2, max: 4.0, default: 4.0 };
const SECOND_HZ: Span = Span { unit: "HZ", min: 1.0, max: 100_000.0, default: 7_000.0 };

/// What an output plays beside the continuous sine.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Mode {
    Continuous,
    Burst,
    TwoTone,
    Noise,
}

#[derive(Debug, Clone, Copy)]
struct Output {
    hz: f64,
    vrms: f64,
    on: bool,
    mode: Mode,
    rest_vrms: f64,
    cycles: f64,
    rest_cycles: f64,
    second_hz: f64,
    second_vrms: f64,
    shape: Shape,
    crest: f64,
    /// Which noise: every output has its own.
    seed: u64,
}

const RESET: Output = Output {
    hz: HZ.default,
    vrms: VRMS.default,
    on: false,
    mode: Mode::Continuous,
    rest_vrms: VRMS.default,
    cycles: CYCLES.default,
    rest_cycles: REST_CYCLES.default,
    second_hz: SECOND_HZ.default,
    second_vrms: VRMS.default,
    shape: Shape::White,
    crest: CREST.default,
    seed: 0,
};

impl Output {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "counts of cycles are whole and within 1 to a million"
    )]
    fn drive(&self) -> Drive {
        let Output { hz, vrms, .. } = *self;
        match self.mode {
            Mode::Continuous => Drive::Sine { vrms, hz },
            Mode::Burst => Drive::Burst {
                vrms,
                rest_vrms: self.rest_vrms,
                hz,
                on_cycles: self.cycles as u32,
                off_cycles: self.rest_cycles as u32,
            },
            Mode::TwoTone => {
                Drive::TwoTone { vrms_1: vrms, hz_1: hz, vrms_2: self.second_vrms, hz_2: self.second_hz }
            }
            Mode::Noise => Drive::Noise { vrms, shape: self.shape, crest: self.crest, seed: self.seed },
        }
    }

    /// Switches a mode on or off; the one switched on takes the place of another.
    fn switch(&mut self, mode: Mode, on: bool) {
        if on {
            self.mode = mode;
        } else if self.mode == mode {
            self.mode = Mode::Continuous;
        }
    }
}

struct Source {
    stand: Arc<Stand>,
    /// Decides its noise.
    seed: u64,
    now_s: f64,
    outputs: Vec<Output>,
    settled_s: f64,
    watchdog: Watchdog,
}

pub(crate) fn instrument(stand: Arc<Stand>, seed: u64) -> Result<VirtualInstrument, BenchError> {
    let outputs = vec![RESET; stand.channels() as usize];
    let mut source =
        Source { stand, seed, now_s: 0.0, outputs, settled_s: 0.0, watchdog: Watchdog::default() };
    source.reset();
    source.settled_s = 0.0;
    let mut commands = vec![
        // Its own board, a little warmer than the room.
        Command::new("MEASure[:SCALar]:TEMPerature?", 0..=1, |d: &mut Source, c| {
            answer_celsius(c, d.channels(), |_| d.stand.look(d.now_s, crate::World::ambient_c) + 6.0)
        }),
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
        Command::new("SYSTem:WATChdog:DELay", 1..=1, |d: &mut Source, c| {
            let now_s = d.now_s;
            d.watchdog.set(c, now_s)
        }),
        Command::new("SYSTem:WATChdog:DELay?", 0..=1, |d: &mut Source, c| d.watchdog.answer(c)),
        Command::new("SYSTem:WATChdog:FEED", 0..=0, |d: &mut Source, _| {
            d.watchdog.feed(d.now_s);
            Ok(())
        }),
    ];
    commands.extend(burst_commands());
    commands.extend(two_tone_commands());
    commands.extend(noise_commands());
    VirtualInstrument::new(Role::Source, seed, source, commands)
}

fn burst_commands() -> Vec<Command<Source>> {
    vec![
        Command::new("[SOURce#:]BURSt[:STATe]", 1..=1, |d: &mut Source, c| d.switch(c, Mode::Burst)),
        Command::new("[SOURce#:]BURSt[:STATe]?", 0..=0, |d: &mut Source, c| d.answer_mode(c, Mode::Burst)),
        Command::new("[SOURce#:]BURSt:NCYCles", 1..=1, |d: &mut Source, c| {
            let cycles = CYCLES.take(c)?.round();
            d.set(c, |output| output.cycles = cycles)
        }),
        Command::new("[SOURce#:]BURSt:NCYCles?", 0..=1, |d: &mut Source, c| {
            let cycles = d.output(c)?.cycles;
            CYCLES.answer_whole(c, cycles)
        }),
        Command::new("[SOURce#:]BURSt:REST:NCYCles", 1..=1, |d: &mut Source, c| {
            let cycles = REST_CYCLES.take(c)?.round();
            d.set(c, |output| output.rest_cycles = cycles)
        }),
        Command::new("[SOURce#:]BURSt:REST:NCYCles?", 0..=1, |d: &mut Source, c| {
            let cycles = d.output(c)?.rest_cycles;
            REST_CYCLES.answer_whole(c, cycles)
        }),
        Command::new("[SOURce#:]BURSt:REST:VOLTage", 1..=1, |d: &mut Source, c| {
            let vrms = VRMS.take(c)?;
            d.set(c, |output| output.rest_vrms = vrms)
        }),
        Command::new("[SOURce#:]BURSt:REST:VOLTage?", 0..=1, |d: &mut Source, c| {
            let vrms = d.output(c)?.rest_vrms;
            VRMS.answer(c, vrms)
        }),
        Command::new("TRIGger[:IMMediate]", 0..=0, |d: &mut Source, _| {
            let now_s = d.now_s;
            d.stand.change(now_s, crate::world::World::source_restart);
            Ok(())
        }),
    ]
}

fn two_tone_commands() -> Vec<Command<Source>> {
    vec![
        Command::new("[SOURce#:]TWOTone[:STATe]", 1..=1, |d: &mut Source, c| d.switch(c, Mode::TwoTone)),
        Command::new("[SOURce#:]TWOTone[:STATe]?", 0..=0, |d: &mut Source, c| {
            d.answer_mode(c, Mode::TwoTone)
        }),
        Command::new("[SOURce#:]TWOTone:FREQuency", 1..=1, |d: &mut Source, c| {
            let hz = SECOND_HZ.take(c)?;
            d.set(c, |output| output.second_hz = hz)
        }),
        Command::new("[SOURce#:]TWOTone:FREQuency?", 0..=1, |d: &mut Source, c| {
            let hz = d.output(c)?.second_hz;
            SECOND_HZ.answer(c, hz)
        }),
        Command::new("[SOURce#:]TWOTone:VOLTage", 1..=1, |d: &mut Source, c| {
            let vrms = VRMS.take(c)?;
            d.set(c, |output| output.second_vrms = vrms)
        }),
        Command::new("[SOURce#:]TWOTone:VOLTage?", 0..=1, |d: &mut Source, c| {
            let vrms = d.output(c)?.second_vrms;
            VRMS.answer(c, vrms)
        }),
    ]
}

fn noise_commands() -> Vec<Command<Source>> {
    vec![
        Command::new("[SOURce#:]FUNCtion[:SHAPe]", 1..=1, |d: &mut Source, c| {
            let noise = c.param(0)?.choice(&["SINusoid", "NOISe"])? == 1;
            d.set(c, |output| output.switch(Mode::Noise, noise))
        }),
        Command::new("[SOURce#:]FUNCtion[:SHAPe]?", 0..=0, |d: &mut Source, c| {
            let noise = d.output(c)?.mode == Mode::Noise;
            c.reply.word(if noise { "NOIS" } else { "SIN" });
            Ok(())
        }),
        Command::new("[SOURce#:]NOISe:SHAPe", 1..=1, |d: &mut Source, c| {
            let pink = c.param(0)?.choice(&["WHITe", "PINK"])? == 1;
            d.set(c, |output| output.shape = if pink { Shape::Pink } else { Shape::White })
        }),
        Command::new("[SOURce#:]NOISe:SHAPe?", 0..=0, |d: &mut Source, c| {
            let pink = d.output(c)?.shape == Shape::Pink;
            c.reply.word(if pink { "PINK" } else { "WHIT" });
            Ok(())
        }),
        Command::new("[SOURce#:]NOISe:CRESt", 1..=1, |d: &mut Source, c| {
            let crest = CREST.take(c)?;
            d.set(c, |output| output.crest = crest)
        }),
        Command::new("[SOURce#:]NOISe:CRESt?", 0..=1, |d: &mut Source, c| {
            let crest = d.output(c)?.crest;
            CREST.answer(c, crest)
        }),
    ]
}

impl Source {
    fn channels(&self) -> u32 {
        self.stand.channels()
    }

    fn output(&self, call: &Call<'_>) -> Result<Output, ScpiError> {
        let index = channel(call, self.channels())?;
        self.outputs.get(index).copied().ok_or_else(|| ScpiError::new(-114))
    }

    fn set(&mut self, call: &Call<'_>, change: impl FnOnce(&mut Output)) -> Result<(), ScpiError> {
        let index = channel(call, self.channels())?;
        let output = self.outputs.get_mut(index).ok_or_else(|| ScpiError::new(-114))?;
        change(output);
        self.apply(index);
        Ok(())
    }

    fn switch(&mut self, call: &Call<'_>, mode: Mode) -> Result<(), ScpiError> {
        let on = call.param(0)?.boolean()?;
        self.set(call, |output| output.switch(mode, on))
    }

    fn answer_mode(&self, call: &mut Call<'_>, mode: Mode) -> Result<(), ScpiError> {
        let on = self.output(call)?.mode == mode;
        call.reply.boolean(on);
        Ok(())
    }

    fn apply(&mut self, index: usize) {
        if let Some(output) = self.outputs.get(index).copied() {
            let output = Output { seed: mix(self.seed, 300 + index as u64), ..output };
            self.stand.change(self.now_s, |w| w.source_set(index, output.drive(), output.on));
            self.settled_s = self.now_s + SETTLE_S;
        }
    }
}

impl Device for Source {
    fn at(&mut self, now_s: f64) {
        self.now_s = now_s;
        if self.watchdog.bites(now_s) {
            self.outputs.iter_mut().for_each(|output| output.on = false);
            (0..self.outputs.len()).for_each(|index| self.apply(index));
        }
    }

    fn due_s(&self) -> Option<f64> {
        Some(self.settled_s)
    }
}

impl Instrument for Source {
    fn reset(&mut self) {
        self.outputs.fill(RESET);
        self.watchdog = Watchdog::default();
        (0..self.outputs.len()).for_each(|index| self.apply(index));
    }

    fn pending(&self) -> bool {
        self.now_s < self.settled_s
    }

    fn operation(&self) -> u16 {
        if self.pending() { OPERATION_SETTLING } else { 0 }
    }
}
