//! What readings of one length have in common, made once: windows, plans, weighting curves, room to work in.

use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;

use realfft::RealToComplex;
use realfft::num_complex::Complex;

use crate::harmonics::Weights;
use crate::spectrum::{forward_plan, power_of, window_energy};
use crate::weighting::{Weighting, power_gains, tells};

/// Lengths whose windows are kept: a bench uses one or two.
const LENGTHS_MAX: usize = 4;
/// Records longer than this leave nothing behind, so that one long recording does not hold memory for good.
const KEPT_MAX: usize = 1 << 21;

/// What is made once for a record's length.
pub(crate) struct Tools {
    /// Windows of the length.
    pub weights: Weights,
    energy: f64,
    plan: Arc<dyn RealToComplex<f64>>,
    gains: RefCell<Option<Gains>>,
}

/// Squared gains of the weighting curves at the lines of a spectrum.
#[derive(Clone)]
struct Gains {
    bin_hz: f64,
    lines: usize,
    curves: Rc<[Vec<f64>; 2]>,
}

impl Tools {
    fn new(len: usize) -> Self {
        let weights = Weights::new(len);
        let energy = window_energy(&weights.residue);
        Self { weights, energy, plan: forward_plan(len.max(1)), gains: RefCell::new(None) }
    }

    /// Samples of the record.
    pub fn len(&self) -> usize {
        self.weights.residue.len()
    }

    /// Squared gains of the A and the ITU-R BS.468 weighting at the lines up to `high_hz`; empty if such a record
    /// can't tell weighted noise.
    pub fn gains(&self, fs_hz: f64, high_hz: f64) -> Rc<[Vec<f64>; 2]> {
        let (bin_hz, last) = (fs_hz / self.len() as f64, self.len() / 2);
        let lines = if tells(bin_hz, last) { last.min((high_hz / bin_hz + 0.5) as usize) + 1 } else { 0 };
        let mut kept = self.gains.borrow_mut();
        if let Some(gains) = kept.as_ref().filter(|gains| gains.bin_hz == bin_hz && gains.lines == lines) {
            return gains.curves.clone();
        }
        let curves = [Weighting::A, Weighting::Itu468].map(|curve| power_gains(curve, bin_hz, lines));
        let curves = Rc::new(curves);
        *kept = Some(Gains { bin_hz, lines, curves: curves.clone() });
        curves
    }

    /// Transform of samples less their mean, through the residue's window, into `room`.
    pub fn transform(&self, samples: &[f64], mean: f64, room: &mut Room) {
        room.values.clear();
        room.values.extend(samples.iter().zip(&self.weights.residue).map(|(x, h)| (x - mean) * h));
        self.run(room);
    }

    fn run(&self, room: &mut Room) {
        room.lines.resize(self.plan.complex_len(), Complex::new(0.0, 0.0));
        room.scratch.resize(self.plan.get_scratch_len(), Complex::new(0.0, 0.0));
        let (values, lines, scratch) = (&mut room.values, &mut room.lines, &mut room.scratch);
        #[expect(clippy::expect_used, reason = "all three were just sized by the plan")]
        self.plan.process_with_scratch(values, lines, scratch).expect("buffers sized by the plan");
    }

    /// Mean square per line of what `room` holds.
    pub fn power(&self, room: &Room, power: &mut Vec<f64>) {
        power_of(&room.lines, self.len(), self.energy, power);
    }
}

/// Room to work in, kept between readings.
#[derive(Default)]
pub(crate) struct Room {
    /// Windowed samples; scratch after the transform.
    pub values: Vec<f64>,
    /// The transform.
    pub lines: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    /// Spectrum of a residual.
    pub power: Vec<f64>,
    /// A residual, sample by sample.
    pub residual: Vec<f64>,
}

/// Tools of the lengths met last, and room to work in.
#[derive(Default)]
pub(crate) struct Workshop {
    tools: Vec<Rc<Tools>>,
    room: Room,
}

impl Workshop {
    /// Lends the tools for a length, and the room.
    fn lend<T>(&mut self, len: usize, work: impl FnOnce(&Tools, &mut Room) -> T) -> T {
        let known = self.tools.iter().position(|tools| tools.len() == len);
        let tools = known.map_or_else(|| Rc::new(Tools::new(len)), |place| self.tools.remove(place));
        let done = work(&tools, &mut self.room);
        if len > KEPT_MAX {
            *self = Self::default();
        } else {
            self.tools.insert(0, tools);
            self.tools.truncate(LENGTHS_MAX);
        }
        done
    }
}

thread_local! {
    static WORKSHOP: RefCell<Workshop> = RefCell::new(Workshop::default());
}

/// Does some work with what this thread keeps for records of a length.
pub(crate) fn with_tools<T>(len: usize, work: impl FnOnce(&Tools, &mut Room) -> T) -> T {
    WORKSHOP.with_borrow_mut(|workshop| workshop.lend(len, work))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_does_not_grow() {
        // Project definition: the last few lengths, one set of buffers, nothing of very long records.
        let mut workshop = Workshop::default();
        let fill = |workshop: &mut Workshop, len: usize| {
            workshop.lend(len, |tools, room| {
                assert_eq!(tools.len(), len);
                tools.transform(&vec![1.0; len], 0.0, room);
                let mut power = std::mem::take(&mut room.power);
                tools.power(room, &mut power);
                room.power = power;
            });
        };
        for round in 0..50 {
            fill(&mut workshop, 1_000 + round % 7);
            assert!(workshop.tools.len() <= LENGTHS_MAX);
        }
        let sizes = |workshop: &Workshop| {
            let room = &workshop.room;
            [room.values.capacity(), room.lines.capacity(), room.scratch.capacity(), room.power.capacity()]
        };
        let before = sizes(&workshop);
        for _ in 0..50 {
            fill(&mut workshop, 1_000);
        }
        assert_eq!(sizes(&workshop), before);
        fill(&mut workshop, KEPT_MAX + 1);
        assert!(workshop.tools.is_empty() && sizes(&workshop) == [0; 4]);
    }
}
