//! What a recording holds.

/// Most channels a recording may have.
pub const CHANNELS_MAX: usize = 16;
/// Highest sample rate, in Hz.
pub const RATE_MAX_HZ: f64 = 2e6;
/// Most samples taken per channel: what a reading of them needs still fits into a small machine's memory.
pub const SAMPLES_MAX: usize = 1 << 23;

/// Which part of a recording to take.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Wanted {
    /// Channels to keep, from 0; empty keeps all. The others stay in their places without samples.
    pub channels: Vec<usize>,
    /// Time left out at the start, in s.
    pub skip_s: f64,
    /// Time taken from there, in s; `None` takes all.
    pub length_s: Option<f64>,
}

impl Wanted {
    /// True if this channel, from 0, is to be kept.
    pub(crate) fn keeps(&self, channel: usize) -> bool {
        self.channels.is_empty() || self.channels.contains(&channel)
    }

    /// Samples left out at the start, and samples taken from there at most.
    pub(crate) fn samples(&self, fs_hz: f64) -> (u64, u64) {
        // A cast of a float to an integer saturates, so that absurd times become the largest count.
        let count = |seconds: f64| (seconds * fs_hz).round() as u64;
        (count(self.skip_s), self.length_s.map_or(u64::MAX, count))
    }
}

/// One channel of a recording.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Channel {
    /// The column's title and what stands below it, such as a unit, if the file gave any.
    pub name: Option<String>,
    /// Samples as fractions of digital full scale (WAV), or as they stand in the column (CSV).
    pub samples: Vec<f64>,
    /// Largest sample the format can hold on its smaller side, in the unit of `samples`; `None` if it has no
    /// such limit.
    pub limit: Option<f64>,
}

/// A recording.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recording {
    /// Samples per second, in Hz.
    pub fs_hz: f64,
    /// Channels, all of them in the file's order; time is not one of them.
    pub channels: Vec<Channel>,
    /// True if a sample of 1 means digital full scale, false if columns hold physical values.
    pub relative: bool,
}
