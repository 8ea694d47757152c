//! One look at every sample: is it usable, how large does it get, what is its mean.

/// Samples outside this range can't be volts or amperes, and their squares would not be numbers.
const LARGEST: f64 = 1e100;
/// Sums that run side by side, so that the processor need not wait for one of them.
pub(crate) const LANES: usize = 8;

/// What one look at a channel's samples tells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Survey {
    /// Every sample is a number that may be volts or amperes.
    pub usable: bool,
    /// Largest magnitude, in the samples' unit.
    pub peak: f64,
    /// Mean of all samples, in their unit.
    pub mean: f64,
}

impl Survey {
    pub fn new(samples: &[f64]) -> Self {
        let (mut peaks, mut sums) = ([0.0_f64; LANES], [0.0_f64; LANES]);
        let (chunks, rest) = samples.as_chunks::<LANES>();
        for chunk in chunks {
            for lane in 0..LANES {
                let size = chunk[lane].abs();
                peaks[lane] = if size > peaks[lane] { size } else { peaks[lane] };
                sums[lane] += chunk[lane];
            }
        }
        for sample in rest {
            peaks[0] = if sample.abs() > peaks[0] { sample.abs() } else { peaks[0] };
            sums[0] += sample;
        }
        let peak = peaks.into_iter().fold(0.0, f64::max);
        let sum: f64 = sums.iter().sum();
        // What is no number passes every comparison by, but not a sum.
        let usable = peak <= LARGEST && sum.is_finite();
        Self { usable, peak, mean: sum / samples.len().max(1) as f64 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_bad_sample_anywhere_is_found() {
        // IEEE 754: comparisons with what is no number are false.
        for len in [1, 7, 8, 9, 31] {
            for at in 0..len {
                let mut samples = vec![1.0; len];
                assert_eq!(Survey::new(&samples), Survey { usable: true, peak: 1.0, mean: 1.0 });
                for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e101, -f64::MAX] {
                    samples[at] = bad;
                    assert!(!Survey::new(&samples).usable, "{bad} at {at} of {len}");
                }
                samples[at] = -3.0;
                assert_eq!(Survey::new(&samples).peak, 3.0);
            }
        }
        assert!(Survey::new(&[]).usable);
    }
}
