//! What an eye at a scope would judge. Common practice, no source.

/// Largest magnitude of the samples, in their unit.
pub fn peak(samples: &[f64]) -> f64 {
    samples.iter().fold(0.0, |peak, x| x.abs().max(peak))
}

/// Share of the samples within 1 % of `peak`, in percent; `None` without a peak.
pub fn flat_top_pct(samples: &[f64], peak: f64) -> Option<f64> {
    if samples.is_empty() || peak <= 0.0 {
        return None;
    }
    let near = samples.iter().filter(|x| x.abs() >= 0.99 * peak).count();
    Some(100.0 * near as f64 / samples.len() as f64)
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
