//! The stage a script acts on: the bench as it stands now, the steps taken, and the record of both.

use std::sync::Arc;

use serde::Serialize;
use wattproof_bench::{Captured, ChannelCaptured, TemperaturePlace};
use wattproof_method::selfcheck::SelfCheck;

use crate::ceiling::collapsed;
use crate::chance::Chance;
use crate::delivered::Delivered;
use crate::drives::Playing;
use crate::finding::finding_row;
use crate::host::{Asked, Set};
use crate::judge::judge_rating;
use crate::open_tables::OpenTables;
use crate::rebuild::BurstRecord;
use crate::record::RecordedBench;
use crate::served::fewer_driven;
use crate::sweep::Shown;
use crate::tables::{curve_rows, left_out_row, rating_row, step_rows};
use crate::{
    ChannelStep, Driven, Event, Finding, Nameplate, NotMeasured, RATINGS_FILE, Rating, RatingResult,
    RatingsFile, RunError, Step, TemperatureStep, Typist, Watcher,
};

/// What was last commanded.
#[derive(Debug, Clone, Copy, Default)]
pub struct Operating {
    /// Source level, V rms; the louder part of bursts, the sum of two tones.
    pub level_vrms: Option<f64>,
    /// Whether it is one tone.
    pub playing: Playing,
    /// Source frequency, Hz.
    pub hz: Option<f64>,
    /// Source outputs on.
    pub source_on: bool,
    /// Channels driven, from the first.
    pub driven: usize,
    /// Load, ohm.
    pub load_ohm: Option<f64>,
    /// Supply setpoint, V.
    pub supply_v: Option<f64>,
    /// Supply output on.
    pub supply_on: bool,
}

/// How a capture is made.
#[derive(Debug, Clone, Copy)]
enum How {
    /// As long as captures are.
    Usual,
    /// So many seconds.
    For(f64),
    /// As long as captures are, with this level, V rms, set while the samples travel.
    Then(f64),
}

/// The stage of one run.
pub struct Stage {
    /// The bench, with the run's record.
    pub bench: RecordedBench,
    /// The amplifier under test.
    pub nameplate: Nameplate,
    /// What was last commanded.
    pub now: Operating,
    /// The rating that steps serve, from 1.
    pub rating: Option<usize>,
    /// Ratings judged so far.
    pub results: Vec<RatingResult>,
    /// What the script found out so far.
    pub findings: Vec<Finding>,
    /// Ratings left out, since the bench can't serve them.
    pub left_out: Vec<NotMeasured>,
    /// What the self-check found.
    pub selfcheck: Option<SelfCheck>,
    /// Answers for the script's parameters.
    pub asked: Asked,
    /// Draws numbers for scripts; begins anew with every run.
    pub chance: Chance,
    /// Those that served a rating.
    steps: Vec<Step>,
    shown: Shown,
    count: u64,
    /// The last step's samples.
    last: Option<(u64, Vec<ChannelCaptured>)>,
    /// How long the last capture took, s.
    took_s: Option<f64>,
    delivered: Delivered,
    watcher: Arc<dyn Watcher>,
    /// Who types a script that is typed.
    pub typist: Option<Arc<dyn Typist>>,
    tables: Option<OpenTables>,
}

impl Stage {
    /// A stage on a recorded bench, with what was `set` of the script's parameters; without `tables` nothing is written but the journal.
    pub fn new(
        bench: RecordedBench,
        nameplate: Nameplate,
        set: Set,
        tables: Option<OpenTables>,
        watcher: Arc<dyn Watcher>,
    ) -> Self {
        let driven = bench.file().amplifier_channels();
        let chance = Chance::named(bench.folder().name());
        let load_ohm = bench.file().load.fixed_ohm;
        Stage {
            bench,
            nameplate,
            now: Operating { driven, load_ohm, ..Operating::default() },
            rating: None,
            results: Vec::new(),
            findings: Vec::new(),
            left_out: Vec::new(),
            selfcheck: None,
            asked: Asked::new(set),
            chance,
            steps: Vec::new(),
            shown: Shown::default(),
            count: 0,
            last: None,
            took_s: None,
            delivered: Delivered::default(),
            watcher,
            typist: None,
            tables,
        }
    }

