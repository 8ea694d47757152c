//! Script functions that tell what the bench is, and captures of outputs at rest.

use serde_json::{Value, json};

use super::arguments::Arguments;
use super::call::Call;
use super::functions::call;
use crate::RunError;
use crate::Step;
use crate::expanded::{ceiling_answer, step_answer};
use crate::idle::idle_answer;
use crate::stage::Stage;
use wattproof_method::Ceiling;

/// Carries out `bench`, `capture_idle`, and what scripts are told of steps and ceilings.
pub fn carry_out(stage: &mut Stage, asked: &Call) -> Result<Value, RunError> {
    match (asked.name.as_str(), asked.arguments.as_slice()) {
        ("bench", []) => bench(stage),
        ("capture_idle", []) => {
            let step = stage.capture_idle()?;
            Ok(idle_answer(stage.bench.file(), stage.bench.begun_day(), &step))
        }
        ("save_clip", [map]) => save_clip(stage, map),
        _ => super::drives::carry_out(stage, asked),
    }
}

/// A step as a script sees it.
pub fn step(stage: &Stage, step: &Step) -> Value {
    step_answer(stage.bench.file(), stage.bench.begun_day(), step)
}

/// Steps as a script sees them.
pub fn steps(stage: &Stage, steps: &[Step]) -> Value {
    steps.iter().map(|one| step(stage, one)).collect()
}

/// A ceiling as a script sees it.
pub fn ceiling(stage: &Stage, ceiling: &Ceiling) -> Value {
    ceiling_answer(stage.bench.file(), stage.bench.begun_day(), ceiling)
}

/// The loudness of a clip where the script does not say, dB re a sine of full scale: room for the peaks of any waveform.
const LOUDNESS_DB: f64 = -20.0;

fn save_clip(stage: &mut Stage, map: &Value) -> Result<Value, RunError> {
    let arguments = Arguments::of("save_clip", map).map_err(call)?;
    let name = arguments.word("name").map_err(call)?;
    let name = name.ok_or_else(|| call("save_clip() needs a name, as name: \"one-percent\"".into()))?;
    let channel = arguments.number("channel").map_err(call)?.unwrap_or(1.0);
    if !(channel.fract() == 0.0 && (1.0..=64.0).contains(&channel)) {
        return Err(call(format!(
            "save_clip() takes the number of an amplifier channel, from 1, not {channel}"
        )));
    }
    let loudness_db = arguments.number("loudness_db").map_err(call)?.unwrap_or(LOUDNESS_DB);
    super::functions::answer(&stage.save_clip(&name, channel as u32, loudness_db)?)
}

/// What the bench is: how many outputs, which loads, within which limits, how exact.
fn bench(stage: &Stage) -> Result<Value, RunError> {
    let file = stage.bench.file();
    let limits = stage.bench.limits();
    let limits = serde_json::to_value(limits).map_err(|error| call(error.to_string()))?;
    let source_vrms_max = stage.bench.limits().source_vrms_max.min(stage.bench.source_vrms_max());
    Ok(json!({
        "name": file.name,
        "channels": file.amplifier_channels(),
        "is_bridged": file.is_bridged(),
        "measures_current": file.measures_current(),
        "mains_hz": file.mains_hz,
        "rate_hz": file.digitizer.rate_hz,
        "record_s": stage.bench.record_s(),
        "source_vrms_max": source_vrms_max,
        "supply_tolerance_pct": file.supply.tolerance_pct,
        "load": {
            "fixed_ohm": file.load.fixed_ohm,
            "loudspeaker": file.load.loudspeaker,
            "taps_ohm": file.load.taps_ohm,
            "tolerance_pct": file.load.tolerance_pct,
            "watts_continuous": file.load.duty().map(|duty| duty.watts_continuous),
        },
        "limits": limits,
    }))
}
