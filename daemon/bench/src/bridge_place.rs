//! Which outputs of a bench are bridges: two channels of the amplifier with one load between their live sides.
//!
//! Neither side is at ground, so the voltage across the load is measured by two dividers, one from each side to ground,
//! whose difference it is, or by one differential input. A grounded probe across it would short one side.

use serde::{Deserialize, Serialize};

use crate::{CalibratedChannel, Measures};

/// One bridged output.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BridgePlace {
    /// The output, from 1: it counts as one channel everywhere on the bench.
    pub amplifier_channel: u32,
    /// ADC channel of the divider from the positive side to ground; of the differential input, where `negative` is absent.
    pub positive: u32,
    /// ADC channel of the divider from the negative side to ground.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub negative: Option<u32>,
}

impl BridgePlace {
    /// The ADC channels that its voltage comes from.
    fn adcs(&self) -> impl Iterator<Item = u32> {
        std::iter::once(self.positive).chain(self.negative)
    }

    /// What does not fit to the inputs, with its key.
    fn complaint(&self, inputs: &[CalibratedChannel]) -> Option<(&'static str, String)> {
        let number = self.amplifier_channel;
        if self.negative == Some(self.positive) {
            let what = format!(
                "positive and negative are both ADC channel {}: each side needs a divider of its own; leave negative out where one differential input looks at both",
                self.positive
            );
            return Some(("negative", what));
        }
        let is_own = |adc: u32| {
            let own = |c: &&CalibratedChannel| c.amplifier_channel == number && c.measures == Measures::Volts;
            inputs.iter().filter(own).any(|c| c.adc == adc)
        };
        let strange = self.adcs().find(|adc| !is_own(*adc))?;
        let key = if strange == self.positive { "positive" } else { "negative" };
        let what = format!(
            "{key} = {strange}: there is no [[digitizer.channel]] with adc = {strange}, amplifier_channel = {number} and measures = \"volts\""
        );
        Some((key, what))
    }
}

/// What contradicts itself among the bridges of a bench with so many outputs, with its key.
pub(crate) fn complaint(
    bridges: &[BridgePlace],
    inputs: &[CalibratedChannel],
    outputs: usize,
) -> Option<(&'static str, String)> {
    if bridges.is_empty() {
        return None;
    }
    let missing = (1_u32..).take(outputs).find(|number| {
        let of = |bridge: &&BridgePlace| bridge.amplifier_channel == *number;
        bridges.iter().filter(of).count() != 1
    });
    if let Some(number) = missing {
        let what = format!(
            "every output of a bridged bench needs exactly one [[digitizer.bridge]], and amplifier_channel = {number} has none or several: bridged and single outputs are measured one after the other, each with a bench file of its own"
        );
        return Some(("amplifier_channel", what));
    }
    if let Some(strange) = bridges.iter().find(|bridge| bridge.amplifier_channel as usize > outputs) {
        let what = format!(
            "amplifier_channel = {} must be 1 to {outputs}: as many outputs as [source] outputs has entries",
            strange.amplifier_channel
        );
        return Some(("amplifier_channel", what));
    }
    bridges.iter().find_map(|bridge| bridge.complaint(inputs))
}
