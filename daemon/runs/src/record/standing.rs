//! How the bench stands after the acts so far, and how it is brought there again in a safe order.

use wattproof_bench::{Bench, BenchError, BurstDrive, NoiseDrive, TwoToneDrive};

use super::Act;
use super::act::Told;

/// The level from which a restored source rises, V rms: what it is switched on at.
const FIRST_VRMS: f64 = 0.02;

#[derive(Debug, Clone, Copy, Default)]
enum Playing {
    #[default]
    Nothing,
    Level(f64),
    Burst(BurstDrive),
    TwoTone(TwoToneDrive),
    Noise(NoiseDrive),
}

/// What was last set.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Standing {
    samples: Option<usize>,
    driven: Option<usize>,
    load_ohm: Option<f64>,
    supply_v: Option<f64>,
    supply_limit_a: Option<f64>,
    supply_on: bool,
    hz: Option<f64>,
    playing: Playing,
    source_on: bool,
}

impl Standing {
    /// After one more act and what it told.
    pub fn after(&mut self, act: &Act, told: &Told) {
        // A load that was waited for was waited for with the source off.
        if matches!(told, Told::Rested { rested_s, .. } if *rested_s > 0.0) {
            self.after(&Act::SourceOff, &Told::Done);
        }
        match *act {
            Act::Samples { samples } => self.samples = Some(samples),
            Act::Driven { channels } => self.driven = Some(channels),
            Act::Load { load_ohm } => self.load_ohm = Some(load_ohm),
            Act::Supply { volts_v } => self.supply_v = Some(volts_v),
            Act::SupplyLimit { amps_a } => self.supply_limit_a = Some(amps_a),
            Act::SupplyOn => self.supply_on = true,
            Act::SupplyOff => self.supply_on = false,
            Act::Frequency { hz } => self.hz = Some(hz),
            Act::Level { level_vrms } | Act::CaptureThen { next_vrms: level_vrms, .. } => {
                self.playing = Playing::Level(level_vrms);
            }
            Act::Burst(drive) => self.playing = Playing::Burst(drive),
            Act::TwoTone(drive) => self.playing = Playing::TwoTone(drive),
            Act::Noise(drive) => self.playing = Playing::Noise(drive),
            Act::SourceOn => self.source_on = true,
            Act::SourceOff => {
                self.source_on = false;
                self.playing = Playing::Nothing;
            }
            Act::Settle
            | Act::Wait { .. }
            | Act::RestLoad { .. }
            | Act::Heatsink
            | Act::Typed
            | Act::Ambient
            | Act::Capture { .. }
            | Act::CaptureShort { .. }
            | Act::CaptureBurst { .. }
            | Act::CaptureNoise
            | Act::CaptureIdle
            | Act::CaptureTwoTone { .. } => {}
        }
    }

    /// Brings a bench whose outputs are off to how it stood: load first, then the supply, then the source, quiet at
    /// first and rising in the steps that the guard allows.
    pub fn restore(&self, bench: &Bench) -> Result<(), BenchError> {
        if let Some(samples) = self.samples {
            bench.set_samples(samples)?;
        }
        if let Some(driven) = self.driven {
            bench.set_driven(driven);
        }
        if let Some(load_ohm) = self.load_ohm {
            bench.set_load(load_ohm)?;
        }
        if let Some(amps_a) = self.supply_limit_a {
            bench.set_supply_limit(amps_a)?;
        }
        if let Some(volts_v) = self.supply_v {
            bench.set_supply(volts_v)?;
        }
        if self.supply_on {
            bench.supply_on()?;
        }
        bench.settle()?;
        if let Some(hz) = self.hz {
            bench.set_frequency(hz)?;
        }
        if self.source_on {
            bench.set_level(self.quiet_vrms())?;
            bench.source_on()?;
            bench.settle()?;
        }
        match &self.playing {
            Playing::Nothing => {}
            Playing::Level(level_vrms) => bench.set_level(*level_vrms)?,
            Playing::Burst(drive) => bench.set_burst(drive)?,
            Playing::TwoTone(drive) => bench.set_two_tone(drive)?,
            Playing::Noise(drive) => bench.set_noise(drive)?,
        }
        bench.settle()
    }

    fn quiet_vrms(&self) -> f64 {
        match self.playing {
            Playing::Nothing => 0.0,
            Playing::Level(level_vrms) => level_vrms.min(FIRST_VRMS),
            Playing::Burst(drive) => drive.rest_vrms.min(FIRST_VRMS),
            Playing::TwoTone(drive) => drive.level_vrms.min(FIRST_VRMS),
            Playing::Noise(drive) => drive.level_vrms.min(FIRST_VRMS),
        }
    }
}
