//! Axes: where a value lies between two ends, and where to put the numbers.

use crate::number::significant;

/// A scale from `low` to `high`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Scale {
    Linear { low: f64, high: f64 },
    Log { low: f64, high: f64 },
}

/// A place on a scale with its number; absent where there is room for a line alone.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tick {
    pub value: f64,
    pub label: Option<String>,
}

/// Beyond this, or nearer to zero than its inverse, nothing is drawn: no bench measures it, and sums of it overflow.
const LARGEST: f64 = 1e100;
/// Most numbers along a linear axis, whatever its ends.
const TICKS_MAX: usize = 60;

/// Steps within a decade that ends of a scale may have.
const ROUND: [f64; 4] = [1.0, 2.0, 5.0, 10.0];

impl Scale {
    /// A linear scale with round ends around values, about `steps` numbers long; never empty.
    pub fn linear(values: impl Iterator<Item = f64>, least_span: f64, steps: f64) -> Self {
        let (mut low, mut high) = ends(values).unwrap_or((0.0, 1.0));
        // Nearer together than a double can tell apart, values would leave no room between the ends.
        let least_span = least_span.max(1e-9 * low.abs().max(high.abs())).max(LARGEST.recip());
        if high - low < least_span {
            let middle = 0.5 * (low + high);
            (low, high) = (middle - 0.5 * least_span, middle + 0.5 * least_span);
        }
        let step = round_step((high - low) / steps);
        Scale::Linear { low: (low / step).floor() * step, high: (high / step).ceil() * step }
    }

    /// A log scale with ends at 1, 2 or 5 times a power of ten around positive values; never empty.
    pub fn log(values: impl Iterator<Item = f64>) -> Self {
        let (low, high) = ends(values.filter(|value| *value > LARGEST.recip())).unwrap_or((0.1, 10.0));
        let (low, high) = (round_down(low * 0.999), round_up(high * 1.001));
        Scale::Log { low, high }
    }

    pub fn ends(self) -> (f64, f64) {
        match self {
            Scale::Linear { low, high } | Scale::Log { low, high } => (low, high),
        }
    }

    /// 0 at the low end, 1 at the high one; beyond them outside that.
    pub fn share(self, value: f64) -> f64 {
        match self {
            Scale::Linear { low, high } => (value - low) / (high - low),
            Scale::Log { low, high } => (value / low).ln() / (high / low).ln(),
        }
    }

    pub fn ticks(self, steps: f64) -> Vec<Tick> {
        match self {
            Scale::Linear { low, high } => {
                let step = round_step((high - low) / steps);
                let count = (((high - low) / step + 1e-6).floor() as usize).min(TICKS_MAX);
                let first = (low / step - 1e-6).ceil() * step;
                let decimals = (-step.log10().floor()).clamp(0.0, 9.0) as usize;
                let values = (0..=count).map(|n| first + n as f64 * step);
                let values = values.filter(|value| *value <= high + 1e-6 * step);
                // A rounding error is no "-0".
                let near = |value: f64| if value.abs() < 1e-6 * step { 0.0 } else { value };
                values
                    .map(|value| Tick { value, label: Some(format!("{:.decimals$}", near(value))) })
                    .collect()
            }
            Scale::Log { low, high } => log_ticks(low, high),
        }
    }
}

fn log_ticks(low: f64, high: f64) -> Vec<Tick> {
    let decades = (high / low).log10();
    let labelled: &[u8] = match decades {
        d if d <= 1.6 => &[1, 2, 3, 5, 7],
        d if d <= 3.2 => &[1, 2, 5],
        _ => &[1],
    };
    let first = low.log10().floor() as i32;
    let last = high.log10().ceil() as i32;
    let all = (first..=last).flat_map(|power| (1u8..=9).map(move |n| (n, power)));
    all.map(|(n, power)| (n, f64::from(n) * 10f64.powi(power)))
        .filter(|(_, value)| *value >= low * 0.9999 && *value <= high * 1.0001)
        .map(|(n, value)| Tick { value, label: labelled.contains(&n).then(|| significant(value, 3)) })
        .collect()
}

fn ends(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.filter(|value| value.abs() <= LARGEST).fold(None, |ends, value| match ends {
        None => Some((value, value)),
        Some((low, high)) => Some((f64::min(low, value), f64::max(high, value))),
    })
}

fn round_step(step: f64) -> f64 {
    round_up(step * 0.999_999)
}

fn decade(value: f64) -> f64 {
    10f64.powf(value.log10().floor())
}

fn round_up(value: f64) -> f64 {
    let decade = decade(value);
    ROUND.iter().map(|round| round * decade).find(|round| *round >= value).unwrap_or(10.0 * decade)
}

fn round_down(value: f64) -> f64 {
    let decade = decade(value);
    ROUND.iter().rev().map(|round| round * decade).find(|round| *round <= value).unwrap_or(decade)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn labels(ticks: &[Tick]) -> Vec<&str> {
        ticks.iter().filter_map(|tick| tick.label.as_deref()).collect()
    }

    #[test]
    fn scales_hold_what_they_must_and_have_round_ends() {
        // Project definition.
        assert_eq!(Scale::log([0.0972, 222.0].into_iter()).ends().0, 0.05);
        assert_eq!(Scale::log([0.0972, 222.0].into_iter()).ends().1, 500.0);
        let volts = Scale::linear([14.31, 14.4].into_iter(), 0.5, 4.0);
        let (low, high) = volts.ends();
        assert!(low <= 14.1 + 1e-9 && high >= 14.6 - 1e-9 && high - low < 1.5, "{volts:?}");
        for odd in [Scale::linear([f64::NAN].into_iter(), 0.0, 4.0), Scale::log([-1.0, 0.0].into_iter())] {
            let (low, high) = odd.ends();
            assert!(low < high, "{odd:?}");
        }
    }

    proptest! {
        /// Whatever stands in a table: ends in order, few numbers, every share of what lies between the ends within 0 and 1.
        #[test]
        fn no_value_breaks_a_scale(a in any::<f64>(), b in any::<f64>(), span in 0.0..10.0f64) {
            let both = || [a, b].into_iter();
            for scale in [Scale::linear(both(), span, 4.0), Scale::log(both())] {
                let (low, high) = scale.ends();
                prop_assert!(low.is_finite() && high.is_finite() && low < high, "{:?}", scale);
                let ticks = scale.ticks(5.0);
                prop_assert!(ticks.len() < 3000, "{:?}: {}", scale, ticks.len());
                for tick in ticks {
                    prop_assert!((-0.001..=1.001).contains(&scale.share(tick.value)), "{:?} {:?}", scale, tick);
                }
                for value in both().filter(|value| (low..=high).contains(value)) {
                    prop_assert!((0.0..=1.0).contains(&scale.share(value)), "{:?} {}", scale, value);
                }
            }
        }
    }

    #[test]
    fn numbers_stand_where_they_say() {
        assert_eq!(
            labels(&Scale::Log { low: 0.01, high: 100.0 }.ticks(5.0)),
            ["0.01", "0.1", "1", "10", "100"]
        );
        assert_eq!(
            labels(&Scale::Log { low: 20.0, high: 200.0 }.ticks(5.0)),
            ["20", "30", "50", "70", "100", "200"]
        );
        assert_eq!(
            labels(&Scale::Linear { low: -1.0, high: 1.0 }.ticks(4.0)),
            ["-1.0", "-0.5", "0.0", "0.5", "1.0"]
        );
        assert!((Scale::Log { low: 1.0, high: 100.0 }.share(10.0) - 0.5).abs() < 1e-12);
    }
}
