//! What a run can do with an open bench. Everything that can energise passes the guard first.

use std::sync::PoisonError;
use std::sync::atomic::Ordering;
use std::time::Duration;

use wattproof_guard::{Command, SafetyReading, TripCause};
use wattproof_instruments::{InstrumentError, Record};
use wattproof_signal::{Capture, Reading, Settings};

use crate::acquire::{acquire, acquisition};
use crate::actor::{ActorGone, Pending};
use crate::open::SUPPLY_OUTPUT;
use crate::{Bench, BenchError, Measures};

/// One amplifier channel's raw capture.
#[derive(Debug, Clone)]
pub struct ChannelCaptured {
    /// Amplifier channel, from 1.
    pub amplifier_channel: u32,
    /// Volts and amperes at its output.
    pub capture: Capture,
}

/// One capture of the whole bench.
#[derive(Debug)]
pub struct Captured {
    /// Bench clock at the end, s.
    pub at_s: f64,
    /// Raw captures, one per amplifier channel in order.
    pub channels: Vec<ChannelCaptured>,
    /// Readings, in the same order.
    pub readings: Vec<Reading>,
    /// Supply voltage, V.
    pub supply_v: Option<f64>,
    /// Supply current, A.
    pub supply_a: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
}

type Asked<T> = Result<Result<T, InstrumentError>, ActorGone>;

impl Bench {
    /// Lets a run energise.
    ///
    /// # Errors
    /// [`BenchError::Refused`] when the guard is not in its safe state.
    pub fn arm(&self) -> Result<(), BenchError> {
        self.check_stop()?;
        self.shared.guard().arm(self.now_s())?;
        Ok(())
    }

    /// Which channels `source_on` will drive: the first `count`.
    pub fn set_driven(&self, count: usize) {
        self.shared.driven.store(count.clamp(1, self.shared.file.amplifier_channels()), Ordering::Relaxed);
    }

    /// Samples per channel of the next captures.
    ///
    /// # Errors
    /// [`BenchError::Stopped`].
    pub fn set_samples(&self, samples: usize) -> Result<(), BenchError> {
        self.check_stop()?;
        self.shared.samples.store(samples, Ordering::Relaxed);
        Ok(())
    }

