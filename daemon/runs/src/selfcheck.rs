//! Checks the bench before a script: idle, then a small level at each output, every rated load, and off again. Like a
//! script it acts through the recorded bench alone, so that a run stays a function of its journal.

use std::time::Duration;

use serde::Serialize;
use wattproof_bench::{BenchFile, CalibratedChannel, Captured, Measures};
use wattproof_method::selfcheck::{
    Check, Driven, Idle, Seen, SelfCheck, SmallLevel, Supplied, Tone, judge_bridge, judge_driven,
    judge_gains, judge_idle, judge_kinds, judge_order, judge_supply, judge_thermometer,
};
use wattproof_signal::{Capture, Settings, read};

use crate::served::served;
use crate::stage::Stage;
use crate::{Event, Nameplate, PlateKind, RunError};

/// Cycles of the tone in a record, and of the mains.
const TONE_CYCLES: f64 = 10.0;
const MAINS_CYCLES: f64 = 1.0;
/// Frequency where no rating names one, Hz.
const USUAL_HZ: f64 = 1000.0;
/// Loads tried at most: those of the ratings, the highest first.
const LOADS_MAX: usize = 4;
/// An amplifier may mute itself after it is switched on: how long each wait is, and how many.
const MUTED: Duration = Duration::from_secs(1);
const MUTED_WAITS: usize = 3;

/// As the journal keeps it.
#[derive(Serialize)]
struct Record<'a> {
    may_start: bool,
    #[serde(flatten)]
    found: &'a SelfCheck,
}

/// Checks the bench if the run is to begin with that.
///
/// # Errors
/// [`RunError::SelfCheck`] when the run must not start; whatever the bench says.
pub fn check_first(stage: &mut Stage) -> Result<(), RunError> {
    if !stage.bench.checks_first() {
        return Ok(());
    }
    stage.tell(&Event::Doing("checking the bench at a small level"));
    let found = Checking::new(stage).carry_out()?;
    let may_start = found.may_start();
    stage.journal("selfcheck", &Record { may_start, found: &found })?;
    stage.tell(&Event::Checked(&found));
    let wrong: Vec<String> = found.refusing().map(|check| format!("  {}", check.line())).collect();
    stage.selfcheck = Some(found);
    if may_start { Ok(()) } else { Err(RunError::SelfCheck(wrong.join("\n"))) }
}

/// What the ratings say of how the amplifier may be tried.
struct Trial {
    supply_v: f64,
    loads_ohm: Vec<f64>,
    /// All rated power together, W; none of a line stage.
    rated_w: Option<f64>,
    small: SmallLevel,
    channels: usize,
}

impl Trial {
    /// The lowest supply voltage, every load, the smallest power; `None` without ratings, or loads for them.
    fn of(plate: &Nameplate, file: &BenchFile, source_vrms_max: f64) -> Option<Self> {
        // A loudspeaker is no load whose resistance could be judged.
        if file.load.loudspeaker {
            return None;
        }
        // What the wiring can't serve is not tried either.
        let ratings: Vec<&crate::Rating> =
            served(file, plate).into_iter().map(|(_, rating)| rating).collect();
        let least =
            |pick: fn(&crate::Rating) -> f64| ratings.iter().map(|rating| pick(rating)).reduce(f64::min);
        let most_w = ratings.iter().map(|rating| rating.load_w()).reduce(f64::max)?;
        // As the load has them; a rating whose load is not there ends the run where it is asked for.
        let there = ratings.iter().filter_map(|rating| file.load.nearest(rating.load_ohm).ok());
        let mut loads_ohm: Vec<f64> = there.collect();
        loads_ohm.sort_by(|a, b| b.total_cmp(a));
        loads_ohm.dedup();
        loads_ohm.truncate(LOADS_MAX);
        let own = plate.channels as usize / if file.is_bridged() { 2 } else { 1 };
        let channels = file.amplifier_channels().min(own);
        let rated_w = (plate.kind == PlateKind::Amplifier).then_some(most_w * channels as f64);
        let lowest_ohm = loads_ohm.last().copied()?;
        Some(Trial {
            supply_v: least(|rating| rating.supply_v)?,
            // What a line stage puts out is lost in what it takes at rest.
            small: SmallLevel::new(
                least(crate::Rating::load_w)?,
                rated_w.unwrap_or(f64::INFINITY),
                lowest_ohm,
                source_vrms_max,
            ),
            loads_ohm,
            rated_w,
            channels,
        })
    }
}