    /// Tells the watching person.
    pub fn tell(&self, event: &Event<'_>) {
        self.watcher.tell(event);
    }

    /// Puts a record into the journal, synced; tells whether it is new rather than answered from the journal.
    pub fn journal<T: Serialize>(&mut self, kind: &str, data: &T) -> Result<bool, RunError> {
        self.bench.record(kind, data)
    }

    /// Gives up everything that is open for writing.
    pub fn end(&mut self) {
        self.bench.end();
        self.tables = None;
    }

    /// The last step's number and samples.
    pub(crate) fn last_capture(&self) -> Option<(u64, &[ChannelCaptured])> {
        self.last.as_ref().map(|(step, channels)| (*step, channels.as_slice()))
    }

    /// Whether what comes next is new and belongs on the disk: neither answered from the journal nor computed again.
    pub(crate) fn writes(&self) -> bool {
        self.tables.is_some() && !self.bench.is_replaying()
    }

    /// How many steps were recorded.
    pub fn step_count(&self) -> u64 {
        self.count
    }

    /// What a person types next.
    pub(crate) fn next_typed(&mut self) -> Result<Option<String>, RunError> {
        let typist = self.typist.clone();
        self.bench.next_typed(typist.as_deref())
    }

    /// Records a burst procedure.
    pub fn record_bursts(&mut self, record: &BurstRecord) -> Result<(), RunError> {
        if self.journal("burst", record)?
            && let Some(tables) = &mut self.tables
        {
            tables.bursts.append(record.rows())?;
        }
        Ok(())
    }

    /// Keeps a finding: in the journal, the table and for the end of the run.
    pub(crate) fn keep_finding(&mut self, finding: &Finding) -> Result<(), RunError> {
        if self.journal("finding", finding)?
            && let Some(tables) = &mut self.tables
        {
            tables.findings.append([finding_row(finding)])?;
        }
        self.findings.push(finding.clone());
        self.tell(&Event::Found(finding));
        Ok(())
    }

    /// Sets the source level; the bench ramps upwards in permitted steps.
    pub fn set_level(&mut self, level_vrms: f64) -> Result<(), RunError> {
        self.bench.set_level(level_vrms)?;
        self.now.level_vrms = Some(level_vrms);
        if self.now.source_on {
            self.delivered.driven(self.rating, self.bench.now_s());
        }
        self.now.playing = Playing::Continuous;
        Ok(())
    }

    /// Sets the load of every channel to the resistance nearest to `asked_ohm` that there is; that one is what counts
    /// from then on.
    pub fn set_load(&mut self, asked_ohm: f64) -> Result<(), RunError> {
        let nearest = self.bench.file().load.nearest(asked_ohm);
        let load_ohm = nearest.map_err(|none| RunError::Call(none.to_string()))?;
        self.bench.set_load(load_ohm)?;
        self.now.load_ohm = Some(load_ohm);
        Ok(())
    }

    /// Drives all channels, the first, or all bridges; the source must be off.
    pub fn set_driven(&mut self, driven: Driven) -> Result<(), RunError> {
        let (outputs, channels) = (self.bench.file().amplifier_channels(), self.nameplate.channels as usize);
        if (driven == Driven::Bridged) != self.bench.file().is_bridged() {
            let wired = if self.bench.file().is_bridged() { "bridged" } else { "single" };
            return Err(RunError::Call(format!(
                "driven: \"{}\" can't be had on this bench, whose outputs are {wired}: [[digitizer.bridge]] of the bench file says how it is wired, and only a person can change that",
                driven.word()
            )));
        }
        let count = match driven {
            Driven::All => outputs.min(channels),
            Driven::One => 1,
            Driven::Bridged => outputs.min(channels / 2),
        };
        if self.now.source_on && count != self.now.driven {
            return Err(RunError::Call(
                "switch the source off before changing which channels are driven: source(#{ on: false })"
                    .into(),
            ));
        }
        self.bench.set_driven(count)?;
        self.now.driven = count;
        Ok(())
    }

