//! What a bench has for a load: one that is set to any resistance, one with fixed taps, or resistors that nobody sets.

use serde::{Deserialize, Serialize};
use wattproof_guard::LoadDuty;
use wattproof_link::Address;

/// How far a tap may lie from the resistance asked for where the bench file doesn't say, %: power corrected for it
/// still rests on the voltage measured (common practice, no source).
const TAP_TOLERANCE_PCT: f64 = 5.0;

/// The load's place.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LoadPlace {
    /// Where it is; absent where nobody sets it (`fixed_ohm`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub link: Option<Address>,
    /// Its dialect; absent like the link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dialect: Option<String>,
    /// Load channel on each amplifier channel, in order; absent like the link.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<u32>,
    /// Time it needs after a change, ms; absent like the link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub settle_ms: Option<u64>,
    /// Tolerance of the resistance as a half-width, %.
    pub tolerance_pct: f64,
    /// Resistance of each amplifier channel's load that nobody sets, as resistors on a bench, ohm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fixed_ohm: Option<f64>,
    /// Whether a loudspeaker hangs there, whose impedance moves with frequency; `fixed_ohm` is its lowest then.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub loudspeaker: bool,
    /// The resistances that it has, ohm, rising; absent where its dialect says them, or where it is set to any.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub taps_ohm: Vec<f64>,
    /// How far the nearest tap, or the fixed resistance, may lie from the one asked for, %; absent counts as 5.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tap_tolerance_pct: Option<f64>,
    /// Power that each amplifier channel's load stands at any moment, W; absent: no more than it stands for ever.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub watts_max: Option<f64>,
    /// Power that it stands for ever, W; absent with all three: as much as `[limits]` allows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub watts_continuous: Option<f64>,
    /// How long it stands `watts_max` from cold, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seconds_at_max: Option<f64>,
}

/// A resistance that the bench hasn't got.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "the load {has}, and {asked_ohm} ohm was asked for: {nearest_ohm} ohm is off by {off_pct:.1} %, more than tap_tolerance_pct = {tolerance_pct} allows; ask for what there is, or raise tap_tolerance_pct in [load] if power may be judged at another resistance"
)]
pub struct NoSuchLoad {
    has: String,
    asked_ohm: f64,
    nearest_ohm: f64,
    off_pct: f64,
    tolerance_pct: f64,
}

impl LoadPlace {
    /// Time it needs after a change, ms.
    pub fn settle_ms(&self) -> u64 {
        self.settle_ms.unwrap_or_default()
    }

    /// The resistance that is set when `asked_ohm` is asked for: that itself, or the nearest there is.
    ///
    /// # Errors
    /// [`NoSuchLoad`] when the nearest is further away than the bench file tolerates.
    pub fn nearest(&self, asked_ohm: f64) -> Result<f64, NoSuchLoad> {
        let there: &[f64] = match &self.fixed_ohm {
            Some(fixed_ohm) => std::slice::from_ref(fixed_ohm),
            None => &self.taps_ohm,
        };
        let off_pct = |ohm: f64| 100.0 * (ohm / asked_ohm - 1.0).abs();
        let nearest = there.iter().copied().min_by(|a, b| off_pct(*a).total_cmp(&off_pct(*b)));
        let Some(nearest_ohm) = nearest else { return Ok(asked_ohm) };
        let tolerance_pct = self.tap_tolerance_pct.unwrap_or(TAP_TOLERANCE_PCT);
        // A little room for values that were computed; a NaN is off by more than anything.
        if off_pct(nearest_ohm) <= tolerance_pct + 1e-9 {
            return Ok(nearest_ohm);
        }
        let each = there.iter().map(|ohm| format!("{ohm} ohm")).collect::<Vec<_>>().join(", ");
        let has = match self.fixed_ohm {
            Some(_) => format!("is fixed at {each}"),
            None => format!("has taps of {each}"),
        };
        Err(NoSuchLoad { has, asked_ohm, nearest_ohm, off_pct: off_pct(nearest_ohm), tolerance_pct })
    }