struct Checking<'a> {
    stage: &'a mut Stage,
    hz: f64,
    record_s: f64,
    readings_c: Vec<f64>,
    out_w_max: Option<f64>,
    checks: Vec<Check>,
}

impl<'a> Checking<'a> {
    fn new(stage: &'a mut Stage) -> Self {
        let hz = stage.nameplate.rating.first().map_or(USUAL_HZ, |rating| rating.hz);
        let record_s = (TONE_CYCLES / hz).max(MAINS_CYCLES / stage.bench.file().mains_hz);
        Checking { stage, hz, record_s, readings_c: Vec::new(), out_w_max: None, checks: Vec::new() }
    }

    fn carry_out(mut self) -> Result<SelfCheck, RunError> {
        let first_c = self.stage.bench.heatsink_c()?;
        self.readings_c.push(first_c);
        let ambient_c = self.stage.bench.ambient_c()?;
        let off = self.capture()?;
        self.idle(&off, None);
        let limits = self.stage.bench.limits();
        let source_vrms_max = limits.source_vrms_max.min(self.stage.bench.source_vrms_max());
        match Trial::of(&self.stage.nameplate, self.stage.bench.file(), source_vrms_max) {
            Some(trial) => self.try_amplifier(&trial)?,
            None => self.checks.push(Check::not_told(
                "amplifier",
                None,
                "no rating says at which voltage and into which load of this bench it may be tried",
                "name its nameplate: --nameplate amplifier.toml",
            )),
        }
        let last_c = self.stage.bench.heatsink_c()?;
        self.readings_c.push(last_c);
        let mut checks = judge_thermometer(&self.readings_c, ambient_c);
        checks.append(&mut self.checks);
        Ok(SelfCheck { out_w_max: self.out_w_max, checks })
    }

    fn try_amplifier(&mut self, trial: &Trial) -> Result<(), RunError> {
        let first_ohm = trial.loads_ohm.first().copied().unwrap_or_default();
        let bench = &mut self.stage.bench;
        bench.set_load(first_ohm)?;
        bench.set_supply(trial.supply_v)?;
        bench.switch_supply(true)?;
        bench.set_frequency(self.hz)?;
        bench.settle()?;
        let idle = self.capture()?;
        self.idle(&idle, Some(first_ohm));
        self.checks.extend(judge_supply(&Supplied {
            set_v: trial.supply_v,
            read_v: idle.supply_v,
            read_a: idle.supply_a,
            tolerance: self.stage.bench.file().supply.tolerance_pct / 100.0,
            rated_w: trial.rated_w,
        }));
        let idle_w = supply_w(&idle);
        let (mut level_vrms, mut seen) = (0.0, Vec::new());
        for driven in 1..=trial.channels {
            (level_vrms, seen) = self.drive(trial, driven, first_ohm, idle_w)?;
            let order = judge_order(driven, &seen);
            let told = if self.measures_current() { order.len() } else { 1 };
            self.checks.extend(order.into_iter().take(told));
        }
        self.loads(trial, level_vrms, &seen)?;
        let usual = self.stage.now.driven;
        let bench = &mut self.stage.bench;
        bench.switch_source(false)?;
        bench.switch_supply(false)?;
        bench.set_driven(usual)?;
        Ok(())
    }