    /// Source on or off; on at a level set since it was last off.
    pub fn switch_source(&mut self, on: bool) -> Result<(), RunError> {
        if on && self.now.level_vrms.is_none() {
            return Err(RunError::Call(
                "the source is switched on at a level set since it was last off: give level_vrms (or level_dbv) with on: true, or before it".into(),
            ));
        }
        self.bench.switch_source(on)?;
        if on {
            self.delivered.driven(self.rating, self.bench.now_s());
            self.now.source_on = true;
        } else {
            self.note_source_off();
        }
        Ok(())
    }

    /// The source was switched off by something else than the script's word.
    pub(crate) fn note_source_off(&mut self) {
        self.delivered.off(self.rating, self.bench.now_s());
        self.now.level_vrms = None;
        self.now.playing = Playing::Continuous;
        self.now.source_on = false;
    }

    /// How long the last capture took, s; none before the first.
    pub(crate) fn took_s(&self) -> Option<f64> {
        self.took_s
    }

    /// Supply on or off; on at a voltage that this run has set, since it may hold any.
    pub fn switch_supply(&mut self, on: bool) -> Result<(), RunError> {
        if on && self.now.supply_v.is_none() {
            return Err(RunError::Call(
                "the supply is switched on at a voltage set before, since it may hold any: give volts_v with on: true, or before it".into(),
            ));
        }
        self.bench.switch_supply(on)?;
        self.now.supply_on = on;
        Ok(())
    }

    /// Captures, computes, records; the step is on the disk before this returns.
    pub fn capture(&mut self, purpose: &str) -> Result<Step, RunError> {
        self.capture_how(purpose, How::Usual)
    }

    /// As [`Stage::capture`], with a record of `record_s` seconds; the usual one where that is as long.
    pub(crate) fn capture_for(&mut self, purpose: &str, record_s: f64) -> Result<Step, RunError> {
        let short = record_s < self.bench.record_s();
        self.capture_how(purpose, if short { How::For(record_s) } else { How::Usual })
    }

    /// As [`Stage::capture`], and sets the next level while the samples travel, if one is given.
    pub(crate) fn capture_then(&mut self, purpose: &str, next_vrms: Option<f64>) -> Result<Step, RunError> {
        self.capture_how(purpose, next_vrms.map_or(How::Usual, How::Then))
    }

    /// Whether a level is no louder than the present one, or one that was captured under the present conditions.
    pub(crate) fn is_shown(&self, level_vrms: f64) -> bool {
        let falls = self.now.source_on && self.now.level_vrms.is_some_and(|now_vrms| level_vrms <= now_vrms);
        falls || self.shown.covers(&self.now, level_vrms)
    }

