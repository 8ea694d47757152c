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
    /// Fastest rise of the heatsink, °C/s; absent: only its temperature is judged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heatsink_c_per_s_max: Option<f64>,
    /// Output voltage without dc while the source is off or at zero, V rms; absent counts as 1 V rms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub idle_vrms_max: Option<f64>,
    /// Switch-ons of source and supply together within a minute; absent counts as 240.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub switch_on_per_min_max: Option<f64>,
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
    /// The loudest level that a source which plays `now_vrms` may be set to at once, V rms; steps from below a tenth of
    /// `source_vrms_max` count from there.
    pub fn next_step_vrms(&self, now_vrms: f64) -> f64 {
        now_vrms.max(self.source_vrms_max / 10.0) * 10f64.powf(self.source_step_db_max / 20.0)
    }

    fn named(&self) -> [(&'static str, Option<f64>); 16] {
        [
            ("out_vrms_max", Some(self.out_vrms_max)),
            ("out_arms_max", Some(self.out_arms_max)),
            ("out_w_max", Some(self.out_w_max)),
            ("dc_v_max", Some(self.dc_v_max)),
            ("supply_v_max", Some(self.supply_v_max)),
            ("supply_a_max", Some(self.supply_a_max)),
            ("heatsink_c_max", Some(self.heatsink_c_max)),
            ("source_vrms_max", Some(self.source_vrms_max)),
            ("source_step_db_max", Some(self.source_step_db_max)),
            ("load_ohm_min", Some(self.load_ohm_min)),
            ("power_s_max", Some(self.power_s_max)),
            ("power_w_from", Some(self.power_w_from)),
            ("reading_age_s_max", Some(self.reading_age_s_max)),
            ("heatsink_c_per_s_max", self.heatsink_c_per_s_max),
            ("idle_vrms_max", self.idle_vrms_max),
            ("switch_on_per_min_max", self.switch_on_per_min_max),
        ]
    }

    /// Refuses limits that are not finite and positive: a NaN limit would permit everything it is compared with.
    pub fn check(&self) -> Result<(), LimitsError> {
        let given = self.named().into_iter().filter_map(|(name, value)| Some((name, value?)));
        match given.into_iter().find(|(_, value)| !(value.is_finite() && *value > 0.0)) {
            Some((name, value)) => Err(LimitsError { name, value }),
            None => Ok(()),
        }
    }

    /// The tighter of both for every limit; never looser than `self`.
    pub fn tightened(&self, other: &Limits) -> Limits {
        let least = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => Some(a.min(b)),
            // An absent limit has a default or is none: only a number can tighten it.
            (a, b) => a.or(b.filter(|b| !b.is_nan())),
        };
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
            heatsink_c_per_s_max: least(self.heatsink_c_per_s_max, other.heatsink_c_per_s_max),
            idle_vrms_max: least(Some(self.idle_vrms()), other.idle_vrms_max),
            switch_on_per_min_max: least(Some(self.switch_on_per_min()), other.switch_on_per_min_max),
        }
    }

    /// Output voltage tolerated while nothing is played, V rms. The default is far under the 30 V rms touch limit
    /// of IEC 61010-1 (from memory) and above any noise.
    pub fn idle_vrms(&self) -> f64 {
        self.idle_vrms_max.unwrap_or(1.0)
    }

    /// Switch-ons tolerated within a minute.
    pub fn switch_on_per_min(&self) -> f64 {
        self.switch_on_per_min_max.unwrap_or(240.0)
    }
}

/// The most that the instruments themselves can be set to, as far as they tell.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Ratings {
    /// Of the source, V rms.
    pub source_vrms_max: Option<f64>,
    /// Of the supply, V.
    pub supply_v_max: Option<f64>,
    /// Of the supply, A.
    pub supply_a_max: Option<f64>,
}

impl Ratings {
    /// The first limit that is above what its instrument can do, with the rating: a slip of the unit, most likely.
    pub(crate) fn exceeded_by(&self, limits: &Limits) -> Option<(&'static str, f64, f64)> {
        let pairs = [
            ("source_vrms_max", limits.source_vrms_max, self.source_vrms_max),
            ("supply_v_max", limits.supply_v_max, self.supply_v_max),
            ("supply_a_max", limits.supply_a_max, self.supply_a_max),
        ];
        // A rating that is no number is exceeded by everything.
        let exceeded = |(name, limit, rating): (_, f64, Option<f64>)| {
            rating.filter(|rating| !(limit <= *rating)).map(|rating| (name, limit, rating))
        };
        pairs.into_iter().find_map(exceeded)
    }
}
