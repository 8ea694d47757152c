//! Bursts and two tones on the stage: set with a durable intent first, captured, recorded.

use serde::{Deserialize, Serialize};
use wattproof_bench::{BurstDrive, NoiseDrive, TwoToneDrive};
use wattproof_signal::{NoiseReading, TwoToneKind, TwoToneReading, TwoToneSettings};

use crate::stage::Stage;
use crate::{Event, RunError};

/// What the source was told to play.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Playing {
    /// One tone without interruption.
    #[default]
    Continuous,
    /// Bursts.
    Burst(BurstDrive),
    /// Two tones, by this method.
    TwoTone(TwoToneKind),
    /// Noise.
    Noise(NoiseDrive),
}

/// A capture of noise, as recorded.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct NoiseStep {
    /// Bench clock at the end of the capture, s.
    pub at_s: f64,
    /// What was played.
    pub drive: NoiseDrive,
    /// Load commanded, ohm.
    pub load_ohm: Option<f64>,
    /// Supply voltage commanded, V.
    pub supply_v_set: Option<f64>,
    /// Supply voltage measured, V.
    pub supply_v: Option<f64>,
    /// Supply current measured, A.
    pub supply_a: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
    /// Every amplifier channel, the first first.
    pub channels: Vec<NoiseChannel>,
}

/// One amplifier channel of a capture of noise.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct NoiseChannel {
    /// Amplifier channel, from 1.
    pub channel: u32,
    /// Whether its input was driven.
    pub driven: bool,
    /// Everything computed from the capture.
    pub reading: NoiseReading,
}

/// A capture of two tones, as recorded.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct TwoToneStep {
    /// Bench clock at the end of the capture, s.
    pub at_s: f64,
    /// The method.
    pub kind: TwoToneKind,
    /// Level of a single tone with the same peak, V rms.
    pub level_vrms: f64,
    /// Load commanded, ohm.
    pub load_ohm: Option<f64>,
    /// Supply voltage commanded, V.
    pub supply_v_set: Option<f64>,
    /// Supply voltage measured, V.
    pub supply_v: Option<f64>,
    /// Supply current measured, A.
    pub supply_a: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
    /// Every amplifier channel, the first first.
    pub channels: Vec<TwoToneChannel>,
}

/// One amplifier channel of a two-tone capture.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct TwoToneChannel {
    /// Amplifier channel, from 1.
    pub channel: u32,
    /// Whether its input was driven.
    pub driven: bool,
    /// Everything computed from the capture.
    pub reading: TwoToneReading,
}

/// Frequencies and band of a method.
fn settings(kind: TwoToneKind) -> TwoToneSettings {
    match kind {
        TwoToneKind::Smpte => TwoToneSettings::smpte(),
        TwoToneKind::TwinTone => TwoToneSettings::twin_tone(),
    }
}

impl Stage {
    /// Plays bursts of the frequency set.
    pub fn set_burst(&mut self, drive: BurstDrive) -> Result<(), RunError> {
        self.bench.set_burst(drive)?;
        self.now.level_vrms = Some(drive.level_vrms);
        self.now.playing = Playing::Burst(drive);
        Ok(())
    }

    /// Plays the two tones of a method, at the peak that a single tone of `level_vrms` has.
    pub fn set_two_tone(&mut self, kind: TwoToneKind, level_vrms: f64) -> Result<(), RunError> {
        let settings = settings(kind);
        // SMPTE RP 120: 4:1, the low tone the louder; twin tone of IEC 60268-3: equal (both from memory).
        let low = match kind {
            TwoToneKind::Smpte => 0.8,
            TwoToneKind::TwinTone => 0.5,
        };
        let drive = TwoToneDrive {
            level_vrms: low * level_vrms,
            second_vrms: (1.0 - low) * level_vrms,
            second_hz: settings.high_hz,
        };
        // A loud tone must not sweep to another frequency on the way.
        if self.now.source_on {
            self.bench.set_level(drive.level_vrms.min(self.now.level_vrms.unwrap_or(0.0)))?;
        }
        self.bench.set_frequency(settings.low_hz)?;
        self.now.hz = Some(settings.low_hz);
        self.bench.set_two_tone(drive)?;
        self.now.level_vrms = Some(level_vrms);
        self.now.playing = Playing::TwoTone(kind);
        Ok(())
    }

