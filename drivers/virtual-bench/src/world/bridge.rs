//! Bridged channels: 1 and 2, 3 and 4 and so on share one load between their live outputs, the second of a pair in
//! opposite phase. Both play what drives the first; the load is the one at the first channel's terminals.
//!
//! Each side of a bridge is computed as a channel on its own into half the load, and both are put together here. That
//! is exact for what appears at the terminals: half the difference of both sides drives the load through both halves
//! of it, and half their sum, which is the same on both, drives no current. Rails, heat and limiter take each side's
//! current as if the other side were alike.

use super::drive::SourceChannel;
use super::{RawCapture, Terminal};
use crate::load::Load;

/// What looks at the voltage across a bridge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BridgeInputs {
    /// A divider from each side to ground.
    Dividers,
    /// One differential input, at the place of the first side's divider; nothing is at the second's.
    Differential,
}

/// Makes every pair play alike into half of its load each. Wired in phase by mistake, both sides swing together and
/// the load between them sees nothing worth counting.
pub(super) fn wire(sources: &mut [SourceChannel], terminals: &mut [Terminal], in_phase: bool) {
    for (sources, terminals) in sources.chunks_exact_mut(2).zip(terminals.chunks_exact_mut(2)) {
        let ([first, second], [positive, negative]) = (sources, terminals) else { continue };
        *second = first.clone();
        second.inverted = !in_phase;
        let half = Terminal { load: halved(positive.load), connected: positive.connected && !in_phase };
        (*positive, *negative) = (half, half);
    }
}

/// Half of a load, at every frequency: every part of it halved.
fn halved(load: Load) -> Load {
    match load {
        Load::Resistive { ohm } => Load::Resistive { ohm: ohm / 2.0 },
        Load::Loudspeaker(mut p) => {
            (p.re_ohm, p.le_h) = (p.re_ohm / 2.0, p.le_h / 2.0);
            Load::Loudspeaker(p)
        }
    }
}

/// Puts the sides of every bridge together: voltages to ground, and the current through the load as each output
/// delivers it. A differential input sees the difference of both.
pub(super) fn join(record: &mut RawCapture, output_ohm: f64, inputs: BridgeInputs) {
    for (volts, amps) in record.volts.chunks_exact_mut(2).zip(record.amps.chunks_exact_mut(2)) {
        let ([positive_v, negative_v], [positive_a, negative_a]) = (volts, amps) else { continue };
        let sides = positive_v.iter_mut().zip(negative_v).zip(positive_a.iter_mut().zip(negative_a));
        for ((vp, vn), (ip, in_)) in sides {
            // What half the sum of both would drive through half a load each does not flow, nor drop a voltage inside.
            let common_a = 0.5 * (*ip + *in_);
            *vp += output_ohm * common_a;
            *vn += output_ohm * common_a;
            (*ip, *in_) = (*ip - common_a, *in_ - common_a);
            if inputs == BridgeInputs::Differential {
                *vp -= std::mem::take(vn);
            }
        }
    }
}

/// Power in each load, W: that of a bridge is what both sides give, at the first one's terminals.
pub(super) fn out_w(each_w: &mut [f64]) {
    for pair in each_w.chunks_exact_mut(2) {
        if let [first, second] = pair {
            *first += std::mem::take(second);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Kirchhoff: two sources of unlike voltage, an inner resistance each, one load between them.
    #[test]
    fn two_unlike_sides_give_what_their_circuit_gives() {
        let (e1, e2, inner_ohm, load_ohm) = (7.0, -6.5, 0.1, 4.0);
        let alone = |emf: f64| emf * (load_ohm / 2.0) / (load_ohm / 2.0 + inner_ohm);
        let volts = vec![vec![alone(e1)], vec![alone(e2)]];
        let amps = volts.iter().map(|side| vec![side[0] / (load_ohm / 2.0)]).collect();
        let mut record = RawCapture { volts, amps, start_s: 0.0, fs_hz: 1.0 };
        let mut differential = record.clone();
        join(&mut record, inner_ohm, BridgeInputs::Dividers);
        let loop_a = (e1 - e2) / (load_ohm + 2.0 * inner_ohm);
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-12, "{a} {b}");
        near(record.amps[0][0], loop_a);
        near(record.amps[1][0], -loop_a);
        near(record.volts[0][0], e1 - inner_ohm * loop_a);
        near(record.volts[1][0], e2 + inner_ohm * loop_a);
        join(&mut differential, inner_ohm, BridgeInputs::Differential);
        near(differential.volts[0][0], load_ohm * loop_a);
        near(differential.volts[1][0], 0.0);
        assert_eq!(differential.amps, record.amps);
    }
}
