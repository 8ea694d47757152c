//! A load's own last defence: resistors that got too warm, or too much at once, are cut off and stay so.

use crate::amplifier::CHANNELS_MAX;

/// What each resistor stands, W; its warmth follows its power with one time constant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoadStands {
    /// At any moment.
    pub watts_max: f64,
    /// For ever.
    pub watts_continuous: f64,
    /// How long `watts_max` lasts from cold, s.
    pub seconds_at_max: f64,
}

/// How far beyond what they stand the resistors are cut off, as a ratio: makers leave themselves room.
const BEYOND: f64 = 1.05;

/// The warmth of every output's resistors, and whether they were cut off.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Cutout {
    stands: Option<LoadStands>,
    warm_w: [f64; CHANNELS_MAX],
    pub cut: [bool; CHANNELS_MAX],
}

impl Cutout {
    /// Cold, with this to stand.
    pub fn new(stands: LoadStands) -> Self {
        Self { stands: Some(stands), ..Self::default() }
    }

    /// Lets time pass at these powers, W; whether one was cut off by it.
    pub fn step(&mut self, out_w: &[f64], dt_s: f64) -> bool {
        let Some(stands) = self.stands else { return false };
        let before = self.cut;
        // exp(−t/τ) = 1 − c/m after the time stated, by definition of it.
        let kept = (1.0 - stands.watts_continuous / stands.watts_max).powf(dt_s / stands.seconds_at_max);
        for ((warm_w, cut), out_w) in self.warm_w.iter_mut().zip(&mut self.cut).zip(out_w.iter().copied()) {
            *warm_w = out_w + (*warm_w - out_w) * kept;
            *cut |= *warm_w > BEYOND * stands.watts_continuous || out_w > BEYOND * stands.watts_max;
        }
        self.cut != before
    }
}

#[cfg(test)]
mod tests {
    use super::{BEYOND, Cutout, LoadStands};

    /// The definition of the figures: the highest power for the time stated, what is continuous for ever.
    #[test]
    fn resistors_are_cut_off_after_what_they_stand() {
        let stands = LoadStands { watts_max: 300.0, watts_continuous: 100.0, seconds_at_max: 10.0 };
        let cut_after = |out_w: f64| {
            let mut cutout = Cutout::new(stands);
            (1..200_000).find(|_| cutout.step(&[out_w, 0.0], 1e-3)).map(|ms| f64::from(ms) * 1e-3)
        };
        assert_eq!(cut_after(100.0), None);
        assert_eq!(cut_after(301.0 * BEYOND), Some(1e-3));
        // The warmth of 105 W is reached a little later than that of 100 W: ln(1 − 0.35)/ln(1 − 1/3) of the time.
        let expected_s = 10.0 * (1.0 - 0.35_f64).ln() / (1.0 - 1.0 / 3.0_f64).ln();
        assert!((cut_after(300.0).unwrap_or_default() - expected_s).abs() < 2e-3, "{:?}", cut_after(300.0));
        let mut never = Cutout::default();
        assert!(!never.step(&[1e6, 1e6], 100.0));
    }
}
