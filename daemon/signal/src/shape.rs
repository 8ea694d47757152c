//! What an eye at a scope would judge. Common practice, no source.

use realfft::num_complex::Complex;

use crate::spectrum::{inverse_plan, run_inverse};
use crate::survey::LANES;

/// Share of the samples within 1 % of `peak`, in percent; `None` without a peak.
pub fn flat_top_pct(samples: &[f64], peak: f64) -> Option<f64> {
    if samples.is_empty() || peak <= 0.0 {
        return None;
    }
    let limit = 0.99 * peak;
    let mut counts = [0_u64; LANES];
    let (chunks, rest) = samples.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            counts[lane] += u64::from(chunk[lane].abs() >= limit);
        }
    }
    let near = counts.iter().sum::<u64>() as usize + rest.iter().filter(|x| x.abs() >= limit).count();
    Some(100.0 * near as f64 / samples.len() as f64)
}

/// Largest magnitude of a harmonic series (from dc, half the peak), between samples too.
pub(crate) fn series_peak(harmonics: &[Complex<f64>]) -> f64 {
    let plan = inverse_plan((4 * harmonics.len()).next_power_of_two().max(64));
    let mut lines = plan.make_input_vec();
    for (line, c) in lines.iter_mut().zip(harmonics) {
        *line = *c;
    }
    let mut cycle = plan.make_output_vec();
    run_inverse(plan.as_ref(), &mut lines, &mut cycle);
    cycle.iter().fold(0.0, |peak, x| x.abs().max(peak))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_spends_its_known_share_near_the_peak() {
        // Closed form: (2/π)·acos 0.99 = 9.0107 %.
        let sine: Vec<f64> = (0..100_000).map(|n| (n as f64 * 0.618_033_988).sin()).collect();
        let expected = 200.0 / std::f64::consts::PI * 0.99_f64.acos();
        assert!((flat_top_pct(&sine, 1.0).unwrap() - expected).abs() < 0.01);
        assert_eq!(flat_top_pct(&[0.0, 0.0], 0.0), None);
        assert_eq!(flat_top_pct(&[-1.0, 1.0], 1.0), Some(100.0));
    }
}
