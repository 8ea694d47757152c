//! Burst against sustained on the stage: the procedure says which burst, the stage plays it, looks at it, records it.

use wattproof_bench::{BurstCaptured, BurstDrive, ChannelCaptured, Measures};
use wattproof_method::{BurstAnswer, BurstNext, BurstSeen, BurstSought, BurstTest};
use wattproof_signal::{Capture, Settings, find_burst, read, respond};

use crate::rebuild::BurstRecord;
use crate::stage::Stage;
use crate::{Event, RunError};

/// Length of the first burst: five time constants of an 80 ms limiter, s.
const ON_S: f64 = 0.5;
/// Longest burst, s.
const ON_S_MAX: f64 = 4.0;
/// Rest between bursts, s: more than the 480 ms of the burst procedure, and ten time constants of a limiter that takes
/// 200 ms to let go.
const REST_S: f64 = 2.0;
/// The second level lies this far below the one under test, dB.
const LOWER_DB: f64 = 1.0;
/// Length of the burst that counts as such, s: 20 ms in 500 ms (EIA-RS-490, IHF dynamic headroom; from memory).
pub const BURST_S: f64 = 0.02;

/// Runs the procedure at a source level and records its rows.
pub fn burst_and_sustained(stage: &mut Stage, level_vrms: f64) -> Result<Vec<BurstAnswer>, RunError> {
    if !stage.bench.file().measures_current() {
        return Err(RunError::Call(
            "burst_and_sustained() tells powers, and the bench file has no current input: it is for power amplifiers".into(),
        ));
    }
    let missing = |what: &str| RunError::Call(format!("burst_and_sustained() needs {what} to be set first"));
    let hz = stage.now.hz.ok_or_else(|| missing("source(#{ hz: … })"))?;
    let load_ohm = stage.now.load_ohm.ok_or_else(|| missing("load(#{ ohm: … })"))?;
    let supply_v_set = stage.now.supply_v.ok_or_else(|| missing("supply(#{ volts_v: … })"))?;
    if !(level_vrms > 0.0) || !(hz >= 5.0 / BURST_S) {
        return Err(RunError::Call(format!(
            "burst_and_sustained() needs a level above 0 and at least {} Hz, so that 20 ms hold five cycles",
            5.0 / BURST_S
        )));
    }
    let sought = BurstSought {
        level_vrms,
        lower_db: LOWER_DB,
        on_s: ON_S,
        on_s_max: ON_S_MAX,
        u_calibration: calibration(stage),
    };
    let mut test = BurstTest::new(sought);
    let mut seen: Option<Vec<BurstSeen>> = None;
    let answers = loop {
        match test.next(seen.as_deref()) {
            BurstNext::Play { level_vrms, rest_vrms, on_s } => {
                let cycles = |length_s: f64| (length_s * hz).round().clamp(1.0, 1e6) as u32;
                let drive = BurstDrive {
                    level_vrms,
                    rest_vrms,
                    on_cycles: cycles(on_s),
                    rest_cycles: cycles(REST_S.max(on_s)),
                };
                seen = Some(play(stage, drive, hz)?);
            }
            BurstNext::Done(answers) => break answers,
        }
    };
    stage.set_level(0.1 * level_vrms)?;
    let channels = answers.clone();
    stage.record_bursts(&BurstRecord { hz, load_ohm, supply_v_set, rating: stage.rating, channels })?;
    for answer in &answers {
        stage.tell(&Event::Printed(&told(answer)));
    }
    Ok(answers)
}

/// Standard uncertainty of power by the tolerances of divider and current sensor (rectangular, JCGM 100, 4.3.7).
fn calibration(stage: &Stage) -> f64 {
    let widest = |measures: Measures| {
        let channels = stage.bench.file().digitizer.channel.iter().filter(|c| c.measures == measures);
        channels.map(|channel| channel.tolerance_pct / 100.0).fold(0.0, f64::max)
    };
    widest(Measures::Volts).hypot(widest(Measures::Amps)) / 3f64.sqrt()
}

