//! A capture of outputs that nobody drives: their noise, hum and direct voltage.

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use wattproof_bench::BenchFile;
use wattproof_signal::{RestReading, Settings, read_rest};

use crate::expanded::Inputs;
use crate::stage::Stage;
use crate::{Event, RunError};

/// A capture of undriven outputs, as recorded.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct IdleStep {
    /// Bench clock at the end of the capture, s.
    pub at_s: f64,
    /// Load commanded, ohm.
    pub load_ohm: Option<f64>,
    /// Supply voltage commanded, V.
    pub supply_v_set: Option<f64>,
    /// Whether the supply is on.
    pub supply_on: bool,
    /// Supply voltage measured, V.
    pub supply_v: Option<f64>,
    /// Supply current measured, A.
    pub supply_a: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
    /// Every amplifier channel, the first first.
    pub channels: Vec<IdleChannel>,
}

/// One amplifier channel of a capture of undriven outputs.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct IdleChannel {
    /// Amplifier channel or bridge, from 1.
    pub channel: u32,
    /// What the record tells.
    pub reading: RestReading,
}

impl Stage {
    /// Captures outputs while nothing is played and records what they tell.
    pub fn capture_idle(&mut self) -> Result<IdleStep, RunError> {
        if self.now.source_on {
            return Err(RunError::Call(
                "capture_idle() is for outputs that nobody drives: source(#{ on: false }) first".into(),
            ));
        }
        self.tell(&Event::Doing("capturing outputs at rest"));
        let captured = self.bench.capture_idle()?;
        let settings = Settings { mains_hz: self.bench.file().mains_hz, ..Settings::default() };
        let channels = captured.channels.iter().map(|channel| IdleChannel {
            channel: channel.amplifier_channel,
            reading: read_rest(&channel.capture, &settings),
        });
        let step = IdleStep {
            at_s: captured.at_s,
            load_ohm: self.now.load_ohm,
            supply_v_set: self.now.supply_v,
            supply_on: self.now.supply_on,
            supply_v: captured.supply_v,
            supply_a: captured.supply_a,
            heatsink_c: captured.heatsink_c,
            channels: channels.collect(),
        };
        self.journal("idle", &step)?;
        Ok(step)
    }
}

/// What a script sees of it: each channel with the expanded uncertainties (k = 2) beside its reading.
pub(crate) fn idle_answer(file: &BenchFile, day: &str, step: &IdleStep) -> Value {
    let mut answer = json!(step);
    let channels = answer.get_mut("channels").and_then(Value::as_array_mut);
    for (told, channel) in channels.into_iter().flatten().zip(&step.channels) {
        let inputs = Inputs::of(file, day, channel.channel);
        let (r, halves) = (&channel.reading, if file.is_bridged() { [0.5, 0.5] } else { [1.0, 0.0] });
        let expanded = |value: Option<f64>, noise: Option<f64>, offset_v: f64| {
            let gain = value?.abs() * inputs.volts(value?.abs(), halves);
            Some(2.0 * gain.hypot(noise.unwrap_or_default()).hypot(offset_v))
        };
        let u = json!({
            "dc_v": expanded(r.dc_v, r.u.dc_v, inputs.volts_offset()),
            "noise_vrms": expanded(r.noise_vrms, r.u.noise_vrms, 0.0),
            "noise_a_vrms": expanded(r.noise_a_vrms, r.u.noise_a_vrms, 0.0),
            "noise_468_vrms": expanded(r.noise_468_vrms, r.u.noise_468_vrms, 0.0),
            // What all of them share: the gain of the voltage input.
            "gain_pct": 200.0 * inputs.volts(r.out_vrms.unwrap_or_default(), halves),
        });
        if let Some(told) = told.as_object_mut() {
            told.insert("expanded_u".into(), u);
        }
    }
    answer
}
