//! Finds the ceiling of one rating on the stage: the search says which level, the stage sets, settles, captures.

use std::time::Duration;

use wattproof_method::{
    Ceiling, CeilingSearch, ChannelObservation, LimitOn, Next, Observation, Quantity, Reach, Record, Sought,
    TransferCurve,
};
use wattproof_signal::Flag;

use crate::look::{probe, ramp};
use crate::stage::Stage;
use crate::{ChannelStep, Event, LimitBy, Rating, RunError, Step, unserved};

/// How long a tripped amplifier is left without drive before it is asked again, s.
const COOL_S: f64 = 2.5;
/// Least hold of a loud level before it is captured, s, and the share of the rating from which a level is loud.
const HOLD_S: f64 = 0.8;
const LOUD: f64 = 0.4;
/// Scatter of readings on a bench with a digitizer, relative for distortion and in dB for levels: ten times what
/// the reading itself states, since drift comes on top.
const DISTORTION_SCATTER: f64 = 0.01;
const LEVEL_SCATTER_DB: f64 = 0.005;
/// The source level of the first capture, V rms: 20 mV give at most 2 V at the highest gain.
const START_VRMS: f64 = 0.02;
/// Upper edge of the band that distortion is counted in, Hz (AES17).
const BAND_HZ: f64 = 20_000.0;
/// Lowest frequency at which a probe's few cycles hold enough to read, and highest at which samples are dense enough, Hz.
const PROBE_HZ: (f64, f64) = (200.0, 4_000.0);

/// Share of what the load stands at most that the search may use: the guard predicts power by the highest gain it has
/// seen, and noise must not make it refuse.
const KEEP_OFF: f64 = 0.98;

/// Runs the search for rating `number` (from 1).
pub fn find_ceiling(stage: &mut Stage, number: usize, claim: &Rating) -> Result<Ceiling, RunError> {
    stage.rating = Some(number);
    if let Some(why) = unserved(stage.bench.file(), &stage.nameplate, claim) {
        return Err(RunError::Call(format!("rating {number} can't be measured here: {why}")));
    }
    if stage.bench.file().load.loudspeaker {
        return Err(RunError::Call(
            "find_ceiling() is for resistors, and the bench file says that a loudspeaker hangs there: it would be driven to its end, and heard; use dummy loads, or captures at a level of your own".into(),
        ));
    }
    let sought = sought(stage, claim)?;
    let mut search =
        CeilingSearch::new(sought.clone()).map_err(|error| RunError::NoCeiling(error.to_string()))?;
    let mut last: Option<Observation> = None;
    loop {
        match search.next(last.as_ref()) {
            Next::Set { level_vrms, hold_s, record, why } => {
                let hold_s = hold_s.max(least_hold_s(last.as_ref(), level_vrms, claim));
                last = Some(hold(stage, level_vrms, hold_s, record, why)?);
            }
            Next::Probe { level_vrms, burst_vrms, cycles, hold_s, record, why } => {
                let hold_s = hold_s.max(least_hold_s(last.as_ref(), level_vrms, claim));
                let mut seen = hold(stage, level_vrms, hold_s, record, why)?;
                if !seen.tripped && !seen.refused {
                    probe(stage, level_vrms, burst_vrms, cycles, &mut seen)?;
                }
                last = Some(seen);
            }
            Next::Ramp { from_vrms, to_vrms, why, .. } => {
                stage.tell(&Event::Doing(why));
                last = Some(ramp(stage, from_vrms, to_vrms, &sought)?);
            }
            Next::CoolDown { why } => {
                cool_down(stage, why)?;
                last = None;
            }
            Next::Done(ceiling) => {
                if last.is_some_and(|seen| seen.tripped) {
                    cool_down(stage, "protection tripped; wait for recovery")?;
                }
                // What the load takes at a voltage is no power measured, and so no efficiency.
                let in_watts = claim.quantity() == Quantity::Watts;
                let efficiency_pct = ceiling.efficiency_pct.filter(|_| in_watts);
                return Ok(Ceiling { efficiency_pct, ..*ceiling });
            }
            Next::Failed(reason) => return Err(RunError::NoCeiling(reason.to_string())),
        }
    }
}

/// Sets a level, holds it as long as the search asks beyond settling, and captures a record as long as it asks.
fn hold(
    stage: &mut Stage,
    level_vrms: f64,
    hold_s: f64,
    record: Record,
    why: &'static str,
) -> Result<Observation, RunError> {
    let hold_s = stage.rest_for(level_vrms, 1.0, hold_s)?;
    stage.tell(&Event::Doing(why));
    stage.set_level(level_vrms)?;
    if !stage.now.source_on {
        stage.switch_source(true)?;
    }
    stage.bench.settle()?;
    stage.bench.wait(Duration::from_secs_f64(hold_s))?;
    let usual_s = stage.bench.record_s();
    let record_s = stage.now.hz.map_or(usual_s, |hz| record.length_s(hz, usual_s));
    let step = stage.capture_for("ceiling", record_s)?;
    Ok(Observation { held_s: hold_s, record_s, ..observe(&step) })
}

/// Drive off until a tripped amplifier has recovered.
fn cool_down(stage: &mut Stage, why: &str) -> Result<(), RunError> {
    stage.tell(&Event::Doing(why));
    stage.switch_source(false)?;
    stage.bench.wait(Duration::from_secs_f64(COOL_S))?;
    Ok(())
}

