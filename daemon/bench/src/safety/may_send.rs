//! What source, supply and load are sent passes here right before its bytes leave: a setting that takes several messages
//! ends in the middle when the bench trips, whatever was permitted when it began.

use std::sync::Weak;

use wattproof_guard::MessageKind;
use wattproof_instruments::{Effect, MaySend};

use crate::BenchError;
use crate::shared::Shared;

/// Has source, supply and load ask from now on. Digitizer and thermometer drive and feed nothing, and measure whether
/// everything is dead after a trip.
pub(crate) fn ask_before_sending(shared: &Shared) -> Result<(), BenchError> {
    let (source, supply, load) = (asking(&shared.me), asking(&shared.me), asking(&shared.me));
    let actors = &shared.actors;
    actors.source.ask(move |one| one.instrument_mut().session_mut().ask_before_sending(source))?;
    actors.supply.ask(move |one| one.instrument_mut().session_mut().ask_before_sending(supply))?;
    if let Some(actor) = &actors.load {
        actor.ask(move |one| one.instrument_mut().session_mut().ask_before_sending(load))?;
    }
    Ok(())
}

fn asking(shared: &Weak<Shared>) -> MaySend {
    let shared = shared.clone();
    Box::new(move |effect| {
        let kind = match effect {
            Effect::Asks => MessageKind::Query,
            Effect::SwitchesOff => MessageKind::Off,
            Effect::Sets => MessageKind::Set,
            Effect::Energises => MessageKind::Energise,
            Effect::Feeds => MessageKind::Feed,
            Effect::Clears => MessageKind::Clear,
        };
        // A bench that is being closed sends nothing but OFF.
        shared.upgrade().is_some_and(|shared| {
            let stopped = shared.stop.stopped_by().is_some();
            !stopped && shared.guard().may_send(shared.clock.now_s(), kind).is_ok()
        })
    })
}
