//! Conditions, instruments, inputs, limits and self-check as rows of tables.

use wattproof_bench::Measures;
use wattproof_runs::PlateKind;
use wattproof_signal::Settings;

use super::Fact;
use super::words::limit_words;
use crate::number::{duration, significant};
use crate::record::{StepRow, Story};

pub struct InstrumentRow {
    pub role: String,
    pub idn: String,
    pub dialect: String,
    pub link: String,
}

pub struct InputRow {
    pub adc: u32,
    pub what: String,
    pub tolerance: String,
    pub state: String,
    pub date: String,
    pub due: String,
    pub meter: String,
}

pub struct CheckRow {
    pub name: String,
    pub result: String,
    pub found: String,
    pub allowed: String,
}

pub fn conditions(story: &Story, steps: &[StepRow]) -> Vec<Fact> {
    let bench = &story.opened.bench;
    let (low, high) = Settings::default().band_hz;
    let outputs = bench.amplifier_channels();
    let wired = match (bench.is_bridged(), story.opened.nameplate.kind) {
        (true, _) => {
            format!("{outputs}, each a bridge of two channels; load and power are those of a bridge")
        }
        (false, PlateKind::LineStage) => {
            format!("{outputs} of a line stage; its current is not measured, so no power is told")
        }
        (false, PlateKind::Amplifier) => format!("{outputs} single channels"),
    };
    let load = match bench.load.fixed_ohm {
        Some(ohm) if bench.load.loudspeaker => format!("loudspeakers of {ohm} ohm at least"),
        Some(ohm) => format!("resistors of {ohm} ohm that nobody sets"),
        None if !bench.load.taps_ohm.is_empty() => format!("taps of {} ohm", list(&bench.load.taps_ohm)),
        None => "set for each rating".into(),
    };
    let mut facts = vec![
        Fact::new("Bench", bench.name.clone()),
        Fact::new("Outputs served", wired),
        Fact::new("Load", format!("{load}, ± {} %", bench.load.tolerance_pct)),
        Fact::new("Supply as set", format!("± {} %", bench.supply.tolerance_pct)),
        Fact::new("Supply as measured", range(steps, |step| step.supply_v, "V")),
        Fact::new("Supply current as measured", range(steps, |step| step.supply_a, "A")),
        Fact::new("Heatsink", range(steps, |step| step.heatsink_c, "°C")),
        Fact::new("Distortion and noise count from", format!("{low} Hz to {high} Hz, not weighted")),
        Fact::new(
            "Captures",
            format!("{} samples a channel at {} Hz", bench.digitizer.samples, bench.digitizer.rate_hz),
        ),
        Fact::new(
            "Waited after a change",
            format!(
                "source {} ms, load {} ms, supply {} ms",
                bench.source.settle_ms,
                bench.load.settle_ms(),
                bench.supply.settle_ms
            ),
        ),
        Fact::new("Mains frequency", format!("{} Hz", bench.mains_hz)),
        Fact::new(
            "Self-check before the script",
            match &story.selfcheck {
                _ if !story.opened.selfcheck => "left out".to_string(),
                Some(made) => made.summary(),
                None => "did not come to its end".to_string(),
            },
        ),
    ];
    if let (Some(first), Some(last)) = (steps.first(), steps.last()) {
        facts
            .push(Fact::new("Steps", format!("{} within {}", steps.len(), duration(last.at_s - first.at_s))));
    } else {
        facts.push(Fact::new("Steps", "none recorded"));
    }
    facts
}

fn list(values: &[f64]) -> String {
    values.iter().map(f64::to_string).collect::<Vec<_>>().join(", ")
}

fn range(steps: &[StepRow], pick: fn(&StepRow) -> Option<f64>, unit: &str) -> String {
    let values = steps.iter().filter_map(pick).filter(|value| value.is_finite());
    let ends = values.fold(None, |ends: Option<(f64, f64)>, value| {
        let (low, high) = ends.unwrap_or((value, value));
        Some((low.min(value), high.max(value)))
    });
    match ends {
        Some((low, high)) if low == high => format!("{} {unit}", significant(low, 4)),
        Some((low, high)) => format!("{} to {} {unit}", significant(low, 4), significant(high, 4)),
        None => "not recorded".into(),
    }
}

pub fn instruments(story: &Story) -> Vec<InstrumentRow> {
    let row = |one: &crate::record::Instrument| InstrumentRow {
        role: one.role.clone(),
        idn: one.idn.clone(),
        dialect: one.dialect.clone(),
        link: one.link.clone(),
    };
    story.opened.instruments.iter().map(row).collect()
}

pub fn inputs(story: &Story) -> Vec<InputRow> {
    let (bench, day) = (&story.opened.bench, &story.opened.begun_day);
    let what = if bench.is_bridged() { "bridge" } else { "channel" };
    bench
        .digitizer
        .channel
        .iter()
        .map(|input| {
            let side = match bench.side_of(input) {
                Some(0) => ", positive side",
                Some(_) => ", negative side",
                None => "",
            };
            let measures = if input.measures == Measures::Volts { "volts" } else { "amps" };
            let made = input.calibration.as_ref();
            let or_dash = |text: Option<&String>| text.map_or("–".to_string(), Clone::clone);
            InputRow {
                adc: input.adc,
                what: format!("{measures} of {what} {}{side}", input.amplifier_channel),
                tolerance: match made {
                    Some(made) => {
                        format!("{} % (standard uncertainty of the gain)", significant(made.gain_u_pct, 3))
                    }
                    None => format!("{} % (tolerance)", input.tolerance_pct),
                },
                state: input.calibration_state(day).to_string(),
                date: or_dash(made.map(|made| &made.date).or(input.calibrated.as_ref())),
                due: or_dash(made.map(|made| &made.due)),
                meter: or_dash(made.map(|made| &made.meter)),
            }
        })
        .collect()
}

pub fn limits(story: &Story) -> Vec<Fact> {
    let limit = |(name, value): (&String, &serde_json::Value)| {
        let (words, value) = limit_words(name, value.as_f64()?);
        Some(Fact::new(words, value))
    };
    story.opened.limits.iter().filter_map(limit).collect()
}

pub fn checks(story: &Story) -> Vec<CheckRow> {
    let Some(made) = &story.selfcheck else { return Vec::new() };
    made.checks
        .iter()
        .map(|check| {
            let (low, high) = (check.allowed.low, check.allowed.high);
            let number = |value: f64| significant(value, 5);
            let span = match (low, high) {
                (Some(low), Some(high)) => format!("{} to {} {}", number(low), number(high), check.unit),
                (Some(low), None) => format!("at least {} {}", number(low), check.unit),
                (None, Some(high)) => format!("at most {} {}", number(high), check.unit),
                (None, None) => String::new(),
            };
            CheckRow {
                name: check
                    .channel
                    .map_or(check.check.clone(), |number| format!("{}, channel {number}", check.check)),
                result: check.result.to_string(),
                found: check.found.clone(),
                allowed: if check.allowed.reason.is_empty() {
                    span
                } else {
                    format!("{span} ({})", check.allowed.reason)
                },
            }
        })
        .collect()
}
