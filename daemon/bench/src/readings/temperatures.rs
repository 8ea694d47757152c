//! Reads the temperatures beside the heatsink's, each on the thread of the instrument that tells it, and keeps them
//! fresh: an instrument that is busy for long makes its own reading stale, and nobody else's.

use std::sync::PoisonError;
use std::time::Duration;

use wattproof_guard::{FURTHER_MAX, FurtherTemperature, SafetyReading, State};
use wattproof_instruments::{InstrumentError, Role};

use crate::shared::Shared;
use crate::wire::actor::{ActorGone, Pending};
use crate::wire::failed::{failed, gone};
use crate::{Bench, BenchError, BenchFile, TemperaturePlace, Watches};

/// A temperature and when it was asked for, s.
pub(crate) type ReadAt = Option<(f64, f64)>;

/// What the guard watches of a bench file.
pub(crate) fn watched(file: &BenchFile) -> impl Iterator<Item = FurtherTemperature> + '_ {
    let each = file.temperature.iter();
    each.map(|place| FurtherTemperature { name: place.name.clone(), limit_c: place.limit_c })
}

/// Asks an instrument for its temperature; None where the bench file names one that isn't there.
fn begin(shared: &Shared, place: &TemperaturePlace) -> Option<Pending<Result<f64, InstrumentError>>> {
    let (actors, input) = (&shared.actors, place.input);
    Some(match place.role {
        Role::Source => actors.source.begin(move |one| one.instrument_mut().measure_c(input)),
        Role::Load => actors.load.as_ref()?.begin(move |one| one.instrument_mut().measure_c(input)),
        Role::Supply => actors.supply.begin(move |one| one.instrument_mut().measure_c(input)),
        Role::Digitizer => actors.digitizer.begin(move |one| one.instrument_mut().measure_c(input)),
        Role::Thermometer => actors.thermometer.begin(move |one| one.instrument_mut().measure_c(input)),
    })
}

/// A reading of one of them.
fn reading(index: usize, asked_s: f64, c: f64) -> SafetyReading {
    let mut further_c = [None; FURTHER_MAX];
    if let Some(place) = further_c.get_mut(index) {
        *place = Some(c);
    }
    SafetyReading { asked_s: Some(asked_s), further_c, ..SafetyReading::default() }
}

/// Reads one, keeps it, has the guard judge it.
fn refresh_one(shared: &Shared, index: usize, place: &TemperaturePlace) -> Result<(), Failed> {
    let asked_s = shared.clock.now_s();
    let Some(pending) = begin(shared, place) else { return Ok(()) };
    let c = pending.wait().map_err(Failed::Gone)?.map_err(|error| Failed::Instrument(Box::new(error)))?;
    keep(shared, index, asked_s, c);
    if shared.guard().observe(shared.clock.now_s(), &reading(index, asked_s, c)).is_some() {
        shared.stop.wake();
    }
    Ok(())
}

/// Keeps one for the record.
fn keep(shared: &Shared, index: usize, asked_s: f64, c: f64) {
    if let Some(kept) = shared.further.lock().unwrap_or_else(PoisonError::into_inner).get_mut(index) {
        *kept = Some((asked_s, c));
    }
}

enum Failed {
    Instrument(Box<InstrumentError>),
    Gone(ActorGone),
}

/// The body of the thread that keeps one of them fresh: a third of the age the guard tolerates, so that one slow answer
/// is no trip.
pub(crate) fn keep_fresh(shared: &Shared, index: usize) {
    let age_s = shared.guard().limits().reading_age_s_max;
    shared.stop.doze(shared.stop.seen(), Duration::from_secs_f64((age_s / 3.0).clamp(0.02, 10.0)));
    if !matches!(shared.guard().state(), State::Armed | State::Running) {
        return;
    }
    let Some(place) = shared.file.temperature.get(index) else { return };
    match refresh_one(shared, index, place) {
        Ok(()) => {}
        // One that is only recorded is missing in the record, and ends nothing.
        Err(Failed::Instrument(error)) if place.limit_c.is_none() => {
            tracing::warn!("the temperature {} could not be read: {error}", place.name);
        }
        Err(Failed::Instrument(error)) => failed(shared, &error),
        Err(Failed::Gone(error)) => gone(shared, &error),
    }
}

