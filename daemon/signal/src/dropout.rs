//! Zeros that a digitizer put where it lost data, or the last sample over and over: the tone goes on either side of them,
//! and would not stand still there.
//!
//! Told from a pause of the signal by the samples and the record's own harmonics next to the zeros. Zeros that reach the
//! record's start or end are silence: nothing tells them from a burst or a trip.

use std::f64::consts::TAU;
use std::ops::Range;

use realfft::num_complex::Complex;

/// Fewest zeros in a row that count. Common practice, no source: a packet holds more.
const ZEROS_MIN: usize = 8;
/// Stretches of zeros that are looked into, so that a coarse and slow record does not take long.
const STRETCHES_MAX: usize = 256;
/// Zeros at either edge of a stretch, and looks between them, when it is asked what the tone would have been inside.
const MARGIN: usize = 2;
const LOOKS: usize = 16;
/// How loud it must be next to the zeros, as a share of the fundamental's peak: less may be the tone's own crossing.
const LOUD: f64 = 0.1;

/// Stretches of zeros with other samples before and after them.
pub(crate) fn zeros(samples: &[f64]) -> Vec<Range<usize>> {
    let mut found = Vec::new();
    // A stretch holds a sample whose number is a multiple of its least length.
    let mut at = ZEROS_MIN;
    while at < samples.len() {
        if samples[at] != 0.0 {
            at += ZEROS_MIN;
            continue;
        }
        let first = samples[..at].iter().rposition(|x| *x != 0.0).map(|before| before + 1);
        let end = samples[at..].iter().position(|x| *x != 0.0).map(|beyond| at + beyond);
        let Some(end) = end else { break };
        if let Some(first) = first.filter(|first| end - first >= ZEROS_MIN) {
            found.push(first..end);
        }
        at = (end / ZEROS_MIN + 1) * ZEROS_MIN;
    }
    found
}

/// True if the tone goes on next to one of the stretches of `zeros`, and would within it. `coefficients` are the record's
/// harmonics: from dc, half the peak, phase at the record's middle.
pub(crate) fn filled(
    samples: &[f64],
    zeros: &[Range<usize>],
    coefficients: &[Complex<f64>],
    cycles_per_sample: f64,
) -> bool {
    if zeros.is_empty() {
        return false;
    }
    let peak = 2.0 * coefficients.get(1).map_or(0.0, |c| c.norm());
    // One step of the converter or more: a coarse tone crosses zero by steps.
    let least = samples.iter().map(|x| x.abs()).filter(|x| *x > 0.0).fold(f64::INFINITY, f64::min);
    let loud = (LOUD * peak).max(2.0 * least);
    let middle = (samples.len() as f64 - 1.0) / 2.0;
    let expected = |n: usize| -> f64 {
        let turn = Complex::from_polar(1.0, TAU * (cycles_per_sample * (n as f64 - middle)).fract());
        let parts: Complex<f64> =
            coefficients.iter().skip(1).rev().fold(Complex::default(), |sum, c| (sum + c) * turn);
        coefficients.first().map_or(0.0, |c| c.re) + 2.0 * parts.re
    };
    let edge = |within: usize, beside: usize| samples[beside].abs() >= loud && expected(within).abs() >= loud;
    // Away from the edges, where a wave that jumps to zero by itself rings in its series.
    let inside = |zeros: &Range<usize>| {
        let (first, end) = (zeros.start + MARGIN, zeros.end - MARGIN);
        let every = ((end - first) / LOOKS).max(1);
        let looks = (first..end).step_by(every);
        looks.clone().map(|n| expected(n).abs()).sum::<f64>() >= loud * looks.count() as f64
    };
    zeros
        .iter()
        .take(STRETCHES_MAX)
        .any(|zeros| (edge(zeros.start, zeros.start - 1) || edge(zeros.end - 1, zeros.end)) && inside(zeros))
}

/// Cycles that one value must last to count as held: no wave of an amplifier stands still as long, a square one for half.
const HELD_CYCLES: f64 = 0.75;

/// True if a value is held where the tone goes on, before it and after it, as the record's harmonics say. A value next to
/// the record's mean is a pause of the signal, or may be.
pub(crate) fn held(samples: &[f64], coefficients: &[Complex<f64>], cycles_per_sample: f64) -> bool {
    let peak = 2.0 * coefficients.get(1).map_or(0.0, |c| c.norm());
    let rest = coefficients.first().map_or(0.0, |c| c.re);
    let cycle = 1.0 / cycles_per_sample;
    let least = ((HELD_CYCLES * cycle).ceil() as usize).max(ZEROS_MIN);
    let middle = (samples.len() as f64 - 1.0) / 2.0;
    let fundamental = coefficients.get(1).copied().unwrap_or_default();
    let expected = |n: usize| {
        let turn = Complex::from_polar(1.0, TAU * (cycles_per_sample * (n as f64 - middle)).fract());
        rest + 2.0 * (fundamental * turn).re
    };
    // Harmonics may be strong, but most of what stands beside is the fundamental.
    let follows = |range: Range<usize>| {
        let count = range.len() as f64;
        let off: f64 = range.map(|n| (samples[n] - expected(n)).abs()).sum();
        count > 0.0 && off < 0.25 * peak * count
    };
    runs(samples, least).take(STRETCHES_MAX).any(|run| {
        let (first, end) = (run.start, run.end);
        let around = cycle.ceil() as usize;
        (samples[first] - rest).abs() >= 2.0 * LOUD * peak
            && follows(first.saturating_sub(around)..first)
            && follows(end..(end + around).min(samples.len()))
            && !follows(run)
    })
}

/// Runs of at least so many equal samples, without those that reach the record's start or end.
fn runs(samples: &[f64], least: usize) -> impl Iterator<Item = Range<usize>> + '_ {
    let mut at = least;
    std::iter::from_fn(move || {
        // A run holds a sample whose number is a multiple of its least length.
        while at < samples.len() {
            let value = samples[at];
            let first = samples[..at].iter().rposition(|x| *x != value).map(|before| before + 1);
            let end = samples[at..].iter().position(|x| *x != value).map(|beyond| at + beyond)?;
            at = (end / least + 1) * least;
            if let Some(first) = first.filter(|first| end - first >= least) {
                return Some(first..end);
            }
        }
        None
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_stretch_is_found_wherever_it_lies() {
        // Definition: eight zeros or more with other samples on both sides.
        for len in [1, 8, 9, 40, 41] {
            for first in 0..len {
                for count in 1..len - first + 1 {
                    let mut samples = vec![1.0; len];
                    samples[first..first + count].fill(0.0);
                    let inside = first > 0 && first + count < len && count >= 8;
                    let expected: Vec<_> = inside.then_some(first..first + count).into_iter().collect();
                    assert_eq!(zeros(&samples), expected, "{count} zeros at {first} of {len}");
                }
            }
        }
        let mut samples = vec![0.0; 100];
        for loud in [3, 12, 13, 22, 50, 99] {
            samples[loud] = -0.5;
        }
        assert_eq!(zeros(&samples), [4..12, 14..22, 23..50, 51..99]);
        assert!(zeros(&[]).is_empty() && zeros(&[0.0; 50]).is_empty());
    }
}
