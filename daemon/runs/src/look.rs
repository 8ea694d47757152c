//! Short looks at levels that are not held: the burst of a probe, and a slow rise up to where protection acts.

use serde::{Deserialize, Serialize};
use wattproof_bench::{BurstDrive, ChannelCaptured};
use wattproof_method::{Look, LookChannel, Observation, RampWatch, Sought};
use wattproof_signal::{Capture, Reading, Settings, find_rise, read};

use crate::RunError;
use crate::ceiling::curve;
use crate::stage::Stage;

/// Rest between the bursts of a probe, s: little beside the level that is held.
const REST_S: f64 = 0.4;
/// Step of a slow rise, dB, and length of each of its looks, s.
const RISE_DB: f64 = 0.05;
const LOOK_S: f64 = 0.02;
/// What a look takes with setting and settling, s.
const LOOK_TAKES_S: f64 = 0.4;
/// Least rise of the output into a burst: one that clips rises little over the level held.
const EDGE: f64 = 1.1;
/// Part of a cycle left out at both ends of a burst.
const EDGE_CYCLES: f64 = 0.5;
/// An output below this share of what the level before gave has collapsed.
const COLLAPSED: f64 = 0.5;

/// What a look showed, as the journal keeps it.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct LookStep {
    /// Bench clock at its end, s.
    at_s: f64,
    /// What it was for.
    purpose: String,
    /// Rating it served, from 1.
    rating: Option<usize>,
    /// Source level of the look, V rms.
    level_vrms: f64,
    /// Readings of the driven channels.
    readings: Vec<Reading>,
}

fn journal(stage: &mut Stage, purpose: &str, level_vrms: f64, readings: &[Reading]) -> Result<(), RunError> {
    let (at_s, rating) = (stage.bench.now_s(), stage.rating);
    let readings = readings.to_vec();
    stage.journal("look", &LookStep { at_s, purpose: purpose.into(), rating, level_vrms, readings })?;
    Ok(())
}

fn look(level_vrms: f64, readings: &[Reading]) -> Look {
    let channel = |r: &Reading| LookChannel {
        fundamental_vrms: r.fundamental_vrms,
        thd_pct: r.thd_pct,
        curve: r.fundamental_hz.and_then(|hz| curve(&r.series, hz)),
    };
    Look { level_vrms, channels: readings.iter().map(channel).collect() }
}

/// Plays a burst of a few cycles above the level just captured and adds what it showed to `seen`. The level is held
/// again afterwards.
pub(crate) fn probe(
    stage: &mut Stage,
    level_vrms: f64,
    burst_vrms: f64,
    cycles: u32,
    seen: &mut Observation,
) -> Result<(), RunError> {
    let hz = stage.now.hz.ok_or_else(|| RunError::Call("a probe needs source(#{ hz: … }) first".into()))?;
    let rest_cycles = (REST_S * hz).ceil() as u32;
    stage.set_burst(BurstDrive {
        level_vrms: burst_vrms,
        rest_vrms: level_vrms,
        on_cycles: cycles,
        rest_cycles,
    })?;
    let captured = stage.bench.capture_burst(hz)?;
    let readings: Vec<Reading> = captured
        .channels
        .iter()
        .take(stage.now.driven)
        .filter_map(|channel| inner(channel, cycles, hz))
        .collect();
    // On the disk before the output changes again.
    journal(stage, "burst of a probe", burst_vrms, &readings)?;
    stage.set_level(level_vrms)?;
    if readings.len() == stage.now.driven {
        seen.looks.push(look(burst_vrms, &readings));
    } else if after(&captured.channels, level_vrms, seen) {
        seen.tripped = true;
        seen.looks.push(Look { level_vrms: burst_vrms, channels: Vec::new() });
    }
    Ok(())
}

/// The burst's cycles but for a part of one at both ends, where filters still settle; `None` where there is no burst.
fn inner(channel: &ChannelCaptured, cycles: u32, hz: f64) -> Option<Reading> {
    let capture = &channel.capture;
    let found = find_rise(capture, hz, EDGE).ok()?;
    let sample = |at_s: f64| (at_s * capture.fs_hz).round() as usize;
    let end_s = found.onset_s + f64::from(cycles) / hz;
    let part = sample(found.onset_s + EDGE_CYCLES / hz)..sample(end_s - EDGE_CYCLES / hz);
    let cut = Capture {
        fs_hz: capture.fs_hz,
        volts: capture.volts.get(part)?.to_vec(),
        volts_full_scale: capture.volts_full_scale,
        volts_overrange: capture.volts_overrange,
        ..Capture::default()
    };
    let reading = read(&cut, &Settings { expected_hz: Some(hz), ..Settings::default() });
    (!reading.is_refused()).then_some(reading)
}

/// Whether the outputs have gone by the end of a record that began at a level that sounded.
fn after(channels: &[ChannelCaptured], level_vrms: f64, seen: &Observation) -> bool {
    let expected =
        seen.channels.iter().map(|c| c.fundamental_vrms.unwrap_or(0.0) * level_vrms / seen.level_vrms);
    channels.iter().zip(expected).any(|(channel, expected_vrms)| {
        let volts = &channel.capture.volts;
        let tail = &volts[volts.len() - volts.len() / 8..];
        let ms = tail.iter().map(|v| v * v).sum::<f64>() / tail.len().max(1) as f64;
        ms.sqrt() < COLLAPSED * expected_vrms
    })
}

/// Raises the level in small steps with a short look at each, until a look has shown enough, the output collapses, or
/// the end is reached; then goes back to the lower level.
pub(crate) fn ramp(
    stage: &mut Stage,
    from_vrms: f64,
    to_vrms: f64,
    sought: &Sought,
) -> Result<Observation, RunError> {
    let hz = stage.now.hz.ok_or_else(|| RunError::Call("a ramp needs source(#{ hz: … }) first".into()))?;
    let mut watch = RampWatch::new(sought);
    let mut seen = Observation { level_vrms: from_vrms, ..Observation::default() };
    let step = 10f64.powf(RISE_DB / 20.0);
    let mut level_vrms = from_vrms;
    // The whole rise counts with its loudest level.
    let looks = (20.0 * (to_vrms / from_vrms).log10() / RISE_DB).ceil().max(1.0);
    stage.rest_for(to_vrms, 1.0, looks * LOOK_TAKES_S)?;
    loop {
        stage.set_level(level_vrms)?;
        if !stage.now.source_on {
            stage.switch_source(true)?;
        }
        stage.bench.settle()?;
        let captured = stage.bench.capture_short(hz, LOOK_S.max(8.0 / hz))?;
        let readings: Vec<Reading> = captured.readings.into_iter().take(stage.now.driven).collect();
        journal(stage, "look of a ramp", level_vrms, &readings)?;
        seen.level_vrms = level_vrms;
        let shown = look(level_vrms, &readings);
        let gone = readings.iter().any(|r| r.fundamental_vrms.is_none())
            || seen.looks.last().is_some_and(|before| fell(before, &shown));
        if gone {
            seen.tripped = true;
            return Ok(seen);
        }
        let enough = watch.enough(&shown);
        seen.looks.push(shown);
        if enough || level_vrms >= to_vrms {
            break;
        }
        level_vrms = (level_vrms * step).min(to_vrms);
    }
    stage.set_level(from_vrms)?;
    Ok(seen)
}

fn fell(before: &Look, now: &Look) -> bool {
    let pairs = before.channels.iter().zip(&now.channels);
    pairs
        .filter_map(|(a, b)| Some((a.fundamental_vrms?, b.fundamental_vrms?)))
        .any(|(a, b)| b < COLLAPSED * a)
}