/// Those with a limit, after everything was switched off: what could be read, and what could not.
pub(crate) fn look(shared: &Shared, seen: &mut SafetyReading, missing: &mut Vec<String>) {
    let limited = shared.file.temperature.iter().enumerate().filter(|(_, place)| place.limit_c.is_some());
    let begun: Vec<_> = limited.map(|(index, place)| (index, place, begin(shared, place))).collect();
    for (index, place, pending) in begun {
        let Some(pending) = pending else { continue };
        let read = match pending.wait() {
            Ok(Ok(c)) => Ok(c),
            Ok(Err(error)) => Err(error.to_string()),
            Err(gone) => Err(gone.to_string()),
        };
        match (read, seen.further_c.get_mut(index)) {
            (Ok(c), Some(kept)) => *kept = Some(c),
            (Ok(_), None) => {}
            (Err(error), _) => {
                missing.push(format!("temperature {} not measured after off: {error}", place.name))
            }
        }
    }
}

impl Bench {
    /// Nothing is switched on before each with a limit was read once; those without are read for the record.
    pub(crate) fn read_temperatures(&self) -> Result<(), BenchError> {
        for (index, place) in self.shared.file.temperature.iter().enumerate() {
            let asked_s = self.now_s();
            let Some(pending) = begin(&self.shared, place) else { continue };
            if place.limit_c.is_none() {
                // The thread that keeps it fresh says what is wrong, if anything is.
                if let Ok(Ok(c)) = pending.wait() {
                    keep(&self.shared, index, asked_s, c);
                }
                continue;
            }
            let c = self.finish_wait(pending)?;
            keep(&self.shared, index, asked_s, c);
            self.judge(&reading(index, asked_s, c))?;
        }
        Ok(())
    }

    /// Temperature of the room's air, °C, by the first `[[temperature]]` that watches it; `None` where there is none, or
    /// one without a limit that can't be read.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn ambient_c(&self) -> Result<Option<f64>, BenchError> {
        self.check_stop()?;
        let mut places = self.shared.file.temperature.iter();
        let Some(place) = places.find(|place| place.watches == Watches::Ambient) else {
            // A run of old that is gone on with.
            let Some(channel) = self.shared.file.thermometer.ambient_channel else { return Ok(None) };
            let asked = self.shared.actors.thermometer.ask(move |meter| meter.measure_c(channel));
            return self.finish_ask(asked).map(Some);
        };
        let Some(pending) = begin(&self.shared, place) else { return Ok(None) };
        if place.limit_c.is_some() {
            return self.finish_wait(pending).map(Some);
        }
        match pending.wait() {
            Ok(Ok(c)) => Ok(Some(c)),
            Ok(Err(error)) => {
                tracing::warn!("the temperature {} could not be read: {error}", place.name);
                Ok(None)
            }
            Err(error) => {
                gone(&self.shared, &error);
                self.check_stop()?;
                Ok(None)
            }
        }
    }

    /// The temperatures beside the heatsink's, in the order of the bench file, as far as they are young enough to belong
    /// to `at_s`.
    pub(crate) fn further_c(&self, at_s: f64) -> Vec<Option<f64>> {
        let age_s_max = self.limits().reading_age_s_max;
        let kept = self.shared.further.lock().unwrap_or_else(PoisonError::into_inner);
        kept.iter()
            .map(|read| read.filter(|(from_s, _)| at_s - from_s <= age_s_max).map(|(_, c)| c))
            .collect()
    }
}