/// What counts is what the amplifier sustains, not the burst that a quick rise in level catches: a loud level, as far as
/// the last capture tells, is held for a while. After a trip every level is loud.
fn least_hold_s(last: Option<&Observation>, level_vrms: f64, claim: &Rating) -> f64 {
    let Some(last) = last else { return if level_vrms > START_VRMS { HOLD_S } else { 0.0 } };
    let gain = (level_vrms / last.level_vrms).powi(2);
    let predicted_w = last.channels.iter().filter_map(|channel| channel.active_w).reduce(f64::max);
    let loud = predicted_w.is_none_or(|active_w| active_w * gain > LOUD * claim.load_w());
    if loud { HOLD_S } else { 0.0 }
}

fn sought(stage: &Stage, claim: &Rating) -> Result<Sought, RunError> {
    let limits = stage.bench.limits();
    // The load that is there: a tap may lie beside the rated one.
    let load_ohm = stage.now.load_ohm.unwrap_or(claim.load_ohm);
    let load_w = stage.bench.file().load.duty().map_or(f64::INFINITY, |duty| KEEP_OFF * duty.watts_max);
    if claim.load_w() > load_w {
        return Err(RunError::Call(format!(
            "rating {} is more than the load stands (watts_max in [load], of which {:.0} % are used): use a load that stands more",
            claim.claimed(),
            100.0 * KEEP_OFF
        )));
    }
    let out_w_max = limits.out_w_max.min(limits.out_vrms_max.powi(2) / load_ohm).min(load_w);
    if claim.load_w() > out_w_max {
        let allowed = match claim.quantity() {
            Quantity::Watts => format!("{out_w_max:.1} W"),
            Quantity::Volts => format!("{:.2} V", (out_w_max * load_ohm).sqrt()),
        };
        return Err(RunError::Call(format!(
            "rating {} into {} ohm is beyond what the bench file allows ({allowed}): raise out_w_max or out_vrms_max in [limits] if bench and load really stand it",
            claim.claimed(),
            claim.load_ohm
        )));
    }
    let probes = (PROBE_HZ.0..=PROBE_HZ.1).contains(&claim.hz);
    Ok(Sought {
        reach: if probes { Reach::Probe } else { Reach::Steps },
        // Protection that acts by heat needs levels that are held: a quick rise passes them.
        ramps: false,
        harmonics_max: Some((BAND_HZ * (1.0 + 5e-4) / claim.hz).floor().max(1.0) as usize),
        limit_on: match claim.limit_by {
            LimitBy::Thdn => LimitOn::ThdN,
            LimitBy::Thd => LimitOn::Thd,
        },
        level_vrms_start: START_VRMS,
        level_vrms_max: limits.source_vrms_max.min(stage.bench.source_vrms_max()),
        out_w_max,
        distortion_scatter: DISTORTION_SCATTER,
        level_scatter_db: LEVEL_SCATTER_DB,
        ..Sought::usual(claim.load_w(), load_ohm, claim.limit_pct)
    })
}

/// What the search needs of a step.
pub(crate) fn observe(step: &Step) -> Observation {
    Observation {
        level_vrms: step.level_vrms,
        channels: step.driven().map(|one| channel(one, step.load_ohm)).collect(),
        supply_v: step.supply_v,
        supply_a: step.supply_a,
        heatsink_c: step.heatsink_c,
        tripped: step.driven().any(collapsed),
        refused: step.driven().any(|channel| channel.reading.is_refused()),
        ..Observation::default()
    }
}

fn channel(step: &ChannelStep, load_ohm: f64) -> ChannelObservation {
    let r = &step.reading;
    // Without a current the search counts what the load takes at the voltage that a rating in volts is judged by.
    let by_volts = r.band_vrms.filter(|_| r.out_irms.is_none()).map(|vrms| vrms * vrms / load_ohm);
    ChannelObservation {
        fundamental_vrms: r.fundamental_vrms,
        active_w: r.active_w.or(by_volts),
        thd_pct: r.thd_pct,
        thdn_pct: r.thdn_pct,
        even_share: r.even_share,
        flat_top_pct: r.flat_top_pct,
        crest_factor: r.crest_factor,
        noise_vrms: r.noise_vrms,
        // The reading counts a falling level negative, the search a droop positive.
        envelope_droop_db: r.envelope.as_ref().and_then(|envelope| envelope.droop_db).map(|db| -db),
        load_ohm_measured: r.load_ohm_measured,
        curve: r.fundamental_hz.and_then(|hz| curve(&r.series, hz)),
    }
}

/// The transfer curve of a series of harmonics: up to twice the band, for what a class-D stage switches at stands above
/// and follows no drive.
pub(crate) fn curve(series: &[(f64, f64)], hz: f64) -> Option<TransferCurve> {
    let orders = (2.0 * BAND_HZ / hz).floor().max(1.0) as usize;
    TransferCurve::from_harmonics(series.get(..=orders).unwrap_or(series))
}

/// An output that is gone although the input is driven, or that fell by more than 6 dB within the capture.
pub(crate) fn collapsed(step: &ChannelStep) -> bool {
    let gone = step.reading.flags.contains(&Flag::NoSignal);
    let fell = step.reading.envelope.as_ref().and_then(|envelope| {
        let peak = envelope.fundamental_vrms.iter().copied().reduce(f64::max)?;
        let last = envelope.fundamental_vrms.last()?;
        Some(*last < peak / 2.0)
    });
    gone || fell == Some(true)
}