    /// What each amplifier channel's load stands, if the file says so.
    pub fn duty(&self) -> Option<LoadDuty> {
        let watts_continuous = self.watts_continuous.or(self.watts_max)?;
        let watts_max = self.watts_max.unwrap_or(watts_continuous);
        Some(LoadDuty {
            watts_max,
            watts_continuous,
            seconds_at_max: self.seconds_at_max.unwrap_or_default(),
        })
    }

    /// Which tap a resistance is, from 0.
    pub(crate) fn tap(&self, ohm: f64) -> Option<usize> {
        self.taps_ohm.iter().position(|tap| (tap - ohm).abs() <= 1e-9 * ohm)
    }

    /// What contradicts itself, with its key.
    pub(crate) fn complaint(&self) -> Option<(&'static str, String)> {
        let positive = |ohm: f64| ohm.is_finite() && ohm > 0.0;
        let rising = self.taps_ohm.windows(2).all(|pair| matches!(pair, [a, b] if a < b));
        if !(self.taps_ohm.iter().copied().all(positive) && rising) {
            let what = format!("taps_ohm = {:?} must be resistances above 0, rising", self.taps_ohm);
            return Some(("taps_ohm", what));
        }
        if let Some(pct) = self.tap_tolerance_pct.filter(|pct| !(pct.is_finite() && *pct >= 0.0)) {
            let what = format!("tap_tolerance_pct = {pct} must be a finite number, 0 or more");
            return Some(("tap_tolerance_pct", what));
        }
        if let Some(complaint) = self.duty_complaint() {
            return Some(complaint);
        }
        if self.loudspeaker && self.fixed_ohm.is_none() {
            let what = "loudspeaker = true needs fixed_ohm: the loudspeaker's lowest impedance, its dc resistance at least";
            return Some(("loudspeaker", what.to_string()));
        }
        match self.fixed_ohm {
            Some(ohm) => self.fixed_complaint(ohm, positive(ohm)),
            None => self.remote_complaint(),
        }
    }

    fn duty_complaint(&self) -> Option<(&'static str, String)> {
        let given = [
            ("watts_max", self.watts_max),
            ("watts_continuous", self.watts_continuous),
            ("seconds_at_max", self.seconds_at_max),
        ];
        let positive = |value: f64| value.is_finite() && value > 0.0;
        let wrong = given.into_iter().find_map(|(key, value)| Some((key, value.filter(|v| !positive(*v))?)));
        if let Some((key, value)) = wrong {
            return Some((key, format!("{key} = {value} must be a finite number greater than zero")));
        }
        let Some(duty) = self.duty() else {
            return self.seconds_at_max.map(|_| {
                let what = "seconds_at_max is how long watts_max lasts: say watts_max and watts_continuous";
                ("seconds_at_max", what.to_string())
            });
        };
        if duty.watts_continuous > duty.watts_max {
            let what = format!(
                "watts_continuous = {} is above watts_max = {}: exchange them",
                duty.watts_continuous, duty.watts_max
            );
            return Some(("watts_continuous", what));
        }
        match (duty.tau_s(), self.seconds_at_max) {
            (Some(_), None) => Some((
                "watts_max",
                "watts_max above watts_continuous needs seconds_at_max: how long it lasts from cold".to_string(),
            )),
            (None, Some(_)) => Some((
                "seconds_at_max",
                "seconds_at_max has no meaning where watts_max may last for ever: remove it, or say both powers".to_string(),
            )),
            _ => None,
        }
    }

    fn fixed_complaint(&self, ohm: f64, positive: bool) -> Option<(&'static str, String)> {
        if !positive {
            return Some((
                "fixed_ohm",
                format!("fixed_ohm = {ohm} must be a finite number greater than zero"),
            ));
        }
        let needless = [
            ("link", self.link.is_some()),
            ("dialect", self.dialect.is_some()),
            ("channels", !self.channels.is_empty()),
            ("settle_ms", self.settle_ms.is_some()),
            ("taps_ohm", !self.taps_ohm.is_empty()),
        ];
        needless.into_iter().find(|(_, there)| *there).map(|(key, _)| {
            let what = format!("{key} is for a load that can be set, fixed_ohm for one that can't: keep one");
            (key, what)
        })
    }

