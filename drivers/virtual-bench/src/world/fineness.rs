//! How finely a record must be computed inside, so that what folds back is too little to be seen.

use std::f64::consts::{SQRT_2, TAU};

use realfft::RealFftPlanner;

use super::World;
use super::decimate::PASS_EDGE;
use super::drive::Drive;
use super::slow::Operating;
use crate::load::Load;

/// How finely captures are computed inside where what is played may be steep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Fineness {
    /// Internal sampling rate, at least, Hz.
    rate_hz_min: f64,
    /// Internal samples per cycle of the highest tone, at least.
    per_cycle_min: f64,
}

impl Fineness {
    /// Harmonics that would fold back are below −100 dB.
    pub const FULL: Self = Self { rate_hz_min: 6.0e6, per_cycle_min: 600.0 };
    /// Harmonics fold back at some −60 dB.
    pub const COARSE: Self = Self { rate_hz_min: 0.0, per_cycle_min: 100.0 };
}

/// Harmonics below this share of the fundamental are left out of account: 20 dB below what folds back where it is steep.
const ORDER_LEVEL: f64 = 1.0e-6;
/// How much nearer to its limit an output may come within a record: rails sag and gains move.
const MARGIN: f64 = 1.25;
/// Points of the cycle whose harmonics are looked at.
const POINTS: usize = 2_048;
/// Above this order what is looked at folds back itself.
const ORDER_MAX: usize = POINTS / 4;

impl World {
    /// Halvings of the rate at which a record is computed on the way to `fs_hz`; `order` by [`World::highest_order`].
    pub(super) fn halvings(&self, fs_hz: f64, order: Option<usize>) -> u32 {
        let highest = self.sources.iter().map(|s| s.drive().highest_hz()).fold(0.0, f64::max);
        let fine = self.fineness.rate_hz_min.max(self.fineness.per_cycle_min * highest);
        let wanted = match order.map(|order| order as f64 * highest) {
            // Nothing beyond what is kept, so nothing has to be taken away.
            Some(edge_hz) if edge_hz <= PASS_EDGE * fs_hz => return 0,
            // What folds back comes from beyond the rate less the band that is kept.
            Some(edge_hz) => fine.min(edge_hz + fs_hz / 2.0),
            None => fine,
        };
        (wanted / fs_hz).log2().ceil().clamp(1.0, 14.0) as u32
    }

    /// The highest harmonic down to [`ORDER_LEVEL`] that steady sines have at these outputs; `None` where anything may
    /// be steep: a hard limit, a dead zone, a burst, noise, or a loudspeaker, whose filter is as true as its rate.
    pub(super) fn highest_order(&self, operating: &[Operating]) -> Option<usize> {
        let mut highest = 1;
        for ((source, terminal), now) in self.sources.iter().zip(&self.terminals).zip(operating) {
            if matches!(terminal.load(), Some(Load::Loudspeaker(_))) {
                return None;
            }
            let peak_v = match source.drive() {
                _ if !source.is_on() => continue,
                Drive::Sine { vrms, .. } => vrms * SQRT_2 * now.gain.abs(),
                _ => return None,
            };
            for peak_v in [peak_v, MARGIN * peak_v] {
                highest = highest.max(self.order_at(peak_v, *now)?);
            }
        }
        Some(highest)
    }

    /// The highest harmonic of a sine of this peak behind the stage, V; `None` beyond [`ORDER_MAX`].
    fn order_at(&self, peak_v: f64, now: Operating) -> Option<usize> {
        let forward = RealFftPlanner::<f64>::new().plan_fft_forward(POINTS);
        let (mut cycle, mut lines) = (forward.make_input_vec(), forward.make_output_vec());
        for (k, v) in cycle.iter_mut().enumerate() {
            *v = self.stage.emf_v(peak_v * (TAU * k as f64 / POINTS as f64).sin(), now.limits);
        }
        // Lengths fit: the plan made them. Should it fail all the same, the record is computed as finely as it can be.
        forward.process(&mut cycle, &mut lines).ok()?;
        let floor = ORDER_LEVEL * lines.get(1)?.norm();
        let order = lines.iter().rposition(|line| line.norm() > floor).unwrap_or(1);
        (order <= ORDER_MAX).then_some(order)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;
    use crate::catalogue;

    const FS_HZ: f64 = 192_000.0;

    /// A record that is computed at a low rate against the same one at the highest: what is left out may not be seen at
    /// 100 dB below the signal, which is what the full rate itself promises (project definition).
    #[test]
    fn a_record_is_the_same_at_the_lowest_rate_that_its_harmonics_allow() {
        let mut lower = 0;
        for name in catalogue::names() {
            let spec = catalogue::amplifier(name).unwrap();
            // The last ones overdrive most of them.
            for (vrms, hz) in [
                (0.005, 1_000.0),
                (0.05, 20.0),
                (0.2, 6_000.0),
                (0.35, 1_000.0),
                (1.0, 1_000.0),
                (1.4, 300.0),
            ] {
                let mut world = World::new(spec.clone(), 1);
                world.supply_set(14.4, 100.0, true);
                for channel in 0..world.spec.channels() {
                    world.source_set(channel, Drive::Sine { vrms, hz }, true);
                }
                world.advance(1.0);
                let mut fine = world.clone();
                let operating = world.outcome(world.now_s).operating;
                let order = world.highest_order(&operating);
                lower += u32::from(order.is_some());
                let (a, halvings) = (world.capture(1.0, FS_HZ, 1_920), fine.halvings(FS_HZ, None));
                let b = fine.capture_by(halvings, FS_HZ, 1_920);
                for (a, b) in a.volts.iter().zip(&b.volts).chain(a.amps.iter().zip(&b.amps)) {
                    let rms = |values: &mut dyn Iterator<Item = f64>| {
                        (values.map(|v| v * v).sum::<f64>() / b.len() as f64).sqrt()
                    };
                    let (size, apart) =
                        (rms(&mut b.iter().copied()), rms(&mut a.iter().zip(b).map(|(a, b)| a - b)));
                    assert!(
                        apart <= 1.0e-5 * size,
                        "{name}, {vrms} V, {hz} Hz: {apart} of {size}, {order:?}"
                    );
                }
            }
        }
        assert!(lower > 30, "{lower} records are computed at a low rate");
    }
}