    fn capture_how(&mut self, purpose: &str, how: How) -> Result<Step, RunError> {
        let missing = |what: &str| RunError::Call(format!("capture() needs {what} to be set first"));
        let level_vrms = self.now.level_vrms.ok_or_else(|| missing("source(#{ level_vrms: … })"))?;
        if self.now.playing != Playing::Continuous {
            return Err(RunError::Call(
                "capture() reads one continuous tone, but bursts or two tones are played, or noise: set a level with source(#{ level_vrms: … }) first".into(),
            ));
        }
        let hz = self.now.hz.ok_or_else(|| missing("source(#{ hz: … })"))?;
        let load_ohm = self.now.load_ohm.ok_or_else(|| missing("load(#{ ohm: … })"))?;
        let supply_v_set = self.now.supply_v.ok_or_else(|| missing("supply(#{ volts_v: … })"))?;
        if purpose != "ceiling" {
            self.tell(&Event::Doing(purpose));
        }
        let begun_s = self.bench.now_s();
        let mut captured = match how {
            How::Usual => self.bench.capture(hz)?,
            How::For(record_s) => self.bench.capture_short(hz, record_s)?,
            How::Then(next_vrms) => self.bench.capture_then(hz, next_vrms)?,
        };
        self.took_s = Some(self.bench.now_s() - begun_s);
        self.count = self.count.max(self.bench.steps_before()) + 1;
        let mut step = Step {
            step: self.count,
            at_s: captured.at_s,
            purpose: purpose.into(),
            rating: self.rating,
            level_vrms,
            hz,
            load_ohm,
            supply_v_set,
            supply_v: captured.supply_v,
            supply_a: captured.supply_a,
            supply_w: captured.supply_v.zip(captured.supply_a).map(|(volts, amps)| volts * amps),
            efficiency_pct: None,
            heatsink_c: captured.heatsink_c,
            temperatures: self.temperatures(&captured),
            channels: self.channel_steps(&mut captured, level_vrms),
        };
        self.last = Some((self.count, captured.channels));
        step.efficiency_pct = efficiency_pct(&step);
        if let (Some(total_w), Some(lowest_w)) = (total_w(&step), step.lowest_w()) {
            let served = self.rating.and_then(|number| self.nameplate.rating.get(number - 1));
            self.delivered.captured(total_w, lowest_w, served.map_or(0.0, Rating::load_w));
        }
        // An output that is gone, or can't be read, shows nothing of what its level gives.
        if step.driven().all(|channel| !channel.reading.is_refused() && !collapsed(channel)) {
            self.shown.note(&self.now);
        }
        if let How::Then(next_vrms) = how {
            self.now.level_vrms = Some(next_vrms);
            // From the end of the record on, and no louder: what lies between goes to the level before.
            self.delivered.driven(self.rating, step.at_s);
        }
        if self.journal("step", &step)?
            && let Some(tables) = &mut self.tables
        {
            tables.steps.append(step_rows(&step))?;
        }
        // A run may go on for days: only what a rating is judged by is kept.
        if step.rating.is_some() {
            self.steps.push(step.clone());
        }
        self.tell(&Event::Stepped(&step));
        check_load(&step, self.bench.file().load.loudspeaker)?;
        Ok(step)
    }

    fn temperatures(&self, captured: &Captured) -> Vec<TemperatureStep> {
        let places = self.bench.file().temperature.iter().zip(&captured.further_c);
        let step = |(place, c): (&TemperaturePlace, &Option<f64>)| TemperatureStep {
            name: place.name.clone(),
            watches: place.watches,
            c: *c,
        };
        places.map(step).collect()
    }

    fn channel_steps(&self, captured: &mut Captured, level_vrms: f64) -> Vec<ChannelStep> {
        // Both sides of a bridge may stand at half the supply: that is no part of what they play.
        let rms = |side: &Vec<f64>| {
            let mean =
                |of: &dyn Fn(f64) -> f64| side.iter().map(|v| of(*v)).sum::<f64>() / side.len().max(1) as f64;
            let dc_v = mean(&|v| v);
            mean(&|v| (v - dc_v).powi(2)).sqrt()
        };
        let sides = captured.channels.iter().map(|channel| channel.sides.as_ref());
        let sides: Vec<_> = sides.map(|sides| Some(sides?.each_ref().map(rms))).collect();
        let bridged = self.bench.file().is_bridged();
        let number = |index: usize| u32::try_from(index + 1).unwrap_or(u32::MAX);
        std::mem::take(&mut captured.readings)
            .into_iter()
            .zip(sides)
            .enumerate()
            .map(|(index, (reading, sides_vrms))| {
                let driven = self.now.source_on && index < self.now.driven;
                let gain = reading.fundamental_vrms.filter(|_| driven).map(|out_vrms| out_vrms / level_vrms);
                ChannelStep {
                    channel: number(index),
                    driven,
                    gain_db: gain.map(|gain| 20.0 * gain.log10()),
                    reading,
                    bridged,
                    sides_vrms,
                }
            })
            .collect()
    }