    /// Drives the first so many outputs at a small level; gives that and what every channel shows.
    fn drive(
        &mut self,
        trial: &Trial,
        driven: usize,
        load_ohm: f64,
        idle_w: Option<f64>,
    ) -> Result<(f64, Vec<Seen>), RunError> {
        if driven > 1 {
            self.stage.bench.switch_source(false)?;
        }
        self.stage.bench.set_driven(driven)?;
        let mut level_vrms = trial.small.start_vrms();
        self.stage.bench.set_level(level_vrms)?;
        self.stage.bench.switch_source(true)?;
        let mut waits = if driven == 1 { MUTED_WAITS } else { 0 };
        loop {
            self.stage.bench.settle()?;
            let captured = self.capture()?;
            let seen = self.seen(&captured, trial.channels);
            let loudest_vrms = loudest_vrms(&seen, load_ohm);
            if loudest_vrms.is_none() && waits > 0 {
                waits -= 1;
                self.stage.bench.wait(MUTED)?;
                continue;
            }
            let rise_w = supply_w(&captured).zip(idle_w).map(|(now_w, idle_w)| now_w - idle_w);
            match trial.small.next(level_vrms, loudest_vrms, rise_w) {
                Some(next_vrms) => level_vrms = next_vrms,
                None => return Ok((level_vrms, seen)),
            }
            self.stage.bench.set_level(level_vrms)?;
        }
    }

    /// Every rated load in turn, all outputs driven; `seen` at the first of them.
    fn loads(&mut self, trial: &Trial, level_vrms: f64, seen: &[Seen]) -> Result<(), RunError> {
        let mut each: Vec<(f64, Vec<Seen>)> = Vec::new();
        for (index, load_ohm) in trial.loads_ohm.iter().copied().enumerate() {
            if index == 0 {
                each.push((load_ohm, seen.to_vec()));
                continue;
            }
            self.stage.bench.set_load(load_ohm)?;
            self.stage.bench.settle()?;
            let captured = self.capture()?;
            each.push((load_ohm, self.seen(&captured, trial.channels)));
        }
        if !self.measures_current() {
            self.checks.push(Check::not_told(
                "load and polarity",
                None,
                "the bench file has no current input: an open, shorted or wrong load is not seen",
                "measure what hangs on each output with a plain ohmmeter, everything off",
            ));
        }
        let is_line = self.stage.nameplate.kind == PlateKind::LineStage;
        let mut gains_db = Vec::new();
        for (index, number) in (1u32..).take(trial.channels).enumerate() {
            let mut at_loads = Vec::new();
            for (load_ohm, seen) in &each {
                let Some(seen) = seen.get(index) else { continue };
                if self.stage.bench.file().is_bridged() && at_loads.is_empty() {
                    self.checks.push(judge_bridge(number, level_vrms, seen));
                }
                let driven =
                    Driven { is_line, ..driven(self.stage.bench.file(), number, level_vrms, *load_ohm) };
                let mut judged = judge_driven(&driven, seen);
                if !self.measures_current() {
                    judged.truncate(1);
                }
                if at_loads.is_empty() {
                    gains_db.extend(judged.first().and_then(|gain| gain.value));
                    self.checks.extend(judged);
                } else {
                    self.checks.extend(judged.into_iter().nth(1));
                }
                at_loads.push((*load_ohm, *seen));
            }
            if !self.measures_current() {
                continue;
            }
            let first_ohm = trial.loads_ohm.first().copied().unwrap_or_default();
            let driven = driven(self.stage.bench.file(), number, level_vrms, first_ohm);
            self.checks.push(judge_kinds(&driven, &at_loads));
        }
        self.checks.extend(judge_gains(&gains_db));
        Ok(())
    }

    fn measures_current(&self) -> bool {
        self.stage.bench.file().measures_current()
    }

    fn capture(&mut self) -> Result<Captured, RunError> {
        let captured = self.stage.bench.capture_short(self.hz, self.record_s)?;
        self.readings_c.extend(captured.heatsink_c);
        for channel in &captured.channels {
            let Some(amps) = &channel.capture.amps else { continue };
            let watts = mean(channel.capture.volts.iter().zip(amps).map(|(v, a)| v * a));
            self.out_w_max = Some(self.out_w_max.map_or(watts, |most_w| most_w.max(watts)));
        }
        Ok(captured)
    }

