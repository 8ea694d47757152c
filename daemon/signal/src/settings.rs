//! How a capture is to be read.

use serde::{Deserialize, Serialize};

/// The measurement's settings.
#[derive(Serialize, Deserialize, Clone, Debug, PartialEq)]
pub struct Settings {
    /// Frequency commanded from the source, in Hz; `None` takes the strongest tone in the band.
    pub expected_hz: Option<f64>,
    /// Lower and upper edge of the band that distortion and noise are counted in, in Hz.
    pub band_hz: (f64, f64),
    /// Frequency of the mains, in Hz.
    pub mains_hz: f64,
    /// Highest harmonic order in `thd_pct` and `harmonics_pct`; `None` takes all within the band. Harmonics
    /// above it still count in `thdn_pct`.
    pub harmonics_max: Option<usize>,
    /// True to read the noise by the quasi-peak meter of ITU-R BS.468-4 too, which takes longer than all the rest.
    #[serde(default)]
    pub quasi_peak: bool,
}

impl Default for Settings {
    /// The band of AES17 (20 Hz to 20 kHz) and 50 Hz mains.
    fn default() -> Self {
        Self {
            expected_hz: None,
            band_hz: (20.0, 20_000.0),
            mains_hz: 50.0,
            harmonics_max: None,
            quasi_peak: false,
        }
    }
}

impl Settings {
    /// True if a tone at `hz` belongs to the band. The edges have a grace of 0.05 %, so that the 20th harmonic
    /// of a 1 kHz source that runs a few parts in 10⁵ fast stays in (common practice, no source).
    pub fn in_band(&self, hz: f64) -> bool {
        hz >= self.band_hz.0 * (1.0 - 5e-4) && hz <= self.band_hz.1 * (1.0 + 5e-4)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_band_is_that_of_aes17() {
        // AES17 (from memory): 20 Hz to 20 kHz.
        let settings = Settings::default();
        assert!(settings.in_band(20.0) && settings.in_band(20_000.0) && settings.in_band(20_001.0));
        assert!(!settings.in_band(19.5) && !settings.in_band(20_100.0));
    }
}
