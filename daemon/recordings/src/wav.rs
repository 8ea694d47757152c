//! WAV: integers of 2 to 32 bits, floats of 32 and 64 bits.

use std::io::Read;

use crate::error::RecordingError;
use crate::recording::{CHANNELS_MAX, Channel, RATE_MAX_HZ, Recording, SAMPLES_MAX, Wanted};
use crate::riff::{Coding, head};

/// Frames that are read at once.
const FRAMES: usize = 4096;

/// Reads a WAV file. Integers of n bits are divided by 2^(n−1), so that full scale is the most negative code.
pub(crate) fn read(mut source: impl Read, wanted: &Wanted) -> Result<Recording, RecordingError> {
    let head = head(&mut source)?;
    let (channels, fs_hz) = (head.channels, head.fs_hz);
    if channels > CHANNELS_MAX {
        return Err(RecordingError::TooManyChannels { channels, max: CHANNELS_MAX });
    }
    if !(fs_hz > 0.0 && fs_hz <= RATE_MAX_HZ) {
        return Err(RecordingError::Rate { fs_hz });
    }
    let frame_bytes = (channels * head.coding.bytes()) as u64;
    let promised = head.data_bytes.map(|bytes| bytes / frame_bytes);
    let samples = source.take(promised.map_or(u64::MAX, |frames| frames * frame_bytes));
    let (skip, length) = wanted.samples(fs_hz);
    let mut taking = Taking {
        channels: vec![Channel::default(); channels],
        kept: (0..channels).map(|channel| wanted.keeps(channel)).collect(),
        coding: head.coding,
        low_bits: 0,
        taken: 0,
    };
    let frames = taking.take(samples, skip, length)?;
    // Having come as far as was wanted, it does not matter how the file ends.
    let enough = frames >= skip && taking.taken >= length;
    match promised {
        Some(promised) if frames < promised && !enough => {
            return Err(RecordingError::Truncated { frames, promised });
        }
        _ if taking.taken == 0 => return Err(RecordingError::NoSamples),
        _ => taking.finish()?,
    }
    Ok(Recording { fs_hz, channels: taking.channels, relative: true })
}

/// Frames on their way into channels.
struct Taking {
    channels: Vec<Channel>,
    kept: Vec<bool>,
    coding: Coding,
    /// Bits met below those that count.
    low_bits: i32,
    taken: u64,
}

impl Taking {
    /// Takes up to `length` frames after `skip`, and tells how many whole frames were met.
    fn take(&mut self, mut source: impl Read, skip: u64, length: u64) -> Result<u64, RecordingError> {
        let frame_bytes = self.channels.len() * self.coding.bytes();
        let mut before = (&mut source).take(skip.saturating_mul(frame_bytes as u64));
        let passed = std::io::copy(&mut before, &mut std::io::sink()).map_err(RecordingError::Unreadable)?;
        let passed = passed / frame_bytes as u64;
        let mut bytes = vec![0; FRAMES * frame_bytes];
        while passed == skip && self.taken < length {
            let frames = (length - self.taken).min(FRAMES as u64) as usize;
            let room = &mut bytes[..frames * frame_bytes];
            let filled = fill(&mut source, room)?;
            let whole = filled / frame_bytes;
            if self.taken + whole as u64 > SAMPLES_MAX as u64 {
                return Err(RecordingError::TooLong { max: SAMPLES_MAX });
            }
            self.taken += whole as u64;
            for frame in room[..whole * frame_bytes].chunks_exact(frame_bytes) {
                self.push(frame);
            }
            if filled < room.len() {
                break;
            }
        }
        Ok(passed + self.taken)
    }

    fn push(&mut self, frame: &[u8]) {
        let width = self.coding.bytes();
        let places = self.channels.iter_mut().zip(&self.kept).zip(frame.chunks_exact(width));
        for ((channel, _), bytes) in places.filter(|((_, kept), _)| **kept) {
            let sample = match (self.coding, bytes) {
                (Coding::Float32, &[a, b, c, d]) => f64::from(f32::from_le_bytes([a, b, c, d])),
                (Coding::Float64, &[a, b, c, d, e, f, g, h]) => f64::from_le_bytes([a, b, c, d, e, f, g, h]),
                (Coding::Integer { bits, .. }, bytes) => {
                    let code = upmost(bytes);
                    self.low_bits |= code & below(bits);
                    f64::from(code) / FULL_SCALE
                }
                // No other widths come out of a frame's chunks.
                _ => f64::NAN,
            };
            channel.samples.push(sample);
        }
    }

    /// Sets the samples' limits. Refuses integers that were written at the lower end of their bytes.
    fn finish(&mut self) -> Result<(), RecordingError> {
        let limit = match self.coding {
            Coding::Integer { bytes, bits } => {
                // What stands there may be a level or 2^(8·bytes − bits) times it: nothing tells which.
                let lower_end = 2_f64.powi(bits as i32 - 8 * bytes as i32);
                let fits = |channel: &Channel| channel.samples.iter().all(|x| x.abs() <= lower_end);
                if self.low_bits != 0 && self.channels.iter().all(fits) {
                    let wide = 8 * bytes;
                    let why =
                        format!("its samples of {bits} bits do not stand at the upper end of their {wide}");
                    return Err(RecordingError::Header { why });
                }
                Some(1.0 - 0.5_f64.powi(bits as i32 - 1))
            }
            Coding::Float32 | Coding::Float64 => {
                // Samples beyond 1 show that 1 is not where the converter ends.
                let within = |channel: &Channel| channel.samples.iter().all(|x| x.abs() <= 1.0 + 1e-6);
                self.channels.iter().all(within).then_some(1.0)
            }
        };
        for channel in &mut self.channels {
            channel.limit = limit;
        }
        Ok(())
    }
}

/// Full scale of integers moved to the upper end of 32 bits.
const FULL_SCALE: f64 = 2_147_483_648.0;

/// An integer of one to four bytes at the upper end of 32 bits. One byte alone counts from 128 (Microsoft and IBM, 1991).
fn upmost(bytes: &[u8]) -> i32 {
    match *bytes {
        [a] => i32::from_le_bytes([0, 0, 0, a ^ 0x80]),
        [a, b] => i32::from_le_bytes([0, 0, a, b]),
        [a, b, c] => i32::from_le_bytes([0, a, b, c]),
        [a, b, c, d] => i32::from_le_bytes([a, b, c, d]),
        // Heads with other widths are refused.
        _ => 0,
    }
}

/// Mask of what lies below so many bits at the upper end of 32: zeros where samples stand there, as the format demands.
fn below(bits: u32) -> i32 {
    (u32::MAX.checked_shr(bits).unwrap_or(0)) as i32
}

/// Fills as much of `room` as there is.
fn fill(source: &mut impl Read, room: &mut [u8]) -> Result<usize, RecordingError> {
    let mut filled = 0;
    while filled < room.len() {
        match source.read(&mut room[filled..]) {
            Ok(0) => break,
            Ok(count) => filled += count,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(RecordingError::Unreadable(error)),
        }
    }
    Ok(filled)
}
