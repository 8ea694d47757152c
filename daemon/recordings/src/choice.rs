//! Which channels are voltage and current, and how they scale.

use wattproof_signal::Capture;

use crate::error::RecordingError;
use crate::recording::{Channel, Recording};
use crate::titles::scaled_unit;

/// Channels to take, and what their full scale means.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Channel of the voltage, from 1.
    pub volts_channel: usize,
    /// Channel of the current, from 1, if there is one.
    pub amps_channel: Option<usize>,
    /// Voltage at a sample of 1, in V; `None` leaves samples as they are.
    pub volts_full_scale: Option<f64>,
    /// Current at a sample of 1, in A; `None` leaves samples as they are.
    pub amps_full_scale: Option<f64>,
}

impl Choice {
    /// The capture of the chosen channels. Its full scales are those of the file's format where it has one, so
    /// that a converter driven to its limits is noticed.
    pub fn capture(&self, recording: &Recording) -> Result<Capture, RecordingError> {
        let (volts, volts_full_scale) = scaled(
            pick(recording, self.volts_channel)?,
            self.volts_full_scale,
            ("volts", "--volts-full-scale"),
        )?;
        let amps = match self.amps_channel {
            Some(wanted) => {
                let of = ("amperes", "--amps-full-scale");
                Some(scaled(pick(recording, wanted)?, self.amps_full_scale, of)?)
            }
            None => None,
        };
        let (amps, amps_full_scale) = amps.map_or((None, None), |(amps, limit)| (Some(amps), limit));
        let fs_hz = recording.fs_hz;
        Ok(Capture { fs_hz, volts, amps, volts_full_scale, amps_full_scale, ..Capture::default() })
    }
}

fn pick(recording: &Recording, wanted: usize) -> Result<&Channel, RecordingError> {
    let channels = recording.channels.len();
    let channel = wanted.checked_sub(1).and_then(|index| recording.channels.get(index));
    channel.ok_or(RecordingError::NoSuchChannel { wanted, channels })
}

/// Samples and their limit in the unit wanted, of which one of a sample's is `factor`.
fn scaled(
    channel: &Channel,
    factor: Option<f64>,
    (wanted, option): (&'static str, &'static str),
) -> Result<(Vec<f64>, Option<f64>), RecordingError> {
    let title = channel.name.clone().unwrap_or_default();
    if let (None, Some((unit, factor))) = (factor, scaled_unit(&title)) {
        return Err(RecordingError::Unit { title, unit, wanted, option, factor });
    }
    let factor = factor.unwrap_or(1.0);
    let samples = channel.samples.iter().map(|sample| sample * factor).collect();
    Ok((samples, channel.limit.map(|limit| limit * factor)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scaling_carries_the_limit_along() {
        // Definition of digital full scale; no outside source.
        let channel = |samples: &[f64]| Channel { samples: samples.to_vec(), limit: Some(0.5), name: None };
        let recording =
            Recording { fs_hz: 10.0, channels: vec![channel(&[0.1]), channel(&[-0.2])], relative: true };
        let mut choice = Choice {
            volts_channel: 2,
            amps_channel: Some(1),
            volts_full_scale: Some(100.0),
            amps_full_scale: None,
        };
        let capture = choice.capture(&recording).unwrap();
        assert_eq!((capture.volts, capture.volts_full_scale), (vec![-20.0], Some(50.0)));
        assert_eq!((capture.amps, capture.amps_full_scale), (Some(vec![0.1]), Some(0.5)));
        for wanted in [0, 3] {
            choice.volts_channel = wanted;
            let error = choice.capture(&recording).unwrap_err().to_string();
            assert!(error.contains("2 channels"), "{error}");
        }
    }

    #[test]
    fn a_title_in_millivolts_wants_to_be_told_what_they_are() {
        // SI prefixes: milli is 10^-3, micro 10^-6, kilo 10^3.
        let channel = |name: &str| Channel { samples: vec![5.0], name: Some(name.into()), limit: None };
        let take = |name: &str, volts_full_scale: Option<f64>, amps_full_scale: Option<f64>| {
            let channels = vec![channel(name), channel("CH2 (mA)")];
            let recording = Recording { fs_hz: 10.0, channels, relative: false };
            let amps_channel = amps_full_scale.map(|_| 2);
            Choice { volts_channel: 1, amps_channel, volts_full_scale, amps_full_scale }.capture(&recording)
        };
        for (name, factor) in [("Kanal A (mV)", "1e-3"), ("u / \u{b5}V", "1e-6"), ("CH1 kV", "1e3")] {
            let error = take(name, None, None).unwrap_err().to_string();
            assert!(error.contains(&format!("--volts-full-scale {factor}")), "{error}");
            assert_eq!(take(name, Some(0.001), None).unwrap().volts, [0.005]);
        }
        for name in ["CH1 (V)", "volts", "mvolume", ""] {
            assert_eq!(take(name, None, None).unwrap().volts, [5.0], "{name}");
        }
        assert_eq!(take("V", None, Some(0.002)).unwrap().amps, Some(vec![0.01]));
    }
}
