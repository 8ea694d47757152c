//! Faults of the amplifier, of its loads and of what looks at it, as the physics know them.

use super::What;
use crate::world::{Ailments, Input, Oscillation};

/// Carries out a fault, or takes it back. Faults of the port or of bytes change nothing here.
pub(crate) fn ail(ailments: &mut Ailments, what: &What, begins: bool) {
    match *what {
        What::Short { output, ohm } => set(&mut ailments.short_ohm, output, begins.then_some(ohm)),
        What::Open { output } => set(&mut ailments.open, output, begins),
        What::WrongLoad { output, ohm } => set(&mut ailments.wrong_ohm, output, begins.then_some(ohm)),
        What::Oscillates { out_vrms, hz } => {
            ailments.oscillation = begins.then_some(Oscillation { out_vrms, hz });
        }
        What::BridgeInPhase => ailments.bridge_in_phase = begins,
        What::ThermalRunaway { c_per_s } => ailments.runaway_c_per_s = if begins { c_per_s } else { 0.0 },
        What::StoredCharge { tau_s } => ailments.discharge_tau_s = begins.then_some(tau_s),
        What::WrongGain { input, by } => {
            change(ailments, input, |input| input.gain = if begins { by } else { 1.0 });
        }
        What::Reversed { input } => {
            change(ailments, input, |input| input.gain = if begins { -1.0 } else { 1.0 });
        }
        What::Offset { input, v } => {
            change(ailments, input, |input| input.offset_v = if begins { v } else { 0.0 });
        }
        What::Bent { input, share } => {
            change(ailments, input, |input| input.bend = if begins { share } else { 0.0 });
        }
        What::Exchanged { first, second } => {
            let pair = (first.saturating_sub(1), second.saturating_sub(1));
            ailments.inputs.exchanged = begins.then_some(pair);
        }
        _ => {}
    }
}

/// `place` counts from 1.
fn set<T, const N: usize>(each: &mut [T; N], place: usize, value: T) {
    if let Some(one) = each.get_mut(place.saturating_sub(1)) {
        *one = value;
    }
}

fn change(ailments: &mut Ailments, place: usize, change: impl FnOnce(&mut Input)) {
    if let Some(input) = ailments.inputs.each.get_mut(place.saturating_sub(1)) {
        change(input);
    }
}
