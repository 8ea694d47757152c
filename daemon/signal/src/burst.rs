//! Finds a burst in a record and cuts it into blocks of one cycle that begin with it.

use std::f64::consts::{SQRT_2, TAU};

use realfft::num_complex::Complex;
use serde::{Deserialize, Serialize};

use crate::capture::Capture;

/// Fewest samples in a block, so that a level is well determined.
const SAMPLES_MIN: f64 = 16.0;
/// A rise or fall of the level by this factor from one block to the next but one is the edge of a burst.
const EDGE: f64 = 2.0;
/// Blocks of rest that must come before a burst, so that its onset is one.
const REST_BLOCKS_MIN: usize = 4;

/// A burst, block by block.
#[derive(Serialize, Deserialize, Clone, Debug, PartialEq)]
pub struct Burst {
    /// From the start of the record to the burst's first cycle, s.
    pub onset_s: f64,
    /// From the start of the record to the burst's end, s; `None` if the record ends within it.
    pub end_s: Option<f64>,
    /// Length of a block: one cycle, or as many as hold enough samples, s.
    pub block_s: f64,
    /// Level of the tone before the burst, V rms.
    pub rest_vrms: f64,
    /// Level of the tone in each block of the burst, V rms.
    pub volts_vrms: Vec<f64>,
    /// Mean of volts times amperes in each block, W; `None` without current.
    pub active_w: Option<Vec<f64>>,
}

/// Why no burst was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoBurst {
    /// The record can't be used.
    #[error(
        "the record holds samples or a rate that are no usable numbers: check the digitizer's data format"
    )]
    Invalid,
    /// Too short a record for the frequency.
    #[error("the record is too short for a burst at this frequency: record longer")]
    TooShort,
    /// The level never rises.
    #[error(
        "no burst begins within the record: check that the source plays bursts, that they rest long enough, and that the amplifier is not muted"
    )]
    NoOnset,
}

/// Finds the first burst that begins within a record. `hz` is the frequency commanded.
///
/// The onset is where a sliding window has half the step. The window is one cycle, averaged over places half a cycle
/// wide, which takes out the tone's double frequency.
///
/// # Errors
/// [`NoBurst`].
pub fn find_burst(capture: &Capture, hz: f64) -> Result<Burst, NoBurst> {
    find_rise(capture, hz, EDGE)
}

/// As [`find_burst`], for a burst that rises by a factor of `edge` at least over what comes before, as a clipped one
/// does over a level held below it.
///
/// # Errors
/// [`NoBurst`].
pub fn find_rise(capture: &Capture, hz: f64, edge: f64) -> Result<Burst, NoBurst> {
    let usable = |samples: &[f64]| samples.iter().all(|x| x.abs() < 1e100);
    let amps = capture.amps.as_deref();
    let positive = |x: f64| x > 0.0 && x.is_finite();
    if !positive(capture.fs_hz)
        || !positive(hz)
        || !usable(&capture.volts)
        || amps.is_some_and(|amps| amps.len() != capture.volts.len() || !usable(amps))
    {
        return Err(NoBurst::Invalid);
    }
    let per_cycle = capture.fs_hz / hz;
    let span = per_cycle * (SAMPLES_MIN / per_cycle).ceil().max(1.0);
    let track = Track::of_tone(&capture.volts, 1.0 / per_cycle, span);
    let coarse = track.levels(0.0);
    if coarse.len() < 2 * REST_BLOCKS_MIN {
        return Err(NoBurst::TooShort);
    }
    let before = onset_block(&coarse, edge).ok_or(NoBurst::NoOnset)?;
    let onset = onset(&track, before).ok_or(NoBurst::NoOnset)?;
    let mut volts_vrms = track.levels(onset);
    let end = volts_vrms.windows(3).position(|w| w[2] * edge < w[0]);
    // The block after the last full one may be mixed with rest: it is left out.
    if let Some(last) = end {
        volts_vrms.truncate(last + 1);
    }
    let active_w = amps.map(|amps| {
        let watts: Vec<f64> = capture.volts.iter().zip(amps).map(|(v, a)| v * a).collect();
        let mut levels = Track::of_mean(&watts, span).means(onset);
        levels.truncate(volts_vrms.len());
        levels
    });
    let rest_blocks = (onset / span) as usize;
    let rest = coarse.get(..rest_blocks.saturating_sub(1)).unwrap_or_default();
    Ok(Burst {
        onset_s: onset / capture.fs_hz,
        end_s: end.map(|last| (onset + (last as f64 + 1.0) * span) / capture.fs_hz),
        block_s: span / capture.fs_hz,
        rest_vrms: rest.iter().sum::<f64>() / rest.len().max(1) as f64,
        volts_vrms,
        active_w,
    })
}

