//! What the source plays beside a continuous tone: bursts, and two tones at once.
//!
//! Each is judged by the loudest it ever gets, and its loudness rises in the same steps as that of a plain tone.

use std::sync::PoisonError;

use serde::{Deserialize, Serialize};
use wattproof_guard::Command;

use crate::{Bench, BenchError};

/// Level at which noise begins, V rms.
const QUIET_VRMS: f64 = 0.02;

/// A gated tone at the frequency set: so many cycles at the level, so many at the rest level, over and over.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BurstDrive {
    /// Level of the burst, V rms.
    pub level_vrms: f64,
    /// Level between bursts, V rms.
    pub rest_vrms: f64,
    /// Cycles at the level.
    pub on_cycles: u32,
    /// Cycles at the rest level.
    pub rest_cycles: u32,
}

impl BurstDrive {
    /// Length of one burst at `hz`, s.
    pub fn on_s(&self, hz: f64) -> f64 {
        f64::from(self.on_cycles) / hz
    }

    /// Mean power over that of the burst itself.
    pub fn share(&self) -> f64 {
        let (on, rest) = (f64::from(self.on_cycles), f64::from(self.rest_cycles));
        (on + rest * (self.rest_vrms / self.level_vrms).powi(2)) / (on + rest)
    }

    /// From one burst to the next at `hz`, s.
    pub fn period_s(&self, hz: f64) -> f64 {
        (f64::from(self.on_cycles) + f64::from(self.rest_cycles)) / hz
    }
}

/// A second tone on top of the one at the frequency set.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TwoToneDrive {
    /// Level of the first tone, V rms.
    pub level_vrms: f64,
    /// Level of the second tone, V rms.
    pub second_vrms: f64,
    /// Frequency of the second tone, Hz.
    pub second_hz: f64,
}

/// How the power of noise lies over frequency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NoiseKind {
    /// As much in each hertz.
    White,
    /// As much in each octave.
    Pink,
}

/// Noise in place of a tone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseDrive {
    /// White or pink.
    pub kind: NoiseKind,
    /// Level, V rms.
    pub level_vrms: f64,
    /// Peak over rms, as a ratio; absent leaves it to the source.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crest: Option<f64>,
}

/// Crest factor with which noise is judged where nobody says one: beyond it a Gaussian is for 6 in 100,000 of the time.
const CREST_UNKNOWN: f64 = 4.0;

impl NoiseDrive {
    /// Level of a sine that reaches its peaks, V rms.
    pub fn peak_vrms(&self) -> f64 {
        self.level_vrms * self.peak_share()
    }

    fn peak_share(&self) -> f64 {
        (self.judged_crest() * std::f64::consts::FRAC_1_SQRT_2).max(1.0)
    }

    /// The crest factor that the guard judges, as it was given: one that no signal has, or that is no number, is refused.
    fn judged_crest(&self) -> f64 {
        self.crest.unwrap_or(CREST_UNKNOWN)
    }
}

/// What the source plays now.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) enum Playing {
    /// One tone without interruption.
    #[default]
    Continuous,
    /// Bursts, the first of them begun at that moment of the bench clock, s.
    Burst(BurstDrive, f64),
    /// Two tones.
    TwoTone,
    /// Noise.
    Noise,
}