    /// Plays noise.
    pub fn set_noise(&mut self, drive: NoiseDrive) -> Result<(), RunError> {
        // By the sine of its peaks, as the guard counts it until a capture tells how much it is.
        self.rest_for(drive.peak_vrms(), 1.0, 0.0)?;
        self.bench.set_noise(drive)?;
        self.now.level_vrms = Some(drive.level_vrms);
        self.now.playing = Playing::Noise(drive);
        Ok(())
    }

    /// Captures the noise set and records its levels and powers in the journal.
    pub fn capture_noise(&mut self) -> Result<NoiseStep, RunError> {
        let Playing::Noise(drive) = self.now.playing else {
            return Err(RunError::Call("capture_noise() needs noise(#{ … }) to be called first".into()));
        };
        self.tell(&Event::Doing("capturing noise"));
        let captured = self.bench.capture_noise()?;
        let driven = |index: usize| self.now.source_on && index < self.now.driven;
        let channels = (1u32..)
            .zip(captured.readings)
            .enumerate()
            .map(|(index, (channel, reading))| NoiseChannel { channel, driven: driven(index), reading });
        let step = NoiseStep {
            at_s: captured.at_s,
            drive,
            load_ohm: self.now.load_ohm,
            supply_v_set: self.now.supply_v,
            supply_v: captured.supply_v,
            supply_a: captured.supply_a,
            heatsink_c: captured.heatsink_c,
            channels: channels.collect(),
        };
        self.journal("noise", &step)?;
        let lowest = step.channels.iter().filter(|channel| channel.driven);
        let lowest = lowest.filter_map(|channel| channel.reading.active_w).reduce(f64::min);
        let told = lowest.map_or_else(|| "-".to_string(), |active_w| format!("{active_w:.2} W"));
        self.tell(&Event::Printed(&format!("noise at {:.4} V in: {told}", drive.level_vrms)));
        Ok(step)
    }

    /// Captures the two tones set and records their products in the journal.
    pub fn capture_two_tone(&mut self) -> Result<TwoToneStep, RunError> {
        let (Playing::TwoTone(kind), Some(level_vrms)) = (self.now.playing, self.now.level_vrms) else {
            return Err(RunError::Call(
                "capture_two_tone() needs two_tone(#{ … }) to be called first".into(),
            ));
        };
        self.tell(&Event::Doing("capturing two tones"));
        let captured = self.bench.capture_two_tone(&settings(kind))?;
        let driven = |index: usize| self.now.source_on && index < self.now.driven;
        let channels = (1u32..)
            .zip(captured.readings)
            .enumerate()
            .map(|(index, (channel, reading))| TwoToneChannel { channel, driven: driven(index), reading });
        let step = TwoToneStep {
            at_s: captured.at_s,
            kind,
            level_vrms,
            load_ohm: self.now.load_ohm,
            supply_v_set: self.now.supply_v,
            supply_v: captured.supply_v,
            supply_a: captured.supply_a,
            heatsink_c: captured.heatsink_c,
            channels: channels.collect(),
        };
        self.journal("two_tone", &step)?;
        let worst = step.channels.iter().filter(|channel| channel.driven);
        let worst = worst.filter_map(|channel| channel.reading.imd_pct).reduce(f64::max);
        let told = worst.map_or_else(|| "-".to_string(), |imd_pct| format!("{imd_pct:.4} %"));
        self.tell(&Event::Printed(&format!("two tones at {level_vrms:.4} V in: intermodulation {told}")));
        Ok(step)
    }
}
