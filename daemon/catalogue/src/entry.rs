//! What the catalogue holds of one run. All of it comes from the run's folder.

use serde::{Deserialize, Deserializer, Serialize};

/// A run, as far as it was recorded when the entry was made.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// What identifies the run wherever its folder goes: the hash of the first line of its journal, hexadecimal.
    pub key: String,
    /// Lines of its journal. Of two entries of one key, that of more lines is the newer.
    pub lines: u64,
    /// Hash over all of its journal, hexadecimal.
    pub chain: String,
    /// Its name, which is its folder's.
    pub run: String,
    /// Absolute path of its folder on the machine that made the entry.
    pub folder: String,
    /// Name of the bench.
    pub bench: String,
    /// Maker of the amplifier.
    pub maker: String,
    /// Its model.
    pub model: String,
    /// Serial number of the unit.
    pub serial: Option<String>,
    /// Whether amplifier and claims are invented.
    pub invented: bool,
    /// Whether the unit is marked as one that is known to be good, which others are compared with.
    pub golden: bool,
    /// Price, in `currency`.
    pub price: Option<f64>,
    /// Currency of the price, as ISO 4217 has it.
    pub currency: Option<String>,
    /// File name of the script.
    pub script: String,
    /// Hash of the script, hexadecimal.
    pub script_sha256: String,
    /// Who was at the bench.
    pub operator: Option<String>,
    /// When it began, UTC, RFC 3339.
    pub started_utc: String,
    /// When it ended, UTC, RFC 3339; absent while it goes on or when it was cut off.
    pub ended_utc: Option<String>,
    /// `finished`, `stopped` or `failed`; absent likewise.
    pub outcome: Option<String>,
    /// What made it fail.
    pub error: Option<String>,
    /// `short` if any rating or finding is, else `undecided` if any is, else `meets`; absent where none was judged.
    pub verdict: Option<String>,
    /// Steps recorded.
    pub steps: u64,
    /// How often it was resumed.
    pub gaps: u64,
    /// How long the gaps were together, s; absent where one can't be told.
    pub gap_s: Option<f64>,
    /// The worst of its inputs' calibrations: `valid`, `expired` or `missing`; absent in older records.
    pub calibration: Option<String>,
    /// Whether the self-check was `made`, `left_out` or `unfinished`; absent in older records.
    pub selfcheck: Option<String>,
    /// Version of the program that recorded it.
    pub wattproof_version: String,
    /// The ratings judged, in order of their numbers, and those left out.
    pub ratings: Vec<RatingEntry>,
    /// What its script found out, in order.
    pub findings: Vec<FindingEntry>,
    /// Who answered.
    pub instruments: Vec<InstrumentEntry>,
    /// The files that tell the run, by name.
    pub files: Vec<FileEntry>,
}

/// A rating of the nameplate.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct RatingEntry {
    /// Which, from 1.
    pub rating: u64,
    /// Claimed, in `unit`.
    pub rated: Option<f64>,
    /// Measured, in `unit`.
    pub measured: Option<f64>,
    /// Expanded uncertainty (k = 2), in `unit`.
    pub expanded_u: Option<f64>,
    /// `W`, or `V` (rms) of a line stage.
    pub unit: String,
    /// Measured over claimed, dB (of powers 10·lg, of voltages 20·lg).
    pub ratio_db: Option<f64>,
    /// Load, ohm.
    #[serde(deserialize_with = "or_absent")]
    pub load_ohm: f64,
    /// Supply voltage, V.
    #[serde(deserialize_with = "or_absent")]
    pub supply_v: f64,
    /// Test frequency, Hz.
    #[serde(deserialize_with = "or_absent")]
    pub hz: f64,
    /// Channels driven: `all`, `one` or `bridged`.
    pub driven: String,
    /// What the limit applies to: `thdn` or `thd`.
    pub limit_by: String,
    /// Distortion limit, %.
    #[serde(deserialize_with = "or_absent")]
    pub limit_pct: f64,
    /// `meets`, `short` or `undecided`; absent where it was left out.
    pub verdict: Option<String>,
    /// Why the output stops there; absent likewise.
    pub cause: Option<String>,
    /// Output at the ceiling, V rms.
    pub out_vrms: Option<f64>,
    /// Efficiency at the ceiling, %.
    pub efficiency_pct: Option<f64>,
    /// Heatsink at the ceiling, °C.
    pub heatsink_c: Option<f64>,
    /// Why it was left out; absent where it was measured.
    pub not_measured: Option<String>,
    /// What was delivered at other distortion limits, as far as the curve tells.
    pub clean: Vec<CleanPower>,
}

/// What was delivered within a distortion limit.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct CleanPower {
    /// THD+N limit, %.
    #[serde(deserialize_with = "or_absent")]
    pub limit_pct: f64,
    /// Delivered, W (V rms of a line stage).
    #[serde(deserialize_with = "or_absent")]
    pub delivered: f64,
}

/// What a script found out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FindingEntry {
    /// Which of the run, from 1.
    pub finding: u64,
    /// What it is called.
    pub name: String,
    /// Amplifier channel, from 1; absent where it is of none or of all.
    pub channel: Option<u64>,
    /// The number, in `unit`.
    #[serde(deserialize_with = "or_absent")]
    pub value: f64,
    /// Its unit; empty for a number without one.
    pub unit: String,
    /// Expanded uncertainty (k = 2), in `unit`.
    pub expanded_u: Option<f64>,
    /// The conditions, in words.
    pub at: String,
    /// The lowest that is right, in `unit`.
    pub low: Option<f64>,
    /// The highest that is right, in `unit`.
    pub high: Option<f64>,
    /// `meets`, `short` or `undecided`; absent where it was not judged.
    pub verdict: Option<String>,
    /// What to know beside it.
    pub note: String,
}

/// Who answered in a role.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct InstrumentEntry {
    /// `source`, `load`, `supply`, `digitizer` or `thermometer`.
    pub role: String,
    /// What it answers to `*IDN?`.
    pub idn: String,
    /// Its dialect.
    pub dialect: String,
}

/// A file of the run's folder.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FileEntry {
    /// Its name below the folder.
    pub name: String,
    /// Its length, bytes.
    pub bytes: u64,
    /// Hash of what it holds, hexadecimal; absent of the journal and the captures, whose hashes the chain holds.
    pub sha256: Option<String>,
}

/// A number, or not a number where JSON has `null`, as which one that is not finite is written.
fn or_absent<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Ok(Option::<f64>::deserialize(from)?.unwrap_or(f64::NAN))
}
