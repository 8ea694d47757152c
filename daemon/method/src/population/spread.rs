//! How one quantity spreads over units.

use serde::{Deserialize, Serialize};

/// What the median absolute deviation of a normal population is multiplied by to give its standard deviation:
/// 1/Φ⁻¹(0.75).
pub const MAD_SCALE: f64 = 1.482_602_218_505_602;

/// How one quantity spreads over units, in its unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// Units.
    pub count: usize,
    /// Mean.
    pub mean: f64,
    /// Standard deviation of the sample (n − 1); absent of a single unit.
    pub standard_deviation: Option<f64>,
    /// Median.
    pub median: f64,
    /// Median absolute deviation from the median, scaled by [`MAD_SCALE`]: a standard deviation that a few odd units do not
    /// move.
    pub mad: f64,
    /// The lowest.
    pub lowest: f64,
    /// The highest.
    pub highest: f64,
}

/// How values spread; absent where there are none. What isn't finite does not count.
#[must_use]
pub fn spread(values: &[f64]) -> Option<Spread> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let (lowest, highest) = (*sorted.first()?, *sorted.last()?);
    let count = sorted.len();
    let mean = sorted.iter().sum::<f64>() / count as f64;
    let squares: f64 = sorted.iter().map(|value| (value - mean).powi(2)).sum();
    let median = median(&sorted)?;
    let mut apart: Vec<f64> = sorted.iter().map(|value| (value - median).abs()).collect();
    apart.sort_by(f64::total_cmp);
    Some(Spread {
        count,
        mean,
        standard_deviation: (count > 1).then(|| (squares / (count - 1) as f64).sqrt()),
        median,
        mad: MAD_SCALE * self::median(&apart)?,
        lowest,
        highest,
    })
}

/// The middle of sorted values, or the mean of both middle ones.
fn median(sorted: &[f64]) -> Option<f64> {
    let high = sorted.len() / 2;
    let upper = *sorted.get(high)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = *sorted.get(high.checked_sub(1)?)?;
    Some(f64::midpoint(lower, upper))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The eight readings of a mass spectrometer in NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17 (data of Tietjen
    /// and Moore, 1972).
    pub const URANIUM: [f64; 8] = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];

    /// NIST/SEMATECH e-Handbook, 1.3.5.17.1: the Grubbs statistic of that data, (highest − mean)/s, is 2.4687 there (figure
    /// from memory, and cut off rather than rounded). (numpy and `scipy.stats.median_abs_deviation` agree on random data: tests/oracles/test_population.py.)
    #[test]
    fn mean_and_standard_deviation_are_those_of_the_handbook() {
        let all = spread(&URANIUM).unwrap();
        let grubbs = (all.highest - all.mean) / all.standard_deviation.unwrap();
        assert!((grubbs - 2.4687).abs() < 1e-4, "{grubbs}");
    }

    /// NIST/SEMATECH e-Handbook, 1.3.5.6, defines MAD as the median of |Y − median(Y)|. Of 1, 1, 2, 2, 4, 6, 9 that is 1 (a
    /// worked example of common textbooks, from memory).
    #[test]
    fn the_median_absolute_deviation_is_that_of_the_definition() {
        let all = spread(&[9.0, 1.0, 6.0, 1.0, 4.0, 2.0, 2.0]).unwrap();
        assert_eq!(all.median, 2.0);
        assert!((all.mad - MAD_SCALE).abs() < 1e-12);
    }

    #[test]
    fn what_is_no_number_and_what_is_alone_is_told_as_such() {
        assert_eq!(spread(&[]), None);
        assert_eq!(spread(&[f64::NAN]), None);
        let one = spread(&[3.0, f64::INFINITY]).unwrap();
        assert_eq!((one.count, one.median, one.mad, one.standard_deviation), (1, 3.0, 0.0, None));
    }
}
