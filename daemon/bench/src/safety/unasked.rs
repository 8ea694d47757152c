//! What instruments do without being asked: a restart, a hand at the front panel, a step lost and found again. And
//! what they do when nothing is said to them: the watchdog, which is fed from here and nowhere else.

use std::sync::{MutexGuard, PoisonError};

use wattproof_guard::{Command, Doubt, MessageKind, Output, State, TripCause};
use wattproof_instruments::{Instrument, InstrumentError, Source, Supply};

use crate::shared::{SUPPLY_OUTPUT, Shared};
use crate::wire::failed::{failed, gone};

/// Power-on bit of the event status register (IEEE 488.2, 11.5.1.1.2).
const POWER_ON: u8 = 128;
/// Deviation of a setting read back later, as a ratio and absolute, V: what the instruments round.
const CHANGED: f64 = 0.01;
const CHANGED_V: f64 = 0.01;

/// What source and supply were last told, as noted on their own threads right after they took it: a look on the same
/// thread can't fall between a command and its note.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Commanded {
    supply_v: Option<f64>,
    supply_on: bool,
    source_vrms: Option<f64>,
    source_on: bool,
    steps_lost: [u64; 2],
}

impl Commanded {
    pub fn note(&mut self, command: &Command) {
        match *command {
            Command::SourceLevel { level_vrms }
            | Command::SourceBurst { level_vrms, .. }
            | Command::SourceTwoTone { level_vrms, .. } => self.source_vrms = Some(level_vrms),
            Command::SourceOn => self.source_on = true,
            Command::SupplyVolts { volts_v } => self.supply_v = Some(volts_v),
            Command::SupplyOn => self.supply_on = true,
            Command::SourceFrequency { .. } | Command::SupplyAmps { .. } | Command::LoadOhm { .. } => {}
        }
    }

    pub fn note_off(&mut self, output: Output) {
        match output {
            Output::Source => self.source_on = false,
            Output::Supply => self.supply_on = false,
        }
    }
}

impl Shared {
    pub fn commanded(&self) -> MutexGuard<'_, Commanded> {
        self.commanded.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Looks at source and supply, before a run and while it is under way; trips when they are not as they were left.
pub(crate) fn look(shared: &Shared) {
    let (at_source, at_supply) = (shared.me.clone(), shared.me.clone());
    let source = shared.actors.source.begin(move |source| match at_source.upgrade() {
        Some(shared) => look_at_source(&shared, source),
        None => Ok(()),
    });
    let supply = shared.actors.supply.begin(move |supply| match at_supply.upgrade() {
        Some(shared) => look_at_supply(&shared, supply),
        None => Ok(()),
    });
    for looked in [source.wait(), supply.wait()] {
        match looked {
            Ok(Ok(())) => {}
            Ok(Err(error)) => failed(shared, &error),
            Err(error) => gone(shared, &error),
        }
    }
}

fn look_at_source(shared: &Shared, source: &mut Source) -> Result<(), InstrumentError> {
    doubts(shared, source.instrument_mut(), Output::Source)?;
    let told = *shared.commanded();
    for output in shared.file.source.outputs.iter().copied().take(shared.driven()) {
        compare_on(shared, Output::Source, told.source_on, source.is_on(output)?);
        if let Some(vrms) = told.source_vrms {
            compare_v(shared, "source level", vrms, source.vrms(output)?);
        }
    }
    Ok(())
}

fn look_at_supply(shared: &Shared, supply: &mut Supply) -> Result<(), InstrumentError> {
    doubts(shared, supply.instrument_mut(), Output::Supply)?;
    let told = *shared.commanded();
    compare_on(shared, Output::Supply, told.supply_on, supply.is_on(SUPPLY_OUTPUT)?);
    if let Some(volts_v) = told.supply_v {
        compare_v(shared, "supply voltage", volts_v, supply.v(SUPPLY_OUTPUT)?);
    }
    Ok(())
}

/// A restart, or a step that was lost since the last look.
fn doubts(shared: &Shared, instrument: &mut Instrument, output: Output) -> Result<(), InstrumentError> {
    let rebooted = instrument.event_status()? & POWER_ON != 0;
    let lost = instrument.session().steps_lost();
    let before = std::mem::replace(&mut shared.commanded().steps_lost[output as usize], lost);
    // Before anything is energised a lost step has cost nothing: whoever lost it has said so.
    let energised = shared.guard().state() == State::Running;
    let doubt =
        if rebooted { Some(Doubt::Rebooted) } else { (lost != before && energised).then_some(Doubt::Step) };
    if let Some(doubt) = doubt {
        let now_s = shared.clock.now_s();
        if shared.guard().doubt(now_s, output, doubt).is_some() {
            shared.stop.wake();
        }
    }
    Ok(())
}

fn compare_on(shared: &Shared, output: Output, told: bool, found: bool) {
    if told != found {
        let word = |on| if on { "on" } else { "off" };
        trip(
            shared,
            format!(
                "the {output} was left {} and is {} (a hand at its front panel, or its own protection?)",
                word(told),
                word(found)
            ),
        );
    }
}

fn compare_v(shared: &Shared, what: &str, told_v: f64, found_v: f64) {
    if !((found_v - told_v).abs() <= CHANGED * told_v.abs() + CHANGED_V) {
        trip(
            shared,
            format!("the {what} was set to {told_v} V and is now {found_v} V (a hand at its front panel?)"),
        );
    }
}

fn trip(shared: &Shared, what: String) {
    shared.guard().fault(shared.clock.now_s(), TripCause::Instrument { what });
    shared.stop.wake();
}

/// Sets the watchdogs of source and supply, s; 0 switches them off.
pub(crate) fn set_watchdogs(shared: &Shared, seconds: f64) {
    each(shared, move |instrument| instrument.set_watchdog_s(seconds));
}

/// Feeds the watchdogs, if the guard's freshness allows it.
pub(crate) fn feed(shared: &Shared) {
    let now_s = shared.clock.now_s();
    if shared.guard().may_send(now_s, MessageKind::Feed).is_ok() {
        each(shared, Instrument::feed_watchdog);
    }
}

fn each(
    shared: &Shared,
    work: impl Fn(&mut Instrument) -> Result<(), InstrumentError> + Copy + Send + 'static,
) {
    let source = shared.actors.source.begin(move |source| work(source.instrument_mut()));
    let supply = shared.actors.supply.begin(move |supply| work(supply.instrument_mut()));
    for done in [source.wait(), supply.wait()] {
        match done {
            Ok(Ok(())) => {}
            Ok(Err(error)) => failed(shared, &error),
            Err(error) => gone(shared, &error),
        }
    }
}