    /// Records a rating that the bench can't serve.
    pub(crate) fn leave_out(&mut self, one: &NotMeasured) -> Result<(), RunError> {
        let new = self.journal("not_measured", one)?;
        self.left_out.push(one.clone());
        if let (true, Some(tables)) = (new, &mut self.tables) {
            tables.ratings.append([left_out_row(one)])?;
        }
        Ok(())
    }

    /// Judges a ceiling against the rating that steps serve now, and records it with its curve.
    pub fn judge(&mut self, ceiling: wattproof_method::Ceiling) -> Result<RatingResult, RunError> {
        let number = self.rating.ok_or_else(|| {
            RunError::Call("record() needs a rating that find_ceiling() was run for".into())
        })?;
        let claim = self
            .nameplate
            .rating
            .get(number - 1)
            .cloned()
            .ok_or_else(|| RunError::Call(format!("the nameplate has no rating {number}")))?;
        let spent = self.delivered.spent(self.rating, self.bench.now_s());
        let serving: Vec<&Step> = self.steps.iter().filter(|step| step.rating == Some(number)).collect();
        let (file, begun) = (self.bench.file(), self.bench.begun_day());
        let mut result = judge_rating(file, begun, number, &claim, ceiling, &serving, spent);
        result.notes.extend(fewer_driven(file, &self.nameplate, &claim));
        let new = self.journal("rating", &result)?;
        self.tell(&Event::Judged(&result));
        self.results.push(result.clone());
        if let (true, Some(tables)) = (new, &mut self.tables) {
            tables.ratings.append([rating_row(&result)])?;
            tables.curve.append(curve_rows(&result, &self.steps))?;
            self.write_ratings()?;
        }
        Ok(result)
    }

    /// All ratings judged so far, whole and synced, so that a run cut short keeps them.
    fn write_ratings(&self) -> Result<(), RunError> {
        let folder = self.bench.folder();
        let file = RatingsFile::new(folder.name(), &self.nameplate.model, &self.results, &self.left_out);
        folder.write_whole(RATINGS_FILE, &file.text(folder)?)
    }
}

/// Power of all driven channels, W; absent when any has none.
fn total_w(step: &Step) -> Option<f64> {
    step.driven().map(|channel| channel.reading.active_w).sum()
}

fn efficiency_pct(step: &Step) -> Option<f64> {
    let out_w = total_w(step)?;
    step.supply_w.filter(|supply_w| *supply_w > 0.0).map(|supply_w| 100.0 * out_w / supply_w)
}

/// A hot, open, shorted or wrong load is a fault, not a result. Judged only where there is a real signal.
fn check_load(step: &Step, is_loudspeaker: bool) -> Result<(), RunError> {
    for channel in step.driven() {
        let (Some(ohm), Some(vrms)) = (channel.reading.load_ohm_measured, channel.reading.fundamental_vrms)
        else {
            continue;
        };
        // A loudspeaker's impedance rises from its lowest, and turns the phase.
        let moved = |x_ohm: f64| (step.load_ohm / ohm.hypot(x_ohm) - 1.0).max(0.0);
        let off = match channel.reading.load_x_ohm.filter(|_| is_loudspeaker) {
            Some(x_ohm) => moved(x_ohm),
            None => (ohm / step.load_ohm - 1.0).abs(),
        };
        if vrms > 0.2 && !(off <= 0.25) {
            return Err(RunError::Implausible(format!(
                "step {}: channel {} sees {ohm:.3} ohm where {} ohm is set: check the load's wiring, its temperature and the current sensor's scale",
                step.step, channel.channel, step.load_ohm
            )));
        }
    }
    Ok(())
}
