//! Clips of captured outputs to be listened to: WAV files in the run's folder.

use std::io::Cursor;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use wattproof_signal::{Clip, clip};

use crate::RunError;
use crate::stage::Stage;

/// Samples per second: every player has it.
const RATE_HZ: u32 = 48_000;
/// Bits per sample.
const BITS: u16 = 16;
/// Longest name, characters.
const NAME_CHARS_MAX: usize = 60;

/// A clip, as recorded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClipRecord {
    /// The file, in the run's folder.
    pub file: String,
    /// The step whose capture it is of.
    pub step: u64,
    /// Amplifier channel or bridge, from 1.
    pub channel: u32,
    /// A-weighted level re a sine of full scale, dB.
    pub loudness_db: f64,
    /// Full scale over volts, per V.
    pub gain_per_v: f64,
    /// Its length, s.
    pub seconds: f64,
    /// SHA-256 of the file.
    pub sha256: String,
}

impl Stage {
    /// Saves the last step's capture of a channel as a clip of a loudness.
    pub fn save_clip(&mut self, name: &str, channel: u32, loudness_db: f64) -> Result<ClipRecord, RunError> {
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
        if name.is_empty() || name.len() > NAME_CHARS_MAX || !name.chars().all(plain) {
            return Err(RunError::Call(format!(
                "save_clip() takes a name of letters, digits, '-', '_' and '.', at most {NAME_CHARS_MAX} of them, not {name:?}"
            )));
        }
        let (step, channels) = self.last_capture().ok_or_else(|| {
            RunError::Call("save_clip() saves the capture of the last step: capture() first".into())
        })?;
        let found = channels.iter().find(|one| one.amplifier_channel == channel);
        let captured = found.ok_or_else(|| {
            RunError::Call(format!("save_clip(): the last capture has no channel {channel}"))
        })?;
        let (volts, fs_hz) = (&captured.capture.volts, captured.capture.fs_hz);
        let made = clip(volts, fs_hz, f64::from(RATE_HZ), loudness_db)
            .map_err(|error| RunError::Call(format!("save_clip(): {error}")))?;
        let bytes = wav(&made).map_err(|error| RunError::Call(format!("save_clip(): {error}")))?;
        let record = ClipRecord {
            file: format!("clip-{name}.wav"),
            step,
            channel,
            loudness_db,
            gain_per_v: made.gain,
            seconds: made.samples.len() as f64 / made.rate_hz,
            sha256: Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect(),
        };
        // On the disk before the journal says so; a run that is answered from its journal has it.
        if self.writes() {
            let path = self.bench.folder().file(&record.file);
            let written = self.bench.folder().disk().write_whole(&path, &bytes);
            written.map_err(|source| RunError::Folder { path, source })?;
        }
        self.journal("clip", &record)?;
        Ok(record)
    }
}

fn wav(clip: &Clip) -> Result<Vec<u8>, hound::Error> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ,
        bits_per_sample: BITS,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec)?;
    for sample in &clip.samples {
        writer.write_sample((sample * f64::from(i16::MAX)).round() as i16)?;
    }
    writer.finalize()?;
    Ok(bytes.into_inner())
}
