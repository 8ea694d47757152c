//! Means over a record, in lanes that do not wait for each other: a record is looked at more than once in each step.

/// Sums kept side by side.
const LANES: usize = 8;

/// Mean of the samples; 0 of none.
pub(crate) fn mean(samples: &[f64]) -> f64 {
    mean_of(samples, |x| x)
}

/// Mean of the squares; 0 of none.
pub(crate) fn mean_square(samples: &[f64]) -> f64 {
    mean_of(samples, |x| x * x)
}

/// Mean of the products of both, as far as both go, over the length of the first; 0 of none.
pub(crate) fn mean_product(a: &[f64], b: &[f64]) -> f64 {
    let both = a.len().min(b.len());
    let (whole_a, rest_a) = a.get(..both).unwrap_or_default().as_chunks::<LANES>();
    let (whole_b, rest_b) = b.get(..both).unwrap_or_default().as_chunks::<LANES>();
    let mut lanes = [0.0; LANES];
    for (some_a, some_b) in whole_a.iter().zip(whole_b) {
        for (lane, (a, b)) in lanes.iter_mut().zip(some_a.iter().zip(some_b)) {
            *lane += a * b;
        }
    }
    let rest: f64 = rest_a.iter().zip(rest_b).map(|(a, b)| a * b).sum();
    (lanes.iter().sum::<f64>() + rest) / a.len().max(1) as f64
}

fn mean_of(samples: &[f64], term: impl Fn(f64) -> f64) -> f64 {
    let (whole, rest) = samples.as_chunks::<LANES>();
    let mut lanes = [0.0; LANES];
    for samples in whole {
        for (lane, sample) in lanes.iter_mut().zip(samples) {
            *lane += term(*sample);
        }
    }
    let rest: f64 = rest.iter().map(|sample| term(*sample)).sum();
    (lanes.iter().sum::<f64>() + rest) / samples.len().max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sums of whole numbers and of their squares (handbook formulas n(n+1)/2, n(n+1)(2n+1)/6), in every split of lanes.
    #[test]
    fn means_are_those_of_the_formulas() {
        for n in 1..40u32 {
            let samples: Vec<f64> = (1..=n).map(f64::from).collect();
            let n = f64::from(n);
            assert_eq!(mean(&samples), (n + 1.0) / 2.0);
            assert!((mean_square(&samples) - (n + 1.0) * (2.0 * n + 1.0) / 6.0).abs() < 1e-9);
            assert_eq!(mean_product(&samples, &samples), mean_square(&samples));
        }
        assert_eq!((mean(&[]), mean_square(&[]), mean_product(&[], &[1.0])), (0.0, 0.0, 0.0));
    }

    #[test]
    fn what_is_no_number_stays_none_and_lengths_may_differ() {
        let mut samples = vec![1.0; 20];
        for place in [0, 7, 8, 19] {
            samples[place] = f64::NAN;
            assert!(mean_square(&samples).is_nan() && mean_product(&samples, &samples).is_nan());
            samples[place] = 1.0;
        }
        for (a, b) in [(20, 3), (20, 11), (9, 30), (16, 8)] {
            let both = f64::from(a.min(b)) / f64::from(a);
            let product = mean_product(&vec![1.0; a as usize], &vec![1.0; b as usize]);
            assert!((product - both).abs() < 1e-12, "{a} {b}");
        }
    }
}
