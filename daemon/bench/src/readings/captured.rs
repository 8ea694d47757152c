//! What the digitizer recorded, at the amplifier's outputs: captures, their readings, and what the guard judges.

use std::collections::VecDeque;
use std::sync::LazyLock;

use rayon::prelude::*;
use rayon::{ThreadPool, ThreadPoolBuilder};
use wattproof_guard::SafetyReading;
use wattproof_instruments::Record;
use wattproof_signal::{Capture, Reading, Settings, touches};

use crate::readings::sums::{mean, mean_product, mean_square};
use crate::{BenchFile, Measures};

/// Shortest part of a record that is judged by itself, s.
const PART_S: f64 = 0.01;

/// One amplifier channel's raw capture.
#[derive(Debug, Clone)]
pub struct ChannelCaptured {
    /// Amplifier channel, from 1.
    pub amplifier_channel: u32,
    /// Volts and amperes at its output.
    pub capture: Capture,
    /// Of a bridge measured by two dividers: the voltages of its positive and its negative side to ground, V, whose
    /// difference the capture holds.
    pub sides: Option<[Vec<f64>; 2]>,
}

impl ChannelCaptured {
    /// Of a bridge: the sides' voltages to ground, with the largest that each converter can show, and the current, whose
    /// `volts` are not looked at.
    pub fn bridged(sides: [Vec<f64>; 2], full_scales: [Option<f64>; 2], number: u32, rest: Capture) -> Self {
        let volts = sides[0].iter().zip(&sides[1]).map(|(positive, negative)| positive - negative).collect();
        let overrange = sides.iter().zip(full_scales).any(|(side, limit)| touches(side, limit));
        // Of the difference no single limit tells whether a side met its own.
        let capture = Capture { volts, volts_full_scale: None, volts_overrange: overrange, ..rest };
        Self { amplifier_channel: number, capture, sides: Some(sides) }
    }
}

/// One capture of the whole bench.
#[derive(Debug)]
pub struct Captured {
    /// Bench clock at the end, s.
    pub at_s: f64,
    /// Raw captures, one per amplifier channel in order.
    pub channels: Vec<ChannelCaptured>,
    /// Readings, in the same order.
    pub readings: Vec<Reading>,
    /// Supply voltage, V.
    pub supply_v: Option<f64>,
    /// Supply current, A.
    pub supply_a: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
    /// The temperatures of the bench file in its order, °C.
    pub further_c: Vec<Option<f64>>,
}

/// ADC volts to volts and amperes at each amplifier output, in order.
pub(crate) fn to_amplifier(file: &BenchFile, record: Record) -> Vec<ChannelCaptured> {
    let mut scaled: Vec<_> = file
        .digitizer
        .channel
        .iter()
        .zip(record.channels_v.into_iter().zip(record.full_scale_v))
        .map(|(channel, (mut samples, full_scale_v))| {
            channel.scale(&mut samples);
            (channel, samples, channel.full_scale(full_scale_v))
        })
        .collect();
    let numbers = (1u32..).take(file.amplifier_channels());
    numbers
        .map(|number| {
            let mut take = |measures: Measures| {
                let inputs = file.inputs(number, measures);
                let taken = inputs.into_iter().filter_map(|input| {
                    let found = scaled.iter_mut().find(|(c, ..)| c.adc == input.adc)?;
                    Some((std::mem::take(&mut found.1), found.2))
                });
                taken.collect::<VecDeque<_>>()
            };
            let (mut volts, mut amps) = (take(Measures::Volts), take(Measures::Amps));
            let (amps, amps_full_scale) = amps.pop_front().unzip();
            let positive = volts.pop_front();
            let fs_hz = 1.0 / record.interval_s;
            let rest = Capture { fs_hz, amps, amps_full_scale, ..Capture::default() };
            match (positive, volts.pop_front()) {
                (Some((positive, p_limit)), Some((negative, n_limit))) => {
                    let limits = [Some(p_limit), Some(n_limit)];
                    ChannelCaptured::bridged([positive, negative], limits, number, rest)
                }
                (positive, _) => {
                    let (volts, volts_full_scale) = positive.unzip();
                    let volts = volts.unwrap_or_default();
                    let capture = Capture { volts, volts_full_scale, ..rest };
                    ChannelCaptured { amplifier_channel: number, capture, sides: None }
                }
            }
        })
        .collect()
}

/// What a capture of one tone shows at `hz`, the frequency commanded: the same captures always give the same readings.
pub fn read_channels(file: &BenchFile, channels: &[ChannelCaptured], hz: f64) -> Vec<Reading> {
    read_all(channels, &Settings { expected_hz: Some(hz), mains_hz: file.mains_hz, ..Settings::default() })
}

/// Threads that live as long as the program: what a thread keeps for the length of a record (transform plans, windows)
/// takes longer to make than a reading. None when the operating system gives no threads.
static READERS: LazyLock<Option<ThreadPool>> = LazyLock::new(|| {
    let pool = ThreadPoolBuilder::new().thread_name(|number| format!("reader {number}")).build();
    pool.inspect_err(|error| tracing::warn!("{error}: channels are read one after the other")).ok()
});

/// All channels at once; a single one where it is asked, since to wake a pool takes longer than it saves.
fn read_all(channels: &[ChannelCaptured], settings: &Settings) -> Vec<Reading> {
    let read = |channel: &ChannelCaptured| wattproof_signal::read(&channel.capture, settings);
    match &*READERS {
        Some(pool) if channels.len() > 1 => pool.install(|| channels.par_iter().map(read).collect()),
        _ => channels.iter().map(read).collect(),
    }
}

