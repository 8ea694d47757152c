//! Finds the ceiling of one rating on the stage: the search says which level, the stage sets, settles, captures.

use std::time::Duration;

use wattproof_method::{Ceiling, CeilingSearch, ChannelObservation, LimitOn, Next, Observation, Sought};

use crate::stage::Stage;
use crate::{ChannelStep, Event, LimitBy, Rating, RunError, Step};

/// How long a tripped amplifier is left without drive before it is asked again, s.
const COOL_S: f64 = 2.5;
/// How long a loud level is held before it is captured, s: what counts is what the amplifier sustains, not the burst
/// that a quick rise in level catches.
const HOLD_S: f64 = 0.8;
/// A level is loud when the power predicted for it exceeds this share of the rating.
const LOUD: f64 = 0.4;
/// Scatter of readings on a bench with a digitizer, relative for distortion and in dB for levels: ten times what
/// the reading itself states, since drift comes on top.
const DISTORTION_SCATTER: f64 = 0.01;
const LEVEL_SCATTER_DB: f64 = 0.005;
/// The source level of the first capture, V rms: 20 mV give at most 2 V at the highest gain.
const START_VRMS: f64 = 0.02;

/// Runs the search for rating `number` (from 1).
pub fn find_ceiling(stage: &mut Stage, number: usize, claim: &Rating) -> Result<Ceiling, RunError> {
    stage.rating = Some(number);
    let sought = sought(stage, claim)?;
    let mut search = CeilingSearch::new(sought).map_err(|error| RunError::NoCeiling(error.to_string()))?;
    let mut last: Option<Observation> = None;
    loop {
        match search.next(last.as_ref()) {
            Next::Set { level_vrms, why } => {
                stage.tell(&Event::Doing(why));
                stage.set_level(level_vrms)?;
                if !stage.now.source_on {
                    stage.switch_source(true)?;
                }
                stage.bench.settle()?;
                if is_loud(last.as_ref(), level_vrms, claim) {
                    stage.bench.wait(Duration::from_secs_f64(HOLD_S))?;
                }
                last = Some(observe(&stage.capture("ceiling")?));
            }
            Next::CoolDown { why } => {
                cool_down(stage, why)?;
                last = None;
            }
            Next::Done(ceiling) => {
                if last.is_some_and(|seen| seen.tripped) {
                    cool_down(stage, "protection tripped; wait for recovery")?;
                }
                return Ok(*ceiling);
            }
            Next::Failed(reason) => return Err(RunError::NoCeiling(reason.to_string())),
        }
    }
}

/// Drive off until a tripped amplifier has recovered.
fn cool_down(stage: &mut Stage, why: &str) -> Result<(), RunError> {
    stage.tell(&Event::Doing(why));
    stage.switch_source(false)?;
    stage.bench.wait(Duration::from_secs_f64(COOL_S))?;
    Ok(())
}

/// Whether a level will be loud, as far as the last capture tells; after a trip everything is.
fn is_loud(last: Option<&Observation>, level_vrms: f64, claim: &Rating) -> bool {
    let Some(last) = last else { return level_vrms > START_VRMS };
    let gain = (level_vrms / last.level_vrms).powi(2);
    let predicted_w = last.channels.iter().filter_map(|channel| channel.active_w).reduce(f64::max);
    predicted_w.is_none_or(|active_w| active_w * gain > LOUD * claim.watts)
}

fn sought(stage: &Stage, claim: &Rating) -> Result<Sought, RunError> {
    let limits = stage.bench.limits();
    let out_w_max = limits.out_w_max.min(limits.out_vrms_max.powi(2) / claim.load_ohm);
    if claim.watts > out_w_max {
        return Err(RunError::Call(format!(
            "rating {} W into {} ohm is beyond what the bench file allows ({out_w_max:.1} W): raise out_w_max or out_vrms_max in [limits] if bench and load really stand it",
            claim.watts, claim.load_ohm
        )));
    }
    Ok(Sought {
        limit_on: match claim.limit_by {
            LimitBy::Thdn => LimitOn::ThdN,
            LimitBy::Thd => LimitOn::Thd,
        },
        level_vrms_start: START_VRMS,
        level_vrms_max: limits.source_vrms_max.min(stage.bench.source_vrms_max()),
        out_w_max,
        distortion_scatter: DISTORTION_SCATTER,
        level_scatter_db: LEVEL_SCATTER_DB,
        ..Sought::usual(claim.watts, claim.load_ohm, claim.limit_pct)
    })
}

/// What the search needs of a step.
fn observe(step: &Step) -> Observation {
    Observation {
        level_vrms: step.level_vrms,
        channels: step.driven().map(channel).collect(),
        supply_v: step.supply_v,
        supply_a: step.supply_a,
        heatsink_c: step.heatsink_c,
        tripped: step.driven().any(collapsed),
        refused: step.driven().any(|channel| channel.reading.is_refused()),
    }
}

fn channel(step: &ChannelStep) -> ChannelObservation {
    let r = &step.reading;
    ChannelObservation {
        fundamental_vrms: r.fundamental_vrms,
        active_w: r.active_w,
        thd_pct: r.thd_pct,
        thdn_pct: r.thdn_pct,
        even_share: r.even_share,
        flat_top_pct: r.flat_top_pct,
        crest_factor: r.crest_factor,
        noise_vrms: r.noise_vrms,
        // The reading counts a falling level negative, the search a droop positive.
        envelope_droop_db: r.envelope.as_ref().and_then(|envelope| envelope.droop_db).map(|db| -db),
        load_ohm_measured: r.load_ohm_measured,
    }
}

/// An output that is gone although the input is driven, or that fell by more than 6 dB within the capture.
fn collapsed(step: &ChannelStep) -> bool {
    let gone = step.reading.flags.contains(&wattproof_signal::Flag::NoSignal);
    let fell = step.reading.envelope.as_ref().and_then(|envelope| {
        let peak = envelope.fundamental_vrms.iter().copied().reduce(f64::max)?;
        let last = envelope.fundamental_vrms.last()?;
        Some(*last < peak / 2.0)
    });
    gone || fell == Some(true)
}
