//! The bench file: which instruments in which roles on which links, channel scaling, calibration, limits.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use wattproof_guard::Limits;
use wattproof_link::Address;

use crate::CalibratedChannel;
use crate::place::toml_place;

/// A bench, as its owner wrote it down.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BenchFile {
    /// The bench's name.
    pub name: String,
    /// Mains frequency at the bench, Hz (for hum).
    #[serde(default = "mains_hz")]
    pub mains_hz: f64,
    /// Limits that no script can exceed.
    pub limits: Limits,
    /// Signal source.
    pub source: SourcePlace,
    /// Programmable load.
    pub load: LoadPlace,
    /// Bench supply.
    pub supply: SupplyPlace,
    /// Digitizer.
    pub digitizer: DigitizerPlace,
    /// Thermometer on the heatsink.
    pub thermometer: ThermometerPlace,
}

fn mains_hz() -> f64 {
    50.0
}

/// The signal source's place.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourcePlace {
    /// Where it is.
    pub link: Address,
    /// Its dialect: a shipped name or a path to a TOML file.
    pub dialect: String,
    /// Source output that drives each amplifier channel, in order.
    pub outputs: Vec<u32>,
    /// Time that output and amplifier need after a change, ms.
    pub settle_ms: u64,
}

/// The load's place.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LoadPlace {
    /// Where it is.
    pub link: Address,
    /// Its dialect.
    pub dialect: String,
    /// Load channel on each amplifier channel, in order.
    pub channels: Vec<u32>,
    /// Time it needs after a change, ms.
    pub settle_ms: u64,
    /// Tolerance of the resistance as a half-width, %.
    pub tolerance_pct: f64,
}

/// The supply's place.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SupplyPlace {
    /// Where it is.
    pub link: Address,
    /// Its dialect.
    pub dialect: String,
    /// Time it needs after a change, ms.
    pub settle_ms: u64,
    /// Tolerance of its voltage as a half-width, %.
    pub tolerance_pct: f64,
}

/// The digitizer's place.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DigitizerPlace {
    /// Where it is.
    pub link: Address,
    /// Its dialect.
    pub dialect: String,
    /// Samples per second and channel.
    pub rate_hz: f64,
    /// Samples per channel in one capture.
    pub samples: usize,
    /// Its channels.
    pub channel: Vec<CalibratedChannel>,
}

/// The thermometer's place.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThermometerPlace {
    /// Where it is.
    pub link: Address,
    /// Its dialect.
    pub dialect: String,
    /// Its input on the heatsink.
    pub channel: u32,
}

/// A bench file that can't be used.
#[derive(Debug, thiserror::Error)]
pub enum BenchFileError {
    /// It can't be read.
    #[error("bench file {path}: {source}; give the path of a bench file with --bench")]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It isn't a bench file.
    #[error("bench file {place}: {message}")]
    Parse {
        /// file:line:col.
        place: String,
        /// What is wrong.
        message: String,
    },
    /// It contradicts itself.
    #[error("bench file {path}: {what}; mend the file and try again")]
    Sense {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
}

impl BenchFile {
    /// Reads and checks a bench file.
    ///
    /// # Errors
    /// [`BenchFileError`], naming file, line and column where it can.
    pub fn read(path: &Path) -> Result<Self, BenchFileError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| BenchFileError::Read { path: path.into(), source })?;
        Self::parse(path, &text)
    }

    /// Parses and checks the text of a bench file; `path` is for messages only.
    ///
    /// # Errors
    /// As [`BenchFile::read`].
    pub fn parse(path: &Path, text: &str) -> Result<Self, BenchFileError> {
        let file: BenchFile = toml::from_str(text).map_err(|error| BenchFileError::Parse {
            place: toml_place(path, text, error.span()),
            message: error.message().to_string(),
        })?;
        file.check().map_err(|what| BenchFileError::Sense { path: path.into(), what })?;
        Ok(file)
    }

    /// How many amplifier channels the bench serves.
    pub fn amplifier_channels(&self) -> usize {
        self.source.outputs.len()
    }

    fn check(&self) -> Result<(), String> {
        self.limits.check().map_err(|error| format!("[limits] {error}"))?;
        let channels = self.source.outputs.len();
        if channels == 0 || channels != self.load.channels.len() {
            return Err(format!(
                "[source] outputs has {channels} entries and [load] channels {}; both need one per amplifier channel",
                self.load.channels.len()
            ));
        }
        for number in 1..=channels as u32 {
            let found = |measures| {
                self.digitizer
                    .channel
                    .iter()
                    .filter(|c| c.amplifier_channel == number && c.measures == measures)
                    .count()
            };
            for (measures, word) in [(crate::Measures::Volts, "volts"), (crate::Measures::Amps, "amps")] {
                if found(measures) != 1 {
                    return Err(format!(
                        "[[digitizer.channel]] needs exactly one entry with amplifier_channel = {number} and measures = \"{word}\""
                    ));
                }
            }
        }
        if self
            .digitizer
            .channel
            .iter()
            .any(|c| c.amplifier_channel == 0 || c.amplifier_channel as usize > channels)
        {
            return Err(format!("[[digitizer.channel]] amplifier_channel must be 1 to {channels}"));
        }
        let positive = |name: &str, value: f64| {
            (value.is_finite() && value > 0.0)
                .then_some(())
                .ok_or_else(|| format!("{name} = {value} must be a finite number greater than zero"))
        };
        positive("[digitizer] rate_hz", self.digitizer.rate_hz)?;
        positive("mains_hz", self.mains_hz)?;
        for channel in &self.digitizer.channel {
            positive("[[digitizer.channel]] gain (swap the leads rather than the sign)", channel.gain)?;
            positive("[[digitizer.channel]] range_v", channel.range_v)?;
            positive("[[digitizer.channel]] tolerance_pct", channel.tolerance_pct)?;
        }
        if !(256..=4_000_000).contains(&self.digitizer.samples) {
            return Err(format!("[digitizer] samples = {} must be 256 to 4000000", self.digitizer.samples));
        }
        Ok(())
    }
}
