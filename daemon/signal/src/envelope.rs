//! The fundamental against time within a record.

use std::f64::consts::{PI, TAU};

use serde::{Deserialize, Serialize};

use crate::blocks::Blocks;
use crate::response::respond;

/// The fundamental's level, block by block, each of one or more whole cycles.
#[derive(Serialize, Deserialize, Clone, Debug, PartialEq)]
pub struct Envelope {
    /// Length of a block, in s.
    pub block_s: f64,
    /// Rms of the voltage's fundamental in each block, in V.
    pub fundamental_vrms: Vec<f64>,
    /// Mean level of the last quarter over that of the first, in dB; negative when the level falls.
    pub droop_db: Option<f64>,
    /// Time from the start of the record at which the level rises from rest to twice that and more, in s; `None`
    /// if it does not within the record.
    #[serde(default)]
    pub onset_s: Option<f64>,
    /// Highest level of a block, in V rms.
    #[serde(default)]
    pub peak_vrms: Option<f64>,
    /// Level that the record settles at, its tail extrapolated as geometric, in V rms; `None` if that can't be
    /// told.
    #[serde(default)]
    pub settled_vrms: Option<f64>,
    /// Time from the onset until 63.2 % of the way to the settled level, in s; `None` without an onset.
    #[serde(default)]
    pub attack_s: Option<f64>,
}

impl Blocks {
    /// The envelope; `None` with fewer than four blocks or a block that could not be fitted.
    pub fn envelope(&self) -> Option<Envelope> {
        let levels: Vec<f64> = self.amplitudes.iter().map(|a| a.norm() / std::f64::consts::SQRT_2).collect();
        if levels.len() < 4 || levels.iter().any(|level| !level.is_finite()) {
            return None;
        }
        let quarter = levels.len() / 4;
        let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
        let ratio = mean(&levels[levels.len() - quarter..]) / mean(&levels[..quarter]);
        let droop_db = Some(20.0 * ratio.log10()).filter(|db| db.is_finite());
        let onset = onset(&levels);
        // The block of the onset is part rest, part tone.
        let whole = onset.map_or(0.0, f64::ceil);
        let response = respond(levels.get(whole as usize..).unwrap_or_default(), self.block_s);
        let late = onset.map_or(0.0, |onset| (whole - onset) * self.block_s);
        Some(Envelope {
            block_s: self.block_s,
            droop_db,
            onset_s: onset.map(|onset| onset * self.block_s),
            peak_vrms: levels.iter().copied().reduce(f64::max),
            settled_vrms: response.and_then(|response| response.settled),
            attack_s: onset
                .and(response)
                .and_then(|response| response.attack_s)
                .map(|attack_s| attack_s + late),
            fundamental_vrms: levels,
        })
    }

    /// True if the tone's phase jumps once while its level and its phase before and after hold still: the mark
    /// of samples lost within the record.
    pub fn lost_samples(&self) -> bool {
        const JUMP_MIN_RAD: f64 = 0.1;
        let jumps: Vec<f64> =
            self.amplitudes.windows(3).map(|three| (three[2] * three[0].conj()).arg()).collect();
        if jumps.len() < 8 {
            return false;
        }
        let usual = median(&jumps);
        let strange: Vec<f64> = jumps.iter().map(|jump| wrap(jump - usual).abs()).collect();
        let mut worst = 0;
        for (n, jump) in strange.iter().enumerate() {
            if *jump > strange[worst] {
                worst = n;
            }
        }
        let level = median(&self.amplitudes.iter().map(|a| a.norm()).collect::<Vec<_>>());
        let steady = |block: usize| (self.amplitudes[block].norm() / level - 1.0).abs() < 0.05;
        let still = |n: usize| n.abs_diff(worst) <= 2 || strange[n] < 0.25 * strange[worst];
        strange[worst] > JUMP_MIN_RAD && steady(worst) && steady(worst + 2) && (0..strange.len()).all(still)
    }
}

/// When the level rises from rest, in blocks.
fn onset(levels: &[f64]) -> Option<f64> {
    let before = levels.windows(4).position(|w| 2.0 * w[0] < w[2])?;
    let (rest, loud) = (levels[before], levels[before + 3]);
    // Both blocks between may be part rest: what they lack is the time before the onset.
    let late = (2.0 * loud - levels[before + 1] - levels[before + 2]) / (loud - rest);
    Some(before as f64 + 1.0 + late.clamp(0.0, 2.0)).filter(|onset| onset.is_finite())
}

fn wrap(angle: f64) -> f64 {
    angle - TAU * ((angle + PI) / TAU).floor()
}

fn median(values: &[f64]) -> f64 {
    let mut values = values.to_vec();
    let middle = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(middle, f64::total_cmp).1 }
}
