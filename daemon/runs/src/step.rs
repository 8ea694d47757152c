//! A step: one operating point that was set, settled and captured, with everything read there.

use serde::{Deserialize, Serialize};
use wattproof_bench::Watches;
use wattproof_signal::Reading;

/// One step.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Step {
    /// Number within the run, from 1.
    pub step: u64,
    /// Bench clock at the end of the capture, s.
    pub at_s: f64,
    /// Why the step was taken.
    pub purpose: String,
    /// The rating it serves, from 1; absent when it serves none.
    pub rating: Option<usize>,
    /// Source level, V rms.
    pub level_vrms: f64,
    /// Source frequency, Hz.
    pub hz: f64,
    /// Load commanded, ohm.
    pub load_ohm: f64,
    /// Supply voltage commanded, V.
    pub supply_v_set: f64,
    /// Supply voltage measured, V.
    pub supply_v: Option<f64>,
    /// Supply current measured, A.
    pub supply_a: Option<f64>,
    /// Supply power, W.
    pub supply_w: Option<f64>,
    /// Active power of all channels over supply power, %.
    pub efficiency_pct: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
    /// The temperatures of the bench file.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub temperatures: Vec<TemperatureStep>,
    /// Every amplifier channel.
    pub channels: Vec<ChannelStep>,
}

/// A temperature of a step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TemperatureStep {
    /// Its name in the bench file.
    pub name: String,
    /// What it is of.
    pub watches: Watches,
    /// °C; absent if it could not be read.
    pub c: Option<f64>,
}

/// One amplifier channel of a step.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct ChannelStep {
    /// Amplifier channel, or bridge, from 1.
    pub channel: u32,
    /// Whether its input was driven.
    pub driven: bool,
    /// Gain from source to output, dB; absent when not driven or refused.
    pub gain_db: Option<f64>,
    /// Everything computed from the capture.
    pub reading: Reading,
    /// Whether it is a bridge of two channels.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub bridged: bool,
    /// Of a bridge measured by two dividers: rms of its positive and its negative side to ground without dc, V.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sides_vrms: Option<[f64; 2]>,
}

impl Step {
    /// The driven channels.
    pub fn driven(&self) -> impl Iterator<Item = &ChannelStep> {
        self.channels.iter().filter(|channel| channel.driven)
    }

    /// The hottest of the temperatures of one kind, °C.
    pub fn hottest_c(&self, watches: Watches) -> Option<f64> {
        let of_kind = self.temperatures.iter().filter(|one| one.watches == watches);
        of_kind.filter_map(|one| one.c).reduce(f64::max)
    }

    /// The lowest active power of the driven channels, W; absent when any has none.
    pub fn lowest_w(&self) -> Option<f64> {
        fold(self.driven().map(|channel| channel.reading.active_w), f64::min)
    }

    /// The lowest voltage within the band of the driven channels, V rms; absent when any has none.
    pub fn lowest_vrms(&self) -> Option<f64> {
        fold(self.driven().map(|channel| channel.reading.band_vrms), f64::min)
    }

    /// The highest THD+N of the driven channels, %; absent when any has none.
    pub fn worst_thdn_pct(&self) -> Option<f64> {
        fold(self.driven().map(|channel| channel.reading.thdn_pct), f64::max)
    }
}

fn fold(mut values: impl Iterator<Item = Option<f64>>, pick: fn(f64, f64) -> f64) -> Option<f64> {
    let first = values.next()??;
    values.try_fold(first, |kept, value| Some(pick(kept, value?)))
}
