//! How finely a record must be computed inside, so that what folds back is too little to be seen.

use std::f64::consts::{SQRT_2, TAU};
use std::sync::{Arc, LazyLock};

use realfft::{RealFftPlanner, RealToComplex};

use super::World;
use super::corners::PER_CYCLE_MIN;
use super::decimate::PASS_EDGE;
use super::drive::Drive;
use super::slow::Operating;
use crate::amplifier::Transfer;
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
/// More than any rate needs.
const HALVINGS_MAX: f64 = 14.0;
/// Points of the cycle whose harmonics are looked at.
const POINTS: usize = 2_048;
/// Above this order what is looked at folds back itself.
const ORDER_MAX: usize = POINTS / 4;

/// What looking at a cycle needs each time.
struct Looking {
    sine: Vec<f64>,
    forward: Arc<dyn RealToComplex<f64>>,
}

static LOOKING: LazyLock<Looking> = LazyLock::new(|| Looking {
    sine: (0..POINTS).map(|k| (TAU * k as f64 / POINTS as f64).sin()).collect(),
    forward: RealFftPlanner::new().plan_fft_forward(POINTS),
});

/// How a record is computed on the way to the rate at which it is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Way {
    /// Halvings of the rate at which it is computed.
    pub halvings: u32,
    /// Whether what its corners leave out of the band is taken away one by one.
    pub corners: bool,
}

impl World {
    /// The quickest way that is true.
    pub(super) fn way(&self, fs_hz: f64, operating: &[Operating]) -> Way {
        if let Some(order) = self.highest_order(operating) {
            return Way { halvings: self.halvings(fs_hz, Some(order)), corners: false };
        }
        match self.corner_halvings(fs_hz) {
            Some(halvings) => Way { halvings, corners: true },
            None => Way { halvings: self.halvings(fs_hz, None), corners: false },
        }
    }

    /// Halvings of the rate at which a record is computed on the way to `fs_hz`; `order` by [`World::highest_order`].
    fn halvings(&self, fs_hz: f64, order: Option<usize>) -> u32 {
        let highest = self.highest_hz();
        let fine = self.fineness.rate_hz_min.max(self.fineness.per_cycle_min * highest);
        let wanted = match order.map(|order| order as f64 * highest) {
            // Nothing beyond what is kept, so nothing has to be taken away.
            Some(edge_hz) if edge_hz <= PASS_EDGE * fs_hz => return 0,
            // What folds back comes from beyond the rate less the band that is kept.
            Some(edge_hz) => fine.min(edge_hz + fs_hz / 2.0),
            None => fine,
        };
        (wanted / fs_hz).log2().ceil().clamp(1.0, HALVINGS_MAX) as u32
    }

    /// The same where every corner is known: steady sines, limits and dead zones of straight lines, and no loudspeaker,
    /// whose filter is as true as its rate.
    fn corner_halvings(&self, fs_hz: f64) -> Option<u32> {
        let known = self.sources.iter().zip(&self.terminals).all(|(source, terminal)| {
            let steady = !source.is_on() || matches!(source.drive(), Drive::Sine { .. });
            steady && !matches!(terminal.load(), Some(Load::Loudspeaker(_)))
        });
        if !known || self.spec.physics.transfer != Transfer::Hard {
            return None;
        }
        let wanted = PER_CYCLE_MIN * self.highest_hz() / fs_hz + PASS_EDGE;
        Some(wanted.log2().ceil().clamp(0.0, HALVINGS_MAX) as u32)
    }

    fn highest_hz(&self) -> f64 {
        self.sources.iter().map(|s| s.drive().highest_hz()).fold(0.0, f64::max)
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
        let Looking { sine, forward } = &*LOOKING;
        let mut lines = forward.make_output_vec();
        let mut cycle: Vec<f64> = sine.iter().map(|s| self.stage.emf_v(peak_v * s, now.limits)).collect();
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

    /// A record that is computed the quick way against the same one at the highest rate: what is left out may not be
    /// seen at 100 dB below the signal, which is what the full rate itself promises (project definition).
    #[test]
    fn a_record_is_the_same_by_the_quickest_way_as_at_the_highest_rate() {
        let mut ways = std::collections::BTreeMap::<_, u32>::new();
        for name in catalogue::names() {
            let spec = catalogue::amplifier(name).unwrap();
            // The last ones overdrive most of them.
            for (vrms, hz, fs_hz) in [
                (0.005, 1_000.0, 192_000.0),
                (0.05, 20.0, 192_000.0),
                (0.2, 6_000.0, 192_000.0),
                (0.35, 1_000.0, 48_000.0),
                (1.0, 1_000.0, 192_000.0),
                (1.2, 6_000.0, 192_000.0),
                (0.9, 20_000.0, 192_000.0),
                (1.4, 300.0, 44_100.0),
                (1.4, 20.0, 192_000.0),
            ] {
                let mut world = World::new(spec.clone(), 1);
                world.supply_set(14.4, 100.0, true);
                for channel in 0..world.spec.channels() {
                    world.source_set(channel, Drive::Sine { vrms, hz }, true);
                }
                // Gains and rails still move.
                world.advance(0.1);
                let mut fine = world.clone();
                let operating = world.outcome(world.now_s).operating;
                let way = world.way(fs_hz, &operating);
                *ways.entry(way.corners).or_default() += 1;
                let a = world.capture(0.1, fs_hz, 1_920);
                // Finer still than that, so that what folds back there counts for nothing here.
                let slow = Way { halvings: fine.halvings(fs_hz, None) + 1, corners: false };
                let b = fine.capture_by(slow, fs_hz, 1_920);
                for (a, b) in a.volts.iter().zip(&b.volts).chain(a.amps.iter().zip(&b.amps)) {
                    let rms = |values: &mut dyn Iterator<Item = f64>| {
                        (values.map(|v| v * v).sum::<f64>() / b.len() as f64).sqrt()
                    };
                    let (size, apart) =
                        (rms(&mut b.iter().copied()), rms(&mut a.iter().zip(b).map(|(a, b)| a - b)));
                    println!("{name}, {vrms} V, {hz} Hz: {:.1e} {way:?}", apart / size);
                    assert!(apart <= 1.0e-5 * size, "{name}, {vrms} V, {hz} Hz: {apart} of {size}, {way:?}");
                }
            }
        }
        assert!(ways[&true] > 50 && ways[&false] > 50, "{ways:?}");
    }
}