impl Bench {
    /// Plays bursts from now on. The level rises to them in steps the guard allows, each judged by its louder part.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_burst(&self, drive: &BurstDrive) -> Result<(), BenchError> {
        let BurstDrive { level_vrms, rest_vrms, on_cycles, rest_cycles } = *drive;
        self.set_continuous(rest_vrms)?;
        let outputs = self.shared.file.source.outputs.clone();
        // Both parts at the rest level: switching to bursts changes nothing that sounds.
        let still = Command::SourceBurst { level_vrms: rest_vrms, rest_vrms };
        self.send(&self.shared.actors.source, &still, move |source| {
            outputs.iter().try_for_each(|output| {
                source.set_burst(*output, on_cycles, rest_cycles, rest_vrms)?;
                source.set_burst_on(*output, true)
            })
        })?;
        self.note_playing(Playing::Burst(*drive, self.now_s()));
        self.shared.guard().burst_share(self.now_s(), drive.share());
        self.rise(rest_vrms, level_vrms, |bench, level_vrms| {
            bench.send_vrms(&Command::SourceBurst { level_vrms, rest_vrms }, level_vrms)?;
            bench.note_level(level_vrms.max(rest_vrms));
            Ok(())
        })?;
        self.restart_burst(drive)
    }

    /// Begins the bursts of all outputs together, now; after it the bench knows when the next ones come.
    pub(crate) fn restart_burst(&self, drive: &BurstDrive) -> Result<(), BenchError> {
        let BurstDrive { level_vrms, rest_vrms, .. } = *drive;
        let same = Command::SourceBurst { level_vrms, rest_vrms };
        self.send(&self.shared.actors.source, &same, |source| source.restart_bursts())?;
        self.note_playing(Playing::Burst(*drive, self.now_s()));
        self.settle_for(self.shared.file.source.settle_ms);
        Ok(())
    }

    /// Plays two tones from now on, the first at the frequency set. Their levels rise one after the other in steps
    /// the guard allows, judged by their sum, which the peaks of both reach.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_two_tone(&self, drive: &TwoToneDrive) -> Result<(), BenchError> {
        let TwoToneDrive { level_vrms, second_vrms, second_hz } = *drive;
        self.set_continuous(level_vrms)?;
        let outputs = self.shared.file.source.outputs.clone();
        let still = Command::SourceTwoTone { level_vrms, second_vrms: 0.0, second_hz };
        self.send(&self.shared.actors.source, &still, move |source| {
            outputs.iter().try_for_each(|output| {
                source.set_second_vrms(*output, 0.0)?;
                source.set_second_hz(*output, second_hz)?;
                source.set_second_on(*output, true)
            })
        })?;
        self.note_playing(Playing::TwoTone);
        self.rise(level_vrms, level_vrms + second_vrms, |bench, sum_vrms| {
            let second_vrms = sum_vrms - level_vrms;
            let outputs = bench.shared.file.source.outputs.clone();
            let command = Command::SourceTwoTone { level_vrms, second_vrms, second_hz };
            bench.send(&bench.shared.actors.source, &command, move |source| {
                outputs.iter().try_for_each(|output| source.set_second_vrms(*output, second_vrms))
            })?;
            bench.note_level(sum_vrms);
            Ok(())
        })?;
        self.settle_for(self.shared.file.source.settle_ms);
        Ok(())
    }

    /// Plays noise from now on. Its level rises in steps the guard allows, judged by the sine that reaches its peaks.
    ///
    /// # Errors
    /// [`BenchError::Setup`] when the source's dialect has no such noise or no crest factor, with nothing sent; else the
    /// guard has tripped.
    pub fn set_noise(&self, drive: &NoiseDrive) -> Result<(), BenchError> {
        let NoiseDrive { kind, level_vrms, crest } = *drive;
        let pink = kind == NoiseKind::Pink;
        let (can_noise, can_crest) =
            self.ask_source(move |source| Ok((source.can_noise(pink), source.can_crest())))?;
        let name = &self.shared.file.source.dialect;
        if !can_noise {
            let (word, one) = if pink { ("pink", "set_noise_pink") } else { ("white", "set_noise_white") };
            return Err(BenchError::Setup(format!(
                "dialect {name} of the source has no {word} noise: add [operations.{one}] and [operations.set_noise_off] to it if the instrument plays it, or use another source"
            )));
        }
        if crest.is_some() && !can_crest {
            return Err(BenchError::Setup(format!(
                "dialect {name} of the source has no crest factor: leave crest out, or add [operations.set_crest] to it if the instrument has one"
            )));
        }
        let (share, judged_crest) = (drive.peak_share(), drive.judged_crest());
        let quiet_vrms = level_vrms.min(QUIET_VRMS);
        self.set_continuous(quiet_vrms)?;
        let outputs = self.shared.file.source.outputs.clone();
        let still = Command::noise(quiet_vrms, judged_crest);
        self.send(&self.shared.actors.source, &still, move |source| {
            outputs.iter().try_for_each(|output| {
                if let Some(crest) = crest {
                    source.set_crest(*output, crest)?;
                }
                source.set_noise(*output, pink)
            })
        })?;
        self.note_playing(Playing::Noise);
        self.note_level(quiet_vrms * share);
        // By its peaks, as it is judged.
        self.rise(quiet_vrms * share, level_vrms * share, |bench, peak_vrms| {
            let level_vrms = peak_vrms / share;
            bench.send_vrms(&Command::noise(level_vrms, judged_crest), level_vrms)?;
            bench.note_level(peak_vrms);
            Ok(())
        })?;
        self.settle_for(self.shared.file.source.settle_ms);
        Ok(())
    }

    /// Back to a plain tone at `level_vrms`. What was louder falls first, what was quieter rises last.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_continuous(&self, level_vrms: f64) -> Result<(), BenchError> {
        let quiet_vrms = match self.playing() {
            Playing::Continuous => return self.set_level(level_vrms),
            // A burst's level held without interruption would be far more heat than was asked for.
            Playing::Burst(drive, _) => drive.rest_vrms.min(level_vrms),
            Playing::TwoTone => level_vrms.min(self.level_vrms()),
            // A sine lies under the peaks that this noise has.
            Playing::Noise => level_vrms.min(QUIET_VRMS),
        };
        self.send_vrms(&Command::SourceLevel { level_vrms: quiet_vrms }, quiet_vrms)?;
        self.ask_source(|source| source.set_continuous())?;
        self.note_level(quiet_vrms);
        self.note_playing(Playing::Continuous);
        self.set_level(level_vrms)
    }

    /// Forgets bursts and second tone of a source that is off.
    pub(crate) fn forget_drives(&self) -> Result<(), BenchError> {
        if self.playing() != Playing::Continuous {
            self.ask_source(|source| source.set_continuous())?;
            self.note_playing(Playing::Continuous);
        }
        Ok(())
    }

    pub(crate) fn playing(&self) -> Playing {
        *self.shared.playing.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn note_playing(&self, playing: Playing) {
        *self.shared.playing.lock().unwrap_or_else(PoisonError::into_inner) = playing;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The guard gets the crest factor as it was given, to refuse what no signal has; the ramp goes by the peaks (definition:
    /// a sine's are the square root of two over its rms).
    #[test]
    fn a_crest_factor_that_no_signal_has_reaches_the_guard() {
        let noise = |crest| NoiseDrive { kind: NoiseKind::White, level_vrms: 0.1, crest };
        for crest in [f64::NAN, 0.5] {
            let command = Command::noise(0.1, noise(Some(crest)).judged_crest());
            assert!(matches!(command, Command::SourceTwoTone { second_vrms, .. } if second_vrms.is_nan()));
        }
        assert!((noise(Some(4.0)).peak_vrms() - 0.4 / std::f64::consts::SQRT_2).abs() < 1e-12);
        assert_eq!(noise(Some(1.2)).peak_vrms(), 0.1);
    }
}