    /// Sets the source level, V rms. While the source is on, a rise goes in steps the guard allows.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_level(&self, level_vrms: f64) -> Result<(), BenchError> {
        let limits = self.limits();
        let floor_vrms = limits.source_vrms_max / 10.0;
        let step = 10f64.powf(limits.source_step_db_max / 20.0);
        let mut now_vrms = *self.shared.level_vrms.lock().unwrap_or_else(PoisonError::into_inner);
        // A NaN or over-limit request never enters the ramp; the gate below refuses it.
        while level_vrms <= limits.source_vrms_max && level_vrms > now_vrms.max(floor_vrms) * step {
            now_vrms = now_vrms.max(floor_vrms) * step;
            self.send_level(now_vrms)?;
        }
        self.send_level(level_vrms)
    }

    fn send_level(&self, level_vrms: f64) -> Result<(), BenchError> {
        self.permit(&Command::SourceLevel { level_vrms })?;
        let outputs = self.shared.file.source.outputs.clone();
        self.finish_ask(self.shared.actors.source.ask(move |source| {
            outputs.iter().try_for_each(|output| source.set_vrms(*output, level_vrms).map(|_| ()))
        }))?;
        *self.shared.level_vrms.lock().unwrap_or_else(PoisonError::into_inner) = level_vrms;
        self.settle_for(self.shared.file.source.settle_ms);
        Ok(())
    }

    /// Sets the source frequency, Hz.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_frequency(&self, hz: f64) -> Result<(), BenchError> {
        self.permit(&Command::SourceFrequency { hz })?;
        let outputs = self.shared.file.source.outputs.clone();
        self.finish_ask(self.shared.actors.source.ask(move |source| {
            outputs.iter().try_for_each(|output| source.set_hz(*output, hz).map(|_| ()))
        }))?;
        self.settle_for(self.shared.file.source.settle_ms);
        Ok(())
    }

    /// Source on, at the level set.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn source_on(&self) -> Result<(), BenchError> {
        self.permit(&Command::SourceOn)?;
        let outputs: Vec<u32> =
            self.shared.file.source.outputs.iter().copied().take(self.shared.driven()).collect();
        self.finish_ask(
            self.shared
                .actors
                .source
                .ask(move |source| outputs.iter().try_for_each(|output| source.set_on(*output, true))),
        )?;
        self.settle_for(self.shared.file.source.settle_ms);
        Ok(())
    }

    /// Source off, read back.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn source_off(&self) -> Result<(), BenchError> {
        self.finish_ask(self.shared.actors.source.ask(|source| source.safe_off()))?;
        *self.shared.level_vrms.lock().unwrap_or_else(PoisonError::into_inner) = 0.0;
        self.shared.guard().source_off(self.now_s(), true);
        self.settle_for(self.shared.file.source.settle_ms);
        Ok(())
    }

    /// Sets the supply's voltage, V.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_supply(&self, volts_v: f64) -> Result<(), BenchError> {
        self.permit(&Command::SupplyVolts { volts_v })?;
        self.finish_ask(
            self.shared.actors.supply.ask(move |supply| supply.set_v(SUPPLY_OUTPUT, volts_v).map(|_| ())),
        )?;
        self.settle_for(self.shared.file.supply.settle_ms);
        Ok(())
    }

    /// Sets the supply's current limit, A.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_supply_limit(&self, amps_a: f64) -> Result<(), BenchError> {
        self.permit(&Command::SupplyAmps { amps_a })?;
        self.finish_ask(
            self.shared
                .actors
                .supply
                .ask(move |supply| supply.set_limit_a(SUPPLY_OUTPUT, amps_a).map(|_| ())),
        )
    }

    /// Supply on.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn supply_on(&self) -> Result<(), BenchError> {
        self.permit(&Command::SupplyOn)?;
        self.finish_ask(self.shared.actors.supply.ask(|supply| supply.set_on(SUPPLY_OUTPUT, true)))?;
        self.settle_for(self.shared.file.supply.settle_ms);
        Ok(())
    }

    /// Supply off, read back.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn supply_off(&self) -> Result<(), BenchError> {
        self.finish_ask(self.shared.actors.supply.ask(|supply| supply.safe_off()))?;
        self.shared.guard().confirm(self.now_s(), wattproof_guard::Output::Supply, true);
        Ok(())
    }

    /// Sets the load of every channel, ohm, and connects it.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_load(&self, load_ohm: f64) -> Result<(), BenchError> {
        self.permit(&Command::LoadOhm { load_ohm })?;
        self.permit(&Command::LoadConnect)?;
        let channels = self.shared.file.load.channels.clone();
        self.finish_ask(self.shared.actors.load.ask(move |load| {
            channels.iter().try_for_each(|channel| {
                load.set_ohm(*channel, load_ohm)?;
                load.connect(*channel)
            })
        }))?;
        self.settle_for(self.shared.file.load.settle_ms);
        Ok(())
    }

    /// Heatsink temperature, °C.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn heatsink_c(&self) -> Result<f64, BenchError> {
        self.check_stop()?;
        let channel = self.shared.file.thermometer.channel;
        let heatsink_c =
            self.finish_ask(self.shared.actors.thermometer.ask(move |meter| meter.measure_c(channel)))?;
        self.judge(&SafetyReading { heatsink_c: Some(heatsink_c), ..SafetyReading::default() })?;
        Ok(heatsink_c)
    }

    /// Waits until every change made so far has settled.
    ///
    /// # Errors
    /// [`BenchError::Stopped`], [`BenchError::Tripped`].
    pub fn settle(&self) -> Result<(), BenchError> {
        let until_s = *self.shared.settle_until_s.lock().unwrap_or_else(PoisonError::into_inner);
        self.wait(Duration::from_secs_f64((until_s - self.now_s()).clamp(0.0, 3600.0)))
    }

    /// Waits; ends at once when the bench is stopped or trips.
    ///
    /// # Errors
    /// [`BenchError::Stopped`], [`BenchError::Tripped`].
    pub fn wait(&self, length: Duration) -> Result<(), BenchError> {
        self.shared.stop.wait(length);
        self.check_stop()
    }

    /// Captures all channels with supply and heatsink read meanwhile, computes the readings, has the guard judge
    /// them. `hz` is the frequency commanded.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn capture(&self, hz: f64) -> Result<Captured, BenchError> {
        self.check_stop()?;
        let _turn = self.shared.capturing.lock().unwrap_or_else(PoisonError::into_inner);
        let shared = &self.shared;
        let wanted = acquisition(&shared.file, shared.samples.load(Ordering::Relaxed));
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
        let channels = self.to_amplifier(acquired);
        let settings =
            Settings { expected_hz: Some(hz), mains_hz: shared.file.mains_hz, ..Settings::default() };
        let readings = read_all(&channels, &settings);
        let safety = SafetyReading {
            supply_v: Some(supply_v),
            supply_a: Some(supply_a),
            heatsink_c: Some(heatsink_c),
            ..outputs(&channels, &readings)
        };
        self.judge(&safety)?;
        Ok(Captured {
            at_s: self.now_s(),
            channels,
            readings,
            supply_v: Some(supply_v),
            supply_a: Some(supply_a),
            heatsink_c: Some(heatsink_c),
        })
    }

    pub(crate) fn to_amplifier(&self, record: Record) -> Vec<ChannelCaptured> {
        let file = &self.shared.file;
        let mut scaled: Vec<_> = file
            .digitizer
            .channel
            .iter()
            .zip(record.channels_v.into_iter().zip(record.full_scale_v))
            .map(|(channel, (mut samples, full_scale_v))| {
                channel.scale(&mut samples);
                (channel, samples, channel.full_scale(full_scale_v))
            })
            .collect();
        let numbers = (1u32..).take(file.amplifier_channels());
        numbers
            .map(|number| {
                let mut take = |measures: Measures| {
                    scaled
                        .iter_mut()
                        .find(|(c, ..)| c.amplifier_channel == number && c.measures == measures)
                        .map(|(_, samples, full_scale)| (std::mem::take(samples), *full_scale))
                };
                let (volts, amps) = (take(Measures::Volts), take(Measures::Amps));
                let (volts, volts_full_scale) = volts.unzip();
                let (amps, amps_full_scale) = amps.unzip();
                let capture = Capture {
                    fs_hz: 1.0 / record.interval_s,
                    volts: volts.unwrap_or_default(),
                    amps,
                    volts_full_scale,
                    amps_full_scale,
                };
                ChannelCaptured { amplifier_channel: number, capture }
            })
            .collect()
    }

    fn settle_for(&self, settle_ms: u64) {
        let until_s = self.now_s() + settle_ms as f64 / 1000.0;
        let mut kept = self.shared.settle_until_s.lock().unwrap_or_else(PoisonError::into_inner);
        *kept = kept.max(until_s);
    }

    fn permit(&self, command: &Command) -> Result<(), BenchError> {
        self.check_stop()?;
        let permitted = self.shared.guard().permit(self.now_s(), command);
        if permitted.is_err() {
            self.shared.stop.wake();
        }
        Ok(permitted?)
    }

    fn judge(&self, reading: &SafetyReading) -> Result<(), BenchError> {
        let trip = self.shared.guard().observe(self.now_s(), reading);
        match trip {
            Some(trip) => {
                self.shared.stop.wake();
                Err(BenchError::Tripped(trip.cause))
            }
            None => self.check_stop(),
        }
    }

    fn check_stop(&self) -> Result<(), BenchError> {
        if let Some(by) = self.shared.stop.stopped_by() {
            return Err(BenchError::Stopped(by));
        }
        match self.shared.guard().trip() {
            Some(trip) => Err(BenchError::Tripped(trip.cause.clone())),
            None => Ok(()),
        }
    }

    fn finish_wait<T>(&self, pending: Pending<Result<T, InstrumentError>>) -> Result<T, BenchError> {
        self.finish_ask(pending.wait())
    }

    /// An instrument's failure trips the guard before anybody sees it.
    fn finish_ask<T>(&self, asked: Asked<T>) -> Result<T, BenchError> {
        let what = match &asked {
            Ok(Ok(_)) => None,
            Ok(Err(error)) => Some(error.to_string()),
            Err(gone) => Some(gone.to_string()),
        };
        if let Some(what) = what {
            self.shared.guard().fault(self.now_s(), TripCause::Instrument { what });
            self.shared.stop.wake();
            // A cancelled exchange is the stop's doing, not the instrument's.
            if let Some(by) = self.shared.stop.stopped_by() {
                return Err(BenchError::Stopped(by));
            }
        }
        asked?.map_err(|error| BenchError::Instrument(Box::new(error)))
    }
}