    /// Noise and direct component of every input; `load_ohm` where the amplifier is powered.
    fn idle(&mut self, captured: &Captured, load_ohm: Option<f64>) {
        let idle_vrms = self.stage.bench.limits().idle_vrms();
        let file = self.stage.bench.file();
        let mut checks = Vec::new();
        for channel in &captured.channels {
            let rows = [
                (Measures::Volts, Some(&channel.capture.volts)),
                (Measures::Amps, channel.capture.amps.as_ref()),
            ];
            for (measures, samples) in rows {
                let number = channel.amplifier_channel;
                let (Some(samples), inputs) = (samples, file.inputs(number, measures)) else { continue };
                if inputs.is_empty() {
                    continue;
                }
                // Of a bridge between two dividers it is the difference that counts.
                let sum = |of: fn(&CalibratedChannel) -> f64| inputs.iter().map(|input| of(input)).sum();
                let dc = mean(samples.iter().copied());
                checks.extend(judge_idle(&Idle {
                    channel: number,
                    is_current: measures == Measures::Amps,
                    dc,
                    rms: mean(samples.iter().map(|sample| (sample - dc).powi(2))).sqrt(),
                    offset: sum(CalibratedChannel::offset_tolerance),
                    full_scale: sum(|input| input.full_scale(input.range_v)),
                    powered: load_ohm.map(|ohm| (idle_vrms, ohm)),
                }));
            }
        }
        self.checks.extend(checks);
    }

    fn seen(&self, captured: &Captured, channels: usize) -> Vec<Seen> {
        let mains_hz = self.stage.bench.file().mains_hz;
        let tone = |samples: &[f64], fs_hz| tone(samples, fs_hz, self.hz, mains_hz);
        let each = captured.channels.iter().take(channels).map(|channel| Seen {
            volts: tone(&channel.capture.volts, channel.capture.fs_hz),
            amps: channel.capture.amps.as_ref().and_then(|amps| tone(amps, channel.capture.fs_hz)),
            sides: (channel.sides.as_ref())
                .map(|sides| sides.each_ref().map(|side| tone(side, channel.capture.fs_hz))),
        });
        each.collect()
    }
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0u32), |(sum, count), value| (sum + value, count + 1));
    sum / f64::from(count.max(1))
}

fn supply_w(captured: &Captured) -> Option<f64> {
    Some(captured.supply_v? * captured.supply_a?)
}

/// The tone in one input by itself: a short leaves no voltage to find a current by.
pub(crate) fn tone(samples: &[f64], fs_hz: f64, hz: f64, mains_hz: f64) -> Option<Tone> {
    let alone = Capture { fs_hz, volts: samples.to_vec(), ..Capture::default() };
    let reading = read(&alone, &Settings { expected_hz: Some(hz), mains_hz, ..Settings::default() });
    Some(Tone {
        rms: reading.fundamental_vrms?,
        u: reading.u.fundamental_vrms.unwrap_or_default(),
        phase_deg: reading.fundamental_phase_deg?,
    })
}

/// By voltage, or by current times load: one of both may be missing. Sides of a bridge that swing together count with
/// what they would give against each other.
fn loudest_vrms(seen: &[Seen], load_ohm: f64) -> Option<f64> {
    let each = seen.iter().flat_map(|seen| {
        let sides = seen.sides.into_iter().flatten().flatten().map(|tone| 2.0 * tone.rms);
        let outputs = [seen.volts.map(|tone| tone.rms), seen.amps.map(|tone| tone.rms * load_ohm)];
        outputs.into_iter().flatten().chain(sides)
    });
    each.reduce(f64::max)
}

fn driven(file: &BenchFile, channel: u32, level_vrms: f64, load_ohm: f64) -> Driven {
    let (volts, amps) = (file.inputs(channel, Measures::Volts), file.inputs(channel, Measures::Amps));
    // Of a bridge the worse divider counts: each has its share only.
    let tolerance = |inputs: &[&CalibratedChannel]| {
        inputs.iter().map(|input| input.tolerance_pct / 100.0).fold(0.0, f64::max)
    };
    let gains = tolerance(&volts) + tolerance(&amps);
    let (volts, amps) = (volts.first().copied(), amps.first().copied());
    let gain = |input: Option<&CalibratedChannel>| input.map_or(f64::NAN, |input| input.gain);
    Driven {
        channel,
        level_vrms,
        load_ohm,
        load: file.load.tolerance_pct / 100.0,
        gains,
        exchange_ohm: gain(volts) / gain(amps),
        is_line: false,
    }
}
