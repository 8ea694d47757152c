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

#[cfg(test)]
mod tests {
    use super::*;

    fn input(adc: u32, amplifier_channel: u32, measures: Measures) -> CalibratedChannel {
        CalibratedChannel {
            adc,
            amplifier_channel,
            measures,
            gain: 20.0,
            offset_v: 0.0,
            range_v: 5.0,
            tolerance_pct: 0.1,
            offset_tolerance_v: None,
            calibrated: None,
            calibration: None,
        }
    }

    fn bridge(amplifier_channel: u32, positive: u32, negative: Option<u32>) -> BridgePlace {
        BridgePlace { amplifier_channel, positive, negative }
    }

    #[test]
    fn what_contradicts_itself_is_told_with_its_key() {
        let volts = |adc, number| input(adc, number, Measures::Volts);
        let inputs = [volts(1, 1), input(2, 1, Measures::Amps), volts(3, 1), volts(5, 2), volts(7, 2)];
        let key = |bridges: &[BridgePlace], outputs| complaint(bridges, &inputs, outputs).map(|(key, _)| key);
        let (one, two) = (bridge(1, 1, Some(3)), bridge(2, 5, Some(7)));
        assert_eq!(key(&[], 2), None, "no bridges at all");
        assert_eq!(key(&[one.clone(), two.clone()], 2), None);
        assert_eq!(key(&[bridge(1, 1, None)], 1), None, "a differential input");
        assert_eq!(key(std::slice::from_ref(&one), 2), Some("amplifier_channel"), "the other is single");
        assert_eq!(key(&[one.clone(), one.clone()], 1), Some("amplifier_channel"), "twice");
        assert_eq!(key(&[one.clone(), two.clone()], 1), Some("amplifier_channel"), "too many");
        assert_eq!(key(&[bridge(1, 1, Some(1))], 1), Some("negative"), "one divider for both sides");
        assert_eq!(key(&[bridge(1, 2, Some(3))], 1), Some("positive"), "a current");
        assert_eq!(key(&[bridge(1, 1, Some(5))], 1), Some("negative"), "of another output");
    }
}
