//! Takes records: of a steady tone with its readings, of one whole burst, of two tones.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use wattproof_guard::SafetyReading;
use wattproof_signal::{NoiseReading, TwoToneReading, TwoToneSettings, read_noise, read_two_tone};

use crate::acquire::{acquisition, prepare};
use crate::captured::{Loudest, loudest, outputs, read_channels, to_amplifier, together_w};
use crate::drives::Playing;
use crate::shared::SUPPLY_OUTPUT;
use crate::taken::{Taken, Timed};
use crate::{Bench, BenchError, Captured, ChannelCaptured};

/// How long before a burst a record of it begins, s: longer than messages to source and digitizer take.
const BEFORE_S: f64 = 0.1;

/// A record of one whole burst, from the rest before it to its end.
#[derive(Debug)]
pub struct BurstCaptured {
    /// Bench clock at the end, s.
    pub at_s: f64,
    /// Raw captures, one per amplifier channel in order.
    pub channels: Vec<ChannelCaptured>,
    /// Supply voltage somewhere in the record, V.
    pub supply_v: Option<f64>,
    /// Supply current somewhere in the record, A.
    pub supply_a: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
}

/// A record of two tones.
#[derive(Debug)]
pub struct TwoToneCaptured {
    /// Bench clock at the end, s.
    pub at_s: f64,
    /// Raw captures, one per amplifier channel in order.
    pub channels: Vec<ChannelCaptured>,
    /// Readings, in the same order.
    pub readings: Vec<TwoToneReading>,
    /// Supply voltage, V.
    pub supply_v: Option<f64>,
    /// Supply current, A.
    pub supply_a: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
}

/// A record of noise.
#[derive(Debug)]
pub struct NoiseCaptured {
    /// Bench clock at the end, s.
    pub at_s: f64,
    /// Raw captures, one per amplifier channel in order.
    pub channels: Vec<ChannelCaptured>,
    /// Readings, in the same order.
    pub readings: Vec<NoiseReading>,
    /// Supply voltage, V.
    pub supply_v: Option<f64>,
    /// Supply current, A.
    pub supply_a: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
}