    fn remote_complaint(&self) -> Option<(&'static str, String)> {
        let missing = [
            ("link", self.link.is_none()),
            ("dialect", self.dialect.is_none()),
            ("channels", self.channels.is_empty()),
            ("settle_ms", self.settle_ms.is_none()),
        ];
        missing.into_iter().find(|(_, missing)| *missing).map(|(key, _)| {
            let what = format!(
                "[load] has no {key}: a load that is set needs link, dialect, channels and settle_ms; resistors that nobody sets need fixed_ohm alone"
            );
            ("tolerance_pct", what)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn load(text: &str) -> LoadPlace {
        toml::from_str(&format!("tolerance_pct = 1.0\n{text}")).unwrap()
    }

    /// Project definition: the nearest there is, if it is near enough.
    #[test]
    fn the_nearest_tap_is_taken_if_it_is_near_enough() {
        let tapped = load("taps_ohm = [1.98, 3.95, 8.1]\ntap_tolerance_pct = 2.0");
        assert_eq!(tapped.nearest(4.0).unwrap(), 3.95);
        assert_eq!(tapped.nearest(8.0).unwrap(), 8.1);
        assert_eq!(tapped.nearest(3.95).unwrap(), 3.95);
        for none in [6.0, 2.8, 1.0, 0.0, -4.0, f64::NAN, f64::INFINITY] {
            let told = tapped.nearest(none).unwrap_err().to_string();
            assert!(told.contains("taps of 1.98 ohm, 3.95 ohm, 8.1 ohm"), "{told}");
        }
        let told = tapped.nearest(6.0).unwrap_err().to_string();
        assert!(told.contains("6 ohm was asked for: 3.95 ohm is off by 34.2 %"), "{told}");
        let fixed = load("fixed_ohm = 4.1");
        assert_eq!(fixed.nearest(4.0).unwrap(), 4.1, "5 % where the file doesn't say");
        assert!(fixed.nearest(8.0).unwrap_err().to_string().contains("is fixed at 4.1 ohm"));
        assert_eq!(load("").nearest(6.66).unwrap(), 6.66, "without taps it is set to any");
    }

    #[test]
    fn what_contradicts_itself_is_told_with_its_key() {
        let key = |text: &str| load(text).complaint().map(|(key, _)| key);
        let remote = "dialect = \"x\"\nchannels = [1]\nsettle_ms = 1\nlink = { tcp = \"localhost:1\" }\n";
        assert_eq!(key(remote), None);
        assert_eq!(key("fixed_ohm = 4.0"), None);
        assert_eq!(
            key("fixed_ohm = 4.0\nwatts_max = 300.0\nwatts_continuous = 100.0\nseconds_at_max = 10.0"),
            None
        );
        assert_eq!(load("fixed_ohm = 4.0\nwatts_max = 300.0").duty().unwrap().watts_continuous, 300.0);
        for (text, wrong) in [
            ("fixed_ohm = 0.0".to_string(), "fixed_ohm"),
            ("fixed_ohm = inf".to_string(), "fixed_ohm"),
            (format!("{remote}fixed_ohm = 4.0"), "link"),
            ("fixed_ohm = 4.0\ntaps_ohm = [4.0]".to_string(), "taps_ohm"),
            (format!("{remote}taps_ohm = [4.0, 2.0]"), "taps_ohm"),
            (format!("{remote}taps_ohm = [0.0]"), "taps_ohm"),
            (format!("{remote}tap_tolerance_pct = -1.0"), "tap_tolerance_pct"),
            ("fixed_ohm = 4.0\nwatts_max = nan".to_string(), "watts_max"),
            ("fixed_ohm = 4.0\nwatts_max = 300.0\nwatts_continuous = 100.0".to_string(), "watts_max"),
            ("fixed_ohm = 4.0\nwatts_max = 50.0\nwatts_continuous = 100.0".to_string(), "watts_continuous"),
            ("fixed_ohm = 4.0\nwatts_max = 50.0\nseconds_at_max = 1.0".to_string(), "seconds_at_max"),
            ("fixed_ohm = 4.0\nseconds_at_max = 1.0".to_string(), "seconds_at_max"),
            (remote.replace("settle_ms = 1\n", ""), "tolerance_pct"),
            (String::new(), "tolerance_pct"),
        ] {
            assert_eq!(key(&text), Some(wrong), "{text}");
        }
    }
}
