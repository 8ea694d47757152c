//! Whether the tone's frequency moves within the record: the phase of its blocks then bends.

use crate::blocks::Blocks;

/// Fewest blocks that tell a bend from chance.
const BLOCKS_MIN: usize = 8;
/// Level of a block, as a share of the loudest, below which its phase is not believed.
const LEVEL_MIN: f64 = 0.25;
/// Bends below this, in rad rms, are rounding.
const BEND_MIN_RAD: f64 = 1e-7;
/// Bends from here on, in rad rms, are remarked upon whatever else the record holds.
const BEND_MAX_RAD: f64 = 2e-3;
/// What a small bend, in rad rms, adds to the rms of distortion and noise, as a share of the fundamental: the lines next
/// to the tone, where most of it shows, are left out there. Found by reading a noiseless tone that moves.
const LEAK: f64 = 0.007;
/// Share of distortion and noise, in power, from which on a drift is worth a remark: it adds 1 % to their rms.
const SHARE: f64 = 0.02;
/// Standard deviations by which a bend stands out. Common practice: five leave no false alarm in a bench's life.
const SIGMAS: f64 = 5.0;

/// True if the phase of the blocks bends by more than its own scatter explains, bends rather than jumps, and so much
/// that it shows in distortion and noise, which are `thdn` as a ratio.
pub(crate) fn drifts(blocks: &Blocks, thdn: f64) -> bool {
    let amplitudes = &blocks.amplitudes;
    let loudest = amplitudes.iter().map(|a| a.norm()).fold(0.0, f64::max);
    // Written so that a level that is no number tells nothing.
    let heard = amplitudes.iter().all(|a| a.norm() >= LEVEL_MIN * loudest) && loudest > 0.0;
    if amplitudes.len() < BLOCKS_MIN || !heard {
        return false;
    }
    let mut phase = 0.0;
    let mut phases = vec![0.0];
    for pair in amplitudes.windows(2) {
        phase += (pair[1] * pair[0].conj()).arg();
        phases.push(phase);
    }
    let (bend, scatter) = bend(&phases);
    let count = phases.len() as f64;
    let matters = bend > BEND_MAX_RAD || (bend * LEAK).powi(2) > SHARE * thdn * thdn;
    matters && bend > BEND_MIN_RAD && bend > SIGMAS * scatter / count.sqrt() && bend > scatter
}

/// Rms of the second-order term of values at even distances (least squares, orthogonal polynomials: textbook), and the
/// standard deviation about the whole second-order curve.
fn bend(values: &[f64]) -> (f64, f64) {
    let count = values.len() as f64;
    let at = |n: usize| n as f64 - (count - 1.0) / 2.0;
    // Mean of the squares of `at`.
    let square = (count * count - 1.0) / 12.0;
    let terms: [&dyn Fn(usize) -> f64; 3] = [&|_| 1.0, &at, &|n| at(n).powi(2) - square];
    let mut rest = values.to_vec();
    let mut rms = 0.0;
    for term in terms {
        let power: f64 = (0..rest.len()).map(|n| term(n).powi(2)).sum();
        let share = rest.iter().enumerate().map(|(n, value)| value * term(n)).sum::<f64>() / power;
        for (n, value) in rest.iter_mut().enumerate() {
            *value -= share * term(n);
        }
        rms = share.abs() * (power / count).sqrt();
    }
    (rms, (rest.iter().map(|x| x * x).sum::<f64>() / (count - 3.0)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parabola_is_its_own_bend() {
        // Closed form: t² − 1/12 over −½…½ has an rms of 1/√180.
        let values: Vec<f64> = (0..2_000).map(|n| ((f64::from(n) + 0.5) / 2e3 - 0.5).powi(2)).collect();
        let (found, scatter) = bend(&values);
        assert!((found * 180_f64.sqrt() - 1.0).abs() < 1e-5 && scatter < 1e-12);
        let line: Vec<f64> = (0..100).map(|n| 3.0 - 0.2 * f64::from(n)).collect();
        assert!(bend(&line).0 < 1e-12);
    }
}
