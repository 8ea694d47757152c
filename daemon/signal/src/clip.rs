//! A record as something to listen to: within the band, at a player's rate, at a loudness of one's choice.

use realfft::num_complex::Complex;

use crate::Weighting;
use crate::spectrum::{forward, inverse_plan, run_inverse};

/// Upper edge of what is kept, Hz: what an ear hears, and a player's own filter lets pass.
const BAND_HZ: f64 = 20_000.0;
/// Length of the rise at the beginning and of the fall at the end, s: no click.
const FADE_S: f64 = 0.02;
/// Shortest record, s.
const SHORTEST_S: f64 = 0.2;

/// A clip.
#[derive(Debug, Clone, PartialEq)]
pub struct Clip {
    /// Samples per second, Hz.
    pub rate_hz: f64,
    /// Samples re full scale, -1 to 1.
    pub samples: Vec<f64>,
    /// Full scale over the record's unit, as a ratio.
    pub gain: f64,
}

/// Why a record makes no clip.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoClip {
    /// Too short to be listened to.
    #[error("the record is shorter than {SHORTEST_S} s: capture more samples (digitizer(#{{ samples }}))")]
    TooShort,
    /// Nothing in it to be heard.
    #[error("the record is silent, or holds samples that are no numbers")]
    Silent,
    /// Its peaks would be cut.
    #[error(
        "at this loudness its peaks reach {peak:.2} times full scale: ask for {peak_db:.1} dB less at least"
    )]
    Loud {
        /// Highest sample, re full scale.
        peak: f64,
        /// The same in dB.
        peak_db: f64,
    },
}

/// Makes a clip at `rate_hz` whose A-weighted rms (IEC 61672-1) lies `loudness_db` re that of a sine of full scale. Clips of
/// one tone with more or less distortion are as loud as each other then (common practice, no source).
///
/// # Errors
/// [`NoClip`].
pub fn clip(samples: &[f64], fs_hz: f64, rate_hz: f64, loudness_db: f64) -> Result<Clip, NoClip> {
    let count = samples.len();
    if !(count as f64 >= SHORTEST_S * fs_hz) {
        return Err(NoClip::TooShort);
    }
    if !samples.iter().all(|sample| sample.is_finite()) {
        return Err(NoClip::Silent);
    }
    let lines = forward(&mut samples.to_vec());
    let length = (count as f64 * rate_hz / fs_hz).round() as usize;
    let bin_hz = fs_hz / count as f64;
    let mut kept = vec![Complex::new(0.0, 0.0); length / 2 + 1];
    let top = ((BAND_HZ.min(0.499 * rate_hz) / bin_hz) as usize).min(lines.len().saturating_sub(1));
    let mut loud_ms = 0.0;
    // From the first line on: direct voltage is not heard.
    for (line, (to, from)) in kept.iter_mut().zip(&lines).enumerate().take(top + 1).skip(1) {
        *to = *from;
        loud_ms += 2.0 * from.norm_sqr() * Weighting::A.power_gain(line as f64 * bin_hz);
    }
    let loud_rms = loud_ms.sqrt() / count as f64;
    if !(loud_rms > 0.0) {
        return Err(NoClip::Silent);
    }
    let mut played = vec![0.0; length];
    run_inverse(inverse_plan(length).as_ref(), &mut kept, &mut played);
    let gain = 0.5f64.sqrt() * 10f64.powf(loudness_db / 20.0) / loud_rms;
    let fade = ((FADE_S * rate_hz) as usize).max(1);
    for (index, sample) in played.iter_mut().enumerate() {
        let from_end = index.min(length - 1 - index);
        let share = (from_end as f64 / fade as f64).min(1.0);
        *sample *= gain / count as f64 * 0.5 * (1.0 - (std::f64::consts::PI * share).cos());
    }
    let peak = played.iter().fold(0.0f64, |peak, sample| peak.max(sample.abs()));
    if peak > 1.0 {
        return Err(NoClip::Loud { peak, peak_db: 20.0 * peak.log10() });
    }
    Ok(Clip { rate_hz, samples: played, gain })
}

#[cfg(test)]
mod tests {
    use super::*;

    const FS_HZ: f64 = 192_000.0;

    fn tone(hz: f64, peak: f64, third: f64) -> Vec<f64> {
        let volt = |n: usize| {
            let turn = std::f64::consts::TAU * hz * n as f64 / FS_HZ;
            3.0 + peak * (turn.sin() + third * (3.0 * turn).sin())
        };
        (0..192_000).map(volt).collect()
    }

    /// By definition: a sine at 1 kHz, where the A-weighting is 0 dB, 20 dB below one of full scale has a peak of 0.1; what
    /// lies in the clip is the tone itself at the player's rate.
    #[test]
    fn a_tone_comes_out_at_its_frequency_and_the_loudness_asked_for() {
        let made = clip(&tone(1000.0, 25.0, 0.0), FS_HZ, 48_000.0, -20.0).unwrap();
        assert_eq!(made.samples.len(), 48_000);
        assert!((made.gain * 25.0 - 0.1).abs() < 1e-9, "{}", made.gain);
        for (index, sample) in made.samples.iter().enumerate().skip(2_000).take(44_000) {
            let truth = 0.1 * (std::f64::consts::TAU * 1000.0 * index as f64 / 48_000.0).sin();
            assert!((sample - truth).abs() < 1e-9, "{index}: {sample} {truth}");
        }
        assert!(made.samples[0].abs() < 1e-12 && made.samples[47_999].abs() < 1e-12, "faded");
    }

    /// Equal A-weighted rms, whatever the distortion: power of both parts by the weighting's gain at their frequencies.
    #[test]
    fn distorted_and_clean_are_equally_loud() {
        let made = clip(&tone(1000.0, 1.0, 0.5), FS_HZ, 48_000.0, -20.0).unwrap();
        let third = 0.25 * Weighting::A.power_gain(3000.0);
        assert!((made.gain * (1.0 + third).sqrt() - 0.1).abs() < 1e-9, "{}", made.gain);
    }

    #[test]
    fn what_makes_no_clip_is_told() {
        let tone = tone(1000.0, 1.0, 0.0);
        assert_eq!(clip(&tone[..1000], FS_HZ, 48_000.0, -20.0), Err(NoClip::TooShort));
        assert_eq!(clip(&vec![0.0; 96_000], FS_HZ, 48_000.0, -20.0), Err(NoClip::Silent));
        assert_eq!(clip(&vec![f64::NAN; 96_000], FS_HZ, 48_000.0, -20.0), Err(NoClip::Silent));
        assert!(matches!(clip(&tone, FS_HZ, 48_000.0, 6.0), Err(NoClip::Loud { .. })));
    }
}
