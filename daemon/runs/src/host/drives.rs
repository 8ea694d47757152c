//! Script functions for bursts, two tones and noise.

use serde_json::Value;
use wattproof_bench::{BurstDrive, NoiseDrive, NoiseKind};
use wattproof_signal::TwoToneKind;

use super::arguments::Arguments;
use super::call::Call;
use super::functions::{answer, call, done};
use crate::RunError;
use crate::stage::Stage;

/// Carries out `burst`, `burst_and_sustained`, `two_tone`, `capture_two_tone`, `noise` and `capture_noise`.
pub fn carry_out(stage: &mut Stage, asked: &Call) -> Result<Value, RunError> {
    match (asked.name.as_str(), asked.arguments.as_slice()) {
        ("burst", [map]) => done(burst(stage, map)),
        ("two_tone", [map]) => done(two_tone(stage, map)),
        ("burst_and_sustained", [map]) => {
            let arguments = Arguments::of("burst_and_sustained", map).map_err(call)?;
            let level_vrms = arguments.number("level_vrms").map_err(call)?;
            let level_vrms =
                level_vrms.ok_or_else(|| call("burst_and_sustained() needs level_vrms".into()))?;
            answer(&crate::burst::burst_and_sustained(stage, level_vrms)?)
        }
        ("noise", [map]) => done(noise(stage, map)),
        ("capture_noise", []) => answer(&stage.capture_noise()?),
        ("capture_two_tone", []) => answer(&stage.capture_two_tone()?),
        (name, given) => Err(call(format!(
            "there is no function {name}() of {} arguments: see scripts/REFERENCE.md",
            given.len()
        ))),
    }
}

fn burst(stage: &mut Stage, map: &Value) -> Result<(), RunError> {
    let arguments = Arguments::of("burst", map).map_err(call)?;
    let hz = stage.now.hz.ok_or_else(|| call("burst() needs source(#{ hz: … }) first".into()))?;
    let level_vrms = arguments.number("level_vrms").map_err(call)?;
    let level_vrms = level_vrms.ok_or_else(|| call("burst() needs level_vrms".into()))?;
    let count = |name: &str, usual: f64| -> Result<u32, RunError> {
        Ok(arguments.number(name).map_err(call)?.unwrap_or(usual).round() as u32)
    };
    let drive = BurstDrive {
        level_vrms,
        rest_vrms: arguments.number("rest_vrms").map_err(call)?.unwrap_or(level_vrms / 10.0),
        // 20 ms in 500 ms (EIA-RS-490 dynamic headroom, from memory).
        on_cycles: count("cycles", (0.02 * hz).max(1.0))?,
        rest_cycles: count("rest_cycles", (0.48 * hz).max(1.0))?,
    };
    stage.set_burst(drive)
}

fn noise(stage: &mut Stage, map: &Value) -> Result<(), RunError> {
    let arguments = Arguments::of("noise", map).map_err(call)?;
    let kind = match arguments.word("kind").map_err(call)?.as_deref() {
        Some("white") => NoiseKind::White,
        Some("pink") => NoiseKind::Pink,
        _ => return Err(call("noise() needs kind: \"white\" or \"pink\"".into())),
    };
    let level_vrms = arguments.number("level_vrms").map_err(call)?;
    let level_vrms = level_vrms.ok_or_else(|| call("noise() needs level_vrms".into()))?;
    let crest = arguments.number("crest").map_err(call)?;
    stage.set_noise(NoiseDrive { kind, level_vrms, crest })
}

fn two_tone(stage: &mut Stage, map: &Value) -> Result<(), RunError> {
    let arguments = Arguments::of("two_tone", map).map_err(call)?;
    let kind = match arguments.word("kind").map_err(call)?.as_deref() {
        Some("smpte") => TwoToneKind::Smpte,
        Some("twin_tone") => TwoToneKind::TwinTone,
        _ => return Err(call("two_tone() needs kind: \"smpte\" or \"twin_tone\"".into())),
    };
    let level_vrms = arguments.number("level_vrms").map_err(call)?;
    stage.set_two_tone(kind, level_vrms.ok_or_else(|| call("two_tone() needs level_vrms".into()))?)
}
