//! The limits of a bench: from the bench file, tightened (never loosened) by nameplate and script.

use serde::{Deserialize, Serialize};

/// Limits that no script can exceed. All are inclusive maxima unless the name says `min`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// Output voltage of one amplifier channel, V rms.
    pub out_vrms_max: f64,
    /// Output current of one amplifier channel, A rms.
    pub out_arms_max: f64,
    /// Active power of one amplifier channel, W.
    pub out_w_max: f64,
    /// Magnitude of the dc voltage at an amplifier output, V.
    pub dc_v_max: f64,
    /// Supply voltage, V.
    pub supply_v_max: f64,
    /// Supply current, A.
    pub supply_a_max: f64,
    /// Heatsink temperature, °C.
    pub heatsink_c_max: f64,
    /// Source level, V rms.
    pub source_vrms_max: f64,
    /// Largest upward step of the source level in one command, dB, once the level is above a tenth of its maximum.
    pub source_step_db_max: f64,
    /// Smallest load resistance, ohm.
    pub load_ohm_min: f64,
    /// Longest uninterrupted time at power, s.
    pub power_s_max: f64,
    /// What counts as "at power": active power of one channel, W.
    pub power_w_from: f64,
    /// Oldest safety reading (supply current, heatsink) tolerated while an output is live, s.
    pub reading_age_s_max: f64,
}

/// A limit that makes no sense.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("limit {name} = {value} must be a finite number greater than zero")]
pub struct LimitsError {
    /// The limit's name.
    pub name: &'static str,
    /// Its value.
    pub value: f64,
}

impl Limits {
    fn named(&self) -> [(&'static str, f64); 13] {
        [
            ("out_vrms_max", self.out_vrms_max),
            ("out_arms_max", self.out_arms_max),
            ("out_w_max", self.out_w_max),
            ("dc_v_max", self.dc_v_max),
            ("supply_v_max", self.supply_v_max),
            ("supply_a_max", self.supply_a_max),
            ("heatsink_c_max", self.heatsink_c_max),
            ("source_vrms_max", self.source_vrms_max),
            ("source_step_db_max", self.source_step_db_max),
            ("load_ohm_min", self.load_ohm_min),
            ("power_s_max", self.power_s_max),
            ("power_w_from", self.power_w_from),
            ("reading_age_s_max", self.reading_age_s_max),
        ]
    }

    /// Refuses limits that are not finite and positive: a NaN limit would permit everything it is compared with.
    pub fn check(&self) -> Result<(), LimitsError> {
        match self.named().into_iter().find(|(_, value)| !(value.is_finite() && *value > 0.0)) {
            Some((name, value)) => Err(LimitsError { name, value }),
            None => Ok(()),
        }
    }

    /// The tighter of both for every limit; never looser than `self`.
    pub fn tightened(&self, other: &Limits) -> Limits {
        Limits {
            out_vrms_max: self.out_vrms_max.min(other.out_vrms_max),
            out_arms_max: self.out_arms_max.min(other.out_arms_max),
            out_w_max: self.out_w_max.min(other.out_w_max),
            dc_v_max: self.dc_v_max.min(other.dc_v_max),
            supply_v_max: self.supply_v_max.min(other.supply_v_max),
            supply_a_max: self.supply_a_max.min(other.supply_a_max),
            heatsink_c_max: self.heatsink_c_max.min(other.heatsink_c_max),
            source_vrms_max: self.source_vrms_max.min(other.source_vrms_max),
            source_step_db_max: self.source_step_db_max.min(other.source_step_db_max),
            load_ohm_min: self.load_ohm_min.max(other.load_ohm_min),
            power_s_max: self.power_s_max.min(other.power_s_max),
            power_w_from: self.power_w_from.min(other.power_w_from),
            reading_age_s_max: self.reading_age_s_max.min(other.reading_age_s_max),
        }
    }
}
