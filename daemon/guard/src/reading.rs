//! What the guard is told about the bench.

use crate::further::FURTHER_MAX;

/// Below this a supply counts as off when measured, A.
pub const DEAD_A: f64 = 0.1;
/// Below this an amplifier output counts as dead when measured, V rms: far under the 30 V rms touch limit of
/// IEC 61010-1 (from memory) and above any noise or offset.
pub const DEAD_VRMS: f64 = 1.0;

/// Readings of one moment; absent values are not judged.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct SafetyReading {
    /// When the first of them was asked for, s on the guard's clock. Absent: just now, but then nothing is
    /// concluded from it about an output that was switched off.
    pub asked_s: Option<f64>,
    /// Output voltage, V rms, the largest of the channels.
    pub out_vrms: Option<f64>,
    /// Output current, A rms, the largest of the channels.
    pub out_arms: Option<f64>,
    /// Active power, W, the largest of the channels.
    pub out_w: Option<f64>,
    /// Active power of all channels together over a whole record of a steady tone, W. Given together with supply
    /// voltage and current as the instrument told them; absent where the supply current is not that.
    pub together_w: Option<f64>,
    /// dc voltage at an output, V, the largest magnitude.
    pub dc_v: Option<f64>,
    /// Supply voltage measured, V.
    pub supply_v: Option<f64>,
    /// Supply current measured, A.
    pub supply_a: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
    /// Further temperatures, °C, in the order in which the guard was told of them.
    pub further_c: [Option<f64>; FURTHER_MAX],
}

/// When each quantity was last seen as it must be before a reset, s; a worse reading takes it away again.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Seen {
    pub supply_s: Option<f64>,
    pub heatsink_s: Option<f64>,
    pub out_s: Option<f64>,
    pub further_s: [Option<f64>; FURTHER_MAX],
}

impl Seen {
    /// Takes over what a reading asked for at `asked_s` says.
    pub fn take(&mut self, reading: &SafetyReading, asked_s: f64, heatsink_c_max: f64) {
        let judge = |kept: &mut Option<f64>, good: Option<bool>| match good {
            Some(true) => *kept = Some(asked_s),
            Some(false) => *kept = None,
            None => {}
        };
        judge(&mut self.supply_s, reading.supply_a.map(|amps_a| amps_a.abs() < DEAD_A));
        judge(&mut self.out_s, reading.out_vrms.map(|vrms| vrms < DEAD_VRMS));
        let cool = |c: f64| c <= heatsink_c_max && c >= super::plausible::COLDEST_C;
        judge(&mut self.heatsink_s, reading.heatsink_c.map(cool));
    }

    /// The outputs were measured dead, by current and by voltage.
    pub fn dead(&self) -> bool {
        self.supply_s.is_some() && self.out_s.is_some()
    }

    /// The first quantity that was not seen well within `age_s` before `now_s`.
    pub fn missing(&self, now_s: f64, age_s: f64) -> Option<&'static str> {
        let all = [
            ("supply current", self.supply_s),
            ("output voltage", self.out_s),
            ("heatsink temperature", self.heatsink_s),
        ];
        let young = |at_s: Option<f64>| at_s.is_some_and(|at_s| now_s - at_s <= age_s);
        all.into_iter().find(|(_, at_s)| !young(*at_s)).map(|(name, _)| name)
    }
}
