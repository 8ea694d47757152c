//! How hot the load is: what it takes for ever, what it takes for a while, and what of that while is left.
//!
//! One time constant, as thermal overload relays have it (IEC 60255-149, cold and hot curve, from memory; there with the
//! square of a current for the power): warmth w, in watts, follows the power p by dw/dt = (p − w)/τ, and must not
//! pass the continuous power c. From w at a power p above c that leaves t = τ·ln((p − w)/(p − c)). From cold at the
//! highest power m that is the time stated, hence τ = −t/ln(1 − c/m).

use serde::{Deserialize, Serialize};

use crate::TripCause;

/// Gain of an amplifier that has not been measured yet, as a ratio of squares: 40 dB, the most that power amplifiers
/// have (common practice, no source).
const GAIN_UNKNOWN: f64 = 1e4;
/// Share of the highest power from which a reading tells the gain: below, noise and residue count for much.
const TELLS_GAIN: f64 = 0.01;

/// What one channel of a load stands, in W of active power.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LoadDuty {
    /// At any moment.
    pub watts_max: f64,
    /// For ever.
    pub watts_continuous: f64,
    /// How long `watts_max` may last from cold, s. Without meaning where both powers are the same.
    pub seconds_at_max: f64,
}

impl LoadDuty {
    /// Time constant of its warming and cooling, s; none where it may have its highest power for ever.
    pub fn tau_s(&self) -> Option<f64> {
        (self.watts_continuous < self.watts_max)
            .then(|| -self.seconds_at_max / (-self.watts_continuous / self.watts_max).ln_1p())
    }

    /// How long a power may last from a warmth, s.
    fn room_s(&self, warm_w: f64, power_w: f64) -> f64 {
        if power_w <= self.watts_continuous {
            return f64::INFINITY;
        }
        let over_w = power_w - self.watts_continuous;
        let left = ((power_w - warm_w) / over_w).ln();
        self.tau_s().map_or(0.0, |tau_s| (tau_s * left).max(0.0))
    }

    /// How long without power until `power_w` may last for `seconds`, s; none where it may not even from cold.
    fn cool_s(&self, warm_w: f64, power_w: f64, seconds: f64) -> Option<f64> {
        if self.room_s(warm_w, power_w) >= seconds {
            return Some(0.0);
        }
        let tau_s = self.tau_s()?;
        let enough_w = power_w - (power_w - self.watts_continuous) * (seconds / tau_s).exp();
        (enough_w > 0.0).then(|| tau_s * (warm_w / enough_w).ln().max(0.0))
    }
}

#[derive(Debug, Clone, Copy)]
struct Part {
    duty: LoadDuty,
    warm_w: f64,
}

/// The load's warmth, by each duty that was given: every one of them holds.
#[derive(Debug, Clone, Default)]
pub(crate) struct LoadHeat {
    parts: Vec<Part>,
    /// Power since `at_s`, W.
    power_w: f64,
    at_s: Option<f64>,
    /// Power times load over the square of the level, the highest seen.
    gain: Option<f64>,
    /// Mean over loudest power while bursts are played.
    share: Option<f64>,
}

impl LoadHeat {
    /// One more duty. Nothing is known of what the load was given before, so that it counts as warm as it may be.
    pub fn limit(&mut self, duty: LoadDuty) {
        self.parts.push(Part { duty, warm_w: duty.watts_continuous });
    }

    /// Another amplifier may be on the bench.
    pub fn forget_gain(&mut self) {
        (self.gain, self.share) = (None, None);
    }

    /// Time passes at the power that is on.
    pub fn pass(&mut self, now_s: f64) {
        let dt_s = self.at_s.map_or(0.0, |at_s| (now_s - at_s).max(0.0));
        self.at_s = Some(now_s);
        for Part { duty, warm_w } in &mut self.parts {
            let Some(tau_s) = duty.tau_s() else { continue };
            *warm_w = self.power_w + (*warm_w - self.power_w) * (-dt_s / tau_s).exp();
        }
    }

    /// Another level is played from now on; 0 with the source off.
    pub fn play(&mut self, level_vrms: f64, load_ohm: Option<f64>) {
        self.power_w = self.share.unwrap_or(1.0) * self.assumed_w(level_vrms, load_ohm);
    }

    /// Bursts are played from now on, whose mean power is so much of that of their loud part; none for a steady tone.
    pub fn share(&mut self, share: Option<f64>) {
        self.share = share.map(|share| if share <= 1.0 { share.max(0.0) } else { 1.0 });
    }

