//! Takes records: of a steady tone with its readings, of one whole burst, of two tones.

use std::cell::Cell;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use wattproof_guard::{SafetyReading, State};
use wattproof_instruments::Digitizer;
use wattproof_signal::{NoiseReading, TwoToneReading, TwoToneSettings, read_noise, read_two_tone};

use crate::operation::drives::Playing;
use crate::readings::acquire::{acquire, acquisition, prepare};
use crate::readings::captured::{Loudest, loudest, outputs, read_channels, to_amplifier, together_w};
use crate::wire::taken::{Taken, Timed};
use crate::{Bench, BenchError, Captured, ChannelCaptured};

/// How long before a burst a record of it begins, s: longer than messages to source and digitizer take.
const BEFORE_S: f64 = 0.1;

/// Noise is judged in parts as long as a cycle of this, Hz: 10 ms, as the shortest part of a burst.
const NOISE_PARTS_HZ: f64 = 100.0;

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
    /// Captures noise, computes the readings, has the guard judge the record's loudest part.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn capture_noise(&self) -> Result<NoiseCaptured, BenchError> {
        let samples = self.shared.samples.load(Ordering::Relaxed);
        let taken = self.take(|| self.take_once(samples, || Ok(())))?;
        self.judge_loudest(&taken, NOISE_PARTS_HZ)?;
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
        let samples = self.shared.samples.load(Ordering::Relaxed);
        self.captured(hz, self.take(|| self.take_once(samples, || Ok(())))?)
    }

    /// As [`Bench::capture`], and sets the source to `next_vrms` as soon as the record is complete, while its samples
    /// still travel. The guard judges the capture after that: a level that no capture has shown to be within the limits
    /// does not belong here.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn capture_then(&self, hz: f64, next_vrms: f64) -> Result<Captured, BenchError> {
        let samples = self.shared.samples.load(Ordering::Relaxed);
        let is_set = Cell::new(false);
        let taken = self.take(|| {
            self.take_once(samples, || {
                is_set.set(true);
                self.set_level(next_vrms)
            })
        })?;
        let captured = self.captured(hz, taken)?;
        if !is_set.get() {
            self.set_level(next_vrms)?;
        }
        Ok(captured)
    }

    fn captured(&self, hz: f64, taken: Taken) -> Result<Captured, BenchError> {
        // What needs no reading is judged before one is computed.
        let unread =
            outputs(&taken.channels, &vec![wattproof_signal::Reading::default(); taken.channels.len()]);
        let (out_vrms, out_arms) = (unread.out_vrms, unread.out_arms);
        self.judge(&SafetyReading { out_vrms, out_arms, ..SafetyReading::default() })?;
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
        let samples = (record_s * self.shared.file.digitizer.rate_hz).ceil().max(256.0) as usize;
        self.captured(hz, self.take(|| self.take_once(samples, || Ok(())))?)
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
            self.take_once(samples, || Ok(()))
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
        let taken = self.take(|| self.take_once(samples, || Ok(())))?;
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

    /// Records what is applied from outside while everything is off, as a calibrator's voltage. It is not judged: the guard
    /// would take it for an amplifier that lives though it is off.
    ///
    /// # Errors
    /// [`BenchError::Setup`] unless everything is off and nothing is armed; the digitizer's failure trips the guard.
    pub fn record_outside(&self, samples: usize) -> Result<Vec<ChannelCaptured>, BenchError> {
        self.check_stop()?;
        if self.state() != State::Safe {
            let what = "a bench that may be energised is never recorded without being judged";
            return Err(BenchError::Setup(what.into()));
        }
        let _turn = self.shared.capturing.take();
        let wanted = acquisition(&self.shared.file, samples);
        let record =
            self.finish_ask(self.shared.actors.digitizer.ask(move |digitizer| acquire(digitizer, &wanted)))?;
        Ok(to_amplifier(&self.shared.file, record))
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

    /// One record with what is read meanwhile. `meanwhile` is done once all of it is there but the samples, which still
    /// travel; not if it came apart in time and may be taken again.
    fn take_once(
        &self,
        samples: usize,
        meanwhile: impl FnOnce() -> Result<(), BenchError>,
    ) -> Result<Taken, BenchError> {
        self.check_stop()?;
        let _turn = self.shared.capturing.take();
        let shared = &self.shared;
        // Setting up takes longer than a reading may be from its record.
        self.prepare(samples)?;
        let asked_s = self.now_s();
        let at_digitizer = Arc::clone(&shared.clock);
        let recording = shared.actors.digitizer.begin(move |digitizer| {
            Timed::by(&*at_digitizer, || digitizer.start().and_then(|()| digitizer.wait()))
        });
        let (supply, heatsink) = (shared.begin_supply_va(), shared.begin_heatsink_c());
        let record = self.finish_wait(recording)?;
        let samples_v = shared.actors.digitizer.begin(Digitizer::fetch);
        let (supply_v, supply_a) = self.finish_wait(supply)?;
        let heatsink_c = self.finish_wait(heatsink)?;
        let record_s = samples as f64 / shared.file.digitizer.rate_hz;
        let mut taken =
            Taken { asked_s, record, record_s, channels: Vec::new(), supply_v, supply_a, heatsink_c };
        let done = if taken.is_of_one_moment() { meanwhile() } else { Ok(()) };
        let fetched = self.finish_wait(samples_v);
        done?;
        taken.channels = to_amplifier(&shared.file, fetched?);
        Ok(taken)
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
