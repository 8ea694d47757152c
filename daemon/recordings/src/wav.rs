//! WAV: integers of 8 to 32 bits and 32-bit floats.

use std::io::Read;

use hound::{SampleFormat, WavReader};

use crate::error::RecordingError;
use crate::recording::{CHANNELS_MAX, Channel, RATE_MAX_HZ, Recording, SAMPLES_MAX, Wanted};

/// Length that a recorder writes which can't go back to fill it in (common practice, no source).
const UNKNOWN: [u8; 4] = [0xff; 4];

/// Gives a header whose data length is unknown the largest length there is; true if it was so.
pub(crate) fn close(head: &mut [u8]) -> bool {
    let (mut at, mut frame_bytes) = (12_usize, 1);
    loop {
        let Some((name, length)) = head.get(at..at + 8).map(|chunk| chunk.split_at(4)) else { return false };
        let length: [u8; 4] = length.try_into().unwrap_or_default();
        if name == b"fmt " {
            frame_bytes = head.get(at + 20..at + 22).map_or(1, |b| u32::from(b[0]) + 256 * u32::from(b[1]));
        }
        if name == b"data" {
            let whole = u32::MAX - u32::MAX.checked_rem(frame_bytes).unwrap_or(0);
            if length == UNKNOWN {
                head[at + 4..at + 8].copy_from_slice(&whole.to_le_bytes());
            }
            return length == UNKNOWN;
        }
        // Chunks are padded to an even length.
        let length = u32::from_le_bytes(length) as usize;
        at = at.saturating_add(8).saturating_add(length).saturating_add(length % 2).min(usize::MAX / 2);
    }
}

/// Reads a WAV file; `open_ended` if its header doesn't know how much it holds. Integers of n bits are divided by 2^(n−1), so that full scale is the most negative code.
pub(crate) fn read(
    source: impl Read,
    open_ended: bool,
    wanted: &Wanted,
) -> Result<Recording, RecordingError> {
    let mut wav =
        WavReader::new(source).map_err(|error| RecordingError::Header { why: error.to_string() })?;
    let spec = wav.spec();
    let (channels, fs_hz) = (usize::from(spec.channels), f64::from(spec.sample_rate));
    if channels > CHANNELS_MAX {
        return Err(RecordingError::TooManyChannels { channels, max: CHANNELS_MAX });
    }
    if channels == 0 {
        return Err(RecordingError::Header { why: "no channel".into() });
    }
    if !(fs_hz > 0.0 && fs_hz <= RATE_MAX_HZ) {
        return Err(RecordingError::Rate { fs_hz });
    }
    let promised = u64::from(wav.len()) / channels as u64;
    let mut taking = Taking::new(channels, fs_hz, wanted);
    let done = match spec.sample_format {
        SampleFormat::Int => {
            let half = 2_f64.powi(i32::from(spec.bits_per_sample) - 1);
            let samples = wav.samples::<i32>().map(|sample| sample.map(|code| f64::from(code) / half));
            let done = taking.take(samples)?;
            taking.limit(Some((half - 1.0) / half));
            done
        }
        SampleFormat::Float => {
            let done = taking.take(wav.samples::<f32>().map(|sample| sample.map(f64::from)))?;
            // Samples beyond 1 show that 1 is not where the converter ends.
            let within = |channel: &Channel| channel.samples.iter().all(|sample| sample.abs() <= 1.0 + 1e-6);
            let bounded = taking.channels.iter().all(within);
            taking.limit(bounded.then_some(1.0));
            done
        }
    };
    if let Done::Ended { frames } = done
        && frames < promised
        && !open_ended
    {
        return Err(RecordingError::Truncated { frames, promised });
    }
    if taking.taken == 0 {
        return Err(RecordingError::NoSamples);
    }
    Ok(Recording { fs_hz, channels: taking.channels, relative: true })
}

enum Done {
    /// All that was wanted is there.
    Enough,
    /// The data ended after so many whole frames.
    Ended { frames: u64 },
}

/// Frames on their way into channels.
struct Taking {
    channels: Vec<Channel>,
    kept: Vec<bool>,
    skip: u64,
    length: u64,
    taken: u64,
}

impl Taking {
    fn new(channels: usize, fs_hz: f64, wanted: &Wanted) -> Self {
        let (skip, length) = wanted.samples(fs_hz);
        let kept = (0..channels).map(|channel| wanted.keeps(channel)).collect();
        Self { channels: vec![Channel::default(); channels], kept, skip, length, taken: 0 }
    }

    fn take(
        &mut self,
        mut samples: impl Iterator<Item = Result<f64, hound::Error>>,
    ) -> Result<Done, RecordingError> {
        let mut frame = vec![0.0; self.channels.len()];
        let mut frames: u64 = 0;
        loop {
            if frames >= self.skip && self.taken >= self.length {
                return Ok(Done::Enough);
            }
            for place in &mut frame {
                match samples.next() {
                    Some(Ok(sample)) => *place = sample,
                    // The file ends within its data: how far it came is told by the count.
                    Some(Err(hound::Error::IoError(error))) if ends(&error) => {
                        return Ok(Done::Ended { frames });
                    }
                    Some(Err(hound::Error::IoError(error))) => return Err(RecordingError::Unreadable(error)),
                    Some(Err(error)) => return Err(RecordingError::Header { why: error.to_string() }),
                    None => return Ok(Done::Ended { frames }),
                }
            }
            if frames >= self.skip {
                if self.taken as usize >= SAMPLES_MAX {
                    return Err(RecordingError::TooLong { max: SAMPLES_MAX });
                }
                self.taken += 1;
                let kept = self.channels.iter_mut().zip(&self.kept).zip(&frame);
                for ((channel, _), sample) in kept.filter(|((_, kept), _)| **kept) {
                    channel.samples.push(*sample);
                }
            }
            frames += 1;
        }
    }

    fn limit(&mut self, limit: Option<f64>) {
        for channel in &mut self.channels {
            channel.limit = limit;
        }
    }
}

/// True if the error says that the bytes ran out: the reader's own, or the one that the WAV crate makes up.
fn ends(error: &std::io::Error) -> bool {
    error.kind() == std::io::ErrorKind::UnexpectedEof || error.to_string().contains("enough bytes")
}
