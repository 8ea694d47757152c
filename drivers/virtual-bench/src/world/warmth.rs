//! How warm the bench's own instruments get: the load by the power in it, the supply by the power through it.

use crate::amplifier::CHANNELS_MAX;

/// A load's rise over the room at a power, °C/W, and how fast, s.
const LOAD_C_PER_W: f64 = 0.5;
const LOAD_TAU_S: f64 = 20.0;
/// The same of the supply, by what it delivers.
const SUPPLY_C_PER_W: f64 = 0.05;
const SUPPLY_TAU_S: f64 = 120.0;

/// Rises over the room, °C.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Warmth {
    pub load_c: [f64; CHANNELS_MAX],
    pub supply_c: f64,
}

impl Warmth {
    /// Lets time pass at these powers, W.
    pub fn step(&mut self, out_w: &[f64], supply_w: f64, dt_s: f64) {
        let follow = |rise_c: &mut f64, target_c: f64, tau_s: f64| {
            *rise_c = target_c + (*rise_c - target_c) * (-dt_s / tau_s).exp();
        };
        for (rise_c, out_w) in self.load_c.iter_mut().zip(out_w) {
            follow(rise_c, LOAD_C_PER_W * out_w, LOAD_TAU_S);
        }
        follow(&mut self.supply_c, SUPPLY_C_PER_W * supply_w, SUPPLY_TAU_S);
    }
}

#[cfg(test)]
mod tests {
    use super::{LOAD_TAU_S, Warmth};

    /// First order: 63 % of the way after one time constant.
    #[test]
    fn warmth_follows_power() {
        let mut warmth = Warmth::default();
        warmth.step(&[100.0, 0.0], 300.0, LOAD_TAU_S);
        assert!((warmth.load_c[0] - 50.0 * (1.0 - (-1.0_f64).exp())).abs() < 1e-9);
        assert!(warmth.load_c[1].abs() < 1e-12);
        warmth.step(&[0.0; 2], 300.0, 1e6);
        assert!(warmth.load_c[0].abs() < 1e-9 && (warmth.supply_c - 15.0).abs() < 1e-9);
    }
}
