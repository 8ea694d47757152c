//! What finding out takes of the amplifier: time at power and energy, from what was driven and captured.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Share of the rated power from which a level counts as power: the eighth at which 16 CFR 432 preconditions.
const AT_POWER: f64 = 1.0 / 8.0;

/// Time at power and energy.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Spent {
    /// Time at an eighth of the rated power or more, s.
    pub seconds_at_power: f64,
    /// Energy into the loads of all driven channels, J.
    pub joules: f64,
}

/// A level that is being driven.
#[derive(Debug, Clone, Copy)]
struct Held {
    since_s: f64,
    /// Power of all driven channels and whether it counts as power; unknown until captured.
    watts: Option<(f64, bool)>,
}

/// Adds up what every rating takes. Time is an argument. A level counts with the power captured at it; one that was
/// never captured, as on the way up, does not count.
#[derive(Debug, Default)]
pub(crate) struct Delivered {
    held: Option<Held>,
    spent: BTreeMap<Option<usize>, Spent>,
}

impl Delivered {
    /// A level is driven from `now_s` on, for `rating`.
    pub fn driven(&mut self, rating: Option<usize>, now_s: f64) {
        self.close(rating, now_s);
        self.held = Some(Held { since_s: now_s, watts: None });
    }

    /// The source is off from `now_s` on.
    pub fn off(&mut self, rating: Option<usize>, now_s: f64) {
        self.close(rating, now_s);
        self.held = None;
    }

    /// A capture told the power of the level being driven: of all channels, and of the weakest against the rating.
    pub fn captured(&mut self, total_w: f64, lowest_w: f64, rated_w: f64) {
        if let Some(held) = &mut self.held {
            held.watts = Some((total_w, lowest_w >= AT_POWER * rated_w));
        }
    }

    /// What `rating` took until `now_s`.
    pub fn spent(&mut self, rating: Option<usize>, now_s: f64) -> Spent {
        self.close(rating, now_s);
        self.spent.get(&rating).copied().unwrap_or_default()
    }

    fn close(&mut self, rating: Option<usize>, now_s: f64) {
        let Some(held) = &mut self.held else { return };
        if let Some((total_w, at_power)) = held.watts {
            let seconds = (now_s - held.since_s).max(0.0);
            let spent = self.spent.entry(rating).or_default();
            spent.joules += total_w * seconds;
            spent.seconds_at_power += if at_power { seconds } else { 0.0 };
            held.since_s = now_s;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Energy is power times time (definition): 2 s at 100 W, then 1 s at 10 W, then off.
    #[test]
    fn energy_is_power_times_time() {
        let mut delivered = Delivered::default();
        let rating = Some(1);
        delivered.driven(rating, 10.0);
        delivered.captured(100.0, 50.0, 80.0);
        delivered.driven(rating, 12.0);
        delivered.captured(10.0, 5.0, 80.0);
        delivered.off(rating, 13.0);
        assert_eq!(delivered.spent(rating, 99.0), Spent { seconds_at_power: 2.0, joules: 210.0 });
        assert_eq!(delivered.spent(Some(2), 99.0), Spent::default());
    }

    #[test]
    fn a_level_that_was_never_captured_does_not_count_and_a_held_one_goes_on() {
        let mut delivered = Delivered::default();
        delivered.driven(Some(1), 0.0);
        delivered.driven(Some(1), 5.0);
        delivered.captured(40.0, 40.0, 40.0);
        assert_eq!(delivered.spent(Some(1), 6.0), Spent { seconds_at_power: 1.0, joules: 40.0 });
        // Asked in between or not, the sum is the same.
        assert_eq!(delivered.spent(Some(1), 8.0), Spent { seconds_at_power: 3.0, joules: 120.0 });
        delivered.captured(1.0, 1.0, 40.0);
        assert_eq!(delivered.spent(Some(1), 9.0).joules, 121.0);
    }
}
