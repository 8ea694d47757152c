//! Captures at one level after another: where the next level is known and known to be harmless, it is set while the last
//! samples still travel.

use crate::stage::{Operating, Stage};
use crate::{RunError, Step};

/// The loudest level that a capture has shown to be within all limits, and where.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Shown {
    /// Frequency, Hz, load, ohm, supply setpoint, V, and channels driven.
    under: Option<(f64, f64, f64, usize)>,
    level_vrms: f64,
}

impl Shown {
    /// A capture at `now` was judged by the guard and kept.
    pub fn note(&mut self, now: &Operating) {
        let under = conditions(now);
        let Some(level_vrms) = now.level_vrms.filter(|_| now.source_on && under.is_some()) else { return };
        self.level_vrms = if self.under == under { self.level_vrms.max(level_vrms) } else { level_vrms };
        self.under = under;
    }

    /// Whether `level_vrms` is no louder than what was shown under the conditions of `now`.
    pub fn covers(&self, now: &Operating, level_vrms: f64) -> bool {
        now.source_on
            && self.under.is_some()
            && self.under == conditions(now)
            && level_vrms <= self.level_vrms
    }
}

fn conditions(now: &Operating) -> Option<(f64, f64, f64, usize)> {
    Some((now.hz?, now.load_ohm?, now.supply_v?, now.driven))
}

impl Stage {
    /// Sets each level in turn, V rms, waits until it has settled, and captures. The source is switched on with the first
    /// level if it is off. A level no louder than the one before it, or than one already captured here, is set while the
    /// samples of the one before it travel; a louder one only after those were judged.
    pub fn capture_at(&mut self, levels_vrms: &[f64], purpose: &str) -> Result<Vec<Step>, RunError> {
        let mut steps = Vec::with_capacity(levels_vrms.len());
        let mut is_set = false;
        for (level_vrms, next_vrms) in
            levels_vrms.iter().zip(levels_vrms.iter().skip(1).map(Some).chain([None]))
        {
            if !is_set {
                self.set_level(*level_vrms)?;
            }
            if !self.now.source_on {
                self.switch_source(true)?;
            }
            self.bench.settle()?;
            let ahead = next_vrms.copied().filter(|next_vrms| self.is_shown(*next_vrms));
            is_set = ahead.is_some();
            steps.push(self.capture_then(purpose, ahead)?);
        }
        Ok(steps)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The project's own rule, no outside source: nothing louder than what was judged, and only where it was judged.
    #[test]
    fn a_level_is_shown_where_it_was_captured_and_below() {
        let mut shown = Shown::default();
        let now = Operating {
            level_vrms: Some(0.5),
            hz: Some(1000.0),
            source_on: true,
            driven: 2,
            load_ohm: Some(4.0),
            supply_v: Some(14.4),
            supply_on: true,
            ..Operating::default()
        };
        assert!(!shown.covers(&now, 0.1), "nothing was captured yet");
        shown.note(&now);
        assert!(shown.covers(&now, 0.5) && shown.covers(&now, 0.1) && !shown.covers(&now, 0.51));
        assert!(!shown.covers(&now, f64::NAN));
        // A quieter capture takes nothing back.
        shown.note(&Operating { level_vrms: Some(0.1), ..now });
        assert!(shown.covers(&now, 0.5));
        for other in [
            Operating { hz: Some(40.0), ..now },
            Operating { load_ohm: Some(2.0), ..now },
            Operating { supply_v: Some(16.0), ..now },
            Operating { driven: 1, ..now },
            Operating { source_on: false, ..now },
        ] {
            assert!(!shown.covers(&other, 0.1), "{other:?}");
        }
        shown.note(&Operating { load_ohm: Some(2.0), level_vrms: Some(0.2), ..now });
        assert!(!shown.covers(&now, 0.1), "the amplifier may have changed meanwhile");
    }
}