/// What the loudest part of a record holds.
pub(crate) struct Loudest {
    /// The largest values at the outputs.
    pub outputs: SafetyReading,
    /// Active power of all channels in the part where it is largest, W; None without currents.
    pub together_w: Option<f64>,
}

/// The largest values at the outputs in the loudest part of a record: a mean over bursts and rests would hide what
/// load and amplifier bear within a burst. Parts are whole cycles of `hz`, of 10 ms at least.
pub(crate) fn loudest(channels: &[ChannelCaptured], hz: f64) -> Loudest {
    let mut worst = outputs(channels, &vec![Reading::default(); channels.len()]);
    let mut together_w: Vec<f64> = Vec::new();
    for ChannelCaptured { capture, .. } in channels {
        let part = ((PART_S * hz).ceil().max(1.0) / hz * capture.fs_hz).round().max(1.0) as usize;
        let amps = capture.amps.as_deref().unwrap_or_default();
        for volts in capture.volts.chunks_exact(part) {
            worst.out_vrms = worse(worst.out_vrms, Some(mean_square(volts).sqrt()));
        }
        for (index, (volts, amps)) in
            capture.volts.chunks_exact(part).zip(amps.chunks_exact(part)).enumerate()
        {
            let watts = mean_product(volts, amps);
            worst.out_arms = worse(worst.out_arms, Some(mean_square(amps).sqrt()));
            worst.out_w = worse(worst.out_w, Some(watts));
            together_w.resize(together_w.len().max(index + 1), 0.0);
            if let Some(sum_w) = together_w.get_mut(index) {
                *sum_w += watts;
            }
        }
    }
    Loudest { outputs: worst, together_w: together_w.into_iter().map(Some).fold(None, worse) }
}

/// Active power of all channels over the whole record, W; None without currents.
pub(crate) fn together_w(channels: &[ChannelCaptured], readings: &[Reading]) -> Option<f64> {
    let each = channels.iter().zip(readings).map(|(channel, reading)| {
        let amps = channel.capture.amps.as_deref()?;
        Some(reading.active_w.unwrap_or_else(|| mean_product(amps, &channel.capture.volts)))
    });
    each.sum()
}

/// The larger of both; what is no number counts as worse than anything.
fn worse(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if b.is_nan() || b > a { b } else { a }),
        (a, b) => a.or(b),
    }
}

/// The largest values at the outputs, straight from the samples where no reading could be computed.
pub(crate) fn outputs(channels: &[ChannelCaptured], readings: &[Reading]) -> SafetyReading {
    let mut worst = SafetyReading::default();
    let raise = |kept: &mut Option<f64>, value: Option<f64>| *kept = worse(*kept, value);
    for (channel, reading) in channels.iter().zip(readings) {
        let volts = &channel.capture.volts;
        raise(&mut worst.out_vrms, Some(mean_square(volts).sqrt()));
        raise(&mut worst.dc_v, Some(reading.dc_v.unwrap_or_else(|| mean(volts)).abs()));
        // What is not measured is not 0.
        let Some(amps) = channel.capture.amps.as_deref() else { continue };
        raise(&mut worst.out_arms, Some(mean_square(amps).sqrt()));
        raise(&mut worst.out_w, Some(reading.active_w.unwrap_or_else(|| mean_product(volts, amps))));
    }
    worst
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By definition: what lies across the load is the difference of both sides, and out of range when either is.
    #[test]
    fn a_bridge_is_the_difference_of_its_sides() {
        let rest = || Capture { fs_hz: 1e3, amps: Some(vec![1.0; 3]), ..Capture::default() };
        let sides = [vec![7.0, 17.0, 9.0], vec![7.0, -3.0, 5.0]];
        let bridged = ChannelCaptured::bridged(sides.clone(), [Some(100.0); 2], 2, rest());
        assert_eq!((bridged.amplifier_channel, bridged.capture.volts.as_slice()), (2, &[0.0, 20.0, 4.0][..]));
        assert_eq!((bridged.sides.as_ref(), bridged.capture.touches_full_scale()), (Some(&sides), false));
        // The direct voltage common to both brings one side to its limit long before the difference would show it.
        let clipped = [vec![17.0, 17.0, 9.0], sides[1].clone()];
        let over = ChannelCaptured::bridged(clipped, [Some(17.0); 2], 2, rest());
        assert!(over.capture.touches_full_scale() && over.capture.volts_full_scale.is_none());
    }

    fn captured(amps: Option<Vec<f64>>) -> Vec<ChannelCaptured> {
        let capture =
            Capture { fs_hz: 1000.0, volts: vec![2.0, -2.0, 2.0, -2.0], amps, ..Capture::default() };
        vec![ChannelCaptured { amplifier_channel: 1, capture, sides: None }]
    }

    /// Definitions: ±2 V are 2 V rms; with ±0.5 A in step they are 1 W.
    #[test]
    fn a_current_that_is_not_measured_is_not_told_as_none() {
        let unread = [Reading::default()];
        let with = outputs(&captured(Some(vec![0.5, -0.5, 0.5, -0.5])), &unread);
        assert_eq!((with.out_vrms, with.out_arms, with.out_w), (Some(2.0), Some(0.5), Some(1.0)));
        let without = outputs(&captured(None), &unread);
        assert_eq!((without.out_vrms, without.out_arms, without.out_w), (Some(2.0), None, None));
        let loudest = loudest(&captured(None), 100.0);
        assert_eq!((loudest.outputs.out_w, loudest.outputs.out_arms, loudest.together_w), (None, None, None));
    }
}