impl Bench {
    /// Captures noise, computes the readings, has the guard judge levels and powers over the record.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn capture_noise(&self) -> Result<NoiseCaptured, BenchError> {
        let samples = self.shared.samples.load(Ordering::Relaxed);
        let taken = self.take(|| self.take_once(samples))?;
        let unread = vec![wattproof_signal::Reading::default(); taken.channels.len()];
        // The supply's current swings with the noise, and is read at another moment: powers are not compared.
        self.judge_taken(&taken, outputs(&taken.channels, &unread))?;
        let readings = taken.channels.iter().map(|channel| read_noise(&channel.capture)).collect();
        Ok(NoiseCaptured {
            readings,
            at_s: taken.at_s(),
            supply_v: taken.recorded(taken.supply_v),
            supply_a: taken.recorded(taken.supply_a),
            heatsink_c: taken.recorded(taken.heatsink_c),
            channels: taken.channels,
        })
    }

    /// Captures all channels with supply and heatsink read meanwhile, computes the readings, has the guard judge
    /// them. `hz` is the frequency commanded.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn capture(&self, hz: f64) -> Result<Captured, BenchError> {
        self.captured(hz, self.shared.samples.load(Ordering::Relaxed))
    }

    fn captured(&self, hz: f64, samples: usize) -> Result<Captured, BenchError> {
        let taken = self.take(|| self.take_once(samples))?;
        let readings = read_channels(&self.shared.file, &taken.channels, hz);
        if self.playing() == Playing::Continuous {
            let together_w = together_w(&taken.channels, &readings);
            self.judge_taken(&taken, SafetyReading { together_w, ..outputs(&taken.channels, &readings) })?;
        } else {
            self.judge_loudest(&taken, hz)?;
        }
        Ok(Captured {
            at_s: taken.at_s(),
            supply_v: taken.recorded(taken.supply_v),
            supply_a: taken.recorded(taken.supply_a),
            heatsink_c: taken.recorded(taken.heatsink_c),
            further_c: self.further_c(taken.at_s()),
            channels: taken.channels,
            readings,
        })
    }

    /// Length of the next captures, s.
    #[must_use]
    pub fn record_s(&self) -> f64 {
        self.shared.samples.load(Ordering::Relaxed) as f64 / self.shared.file.digitizer.rate_hz
    }

    /// As [`Bench::capture`], with a record of `record_s` seconds.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn capture_short(&self, hz: f64, record_s: f64) -> Result<Captured, BenchError> {
        self.captured(hz, (record_s * self.shared.file.digitizer.rate_hz).ceil().max(256.0) as usize)
    }

    /// Records the next burst whole, with the rest before it, and has the guard judge its loudest part. `hz` is the
    /// frequency commanded.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped, unless no bursts are played or they rest too shortly.
    pub fn capture_burst(&self, hz: f64) -> Result<BurstCaptured, BenchError> {
        let Playing::Burst(drive, from_s) = self.playing() else {
            return Err(BenchError::Setup(
                "no bursts are played: set them before a burst is captured".into(),
            ));
        };
        let period_s = drive.period_s(hz);
        if period_s - drive.on_s(hz) < 2.0 * BEFORE_S {
            let what = format!("bursts must rest for {} s at least, to be found in a record", 2.0 * BEFORE_S);
            return Err(BenchError::Setup(what));
        }
        let samples = (drive.on_s(hz) + 2.0 * BEFORE_S) * self.shared.file.digitizer.rate_hz;
        let samples = samples.ceil() as usize;
        let taken = self.take(|| {
            // Before the wait: setting up may take longer than the rest.
            self.prepare(samples)?;
            let passed = (self.now_s() - from_s + BEFORE_S) / period_s;
            // The burst after the next, if the next is too close to rest before it.
            let next_s = from_s + passed.ceil().max(1.0) * period_s;
            self.wait(Duration::from_secs_f64((next_s - BEFORE_S - self.now_s()).clamp(0.0, 600.0)))?;
            self.take_once(samples)
        })?;
        self.judge_loudest(&taken, hz)?;
        Ok(BurstCaptured {
            at_s: taken.at_s(),
            supply_v: taken.recorded(taken.supply_v),
            supply_a: taken.recorded(taken.supply_a),
            heatsink_c: taken.recorded(taken.heatsink_c),
            channels: taken.channels,
        })
    }

    /// Captures two tones, computes the readings, has the guard judge the record's loudest part.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn capture_two_tone(&self, settings: &TwoToneSettings) -> Result<TwoToneCaptured, BenchError> {
        let samples = self.shared.samples.load(Ordering::Relaxed);
        let taken = self.take(|| self.take_once(samples))?;
        self.judge_loudest(&taken, settings.low_hz)?;
        let readings = taken.channels.iter().map(|channel| read_two_tone(&channel.capture, settings));
        Ok(TwoToneCaptured {
            readings: readings.collect(),
            at_s: taken.at_s(),
            supply_v: taken.recorded(taken.supply_v),
            supply_a: taken.recorded(taken.supply_a),
            heatsink_c: taken.recorded(taken.heatsink_c),
            channels: taken.channels,
        })
    }

    /// Takes a record once more when what was read with it is not of its moment, which nobody could tell from the step.
    /// What still is not then is left out of it.
    fn take(&self, once: impl Fn() -> Result<Taken, BenchError>) -> Result<Taken, BenchError> {
        let first = once()?;
        if first.is_of_one_moment() {
            return Ok(first);
        }
        tracing::warn!(
            "a record and the readings that belong to it came apart in time; both are taken again"
        );
        let unread = vec![wattproof_signal::Reading::default(); first.channels.len()];
        self.judge_taken(&first, outputs(&first.channels, &unread))?;
        once()
    }

    fn prepare(&self, samples: usize) -> Result<(), BenchError> {
        let wanted = acquisition(&self.shared.file, samples);
        self.finish_ask(self.shared.actors.digitizer.ask(move |digitizer| prepare(digitizer, &wanted)))
    }

    fn take_once(&self, samples: usize) -> Result<Taken, BenchError> {
        self.check_stop()?;
        let _turn = self.shared.capturing.take();
        let shared = &self.shared;
        // Setting up takes longer than a reading may be from its record.
        self.prepare(samples)?;
        let asked_s = self.now_s();
        let clock = || Arc::clone(&shared.clock);
        let (at_digitizer, at_supply, at_thermometer) = (clock(), clock(), clock());
        let acquired = shared.actors.digitizer.begin(move |digitizer| {
            let waited = Timed::by(&*at_digitizer, || digitizer.start().and_then(|()| digitizer.wait()))?;
            Ok(waited.with(digitizer.fetch()?))
        });
        let supply = shared.actors.supply.begin(move |supply| {
            Ok((
                Timed::by(&*at_supply, || supply.measure_v(SUPPLY_OUTPUT))?,
                Timed::by(&*at_supply, || supply.measure_a(SUPPLY_OUTPUT))?,
            ))
        });
        let input = shared.file.thermometer.channel;
        let heatsink = shared
            .actors
            .thermometer
            .begin(move |meter| Timed::by(&*at_thermometer, || meter.measure_c(input)));
        let (supply_v, supply_a) = self.finish_wait(supply)?;
        let heatsink_c = self.finish_wait(heatsink)?;
        let acquired = self.finish_wait(acquired)?;
        let record = acquired.with(());
        let channels = to_amplifier(&shared.file, acquired.value);
        let record_s = samples as f64 / shared.file.digitizer.rate_hz;
        Ok(Taken { asked_s, record, record_s, channels, supply_v, supply_a, heatsink_c })
    }

    fn judge_loudest(&self, taken: &Taken, hz: f64) -> Result<(), BenchError> {
        let Loudest { outputs, together_w } = loudest(&taken.channels, hz);
        // What the outputs give at once comes out of the supply, whose own reading is a mean over bursts and rests.
        // Charge stored in the amplifier can only make this read too high.
        let within_a = together_w.map(|watts| watts / taken.supply_v.value.max(1.0));
        self.judge_taken(taken, SafetyReading { supply_a: within_a, ..outputs })
    }

    /// Judges the outputs with supply and heatsink; of two supply currents the larger.
    fn judge_taken(&self, taken: &Taken, outputs: SafetyReading) -> Result<(), BenchError> {
        let within_a = outputs.supply_a.filter(|amps_a| !(*amps_a <= taken.supply_a.value));
        self.judge(&SafetyReading {
            asked_s: Some(taken.asked_s),
            supply_v: Some(taken.supply_v.value),
            supply_a: Some(within_a.unwrap_or(taken.supply_a.value)),
            heatsink_c: Some(taken.heatsink_c.value),
            ..outputs
        })
    }
}
