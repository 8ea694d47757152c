/// Share of the rated power that no output may exceed while a bench is checked.
const POWER_SHARE: f64 = 0.01;
/// Share of that voltage which is aimed at: a quarter of the power, so that channels may differ by 6 dB.
const AIM: f64 = 0.5;
/// The highest gain thought of, as a ratio (46 dB), and the lowest (20 dB): where nothing is seen, the level goes from the
/// one's to the other's (common practice, no source).
const GAIN: (f64, f64) = (200.0, 10.0);
/// Largest rise from one capture to the next, 10 dB.
const STEP: f64 = 3.162_277_660_168_379_5;
/// Rise of the supply's power that speaks of an output that is not seen, as a share of all rated power.
const UNSEEN: f64 = 0.05;

/// How a small level is found without knowing the amplifier's gain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SmallLevel {
    aim_vrms: f64,
    start_vrms: f64,
    most_vrms: f64,
    unseen_w: f64,
}

impl SmallLevel {
    /// For channels of `watts` each at least, `all_w` together, into loads of `load_ohm` at least, from a source of
    /// `source_vrms_max` at most.
    #[must_use]
    pub fn new(watts: f64, all_w: f64, load_ohm: f64, source_vrms_max: f64) -> Self {
        let allowed_vrms = (POWER_SHARE * watts * load_ohm).sqrt();
        let most_vrms = (allowed_vrms / GAIN.1).min(source_vrms_max);
        Self {
            aim_vrms: AIM * allowed_vrms,
            start_vrms: (allowed_vrms / GAIN.0).min(most_vrms),
            most_vrms,
            unseen_w: UNSEEN * all_w,
        }
    }

    /// The first level, V rms: at the highest gain it gives what is allowed.
    #[must_use]
    pub fn start_vrms(&self) -> f64 {
        self.start_vrms
    }

    /// The next level, V rms; `None` when this one serves, or no higher one is safe. `seen_vrms` is the loudest output by
    /// voltage or by current times load, `rise_w` what the supply gives more than at idle.
    #[must_use]
    pub fn next(&self, level_vrms: f64, seen_vrms: Option<f64>, rise_w: Option<f64>) -> Option<f64> {
        if rise_w.is_some_and(|rise_w| !(rise_w <= self.unseen_w)) {
            return None;
        }
        let wanted = match seen_vrms {
            Some(seen_vrms) if !(seen_vrms < self.aim_vrms / 2.0) => return None,
            Some(seen_vrms) => (self.aim_vrms / seen_vrms).min(STEP),
            None => STEP,
        };
        let next_vrms = (level_vrms * wanted).min(self.most_vrms);
        (next_vrms > 1.01 * level_vrms).then_some(next_vrms)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Definition: no output gets more than a hundredth of its rating, whatever the gain up to 46 dB, and whatever
        /// of it is seen; one that is seen whole comes within 6 dB of a quarter of that.
        #[test]
        fn power_stays_small_at_any_gain(
            gain_db in 0.0..46.0f64,
            watts in 1.0..2000.0f64,
            load_ohm in 1.0..16.0f64,
        ) {
            let small = SmallLevel::new(watts, 2.0 * watts, load_ohm, 5.0);
            let gain = 10f64.powf(gain_db / 20.0);
            let mut level_vrms = small.start_vrms();
            let mut steps = 0;
            loop {
                prop_assert!((gain * level_vrms).powi(2) / load_ohm <= 0.010_001 * watts);
                steps += 1;
                prop_assert!(steps < 8);
                match small.next(level_vrms, Some(gain * level_vrms), None) {
                    Some(next_vrms) => level_vrms = next_vrms,
                    None => break,
                }
            }
            if gain_db >= 20.0 && small.most_vrms < 5.0 {
                let share = (gain * level_vrms).powi(2) / load_ohm / watts;
                prop_assert!((0.000_62..=0.010_001).contains(&share), "{share}");
            }
        }
    }

    #[test]
    fn what_the_supply_gives_to_an_output_that_is_not_seen_ends_the_climb() {
        let small = SmallLevel::new(50.0, 100.0, 4.0, 2.0);
        let start_vrms = small.start_vrms();
        assert!(small.next(start_vrms, None, Some(1.0)).is_some());
        assert_eq!(small.next(start_vrms, None, Some(6.0)), None);
        assert_eq!(small.next(start_vrms, None, Some(f64::NAN)), None);
        assert_eq!(small.next(small.most_vrms, None, Some(0.0)), None);
    }
}
