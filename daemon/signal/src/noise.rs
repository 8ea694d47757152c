//! What a record of noise tells: levels and powers over the whole record. Noise has no fundamental, and so no
//! distortion.

use serde::{Deserialize, Serialize};

use crate::{Capture, Flag};

/// Shortest record of noise, in samples: below, its rms says little of the next one's.
const SAMPLES_MIN: usize = 256;
/// A sample counts as at the converter's limit from this share of its full scale on.
const AT_LIMIT: f64 = 0.999;

/// What a record of noise tells.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct NoiseReading {
    /// True rms of the voltage, dc included, V.
    pub out_vrms: Option<f64>,
    /// True rms of the current, A.
    pub out_irms: Option<f64>,
    /// Highest voltage, V.
    pub out_vpk: Option<f64>,
    /// Mean voltage, V.
    pub dc_v: Option<f64>,
    /// Mean of volts times amperes over the record, W (IEEE Std 1459).
    pub active_w: Option<f64>,
    /// V·I, VA.
    pub apparent_va: Option<f64>,
    /// Active over apparent power.
    pub power_factor: Option<f64>,
    /// Peak over rms, as a ratio.
    pub crest_factor: Option<f64>,
    /// What to know of it; always that it tells no distortion.
    pub flags: Vec<Flag>,
}

/// Reads a record of noise.
pub fn read_noise(capture: &Capture) -> NoiseReading {
    let mut reading = NoiseReading { flags: vec![Flag::NoDistortion], ..NoiseReading::default() };
    let (volts, amps) = (&capture.volts, capture.amps.as_deref());
    if volts.len() < SAMPLES_MIN || amps.is_some_and(|amps| amps.len() != volts.len()) {
        reading.flags.push(Flag::MissingSamples);
        return reading;
    }
    if !volts.iter().chain(amps.unwrap_or_default()).all(|sample| sample.is_finite()) {
        reading.flags.push(Flag::InvalidSamples);
        return reading;
    }
    let at_limit = |samples: &[f64], full_scale: Option<f64>| {
        full_scale.is_some_and(|full| samples.iter().any(|sample| sample.abs() >= AT_LIMIT * full))
    };
    if at_limit(volts, capture.volts_full_scale)
        || at_limit(amps.unwrap_or_default(), capture.amps_full_scale)
    {
        reading.flags.push(Flag::AdcOverrange);
    }
    let mean = |values: &mut dyn Iterator<Item = f64>| values.sum::<f64>() / volts.len() as f64;
    let rms = |samples: &[f64]| mean(&mut samples.iter().map(|sample| sample * sample)).sqrt();
    let (out_vrms, out_vpk) = (rms(volts), volts.iter().fold(0.0_f64, |peak, v| peak.max(v.abs())));
    reading.out_vrms = Some(out_vrms);
    reading.out_vpk = Some(out_vpk);
    reading.dc_v = Some(mean(&mut volts.iter().copied()));
    reading.crest_factor = (out_vrms > 0.0).then(|| out_vpk / out_vrms);
    if let Some(amps) = amps {
        let (out_irms, active_w) = (rms(amps), mean(&mut volts.iter().zip(amps).map(|(v, a)| v * a)));
        let apparent_va = out_vrms * out_irms;
        reading.out_irms = Some(out_irms);
        reading.active_w = Some(active_w);
        reading.apparent_va = Some(apparent_va);
        reading.power_factor = (apparent_va > 0.0).then(|| active_w / apparent_va);
    }
    reading
}

#[cfg(test)]
mod tests {
    use super::*;

    fn capture(volts: Vec<f64>, amps: Option<Vec<f64>>) -> Capture {
        Capture {
            fs_hz: 48_000.0,
            volts,
            amps,
            volts_full_scale: Some(10.0),
            amps_full_scale: None,
            ..Capture::default()
        }
    }

    /// Definitions, on numbers that need no calculator: ±2 V into 4 ohm are 1 W, whatever the order of the signs.
    #[test]
    fn levels_and_powers_are_those_of_their_definitions() {
        let sign = |k: usize| if (k * 7919) % 13 < 6 { -1.0 } else { 1.0 };
        let volts: Vec<f64> = (0..4000).map(|k| 2.0 * sign(k)).collect();
        let amps: Vec<f64> = volts.iter().map(|v| v / 4.0).collect();
        let reading = read_noise(&capture(volts.clone(), Some(amps.clone())));
        assert_eq!((reading.out_vrms, reading.out_irms, reading.active_w), (Some(2.0), Some(0.5), Some(1.0)));
        assert_eq!((reading.crest_factor, reading.power_factor), (Some(1.0), Some(1.0)));
        assert_eq!(reading.flags, [Flag::NoDistortion]);
        // A current that follows nothing of the voltage carries no power.
        let apart: Vec<f64> = (0..4000).map(|k| if k % 2 == 0 { 0.5 } else { -0.5 }).collect();
        let steady: Vec<f64> = vec![2.0; 4000];
        assert_eq!(read_noise(&capture(steady, Some(apart))).active_w, Some(0.0));
        assert_eq!(read_noise(&capture(volts, None)).active_w, None, "without a current there is no power");
    }

    #[test]
    fn what_can_not_be_read_is_absent_and_flagged() {
        let short = read_noise(&capture(vec![1.0; 10], None));
        assert_eq!((short.out_vrms, short.flags.contains(&Flag::MissingSamples)), (None, true));
        let mut broken = vec![1.0; 1000];
        broken[7] = f64::NAN;
        let broken = read_noise(&capture(broken, None));
        assert_eq!((broken.out_vrms, broken.flags.contains(&Flag::InvalidSamples)), (None, true));
        let mut loud = vec![1.0; 1000];
        loud[3] = -10.0;
        assert!(read_noise(&capture(loud, None)).flags.contains(&Flag::AdcOverrange));
    }
}
