//! Takes records: of a steady tone with its readings, of one whole burst, of two tones.

use std::sync::atomic::Ordering;
use std::time::Duration;

use wattproof_guard::SafetyReading;
use wattproof_signal::{TwoToneReading, TwoToneSettings, read_two_tone};

use crate::acquire::{acquire, acquisition, prepare};
use crate::captured::{Loudest, loudest, outputs, read_channels, to_amplifier, together_w};
use crate::drives::Playing;
use crate::shared::SUPPLY_OUTPUT;
use crate::{Bench, BenchError, Captured, ChannelCaptured};

/// How long before a burst a record of it begins, s: longer than messages to source and digitizer take.
const BEFORE_S: f64 = 0.1;

/// One record with what was read meanwhile.
struct Taken {
    asked_s: f64,
    channels: Vec<ChannelCaptured>,
    supply_v: f64,
    supply_a: f64,
    heatsink_c: f64,
}

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

impl Bench {
    /// Captures all channels with supply and heatsink read meanwhile, computes the readings, has the guard judge
    /// them. `hz` is the frequency commanded.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn capture(&self, hz: f64) -> Result<Captured, BenchError> {
        self.captured(hz, self.shared.samples.load(Ordering::Relaxed))
    }

    fn captured(&self, hz: f64, samples: usize) -> Result<Captured, BenchError> {
        let taken = self.take(samples)?;
        let readings = read_channels(&self.shared.file, &taken.channels, hz);
        if self.playing() == Playing::Continuous {
            let together_w = together_w(&taken.channels, &readings);
            self.judge_taken(&taken, SafetyReading { together_w, ..outputs(&taken.channels, &readings) })?;
        } else {
            self.judge_loudest(&taken, hz)?;
        }
        Ok(Captured {
            at_s: self.now_s(),
            channels: taken.channels,
            readings,
            supply_v: Some(taken.supply_v),
            supply_a: Some(taken.supply_a),
            heatsink_c: Some(taken.heatsink_c),
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
        let wanted = acquisition(&self.shared.file, samples.ceil() as usize);
        // Before the wait: setting up may take longer than the rest.
        let prepared = self.shared.actors.digitizer.ask(move |digitizer| prepare(digitizer, &wanted));
        self.finish_ask(prepared)?;
        let passed = (self.now_s() - from_s + BEFORE_S) / period_s;
        // The burst after the next, if the next is too close to rest before it.
        let next_s = from_s + passed.ceil().max(1.0) * period_s;
        self.wait(Duration::from_secs_f64((next_s - BEFORE_S - self.now_s()).clamp(0.0, 600.0)))?;
        let taken = self.take(samples.ceil() as usize)?;
        self.judge_loudest(&taken, hz)?;
        Ok(BurstCaptured {
            at_s: self.now_s(),
            channels: taken.channels,
            supply_v: Some(taken.supply_v),
            supply_a: Some(taken.supply_a),
            heatsink_c: Some(taken.heatsink_c),
        })
    }

    /// Captures two tones, computes the readings, has the guard judge the record's loudest part.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn capture_two_tone(&self, settings: &TwoToneSettings) -> Result<TwoToneCaptured, BenchError> {
        let taken = self.take(self.shared.samples.load(Ordering::Relaxed))?;
        self.judge_loudest(&taken, settings.low_hz)?;
        let readings = taken.channels.iter().map(|channel| read_two_tone(&channel.capture, settings));
        Ok(TwoToneCaptured {
            at_s: self.now_s(),
            readings: readings.collect(),
            channels: taken.channels,
            supply_v: Some(taken.supply_v),
            supply_a: Some(taken.supply_a),
            heatsink_c: Some(taken.heatsink_c),
        })
    }

    fn take(&self, samples: usize) -> Result<Taken, BenchError> {
        self.check_stop()?;
        let _turn = self.shared.capturing.take();
        let shared = &self.shared;
        let asked_s = self.now_s();
        let wanted = acquisition(&shared.file, samples);
        let acquired = shared.actors.digitizer.begin(move |digitizer| acquire(digitizer, &wanted));
        let supply = shared
            .actors
            .supply
            .begin(|supply| Ok((supply.measure_v(SUPPLY_OUTPUT)?, supply.measure_a(SUPPLY_OUTPUT)?)));
        let input = shared.file.thermometer.channel;
        let heatsink = shared.actors.thermometer.begin(move |meter| meter.measure_c(input));
        let (supply_v, supply_a) = self.finish_wait(supply)?;
        let heatsink_c = self.finish_wait(heatsink)?;
        let acquired = self.finish_wait(acquired)?;
        Ok(Taken { asked_s, channels: to_amplifier(&shared.file, acquired), supply_v, supply_a, heatsink_c })
    }

    fn judge_loudest(&self, taken: &Taken, hz: f64) -> Result<(), BenchError> {
        let Loudest { outputs, together_w } = loudest(&taken.channels, hz);
        // What the outputs give at once comes out of the supply, whose own reading is a mean over bursts and rests.
        // Charge stored in the amplifier can only make this read too high.
        let within_a = together_w.map(|watts| watts / taken.supply_v.max(1.0));
        self.judge_taken(taken, SafetyReading { supply_a: within_a, ..outputs })
    }

    /// Judges the outputs with supply and heatsink; of two supply currents the larger.
    fn judge_taken(&self, taken: &Taken, outputs: SafetyReading) -> Result<(), BenchError> {
        let within_a = outputs.supply_a.filter(|amps_a| !(*amps_a <= taken.supply_a));
        self.judge(&SafetyReading {
            asked_s: Some(taken.asked_s),
            supply_v: Some(taken.supply_v),
            supply_a: Some(within_a.unwrap_or(taken.supply_a)),
            heatsink_c: Some(taken.heatsink_c),
            ..outputs
        })
    }
}