/// The last block of rest before the level first rises.
fn onset_block(levels: &[f64], edge: f64) -> Option<usize> {
    let rises = |w: &[f64]| w[0] * edge < w[2];
    let first = levels.windows(3).position(rises)?;
    // A rise in the first blocks may be the end of one that began before the record.
    (first + 1 >= REST_BLOCKS_MIN).then_some(first)
}

/// Sample at which the burst begins, after block `before`, within the next two.
fn onset(track: &Track, before: usize) -> Option<f64> {
    let from = (before as f64 - 1.0) * track.span;
    let rest = track.level(from)?;
    // Either of the two blocks that rise may be part rest: the next one is all burst.
    let mut loud = track.level(from + 4.0 * track.span)?;
    let mut found = None;
    for _ in 0..3 {
        let middle = f64::midpoint(rest, loud);
        let mut last = (from, rest);
        for step in 1..=(4.0 * track.span).ceil() as usize {
            let at = from + step as f64;
            let level = track.smooth_level(at)?;
            if level >= middle {
                let share = (middle - last.1) / (level - last.1);
                found = Some(last.0 + share * (at - last.0) + 0.75 * track.span);
                break;
            }
            last = (at, level);
        }
        // A level that falls already in the first cycle was higher at its beginning.
        let (first, second) = (track.level(found?)?, track.level(found? + track.span)?);
        loud = first + 0.25 * (first - second);
    }
    found
}

/// Running sums, from which the mean over any window follows at once.
struct Track {
    sums: Vec<Complex<f64>>,
    span: f64,
}

impl Track {
    /// For the level of a tone of that many cycles per sample.
    fn of_tone(samples: &[f64], cycles_per_sample: f64, span: f64) -> Self {
        let turned = samples
            .iter()
            .enumerate()
            .map(|(n, x)| Complex::from_polar(*x, -TAU * (cycles_per_sample * n as f64).fract()));
        Track::of(turned, span)
    }

    /// For plain means.
    fn of_mean(samples: &[f64], span: f64) -> Self {
        Track::of(samples.iter().map(|x| Complex::new(*x, 0.0)), span)
    }

    fn of(values: impl Iterator<Item = Complex<f64>>, span: f64) -> Self {
        let mut sum = Complex::new(0.0, 0.0);
        let sums = values.map(|value| {
            sum += value;
            sum
        });
        Track { sums: std::iter::once(Complex::new(0.0, 0.0)).chain(sums).collect(), span }
    }

    /// The sum up to a place between two samples.
    fn sum(&self, at: f64) -> Option<Complex<f64>> {
        let floor = at.floor();
        let (low, share) = (*self.sums.get(floor as usize)?, at - floor);
        if share == 0.0 {
            return Some(low);
        }
        Some(low + (self.sums.get(floor as usize + 1)? - low) * share)
    }

    fn window(&self, from: f64) -> Option<Complex<f64>> {
        Some((self.sum(from + self.span)? - self.sum(from)?) / self.span)
    }

    /// Rms of the tone in the window that begins there.
    fn level(&self, from: f64) -> Option<f64> {
        Some(self.window(from)?.norm() * SQRT_2)
    }

    /// The same averaged over places that lie within half a window.
    fn smooth_level(&self, from: f64) -> Option<f64> {
        const PLACES: u32 = 16;
        let place = |n: u32| self.window(from + self.span * (f64::from(n) + 0.5) / f64::from(2 * PLACES));
        let sum: Complex<f64> = (0..PLACES).map(place).sum::<Option<Complex<f64>>>()?;
        Some(sum.norm() / f64::from(PLACES) * SQRT_2)
    }

    fn windows(&self, from: f64) -> impl Iterator<Item = Complex<f64>> {
        (0..).map_while(move |n| self.window(from + f64::from(n) * self.span))
    }

    fn levels(&self, from: f64) -> Vec<f64> {
        self.windows(from).map(|mean| mean.norm() * SQRT_2).collect()
    }

    fn means(&self, from: f64) -> Vec<f64> {
        self.windows(from).map(|mean| mean.re).collect()
    }
}