    /// What was measured at a level; trips when it is more than the load stands.
    pub fn measured(&mut self, level_vrms: f64, load_ohm: Option<f64>, out_w: f64) -> Option<TripCause> {
        if self.parts.is_empty() {
            return None;
        }
        let tells = out_w >= TELLS_GAIN * self.watts_max();
        if let Some(load_ohm) = load_ohm.filter(|_| level_vrms > 0.0 && tells) {
            let gain = out_w * load_ohm / (level_vrms * level_vrms);
            self.gain = Some(self.gain.map_or(gain, |known| known.max(gain)));
        }
        self.power_w = self.share.unwrap_or(1.0) * out_w;
        let allowed = self.watts_max();
        let inside = out_w <= allowed;
        (!inside).then(|| TripCause::Limit { limit: "watts_max of the load".into(), value: out_w, allowed })
    }

    /// Refuses a level that gives more than the load stands, at any moment or, if it is `live`, because it has no time
    /// left for it. Without a measured gain nothing can be predicted, and the first reading judges.
    pub fn refuses(&self, level_vrms: f64, load_ohm: Option<f64>, live: bool) -> Option<TripCause> {
        if self.parts.is_empty() {
            return None;
        }
        let power_w = self.predicted_w(level_vrms, load_ohm)?;
        let asked = |limit: &str, allowed| TripCause::Asked { limit: limit.into(), value: power_w, allowed };
        let allowed = self.watts_max();
        let inside = power_w <= allowed;
        if !inside {
            return Some(asked("watts_max of the load (predicted from what was measured)", allowed));
        }
        let mean_w = self.share.unwrap_or(1.0) * power_w;
        let no_time = |part: &&Part| live && part.duty.room_s(part.warm_w, mean_w) <= 0.0;
        self.parts.iter().find(no_time).map(|part| {
            let limit = "watts_continuous of the load, which is too warm for more";
            asked(limit, part.duty.watts_continuous)
        })
    }

    /// The load has had as much as it stands.
    pub fn too_hot(&self) -> Option<TripCause> {
        let hot = |part: &&Part| {
            let allowed = part.duty.watts_continuous * (1.0 + 1e-9);
            !(part.warm_w <= allowed)
        };
        self.parts.iter().find(hot).map(|part| TripCause::Limit {
            limit: format!(
                "watts_continuous of the load, averaged over its {:.1} s",
                part.duty.tau_s().unwrap_or_default()
            ),
            value: part.warm_w,
            allowed: part.duty.watts_continuous,
        })
    }

    /// How long a level may be held from now on, s; `share` is the mean power of bursts over that of their loud part, 1
    /// for a steady tone.
    pub fn room_s(&self, level_vrms: f64, load_ohm: Option<f64>, share: f64) -> f64 {
        let power_w = share * self.assumed_w(level_vrms, load_ohm);
        let each = self.parts.iter().map(|part| part.duty.room_s(part.warm_w, power_w));
        each.fold(f64::INFINITY, f64::min)
    }

    /// The same from cold, s.
    pub fn room_cold_s(&self, level_vrms: f64, load_ohm: Option<f64>, share: f64) -> f64 {
        let power_w = share * self.assumed_w(level_vrms, load_ohm);
        self.parts.iter().map(|part| part.duty.room_s(0.0, power_w)).fold(f64::INFINITY, f64::min)
    }

    /// How long with the source off until it may be held for `seconds`, s; none where it never may.
    pub fn cool_s(&self, level_vrms: f64, load_ohm: Option<f64>, share: f64, seconds: f64) -> Option<f64> {
        let power_w = share * self.assumed_w(level_vrms, load_ohm);
        self.parts.iter().try_fold(0.0_f64, |longest, part| {
            Some(longest.max(part.duty.cool_s(part.warm_w, power_w, seconds)?))
        })
    }

    /// The least of all highest powers, W.
    fn watts_max(&self) -> f64 {
        self.parts.iter().map(|part| part.duty.watts_max).fold(f64::INFINITY, f64::min)
    }

    /// Power at a level by the highest gain seen: clipping only makes it less.
    fn predicted_w(&self, level_vrms: f64, load_ohm: Option<f64>) -> Option<f64> {
        Some(self.gain? * level_vrms * level_vrms / load_ohm?)
    }

    /// The same, or what it can be at most where nothing was measured.
    fn assumed_w(&self, level_vrms: f64, load_ohm: Option<f64>) -> f64 {
        if level_vrms == 0.0 || self.parts.is_empty() {
            return 0.0;
        }
        self.predicted_w(level_vrms, load_ohm).unwrap_or_else(|| {
            let most_w = load_ohm.map_or(f64::INFINITY, |ohm| GAIN_UNKNOWN * level_vrms * level_vrms / ohm);
            most_w.min(self.watts_max())
        })
    }
}