/// All channels at once on as many threads; one channel per core is what a bench PC has.
fn read_all(channels: &[ChannelCaptured], settings: &Settings) -> Vec<Reading> {
    std::thread::scope(|scope| {
        let started: Vec<_> = channels
            .iter()
            .map(|channel| (channel, scope.spawn(|| wattproof_signal::read(&channel.capture, settings))))
            .collect();
        started
            .into_iter()
            // A reader that panicked is read again here, where the panic is this thread's own and is seen.
            .map(|(channel, handle)| {
                handle.join().unwrap_or_else(|_| wattproof_signal::read(&channel.capture, settings))
            })
            .collect()
    })
}

/// The largest values at the outputs, straight from the samples where no reading could be computed.
pub(crate) fn outputs(channels: &[ChannelCaptured], readings: &[Reading]) -> SafetyReading {
    let mut worst = SafetyReading::default();
    let raise = |kept: &mut Option<f64>, value: Option<f64>| {
        *kept = match (*kept, value) {
            (Some(a), Some(b)) => Some(if b.is_nan() || b > a { b } else { a }),
            (a, b) => a.or(b),
        };
    };
    for (channel, reading) in channels.iter().zip(readings) {
        let volts = &channel.capture.volts;
        let count = volts.len().max(1) as f64;
        let vrms = (volts.iter().map(|v| v * v).sum::<f64>() / count).sqrt();
        let dc_v = volts.iter().sum::<f64>() / count;
        let amps = channel.capture.amps.as_deref().unwrap_or_default();
        let arms = (amps.iter().map(|a| a * a).sum::<f64>() / amps.len().max(1) as f64).sqrt();
        let watts = volts.iter().zip(amps).map(|(v, a)| v * a).sum::<f64>() / count;
        raise(&mut worst.out_vrms, Some(vrms));
        raise(&mut worst.out_arms, Some(arms));
        raise(&mut worst.out_w, Some(reading.active_w.unwrap_or(watts)));
        raise(&mut worst.dc_v, Some(reading.dc_v.unwrap_or(dc_v).abs()));
    }
    worst
}
