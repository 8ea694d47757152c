use std::collections::VecDeque;
use std::f64::consts::PI;

/// Stop-band attenuation of every stage, dB.
const ATTENUATION_DB: f64 = 125.0;
/// Edge of the flat band, as a share of the output rate. 20 kHz of 44.1 kHz is 0.4535.
pub(crate) const PASS_EDGE: f64 = 0.455;
/// Edge of the stop band: Nyquist, so that nothing folds back at all.
pub(crate) const STOP_EDGE: f64 = 0.5;

/// Streaming decimation by a power of two: half-band stages, then one sharp stage.
///
/// Output 0 stands for input index [`Decimator::delay`], so a caller who starts that much early gets
/// samples exactly on time.
#[derive(Debug, Clone)]
pub(crate) struct Decimator {
    stages: Vec<HalvingStage>,
    delay: usize,
}

impl Decimator {
    /// Decimates by `2^halvings`.
    pub fn new(halvings: u32) -> Self {
        let mut stages = Vec::new();
        let mut delay = 0;
        let mut input_step = 1;
        for left in (1..=halvings).rev() {
            let stage = if left == 1 {
                HalvingStage::sharp(PASS_EDGE / 2.0, STOP_EDGE / 2.0)
            } else {
                // Only what would fold into the final band must be stopped, so the transition is wide.
                let pass = 0.5 / f64::from(1_u32 << left);
                HalvingStage::half_band(pass, 0.5 - pass)
            };
            delay += stage.delay() * input_step;
            input_step *= 2;
            stages.push(stage);
        }
        Self { stages, delay }
    }

    /// Input samples by which output 0 lies after input 0.
    pub fn delay(&self) -> usize {
        self.delay
    }

    /// Feeds a block; appends what comes out.
    pub fn push(&mut self, block: &[f64], out: &mut Vec<f64>) {
        let mut carry: Vec<f64> = Vec::new();
        let last = self.stages.len().saturating_sub(1);
        if self.stages.is_empty() {
            out.extend_from_slice(block);
        }
        for (k, stage) in self.stages.iter_mut().enumerate() {
            let mut next = Vec::with_capacity(block.len() / (2 << k) + 1);
            let input: &[f64] = if k == 0 { block } else { &carry };
            stage.push(input, if k == last { &mut *out } else { &mut next });
            carry = next;
        }
    }
}

/// One symmetric FIR that keeps every second sample.
#[derive(Debug, Clone)]
struct HalvingStage {
    /// Offsets from the centre (ascending) with their coefficient; the centre apart.
    centre: f64,
    taps: Taps,
    half: usize,
    buffer: VecDeque<f64>,
}

#[derive(Debug, Clone)]
enum Taps {
    /// Coefficients at odd offsets 1, 3, 5 … only.
    Odd(Vec<f64>),
    /// The full impulse response.
    Full(Vec<f64>),
}

impl HalvingStage {
    fn sharp(pass: f64, stop: f64) -> Self {
        let half = kaiser_half_length(stop - pass);
        let h = low_pass((pass + stop) / 2.0, half);
        Self { centre: h[half], taps: Taps::Full(h), half, buffer: VecDeque::new() }
    }

    fn half_band(pass: f64, stop: f64) -> Self {
        // An odd half length, so that the outermost tap isn't one of the zeros.
        let half = kaiser_half_length(stop - pass) | 1;
        let h = low_pass(0.25, half);
        let odd = (1..=half).step_by(2).map(|k| h[half + k]).collect();
        Self { centre: h[half], taps: Taps::Odd(odd), half, buffer: VecDeque::new() }
    }

    fn delay(&self) -> usize {
        self.half
    }

    fn push(&mut self, input: &[f64], out: &mut Vec<f64>) {
        self.buffer.extend(input);
        let length = 2 * self.half + 1;
        let x = self.buffer.make_contiguous();
        let count = if x.len() < length { 0 } else { (x.len() - length) / 2 + 1 };
        match &self.taps {
            Taps::Full(h) => out.extend((0..count).map(|n| dot(&x[2 * n..2 * n + length], h))),
            Taps::Odd(odd) => {
                // What stands at odd offsets from an odd centre has even places. Tap by tap over all outputs: the same sums
                // in the same order as output by output, in strides that a processor takes several at a time.
                let even: Vec<f64> = x.iter().copied().step_by(2).collect();
                let from = out.len();
                out.extend((0..count).map(|n| self.centre * x[2 * n + self.half]));
                let sums = &mut out[from..];
                for (k, c) in odd.iter().enumerate() {
                    let (before, behind) = (&even[self.half / 2 - k..], &even[self.half / 2 + k + 1..]);
                    for ((sum, a), b) in sums.iter_mut().zip(before).zip(behind) {
                        *sum += c * (a + b);
                    }
                }
            }
        }
        self.buffer.drain(..2 * count);
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let (ca, cb) = (a.chunks_exact(8), b.chunks_exact(8));
    let tail: f64 = ca.remainder().iter().zip(cb.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in ca.zip(cb) {
        for k in 0..8 {
            lanes[k] += x[k] * y[k];
        }
    }
    lanes.iter().sum::<f64>() + tail
}

/// Half the length a Kaiser window needs for a transition width in cycles per sample
/// (Kaiser 1974; formula from memory).
pub(crate) fn kaiser_half_length(width: f64) -> usize {
    (((ATTENUATION_DB - 7.95) / (14.36 * width)) / 2.0).ceil() as usize
}

/// Windowed sinc of unit dc gain, cut-off in cycles per sample.
fn low_pass(cutoff: f64, half: usize) -> Vec<f64> {
    let mut h: Vec<f64> =
        (0..=2 * half).map(|k| windowed_sinc(cutoff, half as f64, k as f64 - half as f64)).collect();
    let sum: f64 = h.iter().sum();
    h.iter_mut().for_each(|c| *c /= sum);
    h
}

/// The impulse response of a low-pass, `at` samples from its middle: sinc under a Kaiser window of `half` the length.
pub(crate) fn windowed_sinc(cutoff: f64, half: f64, at: f64) -> f64 {
    let beta = 0.1102 * (ATTENUATION_DB - 8.7);
    let x = at / half;
    let window = bessel_i0(beta * (1.0 - x * x).max(0.0).sqrt()) / bessel_i0(beta);
    let sinc = if at == 0.0 { 2.0 * cutoff } else { (2.0 * PI * cutoff * at).sin() / (PI * at) };
    window * sinc
}

fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > 1.0e-17 * sum {
        term *= (x / (2.0 * k)).powi(2);
        sum += term;
        k += 1.0;
    }
    sum
}