/// Plays bursts and looks at one on every driven channel.
fn play(stage: &mut Stage, drive: BurstDrive, hz: f64) -> Result<Vec<BurstSeen>, RunError> {
    stage.tell(&Event::Doing("a burst, from rest until it settles"));
    if !stage.now.source_on {
        // On at rest, so that the rise to the burst is judged as any other.
        stage.set_level(drive.rest_vrms)?;
        stage.switch_source(true)?;
    }
    // The burst after the next may be the one recorded.
    stage.rest_for(drive.level_vrms, drive.share(), 2.0 * drive.period_s(hz))?;
    stage.set_burst(drive)?;
    let captured = stage.bench.capture_burst(hz)?;
    let channels = captured.channels.iter().take(stage.now.driven);
    let seen: Vec<BurstSeen> = channels.map(|channel| look(channel, &drive, hz)).collect::<Result<_, _>>()?;
    let BurstCaptured { at_s, supply_v, supply_a, heatsink_c, .. } = captured;
    stage.journal(
        "burst_step",
        &serde_json::json!({
            "captured_s": at_s, "hz": hz, "drive": drive, "supply_v": supply_v, "supply_a": supply_a,
            "heatsink_c": heatsink_c, "channels": &seen,
        }),
    )?;
    Ok(seen)
}

/// What one channel's record shows.
fn look(channel: &ChannelCaptured, drive: &BurstDrive, hz: f64) -> Result<BurstSeen, RunError> {
    let number = channel.amplifier_channel;
    let odd = |what: String| RunError::Implausible(format!("channel {number}: {what}"));
    let found = find_burst(&channel.capture, hz).map_err(|error| odd(error.to_string()))?;
    let length_s = found.volts_vrms.len() as f64 * found.block_s;
    if length_s < 0.95 * drive.on_s(hz) {
        return Err(odd(format!(
            "the output fell away {length_s:.3} s into a burst of {:.3} s: has the amplifier's protection tripped?",
            drive.on_s(hz)
        )));
    }
    let too_few = || odd("the burst holds too few cycles: use a higher frequency".into());
    let volts = respond(&found.volts_vrms, found.block_s).ok_or_else(too_few)?;
    let watts =
        found.active_w.as_ref().and_then(|watts| respond(watts, found.block_s)).ok_or_else(too_few)?;
    let count = ((BURST_S / found.block_s).round() as usize).max(1);
    let first: Vec<f64> = found.active_w.iter().flatten().take(count).copied().collect();
    let first_20ms_w = first.iter().sum::<f64>() / first.len() as f64;
    Ok(BurstSeen {
        channel: number,
        rest_vrms: found.rest_vrms,
        start_vrms: volts.start,
        settled_vrms: volts.settled.zip(volts.u_settled),
        attack_s: volts.attack_s.zip(volts.u_attack_s),
        start_w: (watts.start, watts.u_start),
        first_20ms_w: (first_20ms_w, watts.scatter / (first.len() as f64).sqrt()),
        settled_w: watts.settled.zip(watts.u_settled),
        settled_thd_pct: tail_thd_pct(&channel.capture, &found, hz),
    })
}

/// Harmonic distortion of the burst's last fifth.
fn tail_thd_pct(capture: &Capture, found: &wattproof_signal::Burst, hz: f64) -> Option<f64> {
    let length_s = found.volts_vrms.len() as f64 * found.block_s;
    let sample = |at_s: f64| (at_s * capture.fs_hz) as usize;
    let (from, to) = (sample(found.onset_s + 0.8 * length_s), sample(found.onset_s + length_s));
    let tail =
        Capture { fs_hz: capture.fs_hz, volts: capture.volts.get(from..to)?.to_vec(), ..Capture::default() };
    read(&tail, &Settings { expected_hz: Some(hz), ..Settings::default() }).thd_pct
}

fn told(answer: &BurstAnswer) -> String {
    let sustained = answer
        .sustained
        .map_or_else(|| "sustained unknown, still moving".to_string(), |sustained| sustained.to_string());
    let headroom = answer.headroom_db.map_or_else(String::new, |db| format!(", {db:+.2} dB"));
    let attack =
        answer.attack_s.map_or_else(String::new, |attack_s| format!("; attack {:.1} ms", 1000.0 * attack_s));
    let ratio = answer.limiter.map_or_else(String::new, |limiter| match limiter.ratio {
        Some(ratio) => format!("; limiter {ratio:.1}:1 from {:.2} V", limiter.threshold_vrms),
        None => format!("; limiter above {:.0}:1 from {:.2} V", limiter.ratio_min, limiter.threshold_vrms),
    });
    format!("channel {}: {} (20 ms), {sustained}{headroom}{attack}{ratio}", answer.channel, answer.burst)
}
